"""Where a matte's thing was on each frame, and where it touched the floor, kept in a plain file.

The file is JSON, a row a frame, all places in world metres::

    {"matte": "anchor", "format": 1,
     "frames": [
      {"frame": 1001, "middle": [0.1, 0.9, -4.0], "nose": [...], "tail": [...], "radius": 0.3,
       "height": 0.02, "cut": false,
       "contacts": [{"number": 1, "place": [0.1, 0.0, -4.0], "radius": 0.1, "speed": 0.4}]},
      {"frame": 1002}]}

A row of its frame alone says that nothing of the thing was seen. `halocline follow` writes such files; any
other program may.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import field
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from halocline._typing import F64
from halocline.errors import SequenceError
from halocline.files.regular import read_text
from halocline.late_dataclass import dataclass

FORMAT = 1
LARGEST_FILE_BYTES = 1 << 28


@dataclass(frozen=True)
class Contact:
    """Where a thing touches the floor on one frame.

    Attributes
    ----------
    number
        The same from frame to frame for as long as it touches.
    place_m
        On the floor, world metres, ``(3,)``.
    radius_m
        Of the disc that is touched.
    speed_m_s
        Along the floor; of one that has just come down, that of the thing.
    """

    number: int
    place_m: F64
    radius_m: float
    speed_m_s: float = 0.0


@dataclass(frozen=True)
class FollowedThing:
    """A thing on one frame: a capsule from nose to tail, and where it touches.

    Attributes
    ----------
    middle_m, nose_m, tail_m
        World metres, ``(3,)``; all three are one for what is as long as it is wide.
    radius_m
        Of the capsule.
    height_m
        Of the lowest that is seen of it, above the floor; NaN where no floor was seen.
    cut
        Whether the picture's edge cuts it: what was measured is then of a part.
    contacts
        Where it touches.
    """

    middle_m: F64
    nose_m: F64
    tail_m: F64
    radius_m: float
    height_m: float = math.nan
    cut: bool = False
    contacts: tuple[Contact, ...] = ()


@dataclass(frozen=True)
class MatteTrack:
    """A matte's thing over time.

    Attributes
    ----------
    matte
        Name of the matte.
    things
        By frame, in order; None where nothing of it was seen.
    told
        What else the file says: what it was made from.
    """

    matte: str
    things: Mapping[int, FollowedThing | None]
    told: Mapping[str, Any] = field(default_factory=dict)

    def runs(self) -> Iterator[list[tuple[int, FollowedThing]]]:
        """Yield the stretches of frames over which it was seen, each in order."""
        run: list[tuple[int, FollowedThing]] = []
        for frame, thing in self.things.items():
            if thing is not None:
                run.append((frame, thing))
            elif run:
                yield run
                run = []
        if run:
            yield run

    def touches(self) -> Iterator[list[tuple[int, Contact]]]:
        """Yield each contact from coming down to leaving the floor, in order."""
        by_number: dict[int, list[tuple[int, Contact]]] = {}
        for frame, thing in self.things.items():
            for contact in () if thing is None else thing.contacts:
                by_number.setdefault(contact.number, []).append((frame, contact))
        yield from by_number.values()

    @property
    def radius_m(self) -> float:
        """Its typical radius: the median over frames on which the picture's edge does not cut it."""
        seen = [thing for thing in self.things.values() if thing is not None]
        whole = [thing.radius_m for thing in seen if not thing.cut]
        return float(np.median(whole or [thing.radius_m for thing in seen] or [0.0]))

    def text(self) -> str:
        """Return it as a file holds it, a line a frame."""
        head = {"matte": self.matte, "format": FORMAT, **self.told}
        start = json.dumps(head, ensure_ascii=False)[:-1]
        rows = ",\n ".join(json.dumps(_row(frame, thing)) for frame, thing in self.things.items())
        return f'{start}, "frames": [\n {rows}]}}\n'


