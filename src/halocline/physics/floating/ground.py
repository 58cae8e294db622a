"""The floor as heights over a level grid, from places on it that are seen; gone over smoothly between them.

The grid stands in the world: what is seen of the floor has the same height on every frame that shows it, but
for which points of it the frame has. What stands on the floor is told from it by how steeply it rises, as
ground is in surveys from the air (Vosselman 2000, slope based filtering, from memory): a place is floor if no
other lies below it by more than the steepest floor falls on the way there.
"""

from __future__ import annotations

import math

import numpy as np

from halocline._typing import F32, F64
from halocline.late_dataclass import dataclass

# Cells along a side, at most; and how many must be seen for there to be a floor.
_MOST_CELLS, _FEWEST_SEEN = 1024, 12
# Things on the floor are no wider than twice so many cells, a power of two.
_WIDEST_CELLS = 64
# What is not seen is evened out so often on each level of detail.
_SWEEPS = 6
# Neighbours that a slope is handed on to: steps along rows and columns.
_AROUND = [(-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1)]


@dataclass(frozen=True)
class Ground:
    """Heights of the floor.

    Attributes
    ----------
    heights_m
        Along up, world metres, ``(N, N)``: rows along the second of ``sides``, columns along the first.
        Between cells they go straight (bilinear); beyond the last they stay.
    corner_m
        Middle of the first cell along ``sides``, ``(2,)``.
    cell_m
        From one to the next, metres.
    sides
        Two level axes of the world, as rows, ``(2, 3)``.
    """

    heights_m: F32
    corner_m: F64
    cell_m: float
    sides: F64

    @property
    def highest_m(self) -> float:
        """The highest of them."""
        return float(self.heights_m.max())

    def below(self, points_m: F64) -> F64:
        """Return the floor's height straight below or above places.

        Parameters
        ----------
        points_m
            World metres, ``(n, 3)``.

        Returns
        -------
        F64
            Along up, world metres, ``(n,)``.
        """
        last = np.array(self.heights_m.shape[::-1], np.float64) - 1.0
        at = np.clip((points_m @ self.sides.T - self.corner_m) / self.cell_m, 0.0, last)
        column, row = np.minimum(np.floor(at), last - 1.0).astype(np.intp).T
        across, down = at[:, 0] - column, at[:, 1] - row
        heights = self.heights_m.astype(np.float64)
        upper = heights[row, column] * (1.0 - across) + heights[row, column + 1] * across
        lower = heights[row + 1, column] * (1.0 - across) + heights[row + 1, column + 1] * across
        below: F64 = upper * (1.0 - down) + lower * down
        return below

    def from_lens(self, lens_m: F64, up: F64) -> tuple[F32, F32]:
        """Return heights and their place as loops take them, counted from a lens.

        Parameters
        ----------
        lens_m, up
            World metres and unit, ``(3,)``.

        Returns
        -------
        tuple[F32, F32]
            ``(N, N)``; and the first cell's place (2), cells a metre, and the two axes (6).
        """
        corner = self.corner_m - self.sides @ lens_m
        place = np.array([*corner, 1.0 / self.cell_m, *self.sides.ravel()], np.float32)
        return self.heights_m - np.float32(lens_m @ up), place


def cell_for(thinnest_m: float, reach_m: float) -> float:
    """Return how wide cells are for layers of a thickness, out to a reach: a power of two, metres.

    Parameters
    ----------
    thinnest_m
        The thinnest layer, metres, above 0: it gets four cells.
    reach_m
        How far the grid goes from its middle, metres.

    Returns
    -------
    float
        Metres.

    Examples
    --------
    >>> cell_for(0.9, 20.0), cell_for(0.9, 100.0)
    (0.125, 0.25)
    """
    fine = 2.0 ** math.floor(math.log2(0.25 * thinnest_m))
    return max(fine, 2.0 ** math.ceil(math.log2(2.0 * reach_m / _MOST_CELLS)))


def ground_below(
    points_m: F64, up: F64, middle_m: F64, *, reach_m: float, cell_m: float, steepest_deg: float
) -> Ground | None:
    """Return the floor that some places lie on; None where too few do.

    Parameters
    ----------
    points_m
        World places that face up, ``(n, 3)``.
    up
        An axis of the world, unit, ``(3,)``.
    middle_m
        About which place, world metres, ``(3,)``.
    reach_m, cell_m
        How far to each side, and how wide a cell is, metres.
    steepest_deg
        How steep the floor may be, degrees; what rises more steeply stands on it.

    Returns
    -------
    Ground | None
        The floor. Where none is seen it is gone over from what is seen around, about the plane of all of it.
    """
    sides = np.eye(3)[[axis for axis in range(3) if axis != int(np.argmax(np.abs(up)))]]
    count = 1 << max(1, math.ceil(math.log2(2.0 * reach_m / cell_m)))
    first = np.floor(sides @ middle_m / cell_m).astype(np.int64) - count // 2
    slope = math.tan(math.radians(steepest_deg)) * cell_m
    heights = _seen_heights(points_m @ sides.T / cell_m - first, points_m @ up, count, slope)
    lower = _from_below(heights, slope)
    # Within half a cell's rise it is the cell's own spread.
    heights[heights > lower + 0.5 * slope] = np.nan
    if np.count_nonzero(np.isfinite(heights)) < _FEWEST_SEEN:
        return None
    corner = np.asarray((first + 0.5) * cell_m, np.float64)
    return Ground(_whole(heights, slope).astype(np.float32), corner, cell_m, sides)


