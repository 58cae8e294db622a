"""Frames through many machines, by a dask.distributed scheduler that is already there.

The machines must see the same folders. Each task is one frame; when a machine is lost, the scheduler gives
its frames to others. Claims, the manifest and all decisions stay with the job that was started.
"""

from __future__ import annotations

from asyncio import CancelledError
from collections.abc import Generator, Iterable, Iterator
from contextlib import suppress
from dataclasses import replace
from functools import lru_cache
from itertools import islice
from typing import Any

from halocline._version import __version__
from halocline.batch.events import FrameDone, FrameFailed, Outcome, as_halocline_error
from halocline.batch.pipeline import Pipeline
from halocline.batch.signals import StopRequest
from halocline.batch.task import FrameTask
from halocline.errors import JobError
from halocline.graph.engine import Evaluation
from halocline.imaging.exr import set_file_threads
from halocline.late_dataclass import dataclass
from halocline.presets.document import document_from_text
from halocline.presets.preset import Preset

CONNECT_SECONDS = 20
# Frames handed out for each thread of the cluster: one in work, one waiting.
_AHEAD = 2
# A frame whose machine was lost this often is given up; so often all workers may be lost as they are asked.
_LIVES = 3


@dataclass(frozen=True)
class Cluster:
    """A dask cluster, as a maker of frames.

    Attributes
    ----------
    preset
        The look.
    address
        The scheduler, such as ``tcp://farm:8786``.
    threads
        Computing threads for each frame.
    """

    preset: Preset
    address: str
    threads: int = 1

    def outcomes(self, tasks: Iterable[FrameTask], stop: StopRequest) -> Generator[Outcome, None, None]:
        """Make frames; outcomes come in the order in which they are finished.

        Raises
        ------
        JobError
            ``E-JOB-SCHEDULER`` where dask is not installed, the scheduler does not answer, it has no
            workers, or their version of Halocline is another one.
        Interrupted
            Where stopping was asked for; frames in hand are called back.
        """
        client = _connected(self.address)
        with client:
            try:
                _check_workers(client, self.address)
                yield from self._through(client, iter(tasks), stop)
            except (OSError, CancelledError) as error:
                raise JobError(
                    f"the scheduler was lost ({error or type(error).__name__})",
                    code="E-JOB-SCHEDULER",
                    where=self.address,
                    fix="Start it again, then run the job with --resume.",
                ) from error

    def _through(self, client: Any, tasks: Iterator[FrameTask], stop: StopRequest) -> Iterator[Outcome]:
        from distributed import as_completed  # noqa: PLC0415 - an optional package

        # Sent with each task: what is kept on a worker is lost, or long waited for, when that worker is.
        text = self.preset.resolved_text
        pending: dict[str, FrameTask] = {}

        def submitted(task: FrameTask) -> Any:
            # A second attempt may find the first one's file; the claim on it is ours.
            sure = replace(task.from_the_root(), replace=True)
            future = client.submit(
                make_frame, sure, text, self.preset.name, self.threads, pure=False, retries=_LIVES
            )
            pending[future.key] = task
            return future

        room = max(1, _AHEAD * sum(client.nthreads().values()))
        first = [submitted(task) for task in islice(tasks, room)]
        finished: Any = as_completed(first, loop=client.loop)  # type: ignore[no-untyped-call]
        try:
            while pending:
                with stop.breakable():
                    future = next(finished)
                yield _outcome(pending.pop(future.key), future)
                future.release()
                stop.check()
                if (task := next(tasks, None)) is not None:
                    finished.add(submitted(task))
        finally:
            client.cancel(list(finished.futures))


def make_frame(task: FrameTask, preset_text: str, preset_name: str, threads: int) -> Outcome:
    """Make one frame on whatever machine this is called."""
    set_file_threads(1)
    try:
        preset = _preset(preset_text, preset_name)
    except Exception as error:
        return FrameFailed(task, as_halocline_error(error, task))
    return Pipeline(preset, Evaluation(threads)).make(task)


@lru_cache(maxsize=4)
def _preset(text: str, name: str) -> Preset:
    return Preset(document_from_text(text, name))


def _connected(address: str) -> Any:
    try:
        from distributed import Client  # noqa: PLC0415 - an optional package
    except ImportError as error:
        raise JobError(
            "dask.distributed is not installed",
            code="E-JOB-SCHEDULER",
            where="--scheduler",
            fix='Install it here and on the workers: pip install "halocline[dask]".',
        ) from error
    try:
        return Client(  # type: ignore[no-untyped-call]
            address, timeout=CONNECT_SECONDS, set_as_default=False
        )
    except (OSError, ValueError) as error:
        raise JobError(
            f"no scheduler answers ({str(error).splitlines()[0]})",
            code="E-JOB-SCHEDULER",
            where=address,
            fix="Check the address (--scheduler tcp://host:8786) and that the scheduler runs.",
        ) from error


def _check_workers(client: Any, address: str) -> None:
    found = _versions(client)
    if not found:
        raise JobError(
            "the scheduler has no workers",
            code="E-JOB-SCHEDULER",
            where=address,
            fix="Start some with: dask worker ADDRESS.",
        )
    others = {worker: answer for worker, answer in found.items() if answer != __version__}
    if others:
        worker, answer = next(iter(others.items()))
        has = f"has halocline {answer}" if isinstance(answer, str) else f"cannot run halocline ({answer})"
        raise JobError(
            f"worker {worker} {has}, this is {__version__}",
            code="E-JOB-SCHEDULER",
            where=address,
            fix="Frames of one job must come from one version; install the same everywhere.",
        )


def _versions(client: Any) -> dict[str, str | Exception]:
    """Return what each worker that answers says of its version; none answers where there are none."""
    # One that dies while it is asked is only one machine less, unless it was the last.
    for _ in range(_LIVES):
        found: dict[str, str | Exception] = client.run(_version_here, on_error="return")
        answered = {worker: told for worker, told in found.items() if not isinstance(told, OSError)}
        if answered or not found:
            return answered
        with suppress(TimeoutError):
            client.wait_for_workers(1, timeout=CONNECT_SECONDS)
    return {}


def _version_here() -> str:
    return __version__


def _outcome(task: FrameTask, future: Any) -> Outcome:
    error = future.exception() if future.status == "error" else None
    if error is None and future.status == "finished":
        made: Outcome = future.result()
        if isinstance(made, FrameFailed):
            return replace(made, task=task)
        # The books know it by the name that it has here.
        return FrameDone(replace(made.record, out=task.out), task)
    return FrameFailed(
        task,
        JobError(
            f"no machine could finish it ({error or future.status})",
            code="E-JOB-WORKER",
            where=f"frame {task.frame}",
            fix="Often a machine ran out of memory or was lost: see the scheduler's log; then add --resume.",
        ),
    )
