"""Which frames of a plan are still good, and why the others must be made again.

Trust rests on proof only: the manifest's record of the frame, the bytes of the frame's file, and the bytes of
everything it was made from. A file's name, size or date prove nothing.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from enum import Enum

from halocline.batch.manifest import Record
from halocline.batch.origin import Origin, differences, digest_file, origin_of
from halocline.batch.task import FrameTask
from halocline.compute.threads import allowed
from halocline.errors import HaloclineError
from halocline.imaging.exr import read_header
from halocline.late_dataclass import dataclass
from halocline.presets.preset import Preset


class Action(Enum):
    """What is to be done with a frame."""

    keep = "keep"
    render = "render"
    refuse = "refuse"


@dataclass(frozen=True)
class Verdict:
    """What is to be done with a frame, and why; of one that is kept, how large its file is."""

    task: FrameTask
    action: Action
    reason: str
    bytes: int | None = None


def judge_all(
    tasks: Iterable[FrameTask], known: Mapping[str, Mapping[str, Record]], preset: Preset
) -> list[Verdict]:
    """Judge every frame of a plan by what is on record in the folders that it writes to, by name."""
    # Reading and digesting files waits for disk and network; several at once keep both busy.
    with ThreadPoolExecutor(min(4, allowed()), "judge") as pool:
        return list(
            pool.map(lambda task: judge(task, known[str(task.out.parent)].get(task.out.name), preset), tasks)
        )


def judge(task: FrameTask, record: Record | None, preset: Preset) -> Verdict:
    """Judge one frame by its record.

    Returns
    -------
    ``keep`` where file, inputs, preset and version are all as recorded. ``render`` otherwise, with the
    reason; the task may then replace the file. ``refuse`` where a file is there that Halocline did not make.
    """
    if not os.path.lexists(task.out):
        return Verdict(task, Action.render, "not there")
    if record is None and not _made_here(task):
        reason = "a file is there that nothing shows to be Halocline's; it is left alone"
        return Verdict(task, Action.refuse, reason)
    if record is None:
        return _again(task, "no record in the manifest proves it whole")
    flaw = _flaw(task, record, preset)
    if flaw is not None:
        return _again(task, flaw)
    return Verdict(task, Action.keep, "whole and up to date", int(record["output"]["bytes"]))


def _flaw(task: FrameTask, record: Record, preset: Preset) -> str | None:
    """Return why a file that is there must be made again, or nothing where record and bytes prove it good."""
    if record.get("status") != "done":
        return "failed the last time"
    try:
        made = Origin.from_dict(record["origin"])
        size, digest = int(record["output"]["bytes"]), str(record["output"]["sha256"])
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError):
        return "its record is damaged"
    try:
        if task.out.stat().st_size != size or digest_file(task.out).sha256 != digest:
            return "damaged: not the file that was written"
        return "; ".join(differences(made, origin_of(task, preset))) or None
    except (HaloclineError, OSError) as error:
        return f"cannot be checked ({error})"


def _again(task: FrameTask, reason: str) -> Verdict:
    return Verdict(replace(task, replace=True), Action.render, reason)


def _made_here(task: FrameTask) -> bool:
    """Tell whether the file says of itself that Halocline wrote it."""
    try:
        part = read_header(task.out).parts[0]
    except HaloclineError:
        return False
    return part.value("halocline:presetDigest") is not None
