"""A worker process: asks for frames over a pipe, makes them, tells what became of them.

After one job it may be told to stay for another of the same look, with all that it has made for it.
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
from dataclasses import replace
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

    @property
    def look(self) -> tuple[str, str]:
        """The look, to tell it from others."""
        return self.preset_text, self.preset_name

    @property
    def kind(self) -> Settings:
        """What a worker must have been told before to be of use: all but what there was memory for then."""
        return replace(self, budget_bytes=None)

    def preset(self) -> Preset:
        """Read the look."""
        return Preset(document_from_text(self.preset_text, self.preset_name))


@dataclass(frozen=True)
class Ask:
    """A worker can begin a task, and waits for it (or for nothing: then it ends)."""


@dataclass(frozen=True)
class Stay:
    """To a worker, instead of a task: there is none, but another job may come."""


@dataclass(frozen=True)
class Staying:
    """A worker has told of all it did, and waits for the settings of another job."""


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


def work(pipe: Connection, known: Mapping[tuple[str, str], Preset]) -> None:
    """Make frames until there are no more, stopping is asked for, or the job is gone.

    Parameters
    ----------
    pipe
        To the job.
    known
        Looks that are loaded already, by `Settings.look`.
    """
    with catching_signals() as stop:
        # The parent starts us with signals held back, so that none comes before we can heed it.
        signal.pthread_sigmask(signal.SIG_UNBLOCK, SIGNALS)
        try:
            with with_the_job():
                # Operators of other packages may be anywhere on the parent's path.
                sys.path[:] = pipe.recv()
                settings: Settings = pipe.recv()
            preset = known.get(settings.look) or settings.preset()
            while _stays_after(pipe, settings, preset, stop):
                with with_the_job():
                    pipe.send(Staying())
                    with stop.breakable():
                        # Of the same kind: the look is the same.
                        settings = pipe.recv()
        except Interrupted:
            return
        except JobGoneError:
            # The parent is gone; there is nobody to work for.
            os._exit(1)


def _stays_after(pipe: Connection, settings: Settings, preset: Preset, stop: StopRequest) -> bool:
    """Do a job; return whether to wait for another."""
    pipeline = Pipeline(preset, settings.how, settings.overlapped, settings.budget_bytes)
    asked = _Asked(pipe, stop, settings.surely_used)
    for outcome in pipeline.outcomes(asked, stop):
        with with_the_job():
            pipe.send(outcome)
    return asked.stay


class _Asked:
    """The tasks of a job, each asked for when it can be begun; at their end, whether to stay for another."""

    def __init__(self, pipe: Connection, stop: StopRequest, surely_used: int) -> None:
        self._pipe, self._stop, self._untouched = pipe, stop, surely_used
        self.stay = False

    def __iter__(self) -> Iterator[FrameTask]:
        while True:
            with with_the_job():
                self._pipe.send(Ask())
                with self._stop.breakable():
                    task = self._pipe.recv()
            if not isinstance(task, FrameTask):
                self.stay = isinstance(task, Stay)
                return
            # While the first frame is read; who gets none needs no memory.
            touch_ahead(self._untouched)
            self._untouched = 0
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
