"""What a picture's values tell."""

from __future__ import annotations

import numpy as np
import pytest

from halocline._typing import F32
from halocline.imaging.picture_statistics import beauty_statistics, count_below_zero, premultiplication_told


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


def lit(brightest: float) -> F32:
    """Light as of a picture: many values far below its brightest (log-normal, as albedo times light is)."""
    random = np.random.default_rng(7)
    rgb = random.lognormal(-2.2, 1.0, (3, 80, 100)).astype(np.float32)
    return np.minimum(rgb, np.float32(brightest))


def test_light_that_is_cut_off_at_1_is_told() -> None:
    alpha = np.ones((80, 100), np.float32)
    (told,) = beauty_statistics(lit(1.0), alpha).encoding_warnings()
    assert told.startswith(f"the beauty is cut off at 1: {np.mean(lit(99.0).max(axis=0) > 1.0):.2%} of what")
    # Brighter light; a picture that ends elsewhere; an even white of 1 before dark things.
    assert beauty_statistics(lit(9.0), alpha).encoding_warnings() == []
    assert beauty_statistics(lit(0.8), alpha).encoding_warnings() == []
    card = np.minimum(lit(0.7), np.float32(0.7))
    card[:, :20, :30] = 1.0
    assert beauty_statistics(card, alpha).encoding_warnings() == []
    # A few lamps beyond; hardly a pixel at 1.
    lamps, one = lit(1.0), lit(0.97)
    lamps[:, 3, :10], one[:, 3, 3] = 5.0, 1.0
    assert beauty_statistics(lamps, alpha).encoding_warnings() == []
    assert beauty_statistics(one, alpha).encoding_warnings() == []
    # What is not covered is not looked at.
    behind = lit(0.7)
    behind[:, :40] = lit(1.0)[:, :40]
    alpha[:40] = 0.0
    assert beauty_statistics(behind, alpha).encoding_warnings() == []


@pytest.mark.parametrize("premultiplied", [True, False])
@pytest.mark.parametrize("stated", [True, False])
@pytest.mark.parametrize("rim", [1.0, 2.5])
def test_edges_tell_whether_colour_is_premultiplied(premultiplied: bool, stated: bool, rim: float) -> None:
    """By how light at edges goes with alpha, which a bright rim does not change."""
    random = np.random.default_rng(5)
    alpha = np.ones((40, 200), np.float32)
    alpha[10] = random.uniform(0.1, 0.6, 200)
    alpha[:10] = 0.0
    rgb = random.uniform(0.3, 0.5, (3, 40, 200)).astype(np.float32)
    rgb[:, 10] *= rim
    in_file = rgb * alpha if premultiplied else rgb * (alpha > 0.0)
    told, sure = premultiplication_told(in_file if stated else in_file * alpha, alpha, stated=stated)
    if premultiplied is stated:
        assert not sure
    if rim == 1.0:
        assert bool(told) is sure is (premultiplied is not stated)


def test_a_few_edges_or_noisy_ones_are_not_sure() -> None:
    for seed in range(12):
        random = np.random.default_rng(seed)
        for edges, noise in ((14, 0.0), (40, 1.0)):
            alpha = np.ones((8, edges), np.float32)
            alpha[3], alpha[:3] = random.uniform(0.1, 0.6, edges), 0.0
            rgb = np.full((3, 8, edges), 0.4, np.float32) * (alpha > 0.0)
            rgb[:, 3] *= random.lognormal(0.0, noise, edges)
            assert not premultiplication_told(rgb.astype(np.float32), alpha, stated=True)[1]
