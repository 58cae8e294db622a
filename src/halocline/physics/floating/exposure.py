"""One exposure of small things: where the lens was while the shutter was open, and what it makes of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np

from halocline._typing import F64
from halocline.filters.lens_blur import ThinLens, footprint
from halocline.filters.splat import Area, Discs
from halocline.physics.floating.field import ViewVolume


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

    def project(self, points_m: F64) -> tuple[F64, F64]:
        """Return pixels ``(n, 2)`` and planar depth ``(n,)`` of world points."""


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
        return ViewVolume(position_m, rotation, self.tangents, farthest_m, margin)

    def _stretch(self, pixels: F64) -> F64:
        """Return how much larger a flat film shows balls at pixels ``(n, 2)``: area by range over depth."""
        tangents = (pixels - np.asarray(self.middle.centre_px)) * np.asarray(self.middle.tangent_per_px)
        stretch: F64 = (1.0 + (tangents * tangents).sum(axis=1)) ** 0.25
        return stretch

    def streaks(self, opened_m: F64, closed_m: F64) -> tuple[F64, F64, F64]:
        """Return pixels at shutter opening and closing, and depth.

        Parameters
        ----------
        opened_m, closed_m
            World positions ``(n, 3)`` of things at the two moments.

        Returns
        -------
        start_px, end_px
            ``(n, 2)``; NaN where a thing passes the lens's own plane.
        depth_m
            ``(n,)`` planar depth, the mean of both.
        """
        start, first = self.opened.project(opened_m)
        end, last = self.closed.project(closed_m)
        return start, end, 0.5 * (first + last)

    def discs(
        self,
        opened_m: F64,
        closed_m: F64,
        *,
        range_m: F64,
        diameter_m: F64,
        opacity: F64,
        light: F64,
        edge_softness: float = 0.0,
    ) -> Discs:
        """Return things as discs through the lens; those that cannot touch the picture are left out.

        Parameters
        ----------
        opened_m, closed_m
            World positions ``(n, 3)`` at shutter opening and closing.
        range_m, diameter_m, opacity
            ``(n,)``; opacity is that of the sharp disc, 0 to 1.
        light
            ``(n, K)`` radiance at the lens.
        edge_softness
            Share of their radius by which the things themselves have no clear edge.
        """
        start, end, depth = self.streaks(opened_m, closed_m)
        ahead = np.flatnonzero(np.isfinite(start).all(axis=1) & np.isfinite(end).all(axis=1))
        start, end, depth = start[ahead], end[ahead], depth[ahead]
        thing = 0.5 * diameter_m[ahead] * self.px_per_radian / depth * self._stretch(0.5 * (start + end))
        blur = self.lens.blur_radius_px(depth)
        radius, softness = footprint(thing, np.maximum(blur, edge_softness * thing))
        reach = 1.1 * (radius + softness) + 2.0
        low, high = np.minimum(start, end) - reach[:, None], np.maximum(start, end) + reach[:, None]
        area = self.area
        touching = np.flatnonzero(
            (high[:, 0] > area.column)
            & (low[:, 0] < area.column_end)
            & (high[:, 1] > area.row)
            & (low[:, 1] < area.row_end)
        )
        kept = ahead[touching]
        start, end, radius, thing = start[touching], end[touching], radius[touching], thing[touching]
        squeeze = None
        if self.lens.cats_eye > 0.0:
            middle = 0.5 * (start + end) - np.asarray(self.middle.centre_px)
            squeeze = self.lens.squeeze_px(middle, depth[touching], blur[touching])
        return Discs(
            start,
            end,
            radius,
            softness[touching],
            opacity[kept] * math.pi * thing * thing,
            light[kept],
            range_m[kept],
            diameter_m[kept],
            squeeze_px=squeeze,
            blades=self.lens.blades,
            blade_angle_rad=self.lens.blade_angle_rad,
        )
