"""From planes of float32 to half floats side by side, as a file has them, in one pass over memory.

Bits are those of IEEE 754's rounding to nearest, ties to even; NaN stays one. The array library converts one
number at a time: this took four times as long.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.compiled import compiled

Halves = NDArray[np.uint16]
Fours = NDArray[np.uint64]

# Bits of float32: all but the sign; infinity; 2^16, from where on no half is finite; 2^-14, the least normal
# half; and one half, whose last bit is worth as much as the last of a half that is not normal.
_SIZE, _INFINITY = np.int32(0x7FFFFFFF), np.int32(0x7F800000)
_TOO_LARGE, _LEAST_NORMAL, _ONE_HALF_BITS = np.int32(0x47800000), np.int32(0x38800000), np.int32(0x3F000000)
_ONE_HALF = np.float32(0.5)
# From the exponent's bias in float32 to that in a half, and just under half of the last bit that is kept.
_REBIASED = np.int32(0x0FFF - 0x38000000)
_DROPPED, _LAST, _SIGN = np.int32(13), np.int32(1), np.int32(0x8000)
_HALF_INFINITY, _HALF_NAN = np.int32(0x7C00), np.int32(0x7E00)


@compiled
def put_halves(plane: F32, channel: int, block: Halves) -> None:
    """Write a plane as one channel of a block ``(rows, columns, channels)``, of halves' bits."""
    # In a row of its own first: neighbours are then neighbours in memory, and taken together.
    halves = np.empty(plane.shape[1], np.uint16)
    for y in range(plane.shape[0]):
        line, target = plane[y], block[y]
        for x in range(line.size):
            halves[x] = half_bits(line[x])
        for x in range(line.size):
            target[x, channel] = halves[x]


@compiled
def put_four_halves(planes: tuple[F32, F32, F32, F32], block: Fours) -> None:
    """Write four planes as all channels of a block ``(rows, columns)``, of four halves' bits each."""
    first, second, third, fourth = planes
    for y in range(first.shape[0]):
        a, b, c, d, target = first[y], second[y], third[y], fourth[y], block[y]
        for x in range(target.size):
            low = np.uint64(half_bits(a[x])) | (np.uint64(half_bits(b[x])) << np.uint64(16))
            high = np.uint64(half_bits(c[x])) | (np.uint64(half_bits(d[x])) << np.uint64(16))
            target[x] = low | (high << np.uint64(32))


@compiled
def half_bits(value: np.float32) -> np.uint16:
    """Return the bits of the half nearest to a number; infinity from 65520 on."""
    bits = np.float32(value).view(np.int32)
    size = np.int32(bits & _SIZE)
    # Rounded in place: up from just over half of the last bit, or from half of it where that bit is odd.
    normal = np.int32(size + _REBIASED + (np.int32(size >> _DROPPED) & _LAST)) >> _DROPPED
    # The sum rounds to what halves that are not normal can hold, and has it as its last bits.
    small = np.float32(np.int32(size).view(np.float32) + _ONE_HALF).view(np.int32) - _ONE_HALF_BITS
    large = _HALF_NAN if size > _INFINITY else _HALF_INFINITY
    half = small if size < _LEAST_NORMAL else (large if size >= _TOO_LARGE else normal)
    return np.uint16(half | (np.int32(bits >> np.int32(16)) & _SIGN))
