"""Cameras that the preset states reach the frames: by keys, by curves, by a file of cameras."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from tests.batch.conftest import write_frame

from halocline._typing import F64
from halocline.batch.frame_task import read_inputs
from halocline.batch.plan_tasks import plan_tasks
from halocline.batch.task import FrameTask
from halocline.errors import CameraError, PresetError
from halocline.imaging.camera_track import CameraTrack
from halocline.presets.preset import Preset, load_preset, preset_from_text

LOOK = "format = 1\n[water]\njerlov_type = 'IB'\n[steps.attenuation]\n"
RADIUS_M = 6.0


def on_the_circle(frame: float) -> tuple[float, float, float]:
    """A lens that goes round the anchor, 20 degrees a frame: no straight line will do."""
    turn = math.radians(20.0 * (frame - 1001))
    return RADIUS_M * math.sin(turn), -3.0, RADIUS_M * math.cos(turn)


def preset_beside(folder: Path, moments: list[float], camera: str = "") -> Preset:
    rows = ["frame,x,y,z,pan,focal_length_mm"]
    for frame in moments:
        x, y, z = on_the_circle(frame)
        rows.append(f"{frame},{x!r},{y},{z!r},{-20.0 * (frame - 1001)},{35 + frame - 1001}")
    (folder / "anchor.csv").write_text("\n".join(rows), encoding="utf-8")
    (folder / "look.toml").write_text(LOOK + f"[camera]\ntrack = 'anchor.csv'\n{camera}", encoding="utf-8")
    return load_preset(folder / "look.toml")


@pytest.fixture
def tasks(tmp_path: Path) -> list[FrameTask]:
    for frame in (1001, 1002, 1003):
        write_frame(tmp_path / f"arch.{frame}.exr", frame)
    return plan_tasks(str(tmp_path / "arch.####.exr"), out=str(tmp_path / "wet"))


def track_of(task: FrameTask, preset: Preset) -> CameraTrack:
    return read_inputs(task, preset).tracks[""]


def place(track: CameraTrack, frame: float) -> F64:
    return track.at(frame).position_m


def test_a_file_of_cameras_moves_the_lens_within_the_shutter(tmp_path: Path, tasks: list[FrameTask]) -> None:
    """track = FILE: rows between frames make the path in the shutter; without them it is a chord."""
    fine = preset_beside(tmp_path, [1000, 1001, 1001.75, 1002, 1002.25, 1003, 1004])
    track = track_of(tasks[1], fine)
    for frame in (1001.75, 1002, 1002.25):
        np.testing.assert_allclose(place(track, frame), on_the_circle(frame), atol=1e-9)
    coarse = track_of(tasks[1], preset_beside(tmp_path, [1000, 1001, 1002, 1003, 1004]))
    # The sagitta of a chord at a quarter of its length: r (cos 10 deg - cos 5 deg) below the circle, 0.07 m.
    assert np.linalg.norm(place(coarse, 1002.25) - on_the_circle(1002.25)) > 0.05
    # The render's own camera stands elsewhere; the file wins, and turns the lens to the middle.
    assert track.at(1002).focal_length_mm == 36.0
    middle, _ = track.at(1002).project(np.array([[0.0, -3.0, 0.0]]))
    np.testing.assert_allclose(middle, [[20.0, 12.0]], atol=1e-9)


def test_the_first_and_the_last_frame_are_exact_and_know_what_lies_beyond(
    tmp_path: Path, tasks: list[FrameTask]
) -> None:
    preset = preset_beside(tmp_path, [1000, 1000.75, 1001, 1002, 1003, 1003.25, 1004])
    for task, outside in ((tasks[0], 1000.75), (tasks[-1], 1003.25)):
        track = track_of(task, preset)
        np.testing.assert_array_equal(place(track, task.frame), on_the_circle(task.frame))
        np.testing.assert_allclose(place(track, outside), on_the_circle(outside), atol=1e-9)


def test_a_frame_that_the_file_does_not_reach_is_refused(tmp_path: Path, tasks: list[FrameTask]) -> None:
    with pytest.raises(CameraError, match=r"E-CAMERA-TRACK.*anchor\.csv.*1001 to 1002, not 1003"):
        read_inputs(tasks[2], preset_beside(tmp_path, [1001, 1002]))


def test_a_preset_with_a_wrong_file_of_cameras_is_refused_with_its_line(tmp_path: Path) -> None:
    with pytest.raises(PresetError, match=r"look\.toml, line 6.*line 3: frame 1001 is there twice"):
        preset_beside(tmp_path, [1001, 1001])


def test_a_resolved_preset_refuses_another_file_of_that_name(tmp_path: Path) -> None:
    preset = preset_beside(tmp_path, [1001, 1002])
    (tmp_path / "resolved.toml").write_text(preset.resolved_text, encoding="utf-8")
    assert load_preset(tmp_path / "resolved.toml").digest == preset.digest
    preset_beside(tmp_path, [1001, 1003])
    with pytest.raises(PresetError, match=r"anchor\.csv is not the file that the preset was resolved with"):
        load_preset(tmp_path / "resolved.toml")


def test_a_zoom_by_a_curve_is_known_before_and_after_the_frame(tasks: list[FrameTask]) -> None:
    zoom = "{ curve = 'linear', keys = [[1001, 30.0], [1003, 50.0]] }"
    stated = f"[camera]\nreplace = true\nfocal_length_mm = {zoom}\n"
    track = track_of(tasks[1], preset_from_text(LOOK + stated))
    assert [track.at(frame).focal_length_mm for frame in (1001, 1001.5, 1002, 1003)] == [30, 35, 40, 50]


def test_a_camera_without_a_matrix_is_level_where_z_is_up(tmp_path: Path) -> None:
    write_frame(tmp_path / "arch.1001.exr", 1001)
    (task,) = plan_tasks(str(tmp_path / "arch.1001.exr"), out=str(tmp_path / "wet"))
    stated = "[camera]\nreplace = true\nposition = [1.0, 2.0, -4.0]\n[place]\nup = '+z'\nahead = '+y'\n"
    camera = track_of(task, preset_from_text(LOOK + stated)).at(1001)
    np.testing.assert_allclose(camera.rotation, [[1, 0, 0], [0, 0, -1], [0, 1, 0]])
    np.testing.assert_array_equal(camera.position_m, [1.0, 2.0, -4.0])
