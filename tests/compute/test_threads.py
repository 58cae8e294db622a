"""Threads are counted in one place and handed down, those of libraries included."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import cv2
import numpy as np
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from halocline.compute.threads import (
    allowed,
    at_most,
    in_parallel,
    one_library_thread,
    pool,
    processors,
    rows_shared,
)
from halocline.physics.path.radiance import lens_light


@pytest.fixture
def many(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: set(range(16)), raising=False)


def group(root: Path, line: str, **files: str) -> Path:
    """Lay out a control group as the kernel shows it (Documentation/admin-guide/cgroup-v2, from memory)."""
    (root / "proc/self").mkdir(parents=True)
    (root / "proc/self/cgroup").write_text(line + "\n")
    for name, text in files.items():
        path = root / "sys/fs/cgroup" / name.replace("__", "/").replace("cpu_max", "cpu.max")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text + "\n")
    return root


@pytest.mark.usefixtures("many")
def test_a_containers_share_counts(tmp_path: Path) -> None:
    assert processors(tmp_path) == 16
    assert processors(group(tmp_path, "0::/", cpu_max="350000 100000")) == 3


@pytest.mark.usefixtures("many")
def test_the_tightest_of_nested_groups_counts(tmp_path: Path) -> None:
    files = {"farm__cpu_max": "400000 100000", "farm__job__cpu_max": "max 100000"}
    assert processors(group(tmp_path, "0::/farm/job", **files)) == 4


@pytest.mark.usefixtures("many")
def test_the_first_kind_of_groups_counts_and_none_is_no_limit(tmp_path: Path) -> None:
    root = group(tmp_path, "4:cpu,cpuacct:/job")
    folder = root / "sys/fs/cgroup/cpu/job"
    folder.mkdir(parents=True)
    (folder / "cpu.cfs_quota_us").write_text("-1\n")
    (folder / "cpu.cfs_period_us").write_text("100000\n")
    assert processors(root) == 16
    (folder / "cpu.cfs_quota_us").write_text("50000\n")
    # Half a processor still computes.
    assert processors(root) == 1


def test_work_is_split_over_as_many_threads_as_are_allowed_and_no_further() -> None:
    seen: set[int] = set()
    meet = threading.Barrier(3, timeout=20.0)

    def work(number: int) -> tuple[int, int]:
        meet.wait()
        seen.add(threading.get_ident())
        return number, allowed()

    with at_most(3):
        assert allowed() == 3
        assert in_parallel(work, range(3)) == [(0, 1), (1, 1), (2, 1)]
    assert len(seen) == 3


def test_one_thread_is_the_callers_own() -> None:
    with at_most(1):
        assert in_parallel(lambda _: threading.get_ident(), range(4)) == [threading.get_ident()] * 4


def test_budgets_nest_and_are_put_back() -> None:
    with at_most(5):
        with at_most(2):
            assert allowed() == 2
        assert allowed() == 5
    assert allowed() == processors()
    with pool(2) as made:
        assert made.submit(allowed).result() == 1


def test_opencv_keeps_to_one_thread_while_anybody_works_and_gets_its_own_back() -> None:
    before = cv2.getNumThreads()
    cv2.setNumThreads(3)
    try:
        with one_library_thread():
            assert cv2.getNumThreads() == 1
            with at_most(4):
                assert cv2.getNumThreads() == 1
            assert cv2.getNumThreads() == 1
        assert cv2.getNumThreads() == 3
    finally:
        cv2.setNumThreads(before)


def algebra() -> list[int]:
    """Return the sizes of the pools of linear algebra that are loaded, by threadpoolctl."""
    return [pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"]


def test_linear_algebra_keeps_to_one_thread_while_anybody_works_and_gets_its_own_back() -> None:
    assert algebra(), "numpy brings one"
    with threadpool_limits(3):
        with at_most(4):
            assert set(algebra()) == {1}
            assert set(in_parallel(lambda _: max(algebra()), range(4))) == {1}
            with one_library_thread():
                pass
            assert set(algebra()) == {1}
        assert set(algebra()) == {3}


def test_numbers_are_put_back_when_the_last_of_several_jobs_is_done() -> None:
    start, stop = threading.Event(), threading.Event()

    def other() -> None:
        with at_most(2):
            start.set()
            stop.wait(20.0)

    with threadpool_limits(3):
        with at_most(2):
            job = threading.Thread(target=other)
            job.start()
            start.wait(20.0)
        assert set(algebra()) == {1}
        stop.set()
        job.join()
        assert set(algebra()) == {3}


def test_light_is_solved_with_one_thread_of_linear_algebra(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[set[int]] = []

    def modes(*_: object, **__: object) -> None:
        seen.append(set(algebra()))
        raise ZeroDivisionError

    monkeypatch.setattr(lens_light, "modes_of", modes)
    water = lens_light.WaterAndSky((0.31,), (0.17,), (0.01,), 0.924, 1.34, 0.8, 0.7)
    with threadpool_limits(2, user_api="blas"), pytest.raises(ZeroDivisionError):
        water.solved()
    assert seen == [{1}]


def test_order_of_results_is_that_of_the_items() -> None:
    with at_most(4):
        assert in_parallel(lambda n: n * n, range(50)) == [n * n for n in range(50)]
    assert np.all(np.diff(in_parallel(float, range(9))) > 0)


@pytest.mark.parametrize("workers", [1, 2, 3, 16])
@pytest.mark.parametrize(
    ("rows", "at_once", "step"), [(2160, 48, 8), (95, 16, 8), (5, 48, 8), (31, 4, 8), (7, 1, 1)]
)
def test_rows_are_shared_out_once_each_and_begin_at_steps(
    workers: int, rows: int, at_once: int, step: int
) -> None:
    with at_most(workers):
        pieces = rows_shared(rows, at_once, step=step)
    assert [row for piece in pieces for row in range(piece.start, piece.stop)] == list(range(rows))
    heights = [piece.stop - piece.start for piece in pieces]
    assert max(heights) <= at_once
    if at_once % step == 0:
        assert all(piece.start % step == 0 for piece in pieces)
    if workers == 1:
        assert len(pieces) == -(-rows // at_once)


def test_threads_that_take_rows_in_turn_end_together() -> None:
    # By hand: 45 pieces of 48 rows for two threads leave one of them idle for a whole piece at the end.
    with at_most(2):
        heights = [piece.stop - piece.start for piece in rows_shared(2160, 48, step=8)]
    assert heights == 44 * [48] + 2 * [24]
    # As many as come out even would end apart by chance: each thread's last is cut too.
    with at_most(2):
        heights = [piece.stop - piece.start for piece in rows_shared(2112, 48, step=8)]
    assert heights == 42 * [48] + 4 * [24]
