"""Sediment that is kicked up from the floor: how it rises, spreads, drifts, settles, and how much it hides.

What a source throws up is a row of puffs, each the matter of a short time of its own, cut by the clock. A
puff is thrown up and aside and slowed by drag, goes where the water goes, is spread by eddies as a diffusing
cloud is, and sinks by the size of its grains. What comes down to the floor stays there. All of it follows
from a puff's age, so a frame needs none before it; and the mass of a puff, floating and settled, is what was
thrown up.

    spread     sigma^2 = sigma0^2 + 2 K t                          (Fick; taylor1922 for long times)
    density    (1 - q^2)^3 within an ellipsoid of half sizes sigma sqrt(11), which has that variance
    floating   `floating_share`, the settling plume over a floor that keeps what comes to it (ermak1977)
    hiding     3 Q / (2 rho d) square metres a kilogram of grains    (`extinction_per_gram`)
"""

from __future__ import annotations

import math

import numpy as np

from halocline._typing import F64
from halocline.compute.on_demand import OnDemand
from halocline.compute.random import normals, stream_key
from halocline.late_dataclass import dataclass
from halocline.physics.floating.flow import Current
from halocline.physics.floating.ground import Ground
from halocline.physics.floating.particles import grain_settling_speed
from halocline.physics.floating.turbid import PUFF_EDGE, TurbidShape

special = OnDemand("scipy.special")

# Puffs of one source, at most; each is the matter of so many of its radii of way, or of so many seconds.
_MOST_PUFFS, _WAY_STEP, _LONGEST_S = 64, 0.6, 0.5
# Moments within a puff's time at which its source is looked at.
_MOMENTS = 8
# The throw differs from puff to puff by this share.
_UNEVEN = 0.35
# Of log-normal sizes, three stand for all: moments up to the fifth are right (Gauss-Hermite).
_NODES = ((-math.sqrt(3.0), 1.0 / 6.0), (0.0, 2.0 / 3.0), (math.sqrt(3.0), 1.0 / 6.0))
# Q of grains far larger than the wavelength: what they meet, and as much again that they diffract.
_EFFICIENCY = 2.0
# Still water spreads as little, m2/s; keeps the quotients finite.
_LEAST_SPREAD = 1e-7


@dataclass(frozen=True)
class Grains:
    """What is thrown up.

    Attributes
    ----------
    diameter_m
        Median diameter by mass, metres.
    sorting
        Two thirds of the mass lie within this factor of the median, 1 or more; 1 is all alike.
    density
        kg/m3.
    """

    diameter_m: float
    sorting: float = 1.0
    density: float = 2650.0

    def classes(self) -> tuple[tuple[float, float], ...]:
        """Return diameters, metres, and the share of the mass that each stands for."""
        if self.sorting == 1.0:
            return ((self.diameter_m, 1.0),)
        return tuple((self.diameter_m * self.sorting**step, share) for step, share in _NODES)


@dataclass(frozen=True)
class ThrowingTrack:
    """What throws sediment up, where it is and how much, by time; between its keys both change evenly.

    Attributes
    ----------
    name
        Keys its random numbers.
    times_s, places_m
        Keys ``(n,)``, rising, and where it is, world metres, ``(n, 3)``.
    grams_per_s
        ``(n,)``.
    grams_per_m
        On top of that, for each metre of its way.
    floor_m
        Height of the floor by time, ``(n,)``, or one for all; or the floor itself, which goes up and down.
        None where there is none: sediment then leaves the source itself.
    reach_m
        Above the floor so high it stirs nothing any more, metres; none of that without a floor.
    """

    name: str
    times_s: F64
    places_m: F64
    grams_per_s: F64
    grams_per_m: float = 0.0
    floor_m: F64 | float | Ground | None = None
    reach_m: float = 1.0

    def at(self, times_s: F64, up: F64) -> tuple[F64, F64]:
        """Return where sediment leaves the floor at times, ``(n, 3)``, and grams a second, ``(n,)``."""
        place = np.stack([np.interp(times_s, self.times_s, column) for column in self.places_m.T], axis=-1)
        rate = np.interp(times_s, self.times_s, self.grams_per_s)
        if self.grams_per_m > 0.0 and len(self.times_s) > 1:
            ways = np.sqrt((np.diff(self.places_m, axis=0) ** 2).sum(axis=1)) / np.diff(self.times_s)
            leg = np.clip(np.searchsorted(self.times_s, times_s, "right") - 1, 0, len(ways) - 1)
            rate = rate + self.grams_per_m * ways[leg]
        if self.floor_m is None:
            return place, rate
        if isinstance(self.floor_m, Ground):
            floor = self.floor_m.below(place.reshape(-1, 3)).reshape(place.shape[:-1])
        else:
            keys = np.broadcast_to(np.asarray(self.floor_m, np.float64), len(self.times_s))
            floor = np.interp(times_s, self.times_s, keys)
        height = place @ up - floor
        near = np.clip(1.0 - np.maximum(height, 0.0) / self.reach_m, 0.0, 1.0)
        return place - height[..., None] * up, rate * near * near * (3.0 - 2.0 * near)


