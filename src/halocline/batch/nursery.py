"""The nursery: a process that is warm and does no frames itself, of which workers are copies.

Starting an interpreter, importing libraries, loading compiled loops and fitting a water costs a worker more
processor time than its first frame. The nursery does it once: it reads the look, puts a small frame under
it, and is then copied (``fork``) as often as workers are wanted; memory is shared until somebody writes.

A copy has one thread, whatever else ran; a lock that another thread held would be held for ever. So the
nursery never has another: linear algebra is told so before it is loaded, everything else splits no work where
one thread is allowed, and no file of pixels is read or written. Before each copy it counts its threads, and
where there is more than one after all, or the system is not Linux (whose own libraries keep threads), a
worker is started afresh instead, which costs time and nothing else.
"""

from __future__ import annotations

import gc
import logging
import os
import signal
import socket
import subprocess
import sys
import traceback
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from multiprocessing.connection import Connection
from multiprocessing.reduction import recv_handle, send_handle
from pathlib import Path
from typing import NoReturn

from halocline.batch.loops_of_looks import loops_of
from halocline.batch.signals import SIGNALS
from halocline.batch.warm import warm
from halocline.batch.worker import JobGoneError, Settings, end_with_the_job, with_the_job, work
from halocline.compute.ahead import compiling_ahead
from halocline.compute.ending import leave
from halocline.compute.memory import keep_freed_memory
from halocline.compute.threads import at_most
from halocline.late_dataclass import dataclass
from halocline.presets.preset import Preset

# Not ``-m``: what goes through the pipe must not belong to the module ``__main__``.
_NURSERY = "from halocline.batch.nursery import main; main()"
_WORKER = "from halocline.batch.worker import main; main()"
# What libraries of linear algebra read when they are loaded.
_ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
# Looks that are kept: the shots of a job often share one.
_MOST_LOOKS = 4


@dataclass(frozen=True)
class Grow:
    """A worker for this look is wanted; its end of the pipe follows."""

    settings: Settings


@dataclass(frozen=True)
class Prepare:
    """Workers for this look will soon be wanted."""

    settings: Settings


@dataclass(frozen=True)
class Bury:
    """How did this worker end? Waits for that; until then its number is no one else's."""

    process: int


class NurseryLostError(OSError):
    """The nursery is gone."""


class Worker:
    """One worker, as the job sees it."""

    def __init__(self, nursery: Nursery, pid: int, pipe: Connection) -> None:
        self.nursery, self.pid, self.pipe = nursery, pid, pipe
        self.returncode: int | None = None
        # Whether it has stayed from one job to another.
        self.stayed = False

    def signal(self, number: int) -> None:
        """Send a signal, where the worker is not buried yet."""
        if self.returncode is None and self.nursery.alive:
            with suppress(ProcessLookupError):
                os.kill(self.pid, number)

    def wait(self) -> int:
        """Wait for its end; return its status as `subprocess` gives it."""
        if self.returncode is None:
            self.returncode = self.nursery.buried(self.pid)
        return self.returncode


class Nursery:
    """The nursery, as the job sees it. It begins with the first worker and serves any number of looks.

    With a nursery that lives as long as a job of many shots, its workers begin with all that earlier shots
    have loaded; and they stay from one shot to the next of the same look, where that is wanted.

    Parameters
    ----------
    keeps
        Whether workers are to stay for another job when they have done one.
    """

    def __init__(self, *, keeps: bool = False) -> None:
        self.keeps = keeps
        # Workers that wait for another job, and what they are told.
        self._staying: list[tuple[Settings, Worker]] = []
        self._process: subprocess.Popen[bytes] | None = None
        self._pipe: Connection | None = None
        self.returncode = 0

    @property
    def alive(self) -> bool:
        """Whether it is there to bury its workers."""
        return self._pipe is not None

    def prepare(self, settings: Settings, count: int) -> None:
        """Let it load a look that workers will be wanted for, while the job looks at its input.

        Parameters
        ----------
        settings
            What they will be told.
        count
            How many are wanted at first. Of those that stayed more than these end, and all of another kind.
        """
        self.let_go(settings, count)
        if len(self._staying) >= count:
            return
        # Where it is gone already, the first worker that is asked for tells.
        with suppress(OSError):
            (self._pipe or self._begin()).send(Prepare(settings))

    def worker(self, settings: Settings) -> Worker:
        """Return a worker: one that stayed and is of the kind, or a new one.

        Raises
        ------
        NurseryLostError
            Where the nursery has ended; `returncode` then says how, and the next call begins another.
        """
        stayed = self._stayed(settings)
        if stayed is not None:
            return stayed
        pipe = self._pipe or self._begin()
        ours, theirs = socket.socketpair()
        with theirs:
            try:
                pipe.send(Grow(settings))
                send_handle(pipe, theirs.fileno(), None)
                pid = pipe.recv()
            except BaseException as error:
                # Also where waiting for it was given up: what it answers then is for nobody.
                ours.close()
                self.close()
                if isinstance(error, EOFError | OSError):
                    raise NurseryLostError from error
                raise
        worker = Worker(self, pid, Connection(ours.detach()))
        # Where it died already, its end is heard next.
        with suppress(OSError):
            worker.pipe.send(sys.path)
            worker.pipe.send(settings)
        return worker

    def keep(self, worker: Worker, settings: Settings) -> None:
        """Take back a worker that waits for another job after one with these settings."""
        worker.stayed = True
        self._staying.append((settings.kind, worker))

    def let_go(self, settings: Settings | None = None, count: int = 0) -> None:
        """End workers that stayed: those of another kind, and more than so many; all where none is told."""
        of_use = [each for each in self._staying if settings is not None and each[0] == settings.kind]
        ended = [each for each in self._staying if each not in of_use[:count]]
        self._staying = of_use[:count]
        for _, worker in ended:
            worker.pipe.close()
            # It has nothing in hand.
            worker.signal(signal.SIGKILL)
            worker.wait()

    def staying_bytes(self) -> int:
        """Return the memory that would be free if no worker had stayed."""
        return sum(_own_bytes(worker.pid) for _, worker in self._staying)

    def _stayed(self, settings: Settings) -> Worker | None:
        """Return a worker that stayed, and has been told of the new job."""
        for each in [each for each in self._staying if each[0] == settings.kind]:
            self._staying.remove(each)
            worker = each[1]
            try:
                worker.pipe.send(settings)
            except OSError:
                # It was killed meanwhile.
                worker.pipe.close()
                worker.wait()
            else:
                return worker
        return None

    def buried(self, pid: int) -> int:
        """Wait for a worker's end and return its status; that of a nursery that went before it, else."""
        if self._pipe is None:
            return self.returncode
        try:
            self._pipe.send(Bury(pid))
            status: int = self._pipe.recv()
        except (EOFError, OSError):
            self.close()
            return self.returncode
        return status

    def close(self) -> None:
        """End it and, by their lifeline, all its workers."""
        for _, worker in self._staying:
            worker.pipe.close()
        self._staying.clear()
        if self._process is None or self._pipe is None:
            return
        process, self._process = self._process, None
        self._pipe.close()
        self._pipe = None
        if process.stdin is not None:
            process.stdin.close()
        # It may be busy warming; nothing it does is missed.
        with suppress(subprocess.TimeoutExpired):
            self.returncode = process.wait(0.05)
            return
        process.kill()
        self.returncode = process.wait()

    def _begin(self) -> Connection:
        ours, theirs = socket.socketpair()
        # It and its workers begin with signals held back: workers until they can heed them, it for good.
        before = signal.pthread_sigmask(signal.SIG_BLOCK, SIGNALS)
        try:
            with theirs:
                self._process = subprocess.Popen(
                    [sys.executable, "-c", _NURSERY, str(theirs.fileno())],
                    pass_fds=[theirs.fileno()],
                    stdin=subprocess.PIPE,
                    env={**os.environ, **dict.fromkeys(_ONE_THREAD, "1")},
                )
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)
        self._pipe = Connection(ours.detach())
        with suppress(OSError):
            self._pipe.send(sys.path)
        return self._pipe


