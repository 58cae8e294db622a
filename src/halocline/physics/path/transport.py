"""What water does to light between the sea surface, the subject and the lens.

Everything here is per spectral band (see `halocline.physics.water.bands`). Light is measured in units of the
render: a white diffuse surface that faces the light at the reference depth has radiance ``white`` (the bands
of RGB 1, 1, 1), so the downwelling irradiance there is ``pi white``.

Directions: ``mu`` is the downward component of the unit view direction, +1 looking straight down, -1 straight
up. Ranges are metres along the view ray, depths metres below the surface.

The model:

    direct signal    e exp(-c s)
    downwelling      Ed(y) / Ed(y_ref)
    veiling light    sum of J (1 - exp(-k s)) / k

Ed, J and k come from one solution of radiative transfer for the water under its sun and sky, with any number
of scatterings (`halocline.physics.path.radiance`). The veil is a sum of two: what of the sun's light is
scattered once, whose J and k are in closed form, and all the rest, whose are tabled over direction. In the
water above the surface nothing is added: the sky is not drawn.

What floats in the water is lit by the same light, told more roughly: as two lobes, one about the sun and one
about the vertical, which together have the solution's scalar irradiance and its level flux
(`LightPath.sun_side`).
"""

from __future__ import annotations

import math
from dataclasses import field, replace
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.places import places_of
from halocline.compute.row_ratios import NO_RATIOS, RowRatios
from halocline.late_dataclass import dataclass
from halocline.physics.path.loops import (
    decay,
    depths,
    fallen,
    give_back,
    open_lengths,
    path_lengths,
    shares_left_open,
)
from halocline.physics.path.phase import molecular_share
from halocline.physics.path.radiance.bends import bends_of
from halocline.physics.path.radiance.lens_light import (
    DEEPEST_M,
    DEPTH_NODES,
    LensLight,
    Spectrum,
    WaterAndSky,
    depth_nodes,
)
from halocline.physics.path.radiance.loops import (
    components,
    most_rising,
    sun_numbers,
    sun_veil,
    veil,
    veil_over_rows,
)
from halocline.physics.path.visibility import ENDLESS_M, RangeRemap
from halocline.physics.water.bands import SHARE_NODES_NM, Bands
from halocline.rgb import LINEAR_REC709, RGBSpace, conversion_matrix

_NO_LIGHT: F32 = np.empty((0, 0), np.float32)

