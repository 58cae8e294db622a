"""Filters that soften a picture by different amounts in different places.

All work on whole planes, `(rows, columns)` or `(channels, rows, columns)`, float32, and go through a pyramid
of halved pictures, so that a wide kernel costs no more than a narrow one. Edge pixels repeat.

The pyramid's steps are OpenCV's: a 5-tap binomial going down and going up, each of variance 1 in pixels of
the finer level. A picture taken down ``n`` levels and up again is therefore blurred by a Gaussian of variance
``2 (4^n - 1)/3``, a little rounder at its top (7 % of the peak at most).
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from halocline._typing import F32
from halocline.compute.threads import in_parallel
from halocline.filters import pyramid_loops
from halocline.filters.displacement import Grid
from halocline.late_dataclass import dataclass

# A level narrower than this many pixels says nothing more about the picture.
SMALLEST_LEVEL = 3
# Small enough for the processor's cache.
ROWS_AT_ONCE = 32
# Stands for a plane that is not there.
NOTHING: F32 = np.empty((0, 0), np.float32)


def bands_of_rows(rows: int, *, at_once: int = ROWS_AT_ONCE) -> list[slice]:
    """Return the rows of a plane in pieces for `in_parallel`, which may be taken by themselves.

    Parameters
    ----------
    rows
        Rows of the plane.
    at_once
        Most rows of a piece.

    Returns
    -------
    list[slice]
        Slices that cover all rows once, in order.
    """
    return [slice(y, min(y + at_once, rows)) for y in range(0, rows, at_once)]


def level_variance(level: int) -> float:
    """Return the variance, px^2, of going down and up ``level`` levels. Worked value: 3 gives 42."""
    return 2.0 * (4.0**level - 1.0) / 3.0


def halved(plane: F32) -> F32:
    """Return the plane blurred and halved; pixel (0, 0) stays where it is. Edge pixels repeat.

    Parameters
    ----------
    plane
        ``(rows, columns)``.

    Returns
    -------
    F32
        Half of the rows and columns, rounded up.
    """
    return np.asarray(cv2.pyrDown(plane, borderType=cv2.BORDER_REPLICATE), np.float32)


def doubled(plane: F32, shape: tuple[int, int]) -> F32:
    """Return the plane blown up to the shape it was halved from.

    Parameters
    ----------
    plane
        ``(rows, columns)``.
    shape
        Rows and columns wanted: twice those of the plane, or one less.

    Returns
    -------
    F32
        A plane of that shape.
    """
    rows, columns = shape
    return np.asarray(cv2.pyrUp(plane, dstsize=(columns, rows)), np.float32)


@dataclass(frozen=True)
class VaryingBlur:
    """A blur whose width changes from place to place, ready for any number of planes.

    Between two levels of the pyramid the kernel is a mixture of both whose variance is the one asked for. A
    constant plane stays as it is. Where sigma is 0 in a whole neighbourhood, no bit changes.

    A plane goes through it in two steps: `coarse` makes the coarser levels, `mix` takes them in, row by row.

    Attributes
    ----------
    grid
        Grid over the planes.
    sigma_px
        Standard deviation wanted, on the grid, 0 leaves a plane as it is. It should be smooth: a step in it
        shows as a step of sharpness.
    shares
        Level by level of the pyramid, from half size on: how much of a pixel comes from the coarser levels.
    """

    grid: Grid
    sigma_px: F32
    shares: tuple[F32, ...]

    @classmethod
    def of(cls, grid: Grid, sigma_px: F32) -> VaryingBlur:
        """Prepare a blur."""
        widest = float(sigma_px.max(initial=0.0)) ** 2
        shares: list[F32] = []
        if widest > level_variance(1):
            variance = np.square(grid.blown_up(sigma_px, every=2))
            while widest > level_variance(1 + len(shares)) and min(variance.shape) >= 2 * SMALLEST_LEVEL:
                shares.append(_coarser_share(variance, 1 + len(shares)))
                variance = halved(variance)
        return cls(grid, sigma_px, tuple(shares))

    def coarse(self, plane: F32) -> F32 | None:
        """Return what a plane is mixed with, at half its size; None where it is blurred nowhere."""
        if not self.sigma_px.any() or min(plane.shape) < 2 * SMALLEST_LEVEL:
            return None
        return self._mixed(halved(plane), 0)

    def mix(self, planes: Sequence[F32], coarse: Sequence[F32], *, rows: slice, out: Sequence[F32]) -> None:
        """Write some rows of blurred planes, from what `coarse` made of each; ``out`` may be the planes."""
        share = _coarser_share(np.square(self.grid.blown_up(self.sigma_px, rows=rows)), 0)
        first, last, _ = rows.indices(self.grid.height)
        for plane, part, to in zip(planes, coarse, out, strict=True):
            pyramid_loops.soften(plane, share, part, to, first, last)

    def _mixed(self, plane: F32, level: int) -> F32:
        """Return the plane at one level of the pyramid, mixed with what the coarser levels make of it."""
        if level < len(self.shares):
            coarse = self._mixed(halved(plane), level + 1)
            # Into a plane of its own, or the compiler could not do many pixels at once.
            mixed = np.empty_like(plane)
            pyramid_loops.soften(plane, self.shares[level], coarse, mixed, 0, len(plane))
            return mixed
        return plane


def _coarser_share(variance: F32, level: int) -> F32:
    """Return how much of each pixel of a level comes from coarser ones, from the variance wanted, px^2."""
    low, high = level_variance(level), level_variance(level + 1)
    share = variance - np.float32(low)
    share *= np.float32(1.0 / (high - low))
    return np.clip(share, np.float32(0.0), np.float32(1.0), out=share)


@dataclass(frozen=True)
class HiddenPlaces:
    """Where nearer things hide the farther picture, ready to fill in any number of planes.

    Attributes
    ----------
    share
        The part of each pixel that shows the farther picture, 0 to 1.
    seen
        1 where nothing else shows, else 0, level by level of the pyramid; empty where nothing is hidden, or
        everything.
    """

    share: F32
    seen: tuple[F32, ...]

    @classmethod
    def of(cls, share: F32) -> HiddenPlaces:
        """Prepare to fill in what is hidden."""
        seen = np.empty_like(share)

        def see(rows: slice) -> tuple[bool, bool]:
            plain = np.greater_equal(share[rows], np.float32(1.0), out=seen[rows])
            return bool(plain.any()), bool(plain.all())

        some, all_of_it = zip(*in_parallel(see, bands_of_rows(len(share))), strict=True)
        if all(all_of_it) or not any(some):
            return cls(share, ())
        levels = [seen, halved(seen)]
        while min(levels[-1].shape) >= 2 * SMALLEST_LEVEL:
            levels.append(halved(levels[-1]))
        return cls(share, tuple(levels))

    def coarse(self, plane: F32) -> F32:
        """Return what is filled in, at half the size of a plane; empty where nothing is."""
        if not self.seen:
            return NOTHING
        weighted = np.empty_like(self.seen[1])
        pyramid_loops.halved_product(plane, self.seen[0], weighted)
        return self._filled(weighted, 1)

    def fill(
        self, plane: F32, coarse: F32, *, minus: F32 = NOTHING, rows: slice = slice(None), out: F32
    ) -> None:
        """Write some rows of the farther picture alone at full coverage, from a premultiplied plane.

        Pixels that show nothing else keep every bit. Mixed pixels count as hidden, because their colour is
        not the farther picture's alone, but are never filled with more than they hold.

        Parameters
        ----------
        plane, coarse
            The plane ``(rows, columns)``, and what `coarse` made of it.
        minus
            A plane of half size to be taken off.
        rows
            Which to write; all where not given.
        out
            Whole plane to write them to.
        """
        first, last, _ = rows.indices(len(plane))
        pyramid_loops.fill(plane, self.share, coarse, minus, out, first, last)

    def filled(self, plane: F32) -> F32:
        """Return the whole of it."""
        out = np.empty_like(plane)
        self.fill(plane, self.coarse(plane), out=out)
        return out

    def _filled(self, weighted: F32, level: int) -> F32:
        """Return colours at one level: own where enough is seen, else those of the coarser level."""
        weight = self.seen[level]
        if level + 1 == len(self.seen):
            weighted /= np.maximum(weight, np.float32(1e-6))
        else:
            pyramid_loops.fill_level(weighted, weight, self._filled(halved(weighted), level + 1))
        return weighted
