"""Water made from what it holds: chlorophyll, dissolved organic matter, mineral particles.

    a(L) = a_w(L) + 0.06 A(L) C^0.65 + a_g(440) exp(-0.014 (L - 440)) + 0.041 M exp(-0.0123 (L - 443))
    b(L) = b_w(L) + 0.30 C^0.62 550/L + 0.51 M

with L the wavelength in nm, C chlorophyll in mg/m3, a_g(440) the absorption of dissolved organic matter in
1/m, and M dry mineral matter in g/m3.

| term | source | how known |
| --- | --- | --- |
| a_w | Pope and Fry 1997 | from memory; see `pure_water` |
| b_w | Morel 1974 in Boss and Pegau 2001 | read, ``jerlov`` 0.22 |
| 0.06 A C^0.65 | Prieur and Sathyendranath 1981; A as in Morel 1991, Table 2 | from memory |
| exp(-0.014 ...) | Bricaud, Morel and Prieur 1981 | from memory |
| a_g of the ocean, 0.2 (a_w + 0.06 C^0.65) at 440 nm | Morel 1991, eq. 18 | from memory |
| 0.30 C^0.62 550/L | Gordon and Morel 1983 | from memory |
| 0.041, 0.0123 (443 nm) and 0.51 m2/g | Babin et al. 2003, coastal European seas | from memory |

Kd follows by Kirk 1984. These are means over many waters: one water may scatter half or twice as much.
"""

from __future__ import annotations

import math

import numpy as np

from halocline._typing import F64
from halocline.errors import WaterError
from halocline.physics.water.spectra import WAVELENGTH_NM
from halocline.physics.water.water import Water, kirk_diffuse_attenuation, pure_water

# A(L), absorption of phytoplankton relative to 440 nm, every 10 nm from 400 to 700 (Morel 1991, from memory).
PHYTOPLANKTON_SHAPE = (
    *(0.687, 0.828, 0.913, 0.973, 1.000, 0.944, 0.917, 0.870, 0.798, 0.750),
    *(0.668, 0.618, 0.528, 0.474, 0.416, 0.357, 0.294, 0.276, 0.291, 0.282),
    *(0.236, 0.252, 0.276, 0.317, 0.334, 0.356, 0.441, 0.595, 0.502, 0.329, 0.215),
)
CDOM_SLOPE_PER_NM = 0.014
MINERAL_ABSORPTION_M2_PER_G = 0.041
MINERAL_SLOPE_PER_NM = 0.0123
MINERAL_SCATTERING_M2_PER_G = 0.51

# Beyond these the relations are not merely rough but unheard of: the densest blooms, peat water, river mud.
MOST_CHLOROPHYLL_MG_M3 = 300.0
MOST_CDOM_PER_M = 20.0
MOST_MINERAL_G_M3 = 1000.0


