"""Black squares before open water, by photons followed backwards from the lens.

    python tools/follow_squares.py > tests/reference/data/photons_before_squares.csv

Even water under a flat sea (Snell, Fresnel) and a sky of even radiance. It scatters as natural particles do
(`fournier_forand`, drawn from a table) and, for its own share, as sea water itself. One lot of photons serves
all squares of a view: each stands across it with its middle on it, and takes what meets it from either side.
What a photon finds of the sky after it met a square is what the square hides.

A row is the contrast of a square to open water, 1 where it is black, and its standard error; and the share
of the square's own even light that arrives in the middle of its picture.
"""

from __future__ import annotations

import itertools
import math
import sys
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from follow_lamp_glow import between, tables
from follow_lamp_light import turned_by
from follow_photons import INDEX, OWN, reflected
from numba import njit

from halocline._typing import F64
from halocline.physics.path.phase import SEA_WATER_SCATTERING

# Absorption and scattering, 1/m: what the eye sees most of in types IA, 1C, 3C, 5C and 7C; then light that 1C
# and 5C take more of.
WATERS = (
    (0.035, 0.043),
    (0.099, 0.431),
    (0.133, 0.652),
    (0.155, 1.19),
    (0.197, 2.24),
    (0.322, 0.424),
    (0.35, 1.17),
)
# Depth, metres, and degrees that the lens looks up.
VIEWS = ((10.0, 0.0), (10.0, 20.0), (10.0, -20.0), (3.0, 0.0))
RANGES_M: F64 = np.array([1.0, 3.0, 5.0, 8.0, 12.0, 20.0])
HALVES_M: F64 = np.array([0.15, 1.5, 3.0])
PHOTONS, LOTS = 400_000, 8
# No square is of use whose contrast is less, or known to less than this part of it; that comes nearer to the
# surface than this part of the depth; or that looks larger than this.
LEAST_CONTRAST, WORST_KNOWN, NEAREST_TOP, LARGEST_SLOPE = 0.04, 0.03, 0.9, 1.2
# Of a ray that ends at the surface this much of the light may come from there.
MOST_FROM_SURFACE = 0.02


class Water(NamedTuple):
    """What water does to a photon: absorption and scattering, 1/m, its own share of that, and the table."""

    absorption: float
    scattering: float
    own: float
    shares: F64
    angles: F64


@njit(cache=True)
def met(place: F64, way: F64, length: float, ahead: F64, up: F64, range_m: float, halves: F64) -> int:
    """Return the number of the smallest square at a range that a way meets; how many there are if none."""
    along = (way * ahead).sum()
    if abs(along) > 1e-12:
        reach = (range_m - (place * ahead).sum()) / along
        if 1e-9 < reach <= length:
            at = place + reach * way
            aside = max(abs(at[0]), abs((at * up).sum()))
            for number in range(halves.size):
                if aside < halves[number]:
                    return number
    return halves.size


@njit(cache=True)
def angle_drawn(water: Water) -> float:
    """Return the angle of a turn."""
    if np.random.random() >= water.own:  # noqa: NPY002
        return between(np.random.random(), water.shares, water.angles)  # noqa: NPY002
    cosine = 2.0 * np.random.random() - 1.0  # noqa: NPY002
    while np.random.random() * (1.0 + OWN) > 1.0 + OWN * cosine * cosine:  # noqa: NPY002
        cosine = 2.0 * np.random.random() - 1.0  # noqa: NPY002
    return math.acos(cosine)