# Lobe of scattered diffuse daylight about the vertical, fitted to tyler1958 (seven depths, 19 x 10
# directions; a, b, Kd of that lake by Gershun's law from the same tables): least squares of the logarithm
# gives 0.69.
DIFFUSE_ASYMMETRY = 0.7
# Sea water at 20 C, 35 per mille, 550 nm, relative to air (quan1995): what the surface bends and reflects.
SURFACE_INDEX = 1.341
# The length of endless water; finite, so that products with zero are.
LONGEST_RANGE_M = ENDLESS_M
# Logarithm of the most that daylight at the surface may be over that where the bands' fit begins.
_MOST_LOST = 60.0


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

    Returns
    -------
    F64
        Unit vector, world, pointing down.
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
    space
        The working space, of the bands' colours.
    surface_sun_share
        Share of the light on the sea surface that comes straight from the sun, 0 to 1; the rest comes from a
        sky of even brightness.
    daylight_level
        Multiplies all daylight, whatever it lights; 0 is night.
    veil_brightness
        Art: multiplies the veiling light, 1 is physical.
    veil_tint
        Art: multiplies the veiling light per band, ``(K,)``.
    attenuation_scale, veil_scale, downwelling_scale
        Art: multiply range (or depth) in one term only, 1 is physical.
    remap
        Story visibility: range as the optics see it.
    bottom_m, bottom_reflectance
        Depth of the sea's bottom, metres, and its reflectance; None where the water has no end.
    """

    bands: Bands
    camera_depth_m: float
    reference_depth_m: float
    up: F64
    sun_travel: F64
    space: RGBSpace
    surface_sun_share: float
    remap: RangeRemap = field(default_factory=RangeRemap)
    veil_brightness: float = 1.0
    veil_tint: F64 | None = None
    attenuation_scale: float = 1.0
    veil_scale: float = 1.0
    downwelling_scale: float = 1.0
    daylight_level: float = 1.0
    bottom_m: float | None = None
    bottom_reflectance: float = 0.0

    @cached_property
    def water(self) -> WaterAndSky:
        """The water under its sun and sky, from which all its light is solved."""
        b = self.bands
        return WaterAndSky(
            attenuation=tuple(b.attenuation.tolist()),
            scattering=tuple(np.maximum(b.scattering, 1e-9 * b.attenuation).tolist()),
            molecular_share=tuple(self.molecular_share.tolist()),
            asymmetry=b.asymmetry,
            index=SURFACE_INDEX,
            sun_cosine=-float(self.sun_travel @ self.up),
            sun_share=self.surface_sun_share,
            spectrum=None if b.spectrum is None else _spectrum_of(b),
            bottom_m=self.bottom_m,
            bottom_reflectance=self.bottom_reflectance,
        )

    @cached_property
    def to_rec709(self) -> F64:
        """Colours of the working space to linear Rec.709, ``(3, 3)``: what looks state colours in.

        Whatever is done to channels one by one is done to these, or a look would be another colour in another
        working space.
        """
        return conversion_matrix(self.space, LINEAR_REC709)

    @cached_property
    def luminance(self) -> F64:
        """Luminance of the working space's red, green and blue, as Rec.709 has it, ``(3,)``; sums to 1."""
        row: F64 = LINEAR_REC709.luminance_row @ self.to_rec709
        return row

    def lifted(self, colour: tuple[float, float, float]) -> F64:
        """Return a colour that a look states, linear Rec.709, in bands, ``(K,)``; never below 0."""
        stated = conversion_matrix(LINEAR_REC709, self.space) @ np.array(colour)
        return np.asarray(np.maximum(self.bands.up @ stated, 0.0), dtype=np.float64)

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
        y = np.maximum(np.asarray(depth_m, np.float64), self.highest_depth_m)
        return self._daylight_of(self.water.daylight().log_downward(y))

    def _daylight_of(self, log_downward: F64) -> F64:
        """Return `daylight` where the logarithm of the downwelling light is known."""
        lost = log_downward - self.water.daylight().log_downward(self.reference_depth_m)
        relative: F64 = self.daylight_level * np.exp(self.downwelling_scale * lost)
        return relative

    def scalar_daylight(self, depth_m: F64 | float) -> F64:
        """Return the scalar irradiance, ``(..., K)``: light from all directions alike, of all daylight."""
        y = np.maximum(np.asarray(depth_m, np.float64), self.highest_depth_m)
        solved = self.water.daylight()
        downward = solved.log_downward(y)
        by_level = np.exp(solved.log_scalar(y) - downward)
        scalar: F64 = math.pi * self.white * self._daylight_of(downward) * by_level
        return scalar

    def light_from_above(self) -> F64:
        """Return the irradiance on the sea surface, ``(K,)``, from what of it there is below.

        It is seen through all of the water down to the lens, which takes more of each band than daylight has
        lost on its way to the reference depth: so it goes on above `highest_depth_m`.
        """
        lost = self.daylight(0.0) * self.above_highest()
        return np.asarray(lost * self.white * math.pi / np.exp(self.water.daylight().log_downward(0.0)))

    def above_highest(self) -> F64:
        """Return daylight at the surface over that at `highest_depth_m`, ``(K,)``, 1 or more."""
        solved = self.water.daylight()
        lost = solved.log_downward(0.0) - solved.log_downward(self.highest_depth_m)
        # Deeper down than that nothing of it is left to see.
        return np.exp(np.minimum(self.downwelling_scale * lost, _MOST_LOST))

    @property
    def highest_depth_m(self) -> float:
        """Least depth at which daylight is reckoned: the sea surface, or where the bands' fit begins.

        Above the reference depth the reds grow without bound, and a few bands cannot follow (`Bands.rise_m`).
        """
        return max(0.0, self.reference_depth_m - self.bands.rise_m)

    def sun_side(self, depth_m: F64 | float) -> F64:
        """Return the share of scalar daylight at depths that lies about the sun, ``(..., K)``, 0 to 1.

        The rest lies about the vertical. Of the two only the sun's is to one side, so its share is what gives
        the solution's level flux, its lobe being as broad as `sun_asymmetry` says.
        """
        if self.surface_sun_share <= 0.0:
            return np.zeros((*np.shape(depth_m), self.bands.count))
        # That of the solution, whose sun is never quite at the zenith.
        level = math.sqrt(1.0 - self.water.solved_cosine**2)
        spread = self.sun_asymmetry / self.bands.asymmetry
        y = np.maximum(np.asarray(depth_m, np.float64), 0.0)
        return np.clip(self.water.daylight().level_share(y) / (level * spread), 0.0, 1.0)

    def sunlit_daylight(self, depth_m: F64 | float) -> F64:
        """Return the share of downwelling light at depths that still comes from the sun's side, ``(..., K)``.

        0 to 1. The lobe about the sun of `sun_side`, on a level plane.
        """
        y = np.maximum(np.asarray(depth_m, np.float64), 0.0)
        solved, cosine = self.water.daylight(), self.water.solved_cosine
        spread = self.sun_asymmetry / self.bands.asymmetry
        level = np.exp(solved.log_scalar(y) - solved.log_downward(y))
        return np.clip(self.sun_side(y) * level * cosine * spread, 0.0, 1.0)

    @property
    def sun_asymmetry(self) -> float:
        """Asymmetry of the sun's light at the lens after one more scattering: how broad its glow is.

        One number for all bands, from their mean scattering: b changes little over the visible spectrum.
        """
        mean = np.mean(self.bands.scattering, keepdims=True)
        times = 1.0 + float(self._scatterings(self.camera_depth_m, mean)[0])
        return max(DIFFUSE_ASYMMETRY, math.pow(self.bands.asymmetry, times))

    def _scatterings(self, depth_m: float, scattering_per_m: F64) -> F64:
        """Return how often sunlight has been scattered on its slant way down to a depth, on average."""
        cosine = max(0.1, -float(self.sun_travel @ self.up))
        return np.asarray(scattering_per_m * max(0.0, depth_m) / cosine, np.float64)

    @property
    def molecular_share(self) -> F64:
        """Share of scattering that is the water's own and not its particles', ``(K,)``, 0 to 1."""
        return self.bands.molecular_share

    @property
    def veil_strength(self) -> F64:
        """What `WaterAndSky.at`'s light is to be multiplied with for the veil, ``(K,)``, the art included."""
        strength = math.pi * self.white * self.daylight(self.camera_depth_m) * self.veil_brightness
        return np.asarray(strength if self.veil_tint is None else strength * self.veil_tint, np.float64)

    def veil_rays(self) -> VeilRays:
        """Return what computes the veil of any rays from this lens."""
        return self._veil_rays

    @cached_property
    def _veil_rays(self) -> VeilRays:
        return VeilRays.of(self)

    @cached_property
    def colours(self) -> tuple[F32, F32]:
        """From bands to channels of Rec.709 and back, ``(3, K)`` and ``(K, 3)``."""
        down, up = self.to_rec709 @ self.bands.down, self.bands.up @ np.linalg.inv(self.to_rec709)
        return np.ascontiguousarray(down, np.float32), np.ascontiguousarray(up, np.float32)

    @cached_property
    def about_lens(self) -> tuple[F64, F64]:
        """Scalar daylight at the lens and the share of it that lies about the sun, ``(K,)`` each."""
        return self.scalar_daylight(self.camera_depth_m), self.sun_side(self.camera_depth_m)

    def path_length(self, range_m: F32, mu: F32) -> F32:
        """Return metres of water to each surface as the optics see them, a new array of the same shape.

        The story's remap draws surfaces near; it does not touch the water's own end, be it the sea surface
        or none (`open_length`).
        """
        range_m, mu = _alike(range_m, mu)
        out = np.empty(mu.shape, np.float32)
        path_lengths(_flat(self.remap.apply(range_m)), _flat(mu), *self._slopes(), out.reshape(-1))
        return out

    def open_length(self, mu: F32) -> F32:
        """Return metres of water on rays that hit nothing: to the sea surface, else `LONGEST_RANGE_M`."""
        out = np.empty(mu.shape, np.float32)
        open_lengths(_flat(mu), *self._slopes(), out.reshape(-1))
        return out

    def _slopes(self) -> tuple[np.float32, np.float32]:
        """Return the lens's depth, and the slope that level and downward rays are given.

        With that they reach the surface at the longest range.
        """
        depth = max(1e-6, self.camera_depth_m)
        return np.float32(depth), np.float32(-depth / LONGEST_RANGE_M)

    def veil_along(self, range_m: F64 | float, direction: F64) -> F64:
        """Return the veiling light in front of ranges in unit directions, ``(..., K)``, float64.

        For set-up, plots and samples; images take the float32 path of the operator. Ranges ``(...)`` and
        directions ``(..., 3)`` broadcast against each other.
        """
        mu, cos_sun = -(direction @ self.up), direction @ self.sun_travel
        limit = np.where(mu < 0, max(1e-6, self.camera_depth_m) / np.maximum(-mu, 1e-12), LONGEST_RANGE_M)
        length = np.minimum(self.remap.exact(range_m), limit)
        rays = (np.asarray(part, np.float32) for part in np.broadcast_arrays(length, mu, cos_sun))
        veil: F64 = np.moveaxis(self.veil_rays()(*rays), 0, -1).astype(np.float64)
        return veil

    def direct_along(self, range_m: F64 | float) -> F64:
        """Return exp(-c s) with the story's remap, ``(..., K)``, float64, for set-up and single samples."""
        s = np.minimum(self.remap.exact(range_m), LONGEST_RANGE_M)[..., None]
        transmittance: F64 = np.exp(-self.beam_rate * s)
        return transmittance


