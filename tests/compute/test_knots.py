"""Rows of pixels that are looked up at few of them."""

from __future__ import annotations

import numpy as np
import pytest

from halocline.compute.knots import (
    STRIDE,
    bent_between,
    bent_over_two,
    between_seconds,
    knots_in,
    mark_kinked,
    note_knots,
    odd_knots,
    off_knots,
    reach_of,
    second_knots,
    straight_between,
    times_straight,
)


@pytest.mark.parametrize("count", [1, 2, 4, 5, 8, 9, 11, 33])
def test_what_goes_straight_between_knots_and_the_pixels_off_them_make_up_a_row(count: int) -> None:
    row = np.random.default_rng(count).uniform(1.0, 2.0, count).astype(np.float32)
    known = np.empty(count, np.float32)
    strides = knots_in(row, known)
    assert strides == (count - 1) // STRIDE
    # Every other stride goes straight.
    places, knots = np.arange(count), np.arange(0, count, STRIDE)
    straight = np.interp(places, knots, row[knots]).astype(np.float32)
    uneven = np.arange(strides + 1) % 2 == 0
    of_stride = np.minimum(places // STRIDE, strides)
    even = ~uneven[of_stride] & (places < STRIDE * strides)
    row[even] = straight[even]
    made, where = np.full(count, np.nan, np.float32), np.empty(count, np.int64)
    straight_between(known, strides, made)
    some = off_knots(uneven, strides, count, where)
    made[where[:some]] = row[where[:some]]
    np.testing.assert_allclose(made, row, rtol=1e-6)
    # No pixel is looked up twice.
    assert len(set(where[:some])) == some
    assert not set(where[:some]) & set(knots)
    times = np.full(count, 3.0, np.float32)
    times_straight(known, strides, times)
    np.testing.assert_allclose(
        times[: STRIDE * strides + 1], 3.0 * straight[: STRIDE * strides + 1], rtol=1e-6
    )
    assert (times[STRIDE * strides + 1 :] == 3.0).all()


@pytest.mark.parametrize("count", [1, 4, 5, 9, 13, 17, 41, 45])
def test_knots_that_are_straight_between_seconds_and_the_odd_ones_make_up_all_knots(count: int) -> None:
    strides = (count - 1) // STRIDE
    rows = np.random.default_rng(count).uniform(1.0, 2.0, (2, count)).astype(np.float32)
    where = np.empty(count, np.int64)
    some = second_knots(strides, where)
    pixels = where[:some].copy()
    # Every second one, and the last.
    assert list(pixels) == sorted({*range(0, STRIDE * strides + 1, 2 * STRIDE), STRIDE * strides})
    knots = np.full((2, strides + 1), np.nan, np.float32)
    between_seconds(rows[:, pixels].copy(), strides, knots)
    expected = [np.interp(np.arange(strides + 1) * STRIDE, pixels, row[pixels]) for row in rows]
    np.testing.assert_allclose(knots, expected, rtol=1e-6)
    # Every third pair does not go straight.
    uneven = np.arange(strides // 2 + 1) % 3 == 0
    some = odd_knots(uneven, strides, where)
    assert list(where[:some]) == [STRIDE * (2 * pair + 1) for pair in range(0, strides // 2, 3)]
    looked_up = rows[:, where[:some]].copy()
    note_knots(looked_up, where, some, knots)
    odd = np.arange(1, strides // 2 * 2, 6)
    for row, made, straight in zip(rows, knots, expected, strict=True):
        straight[odd] = row[odd * STRIDE]
        np.testing.assert_allclose(made, straight, rtol=1e-6)


def test_over_two_strides_a_row_is_bent_by_no_less_than_its_pixel_farthest_off() -> None:
    for seed in range(20):
        row = np.random.default_rng(seed).uniform(1.0, 2.0, 4 * 8 + 6).astype(np.float32)
        bent, found = np.empty(9, np.float32), np.empty(4, np.float32)
        bent_between(row, 9, bent)
        bent_over_two(row, bent, 9, found)
        for pair in range(4):
            part = row[8 * pair : 8 * pair + 9]
            off = np.abs(part - np.interp(np.arange(9), [0, 8], part[[0, 8]])).max()
            assert off - 1e-6 <= found[pair] <= 3.0 * off


def test_a_peak_between_two_knots_and_both_ends_are_marked_as_kinked() -> None:
    # Rises to a peak between the sixth and the seventh of the knots, which lie as high.
    values = np.array([0, 1, 2, 3, 4, 5, 5, 4, 3, 2, 1, 0], np.float32)
    uneven = np.zeros(11, np.bool_)
    mark_kinked(values, np.float32(1.9), 11, uneven)
    assert list(np.flatnonzero(uneven)) == [0, 5, 10]
    # What is marked stays so, and a bend by no more than that is none.
    uneven[:] = np.arange(11) == 3
    mark_kinked(values, np.float32(2.1), 11, uneven)
    assert list(np.flatnonzero(uneven)) == [0, 3, 10]


def test_a_row_is_bent_by_its_pixel_farthest_off_the_way_between_knots() -> None:
    row = np.array([1.0, 1.0, 1.5, 1.0, 1.0, 2.0, 3.0, 4.25, 5.0, 0.25, 7.0], np.float32)
    bent = np.empty(2, np.float32)
    bent_between(row, 2, bent)
    assert list(bent) == [0.5, 0.25]
    # What is behind the last knot counts as it is.
    assert reach_of.loop(row, 2, bent) == pytest.approx((0.25, 7.0), abs=1e-3)
    least, most = reach_of.loop(row[:9], 2, bent)
    assert least <= 0.5
    assert most >= 5.25


def test_no_pixel_lies_beyond_the_reach_of_its_stride() -> None:
    # Rounding, too, leaves none outside: what is looked up between two is there.
    for seed in range(50):
        row = np.random.default_rng(seed).uniform(0.1, 3e3, 41).astype(np.float32)
        bent = np.empty(10, np.float32)
        bent_between(row, 10, bent)
        for number in range(10):
            part = row[STRIDE * number : STRIDE * (number + 1) + 1]
            least, most = reach_of.loop(part, 1, bent[number:])
            assert least <= part.min()
            assert most >= part.max()
