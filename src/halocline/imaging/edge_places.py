"""How much of a pixel the nearer of two surfaces takes, by where the middles of the pixels around lie.

Along an outline that runs nearly level, one row of pixels after another has its middles on the near surface:
stairs, each as long as the outline is flat. Where the stairs begin and end tells between pixels where the
outline runs: it passes half-way up each of the two.
"""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.imaging.depth_edges import Pixels

# How far along an outline a stair is followed, pixels.
REACH = 8
_NONE, _HALF, _ONE, _TWO = (np.float32(number) for number in (0.0, 0.5, 1.0, 2.0))
_LEAST = np.float32(1e-3)


def shares_by_place(inverse: F32, pixels: Pixels, middle: F32) -> F32:
    """Return the nearer surface's share of the area of pixels along a step, ``(n,)``, 0 to 1.

    Parameters
    ----------
    inverse
        ``(rows, columns)``: one over the range, 0 where nothing covers a pixel.
    pixels
        Flat index ``(n,)``.
    middle
        ``(n,)``: one over the range that parts near from far.

    Notes
    -----
    Border rule: edge pixels repeat. Where the outline next to a pixel is none (a thing as thin as a pixel, a
    corner), the share is that of the 3 x 3 pixels around, weighed as a filter weighs them. Where a pixel and
    the four beside it are one side's, all of it is.
    """
    out = np.empty(pixels.size, np.float32)
    _by_place(inverse, pixels, middle, out)
    return out


@compiled
def _by_place(inverse: F32, pixels: Pixels, middle: F32, out: F32) -> None:
    columns = inverse.shape[1]
    for n in range(pixels.size):
        out[n] = share_in_patch(inverse, pixels[n] // columns, pixels[n] % columns, middle[n])


@compiled
def share_in_patch(inverse: F32, row: int, column: int, middle: np.float32) -> np.float32:
    """Return the nearer surface's share of the area of one pixel, 0 to 1: `shares_by_place` of it."""
    rows, columns = inverse.shape
    near = np.zeros((3, 3), np.bool_)
    total = whole = _NONE
    down = right = 0
    for y in range(3):
        for x in range(3):
            value = inverse[min(max(row + y - 1, 0), rows - 1), min(max(column + x - 1, 0), columns - 1)]
            near[y, x] = value > middle
            weight = np.float32((2 - abs(y - 1)) * (2 - abs(x - 1)))
            if value > _NONE:
                whole += weight
            if near[y, x]:
                total += weight
                down += y - 1
                right += x - 1
    own = near[1, 1]
    if near[0, 1] == own and near[1, 0] == own and near[1, 2] == own and near[2, 1] == own:
        # An outline that parts a corner alone from the pixels beside passes outside the pixel, if straight.
        return _ONE if own else _NONE
    around: np.float32 = total / max(whole, _ONE)
    # The way across the outline, from far to near.
    along_rows = abs(down) >= abs(right)
    toward = (1 if down > 0 else -1) if along_rows else (1 if right > 0 else -1)
    before = near[1 - toward, 1] if along_rows else near[1, 1 - toward]
    after = near[1 + toward, 1] if along_rows else near[1, 1 + toward]
    if before or not after or (down == 0 and right == 0):
        return around
    # Of the pair of pixels that the outline runs between, the farther one's place across.
    first = (row if along_rows else column) - (toward if own else 0)
    ends = (
        _end(inverse, middle, (row, column), along_rows, (first, first + toward), -1),
        _end(inverse, middle, (row, column), along_rows, (first, first + toward), 1),
    )
    return _share(ends, own)


@compiled
def _end(
    inverse: F32, middle: np.float32, at: tuple[int, int], along_rows: bool, pair: tuple[int, int], way: int
) -> tuple[np.float32, np.float32]:
    """Return how far from a pixel its stair ends, one way, and whether near gains (1) or loses (-1) there."""
    across = inverse.shape[0] if along_rows else inverse.shape[1]
    length = inverse.shape[1] if along_rows else inverse.shape[0]
    start = at[1] if along_rows else at[0]
    far, near = min(max(pair[0], 0), across - 1), min(max(pair[1], 0), across - 1)
    for step in range(1, REACH + 1):
        place = start + way * step
        if place < 0 or place >= length:
            break
        outer = inverse[far, place] if along_rows else inverse[place, far]
        inner = inverse[near, place] if along_rows else inverse[place, near]
        if outer > middle:
            return np.float32(step) - _HALF, (_ONE if inner > middle else _NONE)
        if not inner > middle:
            return np.float32(step) - _HALF, -_ONE
    return np.float32(REACH) + _HALF, _NONE


@compiled
def _share(
    ends: tuple[tuple[np.float32, np.float32], tuple[np.float32, np.float32]], is_near: bool
) -> np.float32:
    """Return the near surface's share of a pixel by the ends of its stair.

    The outline lies between the pixel and the next one, moved by half a pixel at an end where near gains or
    loses, and not at all half-way between two ends that do the same.
    """
    (left, gain_left), (right, gain_right) = ends
    length = left + right
    if gain_left * gain_right > _NONE:
        within = _TWO * min(left, right) / length
        moved = _HALF * gain_left * (_ONE - within)
        slope = _ONE / length
        unknown = within
    else:
        moved = _HALF * (gain_left * right + gain_right * left) / length
        slope = _HALF * abs(gain_right - gain_left) / length
        unknown = _ONE - _HALF * (abs(gain_left) + abs(gain_right))
    # Away from an end that is found, the outline may lie half a pixel higher or lower.
    spread = max(slope + unknown, _LEAST)
    inside = moved + (_ONE if is_near else _NONE)
    share: np.float32 = (_filled(inside + _HALF * spread) - _filled(inside - _HALF * spread)) / spread
    return share


@compiled
def _filled(height: np.float32) -> np.float32:
    """Return the integral, up to a height, of how much of a pixel lies below it."""
    if height <= _NONE:
        return _NONE
    if height >= _ONE:
        return height - _HALF
    return _HALF * height * height
