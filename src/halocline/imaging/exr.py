"""Reading OpenEXR files through OpenImageIO, with all of its traps in this one place.

OpenImageIO raises nothing: every call is checked here and turned into a `ReadError`. Traps that the code
below steps around: deep parts read as wrong numbers; a mixed half/float part read in one call becomes float
(slow); a missing part gives an empty error; errors that nobody fetches are printed at exit; a damaged file
opens normally and fails only when its pixels are read.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import field, replace
from pathlib import Path
from threading import Lock
from typing import Any

import numpy as np
import OpenImageIO as oiio

from halocline._typing import F32, AnyArray
from halocline.errors import ChannelError, ReadError, did_you_mean
from halocline.imaging.exr_attributes import MOST_ATTRIBUTES, RawAttribute, attribute_count, raw_attributes
from halocline.imaging.exr_zip import UnlikeError, ZippedRows
from halocline.imaging.frame import Window
from halocline.late_dataclass import dataclass

# 2^27 pixels are 16 UHD pictures, or 16384 x 8192: half a gibibyte a plane.
MAX_PIXELS = 1 << 27

# Rows read at a time on each thread: at UHD five channels of them stay in a core's cache.
_BLOCK_ROWS = 32

_TYPE_NAMES = {"half": "half", "float": "float", "uint": "uint", "uint32": "uint"}

LATLONG = "a lat-long environment (envmap)"
_ENVIRONMENTS = {
    "LatLong Environment": LATLONG,
    "CubeFace Environment": "a cube map (envmap)",
}

# What describes the file rather than the picture; a copy of it onto other pixels would be wrong or refused.
_DERIVED = frozenset(
    {
        "acesImageContainerFlag",  # any compression but none is refused while it is there
        "oiio:subimages",
        "oiio:subimagename",
        "oiio:RowsPerChunk",
        "openexr:chunkCount",
        "openexr:roundingmode",
        "openexr:levelmode",
        "openexr:lineOrder",  # the writer always goes downwards; its check of the last rows counts on it
        "oiio:updirection",
        "oiio:sampleborder",
        # Of deep parts alone.
        "version",
        "maxSamplesPerPixel",
        # A small picture of the render as it came, which the output is not.
        "thumbnail_width",
        "thumbnail_height",
        "thumbnail_nchannels",
        "thumbnail_image",
        "textureformat",  # copied from a lat-long picture it makes a file that no reader opens
        # These have fields of their own in `Part`.
        "name",
        "view",
        "compression",
        "openexr:dwaCompressionLevel",
        "PixelAspectRatio",
    }
)


@dataclass(frozen=True)
class Attribute:
    """One metadata entry: the name of its type, as OpenImageIO spells it, and its value."""

    type: str
    value: Any


@dataclass(frozen=True)
class Part:
    """One part (picture) of an EXR file, without its pixels.

    Attributes
    ----------
    index, name, view
        Place in the file; name and view are empty where the file has none.
    channels
        Pixel type (``half``, ``float`` or ``uint``) by channel name, in the reader's order.
    data_window, display_window, pixel_aspect
        See `halocline.imaging.frame`.
    compression
        Name, with the level where there is one (``dwaa:45``).
    tiled, deep, rows_per_chunk
        How the pixels are stored; scan lines are compressed, and tiles go, so many rows at a time.
    environment
        What the picture is where it shows all directions at once: "a lat-long environment"; empty else.
    has_preview
        Whether the file holds a small picture for browsing; it is never written.
    attributes
        All other metadata, `Attribute` by name.
    raw
        The same as it stands in the file, with what has no entry in ``attributes``. When the part is written,
        it wins; take out of it what is to be set anew.
    """

    index: int
    name: str
    view: str
    channels: Mapping[str, str]
    data_window: Window
    display_window: Window
    pixel_aspect: float = 1.0
    compression: str = "zip"
    tiled: bool = False
    deep: bool = False
    rows_per_chunk: int = field(default=1, compare=False)
    environment: str = ""
    has_preview: bool = field(default=False, compare=False)
    attributes: Mapping[str, Attribute] = field(default_factory=dict)
    raw: Mapping[str, RawAttribute] = field(default_factory=dict, compare=False, repr=False)

    def value(self, name: str) -> Any:
        """Return an attribute's value, or None where the part has none of that name."""
        found = self.attributes.get(name)
        return None if found is None else found.value

    @property
    def rows_together(self) -> int:
        """Rows that are read at a time: whole chunks."""
        return -(-_BLOCK_ROWS // self.rows_per_chunk) * self.rows_per_chunk

    @property
    def chromaticities(self) -> tuple[float, ...] | None:
        """Red, green, blue and white x y (eight numbers) where the file states them."""
        found = self.value("chromaticities")
        return None if found is None else tuple(float(number) for number in found)

    @property
    def colour_space(self) -> str | None:
        """Name of the colour space where the file states one."""
        for name in ("oiio:ColorSpace", "colorInteropID"):
            found = self.value(name)
            if isinstance(found, str) and found:
                return found
        return None


@dataclass(frozen=True)
class Header:
    """What a file holds, read without any pixels.

    Attributes
    ----------
    path
        The file.
    parts
        Its parts in order.
    """

    path: Path
    parts: tuple[Part, ...]


def set_file_threads(count: int) -> None:
    """Set how many threads reading or writing one file uses, for the whole process; 2 or more by default.

    With 1, each file is read and compressed by the thread that calls, so that several Python threads (or
    processes) may read and write files side by side. OpenEXR's own pool of one worker would make them queue;
    -1 turns the pool off.

    Parameters
    ----------
    count
        At least 1.
    """
    oiio.attribute("threads", count)
    oiio.attribute("exr_threads", count if count > 1 else -1)


def file_threads() -> int:
    """Return how many threads reading or writing one file uses.

    Returns
    -------
    int
        At least 1.
    """
    count = oiio.get_int_attribute("exr_threads")
    return count if count > 0 else 1


def read_header(path: str | Path) -> Header:
    """Read what the file holds, without pixels.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    Header
        Its parts with their channels, windows and attributes.

    Raises
    ------
    ReadError
        ``E-READ-OPEN`` where it is no readable EXR file, ``E-READ-SIZE`` where a window is absurd.
    """
    path = Path(path)
    _refuse_bombs(path)
    with opened(path) as file:
        parts: list[Part] = []
        while file.seek_subimage(len(parts), 0):
            parts.append(_part(file.spec(), len(parts), path))
        reason_of(file)  # the failed seek past the last part leaves one behind
    raw = raw_attributes(path)
    if len(raw) == len(parts):
        parts = [replace(part, raw=entries) for part, entries in zip(parts, raw, strict=True)]
    return Header(path, tuple(parts))


def header_of_buffer(buffer: oiio.ImageBuf) -> Header:
    """Return what a picture in memory holds, as if it were a file of one part.

    Parameters
    ----------
    buffer
        A picture in memory.

    Returns
    -------
    Header
        One part, named as the buffer is.

    Raises
    ------
    ReadError
        ``E-READ-OPEN`` where the buffer holds no pixels, ``E-READ-SIZE`` where a window is absurd.
    """
    path = Path(buffer.name or "ImageBuf")
    if not buffer.initialized or buffer.has_error:
        raise ReadError(
            f"this ImageBuf holds no picture: {_tidy(buffer.geterror(), path) or 'it was never filled'}",
            code="E-READ-OPEN",
            where=str(path),
            fix="Fill it first, or give the file's name.",
        )
    return Header(path, (_part(buffer.spec(), 0, path),))


def read_into(path: str | Path, part: Part, targets: Mapping[str, F32]) -> None:
    """Read channels of a part straight into given planes, without touching their values.

    One pass over the file, a few rows at a time on each thread, straight from the cache into the planes: each
    further pass would decompress everything again, and whole pictures in between cost as much once more.

    Parameters
    ----------
    path, part
        The file, and one of its parts from `read_header`.
    targets
        Where each channel goes: a float32 array ``(rows, columns)`` of the data window's shape, which may be
        a view into a larger plane.

    Raises
    ------
    ReadError
        ``E-READ-DEEP`` for a deep part, ``E-READ-PIXELS`` where the pixels are damaged or missing.
    ChannelError
        ``E-CHANNEL-MISSING`` where the part has no channel of that name.
    """
    path = Path(path)
    _refuse_unreadable(path, part, targets)
    numbers = [name for name in targets if part.channels[name] == "uint"]
    for name, plane in read_native(path, part, numbers).items():
        # As they are; OpenImageIO would scale them to 0..1. Exact up to 2^24.
        targets[name][...] = plane
    _read_floating(path, part, {name: plane for name, plane in targets.items() if name not in numbers})


def _read_floating(path: Path, part: Part, targets: Mapping[str, F32]) -> None:
    """Read half and float channels: all between the first and the last wanted one, in one pass."""
    if not targets:
        return
    if _read_zipped(path, part, targets):
        return
    names = list(part.channels)
    first = min(names.index(name) for name in targets)
    span = names[first : max(names.index(name) for name in targets) + 1]
    kind = "half" if all(part.channels[name] == "half" for name in span) else "float"
    height = part.data_window.height
    blocks = _blocks(height, part.rows_together)
    lock = Lock()

    def read_blocks(_: int) -> None:
        with opened(path) as file:
            while True:
                with lock:
                    rows = next(blocks, None)
                if rows is None:
                    return
                pixels = _rows(file, path, part, first, len(span), kind, rows)
                for name, plane in targets.items():
                    plane[rows[0] : rows[1]] = pixels[..., names.index(name) - first]

    workers = min(file_threads(), -(-height // _BLOCK_ROWS))
    if workers == 1:
        read_blocks(0)
        return
    with ThreadPoolExecutor(workers) as threads:
        for _ in threads.map(read_blocks, range(workers)):
            pass


def _read_zipped(path: Path, part: Part, targets: Mapping[str, F32]) -> bool:
    """Read channels where the file is of a kind that is read faster by ourselves; tell whether they were."""
    if part.tiled or part.index or part.compression not in ("zip", "zips"):
        return False
    zipped = ZippedRows.of(path, part.channels, part.data_window)
    if zipped is None:
        return False
    try:
        zipped.read_into(targets, file_threads())
    except UnlikeError:
        # The image library says what is wrong with it.
        return False
    return True


def _blocks(height: int, rows: int) -> Iterator[tuple[int, int]]:
    for start in range(0, height, rows):
        yield start, min(start + rows, height)


def read_native(
    path: str | Path, part: Part, names: Iterable[str], *, first_row: int = 0
) -> dict[str, AnyArray]:
    """Read channels in the type the file has them (float16, float32 or uint32), ``(rows, columns)`` each.

    With ``first_row``, only the rows of the data window from that one on.

    Raises
    ------
    ReadError, ChannelError
        As `read_into`.
    """
    path = Path(path)
    wanted = dict.fromkeys(names)
    _refuse_unreadable(path, part, wanted)
    planes: dict[str, AnyArray] = {}
    with opened(path) as file:
        for first, run in _runs(part, wanted):
            rows = first_row, part.data_window.height
            pixels = _rows(file, path, part, first, len(run), part.channels[run[0]], rows)
            for offset, name in enumerate(run):
                planes[name] = np.ascontiguousarray(pixels[..., offset])
    return planes


_SUBSAMPLED_FIX = "Write each channel for every pixel: as R, G and B, without luminance and chroma."


@contextmanager
def opened(path: Path) -> Iterator[Any]:
    """Yield the image library's reader of a file; ``E-READ-OPEN`` where it is no EXR file."""
    name = readable_name(path)
    file = oiio.ImageInput.open(name)
    reason = reason_of(oiio)
    if file is None:
        raise ReadError(
            f"cannot be opened: {_tidy(reason, path)}",
            code="E-READ-OPEN",
            where=str(path),
            fix=_SUBSAMPLED_FIX
            if "ubsampled" in reason
            else "Check that it is there, readable and a complete OpenEXR file; render it again if not.",
        )
    try:
        if file.format_name() != "openexr":
            raise ReadError(
                f"is a {file.format_name()} file, not OpenEXR",
                code="E-READ-OPEN",
                where=str(path),
                fix="Give a scene-linear OpenEXR file.",
            )
        yield file
    except UnicodeDecodeError as error:
        raise ReadError(
            "names in its header are no text",
            code="E-READ-OPEN",
            where=str(path),
            fix="The header is damaged; copy or render the file again.",
        ) from error
    finally:
        file.close()
        reason_of(file)


def _refuse_bombs(path: Path) -> None:
    count = attribute_count(path)
    if count > MOST_ATTRIBUTES:
        raise ReadError(
            f"its header has {count} attributes",
            code="E-READ-SIZE",
            where=str(path),
            fix=f"At most {MOST_ATTRIBUTES} are read; write the file anew without the others.",
        )


def readable_name(path: Path) -> str:
    """Return a file's name as the image library takes it.

    Parameters
    ----------
    path
        The file, which need not be there.

    Returns
    -------
    str
        Its path as text.

    Raises
    ------
    ReadError
        ``E-READ-OPEN`` where it is no regular file (a pipe would be waited for), or its name is no UTF-8.
    """
    reason = ""
    try:
        # What is not there at all, the library tells.
        if path.exists() and not path.is_file():
            reason = "it is no regular file"
        str(path).encode()
    except UnicodeEncodeError:
        reason = "its name or that of a folder above it is no UTF-8, and the image library takes no other"
    except (OSError, ValueError):
        reason = "there can be no file of this name"
    if reason:
        raise ReadError(
            f"cannot be opened: {reason}",
            code="E-READ-OPEN",
            where=str(path),
            fix="Give a regular file under another name (mv OLD NEW).",
        )
    return str(path)


def reason_of(source: Any) -> str:
    """Fetch the error of an OpenImageIO object or of the library; it may hold any bytes of a broken file."""
    try:
        return str(source.geterror())
    except UnicodeDecodeError:
        return "the header is damaged"


def _tidy(reason: str, path: Path) -> str:
    return " ".join(reason.replace(f"({path})", "").split()) or "no reason given"


def _part(spec: Any, index: int, path: Path) -> Part:
    types = [_TYPE_NAMES.get(str(kind), str(kind)) for kind in spec.get_channelformats()]
    display = _window(spec.full_x, spec.full_y, spec.full_width, spec.full_height, path)
    data = _window(spec.x, spec.y, spec.width, spec.height, path)
    _bounded(data.union(display), path)
    return Part(
        index=index,
        name=str(spec.get_string_attribute("oiio:subimagename")),
        view=str(spec.get_string_attribute("view")),
        channels=dict(zip(spec.channelnames, types, strict=True)),
        data_window=data,
        display_window=display,
        pixel_aspect=_pixel_aspect(spec),
        compression=_compression(spec),
        tiled=spec.tile_width > 0,
        deep=bool(spec.deep),
        rows_per_chunk=max(1, spec.tile_height or spec.get_int_attribute("oiio:RowsPerChunk", 1)),
        environment=_ENVIRONMENTS.get(spec.get_string_attribute("textureformat"), ""),
        has_preview=spec.get_int_attribute("thumbnail_width") > 0,
        attributes=dict(_attributes(spec)),
    )


def _attributes(spec: Any) -> Iterator[tuple[str, Attribute]]:
    for entry in spec.extra_attribs:
        try:
            name, value = entry.name, _readable(entry.value)
        except UnicodeDecodeError:
            continue
        if value is not None and name not in _DERIVED:
            yield name, Attribute(str(entry.type), value)


def _readable(value: Any) -> Any:
    """Read text that is not UTF-8 as Latin-1, its usual alternative; `Part.raw` keeps the bytes."""
    if isinstance(value, tuple):
        return tuple(_readable(each) for each in value)
    if isinstance(value, str) and not value.isascii():
        content = value.encode("utf-8", "surrogateescape")
        return content.decode("latin-1") if any("\udc80" <= sign <= "\udcff" for sign in value) else value
    return value


def _window(x: int, y: int, width: int, height: int, path: Path) -> Window:
    if width < 1 or height < 1:
        raise ReadError(
            f"claims a window of {width} x {height} pixels",
            code="E-READ-SIZE",
            where=str(path),
            fix="The header is damaged; render the file again.",
        )
    return Window(x, y, width, height)


def _bounded(window: Window, path: Path) -> None:
    if window.width * window.height > MAX_PIXELS:
        raise ReadError(
            f"data and display window together span {window.width} x {window.height} pixels",
            code="E-READ-SIZE",
            where=str(path),
            fix=f"Halocline takes at most {MAX_PIXELS} pixels; check the header, or crop the picture.",
        )


def _pixel_aspect(spec: Any) -> float:
    aspect = float(spec.get_float_attribute("PixelAspectRatio", 1.0))
    return aspect if np.isfinite(aspect) and aspect > 0 else 1.0


def _compression(spec: Any) -> str:
    name = str(spec.get_string_attribute("compression", "none"))
    # The level is read under this name but only written as part of the compression's name.
    level = spec.getattribute("openexr:dwaCompressionLevel") if name.startswith("dwa") else None
    return f"{name}:{level:g}" if isinstance(level, int | float) else name


def _refuse_unreadable(path: Path, part: Part, names: Iterable[str]) -> None:
    where = f'{path}, part "{part.name}"' if part.name else str(path)
    if part.deep:
        raise ReadError(
            "is a deep picture: several samples a pixel, which have no one depth",
            code="E-READ-DEEP",
            where=where,
            fix="Flatten it first, or render flat beauty and depth.",
        )
    for name in names:
        if name not in part.channels:
            raise ChannelError(
                f'no channel "{name}"',
                code="E-CHANNEL-MISSING",
                where=where,
                fix=f"It has: {', '.join(part.channels)}.{did_you_mean(name, list(part.channels))}",
            )


def _runs(part: Part, wanted: Iterable[str]) -> Iterator[tuple[int, list[str]]]:
    """Yield runs of neighbouring wanted channels of one type, with the index of the first."""
    wanted = set(wanted)
    start, run = 0, list[str]()
    for index, name in enumerate(part.channels):
        if run and (name not in wanted or part.channels[name] != part.channels[run[0]]):
            yield start, run
            run = []
        if name in wanted:
            start = start if run else index
            run.append(name)
    if run:
        yield start, run


def _rows(
    file: Any, path: Path, part: Part, first: int, count: int, kind: str, rows: tuple[int, int]
) -> AnyArray:
    """Read rows (counted from the data window's first) of ``count`` channels from ``first`` on."""
    window = part.data_window
    if rows == (0, window.height):
        pixels = file.read_image(part.index, 0, first, first + count, kind)
    elif part.tiled:
        # Rows of whole tiles, which are counted from the data window's first pixel.
        down, across = (window.y + rows[0], window.y + rows[1]), (window.x, window.x_end)
        pixels = file.read_tiles(part.index, 0, *across, *down, 0, 1, first, first + count, kind)
    else:
        pixels = file.read_scanlines(
            part.index, 0, window.y + rows[0], window.y + rows[1], 0, first, first + count, kind
        )
    return _complete(pixels, file, path, part, (rows[1] - rows[0], window.width), count)


def _complete(
    pixels: AnyArray | None, file: Any, path: Path, part: Part, shape: tuple[int, int], count: int
) -> AnyArray:
    where = f'{path}, part "{part.name}"' if part.name else str(path)
    if pixels is None:
        raise ReadError(
            f"pixels cannot be read: {_tidy(reason_of(file), path)}",
            code="E-READ-PIXELS",
            where=where,
            fix="The file is cut off or damaged; copy or render it again.",
        )
    if pixels.size != shape[0] * shape[1] * count:
        raise ReadError(
            f"is now {pixels.shape} pixels and channels, no longer what its header said",
            code="E-READ-PIXELS",
            where=where,
            fix="Something is writing to the file; wait until it is done.",
        )
    return pixels.reshape(*shape, count)
