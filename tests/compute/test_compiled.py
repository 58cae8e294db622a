"""Compiled loops do as numpy would, to the bit, and cost nothing until one runs."""

import errno
import gc
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import halocline.compute.compiled
from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.sources import _imported, _source, source_digest


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
    from halocline.compute import kept_loops

    looked: list[bool] = []

    def noted(*given: Any, **named: Any) -> Any:
        looked.append(gc.isenabled())
        return compile_extra(*given, **named)

    compile_extra = kept_loops._compile
    monkeypatch.setattr(kept_loops, "_compile", noted)
    monkeypatch.setenv("HALOCLINE_CACHE", "off")
    loop = halocline.compute.compiled.Compiled(line.loop)
    out = np.empty(1, np.float32)
    one = np.ones(1, np.float32)
    loop(one, one, one, out)
    assert out[0] == 2.0
    # Nobody looks for rings of objects meanwhile, and Python does again afterwards.
    assert looked == [False]
    assert gc.isenabled()


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


OUTER = """
from halocline.compute.compiled import compiled
from shed.inner import tripled

@compiled
def total(a):
    whole = a[0] * 0
    for index in range(a.size):
        whole += tripled(a[index])
    return whole
"""
INNER = """
from halocline.compute.compiled import compiled
from . import numbers

FACTOR = numbers.FACTOR

@compiled
def tripled(value):
    return value * FACTOR
"""
RUN = """
import json, sys
import numpy as np
from shed.outer import total
result = float(total(np.ones(5)))
print(json.dumps([result, "numba" not in sys.modules]))
"""


def test_code_on_disk_is_of_all_sources_that_it_was_made_from(tmp_path: Path) -> None:
    """In a copy that is edited: the loop itself, one it calls, and a constant two modules away."""
    shed = tmp_path / "shed"
    shed.mkdir()
    (shed / "__init__.py").write_text("")
    (shed / "outer.py").write_text(OUTER)
    (shed / "inner.py").write_text(INNER)
    (shed / "numbers.py").write_text("FACTOR = 3.0\n")

    def run() -> tuple[float, bool]:
        """Return the sum, and whether the compiler was done without."""
        environment = {**os.environ, "HALOCLINE_CACHE": str(tmp_path / "kept")}
        environment["PYTHONPATH"] = os.pathsep.join([str(tmp_path), *sys.path])
        command = [sys.executable, "-B", "-c", RUN]
        done = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
        result, kept = json.loads(done.stdout)
        return result, kept

    assert run() == (15.0, False)
    assert run() == (15.0, True)
    (shed / "numbers.py").write_text("FACTOR = 4.0\n")
    assert run() == (20.0, False)
    # Same length, same second: only the text tells.
    (shed / "inner.py").write_text(INNER.replace("value * FACTOR", "value + FACTOR"))
    assert run() == (25.0, False)
    (shed / "outer.py").write_text(OUTER.replace("a[0] * 0", "a[0] * 2"))
    assert run() == (27.0, False)
    assert run() == (27.0, True)
    # What was taken back is still there.
    (shed / "outer.py").write_text(OUTER)
    assert run() == (25.0, True)
    # Nothing is kept elsewhere, and what nobody asked for for long goes when something new comes.
    assert not list(tmp_path.rglob("shed/**/*.nbi"))
    kept = list((tmp_path / "kept" / "compiled-loops").iterdir())
    for folder in kept:
        for path in (*folder.iterdir(), folder):
            os.utime(path, (1.0, 1.0))
    (shed / "numbers.py").write_text("FACTOR = 5.0\n")
    assert run() == (30.0, False)
    left = list((tmp_path / "kept" / "compiled-loops").iterdir())
    assert len(left) == 2
    assert not set(left) & set(kept)


def test_digests_are_of_what_a_module_imports_and_of_nothing_else() -> None:
    assert source_digest("halocline.compute.series") != source_digest("halocline.compute.random")
    assert source_digest("no.such.module") is None
    imported = _imported("halocline.operators.caustics")
    assert {"halocline.filters.facing", "halocline.operators.shared.surface_light"} <= set(imported)
    # Of a package names may be modules, of a single file they are none.
    assert "halocline.graph.shot" in imported
    assert "halocline.graph.shot.Shot" not in imported
    assert "halocline.filters.pyramid_loops" in _imported("halocline.filters.displacement")
    # Presets and files say what a loop is given, not what it does.
    pending, seen = ["halocline.filters.splat_loops"], set[str]()
    while pending:
        name = pending.pop()
        if name not in seen and _source(name) is not None:
            seen.add(name)
            pending += _imported(name)
    assert "halocline.compute.compiled" in seen
    assert not [name for name in seen if name.split(".")[1:2] in (["presets"], ["batch"], ["imaging"])]
