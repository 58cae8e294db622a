"""What a render shows shades the water in frames of files as in arrays."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import OpenEXR
import OpenImageIO as oiio
import pytest

from halocline._typing import F32, F64
from halocline.batch.frame_task import read_inputs, render
from halocline.batch.run import run_frames
from halocline.batch.task import FrameTask
from halocline.errors import ReadError
from halocline.graph.engine import Evaluation
from halocline.presets.preset import load_preset

if TYPE_CHECKING:
    from tests.batch.conftest import Folder

SHAFTS = ["sea.detail=256", "light.sun_elevation=60", "steps.light_shafts.rays=64"]


def test_frames_of_files_have_the_shadows_of_what_they_show(shot: Folder) -> None:
    def made(out: str, shadows: str) -> F32:
        look = load_preset("reef-flat-sunny", [*SHAFTS, f"steps.light_shafts.shadows={shadows}"])
        summary = run_frames(shot.tasks(out)[:1], look)
        assert not summary.failed
        (path,) = (shot.root / out).glob("*.exr")
        return np.asarray(oiio.ImageBuf(str(path)).get_pixels(oiio.FLOAT))

    assert np.abs(made("shaded", "true") - made("lit", "false")).max() > 1e-4


LOOK = """
format = 1
[water]
jerlov_type = "I"
[light]
sun_elevation = 90
[place]
sea_level = 9
[input]
depth_kind = "range"
[output]
data_type = "float"
[steps.veiling_light]
"""


def from_above(path: Path, depth_m: float, *, edge: int) -> Path:
    """What a sun overhead sees, 12 m over the lens: a hull of 6 by 6 m before it, a level floor around."""
    depth = np.full((60, 60), 40.0, np.float32)
    depth[edge : edge + 30, 15:45] = depth_m
    # Right along +x, up along -z, ahead down: row vectors, from the attributes' definition.
    to_camera = np.eye(4, dtype=np.float32)
    to_camera[:3, :3] = np.stack([[1, 0, 0], [0, 0, -1], [0, -1, 0]], axis=1)
    to_camera[3, :3] = -np.array([0.0, 12.0, -6.0]) @ to_camera[:3, :3]
    to_ndc = to_camera @ np.array(
        [[1 / 12, 0, 0, 0], [0, -1 / 12, 0, 0], [0, 0, 1, 0], [0.5, 0.5, 0, 1]], np.float32
    )
    OpenEXR.File({"worldToCamera": to_camera, "worldToNDC": to_ndc}, {"Z": depth}).write(str(path))
    return path


def written(path: Path, range_m: F64) -> Path:
    """A picture of dark things at ranges, open water where there is none."""
    alpha = np.isfinite(range_m)
    planes = dict.fromkeys("RGB", 0.01 * alpha) | {"A": alpha, "Z": range_m}
    channels = {name: np.asarray(plane, np.float32) for name, plane in planes.items()}
    space = (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329)
    OpenEXR.File({"chromaticities": space}, channels).write(str(path))
    return path


def wet(beauty: Path, *settings: str, **passes: Path) -> tuple[F32, bool]:
    """The frame under water, and whether it was told that unseen things throw no shadow."""
    rgb, told = wet_and_told(beauty, *settings, **passes)
    return rgb, any("as far as the camera sees" in line for line in told)


def wet_and_told(beauty: Path, *settings: str, **passes: Path) -> tuple[F32, tuple[str, ...]]:
    """The frame under water, and all that was told."""
    (beauty.parent / "look.toml").write_text(LOOK, encoding="utf-8")
    preset = load_preset(beauty.parent / "look.toml", settings)
    out = beauty.parent / "wet.exr"
    task = FrameTask(1001, beauty, None, out, replace=True, passes=tuple(passes.items()))
    result = render(read_inputs(task, preset), preset, Evaluation(1))
    return result.pictures[""].rgb, result.warnings


def test_what_the_sun_sees_casts_and_what_the_camera_sees_no_longer(tmp_path: Path) -> None:
    range_m = np.full((36, 64), np.inf)
    range_m[:8, 20:44] = 11.0
    beauty = written(tmp_path / "beauty.exr", range_m)
    above = from_above(tmp_path / "sun.exr", 3.5, edge=15)
    stated_here = f'input.sun_depth="{above.name}"'
    keys = "light.shadows=false", "light.shadows=true", stated_here
    off, seen, stated = (wet(beauty, key)[0] for key in keys)
    # The column under the hull is before the lens; of what the camera sees alone there is no hull over it.
    level = np.s_[:, 18:24, 28:36]
    assert 0.6 < stated[level].mean() / off[level].mean() < 0.9
    assert seen[level].mean() > 0.97 * off[level].mean()
    # Aside of it the water is lit.
    assert stated[:, 18:24, :4].mean() > 0.9 * off[:, 18:24, :4].mean()
    np.testing.assert_array_equal(wet(beauty, sun_depth=above)[0], stated)
    # A frame's own picture goes before the preset's.
    aside = from_above(tmp_path / "moved.exr", 3.5, edge=0)
    assert np.abs(wet(beauty, stated_here, sun_depth=aside)[0] - stated).max() > 1e-3


@pytest.mark.parametrize("change", ["link", "other content, old date", "replaced"])
def test_what_the_sun_sees_is_of_the_picture_that_is_on_record(tmp_path: Path, change: str) -> None:
    """It is read when the frame is rendered: of another picture the shadow would be on no record."""
    range_m = np.full((36, 64), np.inf)
    range_m[:8, 20:44] = 11.0
    beauty = written(tmp_path / "beauty.exr", range_m)
    above, other = (from_above(tmp_path / f"{edge}.exr", 3.5, edge=edge) for edge in (15, 0))
    (tmp_path / "look.toml").write_text(LOOK, encoding="utf-8")
    preset = load_preset(tmp_path / "look.toml")
    task = FrameTask(1001, beauty, None, tmp_path / "wet.exr", passes=(("sun_depth", above),))
    inputs = read_inputs(task, preset)
    stated = render(inputs, preset, Evaluation(1)).pictures[""].rgb
    if change == "link":
        (tmp_path / "backup.exr").hardlink_to(above)
        np.testing.assert_array_equal(render(inputs, preset, Evaluation(1)).pictures[""].rgb, stated)
        return
    if change == "replaced":
        other.replace(above)
    else:
        found = above.stat()
        data = other.read_bytes().ljust(found.st_size, b"\0")[: found.st_size]
        with above.open("r+b") as opened:
            opened.write(data)
        os.utime(above, ns=(found.st_atime_ns, found.st_mtime_ns))
    with pytest.raises(ReadError) as caught:
        render(inputs, preset, Evaluation(1))
    assert caught.value.code == "E-READ-CHANGED"
    assert caught.value.where == str(above)


def test_it_is_told_where_unseen_things_would_matter(tmp_path: Path) -> None:
    # A level roof a metre over the lens, before which the water is dark.
    across, high = ((np.arange(count) + 0.5 - count / 2) * 36 / 35 / 64 for count in (64, 36))
    slant = np.sqrt(1.0 + np.add.outer(high**2, across**2))
    range_m = np.where(high[:, None] < -0.05, slant / np.maximum(-high[:, None], 0.05), np.inf)
    beauty = written(tmp_path / "beauty.exr", range_m)
    above = from_above(tmp_path / "sun.exr", 3.5, edge=15)
    assert wet(beauty)[1]
    assert not wet(beauty, "light.shadows=false")[1]
    assert not wet(beauty, sun_depth=above)[1]
    assert not wet(written(tmp_path / "open.exr", np.full((36, 64), np.inf)))[1]


def test_a_view_from_elsewhere_than_the_sun_is_told(tmp_path: Path) -> None:
    beauty = written(tmp_path / "beauty.exr", np.full((36, 64), np.inf))
    above = from_above(tmp_path / "sun.exr", 3.5, edge=15)

    def told(*settings: str) -> str:
        return " ".join(
            line for line in wet_and_told(beauty, *settings, sun_depth=above)[1] if "sun_depth" in line
        )

    assert told() == ""
    # A few degrees are nothing.
    assert told("light.sun_elevation=85", "light.sun_azimuth=70") == ""
    line = told("light.sun_elevation=30", "light.sun_azimuth=70")
    assert "light.sun_elevation = 90" in line
    assert "stands 30 degrees high" in line
