"""How the water carries what floats in it: current, swell, turbulence, a passing body, a drifting world.

Nothing is integrated from frame to frame. Each motion is a displacement from home that is known in closed
form at any time; those that vary in space are bounded, so the lattice they act on still knows where to look
for its particles.
"""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np

from halocline._typing import F64
from halocline.compute.on_demand import OnDemand
from halocline.compute.random import normals, stream_key, uniforms
from halocline.errors import PhysicsError
from halocline.late_dataclass import dataclass
from halocline.physics.floating.loops import add_waves

interpolate = OnDemand("scipy.interpolate")
spatial = OnDemand("scipy.spatial")
transform = OnDemand("scipy.spatial.transform")

# Turbulent modes oscillate this many times faster than they would turn over, which keeps the displacement
# gradient small: the particles' density stays even.
_UNSTEADINESS = 9.0
_TURN = 2.0 * math.pi


@dataclass(frozen=True)
class Current:
    """Water that moves as a whole: steady drift and the to and fro of swell.

    Attributes
    ----------
    velocity_m_s
        ``(3,)`` steady velocity.
    surge_m
        ``(3,)`` amplitude of the swell's displacement.
    surge_period_s
        Its period, above 0.
    """

    velocity_m_s: tuple[float, float, float] = (0.0, 0.0, 0.0)
    surge_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    surge_period_s: float = 8.0

    def __post_init__(self) -> None:
        if not self.surge_period_s > 0.0:
            raise PhysicsError(
                f"a swell with a period of {self.surge_period_s:g} s is impossible",
                code="E-PHYSICS-FLOW",
                fix="Give a period above 0 s; coastal swell has 5 to 12 s.",
            )

    def displacement(self, time_s: float) -> F64:
        """Return how far the water has gone since time 0, ``(3,)`` metres."""
        swing = math.sin(2.0 * math.pi * time_s / self.surge_period_s)
        return np.asarray(self.velocity_m_s) * time_s + np.asarray(self.surge_m) * swing


@dataclass(frozen=True)
class TurbulentFlow:
    """A velocity field of random, divergence-free plane waves.

    u(x, t) = sum of a_i cos(k_i . x - w_i t + phi_i) with a_i at right angles to k_i.

    Attributes
    ----------
    waves
        k, ``(modes, 3)`` rad/m.
    amplitudes
        a, ``(modes, 3)`` m/s.
    frequencies
        w, ``(modes,)`` rad/s.
    phases
        phi, ``(modes,)`` rad.

    Notes
    -----
    Source: kraichnan1970 (random Fourier modes), with the inertial-range spectrum E(k) ~ k^(-5/3).
    """

    waves: F64
    amplitudes: F64
    frequencies: F64
    phases: F64

    def displacement(self, home_m: F64, time_s: float) -> F64:
        """Return the displacement of particles from home, ``(n, 3)`` metres.

        It is the time integral of the velocity at home, so it is bounded, coherent in space and free of
        divergence.
        """
        total = np.zeros((3, len(home_m)))
        x, y, z = np.ascontiguousarray(home_m.T)
        # The integral of cos(x - w t) is -sin(x - w t)/w, and -sin(x) = cos(x + pi/2).
        constants = self.phases + 0.5 * math.pi - self.frequencies * time_s
        vectors = self.amplitudes / self.frequencies[:, None]
        add_waves(x, y, z, self.waves / _TURN, constants / _TURN, vectors, total)
        return total.T

    @cached_property
    def farthest_m(self) -> float:
        """No displacement is longer than this."""
        lengths = np.sqrt((self.amplitudes**2).sum(axis=1)) / np.abs(self.frequencies)
        return float(lengths.sum())


STILL = TurbulentFlow(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0), np.zeros(0))


