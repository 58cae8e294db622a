"""Threads: how many there may be, counted in one place and handed down.

A job is given a number of threads. Whoever computes a frame says so (`at_most`); everything below asks
`allowed` and splits its work by `in_parallel`. Inside a thread that was split off there is one. The threads
of libraries (OpenCV, linear algebra) belong to the whole process: while anybody here is at work each of them
keeps to one, since their threads and ours would only wait for each other, and since products of matrices
round otherwise where another number of threads shares them. None of it changes a bit of any result.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from functools import partial
from itertools import pairwise
from pathlib import Path
from threading import Lock
from typing import Any, TypeVar

from halocline.compute.planes_on_disk import PlanesOnDisk, here, make_there

A = TypeVar("A")
R = TypeVar("R")

_budget: ContextVar[int | None] = ContextVar("threads", default=None)


def processors(root: Path = Path("/")) -> int:
    """Return the processors that this process may use: its affinity, and its container's share; at least 1.

    Parameters
    ----------
    root
        Where ``proc`` and ``sys`` are; for tests.

    Returns
    -------
    int
        At least 1.
    """
    # Not every system can say which processors this process may use.
    count = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, min([count, *_quotas(root)]))


def _quotas(root: Path) -> Iterator[int]:
    """Yield the whole processors that each control group around this process allows (cgroup v2, then v1)."""
    with suppress(OSError, ValueError):
        for line in (root / "proc/self/cgroup").read_text(encoding="ascii", errors="replace").splitlines():
            _, controllers, path = line.split(":", 2)
            if controllers and "cpu" not in controllers.split(","):
                continue
            mount = root / "sys/fs/cgroup" / (controllers and "cpu")
            own = mount / path.lstrip("/")
            # A group may use no more than those that hold it; in a container only the mount itself is seen.
            for folder in dict.fromkeys([own, *own.parents]):
                if folder == mount or mount in folder.parents:
                    yield from _quota(folder)


def _quota(folder: Path) -> Iterator[int]:
    with suppress(OSError, ValueError):
        quota, period = (folder / "cpu.max").read_text(encoding="ascii").split()
        yield int(quota) // int(period)
    with suppress(OSError, ValueError):
        quota = (folder / "cpu.cfs_quota_us").read_text(encoding="ascii")
        if int(quota) > 0:
            yield int(quota) // int((folder / "cpu.cfs_period_us").read_text(encoding="ascii"))


def allowed() -> int:
    """Return how many threads the work at hand may use.

    Returns
    -------
    int
        At least 1.
    """
    budget = _budget.get()
    return processors() if budget is None else budget


@contextmanager
def at_most(threads: int | None) -> Iterator[int]:
    """Allow so many threads for the work inside, all processors where None, and yield the number.

    Parameters
    ----------
    threads
        Number of threads, at least 1; None for all processors.

    Yields
    ------
    int
        The number allowed.
    """
    token = _budget.set(threads or processors())
    try:
        with one_library_thread():
            yield allowed()
    finally:
        _budget.reset(token)


@contextmanager
def pool(threads: int) -> Iterator[ThreadPoolExecutor]:
    """Yield threads each of which may use no others.

    Parameters
    ----------
    threads
        Number of threads, at least 1.

    Yields
    ------
    ThreadPoolExecutor
        The threads; they end with the block.
    """
    begin = partial(_work_alone, here())
    with one_library_thread(), ThreadPoolExecutor(threads, initializer=begin) as made:
        yield made


def in_parallel(work: Callable[[A], R], items: Iterable[A]) -> list[R]:
    """Do independent pieces of work on as many threads as allowed, and return what they give in order.

    Parameters
    ----------
    work
        What to do with each item; the pieces must not depend on each other.
    items
        What to do it with.

    Returns
    -------
    list[R]
        What ``work`` gives, in the order of the items. What it raises is passed on.
    """
    workers = allowed()
    with one_library_thread():
        if workers <= 1:
            return [work(item) for item in items]
        with pool(workers) as threads:
            return list(threads.map(work, items))


def rows_shared(rows: int, at_once: int, *, step: int = 1) -> list[slice]:
    """Cut rows into pieces for threads to share, the last of them half as high: they end about together.

    Parameters
    ----------
    rows
        Of a picture.
    at_once
        Of a piece.
    step
        Pieces begin at multiples of it, as does the second where ``at_once`` is one.

    Returns
    -------
    list[slice]
        All rows, once each, from the first on. One thread alone has none to wait for.

    Examples
    --------
    >>> with at_most(2):
    ...     [piece.stop for piece in rows_shared(95, 16, step=8)]
    [16, 32, 48, 64, 72, 80, 88, 95]
    """
    workers, half = allowed(), at_once // 2 // step * step
    if workers == 1 or not half:
        begins = [*range(0, rows, at_once)]
    else:
        # Whole ones as long as all threads have one more, and what is left in halves.
        halved = max(0, rows // at_once - 1) // workers * workers * at_once
        begins = [*range(0, halved, at_once), *range(halved, rows, half)]
    return [slice(first, last) for first, last in pairwise([*begins, rows])]


class _LibraryPools:
    """The thread pools of libraries that are loaded: each held to one while anybody is at work.

    Their numbers belong to the process, and several frames may be under way in it: the first to come notes
    them, the last to go puts them back. A library that is loaded meanwhile is held from the next one who
    comes. Where a pool's number is each thread's own (OpenMP), threads of ours set it when they start.
    """

    def __init__(self) -> None:
        self._turn = Lock()
        self._users = 0
        self._found: dict[str, tuple[Callable[[], int], Callable[[int], object]]] = {}
        self._before: dict[str, int] = {}
        self._modules = 0

    def hold(self) -> None:
        """Begin: hold what is loaded now to one thread each."""
        with self._turn:
            self._look()
            self._users += 1
            for name, (number, limit) in self._found.items():
                if name not in self._before:
                    self._before[name] = number()
                    limit(1)

    def let_go(self) -> None:
        """End: the last one out puts the numbers back."""
        with self._turn:
            self._users -= 1
            if not self._users:
                for name, number in self._before.items():
                    self._found[name][1](number)
                self._before.clear()

    def limit_this_thread(self) -> None:
        """Hold every library to one thread where a number is each thread's own."""
        for _, limit in list(self._found.values()):
            limit(1)

    def _look(self) -> None:
        """Find the libraries; nothing new is loaded while no module is."""
        if len(sys.modules) == self._modules:
            return
        # Most commands compute nothing.
        from threadpoolctl import ThreadpoolController  # noqa: PLC0415

        self._modules = len(sys.modules)
        for library in ThreadpoolController().lib_controllers:
            self._found.setdefault(library.filepath, (library.get_num_threads, partial(_set_number, library)))
        opencv = sys.modules.get("cv2")
        # Half imported by another thread, it has no such function yet.
        if opencv is not None and hasattr(opencv, "setNumThreads"):
            self._found["cv2"] = (opencv.getNumThreads, opencv.setNumThreads)


def _set_number(library: Any, number: int) -> None:
    # From 3.8 on threadpoolctl obeys one thread until that lets go; whoever calls here has the turn anyway.
    let_go = getattr(library, "clear_controlling_thread", None)
    if let_go is not None:
        let_go(force=True)
    library.set_num_threads(number)
    if let_go is not None:
        let_go(force=True)


_libraries = _LibraryPools()


def _work_alone(planes: PlanesOnDisk | None) -> None:
    """Begin a thread of ours, which may use no others, and keeps planes where who began it does."""
    _budget.set(1)
    make_there(planes)
    _libraries.limit_this_thread()


@contextmanager
def one_library_thread() -> Iterator[None]:
    """Hold the thread pools of libraries (OpenCV, linear algebra) to one each while anybody is at work.

    A decorator too. Threads of linear algebra wait for their next piece at full speed, and small matrices are
    most of ours: on two processors they double what a fit costs, on many they take from every other process.

    Yields
    ------
    None
        Nothing.
    """
    _libraries.hold()
    try:
        yield
    finally:
        _libraries.let_go()
