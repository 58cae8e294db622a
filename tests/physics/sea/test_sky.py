"""The sky and Snell's window."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from halocline._typing import F32
from halocline.physics.sea.sky import look_up_through, seen_from_below, sky_over
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
