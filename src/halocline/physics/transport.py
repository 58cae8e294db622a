"""What water does to light between the sea surface, the subject and the lens.

Everything here is per spectral band (see `halocline.physics.bands`). Light is measured in units of the
render: a white diffuse surface that faces the light at the reference depth has radiance ``white`` (the bands
of RGB 1, 1, 1), so the downwelling irradiance there is ``pi white``.

Directions: ``mu`` is the downward component of the unit view direction, +1 looking straight down, -1 straight
up. Ranges are metres along the view ray, depths metres below the surface.

The model (`science.md` gives the derivation and check values):

    direct signal    e exp(-c s)
    downwelling      exp(-Kd (y - y_ref))
    veiling light    j (1 - exp(-k s)) / k,   k = c + Kd mu
    source           j = G b E0(y_camera) [f p_sun(psi_sun) + (1 - f) p_diffuse(psi_vertical)]

The closed form is exact for single scattering in homogeneous water. ``G = c / (a + b (1 - g))`` stands for
multiple scattering: by the similarity relation, light scattered by a few degrees is not lost, so the source
is fed by a longer reach of water than 1/c. That factor and the broad lobe of the diffuse light are
approximations; they are checked against measured radiance (tyler1960) in shape, not in absolute value.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from halocline._typing import F32, F64
from halocline.physics.bands import Bands
from halocline.physics.phase import henyey_greenstein
from halocline.physics.visibility import RangeRemap

# Scattering asymmetry of natural water; petzold1972's tables integrate to 0.87 .. 0.95.
WATER_ASYMMETRY = 0.924
# Lobe of the in-scattered diffuse daylight about the vertical, chosen so that radiance looking up, level and
# down falls in the proportions that tyler1960 measured at 41 m in Lake Pend Oreille.
DIFFUSE_ASYMMETRY = 0.6
# Mean cosine of downwelling light: scalar irradiance is E_d / 0.8 (kirk2011 gives 0.7 .. 0.9 for daylight).
MEAN_COSINE = 0.8
# Below this the source hardly changes along the ray; keeps k away from the 0/0 of (1 - exp(-k s))/k.
SMALLEST_RATE = 1e-4
# No light crosses more water than this; keeps products with zero finite.
LONGEST_RANGE_M = 1e5


def path_integral(rate: F64 | float, range_m: F64 | float) -> F64:
    """Return int_0^s exp(-k t) dt = (1 - exp(-k s)) / k, metres, exactly for every k and s.

    Parameters
    ----------
    rate
        k, 1/m; may be zero or negative (a ray going up towards the light).
    range_m
        s, metres, 0 to inf.

    Returns
    -------
    s where k is 0, 1/k where s is infinite and k positive, inf where s is infinite and k is not positive.

    Notes
    -----
    Worked value: k = 0.57, s = 5 m gives 1.65290470.
    """
    k, s = np.broadcast_arrays(np.asarray(rate, np.float64), np.asarray(range_m, np.float64))
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        ks = k * s
        whole = -np.expm1(-ks) / k
        # Two terms of the series are exact to 1e-12 here, where the quotient would lose digits.
        series = s * (1.0 - 0.5 * ks)
        endless = np.where(k > 0, 1.0 / k, np.inf)
        finite: F64 = np.where(np.abs(ks) < 1e-6, series, whole)
    return np.where(np.isinf(s), endless, finite)


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

        Above the surface it is that at the surface.
        """
        y = np.maximum(np.asarray(depth_m, np.float64), 0.0)[..., None]
        rate = self.bands.diffuse_attenuation * self.downwelling_scale
        relative: F64 = np.exp(-rate * (y - self.reference_depth_m))
        return relative

    def sun_share(self, depth_m: float) -> F64:
        """Return the share of daylight that still travels as the sun's beam at a depth, ``(K,)``, 0 to 1.

        The beam loses a + b (1 - g) along its slant path (light turned by a few degrees still acts as sun),
        daylight as a whole loses Kd.
        """
        b = self.bands
        loss = b.absorption + b.scattering * (1.0 - WATER_ASYMMETRY)
        slant = max(1e-3, -float(self.sun_travel @ self.up))
        extra = np.maximum(0.0, loss / slant - b.diffuse_attenuation)
        share: F64 = self.surface_sun_share * np.exp(-extra * max(0.0, depth_m))
        return share

    def source_strengths(self) -> tuple[F64, F64]:
        """Return the veil's source for a phase function of 1/sr: from the sun and from diffuse light.

        Returns
        -------
        Two arrays ``(K,)``, radiance per metre, to be multiplied by ``p(psi_sun)`` and
        ``p_diffuse(psi_vertical)``.
        """
        b = self.bands
        gain = b.attenuation / (b.absorption + b.scattering * (1.0 - WATER_ASYMMETRY))
        scalar = math.pi * self.white * self.daylight(self.camera_depth_m) / MEAN_COSINE
        strength = gain * b.scattering * scalar * self.veil_brightness
        if self.veil_tint is not None:
            strength = strength * self.veil_tint
        share = self.sun_share(self.camera_depth_m)
        return strength * share, strength * (1.0 - share)

    def path_length(self, range_m: F32, mu: F32) -> F32:
        """Return metres of water on each ray as the optics see them, in the shape of ``range_m``.

        The story's remap draws far things near, but a ray that hits nothing stays endless: a subject must
        stand out against the full veil. Rays that go up end at the surface, wherever it is.
        """
        length: F32 = np.minimum(range_m, np.float32(LONGEST_RANGE_M))
        if not self.remap.physical:
            endless = length >= np.float32(LONGEST_RANGE_M)
            length = self.remap.apply(length)
            length[endless] = np.float32(LONGEST_RANGE_M)
        if (mu < 0).any():
            # Level and downward rays divide by zero to an endless length, as they should.
            rise = np.maximum(-mu, np.float32(0.0))
            with np.errstate(divide="ignore"):
                ceiling = np.float32(max(1e-6, self.camera_depth_m)) / rise
            np.minimum(length, ceiling, out=length)
        return length

    def veil_rate(self, mu: F32, band: int) -> F32:
        """Return k = c + Kd mu of one band, 1/m, kept away from zero (see `SMALLEST_RATE`)."""
        b = self.bands
        rate = mu * np.float32(b.diffuse_attenuation[band] * self.veil_scale)
        rate += np.float32(b.attenuation[band] * self.veil_scale)
        small = np.abs(rate) < np.float32(SMALLEST_RATE)
        if small.any():
            rate[small] = np.float32(SMALLEST_RATE)
        return rate

    def phases(self, mu: F32, cos_sun: F32) -> tuple[F32, F32]:
        """Return the two phase functions of the veil's source, 1/sr.

        Parameters
        ----------
        mu
            Downward component of the view direction.
        cos_sun
            View direction dot the sun's travel direction; -1 looks into the sun.
        """
        return henyey_greenstein(-cos_sun, WATER_ASYMMETRY), henyey_greenstein(-mu, DIFFUSE_ASYMMETRY)

    def veil_along(self, range_m: F64 | float, direction: F64) -> F64:
        """Return the veiling light in front of one range in one direction, ``(..., K)``, float64.

        For set-up, plots and single samples; images take the float32 path of the operator.
        """
        mu, cos_sun = -float(direction @ self.up), float(direction @ self.sun_travel)
        sun, diffuse = self.source_strengths()
        p_sun, p_diffuse = self.phases(np.array([mu]), np.array([cos_sun]))
        limit = self.camera_depth_m / -mu if mu < 0 else np.inf
        s = np.minimum(self.remap.exact(range_m), limit)[..., None]
        b = self.bands
        rate = (b.attenuation + b.diffuse_attenuation * mu) * self.veil_scale
        veil: F64 = (sun * p_sun + diffuse * p_diffuse) * path_integral(rate, s) * self.veil_scale
        return veil

    def direct_along(self, range_m: F64 | float) -> F64:
        """Return exp(-c s) with the story's remap, ``(..., K)``, float64, for set-up and single samples."""
        s = self.remap.exact(np.asarray(range_m, np.float64))[..., None]
        transmittance: F64 = np.exp(-self.beam_rate * s)
        return transmittance


