"""What water does to light between the sea surface, the subject and the lens.

Everything here is per spectral band (see `halocline.physics.water.bands`). Light is measured in units of the
render: a white diffuse surface that faces the light at the reference depth has radiance ``white`` (the bands
of RGB 1, 1, 1), so the downwelling irradiance there is ``pi white``.

Directions: ``mu`` is the downward component of the unit view direction, +1 looking straight down, -1 straight
up. Ranges are metres along the view ray, depths metres below the surface.

The model (`science.md` gives the derivation and check values):

    direct signal    e exp(-c s)
    downwelling      exp(-Kd (y - y_ref))
    veiling light    j (1 - exp(-k s)) / k,   k = c + Kd mu
    source           j = b E0(y_camera) [f p(psi_sun, g_sun) + (1 - f) p(psi_vertical, g_diffuse)]

The closed form is the exact solution of radiative transfer along the ray where the source falls as the
daylight does, whatever number of times the light was scattered before; what is approximate is the source. It
takes the light around the lens as two Henyey-Greenstein lobes, already turned once towards the lens:

- what came from the sun, scattered n = b y / mu_sun times on its way down. Such a lobe stays one when it is
  scattered again, its asymmetry multiplied, so ``g_sun = g^(1 + n)``, never broader than the diffuse lobe;
- what lost the sun's direction, about the vertical, ``g_diffuse``. The sun's share f falls with n.

Sea water itself, without a particle in it, scatters forward and back alike: its share of b has a lobe of even
brightness instead (the blue of the clearest ocean comes from there).

Two numbers, `DIFFUSE_ASYMMETRY` and `SUN_PERSISTENCE`, are fitted to radiance measured in a lake from 4 to
66 m (tyler1958). There the model, with no free scale, is mostly within a factor 1.5 of the measurement in
every direction but the sun's own. In the water above the surface nothing is added: the sky is not drawn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.physics.path.loops import decay, veil
from halocline.physics.path.phase import A, henyey_greenstein
from halocline.physics.path.visibility import ENDLESS_M, RangeRemap
from halocline.physics.water.bands import Bands
from halocline.physics.water.path_integral import (
    LARGEST_EXPONENT,
    least_rate,
    path_integral,
    rates_along,
)

# Scattering asymmetry of natural water; petzold1972's tables integrate to 0.87 .. 0.95.
WATER_ASYMMETRY = 0.924
# Lobe of scattered diffuse daylight about the vertical, and how much of (1 - g) each scattering takes off the
# sun's share. Both fitted to tyler1958 (seven depths, 19 x 10 directions; a, b, Kd of that lake by Gershun's
# law from the same tables): least squares of the logarithm gives 0.69 and 0.57, rounded here.
DIFFUSE_ASYMMETRY = 0.7
SUN_PERSISTENCE = 0.5
# Scattering of pure sea water: at 550 nm, 1/m, and the power of wavelength with which it falls (morel1974).
SEA_WATER_SCATTERING = 1.91e-3
SEA_WATER_POWER = -4.32
# Mean cosine of downwelling light: scalar irradiance is E_d / 0.8 (kirk2011 gives 0.7 .. 0.9 for daylight).
MEAN_COSINE = 0.8
# The length of endless water; finite, so that products with zero are.
LONGEST_RANGE_M = ENDLESS_M


def refracted_sun(elevation_deg: float, azimuth_deg: float, up: F64, ahead: F64, index: float) -> F64:
    """Return the unit direction in which sunlight travels under water, ``(3,)``, world space.

    Parameters
    ----------
    elevation_deg
        Height of the sun above the horizon, in air, 0 to 90.
    azimuth_deg
        Where the sun stands, clockwise seen from above, 0 along ``ahead``.
    up, ahead
        Unit vectors: the vertical, and the level direction of azimuth 0.
    index
        Refractive index of the water; sin(zenith in water) = cos(elevation) / index (Snell).
    """
    zenith = math.asin(min(1.0, math.cos(math.radians(elevation_deg)) / index))
    azimuth = math.radians(azimuth_deg)
    right = np.cross(ahead, up)
    towards = math.cos(azimuth) * ahead + math.sin(azimuth) * right
    travel: F64 = -(math.cos(zenith) * up + math.sin(zenith) * towards)
    return travel


@dataclass(frozen=True)
class LightPath:
    """The water around one frame's camera: the one place that knows how light is lost and added.

    Attributes
    ----------
    bands
        Spectral bands of the water.
    camera_depth_m, reference_depth_m
        Depth of the lens, and the depth at which the render's own lighting holds.
    up
        World vertical, unit, ``(3,)``.
    sun_travel
        Unit direction of the sun's light under water, ``(3,)``.
    luminance
        Luminance of the working space's red, green and blue, ``(3,)``; they sum to 1.
    surface_sun_share
        Share of the downwelling light just below the surface that comes straight from the sun, 0 to 1.
    veil_brightness
        Art: multiplies the veiling light, 1 is physical.
    veil_tint
        Art: multiplies the veiling light per band, ``(K,)``.
    attenuation_scale, veil_scale, downwelling_scale
        Art: multiply range (or depth) in one term only, 1 is physical.
    remap
        Story visibility: range as the optics see it.
    """

    bands: Bands
    camera_depth_m: float
    reference_depth_m: float
    up: F64
    sun_travel: F64
    luminance: F64
    surface_sun_share: float
    remap: RangeRemap = field(default_factory=RangeRemap)
    veil_brightness: float = 1.0
    veil_tint: F64 | None = None
    attenuation_scale: float = 1.0
    veil_scale: float = 1.0
    downwelling_scale: float = 1.0

    @property
    def white(self) -> F64:
        """Radiance of a white diffuse surface at the reference depth, ``(K,)``."""
        white: F64 = self.bands.up.sum(axis=1)
        return white

    @property
    def beam_rate(self) -> F64:
        """Beam attenuation as the direct signal sees it, ``(K,)``, 1/m."""
        rate: F64 = self.bands.attenuation * self.attenuation_scale
        return rate

    def daylight(self, depth_m: F64 | float) -> F64:
        """Return downwelling light relative to the reference depth, ``(..., K)``, 1 there.

        Above `highest_depth_m` it is that at `highest_depth_m`.
        """
        y = np.maximum(np.asarray(depth_m, np.float64), self.highest_depth_m)[..., None]
        rate = self.bands.diffuse_attenuation * self.downwelling_scale
        relative: F64 = np.exp(-rate * (y - self.reference_depth_m))
        return relative

    @property
    def highest_depth_m(self) -> float:
        """Least depth at which daylight is reckoned: the sea surface, or where the bands' fit begins.

        Above the reference depth the reds grow without bound, and a few bands cannot follow (`Bands.rise_m`).
        """
        return max(0.0, self.reference_depth_m - self.bands.rise_m)

    def sun_share(self, depth_m: float) -> F64:
        """Return the share of daylight at a depth that still comes from the sun's side, ``(K,)``, 0 to 1."""
        turned = self._scatterings(depth_m, self.bands.scattering) * (1.0 - WATER_ASYMMETRY)
        share: F64 = self.surface_sun_share * np.exp(-SUN_PERSISTENCE * turned)
        return share

    @property
    def sun_asymmetry(self) -> float:
        """Asymmetry of the sun's light at the lens after one more scattering: how broad its glow is.

        One number for all bands, from their mean scattering: b changes little over the visible spectrum.
        """
        mean = np.mean(self.bands.scattering, keepdims=True)
        times = 1.0 + float(self._scatterings(self.camera_depth_m, mean)[0])
        return max(DIFFUSE_ASYMMETRY, math.pow(WATER_ASYMMETRY, times))

    def _scatterings(self, depth_m: float, scattering_per_m: F64) -> F64:
        """Return how often sunlight has been scattered on its slant way down to a depth, on average."""
        cosine = max(0.1, -float(self.sun_travel @ self.up))
        return np.asarray(scattering_per_m * max(0.0, depth_m) / cosine, np.float64)

    @property
    def molecular_share(self) -> F64:
        """Share of scattering that is the water's own and not its particles', ``(K,)``, 0 to 1."""
        b = self.bands
        molecular = SEA_WATER_SCATTERING * (b.wavelength_nm / 550.0) ** SEA_WATER_POWER
        share: F64 = np.minimum(1.0, molecular / b.scattering)
        return share

    def source_strengths(self) -> tuple[F64, F64]:
        """Return the veil's source for a phase function of 1/sr: from the sun and from diffuse light.

        Returns
        -------
        Two arrays ``(K,)``, radiance per metre, to be multiplied by ``p(psi_sun)`` and
        ``p_diffuse(psi_vertical)``. What the water's own molecules scatter is `even_source`.
        """
        strength = self._strength() * (1.0 - self.molecular_share)
        share = self.sun_share(self.camera_depth_m)
        return strength * share, strength * (1.0 - share)

    def even_source(self) -> F64:
        """Return the veil's source that is alike in all directions, ``(K,)``, radiance per metre."""
        even: F64 = self._strength() * self.molecular_share / (4.0 * math.pi)
        return even

    def _strength(self) -> F64:
        """Return b E0 at the lens, ``(K,)``, with the art's brightness and tint."""
        scalar = math.pi * self.white * self.daylight(self.camera_depth_m) / MEAN_COSINE
        strength: F64 = self.bands.scattering * scalar * self.veil_brightness
        return strength if self.veil_tint is None else strength * self.veil_tint

    def path_length(self, range_m: F32, mu: F32) -> F32:
        """Return metres of water to each surface as the optics see them, a new array of the same shape.

        The story's remap draws surfaces near; it does not touch the water's own end, be it the sea surface
        or none (`open_length`).
        """
        return np.minimum(self.remap.apply(range_m), self.open_length(mu))

    def open_length(self, mu: F32) -> F32:
        """Return metres of water on rays that hit nothing: to the sea surface, else `LONGEST_RANGE_M`."""
        depth = max(1e-6, self.camera_depth_m)
        # Level and downward rays are given the slope that reaches the surface at the longest range.
        slope: F32 = np.minimum(mu, np.float32(-depth / LONGEST_RANGE_M))
        return np.divide(np.float32(-depth), slope, out=slope)

    def veil_rate(self, mu: F32, band: int) -> F32:
        """Return k = c + Kd mu of one band, 1/m, kept away from zero, in the shape of ``mu``."""
        c = float(self.bands.attenuation[band] * self.veil_scale)
        kd = float(self.bands.diffuse_attenuation[band] * self.veil_scale)
        down = np.ascontiguousarray(mu)
        out = np.empty_like(down)
        rates_along(
            np.float32(c), np.float32(kd), down.ravel(), np.float32(least_rate(c, kd)), out.reshape(-1)
        )
        return out

    def phases(self, mu: A, cos_sun: A) -> tuple[A, A]:
        """Return the two phase functions of the veil's source, 1/sr.

        Parameters
        ----------
        mu
            Downward component of the view direction.
        cos_sun
            View direction dot the sun's travel direction; -1 looks into the sun.
        """
        return henyey_greenstein(-cos_sun, self.sun_asymmetry), henyey_greenstein(-mu, DIFFUSE_ASYMMETRY)

    def veil_along(self, range_m: F64 | float, direction: F64) -> F64:
        """Return the veiling light in front of ranges in unit directions, ``(..., K)``, float64.

        For set-up, plots and samples; images take the float32 path of the operator. Ranges ``(...)`` and
        directions ``(..., 3)`` broadcast against each other.
        """
        mu, cos_sun = (np.atleast_1d(v) for v in (-(direction @ self.up), direction @ self.sun_travel))
        sun, diffuse = self.source_strengths()
        p_sun, p_diffuse = (np.asarray(p)[..., None] for p in self.phases(mu, cos_sun))
        limit = np.where(mu < 0, max(1e-6, self.camera_depth_m) / np.maximum(-mu, 1e-12), np.inf)
        if direction.ndim == 1:
            mu, p_sun, p_diffuse, limit = mu[0], p_sun[0], p_diffuse[0], limit[0]
        s = np.minimum(self.remap.exact(range_m), limit)[..., None]
        b = self.bands
        rate = (b.attenuation + b.diffuse_attenuation * mu[..., None]) * self.veil_scale
        source = sun * p_sun + diffuse * p_diffuse + self.even_source()
        veil: F64 = source * path_integral(rate, s) * self.veil_scale
        return veil

    def direct_along(self, range_m: F64 | float) -> F64:
        """Return exp(-c s) with the story's remap, ``(..., K)``, float64, for set-up and single samples."""
        s = np.minimum(self.remap.exact(range_m), LONGEST_RANGE_M)[..., None]
        transmittance: F64 = np.exp(-self.beam_rate * s)
        return transmittance


