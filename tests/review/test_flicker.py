"""Flicker is told from motion."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from halocline.imaging.colour import U8
from halocline.review.flicker import FlickerCheck, luma

ROWS, COLUMNS = 135, 240


def scene(frame: int, *, speed: float = 2.0, gain: float = 1.0) -> U8:
    """A textured picture that moves: soft blobs of several sizes, as rocks in water are."""
    y, x = np.mgrid[0:ROWS, 0:COLUMNS].astype(np.float64)
    x = x + speed * frame
    value = 0.4 + 0.12 * np.sin(x / 7.0) * np.cos(y / 9.0) + 0.1 * np.sin(x / 23.0 + y / 17.0)
    value += 0.05 * np.sin(x / 2.9 + 0.3 * y)
    codes: U8 = np.clip(np.rint(255 * gain * value), 0, 255).astype(np.uint8)
    return codes


def flagged(pictures: Callable[[int], U8], frames: int = 24) -> list[int]:
    check = FlickerCheck()
    for frame in range(1001, 1001 + frames):
        check.add(frame, pictures(frame))
    assert len(check.departures()) == frames - 2
    return [each.frame for each in check.flickering()]


@pytest.mark.parametrize("speed", [0.0, 1.0, 3.5])
def test_steady_motion_is_no_flicker(speed: float) -> None:
    assert flagged(lambda frame: scene(frame, speed=speed)) == []


def test_a_slow_change_of_light_is_no_flicker() -> None:
    assert flagged(lambda frame: scene(frame, gain=1.0 + 0.01 * (frame - 1001))) == []


def test_one_frame_of_another_brightness_is_found() -> None:
    found = flagged(lambda frame: scene(frame, gain=1.06 if frame == 1010 else 1.0))
    assert 1010 in found
    assert set(found) <= {1009, 1010, 1011}


def test_brightness_that_alternates_on_every_frame_is_found() -> None:
    assert len(flagged(lambda frame: scene(frame, gain=1.0 + 0.04 * (frame % 2)))) >= 20


def test_a_jump_between_two_chunks_is_found_where_it_is() -> None:
    found = flagged(lambda frame: scene(frame, gain=1.0 if frame < 1013 else 0.9))
    assert set(found) == {1012, 1013}


def test_a_light_that_blinks_in_one_corner_is_found() -> None:
    def picture(frame: int) -> U8:
        codes = scene(frame)
        if frame == 1015:
            codes[10:24, 20:44] = 255
        return codes

    found = flagged(picture)
    assert 1015 in found
    assert set(found) <= {1014, 1015, 1016}


def test_a_frame_out_of_place_is_found() -> None:
    """Frame 1012 shows what belongs twenty frames later: the mean is the same, the picture is not."""
    found = flagged(lambda frame: scene(frame + (40 if frame == 1012 else 0), speed=3.0))
    assert 1012 in found


def test_luma_is_that_of_the_display() -> None:
    pixels = np.array([[[255, 0, 0], [0, 255, 0], [0, 0, 255]]], np.uint8)
    np.testing.assert_array_equal(luma(pixels), [[76, 150, 29]])
