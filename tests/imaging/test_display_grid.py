"""Colours looked up in a grid are nearly those of the view itself: OpenColorIO's, through OpenImageIO."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.imaging.colour import display_pixels
from halocline.imaging.display_grid import DisplayGrid
from halocline.rgb import ACES2065_1, ACESCG, LINEAR_REC709, LINEAR_REC2020, RGBSpace, conversion_matrix


@pytest.fixture(scope="module")
def grid() -> DisplayGrid:
    return DisplayGrid()


def apart(grid: DisplayGrid, rgb: F32, space: RGBSpace = ACESCG) -> NDArray[np.int64]:
    """Return how far each display pixel is from the view's own, of 255."""
    shown, wanted = grid.pixels(rgb, space), display_pixels(rgb, space)
    assert shown.dtype == wanted.dtype
    assert shown.shape == wanted.shape
    off: NDArray[np.int64] = np.abs(shown.astype(np.int64) - wanted)
    return off


def steps(*colours: tuple[float, float, float], space: RGBSpace) -> F32:
    """Return colours of linear Rec.709 in rows, each from nine stops below itself to five above."""
    held = np.array(colours) @ conversion_matrix(LINEAR_REC709, space).T
    made = held.T[..., np.newaxis] * np.exp2(np.linspace(-9.0, 5.0, 61))
    return made.astype(np.float32)


@pytest.mark.parametrize("space", [ACESCG, LINEAR_REC709, LINEAR_REC2020, ACES2065_1])
def test_greys_and_the_colours_of_waters_are_within_three_of_255(grid: DisplayGrid, space: RGBSpace) -> None:
    # Grey, and what 5 to 20 m of clear and of green water make of it, in round numbers.
    waters = ((1.0, 1.0, 1.0), (0.35, 0.8, 1.0), (0.1, 0.6, 1.0), (0.3, 1.0, 0.7), (0.8, 1.0, 0.4))
    off = apart(grid, steps(*waters, space=space), space)
    assert off.max() <= 3
    assert off.mean() < 0.6


def test_each_channel_has_its_own_place_in_the_grid(grid: DisplayGrid) -> None:
    # Bright colours far from grey, where the view bends most within a cell.
    colours = np.random.default_rng(1).uniform(0.0, 2.0, (3, 40, 50)).astype(np.float32)
    off = apart(grid, colours)
    assert off.max() <= 12
    assert off.mean() < 0.5


def test_black_white_and_what_is_no_light_are_as_in_the_view(grid: DisplayGrid) -> None:
    odd = np.array([0.0, 1e-9, 64.0, 65.0, 1e6, np.inf, np.nan, -1.0, -np.inf], np.float32)
    assert apart(grid, np.broadcast_to(odd, (3, 1, odd.size))).max() <= 1


def test_what_is_shown_is_not_changed(grid: DisplayGrid) -> None:
    rgb = np.random.default_rng(2).normal(0.5, 1.0, (3, 4, 5)).astype(np.float32)
    rgb[0, 0, 0] = np.nan
    before = rgb.copy()
    grid.pixels(rgb, LINEAR_REC709)
    np.testing.assert_array_equal(rgb, before)
