"""What a picture shows about a place: where the halo that lies over it comes from.

A subject stands in the halo of all that is about it, and a card on dark rock looks otherwise than the same
card on sand. The picture shows what is about a place, so a match need not guess. What lies outside the frame
is taken to mirror what is inside, as `forward_scatter` does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from halocline._typing import F32, F64
from halocline.late_dataclass import dataclass
from halocline.physics.path.halo_about import ASIDE

RINGS = ASIDE.size - 1
# Halos are wide: so many columns of a picture tell as much as all.
COLUMNS = 160
# Steps of range into which the things about a place are sorted.
RANGE_STEPS = 10
# Directions in which open water is reckoned, down and across the picture; between them it is mixed.
MESH = (3, 5)
# The width of a picture whose lens is not known, degrees. Common practice, no source.
USUAL_VIEW_DEG = 60.0


@dataclass(frozen=True, eq=False)
class Around:
    """What is about one place: by how far away it is, and by the ring of `ASIDE` in which it is seen.

    Attributes
    ----------
    range_m
        Of each step of range, ``(steps,)``, finite.
    rgb
        Mean light of a ring's things of that range, times their share of the ring, ``(steps, rings, 3)``.
    share
        Their share of the ring, by the view whose open water is behind them, ``(steps, rings, views)``. What
        a ring's shares leave to 1 is open water.
    views
        Unit directions, world, ``(views, 3)``; none where the lens is not known.
    """

    range_m: F64
    rgb: F64
    share: F64
    views: F64 | None

    @classmethod
    def nothing(cls) -> Around:
        """Return what is about a place where all is open water."""
        return cls(np.ones(1), np.zeros((1, RINGS, 3)), np.zeros((1, RINGS, 1)), None)


@dataclass(frozen=True, eq=False)
class Surroundings:
    """A picture, small, ready to be asked for what is about any of its places.

    Attributes
    ----------
    shown
        Linear colour of each pixel and what it has of each view, ``(pixels, 3 + views)``, of a picture
        mirrored at its edges: three times as tall and wide.
    step
        Step of range of each, ``(pixels,)``; as many as there are steps for open water.
    range_m
        Of each step, ``(steps,)``.
    views
        See `Around`.
    columns, rows
        Slopes of the mirrored picture's columns and rows, from the left and upper edge of the picture itself.
    slope_per_px
        Slope for one pixel of the picture as it came.
    """

    shown: F64
    step: NDArray[np.int64]
    range_m: F64
    views: F64 | None
    columns: F64
    rows: F64
    slope_per_px: float

    @classmethod
    def of(
        cls, linear: F32 | F64, range_m: F32, directions: F32 | None, focal_px: float | None
    ) -> Surroundings:
        """Make it ready.

        Parameters
        ----------
        linear
            ``(rows, columns, 3)``, linear.
        range_m
            ``(rows, columns)``, inf for open water.
        directions
            Unit view directions, world, ``(3, rows, columns)``, where the lens is known.
        focal_px
            Pixels per radian at its centre, where the lens is known.
        """
        tall, wide = linear.shape[:2]
        times = max(1.0, wide / COLUMNS)
        size = max(1, round(wide / times)), max(1, round(tall / times))
        small = cv2.resize(np.nan_to_num(linear), size, interpolation=cv2.INTER_AREA)
        ranges = _at_centres(range_m, size)
        steps, middles = _steps(ranges)
        slope = 1.0 / (focal_px or wide / (2.0 * math.tan(math.radians(USUAL_VIEW_DEG / 2.0))))
        grid = _mesh(size) if directions is not None else np.ones((size[1], size[0], 1))
        views = None if directions is None else _views(directions)
        around = _mirrored(size)
        across, down = (np.arange(-n, 2 * n) + 0.5 for n in size)
        return cls(
            np.hstack([small.reshape(-1, 3).astype(np.float64), grid.reshape(steps.size, -1)])[around],
            steps.ravel()[around],
            middles,
            views,
            across * (wide / size[0]) * slope,
            down * (tall / size[1]) * slope,
            slope,
        )

    def about(self, places: Sequence[tuple[float, float]]) -> Around:
        """Return what is about some places on the mean, given as column and row of the picture as it came."""
        parts = [self._about(x, y) for x, y in places]
        rgb, share = (np.mean(part, axis=0) for part in zip(*parts, strict=True))
        return Around(self.range_m, rgb, share, self.views)

    def about_alone(self, place: tuple[float, float], range_m: float) -> Around:
        """Return what is about a place if all of it that is no open water is as far away as the place."""
        rgb, share = self._about(*place)
        return Around(np.array([range_m]), rgb.sum(axis=0)[None], share.sum(axis=0)[None], self.views)

    def _about(self, x: float, y: float) -> tuple[F64, F64]:
        across = self.columns - (x + 0.5) * self.slope_per_px
        down = self.rows - (y + 0.5) * self.slope_per_px
        # The pixel it lies in is at its very centre.
        across, down = (each - each[np.argmin(np.abs(each))] for each in (across, down))
        aside = np.hypot(down[:, None], across).ravel()
        ring = np.searchsorted(ASIDE[1:-1], aside, side="right")
        steps = self.range_m.size
        # What is open water falls into a step beyond the last.
        cell, cells = ring * (steps + 1) + self.step, RINGS * (steps + 1)
        # Sums by cell: a row of what is shown is added to that of its cell, one after another.
        every = np.arange(cell.size + 1)
        cell_of = csr_matrix((np.ones(cell.size), cell, every), shape=(cell.size, cells))
        sums = (cell_of.T @ self.shown).reshape(RINGS, steps + 1, -1)[:, :steps]
        pixels = np.bincount(ring, minlength=RINGS)
        # A ring between the pixels, or beyond them all, shows what the next one inward does.
        filled = np.maximum.accumulate(np.where(pixels > 0, np.arange(RINGS), 0))
        table = (sums / np.maximum(pixels, 1)[:, None, None])[filled].swapaxes(0, 1)
        return table[..., :3], table[..., 3:]


def nearest_ranges(shape: tuple[int, int], places: Sequence[tuple[float, float, float]]) -> F32:
    """Return a range map where ranges are known at some places alone: all is as far as the nearest of them.

    Parameters
    ----------
    shape
        Rows and columns.
    places
        Column, row and range of each; inf for open water.

    Returns
    -------
    F32
        Metres, ``(rows, columns)``.
    """
    rows, columns = np.indices(shape, np.float32)
    least = np.full(shape, np.inf, np.float32)
    ranges = np.full(shape, np.inf, np.float32)
    for x, y, range_m in places:
        away = (columns - np.float32(x)) ** 2 + (rows - np.float32(y)) ** 2
        nearer = away < least
        least[nearer], ranges[nearer] = away[nearer], range_m
    return ranges


def _steps(range_m: F32) -> tuple[NDArray[np.int64], F64]:
    """Return which step of range each pixel is of, and the range of each step."""
    seen = np.isfinite(range_m)
    if not seen.any():
        return np.ones(range_m.shape, np.int64), np.ones(1)
    logs = np.log(range_m[seen].astype(np.float64))
    edges = np.unique(np.quantile(logs, np.linspace(0.0, 1.0, RANGE_STEPS + 1)))[1:-1]
    step = np.full(range_m.shape, -1, np.int64)
    step[seen] = np.searchsorted(edges, logs, side="right")
    filled, inverse = np.unique(step[seen], return_inverse=True)
    step[~seen], step[seen] = filled.size, inverse
    return step, np.exp([logs[inverse == number].mean() for number in range(filled.size)])


def _mesh(size: tuple[int, int]) -> F64:
    """Return what each pixel has of each node of the mesh, ``(rows, columns, nodes)``."""
    rows, columns = (_hats(count, nodes) for count, nodes in zip(size[::-1], MESH, strict=True))
    return np.asarray((rows[:, None, :, None] * columns[None, :, None, :]).reshape(*size[::-1], -1))


def _hats(count: int, nodes: int) -> F64:
    at = (np.arange(count) + 0.5) / count * (nodes - 1)
    return np.maximum(0.0, 1.0 - np.abs(at[:, None] - np.arange(nodes)))


def _views(directions: F32) -> F64:
    rows, columns = (
        np.round(np.linspace(0.0, n - 1.0, nodes)).astype(int)
        for n, nodes in zip(directions.shape[1:], MESH, strict=True)
    )
    views = directions[:, rows[:, None], columns].reshape(3, -1).T.astype(np.float64)
    return np.asarray(views / np.linalg.norm(views, axis=1, keepdims=True))


def _at_centres(plane: F32, size: tuple[int, int]) -> F32:
    rows, columns = (
        ((np.arange(few) + 0.5) * many / few).astype(int)
        for few, many in zip(size[::-1], plane.shape, strict=True)
    )
    return np.asarray(plane[rows[:, None], columns], np.float32)


def _mirrored(size: tuple[int, int]) -> NDArray[np.int64]:
    """Return which pixel is seen at each place of a picture mirrored at its edges, three times its size."""
    columns, rows = size
    pixels = np.arange(rows * columns).reshape(rows, columns)
    return np.pad(pixels, ((rows, rows), (columns, columns)), mode="symmetric").ravel()
