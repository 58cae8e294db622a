"""Metadata of EXR files byte by byte, so that what the image library cannot carry is still carried.

OpenImageIO reads but does not write attributes of double precision, and gives no access to types it does not
know or to text that is not UTF-8. The file's header is a plain list - name, type, size, bytes - so such
attributes are taken from the input as they stand and put into the output's header.

Source: openexr_layout (header, attribute layout, offset tables), from memory; checked by reading the result
with OpenImageIO and with the OpenEXR package.
"""

from __future__ import annotations

import os
import struct
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from itertools import accumulate
from pathlib import Path
from shutil import copyfileobj
from tempfile import TemporaryFile

from halocline.files.regular import open_regular
from halocline.late_dataclass import dataclass

_MAGIC = b"\x76\x2f\x31\x01"
_TILED, _DEEP, _MULTI_PART = 0x0200, 0x0800, 0x1000
_OTHER_THAN_LINES = _TILED | _DEEP | _MULTI_PART
# How a part holds its pixels; tiles of deep ones are what is left.
_LINES, _TILES, _DEEP_LINES = "scanlineimage", "tiledimage", "deepscanline"
# A deep tile's: the part, its place and level, and three sizes.
_LARGEST_BEGIN = 4 + 4 * 4 + 3 * 8
# A header larger than this is no header; large ones hold manifests of object names, about a megabyte.
_LARGEST_HEADER = 1 << 26
_USUAL_HEADER = 1 << 18
# Rows of a chunk by the number of the compression: none, run lengths, zips, zip, piz, pxr24, b44, b44a, dwaa
# and dwab.
_CHUNK_ROWS = (1, 1, 1, 16, 32, 16, 32, 32, 32, 256)
# What is in memory at once of a file whose header grows.
_MOVED_BYTES = 1 << 22

# What describes the pixels as they are stored in one file, and is the writer's to say.
_LAYOUT = frozenset(
    {
        "acesImageContainerFlag",
        "channels",
        "chunkCount",
        "compression",
        "dataWindow",
        "deepImageState",
        "displayWindow",
        "dwaCompressionLevel",
        "envmap",
        "lineOrder",
        "maxSamplesPerPixel",
        "multiView",
        "name",
        "pixelAspectRatio",
        "preview",
        "tiles",
        "type",
        "version",
        "view",
    }
)


@dataclass(frozen=True)
class RawAttribute:
    """One attribute as it stands in the file: the name of its type, and its bytes."""

    type: str
    value: bytes


Attributes = dict[str, RawAttribute]
# The image library takes time by the square of their number; renderers write some dozens, pipelines hundreds.
MOST_ATTRIBUTES = 5000


def attribute_count(path: Path) -> int:
    """Return how many attributes all parts of a file have; 0 where it does not follow the layout."""
    try:
        parts, _, _ = _headers_of(path)
    except (OSError, ValueError):
        return 0
    return sum(map(len, parts))


def raw_attributes(path: Path) -> list[Attributes]:
    """Return the metadata of each part that describes the picture rather than how it is stored.

    A header that does not follow the layout gives as many parts as could be read.
    """
    try:
        parts, _, _ = _headers_of(path)
    except (OSError, ValueError):
        return []
    return [{name: entry for name, entry in part.items() if name not in _LAYOUT} for part in parts]


def first_part(path: Path) -> tuple[Attributes, int]:
    """Return all attributes of a file of one part of scan lines, and where its header ends.

    Raises
    ------
    OSError
        Where it cannot be read.
    ValueError
        Where it is another kind of file, or does not follow the layout.
    """
    parts, end, kind = _headers_of(path)
    if kind & _OTHER_THAN_LINES:
        raise ValueError("not one part of scan lines")
    return parts[0], end


def is_cut_off(path: Path) -> bool:
    """Tell whether a file ends before its last chunk does, without its pixels.

    Parameters
    ----------
    path
        The file: scan lines or tiles, flat or deep, of one part or several.

    Returns
    -------
    bool
        False also of what does not follow the layout, of which this is not known.
    """
    try:
        parts, end, flags = _headers_of(path)
        kinds = [_kind(part, flags) for part in parts]
        counts = [_chunk_count(part, kind) for part, kind in zip(parts, kinds, strict=True)]
        table = 8 * sum(counts)
        with os.fdopen(open_regular(path, follow=True), "rb") as file:
            size = os.fstat(file.fileno()).st_size
            if end + table > size:
                return True
            file.seek(end)
            offsets = struct.unpack(f"<{sum(counts)}Q", file.read(table))
            last: int = max(offsets)
            # Where a writer ended early, chunks that it did not come to have none.
            if min(offsets) < end + table or last >= size:
                return True
            belongs = bisect_right(list(accumulate(counts)), offsets.index(last))
            file.seek(last)
            # What is missing of its beginning is past the end in any case.
            begin = file.read(_LARGEST_BEGIN).ljust(_LARGEST_BEGIN, b"\0")
            return last + _chunk_bytes(begin, kinds[belongs], flags) > size
    except (OSError, ValueError, LookupError, struct.error):
        return False


def _kind(part: Attributes, flags: int) -> str:
    """Return how a part holds its pixels, by the standard's name of it."""
    if "type" in part:
        return part["type"].value.rstrip(b"\0").decode("latin-1")
    return _TILES if flags & _TILED else _LINES


