"""A job as a template of the open standard Open Job Description, for render managers that speak it.

Each shot is a step, each chunk of its frames a task that runs ``halocline farm run``: a task that is started
again makes only what is missing. A second step checks the shot when all its frames are there.

Source: Open Job Description specification, template schemas, version 2023-09, with the extension
TASK_CHUNKING where a task has several frames.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from halocline.batch.job_file import Job
from halocline.errors import JobError

VERSION = "jobtemplate-2023-09"
CHUNKING = "TASK_CHUNKING"
# The standard's limits: 64 characters of a name, 100 steps; a shot takes two.
_LONGEST_NAME = 64
_MOST_SHOTS = 50
_REVIEW = " review"
# A task told to stop finishes the frame it is writing.
_NOTIFY_SECONDS = 30


def job_template(
    job: Job,
    frames: Sequence[Sequence[int]],
    *,
    folder: Path,
    frames_a_task: int = 10,
    allowed: Sequence[str | Path] = (),
) -> dict[str, Any]:
    """Return a job as a template.

    Parameters
    ----------
    job
        From `halocline.batch.job_file.read_job`.
    frames
        Frames of each shot, in the order of ``job.shots``.
    folder
        Where the template will stand: the standard takes a default path from there, and nowhere above. Where
        the job file is not below it, the path must be given when the job is submitted.
    frames_a_task
        Frames that one task makes; with 1 the template needs no extension of the standard.
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
    _plain_words(reached, "the path", job)
    steps = []
    for shot, numbers in zip(job.shots, frames, strict=True):
        _check_step(shot.name, numbers, job)
        steps += [
            _frames_step(shot.name, numbers, frames_a_task, allowed),
            _review_step(shot.name, allowed),
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


def _frames_step(
    shot: str, frames: Sequence[int], frames_a_task: int, allowed: Sequence[str | Path]
) -> dict[str, Any]:
    parameter: dict[str, Any] = {"name": "Frames", "type": "INT", "range": frame_range(frames)}
    if frames_a_task > 1:
        parameter["type"] = "CHUNK[INT]"
        parameter["chunks"] = {"defaultTaskCount": frames_a_task, "rangeConstraint": "CONTIGUOUS"}
    words = ["--shot", shot, "--frames", "{{Task.Param.Frames}}", "--resume", "--no-check"]
    return {
        "name": shot,
        "parameterSpace": {"taskParameterDefinitions": [parameter]},
        "script": _script("run", words, allowed),
    }


def _review_step(shot: str, allowed: Sequence[str | Path]) -> dict[str, Any]:
    """Return the step that checks a shot once all its frames are there."""
    return {
        "name": f"{shot}{_REVIEW}",
        "dependencies": [{"dependsOn": shot}],
        "script": _script("review", ["--shot", shot], allowed),
    }


def _script(command: str, words: list[str], allowed: Sequence[str | Path]) -> dict[str, Any]:
    folders = [word for folder in allowed for word in ("--allow", str(Path(folder).resolve()))]
    return {
        "actions": {
            "onRun": {
                "command": "{{Param.Halocline}}",
                "args": ["farm", command, "{{Param.JobFile}}", *words, *folders],
                "cancelation": {
                    "mode": "NOTIFY_THEN_TERMINATE",
                    "notifyPeriodInSeconds": _NOTIFY_SECONDS,
                },
            }
        }
    }


def _default_path(path: Path, folder: Path) -> dict[str, str]:
    return {"default": str(path.relative_to(folder))} if path.is_relative_to(folder) else {}


def _name(title: str) -> str:
    """Return a title as the name of a job: one line, no places to fill in."""
    # A sign of three braces leaves two where one pair is taken out.
    plain = re.sub(r"[\x00-\x1f\x7f-\x9f\ud800-\udfff]|\{\{+|\}\}+", " ", title).strip()
    return plain[:_LONGEST_NAME] or "halocline"
