"""Frames through several processes on one machine. One that dies loses only the frames in its hands.

Each worker is a copy of the nursery (see `halocline.batch.nursery`) that runs the same `Pipeline` as one
process would. It asks for a task when it can begin one, so that fast workers get more, and tells what became
of it. A task whose worker died is given to another, and given up when that dies too.
"""

from __future__ import annotations

import logging
import signal
import time
from collections import deque
from collections.abc import Generator, Iterable, Iterator
from contextlib import suppress
from dataclasses import field, replace
from multiprocessing.connection import Connection, wait
from pathlib import Path
from socket import gethostname

from halocline.batch.events import Attempt, FrameDone, FrameFailed, Outcome
from halocline.batch.memory_budget import gibibytes
from halocline.batch.nursery import Nursery, NurseryLostError, Worker
from halocline.batch.signals import Interrupted, StopRequest
from halocline.batch.task import FrameTask
from halocline.batch.worker import Ask, Settings, Stay, Staying
from halocline.errors import JobError
from halocline.graph.engine import Evaluation
from halocline.late_dataclass import dataclass
from halocline.presets.preset import Preset

logger = logging.getLogger(__name__)

# A worker told to stop has this long to finish the file it writes.
GRACE_SECONDS = 10.0
# All workers begin at once where so many times the estimated memory fits; a plain UHD frame took .6 of it.
_ROOM = 1.5
# A frame whose worker died this often is given up.
_LIVES = 2


@dataclass
class _Worker:
    process: Worker
    in_hand: dict[Path, FrameTask] = field(default_factory=dict)
    began: bool = False
    waiting: bool = False
    dismissed: bool = False

    @property
    def pipe(self) -> Connection:
        """To the worker."""
        return self.process.pipe


@dataclass(frozen=True)
class Workers:
    """Several processes, as one maker of frames; see `Pipeline` for what each does.

    Attributes
    ----------
    preset, how, overlapped
        As in `Pipeline`, for each process.
    processes
        How many.
    budget_bytes
        What all of them together may use. With it one worker begins, and the others follow when its first
        frame has shown what a frame needs; where frames grow later, workers are dismissed.
    process_bytes
        What a process is estimated to take; where there is room for several times that, all begin at once.
    surely_used
        What a process will have used before its first frame is done: asked for ahead.
    nursery
        Where the workers come from; one of this job's own where not given.
    """

    preset: Preset
    how: Evaluation
    processes: int
    overlapped: bool = True
    budget_bytes: int | None = None
    process_bytes: int | None = None
    surely_used: int = 0
    nursery: Nursery | None = None

    def outcomes(self, tasks: Iterable[FrameTask], stop: StopRequest) -> Generator[Outcome, None, None]:
        """Make frames; outcomes come in the order in which they are finished.

        Raises
        ------
        Interrupted
            Where stopping was asked for; what the workers were writing is finished and told of first.
        """
        nursery = self.nursery or Nursery()
        crew = _Crew(self, nursery, iter(tasks))
        try:
            yield from crew.outcomes(stop)
        except Interrupted:
            yield from crew.last_outcomes()
            raise
        finally:
            crew.end()
            if self.nursery is None:
                nursery.close()

    @property
    def settings(self) -> Settings:
        """What each worker is told."""
        return Settings(
            preset_text=self.preset.resolved_text,
            preset_name=self.preset.name,
            how=self.how,
            overlapped=self.overlapped,
            budget_bytes=self.budget_bytes,
            surely_used=self.surely_used,
        )

    @property
    def at_first(self) -> int:
        """Workers that begin before the first frame has shown what a frame takes."""
        if self.budget_bytes is None:
            return self.processes
        if self.process_bytes is None:
            return 1
        return max(1, min(self.processes, int(self.budget_bytes / (_ROOM * self.process_bytes))))


