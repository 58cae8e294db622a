"""What is left of light along rows, told at few of their pixels: held to all of it written out."""

from __future__ import annotations

import numpy as np
import pytest

from halocline._typing import F32
from halocline.compute.row_ratios import (
    CELL,
    EACH,
    NO_RATIOS,
    STRAIGHT,
    WHOLE,
    RowRatios,
    mark_told_for_each,
    ratios_along,
    some_taken,
    times_nodes,
    times_ratios,
)

BANDS, COLUMNS = 3, 150
CELLS = (COLUMNS + CELL - 1) // CELL


def _rows() -> tuple[RowRatios, F32]:
    """Return a whole row, one of all kinds of cells and one that goes straight; and all of it written out."""
    draw = np.random.default_rng(3)
    kinds = np.zeros((3, CELLS), np.uint8)
    kinds[1:] = STRAIGHT
    kinds[1, 4:7], kinds[1, 9], kinds[1:, -1] = EACH, WHOLE, EACH
    nodes = draw.uniform(0.2, 0.9, (BANDS, 3, CELLS + 1)).astype(np.float32)
    nodes[:, 1, 9:11] = 1.0
    each = draw.uniform(0.2, 0.9, (BANDS, 3, COLUMNS)).astype(np.float32)
    # Of whole rows nothing else is written.
    nodes[:, 0], each[:, 0] = np.nan, np.nan
    told = np.ones((BANDS, 3, COLUMNS), np.float32)
    at = np.arange(COLUMNS)
    for row in (1, 2):
        for band in range(BANDS):
            straight = np.interp(at, CELL * np.arange(CELLS + 1), nodes[band, row])
            told[band, row] = np.where(kinds[row, at // CELL] == EACH, each[band, row], straight)
    return (kinds, nodes, each), told


def test_what_is_left_along_parts_of_rows_is_what_is_told_of_them() -> None:
    ratios, told = _rows()
    assert [bool(some_taken(ratios, row)) for row in range(4)] == [False, True, True, False]
    assert not some_taken(NO_RATIOS, 0)
    for first, last in ((0, COLUMNS), (8, 72), (64, 150), (144, 150), (72, 80)):
        for band in range(BANDS):
            for row in range(3):
                line = np.full(last - first, 7.0, np.float32)
                written = ratios_along(ratios, band, row, first, line)
                assert written == (told[band, row, first:last] != 1.0).any()
                if written:
                    np.testing.assert_allclose(line, told[band, row, first:last], rtol=1e-6)


@pytest.mark.parametrize("more", [0, 2])
def test_light_is_multiplied_by_it_in_a_part_of_a_row_and_what_else_there_is_is_left(more: int) -> None:
    ratios, told = _rows()
    light = np.full((BANDS + more, 3 * COLUMNS), 2.0, np.float32)
    times_ratios(ratios, 1, 8, np.empty(96, np.float32), light, 40)
    expected = np.full_like(light, 2.0)
    expected[:BANDS, 40:136] *= told[:, 1, 8:104]
    np.testing.assert_allclose(light, expected, rtol=1e-6)


def test_light_at_every_eighth_pixel_is_multiplied_by_what_is_left_there() -> None:
    ratios, told = _rows()
    light = np.full((BANDS + 1, 12), 2.0, np.float32)
    times_nodes(ratios, 2, 24, 10, light)
    expected = np.full_like(light, 2.0)
    expected[:BANDS, :10] *= told[:, 2, 24:104:8]
    np.testing.assert_allclose(light, expected, rtol=1e-6)


def test_stretches_with_a_cell_that_is_told_for_each_pixel_do_not_go_straight() -> None:
    kinds = np.full(20, STRAIGHT, np.uint8)
    kinds[9], kinds[19] = EACH, EACH
    straight = np.array([True, True])
    mark_told_for_each(kinds, 64, straight)
    assert straight.tolist() == [True, False]
    never = np.array([False, False])
    mark_told_for_each(kinds, 64, never)
    assert not never.any()
