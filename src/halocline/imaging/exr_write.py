"""Writing OpenEXR files so that a name never holds anything but a whole, checked file.

A file is written under a temporary name (see `halocline.files.whole`), and read back before it gets its own.
Pixels are put in by the image library, or faster by `halocline.imaging.exr_zip_write`; it is the library that
reads back.
OpenImageIO's return values alone are no proof: where only the last few kilobytes do not
fit on the disk, every call reports success and the file is cut.
"""

from __future__ import annotations

import logging
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio

from halocline._typing import AnyArray
from halocline.errors import ReadError, WriteError
from halocline.files.whole import whole_file
from halocline.imaging.compression import ALWAYS_WRITABLE, LOSSLESS, compression_problem, name_of
from halocline.imaging.exr import Part, file_threads, read_header, read_native
from halocline.imaging.exr_attributes import put_attributes
from halocline.imaging.exr_zip import LEAST_PIXELS
from halocline.imaging.exr_zip_write import ZippedFile
from halocline.imaging.half_loops import put_four_halves, put_halves
from halocline.late_dataclass import dataclass

logger = logging.getLogger(__name__)

HALF_MAX = 65504.0

# Types that OpenImageIO names when it reads but cannot read the name of.
_VECTORS_OF_INT = {"vector2i": oiio.VEC2, "vectori": oiio.VEC3}
_BUFFER_TYPES = {"half": np.float16, "float": np.float32, "uint": np.uint32}
# Rows converted and handed over at a time: whole compression blocks, small enough to stay in cache.
ROWS_WRITTEN = 256
# Halves that make one number of 64 bits, the first of them its lowest.
_FOUR = 4


class RowsTogether:
    """Channels that are made some rows at a time, all of them at once; the last rows made are kept.

    Parameters
    ----------
    make
        Returns all channels over the rows from and to (not included).
    """

    def __init__(self, make: Callable[[int, int], Mapping[str, AnyArray]]) -> None:
        self._make = make
        self._rows = (0, 0)
        self._made: Mapping[str, AnyArray] = {}

    def channel(self, name: str, start: int, stop: int) -> AnyArray:
        """Return rows of a channel."""
        first, last = self._rows
        if not first <= start < stop <= last:
            # The rows before go first: both need not be there at once.
            self._made, self._rows = {}, (0, 0)
            self._made, self._rows = self._make(start, stop), (start, stop)
            first = start
        return self._made[name][start - first : stop - first]


@dataclass(frozen=True)
class PlaneByRows:
    """A channel whose rows are made as they are written."""

    name: str
    together: RowsTogether

    def __getitem__(self, rows: slice) -> AnyArray:
        """Return some rows, ``(rows, columns)``."""
        return self.together.channel(self.name, rows.start, rows.stop)


@dataclass(frozen=True)
class PartPixels:
    """One part to write: its description and a plane ``(rows, columns)`` over its data window by channel.

    Of channels named in ``numbers`` each value must be a number.
    """

    part: Part
    planes: Mapping[str, AnyArray | PlaneByRows]
    numbers: frozenset[str] = frozenset()


@dataclass(frozen=True)
class WriteRecord:
    """What was written: the file, its size, and how many values did not fit into half and were clamped."""

    path: Path
    bytes: int
    clamped_values: int


def write_exr(
    path: str | Path, parts: Sequence[PartPixels], *, overwrite: bool = False, check_all_rows: bool = False
) -> WriteRecord:
    """Write an EXR file: either the whole, checked file appears under its name, or nothing changes.

    Scan lines are written, whatever the input had: tiles read 1.2 to 4 times slower.

    Parameters
    ----------
    path
        The file.
    parts
        One or more parts. Channels are written in the pixel types that `Part.channels` says; magnitudes above
        65504 (infinities too) become 65504 in half channels and are counted. NaN is written as it is, but in
        channels that must hold numbers (`PartPixels`).
    overwrite
        Whether an existing file may be replaced.
    check_all_rows
        Read back every row, not only the last ones of each part.

    Raises
    ------
    WriteError
        ``E-WRITE-EXISTS``, ``E-WRITE-OPEN`` (folder, permission), ``E-WRITE-COMPRESSION``, ``E-WRITE-PIXELS``
        (disk full), ``E-WRITE-CHECK`` (what was read back is not what was written), ``E-WRITE-TYPES`` (uint
        beside other types in one part), ``E-WRITE-NAN`` (no number where there must be one).
    """
    path = Path(path)
    refuse_name(path)
    for each in parts:
        _refuse_unwritable(path, each)
    with whole_file(path, overwrite=overwrite) as temporary:
        clamped = _write(temporary, path, parts)
        put_raw(temporary, path, [each.part for each in parts])
        _check(temporary, path, parts, check_all_rows)
        size = temporary.stat().st_size
    return WriteRecord(path, size, clamped)


