"""Compiled loops over points of things: which lie uppermost over the cells of a map."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.compiled import compiled

_ZERO, _HALF = np.float32(0.0), np.float32(0.5)


@compiled
def note_uppermost(
    places: F32,
    depth: F32,
    weight: F32,
    which: NDArray[np.bool_],
    grid: tuple[np.float32, ...],
    top: F32,
    cover: F32,
) -> None:
    """Write depth and weight of the uppermost of points in each cell.

    Of a thing that is seen in part, the cell has the part of what lies uppermost, or hardly below.

    Parameters
    ----------
    places, depth, weight
        Of points of things; see `halocline.physics.sea.shade.Casters`.
    which
        Which of two maps each is in, ``(n,)``.
    grid
        How far the light moves along both axes per metre of depth, the first point's place along both, and
        how far points lie apart, metres.
    top, cover
        ``(2, count, count)``, or of the first map alone: inf and 0 where nothing is; written.
    """
    drift_x, drift_y, first_x, first_y, step = grid
    count = top.shape[1]
    size, last = np.float32(count), count - 1
    cells = np.empty(depth.size, np.int32)
    for k in range(depth.size):
        column = np.floor((places[0, k] - depth[k] * drift_x - first_x) / step + _HALF)
        row = np.floor((places[1, k] - depth[k] * drift_y - first_y) / step + _HALF)
        inside = weight[k] > _ZERO and column >= _ZERO and column < size and row >= _ZERO and row < size
        cells[k] = min(int(row), last) * count + min(int(column), last) if inside else -1
    for k in range(depth.size):
        if cells[k] >= 0:
            kind, row, column = int(which[k]), cells[k] // count, cells[k] % count
            top[kind, row, column] = min(top[kind, row, column], max(depth[k], _ZERO))
    for k in range(depth.size):
        if cells[k] >= 0:
            kind, row, column = int(which[k]), cells[k] // count, cells[k] % count
            if max(depth[k], _ZERO) <= top[kind, row, column] + step:
                cover[kind, row, column] = max(cover[kind, row, column], weight[k])


@compiled
def join_uppermost(step: np.float32, others: tuple[F32, F32], top: F32, cover: F32) -> None:
    """Make one map of two: of each cell what lies uppermost in either, or hardly below.

    Parameters
    ----------
    step
        What lies no more below is hardly below, metres.
    others
        Depth and weight of another map, ``(count, count)`` each.
    top, cover
        Of one, likewise; changed.
    """
    for row in range(top.shape[0]):
        their_top, their_cover, own_top, own_cover = others[0][row], others[1][row], top[row], cover[row]
        for column in range(own_top.size):
            own, theirs = own_top[column], their_top[column]
            highest = min(own, theirs)
            near = highest + step
            kept = own_cover[column] if own <= near else _ZERO
            own_cover[column] = max(kept, their_cover[column] if theirs <= near else _ZERO)
            own_top[column] = highest


@compiled
def list_uppermost(top: F32, cover: F32, finer: int, cells: NDArray[np.int64], tops: F32, parts: F32) -> int:
    """Write the parts of cells that have something in them, row by row; return how many there are.

    Parameters
    ----------
    top, cover
        Depth and weight in each part, ``(finer count, finer count)``.
    finer
        Parts along a side of a cell.
    cells, tops, parts
        Written: the cell, the depth, and how much of the cell's light it keeps, as long as there are parts.
    """
    found, count = 0, top.shape[1] // finer
    of_all = np.float32(finer * finer)
    for row in range(top.shape[0]):
        for column in range(top.shape[1]):
            if cover[row, column] != _ZERO:
                cells[found] = row // finer * count + column // finer
                tops[found] = top[row, column]
                parts[found] = cover[row, column] / of_all
                found += 1
    return found


@compiled
def uppermost_of_cells(fine_top: F32, fine_cover: F32, finer: int, top: F32, cover: F32) -> None:
    """Write the depth of the uppermost of a cell's parts, and the mean of what they keep.

    Parameters
    ----------
    fine_top, fine_cover
        Of parts, ``(finer count, finer count)``.
    finer
        Parts along a side of a cell.
    top, cover
        ``(count, count)``, written.
    """
    of_all = np.float32(finer * finer)
    for row in range(top.shape[0]):
        for column in range(top.shape[1]):
            highest, kept = np.float32(np.inf), _ZERO
            for one in range(finer * row, finer * (row + 1)):
                line = _ZERO
                for other in range(finer * column, finer * (column + 1)):
                    highest = min(highest, fine_top[one, other])
                    line += fine_cover[one, other]
                kept += line
            top[row, column], cover[row, column] = highest, kept / of_all