def _spectrum_of(bands: Bands) -> Spectrum:
    """Return the water's spectrum behind its bands."""
    assert bands.spectrum is not None
    a, b, fall = bands.spectrum
    return Spectrum(
        attenuation=tuple((a + b).tolist()),
        scattering=tuple(b.tolist()),
        molecular_share=tuple(molecular_share(b, SHARE_NODES_NM).tolist()),
        fall=tuple(fall.tolist()),
        band_fall=tuple(bands.diffuse_attenuation.tolist()),
        shares=tuple(tuple(row) for row in bands.shares.tolist()),
    )


def abeam(path: LightPath) -> F64:
    """Return a level unit direction, ``(3,)``, with the sun to one side.

    Parameters
    ----------
    path
        The water and its sun.

    Returns
    -------
    F64
        Unit vector, world, at right angles to the vertical and to the sun's travel.
    """
    side = np.cross(path.sun_travel, path.up)
    length = float(np.linalg.norm(side))
    if length < 1e-6:
        side = np.cross(path.up, np.eye(3)[int(np.argmin(np.abs(path.up)))])
        length = float(np.linalg.norm(side))
    level: F64 = side / length
    return level


def attenuate(path: LightPath, length_m: F32) -> F32:
    """Return the direct signal's transmittance for each band, ``(K, *shape)``, 0 to 1.

    Parameters
    ----------
    path
        The water.
    length_m
        Metres of water to each surface, any one shape, as `LightPath.path_length` gives.

    Returns
    -------
    F32
        ``(K, *shape)``, float32; 0 at an infinite length.
    """
    return _decays(length_m, path.beam_rate, _NO_LIGHT)


