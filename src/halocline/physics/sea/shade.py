"""Shade: what things in the water keep from the sun and from the sky.

In surface coordinates (see `halocline.physics.sea.caustics`) the sun's beam goes straight down: a place is
lit unless some thing at the same coordinates lies above it. So a square map of the uppermost things tells the
light at every depth below. The sky's light comes down on all sides of the vertical, and its map is upright.

A shadow softens with the way below the thing that throws it (`ShadeWater`). What is scattered through wide
angles fills it in.

Things are points, as many as a picture has pixels. Who hands over what one camera sees must know that only
this can cast: the back of a thing is open, and what lies outside the picture throws nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.threads import in_parallel
from halocline.late_dataclass import dataclass
from halocline.physics.floating.turbid_shade_loops import BodyMap
from halocline.physics.sea.own_surface import own_surfaces
from halocline.physics.sea.shade_cells import CELLS_BEGIN, Cells
from halocline.physics.sea.surface import SunBeam
from halocline.physics.sea.uppermost_loops import (
    join_uppermost,
    list_uppermost,
    note_uppermost,
    uppermost_of_cells,
)

# Depths at which the light is laid out. A shadow that has come no farther than from one to the next is hard.
_FIRST_M, _RATIO = 0.4, 1.3
# Ways by which things above one depth are sorted, as shares of it: each group softens as its own way says.
# Each is as many times the next: of a cell between two both have shares that are 1 together.
_WAYS = (1.0, 0.58, 0.58**2)
# The narrow forward peak of natural water, which leaves a shadow hard: its share of all scattering
# (petzold1972, as in `halocline.physics.sea.caustics.scattering_transfer`).
_PEAK_SHARE = 0.35
# Of an even sky through Snell's window half of the light comes from within 33.8 degrees of the vertical
# (half of the window's solid angle, 48.2 degrees in all): a disc of radius .67 per metre, which a normal
# distribution of this standard deviation has too.
_SKY_SPREAD = 0.57
# A cell of light that is scattered about, in points of the sky's map; and along its side are looked at of a
# finer map so many.
_CELL, _IN_A_CELL = 4, 4
# Parts of a cell of the sky's map along a side: narrow things keep no more than they are wide.
_SKY_FINER = 4
# A cell of the map counts as covered between points that lie this many cells apart.
_CLOSED_CELLS = 3
# Blurs are made on as many halvings of a map as leave this standard deviation in cells, or more.
_FINEST_BLUR_CELLS = 2.5


@dataclass(frozen=True)
class Casters:
    """Points of things that stand in the sun's way.

    Attributes
    ----------
    places_m
        ``(2, n)`` level places along the axes of the sea, metres.
    depth_m
        ``(n,)`` metres below the surface.
    weight
        ``(n,)`` 0 to 1: how much of the light each keeps.
    spacing_m
        How far apart the points of one thing lie, metres, where that is known: gaps up to that are closed.
    gaps_m
        ``(3, n)`` how far each lies from its neighbours along the axes and down, where that differs.
    lens_m
        Where they are seen from: level place and depth; None: from where the light comes.
    """

    places_m: F32
    depth_m: F32
    weight: F32
    spacing_m: float = 0.0
    gaps_m: F32 | None = None
    lens_m: tuple[float, float, float] | None = None

    @property
    def gaps(self) -> F32:
        """How far each point lies from its neighbours, as far as that is known, ``(3, n)``, metres."""
        if self.gaps_m is not None:
            return self.gaps_m
        return np.full((3, self.depth_m.size), self.spacing_m, np.float32)


@dataclass(frozen=True)
class ShadeWater:
    """What softens a shadow.

    Attributes
    ----------
    beam
        The sun's light under a flat sea.
    scattering_per_m, asymmetry
        b and g of the water.
    slope_variance
        Mean square slope of the waves along one level axis; they turn the beam by (1 - 1/n) of it.
    softness
        Art: multiplies all widths; 1 is physical.
    about_m
        Half of the light that has been scattered about was lit within so many metres; inf: none is shaded.
    about_sun, about_sky
        Shares of scalar daylight that are the sun's and the sky's, 0 to 1; the rest has been scattered about.
    """

    beam: SunBeam
    scattering_per_m: float
    asymmetry: float = 0.924
    slope_variance: float = 0.0
    softness: float = 1.0
    about_m: float = math.inf
    about_sun: float = 0.0
    about_sky: float = 0.0

    def penumbra_m(self, way_m: float) -> float:
        """Return the standard deviation of a shadow's edge in light that was not thrown aside, metres.

        By the sun's disc and the slopes of the waves, both in proportion to the way, metres of depth.
        """
        return self.softness * self._turned_per_m * way_m

    @cached_property
    def _turned_per_m(self) -> float:
        """Standard deviation of the beam's drift a metre of depth: asked for at hundreds of depths."""
        turned = 0.5 * float(np.trace(self.beam.disc_covariance()))
        response = self.beam.drift_per_slope()
        turned += 0.5 * self.slope_variance * float(np.trace(response @ response.T))
        return math.sqrt(turned)

    def aside_share(self, depth_m: float) -> float:
        """Return the share of the light that the water has thrown aside down to a depth, 0 to 1."""
        return -math.expm1(-(1.0 - _PEAK_SHARE) * self.scattering_per_m * depth_m * self.beam.slant)

    def aside_m(self, way_m: float, depth_m: float) -> float:
        """Return the standard deviation of a shadow's edge in light that was thrown aside, metres.

        The broad lobe of `halocline.physics.sea.caustics.scattering_transfer` spreads light from u metres up
        over a Cauchy distribution of scale theta u, theta = (1 - g) / sqrt(g), half of it within sqrt(3) of
        that; a normal one that has as much there is 1.47 of it wide. Scales add from scattering to scattering
        (wells1973). What was thrown aside above the thing comes past it from as far as its own way up is: of
        all down to the depth, u is the way less half of what part of the depth that is.
        """
        depth = (1.0 - _PEAK_SHARE) * self.scattering_per_m * depth_m * self.beam.slant
        times = depth / -math.expm1(-depth) if depth > 1e-9 else 1.0
        angle = (1.0 - self.asymmetry) / math.sqrt(self.asymmetry)
        lever = way_m * (1.0 - 0.5 * min(way_m / depth_m, 1.0))
        spread = 1.47 * angle * self.beam.slant * lever * times
        return math.hypot(self.penumbra_m(way_m), self.softness * spread)

    def sky_m(self, way_m: float, depth_m: float) -> float:
        """Return the standard deviation of a shadow's edge in the light of the whole sky, metres."""
        return math.hypot(self.aside_m(way_m, depth_m), self.softness * _SKY_SPREAD * way_m)


