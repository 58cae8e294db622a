"""Slopes of a moving surface as a pixel sees them: their mean over what it covers, and what it hides.

A pixel that looks up at the sea covers a patch of it: small and round overhead, long and thin towards the
horizon. The waves inside that patch do not vanish when their slopes are averaged. They spread whatever is
seen by them, and the sun above all: a glint whose waves are finer than a pixel is a wider and fainter one,
not another single pixel on each frame. What moves while the shutter is open spreads it likewise. So each
lookup gives two mean slopes and the variance about them.

Images of slopes are halved again and again, each cell of a halved one knowing the mean square of the cells it
stands for. A patch longer than it is wide is looked up at several places along its length (heckbert1989 gives
the elliptical filter of which this is the cheap form).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.physics.sea.light_lookup import SQUARES, Layout, bilinear, cross_faded, place_in_squares

# Places looked up along a patch at most; a longer one is taken as wider.
_MOST_PLACES = 8
_ZERO, _HALF, _ONE, _TWO = (np.float32(number) for number in (0.0, 0.5, 1.0, 2.0))


class Footprint(NamedTuple):
    """What pixels cover of the surface, ``(n,)`` each.

    Attributes
    ----------
    across_m, along_m
        Width and length of the patch, metres.
    x, y
        Unit vector of its length, level.
    """

    across_m: F32
    along_m: F32
    x: F32
    y: F32

    @classmethod
    def of_view(cls, directions: F32, range_m: F32, angle_rad: float) -> Footprint:
        """Return what pixels cover of a level surface.

        Parameters
        ----------
        directions
            ``(3, n)`` unit view directions, x, y and down.
        range_m
            ``(n,)`` metres to the surface.
        angle_rad
            Angle between the views of neighbouring pixels.
        """
        level = np.sqrt(directions[0] ** 2 + directions[1] ** 2)
        safe = np.maximum(level, np.float32(1e-6))
        across = range_m * np.float32(angle_rad)
        along = across / np.maximum(np.abs(directions[2]), np.float32(1e-3))
        return cls(across, along, directions[0] / safe, directions[1] / safe)

    def swept(self, x: F32, y: F32) -> Footprint:
        """Return what they cover while each goes some way over the surface.

        Parameters
        ----------
        x, y
            ``(n,)`` metres, level.

        Returns
        -------
        Footprint
            Ellipses of the variance of both.
        """
        out = np.empty((4, x.size), np.float32)
        _sweep(self, x, y, out)
        return Footprint(*out)


@compiled
def _sweep(footprint: Footprint, x: F32, y: F32, out: F32) -> None:
    for n in range(x.size):
        u, v = footprint.x[n], footprint.y[n]
        length, width, cos, sin = drawn_out(
            footprint.along_m[n], footprint.across_m[n], x[n] * u + y[n] * v, y[n] * u - x[n] * v
        )
        out[0, n], out[1, n] = width, length
        out[2, n], out[3, n] = cos * u - sin * v, cos * v + sin * u


@compiled
def drawn_out(
    length: np.float32, width: np.float32, along: np.float32, across: np.float32
) -> tuple[np.float32, np.float32, np.float32, np.float32]:
    """Return length, width and the direction of the length of an ellipse that is drawn out.

    Parameters
    ----------
    length, width
        Of the ellipse, any unit; the length is no less than the width.
    along, across
        How far it is drawn along its length and across it.

    Returns
    -------
    tuple[float32, float32, float32, float32]
        Length and width of the one that has both variances added up; cosine and sine of the angle from the
        old length to the new one.
    """
    first, second, mixed = length * length + along * along, width * width + across * across, along * across
    apart = np.sqrt((first - second) * (first - second) + (mixed + mixed) * (mixed + mixed))
    most = _HALF * (first + second + apart)
    least = max(_HALF * (first + second - apart), width * width)
    cos, sin = (most - second, mixed) if first >= second else (mixed, most - first)
    norm = np.sqrt(cos * cos + sin * sin)
    if norm > _ZERO:
        cos, sin = cos / norm, sin / norm
    else:
        cos, sin = _ONE, _ZERO
    return np.sqrt(most), np.sqrt(least), cos, sin


def slope_levels(moments: list[tuple[F32, F32]]) -> tuple[F32, ...]:
    """Return an image of slopes over an exposure, and it halved down to a single cell.

    Parameters
    ----------
    moments
        ``(cells, cells)`` slopes along x and along y at moments of it, cyclic, cells a power of two.

    Returns
    -------
    Images ``(cells, cells, 3)``: means of both slopes, and of the sum of their squares; in the first image,
    the sum of their variances in time. No wave is lost.
    """
    share = np.float32(1.0 / len(moments))
    x, y = (np.sum(slopes, axis=0) * share for slopes in zip(*moments, strict=True))
    square = np.sum([along * along + across * across for along, across in moments], axis=0) * share
    mean_square = x * x + y * y
    levels = [np.stack([x, y, np.maximum(square - mean_square, _ZERO)], axis=-1).astype(np.float32)]
    finer = levels[0].copy()
    finer[..., 2] += mean_square
    while len(finer) > 1:
        rows = finer[0::2] + finer[1::2]
        finer = (rows[:, 0::2] + rows[:, 1::2]) * np.float32(0.25)
        levels.append(finer)
    return tuple(levels)


def look_up_slopes(
    x: F32, y: F32, footprint: Footprint, layout: Layout, fine: tuple[F32, ...], long: tuple[F32, ...]
) -> F32:
    """Return mean slopes along x and y, and the variance about them of both together, ``(3, n)``.

    Parameters
    ----------
    x, y
        ``(n,)`` middles of the patches, metres from the layout's origin.
    footprint
        The patches.
    layout
        Where places lie on the images.
    fine, long
        Levels of both images, see `slope_levels`.
    """
    out = np.empty((3, x.size), np.float32)
    per_m = _cells_per_m(layout.fine, fine), _cells_per_m(layout.long, long)
    _look_up((x, y), footprint, layout, fine, long, per_m, out)
    return out


def _cells_per_m(axes: F32, levels: tuple[F32, ...]) -> np.float32:
    """Return how many of the finest cells a patch of one metre should have along its width.

    What lies bilinearly between cells of width c is as soft as an even patch of width c sqrt(3):
    both have the variance c^2/4.
    """
    return np.float32(np.hypot(axes[0, 0], axes[0, 1]) * len(levels[0]) / math.sqrt(3.0))


@compiled
def _look_up(
    places: tuple[F32, F32],
    footprint: Footprint,
    layout: Layout,
    fine: tuple[F32, ...],
    long: tuple[F32, ...],
    per_m: tuple[np.float32, np.float32],
    out: F32,
) -> None:
    x, y = places
    for n in range(x.size):
        length = footprint.along_m[n]
        width = max(footprint.across_m[n], length / np.float32(_MOST_PLACES))
        count = max(1, min(int(np.ceil(length / max(width, np.float32(1e-9)))), _MOST_PLACES))
        level, part = _level_of(width * per_m[0], len(fine))
        long_level, long_part = _level_of(width * per_m[1], len(long))
        mean_x = mean_y = square = _ZERO
        for k in range(count):
            offset = ((np.float32(k) + _HALF) / np.float32(count) - _HALF) * length
            at_x, at_y = x[n] + offset * footprint.x[n], y[n] + offset * footprint.y[n]
            a, b, c = _slopes_at(fine, level, part, layout, False, at_x, at_y)
            d, e, f = _slopes_at(long, long_level, long_part, layout, True, at_x, at_y)
            a, b = a + d, b + e
            mean_x, mean_y, square = mean_x + a, mean_y + b, square + (a * a + b * b + c + f)
        share = _ONE / np.float32(count)
        mean_x, mean_y = mean_x * share, mean_y * share
        out[0, n], out[1, n] = mean_x, mean_y
        out[2, n] = max(square * share - mean_x * mean_x - mean_y * mean_y, _ZERO)


@compiled
def _slopes_at(
    levels: tuple[F32, ...],
    level: int,
    part: np.float32,
    layout: Layout,
    of_long: bool,
    x: np.float32,
    y: np.float32,
) -> tuple[np.float32, np.float32, np.float32]:
    """Return slopes, and the variance hidden at a level and in part the next; at the finest, in time."""
    finest = levels[0].shape[0]
    if of_long:
        a, b, c = _long_slopes(levels[level], finest, layout, x, y)
    else:
        a, b, c = _fine_slopes(levels[level], finest, layout, x, y)
    hidden = max(c - a * a - b * b, _ZERO) if level > 0 else c
    if part > _ZERO:
        if of_long:
            d, e, f = _long_slopes(levels[level + 1], finest, layout, x, y)
        else:
            d, e, f = _fine_slopes(levels[level + 1], finest, layout, x, y)
        hidden += part * (max(f - d * d - e * e, _ZERO) - hidden)
        a, b = a + part * (d - a), b + part * (e - b)
    return a, b, hidden


@compiled
def _level_of(cells_wide: np.float32, levels: int) -> tuple[int, np.float32]:
    """Return the level whose cells are as wide, and how far on the way to the next, 0 to 1."""
    level = 0
    while cells_wide >= _TWO and level < levels - 1:
        cells_wide *= _HALF
        level += 1
    # Straight between the levels: continuous, which is all that is asked.
    return level, max(_ZERO, cells_wide - _ONE) if level < levels - 1 else _ZERO


@compiled
def _middle(cells: int, finest: int) -> np.float32:
    """Return where the first cell's middle lies, in cells: it stands for finer ones from the origin on."""
    return _HALF * (_ONE - np.float32(cells) / np.float32(finest))


