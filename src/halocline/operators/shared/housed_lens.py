"""What flat port and dome have in common as operators: parameters, displacement, softness, overscan."""

from __future__ import annotations

from abc import abstractmethod
from functools import lru_cache
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from halocline._typing import F32, F64
from halocline.compute.threads import in_parallel
from halocline.filters.displacement import Grid, normalised_map, overscan_needed, sample_sharp
from halocline.filters.pyramid_blur import VaryingBlur, bands_of_rows
from halocline.graph.operator import WHOLE, Operator, P, Planes, PlaneUse, Stage, Tile
from halocline.graph.shot import Shot
from halocline.imaging.camera import Camera
from halocline.imaging.frame import Window
from halocline.late_dataclass import dataclass
from halocline.physics.bending.ports import (
    DomePort,
    FlatPort,
    Port,
    colour_smear,
    lens_tangents,
    pinhole_tangents,
)
from halocline.physics.bending.refraction import CHANNEL_WAVELENGTHS_NM
from halocline.quantities import Distance, Factor, Ratio, Strict

# Pixels between the rays that are traced. What a port does to a picture is so smooth that straight lines
# between them are off by less than 0.01 px.
GRID_STEP = 8
# Wavelength that stands for the picture as a whole.
GREEN = 1


class HousedLensParameters(Strict):
    """Parameters of a lens behind a port.

    Attributes
    ----------
    mode
        ``apply`` makes the picture that the port gives; ``remove`` takes a port's picture back to that of a
        pinhole in water.
    subject_range
        Distance along the axis, metres, of the subject that lens and port are set for: focused there, and
        displaced exactly.
    temperature, salinity
        Of the water in front of the port: degrees Celsius and parts per thousand.
    fringes
        Art: multiplies the spread of colours; 1 is physical.
    softness
        Art: multiplies blur by the port; 1 is physical.
    f_number
        Of the lens, for blur; its focal length is the render's.
    """

    mode: Literal["apply", "remove"] = "apply"
    subject_range: Distance = 3.0
    temperature: Annotated[float, Field(ge=0.0, le=30.0)] = 12.0
    salinity: Annotated[float, Field(ge=0.0, le=35.0)] = 35.0
    fringes: Ratio = 1.0
    softness: Ratio = 1.0
    f_number: Factor = 5.6


@dataclass(frozen=True)
class PortPicture:
    """What becomes of each pixel, over the window.

    Attributes
    ----------
    shift
        Displacement of red, green and blue, right and down in pixels, on the grid, ``(3, 2, rows, columns)``.
    blurs
        The blur of red, green and blue.
    """

    shift: F32
    blurs: tuple[VaryingBlur, VaryingBlur, VaryingBlur]

    @classmethod
    def of(cls, grid: Grid, shift: F64, blur_px: F64) -> PortPicture:
        """Return the picture of a shift and of blurs ``(3, rows, columns)``, pixels, on a grid."""
        red, green, blue = (VaryingBlur.of(grid, sigma) for sigma in blur_px.astype(np.float32))
        return cls(shift.astype(np.float32), (red, green, blue))

    @property
    def grid(self) -> Grid:
        """Where the shifts are."""
        return self.blurs[GREEN].grid

    def overscan(self, display_window: Window) -> tuple[int, int, int, int]:
        """Return the pixels lacking around the window to fill the display window within it.

        Left, top, right, bottom. A port neither folds nor tears the picture, so what it looks for farthest
        out it sees at an edge.
        """
        grid, shown = self.grid, display_window
        edges = (
            grid.inner(shown.x, shown.y, shown.width, 1),
            grid.inner(shown.x, shown.y_end - 1, shown.width, 1),
            grid.inner(shown.x, shown.y, 1, shown.height),
            grid.inner(shown.x_end - 1, shown.y, 1, shown.height),
        )
        needs = []
        for edge in edges:
            for shift in self.shift:
                x, y = edge.source_maps(grid.part(edge, shift))
                corner = np.float32(edge.x - grid.x), np.float32(edge.y - grid.y)
                needs.append(overscan_needed(x + corner[0], y + corner[1], (grid.height, grid.width)))
        left, top, right, bottom = (max(side) for side in zip(*needs, strict=True))
        return left, top, right, bottom


