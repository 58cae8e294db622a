"""Zipped scan lines of EXR files, straight from planes, in a quarter of the library's processor time.

The image library writes the header and room for the table of chunks; here rows become halves, first bytes and
second bytes apart, then differences, then what they deflate to, chunk by chunk. Everything else than one
part of zipped scan lines is left to that library. Values are those that it would write, to the bit; the
bytes that they deflate to are not, and a twentieth to a sixth more.

Source: openexr_layout (offset tables, scan line chunks, zip compression), from memory; checked by reading
with OpenImageIO and with the OpenEXR package.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from isal import isal_zlib

from halocline._typing import F32, AnyArray
from halocline.compute.compiled import compiled
from halocline.imaging.exr_attributes import first_part
from halocline.imaging.exr_zip import Bytes, ZippedRows
from halocline.imaging.frame import Window
from halocline.imaging.half_loops import half_bits
from halocline.late_dataclass import dataclass

# Files are 3 to 16 percent larger than the image library makes them (halves 4 to 16, floats 3 to 7). The two
# levels above gain nothing and at most two percent of that, the latter for two and a half times the time.
LEVEL = 1
_TYPES = {"half": "<f2", "float": "<f4", "uint": "<u4"}
_MIDDLE_UP, _BYTE = np.uint32(384), np.uint32(255)


@dataclass(frozen=True)
class ZippedFile:
    """A file that has a header and no pixels yet.

    Attributes
    ----------
    layout
        How it will hold them.
    types
        Types of its channels, in the order in which a row holds them.
    table
        Where in it the table of chunks begins.
    """

    layout: ZippedRows
    types: tuple[tuple[str, str], ...]
    table: int

    @classmethod
    def of(cls, path: Path, channels: dict[str, str], window: Window) -> ZippedFile | None:
        """Return how a file is to hold its pixels, None where that is not for this module to write.

        Parameters
        ----------
        path
            The file, as the image library leaves it where it is given no pixels.
        channels, window
            Types of its channels by name, and its data window.
        """
        layout = ZippedRows.of(path, channels, window)
        if layout is None:
            return None
        _, table = first_part(path)
        return cls(layout, tuple((name, channels[name]) for name in layout.kinds), table)

    def write(self, blocks: Iterator[Sequence[AnyArray]], threads: int) -> None:
        """Write the pixels.

        Parameters
        ----------
        blocks
            Some rows of all channels in the order of ``types``, ``(rows, columns)`` each, from first to
            last; all but the last of them whole chunks.
        threads
            How many compress at once.

        Raises
        ------
        OSError
            Where the disk is full, or the file can be written to no longer.
        """
        layout, offsets = self.layout, list[int]()
        with layout.path.open("r+b") as file, ThreadPoolExecutor(threads) as pool:
            made: Callable[..., Iterator[bytes]] = map if threads == 1 else pool.map
            place = self.table + 8 * len(layout.offsets)
            file.truncate(self.table)
            file.seek(place)
            for block in blocks:
                together = layout.chunk_rows
                pieces = [
                    [rows[start : start + together] for rows in block]
                    for start in range(0, len(block[0]), together)
                ]
                for chunk in made(self._chunk, pieces):
                    row = layout.window.y + len(offsets) * together
                    file.write(struct.pack("<ii", row, len(chunk)))
                    file.write(chunk)
                    offsets.append(place)
                    place += 8 + len(chunk)
            file.seek(self.table)
            file.write(struct.pack(f"<{len(layout.offsets)}Q", *offsets))

    def _chunk(self, channels: Sequence[AnyArray]) -> bytes:
        """Return rows as a chunk has them."""
        count = len(channels[0])
        sizes = [np.dtype(_TYPES[kind]).itemsize // 2 * self.layout.window.width for _, kind in self.types]
        halves = np.empty(2 * count * sum(sizes), np.uint8)
        first = 0
        for (_, kind), size, rows in zip(self.types, sizes, channels, strict=True):
            if kind == "half" and rows.dtype == np.float32:
                take_halves(np.ascontiguousarray(rows), first, sum(sizes), halves)
            else:
                put = halves.reshape(2, count, -1)[..., first : first + size]
                found = np.ascontiguousarray(rows, _TYPES[kind]).view(np.uint8)
                put[...] = found.reshape(count, size, 2).transpose(2, 0, 1)
            first += size
        differences = np.empty_like(halves)
        take_down(halves, differences)
        made: bytes = isal_zlib.compress(differences, LEVEL)
        # What would not become smaller stands as it is, and is known by its size.
        return made if len(made) < halves.size else halves.reshape(2, -1).T.tobytes()


@compiled
def take_halves(rows: F32, first: int, apart: int, halves: Bytes) -> None:
    """Write the halves nearest to numbers.

    Parameters
    ----------
    rows
        ``(rows, columns)``.
    first, apart
        Where among bytes of one kind the first row begins, and how far the next is.
    halves
        All first bytes of two, then all second ones.
    """
    count = halves.size // 2
    bits = np.empty(rows.shape[1], np.uint16)
    for y in range(rows.shape[0]):
        start = first + y * apart
        low, high = halves[start : start + bits.size], halves[count + start : count + start + bits.size]
        line = rows[y]
        for x in range(bits.size):
            bits[x] = half_bits(line[x])
        for x in range(bits.size):
            low[x] = np.uint8(np.uint32(bits[x]) & _BYTE)
            high[x] = np.uint8(np.uint32(bits[x]) >> np.uint32(8))


@compiled
def take_down(found: Bytes, out: Bytes) -> None:
    """Write bytes of which each but the first tells how much more than the one before it is, and 128.

    Parameters
    ----------
    found
        Bytes, ``(n,)``.
    out
        The first of them; then differences, ``(n,)``.
    """
    out[0] = found[0]
    before, after, told = found[: found.size - 1], found[1:], out[1:]
    for i in range(told.size):
        told[i] = np.uint8((np.uint32(after[i]) + _MIDDLE_UP - np.uint32(before[i])) & _BYTE)
