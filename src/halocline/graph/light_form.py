"""Conversion of light between RGB and spectral bands; the engine puts it in where it is needed."""

from __future__ import annotations

from typing import Any

import numpy as np

from halocline._typing import F32, F64
from halocline.graph.operator import Operator, Planes, PlaneUse, Tile
from halocline.graph.shot import Shot
from halocline.quantities import Strict

RGB = "rgb"
BANDS = "bands"


class _None(Strict):
    """A conversion has no parameters."""


class RGBToBands(Operator[_None]):
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

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: Any) -> Planes:  # noqa: ARG002
        """Convert."""
        return {BANDS: combine(prepared, planes[RGB])}


class BandsToRGB(Operator[_None]):
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

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: Any) -> Planes:  # noqa: ARG002
        """Convert."""
        return {RGB: combine(prepared, planes[BANDS])}


def combine(matrix: F64, planes: F32) -> F32:
    """Return planes ``(m, rows, columns)`` mixed by a matrix ``(n, m)``, ``(n, rows, columns)``.

    Written as sums of whole planes in a fixed order: a matrix product may sum in another order for another
    number of rows, and the bits would differ from tile to tile.
    """
    out = np.empty((len(matrix), *planes.shape[1:]), np.float32)
    scratch = np.empty(planes.shape[1:], np.float32)
    for row, target in zip(matrix.astype(np.float32), out, strict=True):
        np.multiply(planes[0], row[0], out=target)
        for weight, plane in zip(row[1:], planes[1:], strict=True):
            np.multiply(plane, weight, out=scratch)
            np.add(target, scratch, out=target)
    return out
