"""What a picture's values tell."""

from __future__ import annotations

import numpy as np

from halocline.imaging.picture_statistics import count_below_zero


def test_pixels_below_zero_are_those_of_numpys_own_count() -> None:
    """By the least and the largest of each pixel's channels; rounding below 0 is none."""
    random = np.random.default_rng(3)
    rgb = random.normal(0.4, 0.4, (3, 5000)).astype(np.float32)
    rgb[:, :200] = random.uniform(-0.002, 0.0, (3, 200)) * np.array([[1.0], [0.0], [0.0]])
    rgb[1, :200] = 1.0
    exact = rgb.min(axis=0) < -0.005 * np.abs(rgb.max(axis=0))
    assert 500 < exact.sum() < 2500
    assert not exact[:200].any()
    assert count_below_zero(rgb[0], rgb[1], rgb[2], np.float32(0.005)) == exact.sum()


def test_what_is_no_number_is_not_below_zero() -> None:
    nothing = np.full(1, np.nan, np.float32)
    assert count_below_zero(nothing, nothing, nothing, np.float32(0.005)) == 0