@dataclass(frozen=True)
class Throwing:
    """How it is thrown, and spreads.

    Attributes
    ----------
    radius_m
        Within which most of it lies at first: two standard deviations.
    rise_m, sideways_m
        How far it is thrown up and aside, metres, on average.
    drag_s
        Seconds in which it loses all but 1/e of that speed.
    spread_m2_s
        K, by which eddies spread it, m2/s.
    """

    radius_m: float
    rise_m: float
    sideways_m: float
    drag_s: float
    spread_m2_s: float


def extinction_per_gram(diameter_m: float, grain_density: float = 2650.0) -> float:
    """Return the extinction of a gram of grains in a cubic metre, m2/g: 3 Q / (2 rho d), Q = 2.

    Parameters
    ----------
    diameter_m
        Of the grains, metres, far larger than a wavelength.
    grain_density
        kg/m3.

    Returns
    -------
    float
        Square metres a gram.

    Notes
    -----
    A ball has the area pi d^2 / 4 and the mass rho pi d^3 / 6. Q = 2 is the limit of large particles
    (vandehulst1957, from memory). Worked value: quartz of 20 um: 0.0566 m2/g.

    Examples
    --------
    >>> round(extinction_per_gram(20e-6), 4)
    0.0566
    """
    return 3.0 * _EFFICIENCY / (2.0 * grain_density * diameter_m) * 1e-3


def floating_share(age_s: F64, height_m: F64, settling_m_s: float, spread_m2_s: float) -> F64:
    """Return the share of a puff that still floats over a floor that keeps what sinks to it.

    The solution of dC/dt = K d2C/dz2 + w dC/dz above z = 0, where grains leave by sinking alone
    (K dC/dz = 0), from a point at a height, integrated over z.

    Parameters
    ----------
    age_s
        Seconds, ``(n,)``; all of it floats at 0 and before.
    height_m
        To which it was thrown, metres above the floor, ``(n,)``.
    settling_m_s
        w, downwards, m/s; what rises never settles.
    spread_m2_s
        K, m2/s.

    Returns
    -------
    F64
        ``(n,)``, 0 to 1.

    Notes
    -----
    Source: ermak1977 (from memory), with a deposition speed equal to the settling speed; the tests hold it
    against the equation solved by finite differences.
    """
    left = np.ones(len(age_s))
    aged = np.asarray(age_s) > 0.0
    if settling_m_s <= 0.0 or not aged.any():
        return left
    t = np.asarray(age_s, np.float64)[aged, None]
    w, h, k = settling_m_s, np.maximum(height_m, 0.0)[aged, None], max(spread_m2_s, _LEAST_SPREAD)
    # Where anything is: about the middle that sinks, as wide as it has spread, above the floor.
    wide = 7.0 * np.sqrt(2.0 * k * t)
    low = np.maximum(h - w * t - wide, 0.0)
    high = np.maximum(h - w * t + wide, low)
    node, weight = np.polynomial.legendre.leggauss(64)
    z = low + 0.5 * (high - low) * (node + 1.0)
    four = 4.0 * k * t
    above = np.exp(-((z - h + w * t) ** 2) / four)
    mirrored = np.exp(-((z + h) ** 2 + 2.0 * w * t * (z - h) + (w * t) ** 2) / four)
    lost = 0.5 * w * np.sqrt(4.0 * math.pi * t / k)
    lost = lost * special.erfcx(0.5 * w * np.sqrt(t / k) + (z + h) / np.sqrt(four))
    density = (above + mirrored * (1.0 - lost)) / np.sqrt(math.pi * four)
    left[aged] = np.clip((density * weight).sum(axis=1) * 0.5 * (high - low)[:, 0], 0.0, 1.0)
    return left