def attenuate(path: LightPath, length_m: F32, *, far_length_m: F32 | None, far_share: F32 | None) -> F32:
    """Return the direct signal's transmittance for each band, ``(K, rows, columns)``, 0 to 1.

    Where a pixel mixes two surfaces, their transmittances are mixed by the same share.

    Parameters
    ----------
    path
        The water.
    length_m
        Metres of water to the (nearer) surface, ``(rows, columns)``, as `LightPath.path_length` gives.
    far_length_m, far_share
        The farther surface and its share, where an averaged depth pass mixed two.
    """
    out = np.empty((path.bands.count, *length_m.shape), np.float32)
    for layer, rate in zip(out, path.beam_rate, strict=True):
        np.multiply(length_m, np.float32(-rate), out=layer)
        np.exp(layer, out=layer)
    if far_length_m is not None and far_share is not None and far_share.any():
        mixed = np.nonzero(far_share)
        share, far = far_share[mixed], far_length_m[mixed]
        for layer, rate in zip(out, path.beam_rate, strict=True):
            layer[mixed] += share * (np.exp(far * np.float32(-rate)) - layer[mixed])
    return out


def daylight_gain(path: LightPath, range_m: F32, mu: F32) -> F32:
    """Return the light on each surface relative to the reference depth, ``(K, *shape)``, float32.

    Parameters
    ----------
    path
        The water.
    range_m, mu
        True range of the surface and downward component of the view, any one shape; the surface lies
        ``mu range`` deeper than the lens. Above sea level the light is that at the surface.
    """
    deeper = mu * np.minimum(range_m, np.float32(LONGEST_RANGE_M))
    deeper += np.float32(path.camera_depth_m)
    np.maximum(deeper, np.float32(0.0), out=deeper)
    deeper -= np.float32(path.reference_depth_m)
    out = np.empty((path.bands.count, *deeper.shape), np.float32)
    for layer, rate in zip(out, path.bands.diffuse_attenuation * path.downwelling_scale, strict=True):
        np.multiply(deeper, np.float32(-rate), out=layer)
        np.exp(layer, out=layer)
    return out


