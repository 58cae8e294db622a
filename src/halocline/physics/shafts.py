"""Light shafts: the caustic light field seen from the side, in the light that the water scatters.

Along one straight view ray the sun's light is scattered by one angle, so the phase function is a constant
factor and the shafts are a ratio: the veil of the uneven field over that of an even one,

    M(s) = int_0^s E(x(t)) exp(-k t) dt / int_0^s exp(-k t) dt,    k = c + Kd mu.

The veiling light's share that comes from the sun is multiplied by M. Since E has a mean of 1 on every level,
M has a mean of 1 too: shafts brighten and darken the smooth veil and leave its mean.

M is computed for a coarse grid of view rays at fixed distances and looked up by pixel and range in between.
So it does not depend on what the render shows: it stops at each pixel's own range, however thin the thing,
and neighbours in front or behind lend it nothing.

In surface coordinates (see `halocline.physics.caustics`) the view ray moves in a straight line at a constant
speed, which is zero for a ray along the beam. The field is first laid out in those coordinates on a square
around the lens, at a ladder of depths and at halving detail; then a sample is one lookup. Steps are short
near the lens and longer away from it, and each takes the detail that is about as coarse as itself, the same
on every frame: nothing is skipped over, so there is no pattern of steps, and neither noise nor flicker.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

import cv2
import numpy as np

from halocline._typing import F32, F64
from halocline.errors import PhysicsError
from halocline.physics.light_field import CausticField, window_start
from halocline.physics.made_once import MadeOnce

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
                mend="The first step is positive, growth 0.01 or more, and there are 1 to 256 steps.",
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

    def position(self, range_m: F32) -> F32:
        """Return ranges in steps: 1.5 is halfway through the second; at most ``count``."""
        at = np.minimum(range_m, np.float32(self.edges[-1]))
        at *= np.float32(self.growth / self.first_m)
        at += np.float32(1.0)
        np.log(at, out=at)
        at *= np.float32(1.0 / math.log1p(self.growth))
        return np.minimum(at, np.float32(self.count), out=at)


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


class ShaftVolume:
    """M for every coarse ray and step; rows of rays are computed when first asked for."""

    def __init__(self, field: CausticField, rays: ShaftRays, steps: ShaftSteps, water: ShaftWater) -> None:
        self.field = field
        self.rays = rays
        self.steps = steps
        self.water = water
        self._count = max(1, -(-(rays.directions.shape[1] - 1) // _BLOCK_ROWS))
        self._blocks = MadeOnce(self._block)
        self._plan = _LayoutPlan.of(field, rays, steps)
        self._windows = MadeOnce(self._plan.window)

    def gain(self, column: F32, row: F32, range_m: F32) -> F32:
        """Return M at pixels, ``(channels, rows, columns)``.

        Parameters
        ----------
        column
            ``(columns,)`` places in coarse rays, from the first ray's 0.
        row
            ``(rows,)`` the same downwards.
        range_m
            ``(rows, columns)`` where each pixel's ray ends; inf for open water.
        """
        out = np.empty((len(self.water.attenuation), *range_m.shape), np.float32)
        numbers = np.minimum(row.astype(np.int64) // _BLOCK_ROWS, self._count - 1)
        for number in np.unique(numbers):
            rows = np.flatnonzero(numbers == number)
            part = slice(int(rows[0]), int(rows[-1]) + 1)
            local = row[part] - np.float32(number * _BLOCK_ROWS)
            block = self._blocks.get(int(number), ahead=range(int(number) + 1, self._count))
            out[:, part] = self._looked_up(block, column, local, range_m[part])
        return out

    def _looked_up(self, block: F32, column: F32, row: F32, range_m: F32) -> F32:
        """Interpolate a block: between rays bilinear, between steps linear."""
        height = block.shape[0] // (self.steps.count + 1)
        at = self.steps.position(range_m)
        step = np.minimum(np.floor(at), np.float32(self.steps.count - 1))
        at -= step
        columns = np.broadcast_to(column, range_m.shape).astype(np.float32)
        rows = step * np.float32(height)
        rows += np.clip(row, 0.0, np.float32(height - 1))[:, np.newaxis]
        before = bilinear(block, columns, rows)
        rows += np.float32(height)
        after = bilinear(block, columns, rows)
        out = np.empty((len(self.water.attenuation), *range_m.shape), np.float32)
        for plane, first, second in zip(out, channels_of(before), channels_of(after), strict=True):
            np.subtract(second, first, out=plane)
            np.multiply(plane, at, out=plane)
            np.add(plane, first, out=plane)
        return out

    def _block(self, number: int) -> F32:
        """Make a block of rows: ``(steps + 1) * rows`` by columns by channels, one step below another."""
        first = number * _BLOCK_ROWS
        # One row more than the block's own, to interpolate towards.
        return self._integrated(self.rays.directions[:, first : first + _BLOCK_ROWS + 1])

    def _integrated(self, directions: F32) -> F32:
        shape = directions.shape[1:]
        channels = len(self.water.attenuation)
        volume = np.ones((self.steps.count + 1, *shape, channels), np.float32)
        lit = np.zeros((channels, *shape), np.float32)
        even = np.full((channels, *shape), 1e-30, np.float32)
        ends = self.steps.edges.astype(np.float32)
        rates = [
            np.float32(c) + np.float32(kd) * directions[2]
            for c, kd in zip(self.water.attenuation, self.water.diffuse_attenuation, strict=True)
        ]
        left = [np.ones(shape, np.float32) for _ in rates]
        for step in range(self.steps.count):
            light, inside = self._light(directions, step)
            for channel, rate in enumerate(rates):
                # The veil of this step: exp(-k t) at its start less at its end, over k, which cancels.
                then = np.exp(rate * -ends[step + 1])
                weight = np.abs(left[channel] - then)
                left[channel] = then
                weight *= inside
                even[channel] += weight
                weight *= light
                lit[channel] += weight
                np.divide(lit[channel], even[channel], out=volume[step + 1, ..., channel])
        # At the lens itself M is what the first step makes of it.
        volume[0] = volume[1]
        return volume.reshape(-1, shape[1], channels)

    def _light(self, directions: F32, step: int) -> tuple[F32, F32]:
        """Return the light in the middle of a step, and 1 where that is under water, 0 where above."""
        start, end = self.steps.edges[step : step + 2]
        middle = np.float32(0.5 * (start + end))
        depth = directions[2] * middle
        depth += np.float32(self.rays.depth_m)
        inside = (depth > 0.0).astype(np.float32)
        layout = self._layout
        drift_x, drift_y = (np.float32(value) for value in self.field.setup.optics.beam.drift)
        # What is left along the beam does not move over the pattern.
        column = (directions[0] - directions[2] * drift_x) * middle
        row = (directions[1] - directions[2] * drift_y) * middle
        if middle <= self.rays.even_to_m:
            return np.ones_like(depth), inside
        light = layout.look_up(column, row, depth, float(end - start))
        if middle < 2.0 * self.rays.even_to_m:
            light -= np.float32(1.0)
            light *= np.float32(middle / self.rays.even_to_m - 1.0)
            light += np.float32(1.0)
        return light, inside

    @cached_property
    def _layout(self) -> _Layout:
        """The field laid out at all depths; threads that come here together share the work."""
        plan = self._plan
        rungs = range(plan.first, plan.first + plan.count)
        depths = [self._windows.get(rung, ahead=rungs) for rung in rungs]
        levels = tuple(np.concatenate(level) for level in zip(*depths, strict=True))
        return _Layout(levels, plan.step_m, plan.offset_m, plan.first, plan.count)


@dataclass(frozen=True)
class _Layout:
    """The field around the lens, in surface coordinates.

    Attributes
    ----------
    levels
        At each halving, ``(depths * points, points)``: one depth below another.
    step_m
        Distance of points at the finest.
    offset_m
        From the lens's place to the first point of the window.
    first, count
        Rung of the first depth, and number of depths.
    """

    levels: tuple[F32, ...]
    step_m: float
    offset_m: tuple[float, float]
    first: int
    count: int

    def look_up(self, x: F32, y: F32, depth_m: F32, length_m: float) -> F32:
        """Return the light at places, metres from the lens's own, averaged over about ``length_m``."""
        at = np.maximum(depth_m, np.float32(_FIRST_DEPTH_M))
        at *= np.float32(1.0 / _FIRST_DEPTH_M)
        np.log(at, out=at)
        at *= np.float32(1.0 / math.log(_LADDER_RATIO))
        at -= np.float32(self.first)
        np.maximum(at, np.float32(0.0), out=at)
        np.minimum(at, np.float32(self.count - 1), out=at)
        rung = np.minimum(np.floor(at), np.float32(self.count - 2))
        at -= rung
        level = round(math.log2(length_m / self.step_m))
        return self._at_level(min(max(level, 0), len(self.levels) - 1), x, y, rung, at)

    def _at_level(self, number: int, x: F32, y: F32, rung: F32, between: F32) -> F32:
        image = self.levels[number]
        points = image.shape[1]
        # Halved points lie in the middle of those they are made of.
        step = self.step_m * 2**number
        shift = 0.5 * (2**number - 1) * self.step_m
        column = x * np.float32(1.0 / step)
        column -= np.float32((self.offset_m[0] + shift) / step)
        row = y * np.float32(1.0 / step)
        row -= np.float32((self.offset_m[1] + shift) / step)
        # Beyond the window its edge goes on, where the field has been made even.
        for place in (column, row):
            np.maximum(place, np.float32(0.0), out=place)
            np.minimum(place, np.float32(points - 1), out=place)
        row += rung * np.float32(points)
        above = bilinear(image, column, row)
        row += np.float32(points)
        below = bilinear(image, column, row)
        below -= above
        below *= between
        below += above
        return below


