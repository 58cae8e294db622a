"""A manifest keeps every whole record, whoever else writes to it and whatever happens to the writer."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest

from halocline.batch.frame_task import FrameRecord
from halocline.batch.manifest import MANIFEST_NAME, Manifest, done_fields, read_manifest
from halocline.batch.origin import FileDigest, Origin
from halocline.errors import JobError, ReadError


def test_records_of_many_writers_stay_whole(tmp_path: Path) -> None:
    def write(writer: int) -> None:
        manifest = Manifest(tmp_path)
        for number in range(25):
            manifest.append("frame", frame=number, out=f"{writer}.{number}.exr", text="ü" * 5000)

    threads = [threading.Thread(target=write, args=(writer,)) for writer in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    records = read_manifest(tmp_path)
    assert len({record["out"] for record in records}) == 150
    assert all(record["text"] == "ü" * 5000 for record in records)


def test_a_line_cut_short_by_a_death_costs_that_record_alone(tmp_path: Path) -> None:
    manifest = Manifest(tmp_path)
    manifest.append("frame", frame=1, out="a.1.exr")
    with (tmp_path / MANIFEST_NAME).open("ab") as file:
        file.write(b'{"kind": "frame", "frame": 2, "ou')
    manifest.append("frame", frame=3, out="a.3.exr")
    assert [record["frame"] for record in read_manifest(tmp_path)] == [1, 3]
    assert list(manifest.news()) == ["a.1.exr", "a.3.exr"]


def test_news_are_told_once(tmp_path: Path) -> None:
    manifest, other = Manifest(tmp_path), Manifest(tmp_path)
    manifest.append("frame", frame=1, out="a.1.exr")
    assert list(other.news()) == ["a.1.exr"]
    assert other.news() == {}
    manifest.append("frame", frame=1, out="a.1.exr", status="done")
    assert other.news()["a.1.exr"]["status"] == "done"


def test_a_line_beyond_all_reason_is_not_read_into_memory(tmp_path: Path) -> None:
    path = tmp_path / MANIFEST_NAME
    with path.open("wb") as file:
        file.write(b'{"kind": "frame", "frame": 1, "x": "' + b"y" * (9 << 20) + b'"}\n')
    Manifest(tmp_path).append("frame", frame=2, out="a.2.exr")
    assert [record["frame"] for record in read_manifest(path)] == [2]


def test_a_deeply_nested_line_is_passed_over(tmp_path: Path) -> None:
    (tmp_path / MANIFEST_NAME).write_bytes(b"[" * 200_000 + b"\n" + b'{"kind": "job"}\n')
    assert [record["kind"] for record in read_manifest(tmp_path)] == ["job"]


def test_a_manifest_that_is_not_there_says_so(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match="No such file") as caught:
        read_manifest(tmp_path)
    assert MANIFEST_NAME in str(caught.value)
    (tmp_path / MANIFEST_NAME).write_text("nothing of ours\n")
    with pytest.raises(ReadError, match="holds no record"):
        read_manifest(tmp_path)


def test_a_folder_that_is_gone_is_an_error_with_the_way_out(tmp_path: Path) -> None:
    with pytest.raises(JobError, match="the record cannot be added") as caught:
        Manifest(tmp_path / "gone").append("job")
    assert "resume" in str(caught.value)


@pytest.mark.parametrize("fault", ["short", "refused"])
def test_a_record_that_does_not_fit_leaves_the_manifest_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: str
) -> None:
    """As on a disk that fills up in the middle of a line, or is found full when the line is forced to it."""
    manifest = Manifest(tmp_path)
    manifest.append("frame", frame=1, out="a.1.exr")
    before = manifest.path.read_bytes()
    write = os.write
    if fault == "short":
        monkeypatch.setattr(os, "write", lambda handle, line: write(handle, line[:20]))
    else:

        def full(handle: int) -> None:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(JobError, match="No space left on device"):
        manifest.append("frame", frame=2, out="a.2.exr")
    monkeypatch.undo()
    assert manifest.path.read_bytes() == before
    manifest.append("frame", frame=3, out="a.3.exr")
    assert [record["frame"] for record in read_manifest(tmp_path)] == [1, 3]


def test_a_finished_frames_record_counts_what_was_cut_and_what_is_below_zero(tmp_path: Path) -> None:
    nothing = FileDigest("a.4.exr", 7, "0" * 64)
    record = FrameRecord(
        frame=4,
        out=tmp_path / "a.4.exr",
        origin=Origin(frame=4, preset="p", version="v", inputs={}),
        output=nothing,
        host="tern",
        process=7,
        began=1.5,
        seconds={"read": 0.5},
        clamped_values=3,
        below_zero=0.25,
        counts={"nan": 2},
        warnings=("look",),
        peak_memory_bytes=9,
    )
    told = done_fields(record)
    assert (told["clamped_values"], told["below_zero"], told["bad_pixels"]) == (3, 0.25, {"nan": 2})
