"""Compiled loops of `halocline.filters.halo`: a pyramid that keeps every bit of light, mirrored at its edges.

Planes are float32, ``(rows, columns)``, C-contiguous. Going down, each pixel is the mean of two by two with a
quarter of what lies around (1 3 3 1); going up is linear between pixels. Both are symmetric about the edges
of the picture, so that light at an edge counts neither more nor less than in the middle.
"""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled


@compiled
def halved_product(plane: F32, factor: F32, out: F32) -> None:
    """Halve the product of two planes of even sides; what lies beyond an edge mirrors what is before it."""
    three, all_weights = np.float32(3.0), np.float32(1.0 / 64.0)
    rows, columns = plane.shape
    line = np.empty(columns + 2, np.float32)
    for y in range(out.shape[0]):
        r0, r1, r2, r3 = max(2 * y - 1, 0), 2 * y, 2 * y + 1, min(2 * y + 2, rows - 1)
        a, b, c, d = plane[r0], plane[r1], plane[r2], plane[r3]
        fa, fb, fc, fd = factor[r0], factor[r1], factor[r2], factor[r3]
        for x in range(columns):
            line[x + 1] = (a[x] * fa[x] + d[x] * fd[x]) + three * (b[x] * fb[x] + c[x] * fc[x])
        line[0], line[columns + 1] = line[1], line[columns]
        target = out[y]
        for x in range(target.shape[0]):
            i = 2 * x
            target[x] = all_weights * ((line[i] + line[i + 3]) + three * (line[i + 1] + line[i + 2]))


@compiled
def halved(plane: F32, out: F32) -> None:
    """Halve a plane of even sides, as `halved_product` does."""
    three, all_weights = np.float32(3.0), np.float32(1.0 / 64.0)
    rows, columns = plane.shape
    line = np.empty(columns + 2, np.float32)
    for y in range(out.shape[0]):
        a, d = plane[max(2 * y - 1, 0)], plane[min(2 * y + 2, rows - 1)]
        b, c = plane[2 * y], plane[2 * y + 1]
        for x in range(columns):
            line[x + 1] = (a[x] + d[x]) + three * (b[x] + c[x])
        line[0], line[columns + 1] = line[1], line[columns]
        target = out[y]
        for x in range(target.shape[0]):
            i = 2 * x
            target[x] = all_weights * ((line[i] + line[i + 3]) + three * (line[i + 1] + line[i + 2]))


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
def add_halo(coarse: F32, weight: np.float32, light: F32, member: F32, arrives: F32, total: F32) -> None:
    """Add the spread light of one range where it arrives; ``coarse`` is what coarser levels make of it."""
    line = np.empty(coarse.shape[1] + 2, np.float32)
    soft = np.empty(light.shape[1], np.float32)
    for y in range(light.shape[0]):
        linear_row(coarse, y, line, soft)
        own, part, share, target = light[y], member[y], arrives[y], total[y]
        for x in range(target.shape[0]):
            target[x] += share[x] * (soft[x] + weight * (own[x] * part[x]))


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
def settle_halo(energy: F32, stays: F32, arrived: F32, first: int, last: int) -> None:
    """Turn what pixels give to the halo into what they get: what stays, and what arrived at half size."""
    line = np.empty(stays.shape[1] + 2, np.float32)
    kept, got = np.empty(energy.shape[1], np.float32), np.empty(energy.shape[1], np.float32)
    for y in range(first, last):
        linear_row(stays, y, line, kept)
        linear_row(arrived, y, line, got)
        target = energy[y]
        for x in range(target.shape[0]):
            target[x] = target[x] * kept[x] + got[x]


@compiled
def part_by_range(
    nearness: F32, place: F32, nearest: F32, weights: F32, member: F32, arrives: F32, stays: F32
) -> None:
    """Say how much of each pixel belongs to each of some ranges, and how much of their light arrives there.

    ``place`` is where its range stands among them, ``nearest`` one over the range from beyond which the light
    of each comes, 0 for the first; ``weights`` are what of their light stays in its pixel.
    """
    zero, one, farthest = np.float32(0.0), np.float32(1.0), np.float32(1e-6)
    columns = place.shape[1]
    own = np.empty(columns, np.float32)
    for y in range(place.shape[0]):
        at, near, kept = place[y], nearness[y], stays[y]
        own[:] = kept[:] = zero
        for k in range(member.shape[0]):
            shares, fronts = member[k, y], arrives[k, y]
            for x in range(columns):
                share = max(one - abs(at[x] - np.float32(k)), zero)
                front = min(nearest[k] / max(near[x], farthest), one) if nearest[k] > zero else one
                shares[x], fronts[x] = share, front
                # What arrives from a pixel's own range has to be all of it, wherever that lies between two.
                own[x] += share * front
                kept[x] += share * weights[k]
        for k in range(member.shape[0]):
            fronts = arrives[k, y]
            for x in range(columns):
                fronts[x] /= own[x]
