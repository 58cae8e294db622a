"""Kd of a water from the solved light: what bands are fitted to, and what the sun's height does to it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from halocline._typing import F64
from halocline.physics.path.phase import molecular_share
from halocline.physics.path.radiance.lens_light import WaterAndSky
from halocline.physics.path.radiance.solution import COARSE, Resolution
from halocline.physics.water.spectra import WAVELENGTH_NM
from halocline.physics.water.water import SEA_WATER_INDEX, Water, kirk_diffuse_attenuation

# The light that bands are fitted for: a sun half way up and the sky of a clear day. Common practice, no
# source.
FIT_SUN_ELEVATION_DEG, FIT_SUN_SHARE = 45.0, 0.7
# Least attenuation that is told apart from none, 1/m.
LEAST_ATTENUATION = 1e-6
# Optical depth of the layer over which Kd is the mean: a tenth of the light is left.
_LAYER = -math.log(0.1)
# Wavelengths at which light is solved for, nm: every tenth.
_NODES = slice(None, None, 10)
_IRRADIANCE = Resolution(COARSE.streams_a_run, COARSE.moments, 1)


def solved_diffuse_attenuation(
    water: Water, *, sun_elevation_deg: float = FIT_SUN_ELEVATION_DEG, sun_share: float = FIT_SUN_SHARE
) -> F64:
    """Return Kd, (301,), 1/m, averaged from the surface to where a tenth of the light is left.

    Parameters
    ----------
    water
        Its absorption and scattering count, its own Kd does not.
    sun_elevation_deg
        Height of the sun above the horizon, in air, 0 to 90.
    sun_share
        Share of the light on the sea surface that comes straight from the sun, 0 to 1; the rest is an even
        sky.

    Notes
    -----
    Solved every 10 nm; between, Kd keeps its ratio to that of `kirk_diffuse_attenuation`.
    """
    a, b = (values[_NODES] for values in (water.absorption_per_m, water.scattering_per_m))
    kirk = np.maximum(kirk_diffuse_attenuation(a, b), LEAST_ATTENUATION)
    light = under_daylight(
        a + b,
        b,
        molecular_share(b, WAVELENGTH_NM[_NODES]),
        asymmetry=water.asymmetry,
        sun_elevation_deg=sun_elevation_deg,
        sun_share=sun_share,
    )
    solved = replace(light, resolution=_IRRADIANCE).solved()
    depth = _LAYER / kirk
    logs = np.log(solved.downward(np.concatenate([[0.0], depth])))
    fall = (logs[0] - np.diagonal(logs[1:])) / depth + solved.slowest
    ratio = np.interp(WAVELENGTH_NM, WAVELENGTH_NM[_NODES], fall / kirk)
    whole = kirk_diffuse_attenuation(water.absorption_per_m, water.scattering_per_m)
    return np.asarray(np.maximum(ratio * whole, water.absorption_per_m), np.float64)


def with_solved_light(water: Water) -> Water:
    """Return the water with the Kd of `solved_diffuse_attenuation`."""
    return replace(water, diffuse_attenuation_per_m=solved_diffuse_attenuation(water))


def under_daylight(
    attenuation: F64,
    scattering: F64,
    own: F64,
    *,
    asymmetry: float,
    sun_elevation_deg: float = FIT_SUN_ELEVATION_DEG,
    sun_share: float = FIT_SUN_SHARE,
) -> WaterAndSky:
    """Return waters of c, b, (n,), 1/m, and molecular share, (n,), under a sun and an even sky; for fits."""
    c = np.maximum(attenuation, LEAST_ATTENUATION)
    b = np.maximum(scattering, 1e-9 * c)
    level = math.cos(math.radians(sun_elevation_deg)) / SEA_WATER_INDEX
    return WaterAndSky(
        attenuation=tuple(c.tolist()),
        scattering=tuple(b.tolist()),
        molecular_share=tuple(own.tolist()),
        asymmetry=asymmetry,
        index=SEA_WATER_INDEX,
        sun_cosine=math.sqrt(1.0 - level * level),
        sun_share=sun_share,
        resolution=COARSE,
    )