def attenuate(path: LightPath, length_m: F32) -> F32:
    """Return the direct signal's transmittance for each band, ``(K, *shape)``, 0 to 1.

    Parameters
    ----------
    path
        The water.
    length_m
        Metres of water to each surface, any one shape, as `LightPath.path_length` gives.
    """
    return _decays(length_m, path.beam_rate)


def daylight_gain(path: LightPath, range_m: F32, mu: F32) -> F32:
    """Return the light on each surface relative to the reference depth, ``(K, *shape)``, float32.

    Parameters
    ----------
    path
        The water.
    range_m, mu
        True range of the surface and downward component of the view, any one shape; the surface lies
        ``mu range`` deeper than the lens. Above `LightPath.highest_depth_m` the light is that there.
    """
    deeper = mu * np.minimum(range_m, np.float32(LONGEST_RANGE_M))
    deeper += np.float32(path.camera_depth_m)
    np.maximum(deeper, np.float32(path.highest_depth_m), out=deeper)
    deeper -= np.float32(path.reference_depth_m)
    return _decays(deeper, path.bands.diffuse_attenuation * path.downwelling_scale)


def _decays(length_m: F32, rates: F64) -> F32:
    """Return exp(-k s) for each rate, ``(K, *shape)``."""
    out = np.empty((len(rates), *length_m.shape), np.float32)
    flat = np.ascontiguousarray(length_m).ravel()
    for layer, rate in zip(out.reshape(len(rates), -1), rates.astype(np.float32), strict=True):
        decay(flat, rate, layer)
    return out


