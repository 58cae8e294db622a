"""The exported schema, read by an independent package: shipped presets pass, presets with mistakes fail."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import tomlkit
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from halocline.errors import PresetError
from halocline.graph.limits import StepLimits
from halocline.operators.registry import operator_named, operator_names
from halocline.presets.curves import KINDS
from halocline.presets.document import shipped_folder, shipped_names
from halocline.presets.preset import load_preset, preset_from_text
from halocline.presets.schema import DIALECT, preset_schema
from halocline.presets.sections import SECTIONS
from halocline.quantities import Strict

INVALID = Path(__file__).parents[1] / "invalid_presets"
# Mistakes that one file's shape does not show: references between keys, other files, physics, limits of
# quantities that text may state, frames in order.
BEYOND_A_SCHEMA = {
    "syntax",
    "two_waters",
    "two_scales",
    "half_a_story",
    "normals_among_passes",
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
    "reflectance_of_no_bottom",
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
        "[light]\nveil_tint = [1.0, { curve = 'linear', keys = [[1, 1.0], [9, 0.5]] }, 1.0]",
        "[[light.lamps]]\nposition = [0.1, { curve = 'linear', keys = [[1, '2 ft'], [9, 1]] }, 0.0]",
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
        "[water]\nattenuation_550 = { curve = 'held', keys = [[1, 1.0]] }",
        "[[light.lamps]]\nposition = [0.1, { curve = 'linear', keys = [[1, 2]], loop = true }, 0.0]",
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
        keys = operator_named(name).Parameters.model_fields.keys() | StepLimits.model_fields.keys()
        assert {"operator", "enabled", *keys} == {*step["properties"]} - {"input", "other", "after", "before"}
        assert all(value["description"] for value in step["properties"].values())


def test_lengths_may_carry_units_and_limits_of_numbers_are_kept() -> None:
    light = preset_schema()["properties"]["light"]["properties"]
    assert {"maximum": 1.0, "minimum": 0.0, "type": "number"} in light["overcast"]["anyOf"]
    assert light["overcast"]["default"] == 0.2
    kinds = [choice.get("type") for choice in light["reference_depth"]["anyOf"]]
    assert kinds == ["number", "string", None]
    assert light["reference_depth"]["description"].endswith('text may carry another unit, such as "12 ft".')


_SCHEMA = preset_schema()
_WITH_KEYS = [name for name in operator_names() if operator_named(name).Parameters.model_fields]


@st.composite
def random_presets(draw: st.DrawFn) -> dict[str, Any]:
    """Tables of keys that are there, with values near their defaults, some of them curves, at any depth."""
    tables: dict[str, Any] = {"format": 1, "extends": "jerlov-1c"}
    for name in draw(st.lists(st.sampled_from(sorted(SECTIONS)), max_size=3, unique=True)):
        tables[name] = draw(_tables_of(SECTIONS[name]))
    names = draw(st.lists(st.sampled_from(_WITH_KEYS), max_size=2, unique=True))
    tables["steps"] = {name: draw(_tables_of(operator_named(name).Parameters)) for name in names}
    return tables


@st.composite
def _tables_of(draw: st.DrawFn, model: type[Strict]) -> dict[str, Any]:
    keys = draw(st.lists(st.sampled_from(sorted(model.model_fields)), max_size=4, unique=True))
    return {key: value for key in keys if (value := draw(_values(_default(model, key)))) is not None}


def _default(model: type[Strict], key: str) -> Any:
    field = model.model_fields[key]
    value = None if field.is_required() else field.get_default(call_default_factory=True)
    if isinstance(value, tuple):
        value = [item.model_dump(mode="json") if isinstance(item, Strict) else item for item in value]
    return value.model_dump(mode="json") if isinstance(value, Strict) else value


def _values(default: Any) -> st.SearchStrategy[Any]:
    """What may stand in place of a default: of its kind, or not; as it is, or moving."""
    plain: st.SearchStrategy[Any] = st.just(default)
    if isinstance(default, float) or default is None:
        plain = st.sampled_from(
            [default or 1.0, 0, 1, 0.5, 20, -3.0, "3 ft", " 20 deg", "0.5 s", "1e1 m", "x", True]
        )
    elif isinstance(default, list | tuple):
        plain = st.tuples(*map(_values, default)).map(list)
    elif isinstance(default, dict):
        plain = st.fixed_dictionaries({}, optional={key: _values(value) for key, value in default.items()})
    moving = st.tuples(st.sampled_from(KINDS), plain, plain).map(
        lambda drawn: {"curve": drawn[0], "keys": [[1001, drawn[1]], [1024, drawn[2]]]}
    )
    return plain | moving if default is not None else plain


@settings(max_examples=250, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(random_presets())
def test_what_the_reader_accepts_the_schema_does_too(tables: dict[str, Any]) -> None:
    text = tomlkit.dumps(_without_nothing(tables))
    try:
        preset_from_text(text)
    except PresetError:
        return
    assert mistakes(jsonschema.Draft202012Validator(_SCHEMA), text) == []


def _without_nothing(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_nothing(item) for key, item in value.items() if item is not None}
    if isinstance(value, list | tuple):
        return [_without_nothing(item) for item in value if item is not None]
    return value
