"""Reference stills as they come: camera files, stills, EXR frames; and their range maps."""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import numpy as np
import OpenImageIO as oiio

from halocline._typing import F32, F64
from halocline.errors import ChannelError, HaloclineError, ReadError, UnitError
from halocline.imaging.camera import Camera, pinhole
from halocline.imaging.exr import readable_name
from halocline.imaging.frame import Window
from halocline.imaging.load import View, load, load_beauty
from halocline.late_dataclass import dataclass
from halocline.matching.range_maps import only_channel, range_map
from halocline.matching.samples import Sample, SamplePlace, decoded, sample_at, samples_of_range_map
from halocline.matching.surroundings import Around, Surroundings, nearest_ranges
from halocline.rgb import LINEAR_REC709, RGBSpace

LINEAR_ENDINGS = (".exr", ".hdr", ".pfm")


@dataclass(frozen=True)
class ReferencePicture:
    """A reference picture.

    Attributes
    ----------
    values
        ``(rows, columns, 3)``, as the file has them.
    encoding
        How they are encoded: ``srgb``, ``rec709`` or ``linear``.
    space
        Space of the colours once linear.
    range_m
        ``(rows, columns)``, inf for open water, where it is known.
    directions
        Unit view directions, world, ``(3, rows, columns)``, where the lens is known.
    remarks
        What was taken for what, where somebody should know.
    focal_px
        Pixels per radian at its centre, where the lens is known and has one.
    """

    values: F64
    encoding: str
    space: RGBSpace
    range_m: F32 | None
    directions: F32 | None
    remarks: tuple[str, ...] = ()
    focal_px: float | None = None


@dataclass(frozen=True)
class ReferenceLens:
    """The lens of a still that carries no camera.

    Attributes
    ----------
    horizontal_view_deg
        Full horizontal view, degrees.
    tilt_deg
        Tilt up, degrees.
    """

    horizontal_view_deg: float
    tilt_deg: float = 0.0

    def camera(self, columns: int, rows: int) -> Camera:
        """Return the camera, level but for its tilt, looking along -z."""
        tilt = np.radians(self.tilt_deg)
        matrix = np.eye(4)
        matrix[1:3, 1:3] = [[np.cos(tilt), -np.sin(tilt)], [np.sin(tilt), np.cos(tilt)]]
        return pinhole(
            Window(0, 0, columns, rows),
            focal_length_mm=18.0 / float(np.tan(np.radians(self.horizontal_view_deg / 2))),
            film_width_mm=36.0,
            camera_to_world=matrix,
        )


def read_still(
    path: Path,
    *,
    range_path: Path | None = None,
    encoding: str | None = None,
    lens: ReferenceLens | None = None,
    open_from_m: float | None = None,
) -> ReferencePicture:
    """Read a still.

    Parameters
    ----------
    path
        PNG, JPEG, TIFF, EXR and whatever else OpenImageIO reads.
    range_path
        Its range map, if it has one apart: an EXR frame with depth, whose camera is then taken too, or a
        picture of one channel in metres. What counts as open water, `range_map` says.
    encoding
        See `decoded`; by the file's kind where not given.
    lens
        The lens, where no EXR frame tells it.
    open_from_m
        Ranges from here on are open water.

    Returns
    -------
    Still
        Linear values with what is known of the lens and the range.

    Raises
    ------
    ReadError
        ``E-READ-OPEN`` where a file cannot be read, ``E-READ-SIZE`` where still and range map differ in size.
    ChannelError
        ``E-CHANNEL-AMBIGUOUS`` where a range map has several channels and none is depth.
    HaloclineError
        As `halocline.imaging.load.load`, where an EXR frame leaves open what its depth or colours are.
    """
    own = _render(path) if range_path is None else None
    values, space = _colours(path) if own is None else (_interleaved(own), own.space)
    ranged = own if range_path is None else _render(range_path)
    found: F32 | None = None
    remarks: tuple[str, ...] = ()
    if ranged is not None or range_path is not None:
        metres = ranged.frame.plane("range") if ranged is not None else _only_ranges(range_path or path)
        read = range_map(metres, open_from_m=open_from_m)
        remarks = (*(() if ranged is None else ranged.warnings), *read.remarks)
        found = read.range_m
        _check_size(range_path or path, found.shape, values.shape)
    camera, window = None if ranged is None else ranged.camera, Window(0, 0, values.shape[1], values.shape[0])
    if ranged is not None:
        window = ranged.frame.data_window
    if lens is not None:
        camera, window = lens.camera(window.width, window.height), Window(0, 0, window.width, window.height)
    directions = None if camera is None else camera.directions(window)
    focal_px = None if camera is None or camera.globe is not None else camera.focal_px
    kind = "linear" if path.suffix.lower() in LINEAR_ENDINGS else "srgb"
    told = tuple(f"{(range_path or path).name}: {remark}" for remark in remarks)
    return ReferencePicture(values, encoding or kind, space, found, directions, told, focal_px)


