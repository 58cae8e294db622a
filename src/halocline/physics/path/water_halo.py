"""The halo of one water in one picture: its kernels, and what each band regains of its scattering."""

from __future__ import annotations

import math
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
# Coefficients of a rate's polynomial.
POWERS = 5
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
        q, 0 to 2.
    """
    luminance = np.maximum(path.luminance @ path.bands.down, 0.0)
    along, *around = (float(luminance @ path.veil_along(np.inf, ray)) for ray in ring_about(direction))
    return bend_of(along, np.array(around))


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
    path: LightPath, asymmetry: float | None, *, bend: float, shape: tuple[int, int], focal_px: float
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
        See `light_bend`.
    shape
        Rows and columns of the picture.
    focal_px
        Pixels per radian at the picture's centre.

    Returns
    -------
    WaterHalo
        Kernels over optical distance, and the rates of each band at which light goes into them.
    """
    return _mixed(asymmetry, bend, mean_water(path), _waters(path), shape, focal_px)


def band_kernels(
    path: LightPath, asymmetry: float | None, *, bend: float, shape: tuple[int, int], focal_px: float
) -> tuple[HaloKernels, ...]:
    """Return the halo's shape in the water of each band, where `water_halo` has one for all.

    Parameters
    ----------
    path, asymmetry, bend, shape, focal_px
        As in `water_halo`.

    Returns
    -------
    tuple[HaloKernels, ...]
        One a band. Where the water scatters or absorbs more, light is turned more often on its way.
    """
    waters = _waters(path)
    return tuple(
        _mixed(asymmetry, bend, (a, b), ((a,), (b,)), shape, focal_px).kernels
        for a, b in zip(*waters, strict=True)
    )


def _waters(path: LightPath) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return absorption and scattering of each band, 1/m."""
    absorption, scattering = _taken_and_turned(path)
    return tuple(absorption.tolist()), tuple(scattering.tolist())


def _taken_and_turned(path: LightPath) -> tuple[F64, F64]:
    scattering = path.bands.scattering * path.attenuation_scale
    return np.maximum(path.beam_rate - scattering, 0.0), scattering


def _mixed(
    asymmetry: float | None,
    bend: float,
    mean: tuple[float, float],
    water: tuple[tuple[float, ...], tuple[float, ...]],
    shape: tuple[int, int],
    focal_px: float,
) -> WaterHalo:
    """Return the halo under light of any bend, mixed of those at the nearest two of `BENDS`."""
    at = float(np.interp(bend, BENDS, range(len(BENDS))))
    low = min(int(at), len(BENDS) - 2)
    ends = [_halo(asymmetry, BENDS[node], mean, water, shape, focal_px) for node in (low, low + 1)]
    part = at - low
    weights = (1.0 - part) * ends[0].kernels.weights + part * ends[1].kernels.weights
    hidden = ((1.0 - part) * ends[0].hidden + part * ends[1].hidden).astype(np.float32)
    return WaterHalo(HaloKernels(ends[0].kernels.ranges_m, weights), ends[0].half_m, ends[0].own, hidden)


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


@lru_cache(maxsize=32)
def _halo(
    asymmetry: float | None,
    bend: float,
    mean: tuple[float, float],
    water: tuple[tuple[float, ...], tuple[float, ...]],
    shape: tuple[int, int],
    focal_px: float,
) -> WaterHalo:
    """Return the halo under light of one bend; kept on disk, for its fits take a second."""
    widths = halo_widths(shape) / focal_px
    _, b = mean
    bands, kernels = len(water[0]), (len(KERNEL_DEPTHS), len(widths))
    source = source_digest(__name__) or package_mark()
    key = f"halo {asymmetry} {bend!r} {mean!r} {water!r} {source} ".encode() + widths.tobytes()
    wanted = math.prod(kernels) + 2 * bands * POWERS

    def made() -> bytes:
        return _fitted_halo(turns_of(asymmetry), mean, water, bend, widths).tobytes()

    found = np.frombuffer(kept("tables", key, made), np.float64)
    if found.size != wanted:
        # Whole, and no halo: somebody else's doing.
        found = np.frombuffer(made(), np.float64)
    weights, own, hidden = np.split(found, [math.prod(kernels), wanted - bands * POWERS])
    return WaterHalo(
        HaloKernels(KERNEL_DEPTHS / b, weights.reshape(kernels)),
        1.0 / b,
        own.reshape(bands, POWERS).astype(np.float32),
        hidden.reshape(bands, POWERS).astype(np.float32),
    )


@one_library_thread()
def _fitted_halo(
    turns: Turns,
    mean: tuple[float, float],
    water: tuple[tuple[float, ...], tuple[float, ...]],
    bend: float,
    widths: F64,
) -> F64:
    """Return the kernels' weights, then the rates of both kinds, in one row."""
    a, b = mean
    ranges = KERNEL_DEPTHS / b
    halos = SurfaceHalos.of(turns, a, b, ranges, bend)
    lengths = RATE_DEPTHS / b
    factor = np.interp(np.log(lengths), np.log(ranges), halos.gains / halos.wall)
    own = _rates(turns, water, lengths, factor, 1.0 / b, 0.0)
    hidden = _rates(turns, water, lengths, factor, 1.0 / b, bend)
    return np.concatenate([halos.mixed_of(widths).ravel(), own.ravel(), hidden.ravel()]).astype(np.float64)


def _rates(
    turns: Turns,
    water: tuple[tuple[float, ...], tuple[float, ...]],
    lengths: F64,
    factor: F64,
    half_m: float,
    bend: float,
) -> F32:
    """Return the polynomials whose value times s is the logarithm of 1 + the halo's gain, ``(K, 5)``."""
    powers = np.vander(lengths / (lengths + half_m), POWERS, increasing=True)
    rates = []
    for a, b in zip(*water, strict=True):
        depths = np.array([b * s * turns.regained(a, b, float(s), bend) for s in lengths])
        # log(1 + factor (exp(depth) - 1)), which deep down is depth + log(factor).
        deep = depths + np.log(factor)
        gains = np.where(depths > DEEPEST, deep, np.log1p(factor * np.expm1(np.minimum(depths, DEEPEST))))
        rates.append(np.linalg.lstsq(powers, gains / lengths, rcond=None)[0])
    return np.array(rates, np.float32)
