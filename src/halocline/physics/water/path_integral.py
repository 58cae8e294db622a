"""The closed form of light added along a ray: int_0^s exp(-k t) dt, and its rate k = c + Kd mu.

Both the veil of pictures and the fit of bands rest on it. The quotient (1 - exp(-k s)) / k is 0/0 where k is
0, which only water that dims daylight about as fast as a beam of light comes near, on rays towards the light.
In float64 the series takes over there; in float32 the rate is kept `SMALLEST_RATE` away from it.
"""

from __future__ import annotations

import numpy as np

from halocline._typing import F64
from halocline.compute.compiled import compiled

# Below this, 1/m, the source hardly changes along the ray; keeps k away from the 0/0 of (1 - exp(-k s))/k.
SMALLEST_RATE = 1e-4
# exp of more would leave float32; only a ray towards the light, in water whose Kd exceeds its c, comes near.
LARGEST_EXPONENT = 80.0


def path_integral(rate: F64 | float, range_m: F64 | float) -> F64:
    """Return int_0^s exp(-k t) dt = (1 - exp(-k s)) / k, metres, exactly for every k and s.

    Parameters
    ----------
    rate
        k, 1/m; may be zero or negative (a ray going up towards the light).
    range_m
        s, metres, 0 to inf.

    Returns
    -------
    F64
        Metres, in the shape of the arguments, broadcast: s where k is 0, 1/k where s is infinite and k
        positive, inf where s is infinite and k is not positive.

    Notes
    -----
    Worked value: k = 0.57, s = 5 m gives 1.65290470.
    """
    k, s = np.broadcast_arrays(np.asarray(rate, np.float64), np.asarray(range_m, np.float64))
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        ks = k * s
        whole = -np.expm1(-ks) / k
        # Two terms of the series are exact to 1e-12 here, where the quotient would lose digits.
        series = s * (1.0 - 0.5 * ks)
        endless = np.where(k > 0, 1.0 / k, np.inf)
        finite: F64 = np.where(np.abs(ks) < 1e-6, series, whole)
    return np.where(np.isinf(s), endless, finite)


def least_rate(c: F64 | float, kd: F64 | float) -> F64:
    """Return the least that |c + Kd mu| is taken for, 1/m, by band; negative where no ray comes near zero."""
    return np.where(np.asarray(c) - kd < 2.0 * SMALLEST_RATE, SMALLEST_RATE, -1.0)


@compiled
def rate_along(c: np.float32, kd: np.float32, mu: np.float32, least: np.float32) -> np.float32:
    """Return k = c + Kd mu, 1/m, kept away from zero by ``least`` (`least_rate`).

    Parameters
    ----------
    c
        Beam attenuation, 1/m.
    kd
        Diffuse attenuation of the light that is scattered in, 1/m.
    mu
        Downward component of the ray, -1 to 1.
    least
        Least size of the rate, 1/m.

    Returns
    -------
    np.float32
        k, 1/m, of either sign, never nearer to 0 than ``least``.
    """
    rate = c + kd * mu
    return least if abs(rate) < least else rate
