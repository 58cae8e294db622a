"""Which pixels lie along a step: planes and dunes, by their geometry alone."""

from __future__ import annotations

import numpy as np
import pytest

from halocline._typing import F32
from halocline.imaging.edge_places import shares_by_place
from halocline.imaging.edge_steps import along_steps

SHAPE = (12, 30)
SAMPLES = 16


def covered(shape: tuple[int, ...] = SHAPE) -> F32:
    return np.ones(shape, np.float32)


def test_a_plane_is_one_surface_however_slanted() -> None:
    """One over the range of a plane runs straight; here by up to a half from row to row."""
    rows = np.linspace(0.02, 0.3, SHAPE[0])[:, None] + np.linspace(0.0, 0.01, SHAPE[1])
    assert not along_steps(covered(), (1.0 / rows).astype(np.float32)).any()


def test_a_low_crest_before_what_lies_behind_is_a_step() -> None:
    """Ground that rises to a crest at 4.0 m, and goes on at 4.4 m behind it."""
    before, behind = 0.25 + 0.003 * np.arange(6), 1.0 / 4.4 - 0.003 * np.arange(6)[::-1]
    inverse = np.concatenate([behind, before])[:, None] + np.zeros(SHAPE[1])
    found = along_steps(covered(), (1.0 / inverse).astype(np.float32))
    assert found[5:7].all()
    assert not found[:5].any()
    assert not found[7:].any()


def test_beside_open_water_a_high_step_is_one_where_no_line_can_be_laid() -> None:
    range_m = np.full((3, 4), np.inf, np.float32)
    range_m[1, 1], range_m[1, 2] = 2.0, 3.0
    found = along_steps(np.isfinite(range_m).astype(np.float32), range_m)
    assert found[1, 1:3].all()
    assert found.sum() == 2


@pytest.mark.parametrize("turned", [False, True], ids=["rows", "columns"])
@pytest.mark.parametrize("near_below", [True, False])
@pytest.mark.parametrize(("slope", "most"), [(0.11, 0.04), (0.3, 0.06), (1.0, 0.13)])
def test_shares_by_place_are_those_of_a_straight_outline(
    slope: float, most: float, near_below: bool, turned: bool
) -> None:
    """Against the area under a line, by 16 x 16 samples a pixel.

    The mean of 3 x 3 pixels, as a filter weighs them, errs by .10, .13 and .17 here.
    """
    rows, columns = 24, 64
    y, x = (np.indices((rows * SAMPLES, columns * SAMPLES)) + 0.5) / SAMPLES
    near = (y - 8.3 - slope * (x - 20.0) * (x < 40.0) > 0.0) == near_below
    if turned:
        near = near.T
    height, width = near.shape[0] // SAMPLES, near.shape[1] // SAMPLES
    true = near.reshape(height, SAMPLES, width, SAMPLES).mean(axis=(1, 3))
    middles = near[SAMPLES // 2 :: SAMPLES, SAMPLES // 2 :: SAMPLES]
    inverse = np.where(middles, np.float32(0.5), np.float32(0.25))
    mixed = (true > 0.0) & (true < 1.0)
    inner = np.zeros_like(mixed)
    if turned:
        inner[12:30] = True
    else:
        inner[:, 12:30] = True
    pixels = np.flatnonzero(mixed & inner)
    share = shares_by_place(inverse, pixels, np.full(pixels.size, 0.35, np.float32))
    error = np.abs(share - true.ravel()[pixels])
    assert pixels.size > 10
    assert error.mean() < most


@pytest.mark.parametrize("slope", [0.3, 0.6, 0.75, 0.95, 1.4])
def test_along_a_slanting_outline_no_pixel_away_from_it_has_a_share_of_what_lies_beyond(slope: float) -> None:
    """Where a corner alone is another side's a straight outline passes beside the pixel: a row of dots."""
    rows, columns = 40, 60
    y, x = (np.indices((rows * SAMPLES, columns * SAMPLES)) + 0.5) / SAMPLES
    near = y - 8.3 - slope * (x - 10.0) > 0.0
    true = near.reshape(rows, SAMPLES, columns, SAMPLES).mean(axis=(1, 3))
    middles = near[SAMPLES // 2 :: SAMPLES, SAMPLES // 2 :: SAMPLES]
    inner = middles[1:-1, 1:-1]
    beside = (middles[:-2, 1:-1], middles[2:, 1:-1], middles[1:-1, :-2], middles[1:-1, 2:])
    alike = np.zeros(middles.shape, bool)
    alike[1:-1, 1:-1] = np.logical_and.reduce([inner == other for other in beside])
    corners = (middles[:-2, :-2], middles[:-2, 2:], middles[2:, :-2], middles[2:, 2:])
    assert (alike[1:-1, 1:-1] & np.logical_or.reduce([inner != other for other in corners])).any()
    pixels = np.flatnonzero(alike)
    inverse = np.where(middles, np.float32(0.5), np.float32(0.25))
    share = shares_by_place(inverse, pixels, np.full(pixels.size, 0.35, np.float32))
    np.testing.assert_array_equal(share, true.ravel()[pixels])
