"""Deep parts of EXR files: read into samples, and written, through OpenImageIO.

The library hands over one value at a time, so that a sample costs about a microsecond each way (see
benchmarks/deep.py); rows are read a few at a time, and of the library's own copy no more is held.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio

from halocline._typing import F32
from halocline.errors import ChannelError, ReadError
from halocline.files.whole import whole_file
from halocline.imaging.deep import Pixels
from halocline.imaging.exr import Part, opened, reason_of
from halocline.imaging.exr_write import (
    HALF_MAX,
    WriteRecord,
    damaged,
    not_a_number,
    part_spec,
    proceed,
    put_raw,
    refuse_name,
)
from halocline.late_dataclass import dataclass

# Of the few rows that are read or made at once, more are refused: read alone they take 4 GiB.
MAX_SAMPLES = 1 << 27
_ROWS = 16
_AT_ONCE = 1 << 16
_CHECK_SPACE = "Check the folder, its permissions and free space."


# Of some rows: samples of each pixel, ``(rows, columns)``, and each channel's values, ``(n,)``, by its name.
Rows = tuple[Pixels, Mapping[str, F32]]


@dataclass(frozen=True)
class DeepPixels:
    """One deep part to write.

    Attributes
    ----------
    part
        Its description.
    bands
        Its rows from the first to the last, some at a time. They are gone through once.
    numbers
        Channels of which each value must be a number.
    """

    part: Part
    bands: Iterable[Rows]
    numbers: frozenset[str] = frozenset()


def read_deep(
    path: Path, part: Part, names: Sequence[str], rows: tuple[int, int] | None = None
) -> Iterator[Rows]:
    """Read channels of a deep part, some rows at a time.

    Parameters
    ----------
    path, part
        The file, and one of its parts from `halocline.imaging.exr.read_header`.
    names
        Channels.
    rows
        Rows of the data window from and to (not included), counted from its first; all of them where None.

    Yields
    ------
    Rows
        Samples of each pixel, and their values one pixel after another.

    Raises
    ------
    ReadError
        ``E-READ-PIXELS`` where pixels are damaged or missing, ``E-READ-SIZE`` where a few rows hold more
        samples than can be held.
    ChannelError
        ``E-CHANNEL-MISSING``.
    """
    for name in names:
        if name not in part.channels:
            raise ChannelError(
                f'this deep picture has no channel "{name}"',
                code="E-CHANNEL-MISSING",
                where=_place(path, part),
                fix=f"It has: {', '.join(part.channels)}. Every sample needs its colour, its coverage A and "
                "its depth Z: render them.",
            )
    start, stop = rows or (0, part.data_window.height)
    numbers = [list(part.channels).index(name) for name in names]
    with opened(path) as file:
        for data, first, last in _blocks(file, path, part, start, stop):
            yield _values(data, range(first, last), dict(zip(names, numbers, strict=True)), path, part)


def _values(data: Any, pixels: range, channels: Mapping[str, int], path: Path, part: Part) -> Rows:
    """Return what the library's samples of some pixels hold."""
    own = np.fromiter(map(data.samples, pixels), np.intp, len(pixels))
    total = int(own.sum())
    if total > MAX_SAMPLES:
        raise ReadError(
            f"holds more than {MAX_SAMPLES} samples in a few rows",
            code="E-READ-SIZE",
            where=_place(path, part),
            fix="Render with fewer samples a pixel (merge those nearer to each other than they are worth).",
        )
    where = np.repeat(np.asarray(pixels), own).tolist()
    within = (np.arange(total) - np.repeat(np.cumsum(own) - own, own)).tolist()
    values = {
        name: np.fromiter(map(data.deep_value, where, [channel] * total, within), np.float32, total)
        for name, channel in channels.items()
    }
    return own.reshape(-1, part.data_window.width), values


def rows_together(path: Path, part: Part) -> int:
    """Return how many rows of a deep part are stored together: those of a tile; few of scan lines.

    Parameters
    ----------
    path, part
        As `read_deep` takes them.

    Returns
    -------
    int
        Rows, 1 or more.

    Raises
    ------
    ReadError
        ``E-READ-OPEN``.
    """
    if not part.tiled:
        return _ROWS
    with opened(path) as file:
        file.seek_subimage(part.index, 0)
        return max(1, int(file.spec().tile_height))


def _blocks(file: Any, path: Path, part: Part, start: int, stop: int) -> Iterator[tuple[Any, int, int]]:
    """Yield the library's samples of some rows at a time, and which of their pixels are meant."""
    window, channels = part.data_window, len(part.channels)
    step = rows_together(path, part)
    # Tiles are read whole.
    for top in range(start - start % step if part.tiled else start, stop, step):
        bottom = min(top + step, window.height if part.tiled else stop)
        rows = window.y + top, window.y + bottom
        data = (
            file.read_native_deep_tiles(part.index, 0, window.x, window.x_end, *rows, 0, 1, 0, channels)
            if part.tiled
            else file.read_native_deep_scanlines(part.index, 0, *rows, 0, 0, channels)
        )
        if data is None or data.pixels != (bottom - top) * window.width:
            raise ReadError(
                f"samples cannot be read: {' '.join(reason_of(file).split()) or 'no reason given'}",
                code="E-READ-PIXELS",
                where=_place(path, part),
                fix="The file is cut off or damaged; copy or render it again.",
            )
        first, last = max(top, start) - top, min(bottom, stop) - top
        yield data, first * window.width, last * window.width


