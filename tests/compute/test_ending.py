"""A program that ends at once has done and told all that it would have."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

# What is called at the end, what threads do, and what becomes of what a module holds is common knowledge of
# Python: its documentation of atexit, threading and of object.__del__.
PROGRAM = """
import atexit, sys, threading, time
from halocline.compute.ending import ending_at_once

class Kept:
    def __del__(self):
        print("taken apart")

kept = Kept()
{before}
def at_work():
    time.sleep(0.2)
    print("the thread is done")

with ending_at_once():
    atexit.register(print, "asked for in the block")
    threading.Thread(target=at_work).start()
    print("told on one", end=" ")
    print("told on two", end=" ", file=sys.stderr)
    {ends}
"""
ENDS = [("sys.exit(3)", 3), ("sys.exit()", 0), ("pass", 0), ("sys.exit(258)", 2)]


def ended(ends: str, before: str = "", **to: object) -> subprocess.CompletedProcess[str]:
    code = PROGRAM.format(ends=ends, before=before)
    # What is told waits in the process until it ends, as without that variable.
    told = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    where = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "env": told, **to}
    return subprocess.run([sys.executable, "-c", code], check=False, text=True, **where)  # type: ignore[call-overload,no-any-return]


@pytest.mark.parametrize(("ends", "status"), ENDS)
def test_it_leaves_with_its_status_when_all_is_done_and_takes_nothing_apart(ends: str, status: int) -> None:
    done = ended(ends)
    assert done.returncode == status
    assert done.stdout.splitlines() == ["told on one the thread is done", "asked for in the block"]
    assert done.stderr == "told on two "


@pytest.mark.parametrize(
    ("ends", "before", "told"),
    [
        ("sys.exit('a text')", "", "a text"),
        ("raise ValueError('a mistake')", "", "ValueError: a mistake"),
        ("sys.exit(1)", "atexit.register(print, 'asked for before', file=sys.stderr)", "asked for before"),
    ],
)
def test_who_would_not_be_heard_else_is_not_cut_short(ends: str, before: str, told: str) -> None:
    done = ended(ends, before)
    assert done.returncode == 1
    assert told in done.stderr
    assert "atexit callback" not in done.stderr
    assert done.stdout.splitlines()[-2:] == ["asked for in the block", "taken apart"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_what_cannot_be_written_is_no_success() -> None:
    with Path("/dev/full").open("w") as full:
        done = ended("sys.exit(0)", stdout=full)
    # Python's own: "Changed in version 3.6: if an error occurs in the cleanup [...] the exit status is
    # changed to 120" (documentation of sys.exit).
    assert done.returncode == 120
    assert done.stderr.count("No space left on device") == 1


def test_a_process_without_a_place_to_tell_ends_too() -> None:
    done = ended("sys.exit(4)", "sys.stdout.close(); sys.stdout = None")
    assert (done.returncode, done.stderr) == (4, "told on two ")
