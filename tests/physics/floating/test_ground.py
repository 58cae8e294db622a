"""The floor from what is seen of it: on planes, across gaps, below what stands on it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator, griddata
from tests.conftest import UP

from halocline._typing import F64
from halocline.physics.floating.ground import Ground, cell_for, ground_below
from halocline.physics.floating.turbid_shape_loops import _floor_below

LENS = np.array([0.3, 1.0, -0.7])


def scattered(keep: F64 | None = None, seed: int = 3) -> tuple[F64, F64]:
    """Places over a square of 16 m, as a picture has them: without order."""
    x, z = np.random.default_rng(seed).uniform(-8.0, 8.0, (2, 60_000))
    return x, z


def made(x: F64, height: F64, z: F64, steepest: float = 45.0) -> Ground:
    points = np.stack([x, height, z], axis=1)
    found = ground_below(points, UP, LENS, reach_m=8.0, cell_m=0.125, steepest_deg=steepest)
    assert found is not None
    return found


def grid(ground: Ground) -> tuple[F64, F64]:
    along = [corner + ground.cell_m * np.arange(len(ground.heights_m)) for corner in ground.corner_m]
    x, z = np.meshgrid(*along)
    return x, z


def test_a_sloping_plane_is_found_and_goes_on_where_it_is_not_seen() -> None:
    x, z = scattered()
    seen = (np.abs(x) < 3.0) & (z < -1.0) & (z > -6.0)
    ground = made(x[seen], -2.0 + 0.3 * x[seen] - 0.2 * z[seen], z[seen])
    across, ahead = grid(ground)
    # A cell's places are not its middle: the height is out by what the plane rises over a part of a cell.
    np.testing.assert_allclose(ground.heights_m, -2.0 + 0.3 * across - 0.2 * ahead, atol=0.03)


def test_gaps_are_gone_over_as_smoothly_as_a_library_does() -> None:
    x, z = scattered()
    height = 0.4 * np.sin(0.8 * x) + 0.3 * np.cos(0.6 * z)
    hidden = np.hypot(x - 1.0, z + 3.0) < 1.0
    ground = made(x[~hidden], height[~hidden], z[~hidden])
    across, ahead = grid(ground)
    inside = np.hypot(across - 1.0, ahead + 3.0) < 1.0
    places = np.stack([x[~hidden], z[~hidden]], axis=1)
    # SciPy's piecewise linear interpolation over a triangulation of the same places.
    straight = griddata(places[::10], height[~hidden][::10], (across[inside], ahead[inside]))
    assert np.abs(ground.heights_m[inside] - straight).max() < 0.12
    assert np.abs(ground.heights_m[~inside & (np.hypot(across, ahead) < 6.0)]).max() < 0.75


def test_what_rises_more_steeply_than_a_floor_stands_on_it() -> None:
    x, z = scattered()
    floor = -2.0 + 0.05 * x
    block = (np.abs(x) < 1.0) & (np.abs(z + 4.0) < 0.7)
    hill = np.maximum(0.0, 1.0 - 0.5 * np.hypot(x + 5.0, z + 4.0))
    ground = made(x, floor + 1.5 * block + hill, z)
    across, ahead = grid(ground)
    below = (np.abs(across) < 1.0) & (np.abs(ahead + 4.0) < 0.7)
    np.testing.assert_allclose(ground.heights_m[below], -2.0 + 0.05 * across[below], atol=0.06)
    # A hill of 27 degrees is floor, and is none where a floor is told to be no steeper than 15.
    top = np.hypot(across + 5.0, ahead + 4.0) < 0.3
    assert ground.heights_m[top].mean() == pytest.approx(-2.25 + 0.9, abs=0.06)
    assert made(x, floor + hill, z, steepest=15.0).heights_m[top].mean() < -2.25 + 0.4


def test_the_grid_stands_in_the_world() -> None:
    x, z = scattered()
    points = np.stack([x, 0.2 * np.sin(x), z], axis=1)
    here, there = (
        ground_below(points, UP, place, reach_m=4.0, cell_m=0.125, steepest_deg=45.0)
        for place in (LENS, LENS + np.array([1.03, 0.4, -0.52]))
    )
    assert here is not None
    assert there is not None
    shift = np.rint((there.corner_m - here.corner_m) / 0.125).astype(int)
    np.testing.assert_allclose(there.corner_m - here.corner_m, 0.125 * shift, atol=1e-12)
    right, down = shift
    assert (right, down) != (0, 0)
    size = len(here.heights_m)
    both = here.heights_m[max(down, 0) : size + min(down, 0), max(right, 0) : size + min(right, 0)]
    same = there.heights_m[max(-down, 0) : size + min(-down, 0), max(-right, 0) : size + min(-right, 0)]
    # What is seen is the same; the few cells without a place in them are gone over by the plane of all.
    assert (np.abs(both - same) < 1e-6).mean() > 0.95
    assert np.abs(both - same).max() < 0.02


def test_between_cells_heights_are_as_a_library_interpolates_them() -> None:
    # SciPy's regular grid interpolator, bilinear; beyond the grid its rim goes on.
    random = np.random.default_rng(4)
    heights = random.normal(size=(8, 8)).astype(np.float32)
    ground = Ground(heights, np.array([-1.5, 2.0]), 0.5, np.eye(3)[[0, 2]])
    rows, columns = (corner + 0.5 * np.arange(8) for corner in ground.corner_m[::-1])
    library = RegularGridInterpolator((rows, columns), heights.astype(np.float64))
    packed, place = ground.from_lens(LENS, UP)
    for x, z in random.uniform((-1.4, 2.1), (1.9, 5.4), (20, 2)):
        here = np.array([x, 0.4, z]) - LENS
        found = _floor_below(packed, place, *(np.float32(number) for number in here))
        assert found + LENS @ UP == pytest.approx(float(library((z, x))), abs=1e-5)
        assert ground.below(np.array([[x, 0.4, z]]))[0] == pytest.approx(float(library((z, x))), abs=1e-6)
    outside = np.array([9.0, 0.0, 9.0]) - LENS
    corner = _floor_below(packed, place, *(np.float32(number) for number in outside))
    assert corner + LENS @ UP == pytest.approx(heights[-1, -1], abs=1e-5)
    assert ground.below(outside[None] + LENS)[0] == pytest.approx(heights[-1, -1], abs=1e-6)


def test_too_little_is_no_floor() -> None:
    points = np.array([[0.1 * k, 0.0, -1.0] for k in range(5)])
    assert ground_below(points, UP, LENS, reach_m=4.0, cell_m=0.125, steepest_deg=45.0) is None
    none = np.zeros((0, 3))
    assert ground_below(none, UP, LENS, reach_m=4.0, cell_m=0.125, steepest_deg=45.0) is None


def test_cells_are_powers_of_two_and_no_more_than_can_be_held() -> None:
    for thin, reach in ((0.3, 5.0), (2.0, 40.0), (0.1, 100.0)):
        cell = cell_for(thin, reach)
        assert math.log2(cell) == round(math.log2(cell))
        assert 2.0 * reach / cell <= 1024.0
