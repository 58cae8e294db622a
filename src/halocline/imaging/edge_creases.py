"""Creases: pixels that show two sides of one thing, or a thing and the ground it stands on, at one depth.

Along the foot of a wall depth makes no step, but which way surfaces face does. A pixel there holds light of
both, and its normal is that of the one sample in its middle. Taken for both, it lets bright ground be lit as
the wall is that faces the lamp, and the foot turns to pale dashes.

As at steps in depth, the colours of both are taken from pixels close by that the crease does not touch, and a
pixel's own colour lies between the two: its place there is the share of each (`edge_mixture`). The side that
the pixel's normal is of counts as the nearer surface, the other one as the farther, of the same range.
"""

from __future__ import annotations

from functools import partial

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.threads import in_parallel
from halocline.filters.facing import TURN
from halocline.imaging.depth_edges import COVERED, Mask, Pixels
from halocline.imaging.edge_mixture import (
    LEAST_SHARE,
    ToldSurfaces,
    light_of_farther,
    mixture_planes,
    share_of_nearer,
)
from halocline.imaging.edge_normals import normals_of_nearer
from halocline.imaging.edge_places import REACH as STAIR
from halocline.imaging.edge_places import share_in_patch

# From pixel to pixel each side turns at most this share of what the crease turns, as one less the cosine: a
# wall runs on as it is where a crease ends it, the underside of a ball turns a little.
_BEND = np.float32(0.2)
# Within this share of a range, two sides are of one depth; a stair along them may lead a little farther off.
_SAME, _ALONG = np.float32(0.05), np.float32(0.15)
# Pixels around a pixel that are asked for the colours of both.
_REACH = 2
_COVERED = np.float32(COVERED)
_STRIP = 256
_ZERO, _ONE, _HALF = np.float32(0.0), np.float32(1.0), np.float32(0.5)
_OWN, _OTHER, _MIDDLE = (np.float32(number) for number in (2.0, 1.0, 1.5))


def edge_planes(
    rgb: F32, alpha: F32, range_m: F32, normal: F32 | None, told: ToldSurfaces | None = None
) -> dict[str, F32]:
    """Return all that is found of a picture's edges: its second surfaces, and the normals of its nearer ones.

    Parameters
    ----------
    rgb, alpha, range_m
        See `separate_surfaces`.
    normal
        ``(3, rows, columns)`` unit normals, as the pass has them, if there is one.
    told
        See `separate_surfaces`.

    Returns
    -------
    dict[str, F32]
        New planes by name: as `mixture_planes` and `add_creases` give them, and ``normal``, if given.
    """
    found = mixture_planes(rgb, alpha, range_m, told)
    if normal is None:
        return found
    nearer = found.get("range", range_m)
    normal = normals_of_nearer(normal, range_m, nearer, None if told is None else found)
    add_creases(rgb, alpha, nearer, normal, found)
    return found | {"normal": normal}


