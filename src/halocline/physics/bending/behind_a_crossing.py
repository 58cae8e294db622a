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
from functools import partial
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.threads import in_parallel
from halocline.filters import pyramid_loops
from halocline.filters.displacement import Grid, displacement_maps, grown_nearest, sample
from halocline.filters.pyramid_blur import (
    NOTHING,
    HiddenPlaces,
    VaryingBlur,
    bands_of_rows,
    doubled,
    halved,
)
from halocline.late_dataclass import dataclass
from halocline.physics.bending.layers import LayerView
from halocline.physics.bending.refraction import lever_arm

# Nothing is farther away than this; keeps infinite ranges finite.
FARTHEST_M = 1e5
# Width of the cells in which open water is filled in, in pixels of a picture of a quarter.
CELL_WIDTH = 8
# Rows of a grid's cells looked at in one piece of work.
CELLS_AT_ONCE = 4


@dataclass(frozen=True)
class Coverage:
    """What each pixel shows, ``(rows, columns)`` each.

    Attributes
    ----------
    range_m
        Of the nearer surface, metres.
    alpha
        Part of the pixel that surfaces cover, 0 to 1; the rest is open water.
    far_range_m, far_share
        Range of the farther surface where a pixel mixes two, and its share of the pixel.
    """

    range_m: F32
    alpha: F32 | None = None
    far_range_m: F32 | None = None
    far_share: F32 | None = None


def share_beyond(nearness: F32, grid: Grid, coverage: Coverage) -> tuple[F32, F32]:
    """Return what shows beyond a crossing.

    Parameters
    ----------
    nearness
        One over the range of the crossing, 1/m, on the grid; 0 where the ray never crosses.
    grid
        Grid over the picture.
    coverage
        What the pixels show.

    Returns
    -------
    tuple[F32, F32]
        The part of each pixel that shows what lies beyond, 0 to 1, and the range of the nearest of that in
        each of the grid's cells, metres, at most `FARTHEST_M`.
    """
    shape = coverage.range_m.shape
    share, nearest = np.empty(shape, np.float32), np.empty_like(nearness)
    alpha, far_range, far_share = (
        NOTHING if plane is None else np.ascontiguousarray(plane)
        for plane in (coverage.alpha, coverage.far_range_m, coverage.far_share)
    )

    def look(cells: slice) -> None:
        pyramid_loops.look_beyond(
            nearness,
            *grid.start,
            grid.step,
            np.float32(FARTHEST_M),
            np.ascontiguousarray(coverage.range_m),
            alpha,
            far_range,
            far_share,
            share,
            nearest,
            cells.start,
            cells.stop,
        )

    in_parallel(look, bands_of_rows(len(nearest), at_once=CELLS_AT_ONCE))
    # The lines beyond the picture's sides: edges repeat.
    nearest[[0, -1]] = nearest[[1, -2]]
    nearest[:, [0, -1]] = nearest[:, [1, -2]]
    return share, nearest


def first_crossing(views: Sequence[LayerView]) -> F32:
    """Return one over the range at which a ray meets the nearest of the layers, 1/m; 0 if it meets none.

    Parameters
    ----------
    views
        At least one layer on one grid of view rays.

    Returns
    -------
    F32
        1/m, finite, on the views' grid.
    """
    nearest = np.minimum.reduce([view.enter_m for view in views])
    nearness: F32 = np.float32(1.0) / np.maximum(nearest, np.float32(1.0 / FARTHEST_M))
    return nearness


def levers(
    views: Sequence[LayerView], nearest_m: F32, *, reach: int, seen_to: Callable[[F32], F32]
) -> list[F32]:
    """Return each layer's lever (see `refraction.lever_arm`) on the grid, smooth across edges.

    Parameters
    ----------
    views
        The layers.
    nearest_m
        Range of the nearest beyond the first layer in each of the grid's cells, see `share_beyond`.
    reach
        Cells by which the lever of a nearer thing is extended around it; see `displacement.grown_nearest`.
    seen_to
        Range up to which one sees anything beyond a crossing at a range: nothing is displaced more than it
        would be there.

    Returns
    -------
    list[F32]
        A plane for each layer in their order, on the grid, 0 to 1.
    """
    return [
        grown_nearest(
            lever_arm(np.minimum(nearest_m, seen_to(view.enter_m)), view.enter_m, view.leave_m), reach
        )
        for view in views
    ]


