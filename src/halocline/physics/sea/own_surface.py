"""How the uppermost things under a light lie: so that none shades itself, and what is under one begins there.

A map of the uppermost things (`halocline.physics.sea.shade`) knows one depth in each cell. What a cell shows
of a slope lies within it up to so much deeper, and is not below another thing for that. Here each cell gets
the plane in which its thing goes on into the cells beside it.
"""

from __future__ import annotations

import cv2
import numpy as np

from halocline._typing import F32

# What grows by more than this from cell to cell, in cells of depth, is another thing's.
_STEEPEST = 8.0
# By so many times the change from cell to cell, or of that, a thing may be deeper where its cells tell of
# light; but more than so many cells are never taken for it.
_FOOTPRINT, _MOST_UNSURE = 2.5, 1.5
# Where there is nothing on one side, what goes on beyond the other side's next cell as it does up to there,
# to this share of it, is one surface.
_AS_BEFORE = np.float32(0.5)
_ZERO, _HALF = np.float32(0.0), np.float32(0.5)


def own_surfaces(top_m: F32, step_m: float, lens: tuple[float, float, float] | None) -> F32:
    """Return the planes in which the uppermost things of cells lie.

    Parameters
    ----------
    top_m
        Depth of the uppermost thing in each cell, metres, inf without one, ``(count, count)``.
    step_m
        Side of a cell, metres.
    lens
        Where things are seen from: its place in cells, across and down, and its depth, metres; None: from
        where the light comes.

    Returns
    -------
    F32
        ``(4, count, count)``, metres: how much deeper than that depth the plane may lie in a cell's middle,
        by how much it falls to the next cell across and down, and how far off that may be.

    Notes
    -----
    On each axis a thing goes on as it does to the side on which it changes less, if it rises to one and falls
    to the other; at a crest it is level. That is right for planes to rounding, and along the edge of a thing.
    """
    made = np.zeros((4, *top_m.shape), np.float32)
    things = np.isfinite(top_m)
    rows, columns = np.nonzero(things.any(axis=1))[0], np.nonzero(things.any(axis=0))[0]
    if rows.size:
        part = slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)
        from_there = None if lens is None else (lens[0] - columns[0], lens[1] - rows[0], lens[2])
        made[:, *part] = _planes(np.ascontiguousarray(top_m[part]), np.float32(step_m), from_there)
    return made


def _planes(top_m: F32, step: np.float32, lens: tuple[float, float, float] | None) -> F32:
    """Return planes as `own_surfaces` does."""
    (across, off_across), (down, off_down) = _along(top_m, step), _along(np.ascontiguousarray(top_m.T), step)
    down, off_down = down.T, off_down.T
    falls, most = np.abs(across) + np.abs(down), np.float32(_MOST_UNSURE) * step
    # A round thing is steepest along its edge, where least is seen of it.
    off = np.asarray(cv2.dilate(np.maximum(off_across, off_down), np.ones((3, 3), np.uint8)), np.float32)
    made = np.stack([_HALF * falls, across, down, np.minimum(np.float32(_FOOTPRINT) * off, most)])
    if lens is not None:
        # Of what is seen from below no side is lit: what lies hardly lower is as likely another thing's.
        rows, columns = (np.arange(count, dtype=np.float32) for count in top_m.shape)
        there = across * (np.float32(lens[0]) - columns) + down * (np.float32(lens[1]) - rows[:, np.newaxis])
        below = top_m + made[0] + there < np.float32(lens[2])
        made[3][below] = np.minimum(np.float32(_FOOTPRINT) * falls + made[3], most)[below]
        made[:3, below] = _ZERO
    return made


def _along(top_m: F32, step: np.float32) -> tuple[F32, F32]:
    """Return by how much things fall from cell to cell of a row, and how far off that may be."""
    fall = np.full((top_m.shape[0], top_m.shape[1] + 3), np.float32(np.nan))
    with np.errstate(invalid="ignore"):
        np.subtract(top_m[:, 1:], top_m[:, :-1], out=fall[:, 2:-2])
    fall[~(np.abs(fall) <= np.float32(_STEEPEST) * step)] = np.nan
    two_before, before, behind, two_behind = fall[:, :-3], fall[:, 1:-2], fall[:, 2:-1], fall[:, 3:]
    less = np.where(np.abs(before) < np.abs(behind), before, behind)
    goes = np.where(before * behind > _ZERO, less, _ZERO)
    off = np.abs(behind - before)
    # What changes by more is a step more often than a round thing.
    off = np.where(off <= step, off, np.minimum(off, np.abs(less)))
    for side, next_side, other in ((before, two_before, behind), (behind, two_behind, before)):
        alone, turns = np.isnan(other), np.abs(next_side - side)
        goes_on = turns <= _AS_BEFORE * np.abs(side)
        goes = np.where(alone, np.where(goes_on, side, _ZERO), goes)
        off = np.where(alone, np.where(goes_on, turns + _HALF * np.abs(side), np.abs(side)), off)
    # Of one cell by itself nothing is known; nor is anything to be in one where nothing is.
    off[np.isnan(off)] = _HALF * step
    off[np.isinf(top_m)] = _ZERO
    return np.nan_to_num(goes), off
