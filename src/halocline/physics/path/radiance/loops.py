"""The veil of view rays, from the tables of `lens_light`, in compiled loops."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.physics.path.radiance.lens_light import AZIMUTHS, HEIGHTS, LensLight
from halocline.physics.path.radiance.streams import MOLECULAR_ANISOTROPY
from halocline.physics.water.path_integral import share_left

_ZERO, _HALF, _ONE = (np.float32(number) for number in (0.0, 0.5, 1.0))
# Rays are placed in the tables a few at a time, so that what is known of them stays in the fastest memory.
_AT_ONCE = 256
_MIDDLE, _LAST_HEIGHT = np.float32(0.5 * (HEIGHTS - 1)), HEIGHTS - 2
_FAR_SIDE, _LAST_AZIMUTH = np.float32(AZIMUTHS - 1), AZIMUTHS - 2
_ROW = AZIMUTHS
_LEAST_SINE = np.float32(1e-4)
_ANISOTROPY = np.float32(MOLECULAR_ANISOTROPY)


def sun_numbers(light: LensLight) -> tuple[np.float32, ...]:
    """Return what the loops need of the sun: its cosine and sine, and the particles' phase function.

    Parameters
    ----------
    light
        The light about a lens.

    Returns
    -------
    tuple[np.float32, ...]
        Cosine and sine of the sun's zenith angle under water; three numbers as `lobe_numbers` gives them; and
        what scales scattering by the water's own molecules.
    """
    g, cosine = light.asymmetry, light.sun_cosine
    numbers = (
        cosine,
        math.sqrt(max(0.0, 1.0 - cosine * cosine)),
        -2.0 * g,
        1.0 + g * g,
        (1.0 - g * g) / (4.0 * math.pi),
        1.0 / (4.0 * math.pi * (1.0 + MOLECULAR_ANISOTROPY / 3.0)),
    )
    return tuple(np.float32(number) for number in numbers)


@compiled
def veil(
    length_m: F32,
    mu: F32,
    cos_sun: F32,
    tables: F32,
    sun: tuple[np.float32, ...],
    bands: F32,
    out: F32,
) -> None:
    """Write what the water adds before rays.

    Parameters
    ----------
    length_m, mu, cos_sun
        ``(n,)``: metres of water, downward component, view dot the sun's travel.
    tables
        J and k, ``(2, K, cells)``.
    sun
        See `sun_numbers`.
    bands
        ``(K, 5)``: what J is times; the sun's strength by particles and by the water itself; c; and how fast
        the beam falls with depth.
    out
        ``(K, n)``.
    """
    cell = np.empty(_AT_ONCE, np.uint32)
    lower, right, particles, own = (
        np.empty(_AT_ONCE, np.float32),
        np.empty(_AT_ONCE, np.float32),
        np.empty(_AT_ONCE, np.float32),
        np.empty(_AT_ONCE, np.float32),
    )
    for first in range(0, mu.size, _AT_ONCE):
        last = min(first + _AT_ONCE, mu.size)
        _placed(mu[first:last], cos_sun[first:last], sun, cell, lower, right)
        _turned(cos_sun[first:last], sun, particles, own)
        for band in range(bands.shape[0]):
            _once(length_m[first:last], mu[first:last], particles, own, bands[band], out[band, first:last])
        start = first
        # Neighbours lie in one cell of the tables for long.
        while start < last:
            here = cell[start - first]
            end = start + 1
            while end < last and cell[end - first] == here:
                end += 1
            at, right_of, below = (
                int(here),
                right[start - first : end - first],
                lower[start - first : end - first],
            )
            for band in range(bands.shape[0]):
                _rest(
                    length_m[start:end],
                    right_of,
                    below,
                    _corners(tables[0, band], at, bands[band, 0]),
                    _corners(tables[1, band], at, _ONE),
                    out[band, start:end],
                )
            start = end


@compiled
def sun_veil(length_m: F32, mu: F32, cos_sun: F32, sun: tuple[np.float32, ...], bands: F32, out: F32) -> None:
    """Write what of `veil` is the sun's light scattered once.

    Parameters
    ----------
    length_m
        Metres of water on each ray, ``(n,)``.
    mu, cos_sun
        Downward component of each ray, and its cosine against the sun's travel, ``(n,)``.
    sun
        As `sun_numbers` gives.
    bands
        What `veil` takes of each band, ``(K, 5)``.
    out
        Radiance, ``(K, n)``; written.
    """
    particles, own = np.empty(_AT_ONCE, np.float32), np.empty(_AT_ONCE, np.float32)
    for first in range(0, mu.size, _AT_ONCE):
        last = min(first + _AT_ONCE, mu.size)
        _turned(cos_sun[first:last], sun, particles, own)
        for band in range(bands.shape[0]):
            _once(length_m[first:last], mu[first:last], particles, own, bands[band], out[band, first:last])


@compiled
def _placed(
    mu: F32, cos_sun: F32, sun: tuple[np.float32, ...], cell: NDArray[np.uint32], lower: F32, right: F32
) -> None:
    """Write directions' cells in the tables, and their places between those and the next row and column."""
    sun_cosine, sun_sine, _, _, _, _ = sun
    for i in range(mu.size):
        down = mu[i]
        steep = _ONE - np.sqrt(max(_ONE - abs(down), _ZERO))
        height = _MIDDLE + (steep if down > _ZERO else -steep) * _MIDDLE
        row = min(max(int(height), 0), _LAST_HEIGHT)
        # The view's azimuth from where the sun stands; straight up and down any will do.
        across = np.sqrt(max(_ONE - down * down, _ZERO)) * sun_sine
        turn = (down * sun_cosine - cos_sun[i]) / max(across, _LEAST_SINE)
        azimuth = _FAR_SIDE * np.sqrt(_HALF - _HALF * max(-_ONE, min(turn, _ONE)))
        column = min(max(int(azimuth), 0), _LAST_AZIMUTH)
        cell[i] = row * _ROW + column
        lower[i], right[i] = height - np.float32(row), azimuth - np.float32(column)


