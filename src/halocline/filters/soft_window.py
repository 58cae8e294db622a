"""A window of values with soft ends, such as a slab of range or of height, in which something acts."""

from __future__ import annotations

import numpy as np

from halocline._typing import F32


def within(values: F32, lowest: float | None, highest: float | None, softness: float) -> F32:
    """Return how far each value is within a window, 0 to 1, a new array of the same shape.

    Parameters
    ----------
    values
        Any numbers, inf among them, such as ranges in metres.
    lowest, highest
        Ends of the window, where the share is a half; None leaves that side open.
    softness
        How much of the values' unit an end takes to fade.

    Returns
    -------
    F32
        Shares, 0 to 1.

    Examples
    --------
    >>> within(np.array([1, 2, 3], np.float32), 2.0, None, 1.0).tolist()
    [0.0, 0.5, 1.0]
    """
    inside = np.ones_like(values)
    soft, half = np.float32(max(softness, 1e-6)), np.float32(0.5)
    if lowest is not None:
        inside *= np.clip((values - np.float32(lowest)) / soft + half, np.float32(0.0), np.float32(1.0))
    if highest is not None:
        inside *= np.clip((np.float32(highest) - values) / soft + half, np.float32(0.0), np.float32(1.0))
    return inside
