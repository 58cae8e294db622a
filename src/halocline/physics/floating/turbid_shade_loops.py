"""The loops of `halocline.physics.floating.turbid_shade`: bodies along beams, and what they leave."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.series import exponential
from halocline.physics.floating.turbid_loops import thickness
from halocline.physics.floating.turbid_shape_loops import (
    EVERY,
    LEVEL,
    ON_GROUND,
    SHAPE_HEAD,
    bodies_met,
    carried_back,
    densities,
    ranges_met,
    room_along,
    write_spheres,
)

Ints = NDArray[np.int64]

# Drift, grid and where it begins; depths; light at them; and what it is far aside.
BodyMap = tuple[tuple[np.float32, ...], F32, F32, F32]

_ZERO, _ONE, _TWO, _THREE = (np.float32(number) for number in (0.0, 1.0, 2.0, 3.0))
_NEXT = np.uint64(1)
# Over this share of a map's side, along its edges, its light goes over to that far aside.
_FADE = np.float32(8.0)
# What lies no farther ahead of a light than this is beside it, metres.
_CLOSE = np.float32(1e-6)
# Stands in for a map where there are no bodies.
NO_BODIES: BodyMap = (
    (_ZERO, _ZERO, _ONE, _ZERO, _ZERO, np.float32(np.inf)),
    np.ones(2, np.float32),
    np.ones((2, 2, 2), np.float32),
    np.ones(2, np.float32),
)


@compiled
def beam_depths(
    starts: F32,
    ray: F32,
    metres: F32,
    lens: F32,
    shapes: F32,
    bodies: F32,
    spans: Ints,
    waves: F32,
    eddies: F32,
    ground: tuple[F32, F32],
    out: F32,
) -> None:
    """Write the optical depth of bodies along parallel beams, at every fourth of some ranges.

    Parameters
    ----------
    starts
        Where beams begin, counted from where shapes are, ``(3, rows, columns)``.
    ray
        Their unit direction, its downward component, and 1, ``(5,)``.
    metres
        ``(EVERY (N - 1) + 1,)``: ranges along them from 0, in even steps from one of the table to the next.
    lens, shapes, bodies, spans, waves, eddies, ground
        As `halocline.physics.floating.turbid_loops.follow` takes them.
    out
        ``(N, rows, columns)``.
    """
    home, density = room_along(metres.size)
    extinction, marks = np.empty(metres.size, np.float32), np.empty((len(shapes), 2), np.int64)
    met, spheres = np.empty((len(bodies), 2), np.int64), np.empty((5, len(shapes)), np.float32)
    moved, phased, carried = shapes.copy(), waves.copy(), eddies.copy()
    heights, place = ground[0], ground[1].copy()
    for row in range(starts.shape[1]):
        for column in range(starts.shape[2]):
            depths = out[:, row, column]
            depths[:] = _ZERO
            _seen_from(
                starts[:, row, column],
                lens,
                (shapes, waves, eddies, ground[1]),
                (moved, phased, carried, place),
            )
            write_spheres(moved, spheres)
            first, last = ranges_met(ray, metres, lens, moved, spheres, marks)
            if last <= first:
                continue
            part, count = metres[first : last + 1], last - first + 1
            carried_back(ray, part, lens, carried, (0, count), home)
            bodies_met(spans, marks, met)
            extinction[:count] = _ZERO
            for body in range(len(bodies)):
                density[1][:count] = _ZERO
                densities(
                    body,
                    first,
                    count,
                    moved,
                    spans,
                    phased,
                    bodies,
                    (heights, place),
                    marks,
                    met,
                    home,
                    density,
                )
                for k in range(count):
                    extinction[k] += bodies[body, 0] * density[1][k]
            depth = _ZERO
            for k in range(count - 1):
                if k % EVERY == 0:
                    depths[(first + k) // EVERY] = depth
                depth += thickness(part, extinction, k // 2 * 2, k % 2)
            for node in range(last // EVERY, depths.size):
                depths[node] = depth


@compiled
def _seen_from(
    start: F32, lens: F32, given: tuple[F32, F32, F32, F32], found: tuple[F32, F32, F32, F32]
) -> None:
    """Write shapes, clouds, eddies and the ground's place as they are counted from another place."""
    x, y, z = start[0], start[1], start[2]
    raised = x * lens[0] + y * lens[1] + z * lens[2]
    shapes, waves, eddies, ground = given
    moved, phased, carried, place = found
    for side in range(2):
        at = 3 + 3 * side
        place[side] = ground[side] - (ground[at] * x + ground[at + 1] * y + ground[at + 2] * z)
    for number in range(len(shapes)):
        kind = int(shapes[number, 1])
        if kind in (LEVEL, ON_GROUND):
            for end in (SHAPE_HEAD + 9, SHAPE_HEAD + 10):
                moved[number, end] = shapes[number, end] - raised
            # What lies on the ground has its thickness there, above heights over the lens.
            moved[number, 2] = shapes[number, 2] - raised
        else:
            moved[number, 2], moved[number, 3] = shapes[number, 2] - x, shapes[number, 3] - y
            moved[number, 4] = shapes[number, 4] - z
    for number in range(len(waves)):
        phased[number, 3] = waves[number, 3] + (
            waves[number, 0] * x + waves[number, 1] * y + waves[number, 2] * z
        )
    for number in range(len(eddies)):
        carried[number, 3] = eddies[number, 3] + (
            eddies[number, 0] * x + eddies[number, 1] * y + eddies[number, 2] * z
        )


