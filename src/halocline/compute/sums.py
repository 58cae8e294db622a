"""Sums of rows by weights, three at a time: what a sum goes to is read and written once for each three."""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled

Three = tuple[F32, F32, F32]
Weights = tuple[np.float32, np.float32, np.float32]


@compiled
def sum_of_three(rows: Three, weights: Weights, out: F32) -> None:
    """Write the sum of three rows by their weights, from the first on.

    Parameters
    ----------
    rows
        ``(n,)`` each.
    weights
        One for each of them.
    out
        ``(n,)``.
    """
    first, second, third = rows
    by_first, by_second, by_third = weights
    for i in range(out.size):
        out[i] = (first[i] * by_first + second[i] * by_second) + third[i] * by_third


@compiled
def add_three(rows: Three, weights: Weights, out: F32) -> None:
    """Add three rows by their weights, from the first on.

    Parameters
    ----------
    rows
        ``(n,)`` each.
    weights
        One for each of them.
    out
        ``(n,)``; changed.
    """
    first, second, third = rows
    by_first, by_second, by_third = weights
    for i in range(out.size):
        out[i] = ((out[i] + first[i] * by_first) + second[i] * by_second) + third[i] * by_third


@compiled
def add_one(row: F32, weight: np.float32, out: F32) -> None:
    """Add a row by its weight.

    Parameters
    ----------
    row
        ``(n,)``.
    weight
        Its weight.
    out
        ``(n,)``; changed.
    """
    for i in range(out.size):
        out[i] += row[i] * weight


@compiled
def sum_of_rows(rows: F32, weights: F32, out: F32) -> None:
    """Write the sum of any number of rows by their weights, from the first on.

    Parameters
    ----------
    rows
        ``(K, n)``, of which each runs through memory.
    weights
        ``(K,)``.
    out
        ``(n,)``.
    """
    done = 0
    if len(rows) >= 3:
        sum_of_three((rows[0], rows[1], rows[2]), (weights[0], weights[1], weights[2]), out)
        done = 3
    else:
        for i in range(out.size):
            out[i] = np.float32(0.0)
    while done + 3 <= len(rows):
        three = rows[done], rows[done + 1], rows[done + 2]
        add_three(three, (weights[done], weights[done + 1], weights[done + 2]), out)
        done += 3
    for row in range(done, len(rows)):
        add_one(rows[row], weights[row], out)
