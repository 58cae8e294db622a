"""The exported schema, read by an independent package: shipped presets pass, presets with mistakes fail."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from halocline.operators.registry import operator_named, operator_names
from halocline.presets.document import shipped_folder, shipped_names
from halocline.presets.preset import load_preset
from halocline.presets.schema import DIALECT, preset_schema
from halocline.presets.sections import SECTIONS

INVALID = Path(__file__).parents[1] / "invalid_presets"
# Mistakes that one file's shape does not show: references between keys, other files, physics, limits of
# quantities that text may state, frames in order.
BEYOND_A_SCHEMA = {
    "syntax",
    "two_waters",
    "two_scales",
    "half_a_story",
    "unknown_water",
    "unknown_input",
    "ring",
    "lost_step",
    "no_second_picture",
    "too_many_pictures",
    "order_of_nothing",
    "curve_order",
    "curve_counts",
    "curve_of_text",
    "curve_leaves_the_range",
    "frame_without_end",
    "extends_nothing",
    "extends_itself",
    "extends_outside",
    "table_outside",
    "damaged_fit",
    "near_limit_too_far",
    "out_of_range",
}


@pytest.fixture(scope="module")
def checker() -> Any:
    return jsonschema.Draft202012Validator(preset_schema())


def mistakes(checker: Any, text: str) -> list[str]:
    return [error.message for error in checker.iter_errors(tomllib.loads(text))]


def test_schema_is_itself_valid() -> None:
    schema = preset_schema()
    assert schema["$schema"] == DIALECT
    jsonschema.Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize("name", shipped_names())
def test_shipped_preset_is_valid_and_so_is_its_resolved_text(checker: Any, name: str) -> None:
    assert mistakes(checker, (shipped_folder() / f"{name}.toml").read_text(encoding="utf-8")) == []
    assert mistakes(checker, load_preset(name).resolved_text) == []


SEEN = sorted({path.stem for path in INVALID.glob("*.toml")} - BEYOND_A_SCHEMA)


@pytest.mark.parametrize("name", SEEN)
def test_preset_with_a_mistake_is_not(checker: Any, name: str) -> None:
    assert mistakes(checker, (INVALID / f"{name}.toml").read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    "text",
    [
        "[light]\novercast = { curve = 'linear', keys = [[1, 0.2], [9, 0.4]] }",
        "[light]\nveil_tint = { curve = 'smooth', keys = [[1, [1.0, 1.0, 1.0]]] }",
        "[story]\nsoftness = { curve = 'held', keys = [[1, '10 ft'], [5, 3]] }",
        "[steps.white_reference]\nbalance = { curve = 'linear', keys = [[1, 0.2], [9, 0.4]] }",
        "[steps.exposure]\noperator = 'white_reference'\nbalance = 0.5",
        "[steps.attenuation]\noperator = 'white_reference'\nbalance = 0.5",
        "extends = 'jerlov-1c'\n[steps.haze]\nenabled = false",
        "[water]\nvisibility = '30 ft'",
        "[input]\nscene_unit = 'cm'",
    ],
)
def test_what_the_format_allows_is_valid(checker: Any, text: str) -> None:
    head, _, rest = text.partition("[")
    assert mistakes(checker, f"{head}format = 1\n[{rest}") == []


@pytest.mark.parametrize(
    "text",
    [
        "[water]\nvisibility = { curve = 'linear', keys = [[1, 0.2]] }",
        "[light]\novercast = { curve = 'bezier', keys = [[1, 0.2]] }",
        "[light]\novercast = { curve = 'linear', keys = [[1, 0.2, 3]] }",
        "[light]\novercast = { curve = 'linear', keys = [[1, 0.2]], loop = true }",
        "[steps.exposure]\noperator = 'white_reference'\nblance = 0.5",
        "[steps.attenuation]\noperator = 'white_reference'\nblance = 0.5",
        "[steps.exposure]\nbalance = 0.5",
        "[steps.attenuation]\nenabled = { curve = 'held', keys = [[1, true]] }",
    ],
)
def test_what_the_format_forbids_is_not(checker: Any, text: str) -> None:
    assert mistakes(checker, f"format = 1\n{text}")


def test_every_key_has_its_meaning(checker: Any) -> None:
    schema = preset_schema()
    for name in SECTIONS:
        section = schema["properties"][name]
        assert section["description"]
        for key, value in section["properties"].items():
            assert value["description"], f"{name}.{key}"
    for name in operator_names():
        step = schema["$defs"][f"step_{name}"]
        assert step["description"]
        assert {"operator", "enabled", *operator_named(name).Parameters.model_fields} == {
            *step["properties"]
        } - {"input", "other", "after", "before"}
        assert all(value["description"] for value in step["properties"].values())


def test_lengths_may_carry_units_and_limits_of_numbers_are_kept() -> None:
    light = preset_schema()["properties"]["light"]["properties"]
    assert {"maximum": 1.0, "minimum": 0.0, "type": "number"} in light["overcast"]["anyOf"]
    assert light["overcast"]["default"] == 0.2
    kinds = [choice.get("type") for choice in light["reference_depth"]["anyOf"]]
    assert kinds == ["number", "string", None]
    assert light["reference_depth"]["description"].endswith('text may carry another unit, such as "12 ft".')
