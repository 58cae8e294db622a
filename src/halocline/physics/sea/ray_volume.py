"""Something along view rays, for a coarse grid of them at fixed distances, looked up by pixel and range.

So it does not depend on what the render shows: it stops at each pixel's own range, however thin the thing,
and neighbours in front or behind lend it nothing.
"""

from __future__ import annotations

import math
import threading
from dataclasses import field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled
from halocline.compute.knots import STRIDE, bent_between, bent_over_two, mark_kinked, reach_of
from halocline.compute.made_once import MadeOnce
from halocline.compute.row_ratios import CELL, EACH, STRAIGHT, WHOLE, RowRatios
from halocline.compute.series import exponential
from halocline.errors import PhysicsError
from halocline.late_dataclass import dataclass

# Rows of rays computed at once.
_BLOCK_ROWS = 24
_ZERO, _HALF, _ONE = np.float32(0.0), np.float32(0.5), np.float32(1.0)
# Pixels that are worked on at once.
_LANES = 8
# Along a row of pixels a ratio goes straight where it changes by no more than this, and would by no more than
# that for what a surface is off the straight way.
_MOST_CHANGE, _MOST_OFF = np.float32(0.03), np.float32(1e-3)
# And where it grows by no less or more before a cell than behind it, but by this, and no more than so much of
# the way from ray to ray lies between the cell's ends.
_MOST_KINKED, _MOST_RAYS = np.float32(0.004), np.float32(0.75)


@dataclass(frozen=True)
class ShaftSteps:
    """Distances between which the field is taken as even along a view ray.

    They grow geometrically: ``t_i = first ((1 + g)^i - 1) / g``.

    Attributes
    ----------
    first_m
        Length of the first step.
    growth
        g: how much longer each step is than the one before, 0.01 or more.
    count
        Number of steps.
    """

    first_m: float
    growth: float
    count: int

    def __post_init__(self) -> None:
        if not (self.first_m > 0.0 and self.growth >= 0.01 and 1 <= self.count <= 256):
            raise PhysicsError(
                f"{self.count} steps from {self.first_m:g} m growing by {self.growth:g} reach nowhere",
                code="E-SHAFTS-STEPS",
                fix="The first step is positive, growth 0.01 or more, and there are 1 to 256 steps.",
            )

    @classmethod
    def reaching(cls, far_m: float, *, first_m: float, count: int) -> ShaftSteps:
        """Return the steps of which ``count`` reach ``far_m``, by bisection of the growth."""
        low, high = 0.01, 2.0
        for _ in range(60):
            growth = 0.5 * (low + high)
            if cls(first_m, growth, count).edges[-1] < far_m:
                low = growth
            else:
                high = growth
        return cls(first_m, 0.5 * (low + high), count)

    @cached_property
    def edges(self) -> F64:
        """Distances of the steps' ends, ``(count + 1,)``, metres, 0 first."""
        ends: F64 = self.first_m * np.expm1(np.arange(self.count + 1) * math.log1p(self.growth)) / self.growth
        return ends


@dataclass(frozen=True)
class ShaftRays:
    """The coarse grid of view rays.

    Attributes
    ----------
    directions
        ``(3, rows, columns)`` unit directions away from the lens: x, y and down.
    origin
        Horizontal place of the lens, metres.
    depth_m
        Depth of the lens.
    even_to_m
        Up to here the field is taken as even, and comes in fully at twice as far. A filament that crosses the
        lens itself brightens the whole picture at once, as it does at sea; 0 leaves it so.
    moved
        ``(3,)`` metres that the lens moves while the shutter is open: x, y and down.
    turned
        ``(3, 3)``: times a direction, how far that goes meanwhile, at a metre.
    """

    directions: F32
    origin: tuple[float, float]
    depth_m: float
    even_to_m: float = 0.0
    moved: F32 = field(default_factory=lambda: np.zeros(3, np.float32))
    turned: F32 = field(default_factory=lambda: np.zeros((3, 3), np.float32))


