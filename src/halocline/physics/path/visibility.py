"""How far one sees: contrast, the usual visibility relations, and the story's remap of range.

Real water hides everything within a few attenuation lengths. A story may need a subject at ninety metres. The
remap keeps the near field physical and lets the far field run out of sight more slowly:

    r(s) = s                                   up to the near limit n
    r(s) = n + L asinh((s - n) / L)            beyond it

It is monotone, has a continuous slope (1 at the near limit) and curvature, and has no end: endless water
stays endless, so the background keeps its full veil. L, the softness length, is what the solver finds.
"""

from __future__ import annotations

import math

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.root import crossing
from halocline.errors import PhysicsError
from halocline.late_dataclass import dataclass

# What is farther away is lost in endless water, metres.
ENDLESS_M = 1e5
_TINY = np.float32(1e-30)
# Contrast at which a dark object is just seen against the water (koschmieder1924).
LEAST_CONTRAST = 0.02


@dataclass(frozen=True)
class RangeRemap:
    """Range as the optics see it; the identity where ``softness_m`` is infinite.

    Attributes
    ----------
    near_m
        Up to here range is physical, metres.
    softness_m
        L, metres, above 0: the smaller, the more the far field is drawn near.
    """

    near_m: float = 0.0
    softness_m: float = math.inf

    def __post_init__(self) -> None:
        if not (self.near_m >= 0 and self.softness_m > 0):
            raise PhysicsError(
                f"a remap with near limit {self.near_m:g} m and softness {self.softness_m:g} m is impossible",
                code="E-PHYSICS-REMAP",
                fix="The near limit is at least 0 and the softness above 0, both in metres.",
            )

    @property
    def physical(self) -> bool:
        """Whether range is left as it is."""
        return math.isinf(self.softness_m)

    def exact(self, range_m: F64 | float) -> F64:
        """Return the remapped range in float64, for set-up; endless water is inf."""
        s = np.asarray(range_m, np.float64)
        if self.physical:
            return s
        beyond = np.maximum(s - self.near_m, 0.0)
        bent = self.near_m + self.softness_m * np.arcsinh(beyond / self.softness_m)
        return np.where(s < ENDLESS_M, np.where(s > self.near_m, bent, s), np.inf)

    def undone(self, seen_m: float) -> float:
        """Return the range that the optics see as this one, metres, in float64.

        Notes
        -----
        Worked value: near limit 5 m, softness 3 m: 8 m is what they see of 8.5256 m.
        """
        beyond = max(seen_m - self.near_m, 0.0)
        if self.physical or beyond == 0.0:
            return seen_m
        # Farther than this is endless, however it is drawn near.
        drawn = min(beyond / self.softness_m, math.asinh(ENDLESS_M / self.softness_m))
        return self.near_m + self.softness_m * math.sinh(drawn)

    def apply(self, range_m: F32) -> F32:
        """Return the remapped range, float32, in a new array (or the argument itself, where physical)."""
        if self.physical:
            return range_m
        x = np.minimum(range_m, np.float32(ENDLESS_M))
        x -= np.float32(self.near_m)
        np.maximum(x, np.float32(0.0), out=x)
        x *= np.float32(1.0 / self.softness_m)
        bent = _arcsinh(x)
        bent *= np.float32(self.softness_m)
        bent += np.minimum(range_m, np.float32(self.near_m))
        np.copyto(bent, np.float32(np.inf), where=range_m >= np.float32(ENDLESS_M))
        return bent


def _arcsinh(x: F32) -> F32:
    """Return asinh of x >= 0 to a few parts in 1e7, however small; x becomes scratch space.

    numpy has no fast float32 arcsinh or log1p, but a fast log. With u = x + x^2 / (1 + sqrt(1 + x^2)),
    asinh x = log(1 + u); what rounding 1 + u = w loses is given back by the factor u / (w - 1).
    """
    square = x * x
    u = np.sqrt(square + np.float32(1.0))
    u += np.float32(1.0)
    np.divide(square, u, out=u)
    u += x
    w = u + np.float32(1.0)
    log: F32 = np.log(w, out=square)
    w -= np.float32(1.0)
    # Nothing to a number of ordinary size, and 1 in place of 0 / 0.
    log += _TINY
    w += _TINY
    log /= w
    log *= u
    return log


def remap_through(near_m: float, subject_range_m: float, seen_range_m: float) -> RangeRemap:
    """Return the remap that brings one range to another and leaves ranges below ``near_m`` alone.

    Parameters
    ----------
    near_m
        Near limit, below ``seen_range_m``.
    subject_range_m
        True range of the subject.
    seen_range_m
        Range at which the water would show it as wanted.

    Returns
    -------
    RangeRemap
        The remap; none at all where the subject looks no nearer than wanted as it is.

    Raises
    ------
    PhysicsError
        ``E-PHYSICS-REMAP`` where the wanted range does not lie beyond the near limit.
    """
    if seen_range_m >= subject_range_m:
        return RangeRemap()
    if seen_range_m <= near_m:
        raise PhysicsError(
            f"{subject_range_m:.4g} m would have to look like {seen_range_m:.4g} m of water, but range is to "
            f"stay physical up to {near_m:.4g} m",
            code="E-PHYSICS-REMAP",
            fix=f"Lower the near limit below {seen_range_m:.3g} m, or take less contrast or clearer water.",
        )
    beyond, wanted = subject_range_m - near_m, seen_range_m - near_m

    def excess(log_softness: float) -> float:
        softness = math.exp(log_softness)
        return softness * math.asinh(beyond / softness) - wanted

    # As L goes to 0 the result goes to 0, as L grows it goes to ``beyond``: one root lies between.
    low = math.log(wanted) - 40.0
    high = math.log(beyond) + 20.0
    return RangeRemap(near_m, math.exp(crossing(excess, low, high, within=1e-12)))
