"""What floats in the water: how big, how many, how fast it sinks, and how much light it sends to the lens.

Sizes follow a power law (Junge): dN/dD = K D^-m between two diameters, with m about 3 to 5 in the sea.
Particles are opaque discs of the same projected area; diffraction, which sends light only some minutes of
arc off its path, is left in the direct beam.

The smallest and farthest particles cannot be told apart. `DrawLimits` gives the share of a particle that is
drawn as itself; what is left is not lost but becomes haze with the same cross section and the same light.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from halocline._typing import F64, AnyArray
from halocline.errors import PhysicsError
from halocline.late_dataclass import dataclass

GRAVITY_M_S2 = 9.81
SECONDS_PER_DAY = 86400.0
LITRES_PER_M3 = 1000.0


@dataclass(frozen=True)
class PowerLaw:
    """A size distribution dN/dD = K D^-m between two diameters.

    Attributes
    ----------
    per_m3
        Particles between the limits in a cubic metre, >= 0.
    exponent
        m, above 1.
    smallest_m, largest_m
        Limits of the diameter D, metres, 0 < smallest < largest.

    Notes
    -----
    Source: bader1970; jonasz2007. Worked values: 5 a litre from 0.5 to 8 mm with m = 4 leave
    0.6239 a litre above 1 mm.
    """

    per_m3: float
    exponent: float
    smallest_m: float
    largest_m: float

    def __post_init__(self) -> None:
        if not 0.0 < self.smallest_m < self.largest_m < math.inf:
            raise PhysicsError(
                f"diameters from {self.smallest_m:g} to {self.largest_m:g} m make no size range",
                code="E-PHYSICS-SIZES",
                fix="The smallest diameter must be above zero and below the largest.",
            )
        if not (self.exponent > 1.0 and 0.0 <= self.per_m3 < math.inf):
            raise PhysicsError(
                f"a power law with exponent {self.exponent:g} and {self.per_m3:g} particles per m3 "
                "is impossible",
                code="E-PHYSICS-SIZES",
                fix="Give an exponent above 1 (the sea has 3 to 5) and a number of particles, 0 or more.",
            )

    def number_above(self, diameter_m: ArrayLike) -> F64:
        """Return the particles per m3 that are larger than each diameter."""
        steepness = 1.0 - self.exponent
        diameter = np.clip(np.asarray(diameter_m, np.float64), self.smallest_m, self.largest_m)
        tail = diameter**steepness - self.largest_m**steepness
        number: F64 = self.per_m3 * tail / (self.smallest_m**steepness - self.largest_m**steepness)
        return number

    def density(self, diameter_m: ArrayLike) -> F64:
        """Return dN/dD, particles per m3 and metre of diameter; zero outside the limits."""
        diameter = np.asarray(diameter_m, np.float64)
        steepness = 1.0 - self.exponent
        whole = (self.largest_m**steepness - self.smallest_m**steepness) / steepness
        inside = (diameter >= self.smallest_m) & (diameter <= self.largest_m)
        return np.where(inside, self.per_m3 * diameter**-self.exponent / whole, 0.0)

    def quantile(self, share: ArrayLike) -> F64:
        """Return the diameter below which a share (0 to 1) of the particles lies (inverse distribution)."""
        low, more, power, smallest, largest = self.inverse
        diameter = (low + np.asarray(share, np.float64) * more) ** power
        # The power's rounding must not push a particle out of its class.
        return np.asarray(np.clip(diameter, smallest, largest))

    @property
    def inverse(self) -> tuple[float, float, float, float, float]:
        """What `quantile` is made of: D = (a + share b)^c, between two diameters."""
        steepness = 1.0 - self.exponent
        low, high = self.smallest_m**steepness, self.largest_m**steepness
        return low, high - low, 1.0 / steepness, self.smallest_m, self.largest_m

    def moment(self, power: float) -> float:
        """Return the sum of D^power over the particles of a cubic metre, m^power per m3."""
        return float(self.per_m3 * (self._integral(power) / self._integral(0.0)))

    def cross_section(self) -> float:
        """Return the projected area in a cubic metre, 1/m: the scattering coefficient that it adds."""
        return math.pi / 4.0 * self.moment(2.0)

    def slices(self, *, ratio: float = 2.0) -> tuple[PowerLaw, ...]:
        """Return the distribution cut at equal ratios of diameter, at most ``ratio`` each, smallest first."""
        pieces = max(1, math.ceil(math.log(self.largest_m / self.smallest_m) / math.log(ratio) - 1e-9))
        edges = self.smallest_m * (self.largest_m / self.smallest_m) ** (np.arange(pieces + 1) / pieces)
        edges[-1] = self.largest_m
        above = self.number_above(edges)
        return tuple(
            PowerLaw(float(above[i] - above[i + 1]), self.exponent, float(edges[i]), float(edges[i + 1]))
            for i in range(pieces)
        )

    def _integral(self, power: float) -> float:
        order = power + 1.0 - self.exponent
        if abs(order) < 1e-9:
            return math.log(self.largest_m / self.smallest_m)
        return float((self.largest_m**order - self.smallest_m**order) / order)


def aggregate_sinking_speed(diameter_m: ArrayLike) -> F64:
    """Return how fast a marine snow aggregate sinks, m/s: 50 d^0.26 m/day with d in millimetres.

    Parameters
    ----------
    diameter_m
        Diameter, metres, above 0; the regression holds for 2.4 to 75 mm.

    Returns
    -------
    F64
        Metres per second, in the shape of ``diameter_m``.

    Notes
    -----
    Source: alldredge1988, regression of in-situ speeds (aggregates of 2.4 to 75 mm; they found 16 to
    368, on average 74 m/day). Worked value: 4.5 mm sinks 73.9 m/day, 0.856 mm/s.
    """
    millimetres = np.asarray(diameter_m, np.float64) * 1000.0
    return np.asarray(50.0 / SECONDS_PER_DAY * millimetres**0.26)


def grain_settling_speed(
    diameter_m: ArrayLike,
    *,
    grain_density: float = 2650.0,
    water_density: float = 1025.0,
    kinematic_viscosity: float = 1.2e-6,
) -> F64:
    """Return the settling speed of a mineral grain, m/s; negative for grains lighter than water.

    w = R g D^2 / (C1 nu + sqrt(0.75 C2 R g D^3)),  C1 = 18, C2 = 1.0 (natural grains)

    Parameters
    ----------
    diameter_m
        Sieve diameter, metres.
    grain_density, water_density
        kg/m3; quartz and sea water unless given.
    kinematic_viscosity
        nu, m2/s; sea water at 13 degrees C unless given.

    Returns
    -------
    F64
        Metres per second, in the shape of ``diameter_m``.

    Notes
    -----
    Source: ferguson2004, equation 4. The limit of small grains is Stokes' law. Worked value, quartz in
    fresh water at 20 degrees C (nu 1e-6, density 1000): 0.1 mm settles at 7.5 mm/s.
    """
    diameter = np.asarray(diameter_m, np.float64)
    excess = grain_density / water_density - 1.0
    weight = abs(excess) * GRAVITY_M_S2 * diameter**2
    drag = 18.0 * kinematic_viscosity + np.sqrt(0.75 * abs(excess) * GRAVITY_M_S2 * diameter**3)
    return np.asarray(math.copysign(1.0, excess) * weight / drag)


@dataclass(frozen=True)
class DrawLimits:
    """Which share of a particle is drawn as itself; the rest is haze.

    Three smooth limits, each depending only on the particle's size and range, so that nothing pops: too
    far, too small an angle, or so near that the lens spreads it to nothing.

    Attributes
    ----------
    farthest_m
        From here on everything is haze, metres.
    smallest_angle_rad
        From this D / s downwards everything is haze, radians.
    nearest_m
        Nearer than this there is no water (the housing's window), metres.
    faintest_coverage
        From this opacity of the blurred disc downwards everything is haze.
    aperture_m, focus_m
        Diameter of the lens opening and focus distance, for that blur; an aperture of 0 has none.
    """

    farthest_m: float
    smallest_angle_rad: float
    nearest_m: float = 0.1
    faintest_coverage: float = 2e-4
    aperture_m: float = 0.0
    focus_m: float = math.inf

    def farthest_for(self, diameter_m: float) -> float:
        """Return the range beyond which a particle of this size is never drawn as itself, metres."""
        return min(self.farthest_m, diameter_m / self.smallest_angle_rad)

    def share(self, diameter_m: AnyArray, range_m: AnyArray) -> F64:
        """Return the share drawn, 0 to 1, for diameters and ranges in metres that broadcast."""
        diameter, s = np.asarray(diameter_m, np.float64), np.asarray(range_m, np.float64)
        end = np.minimum(self.farthest_m, diameter / self.smallest_angle_rad)
        share = smooth_step((end - s) / (_FADE * end))
        share *= smooth_step((s - self.nearest_m) / (_NEAR_FADE * self.nearest_m))
        if self.aperture_m > 0.0:
            # Blur of a thin lens as a length at the particle: A |s - sf| / sf.
            blur = self.aperture_m * np.abs(s / self.focus_m - 1.0)
            coverage = (diameter / (diameter + blur)) ** 2
            share *= smooth_step(np.log(coverage / self.faintest_coverage) / _COVERAGE_FADE)
        return share


# Fades: over the last 40 % of the range, from the window to twice its distance, over a factor of e^1.5.
_FADE = 0.4
_NEAR_FADE = 1.0
_COVERAGE_FADE = 1.5


def smooth_step(t: AnyArray) -> F64:
    """Return 3 t^2 - 2 t^3 for t clipped to 0 .. 1.

    Parameters
    ----------
    t
        Any shape.

    Returns
    -------
    F64
        0 to 1, in the shape of ``t``.
    """
    t = np.clip(t, 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t), np.float64)


def haze_cross_section(sizes: PowerLaw, limits: DrawLimits, range_m: F64, *, nodes: int = 48) -> F64:
    """Return the projected area that is not drawn as particles, at each range, 1/m.

    Drawn and haze together are `PowerLaw.cross_section` at every range beyond the window.

    Parameters
    ----------
    sizes, limits
        The class and its drawing limits.
    range_m
        ``(n,)`` metres.
    nodes
        Points of the quadrature over log D; 48 are exact to 1e-4 over two decades of size.
    """
    position, weight = np.polynomial.legendre.leggauss(nodes)
    width = math.log(sizes.largest_m / sizes.smallest_m)
    diameter = sizes.smallest_m * np.exp(0.5 * width * (position + 1.0))
    # dD = D d(ln D)
    area = math.pi / 4.0 * diameter**3 * sizes.density(diameter) * (0.5 * width * weight)
    hidden = 1.0 - limits.share(diameter[:, None], range_m[None, :])
    open_water = smooth_step((range_m - limits.nearest_m) / (_NEAR_FADE * limits.nearest_m))
    # The share counts the fade at the window as not drawn; there is no haze in front of the lens either.
    hidden -= 1.0 - open_water[None, :]
    return np.asarray((area[:, None] * np.maximum(hidden, 0.0)).sum(axis=0))


def particle_radiance(
    *,
    albedo: ArrayLike,
    scalar_irradiance: F64,
    beam_irradiance: tuple[F64, ...] = (),
    beam_phase: tuple[F64, ...] = (),
) -> F64:
    """Return the radiance of a particle's disc in each band, before the water between it and the lens.

    L = albedo (E0 / (4 pi) + sum over beams of p(psi) E_beam)

    Parameters
    ----------
    albedo
        Scattered share of the light that falls on the particle, 0 to 1, per band or ``(n, bands)``.
    scalar_irradiance
        E0, diffuse light from all round at each particle, ``(n, bands)``.
    beam_irradiance
        Irradiance of each beam (sun, lamps) on a plane across it, each ``(n, bands)``.
    beam_phase
        p(psi) of each beam, 1/sr, each ``(n,)``: see `halocline.physics.path.phase`.

    Notes
    -----
    A particle of projected area G sends albedo G E p(psi) watts per steradian to the lens; divided by G
    that is a radiance. Water with b = sum of G scatters the same: the haze and the particles match.
    Worked value: albedo 1 in light E0 = 4 pi has radiance 1.
    """
    radiance = scalar_irradiance / (4.0 * math.pi)
    for irradiance, phase in zip(beam_irradiance, beam_phase, strict=True):
        radiance = radiance + irradiance * phase[:, None]
    return np.asarray(radiance * np.asarray(albedo, np.float64))