def _place(path: Path, part: Part) -> str:
    return f'{path}, part "{part.name}"' if part.name else str(path)


def write_deep(path: str | Path, parts: Sequence[DeepPixels], *, overwrite: bool = False) -> WriteRecord:
    """Write a deep EXR file: either the whole, checked file appears under its name, or nothing changes.

    Parameters
    ----------
    path
        The file.
    parts
        One or more parts, scan lines. Values beyond 65504 become that in half channels and are counted.
    overwrite
        Whether an existing file may be replaced.

    Returns
    -------
    WriteRecord
        The file, its size, and how many values had to be clamped.

    Raises
    ------
    WriteError
        As `halocline.imaging.exr_write.write_exr`.
    """
    path = Path(path)
    refuse_name(path)
    specs = [_deep_spec(each.part, len(parts) > 1) for each in parts]
    clamped = 0
    last: list[Pixels] = []
    with whole_file(path, overwrite=overwrite) as temporary:
        out: Any = oiio.ImageOutput.create("openexr")
        try:
            for index, (each, spec) in enumerate(zip(parts, specs, strict=True)):
                done = (
                    out.open(str(temporary), spec, "AppendSubimage")
                    if index
                    else out.open(str(temporary), specs if len(specs) > 1 else spec)
                )
                proceed(done, out, path, "E-WRITE-OPEN", _CHECK_SPACE)
                top = each.part.data_window.y
                for counts, values in each.bands:
                    for name in each.numbers:
                        if np.isnan(values[name]).any():
                            raise not_a_number(path, name, values[name], top)
                    data, count = _deep_data(each.part, counts, values)
                    clamped += count
                    end = top + len(counts)
                    proceed(
                        out.write_deep_scanlines(top, end, 0, data), out, path, "E-WRITE-PIXELS", _CHECK_SPACE
                    )
                    top = end
                last.append(counts[-1])
        finally:
            closed = out.close()
        proceed(closed, out, path, "E-WRITE-PIXELS", _CHECK_SPACE)
        put_raw(temporary, path, [each.part for each in parts])
        _check(temporary, path, parts, last)
        size = temporary.stat().st_size
    return WriteRecord(path, size, clamped)


def _deep_spec(part: Part, several: bool) -> Any:
    spec = part_spec(part, several)
    spec.deep = True
    # Of the compressions for flat pictures, deep ones have this.
    spec.attribute("compression", "none" if part.compression == "none" else "zips")
    return spec


def _deep_data(part: Part, counts: Pixels, values: Mapping[str, F32]) -> tuple[Any, int]:
    """Return samples of some rows as the library takes them, and how many values were clamped."""
    data = oiio.DeepData()
    kinds = [oiio.TypeDesc(kind) for kind in part.channels.values()]
    data.init(counts.size, len(kinds), kinds, list(part.channels))
    counts = counts.ravel()
    for pixel, count in enumerate(counts.tolist()):
        data.set_samples(pixel, count)
    where = np.repeat(np.arange(counts.size), counts)
    within = np.arange(where.size) - np.repeat(np.cumsum(counts) - counts, counts)
    clamped = 0
    for channel, (name, kind) in enumerate(part.channels.items()):
        plane = values[name]
        if kind == "half":
            clamped += int(np.count_nonzero(np.abs(plane) > HALF_MAX))
            plane = np.clip(plane, -HALF_MAX, HALF_MAX)
        put = data.set_deep_value
        # As Python's own numbers they take five times the memory: a few at a time.
        for start in range(0, where.size, _AT_ONCE):
            few = slice(start, start + _AT_ONCE)
            given = (where[few].tolist(), within[few].tolist(), plane[few].tolist())
            for pixel, sample, value in zip(*given, strict=True):
                put(pixel, channel, sample, value)
    return data, clamped


def _check(temporary: Path, path: Path, parts: Sequence[DeepPixels], last: Sequence[Pixels]) -> None:
    """Read the last row of each part back: a file that was cut short has lost it first."""
    try:
        with opened(temporary) as file:
            for index, (each, own) in enumerate(zip(parts, last, strict=True)):
                window = each.part.data_window
                data = file.read_native_deep_scanlines(
                    index, 0, window.y_end - 1, window.y_end, 0, 0, len(each.part.channels)
                )
                if data is None or [data.samples(pixel) for pixel in range(own.size)] != own.tolist():
                    raise damaged(path, "samples differ")
    except ReadError as error:
        raise damaged(path, error.message) from error
