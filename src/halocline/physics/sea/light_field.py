"""The field of caustic light under water: looked up at any place, depth and time.

The sea is held in two patches. *Fine* waves focus. *Long* waves lead the fine pattern about and brighten and
dim it as a whole; their effect on the height of the surface over a place is left out. The patches' sizes are
incommensurate and their axes turned. The fine pattern is not simply repeated: it is laid out in squares that
each show another part of it, chosen at random, and cross-fade over a narrow border, so that no repetition can
be seen however far the view reaches. Cross-fading keeps the mean.

Slices lie at depths of a fixed ladder, and are traced anew on grids of halving detail: places that are seen
from afar, or lie so deep that the light is soft, take fewer rays. No slice depends on what a frame happens to
show; only those that it asks for are made.
"""

from __future__ import annotations

import math
from functools import lru_cache
from threading import Lock

import cv2
import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.disk_cache import package_mark
from halocline.compute.kept_fields import kept_field
from halocline.compute.made_once import MadeOnce
from halocline.compute.random import stream_key
from halocline.compute.sources import source_digest
from halocline.physics.sea.caustics import LEAST_BLUR_CELLS, CausticOptics, PatchOptics, PatchRays, TracedRays
from halocline.physics.sea.light_lookup import (
    SQUARE_SHARE,
    SQUARES,
    Between,
    Layout,
    Slice,
    list_places,
    look_up,
    middle_over,
    sort_places,
)
from halocline.physics.sea.slope_lookup import Footprint, look_up_slopes, slope_levels
from halocline.physics.sea.surface import SunBeam
from halocline.physics.sea.waves import SeaState, WavePatch, make_patch, unresolved_slopes, wavenumber

# Above the first slice light departs from even in proportion to depth, as it does well above any focus.
_FIRST_DEPTH_M = 0.5
_LADDER_RATIO = 1.25
_LAST_RUNG = 25  # 132 m; deeper points take the last slice
# How the sea is shared between the two patches.
_SHORTEST_CELLS = 6.0  # the shortest wave traced spans so many cells; shorter ones act as blur
_FINE_SHARE = 0.4  # the longest wave of the fine patch, as a share of its side
_LONG_TO_FINE = 6.18  # least ratio of the patches' sides
_WAVES_ACROSS = 4.0  # waves of the peak across the patch of long waves, at least
_FINE_ANGLE_RAD = 0.37
_LONG_ANGLE_RAD = 0.93
# The rays of the fine patch are halved, along each side, down to no fewer than this. What is left of its
# waves spans at least so many cells.
_SMALLEST_LEVEL = 16
_SHORTEST_HALVED_CELLS = 3.0
_MOST_LEVELS = 8  # of 2048 rays
# An exposure as long as this is one moment: its pattern is 2 to 3.5 % of the variation from the mean over it
# (measured: winds of 3 to 5 m/s, 1.5 to 8 m deep). The error grows with the square of the exposure.
_LONGEST_MOMENT_S = 1.0 / 40.0
# How many times fewer rays, along each side, serve for shafts.
_COARSER = 4
# Which rays, beside those of the fine waves by level.
_LONG = -1
_COARSE = -2


def ladder_depth(rung: int) -> float:
    """Return the depth (m) of a slice: 0.5 m times 1.25 to the power of the rung."""
    return _FIRST_DEPTH_M * _LADDER_RATIO**rung


