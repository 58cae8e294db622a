"""Libraries are imported when they are first needed, and not before."""

from __future__ import annotations

import subprocess
import sys

import pytest

from halocline.compute.on_demand import OnDemand


def test_a_module_is_imported_when_something_in_it_is_asked_for() -> None:
    script = (
        "import sys; from halocline.compute.on_demand import OnDemand; w = OnDemand('wave');"
        "print('wave' in sys.modules, w.__class__.__name__, w.Error.__name__, 'wave' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "OnDemand", "Error", "True"]


def test_what_is_not_there_is_told_as_by_the_module_itself() -> None:
    with pytest.raises(AttributeError, match="no_such_function"):
        _ = OnDemand("math").no_such_function


def test_every_step_is_known_without_scipy_compiler_or_colour_science() -> None:
    # Each takes longer to import than a small frame takes to render.
    script = (
        "import sys; from halocline.operators.registry import *;"
        "from halocline.presets.preset import load_preset; import halocline.cli.output;"
        "[load_preset(name) for name in ('jerlov-1c', 'fjord-afternoon', 'flat-port-wide')];"
        "print(sorted({'scipy.special', 'scipy.optimize', 'numba', 'colour', 'halocline.batch'}"
        " & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
