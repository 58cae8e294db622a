"""Frames that are written as they are computed, and never held whole: the same files to the byte."""

from __future__ import annotations

import errno
import mmap
import os
from dataclasses import replace
from pathlib import Path

import pytest
from tests.batch.test_output import clean, task_of

from halocline.batch import memory_budget
from halocline.batch.events import FrameDone, FrameFailed
from halocline.batch.frame_task import FrameRecord, read_inputs, render, write_result
from halocline.batch.memory_budget import frame_need, size_job
from halocline.batch.pipeline import Pipeline
from halocline.batch.signals import StopRequest
from halocline.compute import planes_on_disk
from halocline.errors import JobError
from halocline.graph.engine import Evaluation
from halocline.imaging import exr_write
from halocline.imaging.exr import Header, read_header
from halocline.imaging.frame import Window
from halocline.presets.preset import Preset, preset_from_text

CORE = "[steps.downwelling]\n[steps.attenuation]\n"
HALO = CORE + "[steps.forward_scatter]\n[steps.veiling_light]\n"
PORT = CORE + "[steps.veiling_light]\n[steps.flat_port]\n"


def preset_of(steps: str, *settings: str) -> Preset:
    return preset_from_text('format = 1\n[water]\njerlov_type = "1C"\n' + steps, settings)


def record_of(source: Path, preset: Preset, name: str, how: Evaluation) -> FrameRecord:
    task = replace(task_of(source, name))
    return write_result(render(read_inputs(task, preset), preset, how), preset)


@pytest.mark.parametrize(
    ("steps", "settings"),
    [
        (HALO, ("output.layers=['direct', 'scatter', 'range']",)),
        (PORT, ()),
        (
            CORE,
            ("output.colour_space='ACEScg'", "output.gamut_compression='reference'", "output.carry=['*']"),
        ),
    ],
)
def test_a_frame_by_rows_is_the_frame_to_the_byte(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, steps: str, settings: tuple[str, ...]
) -> None:
    # Blocks that divide neither the picture nor its tiles.
    monkeypatch.setattr(exr_write, "ROWS_WRITTEN", 7)
    source, preset = clean(tmp_path / "clean.1001.exr"), preset_of(steps, *settings)
    whole = record_of(source, preset, "whole.exr", Evaluation(1))
    rows = record_of(source, preset, "rows.exr", Evaluation(2, 3, by_rows=True))
    assert (tmp_path / "rows.exr").read_bytes() == (tmp_path / "whole.exr").read_bytes()
    assert (rows.below_zero, rows.clamped_values) == (whole.below_zero, whole.clamped_values)


