"""The loops that find particles, give them their shapes, and carry them: numbers in, numbers out.

Each particle depends on its own key, cell and index alone, so it does not matter which others are found with
it, nor on which thread.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F64
from halocline.compute.compiled import compiled
from halocline.compute.random import philox
from halocline.compute.series import sine

Ints = NDArray[np.int64]
Words = NDArray[np.uint32]
# Points that are carried together: what belongs to them stays in the processor's nearest cache.
_AT_ONCE = 512
_HALF_STEP, _STEP = 0.5, 2.0**-32
_PI, _ONE, _TWO = np.float32(math.pi), np.float32(1.0), np.float32(2.0)


@compiled
def _share(word: np.uint64) -> float:
    """Return a random word as a number in the open interval 0 to 1."""
    return (np.float64(word) + _HALF_STEP) * _STEP


@compiled
def find(
    cells: Ints,
    counts: Ints,
    cell_m: float,
    keys: tuple[np.uint64, np.uint64],
    sizes: tuple[float, float, float, float, float],
    position_m: F64,
    rotation: F64,
    tangents: tuple[float, float, float, float],
    reach: tuple[float, float, float, float],
    home_m: F64,
    diameter_m: F64,
    words: Words,
    owner: Ints,
) -> int:
    """Write the particles of some cells that a view may show, and return how many there are.

    Parameters
    ----------
    cells, counts, cell_m
        Of a lattice ``(n, 3)``, particles in each ``(n,)``, and the width of a cell.
    keys
        Of the particles' places and of their nature.
    sizes
        D^(1 - m) of the smallest and how much more it is of the largest, 1 / (1 - m), smallest and largest D.
    position_m, rotation, tangents
        See `halocline.physics.floating.field.ViewVolume`; where the left tangent is beyond the right one, all
        directions are seen.
    reach
        How far outside the pyramid and how far away a particle may be; the same for the limits at which it is
        drawn, and its smallest angle.
    home_m, diameter_m, words, owner
        Results, with room for all: place ``(m, 3)``, diameter, random words ``(4, m)``, and which cell.
    """
    margin, farthest, farthest_drawn, smallest_angle = reach
    left, right, bottom, top = tangents
    across, down = math.hypot(1.0, left), math.hypot(1.0, bottom)
    across_right, down_top = math.hypot(1.0, right), math.hypot(1.0, top)
    everywhere = left > right
    kept = 0
    for cell in range(len(cells)):
        i, j, k = np.uint64(cells[cell, 0]), np.uint64(cells[cell, 1]), np.uint64(cells[cell, 2])
        for index in range(counts[cell]):
            at_x, at_y, at_z, size = philox(keys[0], i, j, k, np.uint64(index))
            home_x = cells[cell, 0] * cell_m + _share(at_x) * cell_m
            home_y = cells[cell, 1] * cell_m + _share(at_y) * cell_m
            home_z = cells[cell, 2] * cell_m + _share(at_z) * cell_m
            dx, dy, dz = home_x - position_m[0], home_y - position_m[1], home_z - position_m[2]
            # Leave out what the camera does not see: on average two thirds.
            z = dx * rotation[0, 2] + dy * rotation[1, 2] + dz * rotation[2, 2]
            x = dx * rotation[0, 0] + dy * rotation[1, 0] + dz * rotation[2, 0]
            y = dx * rotation[0, 1] + dy * rotation[1, 1] + dz * rotation[2, 1]
            if not everywhere:
                if z > margin or x + right * z > margin * across_right or -x - left * z > margin * across:
                    continue
                if y + top * z > margin * down_top or -y - bottom * z > margin * down:
                    continue
            diameter = (sizes[0] + _share(size) * sizes[1]) ** sizes[2]
            # The power's rounding must not push a particle out of its class.
            diameter = min(max(diameter, sizes[3]), sizes[4])
            near_enough = min(farthest, min(farthest_drawn, diameter / smallest_angle) + margin)
            if dx * dx + dy * dy + dz * dz >= near_enough * near_enough:
                continue
            home_m[kept, 0], home_m[kept, 1], home_m[kept, 2] = home_x, home_y, home_z
            diameter_m[kept] = diameter
            first, second, third, fourth = philox(keys[1], i, j, k, np.uint64(index))
            words[0, kept], words[1, kept] = np.uint32(first), np.uint32(second)
            words[2, kept], words[3, kept] = np.uint32(third), np.uint32(fourth)
            owner[kept] = cell
            kept += 1
    return kept


@compiled
def _direction(key: np.uint64, words: Words, index: int, counter: int) -> tuple[float, float, float]:
    """Return a random unit vector that belongs to a particle: three normal numbers (box1958), scaled."""
    first, second, third, fourth = philox(
        key,
        np.uint64(words[0, index]),
        np.uint64(words[1, index]),
        np.uint64(words[2, index]),
        np.uint64(counter),
    )
    radius, angle = math.sqrt(-2.0 * math.log(_share(first))), 2.0 * math.pi * _share(second)
    x, z = radius * math.cos(angle), radius * math.sin(angle)
    y = math.sqrt(-2.0 * math.log(_share(third))) * math.cos(2.0 * math.pi * _share(fourth))
    length = math.sqrt(x * x + y * y + z * z)
    return x / length, y / length, z / length


@compiled
def stick_lumps(words: Words, diameter_m: F64, key: np.uint64, offset_m: F64, lump_m: F64) -> None:
    """Write what `halocline.physics.floating.field.aggregate_parts` returns."""
    parts = lump_m.shape[1]
    for index in range(len(diameter_m)):
        offset, radius = offset_m[index], lump_m[index]
        for part in range(parts):
            tone, parent_word, _, _ = philox(
                key,
                np.uint64(words[0, index]),
                np.uint64(words[1, index]),
                np.uint64(words[2, index]),
                np.uint64(2 * part),
            )
            radius[part] = 0.35 + _share(tone) ** 2
            if part == 0:
                offset[0, 0], offset[0, 1], offset[0, 2] = 0.0, 0.0, 0.0
                continue
            x, y, z = _direction(key, words, index, 2 * part + 1)
            # Late lumps rather hold on to late ones: that grows strings and arms instead of balls.
            parent = int(part * math.sqrt(_share(parent_word)))
            gap = 0.8 * (radius[parent] + radius[part])
            offset[part, 0] = offset[parent, 0] + x * gap
            offset[part, 1] = offset[parent, 1] + y * gap
            offset[part, 2] = offset[parent, 2] + z * gap
        for axis in range(3):
            total = 0.0
            for part in range(parts):
                total += offset[part, axis]
            for part in range(parts):
                offset[part, axis] -= total / parts
        area, extent = 0.0, 0.0
        for part in range(parts):
            area += radius[part] * radius[part]
            reach = offset[part, 0] ** 2 + offset[part, 1] ** 2 + offset[part, 2] ** 2
            extent = max(extent, math.sqrt(reach))
        spread = 0.4 * diameter_m[index] / max(extent, 1e-12)
        for part in range(parts):
            radius[part] *= diameter_m[index] / math.sqrt(area)
            for axis in range(3):
                offset[part, axis] *= spread


@compiled
def turn_lumps(offset_m: F64, words: Words, key: np.uint64, turns: float, out: F64) -> None:
    """Write offsets turned by so many mean turns, see `halocline.physics.floating.field.tumble`."""
    for index in range(len(offset_m)):
        x, y, z = _direction(key, words, index, 0)
        phase, rate, _, _ = philox(
            key,
            np.uint64(words[0, index]),
            np.uint64(words[1, index]),
            np.uint64(words[2, index]),
            np.uint64(1),
        )
        angle = 2.0 * math.pi * (_share(phase) + 2.0 * _share(rate) * turns)
        cosine, sine = math.cos(angle), math.sin(angle)
        for part in range(offset_m.shape[1]):
            a, b, c = offset_m[index, part, 0], offset_m[index, part, 1], offset_m[index, part, 2]
            # Rodrigues' rotation.
            along = (a * x + b * y + c * z) * (1.0 - cosine)
            out[index, part, 0] = a * cosine + (y * c - z * b) * sine + x * along
            out[index, part, 1] = b * cosine + (z * a - x * c) * sine + y * along
            out[index, part, 2] = c * cosine + (x * b - y * a) * sine + z * along


@compiled
def add_waves(x: F64, y: F64, z: F64, waves: F64, phases: F64, vectors: F64, out: F64) -> None:
    """Add plane waves a cos(k . x + phi) at points, each ``(n,)``, to a sum ``(axes, n)``.

    Parameters
    ----------
    x, y, z
        Metres.
    waves, phases
        k / 2 pi ``(modes, 3)``, turns a metre, and phi / 2 pi ``(modes,)``, turns. An angle is brought into
        one turn in double precision, so a far place is as exact as a near one: to 4e-7 of the amplitude.
    vectors
        a, ``(modes, axes)``.
    out
        The sum.
    """
    wiggle = np.empty(_AT_ONCE, np.float32)
    for first in range(0, len(x), _AT_ONCE):
        count, at = np.uint64(min(_AT_ONCE, len(x) - first)), np.uint64(first)
        for mode in range(len(waves)):
            along_x, along_y, along_z = waves[mode, 0], waves[mode, 1], waves[mode, 2]
            phase = phases[mode]
            for k in range(count):
                turns = x[at + k] * along_x + y[at + k] * along_y + z[at + k] * along_z + phase
                wiggle[k] = _cosine(turns - np.floor(turns + 0.5))
            for axis in range(len(out)):
                amplitude = vectors[mode, axis]
                for k in range(count):
                    out[axis, at + k] += amplitude * np.float64(wiggle[k])


@compiled
def _cosine(turns: float) -> np.float32:
    """Return cos(2 pi t) = 1 - 2 sin(pi t)^2 for -1/2 to 1/2."""
    half = sine(np.float32(turns) * _PI)
    return _ONE - _TWO * half * half


@compiled
def rise(
    depth_m: F64,
    log_diameter: F64,
    step_s: F64,
    steps: int,
    atmosphere_m: float,
    speeds: F64,
    first: float,
    per_step: float,
) -> None:
    """Take bubbles up, in place, see `halocline.physics.floating.bubbles.Column`.

    Parameters
    ----------
    depth_m
        ``(n,)`` where each is; it changes.
    log_diameter
        ``(n,)`` log of the diameter at the surface.
    step_s, steps
        ``(n,)`` length of a step of time, and the number of steps.
    atmosphere_m
        The pressure of the air in metres of water.
    speeds, first, per_step
        Rise speeds by log diameter: the first one's, and steps of the table to one of the logarithm.
    """
    last = len(speeds) - 1.001
    for index in range(len(depth_m)):
        depth = depth_m[index]
        for _ in range(steps):
            # Midpoint rule: the speed changes by a few percent over the whole way.
            at = depth
            for part in (0.5, 1.0):
                pressure = 1.0 + max(at, 0.0) / atmosphere_m
                place = (log_diameter[index] - math.log(pressure) / 3.0 - first) * per_step
                place = min(max(place, 0.0), last)
                lower = int(place)
                speed = speeds[lower] + (speeds[lower + 1] - speeds[lower]) * (place - lower)
                at = depth - part * step_s[index] * speed
            depth = at
        depth_m[index] = depth
