"""Rims before open water: their partly covered pixels have the range of the surface that goes on into them.

Held against a level floor and an upright stalk as a pinhole camera sees them, in closed form.
"""

from __future__ import annotations

import numpy as np
import pytest

from halocline._typing import F32
from halocline.imaging.depth_edges import fill_partly_covered

ROWS, COLUMNS = 16, 24
FOCAL_PX = 40.0
# Rows above the picture at which the horizon lies; the lens is a metre over the floor.
HORIZON = -6.0
# The row at which the floor ends.
RIM_ROW = 4


def floor_range(row: F32 | float, column: F32 | float) -> F32:
    """Range of the floor at picture places counted in pixels; whole numbers are the borders of pixels."""
    down, right = (row - HORIZON) / FOCAL_PX, (column - COLUMNS / 2) / FOCAL_PX
    return np.asarray(np.sqrt(1 + right**2 + down**2) / down, np.float32)


def middles() -> tuple[F32, F32]:
    """Rows and columns of the middles of pixels."""
    rows, columns = np.mgrid[0:ROWS, 0:COLUMNS].astype(np.float32)
    return rows + np.float32(0.5), columns + np.float32(0.5)


def floor_to(cover: float) -> tuple[F32, F32]:
    """Range in the middles of pixels, and alpha, of a floor whose farthest row is covered to a share."""
    rows, columns = middles()
    alpha = np.clip(rows + 0.5 - (RIM_ROW + 1 - cover), 0, 1).astype(np.float32)
    return np.where(rows > RIM_ROW + 1 - cover, floor_range(rows, columns), np.inf).astype(np.float32), alpha


@pytest.mark.parametrize("cover", [0.1, 0.3, 0.45])
@pytest.mark.parametrize("across", [False, True])
def test_a_floor_goes_on_into_its_last_pixels(cover: float, across: bool) -> None:
    metres, alpha = floor_to(cover)
    assert np.isinf(metres[RIM_ROW]).all()
    expected = floor_range(RIM_ROW + 1 - cover / 2, middles()[1][0])
    # One over the range is linear to that share; one over the depth would be wholly.
    # What the nearest covered pixel has is 5 to 7 % nearer.
    assert (metres[RIM_ROW + 1] < 0.96 * expected).all()
    seen = (np.ascontiguousarray(plane.T) if across else plane for plane in (metres, alpha))
    found, shown = seen
    assert fill_partly_covered(found, shown) == (COLUMNS, 0)
    np.testing.assert_allclose((found.T if across else found)[RIM_ROW], expected, rtol=0.003)


def test_a_sample_on_the_floor_is_kept_and_one_of_the_water_in_it_is_not() -> None:
    metres, alpha = floor_to(0.6)
    own = metres[RIM_ROW].copy()
    assert (own > 1.08 * metres[RIM_ROW + 1]).all()
    metres[RIM_ROW, ::3] *= 1.5
    fill_partly_covered(metres, alpha)
    kept = np.arange(COLUMNS) % 3 != 0
    np.testing.assert_array_equal(metres[RIM_ROW, kept], own[kept])
    np.testing.assert_allclose(metres[RIM_ROW], own, rtol=0.05)


@pytest.mark.parametrize(
    ("behind", "expected"),
    [
        ((6.0, 3.0, 3.0), 6.0),
        ((6.0, 4.0, 3.0), 6.0),
        ((6.0, 6.0, 3.0), 6.0),
        ((5.0, 5.5, 6.0), 5.0),
        ((3.0,), 3.0),
        ((3.0, 2.9), 3.0),
    ],
    ids=["step", "steps", "step farther in", "falls away inwards", "one pixel wide", "two pixels wide"],
)
def test_what_is_no_plane_that_falls_away_gives_its_nearest_pixels_own_range(
    behind: tuple[float, ...], expected: float
) -> None:
    metres = np.full((ROWS, 5), np.inf, np.float32)
    metres[5 : 5 + len(behind)] = np.array(behind, np.float32)[:, None]
    alpha = np.isfinite(metres).astype(np.float32)
    alpha[4] = 0.4
    fill_partly_covered(metres, alpha)
    assert (metres[4] == np.float32(expected)).all()


def test_a_surface_never_goes_on_beyond_twice_its_range() -> None:
    # Within the fall that one surface may have, to three pixels off where nothing is covered whole.
    inverse = np.array([0.0, 0.0, 0.0, 0.0, 0.1, 0.1175, 0.135, 0.1525], np.float32)
    with np.errstate(divide="ignore"):
        metres = np.broadcast_to(1 / inverse[:, None], (8, 12)).astype(np.float32)
    alpha = np.broadcast_to(np.array([0, 0.9, 0.9, 0.9, 1, 1, 1, 1], np.float32)[:, None], (8, 12)).copy()
    fill_partly_covered(metres, alpha)
    expected = 1 / (0.1 - 0.0175 * np.array([1.95, 0.95]))
    np.testing.assert_allclose(metres[2:4], np.broadcast_to(expected[:, None], (2, 12)), rtol=1e-4)
    np.testing.assert_allclose(metres[1], 20.0, rtol=1e-6)


