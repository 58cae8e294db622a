"""Which way surfaces face: from their distance, and at edges, where a pixel's own normal is one of many."""

from __future__ import annotations

import cv2
import numpy as np

from halocline._typing import F32

# An edge runs where range changes by more than this share within a pixel; what differs less is one surface.
_EDGE = 0.05
# How far around an edge pixel its surface is averaged.
EDGE_REACH = 2


def normals_from_range(directions: F32, range_m: F32) -> F32:
    """Return unit surface normals, ``(3, rows, columns)``, towards the lens.

    The surface through a pixel is taken as the plane that it spans with its neighbours, on each axis with the
    one whose distance is closer to its own: across the edge of a thing, the other side tells nothing.

    Parameters
    ----------
    directions
        ``(3, rows, columns)`` unit view directions.
    range_m
        ``(rows, columns)`` metres along them. Where it is not finite the normal faces the lens.

    Notes
    -----
    Border rule: a pixel at the edge has one neighbour only on that axis. Needs one pixel around each.
    Level ground seen from above gives (0, 0, 1) in axes with z up, to rounding.
    """
    known = np.isfinite(range_m)
    place = directions * np.where(known, range_m, np.float32(0.0))
    along_rows = _step_to_nearer(place, range_m, known, axis=0)
    along_columns = _step_to_nearer(place, range_m, known, axis=1)
    normal = np.stack(
        [
            along_rows[1] * along_columns[2] - along_rows[2] * along_columns[1],
            along_rows[2] * along_columns[0] - along_rows[0] * along_columns[2],
            along_rows[0] * along_columns[1] - along_rows[1] * along_columns[0],
        ]
    )
    length = np.sqrt(normal[0] ** 2 + normal[1] ** 2 + normal[2] ** 2)
    flat = length <= np.float32(1e-20)
    normal /= np.where(flat, np.float32(1.0), length)
    towards = normal[0] * directions[0] + normal[1] * directions[1] + normal[2] * directions[2]
    normal *= np.where(towards > 0.0, np.float32(-1.0), np.float32(1.0))
    out: F32 = np.where(flat, -directions, normal)
    return out


def _step_to_nearer(place: F32, range_m: F32, known: np.ndarray, *, axis: int) -> F32:
    """Return the step in world space to the next pixel on an axis or from the one before, ``(3, ...)``.

    Of the two, the one across which the range changes less; none where neither neighbour is known.
    """
    size = range_m.shape[axis]
    step = np.zeros_like(place)
    if size < 2:
        return step
    first = (slice(None),) * (axis + 1) + (slice(0, size - 1),)
    second = (slice(None),) * (axis + 1) + (slice(1, size),)
    between = place[second] - place[first]
    both = known[second[1:]] & known[first[1:]]
    with np.errstate(invalid="ignore"):
        change = np.where(both, np.abs(range_m[second[1:]] - range_m[first[1:]]), np.float32(np.inf))
    shape = list(range_m.shape)
    shape[axis] = 1
    none = np.full(shape, np.inf, np.float32)
    after = np.concatenate([change, none], axis=axis)
    before = np.concatenate([none, change], axis=axis)
    use_after = (after <= before) & np.isfinite(after)
    use_before = (before < after) & np.isfinite(before)
    gap = np.zeros((3, *shape), np.float32)
    forward = np.concatenate([between, gap], axis=axis + 1)
    backward = np.concatenate([gap, between], axis=axis + 1)
    return np.where(use_after, forward, np.where(use_before, backward, np.float32(0.0)))


def averaged_at_edges(values: list[F32], range_m: F32) -> list[F32]:
    """Return what a surface takes of light with each edge pixel's replaced by its surroundings' mean.

    Colour is the mean over a pixel, a normal pass often one sample in it. On a strand as thin as a pixel the
    samples jump from its bright to its dark side, and what is multiplied by them comes out as beads. So where
    an edge runs, the mean over the pixels around that lie on the same surface is taken.

    Parameters
    ----------
    values
        Planes ``(rows, columns)`` that are linear in light.
    range_m
        ``(rows, columns)`` metres.

    Notes
    -----
    Border rule: pixels at the picture's edge have neighbours on one side only. Needs `EDGE_REACH` pixels
    around each. Planes without edges come back as they are.
    """
    around = np.ones((3, 3), np.uint8)
    # Where nothing is hit, range is endless.
    nearest, farthest = cv2.erode(range_m, around), cv2.dilate(range_m, around)
    rows, columns = np.nonzero(nearest < farthest * np.float32(1.0 / (1.0 + _EDGE)))
    if not rows.size:
        return values
    own = range_m[rows, columns]
    count = np.zeros(rows.size, np.float32)
    sums = [np.zeros(rows.size, np.float32) for _ in values]
    steps = range(-EDGE_REACH, EDGE_REACH + 1)
    for down in steps:
        for across in steps:
            row, column = rows + down, columns + across
            inside = (row >= 0) & (row < range_m.shape[0]) & (column >= 0) & (column < range_m.shape[1])
            np.clip(row, 0, range_m.shape[0] - 1, out=row)
            np.clip(column, 0, range_m.shape[1] - 1, out=column)
            there = range_m[row, column]
            with np.errstate(invalid="ignore"):
                same = inside & ((there == own) | (np.abs(there - own) <= np.float32(_EDGE) * own))
            count += same
            for total, plane in zip(sums, values, strict=True):
                np.add(total, plane[row, column] * same, out=total)
    out = [plane.copy() for plane in values]
    for plane, total in zip(out, sums, strict=True):
        plane[rows, columns] = total / count
    return out