@njit(cache=True)
def follow(
    photons: int, water: Water, depth_m: float, pitch: float, ranges: F64, halves: F64, dark: F64, own: F64
) -> float:
    """Return what open water brings; add what squares, ``(ranges, halves)``, hide of it, and their light."""
    c, found = water.absorption + water.scattering, 0.0
    # By how much light falls with depth: what went deep is followed on by what it can still find.
    fall = math.sqrt(water.absorption * (water.absorption + 0.25 * water.scattering))
    ahead, up = (
        np.array([0.0, math.sin(pitch), -math.cos(pitch)]),
        np.array([0.0, math.cos(pitch), math.sin(pitch)]),
    )
    smallest = np.empty(ranges.size, np.int64)
    for _ in range(photons):
        place, way, weight = np.zeros(3), ahead.copy(), 1.0
        smallest[:] = halves.size
        while True:
            step = -math.log(1.0 - np.random.random()) / c  # noqa: NPY002
            top = (depth_m - place[1]) / way[1] if way[1] > 0.0 else math.inf
            for number in range(ranges.size):
                square = met(place, way, min(step, top), ahead, up, ranges[number], halves)
                if square < smallest[number]:
                    if (way * ahead).sum() > 0.0:
                        own[number, square : smallest[number]] += weight
                    smallest[number] = square
            place = place + min(step, top) * way
            if top <= step:
                mirrored = reflected(way[1])
                sky = weight * (1.0 - mirrored) * INDEX * INDEX
                found += sky
                for number in range(ranges.size):
                    dark[number, smallest[number] :] += sky
                weight *= mirrored
                if weight < 1e-4:
                    break
                place[1], way[1] = depth_m, -way[1]
                continue
            weight *= water.scattering / c
            if weight * min(1.0, math.exp(fall * place[1])) < 0.02:
                if np.random.random() > 0.2:  # noqa: NPY002
                    break
                weight /= 0.2
            way = turned_by(way, math.cos(angle_drawn(water)))
            way /= math.sqrt((way * way).sum())
    return found


@njit(cache=True)
def seed(number: int) -> None:
    """Begin the chance of compiled code."""
    np.random.seed(number)  # noqa: NPY002


def useful(depth_m: float, pitch: float) -> Iterator[tuple[int, int]]:
    """Yield which ranges and half widths fit under the surface and into a picture."""
    for i, j in itertools.product(range(RANGES_M.size), range(HALVES_M.size)):
        top = RANGES_M[i] * math.sin(pitch) + HALVES_M[j] * math.cos(pitch)
        if top < NEAREST_TOP * depth_m and HALVES_M[j] <= LARGEST_SLOPE * RANGES_M[i]:
            yield i, j


def print_view(absorption: float, scattering: float, depth_m: float, pitch_deg: float) -> None:
    """Print what is of use of one view."""
    pitch, c = math.radians(pitch_deg), absorption + scattering
    if pitch > 0.0 and math.exp(-c * depth_m / math.sin(pitch)) > MOST_FROM_SURFACE:
        return
    angles, shares, *_ = tables()
    water = Water(absorption, scattering, SEA_WATER_SCATTERING / scattering, shares, angles)
    seed(1)
    lots = []
    for _ in range(LOTS):
        dark, own = np.zeros((2, RANGES_M.size, HALVES_M.size))
        found = follow(PHOTONS // LOTS, water, depth_m, pitch, RANGES_M, HALVES_M, dark, own)
        lots.append((found, dark, own))
    open_water, hidden, own_light = (np.array(each) for each in zip(*lots, strict=True))
    contrast = hidden.sum(axis=0) / open_water.sum()
    # Of all lots but one, in turn: the standard error of a ratio.
    others = (hidden.sum(axis=0) - hidden) / (open_water.sum() - open_water)[:, None, None]
    error = np.sqrt((LOTS - 1) / LOTS * ((others - others.mean(axis=0)) ** 2).sum(axis=0))
    arrives = own_light.sum(axis=0) / PHOTONS
    for i, j in useful(depth_m, pitch):
        if contrast[i, j] > LEAST_CONTRAST and error[i, j] < WORST_KNOWN * contrast[i, j]:
            numbers = (absorption, scattering, depth_m, pitch_deg, RANGES_M[i], HALVES_M[j])
            seen = f"{contrast[i, j]:.4f},{error[i, j]:.4f},{arrives[i, j]:.4f}"
            sys.stdout.write(",".join(f"{number:g}" for number in numbers) + f",{seen}\n")
    sys.stdout.flush()


def main() -> None:
    """Print the table."""
    sys.stdout.write("absorption,scattering,depth_m,pitch_deg,range_m,half_m,contrast,error,arrives\n")
    for (absorption, scattering), (depth_m, pitch_deg) in itertools.product(WATERS, VIEWS):
        print_view(absorption, scattering, depth_m, pitch_deg)


if __name__ == "__main__":
    main()
