"""The loops of `halocline.filters.splat`: which pixels a thing touches, and what it lays there.

A thing is a row of `THING`. A pixel takes in its things one after the other in their paint order, far to
near, whichever rows are drawn at once, so its bits do not depend on the tile.

What is called for each pixel takes numbers and rows, not arrays: handing an array over counts its users, and
two threads that count the same array wait for each other. Inner loops count in unsigned numbers: as these
cannot mean places from an array's end, the compiler may do several pixels at once.

In a picture of all directions (`halocline.filters.globe`) things are as large as at the equator, and
distances across are chords, by the haversine formula: ``2 sin(d/2)`` of a difference of longitude, times the
roots of both latitudes' cosines. ``narrow`` is that root of a row, and ``half`` half of the angle between two
columns; 1 and 0 in a flat picture.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled

Ints = NDArray[np.int64]
Shorts = NDArray[np.int32]
Table = NDArray[np.void]

# A disc with a soft edge. Its weight falls from 1 to 0 as ``ramp_end`` minus the distance from its middle
# times ``per_ramp`` does. One that moves is swept along a line: each pixel has its mean over the time
# (`_swept`), as far as ``swept`` says; the rest is a soft capsule, as hard edges would show on a way shorter
# than the soft one is wide. Nothing of it is seen from ``reach`` off its way on. ``edges`` is 2 for a cat's
# eye: what two openings, one shifted, both let through. An iris's sides (0 for a round one) have the normals
# that arise as the first is turned again and again.
THING = np.dtype(
    [
        ("x", np.float64),
        ("y", np.float64),
        ("reach", np.float64),
        ("along_x", np.float32),
        ("along_y", np.float32),
        ("per_length_squared", np.float32),
        ("swept", np.float32),
        ("ramp_end", np.float32),
        ("per_ramp", np.float32),
        ("amplitude", np.float32),
        ("range_m", np.float32),
        ("per_thickness", np.float32),
        ("edges", np.int32),
        ("shift_x", np.float32),
        ("shift_y", np.float32),
        ("sides", np.int32),
        ("normal_x", np.float32),
        ("normal_y", np.float32),
        ("turn_cosine", np.float32),
        ("turn_sine", np.float32),
        ("narrow", np.float32),
        ("sprite", np.int64),
    ],
    align=True,
)
# ``u_x`` .. ``v_y`` turn pixels into texture coordinates; half way it is off its straight way by ``bend``.
# The texture has ``size`` texels a side, in a border of zeros, which begins at ``first``; that of the next
# coarser one begins at ``next``, and ``coarser`` is its share.
SPRITE = np.dtype(
    [
        ("u_x", np.float32),
        ("u_y", np.float32),
        ("v_x", np.float32),
        ("v_y", np.float32),
        ("blur", np.float32),
        ("bend_x", np.float32),
        ("bend_y", np.float32),
        ("opacity", np.float32),
        ("size", np.int64),
        ("first", np.int64),
        ("next", np.int64),
        ("coarser", np.float32),
        ("smeared", np.int32),
    ],
    align=True,
)
# Things are listed by cells of so many rows and columns, so few that all planes of one stay in the cache.
CELL_ROWS, CELL_COLUMNS = 16, 512
# Weights are reckoned for so many pixels of a row at once. Where it is not told how many, the compiler takes
# some together only of more than most things have in a row.
_LANES = 8
_BITS_OF_ENDLESS = np.int32(0x7F800000)
_NOWHERE = 1 << 40
# A soft edge is as good as two hard ones this share of its half width in and out: of the same variance, 1/5.
_TWO_EDGES = np.float32(math.sqrt(0.2))
_ZERO, _HALF, _ONE, _TWO, _THREE = (np.float32(number) for number in (0.0, 0.5, 1.0, 2.0, 3.0))
_FIRST, _NEXT = np.uint64(0), np.uint64(1)


@compiled
def _rows(thing: Any, first: int, end: int) -> tuple[int, int]:
    """Return the rows that a thing touches, from and to (not included), of ``first`` to ``end``."""
    y, other = thing["y"], thing["y"] + np.float64(thing["along_y"])
    low = math.ceil(max(min(y, other) - thing["reach"] - 0.5, float(first)))
    high = math.floor(min(max(y, other) + thing["reach"] - 0.5, float(end - 1)))
    return low, high + 1


@compiled
def _columns(
    thing: Any, row: int, first: int, end: int, narrow: np.float32, half: np.float32
) -> tuple[int, int]:
    """Return the columns where a row crosses a capsule: its two end discs and the sides that join them."""
    reach, y = thing["reach"], row + 0.5 - thing["y"]
    left, right = math.inf, -math.inf
    if abs(y) <= reach:
        chord = np.sqrt(reach * reach - y * y)
        left, right = -chord, chord
    if thing["per_length_squared"] > _ZERO:
        dx, dy = np.float64(thing["along_x"]), np.float64(thing["along_y"])
        if abs(y - dy) <= reach:
            chord = np.sqrt(reach * reach - (y - dy) * (y - dy))
            left, right = min(left, dx - chord), max(right, dx + chord)
        if dy != 0.0:
            length = np.sqrt(dx * dx + dy * dy)
            for side in (-1.0, 1.0):
                share = (y - side * dx / length * reach) / dy
                if 0.0 <= share <= 1.0:
                    crossing = share * dx - side * dy / length * reach
                    left, right = min(left, crossing), max(right, crossing)
    if left > right:
        return 0, 0
    if half > _ZERO:
        # From chords to columns; a row near a pole may lie within the thing all around.
        scale = np.float64(half) / max(np.float64(thing["narrow"] * narrow), 1e-9)
        left = math.asin(max(left * scale, -1.0)) / float(half)
        right = math.asin(min(right * scale, 1.0)) / float(half)
    low = math.ceil(max(thing["x"] + left - 0.5, float(first)))
    high = math.floor(min(thing["x"] + right - 0.5, float(end - 1)))
    return low, high + 1


@compiled
def _aside(thing: Any, offset: np.float32, narrow: np.float32, half: np.float32) -> np.float32:
    """Return how far aside of a thing's middle a pixel lies that is so many columns away."""
    if half > _ZERO:
        aside: np.float32 = np.sin(offset * half) / half * thing["narrow"] * narrow
        return aside
    return offset