@compiled
def rung_at(depths_m: F32, depth: np.float32, rung: int) -> int:
    """Return which two of the depths a depth lies between.

    Parameters
    ----------
    depths_m
        Rising, two at least, metres.
    depth
        Metres.
    rung
        Where to begin to look.

    Returns
    -------
    int
        The first of the two; the last two where it lies deeper than all.
    """
    while rung < depths_m.size - 2 and depth >= depths_m[rung + 1]:
        rung += 1
    while rung > 0 and depth < depths_m[rung]:
        rung -= 1
    return rung


@compiled
def dim_by_bodies(bodies: BodyMap, x: F32, y: F32, depth: F32, out: F32) -> None:
    """Multiply by the shares of a light that bodies leave at places, 0 to 1.

    To hand a map over for each place would count its arrays' users each time, which takes several times as
    long as the look-up.

    Parameters
    ----------
    bodies
        Their map.
    x, y, depth
        Along the level axes and below the surface, metres, ``(n,)``.
    out
        ``(n,)``; changed.
    """
    numbers, depths_m, light, aside = bodies
    top, points, last, rung = numbers[5], light.shape[1], depths_m.size - 2, 0
    for k in range(out.size):
        if depth[k] <= top:
            continue
        while rung < last and depth[k] >= depths_m[rung + 1]:
            rung += 1
        while rung > 0 and depth[k] < depths_m[rung]:
            rung -= 1
        below = _between(depth[k], depths_m[rung], depths_m[rung + 1])
        column, row, inwards = _on_map(numbers, points, x[k], y[k], depth[k])
        far = aside[rung] + below * (aside[rung + 1] - aside[rung])
        if inwards <= _ZERO:
            out[k] *= far
            continue
        i, j, upper = min(int(column), points - 2), min(int(row), points - 2), np.uint64(rung)
        right, lower = column - np.float32(i), row - np.float32(j)
        left = _ZERO
        for corner in range(4):
            # No index is negative, which need not be looked at for each.
            at_x, at_y = np.uint64(i + (corner & 1)), np.uint64(j + (corner >> 1))
            here, under = light[upper, at_y, at_x], light[upper + _NEXT, at_y, at_x]
            left += corner_share(corner, right, lower) * (here + below * (under - here))
        out[k] *= faded(far, left, inwards)


@compiled
def _between(depth: np.float32, upper: np.float32, lower: np.float32) -> np.float32:
    """Return how far a depth is on its way between two; what lies below both is at the lower."""
    return min((depth - upper) / (lower - upper), _ONE)


@compiled
def _on_map(
    numbers: tuple[np.float32, ...], points: int, x: np.float32, y: np.float32, depth: np.float32
) -> tuple[np.float32, np.float32, np.float32]:
    """Return the column and the row of a place on a map, and how far off the edge it is: to 1 it fades."""
    drift_x, drift_y, per_m, first_x, first_y, _ = numbers
    most = np.float32(points - 1)
    column, row = (x - depth * drift_x) * per_m - first_x, (y - depth * drift_y) * per_m - first_y
    return column, row, min(column, most - column, row, most - row) * (_FADE / most)


@compiled
def corner_share(corner: int, right: np.float32, lower: np.float32) -> np.float32:
    """Return how much a corner of a cell counts for a place in it.

    Parameters
    ----------
    corner
        0 to 3: upper left, upper right, lower left, lower right.
    right, lower
        Where the place is in the cell, 0 to 1.

    Returns
    -------
    np.float32
        0 to 1; those of the four corners sum to 1.
    """
    return (right if corner & 1 else _ONE - right) * (lower if corner >> 1 else _ONE - lower)


