"""Light shafts: the caustic light field seen from the side, in the light that the water scatters.

Along one straight view ray the sun's light is scattered by one angle, so the phase function is a constant
factor and the shafts are a ratio: the veil of the uneven field over that of an even one,

    M(s) = int_0^s E(x(t)) exp(-k t) dt / int_0^s exp(-k t) dt,    k = c + Kd mu.

The veiling light's share that comes from the sun is multiplied by M. Since E has a mean of 1 on every level,
M has a mean of 1 too: shafts brighten and darken the smooth veil and leave its mean.

M is computed for a coarse grid of view rays at fixed distances and looked up by pixel and range in between.
So it does not depend on what the render shows: it stops at each pixel's own range, however thin the thing,
and neighbours in front or behind lend it nothing.

In surface coordinates (see `halocline.physics.sea.caustics`) the view ray moves in a straight line at a
constant speed, which is zero for a ray along the beam. The field is first laid out in those coordinates on
a square around the lens, at a ladder of depths and at halving detail; then a sample is one lookup. Steps
are short near the lens and longer away from it, and each takes the detail that is about as coarse as
itself, the same on every frame: nothing is skipped over, so there is no pattern of steps, and neither noise
nor flicker.

What stands in the sun's way takes from E what it keeps (`halocline.physics.sea.shade`): M is then below 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled
from halocline.compute.made_once import MadeOnce
from halocline.errors import PhysicsError
from halocline.physics.sea.light_field import CausticField, window_start
from halocline.physics.sea.shade import Casters, Shade, ShadeWater, Square

# Rows of rays computed at once.
_BLOCK_ROWS = 24
# Depths of the laid-out field: coarser than the caustics' own, for a ray crosses them at a slant.
_FIRST_DEPTH_M = 0.5
_LADDER_RATIO = 1.4
# Points along a side of the laid-out field at its finest, and how often it is halved.
_WINDOW = 512
_HALVINGS = 3
# Half the side of the laid-out field, metres, at most: beyond it shafts have long merged.
_WIDEST_M = 30.0
# In float32, as all numbers in the loops.
_ZERO, _HALF, _ONE, _TINY = (np.float32(number) for number in (0.0, 0.5, 1.0, 1e-30))


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
    """

    directions: F32
    origin: tuple[float, float]
    depth_m: float
    even_to_m: float = 0.0


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


@dataclass(frozen=True)
class ShaftShade:
    """What shades the shafts.

    Attributes
    ----------
    casters
        What stands in the sun's way.
    scattering_per_m
        Of the water, 1/m: how fast a shadow fills with light.
    softness
        Art; 1 is physical.
    """

    casters: Casters
    scattering_per_m: float
    softness: float = 1.0


