"""A job as a template of the open standard Open Job Description, for render managers that speak it.

Each shot is a step, each chunk of its frames a task that runs ``halocline farm run``: a task that is started
again makes only what is missing. A second step checks the shot when all its frames are there.

Source: Open Job Description specification, template schemas, version 2023-09, with the extension
TASK_CHUNKING where a task has several frames.
"""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from halocline.batch.job_file import Job
from halocline.errors import JobError
from halocline.late_dataclass import dataclass

VERSION = "jobtemplate-2023-09"
CHUNKING = "TASK_CHUNKING"
# The standard's limits: 64 characters of a name, 50 parameters, 100 steps; a shot takes two.
_LONGEST_NAME = 64
_MOST_SHOTS = 50
_MOST_FOLDERS = 24
# The standard's unit of amount.worker.memory.
_MEBIBYTE = 1 << 20
_REVIEW = " review"
# A task told to stop finishes the frame it is writing.
_NOTIFY_SECONDS = 30


@dataclass(frozen=True)
class ShotNeeds:
    """What a render manager must know of a shot.

    Attributes
    ----------
    frames
        Frame numbers.
    memory_bytes, processors
        What a worker must have for the shot's tasks; None asks for nothing.
    reads, writes
        Folders of the renders and passes, and of the finished frames.
    """

    frames: Sequence[int]
    memory_bytes: int | None = None
    processors: int | None = None
    reads: Sequence[Path] = ()
    writes: Sequence[Path] = ()


def job_template(
    job: Job,
    needs: Sequence[ShotNeeds],
    *,
    folder: Path,
    frames_a_task: int = 10,
    seconds: int | None = None,
    allowed: Sequence[str | Path] = (),
) -> dict[str, Any]:
    """Return a job as a template.

    Parameters
    ----------
    job
        From `halocline.batch.job_file.read_job`.
    needs
        Frames of each shot and what they need, in the order of ``job.shots``.
    folder
        Where the template will stand: the standard takes a default path from there, and nowhere above. Where
        the job file is not below it, the path must be given when the job is submitted; folders of renders
        and frames that are not are left undeclared.
    frames_a_task
        Frames that one task makes; with 1 the template needs no extension of the standard.
    seconds
        After which a task is stopped; no limit where not given. What it has finished is kept.
    allowed
        Folders that the job may use besides its own.

    Returns
    -------
    dict[str, Any]
        The template, ready for JSON or YAML.

    Raises
    ------
    JobError
        ``E-JOB-TEMPLATE`` where the standard has no room for the job.
    """
    if len(job.shots) > _MOST_SHOTS:
        raise JobError(
            f"{len(job.shots)} shots are more than a template has room for ({_MOST_SHOTS})",
            code="E-JOB-TEMPLATE",
            where=str(job.path),
            fix="Split the job file.",
        )
    reached = [str(job.path.resolve()), *(str(Path(each).resolve()) for each in allowed)]
    reached += [str(path.resolve()) for need in needs for path in (*need.reads, *need.writes)]
    _plain_words(reached, "the path", job)
    steps = []
    for shot, need in zip(job.shots, needs, strict=True):
        _check_step(shot.name, need.frames, job)
        steps += [
            _frames_step(
                shot.name, need, frames_a_task, _script("run", _run_words(shot.name), allowed, seconds)
            ),
            _review_step(shot.name, _script("review", ["--shot", shot.name], allowed, seconds)),
        ]
    return {
        "specificationVersion": VERSION,
        **({"extensions": [CHUNKING]} if frames_a_task > 1 else {}),
        "name": _name(job.title),
        "parameterDefinitions": [
            {
                "name": "JobFile",
                "type": "PATH",
                "objectType": "FILE",
                "dataFlow": "IN",
                **_default_path(job.path.resolve(), folder.resolve()),
                "description": "The job file of this template.",
            },
            {
                "name": "Halocline",
                "type": "STRING",
                "default": "halocline",
                "description": "The halocline command on the workers.",
            },
            *_declared([path for need in needs for path in need.reads], "Renders", "IN", folder.resolve()),
            *_declared([path for need in needs for path in need.writes], "Frames", "OUT", folder.resolve()),
        ],
        "steps": steps,
    }


def frame_range(frames: Iterable[int]) -> str:
    """Return frames as the standard writes them.

    Examples
    --------
    >>> frame_range([1, 2, 3, 7, 9])
    '1-3,7,9'
    """
    runs: list[list[int]] = []
    for frame in sorted(set(frames)):
        if runs and frame == runs[-1][1] + 1:
            runs[-1][1] = frame
        else:
            runs.append([frame, frame])
    return ",".join(str(first) if first == last else f"{first}-{last}" for first, last in runs)


