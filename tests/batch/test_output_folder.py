"""What is known of the output folder is told before the first frame."""

from __future__ import annotations

import errno
import os
import shutil
from collections import namedtuple
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from halocline.batch.output_folder import refuse_folders, space_warnings
from halocline.batch.run import run_frames
from halocline.errors import WriteError

if TYPE_CHECKING:
    from tests.batch.conftest import Folder

    from halocline.presets.preset import Preset

Usage = namedtuple("Usage", "total used free")


@pytest.mark.parametrize("answer", [errno.EACCES, errno.EROFS, errno.ENOSPC, errno.EDQUOT])
def test_a_folder_that_takes_no_file_is_told_before_anything_is_rendered(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch, answer: int
) -> None:
    # Tests may run as root, whom permissions do not stop: the system's answer is given in its place.
    honest = os.open

    def refusing(path: Any, flags: int, *rest: Any, **more: Any) -> int:
        if str(path).startswith(str(shot.out)):
            raise OSError(answer, os.strerror(answer))
        return honest(path, flags, *rest, **more)

    events: list[object] = []
    tasks = shot.tasks()
    monkeypatch.setattr(os, "open", refusing)
    with pytest.raises(WriteError, match=f"takes no file: {os.strerror(answer)}") as caught:
        run_frames(tasks, look, report=events.append)
    assert (caught.value.code, caught.value.where) == ("E-WRITE-FOLDER", str(shot.out))
    assert not events


def test_a_name_that_the_folder_has_no_room_for_is_told_first(shot: Folder) -> None:
    shot.out.mkdir()
    tasks = [replace(task, out=shot.out / f"{'水' * 84}{task.frame}.exr") for task in shot.tasks()]
    with pytest.raises(WriteError, match=r"has 260 bytes, and this folder takes 255"):
        refuse_folders(tasks)


def test_a_good_folder_is_left_as_it_was(shot: Folder) -> None:
    shot.out.mkdir()
    refuse_folders(shot.tasks())
    assert list(shot.out.iterdir()) == []


def test_too_little_room_is_told(shot: Folder, monkeypatch: pytest.MonkeyPatch) -> None:
    size = sum(path.stat().st_size for path in shot.clean.iterdir())
    for free, told in ((size, 0), (size - 1, 1)):
        monkeypatch.setattr(shutil, "disk_usage", lambda _path, free=free: Usage(0, 0, free))
        warnings = space_warnings(shot.tasks())
        assert len(warnings) == told
    assert "are free, and the frames will need about" in warnings[0]
    # Frames that are there already need room for what is more in the new ones only.
    shot.out.mkdir()
    for path in shot.clean.iterdir():
        shutil.copy(path, shot.out)
    assert space_warnings(shot.tasks(overwrite=True)) == []
