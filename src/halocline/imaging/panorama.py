"""Panoramas: cameras that see all directions, in pictures whose columns are longitudes and rows latitudes.

OpenEXR's documentation (ImfEnvmap.h, "Latitude-Longitude Map"; openexr_envmap) has the pixel in the upper
left corner look to latitude +pi/2 and longitude +pi, the one in the lower right corner to -pi/2 and -pi: the
outer pixels' centres lie on the poles and on the seam, and the first and the last column show the same.
Latitudes +pi/2 and -pi/2 are the positive and negative y direction; latitude 0 and longitude 0 is +z,
longitude pi/2 is +x. So the middle of the picture looks along +z, and what is right of it lies towards -x.
Many programs write the outer pixels' edges there instead of their centres, so that no column comes twice
(common practice, no source): both can be had.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cached_property
from typing import Literal

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.planes_on_disk import empty_plane
from halocline.filters.globe import Globe
from halocline.imaging.camera import Camera
from halocline.imaging.frame import Frame, Window
from halocline.late_dataclass import dataclass

PanoramaPixels = Literal["centres", "edges"]

# A panorama has no lens; this is what things near it are out of focus by, and it is short: millimetres.
# Lenses of panoramic rigs are fisheyes (common practice, no source).
PANORAMA_FOCAL_MM = 8.0


@dataclass(frozen=True)
class Panorama(Camera):
    """A camera that sees all around.

    The middle of its picture looks down its -z, as any camera does; its rays go to longitude
    ``(x - centre) tangent`` to the right and to latitude ``(centre - y) tangent`` upward. So
    ``tangent_per_px`` are radians per pixel here, and depth is always along the ray.
    """

    @cached_property
    def globe(self) -> Globe:
        """How directions lie in its picture."""
        across, down = self.tangent_per_px
        return Globe(1.0 / across, 1.0 / down, self.centre_px[1])

    def range_per_depth(self, region: Window, *, every: int = 1) -> F32:
        """Return 1 for each pixel: depth is range.

        Parameters
        ----------
        region
            Pixels wanted.
        every
            Step between the columns and rows wanted.

        Returns
        -------
        ``(rows, columns)`` float32.
        """
        return np.ones((-(-region.height // every), -(-region.width // every)), np.float32)

    def component(self, region: Window, axis: F64, *, every: int = 1) -> F32:
        """Return the unit view direction's component along a world axis, ``(rows, columns)``, -1 to 1.

        Parameters
        ----------
        region
            Pixels wanted, in display-window coordinates; beyond the picture it goes on around the sphere.
        axis
            Unit vector in world space, ``(3,)``.
        every
            Step between the columns and rows wanted.

        Returns
        -------
        ``(rows, columns)`` float32.
        """
        along = self.rotation.T @ np.asarray(axis, np.float64)
        columns = np.arange(region.x, region.x_end, every, dtype=np.float64) + 0.5
        rows = np.arange(region.y, region.y_end, every, dtype=np.float64) + 0.5
        longitude, latitude = self._angles(columns, rows)
        level = along[0] * np.sin(longitude) - along[2] * np.cos(longitude)
        out = np.multiply.outer(np.cos(latitude), level)
        out += (along[1] * np.sin(latitude))[:, None]
        np.clip(out, -1.0, 1.0, out=out)
        component: F32 = out.astype(np.float32)
        return component

    def rays(self, columns: F64, rows: F64) -> F64:
        """Return the unit view directions through a grid of places, in camera space.

        Parameters
        ----------
        columns, rows
            Pixel coordinates, ``(columns,)`` and ``(rows,)``.

        Returns
        -------
        F64
            ``(3, rows, columns)``.
        """
        longitude, latitude = self._angles(columns, rows)
        level = np.cos(latitude)
        return np.stack(
            [
                np.multiply.outer(level, np.sin(longitude)),
                np.broadcast_to(np.sin(latitude)[:, None], (len(rows), len(columns))),
                -np.multiply.outer(level, np.cos(longitude)),
            ]
        )

    def project(self, points_m: F64) -> tuple[F64, F64]:
        """Project world points ``(n, 3)`` to pixels.

        Parameters
        ----------
        points_m
            ``(n, 3)``, metres, world space.

        Returns
        -------
        pixels
            ``(n, 2)`` x, y in display-window coordinates, within half a turn of the middle.
        depth_m
            ``(n,)`` range.
        """
        local = (np.asarray(points_m, np.float64) - self.position_m) @ self.rotation
        level = np.hypot(local[:, 0], local[:, 2])
        x = self.centre_px[0] + np.arctan2(local[:, 0], -local[:, 2]) / self.tangent_per_px[0]
        y = self.centre_px[1] - np.arctan2(local[:, 1], level) / self.tangent_per_px[1]
        return np.stack([x, y], axis=1), np.hypot(level, local[:, 1])

    def stretch(self, pixels: F64) -> F64:
        """Return 1: a ball is as large in any direction, in pixels of the equator.

        Parameters
        ----------
        pixels
            ``(n, 2)``.

        Returns
        -------
        F64
            ``(n,)``.
        """
        return np.ones(len(pixels))

    def lean(self, axis: F64, points_m: F64) -> F64:
        """Return by how much an axis leans clockwise from the picture's upright, radians.

        Parameters
        ----------
        axis
            Unit vector, world.
        points_m
            ``(n, 3)``, world: where the axis stands.

        Returns
        -------
        F64
            ``(n,)``.
        """
        local = (np.asarray(points_m, np.float64) - self.position_m) @ self.rotation
        level = np.maximum(np.hypot(local[:, 0], local[:, 2]), 1e-12)
        range_m = np.maximum(np.hypot(level, local[:, 1]), 1e-12)
        right = np.stack([-local[:, 2] / level, np.zeros(len(local)), local[:, 0] / level], axis=1)
        ahead = local / range_m[:, None]
        above = np.cross(right, ahead)
        along = self.rotation.T @ np.asarray(axis, np.float64)
        return np.arctan2(right @ along, above @ along)

    def _angles(self, columns: F64, rows: F64) -> tuple[F64, F64]:
        """Return longitudes to the right and latitudes upward, radians."""
        across, down = self.tangent_per_px
        return (columns - self.centre_px[0]) * across, (self.centre_px[1] - rows) * down


def panorama(
    display_window: Window,
    *,
    pixels: PanoramaPixels = "centres",
    camera_to_world: F64 | None = None,
    focal_length_mm: float = PANORAMA_FOCAL_MM,
    source: str = "stated",
) -> Panorama:
    """Build the camera of a panorama.

    Parameters
    ----------
    display_window
        Its pixels.
    pixels
        What of the outer pixels lies on poles and seam: their ``centres``, as OpenEXR's documentation has it,
        or their ``edges``.
    camera_to_world
        ``(4, 4)``, points as columns, metres. Identity where not given: its middle looks down -z.
    focal_length_mm
        What things near it are out of focus by.
    source
        See `Camera`.

    Returns
    -------
    Panorama
        The camera.

    Examples
    --------
    The pixel in the upper left corner looks up, the one in the middle of the left side backwards:

    >>> camera = panorama(Window(0, 0, 9, 5))
    >>> up, back = camera.directions(Window(0, 0, 1, 5))[:, [0, 2], 0].T
    >>> [round(float(part), 6) + 0.0 for part in (up[1], back[2])]
    [1.0, 1.0]
    """
    matrix = np.eye(4) if camera_to_world is None else np.asarray(camera_to_world, np.float64)
    less = 1 if pixels == "centres" else 0
    across = 2.0 * math.pi / max(1, display_window.width - less)
    return Panorama(
        rotation=matrix[:3, :3],
        position_m=matrix[:3, 3],
        tangent_per_px=(across, math.pi / max(1, display_window.height - less)),
        centre_px=(
            display_window.x + display_window.width / 2,
            display_window.y + display_window.height / 2,
        ),
        focal_length_mm=focal_length_mm,
        film_width_mm=2.0 * math.pi * focal_length_mm,
        source=source,
    )


def continued(frame: Frame, camera: Camera, columns: int) -> Frame:
    """Return a panorama with what lies beyond its first and last column, as it goes on around.

    Parameters
    ----------
    frame
        The picture, of all directions.
    camera
        Its camera.
    columns
        How many columns to each side.

    Returns
    -------
    Frame
        As much wider, the same where the camera is no panorama.
    """
    window = frame.data_window
    wider = around(window, camera, columns)
    if camera.globe is None or wider == window:
        return frame
    at = np.arange(wider.x, wider.x_end) - window.x
    beyond = (at < 0) | (at >= window.width)
    at[beyond] %= round(camera.globe.around_px)
    planes = {}
    for name, plane in frame.planes.items():
        planes[name] = empty_plane((*plane.shape[:-1], wider.width), plane.dtype)
        np.take(plane, at, axis=-1, out=planes[name])
    return replace(frame, planes=planes, data_window=wider)


def around(window: Window, camera: Camera, columns: int) -> Window:
    """Return a window with as many more columns to each side where its camera sees all around.

    Parameters
    ----------
    window
        The picture.
    camera
        Its camera.
    columns
        How many to each side.

    Returns
    -------
    Window
        The wider window; the same for any other camera.
    """
    if camera.globe is None:
        return window
    return Window(window.x - columns, window.y, window.width + 2 * columns, window.height)
