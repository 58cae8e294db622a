"""Presets that give keys by former names load, look the same, and are told so."""

from __future__ import annotations

from pathlib import Path

import pytest

from halocline.errors import PresetError
from halocline.operators.registry import BUILT_IN, operator_named
from halocline.presets.document import Document
from halocline.presets.edit import edit_file, upgraded_file
from halocline.presets.preset import Preset, load_preset, preset_from_text
from halocline.presets.remarks import remarks, renamed_keys
from halocline.presets.renamed import old_words
from halocline.presets.sections import SECTIONS

OLD = """\
format = 1
[water]
contents = { chlorophyll = 2.0 }   # of the coast

[steps.attenuation]
[steps.bubbles]
[[steps.bubbles.mouths]]
name = "vent"
track = [{ frame = 1, position = [0.0, 0.0, -2.0], per_second = 4.0 }]
mouth_radius = "8 cm"
[steps.more]
operator = "bubbles"
mouths = [
  { name = "a", track = [{ frame = 1, position = [0, 0, -2] }] },
  { name = "b", "mouth_radius" = 0.2, track = [{ frame = 1, position = [0, 0, -2] }] },  # no mouths
]
"""
NEW = (
    OLD.replace("contents", "constituents")
    .replace("mouths =", "sources =")
    .replace(".mouths]]", ".sources]]")
    .replace("mouth_radius", "source_radius")
)


def file_of(folder: Path, text: str, name: str = "look.toml") -> Path:
    path = folder / name
    path.write_text(text)
    return path


def test_the_old_words_give_the_same_look_to_the_digest() -> None:
    assert preset_from_text(OLD).digest == preset_from_text(NEW).digest


def test_each_old_word_is_remarked_on_with_its_line_and_its_key() -> None:
    told = [(each.where, each.text) for each in renamed_keys(preset_from_text(OLD).document)]
    assert told == [
        ("text, line 3", '"contents" is called "constituents" now'),
        ("text, line 7", '"mouths" is called "sources" now'),
        ("text, line 10", '"mouth_radius" is called "source_radius" now'),
        ("text, line 13", '"mouths" is called "sources" now'),
        ("text, line 15", '"mouth_radius" is called "source_radius" now'),
    ]
    assert renamed_keys(preset_from_text(NEW).document) == []
    assert {each.key for each in remarks(preset_from_text(OLD))} >= {("water", "constituents")}


def test_mistakes_under_an_old_word_are_told_by_the_key_of_today_with_its_line() -> None:
    with pytest.raises(PresetError) as caught:
        preset_from_text(OLD.replace("chlorophyll = 2.0", "chlorophyll = -2.0"))
    (problem,) = caught.value.problems
    assert problem.key == ("water", "constituents", "chlorophyll")
    assert (problem.file, problem.line) == ("text", 3)


def test_upgrading_changes_the_words_and_nothing_else(tmp_path: Path) -> None:
    path = file_of(tmp_path, OLD)
    assert upgraded_file(path) == (NEW, 5)
    assert path.read_text() == OLD
    assert upgraded_file(file_of(tmp_path, NEW)) == (NEW, 0)


def test_a_step_whose_operator_an_inherited_preset_names_is_understood(tmp_path: Path) -> None:
    file_of(tmp_path, OLD, "base.toml")
    own = 'format = 1\nextends = "base.toml"\n[steps.more]\nmouths = []\n'
    path = file_of(tmp_path, own)
    assert load_preset(path).document.tables["steps"]["more"]["sources"] == []
    assert upgraded_file(path) == (own.replace("mouths", "sources"), 1)


def test_a_child_in_old_words_puts_the_other_choice_of_its_parent_away(tmp_path: Path) -> None:
    file_of(tmp_path, 'format = 1\n[water]\njerlov_type = "3C"\n', "base.toml")
    path = file_of(tmp_path, 'format = 1\nextends = "base.toml"\n[water]\ncontents = { mineral = 0.5 }\n')
    water = load_preset(path).at(0).water
    assert water.jerlov_type is None
    assert water.constituents is not None


@pytest.mark.parametrize("key", ["9" * 400, "5.5"])
def test_a_key_of_digits_alone_is_an_unknown_key_and_no_crash(tmp_path: Path, key: str) -> None:
    # Found by benchmarks/attacks.py.
    path = file_of(tmp_path, f"format = 1\n{key} = 1\n")
    with pytest.raises(PresetError, match="E-PRESET-KEY"):
        load_preset(str(path))
    assert upgraded_file(path) == (path.read_text(), 0)


def test_both_words_at_once_are_refused_by_name() -> None:
    both = "format = 1\n[water]\ncontents = { mineral = 0.5 }\nconstituents = { mineral = 0.4 }\n"
    with pytest.raises(PresetError) as caught:
        preset_from_text(both)
    assert str(caught.value) == (
        'E-PRESET-KEY  text, line 3, [water]: "contents" is called "constituents" now, and both are given\n'
        '  Take "contents" out.'
    )


def test_settings_understand_the_old_words() -> None:
    preset = preset_from_text("format = 1\n", ["water.contents={ mineral = 0.5 }"])
    assert preset.at(0).water.constituents is not None
    assert [each.where for each in renamed_keys(preset.document)] == [
        "--set water.contents={ mineral = 0.5 }"
    ]
    assert preset.with_settings({"water.contents": None}).at(0).water.constituents is None


def test_setting_a_key_of_an_old_file_writes_todays_words(tmp_path: Path) -> None:
    text, preset = edit_file(file_of(tmp_path, OLD), ["water.constituents.mineral=0.5"])
    assert "constituents = { chlorophyll = 2.0," in text
    assert "}   # of the coast\n" in text
    assert isinstance(preset, Preset)


def test_a_list_that_is_given_anew_keeps_no_places_of_the_old_one(tmp_path: Path) -> None:
    file_of(tmp_path, OLD, "base.toml")
    path = file_of(
        tmp_path,
        'format = 1\nextends = "base.toml"\n[steps.bubbles]\nsources = [{ name = "a", film = 2.0 }]\n',
    )
    with pytest.raises(PresetError) as caught:
        load_preset(path)
    assert {(problem.key, problem.line) for problem in caught.value.problems} == {
        (("steps", "bubbles", "sources", "0", "track"), 4),
        (("steps", "bubbles", "sources", "0", "film"), 4),
    }


def test_no_old_word_is_a_key_of_today_and_each_leads_to_one() -> None:
    assert ("[water]", "contents", "constituents") in old_words([])
    models = [*SECTIONS.values(), *(operator_named(name).Parameters for name in BUILT_IN)]
    for model in models:
        for old, new in model.RENAMED.items():
            assert old not in model.model_fields
            assert new in model.model_fields


def test_presets_that_ship_say_the_words_of_today(shipped: list[Document]) -> None:
    assert [document.name for document in shipped if document.old_words] == []


@pytest.fixture(scope="module")
def shipped() -> list[Document]:
    from halocline.presets.document import read_document, shipped_names

    return [read_document(name) for name in shipped_names()]
