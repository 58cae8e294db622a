"""How bright the water is about a lamp in the picture, by light followed backwards from the lens.

    python tools/follow_lamp_glow.py > tests/reference/data/lamp_glow.csv

Even water without end or daylight, that scatters as natural particles do (`fournier_forand`), a point of a
lamp ahead, and a lens that looks past it. Of each stretch of a way one place is drawn by the phase function's
own share of the angles at which the lamp's light may be turned into it, so that neither the peak of that nor
the lamp's nearness makes the estimate wild; then the way goes on from a place that is drawn freely. One
lot of ways serves all the lamps: bare, a flood, and a spot at the lens and turned from it.

A row is radiance per intensity of the lamp on its axis, 1/m2, without the lamp itself, and its standard
error. The spot's axis is turned to ``side`` times the view's own side of the lamp.
"""

from __future__ import annotations

import math
import sys

import numpy as np
from follow_lamp_light import turned_by
from numba import njit

from halocline._typing import F64
from halocline.physics.path.beam import Beam, Core
from halocline.physics.path.scattering import fournier_forand

# Absorption and scattering, 1/m: clear ocean, coast, and a harbour in green light.
WATERS = ((0.08, 0.12), (0.08, 0.32), (0.15, 1.05))
RANGES_M = (2.0, 5.0, 10.0)
ANGLES_DEG = (0.5, 1.0, 2.0, 4.0, 8.0, 12.0, 20.0)
# Lamps: name, cone's half angle and edge, core, degrees from the lens to the axis.
CORE, SPILLED = Core(20.0, 36.4), Core(20.0, 36.4, 0.05)
LAMPS = (
    ("bare", 180.0, 1.0, None, 0.0),
    ("flood", 40.0, 10.0, None, 0.0),
    ("spot", 70.0, 10.0, SPILLED, 0.0),
    ("spot", 70.0, 10.0, SPILLED, 10.0),
    ("spot", 70.0, 10.0, SPILLED, 30.0),
    ("spot", 70.0, 10.0, SPILLED, 60.0),
    ("dark", 70.0, 10.0, CORE, 30.0),
    ("dark", 70.0, 10.0, CORE, 60.0),
)
ROWS, ORDERS, FAR_LENGTHS = 1500, 400, 14.0
# The more, the longer the way in the water.
RAYS, MORE_A_LENGTH = 40_000, 10_000


def tables() -> tuple[F64, F64, F64, F64]:
    """Return angles, the share of scattering up to each, the phase function's integral to it, and itself."""
    angles = np.concatenate([[0.0], np.geomspace(1e-7, math.pi, ROWS - 1)])
    middle = np.sqrt(np.maximum(angles[:-1], 0.3e-7) * angles[1:])
    phase = fournier_forand(middle) * np.diff(angles)
    share = np.cumsum(2.0 * math.pi * np.sin(middle) * phase)
    of_angle = fournier_forand(np.maximum(angles, 1e-7))
    return angles, np.append(0.0, share / share[-1]), np.append(0.0, np.cumsum(phase)), of_angle


@njit(cache=False)
def between(wanted: float, by: F64, of: F64) -> float:
    """Return what a rising table has at a place."""
    at = min(max(int(np.searchsorted(by, wanted)), 1), by.size - 1)
    first, step = float(of[at - 1]), float(by[at] - by[at - 1])
    share = min(max((wanted - by[at - 1]) / step, 0.0), 1.0) if step > 0.0 else 0.0
    return first + (float(of[at]) - first) * share


@njit(cache=False)
def thrown(out: F64, axis: F64, profile: F64, per_x: float, side: float) -> float:
    """Return what a lamp throws along a way out of it, seen from one side or mirrored to the other."""
    off = max(1.0 - side * out[0] * axis[0] - out[1] * axis[1] - out[2] * axis[2], 0.0)
    place = math.sqrt(2.0 * off) * per_x
    at = min(int(place), profile.size - 2)
    first = float(profile[at])
    return first + (float(profile[at + 1]) - first) * min(place - at, 1.0)


@njit(cache=False)
def light_along(
    place: F64,
    way: F64,
    weight: float,
    c: float,
    lamp: F64,
    lamps: tuple[F64, F64, F64],
    table: tuple[F64, F64, F64, F64],
    found: F64,
) -> None:
    """Add what a way gets of each lamp's light that is turned once more, by lamp and side."""
    axes, profiles, per_x = lamps
    angles, _, integral, _ = table
    to_lamp = lamp - place
    along = (to_lamp * way).sum()
    cross = to_lamp - along * way
    apart = math.sqrt((cross * cross).sum() + 1e-12)
    before = between(math.atan2(apart, along), angles, integral)
    whole = integral[-1] - before
    psi = between(before + whole * np.random.random(), integral, angles)  # noqa: NPY002
    r = apart / max(math.sin(psi), 1e-9)
    t = along - r * math.cos(psi)
    if t <= 0.0:
        return
    light = weight * whole / apart * math.exp(-c * (r + t))
    out = (place + t * way - lamp) / r
    for number in range(len(axes)):
        for side in range(2):
            found[number, side] += light * thrown(
                out, axes[number], profiles[number], per_x[number], 1.0 - 2.0 * side
            )


