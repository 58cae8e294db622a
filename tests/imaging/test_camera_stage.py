"""Cameras of USD stages: stages are written by usd-core, and points seen where its own frustum puts them."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from halocline._typing import F64
from halocline.batch.task import FrameTask, camera_moments, input_spec
from halocline.errors import CameraError, HaloclineError, PresetError
from halocline.imaging.camera_file import CameraFile
from halocline.imaging.camera_metadata import find_camera
from halocline.imaging.camera_stage import StageReading, read_stage
from halocline.imaging.exr import Part
from halocline.imaging.frame import Window
from halocline.presets.preset import load_preset

pxr = pytest.importorskip("pxr", reason="the extra usd is not installed")
from pxr import Gf, Usd, UsdGeom  # noqa: E402

WINDOW = Window(0, 0, 192, 108)
# Points of an archway before the lens, centimetres.
POINTS = np.array(
    [[0.0, 0.0, -800.0], [300.0, 100.0, -900.0], [-250.0, 200.0, -700.0], [100.0, -200.0, -1200]]
)
LOOK = "format = 1\n[water]\njerlov_type = 'IB'\n[steps.attenuation]\n[input]\nscene_unit = 'cm'\n[camera]\n"
CAMERA = "/shot/rig/camera"


def write_stage(path: Path, *, unit_m: float | None = 0.01, up: str = "Y", codes: float = 24.0) -> Any:
    """Write a stage of a camera that moves within a group that moves and is scaled; lens and film change."""
    stage = Usd.Stage.CreateNew(str(path))
    if unit_m is not None:
        UsdGeom.SetStageMetersPerUnit(stage, unit_m)
    UsdGeom.SetStageUpAxis(stage, up)
    stage.SetTimeCodesPerSecond(codes)
    group = UsdGeom.Xform.Define(stage, "/shot/rig")
    move, _ = group.AddTranslateOp(), group.AddScaleOp().Set(Gf.Vec3f(2.0))
    camera = UsdGeom.Camera.Define(stage, CAMERA)
    place, turn = camera.AddTranslateOp(), camera.AddRotateXYZOp()
    for code, share in ((1001.0, 0.0), (1010.0, 0.25), (1024.0, 1.0)):
        move.Set(Gf.Vec3d(3.0 + 40.0 * share, -2.0, 0.1), code)
        place.Set(Gf.Vec3d(0.5, 0.25 - 10.0 * share, 1.0 + 3.0 * share**2), code)
        turn.Set(Gf.Vec3f(-6.0 + 3.0 * share, 4.0 - 9.0 * share, 9.0), code)
        camera.GetFocalLengthAttr().Set(35.0 + 35.0 * share, code)
    camera.GetHorizontalApertureAttr().Set(36.0)
    camera.GetVerticalApertureAttr().Set(20.25)
    camera.GetHorizontalApertureOffsetAttr().Set(1.5)
    camera.GetVerticalApertureOffsetAttr().Set(-0.75)
    camera.GetClippingRangeAttr().Set(Gf.Vec2f(2.0, 5000.0))
    UsdGeom.Mesh.Define(stage, "/shot/arch")
    stage.Save()
    return stage


@pytest.fixture(scope="module")
def stage_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("stage") / "shot.usda"
    write_stage(path)
    return path


def reading(**stated: Any) -> StageReading:
    return StageReading((("", CAMERA),), **{"scene_unit_m": 0.01, **stated})


def seen(file: CameraFile, frame: float, points_m: F64) -> F64:
    part = Part(0, "", "", {"R": "half"}, WINDOW, WINDOW)
    camera = find_camera(part, statement=file.at(frame, ""), unit_m=0.01).camera
    return camera.project(points_m)[0]


def seen_by_usd(stage: Any, code: float) -> F64:
    """Return where USD's own frustum of its camera has the points, pixels, ``(n, 2)``."""
    frustum = UsdGeom.Camera(stage.GetPrimAtPath(CAMERA)).GetCamera(Usd.TimeCode(code)).frustum
    matrix = frustum.ComputeViewMatrix() * frustum.ComputeProjectionMatrix()
    ndc = np.array([matrix.Transform(Gf.Vec3d(*map(float, point))) for point in POINTS])
    return np.stack([(ndc[:, 0] + 1) / 2 * WINDOW.width, (1 - ndc[:, 1]) / 2 * WINDOW.height], axis=1)


