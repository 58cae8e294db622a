"""Which way surfaces face: from their distance, and at edges, where a pixel's own normal is one of many."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled

# An edge runs where range changes by more than this share within a pixel; what differs less is one surface.
_EDGE = np.float32(0.05)
# How far around an edge pixel its surface is averaged.
EDGE_REACH = 2
_ZERO, _ONE, _LEAST, _ENDLESS = (np.float32(number) for number in (0.0, 1.0, 1e-20, np.inf))


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

    Returns
    -------
    F32
        Unit vectors in the space of ``directions``.

    Notes
    -----
    Border rule: a pixel at the edge has one neighbour only on that axis. Needs one pixel around each.
    Level ground seen from above gives (0, 0, 1) in axes with z up, to rounding.
    """
    out = np.empty(directions.shape, np.float32)
    _normals(np.ascontiguousarray(directions), np.ascontiguousarray(range_m), out)
    return out


@compiled
def _normals(directions: F32, range_m: F32, out: F32) -> None:
    for row in range(range_m.shape[0]):
        for column in range(range_m.shape[1]):
            x, y, z = directions[0, row, column], directions[1, row, column], directions[2, row, column]
            a, b, c = _step_to_nearer(directions, range_m, row, column, 1, 0)
            d, e, f = _step_to_nearer(directions, range_m, row, column, 0, 1)
            across, along, up = b * f - c * e, c * d - a * f, a * e - b * d
            length = np.sqrt(across * across + along * along + up * up)
            if length > _LEAST:
                # Towards the lens.
                length = -length if across * x + along * y + up * z > _ZERO else length
                x, y, z = -across / length, -along / length, -up / length
            out[0, row, column], out[1, row, column], out[2, row, column] = -x, -y, -z


@compiled
def _step_to_nearer(
    directions: F32, range_m: F32, row: int, column: int, down: int, right: int
) -> tuple[np.float32, np.float32, np.float32]:
    """Return the step in space to the next pixel on an axis, or from the one before.

    Of the two, the one across which the range changes less; none where neither neighbour is known.
    """
    here = range_m[row, column]
    first_row, first_column, last_row, last_column = row, column, row, column
    least = _ENDLESS
    if row + down < range_m.shape[0] and column + right < range_m.shape[1]:
        change = abs(range_m[row + down, column + right] - here)
        if change < least:
            least, last_row, last_column = change, row + down, column + right
    if row >= down and column >= right:
        change = abs(here - range_m[row - down, column - right])
        if change < least:
            first_row, first_column, last_row, last_column = row - down, column - right, row, column
            least = change
    if least == _ENDLESS:
        return _ZERO, _ZERO, _ZERO
    there, back = range_m[last_row, last_column], range_m[first_row, first_column]
    return (
        directions[0, last_row, last_column] * there - directions[0, first_row, first_column] * back,
        directions[1, last_row, last_column] * there - directions[1, first_row, first_column] * back,
        directions[2, last_row, last_column] * there - directions[2, first_row, first_column] * back,
    )


def sun_over_diffuse(normal: F32, range_m: F32, *, travel: F64, up: F64, from_below: float) -> F32:
    """Return what surfaces take of the sun's light over what they take of diffuse light; 1 if level.

    Parameters
    ----------
    normal
        ``(3, rows, columns)`` unit normals.
    range_m
        ``(rows, columns)`` metres, by which edges are known; see `averaged_at_edges` for the border.
    travel, up
        Unit vectors ``(3,)``: where the sun's light travels, and up.
    from_below
        Diffuse light on a surface that faces straight down, over that on one facing up.

    Returns
    -------
    F32
        ``(rows, columns)``, 0 or more.
    """
    sun, diffuse = np.empty(range_m.shape, np.float32), np.empty(range_m.shape, np.float32)
    # By a level surface 1.
    per_level = travel / min(-1e-3, float(travel @ up))
    half = 0.5 * (1.0 - from_below)
    axes = tuple(np.float32(v) for v in (*per_level, *(up * half), 1.0 - half))
    x, y, z = (plane.ravel() for plane in normal)
    _takes(x, y, z, axes, sun.reshape(-1), diffuse.reshape(-1))
    sun, diffuse = averaged_at_edges([sun, diffuse], range_m)
    over: F32 = np.maximum(diffuse, np.float32(0.5 * from_below))
    return np.divide(sun, over, out=over)


@compiled
def _takes(x: F32, y: F32, z: F32, axes: tuple[np.float32, ...], sun: F32, diffuse: F32) -> None:
    sun_x, sun_y, sun_z, up_x, up_y, up_z, level = axes
    for i in range(x.size):
        sun[i] = max(x[i] * sun_x + y[i] * sun_y + z[i] * sun_z, _ZERO)
        diffuse[i] = x[i] * up_x + y[i] * up_y + z[i] * up_z + level


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
    rows, columns = np.nonzero(nearest < farthest * (_ONE / (_ONE + _EDGE)))
    if not rows.size:
        return values
    out = [plane.copy() for plane in values]
    for plane, averaged in zip(values, out, strict=True):
        _average(rows, columns, np.ascontiguousarray(range_m), np.ascontiguousarray(plane), averaged)
    return out


@compiled
def _average(rows: NDArray[np.intp], columns: NDArray[np.intp], range_m: F32, plane: F32, out: F32) -> None:
    for n in range(rows.size):
        own = range_m[rows[n], columns[n]]
        total = count = _ZERO
        for row in range(max(0, rows[n] - EDGE_REACH), min(range_m.shape[0], rows[n] + EDGE_REACH + 1)):
            for column in range(
                max(0, columns[n] - EDGE_REACH), min(range_m.shape[1], columns[n] + EDGE_REACH + 1)
            ):
                there = range_m[row, column]
                if there == own or abs(there - own) <= _EDGE * own:
                    total += plane[row, column]
                    count += _ONE
        out[rows[n], columns[n]] = total / count
