"""What turbid bodies leave of the light that a lamp throws into the water before a lens.

The share of a view ray's haze that still gets its light,

    int f V dt / int f dt,    f = p(psi) I exp(-k r - c t) / (r^2 + rho^2),

with V what is left of the lamp's light at each place, and of what the water turns of it to the lens, is
summed over short pieces of the ray and tabled by the ray's direction and range, as
`halocline.physics.path.lamp_shadow` has it of things. A piece is summed over the angle at the lamp, and V is
taken in the middle of that. V is as soft as bodies are, so the water's own phase function and few directions
do for all that lamps light.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.made_once import MadeOnce
from halocline.compute.threads import in_parallel
from halocline.late_dataclass import dataclass
from halocline.physics.path.lamp_loops import haze_along_rays, lit_intervals
from halocline.physics.path.lamp_shadow import ends_of_rates, weights_of_rates
from halocline.physics.path.lamp_shadow_loops import HALF_SHADOW_M, dim_haze
from halocline.physics.path.lamps import Lamp
from halocline.physics.path.scatterers import Scatterers
from halocline.physics.water.bands import Bands

# Directions across and down, at most, and how far apart they are at least, radians.
_ACROSS, _DOWN, _APART_RAD = 128, 72, math.radians(0.5)
# Ranges of the table, pieces between two of them, and the last, metres.
_RANGES, _PIECES, _LAST_M = 49, 2, 60.0
# What is summed at once.
_PARTS = 16
_NO_TABLE, _NO_DEPTH = np.zeros((0, 0), np.float32), np.zeros(0, np.float32)
_NO_WAVES = np.zeros((0, 4), np.float32)


@dataclass(frozen=True)
class SightAngles:
    """Directions about a lens, by azimuth and by angle from a pole that the picture does not look at.

    Attributes
    ----------
    axes
        The pole, ahead and right, unit, world, as rows, ``(3, 3)``.
    azimuths, angles
        From ahead to the right, and from the pole, radians, in even steps.
    wraps
        Whether azimuths go all round.
    """

    axes: F64
    azimuths: F64
    angles: F64
    wraps: bool

    @classmethod
    def of(cls, rotation: F64, rays: F64, *, around: bool) -> SightAngles:
        """Return those of a picture.

        Parameters
        ----------
        rotation
            The camera's axes as columns; it looks down the third.
        rays
            Some of its view directions along those axes, among them its corners, ``(3, ...)``.
        around
            Whether it shows all directions.
        """
        axes = np.stack([rotation[:, 1], -rotation[:, 2], rotation[:, 0]])
        across, down = np.arctan2(rays[0], -rays[2]), np.arctan2(np.hypot(rays[0], rays[2]), rays[1])
        angles = _even(float(down.min()), float(down.max()), _DOWN)
        if not around:
            return cls(axes, _even(float(across.min()), float(across.max()), _ACROSS), angles, wraps=False)
        turns = np.asarray(np.arange(_ACROSS) * (2.0 * math.pi / _ACROSS) - math.pi, np.float64)
        return cls(axes, turns, angles, wraps=True)

    def directions(self, rows: slice) -> F32:
        """Return unit directions of some azimuths, world, ``(3, azimuths, angles)``."""
        azimuth, angle = self.azimuths[rows, None], self.angles
        local = np.stack(
            np.broadcast_arrays(
                np.cos(angle), np.sin(angle) * np.cos(azimuth), np.sin(angle) * np.sin(azimuth)
            )
        )
        return np.ascontiguousarray(np.einsum("ai,arc->irc", self.axes, local), np.float32)


class DimmedHaze:
    """Takes from a lamp's haze along view rays what bodies keep from it. It is summed when first asked for.

    Parameters
    ----------
    lamp
        The lamp, ``dimmed`` by what bodies leave.
    bands
        The water.
    lens_m
        The lens, world metres.
    sight
        Where it looks.
    """

    def __init__(self, lamp: Lamp, bands: Bands, lens_m: F64, sight: SightAngles) -> None:
        self._lamp, self._lens, self._sight = lamp, np.asarray(lens_m, np.float64), sight
        self._rates = np.stack([lamp.loss_rate(bands)] * 2)
        self._lobes = Scatterers.of_water(bands).lobe_table
        self._shares = MadeOnce(self._summed)

    def __call__(self, direction: F32, ends_m: F32, haze: F32) -> None:
        """Take it from ``(K, n)``, in place; see `halocline.physics.path.lamps.Lamp`."""
        shares, sight = self._shares.get(0), self._sight
        if not shares.size:
            return
        azimuths, angles = sight.azimuths, sight.angles
        steps = [step for along in (azimuths, angles) for step in (along[0], 1.0 / (along[1] - along[0]))]
        dim_haze(
            np.ascontiguousarray(direction, np.float32),
            np.ascontiguousarray(ends_m, np.float32),
            sight.axes.astype(np.float32),
            np.array([*steps, sight.wraps, _LAST_M], np.float32),
            np.full(shares.shape[:2], np.inf, np.float32),
            shares,
            weights_of_rates(self._rates).astype(np.float32),
            haze,
        )

    def _summed(self, _: int) -> F32:
        """Return the share that is left of what loses least and most, ``(azimuths, angles, ranges, 2)``.

        Nothing where that is all.
        """
        sight = self._sight
        shape = (len(sight.azimuths), len(sight.angles), _RANGES, 2)
        left, whole = np.zeros(shape, np.float32), np.zeros(shape, np.float32)

        def part(rows: slice) -> None:
            self._sum(sight.directions(rows).reshape(3, -1), left[rows], whole[rows])

        edges = [shape[0] * number // _PARTS for number in range(_PARTS + 1)]
        in_parallel(part, [slice(a, b) for a, b in pairwise(edges) if b > a])
        if np.array_equal(left, whole):
            return np.zeros((0, 0, 0, 0), np.float32)
        return _shares(left, whole, wraps=sight.wraps)

    def _sum(self, direction: F32, left: F32, whole: F32) -> None:
        """Write the haze of rays ``(3, n)`` up to each range: what bodies leave of it, and all of it."""
        lamp, edges = self._lamp, _edges()
        found = HazePieces.of(lamp, ends_of_rates(self._rates), self._lobes, self._lens, direction, edges)
        kept = found.kept_by(lamp)
        for out, light in ((whole, found.light), (left, found.light * kept)):
            up_to = found.up_to_edges(light, (direction.shape[1], len(edges)))
            out.reshape(-1, *out.shape[2:])[:] = up_to[:, ::_PIECES]


@dataclass(frozen=True)
class HazePieces:
    """A lamp's haze along pieces of view rays, in two bands.

    Attributes
    ----------
    ray, piece
        Number of the ray, and of the piece on it, ``(n,)``.
    range_m
        Middle of each by the angle at the lamp, metres from the lens, ``(n,)``.
    from_lamp_m
        The same from the lamp, world metres, ``(3, n)``.
    cosine
        Of the angle by which light is turned there, ``(n,)``.
    light
        Haze per unit of intensity and scattering, ``(2, n)``.
    """

    ray: NDArray[np.int64]
    piece: NDArray[np.int64]
    range_m: F32
    from_lamp_m: F32
    cosine: F32
    light: F32

    @classmethod
    def of(cls, lamp: Lamp, rates: F64, lobes: F32, lens_m: F64, direction: F32, edges: F32) -> HazePieces:
        """Return those that a lamp lights of rays.

        Parameters
        ----------
        lamp
            The lamp; what leaves how much of its light is not asked.
        rates
            What it loses on the way out and back, in one of the bands a row, 1/m, ``(2, 2)``.
        lobes
            The water's phase function, see `halocline.physics.path.scatterers.Scatterers`.
        lens_m
            Where rays begin, world metres.
        direction
            Unit, ``(3, n)``.
        edges
            Where pieces begin and end, metres, ascending.
        """
        lens = (lens_m - lamp.position_m).astype(np.float32)
        about = np.zeros((6, direction.shape[1]), np.float32)
        lit_intervals(
            direction,
            np.full(direction.shape[1], edges[-1], np.float32),
            np.array([*lens, *lamp.axis], np.float32),
            np.array([lamp.outer_cosine, lamp.radius_m, 0.0], np.float32),
            about,
        )
        begin, end = (
            np.clip(each[None], about[0][:, None], about[1][:, None]) for each in (edges[:-1], edges[1:])
        )
        ray, piece = np.nonzero(end > begin)
        pieces = about[:, ray]
        nearest, apart = pieces[2], pieces[3]
        first, last = (np.arctan2(edge[ray, piece] - nearest, apart) for edge in (begin, end))
        pieces[0], pieces[1] = 0.5 * (first + last), 0.5 * (last - first)
        found = np.zeros((2, ray.size), np.float32)
        towards = np.ascontiguousarray(direction[:, ray])
        haze_along_rays(
            _nodes(),
            np.stack([*rates.T, np.ones(2), np.zeros(2)]).astype(np.float32),
            (np.array([lens @ lamp.axis, lamp.beam.per_x, 0.0], np.float32), lamp.beam.table),
            lobes,
            (_NO_TABLE, _NO_DEPTH),
            (_NO_WAVES, _NO_DEPTH),
            towards,
            pieces,
            found,
        )
        middle = nearest + apart * np.tan(pieces[0])
        offset = lens[:, None] + middle * towards
        away = np.sqrt(np.square(offset).sum(axis=0))
        cosine = -(offset * towards).sum(axis=0) / np.maximum(away, np.float32(1e-6))
        return cls(ray, piece, middle, offset, cosine, found)

    def kept_by(self, lamp: Lamp) -> F32:
        """Return the share of each piece that bodies leave on the light's way to it, ``(n,)``."""
        if lamp.dimmed is None:
            return np.ones(self.range_m.size, np.float32)
        left = lamp.dimmed(self.from_lamp_m)
        if lamp.spread is None:
            return left
        away = np.sqrt(np.square(self.from_lamp_m).sum(axis=0))
        return left * lamp.spread(away, self.cosine, left)

    def up_to_edges(self, light: F32, shape: tuple[int, int]) -> F32:
        """Return light of pieces ``(2, n)``, summed along each ray, at edges: ``(rays, edges, 2)``."""
        summed = np.zeros((*shape, 2), np.float32)
        summed[self.ray, self.piece + 1] = light.T
        return np.cumsum(summed, axis=1, out=summed)