@compiled
def _edge(thing: Any, dx: np.float32, dy: np.float32) -> np.float32:
    if thing["per_length_squared"] > _ZERO and not thing["sides"]:
        return _swept(thing, _sweep(thing), dx, dy)
    # The nearest point of the way: how far along it this one lies, from 0 to 1.
    share = (dx * thing["along_x"] + dy * thing["along_y"]) * thing["per_length_squared"]
    share = min(max(share, _ZERO), _ONE)
    dx -= share * thing["along_x"]
    dy -= share * thing["along_y"]
    distance = np.sqrt(dx * dx + dy * dy)
    if thing["sides"]:
        distance = -distance
        x, y = thing["normal_x"], thing["normal_y"]
        for _ in range(thing["sides"]):
            distance = max(distance, dx * x + dy * y)
            turned = x * thing["turn_cosine"] - y * thing["turn_sine"]
            y = x * thing["turn_sine"] + y * thing["turn_cosine"]
            x = turned
    return _ramp(thing["ramp_end"] - distance * thing["per_ramp"])


@compiled
def _sweep(thing: Any) -> tuple[np.float32, np.float32, np.float32]:
    """Return the length of a moving disc's way, and the two hard edges that stand for its soft one."""
    softness = _HALF / thing["per_ramp"]
    radius = softness * (_TWO * thing["ramp_end"] - _ONE)
    aside = _TWO_EDGES * softness
    return _ONE / np.sqrt(thing["per_length_squared"]), max(radius - aside, _ZERO), radius + aside


