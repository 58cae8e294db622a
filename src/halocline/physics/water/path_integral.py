"""The closed form of light added along a ray: int_0^s exp(-k t) dt = (1 - exp(-k s)) / k.

The veil of pictures, the light that is solved for and the fit of bands rest on it. The quotient is 0/0 where
k is 0, which rays towards the light come near in water that dims daylight about as fast as a beam of light.
All guards against that stand here: once for arrays in float64, once for compiled loops in float32. Haze,
whose rate is a sum of two, keeps its own away from zero by `rate_along`.
"""

from __future__ import annotations

import numpy as np

from halocline._typing import F64
from halocline.compute.compiled import compiled
from halocline.compute.series import exponential_less_one

# Below this, 1/m, haze's source hardly changes along the ray.
SMALLEST_RATE = 1e-4
# exp of more would leave float32; only a ray towards the light, in water whose Kd exceeds its c, comes near.
LARGEST_EXPONENT = 80.0

_HALF, _ONE = np.float32(0.5), np.float32(1.0)
# Below this (1 - exp(-x)) / x is its series in float32.
_LARGEST, _SERIES = np.float32(LARGEST_EXPONENT), np.float32(1e-3)


def path_integral(rate: F64 | float, range_m: F64 | float) -> F64:
    """Return int_0^s exp(-k t) dt = (1 - exp(-k s)) / k, metres, for every k and s.

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
    endless = np.isinf(s)
    end = np.where(endless, 1.0, s)
    with np.errstate(over="ignore"):  # of the smallest k, to inf
        forever = np.where(k > 0.0, 1.0 / np.where(k > 0.0, k, 1.0), np.inf)
    return np.where(endless, forever, end * mean_share_left(k * end))


def mean_share_left(x: F64) -> F64:
    """Return (1 - exp(-x)) / x for x of either sign: the mean of exp(-t) from 0 to x.

    Parameters
    ----------
    x
        Any shape; below -700 it counts as -700.

    Returns
    -------
    F64
        Above 0, in the shape of ``x``: 1 where x is 0.

    Examples
    --------
    >>> mean_share_left(np.array([-1.0, 0.0, 1.0])).round(6).tolist()
    [1.718282, 1.0, 0.632121]
    """
    size = np.abs(x)
    safe = np.where(size > 1e-12, size, 1.0)
    falling = np.where(size > 1e-12, -np.expm1(-safe) / safe, 1.0)
    return np.where(x < 0.0, falling * np.exp(np.minimum(-x, 700.0)), falling)


@compiled
def share_left(x: np.float32) -> np.float32:
    """Return `mean_share_left` of one number, for loops.

    Parameters
    ----------
    x
        Any number; below -`LARGEST_EXPONENT` it counts as that.

    Returns
    -------
    np.float32
        0 or more, finite.
    """
    x = max(x, -_LARGEST)
    thin = abs(x) < _SERIES
    mean = exponential_less_one(-x) / (_ONE if thin else -x)
    share: np.float32 = _ONE - _HALF * x if thin else mean
    return share


@compiled
def gathered(rate: np.float32, length_m: np.float32) -> np.float32:
    """Return `path_integral` of one ray, for loops.

    Parameters
    ----------
    rate
        k, 1/m, of either sign.
    length_m
        s, metres.

    Returns
    -------
    np.float32
        Metres: s where k is 0.
    """
    return length_m * share_left(rate * length_m)


@compiled
def rate_along(c: np.float32, kd: np.float32, mu: np.float32, least: np.float32) -> np.float32:
    """Return k = c + Kd mu, 1/m, kept away from zero by ``least``.

    Parameters
    ----------
    c
        Beam attenuation, 1/m.
    kd
        Diffuse attenuation of the light that is scattered in, 1/m.
    mu
        Downward component of the ray, -1 to 1.
    least
        Least size of the rate, 1/m, such as `SMALLEST_RATE`.

    Returns
    -------
    np.float32
        k, 1/m, of either sign, never nearer to 0 than ``least``.
    """
    rate = c + kd * mu
    return least if abs(rate) < least else rate
