"""What each pixel gives to the halo, in one pass over a picture."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.knots import by_eights
from halocline.compute.series import exponential, exponential_less_one
from halocline.compute.sums import sum_of_rows
from halocline.physics.path.loops import less_one, less_two

Kinds = NDArray[np.int8]

# Pixels of a row that are worked on together at most: what is known of them stays in the nearest cache.
_TOGETHER = 256
# Where rays are known at every so many pixels, surfaces are looked at there alone in stretches of so many
# that go straight in between.
_STEP, _STRETCH = 8, 64
# What pixels of a stretch show: open water; surfaces, each looked at by itself; some that go straight.
_OPEN, _SINGLE, _STRAIGHT = np.int8(0), np.int8(1), np.int8(2)
# Straight is what between two nodes grows by no more than the first of these, and is off the way by
# no more than the second: in lengths of 1/k, and as a share of the range. What a stretch gives is told to
# a thousandth.
_MOST_GROWN, _MOST_OFF = np.float32(0.06), np.float32(1e-3)
_ZERO, _ONE, _EIGHTH = np.float32(0.0), np.float32(1.0), np.float32(0.125)
# Slower than this, water along a ray counts as even, 1/m: exact to 1e-3 over a hundred metres.
_SLOWEST = np.float32(1e-5)
# What lies beyond so many lengths of 1/k is not seen.
_ENDLESS = np.float32(20.0)
# What shows the water's own light passes for water, and the less so the more it differs: not at all where it
# does by one part in so many. A choice: of what else a thing sends to other sides a picture tells nothing.
_LIKE = np.float32(2.0)


@compiled
def give(
    direct: tuple[F32, F32, F32],
    length_m: F32,
    cover: F32,
    far_light: F32,
    far_share: F32,
    rays: F32,
    down: F32,
    step: int,
    first: int,
    last: int,
    numbers: F32,
    rates: F32,
    own: F32,
    more: F32,
    mix: F32,
    out: F32,
    wide: F32,
    to: int,
    cell: int,
) -> None:
    """Write what some rows of a picture give to the halo, and add what they hide beyond that.

    A thing gives what sets its light apart from the water behind it. It hides more than that: light about
    the view that is brighter than the water along it, and would have been turned into the picture; of what a
    thing sends to other sides in turn a picture tells nothing, and most send as much. But a thing about as
    bright as the water passes for water, and hides nothing.

    Parameters
    ----------
    direct
        Light of the surfaces at the lens, down to exp(-c s), with what the water has added to it; and that by
        itself, in one part or two, which are taken off: ``(K, rows, columns)`` each, empty where there is no
        such part.
    length_m, cover
        Metres of water to each surface, and its share of the pixel; what is beyond 0 to 1 is cut off.
    far_light, far_share
        What of a pixel's light, and of its area, is a farther surface's and not meant; empty where none is.
    rays, down
        What open water beyond a place brings to the lens, see `halocline.physics.path.transport.OpenRays`:
        J and k of two kinds of light, ``(4, K, ...)``, and the downward component of the rays, at every
        pixel, or at every eighth of every eighth row, from the first given row on and with one more beyond
        the last.
    step
        Pixels between those, 1 or 8.
    first, last
        Rows of all planes but ``rays`` and ``out`` that are meant.
    numbers
        The length at which half of the change of a rate is made, metres; the longest length there is, metres;
        the largest exponent; depth of the lens, metres.
    rates
        By how much the water takes from direct light beyond what it takes from its own, 1/m, ``(K,)``.
    own
        What a thing's light regains of its scattering, 1/m, as the coefficients of polynomials in
        s / (s + half), ``(K, 5)``.
    more
        What is hidden beyond the water's light along the view, as a share of what that would give, likewise.
    mix
        What each band adds to each plane of the result, ``(C, K)``.
    out, to
        ``(C, rows, columns)``, and the row of it that the first is written to.
    wide, cell
        ``(C, cells down, cells across)``, to which sums over cells are added, and the side of a cell, 1 or 8
        pixels; cells begin with the first row.
    """
    half, longest, most, depth = numbers
    columns, bands, apart = direct[0].shape[2], direct[0].shape[0], np.empty(direct[0].shape[2], np.float32)
    # Nodes are blown up eight pixels at a time, beyond a row's end too.
    blown_up = -(-columns // _STEP) * _STEP
    s, t, share, part, place, rest, given = (
        np.empty(columns, np.float32),
        np.empty(columns, np.float32),
        np.empty(columns, np.float32),
        np.empty(columns, np.float32),
        np.empty(columns, np.float32),
        np.empty(blown_up, np.float32),
        np.empty((bands, columns), np.float32),
    )
    kinds, lines = np.empty(columns // _STRETCH + 1, np.int8), np.empty((4, _TOGETHER), np.float32)
    # Where no surface is, the water behind it is not reckoned, and a share of 0 of it must be 0.
    back, nothing = np.empty((2, _TOGETHER), np.float32), np.zeros((2, _TOGETHER), np.float32)
    nodes = np.empty(max(blown_up, _TOGETHER) // _STEP + 1, np.float32)
    count = columns // _STEP + 1
    known = np.empty((bands, 4, count), np.float32)
    at_nodes, of_nodes = np.empty((4, count), np.float32), np.empty((3, count), np.float32)
    beyond, sums = np.zeros((bands, columns), np.float32), np.empty(-(-columns // cell), np.float32)
    for y in range(first, last):
        there = to + y - first
        _shares(length_m[y], cover[y], half, longest, s, t, share)
        covered, straight, open_for = _mark_open(share, kinds), False, longest
        if covered:
            _line(down, y - first, 0, step, nodes, rest)
            open_for = _rest(s, share, depth, longest, place, rest)
        if covered and step == _STEP:
            _down_to(rays, y - first, known)
            _at_nodes((s, t, place, rest), at_nodes)
            straight = _mark_straight(s, share, at_nodes, known, kinds)
        _leave_out(far_light, far_share, y, share, part)
        for band in range(bands):
            if straight:
                _known(at_nodes, open_for, known[band], rates[band], most, own[band], more[band], of_nodes)
            start, own_light = 0, apart if _taken_off(direct, band, y, apart) else direct[0][band, y]
            while start < columns:
                kind, end = kinds[start // _STRETCH], _end_of(kinds, start, columns)
                light, giving, hiding = own_light[start:end], given[band, start:end], beyond[band, start:end]
                shown = light, part[start:end], share[start:end], s[start:end], t[start:end]
                if kind == _STRAIGHT:
                    _given_between(light, shown[1], shown[2], of_nodes, start // _STEP, lines, giving, hiding)
                elif kind == _SINGLE:
                    for which in range(4):
                        _line(rays[which, band], y - first, start, step, nodes, lines[which])
                    _behind(place[start:end], rest[start:end], open_for, lines, rates[band], back)
                    _given(shown, back, most, own[band], more[band], giving, hiding)
                elif _is_dark(light):
                    _clear(giving)
                else:
                    _given(shown, nothing, most, own[band], more[band], giving, hiding)
                start = end
        for plane in range(out.shape[0]):
            sum_of_rows(given, mix[plane], out[plane, there])
        _hide(beyond, cell, sums, mix, wide, there, y + 1 == last)


@compiled
def _taken_off(direct: tuple[F32, F32, F32], band: int, row: int, out: F32) -> bool:
    """Write the light of a row without what the water added; tell whether it added any."""
    light, part, other = direct
    if other.size:
        less_two(light[band, row], part[band, row], other[band, row], out)
    elif part.size:
        less_one(light[band, row], part[band, row], out)
    return part.size > 0


@compiled
def _leave_out(far_light: F32, far_share: F32, row: int, share: F32, part: F32) -> None:
    """Take off a row's shares what is a farther surface's, and write what of its light is not."""
    part[:] = _ONE
    if far_share.size:
        for i in range(share.size):
            share[i] *= _ONE - far_share[row, i]
            part[i] -= far_light[row, i]


@compiled
def _shares(
    length_m: F32, cover: F32, half: np.float32, longest: np.float32, s: F32, t: F32, share: F32
) -> None:
    """Write lengths and shares that are fit to reckon with."""
    for i in range(s.size):
        share[i] = min(max(cover[i], _ZERO), _ONE)
        s[i] = min(length_m[i], longest)
        t[i] = s[i] / (s[i] + half)


@compiled
def _mark_open(share: F32, kinds: Kinds) -> bool:
    """Write which stretches show surfaces; tell whether any does."""
    found = False
    for stretch in range(kinds.size):
        end, some = min(_STRETCH * (stretch + 1), share.size), False
        for i in range(_STRETCH * stretch, end):
            some |= share[i] > _ZERO
        kinds[stretch] = _SINGLE if some else _OPEN
        found |= some
    return found


@compiled
def _end_of(kinds: Kinds, start: int, columns: int) -> int:
    """Return where pixels of one kind end, from a stretch's first on, or where they are enough together."""
    first = start // _STRETCH
    stretch = first + 1
    while stretch < kinds.size and kinds[stretch] == kinds[first]:
        stretch += 1
    return min(_STRETCH * stretch, columns, start + _TOGETHER)


