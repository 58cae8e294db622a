"""The loops of `halocline.physics.floating.haze` and its clouds, each in one pass over memory."""

from __future__ import annotations

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
from halocline.compute.series import exponential
from halocline.physics.path.phase import lobe
from halocline.physics.path.radiance.loops import end_of_kind, every_eighth
from halocline.physics.water.path_integral import rate_along

Ints = NDArray[np.int64]

# Rays taken together: their intermediate values stay in the processor's nearest cache.
_AT_ONCE = 1024
_ZERO, _ONE, _ENDLESS = np.float32(0.0), np.float32(1.0), np.float32(np.inf)
_LEAST_MEAN_RATE, _SMALL_M = np.float32(1e-3), np.float32(1e-6)
_NEXT = np.uint64(1)
_HALF, _EIGHTH, _POWER = np.float32(0.5), np.float32(0.125), np.float32(1.5)
# In stretches of so many pixels of a row that go straight, rays are looked at at every eighth alone.
_STEP, _STRETCH = 8, 64
# Straight is what grows between two of those by no more than the first of these, and is off the way by no
# more than the second: in lengths of 1/k, and as a share of the range and of a lobe. Haze's light is told to
# a thousandth.
_MOST_GROWN, _MOST_OFF = np.float32(0.05), np.float32(3e-4)
# Metres of water, where rays end, their downward component, their cosine to the sun, density.
Rays = tuple[F32, F32, F32, F32, F32]
# Lobes, rates and strengths of light, and what is one number each: see `along_rays`.
Matter = tuple[F32, F32, F32, F32]


@compiled
def along_rays(
    length: F32,
    ends: F32,
    mu: F32,
    cos_sun: F32,
    density: F32,
    columns: int,
    matter: Matter,
    left: RowRatios,
    light: F32,
    surface_share: F32,
    veil_share: F32,
) -> None:
    """Compute what `halocline.physics.floating.haze.Haze.over` describes, for ``(n,)`` rays.

    Parameters
    ----------
    length, ends, mu, cos_sun, density
        Of the rays, ``(n,)`` each: metres of water; where they end, inf in open water. No density is 1.
    columns
        Those of a picture's row, where rays are its pixels row by row: of what goes straight along a row
        every eighth is looked at alone, and what lies between goes straight too. 0 where rays are no rows.
    matter
        ``(lobes, 6)``, what `halocline.physics.path.phase.lobe` takes besides the cosine, of the sun and then
        of diffuse light; ``(K, 2)``, c and Kd; ``(K, 2)``, strengths of the sun and of diffuse light; and
        mean c, mean Kd, the least rate that counts and the haze's blocking, 1/m, and its onset, m.
    left
        What things leave of each band of its light along the rows, that stand in the way of daylight;
        `NO_RATIOS` where none does, and of rays that are no rows.
    light, surface_share, veil_share
        Results, ``(K, n)``, ``(n,)``, ``(n,)``.
    """
    rays = length, ends, mu, cos_sun, density
    scratch = _scratch()
    line = np.empty(columns, np.float32)
    if columns == 0 or density.size:
        _some(rays, matter, scratch, light, surface_share, veil_share, 0)
        for row in range(len(left[0])):
            if some_taken(left, row):
                times_ratios(left, row, 0, line, light, columns * row)
        return
    marks, at, nodes = _room(columns, len(light))
    for begin in range(0, mu.size, columns):
        _row(
            rays,
            begin,
            columns,
            matter,
            scratch,
            marks,
            at,
            nodes,
            light,
            surface_share,
            veil_share,
            begin,
            left,
            line,
        )


@compiled
def lay_haze_along(
    length: F32,
    ends: F32,
    mu: F32,
    cos_sun: F32,
    columns: int,
    matter: Matter,
    picture: F32,
    thrown: tuple[F32, ...],
    left: RowRatios,
    out: F32,
) -> None:
    """Do what `along_rays` and `lay_haze` do, of a haze of even density, row by row.

    What a row's haze is stays in a near cache. Parameters are as these two take them; ``thrown`` is what of
    the picture's light the water threw in.
    """
    rays = length, ends, mu, cos_sun, length[:0]
    scratch = _scratch()
    marks, at, nodes = _room(columns, len(picture))
    light, shares = np.empty((len(picture), columns), np.float32), np.empty((2, columns), np.float32)
    line = np.empty(columns, np.float32)
    for begin in range(0, mu.size, columns):
        _row(
            rays,
            begin,
            columns,
            matter,
            scratch,
            marks,
            at,
            nodes,
            light,
            shares[0],
            shares[1],
            0,
            left,
            line,
        )
        _lay(picture, thrown, light, shares[0], shares[1], scratch[0], out, begin)


