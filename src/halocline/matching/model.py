"""What a water would show of given samples, but for brightness and colour of light: a sum over 1 nm steps.

The fit must try hundreds of waters, so it does not fit bands to each; it uses `LightPath` itself with one
band a wavelength. The picture of sample i is then linear in what is left unknown:

    rgb_i = gain (M_i rho_i)                     subject of known colour rho
          = M_i r_target                         subject of unknown colour
          + tint v_i                             the veil in front of it

M_i is the 3 x 3 transfer of the range, v_i the veil's colour by the water alone. ``gain`` and ``tint`` are
three numbers each: exposure, the camera's white balance and the colour of the light cannot be told apart.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from halocline._typing import F64
from halocline.matching import solved_light
from halocline.matching.samples import Sample
from halocline.physics.path.transport import LightPath, refracted_sun
from halocline.physics.sea.surface import direct_sun_share
from halocline.physics.water.bands import Bands, hat_functions
from halocline.physics.water.spectra import WAVELENGTH_NM, basis, sensor_weights
from halocline.physics.water.water import Water
from halocline.rgb import RGBSpace

WATER_INDEX = 1.341
UP: F64 = np.array([0.0, 1.0, 0.0])
AHEAD: F64 = np.array([0.0, 0.0, -1.0])


@dataclass(frozen=True)
class Setting:
    """What is known, or assumed, of how the reference was taken.

    Attributes
    ----------
    space
        Working space of the samples.
    depth_m
        Depth of the lens, metres.
    sun_elevation_deg, sun_azimuth_deg, overcast
        As in a preset's ``[light]``; azimuth 0 is where the camera faces when it is level.
    white_balanced
        Whether the camera was set to daylight at the surface, so that colours can be taken at face value;
        otherwise each channel has a gain of its own.
    """

    space: RGBSpace
    depth_m: float = 10.0
    sun_elevation_deg: float = 45.0
    sun_azimuth_deg: float = 40.0
    overcast: float = 0.2
    white_balanced: bool = False


@dataclass(frozen=True)
class Prediction:
    """Of each sample under one water: transfer ``(n, 3, 3)`` and veil ``(n, 3)``."""

    transfer: F64
    veil: F64


def predicted(water: Water, samples: Sequence[Sample], setting: Setting) -> Prediction:
    """Return what a water does to the samples.

    The subject's light is that of its own depth where the view direction is known, else that of the lens.
    """
    path = light_path(water, setting)
    directions = np.array([AHEAD if sample.direction is None else sample.direction for sample in samples])
    ranges = np.array([sample.range_m for sample in samples])
    covered = np.array([not sample.open_water for sample in samples])
    transfer = np.zeros((len(samples), 3, 3))
    deeper = -(directions[covered] @ UP) * ranges[covered]
    lost = path.direct_along(ranges[covered]) * solved_light.fallen(path, setting.depth_m + deeper)
    transfer[covered] = (lost @ _products(setting.space)).reshape(-1, 3, 3)
    return Prediction(transfer, solved_light.veil(path, ranges, directions) @ path.bands.down.T)


@lru_cache(maxsize=8)
def _products(space: RGBSpace) -> F64:
    """Return what each wavelength adds to a 3 x 3 transfer, ``(301, 9)``."""
    weights, colours = sensor_weights(space), basis(space)
    return np.asarray((weights[:, :, None] * colours[:, None, :]).reshape(-1, 9), np.float64)


def light_path(water: Water, setting: Setting) -> LightPath:
    """Return the light around the lens with one band a nanometre."""
    return LightPath(
        bands=spectral_bands(water, setting.space),
        camera_depth_m=setting.depth_m,
        reference_depth_m=setting.depth_m,
        up=UP,
        sun_travel=refracted_sun(setting.sun_elevation_deg, setting.sun_azimuth_deg, UP, AHEAD, WATER_INDEX),
        luminance=setting.space.luminance_row,
        surface_sun_share=direct_sun_share(setting.sun_elevation_deg) * (1.0 - setting.overcast),
    )


def spectral_bands(water: Water, space: RGBSpace) -> Bands:
    """Return the water as 301 bands, one each nanometre: the exact sum that fitted bands stand for."""
    return replace(
        _empty_bands(space),
        water=water.name,
        absorption=water.absorption_per_m,
        scattering=water.scattering_per_m,
        attenuation=water.attenuation_per_m,
        diffuse_attenuation=water.diffuse_attenuation_per_m,
        asymmetry=water.asymmetry,
    )


@lru_cache(maxsize=8)
def _empty_bands(space: RGBSpace) -> Bands:
    nothing = np.zeros(WAVELENGTH_NM.size)
    return Bands(
        space=space.name,
        water="",
        range_m=math.inf,
        depth_m=math.inf,
        rise_m=math.inf,
        up=basis(space),
        down=sensor_weights(space).T,
        wavelength_nm=WAVELENGTH_NM,
        absorption=nothing,
        scattering=nothing,
        attenuation=nothing,
        diffuse_attenuation=nothing,
        shares=hat_functions().T,
        worst_delta_e=0.0,
        mean_delta_e=0.0,
        worst_veil_delta_e=0.0,
    )
