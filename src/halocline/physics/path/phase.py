"""Phase functions: how scattered light spreads over angle.

All are normalised to 1 over the sphere, 1/sr. The angle psi lies between the direction light travels before
and after it is scattered: cos psi = 1 is straight on.
"""

from __future__ import annotations

import math
from typing import Any, TypeVar

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled
from halocline.errors import PhysicsError

# Scattering asymmetry of natural water's particles; petzold1972's tables, as `jerlov` carries them,
# integrate to 0.87 .. 0.95. That package gives them at 530 nm; 514 nm stands in other copies, which changes
# nothing here: g and the backscattered share hardly depend on wavelength.
WATER_ASYMMETRY = 0.924
# Scattering of pure sea water: at 550 nm, 1/m, and the power of wavelength with which it falls (morel1974).
SEA_WATER_SCATTERING = 1.91e-3
SEA_WATER_POWER = -4.32

A = TypeVar("A", F32, F64)


def henyey_greenstein(cos_psi: A, g: float, *, share: float = 1.0) -> A:
    """Return the Henyey-Greenstein phase function, 1/sr, in the shape and type of ``cos_psi``.

    p = (1 - g^2) / (4 pi (1 + g^2 - 2 g cos psi)^1.5)

    Parameters
    ----------
    cos_psi
        Cosine of the scattering angle, -1 to 1, any shape.
    g
        Asymmetry: the mean of cos psi, above -1 and below 1.
    share
        Multiplies it: the lobe's share of all scattering where there are several, 0 to 1.

    Returns
    -------
    A
        1/sr; over all directions it sums to ``share``.

    Raises
    ------
    PhysicsError
        ``E-PHYSICS-ASYMMETRY`` where g is out of range.

    Notes
    -----
    Source: henyey1941. Worked value: g = 0.924, psi = 90 deg gives 0.00460956.
    It lacks the peak of natural water below 1 degree (petzold1972), which no picture resolves.
    """
    if not -1.0 < g < 1.0:
        raise PhysicsError(
            f"asymmetry g = {g:g} is impossible",
            code="E-PHYSICS-ASYMMETRY",
            fix="Give g above -1 and below 1; natural waters have 0.85 to 0.95.",
        )
    cosines = np.ascontiguousarray(cos_psi)
    dtype = cosines.dtype.type
    out = np.empty_like(cosines)
    by_cosine, even, scale = (dtype(number) for number in lobe_numbers(g, share))
    if dtype is np.float64:
        # Set-up: a few numbers, which come out the same and need no compiler.
        spread = cosines * by_cosine + even
        np.divide(scale, spread * np.sqrt(spread), out=out)
        return out
    _lobes(cosines.ravel(), by_cosine, even, scale, out.ravel())
    return out


def lobe_numbers(g: float, share: float = 1.0) -> tuple[float, float, float]:
    """Return what `lobe` takes besides the cosine: -2 g, 1 + g^2, and share (1 - g^2) / (4 pi).

    Parameters
    ----------
    g
        Asymmetry, above -1 and below 1.
    share
        The lobe's share of all scattering, 0 to 1.

    Returns
    -------
    tuple[float, float, float]
        ``by_cosine``, ``even`` and ``scale`` of `lobe`.
    """
    return -2.0 * g, 1.0 + g * g, share * (1.0 - g * g) / (4.0 * math.pi)


@compiled
def lobe(cos_psi: np.float32, by_cosine: np.float32, even: np.float32, scale: np.float32) -> np.float32:
    """Return scale / (even + by_cosine cos psi)^1.5, for the loops that need it (`lobe_numbers`).

    Parameters
    ----------
    cos_psi
        Cosine of the scattering angle, -1 to 1.
    by_cosine, even, scale
        As `lobe_numbers` gives.

    Returns
    -------
    np.float32
        Phase function, 1/sr.
    """
    spread = cos_psi * by_cosine + even
    value: np.float32 = scale / (spread * np.sqrt(spread))
    return value


@compiled
def _lobes(cos_psi: Any, by_cosine: Any, even: Any, scale: Any, out: Any) -> None:
    """Write `lobe` for cosines ``(n,)``, all of one type, float32 or float64."""
    for index in range(out.size):
        out[index] = lobe(cos_psi[index], by_cosine, even, scale)


def backscatter_share(g: float) -> float:
    """Return the share of Henyey-Greenstein scattering beyond 90 degrees, bb/b.

    Worked values: g = 0.85 gives 0.0361, 0.924 gives 0.0170.
    """
    if g == 0.0:
        return 0.5
    return (1.0 - g) / (2.0 * g) * ((1.0 + g) / math.sqrt(1.0 + g * g) - 1.0)


def molecular_share(scattering_per_m: F64, wavelength_nm: F64) -> F64:
    """Return the share of scattering that is the water's own and not its particles', 0 to 1 (morel1974).

    Parameters
    ----------
    scattering_per_m
        b, 1/m, any shape.
    wavelength_nm
        Of the same shape, nm.

    Returns
    -------
    F64
        0 to 1, in the shape of the arguments.
    """
    molecular = SEA_WATER_SCATTERING * (wavelength_nm / 550.0) ** SEA_WATER_POWER
    return np.minimum(1.0, molecular / np.maximum(scattering_per_m, 1e-12))


def asymmetry_of(backscatter: float) -> float:
    """Return the g for which Henyey-Greenstein scattering goes back to this share, above 0 and below 0.5.

    Worked value: 0.0170 gives 0.924.

    Parameters
    ----------
    backscatter
        Share of scattering that goes back, above 0 and below 0.5.

    Returns
    -------
    float
        g, 0 to 1.
    """
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if backscatter_share(middle) > backscatter else (low, middle)
    return low
