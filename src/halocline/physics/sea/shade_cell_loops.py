"""Compiled loops over cells of shaded water: what stands in them, and light that goes from cell to cell."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.compiled import compiled

_ZERO, _HALF, _ONE = np.float32(0.0), np.float32(0.5), np.float32(1.0)
# Parts of a cell along each axis, and of a part along each axis so many marks tell where things are.
PARTS, MARKS = 2, 4
_MARKS, _ALL = np.float32(MARKS), np.float32(MARKS * MARKS)
# A point that lies no farther from a part's edge counts for the part beyond it too, in parts: on the edge
# fully, so that no light comes between, and things that move go over to the next part by and by.
_NEAR = np.float32(0.25)
# What comes no less near to the surface reaches it, in parts.
_SURFACE = np.float32(0.06)

# What things keep in parts of cells of light along x, along y and down, ``(3, down, y, x)`` each: marks of
# where, across that way, and how much is kept there.
Parts = tuple[NDArray[np.int32], F32]
# Where something is along down, y and x, and how far about that, in parts.
Place = tuple[tuple[np.float32, np.float32], tuple[np.float32, np.float32], tuple[np.float32, np.float32]]


@compiled
def note_points(
    places: F32, depth: F32, weight: F32, gaps: F32, grid: tuple[np.float32, ...], parts: Parts
) -> None:
    """Write how much of the light things keep in parts of cells.

    Parameters
    ----------
    places, depth, weight, gaps
        Of points of things; see `halocline.physics.sea.shade.Casters`.
    grid
        Parts a metre, and the first part's edge in parts, along x, y and down.
    parts
        0 where nothing is; written.
    """
    per_m, first_x, first_y, first_down = grid
    _, layers, rows, columns = parts[0].shape
    for k in range(depth.size):
        x, y = places[0, k] * per_m - first_x, places[1, k] * per_m - first_y
        z = max(depth[k], _ZERO) * per_m - first_down
        if not (x > -_ONE and y > -_ONE and x < columns + 1 and y < rows + 1 and z < layers + 1):
            continue
        across, along = _HALF * gaps[0, k] * per_m, _HALF * gaps[1, k] * per_m
        deep = _HALF * gaps[2, k] * per_m
        if z - deep < _SURFACE - first_down:
            # What reaches the surface ends the water there: no light goes over it.
            z, deep = _HALF * (z + deep), _HALF * (z + deep)
        place = (z, deep), (y, along), (x, across)
        if _in_one(z, deep) and _in_one(y, along) and _in_one(x, across):
            # As nearly all are: the same marks, without looking for the parts that they lie in.
            _mark_in_one(parts, place, weight[k])
        else:
            for way in range(3):
                _mark_way(parts, way, place, weight[k])
                near = _beyond(place[2 - way][0])
                if near != _ZERO:
                    _mark_way(parts, way, _moved(place, 2 - way, near), abs(near) * weight[k])


@compiled
def _in_one(at: np.float32, half: np.float32) -> bool:
    """Tell whether what lies so far about a place is in one part along an axis."""
    return bool(math.floor(at - half) == math.floor(at + half))


@compiled
def _beyond(at: np.float32) -> np.float32:
    """Return how much a point counts for the part beyond the nearer edge too, below 0 for the one before."""
    off = at - np.float32(math.floor(at)) - _HALF
    near = max(abs(off) / _NEAR - _ONE, _ZERO)
    return near if off > _ZERO else -near


@compiled
def _moved(place: Place, axis: int, near: np.float32) -> Place:
    """Return a place in the next part along one axis."""
    turn = _ONE if near > _ZERO else -_ONE
    (z, deep), (y, along), (x, across) = place
    return (
        (z + turn if axis == 0 else z, deep),
        (y + turn if axis == 1 else y, along),
        (x + turn if axis == 2 else x, across),
    )


@compiled
def _mark_in_one(parts: Parts, place: Place, weight: np.float32) -> None:
    """Mark a point that lies in one part, of light along all axes, and beyond edges as `note_points` does."""
    marks, kept = parts
    (z, deep), (y, along), (x, across) = place
    own = math.floor(z), math.floor(y), math.floor(x)
    lines = (
        _line(z - np.float32(own[0]), deep),
        _line(y - np.float32(own[1]), along),
        _line(x - np.float32(own[2]), across),
    )
    found = _block(lines[0], lines[1]), _block(lines[0], lines[2]), _block(lines[1], lines[2])
    for way in range(3):
        _mark_part(marks[way], kept[way], own, found[way], weight)
        # Across the way it is where it is, in the part beyond too.
        axis = 2 - way
        near = _beyond(place[axis][0])
        if near != _ZERO:
            moved = math.floor(place[axis][0] + (_ONE if near > _ZERO else -_ONE))
            other = (
                moved if axis == 0 else own[0],
                moved if axis == 1 else own[1],
                moved if axis == 2 else own[2],
            )
            _mark_part(marks[way], kept[way], other, found[way], abs(near) * weight)


@compiled
def _mark_part(
    marks: NDArray[np.int32], kept: F32, part: tuple[int, int, int], found: int, weight: np.float32
) -> None:
    """Mark what is found in a part, if that is one."""
    down, row, column = part
    layers, rows, columns = marks.shape
    if 0 <= down < layers and 0 <= row < rows and 0 <= column < columns:
        marks[down, row, column] |= found
        kept[down, row, column] = max(kept[down, row, column], weight)


@compiled
def _mark_way(parts: Parts, way: int, place: Place, weight: np.float32) -> None:
    """Mark a point of light along one axis, x, y or down, where it is across that."""
    marks, kept = parts
    _, layers, rows, columns = marks.shape
    (z, half_z), (y, half_y), (x, half_x) = place
    # Along the way itself it is where it is.
    half_z = _ZERO if way == 2 else half_z
    half_y = _ZERO if way == 1 else half_y
    half_x = _ZERO if way == 0 else half_x
    for down in range(max(math.floor(z - half_z), 0), min(math.floor(z + half_z) + 1, layers)):
        for row in range(max(math.floor(y - half_y), 0), min(math.floor(y + half_y) + 1, rows)):
            for column in range(max(math.floor(x - half_x), 0), min(math.floor(x + half_x) + 1, columns)):
                found = 0
                in_z, in_y, in_x = z - np.float32(down), y - np.float32(row), x - np.float32(column)
                if way == 0:
                    found = _block(_line(in_z, half_z), _line(in_y, half_y))
                elif way == 1:
                    found = _block(_line(in_z, half_z), _line(in_x, half_x))
                else:
                    found = _block(_line(in_y, half_y), _line(in_x, half_x))
                marks[way, down, row, column] |= found
                kept[way, down, row, column] = max(kept[way, down, row, column], weight)


@compiled
def _line(at: np.float32, half: np.float32) -> int:
    """Return the marks along one axis of what lies so far about a place in a part."""
    low = max(math.floor((at - half) * _MARKS), 0)
    high = min(math.floor((at + half) * _MARKS), MARKS - 1)
    return ((1 << (high - low + 1)) - 1) << low if high >= low else 0


@compiled
def _block(first: int, second: int) -> int:
    """Return the marks in a part of what has these along both axes across a way, line by line."""
    found = 0
    for line in range(MARKS):
        found |= ((first >> line) & 1) << (MARKS * line)
    # One in each line, times what is in all of them.
    return found * second


@compiled
def keep_uppermost(kept: F32) -> bool:
    """Empty all parts of cells that have something above them; tell whether there were any.

    Not by what is in the very next part: one level thing may be in both.

    Parameters
    ----------
    kept
        What is kept in parts, the latter of `Parts`; changed.
    """
    found = False
    for way in range(3):
        for y in range(kept.shape[2]):
            for x in range(kept.shape[3]):
                above = over = _ZERO
                for down in range(kept.shape[1]):
                    here = kept[way, down, y, x]
                    if above > _ZERO and here > _ZERO:
                        kept[way, down, y, x] = max(here - above, _ZERO)
                        found = True
                    above, over = max(above, over), here
    return found


@compiled
def _count(marks: int) -> np.float32:
    """Return how many marks there are."""
    found = 0
    while marks:
        marks &= marks - 1
        found += 1
    return np.float32(found)


@compiled
def _kept_by_two(first: int, of_first: np.float32, second: int, of_second: np.float32) -> np.float32:
    """Return how much two parts keep, one behind the other, of what goes through both."""
    if first == 0 and second == 0:
        return _ZERO
    both = _count(first & second)
    alone = (_count(first) - both) * of_first + (_count(second) - both) * of_second
    return (both * max(of_first, of_second) + alone) / _ALL


@compiled
def open_ways(parts: Parts, ways: F32) -> None:
    """Write how much things in cells keep of light along each axis.

    A thin thing across it keeps all, wherever in the cell it stands, and one along it next to nothing.

    Parameters
    ----------
    parts
        See `Parts`.
    ways
        ``(9, down, y, x)``: along x in the cell's first half, in the second and in both, along y and down;
        written.
    """
    marks, kept = parts
    share = _ONE / np.float32(PARTS * PARTS)
    for down in range(ways.shape[1]):
        for y in range(ways.shape[2]):
            for x in range(ways.shape[3]):
                z_0, y_0, x_0 = PARTS * down, PARTS * y, PARTS * x
                for way in range(3):
                    first = second = both = _ZERO
                    for one in range(PARTS):
                        for other in range(PARTS):
                            a, b = (way, z_0, y_0 + one, x_0 + other), (way, z_0 + 1, y_0 + one, x_0 + other)
                            if way == 0:
                                a, b = (
                                    (way, z_0 + one, y_0 + other, x_0),
                                    (way, z_0 + one, y_0 + other, x_0 + 1),
                                )
                            elif way == 1:
                                a, b = (
                                    (way, z_0 + one, y_0, x_0 + other),
                                    (way, z_0 + one, y_0 + 1, x_0 + other),
                                )
                            first += _kept_by_two(marks[a], kept[a], 0, _ZERO)
                            second += _kept_by_two(marks[b], kept[b], 0, _ZERO)
                            both += _kept_by_two(marks[a], kept[a], marks[b], kept[b])
                    ways[3 * way, down, y, x] = min(first * share, _ONE)
                    ways[3 * way + 1, down, y, x] = min(second * share, _ONE)
                    ways[3 * way + 2, down, y, x] = min(both * share, _ONE)


@compiled
def _through(
    ways: F32, turn: tuple[int, int, int], down: int, y: int, x: int
) -> tuple[np.float32, np.float32]:
    """Return how much light along axes, or against them, gets to a cell's middle, and on from there.

    Of slanting light things keep the most that they keep along any of its axes.
    """
    first = whole = _ZERO
    for axis in range(3):
        if turn[axis] != 0:
            entry = 3 * axis if turn[axis] > 0 else 3 * axis + 1
            first = max(first, ways[entry, down, y, x])
            whole = max(whole, ways[3 * axis + 2, down, y, x])
    into = _ONE - first
    return into, (_ONE - max(whole, first)) / into if into > _ZERO else _ZERO


@compiled
def sky_through(ways: F32, slopes: F32, light: F32) -> None:
    """Write what of the sky's light reaches cells past things that stand in others, from the surface down.

    Parameters
    ----------
    ways
        See `open_ways`.
    slopes
        How far light goes along x and y as it goes down by as much, each within 1, and its share of all,
        ``(n, 3)``.
    light
        ``(down, y, x)``, 0 to 1, and 0 at first; written.
    """
    layers, rows, columns = light.shape
    now, before = np.ones((rows, columns), np.float32), np.ones((rows, columns), np.float32)
    for number in range(slopes.shape[0]):
        aside_x, aside_y, share = slopes[number, 0], slopes[number, 1], slopes[number, 2]
        step_x, step_y = 1 if aside_x > _ZERO else -1, 1 if aside_y > _ZERO else -1
        turn = (0 if aside_x == _ZERO else step_x), (0 if aside_y == _ZERO else step_y), 1
        part_x, part_y = abs(aside_x), abs(aside_y)
        for y in range(rows):
            for x in range(columns):
                before[y, x] = _ONE
        for down in range(layers):
            for y in range(rows):
                # Beyond the edges it is as along them.
                from_y = min(max(y - step_y, 0), rows - 1)
                for x in range(columns):
                    from_x = min(max(x - step_x, 0), columns - 1)
                    straight = before[y, x] + part_x * (before[y, from_x] - before[y, x])
                    beside = before[from_y, x] + part_x * (before[from_y, from_x] - before[from_y, x])
                    into, _ = _through(ways, turn, down, y, x)
                    now[y, x] = into * (straight + part_y * (beside - straight))
                    light[down, y, x] += share * now[y, x]
            for y in range(rows):
                for x in range(columns):
                    before[y, x] = now[y, x] * _through(ways, turn, down, y, x)[1]


@compiled
def _add_along(
    ways: F32, turn: tuple[int, int, int], kept: np.float32, share: np.float32, rays: tuple[F32, F32, F32]
) -> None:
    """Add a share of what comes to cells along one direction; see `light_about`."""
    along_x, along_y, along_down = turn
    sent, leaving, about = rays
    layers, rows, columns = sent.shape
    for one in range(layers):
        down = one if along_down >= 0 else layers - 1 - one
        from_down = down - along_down
        for two in range(rows):
            y = two if along_y >= 0 else rows - 1 - two
            from_y = y - along_y
            inside = 0 <= from_down < layers and 0 <= from_y < rows
            for three in range(columns):
                x = three if along_x >= 0 else columns - 1 - three
                from_x = x - along_x
                here = sent[down, y, x]
                into, on = _through(ways, turn, down, y, x)
                # From beyond the edges comes as much as along them.
                found = here
                if inside and 0 <= from_x < columns:
                    found = (_ONE - kept) * here + kept * into * leaving[from_down, from_y, from_x]
                leaving[down, y, x] = found * on
                about[down, y, x] += share * found


@compiled
def light_about(
    lit: F32,
    again: np.float32,
    ways: F32,
    of_ways: tuple[F32, F32],
    times: int,
    rays: tuple[F32, F32, F32],
) -> None:
    """Follow light that has been scattered about from cell to cell.

    Parameters
    ----------
    lit
        Of the light that each cell scatters about, what sun and sky have left, ``(down, y, x)``, of all.
    again
        Share of that light that had been scattered about before.
    ways
        See `open_ways`.
    of_ways
        From a cell to those that share a side, an edge, a corner: how much of it is not turned, ``(3,)``; and
        shares of all light of the ways to these, by x, y and down, ``(27,)``, 0 for none.
    times
        How often it is followed.
    rays
        Room for what each cell scatters about, what leaves it along one direction and what comes to it along
        all, of the shape of ``lit``. The first and the last are the result: what things leave of it, 0 to 1.
    """
    sent, _, about = rays
    kept, shares = of_ways
    layers, rows, columns = lit.shape
    for down in range(layers):
        for y in range(rows):
            for x in range(columns):
                sent[down, y, x] = lit[down, y, x] / (_ONE - again)
    for _ in range(times):
        for down in range(layers):
            for y in range(rows):
                for x in range(columns):
                    about[down, y, x] = _ZERO
        for number in range(27):
            turn = number % 3 - 1, number // 3 % 3 - 1, number // 9 - 1
            across = abs(turn[0]) + abs(turn[1]) + abs(turn[2]) - 1
            if shares[number] > _ZERO:
                _add_along(ways, turn, kept[across], shares[number], rays)
        for down in range(layers):
            for y in range(rows):
                for x in range(columns):
                    sent[down, y, x] = lit[down, y, x] + again * about[down, y, x]
