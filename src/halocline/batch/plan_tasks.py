"""From patterns to frames: which files are read for each frame of a shot, and where it is written.

Nothing is rendered before the whole plan is known to be possible: an output that is one of the inputs, a
frame that is already there, a gap in the range, are all found here.
"""

from __future__ import annotations

import os
import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import replace
from enum import StrEnum
from pathlib import Path

from halocline.batch.events import FrameSkipped
from halocline.batch.task import FrameTask, InputFiles
from halocline.errors import HaloclineError, JobError, SequenceError, WriteError
from halocline.imaging.sequence import (
    MAX_FRAMES,
    Sequence,
    find_sequence,
    frame_text,
    output_sequence,
    parse_frames,
    parse_pattern,
)
from halocline.late_dataclass import dataclass

# Frames that may stand for their sequence where the first ones are damaged.
_REFERENCES = 5
# The frame number of one file's name. A version ("v002") is none, and neither is a lone digit.
_FRAME_IN_NAME = re.compile(r"(?<=[._])(\d{3,18})(?=\.[^.]+$)", re.ASCII)


class MissingFrames(StrEnum):
    """What to do where the range has frames that are not there."""

    stop = "stop"
    skip = "skip"
    hold = "hold"


@dataclass(frozen=True)
class ShotPlan:
    """The frames of one shot: those to make, those left out since they have no input, and where all go.

    Attributes
    ----------
    tasks
        Frames to make.
    skipped
        Frames left out since they have no input.
    target
        Where all go.
    """

    tasks: tuple[FrameTask, ...]
    skipped: tuple[FrameSkipped, ...]
    target: Sequence


def plan_tasks(
    beauty: str | Path,
    *,
    depth: str | Path | None = None,
    passes: Mapping[str, str | Path] | None = None,
    out: str | Path,
    frames: str | None = None,
    overwrite: bool = False,
) -> list[FrameTask]:
    """Plan the frames of a shot, all of which must be there; as `plan_shot`.

    Parameters
    ----------
    beauty, depth, passes, out, frames, overwrite
        As `plan_shot` takes them.

    Returns
    -------
    list[FrameTask]
        One task a frame, in the order of the range.
    """
    plan = plan_shot(beauty, depth=depth, passes=passes, out=out, frames=frames, overwrite=overwrite)
    return list(plan.tasks)


def plan_shot(
    beauty: str | Path,
    *,
    depth: str | Path | None = None,
    passes: Mapping[str, str | Path] | None = None,
    out: str | Path,
    frames: str | None = None,
    overwrite: bool = False,
    missing: MissingFrames = MissingFrames.stop,
) -> ShotPlan:
    """Plan the frames of one shot.

    Parameters
    ----------
    beauty
        A file, or a pattern such as ``clean.####.exr``.
    depth
        Where depth is not in the beauty's files: the same for it.
    passes
        The same for passes that have files of their own, by name: ``normal``, ``position``, or the name of a
        matte, a light or any other pass.
    out
        A folder (the input's names are kept), a pattern, or one file.
    frames
        Range of frames; all between the first and the last that are there where not given.
    overwrite
        Whether outputs that are there may be replaced (or kept, when resuming).
    missing
        Where frames of the range lack their beauty, depth or a pass: ``stop`` before anything is rendered,
        ``skip`` them, or ``hold`` the nearest frame that is there (the earlier of two as near).

    Returns
    -------
    ShotPlan
        One task a frame, in the order of the range. What a frame's result depends on beyond its own files
        (its neighbours' cameras, the frame that shows what the depth pass holds) is the same whichever range
        is asked for, so a chunk gives the same bits as the whole.

    Raises
    ------
    SequenceError
        ``E-SEQUENCE-MISSING`` where frames of the range are not there; others as
        `halocline.imaging.sequence`.
    WriteError
        ``E-WRITE-INPUT`` where an output is one of the inputs, ``E-WRITE-EXISTS`` where it is there already.
    """
    source = _source(beauty, frames, missing)
    if frames is None and source.frames[-1] - source.frames[0] < MAX_FRAMES:
        source = source.with_frames(sorted({*source.frames, *source.gaps()}))
    beside = {} if depth is None else {"depth": _sequence_beside(depth, source, "--depth", "depth")}
    for name, pattern in (passes or {}).items():
        beside[f"pass {name}"] = _sequence_beside(pattern, source, f"--pass {name}=", f"passes.{name}")
    target = output_sequence(_folder_or_pattern(out), source)
    for sequence in (source, *beside.values(), target):
        _refuse_bytes(sequence)
    whole = _whole_sequence(source)
    _refuse_empty(beside, whole.frames)
    stand_in = _stand_ins(source, beside, whole.frames, missing)
    references = _references(whole, beside)
    patterns = tuple((role, each.pattern) for role, each in {"beauty": whole, **beside}.items())
    there = set(whole.frames)
    tasks, skipped = [], []
    for frame in dict.fromkeys(source.frames):
        rendered = stand_in.get(frame, frame)
        if rendered is None:
            skipped.append(FrameSkipped(frame, target.path(frame), str(source.path(frame))))
            continue
        held = rendered != frame
        # A held picture stands still, and so does its camera.
        near = () if held else (frame - 1, frame + 1)
        files = _files(source, beside, rendered)
        tasks.append(
            FrameTask(
                frame,
                files.beauty,
                files.depth,
                target.path(frame),
                passes=files.passes,
                neighbours={number: whole.path(number) for number in near if number in there},
                references=references,
                patterns=patterns,
                held_from=rendered if held else None,
            )
        )
    refuse_inputs(tasks)
    if not overwrite:
        refuse_existing(tasks)
    return ShotPlan(tuple(tasks), tuple(skipped), target)


