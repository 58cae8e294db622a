"""Filters: energy, constancy, and that near and far do not bleed into each other."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from halocline._typing import F32
from halocline.filters.displacement import Grid
from halocline.filters.pyramid_blur import (
    HiddenPlaces,
    VaryingBlur,
    halved,
    level_variance,
)


def spot(size: int = 129) -> F32:
    plane = np.zeros((size, size), np.float32)
    plane[size // 2, size // 2] = 1.0
    return plane


def blur_varying(plane: F32, sigma_px: F32) -> F32:
    rows, columns = plane.shape
    # A grid of single pixels has a line more on every side.
    blur = VaryingBlur.of(Grid(0, 0, columns, rows, 1), np.pad(sigma_px, 1, mode="edge"))
    out, coarse = plane.copy(), blur.coarse(plane)
    if coarse is not None:
        blur.mix([out], [coarse], rows=slice(None), out=[out])
    return out


def fill_from_farther(planes: F32, share: F32) -> F32:
    hidden = HiddenPlaces.of(share)
    return np.stack([hidden.filled(plane) for plane in planes])


def variance(plane: F32) -> tuple[float, float]:
    rows, columns = (np.arange(n) - n // 2 for n in plane.shape)
    total = float(plane.sum(dtype=np.float64))
    return (
        float((plane.sum(axis=1, dtype=np.float64) * rows**2).sum() / total),
        float((plane.sum(axis=0, dtype=np.float64) * columns**2).sum() / total),
    )


@pytest.mark.parametrize("sigma", [0.5, 1.0, 2.0, 3.3, 8.0])
def test_blur_has_the_variance_asked_for_and_loses_nothing(sigma: float) -> None:
    blurred = blur_varying(spot(), np.full((129, 129), sigma, np.float32))
    assert blurred.sum() == pytest.approx(1.0, rel=1e-5)
    assert variance(blurred) == pytest.approx((sigma**2, sigma**2), rel=1e-3)


def test_blur_is_close_to_a_true_gaussian_at_the_pyramids_own_widths() -> None:
    for level in (2, 3):
        sigma = level_variance(level) ** 0.5
        ours = blur_varying(spot(), np.full((129, 129), sigma, np.float32))
        # OpenCV's direct Gaussian, an independent implementation.
        theirs = cv2.GaussianBlur(spot(), (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
        assert np.abs(ours - theirs).max() < 0.08 * theirs.max()


def test_constant_stays_constant_up_to_the_edges_whatever_the_width() -> None:
    sigma = np.linspace(0.0, 40.0, 101, dtype=np.float32)[None, :] * np.ones((67, 1), np.float32)
    blurred = blur_varying(np.full((67, 101), 3.0, np.float32), sigma)
    np.testing.assert_allclose(blurred, 3.0, rtol=1e-6)


def test_no_width_changes_no_bit() -> None:
    rng = np.random.default_rng(0)
    plane = rng.random((64, 80), dtype=np.float32)
    np.testing.assert_array_equal(blur_varying(plane, np.zeros_like(plane)), plane)
    sigma = np.zeros_like(plane)
    sigma[:, 60:] = 4.0
    np.testing.assert_array_equal(blur_varying(plane, sigma)[:, :30], plane[:, :30])


def test_blur_is_the_same_on_one_thread_and_several() -> None:
    rng = np.random.default_rng(0)
    plane = rng.random((301, 403), dtype=np.float32)
    sigma = 6.0 * rng.random((301, 403), dtype=np.float32)
    threads = cv2.getNumThreads()
    try:
        results = []
        for count in (1, 2, 3):
            cv2.setNumThreads(count)
            results.append(blur_varying(plane, sigma))
    finally:
        cv2.setNumThreads(threads)
    np.testing.assert_array_equal(results[0], results[1])
    np.testing.assert_array_equal(results[0], results[2])


def test_hidden_places_are_filled_with_what_is_around_them() -> None:
    ramp = np.linspace(1.0, 2.0, 96, dtype=np.float32)[None, :] * np.ones((64, 1), np.float32)
    picture = np.stack([ramp, 3.0 * ramp])
    share = np.ones((64, 96), np.float32)
    share[20:44, 40:56] = 0.0
    wrong = picture.copy()
    wrong[:, share == 0] = 100.0
    filled = fill_from_farther(wrong, share)
    np.testing.assert_array_equal(filled[:, share == 1], picture[:, share == 1])
    np.testing.assert_allclose(filled, picture, rtol=0.05)


def test_filling_ignores_what_the_hiding_thing_looks_like() -> None:
    rng = np.random.default_rng(2)
    picture = rng.random((1, 50, 70), dtype=np.float32)
    share = np.ones((50, 70), np.float32)
    share[10:30, 20:50] = 0.0
    other = picture.copy()
    other[:, share == 0] = 77.0
    np.testing.assert_array_equal(fill_from_farther(picture, share), fill_from_farther(other, share))


def test_mixed_pixel_is_never_filled_with_more_than_it_holds() -> None:
    # A bright far picture behind a black edge of half coverage that was composited over something darker.
    picture = np.full((1, 40, 40), 4.0, np.float32)
    share = np.ones((40, 40), np.float32)
    picture[:, :, 20:] = 0.0
    share[:, 20:] = 0.0
    picture[:, :, 20], share[:, 20] = 0.5, 0.5
    filled = fill_from_farther(picture, share)
    np.testing.assert_allclose(filled[:, :, 20], 1.0, rtol=1e-6)
    nothing_seen = fill_from_farther(picture, np.zeros((40, 40), np.float32))
    np.testing.assert_array_equal(nothing_seen, picture)


def test_halving_keeps_the_first_pixel_in_place() -> None:
    plane = np.zeros((9, 9), np.float32)
    plane[4, 4] = 1.0
    half = halved(plane)
    assert half.shape == (5, 5)
    assert half.argmax() == 12
