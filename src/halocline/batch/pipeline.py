"""Frames through one process: while one is computed, the next is read and the last is written."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import nullcontext
from functools import partial
from typing import TypeVar

from halocline.batch.events import Attempt, FrameDone, FrameFailed, Outcome, as_halocline_error
from halocline.batch.frame_task import (
    FrameInputs,
    FrameResult,
    ReadAhead,
    peak_memory_bytes,
    read_inputs,
    render,
    write_result,
)
from halocline.batch.memory_budget import gibibytes, refuse_oversize
from halocline.batch.signals import Interrupted, StopRequest
from halocline.batch.task import FrameTask
from halocline.compute.planes_on_disk import planes_on_disk
from halocline.compute.threads import one_library_thread
from halocline.graph.engine import Evaluation
from halocline.imaging.exr import set_file_threads
from halocline.late_dataclass import dataclass
from halocline.presets.preset import Preset

logger = logging.getLogger(__name__)

T = TypeVar("T")


@dataclass(frozen=True)
class Pipeline:
    """How one process makes frames.

    Attributes
    ----------
    preset, how
        The look; threads and tiles.
    overlapped
        Whether reading, computing and writing overlap: faster, and up to three frames are in memory. Without
        it there is one.
    budget_bytes
        What the process may use: where frames prove larger, it stops overlapping; a frame that by its
        header needs more alone is refused before any of it is read.
    first
        The first frame, where it has been read already.
    """

    preset: Preset
    how: Evaluation
    overlapped: bool = True
    budget_bytes: int | None = None
    first: ReadAhead | None = None

    def reads_ahead(self, preset: Preset) -> bool:
        """Tell whether a frame under this look may be read for it before its turn, and has not been."""
        return self.first is None and self.preset is preset and self.overlapped and not self.how.on_disk

    def read_first(self, task: FrameTask) -> FrameInputs:
        """Read a frame before its turn, whose depth is to stand for that of all.

        Raises
        ------
        HaloclineError
            As `read_inputs`; where it needs more memory than there may be.
        """
        # Nothing goes on beside it.
        set_file_threads(self.how.worker_count())
        return self._read(task, settling=True)

    def outcomes(self, tasks: Iterable[FrameTask], stop: StopRequest) -> Generator[Outcome, None, None]:
        """Make frames, in order; each task is asked for only when it can be begun.

        Raises
        ------
        Interrupted
            Where stopping was asked for. What was being written is finished and told of first; what was
            being read or computed is dropped.
        """
        with one_library_thread():
            yield from self._outcomes(iter(tasks), stop)

    def _outcomes(self, tasks: Iterator[FrameTask], stop: StopRequest) -> Generator[Outcome, None, None]:
        set_file_threads(self.how.worker_count())
        if self.overlapped:
            yield from self._overlapping(tasks, stop)
        # All of them; or those that are left since their frames proved too large to overlap.
        yield from self._one_by_one(tasks, stop)

    def _one_by_one(self, tasks: Iterator[FrameTask], stop: StopRequest) -> Iterator[Outcome]:
        for task in tasks:
            with planes_on_disk(task.out.parent) if self.how.on_disk else nullcontext():
                outcome = self._alone(task, stop)
            yield outcome

    def _alone(self, task: FrameTask, stop: StopRequest) -> Outcome:
        """Make a frame that nothing else is done beside."""
        with stop.breakable():
            result = self._computed(task)
        return _written(result, self.preset)

    def make(self, task: FrameTask) -> Outcome:
        """Make one frame that nothing else is done beside."""
        return _written(self._computed(task), self.preset)

    def _computed(self, task: FrameTask) -> FrameResult | FrameFailed:
        return self._rendered(self._tried(task))

    def _overlapping(self, tasks: Iterator[FrameTask], stop: StopRequest) -> Iterator[Outcome]:
        with ThreadPoolExecutor(1, "read") as reader, ThreadPoolExecutor(1, "write") as writer:
            writing: Future[Outcome] | None = None
            try:
                reading = self._ahead(reader, tasks)
                while reading is not None:
                    with stop.breakable():
                        inputs = reading.result()
                    # One thread a file: reading and writing go on beside the computing threads.
                    set_file_threads(1)
                    reading = self._ahead(reader, tasks)
                    with stop.breakable():
                        result = self._rendered(inputs)
                    # The planes of this frame must not outlive it.
                    del inputs
                    if writing is not None:
                        yield writing.result()
                        writing = None
                    if reading is None:
                        # Nothing goes on beside the last one.
                        set_file_threads(self.how.worker_count())
                    if isinstance(result, FrameFailed):
                        yield result
                    else:
                        writing = writer.submit(_written, result, self.preset)
                    del result
            except Interrupted:
                if writing is not None:
                    yield writing.result()
                raise
            if writing is not None:
                yield writing.result()

    def _ahead(
        self, reader: ThreadPoolExecutor, tasks: Iterator[FrameTask]
    ) -> Future[FrameInputs | FrameFailed] | None:
        if self.budget_bytes is not None and peak_memory_bytes() > self.budget_bytes:
            logger.warning(
                "%s used of the %s allowed: one frame at a time from here",
                gibibytes(peak_memory_bytes()),
                gibibytes(self.budget_bytes),
            )
            return None
        task = next(tasks, None)
        return None if task is None else reader.submit(self._tried, task)

    def _tried(self, task: FrameTask) -> FrameInputs | FrameFailed:
        return _attempt(task, "read", {}, partial(self._read, task))

    def _read(self, task: FrameTask, *, settling: bool = False) -> FrameInputs:
        known = None if self.first is None else self.first.take(task, self.preset)
        if known is not None:
            return known
        if self.budget_bytes is not None:
            refuse_oversize(task, self.preset, self.budget_bytes, on_disk=self.how.on_disk)
        return read_inputs(task, self.preset, settling=settling)

    def _rendered(self, inputs: FrameInputs | FrameFailed) -> FrameResult | FrameFailed:
        if isinstance(inputs, FrameFailed):
            return inputs
        work = partial(render, inputs, self.preset, self.how)
        return _attempt(inputs.task, "render", {"read": inputs.seconds}, work)


def _written(result: FrameResult | FrameFailed, preset: Preset) -> Outcome:
    if isinstance(result, FrameFailed):
        return result
    record = _attempt(result.task, "write", result.seconds, partial(write_result, result, preset))
    return record if isinstance(record, FrameFailed) else FrameDone(record, result.task)


def _attempt(
    task: FrameTask, stage: str, before: Mapping[str, float], work: Callable[[], T]
) -> T | FrameFailed:
    """Do a stage of a frame's work after others; whatever goes wrong befalls this frame alone."""
    started = time.perf_counter()
    try:
        return work()
    except Exception as error:
        seconds = {**before, stage: time.perf_counter() - started}
        return FrameFailed(task, as_halocline_error(error, task), Attempt.here(seconds))
