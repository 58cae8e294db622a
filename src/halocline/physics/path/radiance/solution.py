"""The solution: radiance in homogeneous water, endless downwards, under sun and sky (discrete ordinates).

Depth counts as optical depth, t = c y, and is scaled: what scattering throws almost straight on counts as not
scattered (`Water.straight`, wiscombe1977). At the directions of `streams` and in azimuth as a Fourier series,

    I_m(t, mu) = sum_j C_j G_j(mu) exp(-k_j t) + Z(mu) exp(-t / mu_sun)

with as many rates k_j as there are streams in a hemisphere. Each is found as an eigenvalue of a symmetric
matrix (nakajima1986), and the C_j from what the surface lets in and reflects. Source: stamnes1988.

The sun's light that is scattered once is left to a closed form (nakajima1988), for it is sharp.

Over a bottom (`Bottom`) light comes back: to each mode that fades downwards belongs one that fades upwards as
fast, with what goes down and up exchanged.
"""

from __future__ import annotations

import math

import numpy as np

from halocline._typing import F64
from halocline.late_dataclass import dataclass
from halocline.physics.bending.refraction import fresnel_reflectance
from halocline.physics.path.radiance.streams import Streams, harmonics, moments_of, streams

# A rate this near to the sun's, relative, would divide by zero; the sun is moved off it by as much.
_RESONANCE = 1e-6


@dataclass(frozen=True)
class Resolution:
    """How finely directions are told apart.

    Attributes
    ----------
    streams_a_run
        Streams inside Snell's window, and as many outside, of each hemisphere.
    moments
        Legendre moments of scattering.
    azimuths
        Azimuth modes.
    """

    streams_a_run: int
    moments: int
    azimuths: int


# Twice as many of all change nine tenths of directions by less than 0.1 percent.
FINE = Resolution(16, 48, 24)
# For fits, which try hundreds of waters: within some percent but for a narrow surround of the sun.
COARSE = Resolution(8, 24, 12)


@dataclass(frozen=True, eq=False)
class Modes:
    """What a water does by itself, whatever light falls on it. K waters at once.

    Attributes
    ----------
    streams
        Directions.
    albedo
        Single-scattering albedo, scaled, ``(K,)``.
    straight
        Share of c that goes on as if nothing had happened, ``(K,)``: scaled depth is (1 - straight) c y.
    weights
        (2 l + 1) times the scaled moments of scattering, ``(K, moments)``.
    rates
        k_j, ``(K, M, N)``, per scaled optical depth.
    down, up
        G_j at the streams that go down and up, ``(K, M, N, N)``, directions first.
    root, inverse_root
        Lower triangle R with R R^T the matrix of differences, and its inverse, ``(K, M, N, N)``.
    vectors
        Eigenvectors, ``(K, M, N, N)``.
    sums
        The matrix of sums, ``(K, M, N, N)``.
    """

    streams: Streams
    index: float
    albedo: F64
    straight: F64
    weights: F64
    rates: F64
    down: F64
    up: F64
    root: F64
    inverse_root: F64
    vectors: F64
    sums: F64


def modes_of(
    albedo: F64, molecular_share: F64, *, asymmetry: float, index: float, resolution: Resolution = FINE
) -> Modes:
    """Return the modes of waters.

    Parameters
    ----------
    albedo
        w0, ``(K,)``, 0 to below 1.
    molecular_share
        Share of scattering by the water itself, ``(K,)``.
    asymmetry
        g of the particles' scattering.
    index
        Refractive index.
    resolution
        How finely directions are told apart.
    """
    count = resolution.moments
    grid = streams(index, a_run=resolution.streams_a_run, moments=count)
    w0 = np.clip(np.asarray(albedo, np.float64), 1e-9, 1.0 - 1e-7)
    moments = moments_of(asymmetry, molecular_share, count + 1)
    forward = moments[:, -1]
    straight = w0 * forward
    scaled = w0 * (1.0 - forward) / (1.0 - straight)
    order = np.arange(count)
    weights = (2 * order + 1) * (moments[:, :-1] - forward[:, None]) / (1.0 - forward[:, None])
    # Harmonics even and odd about the horizon, as `A = 1/mu - sum of products` for sums and differences.
    basis = grid.harmonics[: resolution.azimuths] * np.sqrt(grid.weight / grid.cosine)
    odd = (order[None, :] + np.arange(resolution.azimuths)[:, None]) % 2
    inverse = np.diag(1.0 / grid.cosine)
    both = []
    for parity in (0, 1):
        part = weights[:, None, :] * (odd == parity) * scaled[:, None, None]
        both.append(inverse - np.matmul(np.swapaxes(basis, 1, 2) * part[:, :, None, :], basis))
    sums, differences = both
    root = np.linalg.cholesky(differences)
    inner = np.matmul(np.swapaxes(root, 2, 3), np.matmul(sums, root))
    squares, vectors = np.linalg.eigh(0.5 * (inner + np.swapaxes(inner, 2, 3)))
    rates = np.sqrt(np.maximum(squares, 1e-16))
    total = np.matmul(root, vectors)
    net = np.matmul(sums, total) / rates[:, :, None, :]
    back = 0.5 / np.sqrt(grid.weight * grid.cosine)[:, None]
    return Modes(
        grid,
        index,
        scaled,
        straight,
        weights,
        rates,
        back * (total + net),
        back * (total - net),
        root,
        np.linalg.inv(root),
        vectors,
        sums,
    )