@dataclass(frozen=True)
class Mirror:
    """Light that a layer throws back at grazing angles, on a grid.

    Attributes
    ----------
    share
        Share of the light that comes from the mirrored direction, 0 to 1.
    shift
        Displacement to the mirrored direction, right and down in pixels, ``(2, ...)``.
    behind_m
        Things nearer than this stand in front of where the layer mirrors and are not seen in it, metres.
    """

    share: F32
    shift: F32
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
    shift
        Its displacement right and down in pixels, on a grid, ``(2, ...)``.
    """

    empty: NDArray[np.bool_]
    shift: F32


@dataclass(frozen=True)
class Change:
    """What is done to the picture beyond.

    Attributes
    ----------
    grid
        Grid of all that is said to be on one.
    shift
        Displacement right and down in pixels, on the grid: one for all channels or one a channel,
        ``(kinds, 2, ...)``.
    blur_px
        Standard deviation of the blur, on the grid.
    mirror
        Light from mirrored directions; None where no pixel is mirrored.
    open_water
        Displacement of what has no surface; None where that is displaced like the rest.
    """

    grid: Grid
    shift: F32
    blur_px: F32
    mirror: Mirror | None = None
    open_water: OpenWater | None = None


def changed_beyond(picture: F32 | Sequence[F32], share: F32, range_m: F32, change: Change) -> F32:
    """Return the picture with what lies beyond softened, displaced and mirrored.

    Parameters
    ----------
    picture
        Premultiplied, ``(channels, rows, columns)``, or a plane ``(rows, columns)`` for each channel.
    share
        The part of each pixel that shows what lies beyond, 0 to 1.
    range_m
        Range of each pixel; only the mirror asks for it.
    change
        What to do. Edge pixels repeat.

    Returns
    -------
    F32
        ``(channels, rows, columns)``, premultiplied; nothing in front of the crossing has moved.
    """
    grid, water, mirror = change.grid, change.open_water, change.mirror
    planes = [np.ascontiguousarray(plane) for plane in picture]
    hiding: Callable[[], object] = partial(HiddenPlaces.of, share)
    opening = _nothing if water is None else partial(_Backdrop.of, share, water, grid)
    mirroring = _nothing if mirror is None else partial(_Reflection.of, range_m, mirror)
    made = in_parallel(_called, (hiding, opening, mirroring))
    hidden, backdrop, reflection = cast("tuple[HiddenPlaces, _Backdrop | None, _Reflection | None]", made)
    mirror_grid = np.empty((3, 0, 0), np.float32) if reflection is None else reflection.grid
    behind = in_parallel(lambda plane: _Behind.of(plane, hidden, backdrop, reflection), planes)
    filled = _completed(planes, hidden, behind)
    completed = planes if filled is None else filled
    softened = _softened(completed, VaryingBlur.of(grid, change.blur_px))
    soft = completed if softened is None else softened
    # Once softened, a pixel of what was completed is asked for in one place alone: the result may go there.
    out = np.empty((len(planes), *share.shape), np.float32) if softened is None or filled is None else filled

    def show(rows: slice) -> None:
        for channel, parts in enumerate(behind):
            pyramid_loops.show_beyond(
                planes[channel],
                share,
                completed[channel],
                soft[channel],
                change.shift[min(channel, len(change.shift) - 1)],
                *grid.start,
                grid.step,
                parts.still,
                parts.drift,
                parts.mirrored,
                mirror_grid,
                out[channel],
                rows.start,
                rows.stop,
            )

    in_parallel(show, bands_of_rows(len(share)))
    return out


@dataclass(frozen=True)
class _Behind:
    """What one channel shows beyond, in smaller pictures, empty where there is no such thing.

    What is filled in where it is hidden, open water and what its displacement adds to it (half the size), and
    what is mirrored (a quarter).
    """

    filled: F32
    still: F32
    drift: F32
    mirrored: F32

    @classmethod
    def of(
        cls, plane: F32, hidden: HiddenPlaces, backdrop: _Backdrop | None, reflection: _Reflection | None
    ) -> _Behind:
        quarter = NOTHING if backdrop is None and reflection is None else halved(halved(plane))
        still, drift = (NOTHING, NOTHING) if backdrop is None else backdrop.light(quarter, plane.shape)
        mirrored = NOTHING if reflection is None else reflection.hidden.filled(quarter)
        return cls(hidden.coarse(plane), still, drift, mirrored)


def _called(make: Callable[[], object]) -> object:
    return make()


def _nothing() -> None:
    pass


def _completed(picture: Sequence[F32], hidden: HiddenPlaces, behind: Sequence[_Behind]) -> F32 | None:
    """Return the picture beyond at full coverage, minus its open water; None where that is the same."""
    if not any(parts.filled.size or parts.still.size for parts in behind):
        return None
    out = np.empty((len(picture), *picture[0].shape), np.float32)

    def fill(rows: slice) -> None:
        for plane, parts, to in zip(picture, behind, out, strict=True):
            hidden.fill(plane, parts.filled, minus=parts.still, rows=rows, out=to)

    in_parallel(fill, bands_of_rows(out.shape[1]))
    return out


def _softened(picture: Sequence[F32] | F32, blur: VaryingBlur) -> F32 | None:
    """Return the picture blurred; None where it is blurred nowhere."""
    coarse = [part for part in in_parallel(blur.coarse, picture) if part is not None]
    if not coarse:
        return None
    out = np.empty((len(picture), *picture[0].shape), np.float32)
    planes, to = list(picture), list(out)
    in_parallel(lambda rows: blur.mix(planes, coarse, rows=rows, out=to), bands_of_rows(out.shape[1]))
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
        if not cells.share.any():
            return None
        shift = (np.float32(0.25) * grid.blown_up(plane, every=4) for plane in water.shift)
        return cls(seen, cells, *displacement_maps(*shift))

    def light(self, quarter: F32, shape: tuple[int, ...]) -> tuple[F32, F32]:
        """Return the water as it is and what its displacement adds to it, both in half size."""
        mean = _cells(quarter * self.seen) / np.maximum(_cells(self.seen), np.float32(1e-6))
        filled = self.cells.filled(mean.astype(np.float32, copy=False))
        rows, columns = quarter.shape
        wide = cv2.resize(filled, (filled.shape[1] * CELL_WIDTH, rows), interpolation=cv2.INTER_LINEAR)
        water = np.ascontiguousarray(wide[:, :columns], np.float32)
        drift = sample(water, self.source_x, self.source_y)
        drift -= water
        half = ((shape[0] + 1) // 2, (shape[1] + 1) // 2)
        return doubled(water, half), doubled(drift, half)


def _cells(quarter: F32) -> F32:
    """Return the means of cells `CELL_WIDTH` wide and one high; the last column repeats."""
    rows, columns = quarter.shape
    count = -(-columns // CELL_WIDTH)
    padded = cv2.copyMakeBorder(quarter, 0, 0, 0, count * CELL_WIDTH - columns, cv2.BORDER_REPLICATE)
    return np.asarray(cv2.resize(padded, (count, rows), interpolation=cv2.INTER_AREA), np.float32)


@dataclass(frozen=True)
class _Reflection:
    """What the layer mirrors, and on the grid how much from where; from a picture of a quarter of the size.

    A layer is no polished mirror, and the smaller picture is the softer.
    """

    hidden: HiddenPlaces
    grid: F32

    @classmethod
    def of(cls, range_m: F32, mirror: Mirror) -> _Reflection:
        far = halved(halved((range_m > np.float32(mirror.behind_m)).astype(np.float32)))
        hidden = HiddenPlaces.of((far > np.float32(0.999)).astype(np.float32))
        return cls(hidden, np.concatenate([mirror.share[None], mirror.shift]))
