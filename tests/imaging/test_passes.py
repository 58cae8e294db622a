"""Any pass of a render can be asked for, under the name that the preset gives it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import pytest
from tests.conftest import Builders, chain
from tests.operators.every import steps_of

from halocline.batch.frame_task import planes_read, read_inputs, render
from halocline.batch.task import FrameTask
from halocline.errors import ChannelError, GraphError
from halocline.graph.engine import Evaluation
from halocline.graph.plan import make_plan
from halocline.graph.planes import PLANES, MadeBy, in_order, key_of, plane_named
from halocline.imaging.depth import DepthSpec
from halocline.imaging.frame import Window
from halocline.imaging.input_spec import InputSpec
from halocline.imaging.load import load
from halocline.imaging.survey import planes_in
from halocline.operators.registry import BUILT_IN, operators
from halocline.presets.preset import preset_from_text

SHAPE = (6, 8)


@pytest.fixture
def render_file(tmp_path: Path) -> Path:
    """A wall 5 m away, with motion vectors, an id of one channel, and a coded matte."""
    names = ["R", "G", "B", "A", "vector.X", "vector.Y", "objectId.Z", "heat", "ids.R"]
    channels = {name: np.full(SHAPE, 0.1 * (place + 1), np.float32) for place, name in enumerate(names)}
    channels["A"] = np.ones(SHAPE, np.float32)
    channels["Z"] = np.full(SHAPE, 5.0, np.float32)
    channels["ids.R"] = (np.arange(8) < 4).astype(np.float32) * np.ones(SHAPE, np.float32)
    path = tmp_path / "arch.1001.exr"
    OpenEXR.File({}, channels).write(str(path))
    return path


def planes(path: Path, *wanted: str, **passes: str) -> Any:
    spec = InputSpec(passes=passes, mattes=passes)
    return load(path, spec, wanted=wanted).views[0].frame.planes


def test_a_layer_comes_whole_and_a_channel_alone(render_file: Path) -> None:
    found = planes(
        render_file, "pass.motion", "pass.heat", "pass.number", motion="vector", number="objectId.Z"
    )
    assert found["pass.motion"].shape == (2, *SHAPE)
    assert found["pass.motion"][:, 0, 0] == pytest.approx([0.5, 0.6])
    assert found["pass.heat"].shape == SHAPE
    assert found["pass.number"][0, 0] == pytest.approx(0.7)


def test_a_pass_that_is_not_there_is_refused_with_the_key_to_type(render_file: Path) -> None:
    with pytest.raises(
        ChannelError, match=r'no channel "vectors" for the pass "vectors" \(input\.passes\.vectors\)'
    ):
        planes(render_file, "pass.vectors")
    with pytest.raises(ChannelError, match=r"input\.passes\.arch"):
        planes(render_file, "matte.arch")


def test_headers_tell_which_passes_could_be_had(render_file: Path) -> None:
    spec = InputSpec(passes={"motion": "vector"})
    asked = {"pass.motion", "pass.heat", "pass.cold"}
    assert planes_in([render_file], spec, asked) == {"pass.motion", "pass.heat"}


def test_a_matte_of_another_name_is_found_through_the_preset(render_file: Path) -> None:
    text = (
        'format = 1\n[input]\npasses = {arch = "ids.R"}\n[camera]\nfocal_length_mm = 24.0\n'
        "[steps.draw_near]\nmatte = 'arch'\nshare = 0.5\n[steps.attenuation]\n"
    )
    preset = preset_from_text(text)
    assert planes_read(preset.at(1001).graph) == (frozenset({"matte.arch"}), frozenset())
    task = FrameTask(1001, render_file, None, render_file.with_name("wet.exr"))
    result = render(read_inputs(task, preset), preset, Evaluation(1))
    light = next(iter(result.pictures.values())).rgb
    assert light[0, 0, 0] > 1.2 * light[0, 0, -1]


def test_the_key_in_the_message_of_a_missing_pass_exists(build: Builders) -> None:
    """For every pass that any operator may ask for, the key named is one that presets accept."""
    window = Window(0, 0, 8, 6)
    step = build.operator("draw_near", matte="hero")
    with pytest.raises(GraphError, match=r"say which: input\.passes\.hero\.$"):
        make_plan(chain([("near", step)]), build.shot(window), {"rgb", "alpha", "range"}, ("rgb",))
    asked = [name for name, plane in PLANES.items() if plane.maker is MadeBy.RENDER and plane.key]
    for name in asked:
        section, key, *_ = key_of(name.replace("NAME", "own")).split(".")
        assert section == "input"
        value = "{ own = 'x' }" if ".NAME" in PLANES[name].key else "'x'"
        preset_from_text(f"format = 1\n[input]\n{key} = {value}\n")


def test_a_plane_that_no_render_has_is_not_asked_of_one(build: Builders) -> None:
    steps = [("shafts", build.operator("light_shafts"))]
    with pytest.raises(GraphError, match=r"'veil'.*\n.*Put a step that makes it before this one"):
        make_plan(
            chain(steps), build.shot(Window(0, 0, 8, 6)), {"rgb", "alpha", "range", "downward"}, ("rgb",)
        )


@pytest.mark.parametrize("name", sorted(BUILT_IN))
def test_every_plane_that_an_operator_reads_or_writes_is_in_the_table(name: str, build: Builders) -> None:
    for operator in steps_of(name):
        use = operator.planes()
        for plane in {*use.reads, *use.optional, *use.writes, *use.adds}:
            assert plane_named(plane.rpartition("/")[2], operator.own_planes), plane
        assert use.adds <= use.writes
    assert operators()[name].__module__.startswith("halocline.operators")


def test_order_of_planes_does_not_depend_on_that_of_names() -> None:
    assert in_order(["zz", "lamp_haze", "veil", "aa", "shafts"]) == (
        "veil",
        "shafts",
        "lamp_haze",
        "aa",
        "zz",
    )


def written(path: Path, **channels: float) -> Path:
    """Write a wall of even channels; two underscores stand for a dot."""
    named = {name.replace("__", "."): np.full(SHAPE, value, np.float32) for name, value in channels.items()}
    OpenEXR.File({}, named).write(str(path))
    return path


def test_a_mist_pass_near_the_picture_gives_way_to_depth_farther_off(tmp_path: Path) -> None:
    """Mist is a share that grows with depth: in metres it would be a wall at the lens."""
    path = written(tmp_path / "a.1001.exr", R=0.1, G=0.1, B=0.1, A=1.0, mist=0.4, geometry__depth__Z=7.0)
    view = load(path, InputSpec()).views[0]
    assert view.passes["depth"] == ("geometry.depth.Z",)


def test_the_alpha_of_another_branch_is_not_the_pictures(tmp_path: Path) -> None:
    light = {"Fg__Combined__R": 0.1, "Fg__Combined__G": 0.1, "Fg__Combined__B": 0.1}
    own = written(tmp_path / "own.1001.exr", **light, Fg__A=0.5, Fg__Depth__Z=7.0)
    assert load(own, InputSpec()).views[0].passes["alpha"] == ("Fg.A",)
    other = written(tmp_path / "other.1001.exr", **light, Bg__A=0.5, Fg__Depth__Z=7.0)
    assert "alpha" not in load(other, InputSpec()).views[0].passes
    # Of two that might be, neither is taken.
    two = written(tmp_path / "two.1001.exr", **light, Fg__A=0.5, A=0.4, Fg__Depth__Z=7.0)
    assert "alpha" not in load(two, InputSpec()).views[0].passes


def test_depth_from_world_positions_where_that_is_stated(tmp_path: Path) -> None:
    """The lens stands at the origin: a wall of positions 3 m ahead, beside a depth pass of something else."""
    spec = InputSpec(depth=DepthSpec(kind="position"))
    wall = {"P__X": 0.0, "P__Y": 0.0, "P__Z": -3.0}
    both = written(tmp_path / "a.1001.exr", R=0.1, G=0.1, B=0.1, A=1.0, Z=7.0, **wall)
    view = load(both, spec).views[0]
    assert view.passes["depth"] == ("P.X", "P.Y", "P.Z")
    np.testing.assert_allclose(view.frame.plane("range"), 3.0, rtol=1e-6)
    assert load(both, InputSpec()).views[0].passes["depth"] == ("Z",)
    none = written(tmp_path / "b.1001.exr", R=0.1, G=0.1, B=0.1, A=1.0, Z=7.0)
    with pytest.raises(ChannelError, match="no world positions") as caught:
        load(none, spec)
    assert "input.position_layer" in str(caught.value.fix)


def test_the_coverage_of_a_data_layer_or_of_another_picture_is_not_the_beautys(tmp_path: Path) -> None:
    """A layer of data, and one with a picture of its own, have their alpha for themselves."""
    light = {"R": 0.1, "G": 0.1, "B": 0.1, "Z": 7.0}
    data = written(tmp_path / "a.1001.exr", **light, crypto__A=0.5)
    assert "alpha" not in load(data, InputSpec()).views[0].passes
    other = {"glow__R": 0.2, "glow__G": 0.2, "glow__B": 0.2, "glow__A": 0.5}
    picture = written(tmp_path / "b.1001.exr", **light, **other)
    assert "alpha" not in load(picture, InputSpec()).views[0].passes
