"""Glows: light where alpha is 0, such as the halo of a lamp.

A glow covers nothing, yet it is light that comes from somewhere. Where the depth pass sees something, it
comes from there; elsewhere it goes through the water before the surfaces that it glows around: their ranges,
weighed by their brightness and by nearness in the picture, so that the range has no seams where one surface
is as near as another. It is given a vanishing cover, and then all steps treat it as the light of such a
surface before open water.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64, AnyArray
from halocline.compute.planes_on_disk import empty_plane

# The share of a pixel that a glow covers; no number of a picture can tell it from 0.
COVER = 1e-12
# Light that a background holds without being any: noise of denoisers and filters.
_NO_LIGHT = 1e-5
# Where nothing else is in the picture, nothing is known: right before the lens, metres.
_NO_SURFACE_M = 0.1
# Ranges are weighed on a picture this large at most; Gaussians of these widths together fall as 1 / d^2.
_LONGEST_PX = 256
_WIDTHS_PX = (1.0, 3.0, 9.0, 27.0, 81.0)
_ROWS_TOGETHER = 256

Mask = NDArray[np.bool_]


def find_glows(rgb: F32, alpha: F32) -> Mask:
    """Tell which pixels of ``(3, rows, columns)`` have light but no cover."""
    glows: Mask = empty_plane(alpha.shape, np.bool_)
    for start in range(0, len(alpha), _ROWS_TOGETHER):
        rows = slice(start, start + _ROWS_TOGETHER)
        bare = np.equal(alpha[rows], 0, out=glows[rows])
        if bare.any():
            red, green, blue = rgb[:, rows]
            bare &= np.maximum(np.maximum(red, green), blue) > _NO_LIGHT
    return glows


def glow_range(rgb: F32, alpha: F32, range_m: F32, glows: Mask) -> F32:
    """Return the range of each glowing pixel, ``(n,)`` metres, from the surfaces around.

    Parameters
    ----------
    rgb, alpha, range_m
        ``(3, rows, columns)``, ``(rows, columns)``, and metres, infinite where nothing is.
    glows
        From `find_glows`.
    """
    surface = np.isfinite(range_m) & (alpha > COVER)
    if not surface.any():
        return np.full(np.count_nonzero(glows), _NO_SURFACE_M, np.float32)
    # A black surface counts a little, so that every picture has weights.
    light = np.maximum(np.nan_to_num(rgb.max(axis=0), posinf=0.0), np.float32(1e-4))
    weight = np.where(surface, light * alpha, np.float32(0.0)).astype(np.float32)
    weighed = weight * np.where(surface, range_m, np.float32(0.0))
    rows, columns = alpha.shape
    share = min(1.0, _LONGEST_PX / max(rows, columns))
    small = (max(1, round(columns * share)), max(1, round(rows * share)))
    weights, ranges = (
        _spread(cv2.resize(each, small, interpolation=cv2.INTER_AREA)) for each in (weight, weighed)
    )
    # The widest Gaussian ends at four times its width: farther from all surfaces, the mean of all stands in.
    everywhere = float(weighed.sum(dtype=np.float64) / weight.sum(dtype=np.float64))
    mean = np.where(weights > 0, ranges / np.maximum(weights, 1e-300), everywhere).astype(np.float32)
    return np.asarray(cv2.resize(mean, (columns, rows), interpolation=cv2.INTER_LINEAR)[glows], np.float32)


def _spread(plane: AnyArray) -> F64:
    wide = np.zeros(plane.shape, np.float64)
    for width in _WIDTHS_PX:
        # Beyond the border there is nothing; float64, since far tails are small.
        wide += cv2.GaussianBlur(plane.astype(np.float64), (0, 0), width, borderType=cv2.BORDER_CONSTANT)
    return wide
