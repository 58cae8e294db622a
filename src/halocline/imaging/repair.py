"""Bad pixels of a render: values that are no numbers, infinities, negative light."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.late_dataclass import dataclass

Policy = Literal["report", "clamp", "inpaint"]

# The largest finite half float: what an infinite highlight would be in most files.
BRIGHTEST = 65504.0
# Rings of neighbours tried before an inpainted pixel is given up and set to 0.
_RINGS = 8
# Those of infinity: of all that is not negative, what is no number alone has larger ones.
_BITS_OF_ENDLESS = np.uint32(0x7F800000)
# Filters overshoot mattes by so much.
_OVERSHOOT = 0.01


@dataclass(frozen=True)
class BadPixels:
    """How many pixels had a NaN, an infinity, or a negative value in colour or coverage."""

    nan: int = 0
    infinite: int = 0
    negative: int = 0

    def any(self) -> bool:
        """Tell whether there was any."""
        return bool(self.nan or self.infinite or self.negative)


def repair(rgb: F32, alpha: F32 | None, policy: Policy) -> BadPixels:
    """Count bad pixels and fix them in place as the policy says.

    Parameters
    ----------
    rgb, alpha
        ``(3, rows, columns)`` and ``(rows, columns)``; changed in place, but for ``report``.
    policy
        ``report`` changes nothing. ``clamp`` makes NaN 0, infinities 65504, negatives 0. ``inpaint`` gives a
        pixel with a NaN or infinity the mean of the sound ones around it (3 x 3, in up to 8 rings), and makes
        negatives 0.
    """
    planes = [*rgb] if alpha is None else [*rgb, alpha]
    # One look settles the usual case.
    if all(_sound(plane) for plane in planes):
        return BadPixels()
    nan = _any(planes, np.isnan)
    infinite = _any(planes, np.isinf)
    negative = _any(planes, _is_negative)
    if policy == "inpaint":
        _inpaint(planes, nan | infinite)
    if policy != "report":
        for plane in planes:
            np.nan_to_num(plane, copy=False, nan=0.0, posinf=BRIGHTEST, neginf=0.0)
            np.maximum(plane, 0.0, out=plane)
    return BadPixels(*(int(np.count_nonzero(mask)) for mask in (nan, infinite, negative)))


def sound_guides(planes: Mapping[str, F32]) -> list[str]:
    """Make mattes and normals sound in place, and tell what was wrong with them.

    A matte that is no number covers nothing, and what lies outside 0 to 1 is held to it. A normal that is no
    direction is none: (0, 0, 0).

    Parameters
    ----------
    planes
        By name; those called ``matte.NAME``, ``(rows, columns)``, and ``normal``, ``(3, rows, columns)``, are
        looked at.

    Returns
    -------
    list[str]
        A sentence for each that was not sound. What a filter overshoots by, under 1 %, is held in silence.
    """
    told = []
    for name, plane in planes.items():
        if name.startswith("matte.") and not (plane.min() >= 0.0 and plane.max() <= 1.0):
            unknown = int(np.count_nonzero(np.isnan(plane)))
            outside = int(np.count_nonzero((plane < -_OVERSHOOT) | (plane > 1.0 + _OVERSHOOT)))
            np.nan_to_num(plane, copy=False, nan=0.0)
            np.clip(plane, 0.0, 1.0, out=plane)
            if unknown or outside:
                told.append(
                    f"bad pixels in {name}: {unknown} not a number, taken as 0; {outside} outside 0 to 1, "
                    "held to it"
                )
        elif name == "normal" and not np.isfinite(plane.sum(dtype=np.float64)):
            bad = ~np.isfinite(plane).all(axis=0)
            np.copyto(plane, np.float32(0.0), where=bad)
            told.append(f"bad pixels in normal: {np.count_nonzero(bad)} not a number, taken as no direction")
    return told


def _sound(plane: F32) -> bool:
    """Tell whether all values are numbers, 0 or more: told by the largest of their bits, but for minus 0."""
    if plane.dtype == np.float32 and plane.view(np.uint32).max() < _BITS_OF_ENDLESS:
        return True
    # Both are NaN where any value is.
    return bool(plane.min() >= 0 and plane.max() < np.inf)


def _any(planes: list[F32], test: object) -> NDArray[np.bool_]:
    assert callable(test)
    found: NDArray[np.bool_] = np.zeros(planes[0].shape, np.bool_)
    for plane in planes:
        found |= test(plane)
    return found


def _is_negative(plane: F32) -> NDArray[np.bool_]:
    return np.less(plane, 0.0) & np.isfinite(plane)


def _inpaint(planes: list[F32], bad: NDArray[np.bool_]) -> None:
    for plane in planes:
        np.copyto(plane, 0.0, where=bad)
    kernel = np.ones((3, 3), np.float32)
    sound = (~bad).astype(np.float32)
    for _ in range(_RINGS):
        if sound.all():
            return
        count = cv2.filter2D(sound, cv2.CV_32F, kernel, borderType=cv2.BORDER_CONSTANT)
        fillable = (sound == 0) & (count > 0)
        for plane in planes:
            total = cv2.filter2D(plane, cv2.CV_32F, kernel, borderType=cv2.BORDER_CONSTANT)
            plane[fillable] = total[fillable] / count[fillable]
        sound[fillable] = 1.0