@dataclass(frozen=True)
class Square:
    """A square grid of level coordinates.

    Attributes
    ----------
    start_m
        Its first point along both axes, metres.
    step_m
        Distance of points, metres.
    count
        Points along a side.
    """

    start_m: tuple[float, float]
    step_m: float
    count: int

    def numbers(self) -> tuple[np.float32, ...]:
        """Return points per metre and the first point's place in points, across and down, for the loops."""
        x, y = self.start_m
        return tuple(np.float32(number) for number in (1.0 / self.step_m, x / self.step_m, y / self.step_m))


@dataclass(frozen=True, eq=False)
class ShadeMap:
    """What of one light reaches the places of a square, by depth.

    Attributes
    ----------
    square
        Where, in coordinates that go along with the light.
    drift
        How far the light moves sideways per metre of depth, ``(2,)``.
    top_m, cover
        Depth of the uppermost thing in each cell, metres, inf without one, and how much light it keeps, 0 to
        1; ``(count, count)``, rows along y.
    depths_m
        ``(depths,)``, rising.
    light
        At each of them, ``(depths, count, count)``, 0 to 1: what things leave that lie above the one before.
    lens_m
        Where things are seen from, as `Casters` has it.
    """

    square: Square
    drift: F64
    top_m: F32
    cover: F32
    depths_m: F32
    light: F32
    lens_m: tuple[float, float, float] | None = None

    @cached_property
    def planes_m(self) -> F32:
        """In which planes the uppermost things lie; see `own_surfaces`."""
        if self.lens_m is None:
            return own_surfaces(self.top_m, self.square.step_m, None)
        *level, depth = self.lens_m
        column, row = (
            (place - depth * float(along) - start) / self.square.step_m
            for place, along, start in zip(level, self.drift, self.square.start_m, strict=True)
        )
        return own_surfaces(self.top_m, self.square.step_m, (column, row, depth))


