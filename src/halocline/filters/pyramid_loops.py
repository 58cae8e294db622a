"""Compiled loops over planes: steps of a pyramid of halved pictures, grids blown up, pictures looked up.

Planes are float32, ``(rows, columns)``, C-contiguous. Each loop makes the rows ``first`` to ``last`` of its
result, so that threads can share a plane; a row never depends on which others are made with it.

Places in whole numbers are turned into unsigned ones before they are used: numba then spares itself the
question whether they count from the end.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.compiled import compiled

# Sharpness of cubic sampling: the slope at the neighbouring pixel (keys1981's a). -1/2 is the one value at
# which straight ramps are sampled exactly.
CUBIC = -0.5
COLUMNS_AT_ONCE = 256
_ONE, _THREE, _FOUR = np.uint64(1), np.uint64(3), np.uint64(4)


@compiled
def doubled_row(coarse: F32, row: int, line: F32, out: F32) -> None:
    """Write one row of a plane blown up to twice its size by a 5-tap binomial; edge pixels repeat.

    ``line`` is scratch for two more than the coarse plane's columns.
    """
    eighth, half, six = np.float32(0.125), np.float32(0.5), np.float32(6.0)
    rows, columns = coarse.shape
    middle = row >> 1
    here, after = coarse[middle], coarse[min(middle + 1, rows - 1)]
    if row & 1:
        for x in range(columns):
            line[x + 1] = half * (here[x] + after[x])
    else:
        before = coarse[max(middle - 1, 0)]
        for x in range(columns):
            line[x + 1] = eighth * (before[x] + six * here[x] + after[x])
    line[0], line[columns + 1] = line[1], line[columns]
    pairs = out.shape[0] >> 1
    for x in range(pairs):
        out[2 * x] = eighth * (line[x] + six * line[x + 1] + line[x + 2])
        out[2 * x + 1] = half * (line[x + 1] + line[x + 2])
    if out.shape[0] & 1:
        out[2 * pairs] = eighth * (line[pairs] + six * line[pairs + 1] + line[pairs + 2])


@compiled
def soften(plane: F32, share: F32, coarse: F32, out: F32, first: int, last: int) -> None:
    """Mix a share of the coarser level, blown up, into a plane; ``share`` is of the rows alone."""
    line = np.empty(coarse.shape[1] + 2, np.float32)
    soft = np.empty(plane.shape[1], np.float32)
    for y in range(first, last):
        doubled_row(coarse, y, line, soft)
        sharp, part, target = plane[y], share[y - first], out[y]
        for x in range(sharp.shape[0]):
            target[x] = sharp[x] + part[x] * (soft[x] - sharp[x])


@compiled
def halved_product(plane: F32, factor: F32, out: F32) -> None:
    """Halve the product of two planes by a 5-tap binomial; pixel (0, 0) stays, edge pixels repeat."""
    four, six, all_weights = np.float32(4.0), np.float32(6.0), np.float32(1.0 / 256.0)
    rows, columns = plane.shape
    line = np.empty(columns + 4, np.float32)
    for y in range(out.shape[0]):
        r0, r1, r2 = max(2 * y - 2, 0), max(2 * y - 1, 0), 2 * y
        r3, r4 = min(2 * y + 1, rows - 1), min(2 * y + 2, rows - 1)
        a, b, c, d, e = plane[r0], plane[r1], plane[r2], plane[r3], plane[r4]
        fa, fb, fc, fd, fe = factor[r0], factor[r1], factor[r2], factor[r3], factor[r4]
        for x in range(columns):
            outer, inner = a[x] * fa[x] + e[x] * fe[x], b[x] * fb[x] + d[x] * fd[x]
            line[x + 2] = outer + four * inner + six * (c[x] * fc[x])
        line[0] = line[1] = line[2]
        line[columns + 2] = line[columns + 3] = line[columns + 1]
        target = out[y]
        for x in range(target.shape[0]):
            i = 2 * x
            target[x] = all_weights * (
                (line[i] + line[i + 4]) + four * (line[i + 1] + line[i + 3]) + six * line[i + 2]
            )


@compiled
def places_between(start: int, every: int, step: int, index: NDArray[np.uint32], share: F32) -> None:
    """Say between which lines of a grid pixels lie, and how far from the first towards the second.

    ``start`` is the first pixel, counted from half a step before the grid's first line; then every so many.
    """
    for number in range(index.shape[0]):
        halves = 2 * (start + every * number) + 1 - step
        index[number] = halves // (2 * step)
        share[number] = np.float32(halves % (2 * step)) / np.float32(2 * step)


@compiled
def grid_row(
    grid: F32, row: int, row_share: np.float32, index: NDArray[np.uint32], share: F32, line: F32, out: F32
) -> None:
    """Write one row of a grid blown up to pixels, linear between lines; ``line`` is scratch, a grid's row."""
    one = np.uint32(1)
    above, below = grid[row], grid[row + 1]
    for k in range(index[0], index[-1] + 2):
        line[k] = above[k] + row_share * (below[k] - above[k])
    x, count = np.uint64(0), np.uint64(out.shape[0])
    while x < count:
        left = line[index[x]]
        grown = line[index[x] + one] - left
        if x + _FOUR <= count and index[x] == index[x + _THREE]:
            # Most lie between the same lines as their neighbours, and are reckoned at once.
            for lane in range(_FOUR):
                out[x + lane] = left + share[x + lane] * grown
            x += _FOUR
        else:
            out[x] = left + share[x] * grown
            x += _ONE


