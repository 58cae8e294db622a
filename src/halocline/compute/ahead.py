"""Loops that are compiled ahead, by several processes at once, longest first.

On a machine that has never run a look, nearly all that its first frame waits for is the compiler, one loop
after another. Who knows which loops will be called says so (`compiling_ahead`): where they are not on disk,
one process imports the compiler and becomes as many as there are processors; each takes the next loop from
one queue, keeps its code on disk and tells so. Whoever calls a loop meanwhile waits for it, and takes it from
there. What nobody said is compiled where it is called, as ever; so is what those processes could not do.
"""

from __future__ import annotations

import json
import os
import signal
import struct
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from importlib import import_module
from pathlib import Path
from typing import Any, NamedTuple

from halocline.compute import disk_cache
from halocline.compute.machine_code import KIND, Kind, is_kept
from halocline.compute.threads import processors
from halocline.files.lock import take_lock

# Not ``-m``: it would be imported twice.
_FORGE = "from halocline.compute.ahead import main; main()"
_NUMBER = struct.Struct("<H")
# So that the compiler's libraries make no threads, which no copy of the process would have.
_ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


class Wanted(NamedTuple):
    """A loop, and what it will be called with.

    Attributes
    ----------
    module, name
        Where it is.
    kinds
        Of its arguments, as `halocline.compute.machine_code` tells them.
    """

    module: str
    name: str
    kinds: tuple[Kind, ...]

    @classmethod
    def from_json(cls, told: Sequence[Any]) -> Wanted:
        """Return what was written as JSON, which knows no tuples."""
        module, name, kinds = told
        return cls(module, name, _as_tuples(kinds))


class _Ahead:
    """Loops that are wanted, and the processes that compile them, once there are any."""

    def __init__(self, wanted: Sequence[Wanted], processes: int) -> None:
        self._wanted, self._processes = wanted, processes
        self._numbers = {each: number for number, each in enumerate(wanted)}
        self._lock = threading.Lock()
        self._done: set[int] = set()
        self._forge: subprocess.Popen[bytes] | None = None
        self._begun = False

    def begin(self) -> None:
        """Begin, where that was not done."""
        if self._begun:
            return
        self._begun = True
        told = {"path": sys.path, "processes": self._processes, "wanted": self._wanted}
        # Where it cannot be started, or ended already, everything is compiled here.
        with suppress(OSError):
            # In a group of their own, which ends as one.
            self._forge = subprocess.Popen(
                [sys.executable, "-c", _FORGE],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env={**os.environ, **dict.fromkeys(_ONE_THREAD, "1")},
                process_group=0,
            )
            assert self._forge.stdin is not None
            with self._forge.stdin as pipe:
                pipe.write(json.dumps(told).encode())

    def wait_for(self, wanted: Wanted) -> bool:
        """Wait while a loop is being made; return whether it should be on disk."""
        number = self._numbers.get(wanted)
        with self._lock:
            if number is None:
                return False
            self.begin()
            while number not in self._done and self._hear():
                pass
            return number in self._done

    def wait(self) -> None:
        """Wait until all is made that can be."""
        with self._lock:
            while self._hear():
                pass

    def _hear(self) -> bool:
        """Hear what has been made; False where nobody is at work any more."""
        if self._forge is None:
            return False
        assert self._forge.stdout is not None
        told = os.read(self._forge.stdout.fileno(), _NUMBER.size * 64)
        self._done.update(number for (number,) in _NUMBER.iter_unpack(told))
        return bool(told)

    def end(self) -> None:
        """End the processes, also in the middle of a loop: nobody waits for it."""
        if self._forge is None:
            return
        with suppress(ProcessLookupError):
            os.killpg(self._forge.pid, signal.SIGKILL)
        assert self._forge.stdout is not None
        self._forge.stdout.close()
        self._forge.wait()


class _Now:
    """What is wanted in this process now."""

    ahead: _Ahead | None = None


@contextmanager
def compiling_ahead(wanted: Sequence[Wanted], processes: int | None = None) -> Iterator[Callable[[], None]]:
    """Have loops compiled that will be called inside, where they are not on disk.

    Parameters
    ----------
    wanted
        The loops, those that take longest first.
    processes
        How many processes; as many as there are processors where not given.

    Yields
    ------
    Callable[[], None]
        Waits until all are made.

    Notes
    -----
    Whether any is missing is told by the first, and again by whichever is called first and is not there.
    """
    before = _Now.ahead
    ahead = _Ahead(wanted, min(processes or processors(), len(wanted))) if wanted else None
    _Now.ahead = ahead
    try:
        if ahead is None or is_kept(*wanted[0]) is not False:
            yield lambda: None
        else:
            ahead.begin()
            yield ahead.wait
    finally:
        _Now.ahead = before
        if ahead is not None:
            ahead.end()


def made_ahead(wanted: Wanted) -> bool:
    """Wait while a loop is made by other processes.

    Parameters
    ----------
    wanted
        The loop.

    Returns
    -------
    bool
        Whether one of them says that it has been at it.
    """
    return _Now.ahead is not None and _Now.ahead.wait_for(wanted)


def main() -> None:
    """Be the processes that compile."""
    told = json.load(sys.stdin.buffer)
    # Loops of other packages may be anywhere on the path of who wants them.
    sys.path[:] = told["path"]
    wanted = [Wanted.from_json(each) for each in told["wanted"]]
    # The compiler first: copies share it.
    from halocline.compute.kept_loops import get_ready  # noqa: PLC0415

    get_ready()
    # Whoever wants the same, of another job or look, waits, and then finds them on disk.
    lock = _lock()
    queue, end = os.pipe()
    os.write(end, b"".join(map(_NUMBER.pack, range(len(wanted)))))
    os.close(end)
    copies = 0
    while copies + 1 < told["processes"] and _copies_are_safe():
        copies += 1
        if not os.fork():
            copies = -1
            break
    with suppress(BrokenPipeError):
        # Each number is taken by one of them.
        while number := os.read(queue, _NUMBER.size):
            each = wanted[_NUMBER.unpack(number)[0]]
            # Who wants it will compile it, and hear what is wrong.
            with suppress(Exception):
                if not getattr(import_module(each.module), each.name).keep(each.kinds):
                    # Nobody would find any of it: who wants it need not wait.
                    break
            os.write(1, number)
    if copies < 0:
        os._exit(0)
    for _ in range(copies):
        os.wait()
    if lock is not None:
        os.close(lock)


def _lock() -> int | None:
    """Take the lock of those who compile for one cache; None where there is none or it takes too long."""
    folder = disk_cache.folder(KIND, "lock")
    if folder is None:
        return None
    with suppress(OSError):
        handle = os.open(folder / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            take_lock(handle)
        except OSError:
            os.close(handle)
        else:
            return handle
    return None


def _copies_are_safe() -> bool:
    return sys.platform == "linux" and len(list(Path("/proc/self/task").iterdir())) == 1


def _as_tuples(told: Any) -> Any:
    return tuple(map(_as_tuples, told)) if isinstance(told, list) else told
