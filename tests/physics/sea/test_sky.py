"""The sky and Snell's window."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from halocline._typing import F32
from halocline.physics.sea.sky import Sky, drawn_in, look_up_over, look_up_through, seen_from_below, sky_over
from halocline.physics.sea.surface import SUN_RADIUS_RAD, SunBeam

SUN = SunBeam(math.radians(40.0), 0.3, 1.34)


def upward(angle_rad: np.ndarray, azimuth: float = 0.0) -> F32:
    """View rays at angles from the upward vertical, ``(3, 1, n)``."""
    level = np.sin(angle_rad)
    rays = np.stack([level * math.cos(azimuth), level * math.sin(azimuth), -np.cos(angle_rad)])
    return rays[:, None, :].astype(np.float32)


@pytest.mark.parametrize("sun_share", [0.0, 0.3, 0.7])
def test_sky_and_sun_together_light_the_sea_with_one(sun_share: float) -> None:
    sky = sky_over(SUN, sun_share=sun_share)
    zenith = (np.arange(900) + 0.5) / 900 * math.pi / 2
    azimuth = (np.arange(1440) + 0.5) / 1440 * 2 * math.pi
    cos_zenith = np.broadcast_to(np.cos(zenith)[:, None], (900, 1440)).astype(np.float32)
    from_sun = np.cos(zenith)[:, None] * math.cos(SUN.zenith_rad) + np.sin(zenith)[:, None] * math.sin(
        SUN.zenith_rad
    ) * np.cos(azimuth - SUN.azimuth_rad)
    radiance = sky.radiance(cos_zenith, from_sun.astype(np.float32), sun_spread=0.03)
    weight = np.cos(zenith) * np.sin(zenith) * (math.pi / 2 / 900) * (2 * math.pi / 1440)
    assert float((radiance.astype(np.float64).sum(axis=1) * weight).sum()) == pytest.approx(1.0, rel=0.01)


def test_the_brightest_place_of_a_sunny_sky_is_the_sun() -> None:
    sky = sky_over(SUN, sun_share=0.7)
    cosines = np.cos(np.linspace(0.0, math.pi / 2, 50)).astype(np.float32)
    radiance = sky.radiance(np.full(50, math.cos(SUN.zenith_rad), np.float32), cosines, sun_spread=0.01)
    assert radiance.argmax() == 0
    assert radiance[0] > 100 * radiance[1]


def test_outside_the_window_all_is_reflected_and_inside_almost_nothing() -> None:
    angle = np.radians(np.array([0.0, 20.0, 45.0, 48.2, 48.4, 60.0, 85.0]))
    window = look_up_through(upward(angle), np.zeros((2, 1, 7), np.float32), SUN)
    assert (window.reflectance[0, :2] < 0.03).all()
    assert window.reflectance[0, 2] < 0.2
    assert window.reflectance[0, 3] < 1.0
    assert_allclose(window.reflectance[0, 4:], 1.0)
    seen = seen_from_below(window, sky_over(SUN, sun_share=0.0), sun_spread=0.01)
    assert (seen[0, :4] > 0).all()
    assert_allclose(seen[0, 4:], 0.0)


def test_the_mirrored_ray_goes_down_as_steeply_as_the_view_goes_up() -> None:
    rays = upward(np.radians(np.array([60.0])), azimuth=0.9)
    mirrored = look_up_through(rays, np.zeros((2, 1, 1), np.float32), SUN).mirrored
    assert_allclose(mirrored[:, 0, 0], rays[:, 0, 0] * [1, 1, -1], atol=1e-6)


def test_looking_back_along_the_beam_finds_the_sun() -> None:
    towards = np.array([-SUN.drift[0], -SUN.drift[1], -1.0])
    rays = (towards / np.linalg.norm(towards)).astype(np.float32)[:, None, None]
    window = look_up_through(rays, np.zeros((2, 1, 1), np.float32), SUN)
    assert math.acos(min(1.0, float(window.cos_sun[0, 0]))) < 0.1 * SUN_RADIUS_RAD + 1e-3
    assert window.cos_zenith[0, 0] == pytest.approx(math.cos(SUN.zenith_rad), abs=1e-5)


def test_a_slope_moves_the_window_by_more_than_itself() -> None:
    flat = look_up_through(upward(np.array([0.3])), np.zeros((2, 1, 1), np.float32), SUN)
    tilted = look_up_through(upward(np.array([0.3])), np.full((2, 1, 1), 0.1, np.float32), SUN)
    assert abs(float(flat.cos_zenith[0, 0] - tilted.cos_zenith[0, 0])) > 0.01


def test_bright_light_is_drawn_in_with_its_hue_and_the_rest_is_left_to_the_bit() -> None:
    light = np.array([[0.1, 1.0, 3.0, 4e4], [0.2, 0.5, 6.0, 1e4]], np.float32)
    most = np.array([4.0, 4.0])
    drawn = drawn_in(light, most)
    assert_array_equal(drawn[:, :2], light[:, :2])
    assert_allclose(drawn[0] / drawn[1], light[0] / light[1], rtol=1e-6)
    # A share of 1.5 becomes 1 - 1/6.
    assert drawn[1, 2] == pytest.approx(4.0 * (1.0 - 1.0 / 6.0), rel=1e-6)
    assert drawn.max() < 4.0
    ramp = np.linspace(0.0, 40.0, 4001, dtype=np.float32)[np.newaxis]
    steps = np.diff(drawn_in(ramp, np.array([4.0]))[0])
    assert (steps > 0).all()
    assert np.abs(np.diff(steps)).max() < 2e-4


def test_a_wider_image_of_the_sun_sends_as_much_light() -> None:
    sky = sky_over(SUN, sun_share=0.7)
    angle = np.linspace(0.0, 0.5, 20001)
    cosine = np.cos(angle).astype(np.float32)
    height = np.full_like(cosine, math.cos(SUN.zenith_rad))
    per_sun = []
    spreads: list[F32 | float] = [0.005, 0.02, np.full_like(cosine, 0.06)]
    for spread in spreads:
        extra = sky.radiance(height, cosine, sun_spread=spread) - sky_only(sky, height, cosine)
        per_sun.append(2 * math.pi * np.trapezoid(extra * np.sin(angle), angle))
    assert_allclose(per_sun, 0.7 / math.cos(SUN.zenith_rad), rtol=5e-3)


def sky_only(sky: Sky, height: F32, cosine: F32) -> F32:
    """The sky without its sun: a sun so wide that it is nowhere."""
    return sky.radiance(height, cosine, sun_spread=1e6)


def test_hidden_waves_give_the_mean_of_what_they_would_have_shown() -> None:
    # Against the plain average over many slopes drawn from the same distribution.
    rng = np.random.default_rng(6)
    sky = sky_over(SUN, sun_share=0.0)
    views = upward(np.radians(np.linspace(20.0, 75.0, 45)))
    hidden = 0.01
    slopes = np.zeros((3, 1, 45), np.float32)
    slopes[2] = hidden
    above, window = look_up_over(views, slopes, sky, sun_variance=1e-4)
    drawn = rng.normal(0.0, math.sqrt(hidden / 2), (2, 4000, 45)).astype(np.float32)
    each = look_up_through(np.broadcast_to(views, (3, 4000, 45)), drawn, SUN)
    truth = seen_from_below(each, sky, sun_spread=0.01).mean(axis=0)
    assert np.abs(above[0] - truth).max() < 0.12 * truth.max()
    assert above[0].mean() == pytest.approx(truth.mean(), rel=0.02)
    assert np.abs(window.reflectance[0] - each.reflectance.mean(axis=0)).max() < 0.18
    assert window.reflectance[0].mean() == pytest.approx(each.reflectance.mean(), abs=0.01)


def test_where_nothing_is_hidden_all_is_as_of_one_slope_to_the_bit() -> None:
    sky = sky_over(SUN, sun_share=0.5)
    views = upward(np.radians(np.linspace(5.0, 80.0, 30)))
    slopes = np.zeros((3, 1, 30), np.float32)
    slopes[0] = 0.1
    above, window = look_up_over(views, slopes, sky, sun_variance=4e-4)
    one = look_up_through(views, slopes[:2], SUN)
    assert_array_equal(window.reflectance, one.reflectance)
    assert_allclose(above, seen_from_below(one, sky, sun_spread=0.02), rtol=1e-6)
