"""Frames that are written as they are computed, and never held whole: the same files to the byte."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from tests.batch.test_output import clean, task_of

from halocline.batch.frame_task import FrameRecord, read_inputs, render, write_result
from halocline.batch.memory_budget import frame_need, size_job
from halocline.errors import JobError
from halocline.graph.engine import Evaluation
from halocline.imaging import exr_write
from halocline.operators import forward_scatter
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
    # Blocks that divide neither the picture nor its tiles; more than one is looked over.
    monkeypatch.setattr(exr_write, "ROWS_WRITTEN", 7)
    monkeypatch.setattr(forward_scatter, "ROWS_SURVEYED", 8)
    source, preset = clean(tmp_path / "clean.1001.exr"), preset_of(steps, *settings)
    whole = record_of(source, preset, "whole.exr", Evaluation(1))
    rows = record_of(source, preset, "rows.exr", Evaluation(2, 3, by_rows=True))
    assert (tmp_path / "rows.exr").read_bytes() == (tmp_path / "whole.exr").read_bytes()
    assert (rows.below_zero, rows.clamped_values) == (whole.below_zero, whole.clamped_values)


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
