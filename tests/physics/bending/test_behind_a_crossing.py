"""What lies beyond a crossing: which part of a pixel, how near it comes, and what a change leaves alone."""

from __future__ import annotations

import numpy as np
import pytest

from halocline._typing import F32
from halocline.filters.displacement import Grid
from halocline.physics.bending.behind_a_crossing import (
    FARTHEST_M,
    Change,
    Coverage,
    Mirror,
    OpenWater,
    changed_beyond,
    share_beyond,
)

GRID = Grid(2, -3, 41, 30, 4)


def on_grid(value: float) -> F32:
    return np.full((len(GRID.rows), len(GRID.columns)), value, np.float32)


def random(*shape: int) -> F32:
    return np.random.default_rng(8).random(shape, dtype=np.float32)


def test_pixel_shows_the_part_of_its_surfaces_that_lies_beyond() -> None:
    range_m = np.full((30, 41), 3.0, np.float32)
    range_m[:, 20:] = 7.0
    far = np.zeros_like(range_m)
    far[:, 19] = 0.25
    share, _ = share_beyond(on_grid(0.2), GRID, Coverage(range_m, None, np.full_like(far, 7.0), far))
    np.testing.assert_array_equal(share[0, 18:21], [0.0, 0.25, 1.0])


def test_open_water_reaches_beyond_every_crossing() -> None:
    range_m, alpha = np.full((30, 41), 3.0, np.float32), np.full((30, 41), 0.75, np.float32)
    share, _ = share_beyond(on_grid(0.2), GRID, Coverage(range_m, alpha))
    np.testing.assert_array_equal(share, 0.25)
    never, _ = share_beyond(on_grid(0.0), GRID, Coverage(range_m, alpha))
    np.testing.assert_array_equal(never, 0.0)


def test_nearest_is_the_least_range_beyond_in_each_cell_and_repeats_the_edge() -> None:
    range_m = 3.0 + 4.0 * random(30, 41)
    share, nearest = share_beyond(on_grid(0.2), GRID, Coverage(range_m))
    beyond = np.where(share > 0, range_m, np.float32(FARTHEST_M))
    # The cell whose middle is at column 8 + 2 = pixels 8..11, rows 4..7 of the picture's coordinates.
    row, column = int(np.searchsorted(GRID.rows, 6)), int(np.searchsorted(GRID.columns, 10))
    assert nearest[row, column] == beyond[4 + 3 : 8 + 3, 8 - 2 : 12 - 2].min()
    np.testing.assert_array_equal(nearest[0], nearest[1])
    np.testing.assert_array_equal(nearest[:, -1], nearest[:, -2])


def change(*, shift: float = 0.0, blur: float = 0.0, mirror: float = 0.0) -> Change:
    return Change(
        GRID,
        np.stack([np.stack([on_grid(shift), on_grid(0.5 * shift)])]),
        on_grid(blur),
        Mirror(on_grid(mirror), np.stack([on_grid(0.0), on_grid(0.0)]), 1.0) if mirror else None,
        OpenWater(np.ones((30, 41), np.bool_), np.stack([on_grid(shift)] * 2)),
    )


def test_without_a_change_no_bit_changes_whatever_is_hidden_and_open() -> None:
    picture, range_m = random(3, 30, 41), np.full((30, 41), 9.0, np.float32)
    share = np.ones((30, 41), np.float32)
    share[5:20, 10:20] = 0.0
    share[5:20, 20] = 0.3
    np.testing.assert_array_equal(changed_beyond(picture, share, range_m, change()), picture)


@pytest.mark.parametrize("kind", ["shift", "blur", "mirror"])
def test_change_keeps_what_is_nearer_and_a_constant_picture(kind: str) -> None:
    made = change(**{kind: 0.8})
    picture, range_m = random(3, 30, 41), np.full((30, 41), 9.0, np.float32)
    share = np.ones((30, 41), np.float32)
    share[5:20, 10:20] = 0.0
    changed = changed_beyond(picture, share, range_m, made)
    np.testing.assert_array_equal(changed[:, share == 0], picture[:, share == 0])
    assert np.abs(changed - picture)[:, share == 1].max() > 0.1
    constant = np.full_like(picture, 0.6)
    np.testing.assert_allclose(changed_beyond(constant, share, range_m, made), 0.6, rtol=1e-5)