@compiled
def _swept(
    thing: Any, sweep: tuple[np.float32, np.float32, np.float32], dx: np.float32, dy: np.float32
) -> np.float32:
    """Return the mean weight, over the time, of a disc on a pixel that it passes.

    A hard disc lies over a point for as long as its chord there takes to pass, within the time that there is.
    """
    length, inner, outer = sweep
    share, per_length = thing["swept"], _ONE / length
    along = (dx * thing["along_x"] + dy * thing["along_y"]) * per_length
    aside = (dx * thing["along_y"] - dy * thing["along_x"]) * per_length
    weight: np.float32 = _passing(inner, along, aside, length) + _passing(outer, along, aside, length)
    weight *= _HALF * per_length * share
    far_off = _past(along, aside, length)
    weight += (_ONE - share) * _ramp(thing["ramp_end"] - far_off * thing["per_ramp"])
    return weight


@compiled
def _passing(radius: np.float32, along: np.float32, aside: np.float32, length: np.float32) -> np.float32:
    """Return how much of its way a hard disc lies over a point, pixels."""
    half = np.sqrt(max(radius * radius - aside * aside, _ZERO))
    return max(min(along + half, length) - max(along - half, _ZERO), _ZERO)


@compiled
def _past(along: np.float32, aside: np.float32, length: np.float32) -> np.float32:
    """Return how far a point lies from a way that begins at 0."""
    past = along - min(max(along, _ZERO), length)
    distance: np.float32 = np.sqrt(past * past + aside * aside)
    return distance


@compiled
def _profile(
    thing: Any, column: int | np.int64, row: int, narrow: np.float32, half: np.float32
) -> np.float32:
    """Return a disc's weight on a pixel, 0 to 1."""
    dx = _aside(thing, np.float32(column + 0.5 - thing["x"]), narrow, half)
    dy = np.float32(row + 0.5 - thing["y"])
    weight: np.float32 = _ONE
    for index in range(thing["edges"]):
        shift = np.float32(index)
        weight = min(weight, _edge(thing, dx - shift * thing["shift_x"], dy - shift * thing["shift_y"]))
    return weight


@compiled
def set_amplitudes(
    things: Table,
    covered: F64,
    area: F64,
    summed: NDArray[np.bool_],
    rows: tuple[int, F32, np.float32],
) -> None:
    """Set what the profiles of some things, 1 at their middle, are multiplied with to cover as much as asked.

    What a profile covers is its integral, ``area``, or, of ``summed`` ones, its sum over pixels, each as
    large as it is on the sphere. ``rows`` are the first row, each row's ``narrow`` (of all that there are;
    empty in a flat picture, which has no end here) and ``half``.
    """
    first, narrowing, half = rows
    round_about = half > _ZERO
    start, end = (first, first + narrowing.size) if round_about else (-_NOWHERE, _NOWHERE)
    shares = np.zeros(64, np.float32)
    for index in range(len(things)):
        thing = things[index]
        thing["amplitude"] = _ONE
        whole = area[index]
        if summed[index]:
            total = 0.0
            top, bottom = _rows(thing, start, end)
            for row in range(top, bottom):
                narrow = narrowing[row - first] if round_about else _ONE
                left, right = _columns(thing, row, -_NOWHERE, _NOWHERE, narrow, half)
                count = np.uint64(max(right - left, 0))
                if right - left > len(shares):
                    shares = np.zeros(_in_lanes(2 * (right - left)), np.float32)
                _fill(shares, count, _ONE)
                _weigh(thing, left, left, row, shares, count, narrow, half)
                for k in range(count):
                    total += np.float64(shares[k]) * np.float64(narrow * narrow)
            if total > 0.0:
                whole = total
        thing["amplitude"] = np.float32(min(covered[index] / whole, 1.0))


