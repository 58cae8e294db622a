"""Cameras between two moments, their turns against SciPy's rotation vectors."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from halocline._typing import F64
from halocline.imaging.camera import Camera, pinhole
from halocline.imaging.camera_track import CameraTrack, blend, turn_between
from halocline.imaging.frame import Window

WINDOW = Window(0, 0, 40, 30)


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


def seen_from(metres: float, *, focal_mm: float = 30.0, shift_mm: float = 0.0) -> Camera:
    matrix = np.eye(4)
    matrix[0, 3] = metres
    return pinhole(
        WINDOW,
        focal_length_mm=focal_mm,
        film_width_mm=36.0,
        film_offset_mm=(shift_mm, 0.0),
        camera_to_world=matrix,
    )


def test_a_track_goes_straight_between_the_two_moments_around_and_on_beyond_the_last() -> None:
    track = CameraTrack({1.0: seen_from(0.0), 2.0: seen_from(1.0), 4.0: seen_from(9.0)})
    for frame, metres in ((1.5, 0.5), (2.0, 1.0), (3.0, 5.0), (5.0, 13.0), (0.0, -1.0)):
        assert track.at(frame).position_m[0] == pytest.approx(metres)


def test_lens_and_its_axis_in_the_picture_move_with_the_camera() -> None:
    """Shares of the way by hand: a film shift of 3.6 mm on 36 mm is a tenth of 40 pixels."""
    first, last = seen_from(0.0), seen_from(2.0, focal_mm=60.0, shift_mm=3.6)
    half = blend(first, last, 0.5)
    assert half.centre_px == pytest.approx((18.0, 15.0))
    assert half.focal_length_mm == pytest.approx(45.0)
    assert half.tangent_per_px == pytest.approx(((0.03 + 0.015) / 2.0,) * 2)
    assert half.position_m == pytest.approx([1.0, 0.0, 0.0])
