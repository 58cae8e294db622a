"""Shapes of suspended matter seen near: pictures of flakes, threads, grains and plankton.

Each is translucent: its cover follows from how much of it light meets, so it is thin towards its edges. All
are made from random numbers of their own and are the same for every shot.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from functools import lru_cache
from typing import Literal

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.disk_cache import kept, package_mark
from halocline.compute.random import normals, stream_key, uniforms
from halocline.compute.sources import source_digest
from halocline.filters.splat import Textures

ShapeKind = Literal["flake", "thread", "grain", "plankton"]
# Texels along a side, and different pictures of each kind.
_SIZE, _COUNT = 64, 16
_LUMPS, _FILAMENTS, _POINTS = 90, 7, 40
# How far in a grain's corners are worn off, and how wide the bands between its facets are: shares of half
# a side, the second squared.
_BLUNT, _BAND = 0.06, 0.03


@lru_cache(maxsize=16)
def shapes(kind: ShapeKind, bands: int) -> Textures:
    """Return pictures of a kind of matter, ``bands`` channels of grey light and its cover.

    Parameters
    ----------
    kind
        What to draw.
    bands
        Number of channels K of light.

    Returns
    -------
    Textures
        Premultiplied, ``(count, size, size, K + 1)``. The light of each, summed, is its cover: it scatters as
        much as an even disc of that cover.
    """
    light, cover = np.moveaxis(_light_and_cover(kind), 3, 0)
    return Textures.of(np.stack([*[light] * bands, cover], axis=3))


def _light_and_cover(kind: ShapeKind) -> F32:
    """Return grey light and cover, ``(count, size, size, 2)``; kept on disk, for drawing takes long."""
    shape = (_COUNT, _SIZE, _SIZE, 2)
    key = f"shapes {kind} {source_digest(__name__) or package_mark()}"
    found = np.frombuffer(kept("tables", key, lambda: _drawn(kind).tobytes()), np.float32)
    # Whole, and no shapes: somebody else's doing.
    return found.reshape(shape) if found.size == math.prod(shape) else _drawn(kind)


def _drawn(kind: ShapeKind) -> F32:
    pictures = []
    for index in range(_COUNT):
        thickness, tone = _DRAWN[kind](_Chance(kind, index))
        # Beer's law: what light meets on its way through. Nothing touches the sides of the picture.
        cover = (1.0 - np.exp(-thickness)) * _inside()
        light = cover * tone
        light *= cover.sum() / light.sum()
        pictures.append(np.stack([light, cover], axis=2))
    return np.stack(pictures).astype(np.float32)


@lru_cache(maxsize=16)
def side_of(kind: ShapeKind) -> float:
    """Return the side of a kind's pictures over the diameter of a disc that covers as much, on average."""
    cover = float(shapes(kind, 1).stacks[0][0][..., -1].mean(dtype=np.float64))
    return math.sqrt(0.25 * math.pi / cover)


class _Chance:
    """Random numbers of one picture, one after the other."""

    def __init__(self, kind: str, index: int) -> None:
        self._key, self._index, self._drawn = stream_key(0, "shapes", kind), index, 0

    def even(self, count: int = 1) -> F64:
        """Return numbers between 0 and 1."""
        return self._next(uniforms, count)

    def normal(self, count: int = 1) -> F64:
        """Return normal numbers."""
        return self._next(normals, count)

    def _next(self, draw: Callable[..., F64], count: int) -> F64:
        self._drawn += 1
        return np.asarray(draw(self._key, self._index, self._drawn, np.arange(count))[0], np.float64)


def _grid() -> tuple[F64, F64]:
    line = (np.arange(_SIZE) + 0.5) / (0.5 * _SIZE) - 1.0
    x, y = np.meshgrid(line, line)
    return x, y


def _inside() -> F64:
    x, y = _grid()
    edge = np.clip((1.0 - 1.0 / _SIZE - np.maximum(np.abs(x), np.abs(y))) * 10.0, 0.0, 1.0)
    return np.asarray(edge * edge * (3.0 - 2.0 * edge))


