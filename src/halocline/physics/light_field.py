"""The field of caustic light under water: looked up at any place, depth and time.

The sea is held in two patches. *Fine* waves focus. *Long* waves lead the fine pattern about and brighten and
dim it as a whole; their effect on the height of the surface over a place is left out. The patches' sizes are
incommensurate and their axes turned. The fine pattern is not simply repeated: it is laid out in squares that
each show another part of it, chosen at random, and cross-fade over a narrow border, so that no repetition can
be seen however far the view reaches. Cross-fading keeps the mean.

Slices lie at depths of a fixed ladder, so that no slice depends on what a frame happens to show.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.physics.caustics import (
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
from halocline.physics.waves import SeaState, WavePatch, make_patch, unresolved_slopes, wavenumber

_FIRST_DEPTH_M = 0.25
_LADDER_RATIO = 1.25
_LAST_RUNG = 28  # 129 m; deeper points take the last slice
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
# Softened look-ups halve the pattern down to no fewer cells than this.
_SMALLEST_LEVEL = 16
# How many times fewer rays, along each side, serve for shafts.
_COARSER = 4
# OpenCV addresses pictures with 16 bits; lists of places are folded into rows of this length.
_FOLD = 4096

# Softening of the fine and of the long waves.
Transfers = tuple[F32, F32]


def ladder_depth(rung: int) -> float:
    """Return the depth (m) of a slice: 0.25 m times 1.25 to the power of the rung."""
    return _FIRST_DEPTH_M * _LADDER_RATIO**rung


@dataclass(frozen=True)
class Slice:
    """Light at one depth, ready to be looked up.

    Attributes
    ----------
    fine
        ``(grid + 1, grid + 1)``, or with three channels last: light of the fine waves, wrapped (see
        `halocline.physics.caustics.wrapped`).
    long
        ``(cells + 1, cells + 1, 3)``: light of the long waves, and how far they lead a ray aside, in cells
        of the fine patch along its axes.
    """

    fine: F32
    long: F32

    @cached_property
    def levels(self) -> tuple[F32, ...]:
        """The fine waves, then again and again halved in size; all wrapped."""
        levels = [self.fine]
        while levels[-1].shape[0] > _SMALLEST_LEVEL + 1:
            image = levels[-1][:-1, :-1]
            rows = image[0::2] + image[1::2]
            levels.append(wrapped((rows[:, 0::2] + rows[:, 1::2]) * np.float32(0.25)))
        return tuple(levels)


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
        self.coarsest_level = max(0, int(math.log2(grid / _SMALLEST_LEVEL)))
        # Shafts are seen through metres of water: they make do with fewer rays, without the finest waves.
        cells = max(64, grid // _COARSER)
        coarse = fine.coarsened(cells, shortest_m=max(shortest, _SHORTEST_CELLS * patch_m / cells))
        left_out = unresolved + fine.slope_variance - coarse.slope_variance
        self.coarse = PatchOptics(coarse, optics, (optics.beam,), left_out, optics.contrast)
        self._transfers: dict[tuple[int, float, float], F32] = {}
        self._lock = Lock()

    def transfers(self, depth_m: float) -> Transfers:
        """Return the softening of the fine and the long waves at a depth, made once."""
        return self._kept(self.fine, depth_m), self._kept(self.long, depth_m)

    def coarse_transfers(self, depth_m: float) -> Transfers:
        """Return the same for the fewer rays of shafts."""
        return self._kept(self.coarse, depth_m), self._kept(self.long, depth_m)

    def _kept(self, waves: PatchOptics, depth_m: float) -> F32:
        key = (waves.patch.grid, waves.patch.size_m, depth_m)
        with self._lock:
            if key not in self._transfers:
                self._transfers[key] = waves.transfer(depth_m)
            return self._transfers[key]

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
        self._lock = Lock()
        self._rays: dict[int, PatchRays] = {}
        self._slices = MadeOnce(self._make)
        self._slopes: tuple[F32, ...] | None = None

    def rays(self, waves: PatchOptics) -> PatchRays:
        """Return the rays through some of the setup's waves: fine, long or coarse."""
        with self._lock:
            if id(waves) not in self._rays:
                self._rays[id(waves)] = waves.rays(self.time_s)
            return self._rays[id(waves)]

    def slice(self, rung: int, *, ahead: Iterable[int] = ()) -> Slice:
        """Return the light at a rung of the ladder of depths; ``ahead`` are rungs that will be needed too."""
        return self._slices.get(rung, ahead=ahead)

    def _make(self, rung: int) -> Slice:
        depth = ladder_depth(rung)
        fine, long = self.rays(self.setup.fine), self.rays(self.setup.long)
        return _make_slice(fine, long, depth, self.setup.transfers(depth))

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
        flat_x, flat_y, depth = x.ravel(), y.ravel(), depth_m.ravel()
        if footprint_m is None:
            return self._gain(flat_x, flat_y, depth, origin, 0).reshape(3, *x.shape)
        cell = self.setup.fine.patch.cell_m * self.setup.optics.scale
        # Between cells of half the footprint, linear interpolation spreads over just one footprint.
        level = np.log2(np.maximum(footprint_m.ravel() * np.float32(0.5 / cell), np.float32(1.0)))
        np.minimum(level, np.float32(self.setup.coarsest_level), out=level)
        if not level.any():
            return self._gain(flat_x, flat_y, depth, origin, 0).reshape(3, *x.shape)
        out = np.zeros((3, x.size), np.float32)
        for number in range(int(level.min()), min(int(level.max()) + 1, self.setup.coarsest_level) + 1):
            share = np.float32(1.0) - np.abs(level - np.float32(number))
            where = np.flatnonzero(share > 0.0)
            if where.size:
                light = self._gain(flat_x[where], flat_y[where], depth[where], origin, number)
                light *= share[where]
                out[:, where] += light
        return out.reshape(3, *x.shape)

    def _gain(self, x: F32, y: F32, depth_m: F32, origin: tuple[float, float], level: int) -> F32:
        """Return the light at places ``(n,)``, ``(3, n)``, from the pattern halved ``level`` times."""
        drift_x, drift_y = (np.float32(value) for value in self.setup.optics.beam.drift)
        # Back along the beam to where it would have met a flat surface.
        at_x = x - depth_m * drift_x
        at_y = y - depth_m * drift_y
        places = _Places.of(self.setup, at_x, at_y, origin, self.setup.fine.patch.grid)
        out = np.zeros((3, x.size), np.float32)
        weights = list(_rung_weights(depth_m))
        rungs = [rung for rung, _ in weights if rung >= 0]
        for rung, weight in weights:
            if rung < 0:
                out += weight
                continue
            at_rung = self.slice(rung, ahead=rungs)
            led = places.led(at_rung.long)
            light = places.fine_light(at_rung.levels[level], led, halved=level)
            light *= weight * led.swell
            out += light
        return out

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
        coarse, long = self.rays(self.setup.coarse), self.rays(self.setup.long)
        image = _make_slice(coarse, long, depth_m, self.setup.coarse_transfers(depth_m))
        places = _Places.of(self.setup, x, y, (x0, y0), self.setup.coarse.patch.grid)
        led = places.led(image.long)
        light: F32 = places.fine_light(image.fine, led)[0] * led.swell
        return light

    def slopes(self, x: F32, y: F32, *, origin: tuple[float, float] = (0.0, 0.0)) -> F32:
        """Return the surface's slopes along x and y, ``(2, rows, columns)``, at places from ``origin``."""
        setup = self.setup
        fine, long = self._slope_images()
        places = _Places.of(setup, x, y, origin, setup.fine.patch.grid)
        out = places.mixed(fine, None, mean=0.0)
        for plane, found in zip(out, _look_up(long, places.long_column, places.long_row), strict=True):
            np.add(plane, found.reshape(x.shape), out=plane)
        return out

    def _slope_images(self) -> tuple[F32, F32]:
        with self._lock:
            if self._slopes is None:
                patches = self.setup.fine.patch, self.setup.long.patch
                self._slopes = tuple(_slope_image(patch, self.time_s) for patch in patches)
            return self._slopes[0], self._slopes[1]


