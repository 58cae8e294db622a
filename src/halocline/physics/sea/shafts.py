"""Light shafts: the caustic light field seen from the side, in the light that the water scatters.

Along one straight view ray the sun's light is scattered by one angle, so the phase function is a constant
factor and the shafts are a ratio: the veil of the uneven field over that of an even one,

    M(s) = 1 + r int_0^s V (E(x(t)) - 1) exp(-k t) dt / int_0^s exp(-k t) dt,    k = c + Kd mu,

with r the share of the veil that comes from the sun. Since E has a mean of 1 on every level, M has a mean of
1 too: shafts brighten and darken the smooth veil and leave its mean.

M is computed for a coarse grid of view rays (`halocline.physics.sea.ray_volume`).

In surface coordinates (see `halocline.physics.sea.caustics`) the view ray moves in a straight line at a
constant speed, which is zero for a ray along the beam. The field is first laid out in those coordinates on
a square around the lens, at a ladder of depths and at halving detail; then a sample is one lookup. Steps
are short near the lens and longer away from it, and each takes the detail that is about as coarse as
itself, the same on every frame: nothing is skipped over, so there is no pattern of steps, and neither noise
nor flicker.

While the shutter is open, a moving camera draws the field out: each sample is the mean along the way that
its place goes meanwhile, from as many places as that way has points of the sample's detail.

V is what is left of the sun where things stand in its way (`halocline.physics.sea.shade`). What they take
from the even veil is not in M.
"""

from __future__ import annotations

import math
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.disk_cache import package_mark
from halocline.compute.kept_fields import kept_field
from halocline.compute.made_once import MadeOnce
from halocline.compute.sources import source_digest
from halocline.late_dataclass import dataclass
from halocline.physics.floating.turbid_shade_loops import rung_at
from halocline.physics.sea.light_field import CausticField, window_start
from halocline.physics.sea.ray_volume import RayVolume, ShaftRays, ShaftSteps, ShaftWater
from halocline.physics.sea.shade import Shade
from halocline.physics.sea.shade_loops import NO_MAP, Map, beam_map, cut_short, left_along_ray

# Depths of the laid-out field: coarser than the caustics' own, for a ray crosses them at a slant.
_FIRST_DEPTH_M = 0.5
_LADDER_RATIO = 1.4
# Points along a side of the laid-out field at its finest, and how often it is halved.
_WINDOW = 512
_HALVINGS = 3
_POINTS = sum((_WINDOW >> halving) ** 2 for halving in range(_HALVINGS + 1))
# Half the side of the laid-out field, metres, at most: beyond it shafts have long merged.
_WIDEST_M = 30.0
# Places at most on each side of a sample's own along the way that it goes while the shutter is open.
_ASIDE = 6
# Steps beyond which no more than this is left of the veil are not looked at.
_AS_GOOD_AS_NOTHING = np.float32(1e-4)
# In float32, as all numbers in the loops.
_ZERO, _HALF, _ONE, _TINY = (np.float32(number) for number in (0.0, 0.5, 1.0, 1e-30))


class ShaftVolume(RayVolume):
    """M for every coarse ray and step.

    Parameters
    ----------
    field
        The uneven light.
    rays, steps, water
        See `RayVolume`.
    sun_share
        Share of each channel's veil that the field modulates, ``(3, rows, columns)`` of the coarse rays; all
        of it where not given.
    shade
        What things leave of the sun; all of it where not given.
    ahead
        With a shade: how much things cover of the rays, and where, metres, ``(rows, columns)`` each.
    """

    def __init__(
        self,
        field: CausticField,
        rays: ShaftRays,
        steps: ShaftSteps,
        water: ShaftWater,
        sun_share: F32 | None = None,
        shade: Shade | None = None,
        ahead: tuple[F32, F32] | None = None,
    ) -> None:
        super().__init__(rays, steps, water)
        self.field = field
        self.shade = shade
        self._beam = NO_MAP if shade is None else beam_map(shade)
        nothing: F32 = np.zeros(rays.directions.shape[1:], np.float32)
        self._cover, self._ends = (nothing, nothing) if ahead is None else ahead
        self._sun_share = (
            np.ones((3, *rays.directions.shape[1:]), np.float32) if sun_share is None else sun_share
        )
        self._plan = _LayoutPlan.of(field, rays, steps)
        self._windows = MadeOnce(self._plan.window)

    def fill(self, directions: F32, rows: slice, edges: F32, block: F32) -> None:
        """Make M of a block of rows."""
        plan = self._plan
        numbers = (
            *self.field.setup.optics.beam.drift,
            self.rays.depth_m,
            self.rays.even_to_m,
            *self.rays.origin,
        )
        _integrate(
            directions,
            tuple(np.float32(number) for number in numbers),
            edges,
            plan.levels,
            plan.depths_m,
            plan.grids,
            self._layout,
            np.ascontiguousarray(self._sun_share[:, rows]),
            self.shade is not None,
            self._beam,
            (self.rays.moved, self.rays.turned),
            (np.ascontiguousarray(self._cover[rows]), np.ascontiguousarray(self._ends[rows])),
            block,
        )

    @cached_property
    def _layout(self) -> F32:
        """The field laid out at all depths, see `_LayoutPlan`; threads that come here share the work."""
        plan = self._plan
        rungs = range(plan.depths_m.size)
        return kept_field(
            f"{source_digest(__name__) or package_mark()} {plan.key}",
            (plan.depths_m.size, _POINTS),
            lambda: np.stack([self._windows.get(rung, ahead=rungs) for rung in rungs]),
        )


