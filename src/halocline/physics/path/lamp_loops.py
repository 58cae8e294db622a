"""The light of a lamp along view rays, summed in one compiled loop (see `halocline.physics.path.lamps`)."""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.series import cosine, exponential, sine
from halocline.physics.path.phase import lobe

# Rays taken together: what is kept of each between the steps of the loop stays in the nearest cache.
_TOGETHER = 512
_ZERO, _ONE, _TWO, _PI = (np.float32(number) for number in (0, 1, 2, np.pi))
_HALF, _TINY, _ENDLESS = np.float32(0.5), np.float32(1e-7), np.float32(np.inf)
_NEXT, _SHORTEST_M = np.uint64(1), np.float32(1e-12)
# Half of a table by range lies within this range, metres.
HALF_TABLE_M = np.float32(2.0)
# A ray that ends this many times farther than the lamp has all of its glow before it.
_FAR = np.float32(50.0)


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
def lay_facing(offset_m: F32, normal: F32, unknown: np.float32, light: F32) -> None:
    """Multiply light on surfaces by the cosine of its incidence, none on those that face away.

    Parameters
    ----------
    offset_m
        From the lamp to each point, metres, ``(3, n)``.
    normal
        Unit normals, ``(3, n)``.
    unknown
        What takes the cosine's place where there is no normal, (0, 0, 0).
    light
        ``(K, n)``; changed.
    """
    x, y, z = offset_m[0], offset_m[1], offset_m[2]
    across, along, up = normal[0], normal[1], normal[2]
    taken = np.empty(_TOGETHER, np.float32)
    for start in range(0, x.size, _TOGETHER):
        count = min(_TOGETHER, x.size - start)
        for i in range(count):
            k = start + i
            away = np.sqrt(x[k] * x[k] + y[k] * y[k] + z[k] * z[k])
            cosine = -(x[k] * across[k] + y[k] * along[k] + z[k] * up[k]) / max(away, _SHORTEST_M)
            length = across[k] * across[k] + along[k] * along[k] + up[k] * up[k]
            taken[i] = max(cosine, _ZERO) if length > _ZERO else unknown
        for band in range(len(light)):
            row = light[band, start : start + count]
            for i in range(count):
                row[i] *= taken[i]


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
def haze_along_rays(
    nodes: F32,
    water: F32,
    beam: tuple[F32, F32],
    lobes: F32,
    by_range: tuple[F32, F32],
    clouds: tuple[F32, F32],
    direction: F32,
    rays: F32,
    out: F32,
) -> None:
    """Add b I half/D sum over nodes of w p(psi) share(angle) exp(-k r - c t) to each band of each ray.

    Parameters
    ----------
    nodes
        Nodes and weights on -1 to 1, ``(2, N)``.
    water
        k and c of each band, 1/m, scattering times the lamp's intensity, and what of k and c goes by the
        rays' own shares, 1/m, ``(4, K)``.
    beam
        Lens from the lamp, along the lamp's axis, metres, steps of the table in a unit of x, and the share
        that light far behind the lamp loses of the last of ``water``, ``(3,)``; intensity by x, see
        `halocline.physics.path.beam`.
    lobes
        What `lobe` takes besides the cosine, ``(L, 3)``.
    by_range
        Each lobe's share, ``(L, T)``, and optical depth of what is added to the water, ``(T,)``, by
        t / (t + `HALF_TABLE_M`) in even steps from 0 to 1; both empty where all is the same everywhere.
    clouds
        Waves in turns a metre and turns at the lens, ``(M, 4)``, and their amplitude, the inverse of the
        mean, and the bound, ``(3,)``; no waves where there are no clouds.
    direction
        Unit view directions, ``(3, n)``.
    rays
        Middle and half of each ray's interval of angle at the lamp, the range at which it is nearest to the
        lamp, its distance D there, its component along the axis, and the share that its light before the
        lamp loses of the last of ``water`` on both ways, ``(6, n)``.
    out
        ``(K, n)``.
    """
    strength, distance = np.empty(_TOGETHER, np.float32), np.empty(_TOGETHER, np.float32)
    range_m, sines = np.empty(_TOGETHER, np.float32), np.empty(_TOGETHER, np.float32)
    total, wide = np.empty((water.shape[1], _TOGETHER), np.float32), beam[0][2]
    for first in range(0, out.shape[1], _TOGETHER):
        # Rows of their own: the compiler then knows that neighbours in them are neighbours in memory.
        part = slice(first, min(first + _TOGETHER, out.shape[1]))
        middle, half, nearest = rays[0, part], rays[1, part], rays[2, part]
        apart, along, lost = rays[3, part], rays[4, part], rays[5, part]
        x, y, z = direction[0, part], direction[1, part], direction[2, part]
        if not _any_reached(half):
            continue
        total[:] = _ZERO
        for node in range(nodes.shape[1]):
            _place(nodes[0, node], middle, half, nearest, apart, distance, range_m, sines)
            _turned(lobes, by_range[0], range_m, sines, strength, half.size)
            _thrown(nodes[1, node], beam[0], beam[1], along, distance, range_m, strength)
            if clouds[0].size:
                _clouded(clouds[0], clouds[1], x, y, z, range_m, strength)
            if by_range[1].size:
                _dimmed(by_range[1], range_m, strength, half.size)
            for band in range(water.shape[1]):
                away, back, more, layer = water[0, band], water[1, band], water[3, band], total[band]
                for ray in range(half.size):
                    own = more * (lost[ray] + (wide - lost[ray]) * max(sines[ray], _ZERO))
                    decay = exponential(-(away + own) * distance[ray] - (back + own) * range_m[ray])
                    layer[ray] += strength[ray] * decay
        for band in range(water.shape[1]):
            scattered, layer, target = water[2, band], total[band], out[band, part]
            for ray in range(half.size):
                target[ray] += layer[ray] * (scattered * half[ray] / apart[ray])