@dataclass(frozen=True)
class VeilGeometry:
    """What the veil of a region needs to know of each pixel, ``(rows, columns)`` each.

    Attributes
    ----------
    length_m
        Metres of water to the (nearer) surface, as `LightPath.path_length` gives.
    mu, cos_sun
        Downward component of the view direction; view direction dot the sun's travel direction.
    far_length_m, far_share
        The farther surface and its share, where an averaged depth pass mixed two.
    open_length_m, coverage
        Metres of water on a ray that hits nothing, and the share of the pixel that hits something, 0 to 1.
    """

    length_m: F32
    mu: F32
    cos_sun: F32
    far_length_m: F32 | None = None
    far_share: F32 | None = None
    open_length_m: F32 | None = None
    coverage: F32 | None = None


@dataclass(frozen=True)
class _Behind:
    """Pixels that show something farther as well: which, its share of them, metres of water to it."""

    where: tuple[NDArray[np.intp], ...]
    share: F32
    length_m: F32

    @classmethod
    def of(cls, share: F32, length_m: F32) -> _Behind:
        where = np.nonzero(share)
        return cls(where, share[where], length_m[where])


def veiling_light(path: LightPath, geometry: VeilGeometry) -> F32:
    """Return the light that the water itself adds in front of each pixel, ``(K, rows, columns)``.

    The covered share of a pixel has the veil in front of its surface, the uncovered share that of open water:
    this is what keeps the edge of a thin thing from standing in a dry halo.
    """
    p_sun, p_diffuse = path.phases(geometry.mu, geometry.cos_sun)
    length, behind = _layered(geometry)
    veil_before = _Veil.of(path)
    out = veil_before(length, geometry.mu, p_sun, p_diffuse)
    for other in behind:
        if other.share.size:
            at = other.where
            there = veil_before(other.length_m, geometry.mu[at], p_sun[at], p_diffuse[at])
            here = out[:, at[0], at[1]]
            out[:, at[0], at[1]] = here + other.share * (there - here)
    return out