def port_picture(
    port: FlatPort | DomePort,
    parameters: HousedLensParameters,
    shot: Shot,
    lens_scale: float,
) -> PortPicture:
    """Return what a port does to the pixels of a frame.

    Parameters
    ----------
    port
        The port.
    parameters
        See there.
    shot
        Gives the camera and the windows.
    lens_scale
        Tangents in air per tangent of the render's camera: 1 where that is the lens in air.

    Returns
    -------
    PortPicture
        Where each pixel's light comes from, and how soft it is.
    """
    camera, window = shot.camera, shot.data_window
    grid = Grid(window.x, window.y, window.width, window.height, GRID_STEP)
    lens = RenderLens(
        camera.tangent_per_px, camera.centre_px, camera.focal_length_mm, _corner(camera, shot.display_window)
    )
    return _port_picture(port, parameters, lens, grid, lens_scale)


def _corner(camera: Camera, display_window: Window) -> float:
    """Return the tangent of the view angle at the display window's farthest corner."""
    x, y = camera.tangents(display_window)
    return float(np.hypot(np.abs(x).max(), np.abs(y).max()))


@dataclass(frozen=True)
class RenderLens:
    """The render's lens: see `Camera`. ``corner`` is the tangent at the display window's farthest corner."""

    tangent_per_px: tuple[float, float]
    centre_px: tuple[float, float]
    focal_length_mm: float
    corner: float


@lru_cache(maxsize=4)
def _port_picture(
    port: FlatPort | DomePort,
    parameters: HousedLensParameters,
    lens: RenderLens,
    grid: Grid,
    lens_scale: float,
) -> PortPicture:
    # A port hardly ever changes within a shot: the rays are traced once, not once a frame.
    p = parameters
    per_px_x, per_px_y = lens.tangent_per_px
    x, y = np.meshgrid(
        (grid.columns - lens.centre_px[0]) * per_px_x, (lens.centre_px[1] - grid.rows) * per_px_y
    )
    # Overscan beyond what the port can show must not keep the picture itself from being undone.
    held = np.minimum(1.0, lens.corner / np.maximum(np.hypot(x, y), 1e-9)) if p.mode == "remove" else 1.0
    shifts, blurs = [], []
    trace = _apply if p.mode == "apply" else _remove
    middle = trace(port, x * held, y * held, CHANNEL_WAVELENGTHS_NM[GREEN], p.subject_range, lens_scale)
    for nm in CHANNEL_WAVELENGTHS_NM:
        to_x, to_y = trace(port, x * held, y * held, nm, p.subject_range, lens_scale)
        to_x = middle[0] + p.fringes * (to_x - middle[0])
        to_y = middle[1] + p.fringes * (to_y - middle[1])
        shifts.append(np.stack([(to_x - x) / per_px_x, (y - to_y) / per_px_y]))
        blurs.append(
            _blur(port, p, x * lens_scale, y * lens_scale, nm, lens.focal_length_mm) / (lens_scale * per_px_x)
        )
    return PortPicture.of(grid, np.stack(shifts), np.stack(blurs))


def _apply(port: Port, x: F64, y: F64, nm: float, subject_m: float, scale: float) -> tuple[F64, F64]:
    return pinhole_tangents(port, x * scale, y * scale, wavelength_nm=nm, subject_m=subject_m)


def _remove(port: Port, x: F64, y: F64, nm: float, subject_m: float, scale: float) -> tuple[F64, F64]:
    in_air = lens_tangents(port, x, y, wavelength_nm=nm, subject_m=subject_m)
    return in_air[0] / scale, in_air[1] / scale


def _blur(port: Port, p: HousedLensParameters, x: F64, y: F64, nm: float, focal_mm: float) -> F64:
    """Return the blur in tangents of the lens; a picture cannot be made sharp again by ``remove``."""
    if p.softness == 0.0 or p.mode == "remove":
        return np.zeros_like(x)
    defocus = port.softness(x, y, aperture_m=1e-3 * focal_mm / p.f_number, focus_m=p.subject_range)
    smear = p.fringes * colour_smear(port, x, y, wavelength_nm=nm, subject_m=p.subject_range)
    blur: F64 = p.softness * np.hypot(defocus, smear)
    return blur


