"""Shadows that a lamp throws: on surfaces, on what floats, and in the water, by what a picture shows.

A picture knows only what the lens sees. Each plane through the lens and the lamp cuts it in one line, along
which it is a chain of points; seen from the lamp, that is one row of a map of what stands first in each
direction. Rows are independent, and no surface between two pixels is lost (Chen, Baran, Durand and Jarosz
2011, chen2011, sort a light's map along the same planes).

- a point is lit as far as the map shows nothing nearer to the lamp, weighed over as many directions as the
  lamp's disc makes it soft: half width rho (1/r_thing - 1/r) (fernando2005)
- a surface does not stand in its own light by the map's coarseness: what stands before a point is its own
  where the row shows both as one thing, which ends at edges and in corners, and only then allowed for
- a view ray stays in one plane. The share of its haze that is lit,
  int f V dt / int f dt, f = p(psi) I exp(-k r - c t) / (r^2 + rho^2), is summed over the angle at the lamp,
  in which dt / r^2 is even, and tabled by plane, angle at the lens and range

Limits. The lens does not see the far side of things: towards a lamp on one side they are taken to be round,
as thick as they are wide, so that a flat one throws a shadow a little too wide. What something nearer hides
of them is not there, and what lies outside the picture throws nothing: before its edge shadows of what stands
there fade over `FADE_DEG`, so that none leaps away as that leaves the picture. A lamp in the lens itself
throws no shadow that the lens could see. Things are whole or none: what covers no more than half of a pixel
casts nothing. In the water shadows are as soft as those of things `SOFT_AT_M` away from the lamp. What is
nearer to the lamp than `NEAREST_M`, or three of its radii, is its housing or the hand that holds it, and
casts nothing; but for a lamp that stands within or behind a wide thing (`ThingsSeen.hides`), whose near
surface would else let ragged light out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.made_once import MadeOnce
from halocline.compute.threads import in_parallel
from halocline.late_dataclass import dataclass
from halocline.physics.path.beam import Beam
from halocline.physics.path.lamp_shadow_loops import (
    HALF_SHADOW_M,
    bends_nearby,
    cast_rows,
    dim_haze,
    fill_shares,
    light_left,
    ranges_seen,
    rows_about,
)
from halocline.physics.path.phase import lobe_numbers
from halocline.physics.path.scatterers import WATER_PHASE

# What is nearer to the lamp than this belongs to it, metres, and in radii.
NEAREST_M, NEAREST_RADII = 0.2, 3.0
# A lamp so far behind what is seen is surely hidden, metres; so much of what is about it must hide it.
_SURELY_M, _MOSTLY = 0.05, 0.8
# Flanks of what hides it are no farther from it than this, metres, and seen from it as steep as this cosine.
_FLANK_M, _FLANK_COSINE = 1.0, 0.5
# What casts fades before the picture's edge, over this angle, or over a share of the picture if that is less.
FADE_DEG, FADE_SHARE = 3.0, 0.1
# A lamp this near the lens throws no shadow that one sees, metres.
APART_M = 5e-3
# Where things stand that make shadows in the water as soft as they are, metres.
SOFT_AT_M = 4.0
# Rows of a map, at most, and how wide one is, pixels; directions of a row; steps at the lens, at most.
_MOST_ROWS, _ROW_PX, _ANGLES, _MOST_STEPS = 768, 1.5, 1024, 4096
# Of the table in the water: rows at most and rays in a row, of a draft fewer; ranges, and the last, metres.
_WATER_ROWS_AND_RAYS, _OF_A_DRAFT = (384, 128), (96, 48)
_RANGES, _LAST_M = 41, 60.0
_PARTS = 8
_NONE = np.zeros((0, 0), np.float32)


@dataclass(frozen=True, eq=False)
class ThingsSeen:
    """A picture of things by a pinhole camera.

    Attributes
    ----------
    range_m, alpha
        Metres along view rays, inf for nothing, and coverage, ``(rows, columns)``.
    far_range_m, far_share
        Range of a farther surface and its share of the pixel; None where there are none.
    rotation, lens_m
        The camera's axes as columns (it looks down the third), ``(3, 3)``, and its place, world metres.
    tangent_per_px, centre_px
        Tangents of the view angle a pixel, across and down, and the axis in pixels from the planes' corner.
    """

    range_m: F32
    alpha: F32
    far_range_m: F32 | None
    far_share: F32 | None
    rotation: F64
    lens_m: F64
    tangent_per_px: tuple[float, float]
    centre_px: tuple[float, float]

    @property
    def planes(self) -> tuple[F32, F32, F32, F32]:
        """The planes as loops take them."""
        far = (self.far_range_m, self.far_share)
        if far[0] is None or far[1] is None:
            return self.range_m, self.alpha, _NONE, _NONE
        return self.range_m, self.alpha, far[0], far[1]

    @property
    def lens(self) -> F64:
        """Tangents and centre as loops take them, ``(4,)``."""
        return np.array([*self.tangent_per_px, *self.centre_px])

    def corners(self) -> F64:
        """Return unit view directions through the picture's corners, world, ``(4, 3)``."""
        rows, columns = self.range_m.shape
        place = np.array([[0, 0], [columns, 0], [0, rows], [columns, rows]], np.float64) - self.centre_px
        across, down = self.tangent_per_px
        local = np.column_stack([place[:, 0] * across, -place[:, 1] * down, np.full(4, -1.0)])
        found: F64 = local @ self.rotation.T
        found /= np.sqrt((found * found).sum(axis=1, keepdims=True))
        return found

    def shows(self, direction: F64) -> bool:
        """Tell whether a direction is within the picture."""
        x, y, z = direction @ self.rotation
        if z >= -1e-9:
            return False
        rows, columns = self.range_m.shape
        column = self.centre_px[0] - x / z / self.tangent_per_px[0]
        row = self.centre_px[1] + y / z / self.tangent_per_px[1]
        return bool(0.0 <= column <= columns and 0.0 <= row <= rows)

    def hides(self, place_m: F64, about_m: float) -> float:
        """Tell whether a place is within or behind a thing that is wide: 0 for not at all, to 1.

        Parameters
        ----------
        place_m
            World metres, ``(3,)``.
        about_m
            Half of the width in which all must be nearer to the lens than the place, metres, as the lens sees
            it: a post or a hand before a lamp is not.
        """
        right, above, behind = (place_m - self.lens_m) @ self.rotation
        if behind >= -about_m:
            return 0.0
        rows, columns = self.range_m.shape
        across, down = (
            half / -behind for half in (about_m / self.tangent_per_px[0], about_m / self.tangent_per_px[1])
        )
        column = self.centre_px[0] - right / behind / self.tangent_per_px[0]
        row = self.centre_px[1] + above / behind / self.tangent_per_px[1]
        # Whole pixels about it, that the picture holds all of.
        ends = (
            math.floor(row - down),
            math.ceil(row + down),
            math.floor(column - across),
            math.ceil(column + across),
        )
        if ends[0] < 0 or ends[2] < 0 or ends[1] > rows or ends[3] > columns:
            return 0.0
        part = np.s_[ends[0] : ends[1], ends[2] : ends[3]]
        away = math.sqrt(right * right + above * above + behind * behind)
        deep = np.where(self.alpha[part] > 0.5, away - self.range_m[part].astype(np.float64), 0.0)
        share = float(np.clip(deep / _SURELY_M, 0.0, 1.0).mean())
        share = max(0.0, (share - _MOSTLY) / (1.0 - _MOSTLY))
        return share * share * (3.0 - 2.0 * share)


