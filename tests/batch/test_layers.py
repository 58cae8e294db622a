"""Separable layers: their sum is the picture, in arrays and through half-float files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import OpenEXR
import pytest
from tests.conftest import Builders, chain

import halocline
from halocline._typing import F32
from halocline.batch.layers import ALL, plan_layers, planes_held
from halocline.errors import GraphError
from halocline.graph.operator import WHOLE, Operator, Planes, PlaneUse, Tile
from halocline.graph.shot import Shot
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.presets.build import make_shot
from halocline.presets.preset import Preset, preset_from_text
from halocline.quantities import Strict
from halocline.rgb import LINEAR_REC709

TEXT = """
format = 1
[water]
jerlov_type = "3C"
[place]
camera_depth = 6
[[light.lamps]]
[steps.downwelling]
[steps.lamps]
[steps.attenuation]
[steps.lamp_backscatter]
[steps.veiling_light]
[steps.forward_scatter]
[steps.white_reference]
balance = 0.6
"""
WINDOW = Window(0, 0, 61, 43)


def shot_of(preset: Preset, build: Builders) -> Shot:
    track = CameraTrack({1: build.camera(WINDOW)})
    return make_shot(preset, 1, track, space=LINEAR_REC709, display_window=WINDOW, data_window=WINDOW)


def layered(text: str, build: Builders, wanted: tuple[str, ...] = (ALL,)) -> tuple[F32, dict[str, F32], F32]:
    preset, frame = preset_from_text(text), build.frame(WINDOW, averaged_depth=True)
    shot, graph = shot_of(preset, build), preset.at(1).graph
    plain = build.run(graph, frame, shot)["rgb"]
    plan = plan_layers(graph, wanted)
    made = build.run(plan.graph, frame, shot, wanted=("rgb", *plan.planes))
    return plain, plan.finished(made, shot), made["rgb"]


def test_asking_for_layers_changes_no_bit_of_the_picture(build: Builders) -> None:
    plain, _, beside = layered(TEXT, build)
    assert np.array_equal(plain, beside)


def test_sum_of_layers_is_the_picture(build: Builders) -> None:
    plain, layers, _ = layered(TEXT, build)
    assert list(layers) == ["direct", "lamp_haze", "veil", "scatter"]
    total = np.sum(list(layers.values()), axis=0)
    scale = np.max([np.abs(layer) for layer in layers.values()], axis=0) + 1e-3
    assert np.max(np.abs(total - plain) / scale) < 5e-6


def test_sum_of_layers_is_the_picture_within_half_float_rounding(build: Builders) -> None:
    plain, layers, _ = layered(TEXT, build)
    halves = [layer.astype(np.float16).astype(np.float64) for layer in layers.values()]
    # Half has 11 significant bits: each layer is off by at most 2^-12 of itself, the picture likewise.
    bound = sum(np.abs(half) for half in halves) * 2.0**-11 + 1e-6
    assert np.all(np.abs(np.sum(halves, axis=0) - plain) <= bound)


def test_veil_turned_down_is_the_preset_with_less_veil(build: Builders) -> None:
    # Regrading the layer is what the veil's own control does, exposure held.
    text = TEXT.replace("[steps.white_reference]\nbalance = 0.6\n", "").replace(
        "[steps.forward_scatter]\n", ""
    )
    plain, layers, _ = layered(text, build)
    less = text.replace("[[light.lamps]]", "[light]\nveil_brightness = 0.5\n[[light.lamps]]")
    dimmer, _, _ = layered(less, build)
    assert plain - 0.5 * layers["veil"] == pytest.approx(dimmer, abs=2e-4, rel=2e-5)


def test_transmittance_is_what_is_left_of_white_per_channel(build: Builders) -> None:
    _, layers, _ = layered(TEXT, build, ("transmittance",))
    preset = preset_from_text(TEXT)
    shot = shot_of(preset, build)
    frame: Frame = build.frame(WINDOW, averaged_depth=True)
    sharp = (frame.plane("far_share") == 0) & (frame.plane("range") < 20)
    length = shot.path.path_length(frame.plane("range"), shot.view_plane("downward", WINDOW))
    exact = shot.path.bands.transfer_matrix(length[sharp]).sum(axis=-1)
    assert pytest.approx(exact, abs=2e-6) == layers["transmittance"][:, sharp].T


def test_range_is_the_renders_own_where_a_story_bends_the_path(build: Builders) -> None:
    story = f"{TEXT}[story]\nsubject_range = 30.0\nsilhouette_contrast = 0.3\n"
    _, layers, _ = layered(story, build, ("range", "path_length"))
    rendered = build.frame(WINDOW, averaged_depth=True).plane("range")
    assert np.array_equal(layers["range"], rendered)
    there = np.isfinite(rendered) & (rendered > 1.0)
    assert np.abs(layers["path_length"][there] - rendered[there]).max() > 0.1


def test_each_layer_alone_is_the_same_as_among_all(build: Builders) -> None:
    _, every, _ = layered(TEXT, build)
    _, one, _ = layered(TEXT, build, ("veil",))
    assert list(one) == ["veil"]
    assert np.array_equal(one["veil"], every["veil"])


def test_layer_that_no_step_makes_is_refused_with_what_there_is(build: Builders) -> None:
    with pytest.raises(GraphError, match=r'no layer "bubles".*\n.*Additive layers: direct, lamp_haze'):
        plan_layers(preset_from_text(TEXT).at(1).graph, ("bubles",))


def summed(text: str, build: Builders) -> tuple[list[str], F32, F32]:
    plain, layers, beside = layered(text, build)
    assert np.array_equal(plain, beside)
    total = np.sum(list(layers.values()), axis=0)
    scale = np.max([np.abs(layer) for layer in layers.values()], axis=0) + 1e-3
    assert np.max(np.abs(total - plain) / scale) < 2e-5
    return list(layers), total, plain


CORE = """
format = 1
[water]
jerlov_type = "3C"
"""


@pytest.mark.parametrize(
    ("steps", "expected"),
    [
        ("[steps.draw_near]\nnearest = 2.0\n[steps.attenuation]\n[steps.veiling_light]\n", "direct veil"),
        ("[steps.veiling_light]\n", "direct veil"),
        ("[steps.remove_water]\n[steps.attenuation]\n[steps.veiling_light]\n", "direct veil"),
        ("[steps.attenuation]\n[steps.white_reference]\n[steps.veiling_light]\n", "direct veil"),
        (
            "[steps.attenuation]\n[steps.veiling_light]\n[steps.white_reference]\n"
            '[steps.mix]\nother = "attenuation"\namount = 0.5\n',
            "direct veil mix",
        ),
        (
            "[steps.attenuation]\n[steps.veiling_light]\n[steps.white_reference]\n[steps.flat_port]\n",
            "direct veil",
        ),
        ("[steps.draw_near]\nnearest = 2.0\n", "direct"),
    ],
    ids=["range", "veil first", "rgb first", "exposure between", "blend", "port", "no light"],
)
def test_layers_add_up_whatever_form_the_steps_work_in(steps: str, expected: str, build: Builders) -> None:
    assert summed(CORE + steps, build)[0] == expected.split()


def test_layers_lie_where_the_port_puts_them(build: Builders) -> None:
    steps = "[steps.attenuation]\n[steps.veiling_light]\n[steps.white_reference]\n[steps.flat_port]\n"
    _, bent, _ = layered(CORE + steps, build)
    _, straight, _ = layered(CORE + steps.replace("[steps.flat_port]\n", ""), build)
    assert np.abs(bent["veil"] - straight["veil"]).max() > 1e-3


def test_exposure_after_a_step_is_on_its_layer_and_before_it_is_not(build: Builders) -> None:
    water = "[steps.attenuation]\n[steps.veiling_light]\n"
    _, raw, _ = layered(CORE + water, build)
    _, after, _ = layered(CORE + water + "[steps.white_reference]\n", build)
    _, before, _ = layered(
        CORE + "[steps.attenuation]\n[steps.white_reference]\n[steps.veiling_light]\n", build
    )
    ratio = after["veil"].sum() / raw["veil"].sum()
    assert ratio > 1.05
    assert before["veil"].sum() == pytest.approx(raw["veil"].sum(), rel=1e-4)


def test_steps_of_one_layer_in_a_row_make_one_and_apart_make_two(build: Builders) -> None:
    lamps = "[steps.%s]\noperator = 'lamp_backscatter'\n"
    core = CORE + "[[light.lamps]]\n"
    row = "[steps.attenuation]\n" + lamps % "near" + lamps % "wide" + "[steps.veiling_light]\n"
    names, total, plain = summed(core + row, build)
    assert names == ["direct", "lamp_haze", "veil"]
    assert total == pytest.approx(plain, rel=1e-3, abs=1e-3)
    apart = "[steps.attenuation]\n" + lamps % "near" + "[steps.veiling_light]\n" + lamps % "wide"
    assert summed(core + apart, build)[0] == ["direct", "lamp_haze", "veil", "lamp_haze_again"]


def test_guide_of_light_is_exposed_as_the_frame_is(build: Builders) -> None:
    """What the halo is as a guide and as an additive layer is one, exposure and balance included."""
    water = "[steps.attenuation]\n[steps.forward_scatter]\n[steps.veiling_light]\n"
    _, layers, _ = layered(CORE + water + "[steps.white_reference]\n", build, (ALL, "halo"))
    _, unexposed, _ = layered(CORE + water, build, (ALL, "halo"))
    assert np.abs(layers["halo"] - unexposed["halo"]).max() > 1e-3
    scale = np.abs(layers["direct"]) + np.abs(layers["scatter"]) + 1e-3
    assert np.max(np.abs(layers["halo"] - layers["scatter"]) / scale) < 1e-4


class Evened(Operator[Strict, float]):
    """Exposes a picture by its own mean: one thing to all light, for which it looks over all of it first."""

    Parameters = Strict
    whole = True
    surveys = True

    def planes(self) -> PlaneUse:
        return PlaneUse(frozenset({"rgb"}), frozenset({"rgb"}))

    def reach(self, shot: Shot) -> int:  # noqa: ARG002 - part of the protocol
        return WHOLE

    def survey(self, planes: Planes, tile: Tile, shot: Shot, prepared: float) -> float:  # noqa: ARG002
        return 0.2 + float(planes["alpha" if "alpha" in planes else "rgb"].mean())

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: float) -> Planes:  # noqa: ARG002
        return {"rgb": planes["rgb"] * np.float32(prepared)}


def test_a_step_that_surveys_and_acts_on_all_light_surveys_each_layer(build: Builders) -> None:
    graph = chain([("attenuation", build.operator("attenuation")), ("evened", Evened(Strict()))])
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    plan = plan_layers(graph, (ALL,))
    made = build.run(plan.graph, frame, shot, wanted=("rgb", *plan.planes))
    (only,) = plan.finished(made, shot).values()
    np.testing.assert_array_equal(made["rgb"], build.run(graph, frame, shot)["rgb"])
    assert np.isfinite(made["rgb"]).all()
    np.testing.assert_allclose(only, made["rgb"], rtol=1e-5, atol=1e-6)


def test_forms_of_light_and_coverage_are_no_layers() -> None:
    graph = preset_from_text(TEXT).at(1).graph
    for name in ("rgb", "bands", "alpha"):
        with pytest.raises(GraphError, match=f'make no layer "{name}"'):
            plan_layers(graph, (name,))


def test_a_steps_layer_that_takes_the_name_of_gamut_compression_is_refused() -> None:
    graph = preset_from_text(TEXT + "[steps.gamut]\noperator = 'rim_light'\n").at(1).graph
    assert "gamut" in plan_layers(graph, (ALL,)).additive
    with pytest.raises(GraphError, match=r"E-GRAPH-LAYERS.*\n.*Give \[steps.gamut\] another name"):
        plan_layers(graph, (ALL,), compressed=True)


def test_guide_of_another_branch_is_refused() -> None:
    text = CORE + (
        '[steps.attenuation]\n[steps.veiling_light]\ninput = "render"\n'
        '[steps.mix]\ninput = "attenuation"\nother = "veiling_light"\n'
    )
    with pytest.raises(GraphError, match=r'no layer "coverage"'):
        plan_layers(preset_from_text(text).at(1).graph, ("coverage",))


@pytest.mark.parametrize("name", ["jerlov-1c", "fjord-archway"])
def test_shipped_presets_have_layers(name: str) -> None:
    plan = plan_layers(halocline.load_preset(name).at(1).graph, (ALL,))
    assert tuple(plan.additive)[:2] == ("direct", "scatter")


def test_layers_in_the_file_add_up_to_its_picture(tmp_path: Path, build: Builders) -> None:
    from halocline.batch.frame_task import read_inputs, render, write_result
    from halocline.batch.task import FrameTask
    from halocline.graph.engine import Evaluation

    source = tmp_path / "clean.1001.exr"
    frame = build.frame(WINDOW)
    channels = {
        **dict(zip("RGB", frame.plane("rgb"), strict=True)),
        "A": frame.plane("alpha"),
        "Z": np.where(np.isfinite(frame.plane("range")), frame.plane("range"), np.float32(1e10)),
    }
    OpenEXR.File({}, {name: np.ascontiguousarray(plane) for name, plane in channels.items()}).write(
        str(source)
    )
    preset = preset_from_text(TEXT, ['output.layers=["*", "transmittance"]', 'input.depth_kind="range"'])
    task = FrameTask(1001, source, None, tmp_path / "wet.1001.exr")
    result = render(read_inputs(task, preset), preset, Evaluation())
    write_result(result, preset)
    written = OpenEXR.File(str(task.out), separate_channels=True).channels()
    assert {"direct.R", "veil.B", "transmittance.G"} <= set(written)
    for channel in "RGB":
        parts = [
            written[f"{name}.{channel}"].pixels.astype(np.float64)
            for name in ("direct", "lamp_haze", "veil", "scatter")
        ]
        bound = sum(np.abs(part) for part in parts) * 2.0**-10 + 1e-6
        assert np.all(np.abs(sum(parts) - written[channel].pixels) <= bound)


def test_memory_of_layers_is_counted(build: Builders) -> None:
    graph = preset_from_text(TEXT).at(1).graph
    assert planes_held(graph, (), 6) == 0
    # Four taps of three planes and four layers made of them; a guide in six bands, and its three channels.
    assert planes_held(graph, (ALL,), 6) == 24
    assert planes_held(graph, ("transmittance",), 6) == 9
