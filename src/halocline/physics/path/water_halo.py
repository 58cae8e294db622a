"""The halo of one water in one picture: its kernels, and what each band regains of its scattering."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import field, replace
from functools import lru_cache

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.disk_cache import kept, package_mark
from halocline.compute.sources import source_digest
from halocline.compute.threads import one_library_thread
from halocline.filters.halo import CELL, FIRST_OF_CELLS, HaloKernels, halo_widths
from halocline.filters.pyramid_blur import NOTHING
from halocline.late_dataclass import dataclass
from halocline.physics.path.halo_loops import give
from halocline.physics.path.phase import henyey_greenstein
from halocline.physics.path.point_spread import SurfaceHalos, Turns
from halocline.physics.path.scattering import empirical_halos, fournier_forand
from halocline.physics.path.transport import LONGEST_RANGE_M, LightPath, OpenRays

# Ranges for which there is a kernel, in lengths of 1/b: from hardly scattered, where all halos are alike, to
# scattered many times over; closest where a thing of a few degrees loses most.
KERNEL_DEPTHS: F64 = np.array([0.06, 0.18, 0.5, 1.1, 2.0, 3.5, 6.2, 12.0])
# Ranges at which what is regained is reckoned, in the same lengths.
RATE_DEPTHS: F64 = np.geomspace(0.01, 60.0, 28)
# Bends of the light for which a halo is reckoned; between them it is mixed, beyond them held.
BENDS = (0.0, 1.0, 2.0, 4.0, 8.0)
# Half widths of the rings on which the bend is taken, radians: what is hidden beyond a halo of a thing's own
# light was turned by so much. And rays of each: the sun is not to fall between two.
RINGS_RAD = (0.4, 0.8, 1.2)
RAYS_OF_RING = 24
# The bend by which it is told how far aside hidden light reaches: what is hidden beyond a halo of a thing's
# own light hardly spreads otherwise under any other.
USUAL_BEND = 1.5
# Coefficients of a rate's polynomial, and the length in 1/b at which half of its change is made.
POWERS, HALF_DEPTH = 5, 5.0
# Lengths in 1/b beyond which so little light is left that rates may be off.
SEEN_DEPTH = 6.0
# Lengths of 1/c, of the clearest band, after which what is left of white light tells the mean water.
MEAN_DEPTH = 2.0
# Optical depth b s beyond which nothing of the direct light is left to scatter: exp(40) is 2e17.
DEEPEST = 40.0
_NOTHING_ADDED: F32 = np.zeros((0, 0, 0), np.float32)


@dataclass(frozen=True)
class WaterHalo:
    """One water's halo.

    Attributes
    ----------
    kernels
        The halo's shape by range, the same in all bands.
    half_m
        Length at which half of the change of a rate is made, metres.
    own, more
        Polynomials by band, ``(K, 5)``: of the rates at which a thing's own light is regained, and of what
        is hidden beyond that; see `halocline.physics.path.halo_loops.give`.
    """

    kernels: HaloKernels
    half_m: float
    own: F32
    more: F32

    def gains(self, length_m: F32) -> F32:
        """Return the energy of large surfaces' own halos relative to their direct light, ``(K, ...)``."""
        s = np.minimum(length_m, np.float32(LONGEST_RANGE_M)).astype(np.float64)
        t = s / (s + self.half_m)
        depths = [np.minimum(np.polynomial.polynomial.polyval(t, own) * s, DEEPEST) for own in self.own]
        gains: F32 = np.expm1(np.stack(depths)).astype(np.float32)
        return gains

    def give(
        self,
        direct: F32,
        surfaces: Surfaces,
        rays: OpenRays,
        mix: F64,
        out: F32,
        wide: F32,
        rows: slice = slice(None),
        *,
        added: Sequence[F32] = (),
        to: int = 0,
        cell: int = CELL,
    ) -> None:
        """Write what some rows of a picture give to its halo, and add what they hide beyond it.

        Parameters
        ----------
        direct
            Light of the surfaces at the lens, down to exp(-c s), ``(K, rows, columns)``, with all that is
            ``added``.
        surfaces
            Where they are.
        rays
            What open water beyond them brings to the lens, from the first of these rows on.
        mix
            Planes of the result by band, ``(C, K)``.
        out
            ``(C, rows, columns)``.
        wide
            Sums over cells of what is hidden beyond the halo, ``(C, cells down, cells across)``.
        rows
            Which rows of all but the rays, ``out`` and ``wide``.
        added
            What of that light the water has added to it, likewise: up to two parts.
        to
            The row of ``out`` that the first of them is written to, a multiple of ``cell``.
        cell
            Side of a cell, pixels: `CELL`, or 1.
        """
        first, last, _ = rows.indices(direct.shape[1])
        part, other, *_ = (*map(np.ascontiguousarray, added), _NOTHING_ADDED, _NOTHING_ADDED)
        give(
            (direct, part, other),
            surfaces.length_m,
            surfaces.cover,
            surfaces.far_light,
            surfaces.far_share,
            rays.numbers,
            rays.down,
            rays.step,
            first,
            last,
            np.array([self.half_m, LONGEST_RANGE_M, DEEPEST, rays.depth_m], np.float32),
            rays.rates,
            self.own,
            self.more,
            np.ascontiguousarray(mix, np.float32),
            out,
            wide,
            to,
            cell,
        )


