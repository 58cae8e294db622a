"""The exponentials of `halocline.physics.path.transport`, each in one pass over a plane."""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.series import exponential


@compiled
def decay(length_m: F32, rate: np.float32, out: F32) -> None:
    """Write exp(-k s) for lengths ``(n,)``."""
    for pixel in range(out.size):
        out[pixel] = exponential(-(length_m[pixel] * rate))


@compiled
def fallen(depth_m: F32, nodes: F32, tables: F32, deep_rates: F32, per_node: np.float32, out: F32) -> None:
    """Write exp of what tables over depth say, for depths ``(n,)``.

    Parameters
    ----------
    depth_m
        Metres, 0 or more.
    nodes, tables
        ``(nodes,)`` and ``(K, nodes)``: depths that grow with the square of their number, and logarithms
        there.
    deep_rates
        What the logarithms fall by beyond the last node, 1/m, ``(K,)``.
    per_node
        Number of nodes but one over the square root of the last depth.
    out
        ``(K, n)``.
    """
    last = nodes.size - 2
    deepest = nodes[last + 1]
    first = 0
    while first < depth_m.size:
        node = min(int(np.sqrt(min(depth_m[first], deepest)) * per_node), last)
        upper, lower = nodes[node], nodes[node + 1]
        end = first + 1
        # Neighbours lie between the same nodes for long.
        while end < depth_m.size and (
            upper <= depth_m[end] < lower or (node == last and depth_m[end] >= upper)
        ):
            end += 1
        for band in range(out.shape[0]):
            table = tables[band]
            slope = (table[node + 1] - table[node]) / (lower - upper)
            _fallen_between(
                depth_m[first:end], upper, deepest, table[node], slope, deep_rates[band], out[band, first:end]
            )
        first = end


@compiled
def _fallen_between(
    depth_m: F32,
    upper: np.float32,
    deepest: np.float32,
    start: np.float32,
    slope: np.float32,
    deep_rate: np.float32,
    out: F32,
) -> None:
    """Write the same between two nodes."""
    for pixel in range(out.size):
        y = min(depth_m[pixel], deepest)
        beyond = (depth_m[pixel] - y) * deep_rate
        out[pixel] = exponential(start + (y - upper) * slope - beyond)
