"""Following a matte through a sequence: every frame read once, what it shows kept in a file.

A look that takes such a file depends on it and on the frame's own number alone, so frame 1050 by itself is
what it is in the sequence.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from halocline._typing import F64
from halocline._version import __version__
from halocline.batch.origin import digest_file
from halocline.batch.plan_tasks import MissingFrames, plan_shot
from halocline.batch.sequence_depth import settle_depth
from halocline.batch.task import FrameTask, input_spec_of
from halocline.compute.threads import in_parallel
from halocline.errors import CameraError, SequenceError
from halocline.imaging.followed import FloorAround, followed
from halocline.imaging.load import load
from halocline.imaging.matte_track import Contact, FollowedThing, MatteTrack
from halocline.late_dataclass import dataclass
from halocline.presets.origins import axis_named
from halocline.presets.preset import Preset

# A contact is the one of the frame before where it has moved less than so many of its radii and of the
# thing's own way.
_SAME_RADII, _SAME_WAYS = 2.0, 2.0


@dataclass(frozen=True)
class Following:
    """What is followed, and through which frames.

    Attributes
    ----------
    beauty
        A file or pattern.
    matte
        Name of the matte.
    depth, passes
        Files of depth and of passes that have their own, by name; as `halocline.batch.plan_tasks.plan_shot`.
    frames
        Range of frames.
    skip_missing
        Whether frames may be missing: the thing then goes straight from the one before to the one after.
    floor_m
        Height of the floor in the world; as the pictures show it where None.
    touch_m
        So near the floor what is seen of the thing counts as touching it.
    """

    beauty: str
    matte: str
    depth: str | None = None
    passes: Mapping[str, str] | None = None
    frames: str | None = None
    skip_missing: bool = False
    floor_m: float | None = None
    touch_m: float = 0.05


def follow(preset: Preset, following: Following) -> MatteTrack:
    """Return where a matte's thing is on each frame of a sequence, and where it touches the floor.

    Parameters
    ----------
    preset
        How the render is read, where its cameras are, which way is up, and frames a second.
    following
        What is followed.

    Returns
    -------
    MatteTrack
        The thing over time; it tells the digest of all that was read.

    Raises
    ------
    SequenceError
        ``E-SEQUENCE-MISSING`` where frames are not there, ``E-FOLLOW-NOTHING`` where the matte covers nothing
        on any frame; others as reading raises, the frame named.
    CameraError
        ``E-FOLLOW-PANORAMA`` where the camera sees all around.
    """
    plan = plan_shot(
        following.beauty,
        depth=following.depth,
        passes=following.passes,
        out="preview",
        frames=following.frames,
        overwrite=True,
        missing=MissingFrames.skip if following.skip_missing else MissingFrames.stop,
    )
    tasks = sorted(settle_depth(plan.tasks, preset), key=lambda task: task.frame)
    up = axis_named(preset.at(0).place.up)
    floor = FloorAround(up, following.floor_m, following.touch_m)
    seen = in_parallel(lambda task: _seen(task, preset, following.matte, floor), tasks)
    frames = [task.frame for task in tasks]
    if all(thing is None for thing in seen):
        raise SequenceError(
            f'the matte "{following.matte}" covers nothing on frames {frames[0]} to {frames[-1]}',
            code="E-FOLLOW-NOTHING",
            where=following.beauty,
            fix="Give frames that show it, or another matte: halocline inspect lists them.",
        )
    fps = preset.at(0).sequence.frames_per_second
    things = _linked(frames, seen, fps)
    told: dict[str, Any] = {
        "version": __version__,
        "frames_per_second": fps,
        "floor": "seen" if following.floor_m is None else following.floor_m,
        "touch": following.touch_m,
        "read_sha256": _digest(tasks, preset),
    }
    return MatteTrack(following.matte, dict(zip(frames, things, strict=True)), told)


def _seen(task: FrameTask, preset: Preset, matte: str, floor: FloorAround) -> FollowedThing | None:
    spec = replace(input_spec_of(task, preset), separate_edges=False, keep_glows=False, fit_surfaces=False)
    name = f"matte.{matte}"
    view = load(task.beauty, spec, depth_path=task.depth, pass_paths=dict(task.passes), wanted=(name,)).views[
        0
    ]
    if view.camera.globe is not None:
        raise CameraError(
            "a thing cannot be followed through a panorama",
            code="E-FOLLOW-PANORAMA",
            where=str(task.beauty),
            fix="Give frames of an ordinary camera, or write the track's keys by hand.",
        )
    return followed(view.frame, view.camera, matte, floor)


def _digest(tasks: Sequence[FrameTask], preset: Preset) -> str:
    """Return a digest of all files that were read, and of how."""
    files = {
        task.frame: {role: digest_file(path).sha256 for role, path in task.by_role.items()} for task in tasks
    }
    look = preset.at(0)
    how = [look.input.model_dump(mode="json"), look.camera.model_dump(mode="json")]
    return hashlib.sha256(json.dumps([files, how], sort_keys=True).encode()).hexdigest()


def _linked(
    frames: Sequence[int], seen: Sequence[FollowedThing | None], fps: float
) -> list[FollowedThing | None]:
    """Return things whose noses lead, and whose contacts have the same number while they touch."""
    ways = _ways(frames, seen)
    linked: list[FollowedThing | None] = []
    last: FollowedThing | None = None
    count = 0
    for number, thing in enumerate(seen):
        if thing is None:
            linked.append(None)
            last = None
            continue
        turned = _turned(thing, ways[number], last)
        step = 1 if number == 0 else frames[number] - frames[number - 1]
        contacts, count = _numbered(turned, last, step / fps, count, ways[number], fps)
        last = replace(turned, contacts=contacts)
        linked.append(last)
    return linked


def _ways(frames: Sequence[int], seen: Sequence[FollowedThing | None]) -> list[F64]:
    """Return the way of each thing in a frame's time, from the frame before to the one after."""
    ways = []
    for number, thing in enumerate(seen):
        if thing is None:
            ways.append(np.zeros(3))
            continue
        near = [
            other
            for other in (number - 1, number, number + 1)
            if 0 <= other < len(seen) and seen[other] is not None
        ]
        first, end = seen[near[0]], seen[near[-1]]
        assert first is not None
        assert end is not None
        span = frames[near[-1]] - frames[near[0]]
        ways.append((end.middle_m - first.middle_m) / max(span, 1))
    return ways


