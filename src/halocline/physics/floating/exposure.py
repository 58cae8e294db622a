"""One exposure of small things: where the lens was while the shutter was open, and what it makes of them."""

from __future__ import annotations

import math
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F64
from halocline.filters.globe import Globe
from halocline.filters.lens_blur import ThinLens, footprint
from halocline.filters.splat import Area, Discs
from halocline.late_dataclass import dataclass
from halocline.physics.floating.exposure_loops import count_pieces, cut_up
from halocline.physics.floating.field import ViewVolume

# The stretch of a ball 87 degrees off the axis, the square root of range over depth.
_ABREAST = 4.4
# What turns less than this while the shutter is open sees the same.
_AS_GOOD_AS_STILL_RAD = 1e-6


class Places(Protocol):
    """World positions of things as the shutter opens, half way, and as it closes, ``(n, 3)`` each."""

    @property
    def opened_m(self) -> F64:
        """As it opens."""

    @property
    def middle_m(self) -> F64:
        """Half way."""

    @property
    def closed_m(self) -> F64:
        """As it closes."""


class ProjectingCamera(Protocol):
    """What this room asks of a camera; `halocline.imaging.camera.Camera` is one."""

    @property
    def rotation(self) -> F64:
        """Axes as columns, camera to world, ``(3, 3)``; it looks down its -z."""

    @property
    def position_m(self) -> F64:
        """The lens, world metres, ``(3,)``."""

    @property
    def tangent_per_px(self) -> tuple[float, float]:
        """Tangents of the view angle per pixel, across and down."""

    @property
    def centre_px(self) -> tuple[float, float]:
        """The optical axis in pixel coordinates."""

    @property
    def globe(self) -> Globe | None:
        """How directions lie in a picture of all of them; None where it looks one way."""

    def project(self, points_m: F64) -> tuple[F64, F64]:
        """Return pixels ``(n, 2)`` and planar depth (all around: range) ``(n,)`` of world points."""

    def rays(self, columns: F64, rows: F64) -> F64:
        """Return unit view directions through a grid of places, camera space, ``(3, rows, columns)``."""

    def stretch(self, pixels: F64) -> F64:
        """Return how much larger than on the axis balls are shown at pixels ``(n, 2)``."""

    def lean(self, axis: F64, points_m: F64) -> F64:
        """Return by how much an axis at world points leans clockwise in the picture, radians ``(n,)``."""


@dataclass(frozen=True)
class Ways:
    """The ways of things over the picture while the shutter is open.

    Attributes
    ----------
    start_px, end_px
        ``(n, 2)``; NaN where a thing passes the lens's own plane.
    bend_px
        ``(n, 2)`` how far off the straight way they are half way.
    depth_m
        ``(n,)`` planar depth, the mean of beginning and end.
    """

    start_px: F64
    end_px: F64
    bend_px: F64
    depth_m: F64

    def __len__(self) -> int:
        return len(self.depth_m)

    @property
    def whole(self) -> NDArray[np.bool_]:
        """Of which things both ends are known, ``(n,)``."""
        known = np.isfinite(self.start_px) & np.isfinite(self.end_px)
        return np.asarray(known[:, 0] & known[:, 1])

    def select(self, which: NDArray[np.int64]) -> Ways:
        """Return the ways of an index array."""
        start, end, bend = (way.take(which, axis=0) for way in (self.start_px, self.end_px, self.bend_px))
        return Ways(start, end, bend, self.depth_m.take(which))