def turbulence(
    seed: int,
    name: str,
    *,
    rms_speed_m_s: float,
    largest_m: float,
    smallest_m: float | None = None,
    modes: int = 20,
) -> TurbulentFlow:
    """Return a turbulent field.

    Parameters
    ----------
    seed, name
        Its identity.
    rms_speed_m_s
        Root mean square of the speed (all three components), 0 or more.
    largest_m, smallest_m
        Wavelengths between which the energy is spread; a sixteenth of the largest unless given.
    modes
        Number of waves.

    Returns
    -------
    Turbulence
        The field: a velocity at any place and time, without divergence.

    Raises
    ------
    PhysicsError
        ``E-PHYSICS-FLOW`` where speed or scales are out of range.
    """
    smallest_m = largest_m / 16.0 if smallest_m is None else smallest_m
    if not (rms_speed_m_s >= 0.0 and 0.0 < smallest_m <= largest_m):
        raise PhysicsError(
            f"turbulence of {rms_speed_m_s:g} m/s between {smallest_m:g} and {largest_m:g} m is impossible",
            code="E-PHYSICS-FLOW",
            fix="Give a speed of 0 or more and a smallest scale above 0 that is not above the largest.",
        )
    if rms_speed_m_s == 0.0:
        return STILL
    key = stream_key(seed, name, "turbulence")
    direction = _unit(normals(key, np.arange(modes), 0)[:3].T)
    sideways = _unit(np.cross(direction, normals(key, np.arange(modes), 1)[:3].T))
    step, phase, pace, sign = uniforms(key, np.arange(modes), 2)
    # Equal steps in log k, each jittered within its own; energy a step ~ k E(k) ~ k^(-2/3).
    wavelength = largest_m * (smallest_m / largest_m) ** ((np.arange(modes) + step) / modes)
    number = 2.0 * math.pi / wavelength
    energy = number ** (-2.0 / 3.0)
    amplitude = rms_speed_m_s * np.sqrt(2.0 * energy / energy.sum())
    return TurbulentFlow(
        waves=direction * number[:, None],
        amplitudes=sideways * amplitude[:, None],
        # Both signs, so that the pattern does not travel.
        frequencies=_UNSTEADINESS
        * number
        * amplitude
        * np.where(sign < 0.5, -1.0, 1.0)
        * (0.75 + 0.5 * pace),
        phases=2.0 * math.pi * phase,
    )


