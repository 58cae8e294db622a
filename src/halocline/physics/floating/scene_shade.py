"""What is left of daylight for things that float, behind what stands in its way."""

from __future__ import annotations

from collections.abc import Callable

from halocline._typing import F64
from halocline.late_dataclass import dataclass


@dataclass(frozen=True)
class SceneShade:
    """What things leave of daylight that stand in its way.

    Attributes
    ----------
    light
        Of the sun's beam and of all other daylight at world points ``(n, 3)``, ``(n, 2)``.
    veil
        Of the veil before things at pixels ``(n, 2)`` and ranges ``(n,)``, ``(n, K)``.
    """

    light: Callable[[F64], F64]
    veil: Callable[[F64, F64], F64]
