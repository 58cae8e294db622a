"""A slab of range with soft ends, in which a step acts."""

from __future__ import annotations

import numpy as np

from halocline._typing import F32


def within_slab(range_m: F32, nearest: float, farthest: float | None, softness: float) -> F32:
    """Return how much of a step each range gets, 0 to 1, a new array of the same shape.

    Parameters
    ----------
    range_m
        Metres; inf where nothing is hit.
    nearest, farthest
        Ends of the slab, metres, where the share is a half; 0 and none leave that side open.
    softness
        Metres over which an end fades.

    Returns
    -------
    F32
        Shares, 0 to 1.
    """
    inside = np.ones_like(range_m)
    soft, half = np.float32(max(softness, 1e-6)), np.float32(0.5)
    if nearest > 0.0:
        inside *= np.clip((range_m - np.float32(nearest)) / soft + half, np.float32(0.0), np.float32(1.0))
    if farthest is not None:
        inside *= np.clip((np.float32(farthest) - range_m) / soft + half, np.float32(0.0), np.float32(1.0))
    return inside