def _seen_heights(places: F64, height_m: F64, count: int, slope_m: float) -> F64:
    """Return the mean height of the lowest places in each cell, nan where there are none, ``(N, N)``."""
    inside = ((places >= 0.0) & (places < count)).all(axis=1)
    cells, height = places[inside].astype(np.int64) @ np.array([1, count]), height_m[inside]
    lowest = np.full(count * count, np.inf)
    np.minimum.at(lowest, cells, height)
    low = height <= lowest[cells] + slope_m
    number = np.bincount(cells[low], minlength=lowest.size)
    total = np.bincount(cells[low], weights=height[low], minlength=lowest.size)
    with np.errstate(invalid="ignore"):
        mean = total / np.where(number > 0, number, np.nan)
    return np.asarray(mean.reshape(count, count))


def _from_below(heights_m: F64, slope_m: float) -> F64:
    """Return how high the floor may be by what is seen around each cell: no place is on a steeper rise."""
    lower = np.where(np.isfinite(heights_m), heights_m, np.inf)
    step = 1
    while step <= _WIDEST_CELLS and step < len(lower):
        before = lower.copy()
        for down, across in _AROUND:
            rise = slope_m * step * math.hypot(down, across)
            to = _part(down * step), _part(across * step)
            of = _part(-down * step), _part(-across * step)
            np.minimum(lower[to], before[of] + rise, out=lower[to])
        step *= 2
    return lower


def _part(shift: int) -> slice:
    return slice(shift, None) if shift >= 0 else slice(None, shift)


def _whole(heights_m: F64, slope_m: float) -> F64:
    """Return heights in every cell: those not seen about the plane of all, as those around them are."""
    seen = np.isfinite(heights_m)
    rows, columns = (place.astype(np.float64) for place in np.nonzero(seen))
    height, middle = heights_m[seen], (rows.mean(), columns.mean())
    away = np.stack([rows - middle[0], columns - middle[1]])
    mean = float(height.mean())
    # Places in a line tell no slope across it.
    spread = away @ away.T + np.eye(2) * (1e-3 * float((away * away).sum()) + 1e-9)
    tilt = np.linalg.solve(spread, away @ (height - mean))
    tilt /= max(1.0, float(np.hypot(*tilt)) / slope_m)
    down, across = np.indices(heights_m.shape)
    plane = mean + tilt[0] * (down - middle[0]) + tilt[1] * (across - middle[1])
    return np.asarray(plane + _gone_over(np.where(seen, heights_m - plane, 0.0), seen.astype(np.float64)))


def _gone_over(values: F64, weight: F64) -> F64:
    """Return values where there is weight, and elsewhere what goes over smoothly between them."""
    if len(values) == 1:
        return values
    quarter = weight.reshape(len(weight) // 2, 2, -1, 2)
    total = quarter.sum(axis=(1, 3))
    sums = (values * weight).reshape(quarter.shape).sum(axis=(1, 3))
    coarse = np.divide(sums, total, out=np.zeros_like(sums), where=total > 0.0)
    # What a coarse cell is told by counts alike, be it by one cell or four.
    fine = _finer(_gone_over(coarse, np.minimum(total, 1.0)).T).T
    fine = _finer(fine)
    unseen = weight <= 0.0
    made = np.where(unseen, fine, values)
    for _ in range(_SWEEPS):
        held = np.pad(made, 1, mode="edge")
        even = 0.25 * (held[:-2, 1:-1] + held[2:, 1:-1] + held[1:-1, :-2] + held[1:-1, 2:])
        np.copyto(made, even, where=unseen)
    return made


def _finer(values: F64) -> F64:
    """Return twice as many rows, straight between those given."""
    held = np.pad(values, ((1, 1), (0, 0)), mode="edge")
    out = np.empty((2 * len(values), values.shape[1]))
    out[0::2] = 0.25 * held[:-2] + 0.75 * held[1:-1]
    out[1::2] = 0.75 * held[1:-1] + 0.25 * held[2:]
    return out