@compiled
def _any_reached(half: F32) -> bool:
    """Tell whether any ray has an interval of angle."""
    found = False
    for ray in range(half.size):
        found |= half[ray] > _ZERO
    return found


@compiled
def _place(
    node: np.float32,
    middle: F32,
    half: F32,
    nearest: F32,
    apart: F32,
    distance: F32,
    range_m: F32,
    sines: F32,
) -> None:
    """Write how far one node lies from the lamp and from the lens, and the sine of its angle at the lamp."""
    for ray in range(middle.size):
        angle = middle[ray] + half[ray] * node
        # Rounding must not turn a right angle into more.
        sin, cos = sine(angle), max(cosine(angle), np.float32(1e-6))
        r = apart[ray] / cos
        sines[ray] = sin
        distance[ray] = r
        range_m[ray] = nearest[ray] + r * sin


@compiled
def _turned(lobes: F32, shares: F32, range_m: F32, sines: F32, strength: F32, count: int) -> None:
    """Write the phase function: the lamp's light travels along lens + t direction, then to -direction."""
    strength[:] = _ZERO
    for part in range(len(lobes)):
        by_cosine, even, scale = -lobes[part, 0], lobes[part, 1], lobes[part, 2]
        if not shares.size:
            for ray in range(count):
                strength[ray] += lobe(sines[ray], by_cosine, even, scale)
            continue
        table = shares[part]
        for ray in range(count):
            strength[ray] += lobe(sines[ray], by_cosine, even, scale) * _by_range(table, range_m[ray])


@compiled
def _by_range(table: F32, t: np.float32) -> np.float32:
    """Look up a table over t / (t + HALF_TABLE_M)."""
    away = max(t, _ZERO)
    place = away / (away + HALF_TABLE_M) * np.float32(table.size - 1)
    at = np.uint32(np.int32(min(place, np.float32(table.size - 2))))
    below: np.float32 = table[at]
    value: np.float32 = below + (table[at + _NEXT] - below) * (place - np.float32(at))
    return value


@compiled
def _thrown(
    weight: np.float32,
    cone: F32,
    profile: F32,
    along: F32,
    distance: F32,
    range_m: F32,
    strength: F32,
) -> None:
    """Multiply by the node's weight and what the beam throws there."""
    lens_along, per_x, last = cone[0], cone[1], np.float32(profile.size - 1)
    for ray in range(along.size):
        off = _ONE - (along[ray] * range_m[ray] + lens_along) / distance[ray]
        place = min(np.sqrt(max(_TWO * off, _ZERO)) * per_x, last)
        at = np.uint32(np.int32(min(place, last - _ONE)))
        below = profile[at]
        strength[ray] *= weight * (below + (profile[at + _NEXT] - below) * (place - np.float32(at)))


