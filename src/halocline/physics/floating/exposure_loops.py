"""The loops of `halocline.physics.floating.exposure`: ways over the picture, cut into straight pieces."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F64
from halocline.compute.compiled import compiled

Ints = NDArray[np.int64]

# What moves by so many radii is cut into pieces where its way bends by more than these: 2 pieces, 4.
_CUT_FROM_RADII = 3.0
_BENT_PX, _STRONGLY_BENT_PX = 0.35, 3.0


@compiled
def count_pieces(
    start_px: F64,
    end_px: F64,
    bend_px: F64,
    radius_px: F64,
    softness_px: F64,
    sides: tuple[float, float, float, float],
    pieces: Ints,
) -> int:
    """Write into how many pieces things' ways are cut, and return how many those are together.

    A way is a parabola in time. What hardly moves, or hardly bends, stays in one piece; what cannot touch the
    picture is cut into none.

    Parameters
    ----------
    start_px, end_px, bend_px
        Where ways begin and end, and how far off the straight way they are half way, ``(n, 2)``.
    radius_px, softness_px
        Of the things, ``(n,)``.
    sides
        The picture's top, bottom, left and right, pixels; any may be endless.
    pieces
        ``(n,)``; what is 0 stays so, all else is written.

    Returns
    -------
    int
        All pieces.
    """
    top, bottom, left, right = sides
    total = 0
    for thing in range(pieces.size):
        if pieces[thing] == 0:
            continue
        x, y, end_x, end_y = start_px[thing, 0], start_px[thing, 1], end_px[thing, 0], end_px[thing, 1]
        off = math.hypot(bend_px[thing, 0], bend_px[thing, 1])
        reach = 1.1 * (radius_px[thing] + softness_px[thing]) + 2.0 + off
        count = 1
        moves = math.hypot(end_x - x, end_y - y) + 2.0 * off > _CUT_FROM_RADII * radius_px[thing]
        if moves and off > _BENT_PX:
            count = 4 if off > _STRONGLY_BENT_PX else 2
        beside = max(y, end_y) + reach <= top or min(y, end_y) - reach >= bottom
        beside |= max(x, end_x) + reach <= left or min(x, end_x) - reach >= right
        pieces[thing] = 0 if beside else count
        total += pieces[thing]
    return total


@compiled
def cut_up(
    start_px: F64, end_px: F64, bend_px: F64, pieces: Ints, which: Ints, starts_px: F64, ends_px: F64
) -> None:
    """Write which thing each piece is of, and where it begins and ends.

    Parameters
    ----------
    start_px, end_px, bend_px, pieces
        As `count_pieces` takes and writes them.
    which, starts_px, ends_px
        Of all pieces, thing by thing, ``(pieces,)`` and ``(pieces, 2)``; written.
    """
    at = 0
    for thing in range(pieces.size):
        count = pieces[thing]
        for number in range(count):
            which[at] = thing
            here, there = number / count, (number + 1) / count
            for side in range(2):
                way = start_px[thing, side], end_px[thing, side], bend_px[thing, side]
                starts_px[at, side] = _along(way, here)
                ends_px[at, side] = _along(way, there)
            at += 1


@compiled
def _along(way: tuple[float, float, float], share: float) -> float:
    """Return the place on one side after a share of the way."""
    start, end, bend = way
    place: float = (1.0 - share) * start + share * end + 4.0 * share * (1.0 - share) * bend
    return place
