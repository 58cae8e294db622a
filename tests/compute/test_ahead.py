"""Loops that other processes compile are run from there; whatever becomes of those, the right thing runs."""

from __future__ import annotations

import subprocess
import sys
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest

from halocline.batch.loops_of_looks import all_loops, loops_of
from halocline.compute import ahead
from halocline.compute.ahead import Wanted, compiling_ahead, made_ahead
from halocline.compute.compiled import Compiled
from halocline.compute.machine_code import kind_of
from halocline.presets.preset import load_preset

LOOPS = """
import numpy as np
from halocline.compute.compiled import compiled

@compiled
def doubled(values):
    for index in range(values.size):
        values[index] *= 2

@compiled
def raised(things, by):
    for index in range(things.size):
        things[index].height += by
"""
RUN = """
import sys
import numpy as np
from halocline.compute.ahead import Wanted, compiling_ahead
from halocline.compute.machine_code import kind_of
sys.path.insert(0, sys.argv[1])
values, things = np.ones(3), np.zeros(2, [("kind", "i4"), ("height", "f8")])
wanted = [
    Wanted("shed_ahead", "raised", (kind_of(things), kind_of(2.5))),
    Wanted("shed_ahead", "gone", (kind_of(values),)),
    Wanted("shed_ahead", "doubled", (kind_of(values),)),
]
with compiling_ahead(wanted, processes=2):
    from shed_ahead import doubled, raised
    doubled(values)
    raised(things, 2.5)
print(*values, *things["height"], "numba" in sys.modules)
"""


def test_loops_are_compiled_by_others_and_run_from_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two processes, one loop of records, one that is not there."""
    (tmp_path / "shed_ahead.py").write_text(LOOPS)
    monkeypatch.setenv("HALOCLINE_CACHE", str(tmp_path / "kept"))
    command = [sys.executable, "-c", RUN, str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["2.0", "2.0", "2.0", "2.5", "2.5", "False"]


NO_ROOM = """
import resource, sys
import numpy as np
from halocline.compute import disk_cache
from halocline.compute.ahead import Wanted, compiling_ahead, made_ahead
from halocline.compute.machine_code import kind_of
sys.path.insert(0, sys.argv[1])
print(disk_cache.why_not_kept(1 << 16))
resource.setrlimit(resource.RLIMIT_FSIZE, (500, resource.RLIM_INFINITY))
print(disk_cache.why_not_kept(1 << 16))
values = np.ones(3)
wanted = [Wanted("shed_ahead", name, (kind_of(values),)) for name in ("doubled", "halved")]
with compiling_ahead(wanted, processes=1):
    print(*map(made_ahead, wanted))
    from shed_ahead import doubled
    doubled(values)
print(*values)
"""


def test_where_nothing_can_be_kept_nobody_is_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The system lets no file grow beyond 500 bytes: as a full disk does, without one."""
    (tmp_path / "shed_ahead.py").write_text(LOOPS + LOOPS.replace("doubled", "halved").replace("*=", "/="))
    monkeypatch.setenv("HALOCLINE_CACHE", str(tmp_path / "kept"))
    # Under such a limit Python writes its own bytecode cut short, and then trips over it.
    monkeypatch.setenv("PYTHONDONTWRITEBYTECODE", "1")
    command = [sys.executable, "-c", NO_ROOM, str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines() == ["None", "File too large", "False False", "2.0 2.0 2.0"]
    assert not [path for path in (tmp_path / "kept").rglob("*") if path.suffix == ".code"]


@pytest.mark.parametrize("python", [sys.executable, "/no/such/python"])
@pytest.mark.parametrize("forge", ["import os; os._exit(3)", "import sys; sys.stdin.read()"])
def test_where_those_processes_end_the_loop_is_compiled_here(
    forge: str, python: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ahead, "_FORGE", forge)
    monkeypatch.setattr(sys, "executable", python)
    monkeypatch.setenv("HALOCLINE_CACHE", str(tmp_path))
    wanted = Wanted(__name__, "halved", (kind_of(1.0),))
    with compiling_ahead([wanted]) as wait:
        assert not made_ahead(wanted)
        assert not made_ahead(wanted._replace(name="another"))
        wait()
    assert not made_ahead(wanted), "it is over"


def test_the_list_is_of_loops_that_are_there_and_take_so_many_arguments() -> None:
    """Few may have changed since; where this fails, run `tools/write_loops.py`."""
    right = 0
    for module, name, kinds in all_loops():
        found = getattr(import_module(module), name, None)
        right += isinstance(found, Compiled) and found.loop.__code__.co_argcount == len(kinds)
    assert right >= 0.9 * len(all_loops()) > 50


def test_a_look_wants_what_its_steps_call_and_no_more() -> None:
    plain, full = (set(loops_of(load_preset(name))) for name in ("jerlov-1c", "fjord-afternoon"))
    named_plain, named = ({f"{each.module}.{each.name}" for each in loops} for loops in (plain, full))
    of_one_step = {"halocline.physics.sea.shafts._integrate"}
    assert of_one_step <= named
    assert not of_one_step & named_plain
    assert len(plain) < len(full) * 2 / 3
    turned_off = load_preset("fjord-afternoon").with_settings(
        {"steps.caustics.enabled": False, "steps.light_shafts.enabled": False, "steps.matter.enabled": False}
    )
    assert len(loops_of(turned_off)) < len(full)
    # A look with steps of two that ship wants the loops of both.
    both = load_preset("fjord-afternoon").with_settings({"steps.dome_port.enabled": True})
    assert set(loops_of(both)) > full


def halved(value: float) -> np.float64:
    return np.float64(value / 2)
