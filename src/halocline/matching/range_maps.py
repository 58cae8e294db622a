"""Range maps of reference pictures: metres where something stands, and what they write for open water.

Programs that write ranges have no one sign for "nothing there": infinity, no number, 0, the largest number of
the format, or some constant beyond everything. Taken for a wall, any of them changes the water that is found.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from halocline._typing import F32, F64
from halocline.errors import ChannelError
from halocline.late_dataclass import dataclass

# The largest half float; longer than any water is clear.
LARGEST_M = 65504.0
# A constant written for open water stands at so much of the picture, and so far behind everything else.
_SHARE, _GAP = 0.02, 1.25


@dataclass(frozen=True)
class RangeMap:
    """Metres along each view ray.

    Attributes
    ----------
    range_m
        ``(rows, columns)``, inf for open water.
    remarks
        What was taken for open water, where somebody should know.
    """

    range_m: F32
    remarks: tuple[str, ...] = ()


def range_map(values: F32, *, open_from_m: float | None = None) -> RangeMap:
    """Return ranges with open water told apart.

    Open water is where the map holds no number, infinity, nothing above 0, half's largest number or more; and
    the greatest value, where it stands alone: at 2 % of the pixels at least, and at 1.25 times of
    everything else.

    Parameters
    ----------
    values
        ``(rows, columns)``, metres.
    open_from_m
        Where given, this and everything farther is open water, and the greatest value is not judged.

    Examples
    --------
    >>> import numpy as np
    >>> far = np.full((10, 10), 200.0, np.float32)
    >>> far[:5] = np.linspace(2.0, 8.0, 10)
    >>> float(np.isinf(range_map(far).range_m).mean())
    0.5
    """
    with np.errstate(invalid="ignore"):
        there = np.isfinite(values) & (values > 0.0) & (values < LARGEST_M)
        if open_from_m is not None:
            there &= values < open_from_m
    remarks: list[str] = []
    if open_from_m is None:
        constant = _constant_behind(values[there])
        if constant is not None:
            behind = there & (values == constant)
            remarks.append(
                f"{constant:g} m stands at {behind.mean():.0%} of the pixels and nothing near it: taken as "
                "open water; if something does stand there, say from where on the water is open: --open-from"
            )
            there &= ~behind
        wall = _edge_of(values[there])
        if wall is not None:
            remarks.append(
                f"{wall:g} m is the greatest range and stands at many pixels: if it is a limit and not a "
                f"wall, say that the water is open there: --open-from {wall:g}"
            )
    below = int(np.count_nonzero(values <= 0.0))
    if 0 < below < values.size:
        remarks.append(f"{below / values.size:.1%} of the range map is 0 or less: taken as open water")
    return RangeMap(np.where(there, values, np.float32(np.inf)), tuple(remarks))


def only_channel(pixels: F64, path: Path) -> F32:
    """Return the one channel of a picture that is nothing but a range map, ``(rows, columns)``.

    Raises
    ------
    ChannelError
        ``E-CHANNEL-AMBIGUOUS`` where its channels differ, so that any of them would be a guess.
    """
    first = pixels[..., :1]
    if not np.array_equal(np.broadcast_to(first, pixels[..., :3].shape), pixels[..., :3], equal_nan=True):
        raise ChannelError(
            "its channels differ, and none is called depth",
            code="E-CHANNEL-AMBIGUOUS",
            where=str(path),
            fix="Give a range map of one channel, or an EXR frame whose depth channel is called Z or depth.",
        )
    return np.ascontiguousarray(pixels[..., 0], np.float32)


def _constant_behind(ranges: F32) -> float | None:
    """Return the greatest range where it is a constant that stands far behind everything else."""
    if ranges.size == 0:
        return None
    farthest = float(ranges.max())
    at = ranges == farthest
    nearer = ranges[~at]
    if nearer.size == 0 or at.mean() < _SHARE or farthest < _GAP * float(nearer.max()):
        return None
    return farthest


def _edge_of(ranges: F32) -> float | None:
    """Return the greatest range where so many pixels share it that it may be a limit of the map."""
    if ranges.size == 0:
        return None
    farthest = float(ranges.max())
    at = ranges == farthest
    return farthest if _SHARE <= at.mean() < 1.0 else None
