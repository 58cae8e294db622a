"""The whole point spread of water: where light arrives that was turned on its way to the lens.

The small-angle theory (wells1973), carried on to a right angle: a stretch of water s before a wall passes a
picture on with the modulation transfer

    H(f, s) = exp(-(c - b S(f)) s)

    S(f) = int_0^1 dv int_0^(pi/2) dpsi  2 pi p(psi) sin(psi) J0(2 pi f v tan psi) exp(-a s v (1/cos psi - 1))

Light turned by psi at a share v of the way from the wall is seen v tan(psi) off its place, so slopes add up
where the small-angle theory adds angles, and what is turned far is absorbed on its longer way. Frequencies
are in cycles per unit of slope, which at the centre of a picture are cycles per radian. H(inf) = exp(-c s) is
the sharp picture; the rest is its halo. Against photons followed one by one the halo's energy within any
width is right to 2 % from 1 to 25 scattering lengths (`tests/reference/test_point_spread_reference.py`).

What a thing hides is not only the water's light along the ray: light arrives at the thing's back from all
directions about it and would have been turned into the lens. With A(psi) the mean of the water's light on a
ring of half width psi about the ray, over that along the ray, each turn of hidden light counts A(psi) times,
minus what the picture shows anyway, A(v psi). A = 1 + q psi^2 with one number q, the *bend* of the light,
holds to 60 degrees in coastal water. Light that was turned n times counts by the angle of all its turns
together, whose squares add up, and not by the product of what each would count: A(sqrt(n) psi) over
A(v sqrt(n) psi). So each of many turns has a smaller bend than a single one (`Turns.bend_of_each`).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.on_demand import OnDemand
from halocline.late_dataclass import dataclass

optimize = OnDemand("scipy.optimize")
special = OnDemand("scipy.special")

# Light turned further comes, on the whole, from in front of the wall.
WIDEST_TURN_RAD = math.radians(89.9)
# Below this angle scattered light stays in its pixel in any picture (0.04 px of 4000 over 60 degrees).
SMALLEST_TURN_RAD = 1e-5
# Gaussians, in slope, of which halos are made, and the frequencies at which they are fitted.
SLOPES: F64 = np.geomspace(2e-4, 6.0, 32)
FREQUENCIES: F64 = np.geomspace(0.003, 2000.0, 120)
# Rings of slope in which halos are compared and made up of a picture's own Gaussians.
RINGS: F64 = np.concatenate([[0.0], np.geomspace(2e-4, 5.0, 80), [np.inf]])
# Most steps of a fit; it takes a few dozen.
STEPS = 5000
# Places on the way: Gauss-Legendre on 0 to 1.
_PLACES, _PLACE_WEIGHTS = (
    0.5 * (part + shift) for part, shift in zip(np.polynomial.legendre.leggauss(12), (1.0, 0.0), strict=True)
)


@dataclass(frozen=True)
class Turns:
    """What one phase function does to light within a right angle, ready for any water.

    Attributes
    ----------
    angles
        psi, radians, ``(n,)``.
    shares
        Share of all scattering that each angle stands for, ``(n,)``.
    seen
        J0(2 pi f v tan psi) at `FREQUENCIES`, ``(frequencies, places, n)``.
    """

    angles: F64
    shares: F64
    seen: F32

    @classmethod
    def of(cls, phase: Callable[[F64], F64]) -> Turns:
        """Tabulate a phase function of the angle in radians, 1/sr, integral 1 over the sphere."""
        narrow = np.geomspace(SMALLEST_TURN_RAD, 0.03, 60)
        edges = np.concatenate([[0.0], narrow, np.linspace(0.03, WIDEST_TURN_RAD, 90)[1:]])
        nodes, weights = np.polynomial.legendre.leggauss(3)
        half = 0.5 * np.diff(edges)[:, None]
        angles = (edges[:-1, None] + half * (1.0 + nodes)).ravel()
        shares = (half * weights).ravel() * 2.0 * math.pi * phase(angles) * np.sin(angles)
        return cls(angles, shares, _seen(angles))

    def weights(self, a: float, range_m: float, bend: float = 0.0) -> F64:
        """Return what is left of each turn, by where it was made, ``(places, n)``; their sum is S(0).

        Parameters
        ----------
        a
            Absorption, 1/m.
        range_m
            s, metres.
        bend
            q of each turn; 0 for the light of the surface itself.
        """
        place = _PLACES[:, None]
        left = np.exp(-a * range_m * place * (1.0 / np.cos(self.angles) - 1.0))
        hidden = (1.0 + bend * self.angles**2) / (1.0 + bend * (place * self.angles) ** 2)
        weights: F64 = _PLACE_WEIGHTS[:, None] * self.shares * left * hidden
        return weights

    def bend_of_each(self, a: float, b: float, range_m: float, bend: float) -> float:
        """Return the bend q of each turn of light that reaches the lens by all of them.

        With m the mean square of a turn, n how often light is turned that is turned at all, and 1/3 the mean
        of v^2, it is the q' of ((1 + q' m) / (1 + q' m / 3))^n = (1 + q n m) / (1 + q n m / 3).
        """
        if bend == 0.0:
            return 0.0
        weights = self.weights(a, range_m)
        total = float(weights.sum())
        square = float((weights * self.angles**2).sum()) / total
        turned = max(b * range_m * total, 1e-9)
        times = turned / -math.expm1(-turned)
        together = bend * times * square
        each = ((1.0 + together) / (1.0 + together / 3.0)) ** (1.0 / times)
        return float((each - 1.0) / (1.0 - each / 3.0) / square)

    def transfer(self, a: float, b: float, range_m: float, bend: float = 0.0) -> F64:
        """Return H(f, s) at `FREQUENCIES`."""
        each = self.bend_of_each(a, b, range_m, bend)
        weights = self.weights(a, range_m, each).astype(np.float32)
        spectrum = np.tensordot(self.seen, weights, axes=([1, 2], [0, 1])).astype(np.float64)
        decay: F64 = np.exp(-(a + b - b * spectrum) * range_m)
        return decay

    def regained(self, a: float, b: float, range_m: float, bend: float = 0.0) -> float:
        """Return S(0): the share of scattered light that arrives after all."""
        each = self.bend_of_each(a, b, range_m, bend)
        return float(self.weights(a, range_m, each).sum())

    def plane_halo(self, a: float, b: float, range_m: float, bend: float = 0.0) -> F64:
        """Return the halo of a wall at one range as energies of Gaussians of slope.

        Returns
        -------
        ``(1 + slopes,)``: what stays where it is, and one for each of `SLOPES`. Their sum is
        exp(-c s) (exp(b S(0) s) - 1).
        """
        direct = math.exp(-(a + b) * range_m)
        energy = direct * math.expm1(b * range_m * self.regained(a, b, range_m, bend))
        return energy * _as_gaussians((self.transfer(a, b, range_m, bend) - direct) / energy)

    def halo_within(self, a: float, b: float, range_m: float, bend: float = 0.0) -> F64:
        """Return how the halo of a wall at one range is made of what the wall shows, its halo included.

        A wall's light less open water is seen by H; its direct light alone by exp(-c s). So what it shows is
        to be spread by 1 - exp(-c s) / H = 1 - exp(-b S(f) s) to give the halo that is in it.

        Returns
        -------
        F64
            ``(1 + slopes,)``: as `plane_halo`, with a sum of 1.
        """
        direct = math.exp(-(a + b) * range_m)
        part = 1.0 - direct / self.transfer(a, b, range_m, bend)
        return _as_gaussians(part / -math.expm1(-b * range_m * self.regained(a, b, range_m, bend)))


def _as_gaussians(transfer: F64) -> F64:
    """Return the weights of no spread and of Gaussians of `SLOPES` that make a transfer of 1 at rest."""
    matrix = np.hstack([np.ones((FREQUENCIES.size, 1)), _transfers(FREQUENCIES, SLOPES)])
    # A heavy last row holds the sum at 1.
    weights, _ = optimize.nnls(
        np.vstack([matrix, np.full(matrix.shape[1], 1e2)]), np.append(transfer, 1e2), maxiter=STEPS
    )
    return np.asarray(weights / weights.sum(), np.float64)


def _seen(angles: F64) -> F32:
    offsets = np.multiply.outer(_PLACES, np.tan(angles))
    seen: F32 = special.j0(2.0 * math.pi * np.multiply.outer(FREQUENCIES, offsets)).astype(np.float32)
    return seen


def _transfers(frequencies: F64, widths: F64) -> F64:
    transfers: F64 = np.exp(-2.0 * np.square(math.pi * np.multiply.outer(frequencies, widths)))
    return transfers


def ring_shares(widths: F64, rings: F64 = RINGS) -> F64:
    """Return how much of Gaussians of slope falls between each two of the rings' edges, ``(rings, widths)``.

    A width of 0 is no width.
    """
    beyond = np.exp(-0.5 * np.square(np.divide.outer(rings, np.maximum(widths, 1e-12))))
    shares: F64 = beyond[:-1] - beyond[1:]
    return shares


@dataclass(frozen=True)
class SurfaceHalos:
    """Halos that surfaces give by their own range, as the pixels of a picture know it.

    A wall square to the view is farther along rays aside than its distance. So the halo of a pixel at range
    r and slope m is taken from that of a wall at r / sqrt(1 + m^2): a wall across the view then has its own
    halo at every pixel.

    Attributes
    ----------
    ranges_m
        Ascending, ``(n,)``.
    rings
        Energy of the halo in each of `RINGS` relative to the direct light exp(-c r), ``(n, rings)``.
    wall
        The same of a wall at each range, in all, ``(n,)``.
    """

    ranges_m: F64
    rings: F64
    wall: F64

    @classmethod
    def of(cls, turns: Turns, a: float, b: float, ranges_m: F64, bend: float = 0.0) -> SurfaceHalos:
        """Reckon them for water of absorption a and scattering b, 1/m."""
        middles = np.sqrt(np.maximum(RINGS[:-1], 0.5 * RINGS[1]) * np.minimum(RINGS[1:], 2.0 * RINGS[-2]))
        slant = np.sqrt(1.0 + middles**2)
        walls = np.geomspace(ranges_m[0] / slant[-1], ranges_m[-1], 56)
        shares = ring_shares(np.append(0.0, SLOPES))
        energies = np.stack([shares @ turns.plane_halo(a, b, float(s), bend) for s in walls])
        depths = np.log(np.maximum(energies, 1e-30))
        rings = np.empty((len(ranges_m), middles.size))
        for number, r in enumerate(ranges_m):
            at = np.log(r / slant)
            for ring in range(middles.size):
                rings[number, ring] = np.interp(at[ring], np.log(walls), depths[:, ring])
        c = a + b
        wall = np.array([math.expm1(b * s * turns.regained(a, b, float(s), bend)) for s in ranges_m])
        return cls(ranges_m, np.exp(rings + c * ranges_m[:, None]), wall)

    @property
    def gains(self) -> F64:
        """Energy of each halo relative to the direct light, ``(n,)``."""
        gains: F64 = self.rings.sum(axis=1)
        return gains

    def mixed_of(self, widths: F64) -> F64:
        """Return each halo as shares of given Gaussians of slope, ``(n, widths)``, rows sum to 1."""
        # What falls within each ring and not what falls between two: a thing of any size then has its halo.
        matrix = np.cumsum(ring_shares(widths), axis=0)
        matrix = np.vstack([matrix, np.full(len(widths), 10.0)])
        rows = []
        for ring in self.rings:
            within = np.cumsum(ring) / ring.sum()
            weights, _ = optimize.nnls(matrix, np.append(within, 10.0), maxiter=STEPS)
            rows.append(weights / weights.sum())
        return np.stack(rows)