def refuse_name(path: Path) -> None:
    """Refuse a name that the image library does not take (``E-WRITE-OPEN``)."""
    try:
        str(path).encode()
    except UnicodeEncodeError as error:
        raise WriteError(
            "cannot be written: the name or that of a folder above it is no UTF-8, and the image library "
            "takes no other",
            code="E-WRITE-OPEN",
            where=str(path),
            fix="Give another folder or name with --out.",
        ) from error


def _refuse_unwritable(path: Path, each: PartPixels) -> None:
    types = set(each.part.channels.values())
    if "uint" in types and len(types) > 1:
        raise WriteError(
            "whole-number channels cannot be written beside others in one part without loss",
            code="E-WRITE-TYPES",
            where=str(path),
            fix="Write them as a part of their own: leave them out of output.carry.",
        )
    refuse_compression(each.part.compression, str(path))


def refuse_compression(compression: str, where: str) -> None:
    """Refuse a compression that the image library here does not write.

    Parameters
    ----------
    compression
        A compression as presets write it.
    where
        Where it was asked for, for the message.

    Raises
    ------
    WriteError
        ``E-WRITE-COMPRESSION``.
    """
    problem = compression_problem(compression)
    if problem or not can_write(name_of(compression)):
        raise WriteError(
            f'"{compression}" cannot be written: {problem or "the image library here does not have it"}',
            code="E-WRITE-COMPRESSION",
            where=where,
            fix='Set another, such as output.compression = "zip", or leave it to the render.',
        )


@lru_cache(maxsize=32)
def can_write(compression: str) -> bool:
    """Tell whether the image library writes a compression, by its name without a level.

    It silently writes zip for a name that it does not know, so where that depends on how it was built a few
    pixels are written and looked at.

    Parameters
    ----------
    compression
        Name without a level.

    Returns
    -------
    bool
        Whether a file written with it says that it is.
    """
    if compression in ALWAYS_WRITABLE:
        return True
    with tempfile.TemporaryDirectory(prefix="halocline-") as folder:
        name = str(Path(folder) / "few.exr")
        spec = oiio.ImageSpec(1, 1, 1, "half")
        spec.attribute("compression", compression)
        out: Any = oiio.ImageOutput.create("openexr")
        done = out.open(name, spec) and out.write_image(np.zeros((1, 1, 1), np.float16))
        done = out.close() and done
        # An error that nobody fetches is printed at exit.
        out.geterror()
        return bool(done) and read_header(name).parts[0].compression == compression


def _write(temporary: Path, path: Path, parts: Sequence[PartPixels]) -> int:
    if len(parts) == 1 and parts[0].part.compression in ("zip", "zips"):
        clamped = _write_zipped(temporary, path, parts[0])
        if clamped is not None:
            return clamped
    return _write_by_library(temporary, path, parts)


def _write_zipped(temporary: Path, path: Path, each: PartPixels) -> int | None:
    """Write a file that is written faster by ourselves; return None where it is not of that kind."""
    part = each.part
    if part.data_window.width * part.data_window.height < LEAST_PIXELS:
        return None
    # The library knows how metadata is written.
    _write_by_library(temporary, path, [each], pixels=False)
    made = ZippedFile.of(temporary, dict(part.channels), part.data_window)
    if made is None:
        return None
    clamped = 0

    def blocks() -> Iterator[list[AnyArray]]:
        nonlocal clamped
        for start in range(0, part.data_window.height, ROWS_WRITTEN):
            stop = min(start + ROWS_WRITTEN, part.data_window.height)
            rows, count = _rows_to_write(each, start, stop, path)
            clamped += count
            yield [rows[name] for name, _ in made.types]

    try:
        made.write(blocks(), file_threads())
    except OSError as error:
        raise WriteError(
            f"cannot be written: {error.strerror or error}",
            code="E-WRITE-PIXELS",
            where=str(path),
            fix="Check the free space of the disk.",
        ) from error
    return clamped


