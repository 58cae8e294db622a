"""What a lens at some depth needs of the daylight: tables over direction, and daylight by depth.

Along a ray that leaves the lens, what the water adds is

    veil(s) = int_0^s J(t) exp(-c t) dt = J (1 - exp(-k s)) / k

where J is what is scattered into the ray at the lens, per metre, and k is chosen so that the whole ray, to
the sea surface or without end, comes out exactly; between, the source is taken as one exponential. J and k
are tabled over direction, but for the sun's light scattered once: that is sharp, and has both in closed form.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import lru_cache

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.disk_cache import kept, package_mark
from halocline.compute.sources import source_digest
from halocline.compute.threads import one_library_thread
from halocline.late_dataclass import dataclass
from halocline.physics.path.radiance.solution import (
    FINE,
    Bottom,
    Modes,
    Resolution,
    modes_of,
    under_sky,
    under_sun,
)
from halocline.physics.path.radiance.water_light import WaterLight, ray_ends
from halocline.physics.water.path_integral import mean_share_left

# Places of the tables over height and azimuth; see `direction_grid`.
HEIGHTS = 97
AZIMUTHS = 49
# Daylight is tabled to this depth, metres, and falls evenly beyond it; nodes are denser towards the surface.
DEEPEST_M = 400.0
DEPTH_NODES = 257
# A lens any higher has the light of one as deep as this, metres: rays up have no length left to fit.
HIGHEST_M = 0.01
# Least k of rays that go down over a bottom, as a share of c.
LEAST_RATE = 0.05
# The highest sun is taken as this high: at the zenith exactly it has no azimuth.
_HIGHEST_COSINE = 1.0 - 1e-9
# Of more bands than this (a spectrum by the nanometre) so many are solved at once, and let go: a band takes
# some 5 MB while it is solved.
_BANDS_AT_ONCE = 12
# Azimuth modes that daylight by depth is made of: its irradiances of the first, its level flux of the second.
_DAYLIGHT_AZIMUTHS = 2


def direction_grid() -> tuple[F64, F64]:
    """Return the tables' downward components of the view, ``(HEIGHTS,)``, and azimuths, ``(AZIMUTHS,)``.

    They lie evenly in sign(mu) (1 - sqrt(1 - |mu|)), which is denser towards the vertical, and in sin(phi/2),
    phi the azimuth from where the sun stands, radians.
    """
    place = np.linspace(-1.0, 1.0, HEIGHTS)
    down = np.sign(place) * (1.0 - (1.0 - np.abs(place)) ** 2)
    return down, 2.0 * np.arcsin(np.linspace(0.0, 1.0, AZIMUTHS))


@dataclass(frozen=True, eq=False)
class LensLight:
    """Light around a lens for a downwelling irradiance of 1 at its depth. K bands.

    Attributes
    ----------
    tables
        J, 1/sr/m, and k, 1/m, of all light but the sun's that was scattered once,
        ``(2, K, HEIGHTS * AZIMUTHS)``.
    sun_strength
        Scattering times the sun's irradiance across its beam, ``(2, K)``, 1/m: by particles, and by the water
        itself. Times the phase function it is the source of what the sun's light is scattered to at once.
    sun_fall
        How fast the sun's beam falls with depth, ``(K,)``, 1/m.
    sun_cosine
        Of the sun's zenith angle in water.
    asymmetry
        Of the particles' scattering.
    """

    tables: F32
    sun_strength: F64
    sun_fall: F64
    sun_cosine: float
    asymmetry: float


@dataclass(frozen=True, eq=False)
class DaylightByDepth:
    """Daylight by depth: logarithms of irradiance relative to the surface, ``(DEPTH_NODES, K)``.

    Attributes
    ----------
    downward, scalar
        ln of downwelling and of scalar irradiance at `depth_nodes`.
    level
        Level flux away from the sun's side, as a share of the scalar irradiance.
    deep_rate
        What they fall by beyond the last node, ``(K,)``, 1/m.
    """

    downward: F64
    scalar: F64
    level: F64
    deep_rate: F64

    def log_downward(self, depth_m: F64 | float) -> F64:
        """Return ln Ed at depths, ``(*shape, K)``."""
        return self._at(self.downward, depth_m)

    def log_scalar(self, depth_m: F64 | float) -> F64:
        """Return ln E0 at depths, ``(*shape, K)``."""
        return self._at(self.scalar, depth_m)

    def level_share(self, depth_m: F64 | float) -> F64:
        """Return the level flux as a share of the scalar irradiance at depths, ``(*shape, K)``."""
        y = np.minimum(np.asarray(depth_m, np.float64), DEEPEST_M)
        return self._at(self.level, y)

    def _at(self, table: F64, depth_m: F64 | float) -> F64:
        y = np.maximum(np.asarray(depth_m, np.float64), 0.0)
        place = np.sqrt(np.minimum(y, DEEPEST_M) / DEEPEST_M) * (DEPTH_NODES - 1)
        lower = np.minimum(place.astype(np.int64), DEPTH_NODES - 2)
        nodes = depth_nodes()
        first, last = nodes[lower], nodes[lower + 1]
        share = ((np.minimum(y, DEEPEST_M) - first) / (last - first))[..., None]
        beyond = np.maximum(y - DEEPEST_M, 0.0)[..., None] * self.deep_rate
        above, below = table.take(lower, axis=0), table.take(lower + 1, axis=0)
        return np.asarray(above * (1.0 - share) + below * share - beyond, np.float64)


def depth_nodes() -> F64:
    """Return the depths at which daylight is tabled, metres, ``(DEPTH_NODES,)``, 0 first.

    Returns
    -------
    F64
        0 to `DEEPEST_M`, closer together near the surface.
    """
    nodes: F64 = DEEPEST_M * np.linspace(0.0, 1.0, DEPTH_NODES) ** 2
    return nodes


@dataclass(frozen=True)
class Spectrum:
    """The spectrum of a water behind its bands: N wavelengths, K bands.

    A band is a mean over wavelengths whose light falls at different rates, so that no water has a band's
    daylight. It is solved for at the wavelengths and shared out to the bands.

    Attributes
    ----------
    attenuation, scattering, molecular_share
        As in `WaterAndSky`, by wavelength.
    fall, band_fall
        Kd for which the bands were fitted, by wavelength and by band, 1/m.
    shares
        ``(K, N)``: of each wavelength in each band.
    """

    attenuation: tuple[float, ...]
    scattering: tuple[float, ...]
    molecular_share: tuple[float, ...]
    fall: tuple[float, ...]
    band_fall: tuple[float, ...]
    shares: tuple[tuple[float, ...], ...]


@dataclass(frozen=True)
class WaterAndSky:
    """All that the daylight in a water depends on; equal ones are solved once.

    Attributes
    ----------
    attenuation, scattering, molecular_share
        c and b, 1/m, and the water's own share of b, by band.
    asymmetry
        Of the particles' scattering.
    index
        Refractive index.
    sun_cosine
        Of the refracted sun's zenith angle.
    sun_share
        Of the irradiance on the sea surface; the rest comes from a sky of even radiance.
    resolution
        How finely directions are told apart.
    spectrum
        What the bands stand for; None where each is a water by itself.
    bottom_m, bottom_reflectance
        Depth of a bottom, metres, and its reflectance; None where the water is endless.
    """

    attenuation: tuple[float, ...]
    scattering: tuple[float, ...]
    molecular_share: tuple[float, ...]
    asymmetry: float
    index: float
    sun_cosine: float
    sun_share: float
    resolution: Resolution = FINE
    spectrum: Spectrum | None = None
    bottom_m: float | None = None
    bottom_reflectance: float = 0.0

    def solved(self) -> WaterLight:
        """Return the daylight in this water; kept for the last few waters."""
        return _solved(self)

    @property
    def solved_cosine(self) -> float:
        """Cosine of the sun's zenith angle in water that is solved for: within Snell's window."""
        edge = math.sqrt(1.0 - 1.0 / self.index**2)
        return min(max(self.sun_cosine, edge), _HIGHEST_COSINE)

    def at(self, depth_m: float) -> LensLight:
        """Return what a lens at a depth needs; kept for the last few, and on disk."""
        return _at(self, float(depth_m))

    def daylight(self) -> DaylightByDepth:
        """Return daylight by depth; kept for the last few waters, and on disk."""
        return _daylight(self)


@lru_cache(maxsize=8)
def _modes(
    albedo: tuple[float, ...], own: tuple[float, ...], g: float, n: float, resolution: Resolution
) -> Modes:
    return modes_of(np.array(albedo), np.array(own), asymmetry=g, index=n, resolution=resolution)


@lru_cache(maxsize=16)
@one_library_thread()
def _solved(water: WaterAndSky) -> WaterLight:
    return _lit(water, _modes(*_scattering(water)))


def _scattering(water: WaterAndSky) -> tuple[tuple[float, ...], tuple[float, ...], float, float, Resolution]:
    albedo = tuple((np.array(water.scattering) / np.maximum(water.attenuation, 1e-12)).tolist())
    return albedo, water.molecular_share, water.asymmetry, water.index, water.resolution


def _solved_in_blocks(water: WaterAndSky) -> Iterator[WaterLight]:
    """Yield the daylight of all bands, of `_BANDS_AT_ONCE` at a time; none is kept where they are more."""
    count = len(water.attenuation)
    if count <= _BANDS_AT_ONCE:
        yield water.solved()
        return
    for first in range(0, count, _BANDS_AT_ONCE):
        some = slice(first, first + _BANDS_AT_ONCE)
        block = replace(
            water,
            attenuation=water.attenuation[some],
            scattering=water.scattering[some],
            molecular_share=water.molecular_share[some],
            spectrum=None,
        )
        yield _lit(block, _modes.__wrapped__(*_scattering(block)))


def _lit(water: WaterAndSky, modes: Modes) -> WaterLight:
    c, b, own = water.attenuation, water.scattering, water.molecular_share
    cosine, bottom = water.solved_cosine, None
    if water.bottom_m is not None:
        optical = np.array(c) * (1.0 - modes.straight) * water.bottom_m
        bottom = Bottom(optical, water.bottom_reflectance)
    lights = (
        (under_sun(modes, cosine, bottom), water.sun_share),
        (under_sky(modes, bottom), 1.0 - water.sun_share),
    )
    return WaterLight(
        modes,
        lights,
        np.array(c),
        np.array(b),
        np.array(own),
        water.asymmetry,
        water.bottom_m,
        water.bottom_reflectance,
    )


def _kept(name: str, water: WaterAndSky, size: int, made: Callable[[], bytes]) -> bytes:
    """Return what was made of a water, from disk where it is there."""
    key = f"{name} {water!r} {source_digest(__name__) or package_mark()}"
    found = kept("tables", key, made)
    # Whole, and of another size: somebody else's doing.
    return found if len(found) == size else made()


@lru_cache(maxsize=16)
def _at(water: WaterAndSky, depth_m: float) -> LensLight:
    count, cells = len(water.attenuation), HEIGHTS * AZIMUTHS

    def made() -> bytes:
        light = _lens_light(water, depth_m)
        return light.tables.tobytes() + np.append(light.sun_strength, light.sun_fall).tobytes()

    tables, rest = 2 * count * cells * 4, 3 * count * 8
    found = _kept(f"lens {depth_m!r}", water, tables + rest, made)
    numbers = np.frombuffer(found[tables:], np.float64).reshape(3, count)
    return LensLight(
        np.frombuffer(found[:tables], np.float32).reshape(2, count, cells).copy(),
        numbers[:2],
        numbers[2],
        water.solved_cosine,
        water.asymmetry,
    )


@one_library_thread()
def _lens_light(water: WaterAndSky, depth_m: float) -> LensLight:
    found = [_lens_light_of(water, light, depth_m) for light in _solved_in_blocks(water)]
    return LensLight(
        np.concatenate([some.tables for some in found], axis=1),
        np.concatenate([some.sun_strength for some in found], axis=1),
        np.concatenate([some.sun_fall for some in found]),
        water.solved_cosine,
        water.asymmetry,
    )


def _lens_light_of(water: WaterAndSky, light: WaterLight, depth_m: float) -> LensLight:
    down, azimuth = direction_grid()
    y = max(depth_m, HIGHEST_M)
    if water.bottom_m is not None:
        # A lens on the bottom has no length left to fit either.
        y = min(y, max(water.bottom_m - HIGHEST_M, 0.5 * water.bottom_m))
    source, path = light.radiance(y, down, azimuth)
    rate = matching_rate(source, path, ray_ends(y, down, water.bottom_m)[:, None, None])
    if water.bottom_m is not None:
        # Where the picture shows no bottom the water goes on, and its light must not grow without end.
        rate = np.where(down[:, None, None] > 0.0, np.maximum(rate, LEAST_RATE * light.attenuation), rate)
    level = light.downward(np.array([y]))[0]
    tables = np.stack([source / level, rate]).astype(np.float32)
    count = level.size
    beam = light.scattering * light.beam(np.array([y]))[0] / level
    own = light.molecular_share
    return LensLight(
        np.ascontiguousarray(np.moveaxis(tables, 3, 1).reshape(2, count, -1)),
        np.stack([beam * (1.0 - own), beam * own]),
        light.scaled_rate / light.sun_cosine,
        light.sun_cosine,
        water.asymmetry,
    )


@lru_cache(maxsize=16)
def _daylight(water: WaterAndSky) -> DaylightByDepth:
    count = len(water.attenuation)

    def made() -> bytes:
        light = _light_by_depth(water)
        return np.concatenate([light.downward, light.scalar, light.level, light.deep_rate[None]]).tobytes()

    found = _kept("daylight", water, (3 * DEPTH_NODES + 1) * count * 8, made)
    rows = np.frombuffer(found, np.float64).reshape(-1, count)
    downward, scalar, level, deep = np.split(rows, [DEPTH_NODES, 2 * DEPTH_NODES, 3 * DEPTH_NODES])
    return DaylightByDepth(downward, scalar, level, deep[0])


@one_library_thread()
def _light_by_depth(water: WaterAndSky) -> DaylightByDepth:
    nodes = depth_nodes()
    if len(water.attenuation) > _BANDS_AT_ONCE:
        finer = water.resolution
        azimuths = min(_DAYLIGHT_AZIMUTHS, finer.azimuths)
        resolution = Resolution(finer.streams_a_run, finer.moments, azimuths)
        water = replace(water, resolution=resolution)
    parts = [_of_bands(light, nodes) for light in _solved_in_blocks(water)]
    downward, scalar, level, deep = (np.concatenate(of, axis=-1) for of in zip(*parts, strict=True))
    if water.spectrum is None:
        fallen = deep * nodes[:, None]
        return DaylightByDepth(downward - fallen, scalar - fallen, level, deep)
    shared, deep = _shared_out(water, water.spectrum)
    return DaylightByDepth(shared, shared + scalar - downward, level, deep)


def _of_bands(light: WaterLight, depth_m: F64) -> tuple[F64, F64, F64, F64]:
    """Return ln Ed, ln E0 and the level share at depths, ``(n, K)``, and the rate beyond, ``(K,)``."""
    downward, scalar = light.downward(depth_m), light.scalar(depth_m)
    return np.log(downward), np.log(scalar), light.level_flux(depth_m) / scalar, light.slowest


def _shared_out(water: WaterAndSky, spectrum: Spectrum) -> tuple[F64, F64]:
    """Return ln Ed of the bands at `depth_nodes`, and the rate beyond the last.

    A band falls as its fit says, and faster or slower by its share of what each wavelength does beside the Kd
    of the fit; within the rates of all wavelengths, for shares may be negative.
    """
    nodes = depth_nodes()
    light = replace(
        water,
        attenuation=spectrum.attenuation,
        scattering=spectrum.scattering,
        molecular_share=spectrum.molecular_share,
        resolution=Resolution(water.resolution.streams_a_run, water.resolution.moments, 1),
        spectrum=None,
    ).solved()
    logs = np.log(light.downward(nodes)) - light.slowest * nodes[:, None]
    fall, shares = np.array(spectrum.fall), np.array(spectrum.shares)
    steps = np.diff(nodes)[:, None]
    rates = np.concatenate([-np.diff(logs, axis=0) / steps, light.slowest[None]])
    shared = np.array(spectrum.band_fall) + (rates - fall) @ shares.T
    shared = np.clip(shared, rates.min(axis=1, keepdims=True), rates.max(axis=1, keepdims=True))
    first = logs[:1] @ shares.T
    return np.concatenate([first, first - np.cumsum(shared[:-1] * steps, axis=0)]), shared[-1]


def matching_rate(source: F64, path: F64, end_m: F64) -> F64:
    """Return the k for which source (1 - exp(-k end)) / k is the whole path, 1/m.

    Parameters
    ----------
    source, path
        Positive, of one shape.
    end_m
        Length of the ray, metres, broadcast; where it is inf, k = source / path.

    Returns
    -------
    F64
        1/m, negative where the light grows along the ray; in the shape of ``source``.
    """
    endless = source / path
    end = np.broadcast_to(np.where(np.isinf(end_m), 1.0, end_m), source.shape)
    # (1 - exp(-x)) / x = r, by Newton's method in logarithms; steep and thin rays need a handful of steps.
    r = np.maximum(path / (source * end), 1e-9)
    x = np.where(r < 1.0, (1.0 - r * r) / r, -2.0 * np.log(r))
    for _ in range(12):
        part = mean_share_left(x)
        small = np.abs(x) < 1e-4
        safe = np.where(small, 1.0, x)
        slope = np.where(small, -0.5, np.exp(-x) / (safe * part) - 1.0 / safe)
        x = x - (np.log(part) - np.log(r)) / slope
    return np.where(np.isinf(end_m), endless, x / end)
