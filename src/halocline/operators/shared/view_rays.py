"""View rays through the points of a grid, and what turning them does to the picture."""

from __future__ import annotations

import numpy as np

from halocline._typing import F32, F64
from halocline.filters.displacement import Grid
from halocline.imaging.camera import Camera
from halocline.imaging.frame import Window
from halocline.late_dataclass import dataclass

# A picture all around is seven times as wide as one of a usual lens (35 mm on 36), and is looked at as often
# with a wider one.
_AROUND = 4


@dataclass(frozen=True)
class Rays:
    """The view rays of a grid.

    Attributes
    ----------
    camera
        Whose they are.
    directions
        Unit, world space, ``(3, rows, columns)``.
    columns, rows
        The grid's pixel coordinates.
    """

    camera: Camera
    directions: F32
    columns: F64
    rows: F64

    def component(self, axis: F64) -> F32:
        """Return the rays' component along a world axis, ``(rows, columns)``."""
        return _dot(axis, self.directions)

    def shift(self, turn: F32) -> F32:
        """Return by how many pixels a change of direction ``(3, rows, columns)`` moves what is seen.

        Right and down, ``(2, rows, columns)``.
        """
        camera = self.camera
        turned = self.directions + turn
        x, y, z = (_dot(axis, turned) for axis in camera.rotation.T)
        # A view turned away from the lens altogether is held at its rim.
        forward = np.maximum(-z, np.float32(1e-3))
        across = x / forward * np.float32(1.0 / camera.tangent_per_px[0])
        down = y / forward * np.float32(-1.0 / camera.tangent_per_px[1])
        across -= (self.columns - camera.centre_px[0]).astype(np.float32)
        down -= (self.rows - camera.centre_px[1]).astype(np.float32)[:, None]
        return np.stack([across, down])


def grid_rays(camera: Camera, grid: Grid) -> Rays:
    """Return the view rays through a grid's points.

    Parameters
    ----------
    camera
        The camera.
    grid
        A grid over its picture.

    Returns
    -------
    Rays
        Unit directions, world, ``(3, rows, columns)``, float32, with the pixels that they go through.
    """
    columns, rows = grid.columns, grid.rows
    if camera.globe is not None:
        turned = np.einsum("ij,jrc->irc", camera.rotation, camera.rays(columns, rows))
        return Rays(camera, turned.astype(np.float32), columns, rows)
    x = (columns - camera.centre_px[0]) * camera.tangent_per_px[0]
    y = (camera.centre_px[1] - rows) * camera.tangent_per_px[1]
    length = np.sqrt(1.0 + np.add.outer(y * y, x * x))
    world = [
        (np.add.outer(y * axis[1] - axis[2], x * axis[0]) / length).astype(np.float32)
        for axis in camera.rotation
    ]
    return Rays(camera, np.stack(world), columns, rows)


def ray_spacing(camera: Camera, display_window: Window, rays: int) -> float:
    """Return how many pixels apart coarse rays are.

    Parameters
    ----------
    camera
        The camera.
    display_window
        Its picture.
    rays
        How many there are across a picture. Of all directions there are more, and whole spacings around, so
        that nothing shows where the picture meets itself.

    Returns
    -------
    float
        1 or more.
    """
    if camera.globe is None:
        return max(1.0, display_window.width / rays)
    around = camera.globe.around_px
    return around / min(_AROUND * rays, max(1, int(around)))


def spaced_rays(camera: Camera, axes: F64, window: Window, spacing_px: float) -> F32:
    """Return view rays some pixels apart over a window.

    Parameters
    ----------
    camera
        The camera.
    axes
        Axes to give them along, unit, world, as rows, ``(3, 3)``.
    window
        Pixels to cover.
    spacing_px
        From one to the next, pixels.

    Returns
    -------
    F32
        Unit directions' components along the axes, ``(3, rows, columns)``. The first goes through the upper
        left corner of the window, the last lie beyond the other corners.
    """
    columns: F64 = np.arange(int(window.width / spacing_px) + 2, dtype=np.float64) * spacing_px + window.x
    rows: F64 = np.arange(int(window.height / spacing_px) + 2, dtype=np.float64) * spacing_px + window.y
    directions = np.einsum("ij,jrc->irc", axes @ camera.rotation, camera.rays(columns, rows))
    return np.ascontiguousarray(directions, dtype=np.float32)


def _dot(axis: F64, directions: F32) -> F32:
    x, y, z = (np.float32(part) for part in axis)
    component: F32 = directions[0] * x + directions[1] * y + directions[2] * z
    return component