@dataclass(frozen=True)
class Surfaces:
    """What pixels show, ``(rows, columns)`` each, as `halocline.physics.path.halo_loops.give` takes it.

    Attributes
    ----------
    length_m
        Metres of water to the nearer surface.
    cover
        Part of the pixel that surfaces cover.
    far_light, far_share
        Part of the light, and of the pixel, that the farther surface has; empty where none mix.
    """

    length_m: F32
    cover: F32
    far_light: F32 = field(default_factory=lambda: NOTHING)
    far_share: F32 = field(default_factory=lambda: NOTHING)

    def rows(self, rows: slice) -> Surfaces:
        """Return those of some rows."""
        planes = (self.length_m, self.cover, self.far_light, self.far_share)
        return Surfaces(*(plane[rows] if plane.size else plane for plane in planes))


def band_bends(path: LightPath, direction: F64) -> F64:
    """Return the bend q of the light of each band about a view direction, held to 0 to 8.

    The mean of open water on a ring of half width psi about the ray over that along the ray is
    1 + q psi^2. What is left of a colour that the water takes comes from above alone: about a level ray it
    grows several times as fast as others.

    Parameters
    ----------
    path
        The water and its light.
    direction
        Unit, ``(3,)``.

    Returns
    -------
    F64
        q, ``(K,)``.
    """
    light = path.veil_along(np.inf, rings_about(direction))
    return np.array([bend_of(band) for band in light.T])


def rings_about(direction: F64) -> F64:
    """Return the rays by which the bend of the light is judged.

    Parameters
    ----------
    direction
        Unit, ``(3,)``.

    Returns
    -------
    F64
        The direction itself, then `RAYS_OF_RING` about it at each of `RINGS_RAD`, ``(73, 3)``.
    """
    first = np.cross(direction, np.eye(3)[int(np.argmin(np.abs(direction)))])
    first /= np.linalg.norm(first)
    second = np.cross(direction, first)
    turns = np.linspace(0.0, 2.0 * np.pi, RAYS_OF_RING, endpoint=False)
    ring = np.outer(np.cos(turns), first) + np.outer(np.sin(turns), second)
    return np.vstack([direction, *(np.cos(psi) * direction + np.sin(psi) * ring for psi in RINGS_RAD)])


def bend_of(light: F64) -> float:
    """Return the bend q of light that is known along a direction and on rings about it.

    Parameters
    ----------
    light
        Along `rings_about` it, any unit, ``(73,)``.

    Returns
    -------
    float
        q, the mean of what each ring tells, held to 0 to 8.
    """
    along = float(light[0])
    if along <= 0.0:
        return 0.0
    rings = light[1:].reshape(len(RINGS_RAD), RAYS_OF_RING).mean(axis=1)
    told = (rings / along - 1.0) / np.square(RINGS_RAD)
    return float(np.clip(told.mean(), BENDS[0], BENDS[-1]))


def water_halo(
    path: LightPath, asymmetry: float | None, *, bends: F64, shape: tuple[int, int], focal_px: float
) -> WaterHalo:
    """Return the halo of a water.

    Parameters
    ----------
    path
        The water.
    asymmetry
        Mean cosine of a Henyey-Greenstein lobe; None is the sharp peak of natural particles
        (`fournier_forand`).
    bends
        Of each band, see `band_bends`, ``(K,)``.
    shape
        Rows and columns of the picture.
    focal_px
        Pixels per radian at the picture's centre.

    Returns
    -------
    WaterHalo
        Kernels over optical distance, and the rates of each band at which light goes into them.
    """
    mean = mean_water(path)
    own, more = _rates(asymmetry, bends, mean, _waters(path))
    return WaterHalo(_kernels(asymmetry, mean, shape, focal_px), HALF_DEPTH / mean[1], own, more)


