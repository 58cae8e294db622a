"""Lattice noise: pure functions of position and seed.

The same point and seed give the same value on every machine and in every order, so the scene can be rebuilt
for a single frame.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
U32 = NDArray[np.uint32]


def _hash(cell: NDArray[np.int32], seed: int) -> U32:
    """Mix integer lattice coordinates ``(n, 3)`` and a seed into 32 well-spread bits ``(n,)``."""
    u = cell.astype(np.uint32)
    h = u[:, 0] * np.uint32(0x9E3779B1) ^ u[:, 1] * np.uint32(0x85EBCA77) ^ u[:, 2] * np.uint32(0xC2B2AE3D)
    h ^= np.uint32(seed * 0x27D4EB2F & 0xFFFFFFFF)
    for shift, factor in ((16, 0x7FEB352D), (15, 0x846CA68B)):
        h ^= h >> np.uint32(shift)
        h *= np.uint32(factor)
    mixed: U32 = h ^ (h >> np.uint32(16))
    return mixed


def _unit(bits: U32) -> F32:
    """Turn hash bits into numbers from 0 to 1."""
    return bits.astype(np.float32) * np.float32(2.0**-32)


def gradient_noise(points: F32, seed: int = 0) -> F32:
    """Return smooth noise of about -1 to 1 with a feature size of one unit, ``(n, 3)`` to ``(n,)``."""
    cell = np.floor(points).astype(np.int32)
    offset = points - cell
    fade = offset * offset * offset * (offset * (offset * 6 - 15) + 10)
    total = np.zeros(len(points), np.float32)
    for corner in np.ndindex(2, 2, 2):
        bits = _hash(cell + np.array(corner, np.int32), seed)
        away = offset - np.array(corner, np.float32)
        # Three signed byte-wide slopes per corner: enough directions, no table.
        slope = (bits & np.uint32(0xFF)).astype(np.float32) / 127.5 - 1
        dot = slope * away[:, 0]
        dot += ((bits >> np.uint32(8) & np.uint32(0xFF)).astype(np.float32) / 127.5 - 1) * away[:, 1]
        dot += ((bits >> np.uint32(16) & np.uint32(0xFF)).astype(np.float32) / 127.5 - 1) * away[:, 2]
        weight = np.ones(len(points), np.float32)
        for axis, side in enumerate(corner):
            weight *= fade[:, axis] if side else 1 - fade[:, axis]
        total += weight * dot
    return total * np.float32(1.3)


def fractal_noise(points: F32, octaves: int, seed: int = 0, gain: float = 0.5) -> F32:
    """Sum octaves of gradient noise, each at twice the frequency and `gain` times the height."""
    total = np.zeros(len(points), np.float32)
    for octave in range(octaves):
        total += np.float32(gain**octave) * gradient_noise(points * np.float32(2.03**octave), seed + octave)
    return total


def ridged_noise(points: F32, octaves: int, seed: int = 0) -> F32:
    """Sum octaves of folded noise: sharp crests near 1, rounded hollows towards 0."""
    total = np.zeros(len(points), np.float32)
    for octave in range(octaves):
        folded = 1 - np.abs(gradient_noise(points * np.float32(2.03**octave), seed + octave))
        total += np.float32(0.5**octave) * folded * folded
    return total / np.float32(2 - 0.5 ** (octaves - 1))


def cell_noise(points: F32, seed: int = 0) -> tuple[F32, F32]:
    """Scatter one dot in each lattice cell.

    Returns
    -------
    distance
        ``(n,)`` to the nearest dot, in cells.
    identity
        ``(n,)`` a number from 0 to 1 that belongs to that dot.
    """
    cell = np.floor(points).astype(np.int32)
    nearest = np.full(len(points), 9.0, np.float32)
    identity = np.zeros(len(points), np.float32)
    for step in np.ndindex(3, 3, 3):
        neighbour = cell + np.array(step, np.int32) - 1
        dot = [_unit(_hash(neighbour, seed + 101 * axis)) for axis in range(3)]
        away = neighbour + np.stack(dot, axis=1) - points
        squared = np.einsum("ij,ij->i", away, away)
        closer = squared < nearest
        nearest[closer] = squared[closer]
        identity[closer] = _unit(_hash(neighbour[closer], seed + 977))
    return np.sqrt(nearest), identity


def smoothstep(low: float, high: float, value: F32) -> F32:
    """Rise smoothly from 0 at `low` to 1 at `high`; with `low` above `high`, fall instead."""
    t = np.clip((value - low) / (high - low), 0, 1)
    risen: F32 = (t * t * (3 - 2 * t)).astype(np.float32)
    return risen


def mix(first: F32 | tuple[float, ...], second: F32 | tuple[float, ...], amount: F32) -> F32:
    """Blend two colours, ``(n, 3)`` or one triple each, by `amount` ``(n,)`` from 0 to 1."""
    weight = amount[:, None]
    return (np.asarray(first) * (1 - weight) + np.asarray(second) * weight).astype(np.float32)
