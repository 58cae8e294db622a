"""Memory set free is used again without asking the system for it; rings are found once imports are done."""

import os
import subprocess
import sys

import pytest

FAULTS = """
import sys
from halocline.compute.memory import keep_freed_memory
if sys.argv[1] == "keep" and not keep_freed_memory():
    sys.exit(3)
if sys.argv[1] == "child":
    import os
    assert keep_freed_memory()
    os.execv(sys.executable, [sys.executable, sys.argv[2], "as it is"])
import resource
from concurrent.futures import ThreadPoolExecutor
import numpy as np

def faults(_):
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    np.ones(40_000_000, np.float32)
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before

with ThreadPoolExecutor(1) as pool:
    print(sum(list(pool.map(faults, range(6)))[1:]))
"""


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("memory") / "faults.py"
    path.write_text(FAULTS)
    return str(path)


def faults(program: str, how: str, **variables: str) -> int:
    environment = {key: value for key, value in os.environ.items() if key != "GLIBC_TUNABLES"} | variables
    done = subprocess.run(
        [sys.executable, program, how, program], check=False, capture_output=True, text=True, env=environment
    )
    if done.returncode == 3:
        pytest.skip("this C library has nothing to set")
    return int(done.stdout)


@pytest.mark.parametrize("how", ["keep", "child"])
def test_memory_set_free_is_kept_for_the_next_frame(program: str, how: str) -> None:
    # Pages that the system had to provide, as it counts them (getrusage).
    assert faults(program, how) < 0.1 * faults(program, "as it is")


def test_settings_of_the_users_own_are_left_alone() -> None:
    code = (
        "import os; from halocline.compute.memory import keep_freed_memory; "
        "print(keep_freed_memory(), os.environ['GLIBC_TUNABLES'])"
    )
    own = {**os.environ, "GLIBC_TUNABLES": "glibc.malloc.arena_max=2"}
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True, env=own)
    assert done.stdout.split() == ["False", "glibc.malloc.arena_max=2"]


RINGS = """
import atexit, gc, weakref
from halocline.compute.memory import hold_rings, let_go_of_rings

class Ring:
    def __init__(self):
        self.itself = self

def made_and_let_go():
    ring = Ring()
    return weakref.ref(ring)

def some_objects():
    return [[] for _ in range(1_000_000)]

# At exit, the last that is registered is asked first: this one is asked after `hold_rings`'.
atexit.register(lambda: print(gc.get_freeze_count() == 0))
hold_rings()
# A library that counts at the end what of it is left, and complains.
import OpenImageIO
early = made_and_let_go()
some_objects()
print(early() is not None)
let_go_of_rings()
print(gc.get_freeze_count() > 1000)
late = made_and_let_go()
some_objects()
print(early() is not None, late() is None)
"""


def test_rings_are_looked_for_once_all_is_imported() -> None:
    # What the collector does with each is common knowledge of Python's own module gc.
    done = subprocess.run([sys.executable, "-c", RINGS], check=True, capture_output=True, text=True)
    assert done.stdout.split() == ["True"] * 5
    assert done.stderr == ""


AHEAD = """
import resource, sys
from halocline.compute.memory import LEAST_TOUCHED, keep_freed_memory, touch_ahead
kept = keep_freed_memory() if "kept" in sys.argv else False
if "kept" in sys.argv and not kept:
    sys.exit(3)
if "limited" in sys.argv:
    resource.setrlimit(resource.RLIMIT_AS, (1 << 40, resource.RLIM_INFINITY))
import numpy as np
size = LEAST_TOUCHED + (32 << 20)
thread = touch_ahead(size if "large" in sys.argv else LEAST_TOUCHED - 1)
if thread is not None:
    thread.join()
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
# In pieces that no page of any size is asked for: each page that is not there is one fault.
pieces = [np.ones(200_000, np.float32) for _ in range(size // 1_000_000)]
print(thread is not None, resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


def ahead(*how: str) -> tuple[bool, int]:
    """Return whether memory was touched ahead, and how many faults filling as much then took."""
    environment = {key: value for key, value in os.environ.items() if key != "GLIBC_TUNABLES"}
    done = subprocess.run(
        [sys.executable, "-c", AHEAD, *how], check=False, capture_output=True, text=True, env=environment
    )
    if done.returncode == 3:
        pytest.skip("this C library has nothing to set")
    began, count = done.stdout.split()
    return began == "True", int(count)


def test_memory_that_was_touched_ahead_is_there_when_it_is_asked_for() -> None:
    began, with_it = ahead("kept", "large")
    assert began
    _, without = ahead("kept")
    # Kernels before Linux 5.14 cannot.
    if tuple(map(int, os.uname().release.split(".")[:2])) >= (5, 14):
        assert with_it < 0.1 * without


AGAIN = """
import sys
from pathlib import Path
from halocline.compute.memory import LEAST_TOUCHED, keep_freed_memory, touch_ahead
if not keep_freed_memory():
    sys.exit(3)
import numpy as np
size = LEAST_TOUCHED + (64 << 20)
before = Path("/proc/self/statm").read_text().split()[1]
def told():
    thread = touch_ahead(size)
    if thread is not None:
        thread.join()
    resident = int(Path("/proc/self/statm").read_text().split()[1]) - int(before)
    return thread is not None, round(resident * 4096 / size, 1)
first, second = told(), told()
# In pieces, as frames leave it: nothing of that size is free in one block.
pieces = [np.ones(2_000_000, np.float32) for _ in range(size // 8_000_000)]
used = told()
others = [np.ones(2_000_000, np.float32) for _ in range(size // 8_000_000)]
del pieces[::2]
half = told()
pieces.clear()
print(first[0], second, used[0], half[0], told()[0])
"""


def test_memory_that_is_free_in_the_process_is_not_provided_again() -> None:
    """What counts as free is the C library's own account (mallinfo2, its manual page)."""
    environment = {key: value for key, value in os.environ.items() if key != "GLIBC_TUNABLES"}
    done = subprocess.run(
        [sys.executable, "-c", AGAIN], check=False, capture_output=True, text=True, env=environment
    )
    if done.returncode == 3:
        pytest.skip("this C library has nothing to set")
    # Of what is used none is free; of half of it, less is lacking than is worth a thread.
    assert done.stdout.split() == ["True", "(False,", "1.0)", "True", "False", "False"]


def test_nothing_is_touched_that_would_be_given_back_or_is_limited_or_little() -> None:
    assert not ahead("large")[0]
    assert not ahead("kept", "large", "limited")[0]
    assert not ahead("kept")[0]