@njit(cache=False)
def turned_on(
    place: F64,
    way: F64,
    weight: float,
    c: float,
    lamp: F64,
    lamps: tuple[F64, F64, F64],
    table: tuple[F64, F64, F64, F64],
    found: F64,
) -> F64:
    """Return a way drawn by the phase function; add what that gets, and one that is drawn about the lamp.

    The light along a way that leads to the lamp at an angle of alpha goes up as alpha^-1.4: each of the two
    counts by its share of both densities.
    """
    angles, shares, _, phase = table
    towards = lamp - place
    towards /= math.sqrt((towards * towards).sum())
    on = turned_by(way, math.cos(between(np.random.random(), shares, angles)))  # noqa: NPY002
    near = math.pi * math.pow(1.0 - np.random.random(), 1.0 / 0.6)  # noqa: NPY002
    for number in range(2):
        to = on if number == 0 else turned_by(towards, math.cos(near))
        alpha = near if number else angle_of(to, towards)
        turn = between(angle_of(way, to), angles, phase)
        other = 0.6 * math.pow(alpha, -0.4) / math.pow(math.pi, 0.6) / (2.0 * math.pi * math.sin(alpha))
        light_along(place, to, weight * turn / (turn + other), c, lamp, lamps, table, found)
    return on


@njit(cache=False)
def angle_of(one: F64, other: F64) -> float:
    """Return the angle between two directions, above 0; from the chord, which small ones are told by."""
    apart = one - other
    return max(2.0 * math.asin(min(0.5 * math.sqrt((apart * apart).sum()), 1.0)), 1e-7)


@njit(cache=False)
def glow(
    angle: float,
    water: tuple[float, float],
    range_m: float,
    lamps: tuple[F64, F64, F64],
    table: tuple[F64, F64, F64, F64],
    rays: int,
    seed: int,
) -> F64:
    """Return radiance per intensity by lamp and side, and its square, ``(lamps, 2, 2)``, means of rays."""
    np.random.seed(seed)  # noqa: NPY002 - what numba has
    a, b = water
    c, lamp = a + b, np.array([0.0, 0.0, range_m])
    sums = np.zeros((len(lamps[0]), 2, 2))
    found = np.zeros((len(lamps[0]), 2))
    for _ in range(rays):
        place, way, weight = np.zeros(3), np.array([math.sin(angle), 0.0, math.cos(angle)]), b
        found[:] = 0.0
        light_along(place, way, weight, c, lamp, lamps, table, found)
        for _ in range(ORDERS):
            place = place - math.log(1.0 - np.random.random()) / c * way  # noqa: NPY002
            away = place - lamp
            if (away * away).sum() > (range_m + FAR_LENGTHS / c) ** 2:
                break
            weight *= b / c
            if weight < 0.1 * b:
                if np.random.random() < 0.5:  # noqa: NPY002
                    break
                weight *= 2.0
            way = turned_on(place, way, weight, c, lamp, lamps, table, found)
        sums[:, :, 0] += found
        sums[:, :, 1] += found * found
    return sums / rays


def beams() -> tuple[F64, F64, F64]:
    """Return the lamps' axes (the lens lies at -z), intensities by chord, and steps of that in a unit."""
    axes, profiles, per_x = [], [], []
    for _, cone, edge, core, turned in LAMPS:
        beam = Beam.of(math.radians(cone), math.radians(edge), core)
        turn = math.radians(turned)
        axes.append([math.sin(turn), 0.0, -math.cos(turn)])
        profiles.append(beam.table.astype(np.float64))
        per_x.append(float(beam.per_x))
    return np.array(axes), np.array(profiles), np.array(per_x)


def main() -> None:
    """Print the table."""
    lamps, table = beams(), tables()
    sys.stdout.write("a,b,range_m,angle_deg,lamp,off_deg,side,radiance,error\n")
    for seed, (water, range_m, angle) in enumerate(
        (water, range_m, angle) for water in WATERS for range_m in RANGES_M for angle in ANGLES_DEG
    ):
        rays = RAYS + int(MORE_A_LENGTH * (sum(water) * range_m) ** 2)
        made = glow(math.radians(angle), water, range_m, lamps, table, rays, seed + 1)
        for (name, *_, turned), sides in zip(LAMPS, made, strict=True):
            for side, (mean, square) in zip((1, -1), sides, strict=True):
                if side > 0 or turned > 0.0:
                    error = math.sqrt(max(square - mean * mean, 0.0) / rays)
                    sys.stdout.write(
                        f"{water[0]},{water[1]},{range_m},{angle},{name},{turned},{side},{mean:.4g},{error:.2g}\n"
                    )
        sys.stdout.flush()


if __name__ == "__main__":
    main()