@dataclass(frozen=True)
class _Grid:
    """Planes through lens and lamp, and angles in them.

    ``axes`` are rows: lens to lamp, and two across it; azimuths are counted from the second to the third.
    """

    apart_m: float
    axes: F64
    azimuths: F64
    wraps: bool
    first: float
    last: float

    @classmethod
    def of(cls, things: ThingsSeen, lamp_m: F64) -> _Grid:
        offset = lamp_m - things.lens_m
        apart = math.sqrt(float(offset @ offset))
        towards = offset / apart
        corners = things.corners()
        middle = corners.sum(axis=0)
        # Azimuths are counted from the middle of the picture, so that they do not leap within it.
        across = middle - (middle @ towards) * towards
        if float(across @ across) < 1e-12:
            across = things.rotation[:, 0] - (things.rotation[:, 0] @ towards) * towards
        across = across / math.sqrt(float(across @ across))
        axes = np.stack([towards, across, np.cross(towards, across)])
        local = corners @ axes.T
        azimuth = np.arctan2(local[:, 2], local[:, 1])
        angle = np.arctan2(np.hypot(local[:, 1], local[:, 2]), local[:, 0])
        ahead, behind = things.shows(towards), things.shows(-towards)
        # Nearest to the lamp, and to the point opposite, an edge may come closer than any corner.
        middle_angle = math.acos(min(1.0, max(-1.0, float(middle @ towards) / float(np.linalg.norm(middle)))))
        half = max(float(np.arccos(np.clip(corners @ middle / np.linalg.norm(middle), -1, 1)).max()), 1e-3)
        first = 0.0 if ahead else max(0.0, min(float(angle.min()), middle_angle - half))
        last = math.pi if behind else min(math.pi, max(float(angle.max()), middle_angle + half))
        wraps = ahead or behind
        start, stop = (-math.pi, math.pi) if wraps else (float(azimuth.min()), float(azimuth.max()))
        pixel = min(things.tangent_per_px)
        # Even, so that half of them go all round too.
        count = 2 * min(_MOST_ROWS // 2, max(8, math.ceil(0.5 * (stop - start) / (_ROW_PX * pixel))))
        step = (stop - start) / (count if wraps else count - 1)
        azimuths = start + step * np.arange(count, dtype=np.float64)
        return cls(apart, axes, azimuths, wraps, first, last)

    @property
    def step(self) -> float:
        """From row to row, radians."""
        return float(self.azimuths[1] - self.azimuths[0])

    def aside(self, azimuths: F64) -> F64:
        """Return unit vectors across the way to the lamp, world, ``(n, 3)``."""
        found: F64 = np.outer(np.cos(azimuths), self.axes[1]) + np.outer(np.sin(azimuths), self.axes[2])
        return found


@dataclass(frozen=True)
class _Cast:
    """The map of what stands first as seen from the lamp."""

    grid: _Grid
    lens_step: float
    metres: F32
    edges: F32
    solid: F32
    spans: F32
    bent: NDArray[np.uint8]


@dataclass(frozen=True)
class _InWater:
    """What is left of the haze along view rays; None of it where all is."""

    grid: F32
    seen: F32
    shares: F32


def housing_m(radius_m: float) -> float:
    """Return how far around a lamp what stands there belongs to it, metres.

    Parameters
    ----------
    radius_m
        Of the lamp's face.

    Returns
    -------
    float
        Above 0.
    """
    return max(NEAREST_M, NEAREST_RADII * radius_m)


class LampShadow:
    """What things in a picture leave of a lamp's light. It is reckoned when first asked for.

    Parameters
    ----------
    things
        What the lens sees.
    position_m, axis, radius_m, beam
        Of the lamp.
    rates
        k and c of each band, 1/m, ``(2, K)``, see `halocline.physics.path.lamps`.
    softness
        Art: multiplies the radius of the disc that makes shadows soft.
    draft
        Whether a first look is enough: in the water fewer rays are followed.
    """

    def __init__(
        self,
        things: ThingsSeen,
        position_m: F64,
        axis: F64,
        radius_m: float,
        beam: Beam,
        rates: F64,
        *,
        softness: float = 1.0,
        draft: bool = False,
    ) -> None:
        self._water_rows, self._rays = _OF_A_DRAFT if draft else _WATER_ROWS_AND_RAYS
        self._things, self._position, self._axis = things, position_m, axis
        self._radius, self._soft, self._beam, self._rates = radius_m, softness * radius_m, beam, rates
        self._casts = MadeOnce(self._cast)
        self._water = MadeOnce(self._shares)

    def for_a_draft(self) -> LampShadow:
        """Return the same shadow for a first look, not reckoned yet."""
        return LampShadow(
            self._things,
            self._position,
            self._axis,
            self._radius,
            self._beam,
            self._rates,
            softness=self._soft / self._radius,
            draft=True,
        )

    @cached_property
    def _grid(self) -> _Grid:
        return _Grid.of(self._things, self._position)

    @property
    def _housing_m(self) -> float:
        return housing_m(self._radius)

    @cached_property
    def _hidden(self) -> float:
        return self._things.hides(self._position, self._housing_m)

    @property
    def seen(self) -> bool:
        """Whether the lens could see any: not where the lamp stands in it."""
        offset = self._position - self._things.lens_m
        return float(offset @ offset) > APART_M**2

    @property
    def in_water(self) -> bool:
        """Whether it takes anything from what the lamp lights of the water."""
        return self.seen and bool(self._water.get(0).shares.size)

    def ready(self, *, water: bool) -> None:
        """Reckon it now, on all threads there may be; with what it does to the water if that is wanted."""
        if self.seen:
            self._casts.get(0)
            if water:
                self._water.get(0)

    def left_at(self, offset_m: F32 | F64, normal: F32 | None = None) -> F32:
        """Return the share of the lamp that points see, 0 to 1.

        Parameters
        ----------
        offset_m
            From the lamp, world metres, ``(3, ...)``.
        normal
            Of the surfaces on which they lie, towards the lens, ``(3, ...)``: such a surface does not stand
            in its own light. None for points in the water.
        """
        shape = offset_m.shape[1:]
        out = np.ones(shape, np.float32)
        if not self.seen:
            return out
        cast = self._casts.get(0)
        grid, angles = cast.grid, _angles()
        light_left(
            np.ascontiguousarray(offset_m, np.float32).reshape(3, -1),
            _NONE if normal is None else np.ascontiguousarray(normal, np.float32).reshape(3, -1),
            grid.axes.astype(np.float32),
            np.array(
                [grid.azimuths[0], 1.0 / grid.step, grid.wraps, grid.apart_m, cast.lens_step], np.float32
            ),
            np.float32(self._soft),
            cast.metres,
            cast.edges,
            cast.solid,
            cast.spans,
            cast.bent,
            angles.astype(np.float32),
            _turns(grid.azimuths).astype(np.float32),
            out.reshape(-1),
        )
        if normal is not None and self._hidden > 0.0:
            out *= self._not_from_within(offset_m, normal)
        return out

    def _not_from_within(self, offset_m: F32 | F64, normal: F32) -> F32:
        """Return what a lamp within or close behind a wide thing leaves of its near flanks, 0 to 1.

        Where the thing bends away from the lens its light would graze them, in lines that waver.
        """
        r = np.sqrt(np.square(offset_m, dtype=np.float32).sum(axis=0))
        cosine = -(offset_m * normal).sum(axis=0) / np.maximum(r, np.float32(1e-6))
        facing = np.clip(cosine / np.float32(_FLANK_COSINE), np.float32(0.0), np.float32(1.0))
        near = np.clip(np.float32(2.0) - r / np.float32(_FLANK_M), np.float32(0.0), np.float32(1.0))
        left: F32 = np.float32(1.0) - np.float32(self._hidden) * near * (np.float32(1.0) - facing * facing)
        return left

    def dim(self, direction: F32 | F64, ends_m: F32 | F64, haze: F32) -> None:
        """Take what lies in shadow from the lamp's haze along view rays.

        Parameters
        ----------
        direction, ends_m
            Unit view directions, ``(3, n)``, and where rays end, metres, ``(n,)``; may be inf.
        haze
            ``(K, n)``, changed in place.
        """
        if not self.in_water:
            return
        water = self._water.get(0)
        dim_haze(
            np.ascontiguousarray(direction, np.float32),
            np.ascontiguousarray(ends_m, np.float32),
            self._grid.axes.astype(np.float32),
            water.grid,
            water.seen,
            water.shares,
            weights_of_rates(self._rates).astype(np.float32),
            haze,
        )

    def _local(self, azimuths: F64) -> tuple[F64, F64]:
        """Return the way to the lamp and the rows' aside vectors in the camera's axes."""
        turned = self._things.rotation
        return self._grid.axes[0] @ turned, np.ascontiguousarray(self._grid.aside(azimuths) @ turned)

    def _cast(self, _: int) -> _Cast:
        things, grid = self._things, self._grid
        pixel = min(things.tangent_per_px)
        count = min(_MOST_STEPS, max(16, math.ceil((grid.last - grid.first) / pixel)))
        step = (grid.last - grid.first) / count
        nearest = self._housing_m * (1.0 - self._hidden)
        # As far as rays of the table in the water lie beyond the edges.
        margin = 1.0 + 2.0 * (grid.last - grid.first) / (self._rays * pixel)
        fade = min(math.tan(math.radians(FADE_DEG)) / pixel, FADE_SHARE * min(things.range_m.shape))
        steps = np.array([grid.first + 0.5 * step, step, count, grid.apart_m, nearest, margin, fade])
        towards, aside = self._local(grid.azimuths)
        metres, edges, solid = (np.empty((len(aside), _ANGLES), np.float32) for _ in range(3))

        spans = np.empty((len(aside), _ANGLES, 2), np.float32)

        def part(rows: slice) -> None:
            made = metres[rows], edges[rows], solid[rows], spans[rows]
            cast_rows(things.planes, things.lens, towards, aside[rows], steps, _angles(), *made)

        in_parallel(part, _slices(len(aside)))
        bent = np.zeros(metres.shape, np.uint8)
        bends_nearby(metres, grid.wraps, bent)
        return _Cast(grid, step, metres, edges, solid, spans, bent)

    def _shares(self, _: int) -> _InWater:
        cast, grid = self._casts.get(0), self._grid
        every = -(-len(grid.azimuths) // self._water_rows)
        azimuths = grid.azimuths[::every]
        angles = np.linspace(max(grid.first, 1e-3), min(grid.last, math.pi - 1e-3), self._rays)
        ranges = _ranges()
        seen = np.empty((len(azimuths), self._rays), np.float32)
        shares = np.empty((len(azimuths), self._rays, _RANGES, 2), np.float32)
        spread = self._soft / (2.0 * SOFT_AT_M) / grid.step
        apart = max(1, round(spread / 2.0))
        towards, aside = self._local(azimuths)
        ranges_seen(self._things.planes, self._things.lens, towards, aside, angles, seen)
        across = grid.aside(azimuths) @ self._axis
        lamp = np.array([grid.apart_m, self._radius, self._axis @ grid.axes[0], self._beam.per_x], np.float32)
        share, forward, backward = WATER_PHASE
        lobes = np.array([lobe_numbers(forward, share), lobe_numbers(backward, 1.0 - share)], np.float32)
        low, high = (np.empty((len(azimuths), _ANGLES), np.float32) for _ in range(2))
        rows_about(cast.metres, every, apart, grid.wraps, low, high)

        def part(rows: slice) -> None:
            fill_shares(
                (cast.metres, cast.solid),
                (low, high),
                (every, apart, grid.wraps),
                (angles.astype(np.float32), ranges.astype(np.float32), across.astype(np.float32)),
                seen,
                lamp,
                (_angles().astype(np.float32), self._beam.table, lobes),
                ends_of_rates(self._rates).astype(np.float32),
                np.array([rows.start, rows.stop]),
                shares,
            )

        in_parallel(part, _slices(len(azimuths)))
        table = np.array(
            [
                azimuths[0],
                1.0 / (every * grid.step),
                angles[0],
                1.0 / (angles[1] - angles[0]),
                grid.wraps,
                ranges[-1],
            ],
            np.float32,
        )
        untouched = bool((shares == 1.0).all())
        return _InWater(table, seen, _NONE if untouched else shares)


def ends_of_rates(rates: F64) -> F64:
    """Return the rates k and c of the band that loses least and of the one that loses most.

    Parameters
    ----------
    rates
        k and c of each band, 1/m, ``(2, K)``.

    Returns
    -------
    F64
        One of the two bands in each row, ``(2, 2)``.
    """
    lost = rates.sum(axis=0)
    return np.stack([rates[:, lost.argmin()], rates[:, lost.argmax()]])


def weights_of_rates(rates: F64) -> F64:
    """Return how much of the second of `ends_of_rates` is in each band, ``(K,)``, 0 to 1.

    Parameters
    ----------
    rates
        As there.

    Returns
    -------
    F64
        By what is lost there and back.
    """
    lost = rates.sum(axis=0)
    weights: F64 = (lost - lost.min()) / max(float(np.ptp(lost)), 1e-9)
    return weights


def _slices(count: int) -> Sequence[slice]:
    edges = [count * part // _PARTS for part in range(_PARTS + 1)]
    return [slice(a, b) for a, b in pairwise(edges) if b > a]


def _angles() -> F64:
    """Return cosine and sine of the angles at the lamp, ``(A, 2)``."""
    return _turns((np.arange(_ANGLES, dtype=np.float64) + 0.5) * (math.pi / _ANGLES))


def _turns(angles: F64) -> F64:
    return np.stack([np.cos(angles), np.sin(angles)], axis=1)


def _ranges() -> F64:
    """Return the ranges of the table in the water, metres, from 0 on."""
    place = np.linspace(0.0, _LAST_M / (_LAST_M + HALF_SHADOW_M), _RANGES)
    found: F64 = HALF_SHADOW_M * place / (1.0 - place)
    return found
