"""Sums of rows against numpy in float64."""

from __future__ import annotations

import numpy as np

from halocline.compute.sums import add_one, add_three, sum_of_rows, sum_of_three

ROWS = np.random.default_rng(8).normal(size=(4, 37)).astype(np.float32)
THREE = ROWS[0], ROWS[1], ROWS[2]
WEIGHTS = np.float32(0.3), np.float32(-1.5), np.float32(2.25)


def test_three_rows_are_summed_and_added_by_their_weights() -> None:
    exact = np.array(WEIGHTS, np.float64) @ ROWS[:3].astype(np.float64)
    out = np.full(37, np.nan, np.float32)
    sum_of_three(THREE, WEIGHTS, out)
    np.testing.assert_allclose(out, exact, atol=1e-6)
    add_three(THREE, WEIGHTS, out)
    np.testing.assert_allclose(out, 2.0 * exact, atol=2e-6)
    add_one(ROWS[3], WEIGHTS[1], out)
    np.testing.assert_allclose(out, 2.0 * exact - 1.5 * ROWS[3].astype(np.float64), atol=2e-6)


def test_any_number_of_rows_is_summed_by_their_weights() -> None:
    rows = np.random.default_rng(9).normal(size=(8, 37)).astype(np.float32)
    weights = np.random.default_rng(3).normal(size=8).astype(np.float32)
    for count in (1, 2, 3, 5, 8):
        out = np.full(37, np.nan, np.float32)
        sum_of_rows(rows[:count], weights[:count], out)
        exact = weights[:count].astype(np.float64) @ rows[:count].astype(np.float64)
        np.testing.assert_allclose(out, exact, atol=2e-6)
