"""The report tells what is there, and what is suspicious."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from halocline._typing import F32
from halocline.errors import ChannelError, ReadError, SequenceError
from halocline.imaging.depth import DepthSpec
from halocline.imaging.exr import Attribute, Part
from halocline.imaging.exr_write import PartPixels, write_exr
from halocline.imaging.input_spec import InputSpec
from halocline.imaging.load import load
from halocline.imaging.report import Obstacle, inspect

if TYPE_CHECKING:
    from tests.imaging.conftest import Scene


def planes_of(scene: Scene) -> dict[str, F32]:
    colour = {
        name: scene.alpha * np.float32(level) for name, level in zip("RGB", (0.5, 0.3, 0.2), strict=True)
    }
    positions = dict(zip(("P.X", "P.Y", "P.Z"), scene.position, strict=True))
    return {**colour, "A": scene.alpha, "Z": scene.planar, **positions}


def write(scene: Scene, path: Path, planes: Mapping[str, F32], **changes: object) -> Path:
    to_world = np.eye(4)
    to_world[:3, :3], to_world[:3, 3] = scene.camera.rotation, scene.camera.position_m
    matrix = (np.diag([1.0, 1.0, -1.0, 1.0]) @ np.linalg.inv(to_world)).T
    part = Part(
        index=0,
        name="",
        view="",
        channels={name: "half" if name in "RGBA" else "float" for name in planes},
        data_window=scene.window,
        display_window=scene.window,
        attributes={
            "worldToCamera": Attribute("matrix", tuple(matrix.ravel())),
            "nominalFocalLength": Attribute("float", 28.0),
            "sensorOverallDimensions": Attribute("float2", (36.0, 24.0)),
            "chromaticities": Attribute("float[8]", (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329)),
        },
    )
    write_exr(path, [PartPixels(replace(part, **changes), planes)])  # type: ignore[arg-type]
    return path


def test_a_sound_frame_is_described_without_warnings(scene: Scene, tmp_path: Path) -> None:
    report = inspect(write(scene, tmp_path / "a.exr", planes_of(scene)))
    assert report.warnings == ()
    (view,) = report.views
    assert view.depth is not None
    assert view.camera is not None
    assert view.depth.reasons[0].startswith("planar: agrees with the world positions")
    assert view.camera.horizontal_view_deg == pytest.approx(65.5, abs=0.1)
    assert view.depth.nearest_m == pytest.approx(float(np.nanmin(scene.range)), rel=0.02)
    assert view.depth.open_water_share == pytest.approx(float(np.mean(scene.alpha == 0)))
    text = "\n".join(report.lines())
    for word in ("float", "Z P.X P.Y P.Z", "96 x 64 at 0, 0", "28 mm on 36 mm", "lin_rec709", "open water"):
        assert word in text, word


def test_the_report_is_plain_data_for_machines(scene: Scene, tmp_path: Path) -> None:
    report = inspect(write(scene, tmp_path / "a.exr", planes_of(scene)))
    again = json.loads(json.dumps(report.to_dict()))
    assert again["parts"][0]["channels"]["Z"] == "float"
    assert again["views"][0]["depth"]["nearest_m"] > 0
    assert again["warnings"] == []


@pytest.mark.parametrize(("unit", "words"), [(100.0, "nearest surface is"), (0.0005, "mm from the lens")])
def test_a_depth_in_the_wrong_unit_is_told(scene: Scene, tmp_path: Path, unit: float, words: str) -> None:
    path = write(scene, tmp_path / "a.exr", planes_of(scene))
    report = inspect(path, InputSpec(depth=DepthSpec(unit_m=unit)))
    assert any(words in text for text in report.warnings), report.warnings


def test_alpha_without_depth_and_depth_without_alpha_are_told(scene: Scene, tmp_path: Path) -> None:
    planes = planes_of(scene)
    planes["Z"] = planes["Z"].copy()
    planes["A"] = planes["A"].copy()
    planes["Z"][50:54] = np.inf
    planes["A"][58:60] = 0
    report = inspect(write(scene, tmp_path / "a.exr", planes))
    assert sum("beauty and depth disagree" in text for text in report.warnings) == 2


def test_unpremultiplied_beauty_is_noticed(scene: Scene, tmp_path: Path) -> None:
    planes = planes_of(scene)
    for name in "RGB":
        planes[name] = np.full_like(planes[name], 0.4)
    path = write(scene, tmp_path / "a.exr", planes)
    assert any("looks unpremultiplied" in text for text in inspect(path).warnings)
    assert inspect(path, InputSpec(premultiplied=False)).warnings == ()
    other = write(scene, tmp_path / "b.exr", planes_of(scene))
    told = inspect(other, InputSpec(premultiplied=False)).warnings
    assert any("looks premultiplied already" in text for text in told)
    # What is sure is refused where nothing doubtful is taken.
    assert any("looks unpremultiplied" in text for text in load(path, judged=True).doubts)
    assert load(path, InputSpec(premultiplied=False), judged=True).doubts == ()


def test_a_file_without_depth_is_still_described(scene: Scene, tmp_path: Path) -> None:
    planes = {name: plane for name, plane in planes_of(scene).items() if name in "RGBA"}
    report = inspect(write(scene, tmp_path / "a.exr", planes))
    assert report.views[0].depth is None
    (problem,) = report.problems
    assert (problem.code, problem.where) == ("E-DEPTH-MISSING", str(tmp_path / "a.exr"))
    assert "no depth" in problem.message
    assert "--depth FILE" in problem.fix
    assert report.warnings == (problem.text,)
    assert json.loads(json.dumps(report.to_dict()))["problems"] == [asdict(problem)]


def test_depth_of_another_frame_is_a_problem_without_a_code(scene: Scene, tmp_path: Path) -> None:
    write(scene, tmp_path / "a.1001.exr", planes_of(scene))
    write(scene, tmp_path / "z.1002.exr", planes_of(scene))
    report = inspect(tmp_path / "a.####.exr", depth_path=tmp_path / "z.####.exr")
    assert report.problems == (Obstacle("", "", "frame 1001 has no depth; frame 1002's was taken", ""),)


def test_a_pass_in_files_of_its_own_is_described(scene: Scene, tmp_path: Path) -> None:
    write(scene, tmp_path / "a.1001.exr", planes_of(scene))
    matte = {"A": planes_of(scene)["A"]}
    write(scene, tmp_path / "m.1001.exr", matte)
    write(scene, tmp_path / "late.1002.exr", matte)
    own = {"arch": tmp_path / "m.####.exr"}
    report = inspect(tmp_path / "a.####.exr", pass_paths=own, wanted=["matte.arch"])
    assert report.problems == ()
    assert report.views[0].passes["matte.arch"] == ("A",)
    assert inspect(tmp_path / "a.####.exr", wanted=["matte.arch"]).problems[0].code == "E-CHANNEL-MISSING"
    report = inspect(tmp_path / "a.####.exr", pass_paths={"arch": tmp_path / "late.####.exr"})
    assert report.problems == (Obstacle("", "", "frame 1001 has no arch; frame 1002's was taken", ""),)


def test_a_sequence_is_described_by_its_first_frame_with_gaps_named(scene: Scene, tmp_path: Path) -> None:
    for frame in (1001, 1002, 1005):
        write(scene, tmp_path / f"a.{frame}.exr", planes_of(scene))
    report = inspect(tmp_path / "a.####.exr")
    assert (report.frames, report.missing_frames) == ("1001-1002,1005", "1003-1004")
    asked = inspect(tmp_path / "a.####.exr", frames="1000-1002")
    assert asked.path.endswith("a.1001.exr")
    assert asked.missing_frames == "1000"


def test_only_what_cannot_be_read_at_all_raises(tmp_path: Path) -> None:
    (tmp_path / "a.exr").write_bytes(b"nothing")
    with pytest.raises(ReadError, match="E-READ-OPEN"):
        inspect(tmp_path / "a.exr")
    with pytest.raises(SequenceError, match="E-SEQUENCE-EMPTY"):
        inspect(tmp_path / "b.####.exr")


def test_what_the_render_tells_of_edges_is_read_and_said(scene: Scene, tmp_path: Path) -> None:
    planes = planes_of(scene)
    rows, columns = scene.alpha.shape
    whole, depth = np.ones((rows, columns), np.float32), np.full((rows, columns), 3.0, np.float32)
    far, share = depth.copy(), whole.copy()
    # One column shows a quarter of something at 3 m before something at 12 m.
    far[:, 4], share[:, 4] = 12.0, 0.25
    own = {"A": whole, "Z": depth, "behind.Z": far, "cover.V": share}
    path = write(scene, tmp_path / "a.exr", {**planes, **own})
    stated = InputSpec(
        depth_channel="Z", far_depth="behind.Z", near_coverage="cover.V", depth=DepthSpec(kind="planar")
    )
    view = load(path, stated, wanted=["far_depth", "near_coverage"]).views[0]
    found = view.frame.planes
    assert view.warnings == ()
    assert not {"far_depth", "near_coverage"} & found.keys()
    np.testing.assert_array_equal(found["far_share"], 1.0 - share)
    np.testing.assert_allclose(found["far_range"][:, 4], 4.0 * found["range"][:, 4], rtol=1e-5)
    report = inspect(path, stated, wanted=["far_depth", "near_coverage"])
    assert report.views[0].passes["near_coverage"] == ("cover.V",)
    assert "behind.Z" not in report.views[0].other_depths
    told = next(line for line in report.lines() if "two surfaces" in line)
    assert "their shares and the farther one's depth as the render tells" in told
    with pytest.raises(ChannelError, match=r"input\.near_coverage_channel"):
        load(path, replace(stated, near_coverage="missing"), wanted=["near_coverage"])
