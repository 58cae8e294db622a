"""Kicked-up sediment: mass, spread and settling, held to the equations and to handbook values."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import solve_banded
from tests.conftest import UP

from halocline._typing import F64
from halocline.physics.floating.flow import Current
from halocline.physics.floating.ground import Ground
from halocline.physics.floating.particles import grain_settling_speed
from halocline.physics.floating.sediment import (
    Grains,
    Throwing,
    ThrowingTrack,
    extinction_per_gram,
    floating_share,
    puffs,
)
from halocline.physics.floating.turbid import TurbidShape

STILL = Current()
SOURCE = ThrowingTrack(
    "fin",
    np.array([0.0, 2.0]),
    np.array([[-0.5, 0.6, -4.0], [0.9, 0.5, -4.4]]),
    np.array([20.0, 60.0]),
    floor_m=0.1,
    reach_m=1e6,
)
THROWING = Throwing(radius_m=0.3, rise_m=0.4, sideways_m=0.0, drag_s=0.7, spread_m2_s=0.004)
SILT = Grains(20e-6)


def thrown(
    time_s: float, *, source: ThrowingTrack = SOURCE, grains: Grains = SILT
) -> tuple[TurbidShape, ...]:
    return puffs(source, THROWING, grains, seed=3, up=UP, current=STILL, time_s=time_s)


def density(shape: TurbidShape, points: F64) -> F64:
    """A puff's density by its definition, with its image in the floor."""
    local = (points - shape.centre_m) @ shape.axes.T
    image = local + np.array([0.0, 2.0 * min(shape.above_floor_m, 1e6), 0.0])
    cubes = [np.maximum(1.0 - ((part / shape.half_m) ** 2).sum(axis=-1), 0.0) ** 3 for part in (local, image)]
    return np.asarray(shape.strength * (cubes[0] + cubes[1]))


def moments(shape: TurbidShape, floor_m: float) -> tuple[float, F64]:
    """Return a puff's integral above the floor, and its variances along its axes, by quadrature."""
    node, weight = np.polynomial.legendre.leggauss(24)
    low, high = -shape.half_m, shape.half_m.copy()
    low[1] = max(low[1], floor_m - float(shape.centre_m @ UP))
    places = [0.5 * (b - a) * (node + 1.0) + a for a, b in zip(low, high, strict=True)]
    weights = [0.5 * (b - a) * weight for a, b in zip(low, high, strict=True)]
    local = np.stack(np.meshgrid(*places, indexing="ij"), axis=-1)
    each = np.einsum("i,j,k->ijk", *weights) * density(shape, shape.centre_m + local @ shape.axes)
    total = float(each.sum())
    return total, (each[..., None] * local**2).sum(axis=(0, 1, 2)) / total


def amount(found: Sequence[TurbidShape]) -> float:
    """The integral of puffs above their floor: 64 pi / 315 is that of (1 - q^2)^3 over a unit ball."""
    return float(sum(shape.strength * np.prod(shape.half_m) for shape in found)) * 64 * math.pi / 315


@pytest.mark.parametrize(("height", "fall"), [(0.5, 0.01), (0.05, 0.03), (0.8, 0.002)])
def test_what_floats_is_that_of_the_settling_plume_solved_by_finite_differences(
    height: float, fall: float
) -> None:
    # dC/dt = K C'' + w C', K C' = 0 at the floor: an implicit scheme on 1500 cells, from a narrow bell.
    spread, cells, top, step = 0.003, 1500, 3.0, 0.02
    dz = top / cells
    z = (np.arange(cells) + 0.5) * dz
    held = np.exp(-0.5 * ((z - height) / (2.0 * dz)) ** 2)
    held /= held.sum()
    across, down = spread * step / dz**2, fall * step / dz
    bands = np.zeros((3, cells))
    bands[0, 1:], bands[2, :-1] = -across - down, -across
    bands[1] = 1.0 + 2.0 * across + down
    bands[1, [0, -1]] -= across
    found = []
    for number in range(1, 1501):
        held = solve_banded((1, 1), bands, held)
        if number in (100, 500, 1500):
            found.append(held.sum())
    ages = step * np.array([100.0, 500.0, 1500.0])
    # The scheme's upwind difference spreads by w dz / 2 more, up to 1 % of K.
    np.testing.assert_allclose(floating_share(ages, np.full(3, height), fall, spread), found, atol=0.01)
    assert floating_share(np.array([0.0, -1.0]), np.full(2, height), fall, spread).tolist() == [1.0, 1.0]