class ShaftVolume:
    """M for every coarse ray and step; rows of rays are computed when first asked for."""

    def __init__(
        self,
        field: CausticField,
        rays: ShaftRays,
        steps: ShaftSteps,
        water: ShaftWater,
        shade: ShaftShade | None = None,
    ) -> None:
        self.field = field
        self.rays = rays
        self.steps = steps
        self.water = water
        self._count = max(1, -(-(rays.directions.shape[1] - 1) // _BLOCK_ROWS))
        self._blocks = MadeOnce(self._block)
        self._plan = _LayoutPlan.of(field, rays, steps, shade)
        self._windows = MadeOnce(self._plan.window)

    def gain(self, column: F32, row: F32, range_m: F32) -> F32:
        """Return M at pixels, ``(3, rows, columns)``.

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
        numbers = np.minimum(row.astype(np.int64) // _BLOCK_ROWS, self._count - 1)
        for number in np.unique(numbers):
            rows = np.flatnonzero(numbers == number)
            part = slice(int(rows[0]), int(rows[-1]) + 1)
            block = self._blocks.get(int(number), ahead=range(int(number) + 1, self._count))
            local = row[part] - np.float32(number * _BLOCK_ROWS)
            _look_up(block, column, local, range_m[part], edges, part.start, out)
        return out

    def _block(self, number: int) -> F32:
        """Make a block of rows, ``(rows, columns, steps + 1, 3)``."""
        first = number * _BLOCK_ROWS
        # One row more than the block's own, to interpolate towards.
        directions = np.ascontiguousarray(self.rays.directions[:, first : first + _BLOCK_ROWS + 1])
        edges = self.steps.edges.astype(np.float32)
        down = directions[2]
        block = np.empty((*down.shape, edges.size, 3), np.float32)
        for channel, (c, kd) in enumerate(
            zip(self.water.attenuation, self.water.diffuse_attenuation, strict=True)
        ):
            rate = np.float32(-c) - np.float32(kd) * down
            # What is left of the veil behind each step's end; `_integrate` makes M of it.
            np.multiply(rate[..., np.newaxis], edges, out=block[..., channel])
        np.exp(block, out=block)
        plan = self._plan
        numbers = (*self.field.setup.optics.beam.drift, self.rays.depth_m, self.rays.even_to_m)
        _integrate(
            directions,
            tuple(np.float32(number) for number in numbers),
            edges,
            plan.levels,
            plan.depths_m,
            plan.grids,
            self._layout,
            block,
        )
        return block

    @cached_property
    def _layout(self) -> F32:
        """The field laid out at all depths, see `_LayoutPlan`; threads that come here share the work."""
        rungs = range(self._plan.depths_m.size)
        return np.stack([self._windows.get(rung, ahead=rungs) for rung in rungs])


@compiled
def _integrate(
    directions: F32,
    numbers: tuple[np.float32, ...],
    edges: F32,
    levels: NDArray[np.int32],
    depths_m: F32,
    grids: F32,
    layout: F32,
    block: F32,
) -> None:
    """Turn what is left of the veil at each step's end into M, ray by ray."""
    drift_x, drift_y, lens_m, even_to_m = numbers
    for row in range(directions.shape[1]):
        for column in range(directions.shape[2]):
            x, y, down = directions[0, row, column], directions[1, row, column], directions[2, row, column]
            # What is left along the beam does not move over the pattern.
            x, y = x - down * drift_x, y - down * drift_y
            ray = block[row, column]
            lit_0 = lit_1 = lit_2 = _ZERO
            even_0 = even_1 = even_2 = _TINY
            left_0 = left_1 = left_2 = _ONE
            rung = 0
            for step in range(levels.size):
                middle = _HALF * (edges[step] + edges[step + 1])
                depth = lens_m + down * middle
                light = _ONE
                if middle > even_to_m and depth > _ZERO:
                    while rung < depths_m.size - 2 and depth >= depths_m[rung + 1]:
                        rung += 1
                    while rung > 0 and depth < depths_m[rung]:
                        rung -= 1
                    below = (depth - depths_m[rung]) / (depths_m[rung + 1] - depths_m[rung])
                    below = max(_ZERO, min(below, _ONE))
                    light = _laid_out(layout, grids, levels[step], rung, below, x * middle, y * middle)
                    if middle < even_to_m + even_to_m:
                        light = _ONE + (light - _ONE) * (middle / even_to_m - _ONE)
                # The veil of this step: exp(-k t) at its start minus at its end, over k, which cancels.
                then_0, then_1, then_2 = ray[step + 1, 0], ray[step + 1, 1], ray[step + 1, 2]
                if depth > _ZERO:
                    even_0, lit_0 = even_0 + abs(left_0 - then_0), lit_0 + abs(left_0 - then_0) * light
                    even_1, lit_1 = even_1 + abs(left_1 - then_1), lit_1 + abs(left_1 - then_1) * light
                    even_2, lit_2 = even_2 + abs(left_2 - then_2), lit_2 + abs(left_2 - then_2) * light
                left_0, left_1, left_2 = then_0, then_1, then_2
                ray[step + 1, 0], ray[step + 1, 1], ray[step + 1, 2] = (
                    lit_0 / even_0,
                    lit_1 / even_1,
                    lit_2 / even_2,
                )
            # At the lens itself M is what the first step makes of it.
            ray[0, 0], ray[0, 1], ray[0, 2] = ray[1, 0], ray[1, 1], ray[1, 2]


@compiled
def _laid_out(
    layout: F32, grids: F32, level: int, rung: int, below: np.float32, x: np.float32, y: np.float32
) -> np.float32:
    """Return the laid-out light at a place, metres from the lens's own, between a depth and the next."""
    points, first = int(grids[level, 0]), int(grids[level, 4])
    most = np.float32(points - 1)
    # Beyond the window its edge goes on, where the field has been made even.
    column = max(_ZERO, min(x * grids[level, 1] - grids[level, 2], most))
    row = max(_ZERO, min(y * grids[level, 1] - grids[level, 3], most))
    i, j = min(int(column), points - 2), min(int(row), points - 2)
    right, lower = column - np.float32(i), row - np.float32(j)
    light = _ZERO
    for deeper in range(2):
        depth, at = rung + deeper, first + j * points + i
        above = layout[depth, at] + right * (layout[depth, at + 1] - layout[depth, at])
        at += points
        under = layout[depth, at] + right * (layout[depth, at + 1] - layout[depth, at])
        light += (below if deeper else _ONE - below) * (above + lower * (under - above))
    return light


@compiled
def _look_up(block: F32, columns: F32, rows: F32, range_m: F32, edges: F32, first_row: int, out: F32) -> None:
    """Write a block's M at pixels: between rays bilinear, between steps linear."""
    last_row, last_column, last_step = block.shape[0] - 1, block.shape[1] - 1, edges.size - 2
    step = 0
    for y in range(rows.size):
        row = max(_ZERO, min(rows[y], np.float32(last_row)))
        j = min(int(row), last_row - 1)
        lower = row - np.float32(j)
        for x in range(columns.size):
            column = max(_ZERO, min(columns[x], np.float32(last_column)))
            i = min(int(column), last_column - 1)
            right = column - np.float32(i)
            metres = range_m[y, x]
            # Neighbours lie at much the same range.
            while step < last_step and metres >= edges[step + 1]:
                step += 1
            while step > 0 and metres < edges[step]:
                step -= 1
            later = min((metres - edges[step]) / (edges[step + 1] - edges[step]), _ONE)
            left, upper, sooner = _ONE - right, _ONE - lower, _ONE - later
            for channel in range(3):
                above = left * (
                    sooner * block[j, i, step, channel] + later * block[j, i, step + 1, channel]
                ) + right * (
                    sooner * block[j, i + 1, step, channel] + later * block[j, i + 1, step + 1, channel]
                )
                under = left * (
                    sooner * block[j + 1, i, step, channel] + later * block[j + 1, i, step + 1, channel]
                ) + right * (
                    sooner * block[j + 1, i + 1, step, channel]
                    + later * block[j + 1, i + 1, step + 1, channel]
                )
                out[channel, first_row + y, x] = upper * above + lower * under


@dataclass(frozen=True)
class _LayoutPlan:
    """How the field around the lens is laid out, in surface coordinates: a square at a ladder of depths.

    Attributes
    ----------
    field
        What is laid out.
    centre
        The lens's place.
    step_m
        Distance of points at the finest.
    depths_m
        ``(depths,)``, two at least.
    levels
        ``(steps,)``: which halving each step along a ray takes.
    grids
        ``(halvings + 1, 5)``: points along a side, points per metre, the first point's place from the lens's
        in points, across and down, and where its points start among those of one depth.
    shade
        What of the sun is kept away.
    """

    field: CausticField
    centre: tuple[float, float]
    step_m: float
    depths_m: F32
    levels: NDArray[np.int32]
    grids: F32
    shade: Shade | None

    @classmethod
    def of(
        cls, field: CausticField, rays: ShaftRays, steps: ShaftSteps, shade: ShaftShade | None
    ) -> _LayoutPlan:
        """Plan for all depths that the rays reach."""
        beam = field.setup.optics.beam
        far = float(steps.edges[-1])
        reach = far * (1.0 + math.tan(beam.water_zenith_rad))
        x, y = (
            place - rays.depth_m * float(drift) for place, drift in zip(rays.origin, beam.drift, strict=True)
        )
        step_m = 2.0 * min(reach, _WIDEST_M) / _WINDOW
        levels = np.clip(np.rint(np.log2(np.diff(steps.edges) / step_m)), 0, _HALVINGS).astype(np.int32)
        # Rays are followed to their ends, however soon they leave the water.
        highest = rays.depth_m + far * min(0.0, float(rays.directions[2].min()))
        deepest = rays.depth_m + far * max(0.0, float(rays.directions[2].max()))
        first, last = (
            math.log(max(_FIRST_DEPTH_M, depth) / _FIRST_DEPTH_M) / math.log(_LADDER_RATIO)
            for depth in (highest, deepest)
        )
        rungs = np.arange(math.floor(first), max(math.ceil(last), math.floor(first) + 1) + 1)
        depths = (_FIRST_DEPTH_M * _LADDER_RATIO**rungs).astype(np.float32)
        kept = None
        if shade is not None:
            square = Square(window_start((x, y), step_m, _WINDOW), step_m, _WINDOW)
            kept = Shade(shade.casters, ShadeWater(beam, shade.scattering_per_m, shade.softness), square)
        return cls(field, (x, y), step_m, depths, levels, _grids((x, y), step_m), kept)

    def window(self, number: int) -> F32:
        """Return the field at one depth, and again and again halved, one after the other, ``(points,)``.

        It is made even towards the window's edge.
        """
        depth_m = float(self.depths_m[number])
        light = self.field.window(depth_m, self.centre, self.step_m, _WINDOW)
        if self.shade is not None:
            light *= self.shade.light(depth_m)
        light -= _ONE
        light *= _fade(_WINDOW)
        light += _ONE
        levels = [light]
        while len(levels) <= _HALVINGS:
            levels.append(_halved(levels[-1]))
        return np.concatenate([level.ravel() for level in levels])


def _grids(centre: tuple[float, float], step_m: float) -> F32:
    """Return `_LayoutPlan.grids`."""
    start = window_start(centre, step_m, _WINDOW)
    grids = []
    first = 0
    for halving in range(_HALVINGS + 1):
        points, step = _WINDOW >> halving, step_m * 2**halving
        # Halved points lie in the middle of those they are made of.
        shift = 0.5 * (2**halving - 1) * step_m
        x, y = ((place - middle + shift) / step for place, middle in zip(start, centre, strict=True))
        grids.append((points, 1.0 / step, x, y, first))
        first += points * points
    return np.array(grids, np.float32)


@lru_cache(maxsize=1)
def _fade(count: int) -> F32:
    """Return a square that is 1 inside and falls to 0 over an eighth of its side towards its edges."""
    edge = np.minimum(np.arange(count), np.arange(count)[::-1]) * (8.0 / count)
    rise = np.minimum(edge, 1.0)
    rise = rise * rise * (3.0 - 2.0 * rise)
    return np.outer(rise, rise).astype(np.float32)


def _halved(image: F32) -> F32:
    """Return means of two by two points."""
    rows = image[0::2] + image[1::2]
    return (rows[:, 0::2] + rows[:, 1::2]) * np.float32(0.25)
