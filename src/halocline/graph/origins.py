"""Origins: places that things are bound to, so that a look holds on a scene whose metres differ.

A lamp, a source, a body or a layer that names an origin is given relative to it: metres to the right, above
and ahead, as the camera sees them. Where an origin is, is found on one frame of the sequence; it is then a
place in the world, the same on every frame.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from enum import Enum
from functools import lru_cache
from typing import Annotated, Any, TypeVar, get_args

import numpy as np

from halocline._typing import F64
from halocline.imaging.camera import Camera
from halocline.imaging.frame import Window
from halocline.late_dataclass import dataclass
from halocline.quantities import Angle, Distance, Length, Position, Ratio, Strict

S = TypeVar("S", bound=Strict)


class Bound(Enum):
    """What a key that may be given from an origin is."""

    POINT = "right, above, ahead"
    HEIGHT = "above"
    HEADING = "clockwise from ahead"
    LENGTH = "units"
    AREA = "square units"


# A place in the world; of a thing that names an origin, to the right of it, above it and ahead.
WorldPoint = Annotated[tuple[Position, Position, Position], Bound.POINT]
WorldHeight = Annotated[Position, Bound.HEIGHT]
WorldHeading = Annotated[Angle, Bound.HEADING]
# What grows with the unit of an origin: lengths, and the light of a lamp, which falls by their square.
WorldLength = Annotated[Distance, Bound.LENGTH]
WorldLight = Annotated[Ratio, Bound.AREA]
WorldWay = Annotated[Length, Bound.LENGTH]
# Grams, and grams a metre of way: a cloud hides as much where its mass grows by the square of its size.
WorldMass = Annotated[Ratio, Bound.AREA]
WorldLineMass = Annotated[Ratio, Bound.LENGTH]


@dataclass(frozen=True)
class KnownOrigin:
    """A place that has been found.

    Attributes
    ----------
    position_m
        Where it is, world metres, ``(3,)``.
    axes
        Right, above and ahead, unit, world, as rows, ``(3, 3)``.
    up
        Unit, world, ``(3,)``.
    unit_m
        Metres of one unit of what is given from it.
    frame
        The frame that it was found on; None where it was stated.
    way
        Of one that moves, where it is on each frame over which tracks are given from it, ascending.
    """

    position_m: F64
    axes: F64
    up: F64
    unit_m: float = 1.0
    frame: int | None = None
    way: tuple[KnownOrigin, ...] = ()

    def point(self, offset: tuple[float, float, float]) -> tuple[float, float, float]:
        """Return the world place of an offset to the right, above and ahead."""
        x, y, z = self.position_m + self.unit_m * (np.asarray(offset, np.float64) @ self.axes)
        return float(x), float(y), float(z)

    def height(self, above: float) -> float:
        """Return a height along up."""
        return float(self.position_m @ self.up) + self.unit_m * above

    def heading(self, degrees: float) -> float:
        """Return a heading from that of the world, degrees clockwise seen from above."""
        north = level_ahead(self.up)
        ahead = self.axes[2]
        east = float(ahead @ np.cross(north, self.up))
        return degrees + float(np.degrees(np.arctan2(east, float(ahead @ north))))


def level_ahead(up: F64) -> F64:
    """Return the level world direction from which headings are counted, unit, ``(3,)``.

    It is the world's -z where y is up or down, else +y (the habit of the trade for each kind of world).

    Parameters
    ----------
    up
        Unit, world, ``(3,)``.

    Returns
    -------
    F64
        ``(3,)``.
    """
    return np.array([0.0, 0.0, -1.0]) if abs(up[1]) > 0.5 else np.array([0.0, 1.0, 0.0])


def placed(model: S, origins: Mapping[str, KnownOrigin]) -> S:
    """Return parameters with all that is given from an origin put in the world.

    Parameters
    ----------
    model
        Parameters, or anything that they hold.
    origins
        Those that are known; what names another stays as it is.

    Returns
    -------
    S
        The same model; itself where nothing names an origin.
    """
    return _placed(model, None, origins)  # type: ignore[no-any-return]


def origins_named(model: Any) -> Iterator[str]:
    """Yield the names of the origins that things in a model are given from.

    Parameters
    ----------
    model
        Parameters, or anything that they hold.

    Yields
    ------
    str
        Names, as often as they are named.
    """
    for held in _models_in(model):
        if isinstance(name := getattr(held, "origin", None), str):
            yield name


def tracked_from_origins(model: Any) -> Iterator[Any]:
    """Yield what has a track that is given from an origin.

    Parameters
    ----------
    model
        Parameters, or anything that they hold.

    Yields
    ------
    Any
        Models with a name ``origin`` and keys ``track``, each with its ``frame``.
    """
    for held in _models_in(model):
        if isinstance(getattr(held, "origin", None), str) and getattr(held, "track", None):
            yield held


def _models_in(model: Any) -> Iterator[Strict]:
    """Yield a model and all that it holds, from the outermost in."""
    if isinstance(model, Strict):
        yield model
        for field in type(model).model_fields:
            yield from _models_in(getattr(model, field))
    elif isinstance(model, tuple):
        for item in model:
            yield from _models_in(item)


def lies_outside(origin: KnownOrigin, camera: Camera, window: Window) -> bool:
    """Tell whether an origin lies outside what a camera sees.

    Parameters
    ----------
    origin
        The place.
    camera
        The camera.
    window
        The display window.

    Returns
    -------
    bool
        Whether it is behind the lens or projects beside the window.
    """
    pixel, depth = camera.project(origin.position_m[None])
    x, y = pixel[0]
    inside = window.x <= x <= window.x_end and window.y <= y <= window.y_end
    # The lens itself sees what hangs on it.
    return not (inside and depth[0] > 0.0) and bool(
        np.linalg.norm(origin.position_m - camera.position_m) > 1e-6
    )


def _placed(value: Any, origin: KnownOrigin | None, origins: Mapping[str, KnownOrigin]) -> Any:
    if isinstance(value, tuple):
        items = tuple(_placed(item, origin, origins) for item in value)
        return value if all(new is old for new, old in zip(items, value, strict=True)) else items
    if not isinstance(value, Strict):
        return value
    name = getattr(value, "origin", None)
    if isinstance(name, str):
        origin = origins.get(name)
    changed: dict[str, Any] = {}
    track = getattr(value, "track", None) if isinstance(name, str) else None
    if track and origin is not None and origin.way:
        # What was given off stays where it was; the rest of it is where the origin is now.
        changed["track"] = _left_behind(track, origin.way)
    for field, kind in _kinds(type(value)).items():
        if field in changed:
            continue
        old = getattr(value, field)
        new = _in_world(old, kind, origin) if kind is not None else _placed(old, origin, origins)
        if new is not old:
            changed[field] = new
    return value.model_copy(update=changed) if changed else value


def _left_behind(track: tuple[Strict, ...], way: tuple[KnownOrigin, ...]) -> tuple[Strict, ...]:
    """Return a track given from a place that moves, as keys in the world: its own, and one a frame between.

    Between two keys it goes straight from where the place is; between two frames the place goes straight too.
    """
    keys = [key.model_dump() for key in track]
    own = np.array([key["frame"] for key in keys], np.float64)
    told = np.array([each.frame for each in way], np.float64)
    frames = np.unique([*own, *told[(told > own[0]) & (told < own[-1])]])
    kinds = _kinds(type(track[0]))
    first_point = next(name for name, kind in kinds.items() if kind is Bound.POINT)
    made = []
    for frame in frames:
        update: dict[str, Any] = {}
        for name, kind in kinds.items():
            values = [key[name] for key in keys]
            if all(value is None for value in values):
                continue
            # A point that one key leaves out is where its first point is.
            filled = [key[first_point] if key[name] is None else key[name] for key in keys]
            columns = np.array(filled, np.float64).reshape(len(keys), -1).T
            at = tuple(float(np.interp(frame, own, column)) for column in columns)
            update[name] = _passed(at, float(frame), told, way) if kind is Bound.POINT else at[0]
        made.append(track[0].model_copy(update={**update, "frame": float(frame)}))
    return tuple(made)


def _passed(
    offset: tuple[float, ...], frame: float, told: F64, way: tuple[KnownOrigin, ...]
) -> tuple[float, float, float]:
    """Return the world place of an offset from a place that moves, at a frame, whole or between."""
    after = min(int(np.searchsorted(told, frame)), len(way) - 1)
    before = max(after - 1, 0)
    x, y, z = offset
    ends = [np.array(way[number].point((x, y, z))) for number in (before, after)]
    span = told[after] - told[before]
    share = 1.0 if span == 0.0 else float(np.clip((frame - told[before]) / span, 0.0, 1.0))
    place = ends[0] * (1.0 - share) + ends[1] * share
    return float(place[0]), float(place[1]), float(place[2])


def _in_world(value: Any, kind: Bound, origin: KnownOrigin | None) -> Any:
    # What is found is where it is, whatever it is counted from.
    if value is None or origin is None or isinstance(value, str):
        return value
    if kind is Bound.POINT:
        return origin.point(value)
    if kind is Bound.LENGTH and isinstance(value, tuple):
        return tuple(item * origin.unit_m for item in value)
    ways: dict[Bound, Callable[[float], float]] = {
        Bound.HEIGHT: origin.height,
        Bound.HEADING: origin.heading,
        Bound.LENGTH: lambda length: length * origin.unit_m,
        Bound.AREA: lambda amount: amount * origin.unit_m**2,
    }
    return ways[kind](value)


@lru_cache(maxsize=128)
def _kinds(model: type[Strict]) -> Mapping[str, Bound | None]:
    """Return what each key of a model is; None for all that is no place."""
    return {
        name: next(iter((*_marks(field.metadata), *_marks_within(field.annotation))), None)
        for name, field in model.model_fields.items()
    }


def _marks(metadata: Any) -> list[Bound]:
    return [item for item in metadata if isinstance(item, Bound)]


def _marks_within(annotation: Any) -> list[Bound]:
    own = _marks(getattr(annotation, "__metadata__", ()))
    return own + [mark for inner in get_args(annotation) for mark in _marks_within(inner)]