@compiled
def blow_up(grid: F32, top: int, left: int, every: int, step: int, out: F32) -> None:
    """Blow a grid up to every so many pixels of a window; ``top`` and ``left`` as `places_between` counts."""
    rows, columns = out.shape
    down, down_share = np.empty(rows, np.uint32), np.empty(rows, np.float32)
    across, across_share = np.empty(columns, np.uint32), np.empty(columns, np.float32)
    places_between(top, every, step, down, down_share)
    places_between(left, every, step, across, across_share)
    line = np.empty(grid.shape[1], np.float32)
    for y in range(rows):
        grid_row(grid, down[y], down_share[y], across, across_share, line, out[y])


@compiled
def _displaced(
    shift: F32,
    row: int,
    row_share: np.float32,
    across: NDArray[np.uint32],
    across_share: F32,
    before: F32,
    scale: np.float32,
    length: int,
    room: tuple[F32, F32],
    whole: NDArray[np.int32],
    part: F32,
) -> None:
    """Say where the pixels of a row come from along one side: pixel and fraction; beyond the ends, the end.

    ``shift`` is the displacement on a grid, ``before`` where pixels are without it. The sum is scaled to a
    side of ``length`` pixels. ``room`` is scratch, a grid's row and one of pixels.
    """
    zero, end, by = np.float32(0.0), np.float32(length - 1), room[1]
    grid_row(shift, row, row_share, across, across_share, room[0], by)
    # Into arrays of their own, or the compiler could not do many pixels at once.
    for x in range(part.shape[0]):
        place = min(max(scale * (by[x] + before[x]), zero), end)
        whole[x] = np.int32(place)
        part[x] = place - np.float32(whole[x])


@compiled
def _all_at(place: int, places: F32) -> None:
    """Say that all pixels of a row are at one place."""
    number = np.float32(place)
    for x in range(places.shape[0]):
        places[x] = number


@compiled
def _cubic_weights(part: F32, weights: F32) -> None:
    """Write the weights of the four pixels about each place."""
    a, one = np.float32(CUBIC), np.float32(1.0)
    two_more, three_more = np.float32(CUBIC + 2.0), np.float32(CUBIC + 3.0)
    for x in range(part.shape[0]):
        after, before = part[x], one - part[x]
        outer_left, outer_right = a * after * before * before, a * before * after * after
        left = (two_more * after - three_more) * after * after + one
        weights[0, x], weights[1, x], weights[3, x] = outer_left, left, outer_right
        weights[2, x] = one - outer_left - left - outer_right