def attenuated(path: LightPath, length_m: F32, light: F32) -> F32:
    """Return what is left of light at the lens, in one pass over it; see `attenuate`.

    Parameters
    ----------
    path, length_m
        As `attenuate` takes them.
    light
        From each surface, ``(K, *shape)``.

    Returns
    -------
    F32
        ``(K, *shape)``, float32, to the bit the light times its transmittance.
    """
    return _decays(length_m, path.beam_rate, light)


def daylight_gain(
    path: LightPath, range_m: F32, mu: F32, *, most: float = math.inf, light: F32 | None = None
) -> F32:
    """Return the light on each surface relative to the reference depth, ``(K, *shape)``, float32.

    Parameters
    ----------
    path
        The water.
    range_m, mu
        True range of the surface and downward component of the view, any one shape; the surface lies
        ``mu range`` deeper than the lens. Above `LightPath.highest_depth_m` the light is that there.
    most
        What is more is that.
    light
        What to multiply with it at once, ``(K, *shape)``.

    Returns
    -------
    F32
        ``(K, *shape)``, 0 or more; 1 at the reference depth by full daylight. The light times that, where it
        is given.
    """
    highest = max(0.0, path.highest_depth_m)
    longest, lens, above = (np.float32(each) for each in (LONGEST_RANGE_M, path.camera_depth_m, highest))
    range_m, mu = _alike(range_m, mu)
    deeper = np.empty(mu.shape, np.float32)
    depths(_flat(range_m), _flat(mu), longest, lens, above, deeper.reshape(-1))
    solved = path.water.daylight()
    lost = solved.downward - solved.log_downward(path.reference_depth_m)
    tables = np.ascontiguousarray((path.downwelling_scale * lost).T, np.float32)
    # No daylight at all is less than any of it that counts.
    tables += np.float32(math.log(max(path.daylight_level, 1e-60)))
    by_depth = ByDepth(tables, (path.downwelling_scale * solved.deep_rate).astype(np.float32))
    return by_depth(deeper, most=most, light=light)