def window_start(centre: tuple[float, float], step_m: float, count: int) -> tuple[float, float]:
    """Return the world place of a window's first point: its middle lies within one step of ``centre``."""
    x, y = (math.floor(value / step_m - 0.5 * count) * step_m for value in centre)
    return x, y


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
    """What the long waves do to each pixel: light, and how far they lead it aside in fine cells, ``(n,)``."""

    swell: F32
    column: F32
    row: F32


@dataclass(frozen=True)
class _Places:
    """Pixels traced back to the surface: where they lie in both patches."""

    grid: int
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
        return cls(grid, taps, _cyclic(column, cells), _cyclic(row, cells))

    def led(self, long: F32) -> _Led:
        """Look up a slice's long waves."""
        swell, column, row = _look_up(long, self.long_column, self.long_row)
        return _Led(swell.reshape(self.long_column.shape), column, row)

    def fine_light(self, image: F32, led: _Led, *, halved: int = 0) -> F32:
        """Look up the light of a slice's fine waves, ``(channels, rows, columns)``, 0 or more."""
        light = self.mixed(image, led, mean=1.0, halved=halved)
        # Where patterns mix, what is added to the mean may dip below darkness.
        return np.maximum(light, np.float32(0.0), out=light)

    def mixed(self, image: F32, led: _Led | None, *, mean: float, halved: int = 0) -> F32:
        """Look up an image of the fine patch, square by square; mixtures keep its ``mean``."""
        channels = 1 if image.ndim == 2 else image.shape[2]
        first, *others = self.taps
        out = np.empty((channels, first.column.size), np.float32)
        self._mix(out, image, first, led, mean, halved)
        for tap in others:
            found = np.empty((channels, tap.column.size), np.float32)
            self._mix(found, image, tap, led, mean, halved)
            for plane, part in zip(out, found, strict=True):
                plane[tap.where] += part
        out += np.float32(mean)
        return out.reshape(channels, *self.long_column.shape)

    def _mix(self, out: F32, image: F32, tap: _Tap, led: _Led | None, mean: float, halved: int) -> None:
        """Give an image's departure from its mean, weighted, at a tap's places less what they are led."""
        column, row = tap.column, tap.row
        if led is not None:
            where = slice(None) if tap.where is None else tap.where
            column, row = column - led.column[where], row - led.row[where]
        column, row = _cyclic(column, self.grid), _cyclic(row, self.grid)
        if halved:
            column, row = _halved(column, self.grid, halved), _halved(row, self.grid, halved)
        found = _look_up(image, column, row)
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
    """Look up places of a wrapped image: its channels, ``(places,)`` each."""
    count = column.size
    rows = -(-count // _FOLD)
    places = np.zeros((2, rows * _FOLD), np.float32)
    places[0, :count] = column.ravel()
    places[1, :count] = row.ravel()
    found = bilinear(image, places[0].reshape(rows, _FOLD), places[1].reshape(rows, _FOLD))
    return [plane.ravel()[:count] for plane in channels_of(found)]


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


def _halved(place: F32, grid: int, times: int) -> F32:
    """Return places from 0 to ``grid`` in the cells of a pattern halved so many times."""
    size = 2**times
    # The middle of the first halved cell lies between the cells it is made of.
    halved = place - np.float32(0.5 * (size - 1))
    halved *= np.float32(1.0 / size)
    return _cyclic(halved, grid // size)


def _axes(patch: WavePatch, scale: float) -> F64:
    """Return the matrix from world metres to cells of a patch, ``(2, 2)``."""
    cos, sin = math.cos(patch.angle_rad), math.sin(patch.angle_rad)
    return np.array([[cos, sin], [-sin, cos]]) / (patch.cell_m * scale)


def _slope_image(patch: WavePatch, time_s: float) -> F32:
    """Return a patch's slopes along the world's axes as a wrapped image of two channels."""
    _, along, across = patch.surface(time_s)
    cos, sin = np.float32(math.cos(patch.angle_rad)), np.float32(math.sin(patch.angle_rad))
    return wrapped(interleaved([cos * along - sin * across, sin * along + cos * across]))


def _make_slice(fine: PatchRays, long: PatchRays, depth: float, transfers: Transfers) -> Slice:
    channels = fine.slices(depth, transfers[0])
    led = long.led_aside(depth)
    # From metres along the long patch's axes to cells along the fine one's.
    angle = long.source.patch.angle_rad
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    to_cells = (_axes(fine.source.patch, 1.0) @ turn).astype(np.float32)
    aside = [to_cells[axis, 0] * led[0] + to_cells[axis, 1] * led[1] for axis in (0, 1)]
    (swell,) = long.slices(depth, transfers[1])
    return Slice(wrapped(interleaved(channels)), wrapped(interleaved([swell, *aside])))


def _rung_weights(depth_m: F32) -> Iterator[tuple[int, F32]]:
    """Yield the rungs that take part at any of the depths and their share at each; -1 is the even surface."""
    lowest, highest = (_rung_above(float(depth)) for depth in (depth_m.min(), depth_m.max()))
    for rung in range(lowest, min(highest + 1, _LAST_RUNG) + 1):
        weight = _rung_weight(depth_m, rung)
        if weight.any():
            yield rung, weight


def _rung_above(depth_m: float) -> int:
    """Return the last rung that is not below a depth, -1 over the first."""
    if depth_m < _FIRST_DEPTH_M:
        return -1
    return min(int(math.log(depth_m / _FIRST_DEPTH_M) / math.log(_LADDER_RATIO)), _LAST_RUNG)


def _rung_weight(depth_m: F32, rung: int) -> F32:
    """Return the share of a rung in each depth: linear between rungs, constant beyond both ends."""
    if rung < 0:
        share = np.float32(1.0) - depth_m * np.float32(1.0 / _FIRST_DEPTH_M)
    else:
        here, below = ladder_depth(rung), ladder_depth(rung + 1)
        above = ladder_depth(rung - 1) if rung > 0 else 0.0
        share = (depth_m - np.float32(above)) * np.float32(1.0 / (here - above))
        if rung < _LAST_RUNG:
            np.minimum(share, (np.float32(below) - depth_m) * np.float32(1.0 / (below - here)), out=share)
    np.clip(share, np.float32(0.0), np.float32(1.0), out=share)
    return share