@compiled
def _cells(thing: Any, area: tuple[int, int, int, int], columns: int) -> tuple[int, int, int, int]:
    """Return the cells that a thing may touch: their rows and columns, from and to (not included)."""
    top, bottom = _rows(thing, area[0], area[1])
    x, other = thing["x"], thing["x"] + np.float64(thing["along_x"])
    left = max(min(x, other) - thing["reach"] - 1.0, float(area[2]))
    right = min(max(x, other) + thing["reach"] + 1.0, float(area[3] - 1))
    if columns >= area[3] - area[2]:
        # One cell is as wide as the picture, in which things may be wider than they are high.
        left, right = float(area[2]), float(area[2])
    if top >= bottom or left > right:
        return 0, 0, 0, 0
    return (
        (top - area[0]) // CELL_ROWS,
        (bottom - 1 - area[0]) // CELL_ROWS + 1,
        (math.floor(left) - area[2]) // columns,
        (math.floor(right) - area[2]) // columns + 1,
    )


@compiled
def count_by_cell(things: Table, area: tuple[int, int, int, int], columns: int, counts: Ints) -> None:
    """Count the things that may touch each cell, ``(rows of cells, cells in a row)``.

    ``area`` is the first row and the end of the rows, and likewise of the columns; ``columns`` those of a
    cell.
    """
    for index in range(len(things)):
        top, bottom, left, right = _cells(things[index], area, columns)
        for row in range(top, bottom):
            for column in range(left, right):
                counts[row, column] += 1


@compiled
def list_by_cell(
    things: Table, order: Ints, area: tuple[int, int, int, int], columns: int, place: Ints, listed: Shorts
) -> None:
    """List them cell by cell, each in paint ``order``; ``place`` is where a cell's list begins."""
    for index in order:
        top, bottom, left, right = _cells(things[index], area, columns)
        for row in range(top, bottom):
            for column in range(left, right):
                listed[place[row, column]] = index
                place[row, column] += 1


