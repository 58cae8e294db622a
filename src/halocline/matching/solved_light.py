"""Daylight of one water after another, solved at a few wavelengths and directions and interpolated between.

A fit tries hundreds of waters and suns. What `LightPath` tables finely for pictures is made here as finely as
samples need it: the same solution, a tenth of the work.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.ndimage import map_coordinates

from halocline._typing import F64
from halocline.physics.path.radiance.lens_light import HIGHEST_M, WaterAndSky, matching_rate
from halocline.physics.path.radiance.solution import COARSE
from halocline.physics.path.radiance.water_light import ray_ends
from halocline.physics.path.transport import LightPath
from halocline.physics.water.path_integral import path_integral
from halocline.physics.water.spectra import FIRST_NM, WAVELENGTH_NM

# Denser where pure water's absorption climbs.
NODES_NM: F64 = np.array([400, 430, 460, 490, 520, 550, 575, 590, 605, 620, 650, 680, 700], np.float64)
_HEIGHTS, _AZIMUTHS = 25, 13


def solved_light(path: LightPath) -> WaterAndSky:
    """Return a spectral path's water at `NODES_NM` alone."""
    few = (NODES_NM - FIRST_NM).astype(int)
    whole = path.water
    return WaterAndSky(
        attenuation=tuple(np.array(whole.attenuation)[few].tolist()),
        scattering=tuple(np.array(whole.scattering)[few].tolist()),
        molecular_share=tuple(np.array(whole.molecular_share)[few].tolist()),
        asymmetry=whole.asymmetry,
        index=whole.index,
        sun_cosine=whole.sun_cosine,
        sun_share=whole.sun_share,
        resolution=COARSE,
    )


def fallen(path: LightPath, depth_m: F64) -> F64:
    """Return daylight at depths ``(n,)`` relative to that at the lens, ``(n, 301)``."""
    water = solved_light(path).solved()
    depths = np.append(np.maximum(depth_m, path.highest_depth_m), path.camera_depth_m)
    logs = np.log(water.downward(depths)) - water.slowest * depths[:, None]
    return np.exp(_between(logs[:-1] - logs[-1]))


def veil(path: LightPath, range_m: F64, directions: F64) -> F64:
    """Return `LightPath.veil_along` of ranges ``(n,)``, directions ``(n, 3)``, ``(n, 301)``, without art."""
    water, y = solved_light(path).solved(), max(path.camera_depth_m, HIGHEST_M)
    place = np.linspace(-1.0, 1.0, _HEIGHTS)
    down = np.sign(place) * (1.0 - (1.0 - np.abs(place)) ** 2)
    azimuth = 2.0 * np.arcsin(np.linspace(0.0, 1.0, _AZIMUTHS))
    source, whole = water.radiance(y, down, azimuth)
    rate = matching_rate(source, whole, ray_ends(y, down)[:, None, None])
    mu, cos_sun = -(directions @ path.up), directions @ path.sun_travel
    at = _places(mu, cos_sun, water.sun_cosine)
    j, k = (_at(part, at) for part in (np.log(source), rate))
    length = np.minimum(range_m, ray_ends(path.camera_depth_m, mu))[:, None]
    once = water.phase(-cos_sun) * water.scattering * water.beam(np.array([y]))[0]
    fall = water.attenuation + (water.scaled_rate / water.sun_cosine) * mu[:, None]
    light = np.exp(j) * path_integral(k, length) + once * path_integral(fall, length)
    level = water.downward(np.array([y]))[0]
    return np.exp(_between(np.log(np.maximum(light / level, 1e-300)))) * math.pi * path.white


def _places(mu: F64, cos_sun: F64, sun_cosine: float) -> F64:
    """Return directions' places in a table over height and azimuth, ``(2, n)``; see `direction_grid`."""
    height = np.sign(mu) * (1.0 - np.sqrt(np.maximum(0.0, 1.0 - np.abs(mu))))
    across = np.sqrt(np.maximum(0.0, 1.0 - mu * mu) * (1.0 - sun_cosine**2))
    turn = np.clip((mu * sun_cosine - cos_sun) / np.maximum(across, 1e-6), -1.0, 1.0)
    return np.stack([(height + 1.0) * 0.5 * (_HEIGHTS - 1), np.sqrt(0.5 - 0.5 * turn) * (_AZIMUTHS - 1)])


def _at(table: F64, at: F64) -> F64:
    planes = [map_coordinates(table[..., node], at, order=1, mode="nearest") for node in range(NODES_NM.size)]
    return np.stack(planes, axis=1)


def _between(values: F64) -> F64:
    """Return values ``(n, nodes)`` at every nanometre, ``(n, 301)``."""
    rows = [np.interp(WAVELENGTH_NM, NODES_NM, row) for row in values]
    return np.asarray(rows, np.float64).reshape(-1, WAVELENGTH_NM.size)
