"""Compiled loops do as numpy would, to the bit, and cost nothing until one runs."""

import errno
import os
import subprocess
import sys

import numpy as np
import pytest

import halocline.compute.compiled
from halocline._typing import F32
from halocline.compute.compiled import compiled


@compiled
def doubled(value: np.float32) -> np.float32:
    return value * np.float32(2.0)


@compiled
def line(a: F32, b: F32, c: F32, out: F32) -> None:
    for index in range(out.size):
        out[index] = a[index] * b[index] + c[index]


@compiled
def twice(a: F32, out: F32) -> None:
    for index in range(out.size):
        out[index] = doubled(a[index])


def test_multiply_and_add_round_twice_as_numpy_does() -> None:
    # A fused multiply and add rounds once, on those machines that have it, and differs in about half of all.
    a, b, c = np.random.default_rng(1).standard_normal((3, 100_000), np.float32)
    out = np.empty_like(a)
    line(a, b, c, out)
    np.testing.assert_array_equal(out, a * b + c)


def test_one_loop_calls_another() -> None:
    a = np.arange(4, dtype=np.float32)
    out = np.empty_like(a)
    twice(a, out)
    np.testing.assert_array_equal(out, [0, 2, 4, 6])


def test_a_loop_runs_where_nothing_can_be_kept_on_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    import numba

    real = numba.njit

    def without_folder(loop: object, **settings: object) -> object:
        if settings.get("cache"):
            msg = "cannot cache function: no locator available"
            raise RuntimeError(msg)
        return real(loop, **settings)  # type: ignore[call-overload]

    monkeypatch.setattr(numba, "njit", without_folder)
    loop = halocline.compute.compiled.Compiled(line.loop)
    out = np.empty(1, np.float32)
    one = np.ones(1, np.float32)
    loop(one, one, one, out)
    assert out[0] == 2.0


def test_a_disk_that_fills_up_meanwhile_stops_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    from numba.core.caching import FunctionCache

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(FunctionCache, "save_overload", full)
    monkeypatch.setattr(FunctionCache, "load_overload", lambda *_: None)
    monkeypatch.setattr(halocline.compute.compiled._Keeping, "on_disk", True)
    inner = halocline.compute.compiled.Compiled(doubled.loop)

    def outer(a: F32, out: F32) -> None:
        out[0] = inner(a[0])

    out = np.empty(1, np.float32)
    halocline.compute.compiled.Compiled(outer)(np.ones(1, np.float32), out)
    assert out[0] == 2.0


def test_the_compiler_is_not_imported_before_a_loop_runs() -> None:
    code = "import sys, halocline, halocline.cli.main; sys.exit('numba' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