@dataclass(frozen=True, eq=False)
class Bottom:
    """A level bottom that reflects alike in all directions (Lambert's law).

    Attributes
    ----------
    optical_depth
        Of the water above it, scaled, ``(K,)``.
    reflectance
        0 to 1.
    """

    optical_depth: F64
    reflectance: float


@dataclass(frozen=True, eq=False)
class Lit:
    """The modes' strengths under one light.

    Attributes
    ----------
    modes
        The water.
    strengths
        C_j, ``(K, M', N)``; M' is 1 for light alike all around.
    beam_down, beam_up
        Z at the streams, ``(K, M', N)``; zero where there is no sun.
    beam_cosine
        Cosine of the sun in water.
    beam
        The sun's irradiance across its beam just below the surface; 0 where there is no sun.
    window
        Radiance of the sky within Snell's window minus what the surface reflects, per (1 - reflectance).
    risen
        Strengths of the modes that fade upwards, at the bottom, times exp(k_0 t), k_0 the least of all rates
        and t the bottom's optical depth; ``(K, M', N)``, None where there is no bottom.
    """

    modes: Modes
    strengths: F64
    beam_down: F64
    beam_up: F64
    beam_cosine: float
    beam: float
    window: float
    risen: F64 | None = None


def under_sun(modes: Modes, sun_cosine: float, bottom: Bottom | None = None) -> Lit:
    """Return the light of a sun that brings a unit of irradiance to the level sea surface, in air.

    Parameters
    ----------
    modes
        The water.
    sun_cosine
        Cosine of the refracted sun's zenith angle, in water: at least that of the edge of Snell's window.
    bottom
        Under the water, where it has an end.
    """
    grid = modes.streams
    count = modes.rates.shape[1]
    rate = 1.0 / sun_cosine
    shift = _RESONANCE * rate
    nearest = np.abs(modes.rates - rate).min()
    if nearest < 2.0 * shift:
        rate = rate * (1.0 + 4.0 * _RESONANCE)
    in_air = math.sqrt(max(0.0, 1.0 - modes.index**2 * (1.0 - sun_cosine**2)))
    through = 1.0 - float(fresnel_reflectance(in_air, 1.0 / modes.index))
    beam = through / sun_cosine
    factor = np.where(np.arange(count) == 0, 1.0, 2.0) * beam / (4.0 * math.pi)
    there = harmonics(np.array([sun_cosine]), grid.moments, count)[:, :, 0]
    amounts = modes.albedo[:, None, None] * modes.weights[:, None, :] * there * factor[:, None]
    mirrored = (-1.0) ** (np.arange(grid.moments)[None, :] + np.arange(count)[:, None])
    ours = grid.harmonics[:count]
    down = np.einsum("kml,mln->kmn", amounts, ours)
    up = np.einsum("kml,mln->kmn", amounts * mirrored, ours)
    scale = np.sqrt(grid.weight / grid.cosine)
    q_sum, q_difference = scale * (down + up), scale * (down - up)
    force = np.matmul(np.swapaxes(modes.root, 2, 3), q_sum[..., None])
    force = force + rate * np.matmul(modes.inverse_root, q_difference[..., None])
    along = np.matmul(np.swapaxes(modes.vectors, 2, 3), force)[..., 0]
    along /= modes.rates**2 - rate * rate
    total = np.matmul(modes.root, np.matmul(modes.vectors, along[..., None]))
    net = (np.matmul(modes.sums, total)[..., 0] - q_sum) / rate
    back = 0.5 / np.sqrt(grid.weight * grid.cosine)
    z_down, z_up = back * (total[..., 0] + net), back * (total[..., 0] - net)
    entering = -(z_down - _reflected(modes) * z_up)
    if bottom is None:
        strengths = _from_surface(modes, entering)
        return Lit(modes, strengths, z_down, z_up, 1.0 / rate, beam, 0.0)
    arriving = _bounced(modes, z_down, bottom) - z_up
    arriving[:, 0] += bottom.reflectance / math.pi * beam / rate
    arriving *= np.exp((modes.rates.min(axis=(1, 2)) - rate) * bottom.optical_depth)[:, None, None]
    strengths, risen = _between(modes, entering, arriving, bottom)
    return Lit(modes, strengths, z_down, z_up, 1.0 / rate, beam, 0.0, risen)


