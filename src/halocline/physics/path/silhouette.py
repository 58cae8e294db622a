"""Silhouettes: how dark a black thing looks before level water, and how far away it looks that dark."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from halocline._typing import F64
from halocline.compute.root import crossing
from halocline.physics.path.seen_contrast import seen_contrast
from halocline.physics.path.transport import LightPath, abeam
from halocline.physics.path.visibility import RangeRemap

FARTHEST_M = 1e5


def silhouette_contrast(path: LightPath, range_m: float, slope: float = 0.0) -> float:
    """Return the share by which a black object at a level range is darker than the water beside it.

    Of a small thing, C(s) = sum_k Y_k V_k exp(-c_k s) / sum_k Y_k V_k, with V the endless level veil and Y
    the luminance of each band (duntley1963, band by band); larger ones keep more, see
    `halocline.physics.path.seen_contrast`. The sun is taken abeam, so that turning the camera changes
    nothing.

    Parameters
    ----------
    path
        The water.
    range_m
        Metres of water to it.
    slope
        The object's size over its true range; 0 is a small thing, and what a preset without forward scatter
        shows.

    Returns
    -------
    float
        The contrast, 0 to 1.
    """
    veil, direction = _level_veil(path)
    if not path.luminance @ path.bands.down @ veil > 0.0:
        # Art has put the veil out; what would stand before it is reckoned in the water's own light.
        veil, direction = _level_veil(replace(path, veil_brightness=1.0, veil_tint=None))
    scaled = replace(path, attenuation_scale=path.veil_scale)
    return seen_contrast(scaled, veil, range_m, direction=direction, slope=slope)


def range_for_contrast(path: LightPath, contrast: float, slope: float = 0.0) -> float:
    """Return the level range at which `silhouette_contrast` has fallen to a value, metres.

    Parameters
    ----------
    path
        The water.
    contrast
        The value, above 0 and below 1.
    slope
        The object's size over its range, as there.

    Returns
    -------
    float
        Metres, at most the farthest that is looked at.
    """
    if silhouette_contrast(path, FARTHEST_M, slope) >= contrast:
        return FARTHEST_M
    return crossing(lambda s: silhouette_contrast(path, s, slope) - contrast, 0.0, FARTHEST_M, within=1e-9)


def _level_veil(path: LightPath) -> tuple[F64, F64]:
    """Return the endless level veil with the sun abeam, ``(K,)``, and that direction."""
    lit = replace(path, remap=RangeRemap(), daylight_level=1.0)
    direction = abeam(lit)
    return lit.veil_along(np.inf, direction), direction