@dataclass(frozen=True)
class Exposure:
    """A shutter's opening.

    Attributes
    ----------
    opened, middle, closed
        The camera at the three moments.
    times_s
        The three moments.
    lens
        Focus, opening, iris.
    area
        Pixels of the picture.
    """

    opened: ProjectingCamera
    middle: ProjectingCamera
    closed: ProjectingCamera
    times_s: tuple[float, float, float]
    lens: ThinLens
    area: Area

    @cached_property
    def px_per_radian(self) -> float:
        """Pixels of one radian at the axis; the mean of both directions."""
        across, down = self.middle.tangent_per_px
        return 1.0 / math.sqrt(across * down)

    @cached_property
    def tangents(self) -> tuple[float, float, float, float]:
        """Left, right, bottom and top of what is seen, with room for blur and the camera's turning."""
        across, down = self.middle.tangent_per_px
        x, y = self.middle.centre_px
        room = 0.5 * self.lens.aperture_m / self.lens.focus_m + self._turning + 4.0 * across
        return (
            (self.area.column - x) * across - room,
            (self.area.column_end - x) * across + room,
            (y - self.area.row_end) * down - room,
            (y - self.area.row) * down + room,
        )

    @cached_property
    def solid_angle(self) -> float:
        """Solid angle of the picture, about, steradian."""
        if self.middle.globe is not None:
            return 4.0 * math.pi
        left, right, bottom, top = self.tangents
        return (math.atan(right) - math.atan(left)) * (math.atan(top) - math.atan(bottom))

    @property
    def _turning(self) -> float:
        """Largest angle between the axes while the shutter is open, radians."""
        turn = self.opened.rotation.T @ self.closed.rotation
        return math.acos(min(1.0, max(-1.0, 0.5 * (float(np.trace(turn)) - 1.0))))

    def view(self, rotation: F64, position_m: F64, *, farthest_m: float, margin_m: float) -> ViewVolume:
        """Return what is seen, for the middle camera placed in another frame of reference.

        Parameters
        ----------
        rotation, position_m
            The middle camera's in that frame.
        farthest_m, margin_m
            See `ViewVolume`; blur and the camera's way in the shutter are added to the margin.
        """
        way = self.closed.position_m - self.opened.position_m
        length = math.sqrt(float(way @ way))
        margin = margin_m + length + 0.5 * self.lens.aperture_m
        tangents = self.tangents if self.middle.globe is None else None
        return ViewVolume(position_m, rotation, tangents, farthest_m, margin)

    def may_show(self, things: Places, radius_m: F64) -> NDArray[np.bool_]:
        """Tell which things may be seen in the picture, be it for a part of the exposure, ``(n,)``.

        Parameters
        ----------
        things
            World positions at the three moments.
        radius_m
            ``(n,)`` of a ball about each that holds all of it.
        """
        if self.middle.globe is not None:
            return np.ones(len(radius_m), np.bool_)
        moments = [(self.middle, things.middle_m)]
        if self._turning > _AS_GOOD_AS_STILL_RAD:
            moments += [(self.opened, things.opened_m), (self.closed, things.closed_m)]
        moved = sum(_lengths(end - things.middle_m) for end in (things.opened_m, things.closed_m))
        seen = [
            self.view(camera.rotation, camera.position_m, farthest_m=math.inf, margin_m=0.0).touches(
                place, radius_m + moved
            )
            for camera, place in moments
        ]
        return np.asarray(np.logical_or.reduce(seen))

    def ways(self, shown: Places) -> Ways:
        """Return the ways of things over the picture while the shutter is open.

        Parameters
        ----------
        shown
            World positions of things at the three moments.
        """
        start, first = self.opened.project(shown.opened_m)
        middle, _ = self.middle.project(shown.middle_m)
        end, last = self.closed.project(shown.closed_m)
        globe = self.middle.globe
        if globe is not None:
            # The way over the seam is the short one.
            start[:, 0], end[:, 0] = (globe.near(place[:, 0], middle[:, 0]) for place in (start, end))
        bend = np.nan_to_num(middle - 0.5 * (start + end))
        return Ways(start, end, bend, 0.5 * (first + last))

    def discs(
        self,
        places: Places,
        *,
        range_m: F64,
        diameter_m: F64,
        opacity: F64,
        light: F64,
        edge_softness: float = 0.0,
        ways: Ways | None = None,
    ) -> Discs:
        """Return things as discs through the lens; those that cannot touch the picture are left out.

        What moves on a curve is cut into straight pieces of equal time, each with its share of the light.

        Parameters
        ----------
        places
            World positions of things at the three moments.
        range_m, diameter_m, opacity
            ``(n,)``; opacity is that of the sharp disc, 0 to 1.
        light
            ``(n, K)`` radiance at the lens.
        edge_softness
            Share of their radius by which the things themselves have no clear edge.
        ways
            Those of the places; found where not given.
        """
        ways = self.ways(places) if ways is None else ways
        ahead = np.flatnonzero(ways.whole)
        if ahead.size < len(ways):
            ways = ways.select(ahead)
        stretch = self.middle.stretch(0.5 * (ways.start_px + ways.end_px))
        thing = 0.5 * diameter_m[ahead] * self.px_per_radian / ways.depth_m * stretch
        blur = self.lens.blur_radius_px(ways.depth_m)
        radius, softness = footprint(thing, np.maximum(blur, edge_softness * thing))
        touching, start, end, pieces = self._cut_up(ways, radius, softness, stretch)
        kept = ahead[touching]
        radius, thing, blur = radius[touching], thing[touching], blur[touching]
        squeeze = None
        # What sees all around has no barrel that could clip.
        if self.lens.cats_eye > 0.0 and self.middle.globe is None:
            middle = 0.5 * (start + end) - np.asarray(self.middle.centre_px)
            squeeze = self.lens.squeeze_px(middle, ways.depth_m[touching], blur)
        return Discs(
            start,
            end,
            radius,
            softness[touching],
            opacity[kept] * math.pi * thing * thing / pieces,
            light.take(kept, axis=0),
            range_m[kept],
            diameter_m[kept],
            squeeze_px=squeeze,
            blurred=blur > thing,
            blades=self.lens.blades,
            blade_angle_rad=self.lens.blade_angle_rad,
        )

    def _cut_up(
        self, ways: Ways, radius: F64, softness: F64, stretch: F64
    ) -> tuple[NDArray[np.int64], F64, F64, NDArray[np.int64]]:
        """Return pieces of ways: which thing each is of, where it begins and ends, pieces of that thing.

        Things that cannot touch the picture have none.
        """
        area, pieces = self.area, np.ones(len(ways), np.int64)
        left, right = float(area.column), float(area.column_end)
        if self.middle.globe is None:
            # A ball abreast of the lens would cover all of a flat film, which no lens shows.
            pieces[stretch >= _ABREAST] = 0
        else:
            left, right = -math.inf, math.inf
        sides = float(area.row), float(area.row_end), left, right
        total = count_pieces(ways.start_px, ways.end_px, ways.bend_px, radius, softness, sides, pieces)
        which, starts, ends = np.empty(total, np.int64), np.empty((total, 2)), np.empty((total, 2))
        cut_up(ways.start_px, ways.end_px, ways.bend_px, pieces, which, starts, ends)
        return which, starts, ends, pieces[which]


def _lengths(vectors: F64) -> F64:
    """Return the lengths of vectors ``(n, 3)``."""
    x, y, z = vectors.T
    return np.asarray(np.sqrt(x * x + y * y + z * z))
