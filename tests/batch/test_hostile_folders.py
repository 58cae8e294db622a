"""Output folders that somebody else has been in: nothing is followed, nothing hangs, nothing is lost."""

from __future__ import annotations

import fcntl
import os
import signal
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from halocline.batch.manifest import MANIFEST_NAME, Manifest
from halocline.batch.plan_tasks import plan_tasks
from halocline.batch.run import run_frames
from halocline.batch.signals import IMPATIENT_SECONDS
from halocline.errors import JobError, SequenceError
from halocline.files import lock

if TYPE_CHECKING:
    from tests.batch.conftest import Folder

    from halocline.presets.preset import Preset


def test_a_manifest_that_is_a_link_gets_nothing_appended(shot: Folder, look: Preset) -> None:
    start_file = shot.root / "profile"
    start_file.write_text("umask 022\n")
    shot.out.mkdir()
    (shot.out / MANIFEST_NAME).symlink_to(start_file)
    with pytest.raises(JobError, match="it is no regular file but a link") as caught:
        run_frames(shot.tasks(), look)
    assert caught.value.code == "E-JOB-MANIFEST"
    assert start_file.read_text() == "umask 022\n"
    assert shot.digests() == {}


def test_a_manifest_that_is_a_pipe_or_a_folder_is_refused_at_once(shot: Folder, look: Preset) -> None:
    shot.out.mkdir()
    for make, told in ((os.mkfifo, "a named pipe"), (os.mkdir, "a folder")):
        make(shot.out / MANIFEST_NAME)
        with pytest.raises(JobError, match=told):
            run_frames(shot.tasks(), look)
        with pytest.raises(JobError, match=told):
            Manifest(shot.out).append("job")
        path = shot.out / MANIFEST_NAME
        path.rmdir() if path.is_dir() else path.unlink()


def test_a_frame_that_is_a_pipe_is_refused_and_the_others_are_made(shot: Folder, look: Preset) -> None:
    shot.out.mkdir()
    os.mkfifo(shot.out / "arch.1002.exr")
    summary = run_frames(shot.tasks(overwrite=True), look, resume=True)
    assert [failure.task.frame for failure in summary.failed] == [1002]
    assert summary.failed[0].error.code == "E-WRITE-EXISTS"
    assert len(summary.done) == 3


def test_a_render_that_is_a_pipe_fails_alone(shot: Folder, look: Preset) -> None:
    (shot.clean / "arch.1003.exr").unlink()
    os.mkfifo(shot.clean / "arch.1003.exr")
    summary = run_frames(shot.tasks(), look)
    assert [failure.task.frame for failure in summary.failed] == [1003]
    assert "no regular file" in summary.failed[0].error.message


def test_who_keeps_the_manifest_locked_is_named(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lock, "WAIT_SECONDS", 0.2)
    shot.out.mkdir()
    with (shot.out / MANIFEST_NAME).open("a") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        with pytest.raises(JobError, match=f"process {os.getpid()} .* keeps it locked") as caught:
            run_frames(shot.tasks(), look)
    assert "End that process" in str(caught.value)


def test_a_signal_ends_the_wait_for_a_lock(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lock, "HURRIED_SECONDS", 0.1)
    shot.out.mkdir()
    with (shot.out / MANIFEST_NAME).open("a") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        threading.Timer(0.3, os.kill, (os.getpid(), signal.SIGTERM)).start()
        began = time.monotonic()
        summary = run_frames(shot.tasks(), look)
    assert summary.interrupted == signal.SIGTERM
    assert summary.not_begun == [1001, 1002, 1003, 1004]
    assert time.monotonic() - began < lock.WAIT_SECONDS / 2
    assert IMPATIENT_SECONDS < lock.WAIT_SECONDS


@pytest.mark.parametrize("length", [119, 150, 200, 240])
def test_long_names_do_not_destroy_each_other(shot: Folder, look: Preset, length: int) -> None:
    name = "a" * (length - 9)
    for path in sorted(shot.clean.iterdir()):
        path.rename(shot.clean / path.name.replace("arch", name))
    pattern = str(shot.clean / f"{name}.####.exr")
    assert run_frames(plan_tasks(pattern, out=f"{shot.out}/"), look).complete
    assert len(shot.digests()) == 4
    assert not shot.leftovers()


def test_names_of_letters_of_three_bytes_are_written(shot: Folder, look: Preset) -> None:
    # 78 letters, 234 bytes: with frame number and ending just within 255.
    name = "水" * 78
    for path in sorted(shot.clean.iterdir()):
        path.rename(shot.clean / path.name.replace("arch", name))
    made = run_frames(plan_tasks(str(shot.clean / f"{name}.####.exr"), out=f"{shot.out}/"), look)
    assert made.complete
    assert len(shot.digests()) == 4


def test_names_that_are_no_utf8_are_told_before_anything_is_made(shot: Folder, look: Preset) -> None:
    folder = Path(os.fsdecode(os.fsencode(shot.root) + b"/w\xffet"))
    with pytest.raises(SequenceError, match="no UTF-8") as caught:
        plan_tasks(shot.pattern, out=f"{folder}/")
    assert caught.value.code == "E-SEQUENCE-PATTERN"
    os.rename(shot.clean, folder)  # noqa: PTH104 - bytes that are no text
    with pytest.raises(SequenceError, match="no UTF-8"):
        plan_tasks(str(folder / "arch.####.exr"), out=f"{shot.out}/")