@dataclass(frozen=True)
class Wake:
    """The water that a moving body (a diver, a fish, a falling stone) carries with it and stirs.

    The body is a capsule that runs from its tail to its nose; equal ends make a sphere. Water is carried by
    a divergence-free blob about each point of its axis, u = curl(W(r) U x r / 2), and then settles
    back; behind the body it is stirred.

    Attributes
    ----------
    times_s
        ``(keys,)`` rising.
    noses_m, tails_m
        ``(keys, 3)``.
    radius_m
        Of the capsule.
    carry
        Share of the body's motion that water at its axis takes on, 0 to 1.
    stir_m
        Typical displacement by the stirring behind it.
    settle_s
        Time in which either fades to 1/e.
    stirring
        The turbulence that stirs; any amplitude, it is scaled to ``stir_m``.
    """

    times_s: F64
    noses_m: F64
    tails_m: F64
    radius_m: float
    carry: float = 0.8
    stir_m: float = 0.1
    settle_s: float = 4.0
    stirring: TurbulentFlow = STILL

    def __post_init__(self) -> None:
        keys = len(self.times_s)
        shapes_fit = self.noses_m.shape == self.tails_m.shape == (keys, 3) and keys >= 2
        if not (shapes_fit and (np.diff(self.times_s) > 0).all()):
            raise PhysicsError(
                "the track of a wake needs two keys or more, in the order of time",
                code="E-PHYSICS-WAKE",
                fix="Give each key a later time than the one before it.",
            )
        if not (self.radius_m > 0.0 and 0.0 <= self.carry <= 1.0 and self.settle_s > 0.0 <= self.stir_m):
            raise PhysicsError(
                f"a wake of radius {self.radius_m:g} m, carry {self.carry:g}, stir {self.stir_m:g} m and "
                f"settling time {self.settle_s:g} s is impossible",
                code="E-PHYSICS-WAKE",
                fix="Radius and settling time must be above 0, carry between 0 and 1, stir 0 or more.",
            )

    @property
    def farthest_m(self) -> float:
        """No displacement is longer than this (a blob takes water along by no more than its own width)."""
        strength = self.stirring.farthest_m / max(_rms_displacement(self.stirring), 1e-12)
        return 2.0 * _REACH * self.radius_m * self.carry + self.stir_m * strength

    def displacement(self, position_m: F64, time_s: float) -> F64:
        """Return the displacement of particles, ``(n, 3)`` metres, from where they would be undisturbed."""
        total = np.zeros(position_m.shape)
        centres, motions, ages = self._blobs(time_s)
        if not len(ages) or not len(position_m):
            return total
        reach = _REACH * self.radius_m
        met = spatial.cKDTree(position_m).query_ball_point(centres, reach, return_sorted=True)
        blob = np.repeat(np.arange(len(met)), [len(found) for found in met])
        point = np.concatenate([np.asarray(found, np.int64) for found in met])
        offset = position_m[point] - centres[blob]
        distance = np.sqrt((offset * offset).sum(axis=1)) / reach
        # The tail of the exponential is brought to zero, so that nothing jumps when it is forgotten.
        fading = np.exp(-ages) * (1.0 - (ages / _FORGET) ** 2)
        carried = _carried(offset, distance, motions[blob]) * (self.carry * fading[blob])[:, None]
        for axis in range(3):
            total[:, axis] = np.bincount(point, carried[:, axis], len(position_m))
        if self.stir_m > 0.0 and len(self.stirring.phases):
            rise = _STIR_PEAK * fading * (1.0 - np.exp(-2.0 * ages))
            stirred = np.zeros(len(position_m))
            np.maximum.at(stirred, point, _window(distance) * rise[blob])
            some = stirred > 0.0
            eddies = self.stirring.displacement(position_m[some], time_s)
            total[some] += eddies * (stirred[some] * self.stir_m / _rms_displacement(self.stirring))[:, None]
        return total

    def _blobs(self, time_s: float) -> tuple[F64, F64, F64]:
        """Return centres, motions (both ``(n, 3)``) and ages (in settling times) of the past passage."""
        last = min(time_s, float(self.times_s[-1]))
        first = max(float(self.times_s[0]), time_s - _FORGET * self.settle_s)
        if last <= first:
            return np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0)
        # Steps of half a radius, fixed to the clock, so that a wake does not jitter from frame to frame;
        # only the last one ends at the present.
        fastest = max(_speeds(self.times_s, self.noses_m).max(), _speeds(self.times_s, self.tails_m).max())
        step = min(0.5 * self.radius_m / max(fastest, 1e-9), 0.1 * self.settle_s)
        inner = np.arange(math.floor(first / step) + 1, math.ceil(last / step)) * step
        past = np.concatenate([[first], inner, [last]])
        noses, tails = _along(past, self.times_s, self.noses_m), _along(past, self.times_s, self.tails_m)
        length = float(np.sqrt(((self.noses_m - self.tails_m) ** 2).sum(axis=1)).max())
        count = 1 + math.ceil(length / self.radius_m)
        # Blobs overlap along the axis: divide by how much there is of them at its middle.
        places = (
            np.linspace(-0.5, 0.5, count) * length / (_REACH * self.radius_m) if count > 1 else np.zeros(1)
        )
        overlap = float(_window(places - places[count // 2]).sum())
        shares = np.linspace(0.0, 1.0, count)[:, None, None]
        axis_points = noses + shares * (tails - noses)
        centres = 0.5 * (axis_points[:, 1:] + axis_points[:, :-1])
        motions = (axis_points[:, 1:] - axis_points[:, :-1]) / overlap
        ages = np.tile((time_s - 0.5 * (past[1:] + past[:-1])) / self.settle_s, count)
        return centres.reshape(-1, 3), motions.reshape(-1, 3), ages


# Water is carried out to this many radii; it is back in its place after this many settling times.
_REACH = 1.8
_FORGET = 4.0
# max of exp(-x) (1 - exp(-2 x)) is 0.3849 at x = ln(3)/2.
_STIR_PEAK = 1.0 / 0.3849


@dataclass(frozen=True)
class WorldDrift:
    """A keyed translation and rotation of the whole environment, so that a subject reads as faster.

    Attributes
    ----------
    times_s
        ``(keys,)`` rising; one key is a fixed placement.
    translations_m
        ``(keys, 3)``.
    rotations_deg
        ``(keys, 3)`` rotation vectors: axis times angle.

    Between keys the motion is smooth; before the first and after the last it rests.
    """

    times_s: F64
    translations_m: F64
    rotations_deg: F64

    def __post_init__(self) -> None:
        keys = len(self.times_s)
        shapes_fit = self.translations_m.shape == self.rotations_deg.shape == (keys, 3) and keys >= 1
        if not (shapes_fit and (np.diff(self.times_s) > 0).all()):
            raise PhysicsError(
                "a drift of the world needs keys in order of time, each with a translation and a rotation",
                code="E-PHYSICS-DRIFT",
                fix="Give each key a later time than the one before it.",
            )

    def at(self, time_s: float) -> tuple[F64, F64]:
        """Return the rotation ``(3, 3)`` and translation ``(3,)``: world = rotation @ field + translation."""
        time = float(np.clip(time_s, self.times_s[0], self.times_s[-1]))
        keys = len(self.times_s)
        if keys == 1 and not self.rotations_deg.any():
            # As most stand: SciPy's transforms take long to import.
            return np.eye(3), self.translations_m[0]
        if keys == 1:
            return transform.Rotation.from_rotvec(
                self.rotations_deg[0], degrees=True
            ).as_matrix(), self.translations_m[0]
        path = interpolate.PchipInterpolator(self.times_s, self.translations_m, axis=0)
        turns = transform.Rotation.from_rotvec(self.rotations_deg, degrees=True)
        spline = (
            transform.Slerp(self.times_s, turns)
            if keys == 2
            else transform.RotationSpline(self.times_s, turns)
        )
        return np.asarray(spline(time).as_matrix()), np.asarray(path(time))

    def into_field(self, rotation: F64, position_m: F64, time_s: float) -> tuple[F64, F64]:
        """Return a camera's axes ``(3, 3)`` and position ``(3,)`` as seen from the drifting environment."""
        turn, shift = self.at(time_s)
        return turn.T @ rotation, turn.T @ (position_m - shift)


def _window(distance: F64) -> F64:
    # (1 - q^2)^3, smooth to the second derivative at its edge q = 1.
    inside = np.maximum(1.0 - distance * distance, 0.0)
    return np.asarray(inside**3)


def _carried(offset: F64, distance: F64, motion: F64) -> F64:
    """Return curl(W(r) U x r / 2) for U = motion: W U + r W'/2 (U - (U.n) n), each ``(n, 3)``."""
    inside = np.maximum(1.0 - distance * distance, 0.0)
    window = inside**3
    # r W' / 2 with W' = -6 q (1 - q^2)^2 / R:  -3 q^2 (1 - q^2)^2.
    swirl = -3.0 * distance * distance * inside**2
    length = np.maximum(np.sqrt((offset * offset).sum(axis=1)), 1e-12)
    normal = offset / length[:, None]
    along = (normal * motion).sum(axis=1)
    return np.asarray((window + swirl)[:, None] * motion - (swirl * along)[:, None] * normal)


def _along(times: F64, keys_s: F64, points_m: F64) -> F64:
    return np.stack([np.interp(times, keys_s, points_m[:, axis]) for axis in range(3)], axis=1)


def _speeds(times: F64, points_m: F64) -> F64:
    return np.asarray(np.sqrt((np.diff(points_m, axis=0) ** 2).sum(axis=1)) / np.diff(times))


def _rms_displacement(field: TurbulentFlow) -> float:
    lengths = (field.amplitudes**2).sum(axis=1) / field.frequencies**2
    return float(np.sqrt(0.5 * lengths.sum()))


def _unit(vectors: F64) -> F64:
    return np.asarray(vectors / np.sqrt((vectors * vectors).sum(axis=1, keepdims=True)))
