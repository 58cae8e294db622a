"""Values made on demand by several threads."""

from __future__ import annotations

import gc
from concurrent.futures import ThreadPoolExecutor
from threading import Event, current_thread
from weakref import ref

import pytest

from halocline.compute.made_once import MadeOnce


def test_each_value_is_made_once_whoever_asks() -> None:
    made: list[int] = []

    def make(key: int) -> int:
        made.append(key)
        return key * key

    values = MadeOnce(make)
    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(lambda n: values.get(n % 7, ahead=range(7)), range(200)))
    assert found == [(n % 7) ** 2 for n in range(200)]
    assert sorted(made) == list(range(7))


def test_a_thread_that_would_wait_makes_the_next_value() -> None:
    started, release = Event(), Event()
    makers: dict[int, str] = {}

    def make(key: int) -> int:
        makers[key] = current_thread().name
        if key == 0:
            started.set()
            assert release.wait(10)
        elif key == 1:
            release.set()
        return key

    values = MadeOnce(make)
    with ThreadPoolExecutor(1, thread_name_prefix="other") as pool:
        first = pool.submit(values.get, 0)
        assert started.wait(10)
        # Value 0 is only let go once value 1 has been made, which no one but this thread can do.
        assert values.get(0, ahead=[0, 1, 2]) == 0
        first.result()
    assert makers[0].startswith("other")
    assert makers[1] == current_thread().name


def test_a_failure_is_raised_and_the_value_can_be_asked_for_again() -> None:
    attempts: list[int] = []

    def make(key: int) -> int:
        attempts.append(key)
        if len(attempts) == 1:
            raise ValueError("no luck")
        return key

    values = MadeOnce(make)
    with pytest.raises(ValueError, match="no luck"):
        values.get(3)
    assert values.get(3) == 3


def test_an_object_with_values_of_its_own_method_is_freed_at_once() -> None:
    class Owner:
        def __init__(self) -> None:
            self.values = MadeOnce(self.double)

        def double(self, key: int) -> int:
            return 2 * key

    gc.disable()
    try:
        owner = Owner()
        assert owner.values.get(4) == 8
        gone = ref(owner)
        del owner
        assert gone() is None
    finally:
        gc.enable()