def refuse_inputs(tasks: Iterable[FrameTask]) -> None:
    """Refuse a plan that would write over anything it reads, under whatever name.

    Raises
    ------
    WriteError
        ``E-WRITE-INPUT``.
    JobError
        ``E-JOB-OUTPUT`` where two frames would be written to one file.
    """
    for _, error in overwriting(tasks):
        raise error


def overwriting(tasks: Iterable[FrameTask]) -> Iterator[tuple[int, HaloclineError]]:
    """Yield which tasks, counted from 0, would write over what any of them reads or one before it writes.

    Parameters
    ----------
    tasks
        Of one sequence or of many.

    Yields
    ------
    tuple[int, HaloclineError]
        The task's place, and what `refuse_inputs` would raise for it.
    """
    tasks = list(tasks)
    inputs = {_identity(path): path for task in tasks for path in (*task.files, *task.neighbours.values())}
    outputs: dict[str, FrameTask] = {}
    for number, task in enumerate(tasks):
        key = _identity(task.out)
        if key in inputs:
            yield (
                number,
                WriteError(
                    f"is one of the inputs ({inputs[key]}), which are never written over",
                    code="E-WRITE-INPUT",
                    where=str(task.out),
                    fix="Give another folder or name with --out, or with the shot's key out in a job.",
                ),
            )
        if (first := outputs.setdefault(key, task)) is not task:
            yield (
                number,
                JobError(
                    f"frame {first.frame} ({first.beauty}) and frame {task.frame} ({task.beauty}) would both "
                    "be written to it",
                    code="E-JOB-OUTPUT",
                    where=str(task.out),
                    fix="Give each shot a folder or a name of its own with its key out.",
                ),
            )


def refuse_existing(tasks: Iterable[FrameTask]) -> None:
    """Refuse a plan some of whose outputs are there.

    Raises
    ------
    WriteError
        ``E-WRITE-EXISTS``, naming the frames.
    """
    existing = [task for task in tasks if os.path.lexists(task.out)]
    if existing:
        frames = frame_text(sorted(task.frame for task in existing))
        raise WriteError(
            f"frame{'s' if len(existing) > 1 else ''} {frames} {'are' if len(existing) > 1 else 'is'} "
            "already there; nothing was rendered",
            code="E-WRITE-EXISTS",
            where=str(existing[0].out if len(existing) == 1 else existing[0].out.parent),
            fix="Add --resume to make only what is missing or out of date, --overwrite to make all anew, "
            "or give another folder with --out.",
        )


def make_folders(tasks: Iterable[FrameTask]) -> None:
    """Make the folders that the tasks write to.

    Raises
    ------
    WriteError
        ``E-WRITE-FOLDER``.
    """
    for folder in dict.fromkeys(task.out.parent for task in tasks):
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise WriteError(
                f"this folder cannot be made: {error.strerror or error}",
                code="E-WRITE-FOLDER",
                where=str(folder),
                fix="Check the path and its permissions, or give another folder with --out.",
            ) from error


def _refuse_bytes(sequence: Sequence) -> None:
    try:
        sequence.pattern.encode()
    except UnicodeEncodeError as error:
        raise SequenceError(
            "the name, or that of a folder above it, is no UTF-8, and the image library takes no other",
            code="E-SEQUENCE-PATTERN",
            where=sequence.pattern,
            fix="Rename it (mv OLD NEW), or give another folder with --out.",
        ) from error


