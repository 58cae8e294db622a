"""Bad pixels are counted always, and repaired as asked."""

from __future__ import annotations

import numpy as np
import pytest

from halocline._typing import F32
from halocline.imaging.repair import BadPixels, Policy, repair


def picture() -> tuple[F32, F32]:
    rgb = np.full((3, 20, 30), 0.5, np.float32)
    rgb[0, 4, 5] = np.nan
    rgb[1, 4, 6] = np.inf
    rgb[2, 10, 10] = -0.25
    rgb[:, 15, 15] = -np.inf
    return rgb, np.ones((20, 30), np.float32)


@pytest.mark.parametrize("policy", ["report", "clamp", "inpaint"])
def test_bad_pixels_are_counted_whatever_the_policy(policy: Policy) -> None:
    rgb, alpha = picture()
    assert repair(rgb, alpha, policy) == BadPixels(nan=1, infinite=2, negative=1)


def test_reporting_changes_nothing() -> None:
    rgb, alpha = picture()
    repair(rgb, alpha, "report")
    np.testing.assert_array_equal(rgb, picture()[0])


def test_clamping_gives_finite_light_that_is_not_negative() -> None:
    rgb, alpha = picture()
    repair(rgb, alpha, "clamp")
    assert (rgb[0, 4, 5], rgb[1, 4, 6], rgb[2, 10, 10], rgb[0, 15, 15]) == (0, 65504, 0, 0)


def test_inpainting_takes_the_mean_of_sound_neighbours() -> None:
    rgb, alpha = picture()
    repair(rgb, alpha, "inpaint")
    np.testing.assert_allclose(rgb[:, 4, 4:8], 0.5)
    np.testing.assert_allclose(rgb[:, 15, 15], 0.5)
    np.testing.assert_array_equal(alpha, 1)


def test_a_large_hole_is_filled_ring_by_ring_and_never_left_bad() -> None:
    rgb = np.full((3, 40, 40), 2.0, np.float32)
    rgb[:, 5:35, 5:35] = np.nan
    repair(rgb, None, "inpaint")
    assert np.isfinite(rgb).all()
    np.testing.assert_allclose(rgb[:, 5:10, 5:35], 2.0, rtol=1e-6)


def test_a_sound_picture_is_left_alone() -> None:
    rgb, alpha = np.full((3, 4, 4), 0.5, np.float32), np.ones((4, 4), np.float32)
    assert not repair(rgb, alpha, "clamp").any()
