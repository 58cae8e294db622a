"""Compiled loops over cells of shaded water: what stands in them, and light that goes from cell to cell."""

from __future__ import annotations

import math

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled

_ZERO, _HALF, _ONE = np.float32(0.0), np.float32(0.5), np.float32(1.0)
# Parts of a cell along each axis.
PARTS = 2
# A point that lies no farther from a part's edge counts for the part beyond it too, in parts: on the edge
# fully, so that no light comes between, and things that move go over to the next part by and by.
_NEAR = np.float32(0.25)


@compiled
def note_points(places: F32, depth: F32, weight: F32, grid: tuple[np.float32, ...], parts: F32) -> None:
    """Write how much of the light things keep in parts of cells.

    Parameters
    ----------
    places, depth, weight
        Of points of things; see `halocline.physics.sea.shade.Casters`.
    grid
        Parts a metre, and the first part's edge in parts, along x, y and down.
    parts
        ``(down, y, x)``, 0 where nothing is; written.
    """
    per_m, first_x, first_y, first_down = grid
    layers, rows, columns = parts.shape
    for k in range(depth.size):
        x, y = places[0, k] * per_m - first_x, places[1, k] * per_m - first_y
        z = max(depth[k], _ZERO) * per_m - first_down
        if not (x > -_ONE and y > -_ONE and x < columns + 1 and y < rows + 1 and z < layers + 1):
            continue
        at = math.floor(z), math.floor(y), math.floor(x)
        off = z - at[0] - _HALF, y - at[1] - _HALF, x - at[2] - _HALF
        turn = 1 if off[0] > _ZERO else -1, 1 if off[1] > _ZERO else -1, 1 if off[2] > _ZERO else -1
        near = (
            max(abs(off[0]) / _NEAR - _ONE, _ZERO),
            max(abs(off[1]) / _NEAR - _ONE, _ZERO),
            max(abs(off[2]) / _NEAR - _ONE, _ZERO),
        )
        for number in range(8):
            share, down, row, column = weight[k], at[0], at[1], at[2]
            if number & 4:
                share, down = share * near[0], down + turn[0]
            if number & 2:
                share, row = share * near[1], row + turn[1]
            if number & 1:
                share, column = share * near[2], column + turn[2]
            inside = 0 <= down < layers and 0 <= row < rows and 0 <= column < columns
            if inside and share > parts[down, row, column]:
                parts[down, row, column] = share


@compiled
def keep_uppermost(parts: F32) -> bool:
    """Empty all parts of cells that have something above them; tell whether there were any.

    Not by what is in the very next part: one level thing may be in both.
    """
    found = False
    for y in range(parts.shape[1]):
        for x in range(parts.shape[2]):
            above = over = _ZERO
            for down in range(parts.shape[0]):
                here = parts[down, y, x]
                if above > _ZERO and here > _ZERO:
                    parts[down, y, x] = max(here - above, _ZERO)
                    found = True
                above, over = max(above, over), here
    return found


@compiled
def open_ways(parts: F32, ways: F32) -> None:
    """Write how much light gets half way through cells.

    Of light along an axis a thin thing across it keeps all, wherever in the cell it stands, and one along it
    next to nothing; of slanting light the most that it keeps along either.

    Parameters
    ----------
    parts
        See `note_points`.
    ways
        ``(8, down, y, x)``: along no axis, x, y, both, down, and so on; written.
    """
    for down in range(ways.shape[1]):
        for y in range(ways.shape[2]):
            for x in range(ways.shape[3]):
                along_x = along_y = along_down = _ZERO
                for one in range(PARTS):
                    for other in range(PARTS):
                        most_x = most_y = most_down = _ZERO
                        for k in range(PARTS):
                            at_down, at_y, at_x = PARTS * down, PARTS * y, PARTS * x
                            most_x = max(most_x, parts[at_down + one, at_y + other, at_x + k])
                            most_y = max(most_y, parts[at_down + one, at_y + k, at_x + other])
                            most_down = max(most_down, parts[at_down + k, at_y + one, at_x + other])
                        along_x += most_x
                        along_y += most_y
                        along_down += most_down
                for way in range(8):
                    most = along_x if way & 1 else _ZERO
                    most = max(most, along_y) if way & 2 else most
                    most = max(most, along_down) if way & 4 else most
                    left = max(_ONE - most / np.float32(PARTS * PARTS), _ZERO)
                    ways[way, down, y, x] = np.sqrt(left)


