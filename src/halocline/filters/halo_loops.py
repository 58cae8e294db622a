"""Compiled loops of `halocline.filters.halo`: a pyramid that keeps every bit of light, mirrored at its edges.

Planes are float32, ``(rows, columns)``, C-contiguous. Going down, each pixel is the mean of two by two with a
quarter of what lies around (1 3 3 1); going up is linear between pixels. Both are symmetric about the edges
of the picture, so that light at an edge counts neither more nor less than in the middle.
"""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.series import exponential, logarithm


@compiled
def halved_member(plane: F32, place: F32, number: np.float32, out: F32) -> None:
    """Halve what of a plane of even sides belongs to one range; what lies beyond an edge mirrors the inside.

    ``place`` is where each pixel's range stands among the ranges, ``number`` which of them is meant.
    """
    three = np.float32(3.0)
    rows, columns = plane.shape
    line = np.empty(columns + 2, np.float32)
    for y in range(out.shape[0]):
        r0, r1, r2, r3 = max(2 * y - 1, 0), 2 * y, 2 * y + 1, min(2 * y + 2, rows - 1)
        a, b, c, d = plane[r0], plane[r1], plane[r2], plane[r3]
        pa, pb, pc, pd = place[r0], place[r1], place[r2], place[r3]
        for x in range(columns):
            outer = a[x] * _member(pa[x], number) + d[x] * _member(pd[x], number)
            line[x + 1] = outer + three * (b[x] * _member(pb[x], number) + c[x] * _member(pc[x], number))
        _halve_line(line, out[y])


@compiled
def _halve_line(line: F32, out: F32) -> None:
    """Halve a line of sums over rows, which has a pixel more at each end: the edge is repeated there."""
    three, all_weights = np.float32(3.0), np.float32(1.0 / 64.0)
    last = line.shape[0] - 2
    line[0], line[last + 1] = line[1], line[last]
    for x in range(out.shape[0]):
        i = 2 * x
        out[x] = all_weights * ((line[i] + line[i + 3]) + three * (line[i + 1] + line[i + 2]))


@compiled
def _member(place: np.float32, number: np.float32) -> np.float32:
    """Return the share of a pixel that belongs to a range."""
    return max(np.float32(1.0) - abs(place - number), np.float32(0.0))


@compiled
def _open_view(place: np.float32, number: np.float32) -> np.float32:
    """Return 1 where a range is in plain view or seen past, 0 where something nearer hides it."""
    return min(max(place - (number - np.float32(2.0)), np.float32(0.0)), np.float32(1.0))


@compiled
def halved(plane: F32, out: F32) -> None:
    """Halve a plane of even sides, as `halved_member` does."""
    three = np.float32(3.0)
    rows, columns = plane.shape
    line = np.empty(columns + 2, np.float32)
    for y in range(out.shape[0]):
        a, d = plane[max(2 * y - 1, 0)], plane[min(2 * y + 2, rows - 1)]
        b, c = plane[2 * y], plane[2 * y + 1]
        for x in range(columns):
            line[x + 1] = (a[x] + d[x]) + three * (b[x] + c[x])
        _halve_line(line, out[y])


@compiled
def add_doubled(coarse: F32, weight: np.float32, plane: F32) -> None:
    """Weight a plane and add one of half its size, blown up, in place."""
    line = np.empty(coarse.shape[1] + 2, np.float32)
    soft = np.empty(plane.shape[1], np.float32)
    for y in range(plane.shape[0]):
        linear_row(coarse, y, line, soft)
        target = plane[y]
        for x in range(target.shape[0]):
            target[x] = weight * target[x] + soft[x]


@compiled
def spread_widely(plane: F32, down: F32, across: F32, weight: np.float32, total: F32) -> None:
    """Add a weighted plane to a total, spread by one matrix along its columns and another along its rows."""
    rows, columns = plane.shape
    line = np.empty(columns, np.float32)
    for y in range(rows):
        line[:] = np.float32(0.0)
        for source in range(rows):
            for x in range(columns):
                line[x] += down[y, source] * plane[source, x]
        target = total[y]
        for x in range(columns):
            value = np.float32(0.0)
            for source in range(columns):
                value += across[x, source] * line[source]
            target[x] += weight * value


