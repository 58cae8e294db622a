"""Origins found: the places of a sequence that things of a look are bound to.

What is found depends on one frame of the sequence and on nothing else, whichever frames are rendered: a
chunk, or one frame alone, gives the same bits as the whole. It is kept in the resolved preset, and so in
every frame and record.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np

from halocline._typing import F64
from halocline.batch.sequence_depth import settle_depth
from halocline.batch.task import FrameTask, InputFiles, camera_file, input_spec
from halocline.errors import HaloclineError, SequenceError
from halocline.imaging.camera import Camera
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame
from halocline.imaging.load import load
from halocline.imaging.sequence import parse_pattern
from halocline.imaging.survey import cameras_in
from halocline.presets.build import rig_of
from halocline.presets.origins import axis_named, known_origin, lens_axes, on_height
from halocline.presets.preset import Preset
from halocline.presets.sections import OriginSection

# Points of a picture that tell of the floor, at most, and how many there must be.
_MOST_POINTS, _FEWEST_POINTS = 20_000, 50
# The share of them that may lie below it: stray points, holes.
_BELOW_FLOOR = 0.1

# The picture and the camera of the frame that an origin is to be found on.
Shown = Callable[[OriginSection, str], tuple[int, Frame, Camera]]


def origins_of_sequence(preset: Preset, task: FrameTask) -> Preset:
    """Return a look with its origins found on the sequence that a frame is of.

    Parameters
    ----------
    preset
        The look.
    task
        Any frame of the sequence.

    Returns
    -------
    Preset
        The look itself where it has no origin to be found.

    Raises
    ------
    SequenceError
        ``E-ORIGIN-FRAME`` where the frame that an origin is found on is not there.
    HaloclineError
        ``E-ORIGIN-NOWHERE`` where that frame does not show it; and as reading raises.
    """
    files = task.references or (InputFiles(task.beauty, task.depth, task.frame, task.passes),)
    found = _found_once(preset, files, task.patterns) if _to_find(preset) else preset
    return _with_ways_once(found, files, task.patterns) if _ways_to_find(found) else found


def origins_of_picture(preset: Preset, number: int, frame: Frame, camera: Camera) -> Preset:
    """Return a look with its origins found on one picture.

    Parameters
    ----------
    preset
        The look.
    number
        The picture's frame number.
    frame, camera
        Its planes, and its camera.

    Returns
    -------
    Preset
        The look itself where it has no origin to be found; one that is found on another frame stays unknown.

    Raises
    ------
    SequenceError
        ``E-ORIGIN-NOWHERE`` where the picture does not show it.
    """

    def shown(_section: OriginSection, _name: str) -> tuple[int, Frame, Camera]:
        return number, frame, camera

    return _with_found(preset, shown, only=number)


@lru_cache(maxsize=16)
def _found_once(
    preset: Preset, references: tuple[InputFiles, ...], patterns: tuple[tuple[str, str], ...]
) -> Preset:
    def shown(section: OriginSection, name: str) -> tuple[int, Frame, Camera]:
        number = references[0].frame if section.frame is None else section.frame
        return number, *_picture(_files(number, name, references, patterns), section, references, preset)

    return _with_found(preset, shown)


def _ways_to_find(preset: Preset) -> bool:
    own = any(not preset.origins[name].way for name in preset.tracks_that_follow())
    return own or any(map(_ways_to_find, preset.parts.values()))


@lru_cache(maxsize=16)
def _with_ways_once(
    preset: Preset, references: tuple[InputFiles, ...], patterns: tuple[tuple[str, str], ...]
) -> Preset:
    return preset.with_origins(_tables_of_ways(preset, preset, references, patterns))


def _tables_of_ways(
    look: Preset,
    whole: Preset,
    references: tuple[InputFiles, ...],
    patterns: tuple[tuple[str, str], ...],
) -> dict[str, Any]:
    """Return where the lens is over a look's tracks, and over those of its parts, as a preset's tables."""
    origins = {
        name: {
            "way": [
                [float(frame), *map(float, camera.position_m), *map(float, lens_axes(camera).ravel())]
                for frame in range(math.floor(first), math.ceil(last) + 1)
                for camera in [_lens_on(frame, name, whole, references, patterns)]
            ]
        }
        for name, (first, last) in look.tracks_that_follow().items()
        if not look.origins[name].way
    }
    parts = {
        name: tables
        for name, part in look.parts.items()
        if (tables := _tables_of_ways(part, whole, references, patterns))
    }
    return {**({"origins": origins} if origins else {}), **({"parts": parts} if parts else {})}


def _lens_on(
    frame: int,
    name: str,
    preset: Preset,
    references: tuple[InputFiles, ...],
    patterns: tuple[tuple[str, str], ...],
) -> Camera:
    """Return the lens on a frame; with two eyes, the middle of both. No pixels are read."""
    look = preset.at(frame)
    path = references[0].beauty
    if camera_file(look) is None:
        # Without a file of cameras the frame's own tells.
        path = _files(frame, name, references, patterns, "way").beauty
    found = cameras_in(path, input_spec(preset, frame))
    tracks = {view: CameraTrack({frame: camera}) for view, camera in found.items()}
    return rig_of(tracks, look, frame) or next(iter(found.values()))


def _to_find(preset: Preset) -> bool:
    place = preset.at(0).place
    own = any(
        known_origin(section, place) is None and not section.follows for section in preset.origins.values()
    )
    return own or any(map(_to_find, preset.parts.values()))


def _with_found(preset: Preset, shown: Shown, *, only: int | None = None) -> Preset:
    tables = _found_tables(preset, shown, only)
    return preset.with_origins(tables) if tables else preset


def _found_tables(preset: Preset, shown: Shown, only: int | None) -> dict[str, Any]:
    """Return what is found of a look's origins and of those of its parts, as a preset's tables."""
    place = preset.at(0).place
    up = axis_named(place.up)
    origins = {
        name: {"found": _found(section, name, up, *shown(section, name))}
        for name, section in preset.origins.items()
        if known_origin(section, place) is None
        and not section.follows
        and (only is None or section.frame in (None, only))
    }
    parts = {
        name: tables for name, part in preset.parts.items() if (tables := _found_tables(part, shown, only))
    }
    return {**({"origins": origins} if origins else {}), **({"parts": parts} if parts else {})}


def _files(
    number: int,
    name: str,
    references: tuple[InputFiles, ...],
    patterns: tuple[tuple[str, str], ...],
    key: str = "frame",
) -> InputFiles:
    """Return the files of the frame that an origin is found on, or a place of its ``way`` is."""
    for files in references:
        if files.frame == number:
            return files
    paths = {role: parse_pattern(pattern).path(number) for role, pattern in patterns}
    missing = [path for path in paths.values() if not path.exists()]
    if not paths or missing or not parse_pattern(dict(patterns)["beauty"]).is_numbered:
        what = "is found on" if key == "frame" else "is needed on"
        raise SequenceError(
            f'the origin "{name}" {what} frame {number}, which is not there',
            code="E-ORIGIN-FRAME",
            where=str(missing[0]) if missing else f"origins.{name}.{key}",
            key=("origins", name, key),
            fix=f"Render that frame, or give another in origins.{name}.frame: without one it is the first."
            if key == "frame"
            else "Its tracks go with the lens from their first key to their last: let them begin and end on "
            "frames that are there, or name a file of cameras that tells of that frame (camera.track).",
        )
    passes = tuple(
        (role.removeprefix("pass "), path) for role, path in paths.items() if role.startswith("pass ")
    )
    return InputFiles(paths["beauty"], paths.get("depth"), number, passes)


def _picture(
    files: InputFiles, section: OriginSection, references: tuple[InputFiles, ...], preset: Preset
) -> tuple[Frame, Camera]:
    """Read the frame that an origin is found on, its depth judged as the whole sequence's is."""
    task = FrameTask(files.frame, files.beauty, files.depth, files.beauty, references=references)
    settled = settle_depth([task], preset)[0]
    spec = input_spec(preset, files.frame)
    if settled.depth_spec is not None:
        spec = replace(spec, depth=settled.depth_spec)
    wanted = [] if section.matte is None else [f"matte.{section.matte}"]
    plain = replace(spec, separate_edges=False, keep_glows=False, fit_surfaces=False)
    loaded = load(
        files.beauty, plain, depth_path=files.depth, pass_paths=dict(files.passes), wanted=sorted(wanted)
    )
    return loaded.views[0].frame, loaded.views[0].camera