def puffs(
    source: ThrowingTrack,
    throwing: Throwing,
    grains: Grains,
    *,
    seed: int,
    up: F64,
    current: Current,
    time_s: float,
) -> tuple[TurbidShape, ...]:
    """Return what floats of a source's sediment at a time, as puffs whose strength is extinction, 1/m.

    Parameters
    ----------
    source, throwing, grains
        What throws up what, and how.
    seed
        Of the sequence.
    up
        World vertical, unit, ``(3,)``.
    current
        What carries it.
    time_s
        When.

    Returns
    -------
    tuple[TurbidShape, ...]
        Of those puffs that hold anything; their integral above the floor is the extinction of what floats.
    """
    slots, moments = _slots(source, throwing, time_s)
    if not len(slots):
        return ()
    place, rate = source.at(moments.mean(axis=2), up)
    lasting = (moments[:, :, 1] - moments[:, :, 0]) * rate
    mass = lasting.sum(axis=1)
    held = mass > 0.0
    if not held.any():
        return ()
    slots, mass = slots[held], mass[held]
    weight = lasting[held] / mass[:, None]
    born = (weight * moments.mean(axis=2)[held]).sum(axis=1)
    middle = (weight[..., None] * place[held]).sum(axis=1)
    from_middle = place[held] - middle[:, None]
    axes, along = _stretched(from_middle, weight, up)
    age = time_s - born
    thrown = 1.0 - np.exp(-age / throwing.drag_s)
    chance = normals(stream_key(seed, source.name, "kicked up"), slots, 0)
    uneven = np.maximum(1.0 + _UNEVEN * chance[0], 0.2)
    right = np.cross(np.eye(3)[int(np.argmin(np.abs(up)))], up)
    right = right / math.sqrt(float(right @ right))
    ahead = np.cross(up, right)
    aside = chance[1][:, None] * right + chance[2][:, None] * ahead
    aside = aside * (throwing.sideways_m * math.sqrt(0.5) * thrown)[:, None]
    now = np.asarray(current.displacement(time_s))
    carried = now - np.stack([current.displacement(float(when)) for when in born])
    base = middle + aside + carried - (carried @ up)[:, None] * up
    if isinstance(source.floor_m, Ground):
        # Along a floor that goes up and down, water near it goes up and down with it.
        base += (source.floor_m.below(base) - base @ up)[:, None] * up
    variance = (0.5 * throwing.radius_m) ** 2 + 2.0 * throwing.spread_m2_s * age
    height = throwing.rise_m * uneven
    found: list[TurbidShape] = []
    for diameter, share in grains.classes():
        fall = float(grain_settling_speed(diameter, grain_density=grains.density))
        lifted, left = height * thrown - fall * age, np.ones(len(age))
        above = np.full(len(age), math.inf)
        if source.floor_m is not None:
            left = floating_share(age, height, fall, throwing.spread_m2_s)
            # What has come down lies on the floor and goes no lower.
            lifted = above = np.maximum(lifted, 0.0)
        amount = mass * share * extinction_per_gram(diameter, grains.density) * left
        for number in range(len(slots)):
            half = PUFF_EDGE * np.sqrt(variance[number] + np.array([along[number], 0.0, 0.0]))
            centre = base[number] + lifted[number] * up
            found.append(
                TurbidShape.puff(centre, axes[number], half, float(amount[number]), float(above[number]))
            )
    return tuple(puff for puff in found if puff.strength > 0.0)


def _slots(source: ThrowingTrack, throwing: Throwing, time_s: float) -> tuple[np.ndarray, F64]:
    """Return the numbers of the pieces of time in which matter was thrown up, and moments within each.

    Moments are ``(n, _MOMENTS, 2)``: begin and end of each. Pieces are fixed to the clock, but for the last,
    which ends now: its matter grows from nothing.
    """
    first, last = float(source.times_s[0]), min(float(source.times_s[-1]), time_s)
    none = np.zeros(0, np.int64), np.zeros((0, _MOMENTS, 2))
    if last <= first:
        return none
    span = float(source.times_s[-1]) - first
    speeds = np.sqrt((np.diff(source.places_m, axis=0) ** 2).sum(axis=1)) / np.diff(source.times_s)
    fastest = max(float(speeds.max()), 1e-9)
    step = max(span / _MOST_PUFFS, min(_WAY_STEP * throwing.radius_m / fastest, _LONGEST_S))
    slots = np.arange(math.floor(first / step), math.ceil(last / step), dtype=np.int64)
    begin, end = np.maximum(slots * step, first), np.minimum((slots + 1) * step, last)
    kept = end > begin
    slots, begin, end = slots[kept], begin[kept], end[kept]
    edges = begin[:, None] + (end - begin)[:, None] * (np.arange(_MOMENTS + 1) / _MOMENTS)
    return slots, np.stack([edges[:, :-1], edges[:, 1:]], axis=2)


def _stretched(from_middle: F64, weight: F64, up: F64) -> tuple[F64, F64]:
    """Return each puff's axes ``(n, 3, 3)``, the first along its source's way, and its variance there."""
    way = from_middle[:, -1] - from_middle[:, 0]
    level = way - (way @ up)[:, None] * up
    length = np.sqrt((level * level).sum(axis=1))
    fallback = np.cross(np.eye(3)[int(np.argmin(np.abs(up)))], up)
    fallback = fallback / math.sqrt(float(fallback @ fallback))
    # A source that stays has no way; any axis will do.
    still = length < 1e-9
    first = np.where(still[:, None], fallback, level / np.where(still, 1.0, length)[:, None])
    along = (weight * np.einsum("nmi,ni->nm", from_middle, first) ** 2).sum(axis=1)
    axes = np.stack([first, np.broadcast_to(up, first.shape), np.cross(first, up)], axis=1)
    return axes, along
