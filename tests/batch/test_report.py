"""A report says what a manifest holds, and survives whatever else is in it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

from halocline.batch.manifest import read_manifest
from halocline.batch.report import report_on
from halocline.batch.run import run_frames

if TYPE_CHECKING:
    from tests.batch.conftest import Folder

    from halocline.presets.preset import Preset


def test_a_report_adds_up_a_run_with_failures(shot: Folder, look: Preset) -> None:
    (shot.clean / "arch.1002.exr").write_bytes(b"junk")
    run_frames(shot.tasks(), look)
    report = report_on(read_manifest(shot.out))
    assert report.done == (1001, 1003, 1004)
    assert [(each.frame, each.code) for each in report.failed] == [(1002, "E-READ-OPEN")]
    assert report.bytes == sum(path.stat().st_size for path in shot.out.glob("*.exr"))
    assert len(report.slowest) == 3
    assert report.presets == (f"jerlov-1c ({look.digest[:12]})",)
    text = report.text()
    assert "3 made: 1001,1003-1004" in text
    assert "failed    1002: E-READ-OPEN" in text
    json.dumps(report.to_dict(), allow_nan=False)


def test_the_latest_record_of_a_frame_counts(shot: Folder, look: Preset, other_look: Preset) -> None:
    whole = (shot.clean / "arch.1002.exr").read_bytes()
    (shot.clean / "arch.1002.exr").write_bytes(b"junk")
    run_frames(shot.tasks(), look)
    (shot.clean / "arch.1002.exr").write_bytes(whole)
    run_frames(shot.tasks(frames="1002", overwrite=True), other_look, overwrite=True)
    report = report_on(read_manifest(shot.out))
    assert not report.failed
    assert report.done == (1001, 1002, 1003, 1004)
    assert report.jobs == 2
    assert "frames from different presets stand side by side" in report.text()


@pytest.mark.parametrize(
    "junk",
    [
        {"kind": "frame"},
        {"kind": "frame", "frame": "1"},
        {"kind": "frame", "frame": 1, "status": "done"},
        {"kind": "frame", "frame": 1, "status": "done", "seconds": {"read": "x"}, "output": [], "origin": 3},
        {"kind": "frame", "frame": 1, "status": "done", "warnings": 7, "bad_pixels": None},
        {"kind": "frame", "frame": 1, "status": "failed", "error": "no"},
        {"kind": "job", "preset": None},
        {"kind": "checks", "lines": ["all is well"]},
    ],
)
def test_records_that_make_no_sense_do_no_harm(junk: dict[str, Any]) -> None:
    text = report_on([junk]).text()
    assert "frames" in text


def test_an_empty_manifest_has_a_report() -> None:
    assert "0 made" in report_on([{"kind": "job"}]).text()
