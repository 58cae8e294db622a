"""Compiled loops that look the light of a moving surface up: see `halocline.physics.sea.light_field`.

Places are metres from an origin; *sides* are lengths in sides of a patch, along its axes. Images are cyclic,
``(cells, cells, 3)`` with a power of two of cells along a side; what lies between points is bilinear.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled

# The squares in which the fine pattern is laid out, as a share of the patch's side, and their borders as a
# share of a square. The table of random parts repeats after so many squares: kilometres. These are a whole
# number of sides, so that the pattern repeats there too: a lens may pass that place, or 0, without a jump.
SQUARES = 256
SQUARE_SHARE = 158 / SQUARES
_BORDER_SHARE = 0.12
# Places looked up at once: what is known of them fits a processor's second-level cache.
_AT_ONCE = 1 << 14
# In float32, as all numbers in the loops.
_ZERO, _ONE, _TWO, _THREE, _FOUR = (np.float32(number) for number in range(5))
_HALF, _THIRD = np.float32(1.0 / 2.0), np.float32(1.0 / 3.0)
_PER_SQUARE = np.float32(1.0 / SQUARE_SHARE)
_BORDER_START = np.float32(1.0 - _BORDER_SHARE)
_PER_BORDER = np.float32(1.0 / _BORDER_SHARE)


class Layout(NamedTuple):
    """Where places lie on the two patches.

    Attributes
    ----------
    fine, long
        ``(2, 3)`` of each patch: sides along its axes of a metre along x and y, and where the origin lies.
    parts
        ``(2, squares, squares)``: which part of the fine patch each square shows, in sides.
    """

    fine: F32
    long: F32
    parts: F32


class Slice(NamedTuple):
    """The light at one rung of the ladder of depths and one level of detail.

    Attributes
    ----------
    fine
        Image of the fine waves' light.
    shift
        Where in their patch its first point lies, in cells along both axes.
    long
        Image of the long waves: their light, and how far they lead a ray aside, in sides of the fine patch.
    """

    fine: F32
    shift: np.float32
    long: F32


class Between(NamedTuple):
    """The slices that lie around places.

    Attributes
    ----------
    upper, lower
        At the rungs above and below: the finer one and, where it takes part, the coarser one. Where there is
        none above, light is even there.
    upper_m, per_m
        Depth of the rung above, and one over the way to the one below; 0 where there is none.
    """

    upper: tuple[Slice, ...]
    lower: tuple[Slice, ...]
    upper_m: float
    per_m: float


@compiled
def sort_places(
    depth_m: F32,
    cells_wide: F32,
    ladder_m: F32,
    finest: NDArray[np.int16],
    levels: int,
    keys: NDArray[np.int16],
    part: F32,
) -> None:
    """Write which slices each place lies between, and how far it is on its way to the coarser level.

    Parameters
    ----------
    depth_m
        ``(n,)``; from 0 up there is no water.
    cells_wide
        ``(n,)`` what each place stands for, in pairs of cells of the finest grid.
    ladder_m
        Depths of the rungs.
    finest
        The finest level of each rung that holds all there is.
    levels
        Number of levels.
    keys
        Written: ``2 (levels (rung + 1) + level)`` of the last rung above, which is -1 over the first, and of
        the finer level, and one more where the coarser takes part; -1 where there is no water.
    part
        Written: 0 to 1.
    """
    last = ladder_m.size - 1
    rung = 0
    for i in range(depth_m.size):
        depth = depth_m[i]
        if not depth > _ZERO:
            keys[i], part[i] = -1, _ZERO
            continue
        # Neighbours lie at much the same depth.
        while rung < last and depth >= ladder_m[rung + 1]:
            rung += 1
        while rung >= 0 and depth < ladder_m[rung]:
            rung -= 1
        wide = cells_wide[i]
        level = 0
        while wide >= _TWO and level < levels - 1:
            wide *= _HALF
            level += 1
        detail = finest[max(rung, 0)]
        part[i] = _ZERO
        if level < detail:
            level = detail
        elif level < levels - 1 and wide > _ONE:
            # The binary logarithm to 0.01, exact at both ends.
            more = wide - _ONE
            part[i] = more * (_FOUR - more) * _THIRD
        keys[i] = 2 * (levels * (rung + 1) + level) + (part[i] > _ZERO)


@compiled
def list_places(keys: NDArray[np.int16], counts: NDArray[np.int64], order: NDArray[np.int64]) -> None:
    """Write places by their keys, those of one key in their own order, and how many have each key.

    Parameters
    ----------
    keys
        As `sort_places` wrote them.
    counts
        Of each key but -1, which has no place; as many as there may be. Written.
    order
        Numbers of places, ``(n,)``: those of key 0, then those of key 1. Written as far as there are any.
    """
    for i in range(counts.size):
        counts[i] = 0
    for i in range(keys.size):
        if keys[i] >= 0:
            counts[keys[i]] += 1
    nexts = np.empty(counts.size, np.int64)
    total = 0
    for i in range(counts.size):
        nexts[i] = total
        total += counts[i]
    for i in range(keys.size):
        if keys[i] >= 0:
            order[nexts[keys[i]]] = i
            nexts[keys[i]] += 1


def look_up(
    where: NDArray[np.intp],
    places: tuple[F32, F32, F32],
    coarser: F32,
    drift: F64,
    layout: Layout,
    between: Between,
    out: F32,
) -> None:
    """Write the light, ``(3, n)``, at some places: x, y and depth, ``(n,)`` each.

    ``where`` picks the places, ``coarser`` is how far each is on its way to the coarser level.
    """
    numbers = tuple(np.float32(value) for value in (*drift, between.upper_m, between.per_m))
    for start in range(0, where.size, _AT_ONCE):
        part = where[start : start + _AT_ONCE]
        found, squares = np.empty((6, part.size), np.float32), np.empty((2, part.size), np.int32)
        ways, led, light = (np.empty((count, part.size), np.float32) for count in (2, 3, 3))
        _trace_back(part, *places, coarser, numbers, found, ways)
        _find(found, squares, layout.fine, layout.long)
        between_rungs, between_levels = ((_ONE - way, way) for way in ways)
        light[...] = _ZERO if between.upper else between_rungs[0]
        for rung, slices in zip(between_rungs, (between.upper, between.lower), strict=True):
            if slices:
                _lead(slices[0].long, found, led)
            for level, each in zip(between_levels, slices, strict=False):
                weight = led[0] * rung
                weight *= level
                _add(each.fine, each.shift, layout.parts, found[4:], squares, led[1:], weight, light)
        _put(part, light, out)


def middle_over(at_m: F32, layout: Layout, light: Slice) -> F32:
    """Return the middle channel of one slice's light over a square of the surface, ``(n, n)``.

    Parameters
    ----------
    at_m
        Where columns and rows of points lie along both axes, metres from the layout's origin, ``(n,)``.
    layout
        How the patches lie there.
    light
        What is looked up, without any between levels.

    Returns
    -------
    F32
        As `look_up` finds it at the same places.
    """
    out = np.empty((at_m.size, at_m.size), np.float32)
    _middle_over(at_m, layout.fine, layout.long, layout.parts, light.long, light.fine, light.shift, out)
    return out


@compiled
def _middle_over(
    at_m: F32, fine: F32, long: F32, parts: F32, led: F32, image: F32, shift: np.float32, out: F32
) -> None:
    """Write what `middle_over` returns."""
    cells, long_cells = np.float32(image.shape[0]), np.float32(led.shape[0])
    for row in range(at_m.size):
        y = at_m[row]
        for column in range(at_m.size):
            x = at_m[column]
            side_x, across, far_x = place_in_squares(fine, 0, x, y)
            side_y, down, far_y = place_in_squares(fine, 1, x, y)
            long_x = long[0, 0] * x + long[0, 1] * y + long[0, 2]
            long_y = long[1, 0] * x + long[1, 1] * y + long[1, 2]
            weight, led_x, led_y = bilinear(led, long_x * long_cells, long_y * long_cells)
            side_x, side_y = side_x - led_x, side_y - led_y
            if far_x == _ZERO and far_y == _ZERO:
                i, j = np.uint32(across & (SQUARES - 1)), np.uint32(down & (SQUARES - 1))
                place = (side_x + parts[0, j, i]) * cells - shift, (side_y + parts[1, j, i]) * cells - shift
                # What is not asked for the compiler leaves out.
                _, middle, _ = bilinear(image, place[0], place[1])
            else:
                _, middle, _ = cross_faded(
                    image, shift, parts, across, down, side_x, side_y, far_x, far_y, _ONE
                )
                middle = max(middle, _ZERO)
            out[row, column] = weight * middle


@compiled
def _trace_back(
    where: NDArray[np.intp],
    x: F32,
    y: F32,
    depth: F32,
    coarser: F32,
    numbers: tuple[np.float32, ...],
    surface: F32,
    ways: F32,
) -> None:
    """Write where the beam would have met a flat surface, and how far places are between slices."""
    drift_x, drift_y, upper_m, per_m = numbers
    for n in range(where.size):
        i = where[n]
        surface[0, n], surface[1, n] = x[i] - depth[i] * drift_x, y[i] - depth[i] * drift_y
        ways[0, n] = max(_ZERO, min((depth[i] - upper_m) * per_m, _ONE))
        ways[1, n] = coarser[i]


@compiled
def _put(where: NDArray[np.intp], light: F32, out: F32) -> None:
    for n in range(where.size):
        i = where[n]
        out[0, i], out[1, i], out[2, i] = light[0, n], light[1, n], light[2, n]


@compiled
def _find(found: F32, squares: NDArray[np.int32], fine: F32, long: F32) -> None:
    """Write where places of the surface, the first two rows, lie.

    Two rows each: on the fine patch, on the long one, and how far in the borders of their squares.
    """
    for n in range(squares.shape[1]):
        x, y = found[0, n], found[1, n]
        for axis in range(2):
            found[axis, n], squares[axis, n], found[4 + axis, n] = place_in_squares(fine, axis, x, y)
            found[2 + axis, n] = long[axis, 0] * x + long[axis, 1] * y + long[axis, 2]


@compiled
def place_in_squares(
    fine: F32, axis: int, x: np.float32, y: np.float32
) -> tuple[np.float32, int, np.float32]:
    """Return where a place lies on the fine patch along an axis, in sides; its square; how far in its border.

    The last is 0 in the middle of a square and rises to 1 over its far border.
    """
    side = fine[axis, 0] * x + fine[axis, 1] * y + fine[axis, 2]
    whole = np.floor(side * _PER_SQUARE)
    into = max((side * _PER_SQUARE - whole - _BORDER_START) * _PER_BORDER, _ZERO)
    return side, int(whole), into * into * (_THREE - _TWO * into)


@compiled
def _channels(image: F32, places: F32, out: F32) -> None:
    """Write the channels of an image at places in sides."""
    cells = np.float32(image.shape[0])
    for n in range(out.shape[1]):
        out[0, n], out[1, n], out[2, n] = bilinear(image, places[0, n] * cells, places[1, n] * cells)


@compiled
def _lead(long: F32, found: F32, led: F32) -> None:
    """Write the light of the long waves, and places on the fine patch minus how far these led them."""
    _channels(long, found[2:4], led)
    for n in range(led.shape[1]):
        led[1, n], led[2, n] = found[0, n] - led[1, n], found[1, n] - led[2, n]


@compiled
def _add(
    image: F32,
    shift: np.float32,
    parts: F32,
    borders: F32,
    squares: NDArray[np.int32],
    places: F32,
    weight: F32,
    out: F32,
) -> None:
    """Add the light that an image of the fine waves holds, weighted, at places in its squares."""
    cells = np.float32(image.shape[0])
    for n in range(out.shape[1]):
        far_x, far_y = borders[0, n], borders[1, n]
        if far_x == _ZERO and far_y == _ZERO:
            i, j = squares[0, n] & (SQUARES - 1), squares[1, n] & (SQUARES - 1)
            x, y = places[0, n] + parts[0, j, i], places[1, n] + parts[1, j, i]
            first, second, third = bilinear(image, x * cells - shift, y * cells - shift)
        else:
            first, second, third = cross_faded(
                image,
                shift,
                parts,
                squares[0, n],
                squares[1, n],
                places[0, n],
                places[1, n],
                far_x,
                far_y,
                _ONE,
            )
            # Where patterns mix, what is added to the mean of light may dip below darkness.
            first, second, third = max(first, _ZERO), max(second, _ZERO), max(third, _ZERO)
        out[0, n] += weight[n] * first
        out[1, n] += weight[n] * second
        out[2, n] += weight[n] * third


@compiled
def cross_faded(
    image: F32,
    shift: np.float32,
    parts: F32,
    across: int,
    down: int,
    x: np.float32,
    y: np.float32,
    far_x: np.float32,
    far_y: np.float32,
    mean: np.float32,
) -> tuple[np.float32, np.float32, np.float32]:
    """Return what an image holds near the border of squares, by all that meet there."""
    cells = np.float32(image.shape[0])
    near_x, near_y = _ONE - far_x, _ONE - far_y
    # The patterns of two squares have nothing in common, so a mixture has less contrast. Dividing by the root
    # of the sum of squares would restore it, and the dark between filaments would turn negative: go half way.
    scale = _ONE / np.sqrt(np.sqrt((far_x * far_x + near_x * near_x) * (far_y * far_y + near_y * near_y)))
    # Departures from the mean add up, which keeps it.
    first = second = third = mean
    for corner in range(4):
        weight = (far_x if corner & 1 else near_x) * (far_y if corner & 2 else near_y) * scale
        if weight > _ZERO:
            i, j = (across + (corner & 1)) & (SQUARES - 1), (down + (corner >> 1)) & (SQUARES - 1)
            column, row = (x + parts[0, j, i]) * cells - shift, (y + parts[1, j, i]) * cells - shift
            a, b, c = bilinear(image, column, row)
            first += weight * (a - mean)
            second += weight * (b - mean)
            third += weight * (c - mean)
    return first, second, third


@compiled
def bilinear(image: F32, column: np.float32, row: np.float32) -> tuple[np.float32, np.float32, np.float32]:
    """Return the channels of an image at a place in cells."""
    left, upper = np.floor(column), np.floor(row)
    right, lower = column - left, row - upper
    # Unsigned, an index need not be looked at for counting from the end.
    one, last = np.uint32(1), np.uint32(image.shape[0] - 1)
    i, j = np.uint32(np.int32(left)) & last, np.uint32(np.int32(upper)) & last
    next_i, next_j = (i + one) & last, (j + one) & last
    below_right = right * lower
    above_right, below_left = right - below_right, lower - below_right
    above_left = _ONE - right - below_left
    first = image[j, i, 0] * above_left + image[j, next_i, 0] * above_right
    first += image[next_j, i, 0] * below_left + image[next_j, next_i, 0] * below_right
    second = image[j, i, 1] * above_left + image[j, next_i, 1] * above_right
    second += image[next_j, i, 1] * below_left + image[next_j, next_i, 1] * below_right
    third = image[j, i, 2] * above_left + image[j, next_i, 2] * above_right
    third += image[next_j, i, 2] * below_left + image[next_j, next_i, 2] * below_right
    return first, second, third