def _shares(left: F32, whole: F32, *, wraps: bool) -> F32:
    """Return the share of the haze that is left; where there is none, as beside and behind that place."""
    around = [_with_neighbours(each, wraps=wraps) for each in (left, whole)]
    shares = np.ones_like(left)
    for some, of in (around, (left, whole)):
        np.divide(some, of, out=shares, where=of > 0.0)
        # The farther of two ranges may be lit and the nearer not.
        for nearer in range(_RANGES - 2, -1, -1):
            dark = of[:, :, nearer] <= 0.0
            np.copyto(shares[:, :, nearer], shares[:, :, nearer + 1], where=dark)
    return shares


def _with_neighbours(haze: F32, *, wraps: bool) -> F32:
    """Return the sum over each direction and those next to it."""
    padded = np.pad(haze, ((1, 1), (0, 0), (0, 0), (0, 0)), mode="wrap" if wraps else "constant")
    across = padded[:-2] + padded[1:-1] + padded[2:]
    padded = np.pad(across, ((0, 0), (1, 1), (0, 0), (0, 0)))
    found: F32 = padded[:, :-2] + padded[:, 1:-1] + padded[:, 2:]
    return found


def _even(first: float, last: float, most: int) -> F64:
    """Return even steps from one angle to another, a little apart at least."""
    return np.linspace(first, last, min(most, max(2, 1 + math.ceil((last - first) / _APART_RAD))))


def _edges() -> F32:
    """Return where pieces begin and end, metres: so many between two ranges of the table."""
    place = np.linspace(0.0, _LAST_M / (_LAST_M + HALF_SHADOW_M), (_RANGES - 1) * _PIECES + 1)
    return np.asarray(HALF_SHADOW_M * place / (1.0 - place), np.float32)


def _nodes() -> F32:
    """Return two nodes of Gauss and Legendre on -1 to 1 and their weights, ``(2, 2)``."""
    return np.stack(np.polynomial.legendre.leggauss(2)).astype(np.float32)
