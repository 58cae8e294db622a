"""Something along view rays, for a coarse grid of them at fixed distances, looked up by pixel and range.

So it does not depend on what the render shows: it stops at each pixel's own range, however thin the thing,
and neighbours in front or behind lend it nothing.
"""

from __future__ import annotations

import math
from dataclasses import field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled
from halocline.compute.made_once import MadeOnce
from halocline.errors import PhysicsError
from halocline.late_dataclass import dataclass

# Rows of rays computed at once.
_BLOCK_ROWS = 24
_ZERO, _ONE = np.float32(0.0), np.float32(1.0)


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
        down = directions[2]
        block = np.empty((*down.shape, edges.size, 3), np.float32)
        for channel, (c, kd) in enumerate(
            zip(self.water.attenuation, self.water.diffuse_attenuation, strict=True)
        ):
            rate = np.float32(-c) - np.float32(kd) * down
            # What is left of the light behind each step's end; the ratio is made of it.
            np.multiply(rate[..., np.newaxis], edges, out=block[..., channel])
        np.exp(block, out=block)
        self.fill(directions, rows, edges, block)
        return block

    def fill(self, directions: F32, rows: slice, edges: F32, block: F32) -> None:
        """Turn what is left of the light at each step's end into the ratio, for some rows of the grid."""
        raise NotImplementedError


@compiled
def _look_up(block: F32, columns: F32, rows: F32, range_m: F32, edges: F32, first_row: int, out: F32) -> None:
    """Write a block's M at pixels: between rays bilinear, between steps linear.

    Runs of pixels between the same rays and steps are taken together: what they lie between is read once.
    """
    last_row, last_column, last_step = block.shape[0] - 1, block.shape[1] - 1, edges.size - 2
    count = columns.size
    cells, right = np.empty(count + 1, np.int64), np.empty(count, np.float32)
    for x in range(count):
        column = max(_ZERO, min(columns[x], np.float32(last_column)))
        cells[x] = min(int(column), last_column - 1)
        right[x] = column - np.float32(cells[x])
    cells[count] = -1
    step = 0
    for y in range(rows.size):
        row = max(_ZERO, min(rows[y], np.float32(last_row)))
        j = min(int(row), last_row - 1)
        above, below, share, metres = block[j], block[j + 1], row - np.float32(j), range_m[y]
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
            length = end - start
            for channel in range(3):
                left_near = _between_rows(above, below, share, cell, step, channel)
                right_near = _between_rows(above, below, share, cell + 1, step, channel)
                left_far = _between_rows(above, below, share, cell, step + 1, channel)
                right_far = _between_rows(above, below, share, cell + 1, step + 1, channel)
                line = out[channel, first_row + y]
                for n in range(x, stop):
                    near = left_near + (right_near - left_near) * right[n]
                    far = left_far + (right_far - left_far) * right[n]
                    line[n] = near + (far - near) * min((metres[n] - start) / length, _ONE)
            x = stop


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
