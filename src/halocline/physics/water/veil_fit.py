"""What the bands of a water scatter, so that the veiling light has its colour. Imported only when a fit is
made.

The veil of each wavelength, and of each band for any scattering, comes from the solution of radiative
transfer; the scattering of the bands is what brings the two sums together, as CIEDE2000 sees it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.optimize import least_squares

from halocline._typing import F64
from halocline.late_dataclass import dataclass
from halocline.physics.path.phase import molecular_share
from halocline.physics.path.radiance.lens_light import Spectrum, WaterAndSky, matching_rate
from halocline.physics.path.radiance.water_light import ray_ends
from halocline.physics.water.bands import SHARE_NODES_NM, shared_molecular
from halocline.physics.water.path_integral import mean_share_left
from halocline.physics.water.solved_kd import under_daylight
from halocline.physics.water.spectra import WAVELENGTH_NM

# Albedos for which the veil of each band is solved; between them its logarithm is interpolated.
ALBEDOS: F64 = np.array(
    [3e-4, 2e-3, 0.01, 0.03, 0.07, 0.13, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.78, 0.85, 0.9, 0.94, 0.97, 0.99]
)
# View rays: downward components, each with its opposite, and azimuths from where the sun stands.
_DOWN: F64 = np.array([-1.0, -0.7, -0.3, 0.0, 0.3, 0.7, 1.0])
_AZIMUTH: F64 = np.radians([20.0, 75.0, 130.0, 180.0])
LEAST_DEPTH_M = 0.05


@dataclass(frozen=True, eq=False)
class VeilSamples:
    """Depths of the lens, (D,), and lengths of rays, (S,), metres, in all directions of this module."""

    depth_m: F64
    range_m: F64

    def veil(self, water: WaterAndSky) -> F64:
        """Return the veil for an Ed of 1 at the lens, (D, S, heights * azimuths, K)."""
        solved = water.solved()
        found = []
        for depth in np.maximum(self.depth_m, LEAST_DEPTH_M).tolist():
            end = ray_ends(depth, _DOWN)[:, None, None]
            source, path = solved.radiance(depth, _DOWN, _AZIMUTH)
            once, _ = solved.sun_once(depth, _DOWN, _AZIMUTH, solved.attenuation)
            rate = matching_rate(source, path, end)
            once_rate = solved.attenuation + (solved.scaled_rate / solved.sun_cosine) * _DOWN[:, None, None]
            once_rate = np.broadcast_to(once_rate, source.shape)
            level = solved.downward(np.array([depth]))[0]
            for length in self.range_m.tolist():
                s = np.minimum(length, end)
                light = source * s * mean_share_left(rate * s) + once * s * mean_share_left(once_rate * s)
                found.append((light / level).reshape(-1, light.shape[-1]))
        shape = (self.depth_m.size, self.range_m.size, _DOWN.size * _AZIMUTH.size, -1)
        return np.asarray(found, np.float64).reshape(shape)

    def lit(self, log_down: F64, veil: F64) -> F64:
        """Return a veil, as `veil` gives it, by the light at the lens, (rays, K)."""
        return np.asarray((np.exp(log_down)[:, None, None, :] * veil).reshape(-1, veil.shape[-1]), np.float64)


@dataclass(frozen=True, eq=False)
class SpectralVeil:
    """The veil of a water along `VeilSamples` for the light of a white surface at no depth: exact, and by
    bands.

    Attributes
    ----------
    exact
        (rays, 301).
    of_bands
        ln of the veil of each band by the logit of its albedo, (rays, K) from (K,), and its derivative.
    """

    exact: F64
    of_bands: Callable[[F64], tuple[F64, F64]]


def logit(albedo: F64) -> F64:
    """Return ln(w / (1 - w))."""
    return np.asarray(np.log(albedo / (1.0 - albedo)), np.float64)


def spectral_veil(
    spectrum: F64, attenuation: F64, kd: F64, shares: F64, asymmetry: float, rays: VeilSamples
) -> SpectralVeil:
    """Return the veil of a water and of its bands.

    Parameters
    ----------
    spectrum
        As in `Bands`.
    attenuation, kd, shares
        Of the bands.
    asymmetry
        Of the particles.
    rays
        Where from, and how far.
    """
    a, b, fall = spectrum
    light = under_daylight(a + b, b, molecular_share(b, SHARE_NODES_NM), asymmetry=asymmetry)
    logs = light.daylight()
    exact = rays.lit(logs.log_downward(rays.depth_m) - logs.log_downward(0.0), rays.veil(light))
    between = np.array([np.interp(WAVELENGTH_NM, SHARE_NODES_NM, row) for row in np.log(exact + 1e-300)])
    # Each band at every albedo, all as waters of one solution.
    count = attenuation.size
    c = np.tile(attenuation, ALBEDOS.size)
    scattering = (attenuation * ALBEDOS[:, None]).ravel()
    own = shared_molecular(b, shares)
    tried = rays.veil(under_daylight(c, scattering, np.tile(own, ALBEDOS.size), asymmetry=asymmetry))
    behind = Spectrum(
        light.attenuation,
        light.scattering,
        light.molecular_share,
        tuple(fall.tolist()),
        tuple(kd.tolist()),
        tuple(tuple(row) for row in shares.tolist()),
    )
    few = under_daylight(attenuation, 0.5 * attenuation, own, asymmetry=asymmetry)
    shared = replace(few, spectrum=behind).daylight()
    falls = shared.log_downward(rays.depth_m) - shared.log_downward(0.0)
    tables = []
    for band in range(count):
        light_of = np.log(tried[..., band::count] + 1e-300) + falls[:, None, None, band, None]
        tables.append(PchipInterpolator(logit(ALBEDOS), light_of.reshape(-1, ALBEDOS.size), axis=1))
    slopes = [table.derivative() for table in tables]

    def of_bands(x: F64) -> tuple[F64, F64]:
        value = np.stack([table(at) for table, at in zip(tables, x, strict=True)], axis=1)
        slope = np.stack([table(at) for table, at in zip(slopes, x, strict=True)], axis=1)
        return value, slope

    return SpectralVeil(np.exp(between), of_bands)


def fitted_albedo(
    veil: SpectralVeil,
    down: F64,
    root: F64,
    wanted: F64,
    start: F64,
    pull: float,
    weight: F64,
) -> F64:
    """Return the bands' albedos for which their veil looks nearest to the exact one, (K,).

    Parameters
    ----------
    veil
        Of the bands.
    down
        (3, K): XYZ of each band.
    root
        (rays, 3, 3): visible difference by difference of XYZ.
    wanted
        (rays, 3): exact XYZ.
    start, pull
        Albedos toward which those are pulled that the light leaves open, and how strongly.
    weight
        Of each ray, (rays,).
    """
    low, high = logit(ALBEDOS[0]), logit(ALBEDOS[-1])
    begin = np.clip(logit(np.clip(start, ALBEDOS[0], ALBEDOS[-1])), low + 1e-6, high - 1e-6)
    scaled = root * weight[:, None, None]

    def residual(x: F64) -> F64:
        light = np.exp(veil.of_bands(x)[0])
        seen = scaled @ (light @ down.T - wanted)[..., None]
        return np.concatenate([seen.ravel(), pull * (x - begin)])

    def jacobian(x: F64) -> F64:
        value, slope = veil.of_bands(x)
        by_band = (np.exp(value) * slope)[:, None, :] * down
        return np.concatenate([(scaled @ by_band).reshape(-1, x.size), pull * np.eye(x.size)])

    found = least_squares(residual, begin, jac=jacobian, bounds=(low, high), max_nfev=30, ftol=1e-8)
    return np.asarray(1.0 / (1.0 + np.exp(-found.x)), np.float64)
