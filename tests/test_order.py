"""What takes long is begun early, and what compiles loops runs in one process."""

from __future__ import annotations

from collections import OrderedDict
from pathlib import Path
from typing import Any

from tests.order import COMPILING, LONG, MEANWHILE, Order


class Process:
    """Stands for one of pytest-xdist's."""

    def __init__(self) -> None:
        self.given: list[int] = []

    def send_runtest_some(self, numbers: list[int]) -> None:
        self.given += numbers


def test_files_that_compile_go_to_one_process_and_long_ones_before_the_rest() -> None:
    tests = [f"{file}::test" for file in ("tests/test_a.py", LONG[0], MEANWHILE[0], *COMPILING)]
    order: Any = Order.__new__(Order)
    processes = [Process() for _ in range(4)]
    order.assigned_work, order.workqueue = {}, OrderedDict()
    order.registered_collections = dict.fromkeys(processes, tests)
    for test in tests:
        order.workqueue.setdefault(order._split_scope(test), {})[test] = False
    for process in processes:
        order._assign_work_unit(process)
    assert [process.given for process in processes] == [[3, 4, 5, 6], [2], [1], [0]]


def test_files_that_are_named_are_there() -> None:
    named = [*COMPILING, *MEANWHILE, *LONG]
    assert len({*named}) == len(named)
    assert [file for file in named if not (Path(__file__).parents[1] / file).is_file()] == []