@compiled
def _long_slopes(
    image: F32, finest: int, layout: Layout, x: np.float32, y: np.float32
) -> tuple[np.float32, np.float32, np.float32]:
    cells, axes = np.float32(image.shape[0]), layout.long
    middle = _middle(image.shape[0], finest)
    column = (axes[0, 0] * x + axes[0, 1] * y + axes[0, 2]) * cells
    row = (axes[1, 0] * x + axes[1, 1] * y + axes[1, 2]) * cells
    return bilinear(image, column - middle, row - middle)


@compiled
def _fine_slopes(
    image: F32, finest: int, layout: Layout, x: np.float32, y: np.float32
) -> tuple[np.float32, np.float32, np.float32]:
    cells, middle = np.float32(image.shape[0]), _middle(image.shape[0], finest)
    side_x, square_x, far_x = place_in_squares(layout.fine, 0, x, y)
    side_y, square_y, far_y = place_in_squares(layout.fine, 1, x, y)
    if far_x == _ZERO and far_y == _ZERO:
        i, j = square_x & (SQUARES - 1), square_y & (SQUARES - 1)
        column, row = (side_x + layout.parts[0, j, i]) * cells, (side_y + layout.parts[1, j, i]) * cells
        return bilinear(image, column - middle, row - middle)
    first, second, third = cross_faded(
        image, middle, layout.parts, square_x, square_y, side_x, side_y, far_x, far_y, _ZERO
    )
    # Patterns that have nothing in common mix their squares by the squares of their shares.
    mixed = (far_x * far_x + (_ONE - far_x) ** 2) * (far_y * far_y + (_ONE - far_y) ** 2)
    return first, second, third * np.sqrt(mixed) * np.sqrt(np.sqrt(mixed))
