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
from collections.abc import Iterator
from dataclasses import dataclass
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.physics.caustics import (
    LEAST_BLUR_CELLS,
    CausticOptics,
    PatchOptics,
    PatchRays,
    bilinear,
    channels_of,
    interleaved,
    wrapped,
)
from halocline.physics.made_once import MadeOnce
from halocline.physics.random import stream_key
from halocline.physics.surface import SunBeam
from halocline.physics.waves import SeaState, WavePatch, make_patch, unresolved_slopes, wavenumber

# Above the first slice light departs from even in proportion to depth, as it does well above any focus.
_FIRST_DEPTH_M = 0.5
_LADDER_RATIO = 1.25
_LAST_RUNG = 25  # 132 m; deeper points take the last slice
_NO_WATER = -2
# How the sea is shared between the two patches.
_SHORTEST_CELLS = 6.0  # the shortest wave traced spans so many cells; shorter ones act as blur
_FINE_SHARE = 0.4  # the longest wave of the fine patch, as a share of its side
_LONG_TO_FINE = 6.18  # least ratio of the patches' sides
_WAVES_ACROSS = 4.0  # waves of the peak across the patch of long waves, at least
_FINE_ANGLE_RAD = 0.37
_LONG_ANGLE_RAD = 0.93
# The squares in which the fine pattern is laid out, as a share of the patch's side, and their borders as a
# share of a square. The table of random parts repeats after so many squares: kilometres.
_SQUARE_SHARE = 0.618
_BORDER_SHARE = 0.12
_SQUARES = 256
# The rays of the fine patch are halved, along each side, down to no fewer than this. What is left of its
# waves spans at least so many cells.
_SMALLEST_LEVEL = 16
_SHORTEST_HALVED_CELLS = 3.0
_MOST_LEVELS = 8  # of 2048 rays
# Places looked up at once: their planes fit a processor's second-level cache, and a row of OpenCV's pictures,
# which are addressed with 16 bits.
_AT_ONCE = 1 << 14
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
        split = patch_m * _FINE_SHARE
        shortest = _SHORTEST_CELLS * patch_m / grid
        fine = make_patch(
            sea,
            size_m=patch_m,
            grid=grid,
            wavelengths_m=(shortest, split),
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
        unresolved = unresolved_slopes(sea, (fine, long), shorter_than_m=shortest)
        self.fine = PatchOptics(fine, optics, optics.beams, unresolved, optics.contrast)
        # Fine detail is softened once, in the fine patch.
        self.long = PatchOptics(long, optics, (optics.beam,), np.zeros((2, 2)), optics.contrast)
        self.fine_axes, self.long_axes = (_axes(patch, optics.scale) for patch in (fine, long))
        self.parts = _random_parts(seed)
        self._unresolved, self._shortest = unresolved, shortest
        self.coarsest_level = max(0, int(math.log2(grid / _SMALLEST_LEVEL)))
        self._halved = MadeOnce(self._make_halved)
        # Shafts are seen through metres of water: they make do with fewer rays, without the finest waves.
        self.coarse = self._with_fewer(max(64, grid // _COARSER), _SHORTEST_CELLS, (optics.beam,))
        self.finest_levels = self._finest_levels()
        self._transfers: dict[tuple[int, float], F32] = {}
        self._lock = Lock()

    def halved(self, level: int) -> PatchOptics:
        """Return the fine waves as they are traced on a grid halved so many times."""
        return self.fine if level == 0 else self._halved.get(level)

    def _make_halved(self, level: int) -> PatchOptics:
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

    def at(self, time_s: float) -> CausticField:
        """Return the light field at a time in seconds."""
        return CausticField(self, time_s)


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
    return random.uniform(0.0, 1.0, (2, _SQUARES, _SQUARES)).astype(np.float32)


class CausticField:
    """The sun's light under the surface at one time, relative to its mean.

    Slices are made when first asked for and kept; what they hold does not depend on who asks, or when.
    """

    def __init__(self, setup: CausticSetup, time_s: float) -> None:
        self.setup = setup
        self.time_s = time_s
        self._rays = MadeOnce(self._make_rays)
        self._fine = MadeOnce(self._make_fine)
        self._traced = MadeOnce(self._make_traced)
        self._long = MadeOnce(self._make_long)
        self._slopes = MadeOnce(self._make_slopes)

    def _make_rays(self, level: int) -> PatchRays:
        return self._waves(level).rays(self.time_s)

    def _waves(self, level: int) -> PatchOptics:
        if level == _LONG:
            return self.setup.long
        return self.setup.coarse if level == _COARSE else self.setup.halved(level)

    def fine(self, rung: int, level: int) -> F32:
        """Return the light of the fine waves at a rung of the ladder of depths.

        ``(cells + 1, cells + 1, 3)``, on a grid halved ``level`` times and wrapped (see
        `halocline.physics.caustics.wrapped`).
        """
        return self._fine.get(rung * _MOST_LEVELS + level)

    def _make_fine(self, key: int) -> F32:
        rung, level = divmod(key, _MOST_LEVELS)
        if level <= self.setup.finest_levels[rung]:
            return self._light(level, ladder_depth(rung))
        # Traced on twice as fine a grid, so that what hides the grid of the rays takes no detail.
        image = self._traced.get(key - 1)[:-1, :-1]
        rows = image[0::2] + image[1::2]
        return wrapped((rows[:, 0::2] + rows[:, 1::2]) * np.float32(0.25))

    def _make_traced(self, key: int) -> F32:
        rung, level = divmod(key, _MOST_LEVELS)
        if level == self.setup.finest_levels[rung]:
            return self._fine.get(key)
        return self._light(level, ladder_depth(rung))

    def _light(self, level: int, depth_m: float) -> F32:
        rays = self._rays.get(level)
        return wrapped(interleaved(rays.slices(depth_m, self.setup.transfer(rays.source, depth_m))))

    def long(self, rung: int) -> F32:
        """Return what the long waves do at a rung.

        ``(cells + 1, cells + 1, 3)``, wrapped: their light, and how far they lead a ray aside, metres along
        the fine patch's axes.
        """
        return self._long.get(rung)

    def _make_long(self, rung: int) -> F32:
        return self._leading(ladder_depth(rung))

    def _leading(self, depth_m: float) -> F32:
        rays = self._rays.get(_LONG)
        led = rays.led_aside(depth_m)
        turn = rays.source.patch.angle_rad - self.setup.fine.patch.angle_rad
        cos, sin = np.float32(math.cos(turn)), np.float32(math.sin(turn))
        aside = [cos * led[0] - sin * led[1], sin * led[0] + cos * led[1]]
        (swell,) = rays.slices(depth_m, self.setup.transfer(rays.source, depth_m))
        return wrapped(interleaved([swell, *aside]))

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
        rung, level = self._rungs(places[2]), None
        detail = self.setup.finest_levels[np.maximum(rung, 0)]
        if footprint_m is not None:
            level = np.maximum(self._levels(footprint_m.ravel()), detail)
            detail = level.astype(np.int16)
            level -= detail
        groups = []
        for where in _alike(rung * np.int16(_MOST_LEVELS) + detail):
            first = where.start if isinstance(where, slice) else where[0]
            part = None if level is None else level[where]
            if part is not None and not part.any():
                part = None
            groups.append((where, _Between(int(rung[first]), int(detail[first]), part)))
        self._make_ready([between for _, between in groups])
        out = np.empty((3, x.size), np.float32)
        for where, between in groups:
            if between.rung == _NO_WATER:
                out[:, where] = 1.0
                continue
            out[:, where] = self._at(tuple(place[where] for place in places), origin, between)
        return out.reshape(3, *x.shape)

    def _make_ready(self, groups: list[_Between]) -> None:
        """Make the slices that places need; threads that come here together share the work."""
        needed = dict.fromkeys(
            rung * _MOST_LEVELS + self._level(rung, between.level + further)
            for between in groups
            for rung in between.rungs
            for further in ((0,) if between.part is None else (0, 1))
        )
        for key in needed:
            self._fine.get(key, ahead=needed)

    def _level(self, rung: int, level: int) -> int:
        """Return the level that serves for one at a rung: where the light is soft, a coarser one does."""
        return min(max(level, int(self.setup.finest_levels[rung])), self.setup.coarsest_level)

    def _rungs(self, depth_m: F32) -> NDArray[np.int16]:
        """Return the last rung that is not below each depth, -1 over the first, `_NO_WATER` at 0."""
        rung = np.maximum(depth_m, np.float32(0.5 * _FIRST_DEPTH_M))
        rung *= np.float32(1.0 / _FIRST_DEPTH_M)
        np.log(rung, out=rung)
        rung *= np.float32(1.0 / math.log(_LADDER_RATIO))
        np.floor(rung, out=rung)
        found = np.clip(rung, np.float32(-1.0), np.float32(_LAST_RUNG)).astype(np.int16)
        found[depth_m <= 0.0] = _NO_WATER
        return found

    def _levels(self, footprint_m: F32) -> F32:
        """Return how often the grid may be halved for footprints, with fractions."""
        cell = self.setup.fine.patch.cell_m * self.setup.optics.scale
        # Between cells of half the footprint, linear interpolation spreads over just one footprint.
        level: F32 = np.maximum(footprint_m * np.float32(0.5 / cell), np.float32(1.0))
        np.log2(level, out=level)
        return np.minimum(level, np.float32(self.setup.coarsest_level), out=level)

    def _at(self, places: tuple[F32, ...], origin: tuple[float, float], between: _Between) -> F32:
        """Return the light at places ``(n,)`` that lie between the same rungs and levels, ``(3, n)``."""
        light = self._at_level(places, origin, between, 0)
        if between.part is not None:
            coarser = self._at_level(places, origin, between, 1)
            coarser -= light
            coarser *= between.part
            light += coarser
        return light

    def _at_level(
        self, places: tuple[F32, ...], origin: tuple[float, float], between: _Between, further: int
    ) -> F32:
        x, y, depth = places
        drift_x, drift_y = (np.float32(value) for value in self.setup.optics.beam.drift)
        # Back along the beam to where it would have met a flat surface.
        surface = (x - depth * drift_x, y - depth * drift_y)
        looked_at: dict[int, _Places] = {}
        lights = []
        for rung in between.rungs:
            level = self._level(rung, between.level + further)
            if level not in looked_at:
                grid = self.setup.fine.patch.grid >> level
                looked_at[level] = _Places.of(self.setup, *surface, origin, grid)
            # The middle of a halved cell lies between the cells it is made of.
            shift = 0.25 if level > self.setup.finest_levels[rung] else 0.0
            lights.append(looked_at[level].light(self.fine(rung, level), self.long(rung), shift=shift))
        if between.rung == _LAST_RUNG:
            return lights[0]
        # Above the first rung the pattern fades to even light.
        first: F32 | np.float32 = lights[0] if len(lights) == 2 else np.float32(1.0)
        light: F32 = lights[-1]
        light -= first
        light *= _part_below(depth, between.rung)
        light += first
        return light

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
        x0, y0 = window_start(centre, step_m, count)
        at = np.arange(count, dtype=np.float32) * np.float32(step_m)
        x, y = np.meshgrid(at, at)
        grid = self.setup.coarse.patch.grid
        fine, long = self._light(_COARSE, depth_m), self._leading(depth_m)
        light = np.empty((count, count), np.float32)
        rows = max(1, _AT_ONCE // count)
        for start in range(0, count, rows):
            part = slice(start, start + rows)
            places = _Places.of(self.setup, x[part].ravel(), y[part].ravel(), (x0, y0), grid)
            light[part] = places.light(fine, long)[0].reshape(-1, count)
        return light

    def slopes(self, x: F32, y: F32, *, origin: tuple[float, float] = (0.0, 0.0)) -> F32:
        """Return the surface's slopes along x and y, ``(2, rows, columns)``, at places from ``origin``."""
        fine, long = self._slopes.get(0), self._slopes.get(1)
        flat_x, flat_y = x.ravel(), y.ravel()
        out = np.empty((2, x.size), np.float32)
        for start in range(0, x.size, _AT_ONCE):
            part = slice(start, start + _AT_ONCE)
            places = _Places.of(self.setup, flat_x[part], flat_y[part], origin, self.setup.fine.patch.grid)
            out[:, part] = places.mixed(fine, None, mean=0.0)
            for plane, found in zip(out, _look_up(long, places.long_column, places.long_row), strict=True):
                plane[part] += found
        return out.reshape(2, *x.shape)

    def _make_slopes(self, which: int) -> F32:
        patch = (self.setup.fine.patch, self.setup.long.patch)[which]
        return _slope_image(patch, self.time_s)


def window_start(centre: tuple[float, float], step_m: float, count: int) -> tuple[float, float]:
    """Return the world place of a window's first point: its middle lies within one step of ``centre``."""
    x, y = (math.floor(value / step_m - 0.5 * count) * step_m for value in centre)
    return x, y


@dataclass(frozen=True)
class _Between:
    """Where places lie on the ladders of depth and of detail.

    ``rung`` is the last above them, ``level`` the finer of two, ``part`` how far each is on its way to the
    coarser, ``(n,)``; `None` for not at all.
    """

    rung: int
    level: int
    part: F32 | None

    @property
    def rungs(self) -> list[int]:
        """The rungs above and below, as far as there are."""
        if self.rung == _NO_WATER:
            return []
        return [rung for rung in (self.rung, self.rung + 1) if 0 <= rung <= _LAST_RUNG]


@dataclass(frozen=True)
class _Tap:
    """Places of the fine patch to be looked up, in cells, with their weights: ``(n,)`` each.

    ``where`` picks the pixels, `None` for all.
    """

    column: F32
    row: F32
    where: NDArray[np.intp] | None
    weight: F32


@dataclass(frozen=True)
class _Led:
    """How far the long waves lead each place aside, in cells of the fine patch, ``(n,)``."""

    column: F32
    row: F32


@dataclass(frozen=True)
class _Places:
    """Places ``(n,)`` traced back to the surface: where they lie in both patches."""

    grid: int
    per_metre: float
    taps: list[_Tap]
    long_column: F32
    long_row: F32

    @classmethod
    def of(cls, setup: CausticSetup, x: F32, y: F32, origin: tuple[float, float], grid: int) -> _Places:
        """Find places of the surface, metres from ``origin``, in a fine patch of ``grid`` cells."""
        cells = setup.long.patch.grid
        column, row = _in_cells(setup.long_axes, x, y, origin, cells)
        axes = setup.fine_axes * (grid / setup.fine.patch.grid)
        taps = _fine_places(setup, axes, grid, (x, y), origin)
        per_metre = grid / setup.fine.patch.size_m
        return cls(grid, per_metre, taps, _cyclic(column, cells), _cyclic(row, cells))

    def light(self, fine: F32, long: F32, *, shift: float = 0.0) -> F32:
        """Look up a slice: light of its fine and its long waves, ``(channels, n)``, 0 or more.

        The first point of ``fine`` lies ``shift`` cells into its patch along both axes.
        """
        swell, *aside = _look_up(long, self.long_column, self.long_row)
        led_column, led_row = (led * np.float32(self.per_metre) + np.float32(shift) for led in aside)
        light = self.mixed(fine, _Led(led_column, led_row), mean=1.0)
        # Where patterns mix, what is added to the mean may dip below darkness.
        np.maximum(light, np.float32(0.0), out=light)
        light *= swell
        return light

    def mixed(self, image: F32, led: _Led | None, *, mean: float) -> F32:
        """Look up an image of the fine patch, square by square; mixtures keep its ``mean``."""
        channels = 1 if image.ndim == 2 else image.shape[2]
        first, *others = self.taps
        out = np.empty((channels, first.column.size), np.float32)
        self._mix(out, image, first, led, mean)
        for tap in others:
            found = np.empty((channels, tap.column.size), np.float32)
            self._mix(found, image, tap, led, mean)
            for plane, part in zip(out, found, strict=True):
                plane[tap.where] += part
        out += np.float32(mean)
        return out

    def _mix(self, out: F32, image: F32, tap: _Tap, led: _Led | None, mean: float) -> None:
        """Give an image's departure from its mean, weighted, at a tap's places less what they are led."""
        column, row = tap.column, tap.row
        if led is not None:
            where = slice(None) if tap.where is None else tap.where
            column, row = column - led.column[where], row - led.row[where]
        found = _look_up(image, _cyclic(column, self.grid), _cyclic(row, self.grid))
        for plane, target in zip(found, out, strict=True):
            np.subtract(plane, np.float32(mean), out=target)
        out *= tap.weight


def _fine_places(
    setup: CausticSetup, axes: F64, grid: int, at: tuple[F32, F32], origin: tuple[float, float]
) -> list[_Tap]:
    """Return where in the fine patch each place lies, by the square it is in, and near borders by both."""
    side = _SQUARE_SHARE * grid
    parts = setup.parts * np.float32(grid)
    column, row = (place.ravel() for place in _in_cells(axes, *at, origin, side * _SQUARES))
    squares, into = [], []
    for place in (column, row):
        turns = place * np.float32(1.0 / side)
        whole = np.floor(turns)
        turns -= whole
        squares.append(whole.astype(np.int32))
        # 0 in the middle of a square, rising to 1 over its far border.
        turns -= np.float32(1.0 - _BORDER_SHARE)
        turns *= np.float32(1.0 / _BORDER_SHARE)
        np.maximum(turns, np.float32(0.0), out=turns)
        into.append(turns * turns * (np.float32(3.0) - np.float32(2.0) * turns))
    border = np.flatnonzero((into[0] > 0.0) | (into[1] > 0.0))
    far_x, far_y = into[0][border], into[1][border]
    near_x, near_y = np.float32(1.0) - far_x, np.float32(1.0) - far_y
    # The patterns of two squares have nothing in common, so a mixture has less contrast. Dividing by the root
    # of the sum of squares would restore it, and the dark between filaments would turn negative: go half way.
    scale = np.sqrt(np.sqrt((far_x * far_x + near_x * near_x) * (far_y * far_y + near_y * near_y)))
    weight = np.ones(column.size, np.float32)
    weight[border] = near_x * near_y / scale
    taps = [_tap(parts, column, row, squares, (0, 0), None, weight)]
    if border.size:
        column, row = column[border], row[border]
        squares = [square[border] for square in squares]
        for step, share in (((1, 0), far_x * near_y), ((0, 1), near_x * far_y), ((1, 1), far_x * far_y)):
            taps.append(_tap(parts, column, row, squares, step, border, share / scale))
    return taps


def _tap(
    parts: F32,
    column: F32,
    row: F32,
    squares: list[NDArray[np.int32]],
    step: tuple[int, int],
    where: NDArray[np.intp] | None,
    weight: F32,
) -> _Tap:
    across, down = ((square + move) & (_SQUARES - 1) for square, move in zip(squares, step, strict=True))
    at = down * _SQUARES + across
    across_by, down_by = parts.reshape(2, -1)
    return _Tap(column + across_by[at], row + down_by[at], where, weight)


def _look_up(image: F32, column: F32, row: F32) -> list[F32]:
    """Look up places ``(n,)`` of a wrapped image, `_AT_ONCE` at most: its channels, ``(n,)`` each."""
    found = bilinear(image, column[np.newaxis], row[np.newaxis])
    return [plane[0] for plane in channels_of(found)]


def _in_cells(axes: F64, x: F32, y: F32, origin: tuple[float, float], period: float) -> list[F32]:
    """Return places in metres as cells of a patch along its two axes, the origin's modulo a period."""
    start = axes @ np.array(origin) % period
    return [
        x * np.float32(axes[axis, 0]) + y * np.float32(axes[axis, 1]) + np.float32(start[axis])
        for axis in (0, 1)
    ]


def _cyclic(place: F32, grid: int) -> F32:
    """Return places brought into 0 to ``grid``."""
    turns = place * np.float32(1.0 / grid)
    np.floor(turns, out=turns)
    turns *= np.float32(-grid)
    turns += place
    return turns


def _axes(patch: WavePatch, scale: float) -> F64:
    """Return the matrix from world metres to cells of a patch, ``(2, 2)``."""
    cos, sin = math.cos(patch.angle_rad), math.sin(patch.angle_rad)
    return np.array([[cos, sin], [-sin, cos]]) / (patch.cell_m * scale)


def _slope_image(patch: WavePatch, time_s: float) -> F32:
    """Return a patch's slopes along the world's axes as a wrapped image of two channels."""
    _, along, across = patch.surface(time_s)
    cos, sin = np.float32(math.cos(patch.angle_rad)), np.float32(math.sin(patch.angle_rad))
    return wrapped(interleaved([cos * along - sin * across, sin * along + cos * across]))


def _alike(key: NDArray[np.int16]) -> Iterator[slice | NDArray[np.intp]]:
    """Yield where a key has one value, in pieces of `_AT_ONCE` at most."""
    if key.size and (key == key[0]).all():
        for start in range(0, key.size, _AT_ONCE):
            yield slice(start, min(start + _AT_ONCE, key.size))
        return
    order = np.argsort(key, kind="stable")
    ends = np.flatnonzero(np.diff(key[order])) + 1
    for group in np.split(order, ends):
        for start in range(0, group.size, _AT_ONCE):
            yield group[start : start + _AT_ONCE]


def _part_below(depth_m: F32, rung: int) -> F32:
    """Return how far depths are on their way from a rung to the next, 0 to 1; from the surface for -1."""
    here, below = (ladder_depth(rung) if rung >= 0 else 0.0), ladder_depth(rung + 1)
    part = (depth_m - np.float32(here)) * np.float32(1.0 / (below - here))
    return np.clip(part, np.float32(0.0), np.float32(1.0), out=part)
