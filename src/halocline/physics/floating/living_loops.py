"""The loops of living light: its glow laid over pixels, and its light on surfaces."""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.series import exponential

_ZERO, _ONE, _TINY = np.float32(0.0), np.float32(1.0), np.float32(1e-12)


@compiled
def lay_glow(table: F32, place: tuple[F32, F32], per_metre: np.float32, range_m: F32, out: F32) -> None:
    """Write what of a glow lies before pixels.

    Parameters
    ----------
    table
        Glow up to even steps of range along rays, ``(K, rows, N, columns)``.
    place
        Of each column and each row of pixels, in rays.
    per_metre
        Steps a metre.
    range_m
        ``(rows, columns)``; inf for all of it.
    out
        ``(K, rows, columns)``.
    """
    last = table.shape[2] - 1
    for row in range(range_m.shape[0]):
        upper = min(max(int(place[1][row]), 0), table.shape[1] - 2)
        down = place[1][row] - np.float32(upper)
        for x in range(range_m.shape[1]):
            left = min(max(int(place[0][x]), 0), table.shape[3] - 2)
            right = place[0][x] - np.float32(left)
            step = min(range_m[row, x] * per_metre, np.float32(last))
            near = min(int(step), last - 1)
            along = step - np.float32(near)
            for band in range(len(table)):
                total = _ZERO
                for further in range(2):
                    part = table[band, upper : upper + 2, near + further, left : left + 2]
                    above = part[0, 0] + (part[0, 1] - part[0, 0]) * right
                    below = part[1, 0] + (part[1, 1] - part[1, 0]) * right
                    share = along if further == 1 else _ONE - along
                    total += share * (above + (below - above) * down)
                out[band, row, x] = total


@compiled
def light_on_surfaces(
    sources: F32, rates: F32, incidence: np.float32, direction: F32, range_m: F32, normal: F32, out: F32
) -> None:
    """Write the irradiance of small balls of light on surfaces.

    Parameters
    ----------
    sources
        Place from the lens, radius, and intensity of each, ``(S, 4 + K)``.
    rates
        What light loses on its way from them, 1/m, ``(K,)``.
    incidence
        Cosine of incidence where there are no normals.
    direction, range_m
        Unit view rays ``(3, rows, columns)``, and ranges ``(rows, columns)``; endless ones stay dark.
    normal
        World normals, ``(3, rows, columns)``; empty where there are none.
    out
        ``(K, rows, columns)``.
    """
    out[:] = _ZERO
    faces = normal.size > 0
    for row in range(range_m.shape[0]):
        for x in range(range_m.shape[1]):
            s = range_m[row, x]
            if not np.isfinite(s):
                continue
            for number in range(len(sources)):
                source = sources[number]
                to_x = direction[0, row, x] * s - source[0]
                to_y = direction[1, row, x] * s - source[1]
                to_z = direction[2, row, x] * s - source[2]
                squared = to_x * to_x + to_y * to_y + to_z * to_z
                distance = np.sqrt(squared)
                facing = incidence
                if faces:
                    along = to_x * normal[0, row, x] + to_y * normal[1, row, x] + to_z * normal[2, row, x]
                    facing = max(-along / max(distance, _TINY), _ZERO)
                per_intensity = facing / (squared + source[3] * source[3])
                if per_intensity <= _ZERO:
                    continue
                for band in range(rates.size):
                    lost = exponential(-rates[band] * distance)
                    out[band, row, x] += source[4 + band] * per_intensity * lost