@compiled
def open_view(place: F32, number: np.float32, out: F32) -> None:
    """Write where a range is not hidden by something nearer, 0 to 1."""
    for y in range(place.shape[0]):
        row, target = place[y], out[y]
        for x in range(target.shape[0]):
            target[x] = _open_view(row[x], number)


@compiled
def add_halo(
    coarse: F32,
    seen: F32,
    numbers: F32,
    light: F32,
    place: F32,
    given: F32,
    reach: F32,
    due: F32,
    first: int,
    last: int,
    total: F32,
) -> None:
    """Add some rows of the spread light of one range where it arrives.

    Parameters
    ----------
    coarse
        What coarser levels make of the range's light, half as large as the rest, ``(planes, ...)``.
    seen
        Likewise, of where the range is in open view; empty where that is everywhere.
    numbers
        Which range; one over the range from beyond which its light comes; the weight of half resolution in
        its light, and in what is in open view.
    light, place, given, reach, due
        Of the picture at half resolution: light ``(planes, rows, columns)``, where ranges stand among the
        ranges and those of what gives the light do, ranges, and one over the share of its own range's light
        that would arrive at a pixel.
    first, last
        The rows.
    total
        ``(planes, rows, columns)``.
    """
    one, quarter = np.float32(1.0), np.float32(0.25)
    number, nearest, weight, seen_weight = numbers
    columns = place.shape[1]
    line = np.empty(coarse.shape[2] + 2, np.float32)
    soft, share = np.empty(columns, np.float32), np.empty(columns, np.float32)
    for y in range(first, last):
        at, of, far, owed = place[y], given[y], reach[y], due[y]
        for x in range(columns):
            share[x] = min(nearest * far[x], one) * owed[x]
        if seen.size:
            linear_row(seen, y, line, soft)
            for x in range(columns):
                view = _open_view(at[x], number)
                # No less than a quarter: a speck seen through a gap does not speak for all that is hidden.
                around = max(soft[x] + seen_weight * view, quarter)
                share[x] /= one + view * (around - one)
        for plane in range(light.shape[0]):
            linear_row(coarse[plane], y, line, soft)
            own, target = light[plane, y], total[plane, y]
            for x in range(columns):
                target[x] += share[x] * (soft[x] + weight * (own[x] * _member(of[x], number)))


@compiled
def linear_row(half: F32, row: int, line: F32, out: F32) -> None:
    """Write one row of a plane of half size, of means of 2 x 2, blown up linearly; edge pixels repeat."""
    near, far = np.float32(0.75), np.float32(0.25)
    rows, columns = half.shape
    middle = row >> 1
    here = half[middle]
    other = half[min(middle + 1, rows - 1)] if row & 1 else half[max(middle - 1, 0)]
    for x in range(columns):
        line[x + 1] = near * here[x] + far * other[x]
    line[0], line[columns + 1] = line[1], line[columns]
    pairs = out.shape[0] >> 1
    for x in range(pairs):
        out[2 * x] = far * line[x] + near * line[x + 1]
        out[2 * x + 1] = near * line[x + 1] + far * line[x + 2]
    if out.shape[0] & 1:
        out[2 * pairs] = far * line[pairs] + near * line[pairs + 1]


@compiled
def settle_halo(energy: F32, stays: F32, arrived: F32, first: int, out: F32) -> None:
    """Write some rows, from a first on, of what pixels get: what stays of what they give, and what arrived.

    ``energy`` and ``out`` are ``(planes, rows, columns)``, and so is ``arrived`` at half resolution, where
    ``stays`` is ``(rows, columns)``: what does not stay was spread for each pair of pixels as a whole.
    """
    line = np.empty(stays.shape[1] + 2, np.float32)
    for y in range(out.shape[1]):
        kept, row = stays[(first + y) >> 1], first + y
        for plane in range(out.shape[0]):
            settle_row(energy[plane, row], kept, arrived[plane], row, line, out[plane, y])


