"""Shade: what things in the water keep from the sun.

In surface coordinates (see `halocline.physics.sea.caustics`) the sun's beam goes straight down: a place is
lit unless some thing at the same coordinates lies above it. So a square map of things by place and depth
tells the light at every depth below, and light shafts multiply it in.

A shadow softens with the way below the thing that throws it: by the sun's disc, in proportion, and by the
small angles at which the water throws the beam aside, with the power 3/2 of the way (a random walk in angle;
wells1973 gives it for a pencil of light). What is scattered through wider angles fills it in: that light is
not the beam's, and is not shaded.

Things are points, as many as a picture has pixels. Who hands over what one camera sees must know that only
this can cast: the back of a thing is open, and what lies outside the picture throws nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from halocline._typing import F32, F64
from halocline.physics.sea.surface import SunBeam

# Depths by which things are sorted: each stratum's shadow softens from its own top.
_FIRST_M = 0.25
_RATIO = 1.35
_STRATA = 24
# Standard deviation of the angle by which one scattering throws the beam aside while it still counts as the
# beam's, radians: a few degrees (common practice, no source).
_SMALL_ANGLE_RAD = 0.06
# A cell of the map counts as covered between points that lie this many cells apart.
_CLOSED_CELLS = 3


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
    """

    places_m: F32
    depth_m: F32
    weight: F32


@dataclass(frozen=True)
class ShadeWater:
    """What softens a shadow: the beam, scattering (1/m), and art (1 is physical)."""

    beam: SunBeam
    scattering_per_m: float
    softness: float = 1.0

    def spread_m(self, way_m: float) -> float:
        """Return the standard deviation of a shadow's edge, metres, so far below what throws it.

        Parameters
        ----------
        way_m
            Metres of depth.
        """
        along = way_m * self.beam.slant
        disc = math.sqrt(0.5 * float(np.trace(self.beam.disc_covariance()))) * way_m
        walk = _SMALL_ANGLE_RAD * math.sqrt(self.scattering_per_m * along**3 / 3.0)
        return self.softness * math.hypot(disc, walk)


@dataclass(frozen=True)
class Square:
    """A square grid of surface coordinates: its first point, metres, and distance and number of points."""

    start_m: tuple[float, float]
    step_m: float
    count: int


class Shade:
    """The share of the beam that reaches each place of a square, by depth.

    Parameters
    ----------
    casters
        What stands in the way.
    water
        Beam and scattering.
    square
        Where the light is asked for.
    """

    def __init__(self, casters: Casters, water: ShadeWater, square: Square) -> None:
        self.water = water
        self.square = square
        self._strata = _sorted(casters, water.beam, square)

    def light(self, depth_m: float) -> F32:
        """Return the share of the beam at a depth, ``(count, count)`` float32, rows along y, 0 to 1."""
        lit = np.ones((self.square.count, self.square.count), np.float32)
        for top_m, cover in self._strata:
            if top_m < depth_m:
                lit *= np.float32(1.0) - self._softened(cover, depth_m - top_m)
        return lit

    def _softened(self, cover: F32, way_m: float) -> F32:
        spread = self.water.spread_m(way_m) / self.square.step_m
        if spread < 0.2:
            return cover
        # Light comes in from outside the square, where nothing is known to stand.
        return cv2.GaussianBlur(cover, (0, 0), spread, borderType=cv2.BORDER_CONSTANT)  # type: ignore[return-value]


def _sorted(casters: Casters, beam: SunBeam, square: Square) -> list[tuple[float, F32]]:
    """Return the strata that hold anything: mean depth of what is in them, and the cells it covers."""
    column, row = (
        np.floor((place - casters.depth_m * np.float32(drift) - start) / square.step_m + 0.5).astype(np.int64)
        for place, drift, start in zip(casters.places_m, beam.drift, square.start_m, strict=True)
    )
    inside = (casters.weight > 0) & (column >= 0) & (column < square.count)
    inside &= (row >= 0) & (row < square.count)
    depth = np.maximum(casters.depth_m, np.float32(0.0))
    ladder = np.log(np.maximum(depth, _FIRST_M) / _FIRST_M) / math.log(_RATIO)
    stratum = np.minimum(ladder.astype(np.int64), _STRATA - 1)
    found = []
    for number in np.unique(stratum[inside]):
        these = np.flatnonzero(inside & (stratum == number))
        cover = np.zeros((square.count, square.count), np.float32)
        np.maximum.at(cover, (row[these], column[these]), casters.weight[these])
        found.append((float(depth[these].mean(dtype=np.float64)), _closed(cover)))
    return found


def _closed(cover: F32) -> F32:
    """Close gaps between points of one thing."""
    kernel = np.ones((_CLOSED_CELLS, _CLOSED_CELLS), np.uint8)
    return cv2.morphologyEx(cover, cv2.MORPH_CLOSE, kernel, borderType=cv2.BORDER_REPLICATE)  # type: ignore[return-value]


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
