"""Gamut compression: colours that an RGB space cannot hold are drawn into it, smoothly.

Light under water is more saturated than Rec.709 can hold: its red is below 0 over whole pictures, and the
next power or logarithm makes that no number. The method is the ACES Reference Gamut Compression: how far each
channel lies below the largest one, as a share of that, is left alone up to a threshold and rolled off above
it. Greys, hues' order and all muted colours stay as they are; nothing is clipped, so nothing becomes flat.

Source: Academy Color Encoding System 1.3, look transform
``LMT.Academy.ReferenceGamutCompress.a1.v1.0``; numbers from memory, and checked against OpenColorIO's
own (tests/reference/test_gamut_reference.py).
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled
from halocline.compute.series import exponential, logarithm
from halocline.compute.threads import in_parallel
from halocline.late_dataclass import dataclass
from halocline.rgb import ACESCG, RGBSpace, conversion_matrix

GamutChoice = Literal["none", "reference", "full"]

# By how much of the largest channel each channel may lie below it before it is touched, and where the
# published curve meets the edge of AP1: for red (towards cyan), green (magenta) and blue (yellow).
THRESHOLDS = (0.815, 0.803, 0.880)
LIMITS = (1.147, 1.264, 1.312)
POWER = 1.2

_POWER, _ROOT = np.float32(POWER), np.float32(1.0 / POWER)
_ZERO, _ONE, _LEAST, _ENDLESS = (np.float32(number) for number in (0.0, 1.0, 1e-30, np.inf))
# Pixels that one thread takes at a time.
_TOGETHER = 1 << 17
# Those whose planes stay in the nearest cache.
_BLOCK = 2048


@dataclass(frozen=True)
class Curve:
    """The roll-off of each channel's distance: thresholds, scales, and whether what has no light is cut.

    A scale is how much is left above the threshold at most. Where it reaches up to 1 no channel ends below 0.
    """

    thresholds: tuple[float, float, float]
    scales: tuple[float, float, float]
    closed: bool


def reference_curve() -> Curve:
    """Return the published curve: distances at its limits come to lie on the edge of the space.

    Scales: (l - t) / (((1 - t) / (l - t))^-p - 1)^(1/p), with threshold t, limit l and power p.
    """
    scales = [
        (limit - t) / (((1.0 - t) / (limit - t)) ** -POWER - 1.0) ** (1.0 / POWER)
        for t, limit in zip(THRESHOLDS, LIMITS, strict=True)
    ]
    return Curve(THRESHOLDS, (scales[0], scales[1], scales[2]), closed=False)


def full_curve() -> Curve:
    """Return the same curve with its limits at infinity: every colour comes to lie within the space."""
    cyan, magenta, yellow = THRESHOLDS
    return Curve(THRESHOLDS, (1.0 - cyan, 1.0 - magenta, 1.0 - yellow), closed=True)


@dataclass(frozen=True)
class Delivery:
    """How colours go from the working space to the space that is written.

    Attributes
    ----------
    working, written
        The two spaces.
    choice
        Which compression.
    """

    working: RGBSpace
    written: RGBSpace
    choice: GamutChoice

    @property
    def compresses(self) -> bool:
        """Whether colours are compressed, which is no linear step."""
        return self.choice != "none"

    def linear(self, rgb: F32) -> F32:
        """Return light ``(3, rows, columns)`` in the written space, without compression."""
        return _matrixed(conversion_matrix(self.working, self.written), rgb, self.working != self.written)

    def picture(self, rgb: F32) -> F32:
        """Return a finished picture ``(3, rows, columns)``, premultiplied or not, as it is written."""
        if self.choice == "reference":
            inside = _matrixed(conversion_matrix(self.working, ACESCG), rgb, self.working != ACESCG)
            inside = compressed(inside, reference_curve())
            return _matrixed(conversion_matrix(ACESCG, self.written), inside, self.written != ACESCG)
        made = self.linear(rgb)
        return compressed(made, full_curve()) if self.choice == "full" else made

    def shown(self, rgb: F32) -> F32:
        """Return a finished picture in the working space with the colours that the file will have."""
        if not self.compresses:
            return rgb
        back = conversion_matrix(self.written, self.working)
        return _matrixed(back, self.picture(rgb), self.working != self.written)


def compressed(rgb: F32, curve: Curve) -> F32:
    """Return colours ``(3, rows, columns)`` with what lies far out drawn in.

    Sizes do not matter: twice the light gives twice the result, so colours may be premultiplied. What is no
    number or endless stays so. The same bits for any number of threads.
    """
    flat = np.ascontiguousarray(rgb).reshape(3, -1)
    out = np.empty_like(flat)
    thresholds, scales = np.array(curve.thresholds, np.float32), np.array(curve.scales, np.float32)

    def work(start: int) -> None:
        _compress(flat, start, thresholds, scales, curve.closed, out)

    in_parallel(work, range(0, flat.shape[1], _TOGETHER))
    return out.reshape(rgb.shape)


def _matrixed(matrix: F64, rgb: F32, needed: bool) -> F32:
    if not needed:
        return rgb
    flat = np.ascontiguousarray(rgb).reshape(3, -1)
    out = np.empty_like(flat)
    numbers = matrix.astype(np.float32)

    def work(start: int) -> None:
        _mix(numbers, flat, start, out)

    in_parallel(work, range(0, flat.shape[1], _TOGETHER))
    return out.reshape(rgb.shape)


@compiled
def _mix(matrix: F32, rgb: F32, start: int, out: F32) -> None:
    part = slice(start, min(start + _TOGETHER, rgb.shape[1]))
    red, green, blue = rgb[0, part], rgb[1, part], rgb[2, part]
    for row in range(3):
        r, g, b = matrix[row, 0], matrix[row, 1], matrix[row, 2]
        plane = out[row, part]
        for i in range(plane.size):
            plane[i] = red[i] * r + green[i] * g + blue[i] * b


@compiled
def _compress(rgb: F32, start: int, thresholds: F32, scales: F32, closed: bool, out: F32) -> None:
    floor = _ZERO if closed else -_ENDLESS
    for first in range(start, min(start + _TOGETHER, rgb.shape[1]), _BLOCK):
        part = slice(first, min(first + _BLOCK, rgb.shape[1]))
        red, green, blue = rgb[0, part], rgb[1, part], rgb[2, part]
        for channel in range(3):
            _draw_in(
                (red, green, blue),
                rgb[channel, part],
                (thresholds[channel], scales[channel], floor),
                out[channel, part],
            )


@compiled
def _draw_in(rgb: tuple[F32, F32, F32], plane: F32, curve: tuple[np.float32, ...], out: F32) -> None:
    """Write one channel's values; without branches within loops, so that all lanes work at once."""
    red, green, blue = rgb
    threshold, scale, floor = curve
    per_scale = _ONE / scale
    farthest = _ZERO
    for i in range(plane.size):
        most = max(red[i], green[i], blue[i])
        beyond = ((most - plane[i]) / max(abs(most), _LEAST) - threshold) * per_scale
        out[i] = beyond
        farthest = beyond if beyond > farthest else farthest
    if farthest == _ZERO:
        for i in range(plane.size):
            out[i] = plane[i]
    else:
        _roll_off(out)
        for i in range(plane.size):
            value = plane[i]
            most = max(red[i], green[i], blue[i])
            drawn = most - abs(most) * (threshold + scale * out[i])
            out[i] = drawn if out[i] > _ZERO and most != _ZERO else value
    for i in range(plane.size):
        out[i] = floor if out[i] < floor else out[i]


@compiled
def _roll_off(distance: F32) -> None:
    """Put x / (1 + x^p)^(1/p) in the place of each x, which is x for small x and 1 for large x; 0 below 0."""
    for i in range(distance.size):
        x = distance[i]
        # Of a large x the inverse, so that no power leaves float32.
        least = max(x, _LEAST)
        small = min(least, _ONE / least)
        power = exponential(_POWER * logarithm(small))
        root = exponential(-_ROOT * logarithm(_ONE + power))
        rolled = root if x > _ONE else small * root
        distance[i] = rolled if x > _ZERO and x < _ENDLESS else _ZERO