@compiled
def paint(
    things: Table,
    listed: Shorts,
    starts: Ints,
    area: tuple[int, int, int],
    columns: int,
    rows: tuple[F32, np.float32],
    first: int,
    surface: tuple[F32, F32, F32, F32],
    lights: F32,
    sprites: Table,
    added: F32,
    texels: F32,
    points: F32,
    picture: F32,
) -> None:
    """Lay things over a picture, far to near.

    Parameters
    ----------
    things, listed, starts
        What there is, and where in the list of it that of each cell begins, row by row of cells.
    area
        The first row of the first cell, and the columns from and to.
    columns
        Those of a cell.
    rows
        Each row's ``narrow`` from the first cell on, empty in a flat picture; and ``half``.
    first
        First row of the picture.
    surface
        Range, coverage, farther range and its share over the picture; empty where there is none.
    lights
        Of each thing, ``(n, C)`` or more; all but the last one or two channels are light.
    sprites, added, texels, points
        Of sprites: placement, light added to what they cover (as many channels as are light), texels of all
        textures (grey light and alpha, or as many channels and alpha), points of a blur.
    picture
        ``(C, rows, columns)``, changed in place.
    """
    end = first + picture.shape[1]
    across = (area[2] - area[1] + columns - 1) // columns
    # Lanes past the last pixel are reckoned with too, and hold no nonsense.
    shares, seen = np.zeros(_in_lanes(columns), np.float32), np.empty((texels.shape[1], columns), np.float32)
    (narrowing, half), room = rows, np.empty((2, columns), np.float32)
    for down in range((first - area[0]) // CELL_ROWS, (end - 1 - area[0]) // CELL_ROWS + 1):
        low = max(first, area[0] + down * CELL_ROWS)
        high = min(end, area[0] + (down + 1) * CELL_ROWS)
        for aside in range(across):
            cell = down * across + aside
            cell_left = area[1] + aside * columns
            cell_right = min(cell_left + columns, area[2])
            if starts[cell] == starts[cell + 1]:
                continue
            part = low - first, high - first, cell_left - area[1], cell_right - area[1]
            farthest, nearest = _farthest(surface, part), _nearest(surface, part)
            for entry in range(starts[cell], starts[cell + 1]):
                index = listed[entry]
                thing = things[index]
                if _in_front(farthest, thing["range_m"], thing["per_thickness"]) <= _ZERO:
                    continue
                hidden_somewhere = _in_front(nearest, thing["range_m"], thing["per_thickness"]) < _ONE
                top, bottom = _rows(thing, low, high)
                for row in range(top, bottom):
                    narrow = narrowing[row - area[0]] if half > _ZERO else _ONE
                    left, right = _columns(thing, row, area[1], area[2], narrow, half)
                    begin, stop = max(left, cell_left), min(right, cell_right)
                    if begin >= stop:
                        continue
                    count, y, x = np.uint64(stop - begin), np.uint64(row - first), np.uint64(begin - area[1])
                    if not hidden_somewhere:
                        _fill(shares, count, _ONE)
                    elif not _visible(thing, surface, y, x, shares[:count]):
                        continue
                    if thing["sprite"] >= 0:
                        number = thing["sprite"]
                        sprite = sprites[number]
                        one, last = _look_up(
                            thing,
                            sprite,
                            begin,
                            row,
                            shares[:count],
                            narrow,
                            half,
                            texels,
                            points,
                            room,
                            seen,
                        )
                        _lay_sprite(
                            one, last, y, x, shares, seen, room[0], lights[index], added[number], picture
                        )
                        continue
                    _weigh(thing, left, begin, row, shares, count, narrow, half)
                    for channel in range(len(picture)):
                        own = lights[index, channel]
                        for k in range(count):
                            old = picture[channel, y, x + k]
                            picture[channel, y, x + k] = old * (_ONE - shares[k]) + own * shares[k]


@compiled
def _farthest(surface: tuple[F32, F32, F32, F32], part: tuple[int, int, int, int]) -> np.float32:
    """Return the farthest that is seen of things in a part of a picture: infinity where water is."""
    range_m, coverage, far_range_m, far_share = surface
    top, bottom, left, right = part
    farthest = _ZERO
    for y in range(top, bottom):
        farthest = max(farthest, _most(range_m[y, left:right]))
        if far_share.size:
            # Wherever it has a share.
            farthest = max(farthest, _most(far_range_m[y, left:right]))
        if coverage.size and _any_less(coverage[y, left:right], _ONE):
            return np.float32(np.inf)
    return farthest


@compiled
def _nearest(surface: tuple[F32, F32, F32, F32], part: tuple[int, int, int, int]) -> np.float32:
    """Return the nearest that is seen of things in a part of a picture."""
    range_m, _, far_range_m, far_share = surface
    top, bottom, left, right = part
    nearest = np.float32(np.inf)
    for y in range(top, bottom):
        nearest = min(nearest, _least(range_m[y, left:right]))
        if far_share.size:
            nearest = min(nearest, _least(far_range_m[y, left:right]))
    return nearest


@compiled
def _least(row: F32) -> np.float32:
    # Ranges are 0 or more: their bits are in the order of the numbers, and whole ones are compared many at
    # once.
    bits, least = row.view(np.int32), _BITS_OF_ENDLESS
    for x in range(bits.size):
        least = min(least, bits[x])
    return np.int32(least).view(np.float32)


@compiled
def _in_lanes(count: int) -> int:
    """Return a number of pixels, rounded up to whole lots that are worked on at once."""
    return -(-count // _LANES) * _LANES


@compiled
def _fill(shares: F32, count: np.uint64, share: np.float32) -> None:
    for start in range(np.uint64(0), count, np.uint64(_LANES)):
        for lane in range(np.uint64(_LANES)):
            shares[start + lane] = share


@compiled
def _most(row: F32) -> np.float32:
    bits, most = row.view(np.int32), np.int32(0)
    for x in range(bits.size):
        most = max(most, bits[x])
    return np.int32(most).view(np.float32)


@compiled
def _any_less(row: F32, value: np.float32) -> bool:
    found = False
    for x in range(row.size):
        found |= row[x] < value
    return found


@compiled
def _visible(thing: Any, surface: tuple[F32, F32, F32, F32], y: np.uint64, x: np.uint64, shares: F32) -> bool:
    """Write how much of a thing is seen before the surfaces of some pixels of a row; tell if any is."""
    range_m, coverage, far_range_m, far_share = surface
    distance, per_thickness = thing["range_m"], thing["per_thickness"]
    count = np.uint64(shares.size)
    for k in range(count):
        shares[k] = _in_front(range_m[y, x + k], distance, per_thickness)
    if far_share.size:
        for k in range(count):
            farther = _in_front(far_range_m[y, x + k], distance, per_thickness)
            shares[k] += far_share[y, x + k] * (farther - shares[k])
    if coverage.size:
        # The part of the pixel that the surface leaves open shows what is behind.
        for k in range(count):
            shares[k] += (_ONE - coverage[y, x + k]) * (_ONE - shares[k])
    seen = False
    for k in range(count):
        seen |= shares[k] != _ZERO
    return seen


@compiled
def _lay_sprite(
    first: int,
    end: int,
    y: np.uint64,
    x: np.uint64,
    shares: F32,
    seen: F32,
    hidden: F32,
    lights: F32,
    added: F32,
    picture: F32,
) -> None:
    """Lay what was looked up of a sprite over some pixels of a row; ``hidden`` is scratch."""
    cover = len(seen) - 1
    one_for_all = cover == 1
    for k in range(np.uint64(first), np.uint64(end)):
        hidden[k] = seen[cover, k] * shares[k]
    for channel in range(len(picture)):
        own, more = lights[channel], _ZERO
        texel = cover
        if channel < added.size:
            texel, more = 0 if one_for_all else channel, added[channel]
        shown = seen[texel]
        for k in range(np.uint64(first), np.uint64(end)):
            light = own * shown[k] * shares[k] + hidden[k] * more
            old = picture[channel, y, x + k]
            picture[channel, y, x + k] = old * (_ONE - hidden[k]) + light


@compiled
def _in_front(surface_m: np.float32, distance: np.float32, per_thickness: np.float32) -> np.float32:
    return min(max((surface_m - distance) * per_thickness + _HALF, _ZERO), _ONE)


@compiled
def _weigh(
    thing: Any,
    left: int,
    begin: int,
    row: int,
    shares: F32,
    count: np.uint64,
    narrow: np.float32,
    half: np.float32,
) -> None:
    """Multiply the visible shares of pixels in a row, from one on, with a disc's opacity there.

    ``left`` is the first pixel of the row that it touches at all. Shares up to whole `_LANES` are changed.
    """
    if thing["sides"] or thing["edges"] > 1 or half > _ZERO:
        for k in range(count):
            shares[k] *= _profile(thing, begin + np.int64(k), row, narrow, half) * thing["amplitude"]
        return
    past, rounds = np.int32(begin - left), np.uint64(_LANES)
    dx, dy = np.float32(left + 0.5 - thing["x"]), np.float32(row + 0.5 - thing["y"])
    ramp_end, per_ramp, amplitude = thing["ramp_end"], thing["per_ramp"], thing["amplitude"]
    if thing["per_length_squared"] > _ZERO:
        # As `_swept` has it, of many pixels at once.
        length, inner, outer = _sweep(thing)
        share, per_length = thing["swept"], _ONE / length
        way_x, way_y = thing["along_x"], thing["along_y"]
        factor = _HALF * per_length * share
        for start in range(np.uint64(0), count, rounds):
            for lane in range(rounds):
                k = start + lane
                x = dx + np.float32(past + np.int32(k))
                along = (x * way_x + dy * way_y) * per_length
                aside = (x * way_y - dy * way_x) * per_length
                weight = _passing(inner, along, aside, length) + _passing(outer, along, aside, length)
                weight *= factor
                weight += (_ONE - share) * _ramp(ramp_end - _past(along, aside, length) * per_ramp)
                shares[k] *= weight * amplitude
        return
    for start in range(np.uint64(0), count, rounds):
        for lane in range(rounds):
            k = start + lane
            x = dx + np.float32(past + np.int32(k))
            shares[k] *= _ramp(ramp_end - np.sqrt(x * x + dy * dy) * per_ramp) * amplitude


@compiled
def _ramp(t: np.float32) -> np.float32:
    t = min(max(t, _ZERO), _ONE)
    return (_THREE - _TWO * t) * t * t


@compiled
def _look_up(
    thing: Any,
    sprite: Any,
    begin: int,
    row: int,
    shares: F32,
    narrow: np.float32,
    half: np.float32,
    texels: F32,
    points: F32,
    room: F32,
    seen: F32,
) -> tuple[int, int]:
    """Write a sprite's premultiplied light and alpha on some pixels of a row: the mean over blur and streak.

    Of ``seen``, ``(channels, pixels)``, those from one to another (not included) may hold anything, and these
    two are returned. What is hidden (``shares`` of 0) is not looked up.
    """
    for channel in range(len(seen)):
        row_of = seen[channel]
        for k in range(shares.size):
            row_of[k] = _ZERO
    count = len(points) if sprite["smeared"] else 1
    opacity = sprite["opacity"] / np.float32(count)
    per_u, per_v = _steps(sprite["u_x"], shares.size), _steps(sprite["v_x"], shares.size)
    # It ends half a texel beyond its sides, the coarser one's where two are mixed; and some more, as these
    # numbers are rounded.
    texel = _TWO if sprite["coarser"] > _ZERO else _ONE
    most = _ONE + texel / np.float32(sprite["size"]) + np.float32(0.01)
    first, end = shares.size, 0
    dy = np.float32(row + 0.5 - thing["y"])
    start = np.float32(begin + 0.5 - thing["x"])
    for index in range(count):
        way = points[index, 0] if count > 1 else _HALF
        aside = _TWO * _TWO * way * (_ONE - way)
        blurred_x = points[index, 1] * sprite["blur"] if count > 1 else _ZERO
        blurred_y = points[index, 2] * sprite["blur"] if count > 1 else _ZERO
        y = dy - way * thing["along_y"] - aside * sprite["bend_y"] - blurred_y
        off = way * thing["along_x"], aside * sprite["bend_x"], blurred_x
        low, high = 0, shares.size
        if half == _ZERO:
            x = start - off[0] - off[1] - off[2]
            low, high = _within(sprite["u_x"] * x, sprite["u_y"] * y, per_u, most, low, high)
            low, high = _within(sprite["v_x"] * x, sprite["v_y"] * y, per_v, most, low, high)
        if low < high:
            first, end = min(first, low), max(end, high)
            own, next_one = (_ONE - sprite["coarser"]) * opacity, sprite["coarser"] * opacity
            texture = sprite["size"], sprite["first"], own
            _add_texels(
                thing, sprite, begin, low, high, off, y, narrow, half, texture, shares, texels, room, seen
            )
            if next_one > _ZERO:
                texture = sprite["size"] >> 1, sprite["next"], next_one
                _add_texels(
                    thing, sprite, begin, low, high, off, y, narrow, half, texture, shares, texels, room, seen
                )
    return min(first, end), end


@compiled
def _add_texels(
    thing: Any,
    sprite: Any,
    begin: int,
    low: int,
    high: int,
    off: tuple[np.float32, np.float32, np.float32],
    y: np.float32,
    narrow: np.float32,
    half: np.float32,
    texture: tuple[int, int, np.float32],
    shares: F32,
    texels: F32,
    room: F32,
    seen: F32,
) -> None:
    """Add a part of a texture's light and alpha to some pixels, bilinear; nothing outside.

    ``off`` and ``y`` are how far its middle lies off the thing's along the row, in three parts, and how far
    the row lies below it; ``texture`` is texels a side, the first of them, and the part; ``room`` is scratch.
    """
    u_x, v_x, u_y, v_y = sprite["u_x"], sprite["v_x"], sprite["u_y"] * y, sprite["v_y"] * y
    size, begins, part = texture
    at_x, wide, scale, across = thing["x"], np.float32(size), _HALF * np.float32(size), size + 2
    lefts, tops = room[0], room[1]
    for k in range(np.uint64(low), np.uint64(high)):
        x = _aside(thing, np.float32(begin + np.int64(k) + 0.5 - at_x), narrow, half)
        x = x - off[0] - off[1] - off[2]
        # The texture goes from -1 to 1.
        lefts[k] = (u_x * x + u_y + _ONE) * scale - _HALF
        tops[k] = (v_x * x + v_y + _ONE) * scale - _HALF
    for k in range(np.uint64(low), np.uint64(high)):
        left, top = lefts[k], tops[k]
        if shares[k] <= _ZERO or not (-_ONE < left < wide and -_ONE < top < wide):
            continue
        whole_left, whole_top = _floor(left), _floor(top)
        right_share, lower_share = left - np.float32(whole_left), top - np.float32(whole_top)
        upper, lower = part * (_ONE - lower_share), part * lower_share
        left_share = _ONE - right_share
        # All four are there: texels lie in a border of zeros.
        above = np.uint64(begins + (whole_top + 1) * across + whole_left + 1)
        places = above, above + np.uint64(across)
        weights = upper * left_share, upper * right_share, lower * left_share, lower * right_share
        if len(seen) == 2:
            # Grey light and alpha, which most have: no loop to set up for two of them.
            grey = _with_texels(seen[_FIRST, k], texels, places, weights, _FIRST)
            seen[_NEXT, k] = _with_texels(seen[_NEXT, k], texels, places, weights, _NEXT)
            seen[_FIRST, k] = grey
        else:
            for channel in range(np.uint64(len(seen))):
                seen[channel, k] = _with_texels(seen[channel, k], texels, places, weights, channel)


@compiled
def _with_texels(
    value: np.float32,
    texels: F32,
    places: tuple[np.uint64, np.uint64],
    weights: tuple[np.float32, np.float32, np.float32, np.float32],
    channel: int | np.uint64,
) -> np.float32:
    """Return a value with one channel of four texels, weighted; the first of two rows are told."""
    above, below = places
    value += texels[above, channel] * weights[0]
    value += texels[above + _NEXT, channel] * weights[1]
    value += texels[below, channel] * weights[2]
    value += texels[below + _NEXT, channel] * weights[3]
    return value


@compiled
def _floor(number: np.float32) -> int:
    """Return the whole number below one that is above -1."""
    return int(number) if number >= _ZERO else -1


@compiled
def _steps(slope: np.float32, count: int) -> float:
    """Return how many pixels of a row of so many change a coordinate by 1; 0 where it does not change."""
    return 1.0 / float(slope) if abs(slope) * np.float32(count) > np.float32(1e-3) else 0.0


@compiled
def _within(
    across: np.float32, down: np.float32, per_one: float, most: np.float32, low: int, high: int
) -> tuple[int, int]:
    """Return which pixels of a row may lie within -``most`` to ``most``, from and to (not included).

    At the first it is ``across`` plus ``down``, and 1 more after each ``per_one`` pixels. From those between
    ``low`` and ``high``.
    """
    middle = float(across + down)
    wide = float(most) + 1e-5 * float(abs(across) + abs(down))
    if per_one == 0.0:
        return (low, high) if abs(middle) <= wide + 1e-3 else (0, 0)
    centre, reach = -middle * per_one, abs(wide * per_one)
    begin, end = max(centre - reach, float(low)), min(centre + reach, float(high - 1))
    return math.ceil(begin), math.floor(max(end, -1.0)) + 1
