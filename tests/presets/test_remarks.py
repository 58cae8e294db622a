"""What is told of presets that are valid and odd; differences in words; edits that keep comments."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from halocline.errors import PresetError
from halocline.operators.registry import users_by_key
from halocline.presets.difference import differences
from halocline.presets.document import shipped_names
from halocline.presets.edit import edit_file, edited
from halocline.presets.preset import load_preset, preset_from_text
from halocline.presets.remarks import OBEYED_BY_STEPS, remarks, remarks_on_pictures

STEPS = "\n[steps.downwelling]\n[steps.attenuation]\n[steps.veiling_light]\n[steps.white_reference]\n"


def told(text: str) -> str:
    return "\n".join(map(str, remarks(preset_from_text(f"format = 2\n{text}"))))


@pytest.mark.parametrize("name", shipped_names())
def test_shipped_presets_have_nothing_odd(name: str) -> None:
    assert remarks(load_preset(name)) == []


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "[light]\nveil_brightness = 2.0\n[steps.attenuation]\n",
            "light.veil_brightness is set, but no step",
        ),
        ("[[light.lamps]]\nbrightness = 2.0\n" + STEPS, "light.lamps is set, but no step uses it"),
        ("[story]\nveil_scale = 0.5\n[steps.attenuation]\n", "story.veil_scale is set, but no step uses it"),
        ("[story]\nnear_limit = 2.0\n" + STEPS, "story.near_limit is set, but nothing is remapped"),
        (
            STEPS.replace("[steps.white_reference]", "[steps.lamp_backscatter]\nafter = 'attenuation'"),
            "the step lamp_backscatter has no lamps",
        ),
        (
            STEPS.replace(
                "[steps.attenuation]",
                "[steps.attenuation]\n[steps.caustics]\nenabled = false\ncontrast = 2.0",
            ),
            "the step caustics is not done, so its keys say nothing (contrast)",
        ),
        (
            "[steps.veiling_light]\n[steps.attenuation]\n",
            "attenuation comes after veiling_light, though light meets it before",
        ),
        (
            STEPS + '[steps.more]\noperator = "attenuation"\nafter = "attenuation"\n',
            "attenuation and more both do attenuation: light would go through the water twice",
        ),
        ("[light]\nreference_depth = -2.0\n" + STEPS, "the reference depth is 2 m above the sea"),
        ("[place]\ncamera_depth = 2000.0\n" + STEPS, "no daylight reaches 2000 m, and there are no lamps"),
        (
            "[light]\novercast = 1.0\n" + STEPS + "[steps.caustics]\nafter = 'downwelling'\n",
            "a sky without sun",
        ),
        ("[light]\nsun_elevation = 0.7854\n" + STEPS, "the sun stands 0.7854 degrees above the horizon"),
        (
            '[story]\nsubject_range = "140 m"\nsilhouette_contrast = 0.1\n' + STEPS,
            "the subject is at 140 m, the bands are fitted to 100 m",
        ),
        (
            '[water]\njerlov_type = "I"\n[story]\nsubject_range = "2 m"\nsilhouette_contrast = 0.1\n' + STEPS,
            "this water shows the subject with more contrast already",
        ),
    ],
)
def test_odd_preset_is_told_why_and_what_to_type(text: str, expected: str) -> None:
    found = [remark for remark in remarks(preset_from_text(f"format = 2\n{text}")) if expected in str(remark)]
    assert found
    for remark in found:
        # A key of a section or step, or a table.
        assert re.search(r"\b(light|place|story|bands|steps)\.\w+|\[\[?(steps|light|story)", remark.fix), (
            remark
        )


def test_the_step_that_comes_too_late_is_put_in_place_by_the_key_that_is_told() -> None:
    text = "[steps.veiling_light]\n[steps.attenuation]\n"
    assert 'Set steps.attenuation.before = "veiling_light".' in told(text)
    assert told(text.rstrip() + '\nbefore = "veiling_light"\n') == ""


def test_a_sun_in_radians_is_told_in_degrees() -> None:
    assert "set light.sun_elevation = 45:" in told(f"[light]\nsun_elevation = 0.7854\n{STEPS}")
    for degrees in (0, 1, 1.75, 12.5):
        assert "horizon" not in told(f"[light]\nsun_elevation = {degrees}\n{STEPS}")


def test_remark_has_a_place_and_a_fix() -> None:
    text = told("[light]\nveil_brightness = 2.0\n[steps.attenuation]\n")
    assert text.startswith("text, line 3: ")
    assert "take the key out" in text


def test_keys_obeyed_by_steps_alone_are_those_that_steps_say() -> None:
    assert set(users_by_key()) == OBEYED_BY_STEPS


@pytest.mark.parametrize("name", shipped_names())
def test_nothing_is_told_of_pictures_of_shipped_presets(name: str) -> None:
    assert remarks_on_pictures(load_preset(name), [1, 50]) == []


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "[light]\nveil_brightness = 2.0\n[steps.attenuation]\n",
            "light.veil_brightness is set, but no step",
        ),
        ("[story]\nnear_limit = 2.0\n" + STEPS, "story.near_limit is set, but nothing is remapped"),
        (STEPS + "[steps.lamps]\nafter = 'downwelling'\n", "the step lamps has no lamps"),
        ("[steps.veiling_light]\n[steps.attenuation]\n", "attenuation comes after veiling_light"),
        (
            "[light]\novercast = 1.0\n" + STEPS + "[steps.caustics]\nafter = 'downwelling'\n",
            "caustics cannot be had under a sky without sun",
        ),
        (
            f"{STEPS}[parts.far]\nmatte = 'far'\n[parts.far.steps.attenuation]\nafter = 'veiling_light'\n",
            "part far: attenuation comes after",
        ),
        # Nothing of a step that is put aside, nor of what a part obeys.
        (f"{STEPS}[steps.caustics]\nenabled = false\ncontrast = 2.0\n", ""),
        (
            "[story]\nveil_scale = 0.5\n[steps.attenuation]\n[parts.far]\nmatte = 'far'\n"
            "[parts.far.steps.veiling_light]\nafter = 'attenuation'\n",
            "",
        ),
    ],
)
def test_what_makes_a_picture_other_than_its_preset_says_is_told(text: str, expected: str) -> None:
    found = [str(each) for each in remarks_on_pictures(preset_from_text(f"format = 2\n{text}"), [1])]
    assert len(found) == bool(expected)
    assert expected in "".join(found)


def test_plain_preset_has_no_remarks() -> None:
    assert told('[water]\njerlov_type = "1C"\n' + STEPS) == ""


def test_presets_that_come_to_the_same_do_not_differ() -> None:
    first = preset_from_text("format = 2\n[light]\nsun_elevation = 45.0\n" + STEPS)
    assert differences(first, preset_from_text("format = 2\n" + STEPS)) == []


def test_differences_tell_water_steps_and_keys() -> None:
    lines = differences(load_preset("jerlov-1c"), load_preset("winter-fjord"))
    assert "water: Jerlov 1C -> Jerlov 1C, visibility 16 m" in lines
    assert "steps added: rim_light" in lines
    assert "light.sun_elevation: 45 -> 12 (0.27 times)" in lines
    assert any("clearer by a factor of 2.2" in line for line in lines)


def test_gone_key_and_step_are_told() -> None:
    first = preset_from_text('format = 2\n[water]\njerlov_type = "1C"\nvisibility = 9.0\n' + STEPS)
    second = preset_from_text(
        'format = 2\n[water]\njerlov_type = "1C"\n' + STEPS.replace("[steps.downwelling]\n", "")
    )
    lines = differences(first, second)
    assert "water.visibility = 9 is gone" in lines
    assert "steps left out: downwelling" in lines


COMMENTED = """\
# The look of the sequence.
format = 2
title = "Mine"          # for the call sheet