def _blobs(x: F64, y: F64, radius: F64, strength: F64) -> F64:
    """Return the sum of Gaussian blobs, each at a place."""
    line = _grid()[0][0][:, None]
    across, down = (np.exp(-0.5 * ((line - place) / radius) ** 2) for place in (x, y))
    return np.asarray(np.einsum("in,jn,n->ij", down, across, strength))


def _line(x: F64, y: F64, width: float) -> F64:
    """Return the thickness of a fibre, about 1 in its middle, through points that lie close together."""
    step = np.hypot(np.diff(x, append=2.0 * x[-1] - x[-2]), np.diff(y, append=2.0 * y[-1] - y[-2]))
    return _blobs(x, y, np.full(len(x), width), step / (math.sqrt(2.0 * math.pi) * width))


def _curve(chance: _Chance, start: tuple[float, float], length: float, curl: float) -> tuple[F64, F64]:
    """Return points of a curve that wanders off from a place."""
    turns = curl * np.cumsum(chance.normal(_POINTS)) / math.sqrt(_POINTS)
    heading = 2.0 * math.pi * float(chance.even()[0]) + turns
    step = length / _POINTS
    return start[0] + step * np.cumsum(np.cos(heading)), start[1] + step * np.cumsum(np.sin(heading))


def _flake(chance: _Chance) -> tuple[F64, F64]:
    """Marine snow: lumps stuck together one by one, held by slime and fibres."""
    x, y = np.zeros(_LUMPS), np.zeros(_LUMPS)
    angle, parent = 2.0 * math.pi * chance.even(_LUMPS), chance.even(_LUMPS)
    radius = 0.02 + 0.07 * chance.even(_LUMPS) ** 3
    stretch = 0.5 + 0.4 * float(chance.even()[0])
    for lump in range(1, _LUMPS):
        other = int(lump * parent[lump] ** 0.3)
        gap = 0.9 * (radius[lump] + radius[other])
        x[lump] = x[other] + gap * math.cos(angle[lump])
        y[lump] = y[other] + stretch * gap * math.sin(angle[lump])
    x, y = x - x.mean(), y - y.mean()
    reach = float(np.hypot(x, y).max())
    x, y, radius = 0.75 * x / reach, 0.75 * y / reach, np.maximum(0.62 * radius / reach, 0.02)
    thickness = _blobs(x, y, radius, 0.15 + 0.8 * chance.even(_LUMPS) ** 2)
    slime = _blobs(x[::3], y[::3], 0.05 + 1.5 * radius[::3], np.full(len(x[::3]), 0.07))
    thickness = thickness + slime
    for fibre in range(_FILAMENTS):
        begin = int(chance.even()[0] * _LUMPS)
        line = _curve(chance, (float(x[begin]), float(y[begin])), 0.3 + 0.5 * float(chance.even()[0]), 2.5)
        thickness = thickness + (0.25 + 0.1 * (fibre % 3)) * _line(*line, 0.018)
    tone = 0.7 + 0.6 * np.tanh(_blobs(x[::3], y[::3], radius[::3], chance.even(len(x[::3]))))
    return thickness, tone


def _thread(chance: _Chance) -> tuple[F64, F64]:
    """A fibre with a few beads."""
    x, y = _curve(chance, (0.0, 0.0), 1.7, 1.8)
    x, y = x - 0.5 * (x.min() + x.max()), y - 0.5 * (y.min() + y.max())
    scale = 0.82 / max(float(np.abs(x).max()), float(np.abs(y).max()))
    # Points lie close enough for a fibre as thin as a texel.
    close = np.linspace(0.0, _POINTS - 1.0, 4 * _POINTS)
    x, y = (np.interp(close, np.arange(_POINTS), scale * line) for line in (x, y))
    beads = (chance.even(7) * len(x)).astype(np.int64)
    thickness = 0.8 * _line(x, y, 0.02) + 0.12 * _line(x, y, 0.06)
    thickness = thickness + _blobs(x[beads], y[beads], 0.02 + 0.03 * chance.even(7), np.full(7, 0.9))
    return thickness, np.ones_like(thickness)


