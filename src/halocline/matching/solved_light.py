"""Daylight of many waters, solved at a few wavelengths and directions and interpolated between.

A fit tries hundreds of waters and suns. What `LightPath` tables finely for pictures is made here as finely as
samples need it: the same solution, a hundredth of the work. Waters under one sun are solved together.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from halocline._typing import F64, AnyArray
from halocline.physics.path.radiance.lens_light import HIGHEST_M, WaterAndSky, matching_rate
from halocline.physics.path.radiance.solution import COARSE
from halocline.physics.path.radiance.water_light import ray_ends
from halocline.physics.path.transport import LightPath
from halocline.physics.water.path_integral import path_integral
from halocline.physics.water.spectra import FIRST_NM, WAVELENGTH_NM

# Denser where pure water's absorption climbs.
NODES_NM: F64 = np.array([400, 430, 460, 490, 520, 550, 575, 590, 605, 620, 650, 680, 700], np.float64)
_HEIGHTS, _AZIMUTHS = 25, 13


def solved_light(paths: Sequence[LightPath]) -> WaterAndSky:
    """Return spectral paths' waters at `NODES_NM` alone, one after the other: alike but for c and b."""
    few = (NODES_NM - FIRST_NM).astype(int)
    wholes = [path.water for path in paths]

    def nodes(spectra: Sequence[tuple[float, ...]]) -> tuple[float, ...]:
        return tuple(np.array(spectra)[:, few].ravel().tolist())

    return WaterAndSky(
        attenuation=nodes([whole.attenuation for whole in wholes]),
        scattering=nodes([whole.scattering for whole in wholes]),
        molecular_share=nodes([whole.molecular_share for whole in wholes]),
        asymmetry=wholes[0].asymmetry,
        index=wholes[0].index,
        sun_cosine=wholes[0].sun_cosine,
        sun_share=wholes[0].sun_share,
        resolution=COARSE,
    )


def log_fallen(paths: Sequence[LightPath], depth_m: F64) -> F64:
    """Return ln of daylight at depths ``(n,)`` relative to that at the lens, ``(waters, n, nodes)``."""
    water = solved_light(paths).solved()
    depths = np.append(np.maximum(depth_m, paths[0].highest_depth_m), paths[0].camera_depth_m)
    logs = np.log(water.downward(depths)) - water.slowest * depths[:, None]
    return _by_water(logs[:-1] - logs[-1], len(paths))


def log_veil(paths: Sequence[LightPath], range_m: F64, directions: F64) -> F64:
    """Return ln of the veil of ranges ``(n,)``, directions ``(n, 3)``, ``(waters, n, nodes)``.

    For a downwelling irradiance of 1 at the lens, and without art.
    """
    lens = paths[0]
    water, y = solved_light(paths).solved(), max(lens.camera_depth_m, HIGHEST_M)
    mu, cos_sun = -(directions @ lens.up), directions @ lens.sun_travel
    cells = _cells(mu, cos_sun, water.sun_cosine)
    source, whole = water.radiance(y, cells.down, cells.azimuth)
    rows, columns = cells.corners
    j, path = source[rows, columns], whole[rows, columns]
    rate = matching_rate(j, path, ray_ends(y, cells.down)[rows, None])
    log_j, k = (np.einsum("cn,nck->nk", cells.shares, part[cells.of]) for part in (np.log(j), rate))
    length = np.minimum(range_m, ray_ends(lens.camera_depth_m, mu))[:, None]
    once = water.phase(-cos_sun) * water.scattering * water.beam(np.array([y]))[0]
    fall = water.attenuation + (water.scaled_rate / water.sun_cosine) * mu[:, None]
    light = np.exp(log_j) * path_integral(k, length) + once * path_integral(fall, length)
    level = water.downward(np.array([y]))[0]
    return _by_water(np.log(np.maximum(light / level, 1e-300)), len(paths))


def at_every_nanometre(nodes: F64) -> F64:
    """Return values at `NODES_NM`, ``(n, nodes)``, at every nanometre, ``(n, 301)``."""
    return np.asarray(nodes @ _straight_lines(), np.float64)


@lru_cache(maxsize=1)
def _straight_lines() -> F64:
    return np.array([np.interp(WAVELENGTH_NM, NODES_NM, row) for row in np.eye(NODES_NM.size)])


def _by_water(values: F64, waters: int) -> F64:
    """Return ``(n, waters * nodes)`` as ``(waters, n, nodes)``."""
    return np.ascontiguousarray(values.reshape(len(values), waters, -1).swapaxes(0, 1))


class _Cells(NamedTuple):
    """Where directions stand in a table over height and azimuth, and the part of it that they ask for.

    Attributes
    ----------
    down, azimuth
        The table's rows and columns; see `direction_grid`. For each row there is its opposite.
    corners
        Rows and columns of the entries needed, ``(entries,)`` each.
    of, shares
        The four entries about each direction, ``(n, 4)``, and the share of each, ``(4, n)``.
    """

    down: F64
    azimuth: F64
    corners: tuple[AnyArray, AnyArray]
    of: AnyArray
    shares: F64


def _cells(mu: F64, cos_sun: F64, sun_cosine: float) -> _Cells:
    height = np.sign(mu) * (1.0 - np.sqrt(np.maximum(0.0, 1.0 - np.abs(mu))))
    across = np.sqrt(np.maximum(0.0, 1.0 - mu * mu) * (1.0 - sun_cosine**2))
    turn = np.clip((mu * sun_cosine - cos_sun) / np.maximum(across, 1e-6), -1.0, 1.0)
    row, down_part = _place((height + 1.0) * 0.5, _HEIGHTS)
    column, side_part = _place(np.sqrt(0.5 - 0.5 * turn), _AZIMUTHS)
    entry = (row + np.array([[0], [0], [1], [1]])) * _AZIMUTHS + column + np.array([[0], [1], [0], [1]])
    needed, of = np.unique(entry.ravel(), return_inverse=True)
    down_parts, side_parts = np.stack([1.0 - down_part, down_part]), np.stack([1.0 - side_part, side_part])
    shares = (down_parts[:, None] * side_parts[None]).reshape(4, -1)
    rows, columns = np.divmod(needed, _AZIMUTHS)
    kept = np.unique(np.concatenate([rows, _HEIGHTS - 1 - rows]))
    place = np.linspace(-1.0, 1.0, _HEIGHTS)[kept]
    return _Cells(
        np.sign(place) * (1.0 - (1.0 - np.abs(place)) ** 2),
        2.0 * np.arcsin(np.linspace(0.0, 1.0, _AZIMUTHS)),
        (np.searchsorted(kept, rows), columns),
        of.reshape(4, -1).T,
        shares,
    )


def _place(share: F64, count: int) -> tuple[AnyArray, F64]:
    """Return the entry below places of 0 to 1 in a line of entries, and the part of the way to the next."""
    at = np.clip(share, 0.0, 1.0) * (count - 1)
    below = np.minimum(at.astype(np.int64), count - 2)
    return below, at - below