def under_sky(modes: Modes, bottom: Bottom | None = None) -> Lit:
    """Return the light of a sky of even radiance that brings a unit of irradiance to the sea surface."""
    radiance = modes.index**2 / math.pi
    inside = (1.0 - _reflected(modes)) * radiance
    count = modes.streams.cosine.size
    entering = np.broadcast_to(inside, (modes.rates.shape[0], 1, count))
    nothing = np.zeros((modes.rates.shape[0], 1, count))
    if bottom is None:
        return Lit(modes, _from_surface(modes, entering), nothing, nothing, 1.0, 0.0, radiance)
    strengths, risen = _between(modes, entering, nothing, bottom)
    return Lit(modes, strengths, nothing, nothing, 1.0, 0.0, radiance, risen)


def _from_surface(modes: Modes, entering: F64) -> F64:
    """Return the strengths for which the surface lets in this radiance, ``(K, M', N)``, and reflects."""
    count = entering.shape[1]
    matrix = modes.down[:, :count] - _reflected(modes)[:, None] * modes.up[:, :count]
    return np.asarray(np.linalg.solve(matrix, entering[..., None])[..., 0], np.float64)


def _between(modes: Modes, entering: F64, arriving: F64, bottom: Bottom) -> tuple[F64, F64]:
    """Return the strengths of modes that fade downwards and upwards, between surface and bottom.

    ``entering`` is as in `_from_surface`; ``arriving`` what the bottom gives up of the beam alone, minus what
    the beam has there already, both times exp(k_0 t) as `Lit.risen`.
    """
    count, size = entering.shape[1], modes.streams.cosine.size
    down, up, rates = modes.down[:, :count], modes.up[:, :count], modes.rates[:, :count, None, :]
    mirror = _reflected(modes)[:, None]
    slowest, optical = modes.rates.min(axis=(1, 2))[:, None, None, None], bottom.optical_depth
    depth = optical[:, None, None, None]
    matrix = np.empty((*down.shape[:2], 2 * size, 2 * size))
    matrix[..., :size, :size] = down - mirror * up
    matrix[..., :size, size:] = (up - mirror * down) * np.exp(-(rates + slowest) * depth)
    matrix[..., size:, :size] = (up - _bounced(modes, down, bottom)) * np.exp((slowest - rates) * depth)
    matrix[..., size:, size:] = down - _bounced(modes, up, bottom)
    known = np.concatenate([entering, np.broadcast_to(arriving, entering.shape)], axis=-1)
    found = np.linalg.solve(matrix, known[..., None])[..., 0]
    return np.ascontiguousarray(found[..., :size]), np.ascontiguousarray(found[..., size:])


def _bounced(modes: Modes, down: F64, bottom: Bottom) -> F64:
    """Return the radiance that the bottom gives up of light at the streams, ``(K, M', N, ...)``, even."""
    weight = 2.0 * bottom.reflectance * modes.streams.weight * modes.streams.cosine
    given = np.zeros_like(down)
    # Lambert's law is alike all around: it takes and gives the first azimuth mode alone.
    given[:, 0] = np.tensordot(down[:, 0], weight, axes=(1, 0))[:, None]
    return given


def _reflected(modes: Modes) -> F64:
    return surface_reflectance(modes.streams.cosine, modes.index)


def surface_reflectance(cosine: F64, index: float) -> F64:
    """Return the flat surface's reflectance from below, ``(n,)``; 1 outside Snell's window."""
    return np.asarray(fresnel_reflectance(cosine, index), np.float64)