def band_kernels(
    path: LightPath, asymmetry: float | None, *, shape: tuple[int, int], focal_px: float
) -> tuple[HaloKernels, ...]:
    """Return the halo's shape in the water of each band, where `water_halo` has one for all.

    Parameters
    ----------
    path, asymmetry, shape, focal_px
        As in `water_halo`.

    Returns
    -------
    tuple[HaloKernels, ...]
        One a band. Where the water scatters or absorbs more, light is turned more often on its way.
    """
    return tuple(_kernels(asymmetry, (a, b), shape, focal_px) for a, b in zip(*_waters(path), strict=True))


def _waters(path: LightPath) -> tuple[tuple[float, ...], tuple[float, ...]]:
    absorption, scattering = taken_and_turned(path)
    return tuple(absorption.tolist()), tuple(scattering.tolist())


def taken_and_turned(path: LightPath) -> tuple[F64, F64]:
    """Return what of light is lost to halos, and what particles turn, by band, 1/m, ``(K,)`` each.

    Sea water itself scatters to all sides: hardly any of that comes back, so it counts as lost.
    """
    scattering = path.bands.scattering * path.attenuation_scale * (1.0 - path.molecular_share)
    return np.maximum(path.beam_rate - scattering, 0.0), scattering


def _between(bend: float) -> tuple[int, float]:
    """Return the lower of the nearest two of `BENDS`, and which part of the upper a bend is mixed of."""
    at = float(np.interp(bend, BENDS, range(len(BENDS))))
    low = min(int(at), len(BENDS) - 2)
    return low, at - low


def _kernels(
    asymmetry: float | None, water: tuple[float, float], shape: tuple[int, int], focal_px: float
) -> HaloKernels:
    own, more = _kernels_at(asymmetry, water, shape, focal_px)
    return HaloKernels(KERNEL_DEPTHS / water[1], own, more)


def _rates(
    asymmetry: float | None,
    bends: F64,
    mean: tuple[float, float],
    water: tuple[tuple[float, ...], tuple[float, ...]],
) -> tuple[F32, F32]:
    """Return rates of a thing's own light, and shares of what is hidden beyond it, ``(K, 5)`` each."""
    more = []
    for band, bend in enumerate(bends):
        low, part = _between(float(bend))
        near, far = (_rates_at(asymmetry, BENDS[node], mean, water)[1][band] for node in (low, low + 1))
        more.append((1.0 - part) * near + part * far)
    own, _ = _rates_at(asymmetry, BENDS[0], mean, water)
    return own.astype(np.float32), np.array(more, np.float32)


def mean_water(path: LightPath) -> tuple[float, float]:
    """Return absorption and scattering, 1/m, of the water as the eye weighs what comes through it.

    Of white light, after `MEAN_DEPTH` lengths of the clearest band: halos count where much was turned, and
    what the water takes at once has part in none. In the clearest water red would else stand for blue.
    """
    absorption, scattering = taken_and_turned(path)
    lost = MEAN_DEPTH * (path.beam_rate / path.beam_rate.min() - 1.0)
    seen = np.maximum(path.luminance @ path.bands.down, 0.0) * path.white * np.exp(-lost)
    return float(seen @ absorption / seen.sum()), float(seen @ scattering / seen.sum())


def empirical_water_halo(
    path: LightPath, *, gain: float, blur: float, shape: tuple[int, int], focal_px: float
) -> WaterHalo:
    """Return a halo of stated width that gets a share of the scattered light back; a look, not physics.

    Parameters
    ----------
    path
        The water.
    gain
        Share of the scattered light that comes back, 0 to 1.
    blur
        Width of the halo, as `empirical_halos` takes it.
    shape
        Rows and columns of the picture.
    focal_px
        Pixels per radian at the picture's centre.

    Returns
    -------
    WaterHalo
        The halo; nothing of it depends on what the water adds.
    """
    scattering = path.bands.scattering * path.attenuation_scale
    middle = float(np.mean(scattering))
    kernels = empirical_halos(KERNEL_DEPTHS / middle, halo_widths(shape), blur=blur, focal_px=focal_px)
    rates = np.zeros((len(scattering), 5), np.float32)
    rates[:, 0] = gain * scattering
    return WaterHalo(kernels, 1.0 / middle, rates, np.zeros_like(rates))


@lru_cache(maxsize=8)
def turns_of(asymmetry: float | None) -> Turns:
    """Return the turns of a Henyey-Greenstein lobe, or of natural particles (None), reckoned once."""
    if asymmetry is None:
        return Turns.of(fournier_forand)
    return Turns.of(lambda angle: np.asarray(henyey_greenstein(np.cos(angle), asymmetry), np.float64))


