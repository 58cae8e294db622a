"""Spreading light over a picture by halos of any width, by range, without losing any.

Works on whole planes, ``(rows, columns)``, float32. Halos are sums of Gaussians: half resolution, each
halving below it down to some thirty pixels, and from there matrices that reach across the whole picture, so
that the widest halo costs as little as the narrowest.

Nobody knows what lies outside the frame, unless it is a picture of all directions (`globe_blur`). It is taken
to be the picture mirrored at its edges: what leaves the frame comes back from what is out there, light is
neither lost nor made, and an even picture stays even.
"""

from __future__ import annotations

import math
from functools import lru_cache

import cv2
import numpy as np

from halocline._typing import F32, F64, AnyArray
from halocline.compute.planes_on_disk import copied_plane, empty_plane, filled_plane
from halocline.compute.threads import in_parallel
from halocline.filters import halo_loops
from halocline.filters.globe import Globe
from halocline.filters.globe_blur import GlobeBlur
from halocline.filters.pyramid_blur import NOTHING, bands_of_rows
from halocline.late_dataclass import dataclass

# Halving ends where no side is longer; from there on a matrix is quicker.
COARSEST = 32
# Where a strip is so thin that it comes out even only far beyond its own width, halving ends sooner, but not
# before its length is down to this: matrices have its square in memory.
LONGEST = 1024
# Widest Gaussian, in lengths of the longer side: what is wider is the mean of the picture.
WIDEST = 2.0
# Side of the cells, px, that are enough for light that spreads widely, and the first of `halo_widths` that
# they can have.
CELL, FIRST_OF_CELLS = 8, 3
# What is farther than its inverse is as far as that, 1/m.
SMALLEST_NEARNESS = np.float32(1e-6)
# And what is nearer than this, metres, as near as that.
NEAREST_M = np.float32(1e-3)


@dataclass(frozen=True)
class HaloKernels:
    """Halos by range, each a sum of the Gaussians that the pyramid makes anyway.

    Attributes
    ----------
    ranges_m
        Ranges for which there is a kernel, ascending, ``(n,)``; between two, they are mixed evenly in log
        range.
    weights
        ``(n, widths)``, rows sum to 1: share of each of `halo_widths`.
    wide
        The same of light that is given by cells and spreads widely, 0 before `FIRST_OF_CELLS`; None where
        there is none.
    """

    ranges_m: F64
    weights: F64
    wide: F64 | None = None


def halo_widths(shape: tuple[int, int]) -> F64:
    """Return the standard deviations, px, of the Gaussians that make halos in a picture of a shape.

    The first is 0, light that stays; the second that of going to half resolution (box) and back (linear).

    Parameters
    ----------
    shape
        Rows and columns of the picture.

    Returns
    -------
    F64
        Pixels, ascending from 0.
    """
    count, _ = _halvings(shape)
    narrow = [1.0 + level_variance(level) for level in range(count + 1)]
    wide = [narrow[-1]]
    while math.sqrt(wide[-1]) < WIDEST * max(shape):
        wide.append(4.0 * wide[-1])
    return np.sqrt([0.0, *narrow, *wide[1:]])


def level_variance(level: int) -> float:
    """Return the variance, px^2, of going down and up ``level`` levels from half resolution.

    Down (1 3 3 1) and up (linear) add 3/4 each, in pixels of the finer level. Worked value: 3 gives 126.
    """
    return 2.0 * (4.0**level - 1.0)


