"""Shaded water in cells: what stands beside a place, and light that is scattered about among things.

The maps of `halocline.physics.sea.shade` know the uppermost thing over each place. That tells all of the
sun's beam, but not of the sky's light, of which a wall beside a place hides a part, nor of light that comes
from all sides. Here the water about the lens is a grid of cells as high as they are wide, and each knows how
much a thing in it keeps of light along each axis: what part of it the thing is as wide as, to an eighth.

What a place scatters about, S, was the sun's and the sky's, or had been scattered about before. After 1 / k,
k = a + (1 - g) b, light has lost its direction (the transport length), so

    S = s V + w D + (1 - s - w) J,   J = mean over directions of int_0^inf k exp(-k t) S(t) T(t) dt,

all as shares of what they are without things: V and D what is left of sun and sky, s and w their shares of
scalar daylight, and T whether the way between is free (the integral form of the transport equation, with
scattering taken for isotropic over the transport length). What comes down through Snell's window counts for
the sky's: the mean is over all other directions. Things are black, and J is what comes to the place.

A view ray gets J past things; before one that it leads to, S, for of what comes from behind that the halo
knows (`halocline.physics.sea.shade_loops.come_along`).
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from halocline._typing import F32
from halocline.late_dataclass import dataclass
from halocline.physics.path.phase import henyey_greenstein
from halocline.physics.path.transport import DIFFUSE_ASYMMETRY
from halocline.physics.sea.shade_cell_loops import (
    PARTS,
    Parts,
    keep_uppermost,
    light_about,
    note_points,
    open_ways,
    sky_through,
)

# How often light that has been scattered about is followed to where such light has lit it.
_TIMES = 3
# Of a mean over directions, what those to sides, edges and corners of a cube have each.
_LEBEDEV = (1.0 / 21.0, 4.0 / 105.0, 9.0 / 280.0)
# The sky's light as one way down and two cones: slopes where they part, of a normal lobe; and ways in a cone.
_PARTS_AT, _CONES, _AROUND = (0.225, 0.675), (0.45, 0.9), 8
# So much of a cell lies before where whole metres begin, and above the surface: people build along these, and
# a face on the edge of two cells would be in both.
CELLS_BEGIN = 0.15
# Where little of the sky is left anyway, no more is taken for what stands beside.
_LEAST = 0.02


@dataclass(frozen=True)
class Cells:
    """Cells about a lens, from the surface down; the uppermost begin above it.

    Attributes
    ----------
    start_m
        The first cell's edge along both level axes, metres.
    step_m
        Side of a cell, metres.
    count, layers
        Cells along a level side, and down.
    """

    start_m: tuple[float, float]
    step_m: float
    count: int
    layers: int

    @property
    def shape(self) -> tuple[int, int, int]:
        """Down, y and x."""
        return self.layers, self.count, self.count

    @property
    def depths_m(self) -> F32:
        """Depths of their middles, ``(layers,)``."""
        return ((np.arange(self.layers) + 0.5 - CELLS_BEGIN) * self.step_m).astype(np.float32)

    def parts(self, places_m: F32, depth_m: F32, weight: F32, gaps_m: F32) -> Parts:
        """Return what points of things keep in parts of cells; gaps of so much about each are closed."""
        step, shape = self.step_m / PARTS, (3, *(PARTS * size for size in self.shape))
        parts = np.zeros(shape, np.int32), np.zeros(shape, np.float32)
        starts = *self.start_m, -CELLS_BEGIN * self.step_m
        grid = (np.float32(1.0 / step), *(np.float32(start / step) for start in starts))
        note_points(places_m, depth_m, weight, gaps_m, grid, parts)
        return parts

    def ways(self, parts: Parts) -> F32:
        """Return how much light along each axis things in cells keep, ``(9, *shape)``; see `open_ways`."""
        made = np.empty((9, *self.shape), np.float32)
        open_ways(parts, made)
        return made

    def beside(self, parts: Parts, ways: F32, spread: float) -> F32 | None:
        """Return what is left of the sky by what stands beside cells, of what the uppermost things leave.

        Parameters
        ----------
        parts, ways
            Of things; the former are changed.
        spread
            Standard deviation of the sky's light about the vertical, a metre of depth.

        Returns
        -------
        F32 | None
            0 to 1, of `shape`; None where no thing stands below another's top.
        """
        if not keep_uppermost(parts[1]):
            return None
        slopes = _sky_slopes(spread)
        whole, uppermost = np.zeros(self.shape, np.float32), np.zeros(self.shape, np.float32)
        sky_through(ways, slopes, whole)
        sky_through(self.ways(parts), slopes, uppermost)
        least = np.float32(_LEAST)
        return np.asarray(np.minimum((whole + least) / (uppermost + least), np.float32(1.0)), np.float32)

    def lit_about(self, lit: F32, again: float, ways: F32, per_m: float) -> tuple[F32, F32]:
        """Return what is left of the light that cells scatter about, and of that which comes to them.

        S and J of this module, of `shape`.

        Parameters
        ----------
        lit, again, ways
            See `light_about`.
        per_m
            k, 1/m.
        """
        kept = np.exp(-per_m * self.step_m * np.sqrt([1.0, 2.0, 3.0])).astype(np.float32)
        sent, coming, about = (np.empty(self.shape, np.float32) for _ in range(3))
        of_ways = kept, _ways_about()
        light_about(
            _even(lit, ways), np.float32(min(again, 0.99)), ways, of_ways, _TIMES, (sent, coming, about)
        )
        return sent, about


def _even(lit: F32, ways: F32) -> F32:
    """Return light of cells that flows to those beside them, as far as the way to these is open.

    A quarter along each axis. Means over cells know edges of a shadow no better than to a cell: as these go
    over the cells with what a moving lens sees of a thing, the light that is laid out between cells would go
    up and down. This takes from it what changes from cell to cell.
    """
    made = lit.copy()
    for axis, way in enumerate((6, 3, 0)):
        here, there = (
            tuple(part if number == axis else slice(None) for number in range(3))
            for part in (slice(None, -1), slice(1, None))
        )
        free = (np.float32(1.0) - ways[way + 1][here]) * (np.float32(1.0) - ways[way][there])
        flow = np.float32(0.25) * free * (made[there] - made[here])
        made[here] += flow
        made[there] -= flow
    return made


@lru_cache(maxsize=1)
def _ways_about() -> F32:
    """Return shares of light that has been scattered about along ways from cell to cell, ``(27,)``.

    Lebedev's points, exact for harmonics up to the seventh, and that light about the vertical in its lobe.
    None for ways within Snell's window: what comes from there counts for the sky's.
    """
    x, y, down = (np.arange(27) // step % 3 - 1 for step in (1, 3, 9))
    square = x**2 + y**2 + down**2
    cosine = down / np.sqrt(np.maximum(square, 1))
    found = np.array((0.0, *_LEBEDEV))[square] * henyey_greenstein(cosine, DIFFUSE_ASYMMETRY)
    found[(down > 0) & (square < 3)] = 0.0
    return np.asarray(found / found.sum(), np.float32)


@lru_cache(maxsize=8)
def _sky_slopes(spread: float) -> F32:
    """Return ways of the sky's light and their shares, as `sky_through` takes them."""
    beyond = [math.exp(-0.5 * (slope / spread) ** 2) for slope in _PARTS_AT]
    found = [(0.0, 0.0, 1.0 - beyond[0])]
    for slope, share in zip(_CONES, (beyond[0] - beyond[1], beyond[1]), strict=True):
        for turn in range(_AROUND):
            angle = 2.0 * math.pi * turn / _AROUND
            found.append((slope * math.cos(angle), slope * math.sin(angle), share / _AROUND))
    return np.where(np.abs(found) < 1e-9, 0.0, found).astype(np.float32)
