"""The file for Prometheus, read back by the client library's own parser."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from halocline.batch.events import FrameDone, FrameFailed, FrameKept
from halocline.batch.frame_task import FrameRecord
from halocline.batch.origin import FileDigest, Origin
from halocline.batch.task import FrameTask
from halocline.cli.metrics import STATUSES, Metrics
from halocline.errors import JobError

TASK = FrameTask(1, Path("a.1.exr"), None, Path("wet.1.exr"))
RECORD = FrameRecord(
    frame=1,
    out=Path("wet.1.exr"),
    origin=Origin(frame=1, preset="p", version="v", inputs={}),
    output=FileDigest("wet.1.exr", 7, "0" * 64),
    host="tern",
    process=7,
    began=1.5,
    seconds={"read": 0.5, "render": 1.25},
    clamped_values=0,
    below_zero=0.0,
    counts={},
    warnings=(),
    peak_memory_bytes=9,
)


def samples(path: Path) -> dict[tuple[str, ...], float]:
    """Return every sample by its name and labels."""
    return {
        (sample.name, *sample.labels.values()): sample.value
        for family in text_string_to_metric_families(path.read_text(encoding="utf-8"))
        for sample in family.samples
    }


def test_the_file_says_how_far_each_shot_is(tmp_path: Path) -> None:
    path = tmp_path / "halocline.prom"
    metrics = Metrics(path)
    metrics.begin('arch "010"', 4)
    assert samples(path)["halocline_frames_total", 'arch "010"', "done"] == 0.0
    for event in (
        FrameDone(RECORD, TASK),
        FrameDone(replace(RECORD, peak_memory_bytes=5), TASK),
        FrameKept(TASK, "it is good"),
        FrameFailed(TASK, JobError("broken", code="E-JOB-SHOT")),
    ):
        metrics.tell('arch "010"', event)
    metrics.begin("anchor", 2)
    found = samples(path)
    assert found["halocline_frames_wanted", 'arch "010"'] == 4.0
    assert found["halocline_frames_wanted", "anchor"] == 2.0
    counts = [found["halocline_frames_total", 'arch "010"', status] for status in STATUSES]
    assert dict(zip(STATUSES, counts, strict=True)) == {
        "done": 2,
        "kept": 1,
        "failed": 1,
        "elsewhere": 0,
        "skipped": 0,
    }
    assert found["halocline_frame_seconds_total", 'arch "010"', "render"] == 2.5
    assert found["halocline_peak_memory_bytes", 'arch "010"'] == 9.0
    assert found["halocline_latest_frame_time_seconds", 'arch "010"'] > 1.7e9
    assert [entry.name for entry in tmp_path.iterdir()] == ["halocline.prom"]


def test_a_file_that_cannot_be_written_is_told_first_and_stops_nothing_later(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(JobError, match="cannot be written") as caught:
        Metrics(tmp_path / "none" / "halocline.prom")
    assert caught.value.code == "E-JOB-METRICS"
    folder = tmp_path / "there"
    folder.mkdir()
    metrics = Metrics(folder / "halocline.prom")
    (folder / "halocline.prom").unlink()
    folder.rmdir()
    for _ in range(3):
        metrics.tell("arch", FrameKept(TASK, "it is good"))
    assert capsys.readouterr().err.count("the job goes on") == 1


def test_a_client_library_that_is_not_there_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "prometheus_client", None)
    with pytest.raises(JobError, match="is not installed") as caught:
        Metrics(tmp_path / "halocline.prom")
    assert "halocline[metrics]" in str(caught.value)
