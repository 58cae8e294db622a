"""Threads: how many there may be, counted in one place and handed down.

A job is given a number of threads. Whoever computes a frame says so (`at_most`); everything below asks
`allowed` and splits its work by `in_parallel`. Inside a thread that was split off there is one. OpenCV's own
threads belong to the whole process: while anybody here is at work it keeps to one, since its threads and ours
would only wait for each other. So do those of linear algebra, which would also add in another order: light is
solved and fitted with one (`one_blas_thread`). None of it changes a bit of any result.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from pathlib import Path
from threading import Lock
from typing import Any, TypeVar

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
        with one_opencv_thread():
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
    with one_opencv_thread(), ThreadPoolExecutor(threads, initializer=_budget.set, initargs=(1,)) as made:
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
    with one_opencv_thread():
        if workers <= 1:
            return [work(item) for item in items]
        with pool(workers) as threads:
            return list(threads.map(work, items))


_turn = Lock()
_before: list[int] = []


@contextmanager
def one_opencv_thread() -> Iterator[None]:
    """Hold OpenCV, where it is in use, to one thread while anybody is at work.

    The number belongs to the process, and several frames may be under way in it: the first to come notes it,
    the last to go puts it back.

    Yields
    ------
    None
        Nothing.
    """
    opencv = sys.modules.get("cv2")
    # Half imported by another thread, it has no such function yet.
    if opencv is None or not hasattr(opencv, "setNumThreads"):
        yield
        return
    with _turn:
        _before.append(_before[0] if _before else opencv.getNumThreads())
        opencv.setNumThreads(1)
    try:
        yield
    finally:
        with _turn:
            number = _before.pop()
            if not _before:
                opencv.setNumThreads(number)


_limits: list[Any] = []


@contextmanager
def one_blas_thread() -> Iterator[None]:
    """Hold the linear algebra of NumPy and SciPy to one thread while anybody is at work; a decorator too.

    Its own threads wait for their next piece at full speed, and small matrices are most of ours: on two
    processors they double what a fit costs, on many they take from every other process. The number belongs to
    the process: the first to come notes it, the last to go puts it back.

    Yields
    ------
    None
        Nothing.
    """
    # Most commands solve nothing.
    from threadpoolctl import threadpool_limits  # noqa: PLC0415

    with _turn:
        _limits.append(_limits[0] if _limits else threadpool_limits(1, user_api="blas"))
    try:
        yield
    finally:
        with _turn:
            limit = _limits.pop()
            if not _limits:
                limit.restore_original_limits()
