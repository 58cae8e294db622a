"""Bubbles: where they come from, how fast they rise, how they grow, sway, flatten and wobble.

A bubble is a pure function of its emitter, the slot of time it was born in and its number there; at any time
its path is integrated from birth, so no frame needs the one before it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F64
from halocline.compute.random import normals, poisson_counts, random_words, stream_key, uniforms
from halocline.errors import PhysicsError
from halocline.late_dataclass import dataclass
from halocline.physics.floating.loops import rise
from halocline.physics.floating.particles import GRAVITY_M_S2

# Sea water at about 15 degrees C.
DENSITY = 1025.0
VISCOSITY_PA_S = 1.2e-3
SURFACE_TENSION_N_M = 0.0735
# One standard atmosphere (101325 Pa) of sea water: 101325 / (1025 x 9.81).
ATMOSPHERE_M = 10.077
# Bubbles larger than this break up into smaller ones.
LARGEST_M = 0.05
# Height over width of spherical caps: (1 - cos 50)/(2 sin 50) = 0.233 for the usual wake angle of 50 degrees
# (clift1978, section 8.II, from memory).
CAP = 0.24
# Births are drawn slot by slot of this length, so that a frame looks only at the slots it needs.
SLOT_S = 0.125
# Bubbles that leave in one puff.
_PUFF = 5
_PATH_STEPS = 24
# Logarithms of the least and the largest diameter whose rise speed is tabled.
_TABLE = (math.log(1e-5), math.log(2.0 * LARGEST_M))


@dataclass(frozen=True)
class Fluid:
    """What rise speed depends on: density kg/m3, viscosity Pa s, surface tension N/m."""

    density: float = DENSITY
    viscosity: float = VISCOSITY_PA_S
    surface_tension: float = SURFACE_TENSION_N_M

    @property
    def morton(self) -> float:
        """Morton number M = g mu^4 / (rho sigma^3)."""
        return GRAVITY_M_S2 * self.viscosity**4 / (self.density * self.surface_tension**3)

    def eotvos(self, diameter_m: F64) -> F64:
        """Eotvos number Eo = g rho d^2 / sigma."""
        return GRAVITY_M_S2 * self.density * diameter_m**2 / self.surface_tension


SEA_WATER = Fluid()


def clean_rise_speed(diameter_m: F64, water: Fluid = SEA_WATER) -> F64:
    """Return the terminal speed of a bubble in pure water, m/s.

    From 1.3 mm: U = sqrt(2.14 sigma / (rho d) + 0.505 g d). Below: a spherical bubble with a mobile
    surface, C_D = 16/Re (1 + 1 / (8/Re + (1 + 3.315 Re^-0.5) / 2)).

    Notes
    -----
    Source: clift1978, equation 7-3; mei1994 for small ones. Worked values (sigma 0.072, rho 998):
    1.3 mm 0.354, 5 mm 0.236 m/s.
    """
    diameter = np.asarray(diameter_m, np.float64)
    wavy = np.sqrt(
        2.14 * water.surface_tension / (water.density * diameter) + 0.505 * GRAVITY_M_S2 * diameter
    )
    round_ = _drag_balance(diameter, water, _mobile_drag)
    # Equation 7-3 holds from 1.3 mm; the two laws cross a little below.
    return _crossfade(diameter, 1.0e-3, 1.3e-3, round_, wavy)


def contaminated_rise_speed(diameter_m: F64, water: Fluid = SEA_WATER) -> F64:
    """Return the terminal speed of a bubble whose surface natural films make stiff, m/s, usual at sea.

    From about 1 mm: U = mu / (rho d) M^-0.149 (J - 0.857). Below: a rigid sphere,
    C_D = 24/Re (1 + 0.15 Re^0.687).

    Notes
    -----
    Source: clift1978, equations 7-5 to 7-10 (grace1976); schiller1933 for small ones. Worked value
    (sigma 0.072, mu 0.001, rho 998): 2 mm 0.198 m/s.
    """
    diameter = np.asarray(diameter_m, np.float64)
    morton = water.morton**-0.149
    # The reference viscosity of the correlation is 0.0009 kg/(m s).
    h = 4.0 / 3.0 * water.eotvos(diameter) * morton * (water.viscosity / 0.0009) ** -0.14
    j = np.where(h <= 59.3, 0.94 * h**0.757, 3.42 * h**0.441)
    wavy = water.viscosity / (water.density * diameter) * morton * np.maximum(j - 0.857, 0.0)
    rigid = _drag_balance(diameter, water, _rigid_drag)
    # Between 0.7 and 1.1 mm the two laws agree to a few percent. The correlation ends at Eo = 40, some
    # 17 mm, and films do not matter to a spherical cap: from 8 mm it is led over to the law of clean bubbles.
    clean = clean_rise_speed(diameter, water)
    covered = np.minimum(_crossfade(diameter, 0.7e-3, 1.1e-3, rigid, wavy), clean)
    return _crossfade(diameter, 8.0e-3, 17.0e-3, covered, clean)


def rise_speed(diameter_m: F64, *, film: float = 1.0, water: Fluid = SEA_WATER) -> F64:
    """Return the terminal speed between a clean (film 0) and a fully covered bubble (film 1), m/s."""
    clean, covered = clean_rise_speed(diameter_m, water), contaminated_rise_speed(diameter_m, water)
    return np.asarray(clean ** (1.0 - film) * covered**film)


def grown_diameter(surface_diameter_m: F64, depth_m: F64) -> F64:
    """Return a bubble's diameter at a depth from that at the surface: d ~ (P_atm + rho g y)^(-1/3).

    Notes
    -----
    Boyle's law at constant temperature and amount of gas. Worked value: at 10.077 m the diameter is
    0.7937 of that at the surface.
    """
    pressure = 1.0 + np.maximum(depth_m, 0.0) / ATMOSPHERE_M
    return np.asarray(surface_diameter_m * pressure ** (-1.0 / 3.0))


def flattening(diameter_m: F64, water: Fluid = SEA_WATER) -> F64:
    """Return height over width of a rising bubble, 1 for a sphere: E = 1 / (1 + 0.163 Eo^0.757).

    Notes
    -----
    Source: wellek1966; clift1978, section 7.II. Worked value: 5 mm, Eo 3.42, gives 0.707. For spherical
    caps (Eo above 40) E stays at `CAP`.
    """
    ratio = 1.0 / (1.0 + 0.163 * water.eotvos(np.asarray(diameter_m, np.float64)) ** 0.757)
    return np.maximum(ratio, CAP)


def top_share(height: F64) -> F64:
    """Return how much of a bubble's height, which is ``height`` over its width, lies above its widest place.

    Notes
    -----
    Half for a ball and 0.9 for a cap, whose base is nearly flat; a look between them, not a measurement.
    """
    return np.asarray(0.5 + 0.4 * (np.clip((1.0 - height) / (1.0 - CAP), 0.0, 1.0)) ** 1.5)


def unsteadiness(diameter_m: F64, *, film: float = 1.0, water: Fluid = SEA_WATER) -> F64:
    """Return how much bubbles of a size wobble, 0 (steady) to 1.

    In water an ellipsoidal bubble begins to wobble at a Reynolds number of some hundreds, and does from about
    a thousand on, caps too.

    Notes
    -----
    Source: the map of regimes by Reynolds and Eotvos number, clift1978, figure 2.5 (from memory). Worked
    values: 1 mm 0, 10 mm 1.
    """
    speed = rise_speed(diameter_m, film=film, water=water)
    reynolds = water.density * speed * diameter_m / water.viscosity
    t = np.clip((reynolds - 300.0) / 700.0, 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t))


def wobble_hz(diameter_m: F64, water: Fluid = SEA_WATER) -> F64:
    """Return how often a second a bubble's form swings between flat and tall: omega^2 = 12 sigma/(rho R^3).

    Notes
    -----
    Source: lamb1932, section 275, the mode n = 2 of a bubble. Worked value: 5 mm (R 2.5 mm), 37.4 Hz.
    """
    cubed = water.density * (0.5 * np.asarray(diameter_m, np.float64)) ** 3
    return np.asarray(np.sqrt(12.0 * water.surface_tension / cubed) / (2.0 * math.pi))


_Drag = Callable[[F64], F64]


def _mobile_drag(reynolds: F64) -> F64:
    return 16.0 / reynolds * (1.0 + 1.0 / (8.0 / reynolds + 0.5 * (1.0 + 3.315 * reynolds**-0.5)))


def _rigid_drag(reynolds: F64) -> F64:
    return np.asarray(24.0 / reynolds * (1.0 + 0.15 * reynolds**0.687))


def _drag_balance(diameter: F64, water: Fluid, drag: _Drag) -> F64:
    """Solve C_D Re^2 = 4/3 g d^3 rho^2 / mu^2 for the speed, by looking up log Re."""
    reynolds = np.exp(np.linspace(math.log(1e-9), math.log(1e5), 1200))
    push = 4.0 / 3.0 * GRAVITY_M_S2 * diameter**3 * (water.density / water.viscosity) ** 2
    balance = np.log(drag(reynolds) * reynolds**2)
    found = np.exp(np.interp(np.log(push), balance, np.log(reynolds)))
    return np.asarray(found * water.viscosity / (water.density * diameter))


def _crossfade(diameter: F64, begin: float, end: float, small: F64, large: F64) -> F64:
    share = np.clip(np.log(diameter / begin) / math.log(end / begin), 0.0, 1.0)
    # Neither law need be valid on the other's side: take logs of what is used only.
    small = np.where(share < 1.0, small, 1.0)
    large = np.where(share > 0.0, large, 1.0)
    return np.asarray(np.exp((1.0 - share) * np.log(small) + share * np.log(large)))


@dataclass(frozen=True)
class Burst:
    """A puff of bubbles.

    Attributes
    ----------
    time_s
        When it begins, seconds.
    seconds
        How long it goes on.
    count
        Number of bubbles.
    """

    time_s: float
    seconds: float
    count: float


@dataclass(frozen=True)
class Emitter:
    """A source that gives off bubbles.

    Attributes
    ----------
    name
        Its identity.
    times_s, positions_m, rates_per_s
        ``(keys,)``, ``(keys, 3)``, ``(keys,)``: keys of a steady stream; linear between, held outside.
    bursts
        Puffs in addition.
    median_m, spread
        Median diameter at the source, and the factor that holds the middle two thirds of all, above 1.
    source_radius_m
        Radius of the source.
    widening_rad
        Half angle of the column.
    plume_m_s
        Upward speed of the water that a dense column drags along.
    film
        See `rise_speed`.
    clusters
        How closely bubbles of one puff keep together, 0 (not at all) to 1.
    """

    name: str
    times_s: F64
    positions_m: F64
    rates_per_s: F64
    bursts: tuple[Burst, ...] = ()
    median_m: float = 4e-3
    spread: float = 1.8
    source_radius_m: float = 0.02
    widening_rad: float = 0.08
    plume_m_s: float = 0.0
    film: float = 1.0
    clusters: float = 0.0

    def __post_init__(self) -> None:
        keys = len(self.times_s)
        shapes_fit = self.positions_m.shape == (keys, 3) and self.rates_per_s.shape == (keys,) and keys >= 1
        if not (shapes_fit and (np.diff(self.times_s) > 0).all() and (self.rates_per_s >= 0).all()):
            raise PhysicsError(
                f'the keys of the emitter "{self.name}" do not fit together',
                code="E-PHYSICS-EMITTER",
                fix="Each key needs a later time than the one before, a position and a rate of 0 or more.",
            )
        if not (0.0 < self.median_m < LARGEST_M and self.spread > 1.0 and self.source_radius_m >= 0.0):
            raise PhysicsError(
                f'the emitter "{self.name}" cannot give bubbles of {1000 * self.median_m:g} mm, '
                f"spread {self.spread:g}, from a source of {self.source_radius_m:g} m",
                code="E-PHYSICS-EMITTER",
                fix=f"Give a diameter above 0 and below {1000 * LARGEST_M:g} mm and a spread above 1.",
            )

    def expected(self, begin_s: F64, end_s: F64) -> F64:
        """Return the mean number of births between two times, ``(n,)``."""
        middle = 0.5 * (begin_s + end_s)
        number = np.interp(middle, self.times_s, self.rates_per_s) * (end_s - begin_s)
        for burst in self.bursts:
            overlap = np.minimum(end_s, burst.time_s + burst.seconds) - np.maximum(begin_s, burst.time_s)
            number = number + burst.count / burst.seconds * np.maximum(overlap, 0.0)
        return np.asarray(number)

    def position_at(self, time_s: F64) -> F64:
        """Return the source's position, ``(n, 3)``."""
        columns = [np.interp(time_s, self.times_s, self.positions_m[:, axis]) for axis in range(3)]
        return np.stack(columns, axis=1)


