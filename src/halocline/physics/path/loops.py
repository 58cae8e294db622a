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
def fallen(
    depth_m: F32, nodes: F32, table: F32, deep_rate: np.float32, per_node: np.float32, out: F32
) -> None:
    """Write exp of what a table over depth says, for depths ``(n,)``.

    Parameters
    ----------
    depth_m
        Metres, 0 or more.
    nodes, table
        ``(nodes,)``: depths that grow with the square of their number, and logarithms there.
    deep_rate
        What the logarithm falls by beyond the last node, 1/m.
    per_node
        Number of nodes but one over the square root of the last depth.
    out
        ``(n,)``.
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
        slope = (table[node + 1] - table[node]) / (lower - upper)
        for pixel in range(first, end):
            y = min(depth_m[pixel], deepest)
            beyond = (depth_m[pixel] - y) * deep_rate
            out[pixel] = exponential(table[node] + (y - upper) * slope - beyond)
        first = end
