"""Normals at edges: a pixel's own is that of one sample, which may have met another surface, or none.

Colour is the mean over a pixel, a normal pass often the one sample in its middle. Where a pixel shows two
surfaces and its middle lies on the farther one, or where it is covered in part and its middle is open water,
the normal says nothing of the surface that the pixel's range is of. It is taken from the pixels close by that
show this surface.
"""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.imaging.depth_edges import Mask, Pixels

# Pixels around a pixel that are asked.
REACH = 4
# Within this share of a range, surfaces are one.
_SAME = np.float32(0.05)
# Far ground falls away faster than that towards its rim: within this share where nothing is within the other.
_ASLANT = np.float32(0.2)
# A normal's square under a half, or beyond two, is no direction's.
_LEAST, _MOST = np.float32(0.5), np.float32(2.0)
_ZERO, _ONE, _ENDLESS = (np.float32(value) for value in (0.0, 1.0, np.inf))


def normals_of_nearer(normal: F32, before: F32, after: F32) -> F32:
    """Return normals that belong to the surface that each pixel's range is of.

    Parameters
    ----------
    normal
        ``(3, rows, columns)``, as the pass has it; no direction where it has none.
    before
        ``(rows, columns)`` metres: range as the depth pass has it, of the same sample as the normal.
    after
        Range of the nearer surface of each pixel.

    Returns
    -------
    F32
        The same array where nothing is to be changed.

    Notes
    -----
    Border rule: pixels at the picture's edge have neighbours on one side only.
    """
    doubtful = np.zeros(after.shape, np.bool_)
    _mark(normal, before, after, doubtful)
    pixels: Pixels = np.flatnonzero(doubtful)
    if not pixels.size:
        return normal
    found = np.empty((3, pixels.size), np.float32)
    _take(normal, after, doubtful, pixels, found)
    out = normal.copy()
    out.reshape(3, -1)[:, pixels] = found
    return out


@compiled
def _mark(normal: F32, before: F32, after: F32, out: Mask) -> None:
    for row in range(out.shape[0]):
        for column in range(out.shape[1]):
            range_m = after[row, column]
            if not range_m < _ENDLESS:
                continue
            x, y, z = normal[0, row, column], normal[1, row, column], normal[2, row, column]
            known = _LEAST < x * x + y * y + z * z < _MOST
            same = abs(before[row, column] - range_m) <= _SAME * range_m
            out[row, column] = not (known and same)


@compiled
def _take(normal: F32, range_m: F32, doubtful: Mask, pixels: Pixels, out: F32) -> None:
    """Write the mean normal of what is close by on the same surface; a pixel's own where there is none."""
    rows, columns = range_m.shape
    for n in range(pixels.size):
        row, column = pixels[n] // columns, pixels[n] % columns
        own = range_m[row, column]
        x = y = z = length = _ZERO
        for share in (_SAME, _ASLANT):
            if length > _ZERO:
                break
            for r in range(max(0, row - REACH), min(rows, row + REACH + 1)):
                for c in range(max(0, column - REACH), min(columns, column + REACH + 1)):
                    if not doubtful[r, c] and abs(range_m[r, c] - own) <= share * own:
                        x += normal[0, r, c]
                        y += normal[1, r, c]
                        z += normal[2, r, c]
            length = np.sqrt(x * x + y * y + z * z)
        if length > _ZERO:
            out[0, n], out[1, n], out[2, n] = x / length, y / length, z / length
        else:
            out[0, n], out[1, n], out[2, n] = (
                normal[0, row, column],
                normal[1, row, column],
                normal[2, row, column],
            )