@dataclass(frozen=True)
class RisingBubbles:
    """Bubbles that are under water at one time.

    Attributes
    ----------
    position_m
        ``(n, 3)`` world.
    diameter_m
        ``(n,)`` of a sphere of the same volume, at its present depth.
    age_s
        ``(n,)``.
    words
        ``(3, n)`` random 32-bit words that belong to each bubble.
    """

    position_m: F64
    diameter_m: F64
    age_s: F64
    words: NDArray[np.uint32]

    def __len__(self) -> int:
        return len(self.diameter_m)


@dataclass(frozen=True)
class Births:
    """Bubbles of an emitter that may be under water at some time.

    Attributes
    ----------
    born_s
        ``(n,)``.
    words
        ``(3, n)``, see `RisingBubbles`.
    size, aside
        ``(n,)`` and ``(n, 2)`` standard normal numbers: for the diameter and the place in the column.
    """

    born_s: F64
    words: NDArray[np.uint32]
    size: F64
    aside: F64

    def __len__(self) -> int:
        return len(self.born_s)


def births(seed: int, emitter: Emitter, from_s: float, to_s: float) -> Births:
    """Return the births between two times, in the order of slots, whatever else is asked for."""
    slots = np.arange(math.floor(from_s / SLOT_S), math.ceil(to_s / SLOT_S), dtype=np.int64)
    begin = slots.astype(np.float64) * SLOT_S
    key = stream_key(seed, "bubbles", emitter.name)
    count = poisson_counts(uniforms(key, slots, 0)[0], emitter.expected(begin, begin + SLOT_S))
    slot = np.repeat(slots, count)
    index = np.arange(len(slot)) - np.repeat(np.cumsum(count) - count, count) + 1
    size, right, ahead, _ = normals(key, slot, index, 2)
    # A puff shares part of its moment and of its place aside.
    puff, share = (index - 1) // _PUFF, emitter.clusters
    moment = (1.0 - share) * uniforms(key, slot, index, 1)[0] + share * uniforms(key, slot, puff, 4)[0]
    _, middle_right, middle_ahead, _ = normals(key, slot, puff, 5)
    own, of_puff = math.sqrt(1.0 - share), math.sqrt(share)
    aside = np.stack([own * right + of_puff * middle_right, own * ahead + of_puff * middle_ahead], axis=1)
    when = (slot + moment) * SLOT_S
    words = random_words(key, slot, index, 3)[:3]
    inside = (when >= from_s) & (when < to_s)
    return Births(when[inside], words[:, inside], size[inside], aside[inside])