def test_what_lies_behind_uncovered_pixels_is_no_surface() -> None:
    metres = np.full((ROWS, 5), np.inf, np.float32)
    metres[5:8] = np.array([3.0, 2.9, 2.8], np.float32)[:, None]
    alpha = np.zeros_like(metres)
    alpha[4], alpha[5] = 0.4, 1.0
    fill_partly_covered(metres, alpha)
    assert (metres[4] == np.float32(3.0)).all()


def test_of_one_surface_the_closer_of_equally_near_pixels_counts() -> None:
    metres = np.full((ROWS, 5), np.inf, np.float32)
    metres[5:], metres[4, 1] = 3.1, 3.0
    alpha = np.where(metres < 4, 1.0, 0.0).astype(np.float32)
    alpha[4] = 0.5
    fill_partly_covered(metres, alpha)
    np.testing.assert_array_equal(metres[4], np.array([3.0, 3.0, 3.0, 3.1, 3.1], np.float32))


STALK_M = np.float32(1.2)


def stalk_before_rim(places: F32, wide: float, rim: F32) -> tuple[F32, F32, F32]:
    """Range in the middles of pixels, alpha, and the stalk's share, of a stalk before the floor's end.

    ``places`` and ``rim`` are the stalk's left border by row, and the floor's share of the rim row by column.
    """
    rows, columns = middles()
    left = places[:, None]
    over = np.minimum(left + wide, columns + 0.5) - np.maximum(left, columns - 0.5)
    stalk = np.clip(over, 0, 1).astype(np.float32)
    ground = np.clip(rows + 0.5 - (RIM_ROW + 1 - rim), 0, 1)
    on_stalk = (columns > left) & (columns < left + wide)
    metres = np.where(rows > RIM_ROW + 1 - rim, floor_range(rows, columns), np.inf)
    alpha = stalk + (1 - stalk) * ground
    return np.where(on_stalk, STALK_M, metres).astype(np.float32), alpha.astype(np.float32), stalk


# The stalk covers .15 of a pixel at the rim. Leaning more to this side it would stand under that pixel too,
# and nothing beside it would tell of ground.
@pytest.mark.parametrize("lean", [0.0, 0.2, -0.4])
@pytest.mark.parametrize("slant", [0.0, 0.012, -0.012])
@pytest.mark.parametrize("mirrored", [False, True])
def test_ground_beside_a_stalk_before_its_rim_keeps_its_own_range(
    lean: float, slant: float, mirrored: bool
) -> None:
    rim = (0.35 + slant * (np.arange(COLUMNS) - COLUMNS / 2)).astype(np.float32)
    places = (9.0 + lean * (np.arange(ROWS) - RIM_ROW)).astype(np.float32)
    metres, alpha, stalk = stalk_before_rim(places, 2.15, rim)
    beside = 11
    np.testing.assert_allclose(stalk[RIM_ROW, [beside - 1, beside, beside + 1]], [1, 0.15, 0], atol=1e-5)
    assert np.isinf(metres[RIM_ROW, beside])
    assert metres[RIM_ROW, beside - 1] == STALK_M
    if mirrored:
        metres, alpha = (np.ascontiguousarray(plane[:, ::-1]) for plane in (metres, alpha))
    fill_partly_covered(metres, alpha)
    found = metres[:, ::-1] if mirrored else metres
    expected = floor_range(RIM_ROW + 1 - float(rim[beside]) / 2, beside + 0.5)
    # Where the stalk leans over the ground below, the slope is not to be had: the nearest pixel's range is.
    assert abs(found[RIM_ROW, beside] / expected - 1) < (0.1 if lean > 0 else 0.003)
    # Over the rim there is nothing but the stalk and the water.
    above = (stalk[:RIM_ROW] > 0) & (stalk[:RIM_ROW] < 1)
    assert above.any()
    assert (found[:RIM_ROW][above] == STALK_M).all()


@pytest.mark.parametrize(("here", "beyond"), [(0.35, 0.35), (0.1, 0.45)], ids=["level rim", "rising rim"])
def test_a_pixel_that_is_mostly_stalk_has_the_stalks_range(here: float, beyond: float) -> None:
    rim = np.full(COLUMNS, here, np.float32)
    rim[12:] = beyond
    metres, alpha, stalk = stalk_before_rim(np.full(ROWS, 9.0, np.float32), 2.35, rim)
    assert np.isinf(metres[RIM_ROW, 11])
    assert stalk[RIM_ROW, 11] > alpha[RIM_ROW, 11] - stalk[RIM_ROW, 11]
    fill_partly_covered(metres, alpha)
    assert metres[RIM_ROW, 11] == STALK_M