def add_creases(rgb: F32, alpha: F32, range_m: F32, normal: F32, planes: dict[str, F32]) -> None:
    """Write the pixels along creases into ``far_range``, ``far_share`` and ``far_light``, in place.

    Parameters
    ----------
    rgb
        ``(3, rows, columns)``, scene-linear.
    alpha
        Coverage ``(rows, columns)``. Pixels that open water shows through are left out.
    range_m
        Metres to the nearer surface, ``(rows, columns)``.
    normal
        ``(3, rows, columns)`` unit normals.
    planes
        These planes so far, by name, as `mixture_planes` gives them: nothing where the picture shows two
        surfaces nowhere; they are made then, if any pixel lies on a crease. Pixels that show two surfaces
        already are left as they are.

    Notes
    -----
    Border rule: a crease is known where two pixels of each of its sides are seen in a row or a column.
    """
    rows, columns = range_m.shape
    before = planes.get("far_share", np.zeros((0, 0), np.float32))
    # Of each pixel on a crease, one that shows its other side alone: its flat index, less than 0 for none.
    beyond = np.full((rows, columns), -1, np.int32)
    in_parallel(partial(_mark, (normal, range_m, alpha, before), beyond), range(0, rows, _STRIP))
    pixels: Pixels = np.flatnonzero(beyond >= 0)
    if not pixels.size:
        return
    own, front, behind = (np.zeros((pixels.size, 3), np.float32) for _ in range(3))
    by_place = np.zeros(pixels.size, np.float32)
    known = np.zeros(pixels.size, np.bool_)
    _both(rgb, normal, range_m, beyond, pixels, (own, front, behind), known)
    _places(normal, range_m, beyond, pixels, by_place)
    share = share_of_nearer(own, front, behind, by_place, np.zeros(pixels.size, bool))
    # The middle of the pixel belongs to its own side: at least half of it does.
    far_share = np.clip(_ONE - share, _ZERO, _HALF)
    known &= far_share > LEAST_SHARE
    if not known.any():
        return
    light = light_of_farther(far_share, front, behind)
    at = pixels[known]
    values = {"far_range": range_m.ravel()[at], "far_share": far_share[known], "far_light": light[known]}
    for name, value in values.items():
        if name not in planes:
            planes[name] = range_m.copy() if name == "far_range" else np.zeros_like(range_m)
        planes[name].ravel()[at] = value


@compiled
def _mark(planes: tuple[F32, F32, F32, F32], beyond: NDArray[np.int32], start: int) -> None:
    """Mark pixels on creases of a strip of rows with the flat index of one that shows the other side."""
    normal, range_m = planes[0], planes[1]
    rows, columns = range_m.shape
    # How the pixels of a row face beside the next one, from the second number on, and beside those of the row
    # above and below.
    along, above, below = (
        np.ones(columns + 3, np.float32),
        np.ones(columns, np.float32),
        np.ones(columns, np.float32),
    )
    x, y, z = normal[0], normal[1], normal[2]
    if start > 0:
        _cosines((x[start - 1], y[start - 1], z[start - 1]), (x[start], y[start], z[start]), below)
    for row in range(start, min(start + _STRIP, rows)):
        above, below = below, above
        here, end = (x[row], y[row], z[row]), columns - 1
        _cosines(
            (x[row, :end], y[row, :end], z[row, :end]),
            (x[row, 1:], y[row, 1:], z[row, 1:]),
            along[2 : columns + 1],
        )
        if row + 1 < rows:
            _cosines(here, (x[row + 1], y[row + 1], z[row + 1]), below)
        for column in range(columns):
            # Most of what is rough is no crease, which is told sooner so than by looking around each pixel.
            before, after = along[column + 1], along[column + 2]
            if (
                (_breaks(after, before) and _breaks(after, along[column + 3]))
                or (_breaks(before, after) and _breaks(before, along[column]))
                or _breaks(below[column], above[column])
                or _breaks(above[column], below[column])
            ):
                beyond[row, column] = _other_side(planes, row, column)


@compiled
def _cosines(one: tuple[F32, F32, F32], other: tuple[F32, F32, F32], out: F32) -> None:
    x, y, z = one
    u, v, w = other
    for i in range(out.size):
        out[i] = x[i] * u[i] + y[i] * v[i] + z[i] * w[i]


@compiled
def _other_side(planes: tuple[F32, F32, F32, F32], row: int, column: int) -> int:
    """Return the flat index of a pixel that shows the other side of a pixel's crease, -1 for none."""
    normal, range_m, alpha, before = planes
    rows, columns = range_m.shape
    found = -1
    if before.size > 0 and before[row, column] != _ZERO:
        return found
    turned = TURN
    for down, right in ((0, 1), (0, -1), (1, 0), (-1, 0)):
        # Two pixels of each side in a line: the one before this one, the next one and the one after it.
        r, c = row + 2 * down, column + 2 * right
        if not (
            0 <= r < rows and 0 <= c < columns and 0 <= row - down < rows and 0 <= column - right < columns
        ):
            continue
        cosine = _cosine(normal, row, column, row + down, column + right)
        if (
            cosine < turned
            and _one_surface(range_m, alpha, row, column, row + down, column + right)
            and _one_surface(range_m, alpha, row, column, r, c)
            and _one_surface(range_m, alpha, row, column, row - down, column - right)
            and _breaks(cosine, _cosine(normal, row, column, row - down, column - right))
            and _breaks(cosine, _cosine(normal, row + down, column + right, r, c))
        ):
            turned = cosine
            found = r * columns + c
    return found


