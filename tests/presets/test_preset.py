from __future__ import annotations

import dataclasses
import itertools
import re
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydantic import BaseModel
from tests.conftest import Builders

from halocline.errors import PresetError
from halocline.graph.graph import Graph
from halocline.graph.operator import Operator
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Window
from halocline.presets.build import make_shot
from halocline.presets.document import shipped_folder, shipped_names
from halocline.presets.preset import Preset, load_preset, preset_from_text
from halocline.rgb import LINEAR_REC709

WINDOW = Window(0, 0, 31, 17)
ANIMATED = """
format = 1
extends = "jerlov-1c"
[light]
sun_elevation = { curve = "smooth", keys = [[1001, 30], [1024, "60 deg"]] }
veil_tint = { curve = "linear", keys = [[1001, [1.0, 1.0, 1.0]], [1024, [0.8, 1.0, 1.1]]] }
[story]
softness = { curve = "linear", keys = [[1001, "10 ft"], [1024, "20 ft"]] }
[steps.white_reference]
balance = { curve = "held", keys = [[1001, 0.0], [1010, 0.5]] }
"""


def rendered(build: Builders, preset: Preset, frame: int = 1001) -> Any:
    track = CameraTrack({frame: build.camera(WINDOW, tilt_deg=10.0)})
    shot = make_shot(preset, frame, track, space=LINEAR_REC709, display_window=WINDOW, data_window=WINDOW)
    picture = build.frame(WINDOW, averaged_depth=True)
    return build.run(preset.at(frame).graph, picture, shot)["rgb"]


# Looks that are rendered twice; of the others it is enough that all that a render reads is the same.
RENDERED_TWICE = ("fjord-archway", "jerlov-5c", "thermocline-descent", "warm-vent")


def facts(thing: Any) -> Any:
    """Return all that a preset tells a render on frame 1001, down to numbers that compare to the bit."""
    if isinstance(thing, np.ndarray):
        return thing.dtype.str, thing.shape, thing.tobytes()
    if isinstance(thing, Preset):
        thing = thing.at(1001), thing.bands
    elif isinstance(thing, Graph):
        thing = thing.steps, thing.output
    elif isinstance(thing, Operator):
        thing = {"kind": str(type(thing)), "parameters": thing.parameters}
    elif isinstance(thing, BaseModel) or dataclasses.is_dataclass(thing):
        thing = {"kind": str(type(thing)), **vars(thing)}
    if isinstance(thing, Mapping):
        # The fit that a text carries is compared as the bands that it gives.
        return {key: facts(value) for key, value in thing.items() if key != "fitted"}
    if isinstance(thing, tuple | list):
        return [facts(value) for value in thing]
    assert thing is None or isinstance(thing, str | int | float | Path), f"say what {thing!r} holds"
    return repr(thing)


@pytest.mark.parametrize("name", shipped_names())
def test_shipped_preset_renders_from_its_resolved_text_to_the_same_bits(build: Builders, name: str) -> None:
    # Where a look is bound to a place that a render shows, that is stated here.
    stated = [
        f"origins.{each}.{key}"
        for each, origin in load_preset(name).origins.items()
        for key in ("position=[0.2, -1.0, -5.0]", 'unit="metres"', *(["floor=-1"] if origin.floor else []))
    ]
    preset = load_preset(name, stated)
    again = preset_from_text(preset.resolved_text)
    assert again.resolved_text == preset.resolved_text
    assert again.digest == preset.digest
    assert facts(again) == facts(preset)
    made = rendered(build, preset)
    assert np.isfinite(made).all()
    assert made.max() > 0.0
    if name in RENDERED_TWICE:
        assert np.array_equal(made, rendered(build, again))


@pytest.mark.parametrize("name", shipped_names())
def test_shipped_preset_has_a_title_and_comments_on_its_numbers(name: str) -> None:
    assert load_preset(name).title != name
    lines = (shipped_folder() / f"{name}.toml").read_text(encoding="utf-8").splitlines()
    numbers = [
        n for n, line in enumerate(lines) if re.match(r"\w+ = \W*[\d.]", line) and "format" not in line
    ]
    # On the line, or in a comment above it or above the numbers before it.
    above = [itertools.takewhile(lambda s: re.match(r"#|\w+ =", s), reversed(lines[:n])) for n in numbers]
    told = [
        "#" in lines[n] or any(line.startswith("#") for line in before)
        for n, before in zip(numbers, above, strict=True)
    ]
    # Some say themselves what they are ("4 m" of focus); that half say nothing more is too much.
    assert sum(told) >= len(told) / 2


def test_a_preset_ships_for_every_jerlov_type() -> None:
    from halocline.physics.water.water import JERLOV_TYPES

    shipped = {load_preset(name).at(0).water.jerlov_type for name in shipped_names() if "jerlov" in name}
    assert shipped == set(JERLOV_TYPES)


