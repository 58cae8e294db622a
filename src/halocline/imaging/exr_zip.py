"""Zipped scan lines of EXR files, straight into planes, in half the library's processor time.

What most renderers write is one part of half and float channels, compressed in chunks of 16 rows or 1. Of
such a file each chunk is inflated here, and what was done to its bytes before is undone in compiled loops,
channel by channel. Everything else is left to the image library, and so is a file in which anything is other
than it should be: that library tells what is wrong with it. Values are the file's, to the bit.

Source: openexr_layout (offset tables, scan line chunks, zip compression), from memory; checked by comparing
with OpenImageIO and with the OpenEXR package.
"""

from __future__ import annotations

import os
import struct
import sys
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import accumulate
from pathlib import Path
from typing import cast

import numpy as np
from isal import isal_zlib
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.files.regular import open_regular
from halocline.imaging.exr_attributes import first_part
from halocline.imaging.frame import Window
from halocline.late_dataclass import dataclass

Bytes = NDArray[np.uint8]
Words = NDArray[np.uint64]

# The library's types tell of an instance, and it is a class.
_DAMAGED = cast("type[Exception]", isal_zlib.error)

# Rows of a chunk by the number of the compression.
_ROWS = {2: 1, 3: 16}
_UINT, _HALF, _FLOAT = 0, 1, 2
_SIZES = {_UINT: 4, _HALF: 2, _FLOAT: 4}
_NAMES = {_UINT: "uint", _HALF: "half", _FLOAT: "float"}
# Fewer pixels are read as fast by the image library, and loops need not be loaded.
LEAST_PIXELS = 1 << 19
# A chunk larger than this has thousands of channels.
_LARGEST_CHUNK = 1 << 26
# From a half's bits to float32's: the exponent's place and bias, and once more where all its bits are set.
_MOVED, _REBIASED = np.int32(13), np.int32(0x38000000)
_SIZE, _SIGN, _NO_NUMBER, _LEAST_NORMAL = (np.int32(bits) for bits in (0x7FFF, 0x8000, 0x7C00, 0x0400))
_PER_SMALLEST = np.float32(2.0**-24)
_MIDDLE, _BYTE = np.uint64(128), np.uint64(255)
# Of eight bytes: those at even places, in 16 bits each; 128 at the odd ones; how far to move them.
_EVEN, _MIDDLE_OF_LATER = np.uint64(0x00FF00FF00FF00FF), np.uint64(0x8000800080008000)
_ONE_BYTE, _TWO_BYTES, _FOUR_BYTES, _SIX_BYTES = (np.uint64(bits) for bits in (8, 16, 32, 48))
# Times eight bytes: few enough to stay in the nearest cache with all that is made of them.
_TOGETHER = 512


class UnlikeError(Exception):
    """Raised where a file is not as it should be; the image library then says what is wrong with it."""


