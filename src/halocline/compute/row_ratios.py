"""What is left of light along rows of pixels, for the loops that write it.

Row by row, in cells of eight pixels: all of it is left, or what is left goes straight from a cell's first
pixel to the next one's, or it is told for each pixel. Loops that reckon light at every eighth pixel of a row
multiply it there; others multiply what they have written while it is near.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.knots import by_eights

# Pixels of a cell; and kinds of cells.
CELL = 8
WHOLE, STRAIGHT, EACH = np.uint8(0), np.uint8(1), np.uint8(2)
# Kinds, ``(rows, cells)``; what is left at the cells' first pixels, and one more, ``(K, rows, cells + 1)``,
# written in rows that have other cells than whole ones; and what is at the pixels of cells told for each,
# ``(K, rows, columns)``. A row's last cell, which nothing follows, is told for each where any is not whole.
RowRatios = tuple[NDArray[np.uint8], F32, F32]
# Stands in where nothing is taken anywhere.
NO_RATIOS: RowRatios = (
    np.zeros((0, 0), np.uint8),
    np.zeros((0, 0, 0), np.float32),
    np.zeros((0, 0, 0), np.float32),
)


@compiled
def some_taken(ratios: RowRatios, row: int) -> bool:
    """Tell whether anything is taken along a row.

    Parameters
    ----------
    ratios
        Of rows of pixels.
    row
        Which; of those beyond the last nothing is.

    Returns
    -------
    bool
        Whether any cell is not whole.
    """
    if row >= len(ratios[0]):
        return False
    kinds, some = ratios[0][row], False
    for cell in range(kinds.size):
        some |= kinds[cell] != WHOLE
    return bool(some)


@compiled
def mark_told_for_each(kinds: NDArray[np.uint8], pixels: int, straight: NDArray[np.bool_]) -> None:
    """Take from the straight stretches of a row those in which a cell is told for each pixel.

    Parameters
    ----------
    kinds
        The row's.
    pixels
        Of a stretch, whole cells.
    straight
        Of each stretch; changed.
    """
    cells = pixels // CELL
    for stretch in range(straight.size):
        for cell in range(cells * stretch, cells * (stretch + 1)):
            straight[stretch] &= kinds[cell] != EACH


@compiled
def times_nodes(ratios: RowRatios, row: int, first: int, count: int, light: F32) -> None:
    """Multiply light at every eighth pixel of a row.

    Parameters
    ----------
    ratios, row
        Where no cell on the way is told for each pixel.
    first, count
        A cell's first pixel, and how many pixels of light there are.
    light
        ``(K or more, count or more)``; changed.
    """
    at = np.uint64(first // CELL)
    for band in range(len(ratios[1])):
        left, there = ratios[1][band, row], light[band]
        for k in range(np.uint64(count)):
            there[k] *= left[at + k]


@compiled
def ratios_along(ratios: RowRatios, band: int, row: int, first: int, line: F32) -> bool:
    """Write what is left of a band along a part of a row; tell whether any of it is not all.

    Parameters
    ----------
    ratios, band, row
        Of which.
    first
        A cell's first pixel.
    line
        Written, as many as there are pixels in the part, whole cells or to the end of the row; not where all
        is left.

    Returns
    -------
    bool
        Whether it was written.
    """
    kinds, nodes, each = ratios[0][row], ratios[1][band, row], ratios[2][band, row]
    begin, cells, some, for_each = first // CELL, line.size // CELL, False, False
    for cell in range(begin, begin + (line.size + CELL - 1) // CELL):
        some |= kinds[cell] != WHOLE
        for_each |= kinds[cell] == EACH
    if not some:
        return False
    by_eights(nodes[begin:], line[: CELL * cells])
    for cell in range(begin, begin + cells if for_each else begin):
        if kinds[cell] == EACH:
            for pixel in range(CELL * cell, CELL * cell + CELL):
                line[pixel - first] = each[pixel]
    # The last cell of a row may be a part of one.
    for pixel in range(first + CELL * cells, first + line.size):
        line[pixel - first] = each[pixel]
    return True


@compiled
def times_ratios(ratios: RowRatios, row: int, first: int, line: F32, light: F32, at: int) -> None:
    """Multiply the light of a part of a row by what is left of it.

    Parameters
    ----------
    ratios, row, first, line
        As `ratios_along` takes them.
    light
        ``(K or more, n)``; changed, as many pixels as the line has.
    at
        Where the part begins in it.
    """
    for band in range(len(ratios[1])):
        if ratios_along(ratios, band, row, first, line):
            there = light[band, at : at + line.size]
            for k in range(line.size):
                there[k] *= line[k]
