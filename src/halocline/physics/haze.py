"""Haze: suspended matter that is not drawn one by one, as light and loss along view rays."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from halocline._typing import F32, F64
from halocline.physics.particle_light import LIGHT_ASYMMETRY, sun_spread
from halocline.physics.particles import DrawLimits, haze_cross_section
from halocline.physics.phase import henyey_greenstein
from halocline.physics.suspended import ParticleClass
from halocline.physics.transport import LARGEST_EXPONENT, MEAN_COSINE, LightPath


@dataclass(frozen=True)
class Haze:
    """Particles that are not drawn one by one, as light and loss along a view ray.

    Their cross section a metre grows with range as B (1 - exp(-r / R)): near ones are drawn.

    Attributes
    ----------
    scattering
        B times albedo, ``(K,)``, 1/m.
    blocking
        B, 1/m.
    onset_m
        R; 0 where nothing is drawn.
    lobes
        Asymmetry of each class and its share of the scattering.
    """

    scattering: F64
    blocking: float
    onset_m: float
    lobes: tuple[tuple[float, float], ...]

    def over(
        self, path: LightPath, range_m: F32, mu: F32, cos_sun: F32, density: F32 | None = None
    ) -> tuple[F32, F32, F32]:
        """Return what the haze adds and what it takes, for view rays that end after ``range_m``.

        With k = c + Kd mu + B, e the light of particles at the lens's depth:

            light  e B [(1 - exp(-k s))/k - (1 - exp(-k' s))/k'],  k' = k + 1/R

        Parameters
        ----------
        path
            The water.
        range_m, mu, cos_sun
            Where each ray ends, its downward component, and its direction dot the sun's travel; one shape.
        density
            Mean density along each ray over the mean of the water; 1 where not given.

        Returns
        -------
        light
            ``(K, ...)`` to be added.
        surface_share, veil_share
            ``(...)``, 0 to 1: what of the surface's light, and of the water's veil, comes through. The veil
            is spread along the ray, so less of it lies behind the haze; grey, at the mean attenuation.
        """
        length = path.path_length(range_m, mu)
        source = self._sources(path, mu, cos_sun)
        vanish = np.zeros_like(length)
        if self.onset_m > 0.0:
            np.multiply(length, np.float32(-1.0 / self.onset_m), out=vanish)
            np.exp(vanish, out=vanish)
        out = np.empty((path.bands.count, *range_m.shape), np.float32)
        scratch = np.empty(range_m.shape, np.float32)
        for band, layer in enumerate(out):
            rate = path.veil_rate(mu, band)
            rate += np.float32(self.blocking)
            _decay(rate, length, out=layer)
            np.multiply(layer, vanish, out=scratch)
            _path_integral(layer, rate)
            if self.onset_m > 0.0:
                rate += np.float32(1.0 / self.onset_m)
                _path_integral(scratch, rate)
                np.subtract(layer, scratch, out=layer)
            np.multiply(source[0], np.float32(source[2][band]), out=scratch)
            np.multiply(layer, scratch + source[1] * np.float32(source[3][band]), out=layer)
        # Metres of haze: int (1 - exp(-r/R)) dr = s - R (1 - exp(-s/R)).
        onset = np.float32(self.onset_m)
        haze_m = length - onset * (np.float32(1.0) - vanish)
        haze_m *= np.float32(-self.blocking)
        if density is not None:
            haze_m *= density
            out *= density
        np.exp(haze_m, out=haze_m)
        return out, haze_m, self._veil_share(path, length, mu, density)

    def _veil_share(self, path: LightPath, length: F32, mu: F32, density: F32 | None) -> F32:
        """Return the share of the veil that comes through: 1 / (1 + B l) with l the haze before it."""
        rate = np.float32(path.bands.attenuation.mean()) + mu * np.float32(
            path.bands.diffuse_attenuation.mean()
        )
        np.maximum(rate, np.float32(1e-3), out=rate)
        mean_m = np.empty_like(length)
        # The veil's mean distance: about the length where that is short, 1/k where it is long.
        _decay(rate, length, out=mean_m)
        _path_integral(mean_m, rate)
        # What of it lies before the onset has no haze before it: l^2 / (l + R).
        mean_m *= mean_m / (mean_m + np.float32(self.onset_m + 1e-6))
        mean_m *= np.float32(self.blocking)
        if density is not None:
            mean_m *= density
        mean_m += np.float32(1.0)
        return np.reciprocal(mean_m, out=mean_m)

    def _sources(self, path: LightPath, mu: F32, cos_sun: F32) -> tuple[F32, F32, F64, F64]:
        """Return both phase functions and the bands they go with: sun, diffuse."""
        sun = np.zeros_like(mu)
        diffuse = np.zeros_like(mu)
        for asymmetry, share in self.lobes:
            sun += np.float32(share) * henyey_greenstein(-cos_sun, asymmetry * sun_spread(path))
            diffuse += np.float32(share) * henyey_greenstein(-mu, LIGHT_ASYMMETRY * asymmetry)
        around = math.pi * path.white * path.daylight(path.camera_depth_m) / MEAN_COSINE
        part = path.sun_share(path.camera_depth_m)
        return sun, diffuse, self.scattering * around * part, self.scattering * around * (1.0 - part)


def haze_of(
    classes: Sequence[ParticleClass], limits: DrawLimits, path: LightPath, *, strength: float = 1.0
) -> Haze | None:
    """Return all that is not drawn one by one, or nothing where that is less than a thousandth.

    The onset of the haze is one length R for all: the one that keeps the light of the true onset in water of
    the mean attenuation. ``strength`` multiplies it as a whole.
    """
    rate = float(path.beam_rate.mean())
    farthest = 6.0 / max(rate, 6.0 / 200.0)
    ranges = np.linspace(0.0, farthest, 400)
    decay = np.exp(-rate * ranges)
    total, missing = 0.0, 0.0
    scattering = np.zeros(path.bands.count)
    lobes = []
    for kind in classes:
        opacity = kind.opacity * kind.thinned_to
        whole = opacity * kind.sizes.cross_section()
        hidden = np.full(len(ranges), whole)
        if kind.drawn:
            hidden = opacity * haze_cross_section(kind.sizes, limits, ranges)
        total += whole
        missing += float(np.trapezoid((whole - hidden) * decay, ranges))
        scattering += whole * kind.albedo
        lobes.append((kind.asymmetry, whole * float(kind.albedo.mean())))
    # The light it adds, against that of the water itself, over a whole view.
    if total * float(np.trapezoid(decay, ranges)) < 1e-3:
        return None
    bright = sum(share for _, share in lobes)
    if bright <= 0.0:
        return None
    # int (1 - e^(-r/R)) e^(-c r) dr = 1/c - 1/(c + 1/R): what is missing is B/(c + 1/R).
    onset = missing / max(total - rate * missing, 1e-9)
    return Haze(
        scattering=strength * scattering,
        blocking=strength * total,
        onset_m=float(onset),
        lobes=tuple((asymmetry, share / bright) for asymmetry, share in lobes),
    )


def _decay(rate: F32, length: F32, *, out: F32) -> None:
    """Write exp(-k s), kept finite."""
    np.multiply(rate, length, out=out)
    np.negative(out, out=out)
    np.minimum(out, np.float32(LARGEST_EXPONENT), out=out)
    np.exp(out, out=out)


def _path_integral(decay: F32, rate: F32) -> None:
    """Turn exp(-k s) into (1 - exp(-k s)) / k, in place."""
    np.subtract(np.float32(1.0), decay, out=decay)
    np.divide(decay, rate, out=decay)