def _plain_words(words: Iterable[str], what: str, job: Job) -> None:
    """Refuse words that would not stand in the template as they are.

    Names of the standard hold no control characters (category Cc), and two braces begin or end an expression
    in every text; it has no way to write them as they are.
    """
    for word in words:
        if "{{" in word or "}}" in word or any(unicodedata.category(sign) in ("Cc", "Cs") for sign in word):
            raise JobError(
                f"{what} {word!r} holds control characters, bytes that are no text, or two braces, which the "
                "standard takes for an expression",
                code="E-JOB-TEMPLATE",
                where=str(job.path),
                fix="Give it a plain name.",
            )


def _check_step(shot: str, frames: Sequence[int], job: Job) -> None:
    _plain_words([shot], "the shot name", job)
    if not frames or len(shot) + len(_REVIEW) > _LONGEST_NAME:
        raise JobError(
            f'shot "{shot}" cannot be a step: it has {len(frames)} frames and a name of {len(shot)} letters',
            code="E-JOB-TEMPLATE",
            where=str(job.path),
            fix=f"A step has frames, and a plain name of at most {_LONGEST_NAME - len(_REVIEW)} letters.",
        )


def _run_words(shot: str) -> list[str]:
    return ["--shot", shot, "--frames", "{{Task.Param.Frames}}", "--resume", "--no-check"]


def _frames_step(shot: str, need: ShotNeeds, frames_a_task: int, script: dict[str, Any]) -> dict[str, Any]:
    parameter: dict[str, Any] = {"name": "Frames", "type": "INT", "range": frame_range(need.frames)}
    if frames_a_task > 1:
        parameter["type"] = "CHUNK[INT]"
        parameter["chunks"] = {"defaultTaskCount": frames_a_task, "rangeConstraint": "CONTIGUOUS"}
    amounts = [
        {"name": f"amount.worker.{name}", "min": least}
        for name, least in (
            ("vcpu", need.processors),
            ("memory", None if need.memory_bytes is None else -(-need.memory_bytes // _MEBIBYTE)),
        )
        if least is not None
    ]
    return {
        "name": shot,
        "parameterSpace": {"taskParameterDefinitions": [parameter]},
        **({"hostRequirements": {"amounts": amounts}} if amounts else {}),
        "script": script,
    }


def _review_step(shot: str, script: dict[str, Any]) -> dict[str, Any]:
    """Return the step that checks a shot once all its frames are there."""
    return {"name": f"{shot}{_REVIEW}", "dependencies": [{"dependsOn": shot}], "script": script}


def _script(
    command: str, words: list[str], allowed: Sequence[str | Path], seconds: int | None
) -> dict[str, Any]:
    folders = [word for folder in allowed for word in ("--allow", str(Path(folder).resolve()))]
    return {
        "actions": {
            "onRun": {
                "command": "{{Param.Halocline}}",
                "args": ["farm", command, "{{Param.JobFile}}", *words, *folders],
                **({} if seconds is None else {"timeout": seconds}),
                "cancelation": {
                    "mode": "NOTIFY_THEN_TERMINATE",
                    "notifyPeriodInSeconds": _NOTIFY_SECONDS,
                },
            }
        }
    }


def _declared(paths: Sequence[Path], name: str, flow: str, folder: Path) -> list[dict[str, Any]]:
    """Return parameters that say which folders a job reads or writes, so that a manager can bring them along.

    The commands take their paths from the job file; these only declare them. A folder within another that
    is declared needs no line of its own, and more than there is room for are declared by what holds them all.
    """
    below = sorted({path.resolve() for path in paths if path.resolve().is_relative_to(folder)})
    if len(below) > _MOST_FOLDERS:
        below = [Path(os.path.commonpath(below))]
    outer = [path for path in below if not any(other in path.parents for other in below)]
    return [
        {
            "name": f"{name}{number}",
            "type": "PATH",
            "objectType": "DIRECTORY",
            "dataFlow": flow,
            **_default_path(path, folder),
            "description": f"A folder that the job {'reads' if flow == 'IN' else 'writes'}.",
        }
        for number, path in enumerate(outer, 1)
    ]


def _default_path(path: Path, folder: Path) -> dict[str, str]:
    return {"default": str(path.relative_to(folder))} if path.is_relative_to(folder) else {}


def _name(title: str) -> str:
    """Return a title as the name of a job: one line, no places to fill in."""
    # A sign of three braces leaves two where one pair is taken out.
    plain = re.sub(r"[\x00-\x1f\x7f-\x9f\ud800-\udfff]|\{\{+|\}\}+", " ", title).strip()
    return plain[:_LONGEST_NAME] or "halocline"