def test_points_are_seen_where_usd_has_them(stage_file: Path) -> None:
    """At the first and the last frame, between samples and at one; a group's scale is no zoom."""
    stage, file = Usd.Stage.Open(str(stage_file)), read_stage(stage_file, reading())
    for frame in (1001.0, 1005.0, 1010.0, 1024.0):
        np.testing.assert_allclose(
            seen(file, frame, 0.01 * POINTS), seen_by_usd(stage, frame), atol=2e-3, err_msg=str(frame)
        )
    # Between two frames place and lens go straight and turns go the shortest way: a hair of a pixel off.
    np.testing.assert_allclose(seen(file, 1015.4, 0.01 * POINTS), seen_by_usd(stage, 1015.4), atol=5e-3)


def test_what_the_stage_states_is_what_is_read(stage_file: Path) -> None:
    """Numbers as they were written; the group's translation, and twice the camera's own."""
    file = read_stage(stage_file, reading())
    first, last = file.at(1001.0, ""), file.at(1024.0, "")
    assert (first.focal_length_mm, first.film_width_mm, first.film_height_mm) == (35.0, 36.0, 20.25)
    assert last.focal_length_mm == 70.0
    assert (first.film_offset_mm, first.near, first.far) == ((1.5, -0.75), 2.0, 5000.0)
    assert first.camera_to_world is not None
    assert last.camera_to_world is not None
    assert [row[3] for row in first.camera_to_world] == [4.0, -1.5, 2.1, 1.0]
    assert [row[3] for row in last.camera_to_world] == [44.0, -21.5, 8.1, 1.0]
    assert file.around(1001) == [1002.0]
    assert file.around(1010) == [1009.0, 1011.0]
    for frame in (1000.5, 1025.0):
        with pytest.raises(
            CameraError, match=rf"E-CAMERA-TRACK.*1001 to 1024, not {frame:g} \(24 time codes"
        ):
            file.at(frame, "")


def test_units_of_the_stage_become_those_of_the_render(tmp_path: Path) -> None:
    """The same numbers in a stage of decimetres, rendered in metres."""
    path = tmp_path / "large.usdc"
    write_stage(path, unit_m=0.1)
    stated = read_stage(path, reading(scene_unit_m=1.0)).at(1001.0, "")
    assert stated.camera_to_world is not None
    np.testing.assert_allclose([row[3] for row in stated.camera_to_world[:3]], [0.4, -0.15, 0.21], rtol=1e-12)
    assert stated.film_width_mm == pytest.approx(360.0)
    assert stated.focal_length_mm == pytest.approx(350.0)
    assert stated.near == pytest.approx(0.2)
    in_mm = read_stage(path, reading(scene_unit_m=1.0, lens_in_mm=True)).at(1001.0, "")
    assert (in_mm.film_width_mm, in_mm.focal_length_mm) == (36.0, 35.0)


def test_time_codes_are_counted_by_the_second(tmp_path: Path) -> None:
    """A second has one code in the stage and 24 frames in the sequence: code 42 is frame 1008."""
    stage = Usd.Stage.CreateNew(str(tmp_path / "seconds.usda"))
    UsdGeom.SetStageMetersPerUnit(stage, 1.0)
    stage.SetTimeCodesPerSecond(1.0)
    camera = UsdGeom.Camera.Define(stage, "/camera")
    camera.GetHorizontalApertureAttr().Set(0.36)
    move = camera.AddTranslateOp()
    for code in (41.0, 42.0, 43.5):
        move.Set(Gf.Vec3d(code, 0.0, 0.0), code)
    stage.Save()
    file = read_stage(tmp_path / "seconds.usda", StageReading())
    for frame, x in ((984, 41.0), (1008, 42.0), (1020, 42.5), (1044, 43.5)):
        matrix = file.at(float(frame), "").camera_to_world
        assert matrix is not None
        assert matrix[0][3] == pytest.approx(x, abs=1e-12)
    assert min(file.moments[""]) == 984.0
    assert max(file.moments[""]) == 1044.0


