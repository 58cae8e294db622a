"""Where one surface steps in front of another: found by range alone, before colour is asked.

One over the range runs straight across any plane, however slanted: ground that runs away from the lens
changes by much from pixel to pixel and is one surface. Two are taken to be in a pixel where it changes and
departs from a straight line, be it by little, as on the crest of a dune before the next one.
"""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.planes_on_disk import filled_plane
from halocline.imaging.depth_edges import COVERED, Mask, Pixels

# Two surfaces differ at least by the first share of their inverse depth, which departs from a straight line
# by the second: less is one surface with some shape.
LOW_STEP, _BENT = 0.05, 0.03
# Where no straight line can be laid, beside open water, they differ by this share.
STEP = 0.15
# Nothing is that near to a lens; keeps one over it finite.
NEAREST_M = 1e-3


def along_steps(alpha: F32, range_m: F32) -> Mask:
    """Return the covered pixels that have two surfaces within one pixel around them.

    Parameters
    ----------
    alpha
        Coverage ``(rows, columns)``, 0 to 1.
    range_m
        ``(rows, columns)`` metres; inf where nothing is hit.

    Returns
    -------
    Mask
        ``(rows, columns)``.

    Notes
    -----
    Border rule: edge pixels repeat.
    """
    found: Mask = filled_plane(range_m.shape, 0.0, np.bool_)
    covered, nearest = np.float32(COVERED), np.float32(NEAREST_M)
    mark_steps(alpha, range_m, covered, nearest, np.float32(LOW_STEP), found)
    marked: Pixels = np.flatnonzero(found)
    unmark_straight(alpha, range_m, (covered, nearest, np.float32(STEP), np.float32(_BENT)), marked, found)
    return found


@compiled
def mark_steps(
    alpha: F32, range_m: F32, covered: np.float32, nearest: np.float32, step: np.float32, out: Mask
) -> None:
    """Mark the covered pixels around which one over the range differs by a share of its greatest.

    Only covered pixels, farther than the nearest and not endlessly far, count. Edge pixels repeat.
    """
    rows, columns = range_m.shape
    zero, endless = np.float32(0.0), np.float32(np.inf)
    # One over the range of three rows in turn; of what does not count, 0 among the greatest, inf the least.
    high, low = np.zeros((3, columns), np.float32), np.full((3, columns), endless, np.float32)
    tall, deep = np.zeros(columns + 2, np.float32), np.full(columns + 2, endless, np.float32)
    for ahead in range(rows + 1):
        if ahead < rows:
            cover, distance = alpha[ahead], range_m[ahead]
            to_high, to_low = high[ahead % 3], low[ahead % 3]
            for x in range(columns):
                counts = cover[x] >= covered and distance[x] > nearest and distance[x] < endless
                inverse = np.float32(1.0) / max(distance[x], nearest)
                to_high[x] = inverse if counts else zero
                to_low[x] = inverse if counts else endless
        else:
            high[ahead % 3, :], low[ahead % 3, :] = zero, endless
        if ahead == 0:
            continue
        for x in range(columns):
            tall[x + 1] = max(high[0, x], high[1, x], high[2, x])
            deep[x + 1] = min(low[0, x], low[1, x], low[2, x])
        here, marks = high[(ahead - 1) % 3], out[ahead - 1]
        for x in range(columns):
            most = max(tall[x], tall[x + 1], tall[x + 2])
            least = min(deep[x], deep[x + 1], deep[x + 2])
            marks[x] = here[x] > zero and most - least > step * most


@compiled
def unmark_straight(
    alpha: F32, range_m: F32, limits: tuple[np.float32, ...], pixels: Pixels, out: Mask
) -> None:
    """Unmark pixels around which one over the range runs straight.

    ``limits`` are the least coverage that counts, the nearest range, the share of the greatest inverse range
    around by which two surfaces differ where no line can be laid, and the share by which a bend departs from
    a line.
    """
    covered, nearest, step, bent = limits
    rows, columns = range_m.shape
    zero, one, endless = np.float32(0.0), np.float32(1.0), np.float32(np.inf)
    around = np.zeros((3, 3), np.float32)
    for n in range(pixels.size):
        row, column = pixels[n] // columns, pixels[n] % columns
        most, least = zero, endless
        for down in range(3):
            for right in range(3):
                y = min(max(row + down - 1, 0), rows - 1)
                x = min(max(column + right - 1, 0), columns - 1)
                distance = range_m[y, x]
                counts = alpha[y, x] >= covered and distance > nearest and distance < endless
                inverse = one / distance if counts else zero
                around[down, right] = inverse
                most = max(most, inverse)
                least = min(least, inverse if counts else endless)
        middle = around[1, 1]
        bend = -one
        for down, right in ((0, 1), (1, 0), (0, 0), (0, 2)):
            before, after = around[down, right], around[2 - down, 2 - right]
            inside = 0 < row < rows - 1 or down == 1
            inside = inside and (0 < column < columns - 1 or right == 1)
            if not inside:
                bend = max(bend, zero)
            elif before > zero and after > zero:
                bend = max(bend, abs(before + after - middle - middle))
        out[row, column] = bend > bent * most or (bend < zero and most - least > step * most)
