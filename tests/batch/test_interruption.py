"""Signals end a job within seconds, leave whole frames only, and say so in the exit status."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from typing import TYPE_CHECKING, Any

import pytest
from tests.batch.conftest import UNSHADED

from halocline.batch.run import run_frames
from halocline.batch.signals import Interrupted, StopRequest, catching_signals

if TYPE_CHECKING:
    from tests.batch.conftest import Folder

    from halocline.presets.preset import Preset


@pytest.mark.parametrize(
    ("number", "processes", "status"),
    [(signal.SIGINT, 1, 130), (signal.SIGTERM, 2, 143)],
)
def test_a_signal_ends_the_command_cleanly_and_it_can_be_resumed(
    empty_shot: Folder, look: Preset, number: int, processes: int, status: int
) -> None:
    shot = empty_shot.write(range(1001, 1201))
    command = [
        sys.executable,
        "-m",
        "halocline.cli.main",
        "apply",
        "jerlov-1c",
        "--set",
        UNSHADED,
        shot.pattern,
    ]
    process = subprocess.Popen(
        [*command, "--out", str(shot.out), "--processes", str(processes), "--log", "json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert process.stdout is not None
    while b'"done"' not in process.stdout.readline():
        pass
    process.send_signal(number)
    sent = time.monotonic()
    told, errors = process.communicate(timeout=30)
    assert time.monotonic() - sent < 10
    assert process.returncode == status, errors.decode()
    end: dict[str, Any] = json.loads(told.splitlines()[-1])
    assert end["interrupted"] == number
    assert end["not_begun"]
    assert not shot.leftovers()
    # What is there is whole: resuming keeps all of it.
    done = len(shot.digests())
    assert 0 < done < 200
    frames = f"1001-{1000 + done + 2}"
    summary = run_frames(shot.tasks(frames=frames, overwrite=True), look, resume=True)
    assert summary.complete
    assert len(summary.kept) >= done - processes


def test_a_signal_in_the_middle_of_a_frame_drops_it(shot: Folder, look: Preset) -> None:
    def stop(_event: object) -> None:
        os.kill(os.getpid(), signal.SIGTERM)

    summary = run_frames(shot.tasks(), look, report=stop)
    assert summary.interrupted == signal.SIGTERM
    assert len(summary.done) in (1, 2)
    assert summary.not_begun
    assert len(summary.done) + len(summary.not_begun) == 4
    assert len(shot.digests()) == len(summary.done)
    assert not shot.leftovers()


def test_handlers_of_the_program_around_are_put_back() -> None:
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    with catching_signals():
        assert signal.getsignal(signal.SIGINT) is not before[signal.SIGINT]
    assert {number: signal.getsignal(number) for number in before} == before


def test_a_signal_waits_where_stopping_would_tear_something() -> None:
    with catching_signals() as stop:
        os.kill(os.getpid(), signal.SIGTERM)
        reached = "the record is whole"
        with pytest.raises(Interrupted) as caught:
            stop.check()
    assert reached
    assert caught.value.exit_status == 143


def test_a_signal_ends_a_long_wait_at_once() -> None:
    with catching_signals() as stop:
        threading.Timer(0.1, os.kill, (os.getpid(), signal.SIGINT)).start()
        began = time.monotonic()
        with pytest.raises(Interrupted), stop.breakable():
            time.sleep(30)
        assert time.monotonic() - began < 5


def test_outside_the_main_thread_signals_are_left_alone() -> None:
    found: list[StopRequest] = []

    def run() -> None:
        with catching_signals() as stop:
            stop.check()
            found.append(stop)

    before = signal.getsignal(signal.SIGTERM)
    thread = threading.Thread(target=run)
    thread.start()
    thread.join()
    assert found
    assert signal.getsignal(signal.SIGTERM) is before