@compiled
def _integrate(
    directions: F32,
    numbers: tuple[np.float32, ...],
    edges: F32,
    levels: NDArray[np.int32],
    depths_m: F32,
    grids: F32,
    layout: F32,
    sun_share: F32,
    shaded: bool,
    sun: Map,
    motion: tuple[F32, F32],
    ahead: tuple[F32, F32],
    block: F32,
) -> None:
    """Turn what is left of the veil at each step's end into M, ray by ray."""
    drift_x, drift_y, lens_m, even_to_m, lens_x, lens_y = numbers
    moved, turned = motion
    moved_x, moved_y = moved[0] - moved[2] * drift_x, moved[1] - moved[2] * drift_y
    count = levels.size
    points, light = np.empty((6, count), np.float32), np.empty(count, np.float32)
    steps, room = (
        _grids_of_steps(levels, grids),
        (np.empty((3, count), np.float32), np.empty((2, count), np.int32)),
    )
    for row in range(directions.shape[1]):
        for column in range(directions.shape[2]):
            level_x, level_y = directions[0, row, column], directions[1, row, column]
            down = directions[2, row, column]
            # What is left along the beam does not move over the pattern.
            x, y = level_x - down * drift_x, level_y - down * drift_y
            # Nor does what the camera's motion moves along it.
            turned_down = turned[2, 0] * level_x + turned[2, 1] * level_y + turned[2, 2] * down
            turned_x = turned[0, 0] * level_x + turned[0, 1] * level_y + turned[0, 2] * down
            turned_y = turned[1, 0] * level_x + turned[1, 1] * level_y + turned[1, 2] * down
            turned_x, turned_y = turned_x - turned_down * drift_x, turned_y - turned_down * drift_y
            ray, cover, ends = block[row, column], ahead[0][row, column], ahead[1][row, column]
            shares = sun_share[0, row, column], sun_share[1, row, column], sun_share[2, row, column]
            for step in range(count):
                points[0, step] = _HALF * (edges[step] + cut_short(edges[step], edges[step + 1], cover, ends))
            if shaded:
                left_along_ray(sun, (lens_x, lens_y, lens_m), (level_x, level_y, down), points)
            seen = _steps_seen(ray) if lens_m > _ZERO else count
            middles = points[0, :seen]
            _light_along(layout, steps, depths_m, (x, y, down, lens_m), middles, room, light)
            way = moved_x, moved_y, turned_x, turned_y
            if way[0] != _ZERO or way[1] != _ZERO or way[2] != _ZERO or way[3] != _ZERO:
                _draw_out(layout, grids, levels, (x, y), way, middles, room, light)
            for step in range(seen):
                change, middle = light[step] - _ONE, middles[step]
                if middle < even_to_m + even_to_m:
                    change *= max(middle / even_to_m - _ONE, _ZERO)
                light[step] = change * points[4, step] * points[5, step] if shaded else change
            _means(light[:seen], middles, lens_m, down, shares, ray)