@compiled
def _clouded(waves: F32, numbers: F32, x: F32, y: F32, z: F32, range_m: F32, strength: F32) -> None:
    """Multiply by the density of clouds: exp(a sum cos(2 pi turns)) over its mean, up to a bound."""
    sums = np.zeros(_TOGETHER, np.float32)
    for wave in range(len(waves)):
        by_x, by_y, by_z, here = waves[wave, 0], waves[wave, 1], waves[wave, 2], waves[wave, 3]
        for ray in range(x.size):
            turns = here + range_m[ray] * (by_x * x[ray] + by_y * y[ray] + by_z * z[ray])
            half = sine(_PI * (turns - np.floor(turns + _HALF)))
            # cos(2 v) = 1 - 2 sin^2 v.
            sums[ray] += _ONE - _TWO * half * half
    amplitude, per_mean, bound = numbers[0], numbers[1], numbers[2]
    for ray in range(x.size):
        strength[ray] *= min(exponential(amplitude * sums[ray]) * per_mean, bound)


@compiled
def _dimmed(depth: F32, range_m: F32, strength: F32, count: int) -> None:
    """Multiply by what comes through the matter that is added to the water."""
    for ray in range(count):
        strength[ray] *= exponential(-_by_range(depth, range_m[ray]))


@compiled
def add_glow(direction: F32, ends_m: F32, place: F32, table: F32, turned: F32, out: F32) -> None:
    """Add a lamp's glow to rays.

    Parameters
    ----------
    direction, ends_m
        Unit view directions ``(3, n)`` and where they end, metres, ``(n,)``.
    place
        The lamp's direction (3) and range, the angle of half the table, its last angle, and the least angle.
    table
        Radiance times the angle squared, ``(K, n)`` by theta / (theta + half), even steps to the last angle.
    turned
        Measure of single turns beyond each angle, by the same to pi.
    out
        ``(K, n)``.
    """
    lamp_x, lamp_y, lamp_z, s, narrow, widest, least = place
    per_table = np.float32(table.shape[1] - 1) * (widest + narrow) / widest
    per_turned = np.float32(turned.size - 1) * (_PI + narrow) / _PI
    last = np.float32(table.shape[1] - 2)
    for ray in range(ends_m.size):
        dx, dy, dz = direction[0, ray] - lamp_x, direction[1, ray] - lamp_y, direction[2, ray] - lamp_z
        # Twice the arc sine of half the chord.
        half_chord = min(_HALF * np.sqrt(dx * dx + dy * dy + dz * dz), _ONE)
        if half_chord > _HALF * widest:
            continue
        theta = _TWO * np.arcsin(half_chord)
        if theta >= widest:
            continue
        before = _ONE
        if ends_m[ray] < _FAR * s:
            # At the ray's end the lamp stands so far off it.
            beyond = np.arctan2(s * np.sin(theta), s * np.cos(theta) - ends_m[ray])
            before = _ONE - _at(turned, beyond, narrow, per_turned) / _at(turned, theta, narrow, per_turned)
            before = max(before, _ZERO)
        u = theta / (theta + narrow) * per_table
        at = np.uint64(min(u, last))
        share = u - np.float32(at)
        scale = before / (theta * theta + least * least)
        for band in range(len(table)):
            below = table[band, at]
            out[band, ray] += (below + (table[band, at + _NEXT] - below) * share) * scale


@compiled
def _at(table: F32, theta: np.float32, narrow: np.float32, steps: np.float32) -> np.float32:
    """Look up a table by theta / (theta + narrow)."""
    u = theta / (theta + narrow) * steps
    at = np.uint64(min(u, np.float32(table.size - 2)))
    below: np.float32 = table[at]
    value: np.float32 = below + (table[at + _NEXT] - below) * (u - np.float32(at))
    return value