@compiled
def _breaks(across: np.float32, along: np.float32) -> bool:
    """Tell whether a turn from a pixel to the next is a crease's, by that from the next to the one after."""
    return bool(across < TURN and _ONE - along < _BEND * (_ONE - across))


@compiled
def _cosine(normal: F32, row: int, column: int, r: int, c: int) -> np.float32:
    cosine: np.float32 = (
        normal[0, row, column] * normal[0, r, c]
        + normal[1, row, column] * normal[1, r, c]
        + normal[2, row, column] * normal[2, r, c]
    )
    return cosine


@compiled
def _one_surface(range_m: F32, alpha: F32, row: int, column: int, r: int, c: int) -> bool:
    own = range_m[row, column]
    return bool(
        alpha[row, column] >= _COVERED and alpha[r, c] >= _COVERED and abs(range_m[r, c] - own) <= _SAME * own
    )


@compiled
def _both(
    rgb: F32,
    normal: F32,
    range_m: F32,
    beyond: NDArray[np.int32],
    pixels: Pixels,
    colours: tuple[F32, F32, F32],
    known: Mask,
) -> None:
    """Write pixels' own colours and the mean ones of their own and of the other side, off the crease."""
    own, front, behind = colours
    rows, columns = range_m.shape
    for n in range(pixels.size):
        row, column = pixels[n] // columns, pixels[n] % columns
        there = beyond[row, column]
        other_row, other_column = there // columns, there % columns
        metres = range_m[row, column]
        one = two = _ZERO
        for r in range(max(0, row - _REACH), min(rows, row + _REACH + 1)):
            for c in range(max(0, column - _REACH), min(columns, column + _REACH + 1)):
                if beyond[r, c] >= 0 or not abs(range_m[r, c] - metres) <= _SAME * metres:
                    continue
                nearly = _cosine(normal, row, column, r, c)
                beside = _cosine(normal, other_row, other_column, r, c)
                if nearly > max(TURN, beside):
                    one += _ONE
                    for part in range(3):
                        front[n, part] += rgb[part, r, c]
                elif beside > max(TURN, nearly):
                    two += _ONE
                    for part in range(3):
                        behind[n, part] += rgb[part, r, c]
        known[n] = one > _ZERO and two > _ZERO
        for part in range(3):
            own[n, part] = rgb[part, row, column]
            front[n, part] /= max(one, _ONE)
            behind[n, part] /= max(two, _ONE)


@compiled
def _places(normal: F32, range_m: F32, beyond: NDArray[np.int32], pixels: Pixels, out: F32) -> None:
    """Write the share of a pixel's own side by where the middles of the pixels around lie."""
    rows, columns = range_m.shape
    # What is around a pixel as far as stairs are followed: its own side, the other, or neither.
    patch = np.zeros((2 * STAIR + 3, 2 * STAIR + 3), np.float32)
    for n in range(pixels.size):
        row, column = pixels[n] // columns, pixels[n] % columns
        there = beyond[row, column]
        other_row, other_column = there // columns, there % columns
        metres = range_m[row, column]
        for y in range(patch.shape[0]):
            for x in range(patch.shape[1]):
                r = min(max(row + y - STAIR - 1, 0), rows - 1)
                c = min(max(column + x - STAIR - 1, 0), columns - 1)
                near = _cosine(normal, row, column, r, c)
                far = _cosine(normal, other_row, other_column, r, c)
                same = abs(range_m[r, c] - metres) <= _ALONG * metres
                side = _OWN if near >= far else _OTHER
                patch[y, x] = side if same else _ZERO
        out[n] = share_in_patch(patch, STAIR + 1, STAIR + 1, _MIDDLE)