def bio_optical_water(
    chlorophyll_mg_m3: float, cdom_a440_per_m: float | None = None, mineral_g_m3: float = 0.0
) -> Water:
    """Return the water that holds so much chlorophyll, dissolved organic matter and mineral particles.

    Parameters
    ----------
    chlorophyll_mg_m3
        Chlorophyll a, mg/m3: 0.03 in the clearest ocean, 0.3 ordinary, 3 on a coast, 30 in a bloom.
    cdom_a440_per_m
        Absorption of coloured dissolved organic matter at 440 nm, 1/m: 0.01 ocean, 0.2 coast, 1 and more
        where rivers bring peat. By default what goes with the chlorophyll in the open ocean (`ocean_cdom`).
    mineral_g_m3
        Dry mineral matter in suspension, g/m3: 0 ocean, 1 coast, 10 and more in estuaries.

    Returns
    -------
    Water
        The water, with the source of each of its parts.

    Raises
    ------
    WaterError
        ``E-WATER-CONTENT`` where an amount is not a number, negative, or beyond any natural water.
    """
    dissolved = ocean_cdom(chlorophyll_mg_m3) if cdom_a440_per_m is None else cdom_a440_per_m
    _check_amount("chlorophyll", chlorophyll_mg_m3, MOST_CHLOROPHYLL_MG_M3, "mg/m3")
    _check_amount("dissolved organic matter", dissolved, MOST_CDOM_PER_M, "1/m at 440 nm")
    _check_amount("mineral matter", mineral_g_m3, MOST_MINERAL_G_M3, "g/m3")
    clear = pure_water()
    a = (
        clear.absorption_per_m
        + phytoplankton_absorption(chlorophyll_mg_m3)
        + dissolved * np.exp(-CDOM_SLOPE_PER_NM * (WAVELENGTH_NM - 440.0))
        + MINERAL_ABSORPTION_M2_PER_G * mineral_g_m3 * np.exp(-MINERAL_SLOPE_PER_NM * (WAVELENGTH_NM - 443.0))
    )
    b = (
        clear.scattering_per_m
        + 0.30 * chlorophyll_mg_m3**0.62 * 550.0 / WAVELENGTH_NM
        + MINERAL_SCATTERING_M2_PER_G * mineral_g_m3
    )
    return Water(
        name=(
            f"chlorophyll {chlorophyll_mg_m3:.4g} mg/m3, dissolved {dissolved:.3g} 1/m,"
            f" mineral {mineral_g_m3:.4g} g/m3"
        ),
        absorption_per_m=a,
        scattering_per_m=b,
        diffuse_attenuation_per_m=kirk_diffuse_attenuation(a, b),
        source="bio-optical relations: Morel 1991; Gordon & Morel 1983; Bricaud 1981; Babin 2003",
        caveats=(
            "Made from mean relations between a water's constituents and its optics; a single water may "
            "scatter half or twice as much.",
            *clear.caveats,
        ),
    )


def phytoplankton_absorption(chlorophyll_mg_m3: float) -> F64:
    """Return 0.06 A(L) C^0.65, (301,), 1/m. C = 1 mg/m3 at 440 nm: 0.06.

    Parameters
    ----------
    chlorophyll_mg_m3
        C, chlorophyll a, mg/m3, 0 or more.

    Returns
    -------
    F64
        1/m, ``(301,)``, at `halocline.physics.water.spectra.WAVELENGTH_NM`.
    """
    shape = np.interp(WAVELENGTH_NM, np.arange(400.0, 701.0, 10.0), PHYTOPLANKTON_SHAPE)
    return np.asarray(0.06 * shape * chlorophyll_mg_m3**0.65, dtype=np.float64)


def ocean_cdom(chlorophyll_mg_m3: float) -> float:
    """Return the dissolved absorption at 440 nm, 1/m, that goes with chlorophyll in the open ocean.

    0.2 (a_w + 0.06 C^0.65) (Morel 1991, from memory). C = 0.3: 0.00676.

    Parameters
    ----------
    chlorophyll_mg_m3
        Chlorophyll a, mg/m3, 0 or more.

    Returns
    -------
    float
        Absorption at 440 nm, 1/m.

    Raises
    ------
    WaterError
        ``E-WATER-CONTENT`` as `bio_optical_water`.
    """
    _check_amount("chlorophyll", chlorophyll_mg_m3, MOST_CHLOROPHYLL_MG_M3, "mg/m3")
    at_440 = int(440.0 - WAVELENGTH_NM[0])
    pure = float(pure_water().absorption_per_m[at_440])
    from_algae: float = 0.06 * chlorophyll_mg_m3**0.65
    return 0.2 * (pure + from_algae)


def _check_amount(what: str, amount: float, most: float, unit: str) -> None:
    if not (math.isfinite(amount) and 0.0 <= amount <= most):
        raise WaterError(
            f"{what} of {amount!r} {unit} is not to be had",
            code="E-WATER-CONTENT",
            fix=f"Give 0 to {most:g} {unit}.",
        )
