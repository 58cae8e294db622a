"""A lens and a scene that do not lie in the water as a preset places them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.imaging.camera import Camera
from halocline.imaging.frame import Frame
from halocline.presets.build import DEFAULT_CAMERA_DEPTH_M, surface
from halocline.presets.origins import axis_named
from halocline.presets.sections import PlaceSection

# Waves lift what floats at the surface, and half floats move what is far: so much is not told.
_SPARED_M, _SPARED_SHARE = 1.0, 0.02
# Of the pixels that show something so many must lie amiss.
_OF_PIXELS = 0.01
# As dense as this is enough to judge by.
_EVERY = 4
_MEND = (
    'set place.camera_depth, such as "12 m", or place.sea_level; where the render\'s unit is taken wrongly, '
    "input.scene_unit or input.depth_unit"
)


def misplaced(place: PlaceSection, camera: Camera, frame: Frame) -> tuple[str, ...]:
    """Return what a person should know of a render's place in the water: a dry lens, things in the air.

    Nothing keeps a render from showing a pier's piles, or a lens from coming up; but far more often the depth
    of the lens or the unit of the render is not as the preset says.

    Parameters
    ----------
    place
        Where the scene lies in the water.
    camera
        The frame's camera.
    frame
        The render: ``range`` in metres, infinite where nothing is, and ``alpha``, 0 to 1.

    Returns
    -------
    tuple[str, ...]
        A sentence for each, the same for every frame of which it is true.
    """
    up = axis_named(place.up)
    _, depth_m = surface(place, float(camera.position_m @ up))
    if depth_m <= 0.0:
        return (f"the lens lies above the surface: {_taken(place)}; {_MEND}",)
    range_m, rise = _seen(frame, camera, up)
    height_m, spared_m = rise * range_m, _SPARED_M + _SPARED_SHARE * range_m
    told = []
    if _much(height_m - spared_m > depth_m):
        told.append(f"things of the render stand above the surface: {_taken(place)}; {_MEND}")
    bottom_m = place.bottom_depth
    if bottom_m is not None and _much(depth_m - height_m - spared_m > bottom_m):
        told.append(
            "things of the render lie deeper than the bottom, whose light would come from above them: set "
            f"place.bottom_depth to the depth of the deepest ground in the shot, or {_MEND}"
        )
    return tuple(told)


def _taken(place: PlaceSection) -> str:
    """Return where the lens's depth is from."""
    if place.sea_level is not None:
        return "place.sea_level and the render's camera have it so"
    if place.camera_depth is not None:
        return "place.camera_depth has it so"
    return f"the lens is taken to be {DEFAULT_CAMERA_DEPTH_M:g} m deep, as the preset does not say"


def _much(amiss: NDArray[np.bool_]) -> bool:
    return amiss.size > 0 and float(np.mean(amiss)) > _OF_PIXELS


def _seen(frame: Frame, camera: Camera, up: F64) -> tuple[F32, F32]:
    """Return range, metres, and upward view cosine of some of the pixels that show something."""
    if "range" not in frame.planes:
        return np.empty(0, np.float32), np.empty(0, np.float32)
    rise = camera.component(frame.data_window, up, every=_EVERY)
    range_m = frame.plane("range")[::_EVERY, ::_EVERY]
    shown = np.isfinite(range_m) & (frame.plane("alpha")[::_EVERY, ::_EVERY] > 0.5)
    return range_m[shown], rise[shown]