[light]
# Late in the day.
sun_elevation = 20.0    # degrees, from the plate
overcast = 0.1          # clear

[steps.attenuation]     # as ever
[steps.veiling_light]
"""


def test_set_keeps_every_comment_and_the_order() -> None:
    text = edited(COMMENTED, ["light.sun_elevation=12.5"])
    assert text == COMMENTED.replace("20.0", "12.5")


def test_set_adds_keys_and_tables() -> None:
    text = edited(
        COMMENTED, ['water.jerlov_type="3C"', "steps.white_reference.balance=0.5", "light.sun_azimuth=10"]
    )
    preset = preset_from_text(text)
    assert preset.at(0).water.jerlov_type == "3C"
    assert preset.at(0).light.sun_azimuth == 10
    assert [step.name for step in preset.at(0).graph.steps][-1] == "white_reference"
    for comment in (
        "# The look of the sequence.",
        "# degrees, from the plate",
        "# Late in the day.",
        "# as ever",
    ):
        assert comment in text


def test_empty_value_takes_a_key_out() -> None:
    text = edited(COMMENTED, ["light.overcast="])
    assert "overcast" not in text
    assert "# degrees, from the plate" in text


def test_text_with_a_unit_needs_no_quotation_marks() -> None:
    assert 'subject_range = "40 ft"' in edited(COMMENTED, ["story.subject_range=40 ft"])


@pytest.mark.parametrize("setting", ["light", "light.=3", "sun_elevation=3", "light.cloud="])
def test_unreadable_setting_is_refused(setting: str) -> None:
    with pytest.raises(PresetError, match="sets nothing"):
        edited(COMMENTED, [setting])


def test_edit_that_makes_no_valid_preset_is_refused_and_leaves_nothing_behind(tmp_path: Path) -> None:
    path = tmp_path / "look.toml"
    path.write_text(COMMENTED, encoding="utf-8")
    with pytest.raises(PresetError, match="sun_elevation"):
        edit_file(path, ["light.sun_elevation=400"])
    assert path.read_text(encoding="utf-8") == COMMENTED
    assert list(tmp_path.iterdir()) == [path]


def test_edit_in_a_folder_finds_what_the_preset_extends(tmp_path: Path) -> None:
    (tmp_path / "base.toml").write_text(COMMENTED, encoding="utf-8")
    path = tmp_path / "shot.toml"
    path.write_text('format = 2\nextends = "base.toml"\n', encoding="utf-8")
    text, changed = edit_file(path, ["light.overcast=0.7"])
    assert changed.at(0).light.overcast == 0.7
    assert "overcast = 0.7" in text
    assert {each.name for each in tmp_path.iterdir()} == {"base.toml", "shot.toml"}
