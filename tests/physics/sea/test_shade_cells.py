"""Cells of shaded water: light between walls by integrals, and things where they stand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.integrate import quad
from scipy.special import expn
from scipy.stats import norm

from halocline._typing import F32
from halocline.physics.sea.shade_cell_loops import PARTS, Parts, keep_uppermost, sky_through
from halocline.physics.sea.shade_cells import Cells, _sky_slopes

CELLS = Cells((-10.0, -10.0), 0.5, 40, 40)
SPREAD = 0.57


def parts_of(places: F32, depth: F32, weight: F32, gap_m: float) -> Parts:
    """Parts that points stand in, all as far from their neighbours."""
    return CELLS.parts(places, depth, weight, np.full((3, depth.size), gap_m, np.float32))


def no_parts() -> Parts:
    shape = 3, *(PARTS * size for size in CELLS.shape)
    return np.zeros(shape, np.int32), np.zeros(shape, np.float32)


def wall(x: float, *, top_m: float = -1.0, bottom_m: float = 30.0) -> Parts:
    """Parts of cells that a thin upright wall right across the cells stands in."""
    z = np.arange(max(top_m, 0.0) + 0.05, bottom_m, 0.1)
    y = np.arange(-9.95, 10.0, 0.1)
    down, across = (axis.ravel().astype(np.float32) for axis in np.meshgrid(z, y, indexing="ij"))
    places = np.stack([np.full_like(across, x), across])
    return parts_of(places, down, np.ones_like(down), 0.1)


def at(light: F32, x: float, depth_m: float) -> float:
    """Return light of a cell half way across."""
    return float(light[int(depth_m / 0.5), 20, int((x + 10.0) / 0.5)])


def from_one_side(depth: float) -> float:
    """Return what is left of light from half of all directions, past so many lengths towards them.

    By scipy: a mean of exp(-depth / m) over a sphere without Snell's window (the cosine of its edge is
    sqrt(1 - 1 / 1.34^2), .67), through which light goes down. Without that it would be E2(depth) / 2.
    """

    def level(height: float) -> float:
        across = math.sqrt(1.0 - height * height)
        return float(
            quad(lambda turn: math.exp(-depth / max(across * math.cos(turn), 1e-9)), 0.0, 0.5 * math.pi)[0]
        )

    edge = math.sqrt(1.0 - 1.0 / 1.34**2)
    whole = 0.5 * expn(2, depth) * 4.0 * math.pi
    assert 2.0 * quad(level, -1.0, 1.0)[0] == pytest.approx(whole, rel=1e-4)
    return float(2.0 * quad(level, -1.0, edge)[0] / (2.0 * math.pi * (1.0 + edge)))


@pytest.mark.parametrize("per_m", [0.3, 0.5, 1.0])
def test_before_a_black_wall_comes_what_the_way_to_it_scatters_about(per_m: float) -> None:
    # Every place sends out as much, and a wall hides what lies behind it: exp(-k d / m) of a direction that
    # leads to it, m the cosine from its normal. A mean over all directions but those of Snell's window.
    lit, ways = np.ones(CELLS.shape, np.float32), CELLS.ways(wall(0.2))
    sent, coming = CELLS.lit_about(lit, 0.0, ways, per_m)
    assert_array_equal(sent, 1.0)
    for distance in (1.0, 2.0, 4.0):
        # The middle of the wall's cell is at .25 m.
        found = at(coming, 0.25 - distance, 10.0)
        assert found == pytest.approx(1.0 - from_one_side(per_m * distance), abs=0.05), distance
        assert at(coming, 0.25 + distance, 10.0) == pytest.approx(found, abs=1e-5)


def test_light_lit_beyond_a_wall_does_not_come_through_it_and_does_without_one() -> None:
    dark = np.ones(CELLS.shape, np.float32)
    dark[:, :, :21] = 0.0
    behind = CELLS.lit_about(dark, 0.0, CELLS.ways(wall(0.2)), 0.3)[1]
    assert behind[:, :, :20].max() < 1e-6
    open_water = CELLS.lit_about(dark, 0.0, CELLS.ways(no_parts()), 0.3)[1]
    assert at(open_water, -2.2, 10.0) == pytest.approx(from_one_side(0.3 * 2.5), abs=0.04)


def test_without_things_nothing_is_taken_however_often_light_is_scattered_about() -> None:
    ways = CELLS.ways(no_parts())
    for light in CELLS.lit_about(np.full(CELLS.shape, 0.3, np.float32), 0.7, ways, 0.2):
        assert_allclose(light, 1.0, atol=1e-5)


def test_light_scattered_about_lights_other_such_light() -> None:
    # Lit to the right alone: what is there of such light to the left is lit by such light itself.
    lit = np.zeros(CELLS.shape, np.float32)
    lit[:, :, 20:] = 0.5
    ways = CELLS.ways(no_parts())
    sent, coming = CELLS.lit_about(lit, 0.5, ways, 0.5)
    # Of the edge a quarter of the step goes over to the next cells.
    evened = lit.copy()
    evened[:, :, 19:21] = 0.125, 0.375
    assert_allclose(sent, evened + 0.5 * coming, atol=1e-6)
    across = sent[20, 20]
    assert (np.diff(across) >= -1e-6).all()
    # By symmetry.
    assert_allclose(across + across[::-1], 1.0, atol=0.02)


@pytest.mark.parametrize("distance", [1.0, 2.0, 4.0])
def test_a_wall_beside_a_place_hides_the_sky_up_to_its_top(distance: float) -> None:
    # 6 m high: of a normal lobe what goes less far aside a metre than distance / 6 m is left.
    ways = CELLS.ways(wall(0.2, top_m=4.0))
    light = np.zeros(CELLS.shape, np.float32)
    sky_through(ways, _sky_slopes(SPREAD), light)
    wanted = norm.cdf(distance / 6.0 / SPREAD)
    assert at(light, 0.25 - distance, 10.2) == pytest.approx(wanted, abs=0.07)
    # Above it there is nothing, and far beside it next to nothing.
    assert_allclose(light[:8], 1.0, atol=1e-6)
    assert at(light, -9.0, 6.0) == pytest.approx(1.0, abs=0.01)


def test_all_shares_of_the_skys_light_make_one() -> None:
    slopes = _sky_slopes(SPREAD)
    assert slopes[:, 2].sum() == pytest.approx(1.0, abs=1e-6)
    assert_allclose(slopes[:, :2].T @ slopes[:, 2], 0.0, atol=1e-6)
    assert np.abs(slopes[:, :2]).max() <= 1.0
    # Of a normal lobe's spread along one axis.
    assert math.sqrt((slopes[:, 0] ** 2) @ slopes[:, 2]) == pytest.approx(SPREAD, rel=0.15)


def test_only_what_stands_below_a_top_takes_more_than_tops_do() -> None:
    roof = parts_of(*level_square(3.0, 4.0), 0.05)
    assert CELLS.beside(roof, CELLS.ways(roof), SPREAD) is None
    parts = wall(0.2, top_m=4.0)
    left = CELLS.beside(parts, CELLS.ways(parts), SPREAD)
    assert left is not None
    assert left.max() <= 1.0
    assert at(left, -0.8, 10.2) < 0.8
    assert not keep_uppermost(parts[1])


def level_square(depth_m: float, half_m: float) -> tuple[F32, F32, F32]:
    """Return places, depths and weights of a slab."""
    side = np.arange(-half_m, half_m, 0.05) + 0.025
    x, y = (axis.ravel().astype(np.float32) for axis in np.meshgrid(side, side))
    return np.stack([x, y]), np.full(x.size, depth_m, np.float32), np.ones(x.size, np.float32)


def test_a_thin_thing_hides_what_goes_across_it_and_little_of_what_goes_along() -> None:
    ways = CELLS.ways(wall(0.12))[:, 20, 20]
    # It stands in the first half of its cell.
    assert_array_equal(ways[:3, 20], [1.0, 0.0, 1.0])
    # Its points lie .1 m apart and stand for as much: two of eight marks side by side.
    assert ways[5, 20] == ways[8, 20] == pytest.approx(2.0 / 8.0)
    assert_array_equal(ways[:, 30], 0.0)
    marks, kept = wall(0.12)
    half = CELLS.ways((marks, np.float32(0.5) * kept))
    assert half[2, 20, 20, 20] == pytest.approx(0.5)


def test_a_wall_that_moves_past_cells_goes_over_evenly_and_is_never_open() -> None:
    found = [CELLS.ways(wall(0.2 + 0.01 * number))[:, 20, 20, 18:24] for number in range(60)]
    assert max(float((1.0 - way[2]).prod()) for way in found) == 0.0
    # Of light across it, it is kept in one cell or the next, by and by; of light along, by .1 m.
    across = np.array([way[2] for way in found])
    assert np.abs(np.diff(across, axis=0)).max() < 0.4
    assert np.ptp(across[:, 2:4], axis=0).min() == 1.0
    along = np.array([way[5] for way in found])
    assert 0.1 <= along.max(axis=1).min() <= along.max() < 0.4


def test_a_level_thing_at_the_edge_of_two_parts_has_nothing_below_itself() -> None:
    places, depth, weight = level_square(3.925, 4.0)
    shaken = depth + np.resize(np.array([-1e-3, 1e-3, 0.0], np.float32), depth.size)
    parts = parts_of(places, shaken, weight, 0.05)
    assert (parts[1][2].max(axis=(1, 2)) == 1.0).sum() == 2
    assert CELLS.beside(parts, CELLS.ways(parts), SPREAD) is None


def test_light_evens_out_among_cells_but_not_through_a_wall() -> None:
    lit = np.zeros(CELLS.shape, np.float32)
    lit[:, :, 20:] = 1.0
    still = CELLS.lit_about(lit, 0.0, CELLS.ways(wall(0.2)), 0.3)[0]
    assert_array_equal(still, lit)
    sent = CELLS.lit_about(lit, 0.0, CELLS.ways(no_parts()), 0.3)[0]
    assert_allclose(sent[20, 20, 18:22], [0.0, 0.25, 0.75, 1.0], atol=1e-6)
    assert sent.sum() == pytest.approx(lit.sum(), rel=1e-5)


def test_gaps_between_far_points_of_one_thing_are_closed() -> None:
    places, depth, weight = level_square(3.0, 4.0)
    some = (np.round(places / 0.05 - 0.5).astype(int) % 14 == 0).all(axis=0)
    sparse = places[:, some], depth[some], weight[some]
    assert CELLS.ways(parts_of(*sparse, 0.7))[8, 6, 14:26, 14:26].min() == 1.0
    assert CELLS.ways(parts_of(*sparse, 0.0))[8, 6, 14:26, 14:26].max() < 0.5


def test_what_lies_outside_the_cells_is_in_none() -> None:
    places = np.array([[-10.1, 10.1, 0.0, 0.0, 0.0], [0.0, 0.0, 10.1, -10.1, 0.0]], np.float32)
    marks, kept = parts_of(places, np.array([1, 1, 1, 1, 20.5], np.float32), np.ones(5, np.float32), 0.0)
    assert not marks.any()
    assert not kept.any()


def test_a_thin_post_keeps_of_level_light_as_much_as_it_is_wide() -> None:
    # .12 m of a cell of .5 m, seen from all its sides; marks of a sixteenth of a metre may round that up.
    z = np.arange(2.0, 18.0, 0.02)
    around = np.linspace(-0.06, 0.06, 7)
    sides = [(x, y) for x in around for y in around if max(abs(x), abs(y)) > 0.059]
    x, y = (np.repeat(np.array(part), z.size).astype(np.float32) for part in zip(*sides, strict=True))
    depth = np.tile(z, len(sides)).astype(np.float32)
    places = np.stack([x + np.float32(0.22), y + np.float32(0.22)])
    ways = CELLS.ways(parts_of(places, depth, np.ones_like(depth), 0.02))
    for way in (2, 5):
        assert ways[way, 20, 20, 20] == pytest.approx(0.12 / 0.5, abs=0.14)
    assert ways[8, 20, 20, 20] < 0.15


def test_above_a_floor_light_is_not_hidden_by_it_wherever_in_a_cell_it_lies() -> None:
    # What comes from above to the middle of a cell does not meet a floor that lies below that, however much
    # the cell as a whole keeps; nor does it get through.
    lit = np.ones(CELLS.shape, np.float32)
    below = (CELLS.depths_m > 8.3)[:, np.newaxis, np.newaxis]
    dark = np.where(below, np.float32(0.0), lit)
    x, y = (axis.ravel().astype(np.float32) for axis in np.meshgrid(*[np.arange(-9.98, 10.0, 0.05)] * 2))
    places, gaps = np.stack([x, y]), np.tile(np.array([[0.05], [0.05], [0.0]], np.float32), x.size)
    depth = np.full(x.size, 8.3, np.float32)
    ways = CELLS.ways(CELLS.parts(places, depth, np.ones_like(depth), gaps))
    middle = int(8.3 / CELLS.step_m + 0.15)
    assert 8.0 < CELLS.depths_m[middle] < 8.3
    _, coming = CELLS.lit_about(dark, 0.0, ways, 0.3)
    # From below comes a seventh of it: of directions off Snell's window those that rise, by a lobe of
    # asymmetry .7 about the vertical (tyler1958), and of level ones some are cut short by marks of the floor.
    assert coming[middle, 20, 20] > 0.6
    assert coming[middle + 1, 20, 20] < 0.05
