"""Bad pixels are counted always, and repaired as asked."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import OpenEXR
import pytest

from halocline._typing import F32
from halocline.imaging.input_spec import InputSpec
from halocline.imaging.load import load
from halocline.imaging.repair import BadPixels, Policy, repair, sound_guides


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


def test_mattes_and_normals_are_made_sound_and_told() -> None:
    """A matte is coverage, 0 to 1; a little overshoot of a filter is held without a word."""
    matte = np.array([[np.nan, -0.2, 0.5, 1.005, 2.0]], np.float32)
    soft = np.array([[-0.004, 0.3, 1.006]], np.float32)
    normal = np.zeros((3, 1, 2), np.float32)
    normal[1] = 1.0
    normal[2, 0, 1] = np.nan
    told = sound_guides({"matte.arch": matte, "matte.soft": soft, "normal": normal, "rgb": matte})
    assert matte.tolist() == [[0.0, 0.0, 0.5, 1.0, 1.0]]
    assert soft.min() == 0.0
    assert soft.max() == 1.0
    assert normal[:, 0].T.tolist() == [[0.0, 1.0, 0.0], [0.0, 0.0, 0.0]]
    assert len(told) == 2
    assert "matte.arch: 1 not a number, taken as 0; 2 outside 0 to 1" in told[0]
    assert "normal: 1 not a number" in told[1]


def test_sound_mattes_are_left_alone() -> None:
    matte = np.linspace(0, 1, 7, dtype=np.float32)[None]
    before = matte.copy()
    assert sound_guides({"matte.arch": matte}) == []
    assert np.array_equal(matte, before)


def test_a_matte_that_is_no_number_is_sound_once_it_is_read(tmp_path: Path) -> None:
    """Written with the independent OpenEXR package."""
    light = np.full((6, 8), 0.3, np.float32)
    matte = np.where(np.arange(8) < 4, np.nan, 3.0).astype(np.float32) * np.ones((6, 1), np.float32)
    channels = {"R": light, "G": light, "B": light, "Z": 9.0 * light, "matte.arch": matte}
    header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
    OpenEXR.File(header, channels).write(str(tmp_path / "clean.exr"))
    (view,) = load(tmp_path / "clean.exr", InputSpec(), wanted=["matte.arch"]).views
    found = view.frame.plane("matte.arch")
    assert (found[:, :4] == 0.0).all()
    assert (found[:, 4:] == 1.0).all()
    assert any("24 not a number" in line and "24 outside 0 to 1" in line for line in view.warnings)


@pytest.mark.parametrize("policy", ["report", "clamp", "inpaint"])
def test_minus_nothing_and_the_largest_number_are_sound(policy: Policy) -> None:
    # IEEE 754: minus 0 equals 0.
    rgb, alpha = np.full((3, 4, 4), np.finfo(np.float32).max, np.float32), np.ones((4, 4), np.float32)
    rgb[1, 2, 2] = -0.0
    assert repair(rgb, alpha, policy) == BadPixels()
    assert rgb.max() == np.finfo(np.float32).max


@pytest.mark.parametrize(
    ("value", "bad"),
    [
        (np.inf, BadPixels(infinite=1)),
        (-np.inf, BadPixels(infinite=1)),
        (np.nan, BadPixels(nan=1)),
        (-1e-45, BadPixels(negative=1)),
    ],
)
def test_one_bad_value_alone_is_found(value: float, bad: BadPixels) -> None:
    rgb, alpha = np.full((3, 4, 5), 0.5, np.float32), np.ones((4, 5), np.float32)
    rgb[1, 3, 4] = value
    assert repair(rgb, alpha, "report") == bad