@dataclass(frozen=True)
class ZippedRows:
    """How a file holds its pixels, where it is one part of zipped scan lines.

    Attributes
    ----------
    path
        The file.
    kinds
        Types of its channels, in the order in which a row holds them.
    window
        Its data window.
    chunk_rows
        Rows of a chunk.
    offsets
        Where in the file each chunk begins.
    """

    path: Path
    kinds: Mapping[str, int]
    window: Window
    chunk_rows: int
    offsets: tuple[int, ...]

    @classmethod
    def of(cls, path: Path, channels: Mapping[str, str], window: Window) -> ZippedRows | None:
        """Return how a file holds its pixels, None where that is not for this module to read.

        Parameters
        ----------
        path
            The file.
        channels, window
            Types of its channels by name, and its data window, as the image library has them.
        """
        if window.width * window.height < LEAST_PIXELS:
            return None
        try:
            part, end = first_part(path)
            (number,) = part["compression"].value
            found = _channels(part["channels"].value)
            inside = struct.unpack("<4i", part["dataWindow"].value)
            together = _ROWS[number]
            count = -(-window.height // together)
            with os.fdopen(open_regular(path, follow=True), "rb") as file:
                file.seek(end)
                offsets = struct.unpack(f"<{count}Q", file.read(8 * count))
        except (OSError, ValueError, LookupError, struct.error):
            return None
        alike = {name: _NAMES.get(kind) for name, kind in found.items()} == dict(channels)
        if not alike or inside != (window.x, window.y, window.x_end - 1, window.y_end - 1):
            return None
        # Rows hold channels by the order of their names; with another in its header a file is damaged.
        if list(found) != sorted(found, key=str.encode):
            return None
        if together * window.width * sum(_SIZES[kind] for kind in found.values()) > _LARGEST_CHUNK:
            return None
        return cls(path, found, window, together, offsets)

    def read_into(self, targets: Mapping[str, F32], threads: int) -> None:
        """Read channels into planes ``(rows, columns)``.

        Parameters
        ----------
        targets
            Planes by channel of half or float; where reading fails they hold anything.
        threads
            How many read at once.

        Raises
        ------
        UnlikeError
            Where a chunk is not there, or not what it should be.
        """
        numbers = range(len(self.offsets))
        if threads == 1:
            self._read(numbers, targets)
            return
        with ThreadPoolExecutor(threads) as pool:
            # Every result is asked for, so that an error in any is raised.
            for _ in pool.map(lambda first: self._read(numbers[first::threads], targets), range(threads)):
                pass

    def _read(self, numbers: Sequence[int], targets: Mapping[str, F32]) -> None:
        """Read some chunks."""
        width = sum(map(self._bytes, self.kinds.values()))
        begins = accumulate(map(self._bytes, self.kinds.values()), initial=0)
        starts = dict(zip(self.kinds, begins, strict=False))
        halves = np.empty(self.chunk_rows * width, np.uint8)
        try:
            with os.fdopen(open_regular(self.path, follow=True), "rb") as file:
                for number in numbers:
                    file.seek(self.offsets[number])
                    first = number * self.chunk_rows
                    rows = slice(first, min(first + self.chunk_rows, self.window.height))
                    own = halves[: (rows.stop - first) * width]
                    _take_apart(_chunk(file.read, self.window.y + first, own.size), own)
                    for name, plane in targets.items():
                        put = put_floats if self.kinds[name] == _FLOAT else put_wider
                        put(own, starts[name] // 2, width // 2, plane[rows])
        except (OSError, OverflowError, ValueError, struct.error, _DAMAGED) as error:
            raise UnlikeError(str(error)) from error

    def _bytes(self, kind: int) -> int:
        return _SIZES[kind] * self.window.width


def _channels(listed: bytes) -> dict[str, int]:
    """Return the types of channels by name, in the order of the header; all of them have all pixels."""
    found: dict[str, int] = {}
    place = 0
    while listed[place] != 0:
        end = listed.index(b"\0", place)
        kind, _, across, down = struct.unpack_from("<iIii", listed, end + 1)
        if (across, down) != (1, 1):
            raise ValueError("a channel has fewer pixels than others")
        found[listed[place:end].decode("utf-8")] = kind
        place = end + 17
    return found


def _chunk(read: Callable[[int], bytes], row: int, size: int) -> tuple[bytes, bool]:
    """Return the bytes of a chunk that begins at a row, inflated, and whether that had to be done."""
    its_row, held = struct.unpack("<ii", read(8))
    if its_row != row or not 0 < held <= size:
        raise ValueError("a chunk is not where it should be")
    content = read(held)
    if len(content) < held:
        raise ValueError("the file is cut off")
    if held == size:
        # It would not have become smaller.
        return content, False
    stream = isal_zlib.decompressobj()
    # One byte more than there should be, so that the end is seen, and the sum over all of it.
    found = stream.decompress(content, size + 1)
    if len(found) != size or not stream.eof:
        raise ValueError("a chunk is of another size")
    return found, True


def _take_apart(chunk: tuple[bytes, bool], halves: Bytes) -> None:
    """Write all first bytes of two, then all second ones: so compressed chunks have them."""
    content, compressed = chunk
    found = np.frombuffer(content, np.uint8)
    if compressed:
        add_up(found, halves)
    else:
        halves.reshape(2, -1)[...] = found.reshape(-1, 2).T


def add_up(differences: Bytes, out: Bytes) -> None:
    """Write bytes of which each but the first is given as what it is more than the one before, and 128.

    Parameters
    ----------
    differences
        The first byte; then differences, ``(n,)``.
    out
        Bytes, ``(n,)``.
    """
    # Numbers hold the first of eight bytes as their lowest.
    eights = out.size >> 3 << 3 if sys.byteorder == "little" else 0
    summed = add_up_eights(differences[:eights].view(np.uint64), out[:eights].view(np.uint64))
    last = np.cumsum(differences[eights:], dtype=np.uint64) + np.uint64(summed)
    # Of the 128 that come to each, one is left at every other.
    last[1::2] += _MIDDLE
    out[eights:] = last & _BYTE


@compiled
def add_up_eights(differences: Words, out: Words) -> np.int64:
    """Write what `add_up` does, eight bytes at a time.

    Parameters
    ----------
    differences
        Eight of its bytes each, the first of them lowest, ``(n,)``.
    out
        As many, ``(n,)``.

    Returns
    -------
    np.int64
        The sum of all bytes given.
    """
    # What one number waits for of those before it is a single addition; all else is done for many at once.
    together = np.empty(_TOGETHER, np.uint64)
    before = np.empty(_TOGETHER, np.uint64)
    summed = np.uint64(0)
    for start in range(0, out.size, _TOGETHER):
        found, put = differences[start : start + _TOGETHER], out[start : start + _TOGETHER]
        sums, befores = together[: put.size], before[: put.size]
        for i in range(put.size):
            # In 16 bits each: sums of two neighbours, of those up to each two, and of all before the eight.
            pairs = (found[i] & _EVEN) + ((found[i] >> _ONE_BYTE) & _EVEN)
            pairs += pairs << _TWO_BYTES
            sums[i] = pairs + (pairs << _FOUR_BYTES)
        for i in range(put.size):
            befores[i] = summed
            summed += sums[i] >> _SIX_BYTES
        for i in range(put.size):
            each = befores[i] & _BYTE
            each |= each << _TWO_BYTES
            later = sums[i] + (each | (each << _FOUR_BYTES))
            earlier = later - ((found[i] >> _ONE_BYTE) & _EVEN)
            put[i] = ((earlier & _EVEN) | ((later & _EVEN) << _ONE_BYTE)) ^ _MIDDLE_OF_LATER
    return np.int64(summed)


@compiled
def put_wider(halves: Bytes, first: int, apart: int, out: F32) -> None:
    """Write half floats as float32, each to the same number.

    Parameters
    ----------
    halves
        All first bytes of two, then all second ones.
    first, apart
        Where among those of one kind the first row begins, and how far the next is.
    out
        ``(rows, columns)``.
    """
    count = halves.size // 2
    bits = np.empty(out.shape[1], np.int32)
    for y in range(out.shape[0]):
        start = first + y * apart
        low, high = halves[start : start + bits.size], halves[count + start : count + start + bits.size]
        line = out[y]
        for x in range(bits.size):
            bits[x] = np.int32(low[x]) | (np.int32(high[x]) << np.int32(8))
        for x in range(bits.size):
            line[x] = float_of(bits[x])


@compiled
def float_of(half: np.int32) -> np.float32:
    """Return the number of which a half's bits are given.

    Parameters
    ----------
    half
        Bits, 0 to 65535.

    Returns
    -------
    np.float32
        The same number; what is none stays so.
    """
    size = np.int32(half & _SIZE)
    moved = np.int32(np.int32(size << _MOVED) + _REBIASED)
    moved = np.int32(moved + _REBIASED) if size >= _NO_NUMBER else moved
    # Below the least normal half they are evenly apart.
    small = np.float32(np.float32(size) * _PER_SMALLEST).view(np.int32)
    bits = small if size < _LEAST_NORMAL else moved
    return np.int32(bits | (np.int32(half & _SIGN) << np.int32(16))).view(np.float32)


@compiled
def put_floats(halves: Bytes, first: int, apart: int, out: F32) -> None:
    """Write float32 numbers.

    Parameters
    ----------
    halves, first, apart, out
        As `put_wider` takes them.
    """
    count = halves.size // 2
    for y in range(out.shape[0]):
        start = first + y * apart
        low, high = (
            halves[start : start + 2 * out.shape[1]],
            halves[count + start : count + start + 2 * out.shape[1]],
        )
        line = out[y]
        for x in range(line.size):
            lower = np.int32(low[2 * x]) | (np.int32(high[2 * x]) << np.int32(8))
            upper = np.int32(low[2 * x + 1]) | (np.int32(high[2 * x + 1]) << np.int32(8))
            line[x] = np.int32(lower | (upper << np.int32(16))).view(np.float32)
