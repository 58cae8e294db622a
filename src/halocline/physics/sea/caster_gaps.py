"""How far apart neighbouring pixels' surfaces lie: gaps that a point of a thing stands for."""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled

_ZERO, _ONE = np.float32(0.0), np.float32(1.0)


@compiled
def gaps_between(
    directions: tuple[F32, F32, F32],
    metres: F32,
    same: np.float32,
    tangent: np.float32,
    widest: np.float32,
    gaps: F32,
) -> None:
    """Write how far pixels' surfaces lie from their neighbours', along each axis.

    Of two that are about as far away that is how far these are apart; otherwise they are those of two things,
    and where all neighbours are, a pixel stands for as much as it is wide.

    Parameters
    ----------
    directions
        Along three axes, unit, ``(rows, columns)`` each.
    metres
        Ranges of surfaces, ``(rows, columns)``, 0 where there is none.
    same
        Up to so many times the nearer one's range neighbours are on one surface.
    tangent
        How wide a pixel is at a metre.
    widest
        No gap is wider, metres.
    gaps
        ``(3, rows, columns)``, metres; written.
    """
    rows, columns = metres.shape
    here, there = np.empty((3, columns), np.float32), np.empty((3, columns), np.float32)
    # From each pixel to the one beside it, from the row above, and to the row below; 0 where none is.
    beside, above = np.zeros((3, columns + 1), np.float32), np.zeros((3, columns), np.float32)
    below, joined = np.zeros((3, columns), np.float32), np.empty(columns, np.float32)
    _placed(directions, metres, 0, there)
    for row in range(rows):
        for axis in range(3):
            _copy(there[axis], here[axis])
            _copy(below[axis], above[axis])
        _join(metres[row, :-1], metres[row, 1:], same, joined)
        for axis in range(3):
            _apart(here[axis, :-1], here[axis, 1:], joined, beside[axis, 1:])
        if row < rows - 1:
            _placed(directions, metres, row + 1, there)
            _join(metres[row], metres[row + 1], same, joined)
        else:
            _copy(np.zeros(columns, np.float32), joined)
        for axis in range(3):
            _apart(here[axis], there[axis], joined, below[axis])
            found, over, under, side = gaps[axis, row], above[axis], below[axis], beside[axis]
            for column in range(columns):
                found[column] = max(over[column], under[column], side[column], side[column + 1])
        _settle(metres[row], tangent, widest, (gaps[0, row], gaps[1, row], gaps[2, row]))


@compiled
def _join(one: F32, other: F32, same: np.float32, joined: F32) -> None:
    """Write 1 where two ranges are of one surface, else 0."""
    for k in range(one.size):
        near, far = min(one[k], other[k]), max(one[k], other[k])
        joined[k] = _ONE if far <= same * near else _ZERO


@compiled
def _apart(one: F32, other: F32, joined: F32, out: F32) -> None:
    """Write how far apart places are along an axis where they are on one surface, else 0."""
    for k in range(one.size):
        out[k] = abs(other[k] - one[k]) * joined[k]


@compiled
def _settle(metres: F32, tangent: np.float32, widest: np.float32, gaps: tuple[F32, F32, F32]) -> None:
    """Give pixels that none of their neighbours is joined to their own width, and cut off wide gaps."""
    first, second, third = gaps
    for k in range(metres.size):
        alone, wide = max(first[k], second[k], third[k]) == _ZERO, tangent * metres[k]
        first[k] = min(wide if alone else first[k], widest)
        second[k] = min(wide if alone else second[k], widest)
        third[k] = min(wide if alone else third[k], widest)


@compiled
def _placed(directions: tuple[F32, F32, F32], metres: F32, row: int, places: F32) -> None:
    """Write where the surfaces of a row of pixels are, along three axes from the lens."""
    far = metres[row]
    for axis in range(3):
        towards, there = directions[axis][row], places[axis]
        for column in range(far.size):
            there[column] = towards[column] * far[column]


@compiled
def _copy(row: F32, out: F32) -> None:
    for k in range(out.size):
        out[k] = row[k]