def test_planes_on_disk_give_the_frame_to_the_byte(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(planes_on_disk, "LARGE_BYTES", 64)
    # A watcher that finds too much there at every look.
    monkeypatch.setattr(planes_on_disk, "RESIDENT_BYTES", -(1 << 60))
    monkeypatch.setattr(planes_on_disk, "_LOOK_SECONDS", 1e-4)
    folders: list[set[str]] = []
    mapped = planes_on_disk.PlanesOnDisk._mapped

    def noted(self: planes_on_disk.PlanesOnDisk, size: int) -> mmap.mmap:
        made = mapped(self, size)
        folders.append({path.name for path in tmp_path.iterdir()})
        return made

    monkeypatch.setattr(planes_on_disk.PlanesOnDisk, "_mapped", noted)
    source = clean(tmp_path / "clean.1001.exr")
    for steps, settings in (
        (HALO, ()),
        (HALO, ("steps.forward_scatter.detail='bands'", "input.depth_edges='averaged'")),
        (CORE, ("input.depth_kind='negative_planar'",)),
    ):
        preset = preset_of(steps, *settings)
        record_of(source, preset, "whole.exr", Evaluation(1))
        pipeline = Pipeline(preset, Evaluation(2, 3, by_rows=True, on_disk=True), overlapped=False)
        folders.clear()
        (outcome,) = pipeline.outcomes([task_of(source, "rows.exr")], StopRequest())
        assert isinstance(outcome, FrameDone), outcome
        assert (tmp_path / "rows.exr").read_bytes() == (tmp_path / "whole.exr").read_bytes()
        assert len(folders) > 5
        # But for the output under its hidden name.
        others = set().union(*folders) - {source.name, "whole.exr"}
        assert all(name.startswith(".rows.exr.") for name in others), "no file of a plane has a name"
        for name in ("rows.exr", "whole.exr"):
            (tmp_path / name).unlink()
    assert planes_on_disk.here() is None


def test_a_disk_without_room_for_planes_fails_the_frame_and_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(planes_on_disk, "LARGE_BYTES", 64)

    def full(handle: int, start: int, size: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "posix_fallocate", full)
    source, preset = clean(tmp_path / "clean.1001.exr"), preset_of(HALO)
    pipeline = Pipeline(preset, Evaluation(1, by_rows=True, on_disk=True), overlapped=False)
    (outcome,) = pipeline.outcomes([task_of(source, "rows.exr")], StopRequest())
    assert isinstance(outcome, FrameFailed)
    assert outcome.error.code == "E-WRITE-OPEN"
    assert "planes of the frame cannot be kept here while it is made: No space left" in str(outcome.error)
    assert str(tmp_path) in str(outcome.error)
    assert "Make room on its disk" in str(outcome.error)
    assert [path.name for path in tmp_path.iterdir()] == [source.name]


def test_planes_go_to_disk_where_memory_is_too_short_for_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source, preset = clean(tmp_path / "clean.1001.exr"), preset_of(HALO)
    # As if the header told of a large frame.
    window = Window(0, 0, 8192, 4096)

    def large(path: Path) -> Header:
        header = read_header(path)
        parts = (replace(part, data_window=window, display_window=window) for part in header.parts)
        return replace(header, parts=tuple(parts))

    monkeypatch.setattr(memory_budget, "read_header", large)
    tasks = [task_of(source)]
    need = frame_need(tasks, preset)
    assert need is not None
    in_memory, on_disk = need.least(on_disk=False), need.least(on_disk=True)
    assert on_disk < 0.5 * in_memory
    kept = size_job(tasks, preset, threads=1, memory_bytes=in_memory)
    assert kept.by_rows
    assert not kept.on_disk
    assert not kept.evaluation.on_disk
    sizing = size_job(tasks, preset, threads=1, memory_bytes=in_memory - 1)
    assert sizing.evaluation.on_disk
    assert sizing.process_bytes < in_memory
    # Ten planes that are read or made of what is, and seven of the halo.
    assert sizing.on_disk == need.planes == 17 * 4 * 8192 * 4096
    assert "written as it is computed, planes on disk: 2.1 GiB beside the output" in str(sizing)
    memory_budget.refuse_oversize(tasks[0], preset, on_disk, on_disk=True)
    with pytest.raises(JobError, match="its header asks for 34 million pixels"):
        memory_budget.refuse_oversize(tasks[0], preset, on_disk, on_disk=False)
    with pytest.raises(JobError, match=r"with 2\.1 GiB of planes on disk already"):
        size_job(tasks, preset, threads=1, memory_bytes=on_disk - 1)
    monkeypatch.setattr(memory_budget, "room_on_disk", lambda _: need.planes - 1)
    with pytest.raises(
        JobError, match=r"would take 2\.1 GiB, and there is room for 2\.1 GiB beside the output"
    ):
        size_job(tasks, preset, threads=1, memory_bytes=in_memory - 1)
    # What a step holds that works on copies of the picture stays in memory; an element is made whole.
    port = frame_need(tasks, preset_of(PORT))
    assert port is not None
    assert port.planes == 10 * 4 * 8192 * 4096
    element = frame_need(tasks, preset_of(CORE, "output.element=true"))
    assert element is not None
    assert element.planes == 0


def test_a_job_that_has_too_little_memory_for_whole_frames_writes_by_rows(tmp_path: Path) -> None:
    source, preset = clean(tmp_path / "clean.1001.exr"), preset_of(CORE)
    need = frame_need([task_of(source)], preset)
    assert need is not None
    whole = need.peak(overlapped=False, threads=1, tile_rows=None)
    least = need.peak(overlapped=False, threads=1, tile_rows=1, by_rows=True)
    assert least < whole
    sizing = size_job([task_of(source)], preset, threads=1, memory_bytes=whole - 1)
    assert sizing.by_rows
    assert sizing.evaluation.by_rows
    assert "written as it is computed (what is read is held whole)" in str(sizing)
    with pytest.raises(JobError, match=r"one frame at a time needs about .*; what is read is held whole"):
        size_job([task_of(source)], preset, threads=1, memory_bytes=least - 1)


def test_what_is_held_whole_is_told_by_its_step_before_the_frame(tmp_path: Path) -> None:
    source = clean(tmp_path / "clean.1001.exr")
    halo = preset_of(f"[steps.blur]\noperator = 'forward_scatter'\n{CORE}")
    need = frame_need([task_of(source)], halo)
    assert need is not None
    assert need.looking == ("blur",)
    whole = need.peak(overlapped=False, threads=1, tile_rows=None)
    sizing = size_job([task_of(source)], halo, threads=1, memory_bytes=whole - 1)
    assert "(what is read, and the picture for blur, are held whole)" in str(sizing)
    element = preset_of(CORE, "output.element=true")
    with pytest.raises(JobError, match="an element is made whole"):
        size_job([task_of(source)], element, threads=1, memory_bytes=1 << 20)
