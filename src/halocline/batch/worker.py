"""A worker process: asks for frames over a pipe, makes them, tells what became of them.

Started by the nursery (`halocline.batch.nursery`), as a copy of it or afresh, with the number of its end of
the pipe. Standard input is its lifeline: it ends when the job does, however that ends.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from multiprocessing.connection import Connection

from halocline.batch.pipeline import Pipeline
from halocline.batch.signals import SIGNALS, Interrupted, StopRequest, catching_signals
from halocline.batch.task import FrameTask
from halocline.compute.memory import touch_ahead
from halocline.graph.engine import Evaluation
from halocline.late_dataclass import dataclass
from halocline.presets.document import document_from_text
from halocline.presets.preset import Preset


@dataclass(frozen=True)
class Settings:
    """What a worker is to do: the first thing it is sent."""

    preset_text: str
    preset_name: str
    how: Evaluation
    overlapped: bool
    budget_bytes: int | None
    surely_used: int = 0

    def preset(self) -> Preset:
        """Read the look."""
        return Preset(document_from_text(self.preset_text, self.preset_name))


@dataclass(frozen=True)
class Ask:
    """A worker can begin a task, and waits for it (or for nothing: then it ends)."""


class JobGoneError(Exception):
    """Nobody is at the other end of the pipe."""


@contextmanager
def with_the_job() -> Iterator[None]:
    """Say something to the job, or hear from it.

    Raises
    ------
    JobGoneError
        Where it has ended: before a message, in the middle of one, or with one of ours unread.
    """
    try:
        yield
    except (EOFError, OSError) as error:
        raise JobGoneError from error


def work(pipe: Connection, known: Mapping[Settings, Preset]) -> None:
    """Make frames until there are no more, stopping is asked for, or the job is gone.

    Parameters
    ----------
    pipe
        To the job.
    known
        Looks that are loaded already.
    """
    with catching_signals() as stop:
        # The parent starts us with signals held back, so that none comes before we can heed it.
        signal.pthread_sigmask(signal.SIG_UNBLOCK, SIGNALS)
        try:
            with with_the_job():
                # Operators of other packages may be anywhere on the parent's path.
                sys.path[:] = pipe.recv()
                settings: Settings = pipe.recv()
            preset = known.get(settings) or settings.preset()
            pipeline = Pipeline(preset, settings.how, settings.overlapped, settings.budget_bytes)
            for outcome in pipeline.outcomes(_asked_for(pipe, stop, settings.surely_used), stop):
                with with_the_job():
                    pipe.send(outcome)
        except Interrupted:
            return
        except JobGoneError:
            # The parent is gone; there is nobody to work for.
            os._exit(1)


def _asked_for(pipe: Connection, stop: StopRequest, surely_used: int) -> Iterator[FrameTask]:
    untouched = surely_used
    while True:
        with with_the_job():
            pipe.send(Ask())
            with stop.breakable():
                task = pipe.recv()
        if task is None:
            return
        # While the first frame is read; who gets none needs no memory.
        touch_ahead(untouched)
        untouched = 0
        yield task


def end_with_the_job() -> None:
    """End at once when the job does, also in the middle of a frame: its file has no name yet."""

    def watch() -> None:
        while os.read(0, 1):
            pass
        os._exit(1)

    threading.Thread(target=watch, name="lifeline", daemon=True).start()


def main() -> None:
    """Be a worker that was started afresh."""
    end_with_the_job()
    with Connection(int(sys.argv[1])) as pipe:
        work(pipe, {})
