"""The shade of turbid bodies: what they leave of the sun and of the sky at any place beside and below them.

The sun's light comes down in parallel beams, so a square map in coordinates that go along with them tells
what is left at each depth:

    T(d) = exp(-int c (1 - w g) dl)

over the beam's way through bodies; of what they turn, only what is turned by much or absorbed is lost (see
`halocline.physics.floating.turbid_light`). What a layer of a body takes on the way from one depth to the next
is a dark patch, which softens below it as any thing's shadow does, with the way from there (`ShadeWater`):

    left(d) = 1 - sum_j blur[T(d_(j-1)) - T(d_j)],    blurred as far as from the middle of layer j to d.

The sky's light comes down on all sides of the vertical: its map is upright, and softer. On its slanting way
through a wide level body it meets some 15 % more than straight down, which is left out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from functools import cached_property
from itertools import pairwise

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.threads import in_parallel
from halocline.late_dataclass import dataclass
from halocline.physics.floating.turbid import TurbidShape
from halocline.physics.floating.turbid_shade_loops import NO_BODIES, BodyMap, beam_depths
from halocline.physics.floating.turbid_shape_loops import BODY_HEAD, EVERY
from halocline.physics.floating.turbid_view import BodiesInLight, PackedBodies, finest_step
from halocline.physics.path.transport import LightPath
from halocline.physics.sea.shade import ShadeWater, blurred

# Points along a side of the sun's and of the sky's map, at least and most, and depths in bodies, likewise.
_LEAST, _SUN_POINTS, _SKY_POINTS = 24, 160, 72
# Steps from point to point, as a share of what follows edges and clouds.
_STEP = 0.5
_FEWEST, _MOST_DEPTHS = 8, 40
# Depths below them, over which shadows soften.
_BELOW = 8
# So far about the lens bodies are looked at, and of a level one so far is mapped, metres.
_FARTHEST_M, _LEVEL_M = 40.0, 16.0
# Layers of which each is blurred as a whole; and a map's margin, in standard deviations of the widest blur.
_LAYERS, _MARGIN, _WIDEST_MARGIN_M = 6, 2.0, 8.0
# Rows of beams that are followed at once.
_ROWS = 8
_NO_SURFACE_M = 1e5


@dataclass(frozen=True, eq=False)
class BodyShade:
    """What bodies leave of the daylight in a frame's water.

    Attributes
    ----------
    bodies
        With the extinction that counts for light; at least one.
    water
        What softens shadows.
    axes
        Two level axes of the world and up, unit, as rows, ``(3, 3)``.
    lens_m
        The lens, world metres.
    deepest_m
        To which depth light is asked for.
    """

    bodies: Sequence[BodiesInLight]
    water: ShadeWater
    axes: F64
    lens_m: F64
    deepest_m: float

    @cached_property
    def sun(self) -> BodyMap:
        """What is left of the sun's beam, and of what the water has thrown aside of it."""
        water = self.water

        def blurs(way_m: float, depth_m: float) -> tuple[tuple[float, float], ...]:
            aside = water.aside_share(depth_m)
            return (1.0 - aside, water.penumbra_m(way_m)), (aside, water.aside_m(way_m, depth_m))

        return self._mapped(self._path.sun_travel, _SUN_POINTS, blurs)

    @cached_property
    def sky(self) -> BodyMap:
        """What is left of the light that comes from the whole sky."""

        def blurs(way_m: float, depth_m: float) -> tuple[tuple[float, float], ...]:
            return ((1.0, self.water.sky_m(way_m, depth_m)),)

        return self._mapped(-self.axes[2], _SKY_POINTS, blurs)

    @property
    def maps(self) -> tuple[BodyMap, BodyMap] | None:
        """Those of sun and sky, over the same depths; None where bodies shade nothing."""
        first, last = self._depths()
        return (self.sun, self.sky) if last > first else None

    def _mapped(
        self, travel: F64, most: int, blurs: Callable[[float, float], tuple[tuple[float, float], ...]]
    ) -> BodyMap:
        """Lay out what is left of light that travels in parallel."""
        x, y, down = travel @ self.axes[0], travel @ self.axes[1], -(travel @ self.axes[2])
        drift, slant = np.array([x, y]) / down, 1.0 / down
        first, last = self._depths()
        finest = min(
            finest_step(shape, body) for each in self.bodies for body in each.bodies for shape in body.shapes
        )
        depths = _followed(first, last, 0.5 * EVERY * finest)
        below = last + (max(self.deepest_m, last + 1.0) - last) * (np.arange(1, _BELOW + 1) / _BELOW) ** 2
        wanted = np.append(depths, below)
        widest = max(spread for _, spread in blurs(self.deepest_m - 0.5 * (first + last), self.deepest_m))
        start, side = self._square(drift, slant, min(_MARGIN * widest, _WIDEST_MARGIN_M))
        if side <= 0.0:
            nothing = np.ones((wanted.size, 2, 2), np.float32)
            return NO_BODIES[0], wanted.astype(np.float32), nothing, nothing[:, 0, 0].copy()
        count = int(np.clip(math.ceil(side / (_STEP * finest)), _LEAST, most))
        step = side / (count - 1)
        beams = start[:, None] + step * np.arange(count) + first * drift[:, None]
        light = _softened(self._taken(travel, beams, depths, slant), depths, wanted, step, blurs)
        edge = np.concatenate([light[:, 0], light[:, -1], light[:, :, 0], light[:, :, -1]], axis=1)
        numbers = (*drift, 1.0 / step, *(start / step), first)
        return (
            tuple(np.float32(number) for number in numbers),
            wanted.astype(np.float32),
            light,
            edge.mean(axis=1, dtype=np.float64).astype(np.float32),
        )

    @property
    def _path(self) -> LightPath:
        return self.bodies[0].path

    @property
    def _sea_m(self) -> float:
        """Height of the surface."""
        return float(self.lens_m @ self.axes[2]) + self._path.camera_depth_m

    def _shapes(self) -> Iterator[tuple[TurbidShape, float]]:
        """Yield all shapes, and how far eddies carry each."""
        for each in self.bodies:
            for body in each.bodies:
                for shape in body.shapes:
                    yield shape, each.eddies.farthest_m

    def _depths(self) -> tuple[float, float]:
        """Return between which depths bodies are, as far as light is asked for."""
        up, sea = self.axes[2], self._sea_m
        tops, feet = [], []
        for shape, margin in self._shapes():
            if shape.endless:
                high, low = shape.half_m[1], shape.half_m[0]
            else:
                high, low = (float(shape.centre_m @ up) + way * shape.bounding_m for way in (1.0, -1.0))
            tops.append(sea - high - margin)
            feet.append(sea - low + margin)
        return max(0.0, min(tops)), min(self.deepest_m, max(feet))

    def _square(self, drift: F64, slant: float, margin_m: float) -> tuple[F64, float]:
        """Return the first place and the side of a square, along the beam, that holds all bodies' shade."""
        up, sea = self.axes[2], self._sea_m
        lens = self.axes[:2] @ self.lens_m - self._path.camera_depth_m * drift
        low, high = np.full(2, np.inf), np.full(2, -np.inf)
        for shape, carried in self._shapes():
            if shape.endless:
                place, radius = lens, _LEVEL_M
            else:
                place = self.axes[:2] @ shape.centre_m - (sea - float(shape.centre_m @ up)) * drift
                radius = (shape.bounding_m + carried) * slant + margin_m
            low, high = np.minimum(low, place - radius), np.maximum(high, place + radius)
        low, high = np.maximum(low, lens - _FARTHEST_M), np.minimum(high, lens + _FARTHEST_M)
        side = float((high - low).max()) if (high > low).all() else 0.0
        return 0.5 * (low + high - side), side

    def _taken(self, travel: F64, beams: F64, depths_m: F64, slant: float) -> F32:
        """Return what bodies have taken of each beam at depths, ``(N, rows, columns)``, 0 to 1."""
        up = self.axes[2]
        packed = [
            PackedBodies.of(each.bodies, self.lens_m, up, each.eddies, each.time_s) for each in self.bodies
        ]
        x, y = np.meshgrid(*beams)
        places = np.stack([x, y, np.full_like(x, self._sea_m - depths_m[0])])
        starts = np.einsum("ai,arc->irc", self.axes, places) - self.lens_m[:, None, None]
        between = depths_m[:-1, None] + np.diff(depths_m)[:, None] * (np.arange(EVERY) / EVERY)
        steps = (np.append(between.ravel(), depths_m[-1]) - depths_m[0]) * slant
        ray = np.array([*travel, -(travel @ up), 1.0], np.float32)
        lens = np.array([*up, _NO_SURFACE_M, 1.0], np.float32)
        out = np.empty((len(depths_m), *x.shape), np.float32)
        starts = starts.astype(np.float32)

        def follow(first: int) -> None:
            part = np.s_[:, first : first + _ROWS]
            here = np.ascontiguousarray(starts[part])
            total = np.zeros((len(depths_m), *here.shape[1:]), np.float32)
            for each in packed:
                found = np.empty_like(total)
                beam_depths(
                    here,
                    ray,
                    steps.astype(np.float32),
                    lens,
                    each.shapes,
                    each.bodies(self._path)[:, :BODY_HEAD].copy(),
                    each.spans,
                    each.waves,
                    each.eddies,
                    each.ground,
                    found,
                )
                total += found
            out[part] = -np.expm1(-total)

        in_parallel(follow, range(0, starts.shape[1], _ROWS))
        return out


