"""Motion vectors as they are told to be read, held against the cameras' own way.

The truth is projection: OpenCV's `projectPoints` and the camera's own agree by tests/imaging.
"""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
import pytest

from halocline._typing import F32
from halocline.errors import ChannelError
from halocline.imaging.camera import Camera, pinhole
from halocline.imaging.frame import Window
from halocline.imaging.motion import MotionVectors

WINDOW = Window(0, 0, 80, 40)
WINDOWS = (WINDOW, WINDOW)
READINGS = [
    {"unit": unit, "points": points, "up": up}
    for unit, points, up in product(("px", "fraction"), ("to_next", "to_last"), (True, False))
]


def camera(at: float) -> Camera:
    """A lens that goes aside and sinks: still things go to the left and upward."""
    matrix = np.eye(4)
    matrix[:3, 3] = 0.2 * at, -0.05 * at, 0.0
    return pinhole(WINDOW, focal_length_mm=30.0, film_width_mm=36.0, camera_to_world=matrix)


def ranges() -> F32:
    """Distances of 3 to 5 m, and open water on one side."""
    range_m = np.broadcast_to(np.linspace(3.0, 5.0, WINDOW.width, dtype=np.float32), WINDOW.shape).copy()
    range_m[:, :8] = np.inf
    return range_m


def vectors() -> F32:
    """What moves in pixels from frame to frame, right and down, as the camera goes."""
    seen = np.where(np.isfinite(ranges()), ranges(), 1.0).astype(np.float64)
    points = camera(0.0).directions(WINDOW).astype(np.float64) * seen
    here, there = (camera(at).project(points.reshape(3, -1).T)[0] for at in (0.0, 1.0))
    moved: F32 = (there - here).T.reshape(2, *WINDOW.shape).astype(np.float32)
    moved[:, ~np.isfinite(ranges())] = 0.0
    return moved


def delivered(how: dict[str, Any]) -> F32:
    """The same as a renderer of that habit writes it; steps are short, so the last is like the next."""
    size = np.array([WINDOW.width, WINDOW.height] if how["unit"] == "fraction" else [1.0, 1.0])
    scale = (1.0 if how["points"] == "to_next" else -1.0) / size
    scale[1] *= -1.0 if how["up"] else 1.0
    plane: F32 = (vectors() * scale[:, None, None]).astype(np.float32)
    return plane


@pytest.mark.parametrize("how", READINGS, ids=str)
def test_vectors_of_all_habits_become_pixels_right_and_down(how: dict[str, Any]) -> None:
    found = MotionVectors("v", **how).pixels(delivered(how), WINDOW)
    np.testing.assert_allclose(found, vectors(), rtol=1e-5, atol=1e-5)


@pytest.mark.parametrize("how", READINGS, ids=str)
def test_what_cameras_say_finds_how_vectors_are_to_be_read(how: dict[str, Any]) -> None:
    stated = MotionVectors("v")
    verdict = stated.judged(delivered(how), ranges(), (camera(0.0), camera(1.0)), WINDOWS)
    right = how == {"unit": "px", "points": "to_next", "up": True}
    assert verdict.doubted is not right
    if not right:
        texts = {
            "unit": f'input.motion.unit = "{how["unit"]}"',
            "points": f'input.motion.points = "{how["points"]}"',
            "up": "input.motion.up = false",
        }
        for key, text in texts.items():
            assert (text in verdict.text) is (how[key] != getattr(stated, key)), verdict.text


def test_vectors_of_nothing_in_the_picture_are_told() -> None:
    plane = np.random.default_rng(2).normal(0.0, 5.0, (2, *WINDOW.shape)).astype(np.float32)
    verdict = MotionVectors("v").judged(plane, ranges(), (camera(0.0), camera(1.0)), WINDOWS)
    assert verdict.doubted
    assert 'is "v" the right layer?' in verdict.text


def test_a_camera_that_stands_still_tells_nothing() -> None:
    verdict = MotionVectors("v").judged(vectors(), ranges(), (camera(0.0), camera(0.0)), WINDOWS)
    assert not verdict.doubted
    assert "nothing to compare" in verdict.text


def test_one_channel_is_no_vector_and_no_number_is_no_motion() -> None:
    with pytest.raises(ChannelError) as caught:
        MotionVectors("v").pixels(np.zeros(WINDOW.shape, np.float32), WINDOW)
    assert caught.value.code == "E-MOTION-CHANNELS"
    assert "input.motion.layer" in str(caught.value)
    plane = np.full((2, *WINDOW.shape), np.nan, np.float32)
    assert not MotionVectors("v").pixels(plane, WINDOW).any()
