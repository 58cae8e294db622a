"""Displacement: exact where it can be, free of rings, independent of the window it is made over."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from halocline._typing import F32
from halocline.errors import PhysicsError
from halocline.filters.displacement import (
    LARGEST_SIDE,
    Grid,
    displacement_maps,
    grown_nearest,
    normalised_map,
    overscan_needed,
    sample,
    sample_sharp,
)


def picture(rows: int = 40, columns: int = 56) -> F32:
    return np.random.default_rng(8).random((rows, columns), dtype=np.float32)


def everywhere(plane: F32, dx: float = 0.0, dy: float = 0.0) -> tuple[F32, F32]:
    return np.full_like(plane, dx), np.full_like(plane, dy)


def whole_maps(plane: F32, dx: float = 0.0, dy: float = 0.0) -> tuple[F32, F32]:
    return displacement_maps(*everywhere(plane, dx, dy))


def linearly(plane: F32, dx: F32, dy: F32) -> F32:
    return sample(plane, *displacement_maps(dx, dy))


def sharply(plane: F32, dx: F32, dy: F32) -> F32:
    rows, columns = plane.shape
    # A grid of single pixels has a line more on every side.
    shift = np.stack([np.pad(part, 1, mode="edge") for part in (dx, dy)])
    out = np.empty_like(plane)
    sample_sharp(plane, Grid(0, 0, columns, rows, 1), shift, out=out)
    return out


@pytest.mark.parametrize("how", [linearly, sharply])
def test_no_displacement_changes_no_bit_and_whole_pixels_move_exactly(how) -> None:  # type: ignore[no-untyped-def]
    plane = picture()
    np.testing.assert_array_equal(how(plane, *everywhere(plane)), plane)
    moved = how(plane, *everywhere(plane, 3.0, -2.0))
    np.testing.assert_array_equal(moved[2:, :-3], plane[:-2, 3:])


@pytest.mark.parametrize("how", [linearly, sharply])
def test_edge_pixels_repeat(how) -> None:  # type: ignore[no-untyped-def]
    plane = picture()
    np.testing.assert_array_equal(how(plane, *everywhere(plane, 500.0))[:, 0], plane[:, -1])
    np.testing.assert_array_equal(how(plane, *everywhere(plane, 0.0, -500.0))[0], plane[0])


def test_sharp_sampling_stays_between_its_neighbours_beside_a_bright_edge() -> None:
    plane = np.full((20, 40), 0.02, np.float32)
    plane[:, 20:] = 900.0
    for dx in (0.1, 0.25, 0.5, 0.9):
        moved = sharply(plane, *everywhere(plane, dx))
        assert moved.min() >= np.float32(0.02)
        assert moved.max() <= np.float32(900.0)


def test_sharp_sampling_keeps_detail_that_linear_sampling_loses() -> None:
    x = np.arange(64, dtype=np.float32)
    wave = (1.5 + np.sin(2 * np.pi * x / 4.0))[None, :] * np.ones((16, 1))
    plane = wave.astype(np.float32)
    exact = 1.5 + np.sin(2 * np.pi * (x + 0.5) / 4.0)
    linear = sample(plane, *whole_maps(plane, 0.5))[8, 8:-8]
    sharp = sharply(plane, *everywhere(plane, 0.5))[8, 8:-8]
    assert np.abs(sharp - exact[8:-8]).max() < 0.4 * np.abs(linear - exact[8:-8]).max() + 0.2


def test_ramp_is_displaced_by_fractions_exactly() -> None:
    ramp = np.arange(50, dtype=np.float32)[None, :] * np.ones((30, 1), np.float32)
    for fraction in (0.37, 0.81):
        wanted = ramp[:, 1:-2] + np.float32(fraction)
        # OpenCV's linear sampling knows 32 places to a pixel.
        np.testing.assert_allclose(linearly(ramp, *everywhere(ramp, fraction))[:, 1:-2], wanted, atol=2e-2)
        np.testing.assert_allclose(sharply(ramp, *everywhere(ramp, fraction))[:, 1:-2], wanted, atol=1e-5)


def test_normalised_map_counts_from_the_edges_of_the_picture() -> None:
    plane = picture(20, 40)
    st = normalised_map(*whole_maps(plane), (20, 40))
    assert st.shape == (2, 20, 40)
    assert st[0, 0, 0] == pytest.approx(0.5 / 40)
    assert st[1, -1, -1] == pytest.approx(19.5 / 20)


def test_grid_reaches_beyond_every_side_of_the_window() -> None:
    for x, width in ((0, 64), (-7, 50), (13, 29)):
        grid = Grid(x, 5, width, 33, 8)
        assert grid.columns[0] < x
        assert grid.columns[-1] > x + width
        assert np.allclose(np.diff(grid.columns), 8)


def test_plane_over_a_grid_is_blown_up_to_the_pixels_own_places() -> None:
    grid = Grid(-7, 5, 50, 33, 4)
    columns, rows = np.meshgrid(grid.columns, grid.rows)
    whole = grid.blown_up((0.5 * columns + 0.25 * rows).astype(np.float32))
    x, y = np.meshgrid(-7 + np.arange(50) + 0.5, 5 + np.arange(33) + 0.5)
    np.testing.assert_allclose(whole, 0.5 * x + 0.25 * y, atol=1e-4)


def test_pixel_does_not_depend_on_the_window_it_is_asked_for_in() -> None:
    def made(grid: Grid) -> F32:
        columns, rows = np.meshgrid(grid.columns, grid.rows)
        return grid.blown_up(np.sin(columns * 0.13 + rows * 0.07).astype(np.float32))

    whole = made(Grid(-10, -6, 90, 70, 4))
    part = made(Grid(3, 9, 40, 30, 4))
    np.testing.assert_array_equal(part, whole[15:45, 13:53])


def test_rows_of_a_plane_and_every_fourth_pixel_are_those_of_the_whole() -> None:
    grid = Grid(-7, 5, 50, 33, 4)
    plane = np.random.default_rng(1).random((len(grid.rows), len(grid.columns)), dtype=np.float32)
    whole = grid.blown_up(plane)
    np.testing.assert_array_equal(grid.blown_up(plane, rows=slice(7, 20)), whole[7:20])
    np.testing.assert_array_equal(grid.blown_up(plane, every=4), whole[::4, ::4])


def test_any_rows_of_a_displaced_picture_are_those_of_the_whole() -> None:
    # Wider than the loop takes at once.
    plane = picture(60, 700)
    grid = Grid(3, -2, 700, 60, 8)
    rng = np.random.default_rng(1)
    shift = 9.0 * rng.standard_normal((2, len(grid.rows), len(grid.columns))).astype(np.float32)
    whole, parts = np.empty_like(plane), np.empty_like(plane)
    sample_sharp(plane, grid, shift, out=whole)
    for top in range(0, 60, 7):
        sample_sharp(plane, grid, shift, rows=slice(top, top + 7), out=parts)
    np.testing.assert_array_equal(parts, whole)
    x, y = grid.source_maps(shift)
    # OpenCV's cubic, as an independent implementation, is of another sharpness: -3/4.
    theirs = cv2.remap(plane, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    assert np.abs(whole - theirs).mean() < 0.05


def test_nearer_value_keeps_its_surroundings_and_blends_out_smoothly() -> None:
    plane = np.full((60, 80), 0.9, np.float32)
    plane[20:40, 30:50] = 0.3
    grown = grown_nearest(plane, 4)
    # Unchanged on the thing and a reach around it, the far value well outside.
    np.testing.assert_allclose(grown[16:44, 26:54], 0.3, rtol=1e-6)
    np.testing.assert_allclose(grown[:, :12], 0.9, rtol=1e-6)
    assert np.abs(np.diff(grown, axis=1)).max() < 0.6 / 4
    np.testing.assert_array_equal(grown_nearest(plane, 0), plane)


def test_overscan_is_asked_for_where_the_map_leaves_the_picture() -> None:
    plane = picture(20, 40)
    x, y = whole_maps(plane, 2.4, -1.2)
    assert overscan_needed(x, y, (20, 40)) == (0, 2, 3, 0)
    assert overscan_needed(*whole_maps(plane), (20, 40)) == (0, 0, 0, 0)


def test_results_are_the_same_on_one_thread_and_several() -> None:
    plane = picture(211, 307)
    dx = 5.0 * picture(211, 307)
    threads = cv2.getNumThreads()
    try:
        results = []
        for count in (1, 2):
            cv2.setNumThreads(count)
            results.append((linearly(plane, dx, dx), sharply(plane, dx, dx)))
    finally:
        cv2.setNumThreads(threads)
    for one, two in zip(*results, strict=True):
        np.testing.assert_array_equal(one, two)


def test_pictures_too_large_to_warp_are_refused() -> None:
    plane = np.zeros((1, LARGEST_SIDE + 1), np.float32)
    with pytest.raises(PhysicsError, match=r"E-PHYSICS-SIZE.*32767 x 1 pixels"):
        sample(plane, plane, plane)
