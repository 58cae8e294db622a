"""Spreading light by halos: none is lost, even pictures stay even, near and far stay apart."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from halocline._typing import F32
from halocline.filters import halo_loops
from halocline.filters.halo import CELL, HaloField, HaloKernels, halo_widths


def scatter_halo(energy: F32, range_m: F32, kernels: HaloKernels) -> F32:
    field = HaloField.of(range_m, kernels)
    return field.settled(energy, field.arrived(energy))


def kernels(
    shape: tuple[int, int],
    *,
    wide: float = 1.0,
    ranges: tuple[float, ...] = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0),
) -> HaloKernels:
    """Return kernels that spread more with range and keep a tenth in place."""
    weights = np.zeros((len(ranges), len(halo_widths(shape))))
    for row, range_m in zip(weights, ranges, strict=True):
        level = min(5.0, 1.0 + wide * range_m / 8.0)
        low = int(level)
        row[0] = 0.1
        row[low] += 0.9 * (1 - (level - low))
        row[low + 1] += 0.9 * (level - low)
    return HaloKernels(np.array(ranges), weights)


def only(shape: tuple[int, int], number: int) -> HaloKernels:
    """Return kernels of one Gaussian alone."""
    weights = np.zeros((1, len(halo_widths(shape))))
    weights[0, number] = 1.0
    return HaloKernels(np.array([1.0]), weights)


def test_halo_widths_are_those_the_filter_makes() -> None:
    # Averaged over the four places a pixel can have in its 2 x 2; as far as they fit well into the picture.
    shape = (512, 512)
    widths = halo_widths(shape)
    far = np.full(shape, 5.0, np.float32)
    for number in range(1, 5):
        spreads = []
        for row in (254, 255):
            for column in (254, 255):
                energy = np.zeros((1, *shape), np.float32)
                energy[0, row, column] = 1.0
                halo = scatter_halo(energy, far, only(shape, number))[0]
                profile = halo.sum(axis=0, dtype=np.float64)
                spreads.append(float((profile * (np.arange(512) - column) ** 2).sum()))
        assert np.mean(spreads) ** 0.5 == pytest.approx(widths[number], rel=0.03)


def test_a_thin_strip_is_not_made_many_times_as_wide() -> None:
    # A frame of 65538 x 14 pixels took 5.6 GiB. What is even across the strip spreads along it as it should.
    shape, column = (14, 8000), 4000
    far = np.full(shape, 5.0, np.float32)
    energy = np.zeros((1, *shape), np.float32)
    energy[0, :, column : column + 2] = 0.5
    widths = halo_widths(shape)
    for number in (2, 4, 6, 8):
        field = HaloField.of(far, only(shape, number))
        profile = field.settled(energy, field.arrived(energy))[0].mean(axis=0, dtype=np.float64)
        across = np.arange(shape[1]) - column - 0.5
        assert profile.sum() == pytest.approx(1.0, rel=1e-4)
        assert (profile * across**2).sum() ** 0.5 == pytest.approx(widths[number], rel=0.03)
        assert field.place.size < far.size


@pytest.mark.parametrize("number", range(9))
@pytest.mark.parametrize("place", [(60, 90), (0, 0), (1, 255), (127, 128)])
def test_a_lamp_keeps_its_light_wherever_it_stands(number: int, place: tuple[int, int]) -> None:
    # The frame is mirrored at its edges: what leaves it comes back.
    energy = np.zeros((1, 128, 256), np.float32)
    energy[0][place] = 8.0
    halo = scatter_halo(energy, np.full((128, 256), 3.0, np.float32), only((128, 256), number))
    assert halo.sum(dtype=np.float64) == pytest.approx(8.0, rel=1e-4)
    assert halo.min() >= 0


def test_a_moving_lamp_takes_its_halo_along_evenly() -> None:
    # The halo's middle follows within a quarter of its width's half, frame by frame, whatever the pyramid.
    shape = (256, 256)
    far = np.full(shape, 3.0, np.float32)
    for number in (3, 4, 5):
        middles = []
        for column in range(120, 136):
            energy = np.zeros((1, *shape), np.float32)
            energy[0, 128, column] = 1.0
            profile = scatter_halo(energy, far, only(shape, number))[0].sum(axis=0, dtype=np.float64)
            middles.append(float(profile @ np.arange(256)) - column)
        assert np.ptp(middles) < 1.1
        assert np.abs(middles).max() < 0.6


def test_halo_gives_back_all_the_light_of_a_scene_at_one_range() -> None:
    rng = np.random.default_rng(4)
    energy = np.zeros((3, 200, 260), np.float32)
    energy[:, 80:120, 100:160] = rng.random((3, 40, 60), dtype=np.float32)
    for range_m in (0.5, 3.0, 11.0, 500.0):
        halo = scatter_halo(energy, np.full((200, 260), range_m, np.float32), kernels((200, 260)))
        assert halo.sum(dtype=np.float64) == pytest.approx(energy.sum(dtype=np.float64), rel=2e-3)


def test_constant_scene_at_one_range_gives_a_constant_halo_up_to_the_edges() -> None:
    for shape in ((61, 87), (64, 96)):
        even = np.full((1, *shape), 2.0, np.float32)
        halo = scatter_halo(even, np.full(shape, 7.0, np.float32), kernels(shape))
        np.testing.assert_allclose(halo, 2.0, rtol=1e-5)


def split_scene() -> tuple[F32, F32]:
    """Return a range pass: a near thing on the left at 1 m, and far water at 24 m."""
    range_m = np.full((128, 256), 24.0, np.float32)
    range_m[:, :128] = 1.0
    return np.zeros((1, 128, 256), np.float32), range_m


def test_near_subject_does_not_bleed_into_the_far_field() -> None:
    energy, range_m = split_scene()
    energy[:, :, :128] = 1.0
    halo = scatter_halo(energy, range_m, kernels(range_m.shape))
    # Its own narrow halo (about 1 px) is all that crosses the edge, not the far field's of 20 px.
    assert halo[0, :, 136:].max() < 1e-3
    np.testing.assert_allclose(halo[0, :, :120], 1.0, rtol=1e-3)


def test_near_subject_takes_only_what_is_scattered_in_front_of_it() -> None:
    energy, range_m = split_scene()
    energy[:, :, 128:] = 1.0
    halo = scatter_halo(energy, range_m, kernels(range_m.shape))
    all_far = scatter_halo(energy, np.full_like(range_m, 24.0), kernels(range_m.shape))
    # 1 m of water in front of the subject; the kernels for 24 m gather light from beyond 11 m.
    assert halo[0, 64, 120] < 0.09 * all_far[0, 64, 120]
    assert all_far[0, 64, 120] > 0.1


def test_far_field_has_no_dark_rim_beside_a_near_subject() -> None:
    energy, range_m = split_scene()
    energy[:, :, 128:] = 1.0
    halo = scatter_halo(energy, range_m, kernels(range_m.shape))
    np.testing.assert_allclose(halo[0, :, 131:], 1.0, rtol=0.02)


@pytest.mark.parametrize("corner", [(60, 60), (60, 61), (61, 61)])
@pytest.mark.parametrize("size", [1, 2, 3, 5])
def test_a_small_thing_has_the_halo_of_its_own_range(size: int, corner: tuple[int, int]) -> None:
    """Before endless water, wherever it lies in the pairs of pixels: as if all else were as near."""
    shape, spot = (128, 128), tuple(slice(start, start + size) for start in corner)
    # Less and less stays in its pixel.
    own = kernels(shape)
    stays = 0.6 / own.ranges_m[:, None]
    own = HaloKernels(own.ranges_m, own.weights * (1.0 - stays))
    own.weights[:, :1] += stays
    energy, range_m = np.zeros((1, *shape), np.float32), np.full(shape, np.inf, np.float32)
    energy[0][spot], range_m[spot] = 1.0, 2.0
    halo = scatter_halo(energy, range_m, own)[0]
    expected = scatter_halo(energy, np.full(shape, 2.0, np.float32), own)[0]
    np.testing.assert_allclose(halo[spot], expected[spot], rtol=0.01)


def test_endless_range_is_as_good_as_the_last_kernel() -> None:
    energy = np.ones((1, 40, 40), np.float32)
    halo = scatter_halo(energy, np.full((40, 40), np.inf, np.float32), kernels((40, 40)))
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
            results.append(scatter_halo(energy, range_m, kernels(range_m.shape)))
    finally:
        cv2.setNumThreads(threads)
    np.testing.assert_array_equal(results[0], results[1])


@pytest.mark.parametrize("shape", [(270, 480), (61, 67), (512, 512), (40, 900)])
@pytest.mark.parametrize(("number", "off"), [(3, 0.13), (4, 0.045), (5, 0.02)])
def test_what_is_given_by_cells_spreads_as_what_pixels_give(
    shape: tuple[int, int], number: int, off: float
) -> None:
    """The same but for the width of a cell, in any shape of picture and at any two ranges.

    By levels of the pyramid, and by matrices where it has no more. Up to the picture's edges, where cells are
    cut.
    """
    rows, columns = np.indices(shape)
    far = np.where(columns < 0.6 * shape[1], 3.0, 11.0).astype(np.float32)
    weights = np.zeros((2, len(halo_widths(shape))))
    weights[0, number], weights[1, number], weights[1, number + 1] = 1.0, 0.4, 0.6
    both = HaloKernels(np.array([2.0, 16.0]), weights, weights)
    energy = (np.hypot(rows - 0.4 * shape[0], columns - 0.5 * shape[1]) < 20.0).astype(np.float32)[None]
    energy[0, -13:, -17:] = 1.0
    ends = [np.arange(0, side, CELL) for side in shape]
    sums = np.add.reduceat(np.add.reduceat(energy, ends[0], axis=1), ends[1], axis=2)
    field = HaloField.of(far, both)
    nothing = np.zeros_like(energy)
    by_pixels, by_cells = field.arrived(energy, np.zeros_like(sums)), field.arrived(nothing, sums)
    assert by_pixels.max() > 0.02
    assert np.abs(by_cells - by_pixels).max() < off * by_pixels.max()
    assert by_cells.sum() == pytest.approx(by_pixels.sum(), rel=0.005)
    together = field.arrived(energy, sums)
    np.testing.assert_allclose(together, by_pixels + by_cells, atol=1e-5 * by_pixels.max())


def test_ranges_stand_evenly_by_their_logarithm_and_are_held_at_the_ends() -> None:
    # numpy.interp of float64 logarithms, from outside the loop.
    ranges = np.geomspace(1.0, 60.0, 9)
    random = np.random.default_rng(5)
    range_m = np.concatenate([random.uniform(0.2, 90.0, 4000), ranges, [0.001, 1e9, np.inf]])
    nearness = (1.0 / range_m).astype(np.float32)
    found = np.empty(nearness.size, np.float32)
    halo_loops.place_among(nearness, np.log(ranges).astype(np.float32), found)
    held = np.log(np.clip(range_m, 1.0, 60.0))
    np.testing.assert_allclose(found, np.interp(held, np.log(ranges), np.arange(9.0)), atol=2e-6)
    assert found.max() == 8.0


@pytest.mark.parametrize("shape", [(8, 10), (7, 10), (8, 9), (5, 3)])
def test_nearness_is_halved_as_an_image_library_does_it(shape: tuple[int, int]) -> None:
    # OpenCV's means of areas, edge pixels repeated where a side is odd.
    range_m = np.random.default_rng(3).uniform(0.1, 20.0, shape).astype(np.float32)
    range_m[2, 1], range_m[3, 2] = np.inf, 0.0
    half = ((shape[0] + 1) // 2, (shape[1] + 1) // 2)
    plain, square = np.full((2, *half), -1.0, np.float32)
    for first in range(half[0]):
        halo_loops.halved_nearness(range_m, np.float32(0.01), first, first + 1, plain, square)
    for power, found in ((1.0, plain), (2.0, square)):
        whole = (1.0 / np.maximum(range_m, 0.01)) ** power
        bottom, right = shape[0] % 2, shape[1] % 2
        padded = cv2.copyMakeBorder(whole, 0, bottom, 0, right, cv2.BORDER_REPLICATE)
        expected = cv2.resize(padded, half[::-1], interpolation=cv2.INTER_AREA)
        np.testing.assert_allclose(found, expected, rtol=1e-5)