@dataclass(frozen=True)
class ByDepth:
    """Something of each band by depth, in logarithms, as a compiled loop takes it.

    Attributes
    ----------
    tables
        At `depth_nodes`, ``(K, nodes)``.
    deep_rates
        What it falls by beyond the last of them, ``(K,)``, 1/m.
    """

    tables: F32
    deep_rates: F32

    def __call__(self, depth_m: F32, *, most: float = math.inf, light: F32 | None = None) -> F32:
        """Return it at depths of any one shape, 0 or more, at most so much, ``(K, *shape)``; times light."""
        out = np.empty((len(self.tables), *depth_m.shape), np.float32)
        lit = _NO_LIGHT if light is None else _flat_bands(light)
        fallen(_flat(depth_m), *self.for_loops(), np.float32(most), lit, out.reshape(len(out), -1))
        return out

    def for_loops(self) -> tuple[F32, F32, F32, np.float32]:
        """Return nodes, tables, rates and nodes per root of depth, as `fallen` takes them."""
        per_node = np.float32((DEPTH_NODES - 1) / math.sqrt(DEEPEST_M))
        return depth_nodes().astype(np.float32), self.tables, self.deep_rates, per_node


def sunlit_by_depth(path: LightPath) -> ByDepth:
    """Return the share of daylight on a level plane that comes from the sun's side, by depth.

    Parameters
    ----------
    path
        The water and its light.

    Returns
    -------
    ByDepth
        0 to 1 by band; see `LightPath.sunlit_daylight`.
    """
    shares = np.log(np.maximum(path.sunlit_daylight(depth_nodes()), 1e-30))
    tables = np.ascontiguousarray(shares.T, np.float32)
    return ByDepth(tables, np.zeros(len(tables), np.float32))