def test_a_film_back_of_another_shape_is_widened_or_heightened(stage_file: Path) -> None:
    """UsdRender's expandAperture: 36 x 20.25 mm on a square are 36 x 36, on 4 : 1 81 x 20.25."""
    statement = read_stage(stage_file, reading()).at(1001.0, "")
    for window, wide_mm, high_mm in (
        (Window(0, 0, 100, 100), 36.0, 36.0),
        (Window(0, 0, 400, 100), 81.0, 20.25),
        (WINDOW, 36.0, 20.25),
    ):
        part = Part(0, "", "", {"R": "half"}, window, window)
        across, down = find_camera(part, statement=statement).camera.tangent_per_px
        assert across * window.width * 35.0 == pytest.approx(wide_mm)
        assert down * window.height * 35.0 == pytest.approx(high_mm)


def test_a_camera_that_stands_still_holds_for_every_frame(tmp_path: Path) -> None:
    stage = Usd.Stage.CreateNew(str(tmp_path / "still.usda"))
    UsdGeom.SetStageMetersPerUnit(stage, 0.01)
    UsdGeom.Camera.Define(stage, "/camera").AddTranslateOp().Set(Gf.Vec3d(1.0, 2.0, 3.0))
    stage.Save()
    file = read_stage(tmp_path / "still.usda", StageReading(scene_unit_m=0.01))
    assert file.at(1.0, "") is file.at(5000.5, "")
    assert file.around(1001) == []
    # The schema's own lens, where the stage states none.
    assert file.at(1.0, "").film_width_mm == pytest.approx(20.955)
    assert file.at(1.0, "").focal_length_mm == pytest.approx(50.0)


def orthographic(stage: Any) -> None:
    UsdGeom.Camera(stage.GetPrimAtPath(CAMERA)).GetProjectionAttr().Set("orthographic")


def sheared(stage: Any) -> None:
    matrix = Gf.Matrix4d(1.0)
    matrix[0, 1] = 0.5
    UsdGeom.Xform(stage.GetPrimAtPath("/shot/rig")).AddTransformOp(opSuffix="shear").Set(matrix)


def no_film(stage: Any) -> None:
    UsdGeom.Camera(stage.GetPrimAtPath(CAMERA)).GetHorizontalApertureAttr().Set(0.0)


def second_camera(stage: Any) -> None:
    UsdGeom.Camera.Define(stage, "/shot/witness")


def lost_layer(stage: Any) -> None:
    stage.GetRootLayer().subLayerPaths.append("./gone.usda")


@pytest.mark.parametrize(
    ("change", "how", "stated", "words"),
    [
        (
            None,
            {},
            {"prims": (("", "/shot/rig/camra"),)},
            r"no prim /shot/rig/camra.*cameras are /shot/rig/camera",
        ),
        (None, {}, {"prims": (("", "/shot/arch"),)}, r"/shot/arch is Mesh, no camera.*/shot/rig/camera"),
        (None, {}, {"prims": (("", "camera 1"),)}, r"no path of a prim(.|\n)*/shot/camera"),
        (second_camera, {}, {"prims": ()}, r"cameras are /shot/rig/camera, /shot/witness(.|\n)*prim ="),
        (None, {"unit_m": None}, {}, r"metersPerUnit(.|\n)*camera\.track\.unit"),
        (None, {"unit_m": 1.0}, {}, r"film is 3600 mm wide(.|\n)*lens_unit"),
        (
            None,
            {"up": "Z"},
            {"up": "+y"},
            r'up is \+z in the stage and \+y in the preset(.|\n)*place\.up = "\+z"',
        ),
        (orthographic, {}, {}, r"E-CAMERA-PROJECTION(.|\n)*perspective"),
        (sheared, {}, {}, r"sheared, mirrored or flat"),
        (no_film, {}, {}, r"no number, or not above 0"),
        (lost_layer, {}, {}, r"does not compose.*gone\.usda"),
    ],
)
def test_what_a_stage_does_not_say_is_told_and_how_to_mend_it(
    tmp_path: Path,
    change: Callable[[Any], None] | None,
    how: dict[str, Any],
    stated: dict[str, Any],
    words: str,
) -> None:
    path = tmp_path / "shot.usda"
    stage = write_stage(path, **how)
    if change is not None:
        change(stage)
        stage.Save()
    settings = {"prims": (("", CAMERA),), "scene_unit_m": 0.01, **stated}
    with pytest.raises(CameraError, match=words):
        read_stage(path, StageReading(**settings))