def _write_by_library(
    temporary: Path, path: Path, parts: Sequence[PartPixels], *, pixels: bool = True
) -> int:
    """Write a file, or its header alone; return how many values were clamped."""
    specs = [part_spec(each.part, len(parts) > 1) for each in parts]
    out: Any = oiio.ImageOutput.create("openexr")
    if out is None:
        # Seen where memory was short: the library then has no writer for the format.
        raise WriteError(
            f"cannot be opened for writing: {oiio.geterror() or 'no memory for a writer'}",
            code="E-WRITE-OPEN",
            where=str(path),
            fix="Allow the process more memory, or fewer processes at once.",
        )
    clamped = 0
    try:
        for index, (each, spec) in enumerate(zip(parts, specs, strict=True)):
            # The first call must announce all parts; the later ones go on to the next.
            name = str(temporary)
            opened = (
                out.open(name, spec, "AppendSubimage")
                if index
                else out.open(name, specs if len(specs) > 1 else spec)
            )
            proceed(opened, out, path, "E-WRITE-OPEN", "Check the folder, its permissions and free space.")
            clamped += _write_rows(out, path, each) if pixels else 0
    finally:
        closed = out.close()
    proceed(closed, out, path, "E-WRITE-PIXELS", "Check the free space of the disk.")
    return clamped


def put_raw(temporary: Path, path: Path, parts: Sequence[Part]) -> None:
    """Put in the metadata that OpenImageIO cannot carry."""
    if not any(part.raw for part in parts):
        return
    try:
        put_attributes(temporary, [part.raw for part in parts])
    except (OSError, ValueError) as error:
        raise WriteError(
            f"cannot be written: {error}",
            code="E-WRITE-PIXELS",
            where=str(path),
            fix="Check the free space of the disk.",
        ) from error


def proceed(done: bool, out: Any, path: Path, code: str, fix: str) -> None:
    """Raise a `WriteError` with the image library's reason, unless a step of writing was done."""
    if not done:
        reason = " ".join((out.geterror() or oiio.geterror()).split())
        raise WriteError(
            f"cannot be written: {reason or 'no reason given'}", code=code, where=str(path), fix=fix
        )


def part_spec(part: Part, several: bool) -> Any:
    """Return a part's description as the image library takes it; ``several`` where it is not alone."""
    window, display = part.data_window, part.display_window
    types = list(part.channels.values())
    spec = oiio.ImageSpec(window.width, window.height, len(types), types[0])
    spec.channelnames = tuple(part.channels)
    if len(set(types)) > 1:
        spec.channelformats = types
    spec.x, spec.y = window.x, window.y
    spec.full_x, spec.full_y = display.x, display.y
    spec.full_width, spec.full_height = display.width, display.height
    # An empty text keeps the time of writing out, so that the same picture gives the same bytes.
    spec.attribute("DateTime", "")
    for name, entry in part.attributes.items():
        try:
            spec.attribute(name, _type_desc(entry.type), entry.value)
        except (TypeError, ValueError):
            # What the library reads but does not take back; its bytes are carried (see `put_raw`).
            if not part.raw:
                logger.warning("metadata %s cannot be written as %s and is left out", name, entry.type)
    spec.attribute("compression", part.compression)
    spec.attribute("PixelAspectRatio", part.pixel_aspect)
    if part.view:
        spec.attribute("view", part.view)
    if part.name or several:
        spec.attribute("oiio:subimagename", part.name or f"part{part.index}")
    return spec


def _type_desc(name: str) -> Any:
    base, _, length = name.partition("[")
    if base in _VECTORS_OF_INT:
        count = int(length.rstrip("]")) if length else 0
        return oiio.TypeDesc(oiio.INT, _VECTORS_OF_INT[base], oiio.VECTOR, count)
    return oiio.TypeDesc(name)


def _write_rows(out: Any, path: Path, each: PartPixels) -> int:
    part = each.part
    clamped = 0
    for start in range(0, part.data_window.height, ROWS_WRITTEN):
        stop = min(start + ROWS_WRITTEN, part.data_window.height)
        block, count = interleaved(each, start, stop, path)
        clamped += count
        first = part.data_window.y + start
        done = out.write_scanlines(first, first + stop - start, 0, block)
        proceed(done, out, path, "E-WRITE-PIXELS", "Check the free space of the disk.")
    return clamped


def interleaved(each: PartPixels, start: int, stop: int, path: Path) -> tuple[AnyArray, int]:
    """Return rows as the file has them, ``(rows, columns, channels)``, and how many values were clamped."""
    types = each.part.channels
    kinds = set(types.values())
    buffer_type = _BUFFER_TYPES[kinds.pop()] if len(kinds) == 1 else np.float32
    block = np.empty((stop - start, each.part.data_window.width, len(types)), buffer_type)
    found, clamped = _rows_to_write(each, start, stop, path)
    _put(list(found.values()), block)
    return block, clamped