def _decays(length_m: F32, rates: F64, light: F32) -> F32:
    """Return exp(-k s) for each rate, ``(K, *shape)``, times light where any is given."""
    out = np.empty((len(rates), *length_m.shape), np.float32)
    lit = _flat_bands(light) if light.size else _NO_LIGHT
    decay(_flat(length_m), rates.astype(np.float32), lit, out.reshape(len(rates), -1))
    return out


class VeilShade(Protocol):
    """What things leave of the veil before a region's pixels."""

    def along_rows(self, length_m: F32) -> RowRatios | None:
        """Return the share of each band that is left before all of them, by metres of water; None: all."""

    def dim_places(self, light: F32, length_m: F32, where: tuple[NDArray[np.intp], ...]) -> None:
        """Multiply light ``(K, n)`` before some of them by that."""


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
    shade
        What things leave of the veil that stand in the light, of ``neighbours``.
    neighbours
        Whether what stands beside each other is beside each other in the picture, in whole rows of it: where
        all goes straight along a row, the veil then may.
    """

    length_m: F32
    mu: F32
    cos_sun: F32
    far_length_m: F32 | None = None
    far_share: F32 | None = None
    open_length_m: F32 | None = None
    coverage: F32 | None = None
    shade: VeilShade | None = None
    neighbours: bool = False


@dataclass(frozen=True)
class _Behind:
    """Pixels that show something farther as well: which, its share of them, metres of water to it."""

    where: tuple[NDArray[np.intp], ...]
    share: F32
    length_m: F32

    @classmethod
    def of(cls, share: F32, length_m: F32) -> _Behind:
        where = places_of(share != 0.0)
        return cls(where, share[where], length_m[where])


def veiling_light(path: LightPath, geometry: VeilGeometry) -> F32:
    """Return the light that the water itself adds in front of each pixel, ``(K, rows, columns)``.

    The covered share of a pixel has the veil in front of its surface, the uncovered share that of open water:
    this is what keeps the edge of a thin thing from standing in a dry halo.

    Parameters
    ----------
    path
        The water and its light.
    geometry
        What each pixel shows and how far away.

    Returns
    -------
    F32
        Radiance of each band, ``(K, rows, columns)``, 0 or more.
    """
    length, behind = _layered(geometry)
    veil_before, shade = path.veil_rays(), geometry.shade
    if geometry.neighbours:
        left = None if shade is None else shade.along_rows(length)
        out = veil_before.over_rows(length, geometry.mu, geometry.cos_sun, left=left)
    else:
        out = veil_before(length, geometry.mu, geometry.cos_sun)
    for other in behind:
        if other.share.size:
            at = other.where
            there = veil_before(other.length_m, geometry.mu[at], geometry.cos_sun[at])
            if shade is not None:
                shade.dim_places(there, other.length_m, at)
            here = out[:, at[0], at[1]]
            out[:, at[0], at[1]] = here + other.share * (there - here)
    return out


def hold_halo(path: LightPath, veil: F32, halo: F32, out: F32 | None = None) -> None:
    """Give back to a veil what a halo takes too much of it: what is scattered into a ray is never negative.

    Dark things take from the water before them light that was turned but a little, since that would have come
    from behind them. A halo is spread by one shape over the picture, from brighter neighbours too, and may
    take more than the veil before a pixel holds. In each channel of Rec.709 it is left as it is up to .8 of
    the veil; from there on less and less of it counts, to .92 in all (art: a black square ten metres wide a
    metre away leaves .085, by the photons of the tests). Halos are spread in colours: bands by themselves
    would tell of what only a sum of them holds.

    Parameters
    ----------
    path
        The water.
    veil
        Of each band, ``(K, rows, columns)``, whole rows.
    halo
        What scattering by small angles changes, below 0 where it takes light away; the same shape.
    out
        What is changed, likewise: the veil where not given, or the halo.
    """
    give_back(_apart(halo), *path.colours, _apart(veil), _apart(veil if out is None else out))


def _apart(planes: F32) -> tuple[F32, ...]:
    """Return each plane's pixels in a row, none of them copied."""
    return tuple(plane.reshape(-1) for plane in planes)