def open_water_light(path: LightPath, mu: F32, cos_sun: F32) -> F32:
    """Return the light of open water at the lens, ``(K, *shape)``: of rays that hit nothing.

    Parameters
    ----------
    path
        The water.
    mu, cos_sun
        Downward component of the view direction, and view direction dot the sun's travel direction, any one
        shape. Rays that go up end at the sea surface; what is seen there is no part of it.
    """
    return _Veil.of(path)(path.open_length(mu), mu, *path.phases(mu, cos_sun))


def open_water_beyond(path: LightPath, length_m: F32, mu: F32, cos_sun: F32) -> F32:
    """Return the light of open water at a place along each ray, as seen from there, ``(K, *shape)``.

    What `veiling_light` adds before a length is `open_water_light` less this, times exp(-c length).

    Parameters
    ----------
    path
        The water.
    length_m
        Metres of water to the place, as `LightPath.path_length` gives.
    mu, cos_sun
        See `open_water_light`.
    """
    rest = np.maximum(path.open_length(mu) - length_m, np.float32(0.0))
    light = _Veil.of(path)(rest, mu, *path.phases(mu, cos_sun))
    deeper = mu * length_m
    # The daylight there, by that at the lens; it is finite where nothing is left of the water behind.
    light *= _decays(deeper, path.bands.diffuse_attenuation * path.veil_scale)
    return light