class CausticSetup:
    """A sea, a sun and their optics: makes the light field of any frame. Shared by all frames of a shot.

    Parameters
    ----------
    sea
        Waves.
    optics
        Sun, water, art controls.
    seed
        Fixes the waves' phases.
    patch_m
        Side of the patch of fine waves, metres.
    grid
        Rays along its side, a power of two.
    loop_s
        Time after which the surface repeats exactly, or `None`.
    """

    def __init__(
        self,
        sea: SeaState,
        optics: CausticOptics,
        *,
        seed: int,
        patch_m: float = 12.0,
        grid: int = 1024,
        loop_s: float | None = None,
    ) -> None:
        self.sea = sea
        self.optics = optics
        # All that tells it from others, and from those that another version made.
        made_by = source_digest(__name__) or package_mark()
        self.key = f"{made_by} {sea!r} {optics!r} {seed} {patch_m!r} {grid} {loop_s!r}"
        shortest = _SHORTEST_CELLS * patch_m / grid
        fine, long = _patches(sea, seed, patch_m, grid, loop_s)
        unresolved = unresolved_slopes(sea, (fine, long), shorter_than_m=shortest)
        self.fine = PatchOptics(fine, optics, optics.beams, unresolved, optics.contrast)
        # Fine detail is softened once, in the fine patch.
        self.long = PatchOptics(long, optics, (optics.beam,), np.zeros((2, 2)), optics.contrast)
        self._parts = _random_parts(seed)
        self._unresolved, self._shortest = unresolved, shortest
        self.coarsest_level = max(0, int(math.log2(grid / _SMALLEST_LEVEL)))
        self._halved = MadeOnce(self._make_halved)
        self.finest_levels = self._finest_levels()
        self.ladder_m = np.array([ladder_depth(rung) for rung in range(_LAST_RUNG + 1)], np.float32)
        self._transfers: dict[tuple[int, float], F32] = {}
        self._lock = Lock()

    def halved(self, level: int) -> PatchOptics:
        """Return the fine waves as they are traced on a grid halved so many times."""
        return self.fine if level == 0 else self._halved.get(level)

    @property
    def coarse(self) -> PatchOptics:
        """The fine waves as shafts have them, without the finest: they are seen through metres of water."""
        return self._halved.get(_COARSE)

    def _make_halved(self, level: int) -> PatchOptics:
        if level == _COARSE:
            grid = max(64, self.fine.patch.grid // _COARSER)
            return self._with_fewer(grid, _SHORTEST_CELLS, (self.optics.beam,))
        least = LEAST_BLUR_CELLS * self.fine.patch.cell_m
        grid = self.fine.patch.grid >> level
        return self._with_fewer(grid, _SHORTEST_HALVED_CELLS, self.optics.beams, least)

    def _with_fewer(
        self, grid: int, cells: float, beams: tuple[SunBeam, ...], least_blur_m: float | None = None
    ) -> PatchOptics:
        """Return the fine waves on fewer points; those that span fewer ``cells`` of them become blur."""
        fine = self.fine.patch
        shortest = max(self._shortest, cells * fine.size_m / grid)
        patch = fine.coarsened(grid, shortest_m=shortest)
        left_out = self._unresolved + fine.slope_variance - patch.slope_variance
        return PatchOptics(patch, self.optics, beams, left_out, self.optics.contrast, least_blur_m)

    def _finest_levels(self) -> NDArray[np.int16]:
        """Return how often the grid may be halved at each rung of the ladder before anything is lost."""
        cell = self.fine.patch.cell_m
        found = []
        for rung in range(_LAST_RUNG + 1):
            level = 0
            while level < self.coarsest_level and not self.fine.shows_at(
                ladder_depth(rung), cell * 2 ** (level + 1)
            ):
                level += 1
            found.append(level)
        return np.array(found, np.int16)

    def transfer(self, waves: PatchOptics, depth_m: float) -> F32:
        """Return the softening of some of the waves at a depth, made once."""
        key = (id(waves), depth_m)
        with self._lock:
            found = self._transfers.get(key)
        if found is None:
            # Two threads may both make it: the same to the bit.
            found = waves.transfer(depth_m)
            with self._lock:
                self._transfers[key] = found
        return found

    def layout(self, origin: tuple[float, float]) -> Layout:
        """Return where places lie on the patches, in metres from an origin."""
        fine = _in_sides(self.fine.patch, self.optics.scale, origin, SQUARES * SQUARE_SHARE)
        long = _in_sides(self.long.patch, self.optics.scale, origin, 1.0)
        return Layout(fine, long, self._parts)

    def at(self, time_s: float, exposure_s: float = 0.0) -> CausticField:
        """Return the light field at a time in seconds, averaged over an exposure around it."""
        return CausticField(self, time_s, exposure_s)


@lru_cache(maxsize=2)
def _patches(
    sea: SeaState, seed: int, patch_m: float, grid: int, loop_s: float | None
) -> tuple[WavePatch, WavePatch]:
    """Return the patches of fine and long waves, which steps with optics of their own share."""
    split = patch_m * _FINE_SHARE
    fine = make_patch(
        sea,
        size_m=patch_m,
        grid=grid,
        wavelengths_m=(_SHORTEST_CELLS * patch_m / grid, split),
        name="fine waves",
        angle_rad=_FINE_ANGLE_RAD,
        seed=seed,
        loop_s=loop_s,
    )
    size, cells = _long_patch(sea, patch_m, split)
    long = make_patch(
        sea,
        size_m=size,
        grid=cells,
        wavelengths_m=(split, math.inf),
        name="long waves",
        angle_rad=_LONG_ANGLE_RAD,
        seed=seed,
        loop_s=loop_s,
    )
    return fine, long


def _long_patch(sea: SeaState, patch_m: float, split: float) -> tuple[float, int]:
    """Return side and grid of the patch of long waves: several waves across, six points a wave."""
    longest = [2.0 * math.pi / float(wavenumber(w, water_depth_m=sea.water_depth_m)) for w in _peaks(sea)]
    size = max([_LONG_TO_FINE * patch_m, *(_WAVES_ACROSS * length for length in longest)])
    cells = 2 ** math.ceil(math.log2(6.0 * size / split))
    return size, min(max(cells, 64), 1024)


def _peaks(sea: SeaState) -> list[float]:
    swells = [2.0 * math.pi / swell.period_s for swell in sea.swells if swell.height_m > 0.0]
    return swells if math.isinf(sea.peak) else [sea.peak, *swells]


def _random_parts(seed: int) -> F32:
    """Return which part of the fine patch each square shows, ``(2, squares, squares)`` shares of its side."""
    random = np.random.Generator(np.random.Philox(key=stream_key(seed, "caustics", "squares")))
    return random.uniform(0.0, 1.0, (2, SQUARES, SQUARES)).astype(np.float32)


class CausticField:
    """The sun's light under the surface at one time, relative to its mean, or its mean over an exposure.

    The mean is that of a few moments. How the fine pattern is led about by the long waves is that of the
    middle: these turn their slopes too slowly to lead the light a cell farther in an exposure.
    Slices are made when first asked for and kept; what they hold does not depend on who asks, or when.
    """

    def __init__(self, setup: CausticSetup, time_s: float, exposure_s: float = 0.0) -> None:
        self.setup = setup
        self.time_s = time_s
        self.exposure_s = exposure_s
        self.moments_s = _moments(time_s, exposure_s)
        self._traced = MadeOnce(self._make_traced)
        self._fine = MadeOnce(self._make_fine)
        self._whole = MadeOnce(self._make_whole)
        self._long = MadeOnce(self._make_long)
        self._slopes = MadeOnce(self._make_slopes)

    @property
    def key(self) -> str:
        """All that tells it from other fields, also those of other versions."""
        return f"{self.setup.key} {self.time_s!r} {self.exposure_s!r}"

    @property
    def finest_m(self) -> float:
        """Size of the finest detail, metres: two cells of the finest grid, as its light is softened."""
        return 2.0 * self.setup.fine.patch.cell_m

    def _make_traced(self, key: int) -> TracedRays:
        level, rest = divmod(key, 2 * len(self.moments_s))
        number, moment = divmod(rest, len(self.moments_s))
        at = self.time_s if level == _LONG else self.moments_s[moment]
        return self._waves(level).traced(at, number)

    def _rays(self, level: int) -> PatchRays:
        """Return some of the waves' rays; threads that come here together share the work."""
        waves, count = self._waves(level), len(self.moments_s)
        first = 2 * count * level
        moments = range(1 if level == _LONG else count)
        keys = [[first + count * number + at for at in moments] for number in range(waves.traced_count)]
        every = [key for channel in keys for key in channel]
        return PatchRays(
            waves, tuple(tuple(self._traced.get(key, ahead=every) for key in channel) for channel in keys)
        )

    def _waves(self, level: int) -> PatchOptics:
        if level == _LONG:
            return self.setup.long
        return self.setup.coarse if level == _COARSE else self.setup.halved(level)

    def fine(self, rung: int, level: int) -> F32:
        """Return the light of the fine waves at a rung of the ladder of depths.

        ``(cells, cells, 3)``, on a grid halved ``level`` times.
        """
        return self._fine.get(rung * _MOST_LEVELS + level)

    def _make_fine(self, key: int) -> F32:
        rung, level = divmod(key, _MOST_LEVELS)
        cells = self.setup.fine.patch.grid >> level
        made = self._whole.get if level <= self.setup.finest_levels[rung] else self._make_halved
        return kept_field(f"{self.key} fine {rung} {level}", (cells, cells, 3), lambda: made(key))

    def _make_halved(self, key: int) -> F32:
        # Traced on twice as fine a grid, so that what hides the grid of the rays takes no detail.
        image = self._whole.get(key - 1)
        rows = image[0::2] + image[1::2]
        halved: F32 = (rows[:, 0::2] + rows[:, 1::2]) * np.float32(0.25)
        return halved

    def _make_whole(self, key: int) -> F32:
        rung, level = divmod(key, _MOST_LEVELS)
        return self._light(level, ladder_depth(rung))

    def _light(self, level: int, depth_m: float) -> F32:
        rays = self._rays(level)
        lights = rays.slices(depth_m, self.setup.transfer(rays.source, depth_m))
        # A single channel serves for all.
        return _interleaved(lights * (3 // len(lights)))

    def long(self, rung: int) -> F32:
        """Return what the long waves do at a rung.

        ``(cells, cells, 3)``: their light, and how far they lead a ray aside, in sides of the fine patch
        along its axes.
        """
        return self._long.get(rung)

    def _make_long(self, rung: int) -> F32:
        return self._leading(ladder_depth(rung))

    def _leading(self, depth_m: float) -> F32:
        rays = self._rays(_LONG)
        led = rays.led_aside(depth_m)
        turn = rays.source.patch.angle_rad - self.setup.fine.patch.angle_rad
        per_m = 1.0 / self.setup.fine.patch.size_m
        cos, sin = np.float32(math.cos(turn) * per_m), np.float32(math.sin(turn) * per_m)
        aside = [cos * led[0] - sin * led[1], sin * led[0] + cos * led[1]]
        (swell,) = rays.slices(depth_m, self.setup.transfer(rays.source, depth_m))
        return _interleaved([swell, *aside])

    def gain(
        self,
        x: F32,
        y: F32,
        depth_m: F32,
        *,
        origin: tuple[float, float] = (0.0, 0.0),
        footprint_m: F32 | None = None,
    ) -> F32:
        """Return the light on a level surface at places under water, relative to its mean at that depth.

        Parameters
        ----------
        x, y
            Horizontal places, metres, from ``origin``, any one shape.
        depth_m
            Metres below the surface; 1 is returned at 0 and above.
        origin
            Where x and y count from, in world metres; keeps float32 exact far from the world's origin.
        footprint_m
            How wide a stretch of the surface each place stands for: the pattern is averaged over about so
            much. Points where not given.

        Returns
        -------
        ``(3, ...)`` float32, 0 or more, for the three channels; its mean over a level plane is 1.
        """
        places = (x.ravel(), y.ravel(), depth_m.ravel())
        # Between cells of half the footprint, linear interpolation spreads over just one footprint.
        per_pair = np.float32(0.5 / (self.setup.fine.patch.cell_m * self.setup.optics.scale))
        pairs = np.zeros_like(places[2]) if footprint_m is None else footprint_m.ravel() * per_pair
        keys, part = np.empty(x.size, np.int16), np.empty(x.size, np.float32)
        levels = self.setup.coarsest_level + 1
        setup = self.setup
        sort_places(places[2], pairs, setup.ladder_m, setup.finest_levels, levels, keys, part)
        counts, order = np.empty(2 * levels * (_LAST_RUNG + 2), np.int64), np.empty(x.size, np.int64)
        list_places(keys, counts, order)
        found = [int(key) for key in np.flatnonzero(counts)]
        parts = np.split(order, np.cumsum(counts[found]))
        around = [self._around(key, levels) for key in found]
        self._make_ready(around)
        out = np.ones((3, x.size), np.float32)
        layout = self.setup.layout(origin)
        for key, slices, where in zip(found, around, parts, strict=False):
            between = self._between(key // 2 // levels - 1, slices)
            look_up(where, places, part, self.setup.optics.beam.drift, layout, between, out)
        return out.reshape(3, *x.shape)

    def _around(self, key: int, levels: int) -> list[list[tuple[int, int]]]:
        """Return rung and level of the slices around places of a key, above and below where there are."""
        below, level = divmod(key // 2, levels)
        return [
            [(rung, self._level(rung, level + further)) for further in range(1 + key % 2)]
            if 0 <= rung <= _LAST_RUNG
            else []
            for rung in (below - 1, below)
        ]

    def _make_ready(self, around: list[list[list[tuple[int, int]]]]) -> None:
        """Make slices; threads that come here together share the work."""
        needed = dict.fromkeys(
            rung * _MOST_LEVELS + level for rungs in around for levels in rungs for rung, level in levels
        )
        for key in needed:
            self._fine.get(key, ahead=needed)

    def _level(self, rung: int, level: int) -> int:
        """Return the level that serves for one at a rung: where the light is soft, a coarser one does."""
        return min(max(level, int(self.setup.finest_levels[rung])), self.setup.coarsest_level)

    def _between(self, rung: int, around: list[list[tuple[int, int]]]) -> Between:
        upper, lower = (tuple(self._slice(*at) for at in levels) for levels in around)
        upper_m = ladder_depth(rung) if upper else 0.0
        return Between(upper, lower, upper_m, 1.0 / (ladder_depth(rung + 1) - upper_m) if lower else 0.0)

    def _slice(self, rung: int, level: int) -> Slice:
        # The middle of a halved cell lies between the cells it is made of.
        shift = np.float32(0.25 if level > self.setup.finest_levels[rung] else 0.0)
        return Slice(self.fine(rung, level), shift, self.long(rung))

    def window(self, depth_m: float, centre: tuple[float, float], step_m: float, count: int) -> F32:
        """Return the light at one depth over a square of the surface, softened, ``(count, count)``.

        A view of the field for shafts: the middle channel, without the finest waves. Places are *surface
        coordinates*, where the beam of a point under water would have met a flat surface. Points lie at whole
        multiples of ``step_m`` from the world's origin, so that the window can follow a camera without its
        grid crawling over the pattern.

        Parameters
        ----------
        depth_m
            Depth; above the first slice the pattern fades to even light.
        centre
            Middle of the square, world metres; see `window_start` for its first point.
        step_m, count
            Distance of points, and points along a side.
        """
        at = np.arange(count, dtype=np.float32) * np.float32(step_m)
        light = Slice(self._light(_COARSE, depth_m), np.float32(0.0), self._leading(depth_m))
        return middle_over(at, self.setup.layout(window_start(centre, step_m, count)), light)

    def slopes(
        self, x: F32, y: F32, *, origin: tuple[float, float] = (0.0, 0.0), footprint: Footprint | None = None
    ) -> F32:
        """Return the surface's slopes along x and y, and the variance that pixels hide, ``(3, ...)``.

        Parameters
        ----------
        x, y
            Places of any one shape, metres from ``origin``.
        origin
            World place.
        footprint
            What each pixel covers; a point where not given.
        """
        none = np.zeros(x.size, np.float32)
        patch = footprint or Footprint(none, none, none, none)
        found = look_up_slopes(
            x.ravel(), y.ravel(), patch, self.setup.layout(origin), self._slopes.get(0), self._slopes.get(1)
        )
        return found.reshape(3, *x.shape)

    def _make_slopes(self, which: int) -> tuple[F32, ...]:
        patch = (self.setup.fine.patch, self.setup.long.patch)[which]
        return _slope_levels(patch, self.time_s, self.exposure_s)


def window_start(centre: tuple[float, float], step_m: float, count: int) -> tuple[float, float]:
    """Return the world place of a window's first point, on a grid that does not move with the window.

    Parameters
    ----------
    centre
        Where its middle is to be, metres; it lies within one step of that.
    step_m, count
        Distance and number of points along a side.

    Returns
    -------
    tuple[float, float]
        Metres along both axes.
    """
    x, y = (math.floor(value / step_m - 0.5 * count) * step_m for value in centre)
    return x, y


def _in_sides(patch: WavePatch, scale: float, origin: tuple[float, float], period: float) -> F32:
    """Return where places lie along a patch's axes: see `Layout`; the origin's place modulo a period."""
    cos, sin = math.cos(patch.angle_rad), math.sin(patch.angle_rad)
    axes = np.array([[cos, sin], [-sin, cos]]) / (patch.size_m * scale)
    return np.column_stack([axes, axes @ np.array(origin) % period]).astype(np.float32)


def _moments(time_s: float, exposure_s: float) -> tuple[float, ...]:
    """Return as many moments of an exposure as light needs; they have its mean and variance."""
    count = max(1, math.ceil(exposure_s / _LONGEST_MOMENT_S - 1e-9))
    apart = exposure_s / math.sqrt(count * count - 1.0) if count > 1 else 0.0
    return tuple(time_s + (n - 0.5 * (count - 1)) * apart for n in range(count))


def _slope_levels(patch: WavePatch, time_s: float, exposure_s: float) -> tuple[F32, ...]:
    """Return a patch's slopes along the world's axes as images of falling detail."""
    # Two moments a share of 1/sqrt(12) from the middle give mean and variance of what changes evenly.
    apart = exposure_s / math.sqrt(12.0)
    times = (time_s - apart, time_s + apart) if apart else (time_s,)
    cos, sin = np.float32(math.cos(patch.angle_rad)), np.float32(math.sin(patch.angle_rad))
    surfaces = [patch.surface(moment)[1:] for moment in times]
    return slope_levels([(cos * x - sin * y, sin * x + cos * y) for x, y in surfaces])


def _interleaved(planes: list[F32]) -> F32:
    """Return planes as the channels of one image."""
    return np.asarray(cv2.merge(planes), np.float32)
