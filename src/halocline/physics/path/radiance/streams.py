"""Directions at which radiance is solved for, and the harmonics in which scattering is simple.

Cosines are those of the direction in which light travels, positive down.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from halocline._typing import F64
from halocline.late_dataclass import dataclass

# Sea water itself scatters as 1 + 0.835 cos^2 (morel1974).
MOLECULAR_ANISOTROPY = 0.835
# Least extent of a run of streams, cosine.
_NARROWEST_RUN = 0.4


@dataclass(frozen=True, eq=False)
class Streams:
    """Cosines of one hemisphere with their weights, in two runs that meet at the edge of Snell's window.

    The sky's light ends there at once: a single run of nodes would smear it.

    Attributes
    ----------
    cosine, weight
        ``(N,)``; the weights sum to 1.
    moments
        How many Legendre moments of scattering are resolved; the rest goes straight on (wiscombe1977).
    harmonics
        ``(moments, moments, N)``: `harmonics` at the cosines.
    """

    cosine: F64
    weight: F64
    moments: int
    harmonics: F64


@lru_cache(maxsize=8)
def streams(index: float, *, a_run: int, moments: int) -> Streams:
    """Return streams for a surface of refractive index ``index``, ``a_run`` in Snell's window and outside."""
    # A surface that hardly refracts has no window to speak of; a run needs room all the same.
    edge = max(_NARROWEST_RUN, math.sqrt(1.0 - 1.0 / index**2))
    node, weight = np.polynomial.legendre.leggauss(a_run)
    cosine = np.concatenate([0.5 * edge * (node + 1.0), edge + 0.5 * (1.0 - edge) * (node + 1.0)])
    weights = np.concatenate([0.5 * edge * weight, 0.5 * (1.0 - edge) * weight])
    return Streams(cosine, weights, moments, harmonics(cosine, moments))


def harmonics(cosine: F64, count: int, modes: int | None = None) -> F64:
    """Return sqrt((l-m)!/(l+m)!) P_l^m for m below ``modes`` and l below ``count``, ``(m, l, n)``.

    They are 0 where l < m. Normalised so, the phase function between two directions is a sum over l of
    products of two of them, and none of them leaves -1 to 1. Those of the last few directions are kept, and
    not to be written to.

    Parameters
    ----------
    cosine
        ``(n,)``.
    count
        How many l.
    modes
        How many m, at most ``count``, which is the default.
    """
    return _harmonics(np.asarray(cosine, np.float64).tobytes(), count, count if modes is None else modes)


@lru_cache(maxsize=16)
def _harmonics(cosine: bytes, count: int, modes: int) -> F64:
    x = np.frombuffer(cosine, np.float64)
    sine = np.sqrt(np.maximum(0.0, 1.0 - x * x))
    out = np.zeros((modes, count, x.size))
    for m in range(modes):
        out[m, m] = 1.0 if m == 0 else out[m - 1, m - 1] * sine * math.sqrt((2.0 * m - 1.0) / (2.0 * m))
        if m + 1 < count:
            out[m, m + 1] = math.sqrt(2.0 * m + 1.0) * x * out[m, m]
        for order in range(m + 2, count):
            up, back = math.sqrt(order**2 - m**2), math.sqrt((order - 1) ** 2 - m**2)
            out[m, order] = ((2 * order - 1) * x * out[m, order - 1] - back * out[m, order - 2]) / up
    out.setflags(write=False)
    return out


def moments_of(asymmetry: float, molecular_share: F64, count: int) -> F64:
    """Return the Legendre moments of natural water's phase function, ``(K, count)``, 1 first.

    Parameters
    ----------
    asymmetry
        g of the particles, which scatter after Henyey and Greenstein: moments g^l.
    molecular_share
        Share of scattering that is the water's own, ``(K,)``.
    count
        How many.
    """
    order = np.arange(count)
    molecules = np.zeros(count)
    molecules[0] = 1.0
    if count > 2:
        # cos^2 = (2 P2 + 1) / 3, and P2 has moment 1/5.
        molecules[2] = MOLECULAR_ANISOTROPY * (2.0 / 15.0) / (1.0 + MOLECULAR_ANISOTROPY / 3.0)
    share = np.asarray(molecular_share, np.float64)[:, None]
    return np.asarray((1.0 - share) * asymmetry**order + share * molecules, np.float64)