@compiled
def sample_sharply(
    plane: F32, shift: F32, top: int, left: int, step: int, out: F32, first: int, last: int
) -> None:
    """Look a displaced plane up, cubic between pixels, within the four around; edge pixels repeat.

    ``shift`` is the displacement to the right and down on a grid, ``(2, ...)``; see `blow_up`.
    """
    rows, columns = plane.shape
    one, two, end_x, end_y = np.uintp(1), np.uintp(2), np.uintp(columns - 1), np.uintp(rows - 1)
    same = np.float32(1.0)
    down, down_share = np.empty(last - first, np.uint32), np.empty(last - first, np.float32)
    places_between(top + first, 1, step, down, down_share)
    # So few columns at once that their source stays in the nearest cache from row to row.
    for start in range(0, out.shape[1], COLUMNS_AT_ONCE):
        width = min(COLUMNS_AT_ONCE, out.shape[1] - start)
        across, across_share = np.empty(width, np.uint32), np.empty(width, np.float32)
        places_between(left + start, 1, step, across, across_share)
        room, at_row = (
            (np.empty(shift.shape[2], np.float32), np.empty(width, np.float32)),
            np.empty(width, np.float32),
        )
        at_column = np.arange(start, start + width).astype(np.float32)
        at_x, at_y = np.empty(width, np.int32), np.empty(width, np.int32)
        part = np.empty(width, np.float32)
        over, along = np.empty((4, width), np.float32), np.empty((4, width), np.float32)
        for y in range(first, last):
            row, share = down[y - first], down_share[y - first]
            _displaced(shift[0], row, share, across, across_share, at_column, same, columns, room, at_x, part)
            _cubic_weights(part, along)
            _all_at(y, at_row)
            _displaced(shift[1], row, share, across, across_share, at_row, same, rows, room, at_y, part)
            _cubic_weights(part, over)
            target = out[y, start : start + width]
            for x in range(width):
                x1, y1 = np.uintp(at_x[x]), np.uintp(at_y[x])
                x0, x2, x3 = x1 - one, x1 + one, x1 + two
                y0, y2, y3 = y1 - one, y1 + one, y1 + two
                # Edge pixels repeat.
                if x1 == 0 or x3 >= columns or y1 == 0 or y3 >= rows:
                    x0, y0 = max(x1, one) - one, max(y1, one) - one
                    x2, x3 = min(x2, end_x), min(x3, end_x)
                    y2, y3 = min(y2, end_y), min(y3, end_y)
                w0, w1, w2, w3 = along[0, x], along[1, x], along[2, x], along[3, x]
                b1, b2, c1, c2 = plane[y1, x1], plane[y1, x2], plane[y2, x1], plane[y2, x2]
                a = (w0 * plane[y0, x0] + w1 * plane[y0, x1]) + (w2 * plane[y0, x2] + w3 * plane[y0, x3])
                b = (w0 * plane[y1, x0] + w1 * b1) + (w2 * b2 + w3 * plane[y1, x3])
                c = (w0 * plane[y2, x0] + w1 * c1) + (w2 * c2 + w3 * plane[y2, x3])
                d = (w0 * plane[y3, x0] + w1 * plane[y3, x1]) + (w2 * plane[y3, x2] + w3 * plane[y3, x3])
                value = (over[0, x] * a + over[1, x] * b) + (over[2, x] * c + over[3, x] * d)
                least, most = min(b1, b2, c1, c2), max(b1, b2, c1, c2)
                target[x] = min(max(value, least), most)


@compiled
def _sample_row(
    plane: F32, at_x: NDArray[np.int32], part_x: F32, at_y: NDArray[np.int32], part_y: F32, out: F32
) -> None:
    """Look places up, linear between pixels."""
    end_x, end_y = np.int32(plane.shape[1] - 1), np.int32(plane.shape[0] - 1)
    for x in range(out.shape[0]):
        left, above = np.uintp(at_x[x]), np.uintp(at_y[x])
        right, below = left + np.uintp(at_x[x] < end_x), above + np.uintp(at_y[x] < end_y)
        a, b = plane[above, left], plane[below, left]
        upper = a + part_x[x] * (plane[above, right] - a)
        lower = b + part_x[x] * (plane[below, right] - b)
        out[x] = upper + part_y[x] * (lower - upper)