@dataclass(frozen=True, eq=False)
class Shade:
    """What things leave of the light of sun and sky in the water below them.

    Attributes
    ----------
    casters
        What stands in the way.
    water
        What softens shadows.
    square, sky_square
        Where light is asked for: along the beam, and upright.
    deepest_m
        To which depth.
    bodies
        What turbid bodies leave of the sun and of the sky; see `halocline.physics.floating.turbid_shade`.
    beside
        What else stands in the way of light from the sides: faces of things that the sun does not see.
    """

    casters: Casters
    water: ShadeWater
    square: Square
    sky_square: Square
    deepest_m: float
    bodies: tuple[BodyMap, BodyMap] | None = None
    beside: Casters | None = None

    @cached_property
    def _in_the_beam(self) -> _Uppermost:
        """The uppermost thing in each cell along the beam."""
        return _uppermost(self.casters, self.square, np.asarray(self.water.beam.drift, np.float64), 1)

    @cached_property
    def sun(self) -> ShadeMap:
        """What is left of the sun's beam, and of what the water has thrown aside of it."""
        water = self.water
        drift = np.asarray(water.beam.drift, np.float64)

        def blurs(way_m: float, depth_m: float) -> tuple[tuple[float, float], ...]:
            aside = water.aside_share(depth_m)
            return (1.0 - aside, water.penumbra_m(way_m)), (aside, water.aside_m(way_m, depth_m))

        made = _mapped(self._in_the_beam, self.square, drift, shade_depths(self.deepest_m), blurs)
        return replace(made, lens_m=self.casters.lens_m)

    @cached_property
    def beam(self) -> ShadeMap:
        """What is left of the sun's beam alone."""
        drift = np.asarray(self.water.beam.drift, np.float64)

        def blurs(way_m: float, depth_m: float) -> tuple[tuple[float, float], ...]:  # noqa: ARG001
            return ((1.0, self.water.penumbra_m(way_m)),)

        return _mapped(self._in_the_beam, self.square, drift, shade_depths(self.deepest_m), blurs)

    @cached_property
    def sky(self) -> ShadeMap:
        """What is left of the light that comes from the whole sky."""

        def blurs(way_m: float, depth_m: float) -> tuple[tuple[float, float], ...]:
            return ((1.0, self.water.sky_m(way_m, depth_m)),)

        drift, square = np.zeros(2), self.sky_square
        uppermost = _uppermost(self.casters, square, drift, _SKY_FINER)
        made = _mapped(uppermost, square, drift, shade_depths(self.deepest_m), blurs)
        return replace(made, lens_m=self.casters.lens_m)

    @cached_property
    def sky_in_water(self) -> ShadeMap:
        """What is left of the sky's light in the water, where things beside a place hide it too."""
        beside = None if self.is_none else self._in_cells[1]
        if beside is None:
            return self.sky
        cells, light = self._cells, np.empty_like(self.sky.light)
        own = _middles(cells)
        for number, depth in enumerate(self.sky.depths_m):
            left = _between(beside, float((depth - cells.depths_m[0]) / cells.step_m))
            light[number] = self.sky.light[number] * _laid_over(left, own, self.sky_square)
        return replace(self.sky, light=light)

    @cached_property
    def about(self) -> tuple[ShadeMap, ShadeMap]:
        """What is left of the light that each place scatters about, and of that which comes to it.

        See `halocline.physics.sea.shade_cells`.
        """
        cells, water = self._cells, self.water
        shape = (cells.count, cells.count)
        nowhere = np.full(shape, np.float32(-np.inf)), np.zeros(shape, np.float32)
        light = (np.ones(cells.shape, np.float32),) * 2
        if not (self.is_none or math.isinf(water.about_m)):
            ways, beside = self._in_cells
            suns, skies = _in_cells(self.sun, cells), _in_cells(self.sky, cells)
            if beside is not None:
                skies *= beside
            again = max(0.0, 1.0 - water.about_sun - water.about_sky)
            lit = np.float32(water.about_sun) * suns + np.float32(water.about_sky) * skies
            light = cells.lit_about(lit, again, ways, math.log(2.0) / water.about_m)
        sent, about = (
            ShadeMap(_middles(cells), np.zeros(2), *nowhere, cells.depths_m, each) for each in light
        )
        return sent, about

    @cached_property
    def _cells(self) -> Cells:
        """Cells over the sky's square; they stay where they are in the world when that moves a little."""
        square, step = self.sky_square, self.sky_square.step_m * _CELL
        x, y = ((math.floor(start / step) - CELLS_BEGIN) * step for start in square.start_m)
        return Cells((x, y), step, square.count // _CELL + 1, max(2, math.ceil(self.deepest_m / step)))

    @cached_property
    def _in_cells(self) -> tuple[F32, F32 | None]:
        """How light gets through cells, and what stands beside them leaves of the sky."""
        cells = self._cells
        things = [self.casters] if self.beside is None else [self.casters, self.beside]
        points = [(each.places_m, each.depth_m, each.weight, each.gaps) for each in things]
        parts = cells.parts(*(np.concatenate(part, axis=-1) for part in zip(*points, strict=True)))
        ways = cells.ways(parts)
        return ways, cells.beside(parts, ways, self.water.softness * _SKY_SPREAD)

    @property
    def is_none(self) -> bool:
        """Whether no thing casts here; bodies may."""
        return not (self.sun.cover.any() or self.sky.cover.any())


def shade_depths(deepest_m: float) -> F32:
    """Return the depths at which shade is laid out to a depth, two at least, metres."""
    last = math.ceil(math.log(max(deepest_m, _FIRST_M) / _FIRST_M) / math.log(_RATIO))
    return (_FIRST_M * _RATIO ** np.arange(max(last, 1) + 1)).astype(np.float32)


def _mapped(
    uppermost: _Uppermost,
    square: Square,
    drift: F64,
    depths_m: F32,
    blurs: Callable[[float, float], tuple[tuple[float, float], ...]],
) -> ShadeMap:
    """Lay out the light below the uppermost things; ``blurs`` gives shares of it and how wide each is."""
    top, cover = uppermost.top_m, uppermost.cover
    if not cover.any():
        # Nobody looks at it where no thing lies higher.
        return ShadeMap(square, drift, top, cover, depths_m, np.ones((2, 2, 2), np.float32))
    light = np.ones((depths_m.size, square.count, square.count), np.float32)
    highest = float(top.min())

    def lay(number: int) -> None:
        depth = float(depths_m[number])
        above = float(depths_m[number - 1]) if number else 0.0
        if above < highest:
            return
        high = uppermost.tops_m <= above
        cells, tops, parts = uppermost.cell[high], uppermost.tops_m[high], uppermost.parts[high]
        for share_of_way, weight in _groups((depth - tops) / depth):
            group = np.bincount(cells, parts * weight, cover.size).astype(np.float32).reshape(cover.shape)
            for share, spread in blurs(share_of_way * depth, depth):
                if share > 1e-3:
                    light[number] -= np.float32(share) * blurred(group, spread / square.step_m)
        np.maximum(light[number], np.float32(0.0), out=light[number])

    in_parallel(lay, range(depths_m.size))
    return ShadeMap(square, drift, top, cover, depths_m, light)


def _groups(way: F32) -> Iterator[tuple[float, F32]]:
    """Yield the ways of groups of cells, as shares of a depth, and how much of each cell is in the group."""
    steps = np.log(np.array(_WAYS) / _WAYS[0]) / math.log(_WAYS[1] / _WAYS[0])
    place = np.log(way) / np.float32(math.log(_WAYS[1] / _WAYS[0]))
    np.clip(place, 0.0, float(steps[-1]), out=place)
    for share, step in zip(_WAYS, steps, strict=True):
        weight = np.maximum(1.0 - np.abs(place - step), 0.0).astype(np.float32)
        if weight.any():
            yield share, weight


def blurred(cover: F32, spread_cells: float, *, outside: bool = True) -> F32:
    """Return a map blurred by so many cells.

    Parameters
    ----------
    cover
        What is dark, ``(count, count)``.
    spread_cells
        Standard deviation.
    outside
        Whether light comes in from outside the square, where nothing is known to stand; else it is there as
        along the edges.

    Returns
    -------
    F32
        The same shape.
    """
    border = cv2.BORDER_CONSTANT if outside else cv2.BORDER_REPLICATE
    if spread_cells < 0.2:
        return cover
    halvings = max(0, math.floor(math.log2(max(spread_cells, 1.0) / _FINEST_BLUR_CELLS)))
    halvings = min(halvings, int(math.log2(cover.shape[0])) - 4)
    small, size = cover, cover.shape[0] >> halvings
    if halvings > 0:
        small = cv2.resize(cover, (size, size), interpolation=cv2.INTER_AREA)  # type: ignore[assignment]
    spread = spread_cells / 2**halvings
    small = cv2.GaussianBlur(small, (0, 0), spread, borderType=border)  # type: ignore[assignment]
    if halvings == 0:
        return small
    return cv2.resize(small, cover.shape, interpolation=cv2.INTER_LINEAR)  # type: ignore[return-value]


def _laid_over(plane: F32, own: Square, other: Square, aside_m: tuple[float, float] = (0.0, 0.0)) -> F32:
    """Return a square's plane at another's points, that much aside; beyond its own as at its edges."""
    step = other.step_m / own.step_m
    x, y = (
        (start + aside - first) / own.step_m
        for start, aside, first in zip(other.start_m, aside_m, own.start_m, strict=True)
    )
    turn = np.array([[step, 0.0, x], [0.0, step, y]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    size = other.count, other.count
    border = cv2.BORDER_REPLICATE
    return cv2.warpAffine(plane, turn, size, flags=flags, borderMode=border)  # type: ignore[return-value]


def _between(planes: F32, place: float) -> F32:
    """Return what lies between two of some planes; before the first and beyond the last, these."""
    place = min(max(place, 0.0), len(planes) - 1.0)
    first = min(int(place), max(len(planes) - 2, 0))
    second = min(first + 1, len(planes) - 1)
    return np.asarray(
        planes[first] + np.float32(place - first) * (planes[second] - planes[first]), np.float32
    )


def _middles(cells: Cells) -> Square:
    x, y = (start + 0.5 * cells.step_m for start in cells.start_m)
    return Square((x, y), cells.step_m, cells.count)


def _means(plane: F32, count: int, points: int) -> F32:
    """Return means of so many points along each axis, so many of them."""
    whole = plane[: count * points, : count * points]
    return np.asarray(cv2.resize(whole, (count, count), interpolation=cv2.INTER_AREA), np.float32)


def _in_cells(made: ShadeMap, cells: Cells) -> F32:
    """Return what is left of a light in cells, of their shape; beyond its map as at its edges."""
    light = np.ones(cells.shape, np.float32)
    if not made.cover.any():
        return light
    square, over = made.square, _middles(cells)
    fewer = 1 << max(0, int(math.log2(over.step_m / square.step_m)))
    # Means of the same points wherever the map begins: it goes along with the lens.
    skipped = [-round(start / square.step_m) % fewer for start in square.start_m]
    count = (square.count - max(skipped)) // fewer
    x, y = (
        start + (skip + 0.5 * (fewer - 1)) * square.step_m
        for start, skip in zip(square.start_m, skipped, strict=True)
    )
    coarse = Square((x, y), fewer * square.step_m, count)
    from_row, from_column = slice(skipped[1], None), slice(skipped[0], None)
    # Every so many points tell of a cell what lies hardly above it.
    some = max(1, fewer // _IN_A_CELL)
    top, cover = (
        plane[from_row, from_column][some // 2 :: some, some // 2 :: some]
        for plane in (made.top_m, made.cover)
    )
    planes = np.stack([_means(plane[from_row, from_column], count, fewer) for plane in made.light])
    things = np.nonzero(cover > 0.0)
    tops, covers = top[things], cover[things]
    for number, depth in enumerate(cells.depths_m):
        place = float(np.interp(depth, made.depths_m, np.arange(len(planes))))
        left, rung = _between(planes, place), min(int(place), len(planes) - 2)
        # As `left_by_things` has it: what lies hardly above is in no laid-out depth yet, and hides all.
        in_both = made.depths_m[rung - 1] if rung else np.float32(-1.0)
        near = (tops > in_both) & (tops < depth)
        if near.any():
            part = np.where(tops <= made.depths_m[rung], np.float32(rung + 1 - place), np.float32(1.0))
            hard = np.zeros_like(cover)
            hard[things] = np.where(near, covers * part, np.float32(0.0))
            left = np.maximum(left - _means(hard, count, fewer // some), np.float32(0.0))
        aside = -float(depth) * float(made.drift[0]), -float(depth) * float(made.drift[1])
        light[number] = _laid_over(left, coarse, over, aside)
    return light


@dataclass(frozen=True)
class _Uppermost:
    """The uppermost things over a square.

    Attributes
    ----------
    top_m, cover
        See `ShadeMap`.
    cell, tops_m, parts
        Of each part of a cell that has one: the cell, its depth, and how much of the cell's light it keeps.
    """

    top_m: F32
    cover: F32
    cell: NDArray[np.int64]
    tops_m: F32
    parts: F32


def _uppermost(casters: Casters, square: Square, drift: F64, finer: int) -> _Uppermost:
    """Return the uppermost thing in each cell, by so many parts of it along a side."""
    step = square.step_m / finer
    x, y = (start - 0.5 * (square.step_m - step) for start in square.start_m)
    count = square.count * finer
    closed, wide = max(_CLOSED_CELLS, math.ceil(casters.spacing_m / step) | 1), None
    if casters.gaps_m is not None:
        # Points far apart have wide gaps; but what is seen closely is as narrow as it is.
        closed, wide = _CLOSED_CELLS, casters.gaps_m[:2].max(axis=0) > np.float32(0.5 * _CLOSED_CELLS * step)
    maps = 1 if wide is None or not wide.any() else 2
    tops, covers = (
        np.full((maps, count, count), np.inf, np.float32),
        np.zeros((maps, count, count), np.float32),
    )
    note_uppermost(
        casters.places_m,
        casters.depth_m,
        casters.weight,
        np.zeros(casters.depth_m.size, np.bool_) if wide is None else wide,
        tuple(np.float32(number) for number in (*drift, x, y, step)),
        tops,
        covers,
    )
    top, cover = _closed(tops[0], covers[0], closed)
    if maps == 2:
        others = _closed(tops[1], covers[1], (_CLOSED_CELLS * finer) | 1)
        join_uppermost(np.float32(step), others, top, cover)
    some = int(np.count_nonzero(cover))
    cell, parts = np.empty(some, np.int64), np.empty((2, some), np.float32)
    list_uppermost(top, cover, finer, cell, parts[0], parts[1])
    if finer > 1:
        fine, shape = (top, cover), (square.count, square.count)
        top, cover = np.empty(shape, np.float32), np.empty(shape, np.float32)
        uppermost_of_cells(*fine, finer, top, cover)
    return _Uppermost(top, cover, cell, parts[0], parts[1])


def _closed(top: F32, cover: F32, cells: int) -> tuple[F32, F32]:
    """Close gaps of so many cells between points of one thing."""
    kernel = np.ones((cells, cells), np.uint8)
    whole = cv2.morphologyEx(cover, cv2.MORPH_CLOSE, kernel, borderType=cv2.BORDER_REPLICATE)
    # A gap lies as high as the highest beside it.
    near = cv2.erode(np.where(np.isinf(top), np.float32(1e9), top), kernel)
    gap = np.isinf(top) & (whole > 0.0)
    return np.where(gap, near, top).astype(np.float32), np.asarray(whole, np.float32)


def fades_out(shape: tuple[int, ...], share: float) -> F32:
    """Return weights that fall to 0 towards a picture's border, of its shape.

    A thing that leaves the picture takes its shadow with it: over some frames, and not at once.

    Parameters
    ----------
    shape
        Rows and columns of the picture.
    share
        Width of the border as a share of each side.

    Returns
    -------
    F32
        ``(rows, columns)``, 1 inside, nearly 0 along the border.
    """
    sides: list[F64] = []
    for count in shape:
        inwards = np.minimum(np.arange(count), np.arange(count)[::-1]) + 0.5
        rise = np.clip(inwards / max(1.0, share * count), 0.0, 1.0)
        sides.append(rise * rise * (3.0 - 2.0 * rise))
    return np.outer(*sides).astype(np.float32)
