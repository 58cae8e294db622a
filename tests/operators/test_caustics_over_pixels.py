"""Caustics where a pixel covers a long, narrow stretch of a surface, against the mean of many samples.

The truth is the same step on 8 x 8 samples a pixel, averaged: no model of ours but the field itself.
"""

from __future__ import annotations

import numpy as np
import pytest
from tests.operators.scene import made

from halocline._typing import F32
from halocline.imaging.camera import Camera, pinhole
from halocline.imaging.frame import Frame, Window
from halocline.operators.shared.pixel_stretch import CameraMotion, stretches

SAMPLES = 8
COARSE = Window(0, 0, 64, 40)
FINE = Window(0, 0, 64 * SAMPLES, 40 * SAMPLES)
LOOK = """
[light]
sun_elevation = 60
[sea]
wind = 3
[steps.caustics]
"""
LENS_OVER_FLOOR_M = 1.2


def lens(window: Window) -> Camera:
    """A lens that looks down by 12 degrees, so that the floor fills the picture at 3 to 60 m."""
    pitch = np.radians(-12.0)
    matrix = np.eye(4)
    matrix[1:3, 1:3] = [[np.cos(pitch), -np.sin(pitch)], [np.sin(pitch), np.cos(pitch)]]
    return pinhole(window, focal_length_mm=60.0, film_width_mm=36.0, camera_to_world=matrix)


def floor(window: Window) -> Frame:
    """A level floor of even light."""
    down = -lens(window).component(window, np.array([0.0, 1.0, 0.0]))
    range_m = (LENS_OVER_FLOOR_M / down).astype(np.float32)
    ones, none = np.ones(window.shape, np.float32), np.zeros(window.shape, np.float32)
    planes = {
        "rgb": np.stack([ones] * 3),
        "alpha": ones,
        "range": range_m,
        "normal": np.stack([none, ones, none]),
    }
    return Frame(planes, window, window)


def gain(window: Window) -> F32:
    return made(LOOK, floor(window), lens(window), wanted=("caustic_gain",))["caustic_gain"]


@pytest.fixture(scope="module")
def gains() -> tuple[F32, F32]:
    """The pattern of pixels, and the mean of that of their samples."""
    fine = gain(FINE)
    rows, columns = COARSE.shape
    truth = fine.reshape(-1, rows, SAMPLES, columns, SAMPLES).mean(axis=(2, 4), dtype=np.float64)
    return gain(COARSE), truth.astype(np.float32)


def test_a_long_pixel_has_the_mean_of_its_samples(gains: tuple[F32, F32]) -> None:
    """Within 15 % of the pattern's own variation (11 % measured); one square mean a pixel misses by 30 %."""
    pixels, truth = gains
    assert truth.std() > 0.05
    assert (pixels - truth).std() < 0.15 * truth.std()


def test_light_is_neither_gained_nor_lost(gains: tuple[F32, F32]) -> None:
    """The mean over the picture is that of the samples, within half a per cent."""
    pixels, truth = gains
    np.testing.assert_allclose(pixels.mean(), truth.mean(), rtol=0.005)


@pytest.mark.parametrize("number", [0.0, np.nan, np.inf])
def test_a_normal_that_is_no_direction_stretches_no_pixel(number: float) -> None:
    """The pattern is read at places that are known, whatever a render's normals hold."""
    frame = floor(COARSE)
    frame.planes["normal"][...] = number
    camera, ranges = lens(COARSE), frame.planes["range"].ravel()
    x, y, z = camera.directions(COARSE).reshape(3, -1)
    none = np.zeros((3, 3), np.float32)
    still = CameraMotion(none[0], none, none, frames=0.5)
    found = stretches(
        (x, -z, -y),
        frame.planes["normal"].reshape(3, -1),
        np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, -1.0, 0.0]]),
        ranges,
        0.001,
        np.ones_like(ranges),
        still,
    )
    np.testing.assert_allclose(found.along, 0.0, atol=1e-6)
    np.testing.assert_allclose(found.width, ranges * 0.001, rtol=1e-5)
