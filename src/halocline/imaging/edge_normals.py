"""Normals at edges: a pixel's own is that of one sample, which may have met another surface, or none.

Colour is the mean over a pixel, a normal pass often the one sample in its middle. Where a pixel shows two
surfaces and its middle lies on the farther one, or where it is covered in part and its middle is open water,
the normal says nothing of the surface that the pixel's range is of. It is taken from the pixels close by that
show this surface.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.filters.facing import TURN, normals_of_farther
from halocline.imaging.depth_edges import Mask, Pixels

# Pixels around a pixel that are asked.
REACH = 4
# Within this share of a range, surfaces are one.
_SAME = np.float32(0.05)
# Far ground falls away faster than that towards its rim: within this share where nothing is within the other.
_ASLANT = np.float32(0.2)
# Square of a pixel's share that neighbours are taken to be displaced by: fewer than a few tell of no turn.
_STIFF = np.float32(0.1)
# A normal's square under a half, or beyond two, is no direction's.
_LEAST, _MOST = np.float32(0.5), np.float32(2.0)
_ZERO, _ONE, _ENDLESS = (np.float32(value) for value in (0.0, 1.0, np.inf))


def normals_of_nearer(normal: F32, before: F32, after: F32, told: Mapping[str, F32] | None = None) -> F32:
    """Return normals that belong to the surface that each pixel's range is of.

    Parameters
    ----------
    normal
        ``(3, rows, columns)``, as the pass has it; no direction where it has none.
    before
        ``(rows, columns)`` metres: range as the depth pass has it, of the same sample as the normal.
    after
        Range of the nearer surface of each pixel.
    told
        ``far_range`` and ``far_share``, ``(rows, columns)`` each, where the render told of two surfaces: what
        the depth pass has is then the nearest surface's everywhere, be the normal of which it may. One that
        faces as the farther surface does close by is taken for the farther one's.

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
    if told:
        where = np.nonzero(told["far_share"])
        there = normals_of_farther(normal, after, told["far_share"], where, told["far_range"][where])
        own = normal[:, where[0], where[1]]
        doubtful[where] |= (own * there).sum(axis=0) > TURN
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
    """Write what the normals close by on the same surface lead to; a pixel's own where there are none."""
    columns = range_m.shape[1]
    found = np.zeros(3, np.float32)
    for n in range(pixels.size):
        row, column = pixels[n] // columns, pixels[n] % columns
        length = _ZERO
        for share in (_SAME, _ASLANT):
            if not length > _ZERO:
                _led_to(normal, range_m, doubtful, (row, column), share, found)
                length = np.sqrt(found[0] * found[0] + found[1] * found[1] + found[2] * found[2])
        for axis in range(3):
            out[axis, n] = found[axis] / length if length > _ZERO else normal[axis, row, column]


@compiled
def _led_to(
    normal: F32, range_m: F32, doubtful: Mask, at: tuple[int, int], share: np.float32, out: F32
) -> None:
    """Write the value at a pixel of the plane through the normals close by, nothing where there are none.

    Across a rounded thing normals turn evenly from pixel to pixel. Their mean lies well within its outline,
    and turned to a lamp lights a limb that faces away: bright pixels.
    """
    rows, columns = range_m.shape
    row, column = at
    own = range_m[row, column]
    weight = across = down = wide = tall = skew = _ZERO
    # Of each component: its sum, and its moments across and down.
    sums = np.zeros((3, 3), np.float32)
    for r in range(max(0, row - REACH), min(rows, row + REACH + 1)):
        for c in range(max(0, column - REACH), min(columns, column + REACH + 1)):
            if doubtful[r, c] or not abs(range_m[r, c] - own) <= share * own:
                continue
            x, y = np.float32(c - column), np.float32(r - row)
            w = _ONE / (x * x + y * y)
            weight += w
            across += w * x
            down += w * y
            wide += w * x * x
            tall += w * y * y
            skew += w * x * y
            for axis in range(3):
                value = w * normal[axis, r, c]
                sums[axis, 0] += value
                sums[axis, 1] += x * value
                sums[axis, 2] += y * value
    for axis in range(3):
        out[axis] = _ZERO
    if not weight > _ZERO:
        return
    across, down = across / weight, down / weight
    # A little is added, so that a few pixels in a line lead nowhere across it.
    wide = wide / weight - across * across + _STIFF
    tall = tall / weight - down * down + _STIFF
    skew = skew / weight - across * down
    size = wide * tall - skew * skew
    for axis in range(3):
        mean = sums[axis, 0] / weight
        by_x, by_y = sums[axis, 1] / weight - mean * across, sums[axis, 2] / weight - mean * down
        turned = (by_x * tall - by_y * skew) / size * across + (by_y * wide - by_x * skew) / size * down
        out[axis] = mean - turned
