"""`Preset.with_settings`: keys set from Python, as the command line sets them."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

import halocline
from halocline.errors import PresetError
from halocline.presets.edit import edit_file, edited
from halocline.presets.preset import Preset, load_preset


@pytest.mark.parametrize(
    "settings",
    [
        {"light.sun_elevation": 20, "place.camera_depth": "8 m"},
        {"light": {"sun_elevation": np.float32(20)}, "place": {"camera_depth": "8 m"}},
    ],
)
def test_settings_from_python_are_those_of_the_command_line(settings: dict[str, object]) -> None:
    there = load_preset("fjord-afternoon", ["light.sun_elevation=20", "place.camera_depth=8 m"])
    made = load_preset("fjord-afternoon").with_settings(settings)
    assert made.resolved_text == there.resolved_text


def test_preset_itself_stays_as_it_is() -> None:
    look = load_preset("jerlov-1c")
    text = look.resolved_text
    look.with_settings({"light.sun_elevation": 20})
    assert look.resolved_text == text


def test_curve_from_python_moves() -> None:
    curve = {"curve": "linear", "keys": [(1001, 0.0), (1011, 1.0)]}
    look = load_preset("jerlov-1c").with_settings({"light.daylight": curve})
    assert look.at(1006).light.daylight == pytest.approx(0.5)
    assert "moves over frames 1001 to 1011" in repr(look)


def test_none_takes_a_key_back_to_its_default() -> None:
    look = load_preset("jerlov-1c", ["light.overcast=0.9"])
    default = load_preset("jerlov-1c").with_settings({"light.overcast": None}).at(0).light.overcast
    assert look.with_settings({"light.overcast": None}).at(0).light.overcast == default != 0.9


@pytest.mark.parametrize("key", ["light.sun_elevaton", "steps.nothing.key", "nothing.at.all"])
def test_mistake_is_told_by_the_key_given(key: str) -> None:
    with pytest.raises(PresetError, match="with_settings"):
        load_preset("jerlov-1c").with_settings({key: 1})


@pytest.mark.parametrize("key", ["extends", "format", "", "light.", 3])
def test_key_that_cannot_be_set_is_refused(key: str) -> None:
    with pytest.raises(PresetError, match="E-PRESET-SET"):
        load_preset("jerlov-1c").with_settings({key: 1})


def test_preset_tells_what_it_is() -> None:
    told = repr(halocline.load_preset("fjord-afternoon", ["steps.caustics.enabled=false"]))
    assert told.startswith("<Preset 'fjord-afternoon'")
    assert "attenuation" in told
    assert "(caustics)" in told


CLASSES = """
format = 1
[water]
jerlov_type = "1C"
[[steps.suspended_matter.classes]]
name = "snow"
per_litre = 2.0
[[steps.suspended_matter.classes]]
name = "silt"
per_litre = 9.0
"""


def classes_of(preset: Preset) -> dict[str, float]:
    (step,) = preset.at(0).graph.steps
    return {name.partition(",")[0]: number for name, number in step.operator.per_litre().items()}


@pytest.mark.parametrize("item", ["silt", "1"])
def test_one_item_of_a_list_is_set_by_its_name_or_number(tmp_path: Path, item: str) -> None:
    base = tmp_path / "base.toml"
    base.write_text(CLASSES, "utf-8")
    key = f"steps.suspended_matter.classes.{item}.per_litre"
    for preset in (
        load_preset(base, [f"{key}=1"]),
        load_preset(base).with_settings({key: 1}),
        edit_file(base, [f"{key}=1"])[1],
    ):
        assert classes_of(preset) == {"snow": 2.0, "silt": 1.0}
    text, _ = edit_file(base, [f"{key}=1"])
    assert text == CLASSES.replace("9.0", "1")


def test_an_item_that_is_inherited_comes_into_the_file_with_its_list(tmp_path: Path) -> None:
    (tmp_path / "base.toml").write_text(CLASSES, "utf-8")
    shot = tmp_path / "shot.toml"
    shot.write_text('format = 1\nextends = "base.toml"  # the sequence\n', "utf-8")
    text, preset = edit_file(shot, ["steps.suspended_matter.classes.snow.per_litre=0.5"])
    assert classes_of(preset) == {"snow": 0.5, "silt": 9.0}
    assert text.startswith('format = 1\nextends = "base.toml"  # the sequence\n')


def test_mistakes_of_an_item_name_the_place_where_they_stand(tmp_path: Path) -> None:
    base = tmp_path / "base.toml"
    base.write_text(CLASSES.replace("9.0", "-9.0"), "utf-8")
    with pytest.raises(PresetError) as caught:
        load_preset(base, ["steps.suspended_matter.classes.snow.per_litre=-1"])
    places = sorted(str(problem.where) for problem in caught.value.problems)
    assert [("base.toml, line 10" in place, "--set" in place) for place in places] == [
        (False, True),
        (True, False),
    ]


def test_an_item_that_is_not_there_is_told_with_those_that_are(tmp_path: Path) -> None:
    base = tmp_path / "base.toml"
    base.write_text(CLASSES, "utf-8")
    with pytest.raises(PresetError, match="there are snow, silt"):
        edit_file(base, ["steps.suspended_matter.classes.snwo.per_litre=1"])
    with pytest.raises(PresetError):
        load_preset(base, ["steps.suspended_matter.classes.snwo.per_litre=1"])


APART = """format = 2
extends = "jerlov-1c"
[steps.forward_scatter]
enabled = false # no halo

[light]
shadows = false

[steps.matter]
operator = "suspended_matter"
[[steps.matter.classes]]
name = "snow"
per_litre = 1.0 # a litre
"""


@pytest.mark.parametrize(
    ("setting", "old", "new"),
    [
        ("steps.matter.classes.snow.per_litre=4", "per_litre = 1.0 #", "per_litre = 4 #"),
        ("steps.forward_scatter.enabled=true", "enabled = false #", "enabled = true #"),
        ("steps.matter.classes.snow.per_litre=", "per_litre = 1.0 # a litre\n", ""),
        # A step that is new comes behind all others, as steps are done in the order of the file.
        ("steps.warmth.operator='grade'", "a litre\n", "a litre\n\n[steps.warmth]\noperator = 'grade'\n"),
    ],
)
def test_steps_that_stand_apart_in_a_file_are_set_too(setting: str, old: str, new: str) -> None:
    assert old in APART
    assert edited(APART, [setting]) == APART.replace(old, new)


def test_tables_on_one_line_take_tables_in() -> None:
    text = 'format = 2\n[parts]\nchain = { matte = "arch" } # rusty\n'
    new = edited(text, ["parts.chain.light.veil_brightness=2.0"])
    part = {"matte": "arch", "light": {"veil_brightness": 2.0}}
    assert tomllib.loads(new) == {"format": 2, "parts": {"chain": part}}
    assert new.endswith("# rusty\n")


def test_brackets_without_end_are_no_value_and_no_traceback() -> None:
    nested = "[" * 5000
    made = tomllib.loads(edited("format = 2\n", [f"light.overcast={nested}"]))
    assert made["light"]["overcast"] == nested