@compiled
def look_beyond(
    nearness: F32,
    top: int,
    left: int,
    step: int,
    farthest_m: np.float32,
    range_m: F32,
    alpha: F32,
    far_range_m: F32,
    far_share: F32,
    share: F32,
    nearest_m: F32,
    first: int,
    last: int,
) -> None:
    """Write the part of each pixel that shows what lies beyond a crossing, and how near that comes.

    ``nearness`` is one over the range of the crossing on a grid (see `blow_up`), ``nearest_m`` the least
    range beyond it in each of the grid's cells, ``farthest_m`` where there is none. Of the optional planes
    (coverage, and the farther of two surfaces) those that are not given are empty. The rows are the grid's.

    Parameters
    ----------
    nearness
        One over the range of the crossing on the grid, 1/m; 0 where there is none.
    top, left, step
        Where the grid lies: the picture's first pixel in the grid's pixels, and pixels from point to point.
    farthest_m
        Written where nothing lies beyond.
    range_m, alpha, far_range_m, far_share
        Planes of the picture, ``(rows, columns)``; the last three may be empty.
    share
        Part of each pixel that lies beyond, ``(rows, columns)``; written.
    nearest_m
        Least range beyond in each of the grid's cells; written.
    first, last
        Rows of the grid to do.
    """
    zero, one = np.float32(0.0), np.float32(1.0)
    rows, columns = range_m.shape
    across, across_share = np.empty(columns, np.uint32), np.empty(columns, np.float32)
    places_between(left, 1, step, across, across_share)
    down, down_share = np.empty(1, np.uint32), np.empty(1, np.float32)
    line, near = np.empty(nearness.shape[1], np.float32), np.empty(columns, np.float32)
    # The least range beyond in each column of a row of cells.
    beyond = np.empty(columns, np.float32)
    for cell_row in range(first, last):
        least = nearest_m[cell_row]
        least[:] = farthest_m
        for x in range(columns):
            beyond[x] = farthest_m
        for y in range(max(cell_row * step - top, 0), min((cell_row + 1) * step - top, rows)):
            places_between(top + y, 1, step, down, down_share)
            grid_row(nearness, down[0], down_share[0], across, across_share, line, near)
            target, distance = share[y], range_m[y]
            for x in range(columns):
                target[x] = one if min(distance[x], farthest_m) * near[x] > one else zero
            if far_share.size:
                mixed, farther = far_share[y], far_range_m[y]
                for x in range(columns):
                    behind = one if min(farther[x], farthest_m) * near[x] > one else zero
                    if mixed[x] > zero:
                        target[x] += mixed[x] * (behind - target[x])
            if alpha.size:
                covered = alpha[y]
                for x in range(columns):
                    # Open water reaches beyond every crossing.
                    crosses = one if near[x] > zero else zero
                    target[x] = (target[x] - crosses) * covered[x] + crosses
            for x in range(columns):
                beyond[x] = min(beyond[x], distance[x]) if target[x] > zero else beyond[x]
        for cell in range(left // step, (left + columns - 1) // step + 1):
            for x in range(max(cell * step - left, 0), min((cell + 1) * step - left, columns)):
                least[cell] = min(least[cell], beyond[x])


@compiled
def fill_level(weighted: F32, weight: F32, coarse: F32) -> None:
    """Turn weighted colours of a level into colours, in place: own where enough is seen, else the coarser."""
    four, one, least = np.float32(4.0), np.float32(1.0), np.float32(1e-6)
    line = np.empty(coarse.shape[1] + 2, np.float32)
    soft = np.empty(weighted.shape[1], np.float32)
    for y in range(weighted.shape[0]):
        doubled_row(coarse, y, line, soft)
        target, seen = weighted[y], weight[y]
        for x in range(target.shape[0]):
            own = target[x] / max(seen[x], least)
            target[x] = soft[x] + min(four * seen[x], one) * (own - soft[x])


@compiled
def _any_less(row: F32, value: np.float32) -> bool:
    """Tell whether any pixel of a row has less than a value."""
    found = False
    for x in range(row.shape[0]):
        found |= row[x] < value
    return found


@compiled
def _any_more(row: F32, value: np.float32) -> bool:
    """Tell whether any pixel of a row has more than a value."""
    found = False
    for x in range(row.shape[0]):
        found |= row[x] > value
    return found


@compiled
def fill(plane: F32, share: F32, coarse: F32, backdrop: F32, out: F32, first: int, last: int) -> None:
    """Write what lies beyond, completed where it is hidden, minus a backdrop of half size (may be empty).

    Mixed pixels are never filled with more than they hold: the nearer thing cannot have given less than
    nothing.
    """
    zero, one = np.float32(0.0), np.float32(1.0)
    line = np.empty(plane.shape[1] // 2 + 3, np.float32)
    soft = np.empty(plane.shape[1], np.float32)
    for y in range(first, last):
        own, part, target = plane[y], share[y], out[y]
        for x in range(target.shape[0]):
            target[x] = own[x]
        if coarse.size and _any_less(part, one):
            doubled_row(coarse, y, line, soft)
            for x in range(target.shape[0]):
                most = max(own[x], zero) / part[x]
                hidden = min(soft[x], most) if part[x] > zero else soft[x]
                target[x] = own[x] if part[x] >= one else hidden
        if backdrop.size:
            doubled_row(backdrop, y, line, soft)
            for x in range(target.shape[0]):
                target[x] -= soft[x]


@compiled
def show_beyond(
    plane: F32,
    share: F32,
    beyond: F32,
    soft: F32,
    shift: F32,
    top: int,
    left: int,
    step: int,
    backdrop: F32,
    drift: F32,
    mirrored: F32,
    mirror: F32,
    out: F32,
    first: int,
    last: int,
) -> None:
    """Put what lies beyond, softened, displaced and mirrored, back under what is nearer.

    ``beyond`` is what `fill` wrote, ``soft`` the same softened, ``shift`` its displacement on a grid. The
    backdrop and what its own displacement adds to it are of half size. ``mirror`` says on the grid how much
    light comes from where, right and down in pixels, in a picture of a quarter. All of these may be empty.
    ``out`` may be ``beyond``, where that is not what was softened.

    Parameters
    ----------
    plane
        One channel of the picture, ``(rows, columns)``.
    share
        Part of each pixel that lies beyond.
    beyond, soft
        As `fill` wrote it, and softened.
    shift
        Displacement on the grid, ``(2, rows, columns)``, pixels.
    top, left, step
        Where the grid lies: the picture's first pixel in the grid's pixels, and pixels from point to point.
    backdrop, drift
        Of half size: what lies behind all, and what its own displacement adds.
    mirrored, mirror
        A picture of a quarter of the size, and on the grid how much of it comes from where.
    out
        The channel, ``(rows, columns)``; written.
    first, last
        Rows to do.
    """
    zero, same, quarter = np.float32(0.0), np.float32(1.0), np.float32(0.25)
    rows, width = plane.shape
    down, down_share = np.empty(last - first, np.uint32), np.empty(last - first, np.float32)
    across, across_share = np.empty(width, np.uint32), np.empty(width, np.float32)
    places_between(top + first, 1, step, down, down_share)
    places_between(left, 1, step, across, across_share)
    line, half_line = np.empty(shift.shape[2], np.float32), np.empty(drift.shape[1] + 2, np.float32)
    room = line, np.empty(width, np.float32)
    change, other, extra = (
        np.empty(width, np.float32),
        np.empty(width, np.float32),
        np.zeros(width, np.float32),
    )
    at_x, at_y = np.empty(width, np.int32), np.empty(width, np.int32)
    part_x, part_y = np.empty(width, np.float32), np.empty(width, np.float32)
    at_column, at_row = np.arange(width).astype(np.float32), np.empty(width, np.float32)
    for y in range(first, last):
        own, part, target, still = plane[y], share[y], out[y], beyond[y]
        if not _any_more(part, zero):
            for x in range(width):
                target[x] = own[x]
            continue
        row, row_share = down[y - first], down_share[y - first]
        _all_at(y, at_row)
        _displaced(shift[0], row, row_share, across, across_share, at_column, same, width, room, at_x, part_x)
        _displaced(shift[1], row, row_share, across, across_share, at_row, same, rows, room, at_y, part_y)
        _sample_row(soft, at_x, part_x, at_y, part_y, change)
        if drift.size:
            doubled_row(drift, y, half_line, extra)
        for x in range(width):
            change[x] = (change[x] - still[x]) + extra[x]
        if mirror.size and (_any_more(mirror[0, row], zero) or _any_more(mirror[0, row + 1], zero)):
            size = mirrored.shape
            sides = (mirror[1], at_column, size[1], at_x, part_x), (mirror[2], at_row, size[0], at_y, part_y)
            for by, before, length, whole, rest in sides:
                _displaced(
                    by, row, row_share, across, across_share, before, quarter, length, room, whole, rest
                )
            _sample_row(mirrored, at_x, part_x, at_y, part_y, other)
            if backdrop.size:
                doubled_row(backdrop, y, half_line, extra)
            grid_row(mirror[0], row, row_share, across, across_share, line, part_x)
            for x in range(width):
                change[x] += part_x[x] * ((other[x] - (still[x] + extra[x])) - change[x])
        for x in range(width):
            target[x] = own[x] + part[x] * change[x] if part[x] > zero else own[x]