def _grain(chance: _Chance) -> tuple[F64, F64]:
    """A worn splinter of mineral or shell: blunt corners, uneven sides, facets that run into one another."""
    x, y = _grid()
    sides = 5 + int(3.0 * chance.even()[0])
    angle = 2.0 * math.pi * (np.arange(sides) + 0.7 * chance.even(sides)) / sides
    away = 0.45 + 0.25 * chance.even(sides)
    sides_off = x[..., None] * np.cos(angle) + y[..., None] * np.sin(angle) - away
    # Where two sides meet the corner is worn off; along them the outline is not quite straight.
    outside = _BLUNT * np.log(np.exp(sides_off / _BLUNT).sum(axis=2))
    for waves in (3.0, 7.0):
        phase_x, phase_y = 2.0 * math.pi * chance.even(2)
        outside += 0.06 / waves * np.sin(waves * x + phase_x) * np.sin(waves * y + phase_y)
    centre_x, centre_y = 0.7 * chance.even(6) - 0.35, 0.7 * chance.even(6) - 0.35
    away_squared = (x[..., None] - centre_x) ** 2 + (y[..., None] - centre_y) ** 2
    # One facet each to its nearest place, and a narrow band where two meet.
    share = np.exp((away_squared.min(axis=2, keepdims=True) - away_squared) / _BAND)
    tone = (share * (0.35 + 1.5 * chance.even(6) ** 2)).sum(axis=2) / share.sum(axis=2)
    return 1.6 * np.clip(0.5 - outside * 0.25 * _SIZE, 0.0, 1.0), tone


def _plankton(chance: _Chance) -> tuple[F64, F64]:
    """One of four: a copepod with its antennae, a chain of cells, a jelly with a bright rim, a rod."""
    x, y = _grid()
    what, bent = int(4.0 * chance.even()[0]), 0.25 * (float(chance.even()[0]) - 0.5)
    y = y + bent * x * x
    if what == 0:
        body = np.clip(1.0 - (x / 0.52) ** 2 - ((y - 0.02) / 0.2) ** 2, 0.0, 1.0)
        gut = np.exp(-0.5 * ((x + 0.1) / 0.2) ** 2 - 0.5 * (y / 0.06) ** 2)
        tail = np.exp(-0.5 * (y / 0.025) ** 2) * ((x < -0.5) & (x > -0.82))
        sweep = np.linspace(0.0, 1.0, 80)
        thickness = 0.9 * np.sqrt(body) + 0.9 * gut + 0.7 * tail
        for side in (-1.0, 1.0):
            thickness = thickness + 0.5 * _line(0.45 - 0.75 * sweep, side * (0.1 + 0.7 * sweep**0.8), 0.016)
        return thickness, 0.8 + 0.6 * gut
    if what == 1:
        cells = np.linspace(-0.75, 0.75, 7)
        across = np.clip(1.0 - ((x[..., None] - cells) / 0.115) ** 2 - (y[..., None] / 0.13) ** 2, 0.0, 1.0)
        thickness = 0.8 * np.sqrt(across).sum(axis=2)
        return thickness, 0.8 + 0.8 * (thickness < 0.45)
    if what == 2:
        radius = np.hypot(x, y / 0.85)
        rim = np.exp(-0.5 * ((radius - 0.66) / 0.05) ** 2)
        inside = 0.22 * (radius < 0.66) + 0.8 * np.exp(-0.5 * ((x - 0.2) ** 2 + y**2) / 0.1**2)
        return 0.9 * rim + inside, 0.7 + 0.9 * rim
    rod = np.exp(-0.5 * (y / 0.07) ** 4) * np.clip((0.8 - np.abs(x)) * 12.0, 0.0, 1.0)
    return 1.3 * rod, 0.9 + 0.4 * np.cos(9.0 * x) ** 2


_DRAWN: Mapping[ShapeKind, Callable[[_Chance], tuple[F64, F64]]] = {
    "flake": _flake,
    "thread": _thread,
    "grain": _grain,
    "plankton": _plankton,
}
