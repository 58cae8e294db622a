"""Planes in which the uppermost things of a map lie."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from halocline.physics.sea.own_surface import own_surfaces

NOWHERE = np.float32(np.inf)
ROWS, COLUMNS = np.mgrid[0:12, 0:12].astype(np.float32)


def test_a_plane_is_found_as_it_falls_and_to_its_edges() -> None:
    # Cells hold the highest of what is in them: the plane in a middle is half of both falls deeper.
    top = (2.0 + 0.3 * COLUMNS - 0.1 * ROWS).astype(np.float32)
    top[:, 9:], top[:2] = NOWHERE, NOWHERE
    rise, across, down, unsure = own_surfaces(top, 0.2, None)[:, 2:, :9]
    assert_allclose(across, 0.3, atol=1e-5)
    assert_allclose(down, -0.1, atol=1e-5)
    assert_allclose(rise, 0.2, atol=1e-5)
    assert_allclose(unsure[2:-2, 2:-2], 0.0, atol=1e-5)


@pytest.mark.parametrize("beyond_m", [NOWHERE, np.float32(1.7), np.float32(6.0)])
def test_a_roof_is_level_up_to_its_edge_whatever_is_beside_it(beyond_m: np.float32) -> None:
    top = np.full((12, 12), beyond_m)
    top[:, :6] = 1.2
    planes = own_surfaces(top, 0.2, None)
    assert_array_equal(planes[:3, :, :6], 0.0)
    assert_array_equal(planes[3, :, :6], 0.0)


def test_of_a_round_thing_and_of_one_cell_by_itself_little_is_known() -> None:
    far = (COLUMNS - 5.5) ** 2 + (ROWS - 5.5) ** 2
    ball = np.where(far < 24.5, 3.0 - 0.2 * np.sqrt(np.maximum(25.0 - far, 0.0)), NOWHERE).astype(np.float32)
    unsure = own_surfaces(ball, 0.2, None)[3]
    # On the crown a sphere of five cells turns by a fifth of a cell from cell to cell; along its edge no more
    # than a cell and a half is ever taken.
    assert 0.05 < unsure[5, 5] < 0.2
    assert unsure[5, 10] == pytest.approx(0.3)
    alone = np.full((12, 12), NOWHERE)
    alone[4, 7] = 2.0
    assert own_surfaces(alone, 0.2, None)[3, 4, 7] == pytest.approx(0.25)


def test_what_is_seen_from_below_has_no_plane_but_may_be_deeper() -> None:
    top = (2.0 + 0.1 * COLUMNS).astype(np.float32)
    above, below = (own_surfaces(top, 0.2, (6.0, 6.0, depth)) for depth in (2.5, 2.8))
    assert_array_equal(above, own_surfaces(top, 0.2, None))
    assert_array_equal(below[:3], 0.0)
    assert_allclose(below[3, 5, 5], 0.25, atol=1e-5)
    # A level roof hides all that is below it, however near.
    assert_array_equal(own_surfaces(np.full((12, 12), np.float32(1.2)), 0.2, (6.0, 6.0, 2.5)), 0.0)


def test_where_nothing_is_all_is_nothing() -> None:
    assert_array_equal(own_surfaces(np.full((12, 12), NOWHERE), 0.2, None), 0.0)


def test_what_bends_more_than_half_before_its_edge_is_not_taken_to_go_on() -> None:
    top = np.full((12, 12), NOWHERE)
    top[:, 3], top[:, 4], top[:, 5] = 2.0, 2.02, 2.12
    _, across, _, unsure = own_surfaces(top, 0.2, None)
    assert_array_equal(across[:, 5], 0.0)
    # Two and a half times the .1 m to its one neighbour.
    assert_allclose(unsure[2:-2, 5], 0.25, atol=1e-5)
