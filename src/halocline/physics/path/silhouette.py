"""Silhouettes: how dark a black thing looks before the water, and how far away it looks that dark."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from halocline._typing import F64
from halocline.physics.path.seen_contrast import ContrastSeen
from halocline.physics.path.transport import LightPath, abeam
from halocline.physics.path.visibility import RangeRemap


def range_for_contrast(
    path: LightPath, contrast: float, slope: float = 0.0, *, view: F64 | None = None
) -> float:
    """Return the range at which a silhouette has lost contrast down to a value, metres.

    Parameters
    ----------
    path
        The water.
    contrast
        The value, above 0 and below 1.
    slope
        The object's size over its range, see `ContrastSeen.at`.
    view
        Unit view direction, ``(3,)``; level with the sun abeam where not given.

    Returns
    -------
    float
        Metres, at most the farthest that is looked at.
    """
    seen = before_level_water(path) if view is None else before_water(path, view)
    return seen.range_of(contrast, slope)


def before_level_water(path: LightPath) -> ContrastSeen:
    """Return by what share black things at level ranges are darker than the water beside them.

    Of a small thing, C(s) = sum_k Y_k V_k exp(-c_k s) / sum_k Y_k V_k, with V the endless level veil and Y
    the luminance of each band (duntley1963, band by band). The sun is taken abeam, so that turning the camera
    changes nothing.

    Parameters
    ----------
    path
        The water.

    Returns
    -------
    ContrastSeen
        Contrast by range and size.
    """
    return before_water(path, abeam(path))


def before_water(path: LightPath, view: F64) -> ContrastSeen:
    """Return by what share black things along a view are darker than the water beside them.

    Light grows along a view up and falls along one down, so that a thing hides more or less of it than one
    before level water; larger ones keep more, see `halocline.physics.path.seen_contrast`. The light is found
    once, for any number of ranges and sizes.

    Parameters
    ----------
    path
        The water.
    view
        Unit view direction, ``(3,)``.

    Returns
    -------
    ContrastSeen
        Contrast by range and size.
    """
    lit = replace(path, remap=RangeRemap(), daylight_level=1.0, attenuation_scale=path.veil_scale)
    if not lit.luminance @ lit.bands.down @ lit.veil_along(np.inf, view) > 0.0:
        # Art has put the veil out; what would stand before it is reckoned in the water's own light.
        lit = replace(lit, veil_brightness=1.0, veil_tint=None)
    return ContrastSeen(lit, view)


def view_of_subject(path: LightPath, axis: F64, range_m: float) -> F64:
    """Return the view towards a subject at a range, near a lens's axis.

    Parameters
    ----------
    path
        The water, which ends at the surface.
    axis
        Unit direction, ``(3,)``.
    range_m
        Of the subject, metres.

    Returns
    -------
    F64
        The axis; where it would leave the water before the subject, the steepest view below it that does
        not, as far towards the sun as the axis itself, ``(3,)``: past the zenith it goes evenly.
    """
    steepest, rise = min(1.0, max(0.0, path.camera_depth_m) / range_m), float(axis @ path.up)
    if rise <= steepest:
        return axis
    side = abeam(path)
    ahead = np.cross(side, path.up)
    sunward = float(axis @ ahead)
    # To either side of the sun the water shows the same.
    aside = math.sqrt(max(0.0, 1.0 - steepest**2 - sunward**2))
    view: F64 = steepest * path.up + sunward * ahead + aside * side
    return view


def tilted(path: LightPath, pitch: float) -> F64:
    """Return a direction that looks up by an angle, with the sun abeam.

    Parameters
    ----------
    path
        The water and its sun.
    pitch
        Radians, below 0 down.

    Returns
    -------
    F64
        Unit vector, world, ``(3,)``.
    """
    direction: F64 = math.cos(pitch) * abeam(path) + math.sin(pitch) * path.up
    return direction