@compiled
def sky_through(ways: F32, slopes: F32, light: F32) -> None:
    """Write what of the sky's light reaches cells past things that stand in others, from the surface down.

    Parameters
    ----------
    ways
        See `open_ways`.
    slopes
        How far light goes along x and y as it goes down by as much, each within 1, and its share of all,
        ``(n, 3)``.
    light
        ``(down, y, x)``, 0 to 1, and 0 at first; written.
    """
    layers, rows, columns = light.shape
    now, before = np.ones((rows, columns), np.float32), np.ones((rows, columns), np.float32)
    for number in range(slopes.shape[0]):
        aside_x, aside_y, share = slopes[number, 0], slopes[number, 1], slopes[number, 2]
        way = 4 + (1 if aside_x != _ZERO else 0) + (2 if aside_y != _ZERO else 0)
        step_x, step_y = 1 if aside_x > _ZERO else -1, 1 if aside_y > _ZERO else -1
        part_x, part_y = abs(aside_x), abs(aside_y)
        for y in range(rows):
            for x in range(columns):
                before[y, x] = _ONE
        for down in range(layers):
            for y in range(rows):
                # Beyond the edges it is as along them.
                from_y = min(max(y - step_y, 0), rows - 1)
                for x in range(columns):
                    from_x = min(max(x - step_x, 0), columns - 1)
                    straight = before[y, x] + part_x * (before[y, from_x] - before[y, x])
                    beside = before[from_y, x] + part_x * (before[from_y, from_x] - before[from_y, x])
                    now[y, x] = ways[way, down, y, x] * (straight + part_y * (beside - straight))
                    light[down, y, x] += share * now[y, x]
            for y in range(rows):
                for x in range(columns):
                    before[y, x] = now[y, x] * ways[way, down, y, x]


@compiled
def _add_along(
    ways: F32, turn: tuple[int, int, int], kept: np.float32, share: np.float32, rays: tuple[F32, F32, F32]
) -> None:
    """Add a share of what comes to cells along one direction; see `light_about`."""
    along_x, along_y, along_down = turn
    sent, coming, about = rays
    layers, rows, columns = sent.shape
    way = abs(along_x) + 2 * abs(along_y) + 4 * abs(along_down)
    for one in range(layers):
        down = one if along_down >= 0 else layers - 1 - one
        from_down = down - along_down
        for two in range(rows):
            y = two if along_y >= 0 else rows - 1 - two
            from_y = y - along_y
            inside = 0 <= from_down < layers and 0 <= from_y < rows
            for three in range(columns):
                x = three if along_x >= 0 else columns - 1 - three
                from_x = x - along_x
                here = sent[down, y, x]
                # From beyond the edges comes as much as along them.
                found = here
                if inside and 0 <= from_x < columns:
                    through = kept * ways[way, from_down, from_y, from_x] * ways[way, down, y, x]
                    found = (_ONE - kept) * here + through * coming[from_down, from_y, from_x]
                coming[down, y, x] = found
                about[down, y, x] += share * found


@compiled
def light_about(
    lit: F32, again: np.float32, ways: F32, kept: F32, times: int, rays: tuple[F32, F32, F32]
) -> None:
    """Follow light that has been scattered about from cell to cell.

    Parameters
    ----------
    lit
        Of the light that each cell scatters about, what sun and sky have left, ``(down, y, x)``, of all.
    again
        Share of that light that had been scattered about before.
    ways
        See `open_ways`.
    kept
        From a cell to those that share a side, an edge, a corner: how much of it is not turned, ``(3,)``.
    times
        How often it is followed.
    rays
        Room for what each cell scatters about, what comes to it along one direction and along all, of the
        shape of ``lit``. The first and the last are the result: what things leave of it, 0 to 1.
    """
    sent, _, about = rays
    layers, rows, columns = lit.shape
    for down in range(layers):
        for y in range(rows):
            for x in range(columns):
                sent[down, y, x] = lit[down, y, x] / (_ONE - again)
    # Shares of sides, edges and corners: Lebedev's points, exact for harmonics up to the seventh, without
    # those within Snell's window, a fifth of all. What comes from there counts for the sky's.
    shares = np.float32(1.25 / 21.0), np.float32(5.0 / 105.0), np.float32(11.25 / 280.0)
    for _ in range(times):
        for down in range(layers):
            for y in range(rows):
                for x in range(columns):
                    about[down, y, x] = _ZERO
        for number in range(27):
            turn = number % 3 - 1, number // 3 % 3 - 1, number // 9 - 1
            across = abs(turn[0]) + abs(turn[1]) + abs(turn[2]) - 1
            in_window = turn[2] > 0 and across < 2
            if across >= 0 and not in_window:
                _add_along(ways, turn, kept[across], shares[across], rays)
        for down in range(layers):
            for y in range(rows):
                for x in range(columns):
                    sent[down, y, x] = lit[down, y, x] + again * about[down, y, x]
