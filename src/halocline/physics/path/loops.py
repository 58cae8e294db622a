"""The exponentials of `halocline.physics.path.transport`, each in one pass over a plane."""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.series import exponential
from halocline.physics.water.path_integral import rate_along

_ONE = np.float32(1.0)


@compiled
def decay(length_m: F32, rate: np.float32, out: F32) -> None:
    """Write exp(-k s) for lengths ``(n,)``."""
    for pixel in range(out.size):
        out[pixel] = exponential(-(length_m[pixel] * rate))


@compiled
def veil(
    length_m: F32,
    mu: F32,
    p_sun: F32,
    p_diffuse: F32,
    rates: F32,
    sources: F32,
    largest: np.float32,
    out: F32,
) -> None:
    """Write j (1 - exp(-k s)) / k of one band for rays ``(n,)``.

    Parameters
    ----------
    length_m, mu, p_sun, p_diffuse
        Metres of water, downward component, and both phase functions of each ray.
    rates
        c and Kd, 1/m, and the least that k = c + Kd mu is taken for; negative where that cannot come up.
    sources
        Strength of the source by sun, by diffuse light, and the same in all directions.
    largest
        The most that -k s is taken for.
    out
        ``(n,)``.
    """
    c, kd, least = rates
    sun, diffuse, even = sources
    for ray in range(out.size):
        k = rate_along(c, kd, mu[ray], least)
        taken = _ONE - exponential(min(-(k * length_m[ray]), largest))
        out[ray] = taken * (p_sun[ray] * sun + p_diffuse[ray] * diffuse + even) / k