@compiled
def _means(
    change: F32,
    middles: F32,
    lens_m: np.float32,
    down: np.float32,
    shares: tuple[np.float32, np.float32, np.float32],
    ray: F32,
) -> None:
    """Turn what is left of the veil at the ends of a ray's steps into M; behind those looked at it stays."""
    by_0, by_1, by_2 = shares
    more_0 = more_1 = more_2 = _ZERO
    all_0 = all_1 = all_2 = _TINY
    left_0 = left_1 = left_2 = _ONE
    for step in range(change.size):
        # The veil of this step: exp(-k t) at its start minus at its end, over k, which cancels.
        then_0, then_1, then_2 = ray[step + 1, 0], ray[step + 1, 1], ray[step + 1, 2]
        if lens_m + down * middles[step] > _ZERO:
            all_0, more_0 = all_0 + abs(left_0 - then_0), more_0 + abs(left_0 - then_0) * change[step]
            all_1, more_1 = all_1 + abs(left_1 - then_1), more_1 + abs(left_1 - then_1) * change[step]
            all_2, more_2 = all_2 + abs(left_2 - then_2), more_2 + abs(left_2 - then_2) * change[step]
        left_0, left_1, left_2 = then_0, then_1, then_2
        ray[step + 1, 0], ray[step + 1, 1], ray[step + 1, 2] = (
            _ONE + by_0 * (more_0 / all_0),
            _ONE + by_1 * (more_1 / all_1),
            _ONE + by_2 * (more_2 / all_2),
        )
    for step in range(change.size + 1, len(ray)):
        ray[step, 0], ray[step, 1], ray[step, 2] = ray[step - 1, 0], ray[step - 1, 1], ray[step - 1, 2]
    # At the lens itself M is what the first step makes of it.
    ray[0, 0], ray[0, 1], ray[0, 2] = ray[1, 0], ray[1, 1], ray[1, 2]


@compiled
def _steps_seen(left: F32) -> int:
    """Return up to which step light beyond it is as good as nothing to the veil of any channel."""
    for step in range(1, len(left) - 1):
        most = max(left[step, 0], left[step, 1], left[step, 2])
        falls = left[step, 0] < _ONE and left[step, 1] < _ONE and left[step, 2] < _ONE
        if falls and most <= _AS_GOOD_AS_NOTHING:
            return step
    return len(left) - 1


@compiled
def _grids_of_steps(levels: NDArray[np.int32], grids: F32) -> tuple[F32, NDArray[np.int32]]:
    """Return the grid that each step takes.

    Points per metre, the place of the first, the last; and, in whole numbers, points along a side and where
    they start.
    """
    places, whole = np.empty((4, levels.size), np.float32), np.empty((2, levels.size), np.int32)
    for step in range(levels.size):
        grid = grids[levels[step]]
        places[0, step], places[1, step], places[2, step] = grid[1], grid[2], grid[3]
        places[3, step] = grid[0] - _ONE
        whole[0, step], whole[1, step] = np.int32(grid[0]), np.int32(grid[4])
    return places, whole


@compiled
def _light_along(
    layout: F32,
    steps: tuple[F32, NDArray[np.int32]],
    depths_m: F32,
    ray: tuple[np.float32, np.float32, np.float32, np.float32],
    middles: F32,
    room: tuple[F32, NDArray[np.int32]],
    light: F32,
) -> None:
    """Write the laid-out light at places along a ray, as `_laid_out` has it; 1 above the water.

    In ``room``, depths between rungs and the rungs are left.
    """
    (places, whole), (x, y, down, lens_m) = steps, ray
    below, right, lower = room[0][0], room[0][1], room[0][2]
    rungs, at = room[1][0], room[1][1]
    rung = 0
    for step in range(middles.size):
        depth = lens_m + down * middles[step]
        rung = rung_at(depths_m, depth, rung)
        between = (depth - depths_m[rung]) / (depths_m[rung + 1] - depths_m[rung])
        below[step] = max(_ZERO, min(between, _ONE)) if depth > _ZERO else -_ONE
        rungs[step] = rung
    per_m, left, top, last = places[0], places[1], places[2], places[3]
    across, first = whole[0], whole[1]
    for step in range(middles.size):
        # Beyond the window its edge goes on, where the field has been made even.
        column = max(_ZERO, min(x * middles[step] * per_m[step] - left[step], last[step]))
        line = max(_ZERO, min(y * middles[step] * per_m[step] - top[step], last[step]))
        i, j = min(np.floor(column), last[step] - _ONE), min(np.floor(line), last[step] - _ONE)
        right[step], lower[step] = column - i, line - j
        at[step] = first[step] + np.int32(j) * across[step] + np.int32(i)
    for step in range(middles.size):
        if below[step] < _ZERO:
            light[step] = _ONE
            continue
        upper, lowest = np.uint64(at[step]), np.uint64(at[step] + across[step])
        depth, one = np.uint64(rungs[step]), np.uint64(1)
        found = (_ONE - below[step]) * _between_four(layout, depth, upper, lowest, right[step], lower[step])
        light[step] = found + below[step] * _between_four(
            layout, depth + one, upper, lowest, right[step], lower[step]
        )


