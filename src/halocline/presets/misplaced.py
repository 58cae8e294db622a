"""A lens and a scene that do not lie in the water, or stand in it, as a preset places them."""

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
# A camera stands where its rows are level to this sine and its own upward axis points up by this cosine. It
# does not where its rows are aslant by the third, or it looks down by the fourth, or so far up at things that
# fill this share of the picture.
_LEVEL, _UPRIGHT, _ASLANT, _STEEP, _FILLED = 0.1, 0.75, 0.5, 0.75, 0.5
# As dense as this is enough to judge by.
_EVERY = 4
_MEND = (
    'set place.camera_depth, such as "12 m", or place.sea_level; where the render\'s unit is taken wrongly, '
    "input.scene_unit or input.depth_unit"
)


def misplaced(place: PlaceSection, camera: Camera, frame: Frame) -> tuple[str, ...]:
    """Return what a person should know of a render's place in the water, where that looks wrong.

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
    told = [*_other_axis_up(place, camera, frame)]
    range_m, rise = _seen(frame, camera, up)
    height_m, spared_m = rise * range_m, _SPARED_M + _SPARED_SHARE * range_m
    if _much(height_m - spared_m > depth_m):
        told.append(f"things of the render stand above the surface: {_taken(place)}; {_MEND}")
    bottom_m = place.bottom_depth
    if bottom_m is not None and _much(depth_m - height_m - spared_m > bottom_m):
        told.append(
            "things of the render lie deeper than the bottom, whose light would come from above them: set "
            f"place.bottom_depth to the depth of the deepest ground in the shot, or {_MEND}"
        )
    return tuple(told)


def _other_axis_up(place: PlaceSection, camera: Camera, frame: Frame) -> tuple[str, ...]:
    """Return a sentence where no axis is stated to point up, and the camera stands by z and not by y."""
    if "up" in place.model_fields_set:
        return ()
    (right, _, back), z = camera.rotation.T @ axis_named(place.up), camera.rotation[2]
    stands_by_z = abs(float(z[0])) < _LEVEL and float(z[1]) > _UPRIGHT
    # One that looks up past the upright stands by z too; but it seldom has things all before it.
    looks_into = float(-back) > _STEEP and float(np.mean(frame.plane("alpha"))) > _FILLED
    if not stands_by_z or not (abs(float(right)) > _ASLANT or float(back) > _STEEP or looks_into):
        return ()
    return (
        "the camera stands if the scene's world has z up, and lies or looks steeply up or down if y does: "
        'set place.up = "+z" and place.ahead = "+y", or place.up = "+y" if that is right',
    )


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