@lru_cache(maxsize=64)
def _kernels_at(
    asymmetry: float | None, water: tuple[float, float], shape: tuple[int, int], focal_px: float
) -> F64:
    """Return the kernels' weights, and of what is hidden beyond them, ``(2, KERNEL_DEPTHS, widths)``."""
    widths = halo_widths(shape) / focal_px
    wanted = (2, len(KERNEL_DEPTHS), len(widths))

    def made() -> F64:
        own, bent = (_surface_halos(asymmetry, bend, water) for bend in (BENDS[0], USUAL_BEND))
        beyond = replace(own, rings=np.maximum(bent.rings - own.rings, 0.0))
        # Cells know of no narrower Gaussians than their own.
        wide = np.zeros(wanted[1:])
        wide[:, FIRST_OF_CELLS:] = beyond.mixed_of(widths[FIRST_OF_CELLS:])
        return np.stack([own.mixed_of(widths), wide])

    return _kept(f"kernels {asymmetry} {water!r} {widths.tobytes().hex()}", made, wanted)


@lru_cache(maxsize=32)
def _rates_at(
    asymmetry: float | None,
    bend: float,
    mean: tuple[float, float],
    water: tuple[tuple[float, ...], tuple[float, ...]],
) -> F64:
    """Return the rates of own light, and what is hidden beyond it under light of a bend, ``(2, K, 5)``."""
    lengths = RATE_DEPTHS / mean[1]

    def made() -> F64:
        gains = []
        for q in (0.0, bend):
            halos = _surface_halos(asymmetry, q, mean)
            factor = np.interp(np.log(lengths), np.log(halos.ranges_m), halos.gains / halos.wall)
            gains.append(_log_gains(turns_of(asymmetry), water, lengths, factor, q))
        return _fitted_rates(water[1], lengths, HALF_DEPTH / mean[1], *gains)

    return _kept(f"rates {asymmetry} {bend!r} {mean!r} {water!r}", made, (2, len(water[0]), POWERS))


@lru_cache(maxsize=8)
@one_library_thread()
def _surface_halos(asymmetry: float | None, bend: float, water: tuple[float, float]) -> SurfaceHalos:
    a, b = water
    return SurfaceHalos.of(turns_of(asymmetry), a, b, KERNEL_DEPTHS / b, bend)


def _kept(name: str, made: Callable[[], F64], shape: tuple[int, ...]) -> F64:
    """Return a table kept on disk, for its fits take a while."""
    source = source_digest(__name__) or package_mark()
    found = np.frombuffer(kept("tables", f"{name} {source}".encode(), lambda: made().tobytes()), np.float64)
    # Of another size it is whole, and no such table: somebody else's doing.
    return found.reshape(shape) if found.size == math.prod(shape) else made()


def _log_gains(
    turns: Turns, water: tuple[tuple[float, ...], tuple[float, ...]], lengths: F64, factor: F64, bend: float
) -> F64:
    """Return the logarithm of 1 + the halo's gain at each length, ``(K, lengths)``."""
    found = []
    for a, b in zip(*water, strict=True):
        depths = np.array([b * s * turns.regained(a, b, float(s), bend) for s in lengths])
        # log(1 + factor (exp(depth) - 1)), which deep down is depth + log(factor).
        deep = depths + np.log(factor)
        found.append(
            np.where(depths > DEEPEST, deep, np.log1p(factor * np.expm1(np.minimum(depths, DEEPEST))))
        )
    return np.array(found)


def _fitted_rates(scattering: tuple[float, ...], lengths: F64, half_m: float, own: F64, bent: F64) -> F64:
    """Return polynomials in s / (s + half): the rate of a gain, and what another is beyond it, ``(2, K, 5)``.

    A rate's value times s is the logarithm of 1 + the gain. Lengths count by how much an error of the rate
    there changes the gain, or one of the share what is hidden.
    """
    powers = np.vander(lengths / (lengths + half_m), POWERS, increasing=True)
    rates, shares = [], []
    for b, gain, other in zip(scattering, own, bent, strict=True):
        counts = np.minimum(1.0, SEEN_DEPTH / (b * lengths)) ** 2
        weights = lengths / -np.expm1(-gain) * counts
        rates.append(np.linalg.lstsq(weights[:, None] * powers, weights * gain / lengths, rcond=None)[0])
        more = np.exp(other - gain) * np.expm1(-other) / np.expm1(-gain) - 1.0
        weights = counts / (1.0 + more)
        shares.append(np.linalg.lstsq(weights[:, None] * powers, weights * more, rcond=None)[0])
    return np.array([rates, shares])