def test_a_file_that_is_no_stage_and_a_missing_package_are_told(
    tmp_path: Path, stage_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    broken = tmp_path / "shot.usda"
    broken.write_text("frame,x\n1,2\n", encoding="utf-8")
    with pytest.raises(CameraError, match=r"E-CAMERA-TRACK.*cannot be read as a USD stage"):
        read_stage(broken, reading())
    monkeypatch.setitem(sys.modules, "pxr", None)
    with pytest.raises(CameraError, match=r"E-CAMERA-TRACK.*not installed(.|\n)*halocline\[usd\]"):
        read_stage(stage_file, reading())


def test_a_preset_names_the_stage_and_the_camera(tmp_path: Path) -> None:
    """Its digest is of the cameras alone, in whatever layer they are: geometry does not count."""
    stage = write_stage(tmp_path / "layout.usda")
    shot = Usd.Stage.CreateNew(str(tmp_path / "shot.usda"))
    shot.GetRootLayer().subLayerPaths.append("./layout.usda")
    UsdGeom.SetStageMetersPerUnit(shot, 0.01)
    shot.Save()
    look = tmp_path / "look.toml"
    look.write_text(f"{LOOK}track = {{ path = 'shot.usda', prim = '{CAMERA}' }}\n", encoding="utf-8")
    preset = load_preset(look)
    stated = input_spec(preset, 1010.0).camera
    assert stated is not None
    assert stated.focal_length_mm == 43.75
    assert camera_moments(FrameTask(1010, look, None, look), preset).keys() == {1009.0, 1011.0}
    resolved = tmp_path / "resolved.toml"
    resolved.write_text(preset.resolved_text, encoding="utf-8")
    assert load_preset(resolved).digest == preset.digest
    stage.GetPrimAtPath("/shot/arch").SetDocumentation("rebuilt")
    stage.Save()
    assert load_preset(look).digest == preset.digest
    # Another time of change, or the content would not be looked at anew.
    camera = UsdGeom.Camera(stage.GetPrimAtPath(CAMERA))
    camera.GetFocalLengthAttr().Set(36.0, 1001.0)
    stage.Save()
    shot.SetMetadata("comment", "new layout")
    shot.Save()
    assert load_preset(look).digest != preset.digest
    with pytest.raises(PresetError, match=r"shot\.usda is not the file that the preset was resolved with"):
        load_preset(resolved)


def test_views_have_cameras_of_their_own(tmp_path: Path) -> None:
    stage = write_stage(tmp_path / "shot.usda")
    other = UsdGeom.Camera.Define(stage, "/shot/rig/right")
    other.AddTranslateOp().Set(Gf.Vec3d(6.5, 0.0, 0.0))
    stage.Save()
    look = tmp_path / "look.toml"
    text = f"{LOOK}[camera.track]\npath = 'shot.usda'\n[camera.track.prims]\n"
    look.write_text(f"{text}left = '{CAMERA}'\nright = '/shot/rig/right'\n", encoding="utf-8")
    cameras = input_spec(load_preset(look), 1001.0).cameras
    assert {view: each.film_width_mm for view, each in cameras.items()} == {
        "left": 36.0,
        "right": pytest.approx(20.955),
    }
    assert cameras["right"].view == "right"


@pytest.mark.parametrize(
    ("track", "words"),
    [
        ("{ path = 'shot.usda', prim = '/gone' }", r"no prim /gone.*/shot/rig/camera"),
        ("{ path = 'shot.usda', prim = '/a', prims = { left = '/shot/rig/camera' } }", r"both given"),
        ("{ path = 'shot.usda', prim = 3 }", r"prim"),
        ("{ path = 'shot.usda', unit = 'furlong' }", r"furlong"),
        ("{ path = 'rows.csv', prim = '/shot/camera' }", r"prim is of USD stages"),
    ],
)
def test_a_preset_that_states_it_wrongly_is_refused(tmp_path: Path, track: str, words: str) -> None:
    write_stage(tmp_path / "shot.usda")
    (tmp_path / "rows.csv").write_text("frame,x,y,z\n1,0,0,0\n", encoding="utf-8")
    look = tmp_path / "look.toml"
    look.write_text(f"{LOOK}track = {track}\n", encoding="utf-8")
    with pytest.raises((PresetError, HaloclineError), match=words):
        load_preset(look)