def _found(
    section: OriginSection, name: str, up: F64, number: int, frame: Frame, camera: Camera
) -> dict[str, Any]:
    """Return where an origin is, as the table ``found``."""
    try:
        position = _position(section, frame, camera)
    except HaloclineError as error:
        raise error.located(f"origins.{name}, found on frame {number}", key=("origins", name)) from None
    if section.floor is not None:
        height = _floor(position, frame, camera, up) if section.floor == "found" else section.floor
        position = on_height(position, height, up)
    axes = lens_axes(camera) if section.lens else _level_axes(camera, up)
    unit = float(np.linalg.norm(position - camera.position_m)) if section.unit == "range" else 1.0
    vectors = zip(("position", "right", "above", "ahead"), (position, *axes), strict=True)
    return {
        "frame": number,
        **{key: [float(part) for part in value] for key, value in vectors},
        "unit_m": unit,
    }


def _position(section: OriginSection, frame: Frame, camera: Camera) -> F64:
    if section.position is not None:
        return np.array(section.position)
    if section.lens:
        return camera.position_m
    if section.matte is not None:
        return _middle(section.matte, frame, camera)
    display, data = frame.display_window, frame.data_window
    if section.pixel is not None:
        x, y = (int(np.floor(part)) for part in section.pixel)
    else:
        across, down = section.point or (0.5, 0.5)
        x = min(int(across * display.width), display.width - 1)
        y = min(int(down * display.height), display.height - 1)
    column, row = x + display.x - data.x, y + display.y - data.y
    inside = 0 <= column < data.width and 0 <= row < data.height
    range_m = float(frame.plane("range")[row, column]) if inside else np.inf
    if not np.isfinite(range_m):
        if section.otherwise_range is None:
            raise _nowhere(f"the picture shows nothing at column {x}, row {y}")
        range_m = section.otherwise_range
    pixel = data.rows(0, 1)
    one = replace(pixel, x=data.x + column, y=data.y + row, width=1, height=1)
    position: F64 = camera.position_m + range_m * camera.directions(one)[:, 0, 0].astype(np.float64)
    return position