def read_matte_track(path: str | Path) -> MatteTrack:
    """Read where a matte's thing was.

    Parameters
    ----------
    path
        A file of the form above.

    Returns
    -------
    MatteTrack
        The thing over time.

    Raises
    ------
    SequenceError
        ``E-MATTE-TRACK`` where the file cannot be read or does not say what it must; the row is named.
    """
    path = Path(path)
    try:
        content = json.loads(read_text(path, LARGEST_FILE_BYTES))
    except (OSError, ValueError, RecursionError) as error:
        reason = error.strerror if isinstance(error, OSError) else f"is no JSON: {error}"
        raise _wrong(f"cannot be read: {reason}", str(path)) from error
    if not isinstance(content, dict) or not isinstance(content.get("frames"), list):
        raise _wrong('has no list "frames"', str(path))
    if content.get("format") != FORMAT:
        raise _wrong(f"is of format {content.get('format')!r}, not {FORMAT}", str(path))
    things: dict[int, FollowedThing | None] = {}
    for number, row in enumerate(content["frames"], start=1):
        where = f"{path}, frames item {number}"
        try:
            frame, thing = int(row["frame"]), _thing(row)
        except (KeyError, TypeError, ValueError, OverflowError) as error:
            raise _wrong(f"does not say where the thing is: {error!r}", where) from error
        if frame in things:
            raise _wrong(f"frame {frame} is there twice", where)
        things[frame] = thing
    ordered = dict(sorted(things.items()))
    if not any(thing is not None for thing in ordered.values()):
        raise _wrong("shows the thing on no frame", str(path))
    told = {key: value for key, value in content.items() if key not in ("frames", "matte", "format")}
    return MatteTrack(str(content.get("matte", "")), ordered, told)


@lru_cache(maxsize=16)
def read_matte_track_once(path: Path, digest: str) -> MatteTrack:  # noqa: ARG001 - a changed file is read anew
    """Return what `read_matte_track` does, read once a process for each content.

    Parameters
    ----------
    path, digest
        The file, and the digest of what it holds.

    Returns
    -------
    MatteTrack
        The thing over time.

    Raises
    ------
    SequenceError
        As `read_matte_track`.
    """
    return read_matte_track(path)


def _row(frame: int, thing: FollowedThing | None) -> dict[str, Any]:
    if thing is None:
        return {"frame": frame}
    places = {"middle": thing.middle_m, "nose": thing.nose_m, "tail": thing.tail_m}
    return {
        "frame": frame,
        **{name: _rounded(place) for name, place in places.items()},
        "radius": round(thing.radius_m, 5),
        "height": None if math.isnan(thing.height_m) else round(thing.height_m, 5),
        "cut": thing.cut,
        "contacts": [
            {
                "number": contact.number,
                "place": _rounded(contact.place_m),
                "radius": round(contact.radius_m, 5),
                "speed": round(contact.speed_m_s, 4),
            }
            for contact in thing.contacts
        ],
    }


def _rounded(place: F64) -> list[float]:
    # A hundredth of a millimetre.
    return [round(float(part), 5) for part in place]


def _thing(row: Mapping[str, Any]) -> FollowedThing | None:
    if row.keys() == {"frame"}:
        return None
    middle = _place(row["middle"])
    contacts = tuple(
        Contact(
            int(each["number"]),
            _place(each["place"]),
            _size(each["radius"]),
            float(each.get("speed", 0.0)),
        )
        for each in row.get("contacts", ())
    )
    height = row.get("height")
    return FollowedThing(
        middle,
        _place(row.get("nose", row["middle"])),
        _place(row.get("tail", row["middle"])),
        _size(row["radius"]),
        math.nan if height is None else float(height),
        bool(row.get("cut", False)),
        contacts,
    )


def _place(value: Any) -> F64:
    place = np.array([float(part) for part in value])
    if place.shape != (3,) or not np.isfinite(place).all():
        raise ValueError(f"{value!r} is no place of three numbers")
    return place


def _size(value: Any) -> float:
    size = float(value)
    if not (math.isfinite(size) and size > 0.0):
        raise ValueError(f"a radius is {value!r}, not above 0")
    return size


def _wrong(message: str, where: str) -> SequenceError:
    return SequenceError(
        message,
        code="E-MATTE-TRACK",
        where=where,
        fix="Make the file with: halocline follow FRAMES --matte NAME --out FILE",
    )
