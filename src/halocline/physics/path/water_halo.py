"""The halo of one water in one picture: its kernels, and what each band regains of its scattering."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import field
from functools import lru_cache

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.disk_cache import kept, package_mark
from halocline.compute.sources import source_digest
from halocline.compute.threads import one_library_thread
from halocline.filters.halo import HaloKernels, halo_widths
from halocline.filters.pyramid_blur import NOTHING
from halocline.late_dataclass import dataclass
from halocline.physics.path.halo_loops import give
from halocline.physics.path.phase import henyey_greenstein
from halocline.physics.path.point_spread import SurfaceHalos, Turns
from halocline.physics.path.scattering import empirical_halos, fournier_forand
from halocline.physics.path.transport import LONGEST_RANGE_M, LightPath, OpenRays

# Ranges for which there is a kernel, in lengths of 1/b: from hardly scattered to scattered many times over.
KERNEL_DEPTHS: F64 = np.geomspace(0.06, 12.0, 8)
# Ranges at which what is regained is reckoned, in the same lengths.
RATE_DEPTHS: F64 = np.geomspace(0.01, 60.0, 28)
# Bends of the light for which a halo is reckoned; between them it is mixed, beyond them held.
BENDS = (0.0, 1.0, 2.0, 4.0)
# Half width of the ring on which the bend is taken, radians: half of a halo lies within it.
RING_RAD = 0.5
# Coefficients of a rate's polynomial, and the length in 1/b at which half of its change is made.
POWERS, HALF_DEPTH = 5, 5.0
# Lengths in 1/b beyond which so little light is left that rates may be off.
SEEN_DEPTH = 6.0
# Optical depth b s beyond which nothing of the direct light is left to scatter: exp(40) is 2e17.
DEEPEST = 40.0


@dataclass(frozen=True)
class WaterHalo:
    """One water's halo, under light of one bend.

    Attributes
    ----------
    kernels
        The halo's shape by range, the same in all bands.
    half_m
        Length at which half of the change of a rate is made, metres.
    own, hidden
        Polynomials of the rates by band, ``(K, 5)``, see `halocline.physics.path.halo_loops.give`.
    """

    kernels: HaloKernels
    half_m: float
    own: F32
    hidden: F32

    def gains(self, length_m: F32) -> F32:
        """Return the energy of large bright surfaces' halos relative to their direct light, ``(K, ...)``."""
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
        rows: slice = slice(None),
        *,
        to: int = 0,
    ) -> None:
        """Write what some rows of a picture give to its halo.

        Parameters
        ----------
        direct
            Light of the surfaces at the lens, down to exp(-c s), ``(K, rows, columns)``.
        surfaces
            Where they are.
        rays
            What open water beyond them brings to the lens, from the first of these rows on.
        mix
            Planes of the result by band, ``(C, K)``.
        out
            ``(C, rows, columns)``.
        rows
            Which rows of all but the rays and ``out``.
        to
            The row of ``out`` that the first of them is written to.
        """
        first, last, _ = rows.indices(direct.shape[1])
        give(
            direct,
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
            self.hidden,
            np.ascontiguousarray(mix, np.float32),
            out,
            to,
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


def light_bend(path: LightPath, direction: F64) -> float:
    """Return the bend q of the water's light about a view direction, held to 0 to 4.

    The mean of open water on a ring about the ray over that along the ray is 1 + q psi^2.

    Parameters
    ----------
    path
        The water and its light.
    direction
        Unit, ``(3,)``.

    Returns
    -------
    float
        q, 0 to 4.
    """
    luminance = np.maximum(path.luminance @ path.bands.down, 0.0)
    along, *around = path.veil_along(np.inf, ring_about(direction)) @ luminance
    return bend_of(float(along), np.array(around))


def band_bends(path: LightPath, direction: F64) -> F64:
    """Return the bend q of the light of each band about a view direction, see `light_bend`.

    What is left of a colour that the water takes comes from above alone: about a level ray it grows several
    times as fast as others.

    Parameters
    ----------
    path, direction
        As in `light_bend`.

    Returns
    -------
    F64
        q, 0 to 4, ``(K,)``.
    """
    light = path.veil_along(np.inf, ring_about(direction))
    return np.array([bend_of(float(band[0]), band[1:]) for band in light.T])


def ring_about(direction: F64) -> F64:
    """Return the rays by which the bend of the light is judged.

    Parameters
    ----------
    direction
        Unit, ``(3,)``.

    Returns
    -------
    F64
        The direction itself, then eight about it at `RING_RAD`, ``(9, 3)``.
    """
    first = np.cross(direction, np.eye(3)[int(np.argmin(np.abs(direction)))])
    first /= np.linalg.norm(first)
    second = np.cross(direction, first)
    turns = np.linspace(0.0, 2.0 * np.pi, 8, endpoint=False)
    ring = np.outer(np.cos(turns), first) + np.outer(np.sin(turns), second)
    return np.vstack([direction, np.cos(RING_RAD) * direction + np.sin(RING_RAD) * ring])


def bend_of(along: float, around: F64) -> float:
    """Return the bend q of light that is known along a direction and on the ring about it.

    Parameters
    ----------
    along
        Along it, any unit.
    around
        On the ring, in the same unit.

    Returns
    -------
    float
        q, held to 0 to 4.
    """
    if along <= 0.0:
        return 0.0
    return float(np.clip((np.mean(around) / along - 1.0) / RING_RAD**2, BENDS[0], BENDS[-1]))


def water_halo(
    path: LightPath,
    asymmetry: float | None,
    *,
    bend: float,
    shape: tuple[int, int],
    focal_px: float,
    bends: F64 | None = None,
) -> WaterHalo:
    """Return the halo of a water.

    Parameters
    ----------
    path
        The water.
    asymmetry
        Mean cosine of a Henyey-Greenstein lobe; None is the sharp peak of natural particles
        (`fournier_forand`).
    bend
        See `light_bend`: the halo's shape is that of light of this bend.
    shape
        Rows and columns of the picture.
    focal_px
        Pixels per radian at the picture's centre.
    bends
        Of each band, see `band_bends`; ``bend`` for all if None.

    Returns
    -------
    WaterHalo
        Kernels over optical distance, and the rates of each band at which light goes into them.
    """
    mean, water = mean_water(path), _waters(path)
    kernels = _kernels(asymmetry, bend, mean, shape, focal_px)
    each = np.full(len(water[0]), bend) if bends is None else bends
    own, hidden = _rates(asymmetry, each, mean, water)
    return WaterHalo(kernels, HALF_DEPTH / mean[1], own, hidden)


def band_kernels(
    path: LightPath, asymmetry: float | None, *, bends: F64, shape: tuple[int, int], focal_px: float
) -> tuple[HaloKernels, ...]:
    """Return the halo's shape in the water of each band, where `water_halo` has one for all.

    Parameters
    ----------
    path, asymmetry, bends, shape, focal_px
        As in `water_halo`.

    Returns
    -------
    tuple[HaloKernels, ...]
        One a band. Where the water scatters or absorbs more, light is turned more often on its way.
    """
    return tuple(
        _kernels(asymmetry, float(bend), (a, b), shape, focal_px)
        for a, b, bend in zip(*_waters(path), bends, strict=True)
    )


def _waters(path: LightPath) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return absorption and scattering of each band, 1/m."""
    absorption, scattering = _taken_and_turned(path)
    return tuple(absorption.tolist()), tuple(scattering.tolist())


def _taken_and_turned(path: LightPath) -> tuple[F64, F64]:
    scattering = path.bands.scattering * path.attenuation_scale
    return np.maximum(path.beam_rate - scattering, 0.0), scattering


def _between(bend: float) -> tuple[int, float]:
    """Return the lower of the nearest two of `BENDS`, and which part of the upper a bend is mixed of."""
    at = float(np.interp(bend, BENDS, range(len(BENDS))))
    low = min(int(at), len(BENDS) - 2)
    return low, at - low


def _kernels(
    asymmetry: float | None, bend: float, water: tuple[float, float], shape: tuple[int, int], focal_px: float
) -> HaloKernels:
    """Return the halo's shape under light of any bend, mixed of those at the nearest two of `BENDS`."""
    low, part = _between(bend)
    near, far = (_kernels_at(asymmetry, BENDS[node], water, shape, focal_px) for node in (low, low + 1))
    return HaloKernels(KERNEL_DEPTHS / water[1], (1.0 - part) * near + part * far)


def _rates(
    asymmetry: float | None,
    bends: F64,
    mean: tuple[float, float],
    water: tuple[tuple[float, ...], tuple[float, ...]],
) -> tuple[F32, F32]:
    """Return rates of light brighter and of light darker than the water, ``(K, 5)`` each."""
    hidden = []
    for band, bend in enumerate(bends):
        low, part = _between(float(bend))
        near, far = (_rates_at(asymmetry, BENDS[node], mean, water)[1][band] for node in (low, low + 1))
        hidden.append((1.0 - part) * near + part * far)
    own, _ = _rates_at(asymmetry, BENDS[0], mean, water)
    return own.astype(np.float32), np.array(hidden, np.float32)


def mean_water(path: LightPath) -> tuple[float, float]:
    """Return absorption and scattering, 1/m, of the water as the eye weighs its bands."""
    absorption, scattering = _taken_and_turned(path)
    seen = np.maximum(path.luminance @ path.bands.down, 0.0) * path.white
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
    return WaterHalo(kernels, 1.0 / middle, rates, rates)


@lru_cache(maxsize=8)
def turns_of(asymmetry: float | None) -> Turns:
    """Return the turns of a Henyey-Greenstein lobe, or of natural particles (None), reckoned once."""
    if asymmetry is None:
        return Turns.of(fournier_forand)
    return Turns.of(lambda angle: np.asarray(henyey_greenstein(np.cos(angle), asymmetry), np.float64))


@lru_cache(maxsize=64)
def _kernels_at(
    asymmetry: float | None, bend: float, water: tuple[float, float], shape: tuple[int, int], focal_px: float
) -> F64:
    """Return the kernels' weights under light of one bend, ``(KERNEL_DEPTHS, widths)``."""
    widths = halo_widths(shape) / focal_px
    wanted = (len(KERNEL_DEPTHS), len(widths))

    def made() -> F64:
        return _surface_halos(asymmetry, bend, water).mixed_of(widths)

    return _kept(f"kernels {asymmetry} {bend!r} {water!r} {widths.tobytes().hex()}", made, wanted)


@lru_cache(maxsize=32)
def _rates_at(
    asymmetry: float | None,
    bend: float,
    mean: tuple[float, float],
    water: tuple[tuple[float, ...], tuple[float, ...]],
) -> F64:
    """Return the rates of light of no bend, and of one bend, ``(2, K, 5)``."""
    lengths = RATE_DEPTHS / mean[1]

    def made() -> F64:
        halos = _surface_halos(asymmetry, bend, mean)
        factor = np.interp(np.log(lengths), np.log(halos.ranges_m), halos.gains / halos.wall)
        turns, half_m = turns_of(asymmetry), HALF_DEPTH / mean[1]
        return np.stack([_fitted_rates(turns, water, lengths, factor, half_m, q) for q in (0.0, bend)])

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


def _fitted_rates(
    turns: Turns,
    water: tuple[tuple[float, ...], tuple[float, ...]],
    lengths: F64,
    factor: F64,
    half_m: float,
    bend: float,
) -> F64:
    """Return the polynomials whose value times s is the logarithm of 1 + the halo's gain, ``(K, 5)``.

    Lengths count by how much an error of the rate there changes the gain.
    """
    powers = np.vander(lengths / (lengths + half_m), POWERS, increasing=True)
    rates = []
    for a, b in zip(*water, strict=True):
        depths = np.array([b * s * turns.regained(a, b, float(s), bend) for s in lengths])
        # log(1 + factor (exp(depth) - 1)), which deep down is depth + log(factor).
        deep = depths + np.log(factor)
        gains = np.where(depths > DEEPEST, deep, np.log1p(factor * np.expm1(np.minimum(depths, DEEPEST))))
        weights = lengths / -np.expm1(-gains) * np.minimum(1.0, SEEN_DEPTH / (b * lengths)) ** 2
        rates.append(np.linalg.lstsq(weights[:, None] * powers, weights * gains / lengths, rcond=None)[0])
    return np.array(rates)