@compiled
def faded(far: np.float32, left: np.float32, inwards: np.float32) -> np.float32:
    """Return what is left near a map's edge, where it goes over to what is far aside.

    Parameters
    ----------
    far, left
        What is left far aside, and by the map, 0 to 1.
    inwards
        How far from the edge, above 0; from 1 on the map alone counts.

    Returns
    -------
    np.float32
        Between the two.
    """
    if inwards < _ONE:
        return far + (left - far) * (inwards * inwards * (_THREE - _TWO * inwards))
    return left


@compiled
def depths_along(
    depth: F32, nodes: F32, axes: F32, tangent: np.float32, x: F32, y: F32, z: F32, out: F32
) -> None:
    """Write the optical depth of bodies between a light and places.

    Parameters
    ----------
    depth
        Along a square of rays from the light, at ranges, ``(rays, N, rays)``.
    nodes
        The ranges, rising, metres, ``(N,)``.
    axes
        Right, up and the way the light looks, as rows, ``(3, 3)``.
    tangent
        Of the half angle that the rays cover.
    x, y, z
        Places from the light, metres, ``(n,)``.
    out
        ``(n,)``; 0 aside of the rays.
    """
    rays = depth.shape[0]
    most, per = np.float32(rays - 1), np.float32(rays - 1) / (_TWO * tangent)
    rung = 0
    for k in range(out.size):
        ahead = x[k] * axes[2, 0] + y[k] * axes[2, 1] + z[k] * axes[2, 2]
        out[k] = _ZERO
        if ahead <= _CLOSE:
            continue
        column = ((x[k] * axes[0, 0] + y[k] * axes[0, 1] + z[k] * axes[0, 2]) / ahead + tangent) * per
        row = ((x[k] * axes[1, 0] + y[k] * axes[1, 1] + z[k] * axes[1, 2]) / ahead + tangent) * per
        if not (_ZERO <= column <= most and _ZERO <= row <= most):
            continue
        range_m = min(np.sqrt(x[k] * x[k] + y[k] * y[k] + z[k] * z[k]), nodes[nodes.size - 1])
        rung = rung_at(nodes, range_m, rung)
        further = max((range_m - nodes[rung]) / (nodes[rung + 1] - nodes[rung]), _ZERO)
        i, j, upper = min(int(column), rays - 2), min(int(row), rays - 2), np.uint64(rung)
        right, lower = column - np.float32(i), row - np.float32(j)
        total = _ZERO
        for corner in range(4):
            at_x, at_y = np.uint64(i + (corner & 1)), np.uint64(j + (corner >> 1))
            share = (right if corner & 1 else _ONE - right) * (lower if corner >> 1 else _ONE - lower)
            here = depth[at_y, upper, at_x]
            total += share * (here + further * (depth[at_y, upper + _NEXT, at_x] - here))
        out[k] = total


@compiled
def dim_along_rays(
    rays: F32,
    metres: F32,
    lens: F32,
    shapes: F32,
    light: tuple[F32, F32, F32, np.float32],
    away: F32,
    share: np.float32,
    out: F32,
) -> None:
    """Multiply by what bodies leave of a light along view rays, where these may meet bodies.

    Parameters
    ----------
    rays, metres, lens, shapes
        As `halocline.physics.floating.turbid_shape_loops.mark_ranges_met` takes them.
    light
        Optical depth along the light's rays, ranges, axes and tangent, as `depths_along` takes them.
    away
        The lens, as seen from the light, metres, ``(3,)``.
    share
        How much of what bodies take is taken, 0 to 1.
    out
        ``(rows, columns, N)``, at the table's ranges; changed.
    """
    marks, spheres = np.empty((len(shapes), 2), np.int64), np.empty((5, len(shapes)), np.float32)
    write_spheres(shapes, spheres)
    places, depths = np.empty((3, out.shape[2]), np.float32), np.empty(out.shape[2], np.float32)
    depth, nodes, axes, tangent = light
    for row in range(out.shape[0]):
        for column in range(out.shape[1]):
            first, last = ranges_met(rays[:, row, column], metres, lens, shapes, spheres, marks)
            if last <= first:
                continue
            begin, end = first // EVERY, last // EVERY + 1
            count = end - begin
            x, y, z = places[0, :count], places[1, :count], places[2, :count]
            for k in range(count):
                far = metres[EVERY * (begin + k)]
                x[k] = away[0] + rays[0, row, column] * far
                y[k] = away[1] + rays[1, row, column] * far
                z[k] = away[2] + rays[2, row, column] * far
            depths_along(depth, nodes, axes, tangent, x, y, z, depths[:count])
            there = out[row, column, begin:end]
            for k in range(count):
                there[k] *= _ONE - share * (_ONE - exponential(-depths[k]))
