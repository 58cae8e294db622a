"""Filters: energy, constancy, and that near and far do not bleed into each other."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from halocline._typing import F32
from halocline.filters.displacement import Grid
from halocline.filters.pyramid_blur import (
    HaloField,
    HaloKernels,
    HiddenPlaces,
    VaryingBlur,
    halo_widths,
    halved,
    level_count,
    level_variance,
)


def spot(size: int = 129) -> F32:
    plane = np.zeros((size, size), np.float32)
    plane[size // 2, size // 2] = 1.0
    return plane


def blur_varying(plane: F32, sigma_px: F32) -> F32:
    rows, columns = plane.shape
    # A grid of single pixels has a line more on every side.
    return VaryingBlur.of(Grid(0, 0, columns, rows, 1), np.pad(sigma_px, 1, mode="edge")).applied(plane)


def fill_from_farther(planes: F32, share: F32) -> F32:
    hidden = HiddenPlaces.of(share)
    return np.stack([hidden.filled(plane) for plane in planes])


def scatter_halo(energy: F32, range_m: F32, kernels: HaloKernels) -> F32:
    field = HaloField.of(range_m, kernels)
    halo = energy.copy()
    for plane in halo:
        field.settle(plane, field.arrived(plane))
    return halo


def variance(plane: F32) -> tuple[float, float]:
    rows, columns = (np.arange(n) - n // 2 for n in plane.shape)
    total = float(plane.sum(dtype=np.float64))
    return (
        float((plane.sum(axis=1, dtype=np.float64) * rows**2).sum() / total),
        float((plane.sum(axis=0, dtype=np.float64) * columns**2).sum() / total),
    )


def kernels(
    *, wide: float = 1.0, ranges: tuple[float, ...] = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0)
) -> HaloKernels:
    """Return kernels that spread more with range and keep a tenth in place."""
    weights = np.zeros((len(ranges), 7))
    for row, range_m in zip(weights, ranges, strict=True):
        level = min(5.0, 1.0 + wide * range_m / 8.0)
        low = int(level)
        row[0] = 0.1
        row[low] += 0.9 * (1 - (level - low))
        row[min(low + 1, 6)] += 0.9 * (level - low)
    return HaloKernels(np.array(ranges), weights)


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


def test_halo_widths_are_those_the_filter_makes() -> None:
    # Averaged over the four places a pixel can have in its 2 x 2.
    widths = halo_widths(4)
    far = np.full((256, 256), 5.0, np.float32)
    for number in range(1, 5):
        weights = np.zeros((1, 6))
        weights[0, number] = 1.0
        spreads = []
        for row in (126, 127):
            for column in (126, 127):
                energy = np.zeros((1, 256, 256), np.float32)
                energy[0, row, column] = 1.0
                halo = scatter_halo(energy, far, HaloKernels(np.array([1.0]), weights))[0]
                assert halo.sum() == pytest.approx(1.0, rel=1e-4)
                at = np.arange(256)
                profile = halo.sum(axis=0, dtype=np.float64)
                spreads.append(float((profile * (at - column) ** 2).sum()))
        assert np.mean(spreads) ** 0.5 == pytest.approx(widths[number], rel=0.02)


def test_halo_gives_back_all_the_light_of_a_scene_at_one_range() -> None:
    rng = np.random.default_rng(4)
    energy = np.zeros((3, 200, 260), np.float32)
    energy[:, 80:120, 100:160] = rng.random((3, 40, 60), dtype=np.float32)
    for range_m in (0.5, 3.0, 11.0, 500.0):
        halo = scatter_halo(energy, np.full((200, 260), range_m, np.float32), kernels())
        assert halo.sum(dtype=np.float64) == pytest.approx(energy.sum(dtype=np.float64), rel=2e-3)


def test_constant_scene_at_one_range_gives_a_constant_halo_up_to_the_edges() -> None:
    for shape in ((61, 87), (64, 96)):
        halo = scatter_halo(np.full((1, *shape), 2.0, np.float32), np.full(shape, 7.0, np.float32), kernels())
        np.testing.assert_allclose(halo, 2.0, rtol=1e-5)


def split_scene() -> tuple[F32, F32]:
    """Return a range pass: a near thing on the left at 1 m, and far water at 24 m."""
    range_m = np.full((128, 256), 24.0, np.float32)
    range_m[:, :128] = 1.0
    return np.zeros((1, 128, 256), np.float32), range_m


def test_near_subject_does_not_bleed_into_the_far_field() -> None:
    energy, range_m = split_scene()
    energy[:, :, :128] = 1.0
    halo = scatter_halo(energy, range_m, kernels())
    # Its own narrow halo (about 1 px) is all that crosses the edge, not the far field's of 20 px.
    assert halo[0, :, 136:].max() < 1e-3
    np.testing.assert_allclose(halo[0, :, :120], 1.0, rtol=1e-3)


def test_near_subject_takes_only_what_is_scattered_in_front_of_it() -> None:
    energy, range_m = split_scene()
    energy[:, :, 128:] = 1.0
    halo = scatter_halo(energy, range_m, kernels())
    all_far = scatter_halo(energy, np.full_like(range_m, 24.0), kernels())
    # 1 m of water in front of the subject; the kernels for 24 m gather light from beyond 11 m.
    assert halo[0, 64, 120] < 0.09 * all_far[0, 64, 120]
    assert all_far[0, 64, 120] > 0.1


def test_far_field_has_no_dark_rim_beside_a_near_subject() -> None:
    energy, range_m = split_scene()
    energy[:, :, 128:] = 1.0
    halo = scatter_halo(energy, range_m, kernels())
    np.testing.assert_allclose(halo[0, :, 131:], 1.0, rtol=0.02)


def test_endless_range_is_as_good_as_the_last_kernel() -> None:
    energy = np.ones((1, 40, 40), np.float32)
    halo = scatter_halo(energy, np.full((40, 40), np.inf, np.float32), kernels())
    np.testing.assert_allclose(halo, 1.0, rtol=1e-5)


def test_halo_is_the_same_on_one_thread_and_several() -> None:
    rng = np.random.default_rng(0)
    energy = rng.random((2, 211, 307), dtype=np.float32)
    range_m = (1.0 + 30.0 * rng.random((211, 307))).astype(np.float32)
    threads = cv2.getNumThreads()
    try:
        results = []
        for count in (1, 2):
            cv2.setNumThreads(count)
            results.append(scatter_halo(energy, range_m, kernels()))
    finally:
        cv2.setNumThreads(threads)
    np.testing.assert_array_equal(results[0], results[1])


def test_halving_keeps_the_first_pixel_in_place() -> None:
    plane = np.zeros((9, 9), np.float32)
    plane[4, 4] = 1.0
    half = halved(plane)
    assert half.shape == (5, 5)
    assert half.argmax() == 12
    assert level_count((2160, 3840)) == 9