def _folder_or_pattern(out: str | Path) -> str:
    """Return the output as `output_sequence` reads it: a name without the ending of a picture is a folder."""
    text = str(out).strip()
    if not text:
        # An unset variable in a script; taken as a folder it would be the root of the file system.
        raise SequenceError(
            "the output is empty",
            code="E-SEQUENCE-PATTERN",
            fix="Give --out a folder, or a pattern such as wet/name.####.exr.",
        )
    return text if text.lower().endswith(".exr") else f"{text.rstrip('/')}/"


def _sequence_beside(pattern: str | Path, source: Sequence, option: str, key: str) -> Sequence:
    """Return the sequence of depth, or of another pass, over the frames of the beauty."""
    sequence = parse_pattern(pattern).with_frames(source.frames)
    if not sequence.is_numbered and len(source.frames) > 1:
        raise SequenceError(
            f"is one file, but the beauty has {len(source.frames)} frames",
            code="E-SEQUENCE-MATCH",
            where=str(pattern),
            fix=f"Give a pattern: {option} name.####.exr (or the shot's key {key} in a job).",
        )
    return sequence


def _source(beauty: str | Path, frames: str | None, policy: MissingFrames) -> Sequence:
    if frames is None or policy is MissingFrames.stop:
        return find_sequence(beauty, frames)
    # A chunk may consist of missing frames alone; the sequence must have some.
    source = find_sequence(beauty)
    return source.with_frames(parse_frames(frames)) if source.is_numbered else find_sequence(beauty, frames)


def _refuse_empty(beside: Mapping[str, Sequence], whole: Collection[int]) -> None:
    """Refuse depth or a pass of which no frame is there: its name is wrong, and nothing can stand in."""
    for what, sequence in beside.items():
        if len(sequence.with_frames(whole).missing()) == len(whole):
            raise SequenceError(
                f"no file of the {what} is there: it was to go with {len(whole)} frames of the beauty",
                code="E-SEQUENCE-EMPTY",
                where=sequence.pattern,
                fix="Check folder, name and digits.",
            )


def _stand_ins(
    source: Sequence, beside: Mapping[str, Sequence], whole: Iterable[int], policy: MissingFrames
) -> dict[int, int | None]:
    """Return what stands for each frame that is not there: another frame of the whole, or nothing."""
    sequences = {"beauty": source, **beside}
    lacking = {what: sequence.missing() for what, sequence in sequences.items()}
    missing = sorted({frame for frames in lacking.values() for frame in frames})
    if not missing:
        return {}
    there = set(whole) - set(missing if not beside else ())
    for sequence in beside.values():
        there -= set(sequence.with_frames(whole).missing())
    if policy is MissingFrames.stop or not there:
        told = [f"{what} {frame_text(frames)}" for what, frames in lacking.items() if frames]
        raise SequenceError(
            f"{len(missing)} of {len(source.frames)} frames are not there: {'; '.join(told)}",
            code="E-SEQUENCE-MISSING",
            where=" and ".join(sequences[what].pattern for what, frames in lacking.items() if frames),
            fix="Render them, choose a range without them (--frames, or the shot's key frames in a job), or "
            "say what to do: --missing skip (leave them out) or --missing hold (the nearest stands in); "
            'in a job missing = "skip" or "hold".',
        )
    if policy is MissingFrames.skip:
        return dict.fromkeys(missing)
    return {frame: min(there, key=lambda near: (abs(near - frame), near)) for frame in missing}


def _whole_sequence(source: Sequence) -> Sequence:
    """Return the source with all frames on disk, whatever range was asked for.

    One file named by its frame number belongs to a sequence too: rendered alone it must give the same bits.
    """
    if not source.is_numbered:
        found = _FRAME_IN_NAME.search(source.prefix)
        if found is None:
            return source
        number = found[1]
        source = replace(
            source,
            prefix=source.prefix[: found.start()],
            digits=len(number),
            suffix=source.prefix[found.end() :],
            frames=(int(number),),
        )
    return find_sequence(source.pattern)


def _files(source: Sequence, beside: Mapping[str, Sequence], frame: int) -> InputFiles:
    paths = {role: sequence.path(frame) for role, sequence in beside.items()}
    depth = paths.pop("depth", None)
    passes = tuple((role.removeprefix("pass "), path) for role, path in paths.items())
    return InputFiles(source.path(frame), depth, frame, passes)


def _references(whole: Sequence, beside: Mapping[str, Sequence]) -> tuple[InputFiles, ...]:
    """Return the first frames on disk with their depth and passes."""
    references = []
    for frame in whole.frames:
        files = _files(whole, beside, frame)
        if all(path.exists() for role, path in files.by_role.items() if role != "beauty"):
            references.append(files)
        if len(references) == _REFERENCES:
            break
    return tuple(references)


def _identity(path: Path) -> str:
    """Return the one true name of a file, there or not."""
    return os.path.realpath(path)
