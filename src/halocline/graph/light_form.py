"""Conversion of light between RGB and spectral bands; the engine puts it in where it is needed."""

from __future__ import annotations

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled
from halocline.compute.sums import Three, add_one, add_three, sum_of_three
from halocline.graph.operator import Operator, Planes, PlaneUse, Tile
from halocline.graph.planes import BANDS, RGB
from halocline.graph.shot import Shot
from halocline.quantities import Strict

# Pixels of planes that are worked on together: enough to be read ahead, few enough to stay in a near cache.
_TOGETHER = 4096
_THREE, _NOTHING = 3, np.float32(0.0)


class _None(Strict):
    """A conversion has no parameters."""


class RGBToBands(Operator[_None, F64]):
    """Lifts RGB to the preset's spectral bands."""

    Parameters = _None

    @classmethod
    def build(cls) -> RGBToBands:
        """Return the conversion; it has nothing to set."""
        return cls(_None())

    def planes(self) -> PlaneUse:
        """Read rgb, write bands."""
        return PlaneUse(frozenset({RGB}), frozenset({BANDS}))

    def prepare(self, shot: Shot) -> F64:
        """Return the matrix ``(K, 3)``."""
        matrix: F64 = shot.path.bands.up
        return matrix

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: F64) -> Planes:  # noqa: ARG002
        """Convert."""
        return {BANDS: combine(prepared, planes[RGB])}


class BandsToRGB(Operator[_None, F64]):
    """Sums spectral bands to RGB."""

    Parameters = _None

    @classmethod
    def build(cls) -> BandsToRGB:
        """Return the conversion; it has nothing to set."""
        return cls(_None())

    def planes(self) -> PlaneUse:
        """Read bands, write rgb."""
        return PlaneUse(frozenset({BANDS}), frozenset({RGB}))

    def prepare(self, shot: Shot) -> F64:
        """Return the matrix ``(3, K)``."""
        matrix: F64 = shot.path.bands.down
        return matrix

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: F64) -> Planes:  # noqa: ARG002
        """Convert."""
        return {RGB: combine(prepared, planes[BANDS])}


def combine(matrix: F64, planes: F32) -> F32:
    """Return planes ``(m, rows, columns)`` mixed by a matrix ``(n, m)``, ``(n, rows, columns)``.

    Written as sums of whole planes in a fixed order: a matrix product may sum in another order for another
    number of rows, and the bits would differ from tile to tile.

    Parameters
    ----------
    matrix
        ``(n, m)``.
    planes
        ``(m, rows, columns)``.

    Returns
    -------
    F32
        ``(n, rows, columns)``, float32, C-contiguous.
    """
    out = np.empty((len(matrix), *planes.shape[1:]), np.float32)
    sums_of_planes(
        np.ascontiguousarray(matrix, np.float32),
        np.ascontiguousarray(planes).reshape(len(planes), -1),
        out.reshape(len(out), -1),
    )
    return out


@compiled
def sums_of_planes(matrix: F32, planes: F32, out: F32) -> None:
    """Write sums of planes ``(m, pixels)`` by the rows of a matrix ``(n, m)``, ``(n, pixels)``."""
    count = planes.shape[0]
    for first in range(0, out.shape[1], _TOGETHER):
        last = min(first + _TOGETHER, out.shape[1])
        for row in range(out.shape[0]):
            target, weights, done = out[row, first:last], matrix[row], 0
            if count >= _THREE:
                sum_of_three(_three(planes, 0, first, last), (weights[0], weights[1], weights[2]), target)
                done = _THREE
            else:
                target[:] = _NOTHING
            while done + _THREE <= count:
                by = weights[done], weights[done + 1], weights[done + 2]
                add_three(_three(planes, done, first, last), by, target)
                done += _THREE
            for column in range(done, count):
                add_one(planes[column, first:last], weights[column], target)


@compiled
def _three(planes: F32, number: int, first: int, last: int) -> Three:
    """Return some pixels of three planes, from a number on."""
    return planes[number, first:last], planes[number + 1, first:last], planes[number + 2, first:last]
