"""Which way surfaces face: from their distance, and at edges, where a pixel's own normal is one of many."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled

# An edge runs where range changes by more than this share within a pixel; what differs less is one surface.
_EDGE = np.float32(0.05)
# A normal's square under this is no direction's.
_NO_DIRECTION = np.float32(0.25)
# Farther surfaces are often ground that runs away from the lens: of it so much is one.
_FAR_EDGE = np.float32(0.15)
# Where the direction of a farther surface is looked for, in turn: within which share of its range, and
# whether among pixels that show one surface or those whose nearer one it is, as on a ledge two pixels high.
_BY_TRUST = ((_EDGE, True), (_EDGE, False), (_FAR_EDGE, True))
# Cosine between two sides of a crease: what turns less is one surface, and hardly lit otherwise.
TURN = np.float32(0.9)
# How far around an edge pixel its surface is averaged.
EDGE_REACH = 2
# How far around a pixel its normal is found from range.
NORMAL_REACH = 2
# What departs from both sides by more than this share of one over its range has no neighbours on that axis.
_ALONE = np.float32(0.25)
_ZERO, _ONE, _LEAST, _ENDLESS = (np.float32(number) for number in (0.0, 1.0, 1e-20, np.inf))


def normals_from_range(directions: F32, range_m: F32) -> F32:
    """Return unit surface normals, ``(3, rows, columns)``, towards the lens.

    The surface through a pixel is taken as the plane that it spans with its neighbours, on each axis with the
    one beyond which one over the range goes on as it does up to there: across the edge of a thing it does
    not. What is a pixel wide, with something else on both sides, faces the lens on that axis.

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
    Border rule: a pixel at the edge has one neighbour only on that axis, and next to it one is judged by its
    range alone. Needs `NORMAL_REACH` pixels around each. Level ground seen from above gives (0, 0, 1) in axes
    with z up, to rounding.
    """
    out = np.empty(directions.shape, np.float32)
    _normals(np.ascontiguousarray(directions), np.ascontiguousarray(range_m), out)
    return out


@compiled
def _normals(directions: F32, range_m: F32, out: F32) -> None:
    rows, columns = range_m.shape
    # One over the range of five rows, with two more at both ends: below 0 where there is no pixel.
    near = np.full((5, columns + 4), -_ONE, np.float32)
    # What a step is of the directions of a pixel and its neighbours before and after.
    parts = np.empty(columns, np.float32), np.empty(columns, np.float32), np.empty(columns, np.float32)
    # Of one row: the steps in space along both axes, their product, and its length.
    down, right, product = (
        np.empty((3, columns), np.float32),
        np.empty((3, columns), np.float32),
        np.empty((3, columns), np.float32),
    )
    length = np.empty(columns, np.float32)
    for row in range(-2, 2):
        _nearness(range_m, row, near[row % 5])
    for row in range(rows):
        _nearness(range_m, row + 2, near[(row + 2) % 5])
        above, below = max(row - 1, 0), min(row + 1, rows - 1)
        own = near[row % 5]
        farther, before = near[(row - 2) % 5][2:-2], near[(row - 1) % 5][2:-2]
        after, beyond = near[(row + 1) % 5][2:-2], near[(row + 2) % 5][2:-2]
        metres = range_m[above], range_m[row], range_m[below]
        _parts((farther, before, own[2:-2], after, beyond), metres, parts)
        for axis in range(3):
            lines = directions[axis, above], directions[axis, row], directions[axis, below]
            _steps(lines, parts, down[axis])
        _parts_along(own, range_m[row], parts)
        for axis in range(3):
            _steps_along(directions[axis, row], parts, right[axis])
        for axis in range(3):
            second, third = (axis + 1) % 3, (axis + 2) % 3
            for x in range(columns):
                product[axis, x] = down[second, x] * right[third, x] - down[third, x] * right[second, x]
        _lengths(
            product,
            (directions[0, row], directions[1, row], directions[2, row]),
            length,
        )
        for axis in range(3):
            _normalised(product[axis], length, directions[axis, row], out[axis, row])


@compiled
def _nearness(range_m: F32, row: int, out: F32) -> None:
    """Write one over the range of a row, within what there is of others; below 0 if there is no such row."""
    if 0 <= row < range_m.shape[0]:
        for x in range(range_m.shape[1]):
            out[x + 2] = _ONE / max(range_m[row, x], _LEAST)
    else:
        out[:] = -_ONE


@compiled
def _parts(
    near: tuple[F32, F32, F32, F32, F32], range_m: tuple[F32, F32, F32], parts: tuple[F32, F32, F32]
) -> None:
    """Write what steps in space to pixels' next neighbours, or from those before, are of directions.

    Of those before, of the pixels' own and of those after; all 0 where there is no surface.
    ``near`` is one over the range of the pixels two before, before, at, after and two after, ``range_m`` the
    range of the three in the middle.
    """
    farther, before, here, after, beyond = near
    before_m, here_m, after_m = range_m
    back_part, own_part, ahead_part = parts
    for i in range(here.size):
        own, metres = here[i], here_m[i]
        forward, back = _bent(own, after[i], beyond[i]), _bent(own, before[i], farther[i])
        alone = _ONE if min(forward, back) > _ALONE * own else _ZERO
        # Alone it takes the direction of the one ahead, where there is a pixel.
        by_bend = _ONE if forward <= back else _ZERO
        by_place = _ONE if after[i] >= _ZERO else _ZERO
        ahead = by_place if alone == _ONE else by_bend
        known = _ONE if max(after[i], before[i]) >= _ZERO else _ZERO
        known = known if own > _ZERO else _ZERO
        to_after = metres if alone == _ONE else after_m[i]
        to_before = metres if alone == _ONE else before_m[i]
        back_part[i] = -to_before if known * (_ONE - ahead) == _ONE else _ZERO
        ahead_part[i] = to_after if known * ahead == _ONE else _ZERO
        own_part[i] = (metres if ahead == _ZERO else -metres) if known == _ONE else _ZERO


@compiled
def _parts_along(near: F32, range_m: F32, parts: tuple[F32, F32, F32]) -> None:
    """Write what steps along a row are of directions; ``near`` has two more at both ends."""
    end = range_m.size - 1
    lines = near[:-4], near[1:-3], near[2:-2], near[3:-1], near[4:]
    if end > 0:
        inner = lines[0][1:-1], lines[1][1:-1], lines[2][1:-1], lines[3][1:-1], lines[4][1:-1]
        _parts(inner, (range_m[:-2], range_m[1:-1], range_m[2:]), _inner(parts))
    for at in (0, end):
        before, after = max(at - 1, 0), min(at + 1, end)
        one = slice(at, at + 1)
        metres = range_m[before : before + 1], range_m[one], range_m[after : after + 1]
        edge = lines[0][one], lines[1][one], lines[2][one], lines[3][one], lines[4][one]
        _parts(edge, metres, (parts[0][one], parts[1][one], parts[2][one]))


@compiled
def _bent(own: np.float32, one: np.float32, two: np.float32) -> np.float32:
    """Return by how much one over the range bends beyond a neighbour; without end where it is no surface."""
    step = abs(one - own)
    bend = abs(two - one - (one - own))
    bend = bend if two >= _ZERO else step
    return bend if one > _ZERO else _ENDLESS


@compiled
def _steps(towards: tuple[F32, F32, F32], parts: tuple[F32, F32, F32], out: F32) -> None:
    """Write one component of the steps; ``towards`` is that of the directions before, at and after pixels."""
    before, here, after = towards
    back_part, own_part, ahead_part = parts
    for i in range(out.size):
        out[i] = back_part[i] * before[i] + own_part[i] * here[i] + ahead_part[i] * after[i]


@compiled
def _steps_along(towards: F32, parts: tuple[F32, F32, F32], out: F32) -> None:
    """Write one component of the steps along a row."""
    end = out.size - 1
    if end > 0:
        _steps((towards[:-2], towards[1:-1], towards[2:]), _inner(parts), out[1:-1])
    for at in (0, end):
        before, after, one = max(at - 1, 0), min(at + 1, end), slice(at, at + 1)
        lines = towards[before : before + 1], towards[one], towards[after : after + 1]
        _steps(lines, (parts[0][one], parts[1][one], parts[2][one]), out[one])


@compiled
def _inner(parts: tuple[F32, F32, F32]) -> tuple[F32, F32, F32]:
    return parts[0][1:-1], parts[1][1:-1], parts[2][1:-1]


@compiled
def _lengths(product: F32, directions: tuple[F32, F32, F32], length: F32) -> None:
    """Write the length of products of steps: below 0 where they point away from the lens, 0 for none."""
    across, along, up = product[0], product[1], product[2]
    x, y, z = directions
    for i in range(length.size):
        size = np.sqrt(across[i] * across[i] + along[i] * along[i] + up[i] * up[i])
        away = across[i] * x[i] + along[i] * y[i] + up[i] * z[i] > _ZERO
        known = size > _LEAST
        length[i] = (-size if away else size) if known else _ZERO


@compiled
def _normalised(product: F32, length: F32, towards: F32, out: F32) -> None:
    """Write one component of unit normals; towards the lens where there is no length."""
    for i in range(out.size):
        normal = product[i] / length[i]
        out[i] = normal if length[i] != _ZERO else -towards[i]


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
    sun, diffuse = averaged_at_edges(_sun_and_diffuse(normal, travel, up, from_below), range_m)
    over: F32 = np.maximum(diffuse, np.float32(0.5 * from_below))
    return np.divide(sun, over, out=over)


def sun_over_diffuse_of(normal: F32, *, travel: F64, up: F64, from_below: float) -> F32:
    """Return what surfaces of known directions take of the sun's light over what they take of diffuse light.

    Parameters
    ----------
    normal
        ``(3, n)`` unit normals; what is no direction counts as level.
    travel, up, from_below
        See `sun_over_diffuse`.

    Returns
    -------
    F32
        ``(n,)``, 0 or more.
    """
    sun, diffuse = _sun_and_diffuse(normal, travel, up, from_below)
    over: F32 = np.maximum(diffuse, np.float32(0.5 * from_below))
    return np.divide(sun, over, out=over)


def _sun_and_diffuse(normal: F32, travel: F64, up: F64, from_below: float) -> list[F32]:
    """Return what surfaces take of the sun's and of diffuse light, 1 if level."""
    sun, diffuse = (np.empty(normal.shape[1:], np.float32) for _ in range(2))
    per_level = travel / min(-1e-3, float(travel @ up))
    half = 0.5 * (1.0 - from_below)
    axes = tuple(np.float32(v) for v in (*per_level, *(up * half), 1.0 - half))
    x, y, z = (plane.ravel() for plane in normal)
    _takes(x, y, z, axes, sun.reshape(-1), diffuse.reshape(-1))
    return [sun, diffuse]


