"""The lit edge of a subject against open water: which side is bright, and how much light grazes an edge.

Water is brighter towards the sun. What stands before it is seen dark, and along the edge that faces the
bright side its surface turns from the lens towards that light:

    rim = reflectance L(bright side) (n . bright)+ (1 - |n . view|)^sharpness

L is the radiance of endless water on the bright side (`LightPath.veil_along`), pi times of which would be the
irradiance of a whole sky of it; one lobe of it grazes the edge. This is a look with the right colour, side
and order of magnitude, not a solution of light transport.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from halocline._typing import F32, F64
from halocline.physics.path.transport import LightPath
from halocline.physics.path.visibility import RangeRemap


def bright_side(path: LightPath, rise_deg: float) -> F64:
    """Return the unit direction, ``(3,)``, towards the brightest water at an angle above the horizon.

    Parameters
    ----------
    path
        The water and its light.
    rise_deg
        Degrees above the horizon.

    Returns
    -------
    F64
        Unit vector, world, on the side of the sun; any level direction under a sun overhead.
    """
    sunward = -(path.sun_travel - (path.sun_travel @ path.up) * path.up)
    length = float(np.linalg.norm(sunward))
    level = sunward / length if length > 1e-6 else _any_level(path.up)
    rise = np.radians(rise_deg)
    direction: F64 = np.cos(rise) * level + np.sin(rise) * path.up
    return direction


def side_radiance(path: LightPath, direction: F64) -> F64:
    """Return the radiance of endless water in a direction, ``(K,)``.

    Parameters
    ----------
    path
        The water and its light; its remap of ranges is left aside.
    direction
        Unit view direction, world, ``(3,)``.

    Returns
    -------
    F64
        Radiance of each band, ``(K,)``.
    """
    endless: F64 = replace(path, remap=RangeRemap()).veil_along(np.inf, direction)
    return endless


def rim_share(normal: F32, view: F32, side: F64, sharpness: float) -> F32:
    """Return (n . side)+ (1 - |n . view|)^sharpness, ``(rows, columns)``, 0 to 1.

    Parameters
    ----------
    normal, view
        Unit normals and view directions, world, ``(3, rows, columns)``.
    side
        Unit direction towards the light.
    sharpness
        The higher, the thinner the rim.

    Returns
    -------
    F32
        ``(rows, columns)``, 0 to 1.
    """
    facing = normal[0] * np.float32(side[0])
    along = normal[0] * view[0]
    for part, ray, towards in zip(normal[1:], view[1:], side[1:], strict=True):
        facing += part * np.float32(towards)
        along += part * ray
    edge = np.maximum(np.float32(1.0) - np.abs(along), np.float32(0.0))
    share: F32 = np.maximum(facing, np.float32(0.0)) * edge ** np.float32(sharpness)
    return share


def depth_edges(range_m: F32, towards: tuple[float, float], width_px: int, step: float) -> F32:
    """Return how much of a rim each pixel has by its depth alone, ``(rows, columns)``, 0 to 1.

    A pixel has one where, within some pixels towards the light, the picture drops away behind it.

    Parameters
    ----------
    range_m
        Metres; inf for open water.
    towards
        Direction of the light in the picture, columns and rows; any length. (0, 0) gives no rim.
    width_px
        Width of the rim, at least 1.
    step
        Share of its own range by which what lies behind must be farther.

    Returns
    -------
    F32
        ``(rows, columns)``, 0 to 1.

    Notes
    -----
    Reach: ``width_px``; the picture's edge pixels repeat, so there is no rim along the border.
    """
    length = float(np.hypot(*towards))
    share = np.zeros_like(range_m)
    if length < 1e-9:
        return share
    near = np.minimum(range_m, np.float32(1e9))
    limit = near * np.float32(1.0 + step)
    for number in range(1, width_px + 1):
        across = round(number * towards[0] / length)
        down = round(number * towards[1] / length)
        drop = moved(near, across, down) > limit
        # The rim fades inwards.
        np.maximum(share, drop * np.float32(1.0 - (number - 1) / width_px), out=share)
    share *= near < np.float32(1e8)
    return share


def moved(plane: F32, across: int, down: int) -> F32:
    """Return the plane's value so many columns to the right and rows below each pixel; edges repeat."""
    rows = np.clip(np.arange(plane.shape[0]) + down, 0, plane.shape[0] - 1)
    columns = np.clip(np.arange(plane.shape[1]) + across, 0, plane.shape[1] - 1)
    return plane[rows[:, None], columns[None, :]]


def rim_contrast(path: LightPath, side: F64, reflectance: float, range_m: float) -> float:
    """Return by how much a rim of strength 1 outshines the level water about it, a ratio.

    The rim's light at the lens over the endless level veil, both as luminance; range is as the optics see it.

    Parameters
    ----------
    path
        The water and its light.
    side
        Unit direction towards the rim's light, ``(3,)``.
    reflectance
        Of the rim's surface, 0 to 1.
    range_m
        Range of the rim, metres, as the optics see it.

    Returns
    -------
    float
        A ratio, 0 or more; huge where the water gives no light.
    """
    row = path.luminance @ path.bands.down
    rim = 0.5 * reflectance * side_radiance(path, side)
    level = side - (side @ path.up) * path.up
    water = side_radiance(path, level / max(float(np.linalg.norm(level)), 1e-9))
    return float(row @ (rim * path.direct_along(range_m))) / max(float(row @ water), 1e-12)


def _any_level(up: F64) -> F64:
    axis = np.eye(3)[int(np.argmin(np.abs(up)))]
    level: F64 = np.cross(up, axis)
    return level / np.linalg.norm(level)
