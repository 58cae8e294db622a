"""Which way surfaces face, from a depth pass that is coarser than its pixels: planes fitted over its steps.

Half floats know depth to 1 in 1024 to 2048, integers of 8 or 16 bits to one step of theirs. From pixel to
pixel that is more than a surface's own slope: its direction, taken from neighbours, jumps from terrace to
riser.
Here a plane is fitted by least squares over a window as large as the steps need and the surface allows.

The reciprocal of planar depth is linear in pixel coordinates on any plane, so that is what is fitted; its
slopes over a window that is centred on the pixel are right for any surface bent to the second order too. A
window holds where what the fit leaves over is no more than rounding to steps leaves (a twelfth of their
square): an edge or a crease within it leaves more. Beside an edge, windows to one side are tried.
"""

from __future__ import annotations

from functools import partial

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled
from halocline.compute.threads import in_parallel

# Half the width of windows, in pixels, less a half.
RADII = (2, 4, 8, 16, 32)
# Of what rounding leaves over on average, so much may be left: terraces can be broader than the window.
_LEFT_OVER = 1.6
# A pixel beside an edge is on the surface of a window beside it where it is so many steps from the fit.
_ON_SURFACE = 1.0
# A window to one side tells less than one around the pixel: as one that is so much smaller.
_ONE_SIDED = 3.0
# Slopes are known well enough where a terrace over the window is less than this: the tangent of an angle.
FINE = 0.02
# What else counts as one surface where no window fits: within this share of a range.
_SAME = np.float32(0.05)
_STRIP = 256
_ZERO, _ONE, _TINY = (np.float32(number) for number in (0.0, 1.0, 1e-30))
U8 = NDArray[np.uint8]


def slopes_over_steps(nearness: F32, step: F32, tangent_per_px: tuple[float, float]) -> F32:
    """Return nearness and its slopes along columns and rows, without steps, ``(3, rows, columns)``.

    Parameters
    ----------
    nearness
        ``(rows, columns)`` reciprocal planar depth, 1/m; 0 where nothing is.
    step
        ``(rows, columns)`` width of one step of it there, 1/m.
    tangent_per_px
        Of the view angle, across and down: how wide a pixel is, for how large windows need be.

    Returns
    -------
    F32
        Nearness, 1/m, and its change from column to column and from row to row, 1/m each.

    Notes
    -----
    Border rule: windows end at the picture; beside its border those to one side are taken.
    """
    rows, columns = nearness.shape
    out = np.zeros((3, rows, columns), np.float32)
    # How large a window each pixel's fit came from; 0 for none yet.
    size = np.zeros((rows, columns), np.float32)
    fit = np.zeros((3, rows, columns), np.float32)
    holds = np.zeros((rows, columns), np.uint8)
    starts = range(0, rows, _STRIP)
    width = np.float32(min(tangent_per_px))
    for radius in RADII:
        if 2 * radius + 1 > min(rows, columns):
            break
        # All windows of a size are fitted before any is chosen: a pixel looks at those beside it.
        in_parallel(partial(_fit, nearness, step, radius, fit, holds), starts)
        in_parallel(partial(_choose, nearness, step, width, radius, fit, holds, size, out), starts)
    in_parallel(partial(_rest, nearness, size, out), starts)
    return out


@compiled
def _fit(nearness: F32, step: F32, radius: int, fit: F32, holds: U8, start: int) -> None:
    """Fit a plane around each pixel of a strip of rows, and note where it holds."""
    rows, columns = nearness.shape
    side = 2 * radius + 1
    count = np.float64(side * side)
    spread = count * (radius * (radius + 1)) / 3.0
    stop = min(start + _STRIP, rows)
    # Sums down each column: how many pixels have depth, nearness, that times the row, its square.
    sums = np.zeros((4, columns))
    for row in range(start, stop):
        holds[row] = 0
        if row < radius or row + radius >= rows:
            continue
        if row in (start, radius):
            sums[:] = 0.0
            for other in range(row - radius, row + radius + 1):
                _add(nearness[other], 1.0, np.float64(other - row), sums)
        else:
            _add(nearness[row - radius - 1], -1.0, -np.float64(radius), sums)
            for column in range(columns):
                sums[2, column] -= sums[1, column]
            _add(nearness[row + radius], 1.0, np.float64(radius), sums)
        n = w = down = across = squares = 0.0
        for column in range(-radius, columns):
            ahead, behind = column + radius, column - radius - 1
            if behind >= 0:
                n -= sums[0, behind]
                w -= sums[1, behind]
                down -= sums[2, behind]
                squares -= sums[3, behind]
                across += sums[1, behind] * radius
            # Seen from the next column, all columns lie one further back.
            across -= w
            if ahead < columns:
                n += sums[0, ahead]
                w += sums[1, ahead]
                down += sums[2, ahead]
                squares += sums[3, ahead]
                across += sums[1, ahead] * radius
            if column < radius or ahead >= columns or n != count:
                continue
            x, y = across / spread, down / spread
            left = squares - w * w / count - (x * x + y * y) * spread
            own = np.float64(step[row, column])
            fit[0, row, column] = w / count
            fit[1, row, column] = x
            fit[2, row, column] = y
            holds[row, column] = left <= _LEFT_OVER * count * own * own / 12.0


