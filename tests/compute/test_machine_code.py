"""Machine code that was kept runs as the compiler's function does, or not at all."""

from __future__ import annotations

import resource
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest

from halocline.compute import machine_code
from halocline.compute.compiled import Compiled
from halocline.compute.machine_code import KeptCode, kind_of

LOOPS = """
import sys
import numpy as np
from halocline.compute.compiled import compiled

@compiled
def mixed(planes, pair, scale, count, flip, out):
    numbers, (less, more) = pair
    room = np.empty(out.size, np.float32)
    for i in range(out.size):
        room[i] = np.sqrt(planes[1, i]) * scale + numbers[i % numbers.size]
    for i in range(count):
        out[i] = less - room[i] if flip else more + room[i]
    return out[0]

@compiled
def doubled(values):
    for index in range(values.size):
        values[index] *= 2

@compiled
def summed(row):
    total = np.float32(0.0)
    for i in range(row.size):
        total += row[i]
    return total

@compiled
def handed_on(times, size):
    total = np.float32(0.0)
    for _ in range(times):
        room = np.ones((4, size), np.float32)
        kept = room[1]
        for k in range(4):
            total += summed(room[k, : k + 1])
        room = np.zeros((1, 1), np.float32)
        total += summed(kept[:2])
    return total

@compiled
def refusing(count):
    if count < 0:
        raise ValueError("no such count")
    return 2 * count
"""
RUN = """
import sys
import numpy as np
sys.path.insert(0, sys.argv[1])
from shed_loops import mixed, refusing
planes = np.arange(24, dtype=np.float32).reshape(2, 12)[:, ::2]
out = np.zeros(6, np.float32)
pair = (np.array([1.0, 2.0]), (np.float32(3.0), np.int16(-4)))
first = mixed(planes, pair, 0.5, np.int32(5), True, out)
second = mixed(planes, pair, 0.5, np.int32(5), False, out[1:])
assert refusing(21) == 42
print(first, second, *out, "numba" in sys.modules)
try:
    refusing(-1)
except ValueError as error:
    print(error)
"""


def test_what_is_kept_does_as_what_is_compiled(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Strided and small arrays, tuples in tuples, numbers of all kinds, memory of its own, errors."""
    (tmp_path / "shed_loops.py").write_text(LOOPS)
    monkeypatch.setenv("HALOCLINE_CACHE", str(tmp_path / "kept"))

    def run() -> list[str]:
        command = [sys.executable, "-c", RUN, str(tmp_path)]
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout.splitlines()

    made, again = run(), run()
    assert made[0].endswith("True")
    assert again == [made[0].removesuffix("True") + "False", "no such count"]
    assert made[1] == "no such count"
    # Half of a file is none.
    for path in (tmp_path / "kept").rglob("mixed*.code"):
        path.write_bytes(path.read_bytes()[:-1])
    assert run() == made


def test_memory_of_loops_that_hand_rows_on_is_kept_as_long_as_they_need_it_and_no_longer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The package counts who looks at a loop's own arrays in its own way; the machine tells what is held."""
    statm = Path("/proc/self/statm")
    if not statm.exists():
        pytest.skip("this system tells no process how much memory it has")
    (tmp_path / "shed_rows.py").write_text(LOOPS)
    monkeypatch.setenv("HALOCLINE_CACHE", str(tmp_path / "kept"))
    monkeypatch.syspath_prepend(tmp_path)
    handed_on = Compiled(import_module("shed_rows").handed_on.loop)

    def held() -> int:
        return int(statm.read_text().split()[1]) * resource.getpagesize()

    assert handed_on(1, 8) == 12.0
    before, size = held(), 1 << 20
    assert handed_on(64, size) == 64 * 12.0
    assert held() - before < 16 * 4 * size, "of 64 arrays of four rows of so many numbers"
    (path,) = tmp_path.rglob("handed_on*.code")
    assert b"NRT_decref" not in path.read_bytes(), "counted by the compiler's own function, with a lock"


def test_kinds_tell_apart_what_is_called_otherwise() -> None:
    plane = np.zeros((4, 6), np.float32)
    fixed = plane.copy()
    fixed.setflags(write=False)
    values = [
        *(plane, plane.T, plane[:, ::2], plane[0], fixed, plane.astype(np.float64), plane.astype(np.int32)),
        *(1, 1.0, True, np.float32(1.0), np.uint8(1), (1,), (1, 1.0), ((1,), 1.0)),
    ]
    kinds = list(map(kind_of, values))
    assert None not in kinds
    assert len(set(kinds)) == len(values)
    told: list[tuple[list[object], list[object]]] = [([], []) for _ in values]
    assert all(machine_code._told((value,), *out) for value, out in zip(values, told, strict=True))
    assert len({tuple(types) for types, _ in told}) == len(values)
    for kind, (_, numbers) in zip(kinds, told, strict=True):
        assert len(numbers) == len(machine_code.parameters_of(kind))
    assert kind_of(2**63) is None
    assert kind_of("text") is None
    assert kind_of((1, None)) is None
    assert not any(machine_code._told((value,), [], []) for value in (2**63, "text", (1, None)))
    assert kind_of(np.zeros(9, np.uint8)[1:].view("<f4")) is None, "not aligned"


def test_code_that_needs_what_is_not_there_is_left_to_the_compiler(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A name that cannot be resolved would end the process."""
    (tmp_path / "shed_doubled.py").write_text(LOOPS)
    monkeypatch.setenv("HALOCLINE_CACHE", str(tmp_path / "kept"))
    monkeypatch.syspath_prepend(tmp_path)
    values, doubled = np.ones(3, np.float32), import_module("shed_doubled").doubled.loop
    Compiled(doubled)(values)
    (path,) = tmp_path.rglob("doubled*.code")
    assert KeptCode(doubled).ready((values,)) is not None
    head, _, code = path.read_bytes()[machine_code._DIGEST_BYTES :].partition(b"\n")
    data = head.replace(b'"needs": [', b'"needs": ["no_such_function"') + b"\n" + code
    path.write_bytes(machine_code._digest(data) + data)
    assert KeptCode(doubled).ready((values,)) is None
