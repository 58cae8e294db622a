"""Turns between two moments, against SciPy's rotation vectors."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from halocline._typing import F64
from halocline.imaging.camera_track import turn_between


def expected(first: Rotation, last: Rotation, share: float) -> F64:
    """Return what SciPy makes of it (computed): a share of the rotation vector from one to the other."""
    turned: F64 = (first * Rotation.from_rotvec(share * (first.inv() * last).as_rotvec())).as_matrix()
    return turned


@pytest.mark.parametrize("share", [-0.5, 0.0, 0.3, 1.0, 1.75])
def test_turns_are_those_of_scipy_on_and_beyond_the_way(share: float) -> None:
    random = np.random.default_rng(7)
    for _ in range(200):
        first = Rotation.random(random_state=random)
        # From nearly nothing to nearly half a turn, about any axis: each way of finding it is taken.
        angle = 10.0 ** random.uniform(-9.0, 0.0) * 3.1
        last = first * Rotation.from_rotvec(angle * Rotation.random(random_state=random).apply([0, 0, 1]))
        made = turn_between(first.as_matrix(), last.as_matrix(), share)
        np.testing.assert_allclose(made, expected(first, last, share), atol=1e-14)
        np.testing.assert_allclose(made @ made.T, np.eye(3), atol=1e-14)


@pytest.mark.parametrize("axis", [[1, 0, 0], [0, 1, 0], [0, 0, 1], [0.6, 0.0, -0.8], [-0.48, 0.6, 0.64]])
def test_large_turns_about_any_axis_keep_their_sense(axis: list[float]) -> None:
    for degrees in (90.0, 120.0, 179.9, -90.0, -179.9):
        last = Rotation.from_rotvec(np.radians(degrees) * np.array(axis))
        half = Rotation.from_rotvec(np.radians(degrees / 2) * np.array(axis)).as_matrix()
        np.testing.assert_allclose(turn_between(np.eye(3), last.as_matrix(), 0.5), half, atol=1e-12)


def test_a_camera_that_does_not_turn_stays_as_it_is() -> None:
    first = Rotation.from_euler("YXZ", [20.0, -35.0, 3.0], degrees=True).as_matrix()
    for share in (-1.0, 0.5, 2.0):
        np.testing.assert_allclose(turn_between(first, first.copy(), share), first, atol=1e-15)
    assert np.array_equal(turn_between(np.eye(3), np.eye(3), 3.0), np.eye(3))