def _turned(thing: FollowedThing, way: F64, last: FollowedThing | None) -> FollowedThing:
    """Return a thing with its nose ahead: where it goes, or where it was on the frame before."""
    axis = thing.nose_m - thing.tail_m
    # What hardly moves keeps its nose where it was.
    moves = float(np.sqrt(way @ way)) > 0.02 * thing.radius_m
    ahead = way if moves or last is None else last.nose_m - last.tail_m
    return replace(thing, nose_m=thing.tail_m, tail_m=thing.nose_m) if axis @ ahead < 0.0 else thing


def _numbered(
    thing: FollowedThing, last: FollowedThing | None, seconds: float, count: int, way: F64, fps: float
) -> tuple[tuple[Contact, ...], int]:
    """Return contacts that go on from the frame before, or are new; and how many there have been.

    A contact stays at its place until it has moved by a quarter of its radius: what trembles with the pixels
    does not drag.
    """
    free = list(() if last is None else last.contacts)
    moved = float(np.sqrt(way @ way)) * seconds * fps
    found = []
    for contact in thing.contacts:
        apart = [float(np.sqrt(((contact.place_m - other.place_m) ** 2).sum())) for other in free]
        nearest = int(np.argmin(apart)) if apart else -1
        if nearest >= 0:
            other = free[nearest]
            reach = _SAME_RADII * max(contact.radius_m, other.radius_m) + _SAME_WAYS * moved
            if apart[nearest] <= reach:
                free.pop(nearest)
                drags = apart[nearest] > 0.25 * contact.radius_m
                place = contact.place_m if drags else other.place_m
                speed = apart[nearest] / seconds if drags else 0.0
                found.append(replace(contact, number=other.number, place_m=place, speed_m_s=speed))
                continue
        count += 1
        found.append(replace(contact, number=count, speed_m_s=float(np.sqrt(way @ way)) * fps))
    return tuple(found), count
