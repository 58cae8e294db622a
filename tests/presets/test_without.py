"""What a preset leaves out of what it extends, through every layer of that."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from halocline.errors import PresetError
from halocline.presets.document import document_at, read_document
from halocline.presets.edit import edit_file, upgraded_file
from halocline.presets.preset import Preset, load_preset, preset_from_text
from halocline.presets.remarks import renamed_keys
from halocline.presets.without import dotted_key, in_keys_of_today, path_of

LOWEST = """format = 2
extends = "jerlov-1c"
[steps.attenuation]
matte = "arch"
amount = 0.5
within_range = { nearest = 3.0, farthest = 9.0 }
[steps."fine snow"]
operator = "suspended_matter"
[parts.far]
within_range = { nearest = "4 m" }
amount = 0.5
[parts.far.light]
veil_brightness = 2.0
[[light.lamps]]
name = "torch"
"""


@pytest.fixture
def layers(tmp_path: Path) -> Callable[..., Path]:
    """Write files each of which extends the one before, from `LOWEST` on; return the last."""

    def write(*texts: str) -> Path:
        below = tmp_path / "layer0.toml"
        below.write_text(LOWEST, encoding="utf-8")
        for number, text in enumerate(texts, 1):
            path = tmp_path / f"layer{number}.toml"
            path.write_text(f'format = 2\nextends = "{below.name}"\n{text}', encoding="utf-8")
            below = path
        return below

    return write


def test_a_key_goes_from_all_layers_below_and_stays_gone_above(layers: Callable[..., Path]) -> None:
    # The middle one states it too: of both nothing is left.
    middle = "[steps.attenuation]\nwithin_range.nearest = 5.0\n"
    top = 'without = ["steps.attenuation.within_range.nearest", "steps.attenuation.matte"]\n'
    for texts in ((top,), (middle, top), (middle, top, ""), (top, "[light]\novercast = 0.4\n")):
        document = read_document(layers(*texts))
        attenuation = document.tables["steps"]["attenuation"]
        assert attenuation == {"amount": 0.5, "within_range": {"farthest": 9.0}}, texts
        assert "without" not in document.tables
        assert not any(path[-1] in ("nearest", "matte") for path in document.origins if path[0] == "steps")
        limits = load_preset(layers(*texts)).at(0).graph.steps
        (limited,) = (step.limits for step in limits if step.name == "attenuation")
        bounds = limited.within_range
        assert bounds is not None
        assert (limited.matte, bounds.nearest, bounds.farthest) == (None, None, 9.0)
    # What a layer above states anew holds again, and what it states beside is not touched.
    again = load_preset(layers(middle, top, '[steps.attenuation]\nmatte = "anchor"\n'))
    assert again.document.tables["steps"]["attenuation"]["matte"] == "anchor"
    assert again.document.where(("steps", "attenuation", "matte")).endswith("layer3.toml, line 4")


def test_a_file_lays_its_own_keys_over_what_is_left(layers: Callable[..., Path]) -> None:
    document = read_document(layers('without = ["parts.far", "light.lamps"]\n[parts.far]\nmatte = "wall"\n'))
    assert document.tables["parts"] == {"far": {"matte": "wall"}}
    assert "lamps" not in document.tables["light"]


def test_of_what_is_left_out_no_line_is_known_and_an_origin_stays_by_its_name(
    layers: Callable[..., Path],
) -> None:
    origin = "[origins.spot]\npoint = [0.5, 0.5]\n"
    document = read_document(layers(origin, 'without = ["steps.attenuation", "origins.spot.point"]\n'))
    assert [path for path in document.origins if path[:2] == ("steps", "attenuation")] == []
    assert document.tables["origins"] == {"spot": {}}


def test_the_last_bound_takes_its_table_along_and_a_step_stays_without_keys(
    layers: Callable[..., Path],
) -> None:
    named = [
        f"steps.attenuation.{key}"
        for key in ("within_range.nearest", "within_range.farthest", "matte", "amount")
    ]
    document = read_document(layers(f"without = {named}\n"))
    assert document.tables["steps"]["attenuation"] == {}
    assert "attenuation" in [name for name, _ in Preset(document).steps]
    document = read_document(layers("""without = ["steps.'fine snow'", 'parts.far.within_range']\n"""))
    assert "fine snow" not in document.tables["steps"]
    assert document.tables["parts"]["far"] == {"amount": 0.5, "light": {"veil_brightness": 2.0}}


def test_what_is_resolved_needs_no_word_for_it(layers: Callable[..., Path]) -> None:
    preset = load_preset(layers('without = ["parts.far.within_range", "steps.attenuation.matte"]\n'))
    assert "without" not in preset.resolved_text
    assert preset_from_text(preset.resolved_text).resolved_text == preset.resolved_text
    assert preset_from_text(preset.resolved_text).digest == preset.digest


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ('without = "steps.attenuation"', "without is 'steps.attenuation', not a list of keys"),
        ("without = [3]", r"without is \[3\], not a list of keys"),
        (
            'without = ["steps.attenuation.mate"]',
            'which nothing(.|\n)*Did you mean "steps.attenuation.matte"',
        ),
        ('without = ["light.lamps.0.name"]', "Of an array the whole is named"),
        ('without = ["a = 1\\nb"]', "which is no key"),
        ('without = ["steps = 0 #"]', "which is no key"),
        ('without = [""]', "which is no key"),
        ('without = ["extends"]', "which is no key"),
    ],
)
def test_what_is_no_inherited_key_is_told_with_file_and_line(
    layers: Callable[..., Path], line: str, told: str
) -> None:
    path = layers(f'title = "own"\n{line}\n')
    with pytest.raises(PresetError, match=told) as caught:
        load_preset(path)
    assert (caught.value.code, caught.value.line) == ("E-PRESET-WITHOUT", 4)
    assert "layer1.toml, line 4" in str(caught.value)


def test_a_preset_that_extends_nothing_is_without_nothing(tmp_path: Path) -> None:
    with pytest.raises(PresetError, match="nothing that this preset extends states"):
        document_at('format = 2\nwithout = ["light.overcast"]\n', tmp_path / "own.toml")


def test_it_is_set_in_a_file_as_a_whole_and_taken_out(layers: Callable[..., Path]) -> None:
    path = layers("")
    text, preset = edit_file(path, ['without=["steps.attenuation.matte"]'])
    assert tomllib.loads(text)["without"] == ["steps.attenuation.matte"]
    assert "matte" not in preset.document.tables["steps"]["attenuation"]
    path.write_text(text, encoding="utf-8")
    text, preset = edit_file(path, ["without="])
    assert "without" not in text
    assert preset.document.tables["steps"]["attenuation"]["matte"] == "arch"
    # For one command there is another word for it.
    with pytest.raises(PresetError, match="sets nothing"):
        load_preset(path, ['without=["steps.attenuation.matte"]'])


def test_a_former_name_is_understood_told_and_upgraded(tmp_path: Path) -> None:
    (tmp_path / "below.toml").write_text(
        'format = 2\nextends = "jerlov-1c"\n[water]\nconstituents = { chlorophyll = 1.0 }\n',
        encoding="utf-8",
    )
    own = tmp_path / "own.toml"
    text = """format = 2
title = "without water.contents"
notes = "['water.contents']"
extends = "below.toml"
without = ['water.contents'] # as "water.contents" was called
[water]
jerlov_type = "3C"
"""
    own.write_text(text, encoding="utf-8")
    preset = load_preset(own)
    assert preset.document.tables["water"] == {"jerlov_type": "3C"}
    (remark,) = renamed_keys(preset.document)
    assert "constituents" in remark.text
    new, count = upgraded_file(own)
    assert (new, count) == (
        text.replace("without = ['water.contents']", "without = ['water.constituents']"),
        1,
    )
    own.write_text(new, encoding="utf-8")
    assert upgraded_file(own) == (new, 0)
    # Only what is named in the list is a key.
    plain = 'title = "a"\nnotes = "water.contents"\n'
    assert in_keys_of_today(plain, {}) == (plain, 0)
    assert load_preset(own).resolved_text == preset.resolved_text


def test_keys_are_read_and_written_as_toml_has_them() -> None:
    for path in (("light", "overcast"), ("steps", "fine snow", "matte"), ("parts", 'a "b".c')):
        assert path_of(dotted_key(path)) == path
    assert path_of("a.b\nc") == ()
    assert path_of("[" * 5000) == ()