def main() -> NoReturn:
    """Be the nursery, until nobody is at the other end."""
    keep_freed_memory()
    with Connection(int(sys.argv[1])) as pipe, suppress(JobGoneError):
        with with_the_job():
            # Operators of other packages may be anywhere on the job's path.
            sys.path[:] = pipe.recv()
        known: dict[tuple[str, str], Preset] = {}
        while True:
            with with_the_job():
                request = pipe.recv()
            if isinstance(request, Bury):
                status = _status_of(request.process)
                with with_the_job():
                    pipe.send(status)
                continue
            if isinstance(request, Prepare):
                _learn(request.settings, known)
                continue
            with with_the_job():
                end = recv_handle(pipe)
            _learn(request.settings, known)
            pid = _copied(pipe, end, known) if _copies_are_safe() else _fresh(end)
            os.close(end)
            with with_the_job():
                pipe.send(pid)
    leave(0)


def _status_of(process: int) -> int:
    """Wait for a worker's end and return its status; 1 for one of a nursery that went before."""
    try:
        return os.waitstatus_to_exitcode(os.waitpid(process, 0)[1])
    except ChildProcessError:
        return 1


def _learn(settings: Settings, known: dict[tuple[str, str], Preset]) -> None:
    """Load a look and all that it computes with; a worker will tell of what is wrong with it."""
    if settings.look in known:
        return
    with suppress(Exception), at_most(1), _silence():
        preset = settings.preset()
        known[settings.look] = preset
        with compiling_ahead(loops_of(preset)):
            warm(preset)
    for oldest in list(known)[:-_MOST_LOOKS]:
        del known[oldest]
    # What is here now stays: a copy that looks it over for waste would have to own it.
    gc.collect()
    gc.freeze()


def _own_bytes(pid: int) -> int:
    """Return the memory that a process shares with no other; nothing where the system does not tell."""
    with suppress(OSError, ValueError):
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text(encoding="ascii", errors="replace").splitlines()
        return 1024 * sum(int(line.split()[1]) for line in lines if line.startswith("Private_"))
    return 0


@contextmanager
def _silence() -> Iterator[None]:
    """Tell nothing of the small frame: it is not what was asked for."""
    logging.disable()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        logging.disable(logging.NOTSET)


def _copies_are_safe() -> bool:
    return sys.platform == "linux" and len(list(Path("/proc/self/task").iterdir())) == 1


def _copied(pipe: Connection, end: int, known: dict[tuple[str, str], Preset]) -> int:
    """Copy this process into a worker, and return its number; the copy does not come back."""
    pid = os.fork()
    if pid:
        return pid
    status = 1
    try:
        pipe.close()
        end_with_the_job()
        with Connection(end) as own:
            work(own, known)
        status = 0
    except BaseException:
        traceback.print_exc()
    finally:
        # What is frozen is not to be looked over, and libraries would tell of all that stays.
        leave(status)


def _fresh(end: int) -> int:
    process = subprocess.Popen([sys.executable, "-c", _WORKER, str(end)], pass_fds=[end])
    # Its number is given to the job, which asks for its end; this object is not to.
    process.returncode = 0
    return process.pid
