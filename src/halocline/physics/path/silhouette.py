"""Silhouettes: how dark a black thing looks before level water, and how far away it looks that dark."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from halocline._typing import F64
from halocline.physics.path.seen_contrast import ContrastSeen
from halocline.physics.path.transport import LightPath, abeam
from halocline.physics.path.visibility import RangeRemap


def range_for_contrast(path: LightPath, contrast: float, slope: float = 0.0) -> float:
    """Return the level range at which a silhouette has lost contrast down to a value, metres.

    Parameters
    ----------
    path
        The water.
    contrast
        The value, above 0 and below 1.
    slope
        The object's size over its range, see `ContrastSeen.at`.

    Returns
    -------
    float
        Metres, at most the farthest that is looked at.
    """
    return before_level_water(path).range_of(contrast, slope)


def before_level_water(path: LightPath) -> ContrastSeen:
    """Return by what share black things at level ranges are darker than the water beside them.

    Of a small thing, C(s) = sum_k Y_k V_k exp(-c_k s) / sum_k Y_k V_k, with V the endless level veil and Y
    the luminance of each band (duntley1963, band by band); larger ones keep more, see
    `halocline.physics.path.seen_contrast`. The sun is taken abeam, so that turning the camera changes
    nothing. The veil is found once, for any number of ranges and sizes.

    Parameters
    ----------
    path
        The water.

    Returns
    -------
    ContrastSeen
        Contrast by range and size.
    """
    veil, direction = _level_veil(path)
    if not path.luminance @ path.bands.down @ veil > 0.0:
        # Art has put the veil out; what would stand before it is reckoned in the water's own light.
        veil, direction = _level_veil(replace(path, veil_brightness=1.0, veil_tint=None))
    return ContrastSeen(replace(path, attenuation_scale=path.veil_scale), veil, direction)


def _level_veil(path: LightPath) -> tuple[F64, F64]:
    """Return the endless level veil with the sun abeam, ``(K,)``, and that direction."""
    lit = replace(path, remap=RangeRemap(), daylight_level=1.0)
    direction = abeam(lit)
    return lit.veil_along(np.inf, direction), direction
