"""The camera: where each pixel's view ray starts and where it goes.

World space is the renderer's, in metres. Camera space is right-handed and looks down -z with x right and y
up. (OpenEXR's ``worldToCamera`` is left-handed and looks down +z; `camera_metadata` turns it round.) Pixels
are addressed in display-window coordinates; a pixel's ray goes through its centre.
"""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled
from halocline.errors import CameraError
from halocline.filters.globe import Globe
from halocline.imaging.frame import Window
from halocline.late_dataclass import dataclass

# Farther from the world's origin no lens stands; a damaged matrix may say so, and places would leave float32.
FARTHEST_CAMERA_M = 1e9
FARTHEST_CENTRE_PX = 1e10
# Pixels whose sides differ by no more than a hundredth are as good as square. More than four times as long as
# high are only those of damaged headers, and pictures of square ones would grow without bound.
_SQUARE, _MOST_OBLONG = math.log(1.01), 4.0


@compiled
def unit_component(by_row: F32, by_column: F32, out: F32) -> None:
    """Write (a + b) / sqrt(c + d), -1 to 1, with a, c by row, ``(2, rows)``, and b, d by column."""
    most = np.float32(1.0)
    for row in range(out.shape[0]):
        line, dot, squared = out[row], by_row[0, row], by_row[1, row]
        dots, squares = by_column[0], by_column[1]
        for column in range(line.size):
            value = (dot + dots[column]) / np.sqrt(squared + squares[column])
            line[column] = min(max(value, -most), most)


