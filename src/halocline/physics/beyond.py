"""Changing what lies beyond a crossing and nothing in front of it.

A layer acts on things behind it only. The picture beyond it is completed where nearer things hide it, then
softened and displaced, and put back under them: what is nearer is neither displaced nor smeared, nor does it
lend its light to what is behind.

    result = picture + share (changed - completed)

with ``share`` the part of each pixel that shows what lies beyond. Where nothing is changed, no bit changes;
where a pixel shows only what lies beyond, it is the changed picture; at an antialiased edge the nearer
thing's light stays as it is, premultiplied.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.physics.bend import Grid, displacement_maps, grown_nearest, sample
from halocline.physics.layers import LayerView
from halocline.physics.refraction import lever_arm
from halocline.physics.soften import HiddenPlaces, VaryingBlur, doubled, halved, in_parallel

# Nothing is farther away than this; keeps infinite ranges finite.
FARTHEST_M = 1e5
# Width of the cells in which open water is filled in, in pixels of a picture of a quarter.
CELL_WIDTH = 8
# Small enough for the processor's cache.
ROWS_AT_ONCE = 64


@dataclass(frozen=True)
class Coverage:
    """What each pixel shows, ``(rows, columns)`` each.

    ``range_m`` of the nearer surface, ``alpha`` the part of the pixel that surfaces cover (the rest is open
    water), and, where a pixel mixes two surfaces, ``far_range_m`` of the farther and its share.
    """

    range_m: F32
    alpha: F32 | None = None
    far_range_m: F32 | None = None
    far_share: F32 | None = None

    def part(self, rows: slice) -> Coverage:
        """Return some rows of it."""
        alpha, far_range, far_share = (
            None if plane is None else plane[rows] for plane in (self.alpha, self.far_range_m, self.far_share)
        )
        return Coverage(self.range_m[rows], alpha, far_range, far_share)


def share_beyond(nearness: F32, coverage: Coverage) -> F32:
    """Return the part of each pixel that shows what lies beyond a crossing, 0 to 1.

    Parameters
    ----------
    nearness
        One over the range of the crossing, 1/m, ``(rows, columns)``; 0 where the ray never crosses.
    coverage
        What the pixels show.
    """
    out = np.empty_like(nearness)

    def share(rows: slice) -> None:
        out[rows] = _share_of(nearness[rows], coverage.part(rows))

    in_parallel(share, [slice(y, y + ROWS_AT_ONCE) for y in range(0, len(nearness), ROWS_AT_ONCE)])
    return out


def _share_of(nearness: F32, coverage: Coverage) -> F32:
    beyond = _beyond(nearness, coverage.range_m)
    if coverage.far_range_m is not None and coverage.far_share is not None:
        mixed = coverage.far_share > 0
        farther = _beyond(nearness, coverage.far_range_m)
        beyond = np.where(mixed, beyond + coverage.far_share * (farther - beyond), beyond)
    if coverage.alpha is not None:
        # Open water reaches beyond every crossing.
        crosses = (nearness > 0).astype(np.float32)
        beyond -= crosses
        beyond *= coverage.alpha
        beyond += crosses
    return beyond


def _beyond(nearness: F32, range_m: F32) -> F32:
    distance = np.minimum(range_m, np.float32(FARTHEST_M))
    return (distance * nearness > np.float32(1.0)).astype(np.float32)


def first_crossing(views: Sequence[LayerView]) -> F32:
    """Return one over the range at which a ray meets the nearest of the layers, 1/m; 0 if it meets none."""
    nearest = np.minimum.reduce([view.enter_m for view in views])
    nearness: F32 = np.float32(1.0) / np.maximum(nearest, np.float32(1.0 / FARTHEST_M))
    return nearness


def levers(
    views: Sequence[LayerView],
    grid: Grid,
    beyond: F32,
    range_m: F32,
    *,
    reach: int,
    seen_to: Callable[[F32], F32],
) -> list[F32]:
    """Return each layer's lever (see `refraction.lever_arm`) on the grid, smooth across edges.

    Parameters
    ----------
    views
        The layers.
    grid
        Where the views are.
    beyond
        The part of each pixel that shows what lies beyond the first layer.
    range_m
        Range of each pixel.
    reach
        Cells by which the lever of a nearer thing is extended around it; see `bend.grown_nearest`.
    seen_to
        Range up to which one sees anything beyond a crossing at a range: nothing is displaced more than it
        would be there.
    """
    distance = np.where(beyond > 0, np.minimum(range_m, np.float32(FARTHEST_M)), np.float32(FARTHEST_M))
    cells = grid.nearest(distance)
    return [
        grown_nearest(lever_arm(np.minimum(cells, seen_to(view.enter_m)), view.enter_m, view.leave_m), reach)
        for view in views
    ]


@dataclass(frozen=True)
class Mirror:
    """Light that a layer throws back at grazing angles, on a grid.

    Attributes
    ----------
    share
        Share of the light that comes from the mirrored direction, 0 to 1.
    shift_x, shift_y
        Displacement to the mirrored direction, pixels.
    behind_m
        Things nearer than this stand in front of where the layer mirrors and are not seen in it, metres.
    """

    share: F32
    shift_x: F32
    shift_y: F32
    behind_m: float


@dataclass(frozen=True)
class OpenWater:
    """Water without a surface behind it: smooth light, displaced by itself.

    Things that stand in it are displaced less, being nearer. If both went by one displacement that is blended
    around each thing, the water's brightness would betray where the blend is: a halo around the thing.

    Attributes
    ----------
    empty
        Where a pixel shows nothing but open water, ``(rows, columns)``, true or false.
    shift_x, shift_y
        Its displacement in pixels, on a grid.
    """

    empty: NDArray[np.bool_]
    shift_x: F32
    shift_y: F32


@dataclass(frozen=True)
class Change:
    """What is done to the picture beyond.

    Attributes
    ----------
    grid
        Grid of all that is said to be on one.
    shift_x, shift_y
        Displacement of each channel in pixels, on the grid: one plane for all or one a channel.
    blur_px
        Standard deviation of the blur, on the grid.
    mirror
        Light from mirrored directions; None where no pixel is mirrored.
    open_water
        Displacement of what has no surface; None where that is displaced like the rest.
    """

    grid: Grid
    shift_x: F32
    shift_y: F32
    blur_px: F32
    mirror: Mirror | None = None
    open_water: OpenWater | None = None

    def maps(self, channel: int) -> tuple[F32, F32]:
        """Return source columns and rows of a channel for every pixel."""
        kind = min(channel, len(self.shift_x) - 1)
        return self.grid.source_maps(np.stack([self.shift_x[kind], self.shift_y[kind]]))


def changed_beyond(picture: F32, share: F32, range_m: F32, change: Change) -> F32:
    """Return the picture with what lies beyond softened, displaced and mirrored.

    Parameters
    ----------
    picture
        Premultiplied, ``(channels, rows, columns)``.
    share
        The part of each pixel that shows what lies beyond, 0 to 1.
    range_m
        Range of each pixel; only the mirror asks for it.
    change
        What to do. Edge pixels repeat.
    """
    grid, water, mirror = change.grid, change.open_water, change.mirror
    hidden, blur = HiddenPlaces.of(share), VaryingBlur.of(grid, change.blur_px)
    backdrop = None if water is None else _Backdrop.of(share, water, grid)
    reflection = None if mirror is None else _Reflection.of(range_m, mirror, grid)
    out = np.empty_like(picture)

    def change_channel(channel: int) -> None:
        plane = picture[channel]
        completed = hidden.filled(plane)
        if backdrop is None:
            moved = sample(blur.applied(completed), *change.maps(channel))
        else:
            still, moved_water = backdrop.light(plane)
            np.subtract(completed, still, out=still)
            moved = sample(blur.applied(still), *change.maps(channel))
            moved += moved_water
        if reflection is not None:
            reflection.mix_into(moved, plane)
        moved -= completed
        moved *= share
        np.add(plane, moved, out=out[channel])

    in_parallel(change_channel, range(len(picture)))
    return out


@dataclass(frozen=True)
class _Backdrop:
    """Open water by itself, and where its light comes from.

    Water is smooth: a quarter of the size will do. It goes from bright to dark with height far more than to
    the sides, so what things hide of it is filled in from cells that are eight times as wide as high.
    """

    seen: F32
    cells: HiddenPlaces
    source_x: F32
    source_y: F32

    @classmethod
    def of(cls, share: F32, water: OpenWater, grid: Grid) -> _Backdrop | None:
        plain = water.empty & (share >= np.float32(1.0))
        if not plain.any():
            return None
        # A pixel of the quarter picture gathers some seven each way.
        seen = (halved(halved(plain.astype(np.float32))) > np.float32(0.999)).astype(np.float32)
        cells = HiddenPlaces.of((_cells(seen) > np.float32(0.25)).astype(np.float32))
        if not cells.plain.any():
            return None
        x, y = displacement_maps(
            *(np.float32(0.25) * grid.blown_up(plane, every=4) for plane in (water.shift_x, water.shift_y))
        )
        return cls(seen, cells, x, y)

    def light(self, plane: F32) -> tuple[F32, F32]:
        """Return the water as it is and as it is displaced, both in full size."""
        quarter = halved(halved(plane))
        mean = _cells(quarter * self.seen) / np.maximum(_cells(self.seen), np.float32(1e-6))
        filled = self.cells.filled(mean.astype(np.float32, copy=False))
        rows, columns = quarter.shape
        wide = cv2.resize(filled, (filled.shape[1] * CELL_WIDTH, rows), interpolation=cv2.INTER_LINEAR)
        water = np.ascontiguousarray(wide[:, :columns], np.float32)
        displaced = sample(water, self.source_x, self.source_y)
        return _four_times(water, plane.shape), _four_times(displaced, plane.shape)


def _cells(quarter: F32) -> F32:
    """Return the means of cells `CELL_WIDTH` wide and one high; the last column repeats."""
    rows, columns = quarter.shape
    count = -(-columns // CELL_WIDTH)
    padded = cv2.copyMakeBorder(quarter, 0, 0, 0, count * CELL_WIDTH - columns, cv2.BORDER_REPLICATE)
    return np.asarray(cv2.resize(padded, (count, rows), interpolation=cv2.INTER_AREA), np.float32)


def _four_times(quarter: F32, shape: tuple[int, ...]) -> F32:
    rows, columns = shape
    return doubled(doubled(quarter, ((rows + 1) // 2, (columns + 1) // 2)), (rows, columns))


@dataclass(frozen=True)
class _Reflection:
    """What the layer mirrors, in the rows that it does so; from a picture of a quarter of the size.

    A layer is no polished mirror, and the smaller picture is the softer.
    """

    hidden: HiddenPlaces
    rows: slice
    share: F32
    source_x: F32
    source_y: F32

    @classmethod
    def of(cls, range_m: F32, mirror: Mirror, grid: Grid) -> _Reflection | None:
        share = grid.blown_up(mirror.share)
        lit = np.nonzero(share.any(axis=1))[0]
        if len(lit) == 0:
            return None
        rows = slice(int(lit[0]), int(lit[-1]) + 1)
        x, y = (plane[rows] for plane in grid.source_maps(np.stack([mirror.shift_x, mirror.shift_y])))
        x *= np.float32(0.25)
        y *= np.float32(0.25)
        far = halved(halved((range_m > np.float32(mirror.behind_m)).astype(np.float32)))
        hidden = HiddenPlaces.of((far > np.float32(0.999)).astype(np.float32))
        return cls(hidden, rows, share[rows], x, y)

    def mix_into(self, moved: F32, plane: F32) -> None:
        """Mix in the light from the mirrored direction, in place."""
        mirrored = self.hidden.filled(halved(halved(plane)))
        seen = sample(mirrored, self.source_x, self.source_y)
        seen -= moved[self.rows]
        seen *= self.share
        moved[self.rows] += seen
