"""Rows of pixels along which things change evenly: looked up at every fourth of them, straight in between.

The loops of a step look up what is costly at these pixels, the *knots*, tell themselves between which of them
it goes straight as closely as they want, and look it up at each of the others too. Which pixels are knots
goes by their place in the row: hand these rows that begin at the same pixel whatever else is made with them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.compiled import compiled

# Pixels from knot to knot.
STRIDE = 4
_EIGHTH, _QUARTER, _HALF, _THREE_QUARTERS = (np.float32(share) for share in (0.125, 0.25, 0.5, 0.75))
# What lies between knots is told to so much of itself.
_ROUNDING = np.float32(1e-5)
_TO_NEXT, _1, _2, _3 = (np.uint64(number) for number in (STRIDE, 1, 2, 3))


@compiled
def knots_in(row: F32, found: F32) -> int:
    """Write a row's values at its knots; return from how many of them there is one more.

    Parameters
    ----------
    row
        ``(n,)``, at least one.
    found
        ``(n,)`` or less, as long as there are knots.

    Returns
    -------
    int
        Strides between knots: one less than there are. Up to three pixels are left behind the last.
    """
    strides = (row.size - 1) // STRIDE
    for number in range(strides + 1):
        found[number] = row[STRIDE * number]
    return strides


@compiled
def second_knots(strides: int, where: NDArray[np.int64]) -> int:
    """Write the pixels of every second knot of a row, and of the last; return how many.

    Parameters
    ----------
    strides
        Of the row, one less than there are knots.
    where
        Written, as long as there are such knots.

    Returns
    -------
    int
        How many. Knots of odd numbers are left out, but for the last.
    """
    found = 0
    for number in range(0, strides + 1, 2):
        where[found] = STRIDE * number
        found += 1
    if strides % 2:
        where[found] = STRIDE * strides
        found += 1
    return found


@compiled
def bent_between(row: F32, strides: int, bent: F32) -> None:
    """Write how far a row is off the straight way from knot to knot, at most, for each stride.

    Parameters
    ----------
    row
        ``(n,)``, finite.
    strides
        As `knots_in` has it.
    bent
        ``(strides,)`` or more; written, in the row's unit.
    """
    at = np.uint64(0)
    for number in range(strides):
        near, end = row[at], row[at + _TO_NEXT]
        grown = end - near
        first = abs(near + _QUARTER * grown - row[at + _1])
        second = abs(near + _HALF * grown - row[at + _2])
        third = abs(near + _THREE_QUARTERS * grown - row[at + _3])
        bent[number] = max(first, second, third)
        at += _TO_NEXT


@compiled
def bent_over_two(row: F32, bent: F32, strides: int, found: F32) -> None:
    """Write how far a row is off the straight way over two strides, no less than that, for each two.

    Parameters
    ----------
    row, bent, strides
        As `bent_between` takes them and writes it.
    found
        ``(strides // 2,)`` or more; written, in the row's unit.
    """
    first, two = np.uint64(0), _TO_NEXT + _TO_NEXT
    for pair in range(strides // 2):
        middle = abs(_HALF * (row[first] + row[first + two]) - row[first + _TO_NEXT])
        found[pair] = middle + max(bent[2 * pair], bent[2 * pair + 1])
        first += two


@compiled
def mark_kinked(values: F32, most: np.float32, pairs: int, uneven: NDArray[np.bool_]) -> None:
    """Mark where a row grows otherwise before two strides than behind them, and the first and the last two.

    Parameters
    ----------
    values
        At every second knot, ``(pairs + 1,)`` or more.
    most
        By how much it may.
    pairs
        Of strides.
    uneven
        ``(pairs,)`` or more; set where that is so, left elsewhere.
    """
    for pair in range(1, pairs - 1):
        before, behind = values[pair] - values[pair - 1], values[pair + 2] - values[pair + 1]
        uneven[pair] = uneven[pair] | (abs(behind - before) > most)
    if pairs:
        uneven[0] = True
        uneven[pairs - 1] = True


@compiled
def between_seconds(seconds: F32, strides: int, knots: F32) -> None:
    """Write what is at all knots from what is at every second one: straight in between.

    Parameters
    ----------
    seconds
        At the knots that `second_knots` writes, ``(planes, n)``.
    strides
        Of the row.
    knots
        ``(planes, strides + 1)`` or more; written.
    """
    for plane in range(len(knots)):
        given, found = seconds[plane], knots[plane]
        for pair in range(strides // 2):
            found[2 * pair] = given[pair]
            found[2 * pair + 1] = _HALF * (given[pair] + given[pair + 1])
        for number in range(strides // 2 * 2, strides + 1):
            found[number] = given[(number + 1) // 2]


@compiled
def odd_knots(uneven: NDArray[np.bool_], strides: int, where: NDArray[np.int64]) -> int:
    """Write the pixels of knots past which a row does not go straight; return how many.

    Parameters
    ----------
    uneven
        Which two strides do not go straight, ``(strides // 2,)`` or more.
    strides
        Of the row.
    where
        Written.

    Returns
    -------
    int
        How many.
    """
    found = 0
    for pair in range(strides // 2):
        if uneven[pair]:
            where[found] = STRIDE * (2 * pair + 1)
            found += 1
    return found


@compiled
def note_knots(some: F32, where: NDArray[np.int64], count: int, knots: F32) -> None:
    """Write what was found at the pixels of some knots to these knots.

    Parameters
    ----------
    some
        ``(planes, count)`` or more.
    where, count
        The pixels, and how many.
    knots
        ``(planes, strides + 1)`` or more; changed.
    """
    for plane in range(len(knots)):
        given, found = some[plane], knots[plane]
        for k in range(count):
            found[np.uint64(where[k]) // _TO_NEXT] = given[k]


@compiled
def beyond_knots(near: np.float32, far: np.float32, bent: np.float32) -> np.float32:
    """Return by how much what lies between two knots may be less than both or more than both; no less.

    Parameters
    ----------
    near, far
        At the knots, 0 or more.
    bent
        Of the stride, as `bent_between` has it.

    Returns
    -------
    np.float32
        In the row's unit.
    """
    return bent + _ROUNDING * max(near, far)


@compiled
def reach_of(row: F32, strides: int, bent: F32) -> tuple[np.float32, np.float32]:
    """Return between which values all of some strides of a row lie, and what is behind the last; no closer.

    Parameters
    ----------
    row
        As `bent_between` has it, 0 or more.
    strides
        Of the row.
    bent
        As `bent_between` has it.

    Returns
    -------
    tuple[np.float32, np.float32]
        Least and most, in the row's unit.
    """
    least, most = row[0], row[0]
    for number in range(strides):
        near, far = row[STRIDE * number], row[STRIDE * (number + 1)]
        off = beyond_knots(near, far, bent[number])
        least, most = min(least, min(near, far) - off), max(most, max(near, far) + off)
    for pixel in range(STRIDE * strides + 1, row.size):
        least, most = min(least, row[pixel]), max(most, row[pixel])
    return least, most


@compiled
def off_knots(uneven: NDArray[np.bool_], strides: int, count: int, where: NDArray[np.int64]) -> int:
    """Write which pixels of a row have to be looked up themselves; return how many.

    Parameters
    ----------
    uneven
        Which strides do not go straight, ``(strides,)`` or more.
    strides, count
        Strides and pixels of the row.
    where
        ``(count,)`` or more; written.

    Returns
    -------
    int
        How many: those between the knots of such strides, and those behind the last knot.
    """
    found = 0
    for number in range(strides):
        if uneven[number]:
            for beside in range(1, STRIDE):
                where[found] = STRIDE * number + beside
                found += 1
    for pixel in range(STRIDE * strides + 1, count):
        where[found] = pixel
        found += 1
    return found


@compiled
def straight_between(knots: F32, strides: int, row: F32) -> None:
    """Write what lies between knots along a row, and at them.

    Parameters
    ----------
    knots
        ``(strides + 1,)`` or more.
    strides
        As `knots_in` has it.
    row
        Written up to the last knot.
    """
    at = np.uint64(0)
    for number in range(strides):
        near, grown = knots[number], knots[number + 1] - knots[number]
        row[at] = near
        row[at + _1] = near + _QUARTER * grown
        row[at + _2] = near + _HALF * grown
        row[at + _3] = near + _THREE_QUARTERS * grown
        at += _TO_NEXT
    row[at] = knots[strides]


@compiled
def times_straight(knots: F32, strides: int, row: F32) -> None:
    """Multiply a row by what lies between knots along it, and at them.

    Parameters
    ----------
    knots, strides
        As `straight_between` takes them.
    row
        Changed up to the last knot.
    """
    at = np.uint64(0)
    for number in range(strides):
        near, grown = knots[number], knots[number + 1] - knots[number]
        row[at] *= near
        row[at + _1] *= near + _QUARTER * grown
        row[at + _2] *= near + _HALF * grown
        row[at + _3] *= near + _THREE_QUARTERS * grown
        at += _TO_NEXT
    row[at] *= knots[strides]


@compiled
def by_eights(nodes: F32, out: F32) -> None:
    """Write what goes straight from one pixel in eight to the next.

    Parameters
    ----------
    nodes
        One for each eight pixels, and one more.
    out
        ``(n,)``, whole eights.
    """
    for node in range(np.uint64(out.size // 8)):
        here, at = nodes[node], np.uint64(8) * node
        slope = _EIGHTH * (nodes[node + np.uint64(1)] - here)
        out[at] = here
        out[at + np.uint64(1)] = here + slope
        out[at + np.uint64(2)] = here + np.float32(2.0) * slope
        out[at + np.uint64(3)] = here + np.float32(3.0) * slope
        out[at + np.uint64(4)] = here + np.float32(4.0) * slope
        out[at + np.uint64(5)] = here + np.float32(5.0) * slope
        out[at + np.uint64(6)] = here + np.float32(6.0) * slope
        out[at + np.uint64(7)] = here + np.float32(7.0) * slope
