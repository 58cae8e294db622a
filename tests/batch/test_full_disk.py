"""A disk that fills up: frames fail, nothing half written counts, and resuming with room finishes the job."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from halocline.batch.run import run_frames

if TYPE_CHECKING:
    from tests.batch.conftest import Folder

    from halocline.presets.preset import Preset


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of a few hundred kilobytes, where the machine allows one to be made."""
    folder = tmp_path / "disk"
    folder.mkdir()
    made = shutil.which("mount") and subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=128k", "halocline-test", str(folder)],
        capture_output=True,
        check=False,
    )
    if not made or made.returncode:
        pytest.skip("no small disk can be mounted here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def test_a_full_disk_loses_nothing(empty_shot: Folder, look: Preset, small_disk: Path) -> None:
    shot = empty_shot.write(range(1001, 1013), size=(96, 64))
    run_frames(shot.tasks("room"), look)
    expected = shot.digests("room")
    assert sum(path.stat().st_size for path in (shot.root / "room").glob("*.exr")) > 128 << 10
    summary = run_frames(shot.tasks("disk"), look)
    assert summary.done
    assert summary.failed
    assert len(summary.done) + len(summary.failed) == 12
    codes = {failure.error.code for failure in summary.failed}
    assert codes <= {"E-WRITE-OPEN", "E-WRITE-PIXELS", "E-WRITE-CHECK", "E-JOB-MANIFEST"}
    found = shot.digests("disk")
    assert found.items() <= expected.items(), "every file there is whole"
    done = {record.out.name for record in summary.done}
    assert done <= found.keys()
    assert not shot.leftovers("disk")
    # With room again the rest is made, and only the rest.
    subprocess.run(["mount", "-o", "remount,size=4m", str(small_disk)], check=True)
    again = run_frames(shot.tasks("disk", overwrite=True), look, resume=True)
    assert again.complete
    assert {each.task.out.name for each in again.kept} == done
    assert shot.digests("disk") == expected