@dataclass(frozen=True)
class Camera:
    """A pinhole camera.

    Attributes
    ----------
    rotation
        ``(3, 3)``: columns are the camera's x, y and z axes in world space (camera to world).
    position_m
        ``(3,)``: the lens in world space, metres.
    tangent_per_px
        Horizontal and vertical tangent of the view angle per pixel, at the image centre; both positive.
    centre_px
        x and y of the optical axis in pixel coordinates (0.5 is the centre of pixel 0).
    focal_length_mm, film_width_mm
        The lens and film back behind the tangents; for depth of field and the record.
    near_m, far_m
        Clipping range, metres, where known; normalised depth needs it.
    source
        Where the camera comes from, for the report.
    """

    rotation: F64
    position_m: F64
    tangent_per_px: tuple[float, float]
    centre_px: tuple[float, float]
    focal_length_mm: float
    film_width_mm: float
    near_m: float | None = None
    far_m: float | None = None
    source: str = "stated"

    def __post_init__(self) -> None:
        finite = np.isfinite(self.rotation).all() and np.isfinite(self.position_m).all()
        if not finite or np.abs(self.rotation.T @ self.rotation - np.eye(3)).max() > 1e-3:
            raise CameraError(
                "the camera's axes are not at right angles and of unit length, or it stands nowhere",
                code="E-CAMERA-MATRIX",
                where=self.source,
                fix="A camera matrix may rotate and move, not shear; set input.scene_unit instead.",
            )
        if float(np.abs(self.position_m).max()) > FARTHEST_CAMERA_M:
            raise CameraError(
                f"the camera stands {np.abs(self.position_m).max():.3g} m from the world's origin",
                code="E-CAMERA-MATRIX",
                where=self.source,
                fix=f"Correct its matrix, or input.scene_unit: {FARTHEST_CAMERA_M:g} m are the most.",
            )
        # A pixel as wide as 1000 focal lengths is none; the bound also keeps squares within float32.
        if not all(0 < tangent < 1e3 for tangent in self.tangent_per_px):
            raise CameraError(
                f"a view of {self.tangent_per_px} tangents per pixel is impossible",
                code="E-CAMERA-LENS",
                where=self.source,
                fix="Check focal length and film back: both must be positive millimetres.",
            )
        # Beyond any window that a file can state; squares of what lies between would leave float32.
        if not all(abs(centre) < FARTHEST_CENTRE_PX for centre in self.centre_px):
            raise CameraError(
                f"a view whose axis meets the picture at {self.centre_px} pixels is impossible",
                code="E-CAMERA-LENS",
                where=self.source,
                fix="Check the screen window's centre, or the sensor's offset, of the camera.",
            )

    def stands_as(self, other: Camera) -> bool:
        """Tell whether another camera stands in the same place and looks the same way.

        Parameters
        ----------
        other
            Another.

        Returns
        -------
        bool
            To a micrometre, and a millionth of a turn.
        """
        return np.allclose(self.position_m, other.position_m, rtol=0.0, atol=1e-6) and np.allclose(
            self.rotation, other.rotation, rtol=0.0, atol=1e-6
        )

    @property
    def axis(self) -> F64 | None:
        """Where it looks, unit, world, ``(3,)``; None for a picture of all directions."""
        axis: F64 = -self.rotation[:, 2]
        return axis if self.globe is None else None

    @property
    def globe(self) -> Globe | None:
        """How directions lie in a picture of all of them; None: this camera looks one way."""
        return None

    @cached_property
    def focal_px(self) -> float:
        """Focal length in pixels (horizontal)."""
        return 1.0 / self.tangent_per_px[0]

    def in_square_pixels(self, shape: tuple[int, int]) -> tuple[tuple[int, int], float]:
        """Return a picture's shape on pixels as wide as they are high, and its focal length in those.

        Parameters
        ----------
        shape
            Rows and columns on this camera's own pixels.

        Returns
        -------
        shape, focal_px
            On pixels of the finer of both sides. As they are where both are alike to a percent, and in
            pictures of all directions.
        """
        across, down = self.tangent_per_px
        if self.globe is not None or abs(math.log(across / down)) < _SQUARE:
            return shape, self.focal_px
        if across > down:
            return (shape[0], round(shape[1] * min(across / down, _MOST_OBLONG))), 1.0 / down
        return (round(shape[0] * min(down / across, _MOST_OBLONG)), shape[1]), self.focal_px

    def tangents(self, region: Window, *, every: int = 1) -> tuple[F64, F64]:
        """Return the view-ray tangents of the region's columns ``(columns,)`` and rows ``(rows,)``.

        The ray of a pixel is ``(x tangent, y tangent, -1)`` in camera space, not normalised.

        Parameters
        ----------
        region
            Pixels wanted, in display-window coordinates; may reach beyond the picture.
        every
            Only every so many of its columns and rows, from the first on.

        Returns
        -------
        x, y
            ``(columns,)`` positive to the right and ``(rows,)`` positive upward, float64, no unit.
        """
        columns = np.arange(region.x, region.x_end, every, dtype=np.float64) + 0.5
        rows = np.arange(region.y, region.y_end, every, dtype=np.float64) + 0.5
        x: F64 = (columns - self.centre_px[0]) * self.tangent_per_px[0]
        y: F64 = (self.centre_px[1] - rows) * self.tangent_per_px[1]
        return x, y

    def range_per_depth(self, region: Window, *, every: int = 1) -> F32:
        """Return range divided by planar depth for each pixel, ``(rows, columns)``, 1 on the axis.

        Parameters
        ----------
        region
            Pixels wanted, as `tangents` takes them.
        every
            Step between the columns and rows wanted.

        Returns
        -------
        ``(rows, columns)`` float32, 1 or more.
        """
        x, y = self.tangents(region, every=every)
        squared = np.add.outer((1.0 + y * y).astype(np.float32), (x * x).astype(np.float32))
        return np.sqrt(squared, out=squared)

    def component(self, region: Window, axis: F64, *, every: int = 1) -> F32:
        """Return the unit view direction's component along a world axis, ``(rows, columns)``, -1 to 1.

        Parameters
        ----------
        region
            Pixels wanted, as `tangents` takes them.
        axis
            Unit vector in world space, ``(3,)``.
        every
            Step between the columns and rows wanted.

        Returns
        -------
        ``(rows, columns)`` float32.
        """
        along = self.rotation.T @ np.asarray(axis, np.float64)
        x, y = self.tangents(region, every=every)
        by_row = np.stack([along[1] * y - along[2], 1.0 + y * y]).astype(np.float32)
        by_column = np.stack([along[0] * x, x * x]).astype(np.float32)
        out = np.empty((y.size, x.size), np.float32)
        unit_component(by_row, by_column, out)
        return out

    def directions(self, region: Window) -> F32:
        """Return unit view directions in world space, ``(3, rows, columns)``, away from the lens.

        Parameters
        ----------
        region
            Pixels wanted, as `tangents` takes them.

        Returns
        -------
        ``(3, rows, columns)`` float32.
        """
        return np.stack([self.component(region, axis) for axis in np.eye(3)])

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
        x = (columns - self.centre_px[0]) * self.tangent_per_px[0]
        y = (self.centre_px[1] - rows) * self.tangent_per_px[1]
        grid_x, grid_y = np.meshgrid(x, y)
        local = np.stack([grid_x, grid_y, np.full_like(grid_x, -1.0)])
        local /= np.sqrt((local * local).sum(axis=0))
        return local

    def stretch(self, pixels: F64) -> F64:
        """Return how much larger than on its axis a flat film shows balls: area by range over depth.

        Parameters
        ----------
        pixels
            ``(n, 2)``.

        Returns
        -------
        F64
            ``(n,)``, 1 or more.
        """
        tangents = (pixels - np.asarray(self.centre_px)) * np.asarray(self.tangent_per_px)
        stretch: F64 = (1.0 + (tangents * tangents).sum(axis=1)) ** 0.25
        return stretch

    def lean(self, axis: F64, points_m: F64) -> F64:
        """Return by how much an axis leans clockwise from the picture's upright, radians; 0 seen end on.

        Parameters
        ----------
        axis
            Unit vector, world.
        points_m
            ``(n, 3)``, world: where the axis stands. A flat film shows it alike everywhere.

        Returns
        -------
        F64
            ``(n,)``.
        """
        right, above = (float(part) for part in (self.rotation.T @ np.asarray(axis, np.float64))[:2])
        end_on = math.hypot(right, above) <= 1e-6
        return np.full(len(points_m), 0.0 if end_on else math.atan2(right, above))

    def project(self, points_m: F64) -> tuple[F64, F64]:
        """Project world points ``(n, 3)`` to pixels.

        Parameters
        ----------
        points_m
            ``(n, 3)``, metres, world space.

        Returns
        -------
        pixels
            ``(n, 2)`` x, y in display-window coordinates (0.5 is the centre of pixel 0).
        depth_m
            ``(n,)`` planar depth, positive in front of the lens. Pixels of points at depth <= 0 are NaN.
        """
        local = (np.asarray(points_m, np.float64) - self.position_m) @ self.rotation
        depth = -local[:, 2]
        with np.errstate(divide="ignore", invalid="ignore"):
            inverse = np.where(depth > 0, 1.0 / depth, np.nan)
        x = self.centre_px[0] + local[:, 0] * inverse / self.tangent_per_px[0]
        y = self.centre_px[1] - local[:, 1] * inverse / self.tangent_per_px[1]
        return np.stack([x, y], axis=1), depth


