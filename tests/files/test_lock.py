"""Waiting for a lock ends: with the lock, or with the name of who keeps it."""

from __future__ import annotations

import errno
import fcntl
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from halocline.files import lock
from halocline.files.lock import take_lock


@pytest.fixture
def handle(tmp_path: Path) -> Iterator[int]:
    number = os.open(tmp_path / "file", os.O_RDWR | os.O_CREAT)
    yield number
    os.close(number)


def held_elsewhere(path: Path, seconds: float) -> subprocess.Popen[bytes]:
    code = (
        "import fcntl, sys, time; f = open(sys.argv[1]); fcntl.flock(f, fcntl.LOCK_EX)\n"
        "print('held', flush=True); time.sleep(float(sys.argv[2]))"
    )
    process = subprocess.Popen([sys.executable, "-c", code, str(path), str(seconds)], stdout=subprocess.PIPE)
    assert process.stdout is not None
    with process.stdout:
        assert process.stdout.readline() == b"held\n"
    return process


def test_a_lock_is_waited_for(tmp_path: Path, handle: int) -> None:
    with held_elsewhere(tmp_path / "file", 0.3):
        take_lock(handle)
    other = os.open(tmp_path / "file", os.O_RDWR)
    with pytest.raises(BlockingIOError):
        fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
    os.close(other)


def test_who_keeps_it_too_long_is_named(tmp_path: Path, handle: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lock, "WAIT_SECONDS", 0.1)
    with held_elsewhere(tmp_path / "file", 60) as process:
        with pytest.raises(TimeoutError, match=rf"process {process.pid} \(\w+.*\) keeps it locked"):
            take_lock(handle)
        process.kill()


def test_who_is_in_a_hurry_does_not_wait_long(
    tmp_path: Path, handle: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lock, "HURRIED_SECONDS", 0.1)
    hurry = threading.Event()
    threading.Timer(0.2, hurry.set).start()
    with held_elsewhere(tmp_path / "file", 60) as process:
        began = time.monotonic()
        with pytest.raises(TimeoutError):
            take_lock(handle, hurried=hurry.is_set)
        assert 0.1 < time.monotonic() - began < 10.0
        process.kill()


def test_a_file_system_without_locks_is_no_reason_to_fail(
    handle: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def without(_handle: int, _how: int) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(fcntl, "flock", without)
    take_lock(handle)