def _halvings(shape: tuple[int, int]) -> tuple[int, tuple[int, int]]:
    """Return how often half a picture is halved, and its shape with enough added to come out even."""
    half = tuple((side + 1) // 2 for side in shape)
    count = max(1, math.ceil(math.log2(max(half) / COARSEST)))
    # A thin strip would grow many times over to come out even: its coarsest level stays longer instead.
    while count > 1 and -min(half) % (1 << count) > min(half) // 2 and max(half) >> (count - 1) <= LONGEST:
        count -= 1
    step = 1 << count
    return count, (-(-half[0] // step) * step, -(-half[1] // step) * step)


@lru_cache(maxsize=256)
def _across(size: int, sigma: float) -> F32:
    """Return the Gaussian blur of a line of pixels that is mirrored at both ends, as a matrix."""
    reach = math.ceil(6.0 * sigma / size) + 1
    # By how far a source lies from a place: the share of its light that falls there.
    farthest = (reach + 1) * size
    below = np.array([_normal((step - 0.5) / sigma) for step in range(-farthest, farthest + 1)])
    falls = np.diff(below)
    sources = np.arange(-reach * size, (reach + 1) * size)
    folded = np.mod(sources, 2 * size)
    folded = np.where(folded < size, folded, 2 * size - 1 - folded)
    places = np.arange(size)
    matrix = np.zeros((size, size))
    for source, place in zip(folded, sources, strict=True):
        matrix[:, source] += falls[place - places + farthest]
    blur: F32 = (matrix / matrix.sum(axis=0)).astype(np.float32)
    return blur


def _normal(x: float) -> float:
    """Return how much of a normal distribution lies below so many standard deviations."""
    return 0.5 * math.erfc(-x * math.sqrt(0.5))


@dataclass(frozen=True)
class _Spreader:
    """The Gaussians of one picture's shape, from the second (half resolution) on.

    Attributes
    ----------
    count
        Levels below half resolution.
    shape
        Half the picture's, with what is added to come out even.
    wide
        Matrices of the widest Gaussians, down and across, at the coarsest level.
    square
        Rows and columns of half the picture on square pixels, where its own are none; else None.
    """

    count: int
    shape: tuple[int, int]
    wide: tuple[tuple[F32, F32], ...]
    square: tuple[int, int] | None

    @classmethod
    def of(cls, shape: tuple[int, int], *, square: bool = True) -> _Spreader:
        """Return the Gaussians of a picture of a shape on square pixels, which may not be its own."""
        count, padded = _halvings(shape)
        step = 1 << count
        own = 1.0 + level_variance(count)
        sigmas = [math.sqrt(width**2 - own) / (2 * step) for width in halo_widths(shape)[count + 2 :]]
        rows, columns = padded[0] // step, padded[1] // step
        wide = tuple((_across(rows, s), _across(columns, s)) for s in sigmas)
        return cls(count, padded, wide, None if square else ((shape[0] + 1) // 2, (shape[1] + 1) // 2))

    def half(self, plane: AnyArray) -> F32:
        """Return the mean of each 2 x 2 pixels; what lies beyond the last mirrors what is before it."""
        rows, columns = plane.shape
        if rows % 2 or columns % 2:
            plane = cv2.copyMakeBorder(plane, 0, rows % 2, 0, columns % 2, cv2.BORDER_REPLICATE)
        size = ((columns + 1) // 2, (rows + 1) // 2)
        if self.square is None:
            half = cv2.resize(plane, size, interpolation=cv2.INTER_AREA)
        else:
            half = _resized(plane, self.square)
        return self.filled_up(np.asarray(half, np.float32))

    def filled_up(self, half: F32) -> F32:
        """Return a plane of means with what is added to come out even: what is before its edge, mirrored."""
        more = self.shape[0] - half.shape[0], self.shape[1] - half.shape[1]
        if any(more):
            half = np.pad(half, ((0, more[0]), (0, more[1])), mode="symmetric")
        return np.ascontiguousarray(half)

    def own_half(self, plane: F32, shape: tuple[int, int]) -> F32:
        """Return a plane of half resolution in a picture of a shape, turned back to its own pixels."""
        if self.square is None:
            return plane
        rows, columns = self.square
        return _resized(plane[:rows, :columns], ((shape[0] + 1) // 2, (shape[1] + 1) // 2))

    @property
    def fold(self) -> int:
        """How many pixels of half resolution a cell is wide where it is spread."""
        return 2 << min(1, self.count - 1)

    def cells(self, wide: F32, shape: tuple[int, int]) -> F32:
        """Return means over cells on the level where cells are spread, of sums over those of a picture.

        ``wide`` is ``(cells down, cells across)``, ``shape`` the picture's own; what lies beyond the last
        mirrors what is before it.
        """
        sides = (np.diff(np.append(np.arange(0, side, CELL), side)) for side in shape)
        cells = (wide / np.multiply.outer(*sides)).astype(np.float32)
        if self.square is not None:
            rows, columns = (-(-2 * side // CELL) for side in self.square)
            cells = _resized(cells, (rows, columns))
        return self._padded_cells(cells)

    def _padded_cells(self, cells: F32) -> F32:
        times = CELL // (2 * self.fold)
        cells = cells.repeat(times, axis=0).repeat(times, axis=1)
        size = tuple(side // self.fold for side in self.shape)
        more = [(0, max(0, to - have)) for to, have in zip(size, cells.shape, strict=True)]
        cells = np.pad(cells, more, mode="symmetric") if any(end for _, end in more) else cells
        return np.ascontiguousarray(cells[: size[0], : size[1]])

    def coarse(self, halved: F32, weights: F64, wide: F32 = NOTHING, wide_weights: F64 | None = None) -> F32:
        """Return the weighted sum of all Gaussians below half resolution, of the first level below it.

        Of that level's size; the arguments are used up. ``weights`` are those from half resolution on;
        ``wide`` is light by cells that has weights of its own.
        """
        levels = _levels(halved, self.count)
        first = min(1, self.count - 1)
        aside = [] if wide_weights is None else _levels(wide, self.count - first)
        total = levels[-1] * np.float32(weights[self.count])
        if wide_weights is not None:
            total += aside[-1] * np.float32(wide_weights[self.count])
        for number, (down, across) in enumerate(self.wide, self.count + 1):
            last, weight = levels[-1], np.float32(weights[number])
            if wide_weights is not None and wide_weights[number] > 0.0:
                last = weight * last + np.float32(wide_weights[number]) * aside[-1]
                weight = np.float32(1.0)
            if weight > 0.0:
                halo_loops.spread_widely(last, down, across, weight, total)
        for number in range(self.count - 2, -1, -1):
            level, weight = levels[number], np.float32(weights[number + 1])
            if wide_weights is not None and number >= first:
                level *= weight
                level += np.float32(wide_weights[number + 1]) * aside[number - first]
                weight = np.float32(1.0)
            halo_loops.add_doubled(total, weight, level)
            total = level
        return total


def _levels(finest: F32, count: int) -> list[F32]:
    """Return so many levels of a pyramid, from the finest on."""
    levels = [finest]
    while len(levels) < count:
        levels.append(_empty_half(levels[-1]))
        halo_loops.halved(levels[-2], levels[-1])
    return levels


@dataclass(frozen=True)
class _RoundSpreader(_Spreader):
    """The Gaussians of a picture of all directions.

    Attributes
    ----------
    blur
        Those below half resolution.
    beyond
        Columns at a quarter of the resolution by which the picture goes on past its seam, to each side.
    """

    blur: GlobeBlur
    beyond: int

    @classmethod
    def around(cls, shape: tuple[int, int], globe: Globe) -> _RoundSpreader:
        """Return the Gaussians of a picture of a shape."""
        half = tuple(-(-side // 4) * 2 for side in shape)
        count, _ = _halvings(shape)
        beyond = (shape[1] - int(globe.around_px + 0.5)) // 8
        widths = halo_widths(shape)[2:] / globe.down_px
        blur = GlobeBlur((half[0] // 2, half[1] // 2 - 2 * beyond), tuple(float(width) for width in widths))
        return cls(count, (half[0], half[1]), (), None, blur, beyond)

    @property
    def fold(self) -> int:
        """How many pixels of half resolution a cell is wide where it is spread: it is cut in four."""
        return 2

    def coarse(self, halved: F32, weights: F64, wide: F32 = NOTHING, wide_weights: F64 | None = None) -> F32:
        """Return the weighted sum of all Gaussians below half resolution, of the first level below it."""
        inner = slice(self.beyond, halved.shape[1] - self.beyond)
        pictures, shares = [halved[:, inner]], [weights[1:]]
        if wide_weights is not None:
            pictures.append(wide[:, inner])
            shares.append(wide_weights[1:])
        blurred = self.blur.summed(pictures, shares)
        return np.pad(blurred, ((0, 0), (self.beyond, self.beyond)), mode="wrap")


def _resized(plane: AnyArray, shape: tuple[int, int]) -> F32:
    """Return a picture on other rows and columns: means where there are fewer, evenly between where more."""
    for axis, size in enumerate(shape):
        way = cv2.INTER_AREA if size < plane.shape[axis] else cv2.INTER_LINEAR
        to = (size, plane.shape[0]) if axis else (plane.shape[1], size)
        plane = cv2.resize(plane, to, interpolation=way)
    return np.asarray(plane, np.float32)


def _empty_half(plane: F32) -> F32:
    return np.empty((plane.shape[0] // 2, plane.shape[1] // 2), np.float32)


@dataclass(frozen=True)
class _Part:
    """One range of a picture.

    Attributes
    ----------
    number
        Which of the picture's ranges.
    nearest
        One over the range from beyond which its light comes, 1/m.
    weights, wide
        Of its Gaussians from half resolution on; and those of light by cells, if any.
    seen
        Where it is in open view, spread, without half resolution's part; empty where it is everywhere.
    """

    number: np.float32
    nearest: np.float32
    weights: F64
    wide: F64 | None
    seen: F32

    @property
    def numbers(self) -> F32:
        """As `halo_loops.add_halo` takes them."""
        weight = self.weights[0]
        return np.array([self.number, self.nearest, weight, _even(self.weights)[0]], np.float32)


@dataclass(frozen=True)
class HaloField:
    """Halos over the ranges of one picture, ready for any number of planes.

    The picture is split by range between the kernels' ranges. Light from a range reaches a pixel that shows
    something nearer only by what is scattered in front of that, about the share ``s_near/s``. What a nearer
    thing hides of a farther range is taken to be like what is seen around it, so that no dark rim forms.

    Attributes
    ----------
    parts
        The ranges that the picture has.
    place, given, reach, due
        At half resolution: where a pixel's range stands among the picture's, and where that of what it gives
        does, the range, m, and one over the share of its own range's light that arrives at it before it is
        made whole.
    stays
        Share of the halo that stays in its pixel, at half resolution.
    cells
        Where the range of what each cell gives stands among the picture's; empty where there are none.
    spreader
        Spreads light as the Gaussians do, in a picture of this size.
    shape
        Rows and columns of the picture.
    """

    spreader: _Spreader
    parts: tuple[_Part, ...]
    place: F32
    given: F32
    reach: F32
    due: F32
    stays: F32
    cells: F32
    shape: tuple[int, int]

    @classmethod
    def of(
        cls,
        range_m: F32,
        kernels: HaloKernels,
        globe: Globe | None = None,
        *,
        square: tuple[int, int] | None = None,
    ) -> HaloField:
        """Prepare to spread light.

        Parameters
        ----------
        range_m
            Range of each pixel, metres, above 0, may be inf.
        kernels
            Kernels by range.
        globe
            Of a picture of all directions. It may go on past its seam, by a multiple of 8 columns a side.
        square
            Rows and columns of the picture on square pixels, whose `halo_widths` the kernels weight; the
            picture's own if None.
        """
        shape = (range_m.shape[0], range_m.shape[1])
        spreader = (
            _Spreader.of(square or shape, square=square in {None, shape})
            if globe is None
            else _RoundSpreader.around(shape, globe)
        )
        reach, things, by_cells = _half_nearness(range_m, spreader, cells=kernels.wide is not None)
        place, given, due, stays = (empty_plane(reach.shape) for _ in range(4))
        bands = bands_of_rows(len(reach))

        def find(band: slice) -> None:
            place[band] = _place(reach[band], kernels.ranges_m)
            given[band] = _place(things[band], kernels.ranges_m)
            np.reciprocal(np.maximum(reach[band], SMALLEST_NEARNESS), out=reach[band])

        in_parallel(find, bands)
        first, last = int(min(place.min(), given.min())), math.ceil(place.max())
        place -= np.float32(first)
        given -= np.float32(first)
        weights = kernels.weights[first : last + 1]
        wide = [None] * len(weights) if kernels.wide is None else list(kernels.wide[first : last + 1, 1:])
        cells = np.clip(_place(by_cells, kernels.ranges_m) - np.float32(first), 0.0, len(weights) - 1.0)
        # A range's light comes, on the whole, from beyond the middle between it and the range before.
        middles = 1.0 / np.sqrt(kernels.ranges_m[:-1] * kernels.ranges_m[1:])
        nearest = np.concatenate([[1.0 / SMALLEST_NEARNESS], middles])[first : last + 1].astype(np.float32)
        stay = weights[:, 0].astype(np.float32)
        in_parallel(
            lambda band: halo_loops.part_by_range(
                reach, place, given, nearest, stay, band.start, band.stop, due, stays
            ),
            bands,
        )
        parts = in_parallel(
            lambda number: _part(spreader, place, number, nearest[number], weights[number], wide[number]),
            range(len(weights)),
        )
        stays = spreader.own_half(stays, shape)
        return cls(spreader, tuple(parts), place, given, reach, due, stays, cells, shape)

    def arrived(self, energy: F32, wide: F32 = NOTHING) -> F32:
        """Return what of the light that pixels give to the halo arrives elsewhere, at half resolution.

        Where nothing nearer hides a pixel's surroundings, what it gives away arrives in full. A constant
        picture at one range stays constant up to the edges of the frame.

        Parameters
        ----------
        energy
            ``(planes, rows, columns)``.
        wide
            Sums over cells of what is given by cells, ``(planes, cells down, cells across)``, if anything.
        """
        by_cells = [self.spreader.cells(plane, self.shape) for plane in wide] if self.cells.size else []
        half: F32 = empty_plane((len(energy), *self.place.shape))

        def halve(plane: int) -> None:
            half[plane] = self.spreader.half(energy[plane])

        in_parallel(halve, range(len(energy)))
        total: F32 = filled_plane(half.shape, 0.0)
        size = tuple(side // 2 for side in self.place.shape)
        coarse: F32 = empty_plane((len(self.parts), len(half), *size))

        def spread(item: tuple[int, int]) -> None:
            number, plane = item
            part, level = self.parts[number], np.empty(size, np.float32)
            halo_loops.halved_member(half[plane], self.given, part.number, level)
            if part.wide is None or not by_cells:
                coarse[number, plane] = self.spreader.coarse(level, part.weights)
                return
            member = np.maximum(np.float32(1.0) - np.abs(self.cells - part.number), np.float32(0.0))
            member *= by_cells[plane]
            coarse[number, plane] = self.spreader.coarse(level, part.weights, member, part.wide)

        in_parallel(spread, np.ndindex(len(self.parts), len(half)))

        def add(rows: slice) -> None:
            for part, below in zip(self.parts, coarse, strict=True):
                fixed = half, self.place, self.given, self.reach, self.due
                halo_loops.add_halo(below, part.seen, part.numbers, *fixed, rows.start, rows.stop, total)

        in_parallel(add, bands_of_rows(len(self.place)))
        if self.spreader.square is None:
            return total
        return np.stack([self.spreader.own_half(plane, self.shape) for plane in total])

    def settled(self, energy: F32, arrived: F32, *, rows: slice = slice(None)) -> F32:
        """Return some rows of what pixels get from the halo, of what they gave and what arrived."""
        first, last, _ = rows.indices(energy.shape[1])
        out = np.empty((len(energy), last - first, energy.shape[2]), np.float32)
        halo_loops.settle_halo(energy, self.stays, arrived, first, out)
        return out


def _half_nearness(range_m: F32, spreader: _Spreader, *, cells: bool) -> tuple[F32, F32, F32]:
    """Return one over the range at half resolution, so that endless ranges can be averaged; and of things.

    The second is the mean of each 2 x 2 pixels by their nearness: a thing that fills but a part of them gives
    the halo of its own range, and not one that the open water beside it draws away. The third is that of
    cells, empty where those are not asked for.
    """
    if spreader.square is None:
        plain, things = _halved_nearness(range_m, spreader)
    else:
        nearness = np.reciprocal(np.maximum(range_m, NEAREST_M))
        plain = spreader.half(nearness)
        things = spreader.half(np.square(nearness, out=nearness))
    plain, things = copied_plane(plain), copied_plane(things)
    by_cells = NOTHING
    if cells:
        size = tuple(side // spreader.fold for side in plain.shape)
        seen, whole = (cv2.resize(each, size[::-1], interpolation=cv2.INTER_AREA) for each in (things, plain))
        by_cells = np.asarray(seen / np.maximum(whole, SMALLEST_NEARNESS), np.float32)

    def share(band: slice) -> None:
        np.divide(things[band], np.maximum(plain[band], SMALLEST_NEARNESS), out=things[band])

    in_parallel(share, bands_of_rows(len(things)))
    return plain, things, by_cells


def _halved_nearness(range_m: F32, spreader: _Spreader) -> tuple[F32, F32]:
    """Return the means of nearness, and of its square, of each 2 x 2 pixels, in one pass over them."""
    half = ((range_m.shape[0] + 1) // 2, (range_m.shape[1] + 1) // 2)
    plain, square = np.empty(half, np.float32), np.empty(half, np.float32)
    range_m = np.ascontiguousarray(range_m)
    in_parallel(
        lambda rows: halo_loops.halved_nearness(range_m, NEAREST_M, rows.start, rows.stop, plain, square),
        bands_of_rows(half[0]),
    )
    return spreader.filled_up(plain), spreader.filled_up(square)


def _place(nearness: F32, ranges_m: F64) -> F32:
    """Return where each range stands among the kernels': 0 at the first, 1 at the second, held at the ends.

    Between them it goes evenly with the logarithm of range.
    """
    if len(ranges_m) == 1:
        return np.zeros_like(nearness)
    out = np.empty(nearness.shape, np.float32)
    halo_loops.place_among(
        np.ascontiguousarray(nearness).reshape(-1), np.log(ranges_m).astype(np.float32), out.reshape(-1)
    )
    return out


def _part(
    spreader: _Spreader, place: F32, number: int, nearest: np.float32, weights: F64, wide: F64 | None
) -> _Part:
    """Return a range of a picture, with how much of each pixel's surroundings is not hidden by nearer things.

    A pixel that itself shows something nearer gets what there is to see, no more.
    """
    which = np.float32(number)
    seen = NOTHING
    if place.min() < which - 1.0:
        view: F32 = empty_plane(place.shape)
        halo_loops.open_view(place, which, view)
        level = _empty_half(view)
        halo_loops.halved(view, level)
        seen = spreader.coarse(level, _even(weights[1:]))
    return _Part(which, nearest, weights[1:], wide, seen)


def _even(weights: F64) -> F64:
    """Return weights of Gaussians from half resolution on as shares of one another."""
    shares: F64 = weights / max(float(weights.sum()), 1e-9)
    return shares