def test_animated_preset_renders_from_its_resolved_text_to_the_same_bits(build: Builders) -> None:
    preset = preset_from_text(ANIMATED)
    again = preset_from_text(preset.resolved_text)
    assert preset.animated
    assert again.animated
    assert again.digest == preset.digest
    for frame in (1001, 1011, 1024):
        assert np.array_equal(rendered(build, preset, frame), rendered(build, again, frame))
    assert not np.array_equal(rendered(build, preset, 1001), rendered(build, preset, 1024))


def test_frame_does_not_depend_on_the_frames_before_it(build: Builders) -> None:
    one, other = preset_from_text(ANIMATED), preset_from_text(ANIMATED)
    for frame in (1001, 1005, 1020):
        rendered(build, one, frame)
    assert np.array_equal(rendered(build, one, 1010), rendered(build, other, 1010))


def test_curve_has_its_value_on_every_frame() -> None:
    preset = preset_from_text(ANIMATED)
    assert preset.at(1001).light.sun_elevation == 30.0
    assert preset.at(1024).light.sun_elevation == 60.0
    assert preset.at(1012.5).light.sun_elevation == pytest.approx(45.0)
    assert preset.at(1012.5).story.softness == pytest.approx(15 * 0.3048)
    assert preset.at(2000).light.veil_tint == (0.8, 1.0, 1.1)


