"""Cameras over time from a plain file, CSV or JSON, as any 3D program can be made to write it.

A row is one moment: ``frame`` (whole or between), where the lens is, and what is known of lens and film. The
place is either ``x``, ``y``, ``z`` in scene units with ``pan``, ``tilt`` and ``roll`` in degrees, or the 16
numbers ``m00`` to ``m33`` of the camera-to-world matrix (points as columns, right-handed, looking down -z);
JSON may give that one as a list ``camera_to_world``. Views of a stereo picture have rows of their own, told
apart by ``view``.

CSV has the names in its first line. JSON is ``{"frames": [{"frame": 1001, "x": 0.0, ...}, ...]}``; what
stands beside ``frames`` holds for every row that does not say otherwise.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from halocline._typing import F64
from halocline.errors import CameraError, did_you_mean
from halocline.files.regular import read_text
from halocline.imaging.camera import turned_axes
from halocline.imaging.camera_metadata import CameraStatement, Matrix, frozen_rows
from halocline.imaging.camera_track import turn_between
from halocline.late_dataclass import dataclass

LARGEST_FILE_BYTES = 1 << 27
_PLACE = ("x", "y", "z")
_TURN = ("pan", "tilt", "roll")
_MATRIX = tuple(f"m{row}{column}" for row in range(4) for column in range(4))
_POSITIVE = (
    "focal_length_mm",
    "film_width_mm",
    "film_height_mm",
    "squeeze",
    "overscan",
    "horizontal_view",
    "near",
    "far",
)
_OFFSET = ("film_offset_x_mm", "film_offset_y_mm")
_NUMBERS = (*_PLACE, *_TURN, *_MATRIX, *_POSITIVE, *_OFFSET)
_KNOWN = ("frame", "view", *_NUMBERS)
# An angle tells the whole view; what film and squeeze would make of it is in it already.
_BESIDE_AN_ANGLE = ("focal_length_mm", "film_height_mm", "squeeze", "overscan")


@dataclass(frozen=True)
class _Row:
    where: str
    view: str
    values: Mapping[str, float]


@dataclass(frozen=True)
class CameraFile:
    """Cameras by view and frame, as stated in a file.

    Attributes
    ----------
    path
        The file.
    moments
        Statements by frame (whole or between), in order, by view; "" where rows name no view.
    still
        Views of which the one statement holds for every frame.
    told
        What else to know of its frames where one is not there.
    """

    path: Path
    moments: Mapping[str, Mapping[float, CameraStatement]]
    still: frozenset[str] = frozenset()
    told: str = ""

    def at(self, frame: float, view: str) -> CameraStatement:
        """Return what the file says of a view's camera at a frame.

        Between two moments of the file place and lens move linearly and the camera turns the shortest way.

        Parameters
        ----------
        frame
            Frame number, whole or between.
        view
            One of the views in ``moments``.

        Returns
        -------
        CameraStatement
            The very statement of the file where it has that frame.

        Raises
        ------
        CameraError
            ``E-CAMERA-TRACK`` before the first and after the last frame of the file.
        """
        known = self.moments[view]
        if view in self.still:
            return next(iter(known.values()))
        if frame in known:
            return known[frame]
        numbers = list(known)
        after = int(np.searchsorted(numbers, frame))
        if after in (0, len(numbers)):
            raise CameraError(
                f"it has the frames {numbers[0]:g} to {numbers[-1]:g}, not {frame:g}{self.told}",
                code="E-CAMERA-TRACK",
                where=str(self.path),
                fix="Write the camera of every frame that is rendered into the file that camera.track names, "
                "or give --frames.",
            )
        first, last = numbers[after - 1], numbers[after]
        return _between(known[first], known[last], (frame - first) / (last - first))

    def around(self, frame: float) -> list[float]:
        """Return the moments by which the camera's motion on a frame is known, that frame left out.

        They are the frames just before and after, as far as the file reaches, and what it has between them.

        Parameters
        ----------
        frame
            Frame number.

        Returns
        -------
        list[float]
            Frame numbers in order.
        """
        moving = [known for view, known in self.moments.items() if view not in self.still]
        numbers = sorted({number for known in moving for number in known})
        near = {number for number in numbers if abs(number - frame) < 1.0}
        near |= {each for each in (frame - 1, frame + 1) if numbers and numbers[0] <= each <= numbers[-1]}
        return sorted(near - {frame})


def read_camera_file(path: str | Path, level: F64) -> CameraFile:
    """Read cameras over time.

    Parameters
    ----------
    path
        A ``.csv`` or ``.json`` file; see the module's text.
    level
        ``(3, 3)``: right, up and back of the camera that ``pan``, ``tilt`` and ``roll`` are counted from.

    Returns
    -------
    CameraFile
        The cameras.

    Raises
    ------
    CameraError
        ``E-CAMERA-TRACK`` where the file cannot be read or does not say what it must; the row is named.
    """
    path = Path(path)
    try:
        text = read_text(path, LARGEST_FILE_BYTES)
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is no UTF-8 text"
        raise _wrong(
            f"cannot be read: {reason or error}", str(path), "Give a CSV or JSON file to camera.track."
        ) from error
    rows = list(_json_rows(text, path) if path.suffix.lower() == ".json" else _csv_rows(text, path))
    if not rows:
        raise _wrong("holds no frame", str(path), "Write one row a frame.")
    _refuse_gaps(rows)
    moments: dict[str, dict[float, CameraStatement]] = {}
    for row in sorted(rows, key=lambda row: row.values["frame"]):
        known = moments.setdefault(row.view, {})
        frame = row.values["frame"]
        if frame in known:
            raise _wrong(f"frame {frame:g} is there twice", row.where, "Leave one of the two out.")
        known[frame] = _statement(row, level)
    if "" in moments and len(moments) > 1:
        raise _wrong("some rows name a view and others do not", str(path), 'Give every row its "view".')
    return CameraFile(path, moments)


@lru_cache(maxsize=8)
def read_once(path: Path, digest: str, level: Matrix) -> CameraFile:  # noqa: ARG001 - a changed file is read anew
    """Return what `read_camera_file` does, read once a process for each content.

    Parameters
    ----------
    path, digest
        The file, and the digest of what it holds.
    level
        As `read_camera_file` takes it, by row.

    Returns
    -------
    CameraFile
        The cameras.

    Raises
    ------
    CameraError
        As `read_camera_file`.
    """
    return read_camera_file(path, np.array(level))


def _csv_rows(text: str, path: Path) -> Iterator[_Row]:
    reader = csv.reader(io.StringIO(text, newline=""))
    names: list[str] = []
    try:
        for cells in reader:
            if not cells or cells[0].lstrip().startswith("#"):
                continue
            where = f"{path}, line {reader.line_num}"
            if not names:
                names = [cell.strip() for cell in cells]
                if len(set(names)) < len(names):
                    raise _wrong("a name is there twice", where, "Name each column once.")
                continue
            if len(cells) != len(names):
                raise _wrong(
                    f"the line has {len(cells)} values for {len(names)} columns",
                    where,
                    "Write one value a column, separated by commas.",
                )
            yield _row(dict(zip(names, (cell.strip() for cell in cells), strict=True)), where)
    except csv.Error as error:
        raise _wrong(f"is no CSV: {error}", str(path), "Write values separated by commas.") from error


def _json_rows(text: str, path: Path) -> Iterator[_Row]:
    fix = 'Write {"frames": [{"frame": 1001, "x": 0.0, ...}, ...]}.'
    try:
        content = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise _wrong(f"is no JSON: {error}", str(path), fix) from error
    if not isinstance(content, dict) or not isinstance(content.get("frames"), list):
        raise _wrong('has no list "frames"', str(path), fix)
    shared = {key: value for key, value in content.items() if key != "frames"}
    for number, entry in enumerate(content["frames"], start=1):
        where = f"{path}, frames item {number}"
        if not isinstance(entry, dict):
            raise _wrong("is not a table of names and values", where, fix)
        yield _row(_with_matrix({**shared, **entry}, where), where)


def _with_matrix(entry: dict[str, Any], where: str) -> dict[str, Any]:
    """Return an entry with its matrix, where it is a list, as single numbers."""
    if "camera_to_world" not in entry:
        return entry
    listed = entry["camera_to_world"]
    flat: list[Any] = []
    for item in listed if isinstance(listed, list) else []:
        flat += item if isinstance(item, list) else [item]
    if len(flat) != len(_MATRIX):
        raise _wrong("camera_to_world is not 16 numbers", where, "Write four rows of four numbers.")
    rest = {key: value for key, value in entry.items() if key != "camera_to_world"}
    return {**rest, **dict(zip(_MATRIX, flat, strict=True))}


def _row(entry: Mapping[str, Any], where: str) -> _Row:
    for name in entry:
        if name not in _KNOWN:
            raise _wrong(
                f'there is no key "{name}"', where, f"Known: {', '.join(_KNOWN)}.{did_you_mean(name, _KNOWN)}"
            )
    if "frame" not in entry:
        raise _wrong('has no "frame"', where, "Give every row its frame number.")
    view = entry.get("view", "")
    if not isinstance(view, str):
        raise _wrong(f"the view is {view!r}, not a name", where, "Write it in quotation marks.")
    values = {name: _number(value, name, where) for name, value in entry.items() if name != "view"}
    return _Row(where, view, values)


def _number(value: Any, name: str, where: str) -> float:
    try:
        number = math.nan if isinstance(value, bool) else float(value)
    except (TypeError, ValueError, OverflowError):
        number = math.nan
    if not math.isfinite(number):
        raise _wrong(f"{name} is {value!r}, not a number", where, "Write a plain number, without unit.")
    if name in _POSITIVE and number <= 0.0:
        raise _wrong(f"{name} is {number:g}", where, "It must be above 0.")
    return number


def _refuse_gaps(rows: Iterable[_Row]) -> None:
    """Refuse rows that do not all say the same things, and places that are told by halves."""
    first, *others = rows
    names = first.values.keys()
    for row in others:
        if odd := sorted(row.values.keys() ^ names):
            raise _wrong(
                f"{', '.join(odd)} is given in some rows only",
                row.where,
                "Give it in every row, or leave it out of all.",
            )
    for group in (_PLACE, _MATRIX, _OFFSET):
        lacking = [name for name in group if name not in names]
        if lacking and len(lacking) < len(group):
            raise _wrong(f"{', '.join(lacking)} is missing", first.where, f"Give all of {', '.join(group)}.")
    if _MATRIX[0] in names and names & {*_PLACE, *_TURN}:
        raise _wrong(
            "a matrix is given, and x, y, z or pan, tilt, roll beside it",
            first.where,
            "Leave one of them out.",
        )
    if "horizontal_view" in names and (beside := sorted(names & set(_BESIDE_AN_ANGLE))):
        raise _wrong(
            f"horizontal_view is given, and {', '.join(beside)} beside it",
            first.where,
            "Leave one of them out.",
        )


def _statement(row: _Row, level: F64) -> CameraStatement:
    values = row.values
    offset = tuple(values[name] for name in _OFFSET) if _OFFSET[0] in values else None
    return CameraStatement(
        focal_length_mm=values.get("focal_length_mm"),
        film_width_mm=values.get("film_width_mm"),
        film_height_mm=values.get("film_height_mm"),
        film_offset_mm=None if offset is None else (offset[0], offset[1]),
        squeeze=values.get("squeeze"),
        overscan=values.get("overscan"),
        hfov_deg=values.get("horizontal_view"),
        near=values.get("near"),
        far=values.get("far"),
        camera_to_world=_matrix(row, level),
        view=row.view,
        override=not values.keys().isdisjoint({"focal_length_mm", "film_width_mm", "horizontal_view"}),
        override_place=True,
    )


def _matrix(row: _Row, level: F64) -> Matrix | None:
    values = row.values
    if _MATRIX[0] in values:
        stated = np.array([values[name] for name in _MATRIX]).reshape(4, 4)
        axes = stated[:3, :3]
        if np.abs(axes.T @ axes - np.eye(3)).max() > 1e-3 or np.linalg.det(axes) < 0 or stated[3, :3].any():
            raise _wrong(
                "the matrix does more than turn and move, or has the position in its last row",
                row.where,
                "Write camera to world, right-handed, without scale, the position in m03, m13, m23.",
            )
        return frozen_rows(stated)
    if not values.keys() & {*_PLACE, *_TURN}:
        return None
    pan, tilt, roll = (values.get(name, 0.0) for name in _TURN)
    matrix = np.eye(4)
    matrix[:3, :3] = turned_axes(level, pan_deg=pan, tilt_deg=tilt, roll_deg=roll)
    matrix[:3, 3] = [values.get(name, 0.0) for name in _PLACE]
    return frozen_rows(matrix)


def _between(first: CameraStatement, last: CameraStatement, share: float) -> CameraStatement:
    """Return the statement a share of the way from one to another; both say the same things."""
    mixed = {
        field.name: _mixed(getattr(first, field.name), getattr(last, field.name), share)
        for field in fields(CameraStatement)
        if field.name != "camera_to_world"
    }
    if first.camera_to_world is None or last.camera_to_world is None:
        return replace(first, **mixed)
    start, end = np.array(first.camera_to_world), np.array(last.camera_to_world)
    matrix = start + share * (end - start)
    matrix[:3, :3] = turn_between(start[:3, :3], end[:3, :3], share)
    return replace(first, **mixed, camera_to_world=frozen_rows(matrix))


def _mixed(first: Any, last: Any, share: float) -> Any:
    if isinstance(first, float):
        return first + share * (last - first)
    if isinstance(first, tuple):
        return tuple(_mixed(a, b, share) for a, b in zip(first, last, strict=True))
    return first


def _wrong(message: str, where: str, fix: str) -> CameraError:
    return CameraError(message, code="E-CAMERA-TRACK", where=where, fix=fix)