@dataclass(frozen=True)
class VeilGeometry:
    """What the veil of a region needs to know of each pixel, ``(rows, columns)`` each.

    ``length_m`` to the surface, ``open_length_m`` of a ray that hits nothing, ``coverage`` (alpha), the
    directions ``mu`` and ``cos_sun``, and the farther surface where a pixel mixes two.
    """

    length_m: F32
    open_length_m: F32
    coverage: F32 | None
    mu: F32
    cos_sun: F32
    far_length_m: F32 | None = None
    far_share: F32 | None = None


def veiling_light(path: LightPath, geometry: VeilGeometry) -> F32:
    """Return the light that the water itself adds in front of each pixel, ``(K, rows, columns)``.

    The covered share of a pixel has the veil in front of its surface, the uncovered share that of open water:
    this is what keeps the edge of a thin thing from standing in a dry halo.
    """
    sun, diffuse = path.source_strengths()
    p_sun, p_diffuse = path.phases(geometry.mu, geometry.cos_sun)
    out = np.empty((path.bands.count, *geometry.mu.shape), np.float32)
    scratch = np.empty_like(geometry.mu)
    for band, layer in enumerate(out):
        rate = path.veil_rate(geometry.mu, band)
        # exp(-k s), averaged over what the pixel covers.
        _mean_decay(rate, geometry, out=layer, scratch=scratch)
        np.subtract(np.float32(1.0), layer, out=layer)
        np.multiply(p_sun, np.float32(sun[band] * path.veil_scale), out=scratch)
        scratch += p_diffuse * np.float32(diffuse[band] * path.veil_scale)
        scratch /= rate
        np.multiply(layer, scratch, out=layer)
    return out


def _mean_decay(rate: F32, geometry: VeilGeometry, *, out: F32, scratch: F32) -> None:
    _decay(rate, geometry.length_m, out=out)
    if geometry.far_length_m is not None and geometry.far_share is not None and geometry.far_share.any():
        mixed = np.nonzero(geometry.far_share)
        far = np.exp(-rate[mixed] * geometry.far_length_m[mixed])
        out[mixed] += geometry.far_share[mixed] * (far - out[mixed])
    if geometry.coverage is not None:
        # Weighted so that full coverage changes no bit: bands of rows without an edge skip this.
        _decay(rate, geometry.open_length_m, out=scratch)
        scratch *= np.float32(1.0) - geometry.coverage
        np.multiply(out, geometry.coverage, out=out)
        out += scratch


def _decay(rate: F32, length_m: F32, *, out: F32) -> None:
    np.multiply(rate, length_m, out=out)
    np.negative(out, out=out)
    np.exp(out, out=out)