def normals_of_farther(
    normal: F32, range_m: F32, far_share: F32, where: tuple[NDArray[np.intp], ...], far_m: F32
) -> F32:
    """Return which way the farther surface of pixels that show two faces, ``(3, n)``, from pixels close by.

    Parameters
    ----------
    normal
        ``(3, rows, columns)`` unit normals of the nearer surfaces.
    range_m
        ``(rows, columns)`` metres to these.
    far_share
        ``(rows, columns)``: the farther one's share, 0 where a pixel shows one surface.
    where
        Rows and columns of the pixels, ``(n,)`` each.
    far_m
        ``(n,)`` metres to their farther surfaces.

    Returns
    -------
    F32
        Unit normals; nothing, ``(0, 0, 0)``, where no pixel close by shows that surface by itself.

    Notes
    -----
    Border rule: pixels at the picture's edge have neighbours on one side only. Needs `EDGE_REACH` pixels
    around each.
    """
    out = np.zeros((3, far_m.size), np.float32)
    rows, columns = where
    _farther(rows, columns, np.ascontiguousarray(normal), range_m, far_share, far_m, out)
    return out


@compiled
def _farther(
    rows: NDArray[np.intp],
    columns: NDArray[np.intp],
    normal: F32,
    range_m: F32,
    far_share: F32,
    far_m: F32,
    out: F32,
) -> None:
    for n in range(rows.size):
        own, near = far_m[n], range_m[rows[n], columns[n]]
        # At a crease both surfaces have one range: the farther one is what faces another way.
        crease = near == own
        length = _ZERO
        for step in range(len(_BY_TRUST)):
            share, alone = _BY_TRUST[step]
            if crease:
                share = _FAR_EDGE
            if length > _ZERO or (crease and step > 0):
                break
            x = y = z = _ZERO
            for row in range(max(0, rows[n] - EDGE_REACH), min(range_m.shape[0], rows[n] + EDGE_REACH + 1)):
                for column in range(
                    max(0, columns[n] - EDGE_REACH), min(range_m.shape[1], columns[n] + EDGE_REACH + 1)
                ):
                    there = range_m[row, column]
                    if (far_share[row, column] == _ZERO) != alone or not abs(there - own) <= share * own:
                        continue
                    # Of a low step both surfaces are close in range: what is closer to the near one is its.
                    counts = _ONE if there * there > near * own else _ZERO
                    if crease:
                        counts = _turned(normal, (rows[n], columns[n]), (row, column))
                    x += counts * normal[0, row, column]
                    y += counts * normal[1, row, column]
                    z += counts * normal[2, row, column]
            length = np.sqrt(x * x + y * y + z * z)
            if length > _ZERO:
                out[0, n], out[1, n], out[2, n] = x / length, y / length, z / length


@compiled
def _turned(normal: F32, one: tuple[int, int], other: tuple[int, int]) -> np.float32:
    """Return how much a pixel tells of the other side of a pixel's crease: nothing where it faces alike.

    A ball turns on its own side too, but less than the ground does that it lies on.
    """
    cosine = _ZERO
    for axis in range(3):
        cosine += normal[axis, one[0], one[1]] * normal[axis, other[0], other[1]]
    turn = _ONE - cosine
    return turn * turn * turn * turn if cosine < TURN else _ZERO


@compiled
def _takes(x: F32, y: F32, z: F32, axes: tuple[np.float32, ...], sun: F32, diffuse: F32) -> None:
    sun_x, sun_y, sun_z, up_x, up_y, up_z, level = axes
    for i in range(x.size):
        if not x[i] * x[i] + y[i] * y[i] + z[i] * z[i] > _NO_DIRECTION:
            # Nothing is known of how it faces: as if level.
            sun[i] = diffuse[i] = _ONE
            continue
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
