"""By how much the light about a lens may be off the straight way between two near directions."""

from __future__ import annotations

import numpy as np

from halocline._typing import F32, F64
from halocline.physics.path.radiance.lens_light import AZIMUTHS, HEIGHTS

# J and k count as no smaller than these shares of their largest in a band: where they are, it is not seen.
_LEAST = np.array([1e-5, 0.02]).reshape(2, 1, 1, 1)


def bends_of(tables: F32) -> F32:
    """Return how light bends in each cell of a lens's tables, as shares of itself: the worst of all bands.

    Between two directions in one cell, or in two that touch, light is off the straight way by no more than a
    quarter of the bends times the steps, and the slopes times what the steps' middle is off theirs.

    Parameters
    ----------
    tables
        J and k, ``(2, K, cells)``, as `LensLight` has them.

    Returns
    -------
    F32
        ``(cells, 5)``, per step of the tables: the bend from row to row and from azimuth to azimuth, the
        twist, and both slopes. Cells are known by their first corner; the last row and azimuth have none.
    """
    light = np.asarray(tables, np.float64).reshape(*tables.shape[:2], HEIGHTS, AZIMUTHS)
    least = np.maximum(light, _LEAST * light.max(axis=(2, 3), keepdims=True))
    up, along = (abs(np.diff(light, axis=axis)) for axis in (2, 3))
    bend_up, bend_along = (_bent(light, axis) for axis in (2, 3))
    twist = abs(np.diff(np.diff(light, axis=2), axis=3))
    found = np.zeros((HEIGHTS, AZIMUTHS, 5), np.float32)
    for number, part in enumerate(
        (
            _of_corners(bend_up),
            _of_corners(bend_along),
            twist,
            np.maximum(up[..., :-1], up[..., 1:]),
            np.maximum(along[..., :-1, :], along[..., 1:, :]),
        )
    ):
        found[:-1, :-1, number] = (part / -_of_corners(-least)).sum(axis=0).max(axis=0)
    return found.reshape(-1, 5)


def _bent(light: F64, axis: int) -> F64:
    """Return by how much slopes differ on both sides of each row or azimuth; the first and last have one."""
    bent = np.zeros_like(light)
    inner = (slice(None),) * axis + (slice(1, -1),)
    bent[inner] = abs(np.diff(light, n=2, axis=axis))
    return bent


def _of_corners(found: F64) -> F64:
    """Return the largest at the corners of each cell."""
    rows = np.maximum(found[..., :-1, :], found[..., 1:, :])
    largest: F64 = np.maximum(rows[..., :-1], rows[..., 1:])
    return largest
