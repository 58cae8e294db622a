"""The loops of `halocline.physics.floating.haze` and its clouds, each in one pass over memory."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.series import exponential
from halocline.physics.path.phase import lobe
from halocline.physics.water.path_integral import rate_along

Ints = NDArray[np.int64]

# Rays taken together: their intermediate values stay in the processor's nearest cache.
_AT_ONCE = 1024
_ZERO, _ONE = np.float32(0.0), np.float32(1.0)
_LEAST_MEAN_RATE, _SMALL_M = np.float32(1e-3), np.float32(1e-6)
_NEXT = np.uint64(1)


@compiled
def along_rays(
    length: F32,
    ends: F32,
    mu: F32,
    cos_sun: F32,
    density: F32,
    lobes: F32,
    rates: F32,
    sources: F32,
    water: tuple[np.float32, np.float32, np.float32],
    haze: tuple[np.float32, np.float32],
    light: F32,
    surface_share: F32,
    veil_share: F32,
) -> None:
    """Compute what `halocline.physics.floating.haze.Haze.over` describes, for ``(n,)`` rays.

    Parameters
    ----------
    length, ends, mu, cos_sun, density
        Of the rays, ``(n,)`` each: metres of water; where they end, inf in open water. No density is 1.
    lobes
        ``(lobes, 6)``: what `halocline.physics.path.phase.lobe` takes besides the cosine, of the sun and then
        of diffuse light.
    rates, sources
        ``(K, 2)``: c and Kd; strengths of the sun and of diffuse light.
    water
        Mean c, mean Kd, and the least rate that counts, 1/m.
    haze
        Its blocking, 1/m, and its onset, m.
    light, surface_share, veil_share
        Results, ``(K, n)``, ``(n,)``, ``(n,)``.
    """
    sun, diffuse = np.empty(_AT_ONCE, np.float32), np.empty(_AT_ONCE, np.float32)
    vanish = np.empty(_AT_ONCE, np.float32)
    blocking, onset = haze
    per_onset = _ONE / onset if onset > _ZERO else np.float32(np.inf)
    for first in range(0, len(length), _AT_ONCE):
        count, at = np.uint64(min(_AT_ONCE, len(length) - first)), np.uint64(first)
        sun[:] = _ZERO
        diffuse[:] = _ZERO
        for kind in range(len(lobes)):
            slope, constant, top = lobes[kind, 0], lobes[kind, 1], lobes[kind, 2]
            for k in range(count):
                sun[k] += lobe(cos_sun[at + k], slope, constant, top)
            slope, constant, top = lobes[kind, 3], lobes[kind, 4], lobes[kind, 5]
            for k in range(count):
                diffuse[k] += lobe(mu[at + k], slope, constant, top)
        for k in range(count):
            vanish[k] = exponential(-length[at + k] * per_onset) if onset > _ZERO else _ZERO
        for band in range(len(light)):
            c, kd, by_sun, by_diffuse = rates[band, 0], rates[band, 1], sources[band, 0], sources[band, 1]
            for k in range(count):
                rate = rate_along(c, kd, mu[at + k], water[2]) + blocking
                decay = exponential(-rate * length[at + k])
                near = (_ONE - decay * vanish[k]) / (rate + per_onset)
                source = sun[k] * by_sun + diffuse[k] * by_diffuse
                light[band, at + k] = ((_ONE - decay) / rate - near) * source
        if density.size:
            for band in range(len(light)):
                for k in range(count):
                    light[band, at + k] *= density[at + k]
        for k in range(count):
            thick = density[at + k] if density.size else _ONE
            # Metres of haze: int (1 - exp(-r/R)) dr = s - R (1 - exp(-s/R)).
            metres = length[at + k] - onset * (_ONE - vanish[k])
            surface_share[at + k] = exponential(-blocking * metres * thick)
            # The veil's mean distance l: about the length where that is short, 1/k where it is long. What of
            # it lies before the onset has no haze before it: l^2 / (l + R). The share is 1 / (1 + B l).
            rate = max(water[0] + water[1] * mu[at + k], _LEAST_MEAN_RATE)
            mean = (_ONE - exponential(-rate * length[at + k])) / rate
            mean *= mean / (mean + onset + _SMALL_M)
            veil_share[at + k] = _ONE / (_ONE + mean * blocking * thick)
        for k in range(count):
            # What is seen in open water beside the veil is the halo of things aside, turned along the way as
            # the veil is, and light from beyond the sea surface as far as water lets it through.
            through = exponential(-(length[at + k] * water[0]))
            surface, veil = surface_share[at + k], veil_share[at + k]
            surface_share[at + k] = veil + through * (surface - veil) if np.isinf(ends[at + k]) else surface


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
        What of it the water threw in along the way, in parts; each may be empty.
    light
        The haze's own.
    surface_share, veil_share
        What the haze leaves of the surface's light and of the water's, 0 to 1, ``(n,)``.
    out
        Result; may be the picture itself.
    """
    thrown = np.empty(_AT_ONCE, np.float32)
    for start in range(0, picture.shape[1], _AT_ONCE):
        end = min(start + _AT_ONCE, picture.shape[1])
        surface, veil = surface_share[start:end], veil_share[start:end]
        for band in range(len(picture)):
            there, own, result = picture[band, start:end], light[band, start:end], out[band, start:end]
            for k in range(there.size):
                thrown[k] = _ZERO
            for part in water:
                if part.size:
                    more = part[band, start:end]
                    for k in range(there.size):
                        thrown[k] += more[k]
            for k in range(there.size):
                veiled = own[k] + thrown[k] * veil[k]
                result[k] = (there[k] - thrown[k]) * surface[k] + veiled


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