class _Crew:
    """The workers of one run, and which task each has in hand."""

    def __init__(self, plan: Workers, nursery: Nursery, tasks: Iterator[FrameTask]) -> None:
        self.plan = plan
        self.nursery = nursery
        self.tasks = tasks
        self.again: deque[FrameTask] = deque()
        self.deaths: dict[Path, int] = {}
        self.exhausted = False
        self.stillborn = 0
        self.allowed = plan.at_first
        self.largest_bytes = 0
        self.told = plan.processes
        self.workers: list[_Worker] = []

    def outcomes(self, stop: StopRequest) -> Iterator[Outcome]:
        # The first comes when the look is loaded, which may take long; nobody is at work yet to lose a frame.
        with stop.breakable():
            self._grow(most=1)
        self._grow()
        while self.workers:
            with stop.breakable():
                ready = wait([worker.pipe for worker in self.workers])
            for worker in [worker for worker in self.workers if worker.pipe in ready]:
                yield from self._heard(worker)
            self._serve()
            self._grow()

    def last_outcomes(self) -> Iterator[Outcome]:
        """Tell the workers to stop and hear what they finish within the grace."""
        for worker in self.workers:
            worker.process.signal(signal.SIGTERM)
        until = time.monotonic() + GRACE_SECONDS
        while self.workers and time.monotonic() < until:
            for pipe in wait([worker.pipe for worker in self.workers], timeout=until - time.monotonic()):
                worker = next(each for each in self.workers if each.pipe is pipe)
                try:
                    message = worker.pipe.recv()
                except (EOFError, OSError):
                    self._gone(worker)
                    continue
                if not isinstance(message, Ask | Staying):
                    yield message

    def end(self) -> None:
        """Leave no process behind. A file half written has no name yet, so killing harms nothing."""
        for worker in list(self.workers):
            worker.process.signal(signal.SIGKILL)
            self._gone(worker)

    def _started(self) -> _Worker | None:
        """Return a new worker, None where the nursery ended instead of giving one."""
        try:
            return _Worker(self.nursery.worker(self.plan.settings))
        except NurseryLostError:
            self._not_begun(self.nursery.returncode)
            return None

    def _heard(self, worker: _Worker) -> Iterator[Outcome]:
        try:
            message = worker.pipe.recv()
        except (EOFError, OSError):
            yield from self._died(worker)
            return
        if isinstance(message, Ask):
            worker.waiting = worker.began = True
            return
        if isinstance(message, Staying):
            self.workers.remove(worker)
            self.nursery.keep(worker.process, self.plan.settings)
            return
        worker.in_hand.pop(message.task.out, None)
        self._learn(message)
        yield message

    def _learn(self, outcome: Outcome) -> None:
        """Take from a finished frame how many workers the budget carries."""
        budget, wanted = self.plan.budget_bytes, self.plan.processes
        if budget is None:
            return
        if isinstance(outcome, FrameDone):
            self.largest_bytes = max(self.largest_bytes, outcome.record.peak_memory_bytes)
        fitting = budget // self.largest_bytes if self.largest_bytes else wanted
        allowed = max(1, min(wanted, fitting))
        if allowed < min(wanted, self.told):
            self.told = allowed
            logger.warning(
                "a frame takes %s: %d of %d processes fit into the %s allowed",
                gibibytes(self.largest_bytes),
                allowed,
                wanted,
                gibibytes(budget),
            )
        self.allowed = allowed

    def _grow(self, most: int | None = None) -> None:
        """Start as many workers as are allowed, while there is work."""
        while len(self._active()) < min(self.allowed, most or self.allowed) and not self.exhausted:
            worker = self._started()
            if worker is not None:
                self.workers.append(worker)

    def _active(self) -> list[_Worker]:
        return [worker for worker in self.workers if not worker.dismissed]

    def _serve(self) -> None:
        """Give each waiting worker a task; dismiss it where there is none and none may come back."""
        for worker in self.workers:
            if not worker.waiting or worker.dismissed:
                continue
            too_many = len(self._active()) > self.allowed
            task = None if too_many else self._next_task()
            # Where it died just now its end is heard next, and this task is put with the others it had.
            with suppress(OSError):
                worker.pipe.send(Stay() if task is None and self.nursery.keeps and not too_many else task)
            worker.waiting = False
            if task is None:
                worker.dismissed = True
            else:
                worker.in_hand[task.out] = task

    def _next_task(self) -> FrameTask | None:
        if self.again:
            return self.again.popleft()
        task = next(self.tasks, None)
        self.exhausted = task is None
        return task

    def _died(self, worker: _Worker) -> Iterator[Outcome]:
        self._gone(worker)
        if worker.dismissed and not worker.in_hand:
            return
        if not worker.began and worker.process.stayed:
            # It was told of this job as it died; it has begun others, and there are only so many.
            return
        if not worker.began:
            self._not_begun(worker.process.wait())
            return
        for task in worker.in_hand.values():
            deaths = self.deaths[task.out] = self.deaths.get(task.out, 0) + 1
            if deaths < _LIVES:
                # Its file may be there already; the claim is still ours.
                self.again.append(replace(task, replace=True))
                self.exhausted = False
            else:
                yield FrameFailed(
                    task, _death(worker, task), Attempt(gethostname(), worker.process.pid, {}, None)
                )

    def _not_begun(self, status: int) -> None:
        """Take the death of a worker that never asked for a frame, or of the nursery.

        One that was killed is replaced. Where that happens again, or it ended by itself, another would fare
        no better: the job goes on with those that work, and ends where there are none.
        """
        self.stillborn += 1
        if status < 0 and self.stillborn < _LIVES:
            return
        if not any(other.began for other in self.workers):
            raise _no_start(status)
        logger.warning("%s; the job goes on with fewer", _no_start(status).message)
        self.allowed = len(self._active())

    def _gone(self, worker: _Worker) -> None:
        worker.pipe.close()
        worker.process.wait()
        self.workers.remove(worker)


def _death(worker: _Worker, task: FrameTask) -> JobError:
    code = worker.process.returncode
    how = f"was killed by signal {-code}" if code is not None and code < 0 else f"ended with status {code}"
    return JobError(
        f"the process that rendered it {how}, {_LIVES} times",
        code="E-JOB-WORKER",
        where=f"frame {task.frame}",
        fix="Most often the machine ran out of memory: give a smaller --memory or fewer --processes.",
    )


def _no_start(status: int) -> JobError:
    return JobError(
        f"a worker process ended before its first frame (status {status})",
        code="E-JOB-WORKER",
        fix="Its own message is above; --processes 1 does without workers.",
    )