def test_mass_floating_and_settled_is_what_was_thrown_up() -> None:
    per_gram = extinction_per_gram(20e-6)
    fall = float(grain_settling_speed(20e-6))
    for time_s in (0.4, 9.0):
        found = thrown(time_s)
        # Grams a second grow evenly from 20 to 60 in two seconds, and end.
        until = min(time_s, 2.0)
        given = 20.0 * until + 10.0 * until**2
        floats = amount(found) / per_gram
        some = found[::5]
        assert sum(moments(shape, 0.1)[0] for shape in some) == pytest.approx(amount(some), rel=5e-3)
        # What is on the floor: nothing of the newest, and no more than if all had been thrown at once, low.
        settled = 1.0 - floating_share(np.array([time_s]), np.array([0.05]), fall, 0.004)[0]
        assert given * (1.0 - settled) - 1e-6 <= floats <= given * (1 + 1e-5)
    without_floor = thrown(9.0, source=ThrowingTrack("fin", *_keys()))
    assert amount(without_floor) / per_gram == pytest.approx(80.0, rel=2e-3)


def _keys() -> tuple[F64, F64, F64]:
    return SOURCE.times_s, SOURCE.places_m, SOURCE.grams_per_s


def test_a_puff_spreads_as_a_diffusing_cloud() -> None:
    # Fick: the variance along each axis grows by 2 K t; its source's way adds to the first.
    young, old = (thrown(time_s, source=ThrowingTrack("fin", *_keys()))[4] for time_s in (2.0, 12.0))
    for shape in (young, old):
        _, variance = moments(shape, -math.inf)
        np.testing.assert_allclose(variance, (shape.half_m**2) / 11.0, rtol=2e-3)
    grown = (old.half_m**2 - young.half_m**2) / 11.0
    np.testing.assert_allclose(grown, 2.0 * 0.004 * 10.0, rtol=1e-9)
    assert young.half_m[2] ** 2 / 11.0 > 0.15**2


def test_grains_come_down_by_size_and_stay() -> None:
    # Handbook, from memory (Stokes' law in fresh water at 20 C): quartz silt of 20 um settles .36 mm/s.
    stokes = 1650.0 * 9.81 * (20e-6) ** 2 / (18.0 * 1.0e-3)
    assert stokes == pytest.approx(0.36e-3, rel=0.01)
    fresh = grain_settling_speed(20e-6, water_density=1000.0, kinematic_viscosity=1e-6)
    assert float(fresh) == pytest.approx(stokes, rel=0.02)
    free = ThrowingTrack("fin", *_keys())
    early, late = (thrown(time_s, source=free)[2].centre_m @ UP for time_s in (30.0, 130.0))
    assert early - late == pytest.approx(100.0 * float(grain_settling_speed(20e-6)), rel=1e-6)
    # Sand is down while silt floats; no puff lies below the floor.
    mixed = Grains(60e-6, sorting=3.0)
    sizes = [size for size, _ in mixed.classes()]
    assert sum(share for _, share in mixed.classes()) == pytest.approx(1.0)
    found = thrown(60.0, grains=mixed)
    third = len(found) // 3
    amounts = [
        amount(found[n * third : (n + 1) * third]) / (share * extinction_per_gram(size))
        for n, (size, share) in enumerate(mixed.classes())
    ]
    assert sizes == sorted(sizes)
    assert amounts[0] > 0.9 * 80.0
    assert amounts[0] > amounts[1] > amounts[2]
    assert amounts[2] < 0.02 * 80.0
    assert all(shape.centre_m @ UP >= 0.1 - 1e-9 for shape in found)


def test_a_wake_stirs_by_its_way_and_only_near_the_floor() -> None:
    places = np.array([[0.0, 0.1, 0.0], [2.0, 0.1, 0.0], [2.0, 2.1, 0.0], [4.0, 2.1, 0.0]])
    wake = ThrowingTrack("wake", np.array([0.0, 1.0, 2.0, 3.0]), places, np.zeros(4), 30.0, 0.1, 0.5)
    given = [amount(thrown(time_s, source=wake)) / extinction_per_gram(20e-6) for time_s in (1.0, 2.0, 3.0)]
    # Two metres of 30 g along the floor; over the half metre upwards as much as .25 m more; then none.
    assert given[0] == pytest.approx(60.0, rel=0.01)
    assert given[1] - given[0] == pytest.approx(0.25 * 30.0, rel=0.2)
    assert given[2] == pytest.approx(given[1], rel=0.01)