def _followed(first_m: float, last_m: float, step_m: float) -> F64:
    """Return depths from one to another, as close as a step; where those are too many, wider downwards.

    What goes down without an end lies on a floor, of which nothing is seen from below.
    """
    way = last_m - first_m
    count = int(np.clip(math.ceil(way / step_m), _FEWEST, _MOST_DEPTHS))
    wider = max(1.0, math.log(way / step_m) / math.log(count)) if way > step_m else 1.0
    return np.asarray(first_m + way * (np.arange(count + 1) / count) ** wider)


def _softened(
    taken: F32,
    depths_m: F64,
    wanted_m: F64,
    step_m: float,
    blurs: Callable[[float, float], tuple[tuple[float, float], ...]],
) -> F32:
    """Return what is left at depths where bodies have taken so much at some: shares and blurs by the way
    and the depth.
    """
    ends = np.unique(np.linspace(0, len(depths_m) - 1, _LAYERS + 1).round().astype(int))
    layers = [
        (0.5 * (depths_m[above] + depths_m[below]), below, taken[below] - taken[above])
        for above, below in pairwise(ends)
    ]
    left = np.ones((len(wanted_m), *taken.shape[1:]), np.float32)

    def lay(number: int) -> None:
        here = min(number, len(depths_m) - 1)
        done = [layer for layer in layers if layer[1] <= here]
        for middle, _, dark in done:
            for share, spread in blurs(wanted_m[number] - middle, wanted_m[number]):
                left[number] -= np.float32(share) * blurred(dark, spread / step_m, outside=False)
        # The layer that the depth lies in is too near to be soft.
        left[number] -= taken[here] - taken[done[-1][1] if done else 0]
        np.maximum(left[number], np.float32(0.0), out=left[number])

    in_parallel(lay, range(len(wanted_m)))
    return left