@dataclass(frozen=True)
class Column:
    """The bubbles of one emitter in still water, at any time.

    Attributes
    ----------
    emitter, seed
        Where they come from.
    up
        World vertical, ``(3,)``.
    sea_level_m
        Height of the surface along it.
    drift_m_s
        Steady current ``(3,)`` that takes them along.
    water
        For the rise speed.
    """

    emitter: Emitter
    seed: int
    up: F64
    sea_level_m: float
    drift_m_s: tuple[float, float, float] = (0.0, 0.0, 0.0)
    water: Fluid = SEA_WATER

    @cached_property
    def longest_life_s(self) -> float:
        """No bubble stays under water longer, seconds; minute ones are left out after an hour."""
        deepest = float((self.sea_level_m - self.emitter.positions_m @ self.up).max())
        smallest = self.emitter.median_m / self.emitter.spread**3
        slowest = float(rise_speed(np.array([smallest]), film=self.emitter.film, water=self.water)[0])
        return min(max(deepest, 0.0) / (slowest + self.emitter.plume_m_s), 3600.0)

    def at(self, time_s: float, *, alive_at: float | None = None) -> RisingBubbles:
        """Return the bubbles under water at a time.

        Parameters
        ----------
        time_s
            When to see them.
        alive_at
            Which to see: those under water at this time (unless given, the same). Two calls with one
            ``alive_at`` give the same bubbles in the same order, as motion blur needs.
        """
        return self.placed(self.alive(time_s if alive_at is None else alive_at), time_s)

    def alive(self, time_s: float) -> Births:
        """Return the bubbles under water at a time, as they were born."""
        born = births(self.seed, self.emitter, time_s - self.longest_life_s, time_s)
        depth, _, _ = self._risen(born, time_s)
        under = depth > 0.0
        return Births(born.born_s[under], born.words[:, under], born.size[under], born.aside[under])

    def placed(self, born: Births, time_s: float) -> RisingBubbles:
        """Return where bubbles are at a time; those that have come up are at the surface."""
        depth, surface_diameter, start = self._risen(born, time_s)
        return self._placed(born, time_s, np.maximum(depth, 0.0), surface_diameter, start)

    def _risen(self, born: Births, time_s: float) -> tuple[F64, F64, F64]:
        """Return depth, diameter at the surface (both ``(n,)``) and where each was born ``(n, 3)``."""
        emitter = self.emitter
        start = emitter.position_at(born.born_s)
        first_depth = self.sea_level_m - start @ self.up
        diameter = emitter.median_m * emitter.spread ** np.clip(born.size, -3.0, 3.0)
        diameter = np.minimum(diameter, LARGEST_M)
        surface_diameter = diameter * (1.0 + np.maximum(first_depth, 0.0) / ATMOSPHERE_M) ** (1.0 / 3.0)
        step = np.maximum(time_s - born.born_s, 0.0) / _PATH_STEPS
        depth = first_depth.copy()
        first, last = _TABLE
        per_step = (len(self._speeds) - 1) / (last - first)
        rise(depth, np.log(surface_diameter), step, _PATH_STEPS, ATMOSPHERE_M, self._speeds, first, per_step)
        return depth, surface_diameter, start

    @cached_property
    def _speeds(self) -> F64:
        """Speeds at even steps of the logarithm of the diameter."""
        diameter = np.exp(np.linspace(*_TABLE, 600))
        return rise_speed(diameter, film=self.emitter.film, water=self.water) + self.emitter.plume_m_s

    def _placed(
        self, born: Births, time_s: float, depth: F64, surface_diameter: F64, start: F64
    ) -> RisingBubbles:
        emitter = self.emitter
        age = np.maximum(time_s - born.born_s, 0.0)
        first_depth = self.sea_level_m - start @ self.up
        climbed = first_depth - depth
        right, ahead = _level_axes(self.up)
        spread = emitter.source_radius_m + math.tan(emitter.widening_rad) * climbed
        aside = born.aside * (0.5 * spread)[:, None]
        diameter = grown_diameter(surface_diameter, depth)
        aside = aside + sway(diameter, age, born.words, film=emitter.film, water=self.water)
        position = start + climbed[:, None] * self.up + age[:, None] * np.asarray(self.drift_m_s)
        position = position + aside[:, :1] * right + aside[:, 1:] * ahead
        return RisingBubbles(position, diameter, age, born.words)


