"""Where shade falls on things: boxes and balls as a lens sees them, against cast rays.

Source: own geometry, computed: a ray from each pixel's surface towards the sun (Snell's law, n = 1.34) meets
a box (slabs) or a ball (quadratic) or none. Water is clear and the sea flat: shadows are hard but for the
sun's disc. Surfaces turned away from the sun are left out, renders have no light of it there; and so is what
parts of things shade that the lens does not see.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.physics.sea.shade import Casters, Shade, ShadeWater, Square
from halocline.physics.sea.shade_loops import light_at_places, loop_maps
from halocline.physics.sea.surface import SunBeam

# Boxes by two corners, and balls by middle and radius: along x (right), y (ahead) and down, metres.
Things = tuple[list[tuple[tuple[float, ...], tuple[float, ...]]], list[tuple[tuple[float, ...], float]]]
FLOOR = ((-30.0, -30.0, 4.0), (30.0, 60.0, 5.0))
SCENES: dict[str, Things] = {
    # A roof on two walls: no sun gets under it along its edge.
    "cave": ([((-4.0, 1.0, 0.2), (-1.1, 9.0, 4.5)), ((1.3, 1.0, 0.2), (4.0, 9.0, 4.5)),
              ((-4.0, 1.0, 0.2), (4.0, 9.0, 1.2)), FLOOR], []),
    "wall": ([((0.5, 3.0, 2.2), (1.0, 9.0, 4.5)), FLOOR], []),
    "sunlit wall": ([((-3.0, 3.0, 1.0), (-1.0, 9.0, 4.5)), FLOOR], []),
    "balls": ([FLOOR], [((-0.8, 4.0, 3.7), 0.3), ((0.6, 5.0, 3.5), 0.5), ((0.3, 3.0, 3.85), 0.15),
                        ((-1.5, 6.5, 3.0), 1.0)]),
    "arch": ([((-1.6, 4.0, 1.5), (-0.9, 5.0, 4.5)), ((0.9, 4.0, 1.5), (1.6, 5.0, 4.5)),
              ((-1.6, 4.0, 1.5), (1.6, 5.0, 2.1)), FLOOR], []),
}  # fmt: skip
LENS, COLUMNS, ROWS, FOCAL = np.array([0.0, 0.0, 2.5]), 480, 270, 0.55
SUN = SunBeam(math.radians(28.0), math.radians(125.0), 1.34)
CELL_M = 0.1875


def met(things: Things, start: F64, towards: F64) -> tuple[F64, NDArray[np.int64], F64]:
    """Return how far rays go to a thing, inf, to which; and its outward normal, ``(3, n)``."""
    far, which = np.full(towards.shape[1], np.inf), np.full(towards.shape[1], -1)
    normal = np.zeros_like(towards)
    boxes, balls = things
    with np.errstate(divide="ignore", invalid="ignore"):
        for number, (low, high) in enumerate(boxes):
            first, last = ((np.array(corner)[:, np.newaxis] - start) / towards for corner in (low, high))
            into, out = np.minimum(first, last), np.maximum(first, last)
            enters = into.max(axis=0)
            hit = (enters < out.min(axis=0)) & (enters > 1e-6) & (enters < far)
            axis = into.argmax(axis=0)
            found = np.where(np.arange(3)[:, np.newaxis] == axis, -np.sign(towards), 0.0)
            far, which = np.where(hit, enters, far), np.where(hit, number, which)
            normal = np.where(hit, found, normal)
        for number, (middle, radius) in enumerate(balls):
            away = start - np.array(middle)[:, np.newaxis]
            along = (away * towards).sum(axis=0)
            root = np.sqrt(along**2 - (away**2).sum(axis=0) + radius**2)
            enters = -along - root
            hit = (enters > 1e-6) & (enters < far)
            far, which = np.where(hit, enters, far), np.where(hit, len(boxes) + number, which)
            normal = np.where(hit, (away + enters * towards) / radius, normal)
    return far, which, normal


def told_and_cast(things: Things, sun: SunBeam) -> tuple[F32, NDArray[np.bool_], NDArray[np.bool_]]:
    """Return what shade leaves of the sun, whether rays reach it, and which surfaces turn to it."""
    right, up = np.meshgrid(np.arange(COLUMNS) + 0.5 - COLUMNS / 2, np.arange(ROWS) + 0.5 - ROWS / 2)
    towards = np.stack([right, np.full_like(right, FOCAL * COLUMNS), up]).reshape(3, -1)
    towards /= np.linalg.norm(towards, axis=0)
    far, which, normal = met(things, LENS[:, np.newaxis] + 0.0 * towards, towards)
    seen = which >= 0
    place = LENS[:, np.newaxis] + far[seen] * towards[:, seen]
    to_sun = np.array([-float(sun.drift[0]), -float(sun.drift[1]), -1.0])
    to_sun /= np.linalg.norm(to_sun)
    rays = np.repeat(to_sun[:, np.newaxis], place.shape[1], axis=1)
    reached = met(things, place + 1e-4 * normal[:, seen], rays)[1] < 0
    # What casts is known where a ray enters or leaves a thing in the picture's sight.
    known = reached.copy()
    first = place + 1e-4 * normal[:, seen]
    for begin, way in ((first, rays), (first + 40.0 * rays, -rays)):
        crossing = begin + np.where(reached, 0.0, met(things, begin, way)[0]) * way
        sight = crossing - LENS[:, np.newaxis]
        length = np.linalg.norm(sight, axis=0)
        inside = (np.abs(sight[0]) < 0.5 * sight[1] / FOCAL) & (np.abs(sight[2]) < 0.28 * sight[1] / FOCAL)
        known |= inside & (met(things, LENS[:, np.newaxis] + 0.0 * sight, sight / length)[0] > 0.999 * length)
    turned = to_sun @ normal[:, seen] > 0.02
    here, whole = place.astype(np.float32), np.ones(place.shape[1], np.float32)
    gaps = np.full((3, whole.size), 0.02, np.float32)
    lens_x, lens_y, lens_depth = LENS.tolist()
    casters = Casters(here[:2], here[2], whole, gaps_m=gaps, lens_m=(lens_x, lens_y, lens_depth))
    half, drift = CELL_M * 256, np.asarray(sun.drift, np.float64)
    start_x, start_y = (-half - lens_depth * float(along) for along in drift)
    square, upright = Square((start_x, start_y), CELL_M, 512), Square((-half, -half), half / 96.0, 192)
    shade = Shade(casters, ShadeWater(sun, 0.0), square, upright, 30.0)
    out = np.empty((2, place.shape[1]), np.float32)
    light_at_places(*loop_maps(shade, in_water=False), here[0], here[1], here[2], out)
    left, lit, faces = np.ones(far.size, np.float32), np.zeros(far.size, np.bool_), seen.copy()
    left[seen], lit[seen], faces[seen] = out[0], reached, turned & known
    return left, lit, faces


# Shares of the pixels of surfaces turned to the sun that are wrong by more than half: light where things keep
# it, and shade where none does. With shadows that begin a cell and a half below all things, they were .065
# and .0015 (cave), .0000 and .0173 (wall), .0001 and .0035 (sunlit wall), .0027 and .0097 (balls), .0131 and
# .0236 (arch). What is left lies along edges, and is as wide as a cell of the map.
BOUNDS = {
    "cave": (0.019, 0.002),
    "wall": (0.001, 0.001),
    "sunlit wall": (0.001, 0.0045),
    "balls": (0.0035, 0.011),
    "arch": (0.017, 0.026),
}


@pytest.mark.parametrize("name", SCENES)
def test_shade_lies_on_things_where_cast_rays_find_it(name: str) -> None:
    left, lit, faces = told_and_cast(SCENES[name], SUN)
    wrong = faces & (np.abs(left - lit) > 0.5)
    light, shade = ((wrong & of).sum() / faces.sum() for of in (~lit, lit))
    assert light < BOUNDS[name][0]
    assert shade < BOUNDS[name][1]


def test_no_sun_gets_in_under_a_roof_along_its_edge() -> None:
    # The right wall of the cave, up to a hand's breadth under the roof, where the roof over it is in sight.
    left, lit, faces = told_and_cast(SCENES["cave"], SUN)
    rows, columns = np.mgrid[0:ROWS, 0:COLUMNS].reshape(2, -1)
    metres = 1.3 * FOCAL * COLUMNS / np.maximum(columns + 0.5 - COLUMNS / 2, 1.0)
    depth = LENS[2] + (rows + 0.5 - ROWS / 2) * metres / (FOCAL * COLUMNS)
    band = faces & ~lit & (metres > 4.0) & (metres < 8.5) & (depth > 1.3) & (depth < 1.7)
    assert band.sum() > 500
    # Before .75 of the light was there.
    assert left[band].mean() < 0.03