def seen_through(planes: Planes, picture: PortPicture, display_window: Window, tile: Tile) -> dict[str, F32]:
    """Return colour and coverage of the picture through the port, and its records that are wanted.

    The records are displacement, blur and lookup map.

    The lookup map counts from the edges of the display window, as image programs do, also for the pixels
    outside it.
    """
    rgb, alpha = np.ascontiguousarray(planes["rgb"]), np.ascontiguousarray(planes["alpha"])
    grid, blurs, green = picture.grid, picture.blurs, picture.shift[GREEN]
    colour, coverage = np.empty_like(rgb), alpha if (alpha == 1.0).all() else np.empty_like(alpha)
    record = {
        name: np.empty((*several, *alpha.shape), np.float32)
        for name, several in (("displacement", (2,)), ("blur_px", ()), ("lookup_map", (2,)))
        if tile.wants(name)
    }

    def displaced(rows: slice) -> None:
        for channel, plane in enumerate(rgb):
            sample_sharp(plane, grid, picture.shift[channel], rows=rows, out=colour[channel])
        if coverage is not alpha:
            sample_sharp(alpha, grid, green, rows=rows, out=coverage)

    bands = bands_of_rows(len(alpha))
    in_parallel(displaced, bands)
    coarse = in_parallel(lambda channel: blurs[channel].coarse(colour[channel]), range(3))

    def softened(rows: slice) -> None:
        for plane, blur, part in zip(colour, blurs, coarse, strict=True):
            if part is not None:
                blur.mix([plane], [part], rows=rows, out=[plane])
        if "displacement" in record:
            for to, shift in zip(record["displacement"], green, strict=True):
                to[rows] = grid.blown_up(shift, rows=rows)
        if "blur_px" in record:
            record["blur_px"][rows] = grid.blown_up(blurs[GREEN].sigma_px, rows=rows)
        if "lookup_map" in record:
            x, y = grid.source_maps(green, rows=rows)
            x += np.float32(grid.x - display_window.x)
            y += np.float32(grid.y - display_window.y)
            record["lookup_map"][:, rows] = normalised_map(x, y, display_window.shape)

    in_parallel(softened, bands)
    return {"rgb": colour, "alpha": coverage, **record}


class PortOperator(Operator[P, PortPicture]):
    """A port, whatever kind: a fixed displacement and blur of the whole picture."""

    stage = Stage.PORT
    nothing_at = None
    whole = True
    one_way = True
    # As a warning names it.
    port_name: ClassVar[str]

    @abstractmethod
    def picture(self, shot: Shot) -> PortPicture:
        """Return what the port does to each pixel."""

    def planes(self) -> PlaneUse:
        """Read colour and coverage; write them, displacement, blur, and the lookup map for other programs."""
        return PlaneUse(
            reads=frozenset({"rgb", "alpha"}),
            writes=frozenset({"rgb", "alpha", "displacement", "blur_px", "lookup_map"}),
        )

    def reach(self, shot: Shot) -> int:  # noqa: ARG002 - part of the protocol
        """Corners come from far inside."""
        return WHOLE

    def prepare(self, shot: Shot) -> PortPicture:
        """Make the port's picture."""
        return self.picture(shot)

    def warnings(self, shot: Shot) -> tuple[str, ...]:
        """Say where the port looks beyond the render."""
        needs = zip(
            self.picture(shot).overscan(shot.display_window), ("left", "above", "right", "below"), strict=True
        )
        sides = ", ".join(f"{pixels} px {side}" for pixels, side in needs if pixels)
        if not sides:
            return ()
        return (
            f"{self.port_name}: the port looks beyond the render by {sides}; the edge pixels are repeated "
            "there. Render with that much overscan.",
        )

    def apply(
        self,
        planes: Planes,
        tile: Tile,
        shot: Shot,
        prepared: PortPicture,
    ) -> Planes:
        """Bend."""
        return seen_through(planes, prepared, shot.display_window, tile)