@compiled
def settle_row(given: F32, kept: F32, arrived: F32, row: int, line: F32, out: F32) -> None:
    """Write one row of one plane of what `settle_halo` does.

    Parameters
    ----------
    given
        What its pixels give, ``(columns,)``.
    kept
        The share of that which stays, at half resolution, ``(half,)``.
    arrived
        What arrives in all rows of the plane, at half resolution.
    row
        Which row of the picture it is.
    line
        Room, ``(half + 2,)``.
    out
        ``(columns,)``; written.
    """
    linear_row(arrived, row, line, out)
    for x in range(out.size):
        out[x] = given[x] * kept[x >> 1] + out[x]


@compiled
def halved_nearness(
    range_m: F32, nearest_m: np.float32, first: int, last: int, plain: F32, square: F32
) -> None:
    """Write means over each 2 x 2 pixels of one over the range, and of its square; edge pixels repeat.

    Parameters
    ----------
    range_m
        Of each pixel, metres, may be inf.
    nearest_m
        What is nearer counts as that.
    first, last
        Rows of the result to do.
    plain, square
        Half the rows and columns, rounded up; written.
    """
    one, quarter = np.float32(1.0), np.float32(0.25)
    rows, columns = range_m.shape
    line = np.empty(columns + 1, np.float32)
    squares = np.empty(columns + 1, np.float32)
    for y in range(first, last):
        upper, lower = range_m[2 * y], range_m[min(2 * y + 1, rows - 1)]
        for x in range(columns):
            above, below = one / max(upper[x], nearest_m), one / max(lower[x], nearest_m)
            line[x] = above + below
            squares[x] = above * above + below * below
        line[columns], squares[columns] = line[columns - 1], squares[columns - 1]
        near, near_square = plain[y], square[y]
        for x in range(np.uint64(near.size)):
            left, right = np.uint64(2) * x, np.uint64(2) * x + np.uint64(1)
            near[x] = quarter * (line[left] + line[right])
            near_square[x] = quarter * (squares[left] + squares[right])


@compiled
def place_among(nearness: F32, logs: F32, out: F32) -> None:
    """Write where ranges stand among some, evenly with their logarithm: 0 at the first, held at the ends.

    Parameters
    ----------
    nearness
        One over the range, ``(n,)``, 0 or more.
    logs
        Logarithms of two ranges or more, ascending.
    out
        ``(n,)``.
    """
    last = logs.size - 2
    # What is farther than the last stands there.
    least, step = np.float32(0.5) * exponential(-logs[last + 1]), 0
    for i in range(out.size):
        out[i] = -logarithm(max(nearness[i], least))
    for i in range(out.size):
        at = min(max(out[i], logs[0]), logs[last + 1])
        # Neighbours lie at much the same range.
        while step < last and at >= logs[step + 1]:
            step += 1
        while step > 0 and at < logs[step]:
            step -= 1
        out[i] = np.float32(step) + (at - logs[step]) / (logs[step + 1] - logs[step])


@compiled
def part_by_range(
    reach: F32,
    place: F32,
    given: F32,
    nearest: F32,
    weights: F32,
    first: int,
    last: int,
    due: F32,
    stays: F32,
) -> None:
    """Write for some rows what `add_halo` needs of each pixel's own range, and what of its light stays.

    ``reach`` is the range of each pixel and ``place`` where it stands among some ranges, ``given`` where that
    of what it gives does, ``nearest`` one over the range from beyond which the light of each comes;
    ``weights`` are what of their light stays in its pixel.
    """
    one, ends = np.float32(1.0), nearest.size - 1
    for y in range(first, last):
        at, of, far, owed, kept = place[y], given[y], reach[y], due[y], stays[y]
        for x in range(place.shape[1]):
            low = min(int(at[x]), ends)
            high = min(low + 1, ends)
            part = at[x] - np.float32(low)
            fronts = min(nearest[low] * far[x], one), min(nearest[high] * far[x], one)
            # What arrives from a pixel's own range has to be all of it, wherever that lies between two.
            owed[x] = one / (fronts[0] + part * (fronts[1] - fronts[0]))
            low = min(int(of[x]), ends)
            high = min(low + 1, ends)
            part = of[x] - np.float32(low)
            kept[x] = weights[low] + part * (weights[high] - weights[low])
