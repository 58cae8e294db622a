"""The veil of view rays, from the tables of `lens_light`, in compiled loops."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.knots import by_eights
from halocline.compute.row_ratios import (
    RowRatios,
    mark_told_for_each,
    some_taken,
    times_nodes,
    times_ratios,
)
from halocline.physics.path.radiance.lens_light import AZIMUTHS, HEIGHTS, LensLight
from halocline.physics.path.radiance.streams import MOLECULAR_ANISOTROPY
from halocline.physics.water.path_integral import share_left

_ZERO, _HALF, _ONE = np.float32(0.0), np.float32(0.5), np.float32(1.0)
_QUARTER, _EIGHTH, _FAR = np.float32(0.25), np.float32(0.125), np.float32(1e9)
# Rays are placed in the tables a few at a time, so that what is known of them stays in the fastest memory.
_AT_ONCE = 256
_MIDDLE, _LAST_HEIGHT = np.float32(0.5 * (HEIGHTS - 1)), HEIGHTS - 2
_FAR_SIDE, _LAST_AZIMUTH = np.float32(AZIMUTHS - 1), AZIMUTHS - 2
_ROW = AZIMUTHS
_LEAST_SINE = np.float32(1e-4)
_ANISOTROPY = np.float32(MOLECULAR_ANISOTROPY)
# In stretches of so many pixels of a row that go straight, rays are looked at at every eighth alone.
_STEP, _TO_MIDDLE, _STRETCH = 8, 4, 64
# Straight is what grows between two of those by no more than the first of these, and is off the way by no
# more than the second, as shares of a length and of the phase function. A veil (1 - exp(-k s))/k is then off
# by no more than .081 of the first squared, and than the second, whatever k above 0: half a thousandth in
# all, the last bit of a half. Where k is below 0, as the sun's is upwards, .5/k stands for longer lengths.
_MOST_GROWN, _MOST_OFF = np.float32(0.05), np.float32(3e-4)
# The tables' light may be off by so much as told beforehand, which is twice what it is and more.
_MOST_BENT = np.float32(6e-4)
# The phase function's own growth counts for more.
_MOST_TURNED = np.float32(0.03)
_BY_COSINE = np.float32(1.5)
Scratch = tuple[NDArray[np.uint32], F32, F32, F32, F32, F32, F32, NDArray[np.uint32]]


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
    scratch = _scratch()
    for first in range(0, mu.size, _AT_ONCE):
        last = min(first + _AT_ONCE, mu.size)
        _some(
            length_m[first:last], mu[first:last], cos_sun[first:last], tables, sun, bands, scratch, out, first
        )


@compiled
def veil_over_rows(
    length_m: F32,
    mu: F32,
    cos_sun: F32,
    columns: int,
    rising: np.float32,
    bends: F32,
    tables: F32,
    sun: tuple[np.float32, ...],
    bands: F32,
    left: RowRatios,
    out: F32,
) -> None:
    """Write what the water adds before the pixels of a picture's rows, all of a row.

    As `veil`, but where lengths and light go straight along a row, only at every eighth pixel: what lies
    between goes straight too, within half a thousandth.

    Parameters
    ----------
    length_m, mu, cos_sun
        ``(n,)`` as `veil` takes them, row by row.
    columns
        Those of a row.
    rising, bends
        See `most_rising` and `bends_of`.
    tables, sun, bands
        As `veil` takes them.
    left
        What things leave of each band that stand in its light; `NO_RATIOS` where none does.
    out
        As `veil` takes it.
    """
    scratch, straight = _scratch(), np.empty(columns // _STRETCH, np.bool_)
    most, line = columns // _STEP + 1, np.empty(columns, np.float32)
    at, nodes = np.empty((3, most), np.float32), np.empty((bands.shape[0], most), np.float32)
    for begin in range(0, mu.size, columns):
        end, row = begin + columns, begin // columns
        _mark_straight(length_m[begin:end], cos_sun[begin:end], sun, rising, straight)
        _mark_bent(mu[begin:end], cos_sun[begin:end], sun, bends, straight)
        shaded, first = some_taken(left, row), 0
        if shaded:
            mark_told_for_each(left[0][row], _STRETCH, straight)
        while first < columns:
            last = end_of_kind(straight, first, columns)
            here, there = begin + first, begin + last
            if first // _STRETCH < straight.size and straight[first // _STRETCH]:
                count = (last - first) // _STEP + 1
                every_eighth(length_m[here:end], at[0, :count])
                every_eighth(mu[here:end], at[1, :count])
                every_eighth(cos_sun[here:end], at[2, :count])
                _some(at[0, :count], at[1, :count], at[2, :count], tables, sun, bands, scratch, nodes, 0)
                if shaded:
                    times_nodes(left, row, first, count, nodes)
                for band in range(bands.shape[0]):
                    by_eights(nodes[band], out[band, here:there])
            else:
                _some(
                    length_m[here:there],
                    mu[here:there],
                    cos_sun[here:there],
                    tables,
                    sun,
                    bands,
                    scratch,
                    out,
                    here,
                )
                if shaded:
                    times_ratios(left, row, first, line[: last - first], out, here)
            first = last


def most_rising(tables: F32, bands: F32) -> np.float32:
    """Return by how much light grows at most along a ray away from the lens, 1/m; 0 where it never does.

    Parameters
    ----------
    tables, bands
        As `veil` takes them.

    Returns
    -------
    np.float32
        The largest -k of all bands and directions.
    """
    falls = float((bands[:, 3] - abs(bands[:, 4])).min())
    return np.float32(max(0.0, -falls, -float(tables[1].min())))


@compiled
def _scratch() -> Scratch:
    return (
        np.empty(_AT_ONCE, np.uint32),
        np.empty(_AT_ONCE, np.float32),
        np.empty(_AT_ONCE, np.float32),
        np.empty(_AT_ONCE, np.float32),
        np.empty(_AT_ONCE, np.float32),
        np.empty(_AT_ONCE, np.float32),
        np.empty(_AT_ONCE, np.float32),
        np.empty(_AT_ONCE + 1, np.uint32),
    )


@compiled
def every_eighth(row: F32, out: F32) -> None:
    """Write every eighth pixel of a row, from its first on.

    Parameters
    ----------
    row
        ``(n,)``.
    out
        As many of them as are wanted.
    """
    for node in range(np.uint64(out.size)):
        out[node] = row[np.uint64(_STEP) * node]


@compiled
def end_of_kind(straight: NDArray[np.bool_], first: int, columns: int) -> int:
    """Return where pixels of one kind end, from a stretch's first on, or where they are enough together.

    Parameters
    ----------
    straight
        Which stretches of 64 pixels go straight; of what is left of a row there is none.
    first
        The pixel to begin with, a stretch's first.
    columns
        Those of the row.

    Returns
    -------
    int
        The pixel after the last; of straight ones no more than 1984 from the first, of others 256 where
        stretches follow.
    """
    stretch = first // _STRETCH
    if stretch >= straight.size:
        return columns
    kind = straight[stretch]
    while stretch < straight.size and straight[stretch] == kind:
        stretch += 1
    # What is left of a row is no stretch.
    end = _STRETCH * stretch if kind or stretch < straight.size else columns
    # One more is looked at than there are eights.
    return min(end, first + (_STEP * _AT_ONCE - _STRETCH if kind else _AT_ONCE))


@compiled
def _mark_straight(
    length_m: F32,
    cos_sun: F32,
    sun: tuple[np.float32, ...],
    rising: np.float32,
    straight: NDArray[np.bool_],
) -> None:
    """Write which stretches of a row go straight from every eighth pixel to the next."""
    _, _, by_cosine, even, _, _ = sun
    for stretch in range(straight.size):
        first = _STRETCH * stretch
        # Its last pixels lie between two that are looked at.
        good = first + _STRETCH < length_m.size
        for node in range(_STRETCH // _STEP if good else 0):
            at = first + _STEP * node
            near, end = length_m[at], length_m[at + _STEP]
            grown, least = _EIGHTH * (end - near), min(near, end)
            least = min(least, _HALF / rising) if rising > _ZERO else least
            for i in range(_STEP):
                off = abs(near + np.float32(i) * grown - length_m[at + i])
                good &= off <= _MOST_OFF * least
            good &= abs(end - near) <= _MOST_GROWN * least
            here, middle, there = cos_sun[at], cos_sun[at + _STEP // 2], cos_sun[at + _STEP]
            changes = _BY_COSINE * abs(by_cosine) / (even - max(by_cosine * here, by_cosine * there))
            good &= abs(there - here) * changes <= _MOST_TURNED
            good &= abs(_HALF * (here + there) - middle) * changes <= _MOST_OFF
        straight[stretch] = good


@compiled
def _mark_bent(
    mu: F32, cos_sun: F32, sun: tuple[np.float32, ...], bends: F32, straight: NDArray[np.bool_]
) -> None:
    """Take from the straight stretches of a row those along which the tables' light bends."""
    sun_cosine, sun_sine, _, _, _, _ = sun
    height, azimuth = (
        np.empty(_STRETCH // _TO_MIDDLE + 1, np.float32),
        np.empty(_STRETCH // _TO_MIDDLE + 1, np.float32),
    )
    for stretch in range(straight.size):
        if not straight[stretch]:
            continue
        for half in range(np.uint64(height.size)):
            at = np.uint64(_STRETCH * stretch) + np.uint64(_TO_MIDDLE) * half
            height[half] = _height(mu[at])
            azimuth[half] = _azimuth(mu[at], cos_sun[at], sun_cosine, sun_sine)
        most = _ZERO
        for node in range(0, _STRETCH // _TO_MIDDLE, 2):
            most = max(most, _off_between(height[node : node + 3], azimuth[node : node + 3], bends))
        straight[stretch] = most <= _MOST_BENT


@compiled
def _off_between(height: F32, azimuth: F32, bends: F32) -> np.float32:
    """Return by how much light is off the straight way from the first of three directions to the last."""
    steep, aside = abs(height[2] - height[0]), abs(azimuth[2] - azimuth[0])
    # What lies between may then be in cells that are not looked at.
    if not (steep <= _ONE and aside <= _ONE):
        return _FAR
    off_steep = abs(_HALF * (height[0] + height[2]) - height[1])
    off_aside = abs(_HALF * (azimuth[0] + azimuth[2]) - azimuth[1])
    most = _ZERO
    for end in (0, 2):
        row, column = min(int(height[end]), _LAST_HEIGHT), min(int(azimuth[end]), _LAST_AZIMUTH)
        there = bends[row * _ROW + column]
        bent = _QUARTER * (there[0] * steep + there[1] * aside + there[2] * steep * aside)
        most = max(most, bent + there[3] * off_steep + there[4] * off_aside)
    return most


@compiled
def _some(
    length_m: F32,
    mu: F32,
    cos_sun: F32,
    tables: F32,
    sun: tuple[np.float32, ...],
    bands: F32,
    scratch: Scratch,
    out: F32,
    begin: int,
) -> None:
    """Write what the water adds before a few rays, from a place on."""
    cell, lower, right, particles, own, light, taken, starts = scratch
    count = mu.size
    _placed(mu, cos_sun, sun, cell, lower, right)
    _turned(cos_sun, sun, particles, own)
    # Neighbours lie in one cell of the tables for long.
    runs = 0
    for i in range(count):
        if i == 0 or cell[i] != cell[i - 1]:
            starts[runs] = i
            runs += 1
    starts[runs] = count
    for band in range(bands.shape[0]):
        target = out[band, begin : begin + count]
        _once(length_m, mu, particles, own, bands[band], target)
        for run in range(runs):
            start, end = int(starts[run]), int(starts[run + 1])
            at, x, y = int(cell[start]), right[start:end], lower[start:end]
            _between(x, y, _corners(tables[0, band], at, bands[band, 0]), light[start:end])
            _between(x, y, _corners(tables[1, band], at, _ONE), taken[start:end])
        _rest(length_m, light, taken, target)


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
        height, azimuth = _height(mu[i]), _azimuth(mu[i], cos_sun[i], sun_cosine, sun_sine)
        row, column = min(max(int(height), 0), _LAST_HEIGHT), min(max(int(azimuth), 0), _LAST_AZIMUTH)
        cell[i] = row * _ROW + column
        lower[i], right[i] = height - np.float32(row), azimuth - np.float32(column)


@compiled
def _height(down: np.float32) -> np.float32:
    """Return where among the tables' rows a direction is."""
    steep = _ONE - np.sqrt(max(_ONE - abs(down), _ZERO))
    height: np.float32 = _MIDDLE + (steep if down > _ZERO else -steep) * _MIDDLE
    return height


@compiled
def _azimuth(
    down: np.float32, cos_sun: np.float32, sun_cosine: np.float32, sun_sine: np.float32
) -> np.float32:
    """Return where among a row's azimuths from the sun a view is; straight up and down any will do."""
    across = np.sqrt(max(_ONE - down * down, _ZERO)) * sun_sine
    turn = (down * sun_cosine - cos_sun) / max(across, _LEAST_SINE)
    azimuth: np.float32 = _FAR_SIDE * np.sqrt(_HALF - _HALF * max(-_ONE, min(turn, _ONE)))
    return azimuth


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
def _between(right: F32, lower: F32, corners: tuple[np.float32, ...], out: F32) -> None:
    """Write a table's numbers for rays of one cell."""
    first, to_right, down, twist = corners
    for i in range(out.size):
        x, y = right[i], lower[i]
        out[i] = first + x * to_right + y * (down + x * twist)


@compiled
def _rest(length_m: F32, light: F32, taken: F32, out: F32) -> None:
    """Add all other light."""
    for i in range(out.size):
        x = taken[i] * length_m[i]
        out[i] += light[i] * length_m[i] * share_left(x)


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