@compiled
def _scratch() -> tuple[F32, F32, F32]:
    return np.empty(_AT_ONCE, np.float32), np.empty(_AT_ONCE, np.float32), np.empty(_AT_ONCE, np.float32)


@compiled
def _room(columns: int, bands: int) -> tuple[NDArray[np.bool_], F32, F32]:
    """Return room for which stretches of a row go straight, and for rays and results at nodes."""
    most = columns // _STEP + 1
    return (
        np.empty(columns // _STRETCH, np.bool_),
        np.empty((4, most), np.float32),
        np.empty((bands + 2, most), np.float32),
    )


@compiled
def _row(
    rays: Rays,
    begin: int,
    columns: int,
    matter: Matter,
    scratch: tuple[F32, F32, F32],
    straight: NDArray[np.bool_],
    at: F32,
    nodes: F32,
    light: F32,
    surface_share: F32,
    veil_share: F32,
    to: int,
    left: RowRatios,
    line: F32,
) -> None:
    """Write what haze does before a row's pixels, of which the first is told, from a place of results on.

    ``line`` is room for a row.
    """
    end, bands, row = begin + columns, len(light), begin // columns
    length, limits, mu, cos_sun = (
        rays[0][begin:end],
        rays[1][begin:end],
        rays[2][begin:end],
        rays[3][begin:end],
    )
    _mark_straight(length, limits, mu, cos_sun, matter[0], _fastest(matter), straight)
    shaded, first = some_taken(left, row), 0
    if shaded:
        mark_told_for_each(left[0][row], _STRETCH, straight)
    while first < columns:
        last = end_of_kind(straight, first, columns)
        here, there = to + first, to + last
        if first // _STRETCH < straight.size and straight[first // _STRETCH]:
            count = (last - first) // _STEP + 1
            every_eighth(length[first:], at[0, :count])
            every_eighth(limits[first:], at[1, :count])
            every_eighth(mu[first:], at[2, :count])
            every_eighth(cos_sun[first:], at[3, :count])
            some = at[0, :count], at[1, :count], at[2, :count], at[3, :count], rays[4]
            _some(some, matter, scratch, nodes, nodes[bands], nodes[bands + 1], 0)
            if shaded:
                times_nodes(left, row, first, count, nodes)
            for band in range(bands):
                by_eights(nodes[band], light[band, here:there])
            by_eights(nodes[bands], surface_share[here:there])
            by_eights(nodes[bands + 1], veil_share[here:there])
        else:
            each = length[first:last], limits[first:last], mu[first:last], cos_sun[first:last], rays[4]
            _some(each, matter, scratch, light, surface_share, veil_share, here)
            if shaded:
                times_ratios(left, row, first, line[: last - first], light, here)
        first = last


@compiled
def _fastest(matter: Matter) -> tuple[np.float32, np.float32]:
    """Return how fast light and haze change along a ray at most, and that with its slant, 1/m."""
    rates, blocking, onset = matter[1], matter[3][3], matter[3][4]
    fastest = steepest = _ZERO
    for band in range(len(rates)):
        fastest = max(fastest, rates[band, 0] + rates[band, 1])
        steepest = max(steepest, rates[band, 1])
    per_onset = _ONE / onset if onset > _ZERO else _ZERO
    return fastest + blocking + per_onset, steepest


@compiled
def _mark_straight(
    length: F32,
    ends: F32,
    mu: F32,
    cos_sun: F32,
    lobes: F32,
    fastest: tuple[np.float32, np.float32],
    straight: NDArray[np.bool_],
) -> None:
    """Write which stretches of a row go straight from every eighth pixel to the next."""
    rate, by_slant = fastest
    for stretch in range(straight.size):
        first = _STRETCH * stretch
        # Its last pixels lie between two that are looked at.
        good = first + _STRETCH < length.size
        for node in range(_STRETCH // _STEP if good else 0):
            at = first + _STEP * node
            near, end = length[at], length[at + _STEP]
            grown, least = _EIGHTH * (end - near), min(near, end, _ONE / rate)
            most, is_open = _MOST_OFF * least, ends[at] == _ENDLESS
            for i in range(1, _STEP + 1):
                good &= abs(near + np.float32(i) * grown - length[at + i]) <= most
                good &= (ends[at + i] == _ENDLESS) == is_open
            good &= abs(end - near) <= _MOST_GROWN * least
            good &= _turns_little(mu, at, by_slant * max(near, end))
            for kind in range(len(lobes)):
                good &= _turns_little(cos_sun, at, _by_cosine(lobes[kind, :3], cos_sun[at]))
                good &= _turns_little(mu, at, _by_cosine(lobes[kind, 3:], mu[at]))
        straight[stretch] = good


@compiled
def _by_cosine(numbers: F32, cosine: np.float32) -> np.float32:
    """Return by how much of itself a lobe changes with the cosine there."""
    changes: np.float32 = _POWER * abs(numbers[0]) / (numbers[1] + numbers[0] * cosine)
    return changes


@compiled
def _turns_little(row: F32, at: int, changes: np.float32) -> bool:
    """Tell whether what goes by a row's cosine changes little, and evenly, from a pixel to the eighth on."""
    here, middle, there = row[at], row[at + _STEP // 2], row[at + _STEP]
    even = abs(_HALF * (here + there) - middle) * changes <= _MOST_OFF
    little: bool = even and abs(there - here) * changes <= _MOST_GROWN
    return little


@compiled
def _some(
    rays: Rays,
    matter: Matter,
    scratch: tuple[F32, F32, F32],
    light: F32,
    surface_share: F32,
    veil_share: F32,
    to: int,
) -> None:
    """Write what haze does before some rays, each by itself, from a place of the results on."""
    length, ends, mu, cos_sun, density = rays
    lobes, rates, sources, water = matter
    sun, diffuse, vanish = scratch
    blocking, onset = water[3], water[4]
    per_onset = _ONE / onset if onset > _ZERO else _ZERO
    for first in range(0, len(length), _AT_ONCE):
        count, at = np.uint64(min(_AT_ONCE, len(length) - first)), np.uint64(first)
        out = np.uint64(to + first)
        _phases(cos_sun[first:], lobes, 0, sun, count)
        _phases(mu[first:], lobes, 3, diffuse, count)
        for k in range(count):
            vanish[k] = exponential(-length[at + k] * per_onset) if onset > _ZERO else _ZERO
        for band in range(len(light)):
            c, kd, by_sun, by_diffuse = rates[band, 0], rates[band, 1], sources[band, 0], sources[band, 1]
            for k in range(count):
                rate = rate_along(c, kd, mu[at + k], water[2]) + blocking
                decay = exponential(-rate * length[at + k])
                # (1 - e^(-ks))/k - (1 - e^(-k's))/k', k' = k + 1/R, over one denominator: divisions cost.
                grown = rate * onset
                gained = (_ONE - decay) - grown * decay * (_ONE - vanish[k])
                source = sun[k] * by_sun + diffuse[k] * by_diffuse
                light[band, out + k] = gained * source / (rate + rate * grown)
        if density.size:
            for band in range(len(light)):
                for k in range(count):
                    light[band, out + k] *= density[at + k]
        for k in range(count):
            thick = density[at + k] if density.size else _ONE
            # Metres of haze: int (1 - exp(-r/R)) dr = s - R (1 - exp(-s/R)).
            metres = length[at + k] - onset * (_ONE - vanish[k])
            surface_share[out + k] = exponential(-blocking * metres * thick)
            # The veil's mean distance l: about the length where that is short, 1/k where it is long. What of
            # it lies before the onset has no haze before it: l^2 / (l + R). The share is 1 / (1 + B l).
            rate = max(water[0] + water[1] * mu[at + k], _LEAST_MEAN_RATE)
            mean = (_ONE - exponential(-rate * length[at + k])) / rate
            mean *= mean / (mean + onset + _SMALL_M)
            veil_share[out + k] = _ONE / (_ONE + mean * blocking * thick)
        for k in range(count):
            # What is seen in open water beside the veil is the halo of things aside, turned along the way as
            # the veil is, and light from beyond the sea surface as far as water lets it through.
            through = exponential(-(length[at + k] * water[0]))
            surface, veil = surface_share[out + k], veil_share[out + k]
            surface_share[out + k] = veil + through * (surface - veil) if np.isinf(ends[at + k]) else surface


@compiled
def _phases(cosine: F32, lobes: F32, numbers: int, out: F32, count: np.uint64) -> None:
    """Write the sum of the lobes whose numbers begin at one of them, for so many cosines."""
    for k in range(count):
        out[k] = _ZERO
    for kind in range(len(lobes)):
        slope, constant, top = lobes[kind, numbers], lobes[kind, numbers + 1], lobes[kind, numbers + 2]
        for k in range(count):
            out[k] += lobe(cosine[k], slope, constant, top)


@compiled
def lay_haze(
    picture: F32,
    water: tuple[F32, ...],
    light: F32,
    surface_share: F32,
    veil_share: F32,
    out: F32,
) -> None:
    """Write a picture with haze over it, ``(K, n)``.

    What of the picture's light the water threw in along the way has a share of its own.

    Parameters
    ----------
    picture
        Light.
    water
        What of it the water threw in along the way, in parts; one that is empty where it threw in nothing.
    light
        The haze's own.
    surface_share, veil_share
        What the haze leaves of the surface's light and of the water's, 0 to 1, ``(n,)``.
    out
        Result; may be the picture itself.
    """
    _lay(picture, water, light, surface_share, veil_share, np.empty(_AT_ONCE, np.float32), out, 0)


@compiled
def _lay(
    picture: F32,
    water: tuple[F32, ...],
    light: F32,
    surface_share: F32,
    veil_share: F32,
    thrown: F32,
    out: F32,
    at: int,
) -> None:
    """Lay haze that is known of some pixels over a picture, from a pixel on; ``thrown`` is scratch."""
    for start in range(0, surface_share.size, _AT_ONCE):
        end = min(start + _AT_ONCE, surface_share.size)
        surface, veil = surface_share[start:end], veil_share[start:end]
        here, there = at + start, at + end
        for band in range(len(picture)):
            before, own, result = picture[band, here:there], light[band, start:end], out[band, here:there]
            of_water = _thrown_in(water, band, here, thrown[: before.size])
            for k in range(before.size):
                veiled = own[k] + of_water[k] * veil[k]
                result[k] = (before[k] - of_water[k]) * surface[k] + veiled


@compiled
def _thrown_in(parts: tuple[F32, ...], band: int, first: int, room: F32) -> F32:
    """Return the sum of some pixels of a band, in the room given or where it lies already."""
    end, last = first + room.size, len(parts) - 1
    if not parts[0].size:
        for k in range(room.size):
            room[k] = _ZERO
        return room
    own = parts[0][band, first:end]
    for number in range(1, last + 1):
        more = parts[number][band, first:end]
        for k in range(room.size):
            room[k] = own[k] + more[k]
        own = room
    return own


@compiled
def cloud_ratios(table: F32, top: Ints, by_y: F32, left: Ints, by_x: F32, place: F32, out: F32) -> None:
    """Look up a table ``(ranges, rows, columns)`` for each pixel of some rows, linear in all three.

    Parameters
    ----------
    table
        What to look up.
    top, by_y, left, by_x
        For each row and each column of the picture, those of the table before it, and the way to the next.
    place
        Of each pixel along the first axis, in steps of the table.
    out
        Results, of the shape of ``place``.
    """
    ranges, _, columns = table.shape
    line = np.empty((ranges, columns), np.float32)
    last = np.float32(ranges - 1.001)
    for row in range(len(top)):
        for step in range(ranges):
            for column in range(columns):
                upper, lower = table[step, top[row], column], table[step, top[row] + 1, column]
                line[step, column] = upper + (lower - upper) * by_y[row]
        for k in range(np.uint64(place.shape[1])):
            along = min(max(place[row, k], _ZERO), last)
            here, start = np.uint64(along), np.uint64(left[k])
            near, far = line[here, start], line[here + _NEXT, start]
            near += (line[here, start + _NEXT] - near) * by_x[k]
            far += (line[here + _NEXT, start + _NEXT] - far) * by_x[k]
            out[row, k] = near + (far - near) * (along - np.float32(here))