def test_many_threads_may_ask_for_many_frames() -> None:
    preset = preset_from_text(ANIMATED)
    wrong: list[int] = []

    def ask(start: int) -> None:
        for frame in range(start, start + 300):
            if preset.at(frame).light.overcast != 0.2:
                wrong.append(frame)

    threads = [threading.Thread(target=ask, args=(start,)) for start in (0, 150, 400)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []
    assert len(preset._looks) <= 257


def test_digest_tells_any_change_of_the_look_and_no_change_of_the_text() -> None:
    plain = load_preset("jerlov-1c")
    assert load_preset("jerlov-1c", ["light.overcast=0.20"]).digest == plain.digest
    for override in ("light.overcast=0.21", "sequence.seed=2", "steps.white_reference.card_range=1.6"):
        assert load_preset("jerlov-1c", [override]).digest != plain.digest
    spelled = preset_from_text('format = 1\nextends = "jerlov-1c"\ntitle = "Jerlov 1C: clear coastal water"')
    assert spelled.digest == plain.digest


def test_steps_keep_their_order_and_a_child_may_place_and_remove_them(tmp_path: Path) -> None:
    text = """
format = 1
extends = "jerlov-1c"
[steps.second_veil]
operator = "veiling_light"
after = "attenuation"
[steps.white_reference]
enabled = false
"""
    preset = preset_from_text(text)
    names = [step.name for step in preset.at(0).graph.steps]
    assert names == [
        *("downwelling", "sky_window", "attenuation", "second_veil", "forward_scatter", "veiling_light")
    ]
    assert "white_reference" not in preset.resolved_text


@pytest.mark.parametrize(
    "between",
    ["[steps.white_reference]\n", "[steps.grade]\nhue = 9\n", "[steps.dome_port]\n", "[steps.blur]\n"],
)
def test_light_that_was_changed_as_a_whole_is_not_parted(between: str) -> None:
    """What is no subject's, divided by what the way to open water leaves, came out 1e14 times too bright."""
    head, last = "format = 1\n[steps.attenuation]\n[steps.veiling_light]\n", "[steps.forward_scatter]\n"
    between = between.replace("[steps.blur]\n", "[steps.blur]\noperator = 'forward_scatter'\n")
    name = between.split("]")[0].removeprefix("[steps.")
    with pytest.raises(PresetError, match=f'steps.forward_scatter.before = "{name}"') as caught:
        preset_from_text(head + between + last)
    assert "E-PRESET-ORDER" in str(caught.value)
    # After it all is well (but for a second of its kind), and so is what tells which light it adds.
    if name != "blur":
        preset_from_text(head + last + between)
    preset_from_text(f"{head}[steps.light_shafts]\n[steps.suspended_matter]\n[steps.bubbles]\n{last}")


def test_a_step_is_placed_first_or_before_another(tmp_path: Path) -> None:
    base = "format = 1\n[steps.attenuation]\n[steps.veiling_light]\nafter = 'attenuation'\n"
    (tmp_path / "base.toml").write_text(base, encoding="utf-8")

    def order(text: str) -> list[str]:
        child = tmp_path / "child.toml"
        child.write_text(f"format = 1\nextends = 'base.toml'\n{text}", encoding="utf-8")
        return [step.name for step in load_preset(child).at(1).graph.steps]

    assert order("[steps.caustics]\nafter = 'render'\n") == ["caustics", "attenuation", "veiling_light"]
    # A step of the parent is placed by a new one, which has its own place first.
    assert order("[steps.attenuation]\nafter = 'caustics'\n[steps.caustics]\nafter = 'veiling_light'\n") == [
        "veiling_light",
        "caustics",
        "attenuation",
    ]
    assert order("[steps.caustics]\nbefore = 'veiling_light'\n") == [
        "attenuation",
        "caustics",
        "veiling_light",
    ]
    # A child's choice puts away its parent's.
    assert order("[steps.veiling_light]\nbefore = 'attenuation'\n") == ["veiling_light", "attenuation"]
    with pytest.raises(PresetError, match="after and before are both given"):
        order("[steps.caustics]\nbefore = 'attenuation'\nafter = 'render'\n")
    with pytest.raises(PresetError, match='there is no step "atenuation" to come before'):
        order("[steps.caustics]\nbefore = 'atenuation'\n")


def test_branches_are_named_by_their_inputs(build: Builders) -> None:
    text = """
format = 1
[water]
jerlov_type = "1C"
[steps.attenuation]
[steps.veiling_light]
[steps.dry_arch]
operator = "mix"
input = "veiling_light"
other = "render"
matte = "arch"
"""
    preset = preset_from_text(text)
    graph = preset.at(0).graph
    assert dict(graph.steps[-1].inputs) == {"picture": "veiling_light", "other": "render"}
    again = preset_from_text(preset.resolved_text)
    assert np.array_equal(rendered(build, preset), rendered(build, again))


def test_preset_without_steps_gives_the_render_back(build: Builders) -> None:
    assert np.array_equal(
        rendered(build, preset_from_text("format = 1")),
        build.frame(WINDOW, averaged_depth=True).planes["rgb"],
    )


def test_resolved_text_has_every_key_and_inherits_nothing() -> None:
    text = load_preset("fjord-archway").resolved_text
    assert "extends" not in text
    for key in ("frames_per_second", "sun_azimuth", "scene_unit", "largest_gain", "fitted", "veil_scale"):
        assert key in text


def test_fitted_bands_in_a_preset_are_taken_and_not_fitted_again() -> None:
    own = load_preset("jerlov-1c")
    text = own.resolved_text
    assert "[bands.fitted]" in text
    line = next(each for each in text.splitlines() if each.startswith("worst_delta_e"))
    other = preset_from_text(text.replace(line, "worst_delta_e = 9.5"))
    assert other.bands.worst_delta_e == 9.5
    np.testing.assert_array_equal(other.bands.up, own.bands.up)


def test_table_of_a_water_beside_the_preset_is_read_and_then_carried_in_the_text(
    build: Builders, tmp_path: Path
) -> None:
    rows = [f"{nm}, {0.05 + nm / 8000:.5f}, 0.2" for nm in range(400, 701, 10)]
    (tmp_path / "pond.csv").write_text("# a pond\nnm, a, b\n" + "\n".join(rows) + "\n")
    (tmp_path / "pond.toml").write_text(
        'format = 1\n[water]\ntable = "pond.csv"\nvisibility = 6\n'
        "[steps.attenuation]\n[steps.veiling_light]\n"
    )
    preset = load_preset(tmp_path / "pond.toml")
    assert preset.water.name == "pond, visibility 6 m"
    assert preset.water.visibility_m == pytest.approx(6.0, rel=1e-3)
    text = preset.resolved_text
    (tmp_path / "pond.csv").unlink()
    assert np.array_equal(rendered(build, preset), rendered(build, preset_from_text(text)))


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ("", "does not have 3 or 4 columns"),
        ("400, 1\n700, 2\n", "does not have 3 or 4 columns"),
        ("400, 1, 2\n500, x, 2\n", "could not convert string to float: ' x'"),
        ("400, 1, 2\n500, 1\n", "the table cannot be read"),
    ],
)
def test_table_that_is_none_is_refused(tmp_path: Path, table: str, message: str) -> None:
    (tmp_path / "pond.csv").write_text(table)
    (tmp_path / "pond.toml").write_text('format = 1\n[water]\ntable = "pond.csv"\n')
    with pytest.raises(PresetError) as caught:
        _ = load_preset(tmp_path / "pond.toml").water
    assert message in str(caught.value)
    assert "pond.toml, line 2, [water], water.table pond.csv" in str(caught.value)


def test_misspelt_section_does_not_hide_the_other_mistakes() -> None:
    with pytest.raises(PresetError) as caught:
        preset_from_text("format = 1\n[watter]\n[light]\nsun_elevaton = 3\n")
    assert [problem.code for problem in caught.value.problems] == ["E-PRESET-KEY", "E-PRESET-KEY"]
    assert "watter" in str(caught.value)
    assert "sun_elevaton" in str(caught.value)


def test_preset_saved_with_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    path = tmp_path / "look.toml"
    path.write_text('format = 1\nextends = "open-water"\n', encoding="utf-8-sig")
    assert load_preset(path).at(0).graph.steps