def pinhole(
    display_window: Window,
    *,
    focal_length_mm: float,
    film_width_mm: float,
    film_height_mm: float | None = None,
    film_offset_mm: tuple[float, float] = (0.0, 0.0),
    pixel_aspect: float = 1.0,
    camera_to_world: F64 | None = None,
    near_m: float | None = None,
    far_m: float | None = None,
    source: str = "stated",
) -> Camera:
    """Build a camera from lens, film back and a matrix.

    Parameters
    ----------
    display_window
        The pixels that the film back spans.
    focal_length_mm, film_width_mm, film_height_mm
        Positive millimetres. Without a height, the pixel aspect gives it.
    film_offset_mm
        Shift of the film to the right and up.
    pixel_aspect
        Width of a pixel divided by its height.
    camera_to_world
        ``(4, 4)``, points as columns, metres. Identity where not given: level, looking down -z.
    near_m, far_m, source
        See `Camera`.

    Returns
    -------
    Camera
        The camera.

    Raises
    ------
    CameraError
        ``E-CAMERA-LENS`` or ``E-CAMERA-MATRIX`` where the numbers make no camera.
    """
    if not (focal_length_mm > 0 and film_width_mm > 0 and pixel_aspect > 0):
        raise CameraError(
            f"focal length {focal_length_mm:g} mm, film width {film_width_mm:g} mm and "
            f"pixel aspect {pixel_aspect:g} make no camera",
            code="E-CAMERA-LENS",
            where=source,
            fix="All three must be positive.",
        )
    matrix = np.eye(4) if camera_to_world is None else np.asarray(camera_to_world, np.float64)
    across = film_width_mm / display_window.width
    down = film_height_mm / display_window.height if film_height_mm else across / pixel_aspect
    return Camera(
        rotation=matrix[:3, :3],
        position_m=matrix[:3, 3],
        tangent_per_px=(across / focal_length_mm, down / focal_length_mm),
        centre_px=(
            display_window.x + display_window.width / 2 - film_offset_mm[0] / across,
            display_window.y + display_window.height / 2 + film_offset_mm[1] / down,
        ),
        focal_length_mm=focal_length_mm,
        film_width_mm=film_width_mm,
        near_m=near_m,
        far_m=far_m,
        source=source,
    )


def turned_axes(level: F64, *, pan_deg: float, tilt_deg: float, roll_deg: float) -> F64:
    """Return a level camera's axes after it was panned, then tilted, then rolled.

    Parameters
    ----------
    level
        ``(3, 3)``: columns are right, up and back of the level camera in world space.
    pan_deg
        Degrees to the right: clockwise seen from above.
    tilt_deg
        Degrees upward.
    roll_deg
        Degrees clockwise seen from behind the camera; the horizon in the picture leans the other way.

    Returns
    -------
    F64
        ``(3, 3)``, the turned axes in the same order.

    Examples
    --------
    A level camera looks down -z. Panned by 90 degrees it looks down +x:

    >>> looks = -turned_axes(np.eye(3), pan_deg=90.0, tilt_deg=0.0, roll_deg=0.0)[:, 2]
    >>> bool(np.allclose(looks, [1.0, 0.0, 0.0]))
    True
    """
    right, up, ahead = level[:, 0], level[:, 1], -level[:, 2]
    right, ahead = _turned(right, ahead, -pan_deg)
    up, ahead = _turned(up, ahead, -tilt_deg)
    right, up = _turned(right, up, -roll_deg)
    return np.stack([right, up, -ahead], axis=1)


def _turned(first: F64, second: F64, degrees: float) -> tuple[F64, F64]:
    """Return two axes turned in their plane, the first toward the second."""
    cosine, sine = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return cosine * first + sine * second, cosine * second - sine * first