@dataclass(frozen=True)
class _Veil:
    """Rates and sources of every band, as `halocline.physics.path.loops.veil` takes them."""

    rates: F32
    sources: F32

    @classmethod
    def of(cls, path: LightPath) -> _Veil:
        scale, bands = path.veil_scale, path.bands
        c, kd = bands.attenuation * scale, bands.diffuse_attenuation * scale
        sources = np.stack([*path.source_strengths(), path.even_source()]) * scale
        return cls(
            np.stack([c, kd, least_rate(c, kd)], axis=1).astype(np.float32),
            np.ascontiguousarray(sources.T, np.float32),
        )

    def __call__(self, length_m: F32, mu: F32, p_sun: F32, p_diffuse: F32) -> F32:
        """Return the veil before rays of one shape, ``(K, *shape)``."""
        out = np.empty((len(self.rates), *mu.shape), np.float32)
        length, down, sun, diffuse = (
            np.ascontiguousarray(plane).ravel() for plane in (length_m, mu, p_sun, p_diffuse)
        )
        most = np.float32(LARGEST_EXPONENT)
        for layer, rates, sources in zip(out.reshape(len(out), -1), self.rates, self.sources, strict=True):
            veil(length, down, sun, diffuse, rates, sources, most, layer)
        return out


def _layered(geometry: VeilGeometry) -> tuple[F32, list[_Behind]]:
    """Return the length of each pixel's first layer, and what else the few mixed pixels show."""
    length, behind = geometry.length_m, []
    if geometry.far_length_m is not None and geometry.far_share is not None:
        behind.append(_Behind.of(geometry.far_share, geometry.far_length_m))
    if geometry.open_length_m is not None and geometry.coverage is not None:
        # Pixels that hit nothing have one layer, of open water; the edges have it behind the others.
        covered = geometry.coverage > 0
        length = np.where(covered, length, geometry.open_length_m)
        edge = np.nonzero(covered & (geometry.coverage < 1))
        behind.append(_Behind(edge, 1 - geometry.coverage[edge], geometry.open_length_m[edge]))
    return length, behind
