"""Glows have the range of what they glow around, without seams."""

from __future__ import annotations

import numpy as np
import pytest

from halocline.imaging.glows import find_glows, glow_range


def test_between_two_surfaces_the_range_of_a_glow_goes_over_without_a_seam() -> None:
    alpha = np.zeros((60, 120), np.float32)
    alpha[:, :10] = alpha[:, -10:] = 1.0
    range_m = np.full(alpha.shape, np.inf, np.float32)
    range_m[:, :10], range_m[:, -10:] = 3.0, 10.0
    rgb = np.full((3, *alpha.shape), 0.5, np.float32)
    glows = find_glows(rgb, alpha)
    np.testing.assert_array_equal(glows, alpha == 0)
    found = np.full(alpha.shape, np.nan, np.float32)
    found[glows] = glow_range(rgb, alpha, range_m, glows)
    row = found[30, 10:-10]
    assert (np.diff(row) > 0).all()
    assert np.diff(row).max() < 0.05 * 7.0
    assert row[0] == pytest.approx(3.0, abs=0.5)
    assert row[-1] == pytest.approx(10.0, abs=0.5)
    assert row[len(row) // 2] == pytest.approx(6.5, abs=0.2)


def test_a_glow_is_the_brighter_things_own() -> None:
    alpha = np.zeros((60, 120), np.float32)
    alpha[:, :10] = alpha[:, -10:] = 1.0
    range_m = np.where(alpha > 0, np.float32(10.0), np.float32(np.inf))
    range_m[:, :10] = 3.0
    rgb = np.full((3, *alpha.shape), 0.1, np.float32)
    rgb[:, :, :10] = 10.0
    glows = find_glows(rgb, alpha)
    assert np.median(glow_range(rgb, alpha, range_m, glows)) < 4.0


def test_alone_in_the_picture_a_glow_is_right_before_the_lens() -> None:
    rgb, alpha = np.ones((3, 4, 6), np.float32), np.zeros((4, 6), np.float32)
    found = glow_range(rgb, alpha, np.full((4, 6), np.inf, np.float32), find_glows(rgb, alpha))
    np.testing.assert_array_equal(found, np.full(24, 0.1, np.float32))


def test_noise_and_covered_light_are_no_glows() -> None:
    rgb = np.full((3, 2, 2), 1e-6, np.float32)
    assert not find_glows(rgb, np.zeros((2, 2), np.float32)).any()
    assert not find_glows(np.ones_like(rgb), np.full((2, 2), 0.01, np.float32)).any()
