"""Running many frames on one machine: reading ahead and writing behind while one frame is computed."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field

from halocline.batch.frame_task import (
    FrameInputs,
    FrameRecord,
    FrameResult,
    FrameTask,
    read_inputs,
    render,
    write_result,
)
from halocline.batch.plan_tasks import make_folders
from halocline.batch.sequence_depth import settle_depth
from halocline.errors import HaloclineError, JobError
from halocline.graph.engine import Evaluation
from halocline.presets.preset import Preset

logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class FrameDone:
    """A frame was written."""

    record: FrameRecord


@dataclass(frozen=True)
class FrameFailed:
    """A frame could not be made; the others go on."""

    task: FrameTask
    error: HaloclineError


Event = FrameDone | FrameFailed


@dataclass
class Summary:
    """What came of a run."""

    done: list[FrameRecord] = field(default_factory=list)
    failed: list[FrameFailed] = field(default_factory=list)

    def add(self, event: Event) -> None:
        """Count an event."""
        if isinstance(event, FrameDone):
            self.done.append(event.record)
        else:
            self.failed.append(event)

    @property
    def complete(self) -> bool:
        """Whether every frame asked for is there."""
        return bool(self.done) and not self.failed


def run_frames(
    tasks: Iterable[FrameTask],
    preset: Preset,
    *,
    how: Evaluation | None = None,
    overwrite: bool = False,
    report: Callable[[Event], None] | None = None,
) -> Summary:
    """Render frames in order; while one is computed the next is read and the last is written.

    At most three frames are in memory. A frame that fails is reported and the rest go on.

    Parameters
    ----------
    tasks
        The frames.
    preset
        The look.
    how
        Threads and tiles.
    overwrite
        Whether files that are there may be replaced.
    report
        Called with each frame's outcome, in order, from this thread.
    """
    summary = Summary()
    planned = settle_depth(list(tasks), preset)
    make_folders(planned)
    for event in _events(planned, preset, how or Evaluation(), overwrite):
        summary.add(event)
        if report is not None:
            report(event)
    return summary


def _events(tasks: list[FrameTask], preset: Preset, how: Evaluation, overwrite: bool) -> Iterator[Event]:
    with ThreadPoolExecutor(1, "read") as reader, ThreadPoolExecutor(1, "write") as writer:
        reading: Future[FrameInputs] | None = reader.submit(read_inputs, tasks[0], preset) if tasks else None
        writing: tuple[FrameTask, Future[FrameRecord]] | None = None
        for number, task in enumerate(tasks):
            inputs = _outcome(task, reading)
            ahead = tasks[number + 1] if number + 1 < len(tasks) else None
            reading = reader.submit(read_inputs, ahead, preset) if ahead is not None else None
            result = inputs if isinstance(inputs, FrameFailed) else _rendered(inputs, preset, how)
            if writing is not None:
                yield _finished(*writing)
                writing = None
            if isinstance(result, FrameFailed):
                yield result
            else:
                writing = (task, writer.submit(write_result, result, preset, overwrite=overwrite))
        if writing is not None:
            yield _finished(*writing)


def _outcome(task: FrameTask, reading: Future[FrameInputs] | None) -> FrameInputs | FrameFailed:
    assert reading is not None  # one is submitted for every task
    try:
        return reading.result()
    except Exception as error:
        return FrameFailed(task, as_halocline_error(error, task))


def _rendered(inputs: FrameInputs, preset: Preset, how: Evaluation) -> FrameResult | FrameFailed:
    try:
        return render(inputs, preset, how)
    except Exception as error:
        return FrameFailed(inputs.task, as_halocline_error(error, inputs.task))


def _finished(task: FrameTask, writing: Future[FrameRecord]) -> Event:
    try:
        return FrameDone(writing.result())
    except Exception as error:
        return FrameFailed(task, as_halocline_error(error, task))


def as_halocline_error(error: Exception, task: FrameTask) -> HaloclineError:
    """Return any error as one of the family, with the frame it befell.

    A frame must never take the night's other frames with it, so even a mistake in Halocline is caught here;
    its traceback goes to the log.
    """
    where = f"frame {task.frame}"
    if isinstance(error, HaloclineError):
        return error.located(where)
    logger.error("frame %d", task.frame, exc_info=error)
    if isinstance(error, MemoryError):
        return JobError(
            "there is not enough memory for this frame",
            code="E-JOB-MEMORY",
            where=where,
            mend="Run fewer jobs on this machine at once.",
        )
    return JobError(
        f"{type(error).__name__}: {error}",
        code="E-JOB-UNEXPECTED",
        where=where,
        mend="This is a mistake in Halocline or in an operator; the log has the traceback.",
    )
