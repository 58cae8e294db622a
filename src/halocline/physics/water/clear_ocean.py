"""Clear ocean water: the water itself, and particles by the chlorophyll that goes with them.

    b(L) = b_w(L) + 0.416 C^0.766 (550 / L)^v        v = (0.3 - log10 C) / 2 where C < 2 mg/m3, else 0
    Kd(490) = Kd of pure water + 0.07242 C^0.68955   read backwards for C
    a(L) = Kd(L) m / 1.0395 - b_b(L)                 never below that of pure water

with L the wavelength in nm, C chlorophyll in mg/m3, b_b the light scattered back and m the cosine of the
refracted sun's zenith angle.

| term | source | how known |
| --- | --- | --- |
| b_w, sea water | Morel 1974 in Boss and Pegau 2001 | read, ``jerlov`` 0.22 |
| a_w, pure water | Pope and Fry 1997, Table 3 | from memory, every 5 nm |
| 0.416 C^0.766 at 550 nm | Loisel and Morel 1998, as in Morel and Maritorena 2001 | from memory |
| v, and Kd(490) | Morel and Maritorena 2001, eq. 14 and Table 2 | from memory |
| share of b_p that goes back | Morel and Maritorena 2001, eq. 13 | from memory |
| Kd m / 1.0395 = a + b_b | Gordon 1989, Limnol. Oceanogr. 34, 1389 | from memory |

An inversion of Kd alone cannot tell scattering from absorption where both are small: solonenko2015's b of
types I and IA lies at or below that of the water itself.
"""

from __future__ import annotations

import math

import numpy as np

from halocline._typing import F64
from halocline.late_dataclass import dataclass
from halocline.physics.water.spectra import WAVELENGTH_NM

# a_w, 1/m, every 5 nm from 400 to 700: pope1997, from memory. Its least value is .0044 at 418 nm.
PURE_WATER_ABSORPTION_PER_M = (
    *(0.00663, 0.00530, 0.00473, 0.00444, 0.00454, 0.00478, 0.00495, 0.00530, 0.00635, 0.00751),
    *(0.00922, 0.00962, 0.00979, 0.01011, 0.0106, 0.0114, 0.0127, 0.0136, 0.0150, 0.0173),
    *(0.0204, 0.0256, 0.0325, 0.0396, 0.0409, 0.0417, 0.0434, 0.0452, 0.0474, 0.0511),
    *(0.0565, 0.0596, 0.0619, 0.0642, 0.0695, 0.0772, 0.0896, 0.1100, 0.1351, 0.1672),
    *(0.2224, 0.2577, 0.2644, 0.2678, 0.2755, 0.2834, 0.2916, 0.3012, 0.3108, 0.325),
    *(0.340, 0.371, 0.410, 0.429, 0.439, 0.448, 0.465, 0.486, 0.516, 0.559, 0.624),
)
# What chlorophyll adds to Kd(490), 1/m.
_KD_PER_CHLOROPHYLL, _KD_POWER = 0.07242, 0.68955
# Kd = 1.0395 (a + b_b) / m.
_GORDON = 1.0395
# Least chlorophyll for which the relations were found, mg/m3.
LEAST_CHLOROPHYLL_MG_M3 = 0.02


def pure_water_absorption() -> F64:
    """Return the absorption of pure water, (301,), 1/m (pope1997, from memory). At 440 nm: 0.00635."""
    nodes = np.arange(400.0, 701.0, 5.0)
    return np.asarray(np.interp(WAVELENGTH_NM, nodes, PURE_WATER_ABSORPTION_PER_M), np.float64)


def chlorophyll_of(kd_beyond_water: float) -> float:
    """Return the chlorophyll, mg/m3, of ocean water by how far its Kd at 490 nm exceeds pure water's, 1/m.

    Worked value: 0.0144 gives 0.0961. At least 0.02, the least for which the relation was found.
    """
    share = max(0.0, kd_beyond_water) / _KD_PER_CHLOROPHYLL
    return max(LEAST_CHLOROPHYLL_MG_M3, math.pow(share, 1.0 / _KD_POWER))


def particle_scattering(chlorophyll_mg_m3: float) -> F64:
    """Return the scattering by particles, (301,), 1/m. C = 0.1 mg/m3 at 550 nm: 0.0713."""
    slope = 0.5 * (0.3 - math.log10(chlorophyll_mg_m3)) if chlorophyll_mg_m3 < 2.0 else 0.0
    at_550 = 0.416 * math.pow(chlorophyll_mg_m3, 0.766)
    return np.asarray(at_550 * (550.0 / WAVELENGTH_NM) ** slope, np.float64)


def particle_backscatter(chlorophyll_mg_m3: float) -> float:
    """Return the share of `particle_scattering` that goes back. C = 0.1 mg/m3: 0.0095."""
    return 0.002 + 0.01 * (0.5 - 0.25 * math.log10(chlorophyll_mg_m3))


def gordon_diffuse_attenuation(a: F64, back: F64, sun_cosine: float) -> F64:
    """Return Kd, 1/m, of clear water just below the surface: 1.0395 (a + b_b) / m (Gordon 1989, from
    memory).
    """
    return np.asarray(_GORDON * (a + back) / sun_cosine, np.float64)


@dataclass(frozen=True, eq=False)
class ClearOcean:
    """Clear ocean water: a, b and Kd, (301,) each, 1/m, chlorophyll, mg/m3, and what particles send back."""

    absorption_per_m: F64
    scattering_per_m: F64
    diffuse_attenuation_per_m: F64
    chlorophyll_mg_m3: float
    particle_backscatter: float


def clear_ocean(table_nm: F64, kd_per_m: F64, sea_water: F64, sun_cosine: float) -> ClearOcean:
    """Return ocean water with a measured Kd.

    Parameters
    ----------
    table_nm, kd_per_m
        Kd where it is tabulated, (n,): nm, ascending, and 1/m. What the water holds beside pure water is
        interpolated between; pure water is known more finely.
    sea_water
        b_w, (301,), 1/m.
    sun_cosine
        m of the sun for which Kd holds.
    """
    pure = pure_water_absorption()
    clearest = gordon_diffuse_attenuation(pure, 0.5 * sea_water, sun_cosine)
    beyond = kd_per_m - np.interp(table_nm, WAVELENGTH_NM, clearest)
    chlorophyll = chlorophyll_of(float(np.interp(490.0, table_nm, beyond)))
    particles, share = particle_scattering(chlorophyll), particle_backscatter(chlorophyll)
    back = 0.5 * sea_water + share * particles
    here = np.interp(table_nm, WAVELENGTH_NM, back + pure)
    held = np.maximum(kd_per_m * sun_cosine / _GORDON - here, 0.0)
    a = np.asarray(pure + np.interp(WAVELENGTH_NM, table_nm, held), np.float64)
    kd = gordon_diffuse_attenuation(a, back, sun_cosine)
    return ClearOcean(a, sea_water + particles, np.maximum(kd, a), chlorophyll, share)