def samples_of(stills: list[ReferencePicture], places: list[SamplePlace]) -> list[Sample]:
    """Return the samples of stated places; where none is stated, of whole pictures that have range maps.

    Parameters
    ----------
    stills
        Pictures, counted from 1 where places name them.
    places
        Where to look, and what is seen there.

    Returns
    -------
    list[Sample]
        One sample a place; several of each picture where none is stated.

    Raises
    ------
    UnitError
        ``E-SAMPLE-PLACE`` where a place lies in no still.
    """
    if not places:
        return [sample for still in stills if still.range_m is not None for sample in _mapped(still)]
    about = [
        _about(still, [place for place in places if place.still == n]) for n, still in enumerate(stills, 1)
    ]
    samples = []
    for place in places:
        if place.rgb is None and not 1 <= place.still <= len(stills):
            raise UnitError(
                f"there is no still {place.still}",
                code="E-SAMPLE-PLACE",
                where=f"sample at {place.x},{place.y}",
                fix=f"Given are {len(stills)}; --sample N:X,Y@RANGE=WHAT counts them from 1.",
            )
        still = stills[place.still - 1] if stills else _NOTHING
        around = about[place.still - 1] if place.rgb is None else None
        samples.append(sample_at(place, still.values, still.encoding, still.directions, around))
    return samples


def _about(still: ReferencePicture, places: list[SamplePlace]) -> Callable[[SamplePlace], Around]:
    """Return what tells what is about places of a still, by its range map or by the ranges stated."""
    linear = decoded(still.values, still.encoding)
    if still.range_m is not None:
        known = Surroundings.of(linear, still.range_m, still.directions, still.focal_px)
        return lambda place: known.about([(place.x, place.y)])
    stated = [(place.x, place.y, place.range_m) for place in places if place.rgb is None]
    guess = Surroundings.of(
        linear, nearest_ranges(linear.shape[:2], stated), still.directions, still.focal_px
    )

    def about(place: SamplePlace) -> Around:
        # Open water has no range of its own: what is about it is as far as the nearest place that has one.
        if math.isinf(place.range_m):
            return guess.about([(place.x, place.y)])
        return guess.about_alone((place.x, place.y), place.range_m)

    return about


_NOTHING = ReferencePicture(np.zeros((1, 1, 3)), "srgb", LINEAR_REC709, None, None)


def _mapped(still: ReferencePicture) -> list[Sample]:
    assert still.range_m is not None  # asked for by the caller
    linear = np.moveaxis(decoded(still.values, still.encoding), -1, 0).astype(np.float32)
    return samples_of_range_map(linear, still.range_m, still.directions, still.focal_px)


# What an EXR file lacks that is no render: a still without depth, a range map without colours.
_LACKING = ("E-DEPTH-MISSING", "E-CHANNEL-MISSING")


def _render(path: Path) -> View | None:
    """Read an EXR frame with depth; nothing where it is no EXR or has none."""
    if path.suffix.lower() != ".exr":
        return None
    try:
        return load(path).views[0]
    except HaloclineError as error:
        if error.code in _LACKING:
            return None
        raise


def _colours(path: Path) -> tuple[F64, RGBSpace]:
    """Return a still's values ``(rows, columns, 3)``, and the space that they are in once linear."""
    if path.suffix.lower() == ".exr":
        with suppress(ChannelError):
            view = load_beauty(path).views[0]
            return _interleaved(view), view.space
    pixels = picture_pixels(path)
    return (np.repeat(pixels, 3, axis=2) if pixels.shape[2] < 3 else pixels[..., :3]), LINEAR_REC709


def _interleaved(view: View) -> F64:
    return np.moveaxis(view.frame.plane("rgb"), 0, -1).astype(np.float64)


def _only_ranges(path: Path) -> F32:
    pixels = picture_pixels(path, numbers=True)
    return only_channel(pixels, path)


def _check_size(path: Path, found: tuple[int, ...], wanted: tuple[int, ...]) -> None:
    if found[:2] != wanted[:2]:
        raise ReadError(
            f"the range map has {found[1]} x {found[0]} pixels, the still {wanted[1]} x {wanted[0]}",
            code="E-READ-SIZE",
            where=str(path),
            fix="Give a range map of the still's own size.",
        )


def picture_pixels(path: Path, *, numbers: bool = False) -> F64:
    """Return a picture's values, ``(rows, columns, channels)``, as the file codes them.

    Parameters
    ----------
    path
        Any kind of picture that OpenImageIO reads.
    numbers
        Take it only where the file holds numbers and no shades.

    Raises
    ------
    ReadError, UnitError
        ``E-READ-OPEN`` where it cannot be read, ``E-DEPTH-UNIT`` where it holds shades.
    """
    picture = oiio.ImageInput.open(readable_name(path))
    if picture is None:
        raise ReadError(
            f"it cannot be opened as a picture ({oiio.geterror().strip()})",
            code="E-READ-OPEN",
            where=str(path),
            fix="Check the path and the kind of file.",
        )
    try:
        if numbers and str(picture.spec().format) not in ("half", "float", "double"):
            raise UnitError(
                "it holds whole numbers, which say nothing of metres",
                code="E-DEPTH-UNIT",
                where=str(path),
                fix="Write the range map with float channels (EXR, TIFF or PFM), in metres.",
            )
        pixels = picture.read_image("float")
    finally:
        picture.close()
    if pixels is None:
        raise ReadError(
            "its pixels cannot be read", code="E-READ-OPEN", where=str(path), fix="Write the file anew."
        )
    return np.asarray(pixels, np.float64)
