"""What each pixel gives to the halo, in one pass over a picture."""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.series import exponential, exponential_less_one

# Pixels of a row that are worked on together: all that is known of them stays in the nearest cache.
_TOGETHER = 256
_ZERO, _ONE, _TWO, _THREE, _FOUR, _FIVE, _SIX, _SEVEN = (np.float32(number) for number in range(8))
_EIGHTH = np.float32(0.125)
# Slower than this, water along a ray counts as even, 1/m: exact to 1e-3 over a hundred metres.
_SLOWEST = np.float32(1e-5)
# What lies beyond so many lengths of 1/k is not seen.
_ENDLESS = np.float32(20.0)


@compiled
def give(
    direct: F32,
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
    hidden: F32,
    mix: F32,
    out: F32,
) -> None:
    """Add what some rows of a picture give to the halo.

    Parameters
    ----------
    direct
        Light of the surfaces at the lens, down to exp(-c s), ``(K, rows, columns)``.
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
        Rows of all planes but ``rays`` that are meant.
    numbers
        The length at which half of the change of a rate is made, metres; the longest length there is, metres;
        the largest exponent; depth of the lens, metres.
    rates
        By how much the water takes from direct light beyond what it takes from its own, 1/m, ``(K,)``.
    own, hidden
        What light brighter, and light darker than the water regains of its scattering, 1/m, as the
        coefficients of polynomials in s / (s + half), ``(K, 5)``.
    mix
        What each band adds to each plane of the result, ``(C, K)``.
    out
        ``(C, rows, columns)``.
    """
    half, longest, most, depth = numbers
    columns = direct.shape[2]
    lines = np.empty((4, _TOGETHER), np.float32)
    place, rest = np.empty(_TOGETHER, np.float32), np.empty(_TOGETHER, np.float32)
    s, t, share, part = (
        np.empty(_TOGETHER, np.float32),
        np.empty(_TOGETHER, np.float32),
        np.empty(_TOGETHER, np.float32),
        np.empty(_TOGETHER, np.float32),
    )
    # Where no surface is, the water behind it is not reckoned, and a share of 0 of it must be 0.
    back, given = np.zeros((2, _TOGETHER), np.float32), np.empty(_TOGETHER, np.float32)
    nodes = np.empty(_TOGETHER // 8 + 1, np.float32)
    for y in range(first, last):
        for start in range(0, columns, _TOGETHER):
            end = min(start + _TOGETHER, columns)
            count = end - start
            here = s[:count], t[:count], share[:count]
            covered = _shares(length_m[y, start:end], cover[y, start:end], half, longest, *here)
            if covered:
                _line(down, y - first, start, step, nodes, rest)
                open_for = _rest(s[:count], share[:count], depth, longest, place, rest)
            part[:count] = _ONE
            if far_share.size:
                for i in range(count):
                    share[i] *= _ONE - far_share[y, start + i]
                    part[i] -= far_light[y, start + i]
            for band in range(direct.shape[0]):
                light = direct[band, y, start:end]
                if not covered and _is_dark(light):
                    continue
                if covered:
                    for which in range(4):
                        _line(rays[which, band], y - first, start, step, nodes, lines[which])
                    _behind(place[:count], rest, open_for, lines, rates[band], back)
                _given(
                    light,
                    part[:count],
                    share[:count],
                    back[0, :count],
                    back[1, :count],
                    s[:count],
                    t[:count],
                    most,
                    own[band],
                    hidden[band],
                    given[:count],
                )
                for plane in range(out.shape[0]):
                    _add(mix[plane, band], given[:count], out[plane, y, start:end])


@compiled
def _shares(
    length_m: F32, cover: F32, half: np.float32, longest: np.float32, s: F32, t: F32, share: F32
) -> bool:
    """Write lengths and shares that are fit to reckon with; tell whether there is any surface."""
    covered = False
    for i in range(s.size):
        share[i] = min(max(cover[i], _ZERO), _ONE)
        s[i] = min(length_m[i], longest)
        t[i] = s[i] / (s[i] + half)
        covered |= share[i] > _ZERO
    return covered


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
    above, first = row >> 3, start >> 3
    down = np.float32(row & 7) * _EIGHTH
    upper, lower = plane[above], plane[above + 1]
    # A part of a row begins at a node.
    for node in range(min(nodes.size, upper.size - first)):
        nodes[node] = upper[first + node] + down * (lower[first + node] - upper[first + node])
    for node in range(out.size >> 3):
        here = nodes[node]
        slope = _EIGHTH * (nodes[node + 1] - here)
        at = 8 * node
        out[at] = here
        out[at + 1] = here + slope
        out[at + 2] = here + _TWO * slope
        out[at + 3] = here + _THREE * slope
        out[at + 4] = here + _FOUR * slope
        out[at + 5] = here + _FIVE * slope
        out[at + 6] = here + _SIX * slope
        out[at + 7] = here + _SEVEN * slope


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
    light: F32,
    part: F32,
    share: F32,
    once: F32,
    rest: F32,
    s: F32,
    t: F32,
    most: np.float32,
    own: F32,
    hidden: F32,
    out: F32,
) -> None:
    """Write what one band gives."""
    o0, o1, o2, o3, o4 = own[0], own[1], own[2], own[3], own[4]
    h0, h1, h2, h3, h4 = hidden[0], hidden[1], hidden[2], hidden[3], hidden[4]
    for i in range(out.size):
        unlike = light[i] * part[i] - share[i] * (once[i] + rest[i])
        x = t[i]
        brighter = o0 + x * (o1 + x * (o2 + x * (o3 + x * o4)))
        darker = h0 + x * (h1 + x * (h2 + x * (h3 + x * h4)))
        rate = brighter if unlike >= _ZERO else darker
        out[i] = exponential_less_one(min(rate * s[i], most)) * unlike


@compiled
def _add(factor: np.float32, plane: F32, out: F32) -> None:
    for i in range(out.size):
        out[i] += factor * plane[i]
