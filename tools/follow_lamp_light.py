"""What is left of a lamp's haze when a cloud stands midway, by light followed backwards from the lens.

    python tools/follow_lamp_light.py > tests/reference/data/lamp_behind_a_cloud.csv

Even water without end or daylight, that scatters by `WATER_PHASE`; a point of a lamp 6 m ahead that shines
evenly over a cone towards the lens; between them an ellipsoid with a sharp edge, of matter that scatters by
one lobe of Henyey and Greenstein's. Free ways are drawn against the densest there is, and each scattering
looks for the lamp. A row is the haze's radiance at an angle off the lamp with the cloud, over that without.
"""

from __future__ import annotations

import math
import sys

import numpy as np
from numba import njit

from halocline._typing import F64
from halocline.physics.floating.turbid import ASYMMETRY
from halocline.physics.path.scatterers import WATER_PHASE

# Of the water, 1/m; lamp and the cloud's middle ahead, its half sizes, metres; half of the cone.
ABSORPTION, SCATTERING = 0.12, 0.42
LAMP_M, CLOUD_M, HALF_M, CONE_DEG = 6.0, 3.0, (0.75, 0.75, 0.5), 30.0
ALBEDO = 0.98
DEPTHS = (1.0, 3.3, 6.7)
ANGLES_DEG = (0.5, 1.0, 2.0, 4.0, 8.0, 12.0, 20.0)
RAYS, ORDERS, FAR_M = 400_000, 60, 40.0


@njit(cache=False)
def lobe(mu: float, g: float) -> float:
    """Henyey and Greenstein's phase function, 1/sr."""
    return (1.0 - g * g) / (4.0 * math.pi) / math.pow(1.0 + g * g - 2.0 * g * mu, 1.5)


@njit(cache=False)
def inside(x: float, y: float, z: float) -> bool:
    """Tell whether a place is in the cloud."""
    a, b, c = x / HALF_M[0], y / HALF_M[1], (z - CLOUD_M) / HALF_M[2]
    return a * a + b * b + c * c < 1.0


@njit(cache=False)
def through(place: F64, way: F64, length: float) -> float:
    """Return how many metres of a way lie in the cloud."""
    a = b = c = 0.0
    for axis in range(3):
        p = (place[axis] - (CLOUD_M if axis == 2 else 0.0)) / HALF_M[axis]
        d = way[axis] / HALF_M[axis]
        a, b, c = a + d * d, b + p * d, c + p * p
    left = b * b - a * (c - 1.0)
    if left <= 0.0:
        return 0.0
    root = math.sqrt(left)
    return max(0.0, min((-b + root) / a, length) - max((-b - root) / a, 0.0))


@njit(cache=False)
def turned(way: F64, g: float) -> F64:
    """Return a direction drawn about another by a lobe."""
    s = (1.0 - g * g) / (1.0 - g + 2.0 * g * np.random.random())  # noqa: NPY002 - what numba has
    return turned_by(way, (1.0 + g * g - s * s) / (2.0 * g))


@njit(cache=False)
def turned_by(way: F64, mu: float) -> F64:
    """Return a direction drawn about another, at an angle of this cosine."""
    phi = 2.0 * math.pi * np.random.random()  # noqa: NPY002
    other = np.array([0.0, 0.0, 1.0]) if abs(way[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    right = np.cross(way, other)
    right /= math.sqrt((right * right).sum())
    up = np.cross(way, right)
    sine = math.sqrt(max(0.0, 1.0 - mu * mu))
    return mu * way + sine * (math.cos(phi) * right + math.sin(phi) * up)


@njit(cache=False)
def haze(angle: float, extinction: float, rays: int, seed: int) -> tuple[float, float]:
    """Return the haze per intensity at an angle off the lamp, and its standard error."""
    np.random.seed(seed)  # noqa: NPY002
    water = ABSORPTION + SCATTERING
    share, forward, backward = WATER_PHASE
    lamp, cone = np.array([0.0, 0.0, LAMP_M]), math.cos(math.radians(CONE_DEG))
    total = squares = 0.0
    for _ in range(rays):
        place, way = np.zeros(3), np.array([math.sin(angle), 0.0, math.cos(angle)])
        weight, found = 1.0, 0.0
        for _ in range(ORDERS):
            dense = water + extinction
            in_cloud, away = False, False
            while True:
                place = place - math.log(1.0 - np.random.random()) / dense * way  # noqa: NPY002
                away = (place * place).sum() > FAR_M * FAR_M
                drawn = np.random.random() * dense  # noqa: NPY002
                here = water + (extinction if inside(place[0], place[1], place[2]) else 0.0)
                if away or drawn < here:
                    in_cloud = drawn >= water
                    break
            if away:
                break
            weight *= ALBEDO if in_cloud else SCATTERING / water
            to_lamp = lamp - place
            length = math.sqrt((to_lamp * to_lamp).sum())
            to_lamp /= length
            if to_lamp[2] > cone:
                mu = (way * to_lamp).sum()
                phase = lobe(mu, ASYMMETRY)
                if not in_cloud:
                    phase = share * lobe(mu, forward) + (1.0 - share) * lobe(mu, backward)
                lost = water * length + extinction * through(place, to_lamp, length)
                found += weight * phase * math.exp(-lost) / (length * length + 1e-3)
            if weight < 0.1:
                if np.random.random() < 0.5:  # noqa: NPY002
                    break
                weight *= 2.0
            g = ASYMMETRY
            if not in_cloud:
                g = forward if np.random.random() < share else backward  # noqa: NPY002
            way = turned(way, g)
        total += found
        squares += found * found
    mean = total / rays
    return mean, math.sqrt(max(squares / rays - mean * mean, 0.0) / rays)


def main() -> None:
    """Print the table."""
    sys.stdout.write("depth,angle_deg,kept,error\n")
    for angle in ANGLES_DEG:
        whole, error = haze(math.radians(angle), 0.0, RAYS, 1)
        for number, depth in enumerate(DEPTHS):
            left, more = haze(math.radians(angle), depth / (2.0 * HALF_M[2]), RAYS, 2 + number)
            kept = left / whole
            apart = kept * math.hypot(error / whole, more / left)
            sys.stdout.write(f"{depth},{angle},{kept:.4f},{apart:.4f}\n")


if __name__ == "__main__":
    main()