@compiled
def _down_to(rays: F32, row: int, known: F32) -> None:
    """Write what is known at every eighth pixel of a row, from what is known at every eighth row."""
    above, down = row >> 3, np.float32(row & 7) * _EIGHTH
    for band in range(known.shape[0]):
        for which in range(4):
            upper, lower, out = rays[which, band, above], rays[which, band, above + 1], known[band, which]
            for node in range(out.size):
                out[node] = upper[node] + down * (lower[node] - upper[node])


@compiled
def _at_nodes(pixels: tuple[F32, F32, F32, F32], out: F32) -> None:
    """Write what is known of pixels at every eighth of them; behind the last it goes on."""
    for which in range(4):
        row, found = pixels[which], out[which]
        for node in range(np.uint64(min(found.size, -(-row.size // _STEP)))):
            found[node] = row[np.uint64(_STEP) * node]
        if found.size * _STEP > row.size + _STEP - 1:
            found[found.size - 1] = row[row.size - 1]


@compiled
def _mark_straight(s: F32, share: F32, at_nodes: F32, known: F32, kinds: Kinds) -> bool:
    """Write which stretches of surfaces go straight from node to node; tell whether any does."""
    slowest, fastest = _ENDLESS, _SLOWEST
    for band in range(len(known)):
        for kind in range(1, 4, 2):
            for node in range(known.shape[2]):
                k = known[band, kind, node]
                slowest, fastest = min(slowest, k), max(fastest, abs(k))
    found, rest = False, at_nodes[3]
    for stretch in range(s.size // _STRETCH):
        straight = kinds[stretch] == _SINGLE
        for node in range(_STRETCH // _STEP * stretch, _STRETCH // _STEP * (stretch + 1)):
            near, end = at_nodes[0, node], at_nodes[0, node + 1]
            nearest, grown = min(near, end), _EIGHTH * (end - near)
            off, least = _ZERO, share[min(_STEP * (node + 1), s.size - 1)]
            for i in range(_STEP):
                off = max(off, abs(near + np.float32(i) * grown - s[_STEP * node + i]))
                least = min(least, share[_STEP * node + i])
            straight &= least > _ZERO
            straight &= off <= _MOST_OFF * min(nearest, _ONE / fastest)
            straight &= abs(end - near) <= _MOST_GROWN * min(nearest, _ONE / fastest)
            # Where a ray's end is seen, what lies between is to grow as evenly.
            seen = slowest * min(rest[node], rest[node + 1]) < _ENDLESS
            straight &= not seen or abs(rest[node + 1] - rest[node]) * fastest <= _MOST_GROWN
        if straight:
            kinds[stretch] = _STRAIGHT
            found = True
    return found


@compiled
def _known(
    at_nodes: F32,
    open_for: np.float32,
    known: F32,
    lost: np.float32,
    most: np.float32,
    own: F32,
    more: F32,
    out: F32,
) -> None:
    """Write at nodes the light behind, how much of light is given, and how much of what is behind hidden."""
    s, t, place, rest = at_nodes[0], at_nodes[1], at_nodes[2], at_nodes[3]
    _behind(place, rest, open_for, known, lost, out)
    for node in range(s.size):
        out[0, node] += out[1, node]
    gain, hidden = out[1], out[2]
    o0, o1, o2, o3, o4 = own[0], own[1], own[2], own[3], own[4]
    m0, m1, m2, m3, m4 = more[0], more[1], more[2], more[3], more[4]
    for node in range(s.size):
        x = t[node]
        regained = o0 + x * (o1 + x * (o2 + x * (o3 + x * o4)))
        gain[node] = exponential_less_one(min(regained * s[node], most))
        hidden[node] = gain[node] * (m0 + x * (m1 + x * (m2 + x * (m3 + x * m4))))


@compiled
def _given_between(
    light: F32, part: F32, share: F32, of_nodes: F32, first: int, lines: F32, out: F32, beyond: F32
) -> None:
    """Write what one band gives where all goes straight from node to node, the first of which is told.

    What it hides beyond that is added.
    """
    for which in range(3):
        by_eights(of_nodes[which, first:], lines[which, : out.size])
    back, gain, hidden = lines[0], lines[1], lines[2]
    for i in range(out.size):
        behind = share[i] * back[i]
        unlike = light[i] * part[i] - behind
        out[i] = gain[i] * unlike
        beyond[i] -= hidden[i] * min(_LIKE * abs(unlike), behind)


@compiled
def _is_dark(light: F32) -> bool:
    lit = False
    for i in range(light.size):
        lit |= light[i] != _ZERO
    return not lit


@compiled
def _line(plane: F32, row: int, start: int, step: int, nodes: F32, out: F32) -> None:
    """Write some pixels of a row of what is known at every pixel, or at every eighth."""
    if step == 1:
        for i in range(min(out.size, plane.shape[1] - start)):
            out[i] = plane[row, start + i]
        return
    above, first = row >> 3, np.uint64(start >> 3)
    down = np.float32(row & 7) * _EIGHTH
    upper, lower = plane[above], plane[above + 1]
    # A part of a row begins at a node.
    for node in range(np.uint64(min((out.size >> 3) + 1, upper.size - (start >> 3)))):
        nodes[node] = upper[first + node] + down * (lower[first + node] - upper[first + node])
    by_eights(nodes, out)


@compiled
def _rest(s: F32, share: F32, depth: np.float32, longest: np.float32, place: F32, rest: F32) -> np.float32:
    """Write where surfaces are and how much of rays lies beyond, the least of which is returned.

    ``rest`` comes as the downward component of the rays. Where there is no surface, any place will do.
    """
    flattest, least = depth / longest, longest
    for i in range(s.size):
        place[i] = s[i] if share[i] > _ZERO else _ZERO
        rest[i] = max(depth / max(-rest[i], flattest) - place[i], _ZERO)
        least = min(least, rest[i])
    return least


@compiled
def _behind(place: F32, rest: F32, open_for: np.float32, lines: F32, lost: np.float32, out: F32) -> None:
    """Write what open water beyond places brings to the lens, of both kinds of light, ``(2, n)``."""
    for kind in range(2):
        # A row of its own: the compiler then knows that neighbours in it are neighbours in memory.
        rate, light = lines[2 * kind + 1], out[kind, : place.size]
        _back(place, lines[2 * kind], rate, light)
        if _any_ends(rate[: place.size], open_for):
            _ended(rest, rate, light)
        if lost != _ZERO:
            for i in range(light.size):
                light[i] *= exponential(-(lost * place[i]))


@compiled
def _any_ends(rate: F32, open_for: np.float32) -> bool:
    """Tell whether the water's light is still seen at a ray's end."""
    found = False
    for i in range(rate.size):
        found |= rate[i] * open_for < _ENDLESS
    return found


@compiled
def _back(place: F32, source: F32, rate: F32, out: F32) -> None:
    """Write what endless open water beyond places brings to the lens of one kind of light."""
    for i in range(out.size):
        k = rate[i]
        k = k if abs(k) > _SLOWEST else _SLOWEST
        out[i] = source[i] * exponential(-(k * place[i])) / k


@compiled
def _ended(rest: F32, rate: F32, light: F32) -> None:
    """Take from the light of endless water what a ray's end leaves out."""
    for i in range(light.size):
        k = rate[i]
        k = k if abs(k) > _SLOWEST else _SLOWEST
        light[i] *= -exponential_less_one(-(k * rest[i]))


@compiled
def _given(
    shown: tuple[F32, F32, F32, F32, F32],
    behind: F32,
    most: np.float32,
    own: F32,
    more: F32,
    out: F32,
    beyond: F32,
) -> None:
    """Write what one band gives, and add what it hides beyond that.

    ``shown`` is its light and the surface's part of that, share, length and its part.
    """
    light, part, share, s, t = shown
    once, rest = behind[0], behind[1]
    o0, o1, o2, o3, o4 = own[0], own[1], own[2], own[3], own[4]
    m0, m1, m2, m3, m4 = more[0], more[1], more[2], more[3], more[4]
    for i in range(out.size):
        back = share[i] * (once[i] + rest[i])
        unlike = light[i] * part[i] - back
        x = t[i]
        rate = o0 + x * (o1 + x * (o2 + x * (o3 + x * o4)))
        gain = exponential_less_one(min(rate * s[i], most))
        out[i] = gain * unlike
        hidden = gain * (m0 + x * (m1 + x * (m2 + x * (m3 + x * m4))))
        beyond[i] -= hidden * min(_LIKE * abs(unlike), back)


@compiled
def _hide(beyond: F32, cell: int, sums: F32, mix: F32, wide: F32, row: int, is_last: bool) -> None:
    """Add what rows of pixels hide to their row of cells after the last of them, and begin anew."""
    if (row + 1) % cell and not is_last:
        return
    for band in range(len(beyond)):
        _sum_cells(beyond[band], cell, sums)
        for plane in range(wide.shape[0]):
            _add(mix[plane, band], sums, wide[plane, row // cell])
        _clear(beyond[band])


@compiled
def _sum_cells(line: F32, cell: int, out: F32) -> None:
    """Write the sums of every 8 pixels of a line, of which the last may be fewer, or each pixel by itself."""
    whole = line.size // cell
    if cell == _STEP:
        for n in range(np.uint64(whole)):
            i = np.uint64(_STEP) * n
            once = (line[i] + line[i + 1]) + (line[i + 2] + line[i + 3])
            out[n] = once + ((line[i + 4] + line[i + 5]) + (line[i + 6] + line[i + 7]))
    else:
        for pixel in range(whole):
            out[pixel] = line[pixel]
    if whole * cell < line.size:
        out[whole] = _ZERO
        for pixel in range(whole * cell, line.size):
            out[whole] += line[pixel]


@compiled
def _clear(out: F32) -> None:
    for i in range(out.size):
        out[i] = _ZERO


@compiled
def _add(factor: np.float32, plane: F32, out: F32) -> None:
    for i in range(out.size):
        out[i] += factor * plane[i]