@dataclass(frozen=True)
class OpenRays:
    """What open water beyond a place brings to the lens along rays, ready for any place along them.

    In each band it is the sum of two, the sun's light that was scattered once and all the rest,
    J exp(-k s) (1 - exp(-k (end - s))) / k with the ray's own end.

    Attributes
    ----------
    numbers
        J and k of both, ``(4, K, *shape)``, in metres as the direct light has them.
    down
        Downward component of the rays.
    rates
        What art takes from direct light beyond what it takes from the veil: the sum is to be multiplied with
        exp(-rate s), ``(K,)``, 1/m.
    depth_m
        Of the lens.
    step
        The rays are those of every so many pixels.
    """

    numbers: F32
    down: F32
    rates: F32
    depth_m: float
    step: int = 1

    @classmethod
    def of(cls, path: LightPath, veil: VeilRays, mu: F32, cos_sun: F32, *, step: int = 1) -> OpenRays:
        """Take rays by their components down and along the sun's travel; ``veil`` is the path's own."""
        found, scale = veil.sources(mu, cos_sun), np.float32(path.veil_scale)
        bands = (-1, *(1,) * mu.ndim)
        c = path.bands.attenuation.astype(np.float32)
        once_rate = c.reshape(bands) + found.once_fall.reshape(bands) * mu
        numbers = np.stack([found.once, once_rate, found.source, found.rate])
        numbers *= scale
        rates = path.beam_rate - path.veil_scale * path.bands.attenuation
        lost: F32 = np.where(np.abs(rates) > 1e-12, rates, 0.0).astype(np.float32)
        return cls(numbers, mu, lost, max(1e-6, path.camera_depth_m), step)

    def shaded(self, left: F32) -> OpenRays:
        """Return the rays with what things leave of their light, ``(K, *shape)``."""
        numbers = self.numbers.copy()
        numbers[0] *= left
        numbers[2] *= left
        return replace(self, numbers=numbers)

    def without_light(self) -> OpenRays:
        """Return the rays as if the water had no light of its own."""
        return replace(self, numbers=np.zeros_like(self.numbers))


@dataclass(frozen=True)
class RaySources:
    """What the veil of rays is made of, ``(K, *shape)`` each; lengths count as the veil's scale has them.

    Attributes
    ----------
    once
        Source of the sun's light scattered once, radiance per metre.
    once_fall
        It falls along the ray at c plus this times mu, ``(K,)``, 1/m.
    source, rate
        J and k of all other light.
    """

    once: F32
    once_fall: F32
    source: F32
    rate: F32

    def together(self, attenuation: F64, mu: F32) -> tuple[F32, F32]:
        """Return J and k of all light as one, ``(K, *shape)`` each: exact at the lens, near enough beyond."""
        c = attenuation.astype(np.float32).reshape(-1, *(1,) * mu.ndim)
        once_rate = c + self.once_fall.reshape(c.shape) * mu
        source = self.once + self.source
        weighted = self.once * once_rate + self.source * self.rate
        return source, weighted / np.maximum(source, np.float32(1e-30))


