"""What can become of a frame, as a run tells it."""

from __future__ import annotations

import logging
import os
import socket
from collections.abc import Mapping
from dataclasses import field
from pathlib import Path

from halocline.batch.frame_task import FrameRecord, peak_memory_bytes
from halocline.batch.task import FrameTask
from halocline.errors import HaloclineError, JobError
from halocline.late_dataclass import dataclass

logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class Attempt:
    """Where work on a frame was done, and what it took.

    Attributes
    ----------
    host, process
        Which machine, and which of its processes, did it.
    seconds
        Time by stage, as far as it came.
    peak_memory_bytes
        The most memory that the process had used by then; None where it is gone and nobody knows.
    """

    host: str
    process: int
    seconds: Mapping[str, float]
    peak_memory_bytes: int | None

    @classmethod
    def here(cls, seconds: Mapping[str, float] | None = None) -> Attempt:
        """Return what is so of this process now."""
        return cls(socket.gethostname(), os.getpid(), seconds or {}, peak_memory_bytes())


@dataclass(frozen=True)
class FrameDone:
    """A frame was written.

    Attributes
    ----------
    record
        What was written, from what, in which time.
    task
        The frame.
    """

    record: FrameRecord
    task: FrameTask


@dataclass(frozen=True)
class FrameFailed:
    """A frame could not be made; the others go on.

    Attributes
    ----------
    task
        The frame.
    error
        Why.
    attempt
        Where it failed, and what that took; this process where not given.
    """

    task: FrameTask
    error: HaloclineError
    attempt: Attempt = field(default_factory=Attempt.here)


@dataclass(frozen=True)
class FrameKept:
    """A frame was there already, whole and up to date.

    Attributes
    ----------
    task
        The frame.
    reason
        Why it need not be made again, in words.
    bytes
        How large its file is, where that was looked at.
    """

    task: FrameTask
    reason: str
    bytes: int | None = None


@dataclass(frozen=True)
class FrameElsewhere:
    """Another job is making this frame now.

    Attributes
    ----------
    task
        The frame.
    holder
        Who makes it, in words.
    """

    task: FrameTask
    holder: str


@dataclass(frozen=True)
class FrameSkipped:
    """A frame has no input, and the job was told to leave such frames out.

    Attributes
    ----------
    frame
        Frame number.
    out
        The file that is not made.
    where
        The input that is not there.
    """

    frame: int
    out: Path
    where: str


Outcome = FrameDone | FrameFailed
Event = FrameDone | FrameFailed | FrameKept | FrameElsewhere | FrameSkipped
_STATUSES = {
    FrameDone: "done",
    FrameFailed: "failed",
    FrameKept: "kept",
    FrameElsewhere: "elsewhere",
    FrameSkipped: "skipped",
}


def status_of(event: Event) -> str:
    """Return in one word what became of a frame, as the log for machines and the manifest say it.

    Parameters
    ----------
    event
        What became of it.

    Returns
    -------
    str
        ``done``, ``failed``, ``kept``, ``elsewhere`` or ``skipped``.
    """
    return _STATUSES[type(event)]


@dataclass
class Summary:
    """What came of a run.

    Attributes
    ----------
    done, failed, kept, elsewhere, skipped
        What became of frames.
    not_begun
        Numbers of frames that the run did not come to.
    interrupted
        Number of the signal that ended it early, where one did.
    """

    done: list[FrameRecord] = field(default_factory=list)
    failed: list[FrameFailed] = field(default_factory=list)
    kept: list[FrameKept] = field(default_factory=list)
    elsewhere: list[FrameElsewhere] = field(default_factory=list)
    skipped: list[FrameSkipped] = field(default_factory=list)
    not_begun: list[int] = field(default_factory=list)
    interrupted: int | None = None

    def add(self, event: Event) -> None:
        """Count an event."""
        match event:
            case FrameDone():
                self.done.append(event.record)
            case FrameFailed():
                self.failed.append(event)
            case FrameKept():
                self.kept.append(event)
            case FrameElsewhere():
                self.elsewhere.append(event)
            case FrameSkipped():
                self.skipped.append(event)

    @property
    def complete(self) -> bool:
        """Whether every frame asked for is there, or was to be left out."""
        anything = self.done or self.kept or self.skipped
        return bool(anything) and not (self.failed or self.elsewhere or self.not_begun)

    @property
    def awaits_others(self) -> bool:
        """Whether nothing is wrong, but other jobs are still making some of the frames."""
        return bool(self.elsewhere) and not (self.failed or self.not_begun)


def as_halocline_error(error: BaseException, task: FrameTask) -> HaloclineError:
    """Return any error as one of the family, with the frame it befell.

    A frame must never take the night's other frames with it, so even a mistake in Halocline is caught; its
    traceback goes to the log.

    Parameters
    ----------
    error
        What was raised.
    task
        The frame's.

    Returns
    -------
    HaloclineError
        One of the family with the frame put before its place, else ``E-JOB-MEMORY``, ``-SYSTEM`` or
        ``-UNEXPECTED``.
    """
    where = f"frame {task.frame}"
    if isinstance(error, HaloclineError):
        return error.located(where)
    if isinstance(error, MemoryError):
        return JobError(
            "there is not enough memory for this frame",
            code="E-JOB-MEMORY",
            where=where,
            fix="Give a smaller --memory, or run fewer jobs on this machine at once.",
        )
    if isinstance(error, OSError):
        return JobError(
            f"the system refuses: {error.strerror or error}",
            code="E-JOB-SYSTEM",
            where=f"{where}, {error.filename or task.out}",
            fix="Check folders, permissions, free space and the network, then add --resume.",
        )
    logger.error("frame %d", task.frame, exc_info=error)
    return JobError(
        f"{type(error).__name__}: {error}",
        code="E-JOB-UNEXPECTED",
        where=where,
        fix="This is a mistake in Halocline or in an operator; the log has the traceback.",
    )