@compiled
def _turned(cos_sun: F32, sun: tuple[np.float32, ...], particles: F32, own: F32) -> None:
    """Write the phase functions of particles and of the water itself for the sun's light."""
    _, _, by_cosine, even, lobe, own_lobe = sun
    for i in range(cos_sun.size):
        spread = even - by_cosine * cos_sun[i]
        particles[i] = lobe / (spread * np.sqrt(spread))
        own[i] = own_lobe * (_ONE + _ANISOTROPY * (cos_sun[i] * cos_sun[i]))


@compiled
def _once(length_m: F32, mu: F32, particles: F32, own: F32, band: F32, out: F32) -> None:
    """Write the sun's light scattered once."""
    by_particles, by_water, c, fall = band[1], band[2], band[3], band[4]
    for i in range(out.size):
        source = particles[i] * by_particles + own[i] * by_water
        x = (c + fall * mu[i]) * length_m[i]
        out[i] = source * length_m[i] * share_left(x)


@compiled
def _corners(table: F32, at: int, scale: np.float32) -> tuple[np.float32, np.float32, np.float32, np.float32]:
    """Return a cell's value, its slopes to the right and down, and its twist."""
    corner, along = table[at] * scale, table[at + 1] * scale
    below, across = table[at + _ROW] * scale, table[at + _ROW + 1] * scale
    return corner, along - corner, below - corner, (across - below) - (along - corner)


@compiled
def _rest(
    length_m: F32,
    right: F32,
    lower: F32,
    source: tuple[np.float32, ...],
    rate: tuple[np.float32, ...],
    out: F32,
) -> None:
    """Add all other light to rays of one cell."""
    j, j_right, j_down, j_twist = source
    k, k_right, k_down, k_twist = rate
    for i in range(out.size):
        x = right[i]
        y = lower[i]
        here = j + x * j_right + y * (j_down + x * j_twist)
        taken = k + x * k_right + y * (k_down + x * k_twist)
        x = taken * length_m[i]
        out[i] += here * length_m[i] * share_left(x)


@compiled
def components(
    mu: F32,
    cos_sun: F32,
    tables: F32,
    sun: tuple[np.float32, ...],
    bands: F32,
    once: F32,
    source: F32,
    rate: F32,
) -> None:
    """Write what `veil` takes apart, ``(K, n)`` each: J of the sun's light
    scattered once, and J and k of the rest.

    The first falls along the ray at c plus how fast the beam falls times mu.

    Parameters
    ----------
    mu, cos_sun
        Downward component of each ray, and its cosine against the sun's travel, ``(n,)``.
    tables
        J and k over directions, as `veil` takes them.
    sun
        As `sun_numbers` gives.
    bands
        What `veil` takes of each band, ``(K, 5)``.
    once
        J of the sun's light scattered once, ``(K, n)``; written.
    source, rate
        J and k of all other light, ``(K, n)``; written.
    """
    cell = np.empty(mu.size, np.uint32)
    lower, right, particles, own = (
        np.empty(mu.size, np.float32),
        np.empty(mu.size, np.float32),
        np.empty(mu.size, np.float32),
        np.empty(mu.size, np.float32),
    )
    _placed(mu, cos_sun, sun, cell, lower, right)
    _turned(cos_sun, sun, particles, own)
    for band in range(bands.shape[0]):
        for i in range(mu.size):
            at, x, y = int(cell[i]), right[i], lower[i]
            j, j_right, j_down, j_twist = _corners(tables[0, band], at, bands[band, 0])
            k, k_right, k_down, k_twist = _corners(tables[1, band], at, _ONE)
            once[band, i] = particles[i] * bands[band, 1] + own[i] * bands[band, 2]
            source[band, i] = j + x * j_right + y * (j_down + x * j_twist)
            rate[band, i] = k + x * k_right + y * (k_down + x * k_twist)