@dataclass(frozen=True)
class VeilRays:
    """The light of a lens's water along any rays, as the compiled loops take it.

    Attributes
    ----------
    light
        The light about the lens.
    bands
        What the loops take of each band, ``(K, 5)``.
    scale
        Factor on lengths, see `LightPath.veil_scale`.
    """

    light: LensLight
    bands: F32
    scale: np.float32

    @classmethod
    def of(cls, path: LightPath) -> VeilRays:
        """Take a lens's light."""
        light = path.water.at(path.camera_depth_m)
        strength = path.veil_strength
        rows = [strength, *(strength * light.sun_strength), path.bands.attenuation, light.sun_fall]
        return cls(
            light, np.ascontiguousarray(np.stack(rows, axis=1), np.float32), np.float32(path.veil_scale)
        )

    def __call__(self, length_m: F32, mu: F32, cos_sun: F32) -> F32:
        """Return the veil before rays of one shape, ``(K, *shape)``."""
        out = np.empty((len(self.bands), *mu.shape), np.float32)
        veil(
            _flat(length_m * self.scale),
            _flat(mu),
            _flat(cos_sun),
            self.light.tables,
            sun_numbers(self.light),
            self.bands,
            out.reshape(len(out), -1),
        )
        return out

    @cached_property
    def _bends(self) -> F32:
        return bends_of(self.light.tables)

    def over_rows(self, length_m: F32, mu: F32, cos_sun: F32, *, left: RowRatios | None = None) -> F32:
        """Return the veil before the pixels of whole rows of a picture, ``(K, rows, columns)``.

        Within half a thousandth: where all goes straight along a row, so does the veil. It is as much of
        itself as is ``left``, or whole.
        """
        out = np.empty((len(self.bands), *mu.shape), np.float32)
        veil_over_rows(
            _flat(length_m * self.scale),
            _flat(mu),
            _flat(cos_sun),
            mu.shape[1],
            most_rising(self.light.tables, self.bands),
            self._bends,
            self.light.tables,
            sun_numbers(self.light),
            self.bands,
            NO_RATIOS if left is None else left,
            out.reshape(len(out), -1),
        )
        return out

    def sun_once(self, length_m: F32, mu: F32, cos_sun: F32) -> F32:
        """Return what of the veil is the sun's light scattered once, ``(K, *shape)``."""
        out = np.empty((len(self.bands), *mu.shape), np.float32)
        lengths, flat = _flat(length_m * self.scale), out.reshape(len(out), -1)
        sun_veil(lengths, _flat(mu), _flat(cos_sun), sun_numbers(self.light), self.bands, flat)
        return out

    def sources(self, mu: F32, cos_sun: F32) -> RaySources:
        """Return what the veil of rays of one shape is made of."""
        once, source, rate = (np.empty((len(self.bands), *mu.shape), np.float32) for _ in range(3))
        components(
            _flat(mu),
            _flat(cos_sun),
            self.light.tables,
            sun_numbers(self.light),
            self.bands,
            once.reshape(len(once), -1),
            source.reshape(len(once), -1),
            rate.reshape(len(once), -1),
        )
        return RaySources(once, self.bands[:, 4], source, rate)


def _alike(one: F32, other: F32) -> tuple[F32, F32]:
    """Return both in the shape that they have together."""
    if one.shape == other.shape:
        return one, other
    first, second = np.broadcast_arrays(one, other)
    return first, second


def _flat_bands(light: F32) -> F32:
    return np.ascontiguousarray(light, np.float32).reshape(len(light), math.prod(light.shape[1:]))


def _flat(plane: F32) -> F32:
    return np.ascontiguousarray(plane).ravel()


def _layered(geometry: VeilGeometry) -> tuple[F32, list[_Behind]]:
    """Return the length of each pixel's first layer, and what else the few mixed pixels show."""
    length, behind = geometry.length_m, []
    if geometry.far_length_m is not None and geometry.far_share is not None:
        behind.append(_Behind.of(geometry.far_share, geometry.far_length_m))
    if geometry.open_length_m is not None and geometry.coverage is not None:
        # Pixels that hit nothing have one layer, of open water; the edges have it behind the others.
        length = np.where(geometry.coverage > 0, length, geometry.open_length_m)
        share = np.empty(geometry.coverage.shape, np.float32)
        if shares_left_open(_flat(geometry.coverage), share.reshape(-1)):
            behind.append(_Behind.of(share, geometry.open_length_m))
    return length, behind