@dataclass(frozen=True)
class ShaftWater:
    """How each channel of the veil fades.

    Attributes
    ----------
    attenuation, diffuse_attenuation
        c and Kd of each channel, 1/m.
    """

    attenuation: tuple[float, ...]
    diffuse_attenuation: tuple[float, ...]


class _Latest(threading.local):
    """What each thread was told last along rows, and for what: steps of a tile ask for the same in turn."""

    answered: tuple[tuple[F32, F32, F32, F32], RowRatios | None] | None = None


class RayVolume:
    """A ratio for each of three channels at every coarse ray and step; rows of rays are made when first
    asked for.

    Parameters
    ----------
    rays
        The coarse grid.
    steps
        Distances along each.
    water
        How the light along them fades.
    """

    def __init__(self, rays: ShaftRays, steps: ShaftSteps, water: ShaftWater) -> None:
        self.rays = rays
        self.steps = steps
        self.water = water
        self._count = max(1, -(-(rays.directions.shape[1] - 1) // _BLOCK_ROWS))
        self._blocks = MadeOnce(self._block)
        self._rows_taken = MadeOnce(self._some_taken)
        self._latest = _Latest()

    def gain(self, column: F32, row: F32, range_m: F32) -> F32:
        """Return the ratio at pixels, ``(3, rows, columns)``.

        Parameters
        ----------
        column
            ``(columns,)`` places in coarse rays, from the first ray's 0.
        row
            ``(rows,)`` the same downwards.
        range_m
            ``(rows, columns)`` where each pixel's ray ends; inf for open water.
        """
        out = np.empty((3, *range_m.shape), np.float32)
        range_m = np.ascontiguousarray(range_m)
        edges = self.steps.edges.astype(np.float32)
        for number, part in self._parts(row):
            local = row[part] - np.float32(number * _BLOCK_ROWS)
            block = self._blocks.get(number, ahead=range(number + 1, self._count))
            _look_up(block, column, local, range_m[part], edges, part.start, out)
        return out

    def along_rows(self, column: F32, row: F32, range_m: F32, weights: F32) -> RowRatios | None:
        """Return the ratio of each band along rows of pixels, within 0.002 of that.

        Parameters
        ----------
        column, row, range_m
            See `gain`.
        weights
            How bands share in the channels, ``(K, 3)``; each band's sum to one.

        Returns
        -------
        RowRatios | None
            None where all of them are one.
        """
        asked, latest = (column, row, range_m, weights), self._latest.answered
        if latest is not None and all(map(np.array_equal, latest[0], asked)):
            return latest[1]
        ratios = self._ratios(*asked)
        # A copy of the ranges: they are the caller's.
        self._latest.answered = (column, row, range_m.copy(), weights), ratios
        return ratios

    def _ratios(self, column: F32, row: F32, range_m: F32, weights: F32) -> RowRatios | None:
        """Make what `along_rows` returns."""
        parts = [(number, part, self._taken_of(number, row[part])) for number, part in self._parts(row)]
        if not any(taken.any() for _, _, taken in parts):
            return None
        count, columns = len(weights), column.size
        cells = (columns - 1) // CELL + 1
        ratios = (
            np.zeros((row.size, cells), np.uint8),
            np.empty((count, row.size, cells + 1), np.float32),
            np.empty((count, row.size, columns), np.float32),
        )
        edges = self.steps.edges.astype(np.float32)
        for number, part, taken in parts:
            if taken.any():
                block, local = self._blocks.get(number), row[part] - np.float32(number * _BLOCK_ROWS)
                rays = block.reshape(*block.shape[:2], -1)
                seen = np.ascontiguousarray(range_m[part]), edges
                _ratios_along_rows(rays, (column, local, taken), seen, weights, part.start, ratios)
        return ratios

    def gain_at(self, column: F32, row: F32, range_m: F32) -> F32:
        """Return the ratio at scattered places, ``(3, n)``; all arguments ``(n,)``."""
        out = np.empty((3, range_m.size), np.float32)
        edges = self.steps.edges.astype(np.float32)
        numbers = self._numbers(row)
        for number in np.unique(numbers):
            these = np.flatnonzero(numbers == number)
            block = self._blocks.get(int(number), ahead=range(int(number) + 1, self._count))
            local = row[these] - np.float32(number * _BLOCK_ROWS)
            found = np.empty((3, these.size), np.float32)
            _look_up_places(block, column[these], local, range_m[these], edges, found)
            out[:, these] = found
        return out

    def _some_taken(self, number: int) -> NDArray[np.bool_]:
        """Tell of each row of rays of a block whether any ratio along it is not one."""
        block = self._blocks.get(number, ahead=range(number + 1, self._count))
        taken: NDArray[np.bool_] = (block.reshape(len(block), -1) != 1.0).any(axis=1)
        return taken

    def _taken_of(self, number: int, row: F32) -> NDArray[np.bool_]:
        """Tell of each row of pixels in a block whether any ratio along the rays about it is not one."""
        taken = self._rows_taken.get(number)
        above = np.clip((row - np.float32(number * _BLOCK_ROWS)).astype(np.int64), 0, taken.size - 2)
        about: NDArray[np.bool_] = taken[above] | taken[above + 1]
        return about

    def _numbers(self, row: F32) -> NDArray[np.int64]:
        return np.clip(row.astype(np.int64) // _BLOCK_ROWS, 0, self._count - 1)

    def _parts(self, row: F32) -> list[tuple[int, slice]]:
        """Return the blocks that rows lie in, with the rows."""
        numbers = self._numbers(row)
        found = []
        for number in np.unique(numbers):
            rows = np.flatnonzero(numbers == number)
            found.append((int(number), slice(int(rows[0]), int(rows[-1]) + 1)))
        return found

    def _block(self, number: int) -> F32:
        """Make a block of rows, ``(rows, columns, steps + 1, 3)``."""
        first = number * _BLOCK_ROWS
        # One row more than the block's own, to interpolate towards.
        rows = slice(first, first + _BLOCK_ROWS + 1)
        directions = np.ascontiguousarray(self.rays.directions[:, rows])
        edges = self.steps.edges.astype(np.float32)
        block = np.empty((*directions.shape[1:], edges.size, 3), np.float32)
        # What is left of the light behind each step's end; the ratio is made of it.
        c, kd = (
            np.multiply.outer(edges, np.array(rates, np.float32)).ravel()
            for rates in (self.water.attenuation, self.water.diffuse_attenuation)
        )
        _left_behind(directions[2], c, kd, block.reshape(*directions.shape[1:], -1))
        self.fill(directions, rows, edges, block)
        return block

    def fill(self, directions: F32, rows: slice, edges: F32, block: F32) -> None:
        """Turn what is left of the light at each step's end into the ratio, for some rows of the grid."""
        raise NotImplementedError


@compiled
def _left_behind(down: F32, c: F32, kd: F32, out: F32) -> None:
    """Write exp(-c - kd down) of rays, ``(rows, columns)``, for some c and kd, ``(n,)``."""
    for row in range(down.shape[0]):
        for column in range(down.shape[1]):
            slope, left = down[row, column], out[row, column]
            for k in range(left.size):
                left[k] = exponential(-(c[k] + kd[k] * slope))


@compiled
def _look_up(block: F32, columns: F32, rows: F32, range_m: F32, edges: F32, first_row: int, out: F32) -> None:
    """Write a block's M at pixels: between rays bilinear, between steps linear.

    Runs of pixels between the same rays and steps are taken together: what they lie between is read once.
    """
    last_row, last_column, last_step = block.shape[0] - 1, block.shape[1] - 1, edges.size - 2
    count = columns.size
    cells, right = np.empty(count + 1, np.int64), np.zeros(count + _LANES, np.float32)
    metres, lines = np.zeros(count + _LANES, np.float32), np.empty((3, count + _LANES), np.float32)
    for x in range(count):
        column = max(_ZERO, min(columns[x], np.float32(last_column)))
        cells[x] = min(int(column), last_column - 1)
        right[x] = column - np.float32(cells[x])
    cells[count] = -1
    step = 0
    for y in range(rows.size):
        row = max(_ZERO, min(rows[y], np.float32(last_row)))
        j = min(int(row), last_row - 1)
        above, below, share, distance = block[j], block[j + 1], row - np.float32(j), range_m[y]
        for x in range(count):
            metres[x] = distance[x]
        x = 0
        while x < count:
            # Neighbours lie at much the same range.
            while step < last_step and metres[x] >= edges[step + 1]:
                step += 1
            while step > 0 and metres[x] < edges[step]:
                step -= 1
            start, end = edges[step], edges[step + 1]
            cell, stop = cells[x], x + 1
            while (
                cells[stop] == cell
                and (metres[stop] < end or step == last_step)
                and (metres[stop] >= start or step == 0)
            ):
                stop += 1
            # By whole lanes: those past the run's end are written over by what follows.
            lanes, per_m = np.uint64(stop - x + _LANES - 1) // np.uint64(_LANES), _ONE / (end - start)
            for channel in range(3):
                left_near = _between_rows(above, below, share, cell, step, channel)
                near_grown = _between_rows(above, below, share, cell + 1, step, channel) - left_near
                left_far = _between_rows(above, below, share, cell, step + 1, channel)
                far_grown = _between_rows(above, below, share, cell + 1, step + 1, channel) - left_far
                found = lines[channel]
                for lane in range(lanes):
                    first = np.uint64(x) + np.uint64(_LANES) * lane
                    for n in range(np.uint64(_LANES)):
                        at = first + n
                        near = left_near + near_grown * right[at]
                        far = left_far + far_grown * right[at]
                        found[at] = near + (far - near) * min((metres[at] - start) * per_m, _ONE)
            x = stop
        for channel in range(3):
            line, found = out[channel, first_row + y], lines[channel]
            for x in range(count):
                line[x] = found[x]


@compiled
def _between_rows(
    above: F32, below: F32, share: np.float32, column: int, step: int, channel: int
) -> np.float32:
    """Return what lies between two rows of rays."""
    here = above[column, step, channel]
    between: np.float32 = here + (below[column, step, channel] - here) * share
    return between


@compiled
def _look_up_places(block: F32, columns: F32, rows: F32, range_m: F32, edges: F32, out: F32) -> None:
    """Write a block's ratios at scattered places, as `_look_up`."""
    last_row, last_column, last_step = block.shape[0] - 1, block.shape[1] - 1, edges.size - 2
    step = 0
    for n in range(rows.size):
        row = max(_ZERO, min(rows[n], np.float32(last_row)))
        column = max(_ZERO, min(columns[n], np.float32(last_column)))
        j, i = min(int(row), last_row - 1), min(int(column), last_column - 1)
        lower, right = row - np.float32(j), column - np.float32(i)
        metres = range_m[n]
        while step < last_step and metres >= edges[step + 1]:
            step += 1
        while step > 0 and metres < edges[step]:
            step -= 1
        later = min((metres - edges[step]) / (edges[step + 1] - edges[step]), _ONE)
        for channel in range(3):
            value = _ZERO
            for corner in range(4):
                ray = block[j + (corner >> 1), i + (corner & 1)]
                share = (right if corner & 1 else _ONE - right) * (lower if corner >> 1 else _ONE - lower)
                here = ray[step, channel]
                value += share * (here + later * (ray[step + 1, channel] - here))
            out[channel, n] = value


@compiled
def _ratios_along_rows(
    block: F32,
    places: tuple[F32, F32, NDArray[np.bool_]],
    seen: tuple[F32, F32],
    weights: F32,
    first_row: int,
    ratios: RowRatios,
) -> None:
    """Write a block's ratios along rows of pixels, of which columns, rows and whether any is taken are given.

    ``seen`` are the pixels' ranges and the steps' ends.
    """
    (columns, rows, taken), (range_m, edges) = places, seen
    last_row, count, bands = block.shape[0] - 1, columns.size, len(weights)
    line, metres = np.empty(block.shape[1] * block.shape[2], np.float32), np.empty(count, np.float32)
    strides, most = (count - 1) // STRIDE, count // STRIDE + 1
    bent, uneven, where = np.empty(most, np.float32), np.empty(most, np.bool_), np.empty(count, np.int64)
    # Ratios of three channels, how fast they change by range, and steps' lengths; and what is left of bands.
    found, of_bands = np.empty((5, count), np.float32), np.empty((bands, count), np.float32)
    pixels = (columns, metres, edges)
    room = (np.empty(count, np.uint64), np.empty(2 * count, np.float32), np.empty(count, np.float32))
    for y in range(rows.size):
        if not taken[y]:
            continue
        row, farthest = max(_ZERO, min(rows[y], np.float32(last_row))), edges[edges.size - 1]
        j = min(int(row), last_row - 1)
        for x in range(count):
            metres[x] = min(range_m[y, x], farthest)
        bent_between(metres, strides, bent)
        near, far = reach_of(metres, strides, bent)
        first, last = _step_at(edges, near, 0), _step_at(edges, far, 0)
        ends = 3 * first, 3 * (last + 2)
        if not _between_some(block[j], block[j + 1], row - np.float32(j), ends, line):
            continue
        kinds, to = ratios[0][first_row + y], first_row + y
        cells = _at_cells(line, block.shape[1], pixels, (where, bent, uneven), strides, room, found)
        _of_bands(found, cells, weights, of_bands)
        for band in range(bands):
            nodes, values = ratios[1][band, to], of_bands[band]
            for cell in range(cells):
                nodes[cell] = values[cell]
            nodes[cells] = values[cells - 1]
        some = _kinds_of_cells(found, cells, count, uneven, kinds, where)
        _at_pixels(line, block.shape[1], pixels, where, some, room, found)
        _of_bands(found, some, weights, of_bands)
        for band in range(bands):
            each, values = ratios[2][band, to], of_bands[band]
            for k in range(some):
                each[where[k]] = values[k]


@compiled
def _at_cells(
    line: F32,
    rays: int,
    pixels: tuple[F32, F32, F32],
    room_for: tuple[NDArray[np.int64], F32, NDArray[np.bool_]],
    strides: int,
    room: tuple[NDArray[np.uint64], F32, F32],
    found: F32,
) -> int:
    """Write what `_at_pixels` does at the first pixels of a row's cells, and which cells are uneven.

    Of the last, which has no other behind it, that is not told. Return how many there are.
    """
    (where, bent, uneven), pairs = room_for, strides // 2
    for cell in range(pairs + 1):
        where[cell] = CELL * cell
    _at_pixels(line, rays, pixels, where, pairs + 1, room, found)
    off = room[2]
    bent_over_two(pixels[1], bent, strides, off)
    _mark_uneven(found, pixels[0], pixels[1], off, pairs, uneven)
    if pairs:
        first, last = uneven[0], uneven[pairs - 1]
        for channel in range(3):
            mark_kinked(found[channel], _MOST_KINKED, pairs, uneven)
            first |= _kinked_beside(found[channel], 0, 1, pairs)
            last |= _kinked_beside(found[channel], pairs - 1, pairs - 2, pairs)
        uneven[0], uneven[pairs - 1] = first, last
    return pairs + 1


@compiled
def _kinked_beside(values: F32, at: int, beside: int, pairs: int) -> bool:
    """Tell whether a row grows otherwise in a cell than in the one beside it, by half of what it may."""
    if pairs < 2:
        return True
    here, there = values[at + 1] - values[at], values[beside + 1] - values[beside]
    return bool(abs(here - there) > _HALF * _MOST_KINKED)


@compiled
def _kinds_of_cells(
    found: F32,
    cells: int,
    count: int,
    uneven: NDArray[np.bool_],
    kinds: NDArray[np.uint8],
    where: NDArray[np.int64],
) -> int:
    """Write the kinds of a row's cells, and the pixels that are told for each; return how many those are."""
    some = 0
    for cell in range(cells):
        if cell == cells - 1 or uneven[cell]:
            kinds[cell] = EACH
            for pixel in range(CELL * cell, min(CELL * (cell + 1), count)):
                where[some] = pixel
                some += 1
        else:
            least = _ONE
            for channel in range(3):
                least = min(least, found[channel, cell], found[channel, cell + 1])
            kinds[cell] = STRAIGHT if least < _ONE else WHOLE
    return some


@compiled
def _step_at(edges: F32, metres: np.float32, step: int) -> int:
    """Return the step that a range lies in, looked for from some step; the last for what is farther."""
    while step < edges.size - 2 and metres >= edges[step + 1]:
        step += 1
    while step > 0 and metres < edges[step]:
        step -= 1
    return step


@compiled
def _between_some(above: F32, below: F32, share: np.float32, ends: tuple[int, int], line: F32) -> bool:
    """Write what lies between some values of two rows of rays; tell whether any of it is not one.

    Rays' values are ``(rays, values)``, and behind each other in the line.
    """
    first, end = ends
    at, some = 0, False
    for column in range(len(above)):
        upper, lower = above[column, first:end], below[column, first:end]
        values = line[at + first : at + end]
        for k in range(values.size):
            value = upper[k] + (lower[k] - upper[k]) * share
            values[k] = value
            some |= value < _ONE
        at += above.shape[1]
    return bool(some)


@compiled
def _at_pixels(
    line: F32,
    rays: int,
    seen: tuple[F32, F32, F32],
    where: NDArray[np.int64],
    count: int,
    room: tuple[NDArray[np.uint64], F32, F32],
    found: F32,
) -> None:
    """Write the ratios of some pixels of a row, and how much the fastest of them changes a metre.

    And how long the step is that each lies in. ``seen`` are the pixels' columns and ranges, and the steps'
    ends.
    """
    (columns, metres, edges), (cells, right, later) = seen, room
    last, step = rays - 1, 0
    per_ray, per_step = np.uint64(line.size // rays), np.uint64(3)
    for k in range(count):
        pixel = where[k]
        column = max(_ZERO, min(columns[pixel], np.float32(last)))
        i, step = min(int(column), last - 1), _step_at(edges, metres[pixel], step)
        cells[k] = np.uint64(i * (line.size // rays) + 3 * step)
        right[k] = column - np.float32(i)
        length = edges[step + 1] - edges[step]
        per_m = _ONE / length
        later[k], found[3, k], found[4, k] = (metres[pixel] - edges[step]) * per_m, per_m, length
    fastest = right[count:]
    for k in range(count):
        fastest[k] = _ZERO
    for channel in range(3):
        ratio, plane = found[channel], np.uint64(channel)
        for k in range(count):
            sooner = cells[k] + plane
            near = line[sooner] + (line[sooner + per_ray] - line[sooner]) * right[k]
            then = sooner + per_step
            change = line[then] + (line[then + per_ray] - line[then]) * right[k] - near
            ratio[k] = near + change * later[k]
            fastest[k] = max(fastest[k], abs(change))
    for k in range(count):
        found[3, k] *= fastest[k]


@compiled
def _mark_uneven(
    known: F32, columns: F32, metres: F32, bent: F32, count: int, uneven: NDArray[np.bool_]
) -> None:
    """Mark in which of a row's cells ratios are not taken to go straight.

    ``known`` is of the cells' first pixels, as `_at_pixels` writes it.
    """
    red, green, blue, faster, lengths = known[0], known[1], known[2], known[3], known[4]
    to_next, one = np.uint64(CELL), np.uint64(1)
    for k in range(np.uint64(count)):
        here = to_next * k
        change = max(abs(red[k + one] - red[k]), abs(green[k + one] - green[k]), abs(blue[k + one] - blue[k]))
        off = bent[k] * max(faster[k], faster[k + one])
        near = abs(metres[here + to_next] - metres[here]) <= lengths[k]
        beside = columns[here + to_next] - columns[here] <= _MOST_RAYS
        uneven[k] = not (near & beside & (off <= _MOST_OFF) & (change <= _MOST_CHANGE))


@compiled
def _of_bands(ratios: F32, count: int, weights: F32, found: F32) -> None:
    """Write what ratios of channels leave of each band."""
    for band in range(len(weights)):
        red, green, blue = weights[band, 0], weights[band, 1], weights[band, 2]
        for k in range(count):
            found[band, k] = red * ratios[0, k] + green * ratios[1, k] + blue * ratios[2, k]