def test_what_passes_higher_than_its_reach_throws_nothing_up() -> None:
    assert thrown(1.5, source=replace(SOURCE, reach_m=0.3)) == ()


def test_puffs_go_with_the_water_and_grow_without_a_jump() -> None:
    surge = Current((0.2, 0.0, 0.0), (0.0, 0.0, 0.3), 4.0)
    still = puffs(SOURCE, THROWING, SILT, seed=3, up=UP, current=STILL, time_s=3.0)
    moved = puffs(SOURCE, THROWING, SILT, seed=3, up=UP, current=surge, time_s=3.0)
    way = moved[0].centre_m - still[0].centre_m
    # Born within the first half second, carried for about 2.8 s, and by the swell from its phase then.
    born = 3.0 - way[0] / 0.2
    assert 0.0 < born < 0.3
    expected = 0.3 * (math.sin(0.5 * math.pi * 3.0) - math.sin(0.5 * math.pi * born))
    assert way[2] == pytest.approx(expected, abs=0.01)
    # As time goes on a new puff begins with nothing: the sum of all grows evenly.
    sums = np.array([amount(thrown(float(time))) for time in np.arange(0.5, 0.9, 0.02)])
    assert np.abs(np.diff(sums, 2)).max() < 0.05 * np.diff(sums).mean()


def test_a_gram_hides_what_its_grains_cover_twice() -> None:
    # A thousand balls of 1 mm and 2650 kg/m3: pi/4 mm2 and pi/6 x 2.65 mg each, met twice over (diffraction).
    expected = 2.0 * (math.pi / 4.0 * 1e-6) / (math.pi / 6.0 * 1e-9 * 2650.0 * 1e3)
    assert extinction_per_gram(1e-3) == pytest.approx(expected)


def slope(rise: float) -> Ground:
    """A floor of 16 m by 16 m that rises along x, through a height of 0.1 m at x = 0."""
    across = -8.0 + 0.25 * np.arange(64)
    heights = np.broadcast_to(0.1 + rise * across, (64, 64)).astype(np.float32)
    return Ground(heights, np.array([-8.0, -12.0]), 0.25, np.eye(3)[[0, 2]])


def test_on_a_level_ground_all_is_as_over_a_floor_of_that_height() -> None:
    level, grounded = (thrown(4.0, source=source) for source in (SOURCE, replace(SOURCE, floor_m=slope(0.0))))
    for one, other in zip(level, grounded, strict=True):
        np.testing.assert_allclose(other.centre_m, one.centre_m, atol=1e-6)
        assert other.strength == pytest.approx(one.strength, rel=1e-6)


def test_on_a_slope_sediment_is_thrown_from_it_and_drifts_along_it() -> None:
    # Each puff is as high above the ground right below it as it is above a level floor.
    ground, away = slope(0.3), Current((0.5, 0.0, 0.0))
    how = {"grains": SILT, "seed": 3, "up": UP, "current": away, "time_s": 6.0}
    level, sloped = (
        puffs(source, THROWING, **how)  # type: ignore[arg-type]
        for source in (SOURCE, replace(SOURCE, floor_m=ground))
    )
    assert len(level) == len(sloped) > 3
    for one, other in zip(level, sloped, strict=True):
        np.testing.assert_allclose(other.centre_m[[0, 2]], one.centre_m[[0, 2]], atol=1e-9)
        here = 0.1 + 0.3 * other.centre_m[0]
        assert other.centre_m[1] - here == pytest.approx(one.centre_m[1] - 0.1, abs=1e-6)
        # They have drifted by metres, up the slope by tenths of them.
        assert here > 0.4


def test_over_a_hollow_a_source_that_passes_level_stirs_less() -> None:
    # Smooth step of the height over the reach: at half of it, one half.
    source = replace(SOURCE, places_m=np.array([[0.0, 0.1, -4.0], [2.0, 0.1, -4.0]]), reach_m=1.2)
    _, level = source.at(np.array([2.0]), UP)
    _, hollow = replace(source, floor_m=slope(-0.3)).at(np.array([2.0]), UP)
    assert hollow[0] == pytest.approx(0.5 * level[0], rel=1e-5)