def _rows_to_write(each: PartPixels, start: int, stop: int, path: Path) -> tuple[dict[str, AnyArray], int]:
    """Return rows of each channel within what its type holds, and how many values were clamped."""
    clamped, found = 0, dict[str, AnyArray]()
    for name, kind in each.part.channels.items():
        rows = each.planes[name][start:stop]
        to_half = kind == "half" and rows.dtype != np.float16
        # A maximum is NaN where any value is.
        highest = rows.max() if to_half or name in each.numbers else 0.0
        if name in each.numbers and np.isnan(highest):
            raise not_a_number(path, name, rows, each.part.data_window.y + start)
        if to_half:
            rows, count = _within_half(rows, highest)
            clamped += count
        found[name] = rows
    return found, clamped


def not_a_number(path: Path, name: str, values: AnyArray, first_row: int) -> WriteError:
    """Return the error of a channel that must hold numbers and does not, in some rows from one on."""
    count = int(np.count_nonzero(np.isnan(values)))
    return WriteError(
        f"{name} has {count} values that are no numbers from row {first_row} on, though the render has none: "
        "nothing was put under this name",
        code="E-WRITE-NAN",
        where=str(path),
        fix="Turning off steps of the look one by one tells which makes them. Where that is no step of your "
        "own, it is a fault of Halocline: please report it with the preset and the frame.",
    )


def _put(channels: Sequence[AnyArray], block: AnyArray) -> None:
    """Write channels side by side into a block, ``(rows, columns, channels)``, in its own type."""
    rounded = [block.dtype == np.float16 and rows.dtype == np.float32 for rows in channels]
    if all(rounded) and len(channels) == _FOUR and sys.byteorder == "little":
        first, second, third, fourth = (np.ascontiguousarray(rows) for rows in channels)
        put_four_halves((first, second, third, fourth), block.view(np.uint64)[..., 0])
        return
    for index, (rows, to_half) in enumerate(zip(channels, rounded, strict=True)):
        if to_half:
            put_halves(np.ascontiguousarray(rows), index, block.view(np.uint16))
        else:
            block[..., index] = rows


def _within_half(rows: AnyArray, highest: float) -> tuple[AnyArray, int]:
    # The highest is NaN where any value is: the comparison then fails and the careful path decides.
    if highest <= HALF_MAX and rows.min() >= -HALF_MAX:
        return rows, 0
    beyond = int(np.count_nonzero(np.abs(rows) > HALF_MAX))
    return (np.clip(rows, -HALF_MAX, HALF_MAX) if beyond else rows), beyond


def _check(temporary: Path, path: Path, parts: Sequence[PartPixels], check_all_rows: bool) -> None:
    """Read the file back: its description, and the pixels of the last rows (or of all) of each part."""
    try:
        header = read_header(temporary)
        same = len(header.parts) == len(parts) and all(
            (found.data_window, found.display_window) == (each.part.data_window, each.part.display_window)
            and dict(found.channels) == dict(each.part.channels)
            for found, each in zip(header.parts, parts, strict=True)
        )
        for found, each in zip(header.parts, parts, strict=False):
            same = same and _rows_survived(temporary, found, each, check_all_rows)
    except ReadError as error:
        raise damaged(path, error.message) from error
    if not same:
        raise damaged(path, "windows, channels or pixels differ")


def _rows_survived(temporary: Path, found: Part, each: PartPixels, check_all_rows: bool) -> bool:
    height = each.part.data_window.height
    # A file cut short loses its last rows first: they are written last.
    start = 0 if check_all_rows else height - 1
    back = read_native(temporary, found, found.channels, first_row=start)
    if name_of(each.part.compression) not in LOSSLESS:
        return True
    block, _ = interleaved(each, start, height, temporary)
    written = {name: block[..., index] for index, name in enumerate(each.part.channels)}
    return all(
        np.array_equal(back[name], written[name].astype(back[name].dtype), equal_nan=True)
        if back[name].dtype.kind == "f"
        else np.array_equal(back[name], written[name])
        for name in back
    )


def damaged(path: Path, reason: str) -> WriteError:
    """Return the error of a file that was written and is not what was to be written."""
    return WriteError(
        f"was written but does not read back: {reason}",
        code="E-WRITE-CHECK",
        where=str(path),
        fix="Check the free space and the health of the disk; nothing was put under this name.",
    )