@compiled
def _between_four(
    layout: F32, depth: np.uint64, upper: np.uint64, lowest: np.uint64, right: np.float32, lower: np.float32
) -> np.float32:
    """Return the light between four points at one of the depths."""
    one = np.uint64(1)
    above = layout[depth, upper] + right * (layout[depth, upper + one] - layout[depth, upper])
    under = layout[depth, lowest] + right * (layout[depth, lowest + one] - layout[depth, lowest])
    between: np.float32 = above + lower * (under - above)
    return between


@compiled
def _draw_out(
    layout: F32,
    grids: F32,
    levels: NDArray[np.int32],
    at_one_metre: tuple[np.float32, np.float32],
    way: tuple[np.float32, np.float32, np.float32, np.float32],
    middles: F32,
    room: tuple[F32, NDArray[np.int32]],
    light: F32,
) -> None:
    """Write the mean light along the ways that places go, where these are longer than points are apart.

    ``way`` is how far all places go, and how much farther those go that lie a metre farther along the ray.
    """
    below, rungs = room[0][0], room[1][0]
    for step in range(middles.size):
        middle = middles[step]
        x, y = way[0] + middle * way[2], way[1] + middle * way[3]
        half = _HALF * np.sqrt(x * x + y * y) * grids[levels[step], 1]
        if half > _HALF and below[step] >= _ZERO:
            place = at_one_metre[0] * middle, at_one_metre[1] * middle
            light[step] = _on_the_way(layout, grids, levels[step], rungs[step], below[step], place, (x, y))


@compiled
def _on_the_way(
    layout: F32,
    grids: F32,
    level: int,
    rung: int,
    below: np.float32,
    place: tuple[np.float32, np.float32],
    way: tuple[np.float32, np.float32],
) -> np.float32:
    """Return the mean of the laid-out light along a way that a place is the middle of.

    Places at its ends count by the share of the way that is theirs, so that nothing jumps as it grows.
    """
    half = _HALF * np.sqrt(way[0] * way[0] + way[1] * way[1]) * grids[level, 1]
    while half > np.float32(_ASIDE) and level < grids.shape[0] - 1:
        level += 1
        half *= _HALF
    apart = max(_ONE, half / np.float32(_ASIDE))
    half /= apart
    aside = int(half + _HALF)
    total = weights = _ZERO
    for number in range(-aside, aside + 1):
        weight = min(_ONE, half - np.float32(abs(number)) + _HALF)
        share = np.float32(number) / (half + half)
        x, y = place[0] + share * way[0], place[1] + share * way[1]
        total += weight * _laid_out(layout, grids, level, rung, below, x, y)
        weights += weight
    return total / weights


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
    upper, depth = np.uint64(first + j * points + i), np.uint64(rung)
    lowest = upper + np.uint64(points)
    light = (_ONE - below) * _between_four(layout, depth, upper, lowest, right, lower)
    light += below * _between_four(layout, depth + np.uint64(1), upper, lowest, right, lower)
    return light


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
    """

    field: CausticField
    centre: tuple[float, float]
    step_m: float
    depths_m: F32
    levels: NDArray[np.int32]
    grids: F32

    @classmethod
    def of(cls, field: CausticField, rays: ShaftRays, steps: ShaftSteps) -> _LayoutPlan:
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
        return cls(field, (x, y), step_m, depths, levels, _grids((x, y), step_m))

    @property
    def key(self) -> str:
        """All that what is laid out depends on."""
        return f"laid out {self.field.key} {self.centre!r} {self.step_m!r} {self.depths_m.tobytes().hex()}"

    def window(self, number: int) -> F32:
        """Return the field at one depth, and again and again halved, one after the other, ``(points,)``.

        It is made even towards the window's edge.
        """
        depth_m = float(self.depths_m[number])
        light = self.field.window(depth_m, self.centre, self.step_m, _WINDOW)
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