@compiled
def _add(line: F32, sign: float, at: float, sums: F64) -> None:
    for column in range(line.size):
        value = np.float64(line[column])
        if value > 0.0:
            sums[0, column] += sign
            sums[1, column] += sign * value
            sums[2, column] += sign * value * at
            sums[3, column] += sign * value * value


@compiled
def _choose(
    nearness: F32,
    step: F32,
    width: np.float32,
    radius: int,
    fit: F32,
    holds: U8,
    size: F32,
    out: F32,
    start: int,
) -> None:
    """Take the fit of this size where it holds, and a smaller one was too small for the steps."""
    rows, columns = nearness.shape
    side = np.float32(2 * radius + 1)
    for row in range(start, min(start + _STRIP, rows)):
        for column in range(columns):
            own = nearness[row, column]
            # A terrace over the window, as the tangent of an angle: step of depth over width on the surface.
            if own <= _ZERO or step[row, column] < FINE * width * own * size[row, column]:
                continue
            if holds[row, column]:
                size[row, column] = side
                for part in range(3):
                    out[part, row, column] = fit[part, row, column]
                continue
            if side / _ONE_SIDED <= size[row, column]:
                continue
            least = _ON_SURFACE * step[row, column]
            for down in (-radius, 0, radius):
                for right in (-radius, 0, radius):
                    r, c = row + down, column + right
                    if r < 0 or c < 0 or r >= rows or c >= columns or holds[r, c] == 0:
                        continue
                    here = fit[0, r, c] - right * fit[1, r, c] - down * fit[2, r, c]
                    if abs(here - own) < least:
                        least = abs(here - own)
                        size[row, column] = side / np.float32(_ONE_SIDED)
                        out[0, row, column] = here
                        out[1, row, column] = fit[1, r, c]
                        out[2, row, column] = fit[2, r, c]


@compiled
def _rest(nearness: F32, size: F32, out: F32, start: int) -> None:
    """Where no window holds, take the slopes over the few pixels around that lie on the same surface."""
    rows, columns = nearness.shape
    for row in range(start, min(start + _STRIP, rows)):
        for column in range(columns):
            own = nearness[row, column]
            if own <= _ZERO or size[row, column] > _ZERO:
                continue
            n = x = y = w = xx = xy = yy = xw = yw = 0.0
            for r in range(max(0, row - 2), min(rows, row + 3)):
                for c in range(max(0, column - 2), min(columns, column + 3)):
                    value = nearness[r, c]
                    if abs(value - own) > _SAME * own:
                        continue
                    right, down, more = np.float64(c - column), np.float64(r - row), np.float64(value - own)
                    n += 1.0
                    x += right
                    y += down
                    w += more
                    xx += right * right
                    xy += right * down
                    yy += down * down
                    xw += right * more
                    yw += down * more
            xx -= x * x / n
            xy -= x * y / n
            yy -= y * y / n
            xw -= x * w / n
            yw -= y * w / n
            # One more pixel's worth of no slope at all: a line of pixels tells nothing across itself.
            xx += 1.0
            yy += 1.0
            whole = xx * yy - xy * xy
            out[0, row, column] = own
            out[1, row, column] = (xw * yy - yw * xy) / whole
            out[2, row, column] = (yw * xx - xw * xy) / whole


def facing_of(slopes: F32, tangents: tuple[F64, F64], rotation: F64) -> F32:
    """Return unit world normals towards the lens, ``(3, rows, columns)``, of what `slopes_over_steps` gives.

    Parameters
    ----------
    slopes
        ``(3, rows, columns)``: nearness and its slopes along columns and rows.
    tangents
        View-ray tangents of columns (to the right) and rows (upward).
    rotation
        ``(3, 3)``: camera to world.

    Returns
    -------
    F32
        Normals of length 1.
    """
    x, y = tangents
    steps = np.array([x[1] - x[0], y[1] - y[0]], np.float64)
    out = np.empty_like(slopes)
    numbers = rotation.astype(np.float32), (1.0 / steps).astype(np.float32)
    across, up = x.astype(np.float32), y.astype(np.float32)
    in_parallel(partial(_face, slopes, across, up, numbers, out), range(0, slopes.shape[1], _STRIP))
    return out


@compiled
def _face(slopes: F32, across: F32, up: F32, numbers: tuple[F32, F32], out: F32, start: int) -> None:
    rotation, per_step = numbers
    for row in range(start, min(start + _STRIP, out.shape[1])):
        for column in range(out.shape[2]):
            # n . (x, y, -1) is nearness: the normal's parts across and up are its slopes by tangents.
            x = slopes[1, row, column] * per_step[0]
            y = slopes[2, row, column] * per_step[1]
            z = x * across[column] + y * up[row] - slopes[0, row, column]
            length = np.sqrt(x * x + y * y + z * z)
            if length <= _TINY:
                # Nothing there: towards the lens.
                x, y, z = across[column], up[row], -_ONE
                length = np.sqrt(x * x + y * y + z * z)
            for axis in range(3):
                turned = rotation[axis, 0] * x + rotation[axis, 1] * y + rotation[axis, 2] * z
                out[axis, row, column] = -turned / length
