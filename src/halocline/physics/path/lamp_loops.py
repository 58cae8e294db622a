"""The light of a lamp along view rays, summed in one compiled loop (see `halocline.physics.path.lamps`)."""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.series import cosine, exponential, sine
from halocline.physics.path.phase import lobe

# Rays taken together: what is kept of each between the steps of the loop stays in the nearest cache.
_TOGETHER = 512
_ZERO, _ONE, _TWO, _THREE = (np.float32(number) for number in (0, 1, 2, 3))
_HALF, _TINY, _ENDLESS = np.float32(0.5), np.float32(1e-7), np.float32(np.inf)
_PER_FOUR_PI = np.float32(1.0 / (4.0 * np.pi))


@compiled
def lit_intervals(direction: F32, ends_m: F32, lamp: F32, shape: F32, out: F32) -> None:
    """Write where view rays enter and leave a lamp's cone, and how they pass the lamp.

    Parameters
    ----------
    direction
        Unit directions, ``(3, n)``.
    ends_m
        Where each ends, metres, finite, ``(n,)``.
    lamp
        The lens from the lamp, metres, and the lamp's axis, ``(6,)``.
    shape
        Cosine of the cone's outer edge; the lamp's radius; where rays begin, metres.
    out
        Begin and end (the same where unlit), the range nearest to the lamp, the distance from it there
        with the lamp's radius, and the component along the axis, ``(5, n)``.
    """
    lens_x, lens_y, lens_z, axis_x, axis_y, axis_z = lamp
    outer, radius, start = shape
    x, y, z = direction[0], direction[1], direction[2]
    begin, end, nearest, apart, along = out[0], out[1], out[2], out[3], out[4]
    lens_along = lens_x * axis_x + lens_y * axis_y + lens_z * axis_z
    lens_squared = lens_x * lens_x + lens_y * lens_y + lens_z * lens_z
    square = outer * outer
    c = lens_along * lens_along - square * lens_squared
    for ray in range(ends_m.size):
        near = -(x[ray] * lens_x + y[ray] * lens_y + z[ray] * lens_z)
        # From the vector, not from a difference of squares, which would cancel.
        px, py, pz = lens_x + x[ray] * near, lens_y + y[ray] * near, lens_z + z[ray] * near
        nearest[ray] = near
        apart[ray] = np.sqrt(px * px + py * py + pz * pz + radius * radius)
        on_axis = x[ray] * axis_x + y[ray] * axis_y + z[ray] * axis_z
        along[ray] = on_axis
        begin[ray], end[ray] = start, ends_m[ray]
        if outer > _ZERO:
            first, last = _within_cone(on_axis, near, lens_along, square, c)
            begin[ray], end[ray] = max(start, first), min(ends_m[ray], last)
        end[ray] = max(begin[ray], end[ray])


@compiled
def _within_cone(
    on_axis: np.float32, near: np.float32, lens_along: np.float32, square: np.float32, c: np.float32
) -> tuple[np.float32, np.float32]:
    """Return where a ray is in the cone |x| cos(outer) <= x . axis along x = lens + t direction, metres.

    A quadratic in t: steep rays are in the cone beyond one root, shallow ones between both, each on the
    lamp's own side.
    """
    a = on_axis * on_axis - square
    if abs(a) < _TINY:
        # Parallel to the cone's side there is one root only; a nudge moves the other far away.
        a = _TINY
    b = on_axis * lens_along + near * square
    discriminant = b * b - a * c
    root = np.sqrt(max(discriminant, _ZERO))
    first, second = (-b - root) / a, (-b + root) / a
    low, high = min(first, second), max(first, second)
    if a > _ZERO:
        return (high, _ENDLESS) if on_axis > _ZERO else (-_ENDLESS, low)
    if discriminant > _ZERO and lens_along + on_axis * (low + high) * _HALF > _ZERO:
        return low, high
    return _ZERO, _ZERO


@compiled
def haze_along_rays(nodes: F32, water: F32, cone: F32, phase: F32, rays: F32, out: F32) -> None:
    """Add b I half/D sum over nodes of w p(psi) share(angle) exp(-k r - c t) to each band of each ray.

    Parameters
    ----------
    nodes
        Nodes and weights on -1 to 1, ``(2, N)``.
    water
        k and c of each band, 1/m, and scattering times the lamp's intensity, ``(3, K)``.
    cone
        Lens from the lamp, along the lamp's axis, metres; cosines of the cone's inner and outer edge.
    phase
        Share of the forward lobe, asymmetry of both lobes.
    rays
        Middle and half of each ray's interval of angle at the lamp, the range at which it is nearest to the
        lamp, its distance D there, and its component along the axis, ``(5, n)``.
    out
        ``(K, n)``.
    """
    strength, distance = np.empty(_TOGETHER, np.float32), np.empty(_TOGETHER, np.float32)
    range_m, total = np.empty(_TOGETHER, np.float32), np.empty((water.shape[1], _TOGETHER), np.float32)
    for first in range(0, out.shape[1], _TOGETHER):
        # Rows of their own: the compiler then knows that neighbours in them are neighbours in memory.
        part = slice(first, min(first + _TOGETHER, out.shape[1]))
        middle, half, nearest = rays[0, part], rays[1, part], rays[2, part]
        apart, along = rays[3, part], rays[4, part]
        if half.max() <= _ZERO:
            continue
        total[:] = _ZERO
        for node in range(nodes.shape[1]):
            at, weight = nodes[0, node], nodes[1, node]
            _at_node(
                at, weight, cone, phase, middle, half, nearest, apart, along, strength, distance, range_m
            )
            for band in range(water.shape[1]):
                away, back, layer = water[0, band], water[1, band], total[band]
                for ray in range(half.size):
                    decay = exponential(-away * distance[ray] - back * range_m[ray])
                    layer[ray] += strength[ray] * decay
        for band in range(water.shape[1]):
            scattered, layer, target = water[2, band], total[band], out[band, part]
            for ray in range(half.size):
                target[ray] += layer[ray] * (scattered * half[ray] / apart[ray])


@compiled
def _at_node(
    node: np.float32,
    weight: np.float32,
    cone: F32,
    phase: F32,
    middle: F32,
    half: F32,
    nearest: F32,
    apart: F32,
    along: F32,
    strength: F32,
    distance: F32,
    range_m: F32,
) -> None:
    """Write what one node weighs for each ray, how far it lies from the lamp, and from the lens."""
    lens_along, outer = cone[0], cone[2]
    per_edge = _ONE / max(np.float32(1e-9), cone[1] - outer)
    forward, backward = phase[1], phase[2]
    of_forward = phase[0] * (_ONE - forward * forward) * _PER_FOUR_PI
    of_backward = (_ONE - phase[0]) * (_ONE - backward * backward) * _PER_FOUR_PI
    even_forward, even_backward = _ONE + forward * forward, _ONE + backward * backward
    for ray in range(middle.size):
        angle = middle[ray] + half[ray] * node
        # Rounding must not turn a right angle into more.
        sin, cos = sine(angle), max(cosine(angle), np.float32(1e-6))
        r = apart[ray] / cos
        t = nearest[ray] + r * sin
        # The lamp's light travels along x = lens + t direction, then turns to -direction.
        p = lobe(sin, _TWO * forward, even_forward, of_forward)
        p += lobe(sin, _TWO * backward, even_backward, of_backward)
        step = ((along[ray] * t + lens_along) / r - outer) * per_edge
        step = min(max(step, _ZERO), _ONE)
        strength[ray] = weight * p * step * step * (_THREE - _TWO * step)
        distance[ray] = r
        range_m[ray] = t