def _chunk_count(part: Attributes, kind: str) -> int:
    """Return of how many chunks a part is."""
    x, y, x_last, y_last = struct.unpack("<4i", part["dataWindow"].value)
    width, height = int(x_last - x + 1), int(y_last - y + 1)
    if kind in (_LINES, _DEEP_LINES):
        return -(-height // _CHUNK_ROWS[part["compression"].value[0]])
    across, down, mode = map(int, struct.unpack("<2IB", part["tiles"].value))
    one_level, halves = mode & 15 == 0, mode & 15 == 1
    if not one_level and not halves:
        raise ValueError("halves of each side by itself: no renderer's frames")
    # As often as the longer side can be halved, and the picture itself.
    up, longer = bool(mode >> 4), max(width, height)
    levels = 1 if one_level else (longer - 1).bit_length() + 1 if up else longer.bit_length()
    return sum(
        -(-_halved(width, level, up) // across) * -(-_halved(height, level, up) // down)
        for level in range(levels)
    )


def _halved(size: int, times: int, up: bool) -> int:
    return max(-(-size >> times) if up else size >> times, 1)


def _chunk_bytes(begin: bytes, kind: str, flags: int) -> int:
    """Return how many bytes a chunk takes, by those that it begins with."""
    place = (4 if flags & _MULTI_PART else 0) + (4 if kind in (_LINES, _DEEP_LINES) else 16)
    if kind in (_LINES, _TILES):
        (held,) = struct.unpack_from("<i", begin, place)
        return int(place + 4 + held)
    counts, samples = struct.unpack_from("<2Q", begin, place)
    return int(place + 24 + counts + samples)


def put_attributes(path: Path, wanted: Sequence[Mapping[str, RawAttribute]]) -> None:
    """Set attributes of each part of a file written by `halocline.imaging.exr_write`; rewrites it if need be.

    Parameters
    ----------
    path
        A file of scan lines, written from first to last.
    wanted
        Attributes to set by part.

    Raises
    ------
    ValueError
        Where the file does not have the layout that the writer gives it.
    """
    with path.open("rb") as file:
        parts, end = _headers(file.read(_LARGEST_HEADER))
    if all(
        entry == part.get(name)
        for part, more in zip(parts, wanted, strict=True)
        for name, entry in more.items()
    ):
        return
    packed = b"".join(_packed({**part, **more}) for part, more in zip(parts, wanted, strict=True))
    with path.open("r+b") as file, TemporaryFile(dir=path.parent) as chunks:
        begin = file.read(8)
        several = bool(struct.unpack_from("<I", begin, 4)[0] & _MULTI_PART)
        header = begin + packed + (b"\0" if several else b"")
        # The first chunk follows the table of offsets, so its offset tells how long the table is.
        file.seek(end)
        (first,) = struct.unpack("<Q", file.read(8))
        count, odd = divmod(first - end, 8)
        if odd or not 0 < count <= (path.stat().st_size - end) // 8:
            raise ValueError("the table of offsets is not where it should be")
        file.seek(end)
        offsets = struct.unpack(f"<{count}Q", file.read(8 * count))
        if min(offsets) != first:
            raise ValueError("the first chunk is not the first in the file")
        # A file may be larger than memory: its chunks move a little at a time.
        copyfileobj(file, chunks, _MOVED_BYTES)
        chunks.seek(0)
        file.seek(0)
        file.truncate()
        moved = len(header) - end
        file.write(header + struct.pack(f"<{count}Q", *(offset + moved for offset in offsets)))
        copyfileobj(chunks, file, _MOVED_BYTES)


def _headers_of(path: Path) -> tuple[list[Attributes], int, int]:
    """Return all attributes of each part of a file, where they end, and the flags that tell its kind.

    Most headers are short, so little is read first.
    """
    with os.fdopen(open_regular(path, follow=True), "rb") as file:
        content = file.read(_USUAL_HEADER)
        try:
            found = _headers(content)
        except ValueError:
            if len(content) < _USUAL_HEADER:
                raise
            found = _headers(content + file.read(_LARGEST_HEADER - _USUAL_HEADER))
    return *found, int(struct.unpack_from("<I", content, 4)[0])


def _headers(content: bytes) -> tuple[list[Attributes], int]:
    """Return all attributes of each part, and where the headers end."""
    if content[:4] != _MAGIC or len(content) < 8:
        raise ValueError("not an EXR file")
    several = bool(struct.unpack_from("<I", content, 4)[0] & _MULTI_PART)
    place = 8
    parts: list[Attributes] = []
    while True:
        part, place = _header(content, place)
        if not part and several:
            return parts, place
        parts.append(part)
        if not several:
            return parts, place


def _header(content: bytes, place: int) -> tuple[Attributes, int]:
    part: Attributes = {}
    while True:
        name, place = _text(content, place)
        if not name:
            return part, place
        kind, place = _text(content, place)
        if place + 4 > len(content):
            raise ValueError("the header is cut off")
        (size,) = struct.unpack_from("<i", content, place)
        place += 4
        if size < 0 or place + size > len(content):
            raise ValueError("an attribute reaches past the header")
        part[name] = RawAttribute(kind, content[place : place + size])
        place += size


def _text(content: bytes, place: int) -> tuple[str, int]:
    end = content.find(b"\0", place, place + 256)
    if end < 0:
        raise ValueError("a name in the header does not end")
    # Any bytes come through latin-1 and back unchanged.
    return content[place:end].decode("latin-1"), end + 1


def _packed(part: Attributes) -> bytes:
    pieces = []
    for name, entry in part.items():
        pieces += [name.encode("latin-1"), b"\0", entry.type.encode("latin-1"), b"\0"]
        pieces += [struct.pack("<i", len(entry.value)), entry.value]
    return b"".join(pieces) + b"\0"
