"""What flat port and dome have in common as operators: parameters, displacement, softness, overscan."""

from __future__ import annotations

import logging
from abc import abstractmethod
from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from halocline._typing import F32, F64
from halocline.graph.operator import WHOLE, Operator, P, Planes, PlaneUse, Tile
from halocline.graph.shot import Shot
from halocline.imaging.camera import Camera
from halocline.imaging.frame import Window
from halocline.physics.bend import Grid, normalised_map, overscan_needed, sample_sharp
from halocline.physics.ports import DomePort, FlatPort, Port, colour_smear, lens_tangents, pinhole_tangents
from halocline.physics.refraction import CHANNEL_WAVELENGTHS_NM
from halocline.physics.soften import VaryingBlur, in_parallel
from halocline.quantities import Distance, Factor, Ratio, Strict

logger = logging.getLogger(__name__)

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
    shift_x, shift_y
        Displacement of red, green and blue in pixels, on the grid, ``(3, rows, columns)``.
    blur_px
        Standard deviation of the blur of red, green and blue, on the grid.
    grid
        Where.
    """

    shift_x: F32
    shift_y: F32
    blur_px: F32
    grid: Grid

    def maps(self, channel: int) -> tuple[F32, F32]:
        """Return source columns and rows for the pixels of the window."""
        return self.grid.source_maps(self.shift_x[channel], self.shift_y[channel])

    def overscan(self, display_window: Window) -> tuple[int, int, int, int]:
        """Return the pixels lacking around the window to fill the display window within it.

        Left, top, right, bottom.
        """
        grid = self.grid
        window = Window(grid.x, grid.y, grid.width, grid.height)
        cut = window.slices_of(display_window)
        needs = []
        for channel in range(len(self.shift_x)):
            source_x, source_y = self.maps(channel)
            needs.append(overscan_needed(source_x[cut], source_y[cut], window.shape))
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
    """
    camera, window = shot.camera, shot.data_window
    grid = Grid(window.x, window.y, window.width, window.height, GRID_STEP)
    lens = Lens(
        camera.tangent_per_px, camera.centre_px, camera.focal_length_mm, _corner(camera, shot.display_window)
    )
    return _port_picture(port, parameters, lens, grid, lens_scale)


def _corner(camera: Camera, display_window: Window) -> float:
    """Return the tangent of the view angle at the display window's farthest corner."""
    x, y = camera.tangents(display_window)
    return float(np.hypot(np.abs(x).max(), np.abs(y).max()))


@dataclass(frozen=True)
class Lens:
    """The render's lens: see `Camera`. ``corner`` is the tangent at the display window's farthest corner."""

    tangent_per_px: tuple[float, float]
    centre_px: tuple[float, float]
    focal_length_mm: float
    corner: float


@lru_cache(maxsize=4)
def _port_picture(
    port: FlatPort | DomePort,
    parameters: HousedLensParameters,
    lens: Lens,
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
        shifts.append(((to_x - x) / per_px_x, (y - to_y) / per_px_y))
        blurs.append(
            _blur(port, p, x * lens_scale, y * lens_scale, nm, lens.focal_length_mm) / (lens_scale * per_px_x)
        )
    return PortPicture(
        np.stack([dx for dx, _ in shifts]).astype(np.float32),
        np.stack([dy for _, dy in shifts]).astype(np.float32),
        np.stack(blurs).astype(np.float32),
        grid,
    )


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


def seen_through(planes: Planes, picture: PortPicture, display_window: Window) -> dict[str, F32]:
    """Return colour, coverage, displacement, blur and lookup map of the picture through the port.

    The lookup map counts from the edges of the display window, as image programs do, also for the pixels
    outside it.
    """
    rgb, alpha = planes["rgb"], planes["alpha"]
    grid = picture.grid
    colour = np.empty_like(rgb)
    record: dict[str, F32] = {}

    def through(channel: int) -> None:
        moved = sample_sharp(rgb[channel], *picture.maps(channel))
        colour[channel] = VaryingBlur.of(grid.blown_up(picture.blur_px[channel])).applied(moved)

    def rest() -> None:
        shifts = picture.shift_x[GREEN], picture.shift_y[GREEN]
        record["displacement"] = np.stack([grid.blown_up(shift) for shift in shifts])
        record["blur_px"] = grid.blown_up(picture.blur_px[GREEN])
        source_x, source_y = picture.maps(GREEN)
        opaque = bool((alpha == 1.0).all())
        record["alpha"] = alpha if opaque else sample_sharp(alpha, source_x, source_y)
        source_x += np.float32(grid.x - display_window.x)
        source_y += np.float32(grid.y - display_window.y)
        record["lookup_map"] = normalised_map(source_x, source_y, display_window.shape)

    # Four pieces of about the same size.
    in_parallel(lambda piece: through(piece) if piece < 3 else rest(), range(4))
    return {"rgb": colour, **record}


def overscan_warnings(picture: PortPicture, shot: Shot, name: str) -> tuple[str, ...]:
    """Return a warning where the port looks beyond the render, and log it once."""
    needs = picture.overscan(shot.display_window)
    if not any(needs):
        return ()
    sides = ", ".join(
        f"{pixels} px {side}"
        for pixels, side in zip(needs, ("left", "above", "right", "below"), strict=True)
        if pixels
    )
    message = (
        f"{name}: the port looks beyond the render by {sides}; the edge pixels are repeated there. "
        "Render with that much overscan."
    )
    _log_once(message)
    return (message,)


@lru_cache(maxsize=256)
def _log_once(message: str) -> None:
    logger.warning(message)


class PortOperator(Operator[P]):
    """A port, whatever kind: a fixed displacement and blur of the whole picture."""

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
        """Make the port's picture, and tell where the render lacks overscan."""
        picture = self.picture(shot)
        overscan_warnings(picture, shot, self.port_name)
        return picture

    def warnings(self, shot: Shot) -> tuple[str, ...]:
        """Say where the render lacks overscan."""
        return overscan_warnings(self.picture(shot), shot, self.port_name)

    def apply(
        self,
        planes: Planes,
        tile: Tile,  # noqa: ARG002 - part of the protocol
        shot: Shot,
        prepared: PortPicture,
    ) -> Planes:
        """Bend."""
        return seen_through(planes, prepared, shot.display_window)