def _middle(matte: str, frame: Frame, camera: Camera) -> F64:
    """Return the mean place of what a matte covers."""
    key = f"matte.{matte}"
    if key not in frame.planes:
        raise _nowhere(f'the picture has no matte "{matte}"')
    range_m = frame.plane("range")
    rows, columns = np.nonzero((frame.planes[key] > 0.0) & np.isfinite(range_m))
    if not rows.size:
        raise _nowhere(f'the matte "{matte}" covers nothing there')
    weight = frame.planes[key][rows, columns].astype(np.float64)
    places = _places(frame, camera, rows, columns)
    middle: F64 = (weight[:, None] * places).sum(axis=0) / weight.sum()
    return middle


def _floor(position: F64, frame: Frame, camera: Camera, up: F64) -> float:
    """Return the height above which most lies of what the picture shows around a place."""
    range_m = frame.plane("range")
    rows, columns = np.nonzero(np.isfinite(range_m))
    every = max(1, rows.size // _MOST_POINTS)
    places = _places(frame, camera, rows[::every], columns[::every])
    offset = places - position
    level = np.linalg.norm(offset - (offset @ up)[:, None] * up, axis=1)
    near = level <= 0.5 * float(np.linalg.norm(position - camera.position_m))
    chosen = places[near] if np.count_nonzero(near) >= _FEWEST_POINTS else places
    if not len(chosen):
        raise _nowhere("the picture shows no floor")
    return float(np.quantile(chosen @ up, _BELOW_FLOOR))


def _places(frame: Frame, camera: Camera, rows: Any, columns: Any) -> F64:
    """Return the world places of pixels, ``(n, 3)``."""
    directions = camera.directions(frame.data_window)[:, rows, columns].astype(np.float64)
    range_m = frame.plane("range")[rows, columns].astype(np.float64)
    places: F64 = camera.position_m + (directions * range_m).T
    return places


def _level_axes(camera: Camera, up: F64) -> F64:
    """Return right, above and ahead of a levelled camera; where it looks up or down, by its picture's top."""
    axis = -camera.rotation[:, 2]
    level = axis - (axis @ up) * up
    if float(np.linalg.norm(level)) < 1e-3:
        level = camera.rotation[:, 1] - (camera.rotation[:, 1] @ up) * up
    ahead = level / np.linalg.norm(level)
    return np.stack([np.cross(ahead, up), up, ahead])


def _nowhere(reason: str) -> SequenceError:
    return SequenceError(
        reason,
        code="E-ORIGIN-NOWHERE",
        fix="Choose a point, matte or frame that shows it, or say how far away it is then: otherwise_range.",
    )