def sway(
    diameter_m: F64, age_s: F64, words: NDArray[np.uint32], *, film: float = 1.0, water: Fluid = SEA_WATER
) -> F64:
    """Return the sideways displacement of bubbles that zigzag or spiral, ``(n, 2)`` metres.

    Bubbles below about 1.3 mm rise straight. Larger ones swing with a Strouhal number f d / U of about 0.05
    and an amplitude of about 1.5 diameters, on ellipses of their own.

    Notes
    -----
    Onset, frequency and amplitude are of the order seen in laboratory work (ellingsen2001: 2.5 mm, 6.2 Hz);
    between bubbles they are a look, not a measurement.
    """
    phase, slant, roundness = (words.astype(np.float64) + 0.5) * 2.0**-32
    onset = np.clip((diameter_m - 1.1e-3) / 0.6e-3, 0.0, 1.0)
    # A bubble of several centimetres rocks rather than swings.
    amplitude = 1.5 * onset * np.minimum(diameter_m, 6e-3)
    # A speed that does not change on the way: the phase must not race as the bubble grows.
    typical = rise_speed(np.full(1, 3e-3), film=film, water=water)[0]
    frequency = 0.05 * typical / np.clip(3e-3 * (0.7 + 0.6 * slant), 1e-3, None)
    swing = 2.0 * math.pi * (phase + frequency * age_s)
    # It starts straight out of the source.
    amplitude = amplitude * np.minimum(age_s * frequency, 1.0)
    long, short = amplitude * np.cos(swing), amplitude * np.sin(swing) * roundness
    turn = 2.0 * math.pi * slant
    return np.stack(
        [long * np.cos(turn) - short * np.sin(turn), long * np.sin(turn) + short * np.cos(turn)], axis=1
    )


def _level_axes(up: F64) -> tuple[F64, F64]:
    other = np.eye(3)[int(np.argmin(np.abs(up)))]
    right = np.cross(other, up)
    right = right / math.sqrt(float(right @ right))
    return right, np.cross(up, right)
