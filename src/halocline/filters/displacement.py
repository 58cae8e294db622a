"""Taking a picture's light from somewhere else: displacement by whole maps.

A map says for each pixel of the result where in the source its light comes from. Here it is given as
*displacement* in pixels: source column = column + dx, source row = row + dy, pixel centres at whole numbers.
Edge pixels repeat. Radiance is kept as it is (a smooth displacement changes where light is seen, not how
bright it is).

Displacement fields are smooth, so they are made on a grid of every `step` pixels, whose lines run through
fixed places of the picture's own coordinates, and blown up: `Grid` knows where. Pixels do not depend on which
window of the picture is looked at.
"""

from __future__ import annotations

import math

import cv2
import numpy as np

from halocline._typing import F32, F64
from halocline.errors import PhysicsError
from halocline.filters import pyramid_loops
from halocline.late_dataclass import dataclass

# OpenCV's warp counts pixels in 16 bits.
LARGEST_SIDE = 32766


@dataclass(frozen=True)
class Grid:
    """Every ``step``-th pixel over a window of a picture, with one more line beyond each side.

    Attributes
    ----------
    x, y, width, height
        The window, in the picture's coordinates, pixels.
    step
        Pixels between the grid's lines.
    """

    x: int
    y: int
    width: int
    height: int
    step: int

    @property
    def columns(self) -> F64:
        """Pixel coordinates (0.5 is the centre of pixel 0) of the grid's columns."""
        return self._lines(self.x, self.width)

    @property
    def rows(self) -> F64:
        """Pixel coordinates of the grid's rows."""
        return self._lines(self.y, self.height)

    def blown_up(self, plane: F32, *, rows: slice = slice(None), every: int = 1) -> F32:
        """Return a plane over the grid interpolated to the window's pixels, ``(height, width)``.

        Only to some rows, or to every so many pixels of the window, where that is asked for.
        """
        first, last, _ = rows.indices(self.height)
        top, left = self.start
        out = np.empty((-(-(last - first) // every), -(-self.width // every)), np.float32)
        pyramid_loops.blow_up(plane, top + first, left, every, self.step, out)
        return out

    @property
    def start(self) -> tuple[int, int]:
        """Row and column of the window's first pixel, counted from half a step before the first lines."""
        return self.y - (self.y // self.step - 1) * self.step, self.x - (self.x // self.step - 1) * self.step

    def inner(self, x: int, y: int, width: int, height: int) -> Grid:
        """Return the grid of the same step over a window within this one's."""
        return Grid(x, y, width, height, self.step)

    def part(self, inner: Grid, plane: F32) -> F32:
        """Cut a plane over this grid down to a grid of the same step over a window within this one's."""
        top = inner.y // self.step - self.y // self.step
        left = inner.x // self.step - self.x // self.step
        cut = plane[..., top : top + len(inner.rows), left : left + len(inner.columns)]
        return np.ascontiguousarray(cut)

    def source_maps(self, shift: F32, *, rows: slice = slice(None)) -> tuple[F32, F32]:
        """Return source columns and rows of the window's pixels from displacement on the grid, pixels."""
        first, last, _ = rows.indices(self.height)
        source_x, source_y = (self.blown_up(plane, rows=rows) for plane in shift)
        source_x += np.arange(self.width, dtype=np.float32)
        source_y += np.arange(first, last, dtype=np.float32)[:, None]
        return source_x, source_y

    def _lines(self, start: int, length: int) -> F64:
        first = start // self.step - 1
        last = (start + length - 1) // self.step + 1
        return (np.arange(first, last + 1, dtype=np.float64) + 0.5) * self.step


def displacement_maps(dx: F32, dy: F32) -> tuple[F32, F32]:
    """Turn displacement in pixels into source columns and rows, ``(rows, columns)`` each.

    Parameters
    ----------
    dx, dy
        Pixels to the right and down at which each pixel's light is found, ``(rows, columns)``.

    Returns
    -------
    tuple[F32, F32]
        Source columns and rows, counted from the planes' first pixel.
    """
    rows, columns = dx.shape
    source_x = dx + np.arange(columns, dtype=np.float32)
    source_y = dy + np.arange(rows, dtype=np.float32)[:, None]
    return source_x.astype(np.float32, copy=False), source_y.astype(np.float32, copy=False)


def sample(plane: F32, source_x: F32, source_y: F32) -> F32:
    """Return a plane's values at source places, linear between pixels. Edge pixels repeat.

    Parameters
    ----------
    plane
        ``(rows, columns)``.
    source_x, source_y
        Columns and rows to look at, counted from the plane's first pixel; any one shape of two axes.

    Returns
    -------
    F32
        Values in the shape of ``source_x``.

    Raises
    ------
    PhysicsError
        ``E-PHYSICS-SIZE`` where a side of the plane is longer than `LARGEST_SIDE`.
    """
    _check_size(plane)
    value = cv2.remap(plane, source_x, source_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(value, np.float32)


def sample_sharp(plane: F32, grid: Grid, shift: F32, *, rows: slice = slice(None), out: F32) -> None:
    """Write a displaced plane, cubic between pixels, within the values of the four around.

    Linear sampling softens a picture where it falls half-way between pixels and not where it hits them, which
    shows as bands in a static warp. The bound keeps the cubic from ringing beside a bright edge.

    Parameters
    ----------
    plane
        ``(rows, columns)``. Edge pixels repeat.
    grid
        Grid over the plane.
    shift
        Displacement right and down in pixels, on the grid, ``(2, ...)``.
    rows
        Which to write; all where not given.
    out
        Whole plane to write them to, not the one that is read.
    """
    first, last, _ = rows.indices(grid.height)
    pyramid_loops.sample_sharply(plane, shift, *grid.start, grid.step, out, first, last)


def normalised_map(source_x: F32, source_y: F32, shape: tuple[int, int]) -> F32:
    """Return a displacement map in coordinates 0 to 1 across a picture, ``(2, rows, columns)``.

    This is how maps are exchanged: s = (x + 0.5)/columns from the left, t = (y + 0.5)/rows from the top, of
    the place that each pixel's light comes from.

    Parameters
    ----------
    source_x, source_y
        Source columns and rows, counted from the picture's first pixel (0 is its centre).
    shape
        Rows and columns of the picture from whose edges it is counted: the display window.

    Returns
    -------
    F32
        s and t, ``(2, rows, columns)``; beyond 0 to 1 where light comes from outside the picture.
    """
    rows, columns = shape
    s = (source_x + np.float32(0.5)) * np.float32(1.0 / columns)
    t = (source_y + np.float32(0.5)) * np.float32(1.0 / rows)
    return np.stack([s, t])


def grown_nearest(plane: F32, reach: int) -> F32:
    """Let the least values take over their surroundings, and blend smoothly outside.

    Used on how far behind a layer things lie, so that a nearer thing and what surrounds it are displaced
    alike: its edge neither tears nor leaves a copy, and the change of displacement falls into the farther
    picture.

    Parameters
    ----------
    plane
        ``(rows, columns)``.
    reach
        Pixels by which a thing's value is extended unchanged; the blend takes as much again.

    Returns
    -------
    F32
        A plane no greater than the given one wherever that is flat. Edge pixels repeat.
    """
    if reach < 1:
        return plane
    size = 4 * reach + 1
    least = cv2.erode(plane, np.ones((size, size), np.uint8), borderType=cv2.BORDER_REPLICATE)
    # Two boxes, each as wide as the reach: together a smooth (quadratic) blend that ends within the erosion.
    box = (2 * (reach // 2) + 1,) * 2
    for _ in range(2):
        least = cv2.blur(least, box, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(least, np.float32)


def _check_size(plane: F32) -> None:
    if max(plane.shape) > LARGEST_SIDE:
        raise PhysicsError(
            f"a picture of {plane.shape[1]} x {plane.shape[0]} pixels is too large to warp",
            code="E-PHYSICS-SIZE",
            fix=f"Sides of up to {LARGEST_SIDE} pixels can be warped; render in tiles.",
        )


def overscan_needed(source_x: F32, source_y: F32, shape: tuple[int, int]) -> tuple[int, int, int, int]:
    """Return the pixels that a map asks for beyond a picture: left, top, right, bottom.

    Parameters
    ----------
    source_x, source_y
        As `displacement_maps` gives, in pixels of the picture.
    shape
        Rows and columns of the picture.

    Returns
    -------
    tuple[int, int, int, int]
        Whole pixels, 0 or more.
    """
    rows, columns = shape
    beyond = (
        -float(source_x.min()),
        -float(source_y.min()),
        float(source_x.max()) - (columns - 1),
        float(source_y.max()) - (rows - 1),
    )
    # A thousandth of a pixel is rounding, not a need.
    left, top, right, bottom = (max(0, math.ceil(pixels - 1e-3)) for pixels in beyond)
    return left, top, right, bottom
