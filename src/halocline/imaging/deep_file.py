"""Deep parts of EXR files: read into samples, and written, through OpenImageIO.

The library hands over one value at a time, so that a sample costs about a microsecond each way (see
benchmarks/deep.py); rows are read a few at a time, and of the library's own copy no more is held.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
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
    part_spec,
    proceed,
    put_raw,
    refuse_name,
)

# A picture of more samples is refused: read alone they take 4 GiB.
MAX_SAMPLES = 1 << 27
_ROWS = 16
_AT_ONCE = 1 << 16
_CHECK_SPACE = "Check the folder, its permissions and free space."


@dataclass(frozen=True)
class DeepPixels:
    """One deep part to write.

    Attributes
    ----------
    part
        Its description; its windows are those of ``counts``.
    counts
        Samples of each pixel, ``(rows, columns)``.
    values
        Each channel's values, ``(n,)``, by its name.
    """

    part: Part
    counts: Pixels
    values: Mapping[str, F32]


def read_deep(path: Path, part: Part, names: Sequence[str]) -> tuple[Pixels, dict[str, F32]]:
    """Read channels of a deep part.

    Parameters
    ----------
    path, part
        The file, and one of its parts from `halocline.imaging.exr.read_header`.
    names
        Channels.

    Returns
    -------
    counts, values
        Samples of each pixel over the data window, ``(rows, columns)``, and each channel's values, ``(n,)``,
        one pixel after another.

    Raises
    ------
    ReadError
        ``E-READ-PIXELS`` where pixels are damaged or missing, ``E-READ-SIZE`` where there are more samples
        than can be held.
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
    counts: list[Pixels] = []
    values: dict[str, list[F32]] = {name: [] for name in names}
    total = 0
    with opened(path) as file:
        for data, pixels in _blocks(file, path, part):
            own = np.fromiter(map(data.samples, range(pixels)), np.intp, pixels)
            counts.append(own)
            total += int(own.sum())
            if total > MAX_SAMPLES:
                raise ReadError(
                    f"holds more than {MAX_SAMPLES} samples",
                    code="E-READ-SIZE",
                    where=_place(path, part),
                    fix="Render with fewer samples a pixel (merge those nearer to each other than they are "
                    "worth), or crop the picture.",
                )
            where = np.repeat(np.arange(pixels), own).tolist()
            within = (np.arange(len(where)) - np.repeat(np.cumsum(own) - own, own)).tolist()
            for name in names:
                channel = list(part.channels).index(name)
                found = map(data.deep_value, where, [channel] * len(where), within)
                values[name].append(np.fromiter(found, np.float32, len(where)))
    window = part.data_window
    return (
        np.concatenate(counts).reshape(window.shape),
        {name: np.concatenate(each) for name, each in values.items()},
    )


def _blocks(file: Any, path: Path, part: Part) -> Iterator[tuple[Any, int]]:
    """Yield the samples of some rows at a time, with how many pixels they are."""
    window, channels = part.data_window, len(part.channels)
    step = window.height if part.tiled else _ROWS
    for top in range(window.y, window.y_end, step):
        bottom = min(top + step, window.y_end)
        data = (
            file.read_native_deep_image(part.index, 0)
            if part.tiled
            else file.read_native_deep_scanlines(part.index, 0, top, bottom, 0, 0, channels)
        )
        pixels = (bottom - top) * window.width
        if data is None or data.pixels != pixels:
            raise ReadError(
                f"samples cannot be read: {' '.join(reason_of(file).split()) or 'no reason given'}",
                code="E-READ-PIXELS",
                where=_place(path, part),
                fix="The file is cut off or damaged; copy or render it again.",
            )
        yield data, pixels


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
                data, count = _deep_data(each, spec)
                clamped += count
                proceed(out.write_deep_image(data), out, path, "E-WRITE-PIXELS", _CHECK_SPACE)
        finally:
            closed = out.close()
        proceed(closed, out, path, "E-WRITE-PIXELS", _CHECK_SPACE)
        put_raw(temporary, path, [each.part for each in parts])
        _check(temporary, path, parts)
        size = temporary.stat().st_size
    return WriteRecord(path, size, clamped)


def _deep_spec(part: Part, several: bool) -> Any:
    spec = part_spec(part, several)
    spec.deep = True
    # Of the compressions for flat pictures, deep ones have this.
    spec.attribute("compression", "none" if part.compression == "none" else "zips")
    return spec


def _deep_data(each: DeepPixels, spec: Any) -> tuple[Any, int]:
    """Return samples as the library takes them, and how many values were clamped."""
    data = oiio.DeepData()
    data.init(spec)
    counts = each.counts.ravel()
    for pixel, count in enumerate(counts.tolist()):
        data.set_samples(pixel, count)
    where = np.repeat(np.arange(counts.size), counts)
    within = np.arange(where.size) - np.repeat(np.cumsum(counts) - counts, counts)
    clamped = 0
    for channel, (name, kind) in enumerate(each.part.channels.items()):
        values = each.values[name]
        if kind == "half":
            clamped += int(np.count_nonzero(np.abs(values) > HALF_MAX))
            values = np.clip(values, -HALF_MAX, HALF_MAX)
        put = data.set_deep_value
        # As Python's own numbers they take five times the memory: a few at a time.
        for start in range(0, where.size, _AT_ONCE):
            few = slice(start, start + _AT_ONCE)
            given = (where[few].tolist(), within[few].tolist(), values[few].tolist())
            for pixel, sample, value in zip(*given, strict=True):
                put(pixel, channel, sample, value)
    return data, clamped


def _check(temporary: Path, path: Path, parts: Sequence[DeepPixels]) -> None:
    """Read the last rows of each part back: a file that was cut short has lost them first."""
    try:
        with opened(temporary) as file:
            for index, each in enumerate(parts):
                window = each.part.data_window
                data = file.read_native_deep_scanlines(
                    index, 0, window.y_end - 1, window.y_end, 0, 0, len(each.part.channels)
                )
                own = each.counts[-1]
                if data is None or [data.samples(pixel) for pixel in range(own.size)] != own.tolist():
                    raise damaged(path, "samples differ")
    except ReadError as error:
        raise damaged(path, error.message) from error
