"""Fields from disk are those that would be made, here, by these libraries."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from halocline._typing import F32
from halocline.compute import disk_cache, kept_fields
from halocline.compute.kept_fields import kept_field
from halocline.compute.machine_code import compiler_mark, kind_of


class Maker:
    """Makes a field and counts how often."""

    def __init__(self) -> None:
        self.field = np.linspace(-1.0, 3.0, 12, dtype=np.float32).reshape(3, 4)
        self.times = 0

    def __call__(self) -> F32:
        self.times += 1
        return self.field.copy()


@pytest.fixture(autouse=True)
def root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.setenv("HALOCLINE_CACHE", str(tmp_path))
    monkeypatch.setattr(disk_cache._Written, "in_passing", 0)
    kept_fields._maker.cache_clear()
    yield tmp_path
    kept_fields._maker.cache_clear()


def test_field_is_made_once_and_loops_take_it_as_one_that_was_made() -> None:
    make = Maker()
    first, again = (kept_field("a", (3, 4), make) for _ in range(2))
    assert make.times == 1
    assert_array_equal(again, first)
    assert kind_of(again) == kind_of(first) == ("<f4", 2, "C", True)
    again[:] = 0.0
    assert_array_equal(kept_field("a", (3, 4), make), make.field)


def test_other_keys_shapes_and_ways_of_making_are_others(monkeypatch: pytest.MonkeyPatch) -> None:
    make = Maker()
    kept_field("a", (3, 4), make)
    kept_field("b", (3, 4), make)
    assert kept_field("a", (4, 3), lambda: make().reshape(4, 3)).shape == (4, 3)
    assert make.times == 3
    for name in ("NPY_DISABLE_CPU_FEATURES", "OPENCV_CPU_DISABLE", "NUMBA_OPT"):
        monkeypatch.setenv(name, "AVX2")
        kept_fields._maker.cache_clear()
        compiler_mark.cache_clear()
        kept_field("a", (3, 4), make)
        monkeypatch.delenv(name)
    compiler_mark.cache_clear()
    assert make.times == 6


def test_where_nobody_knows_what_made_it_nothing_is_kept(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept_fields, "processor_mark", lambda: None)
    make = Maker()
    assert_array_equal(kept_field("a", (3, 4), make), kept_field("a", (3, 4), make))
    assert make.times == 2
    assert not list(root.iterdir())


def test_entry_of_another_size_is_left_aside(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept_fields, "kept_in_passing", lambda *_: b"\0" * 44)
    make = Maker()
    assert_array_equal(kept_field("a", (3, 4), make), make.field)
    assert make.times == 1