@dataclass(frozen=True)
class _LayoutPlan:
    """What part of the field the rays need: a square of the surface, at a ladder of depths.

    ``centre`` is the lens's place in surface coordinates; see `_Layout` for the rest.
    """

    field: CausticField
    centre: tuple[float, float]
    step_m: float
    first: int
    count: int

    @classmethod
    def of(cls, field: CausticField, rays: ShaftRays, steps: ShaftSteps) -> _LayoutPlan:
        """Plan for all depths that the rays reach."""
        beam = field.setup.optics.beam
        far = float(steps.edges[-1])
        reach = far * (1.0 + math.tan(beam.water_zenith_rad))
        x, y = (
            place - rays.depth_m * float(drift) for place, drift in zip(rays.origin, beam.drift, strict=True)
        )
        # Rays are followed to their ends, however soon they leave the water.
        highest = rays.depth_m + far * min(0.0, float(rays.directions[2].min()))
        deepest = rays.depth_m + far * max(0.0, float(rays.directions[2].max()))
        first, last = (
            math.log(max(_FIRST_DEPTH_M, depth) / _FIRST_DEPTH_M) / math.log(_LADDER_RATIO)
            for depth in (highest, deepest)
        )
        count = 2 + math.ceil(last) - math.floor(first)
        return cls(field, (x, y), 2.0 * min(reach, _WIDEST_M) / _WINDOW, math.floor(first), count)

    @property
    def offset_m(self) -> tuple[float, float]:
        """From the lens's place to the first point of the window."""
        x, y = window_start(self.centre, self.step_m, _WINDOW)
        return x - self.centre[0], y - self.centre[1]

    def window(self, rung: int) -> list[F32]:
        """Return the field at one depth, and again and again halved; even towards the window's edge."""
        depth = _FIRST_DEPTH_M * _LADDER_RATIO**rung
        light = self.field.window(depth, self.centre, self.step_m, _WINDOW)
        light -= np.float32(1.0)
        light *= _fade(_WINDOW)
        light += np.float32(1.0)
        levels = [light]
        while len(levels) <= _HALVINGS:
            levels.append(_halved(levels[-1]))
        return levels


def bilinear(image: F32, column: F32, row: F32) -> F32:
    """Look up an image at places in cells, ``(rows, columns)`` each; the image's channels come last."""
    found = cv2.remap(image, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(found, np.float32)


def channels_of(image: F32) -> list[F32]:
    """Return an image's channels as images."""
    return [image] if image.ndim == 2 else [np.asarray(plane, np.float32) for plane in cv2.split(image)]


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
