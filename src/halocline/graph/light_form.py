"""Conversion of light between RGB and spectral bands; the engine puts it in where it is needed."""

from __future__ import annotations

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled
from halocline.graph.operator import Operator, Planes, PlaneUse, Tile
from halocline.graph.planes import BANDS, RGB
from halocline.graph.shot import Shot
from halocline.quantities import Strict

# Pixels whose planes stay in the nearest cache together.
_TOGETHER = 1024


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
    for first in range(0, out.shape[1], _TOGETHER):
        part = slice(first, min(first + _TOGETHER, out.shape[1]))
        for row in range(out.shape[0]):
            target, plane, weight = out[row, part], planes[0, part], matrix[row, 0]
            for pixel in range(target.size):
                target[pixel] = plane[pixel] * weight
            for column in range(1, planes.shape[0]):
                plane, weight = planes[column, part], matrix[row, column]
                for pixel in range(target.size):
                    target[pixel] += plane[pixel] * weight
