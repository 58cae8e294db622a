"""The preset format as a JSON Schema, so that editors complete and check keys while a preset is written.

A schema sees one file and not what it extends: what a preset may inherit is never required here. Whether the
whole is right, `halocline.presets.preset.load_preset` says.
"""

from __future__ import annotations

import json
from typing import Any

from halocline.graph.limits import StepLimits
from halocline.operators.registry import operator_named, operator_names
from halocline.presets.curves import KINDS, LARGEST_KEY_COUNT
from halocline.presets.formats import FORMATS
from halocline.presets.preset import STEADY_SECTIONS
from halocline.presets.sections import FORMAT, SECTIONS, STEADY_OF_PART, OriginSection, PartSection, StepHead
from halocline.quantities import Strict, meanings

Schema = dict[str, Any]

DIALECT = "https://json-schema.org/draft/2020-12/schema"
# A name and no address: the schema is printed by the installed version, and nothing is fetched.
IDENTITY = f"urn:halocline:preset:format:{FORMAT}"
# Where `halocline preset new` puts it, beside the preset.
SCHEMA_FILE = "halocline.schema.json"
_CURVE = {"$ref": "#/$defs/curve"}
_ANY_STEP = {"$ref": "#/$defs/step"}
_PARTS = {
    "type": "object",
    "description": "Parts of the picture that have a look of their own, by name.",
    "additionalProperties": {"$ref": "#/$defs/part"},
}


def preset_schema() -> Schema:
    """Return the JSON Schema (draft 2020-12) of a preset file, with all operators that are installed.

    Returns
    -------
    Schema
        The schema, ready for JSON.
    """
    operators = operator_names()
    definitions: Schema = {"curve": _curve_schema()}
    sections = {name: _section_schema(name, model, definitions) for name, model in SECTIONS.items()}
    for name in operators:
        definitions[f"step_{name}"] = _operator_schema(name, definitions)
    definitions["step"] = _step_schema(operators)
    origin = _model_schema(OriginSection, definitions, animated=False)
    sections["origins"] = {
        "type": "object",
        "description": "Places that things are bound to, by name.",
        "additionalProperties": origin,
    }
    definitions["part"] = _part_schema(sections, operators, definitions)
    return {
        "$schema": DIALECT,
        "$id": IDENTITY,
        "title": "Halocline preset",
        "type": "object",
        "additionalProperties": False,
        "required": ["format"],
        "properties": {
            "format": {"enum": list(FORMATS), "description": "Number of the preset format."},
            "title": {"type": "string", "description": "What people call the look."},
            "notes": {"type": "string", "description": "Anything worth knowing about it."},
            "extends": {
                "type": "string",
                "description": "Name of a shipped preset, or path of another file, to start from.",
            },
            "without": {
                "type": "array",
                "items": {"type": "string"},
                "description": "Keys, tables or steps that it leaves out of what it extends, dotted.",
            },
            **sections,
            "steps": _steps_schema(operators),
            "parts": _PARTS,
        },
        # A step of any name says its operator, unless it may have it from the preset that this one extends.
        "if": {"not": {"required": ["extends"]}},
        "then": {
            "properties": {
                "steps": {
                    "properties": dict.fromkeys(operators, True),
                    "additionalProperties": {"required": ["operator"]},
                }
            }
        },
        "dependentRequired": {"without": ["extends"]},
        "$defs": definitions,
    }


def schema_text() -> str:
    """Return `preset_schema` as the text of a file.

    Returns
    -------
    str
        JSON, indented.
    """
    return json.dumps(preset_schema(), indent=2) + "\n"


def _curve_schema() -> Schema:
    return {
        "type": "object",
        "description": "A value that changes over frames: from key to key, each [frame, value].",
        "additionalProperties": False,
        "required": ["curve", "keys"],
        "properties": {
            "curve": {"enum": list(KINDS)},
            "keys": {
                "type": "array",
                "minItems": 1,
                "maxItems": LARGEST_KEY_COUNT,
                "items": {"type": "array", "prefixItems": [{"type": "number"}], "minItems": 2, "maxItems": 2},
            },
        },
    }


def _section_schema(name: str, model: type[Strict], definitions: Schema) -> Schema:
    schema = _model_schema(model, definitions, animated=name not in STEADY_SECTIONS)
    return {key: value for key, value in schema.items() if key != "required"}


def _steps_schema(operators: list[str]) -> Schema:
    """Return the schema of ``[steps]``: a step's keys are those of its operator, which its name may be."""
    named = {
        name: {
            "if": {"required": ["operator"]},
            "then": _ANY_STEP,
            "else": {"$ref": f"#/$defs/step_{name}"},
        }
        for name in operators
    }
    return {
        "type": "object",
        "description": "What is done, in order.",
        "properties": named,
        "additionalProperties": _ANY_STEP,
    }


def _step_schema(operators: list[str]) -> Schema:
    """Return the schema of a step by the operator it states."""
    cases = [
        {
            "if": {"required": ["operator"], "properties": {"operator": {"const": name}}},
            "then": {"$ref": f"#/$defs/step_{name}"},
        }
        for name in operators
    ]
    return {"type": "object", "properties": {"operator": {"enum": operators}}, "allOf": cases}


def _part_schema(sections: Schema, operators: list[str], definitions: Schema) -> Schema:
    """Return the schema of a part of the picture: where it is, and tables of a look as the whole has."""
    own = _model_schema(PartSection, definitions, animated=True)
    tables: Schema = {**sections, "steps": _steps_schema(operators), "parts": _PARTS}
    plain = _model_schema(PartSection, definitions, animated=False)["properties"]
    properties = {
        name: tables.get(name, plain[name] if name in STEADY_OF_PART else value)
        for name, value in own["properties"].items()
    }
    return {**own, "properties": properties}


def _operator_schema(name: str, definitions: Schema) -> Schema:
    kind = operator_named(name)
    own = _model_schema(kind.Parameters, definitions, animated=True)
    head = _model_schema(StepHead, definitions, animated=False)
    limits = _model_schema(StepLimits, definitions, animated=True)
    return {
        "type": "object",
        "description": (kind.__doc__ or "").partition("\n")[0],
        "additionalProperties": False,
        "properties": {**head["properties"], **limits["properties"], **own["properties"]},
    }


def _model_schema(model: type[Strict], definitions: Schema, *, animated: bool) -> Schema:
    """Return a model's schema with its keys' meanings; models nested in it become definitions."""
    mode = "animated" if animated else "steady"
    schema = model.model_json_schema(ref_template=f"#/$defs/{mode}_{{model}}")
    # Nested models come with the schema of the whole; each is made anew with its own docstring.
    schema.pop("$defs", None)
    for nested in _nested_models(model):
        key = f"{mode}_{nested.__name__}"
        if key not in definitions:
            definitions[key] = {}
            definitions[key] = _model_schema(nested, definitions, animated=animated)
    meaning = meanings(model)
    # A model may say which of its keys alone can change over frames.
    moving: frozenset[str] = getattr(model, "MOVING", frozenset(model.model_fields))
    properties = {
        name: _property_schema(value, meaning.get(name, ""), animated=animated and name in moving)
        for name, value in schema.get("properties", {}).items()
    }
    first_line = (model.__doc__ or "").partition("\n")[0]
    kept: Schema = {key: schema[key] for key in ("type", "additionalProperties", "required") if key in schema}
    return {**kept, "description": first_line, "properties": properties}


def _property_schema(raw: Schema, meaning: str, *, animated: bool) -> Schema:
    choices = _choices(raw)
    units = dict.fromkeys(choice.pop("description") for choice in choices if "description" in choice)
    if animated:
        choices = [*map(_with_curves, choices), _CURVE]
    described = {"description": " ".join([meaning, *units])}
    value = choices[0] if len(choices) == 1 else {"anyOf": choices}
    default = {} if raw.get("default") is None else {"default": raw["default"]}
    return {**described, **value, **default}


def _with_curves(value: Schema) -> Schema:
    """Return what a list may be where each of its numbers may be a curve too, as the reader has it."""
    held = dict(value)
    if "prefixItems" in value:
        held["prefixItems"] = [{"anyOf": [_with_curves(item), _CURVE]} for item in value["prefixItems"]]
    if isinstance(value.get("items"), dict):
        held["items"] = {"anyOf": [_with_curves(value["items"]), _CURVE]}
    return held


def _choices(raw: Schema) -> list[Schema]:
    """Return what a value may be, without alternatives of alternatives; each with its own description."""
    value = {key: item for key, item in raw.items() if key not in ("title", "default")}
    if "anyOf" not in value:
        # TOML has no null: a key that may be nothing is left out.
        return [] if value.get("type") == "null" else [value]
    flat = [choice for inner in value["anyOf"] for choice in _choices(inner)]
    if "description" in value and flat:
        flat[0]["description"] = value["description"]
    return flat


def _nested_models(model: type[Strict]) -> list[type[Strict]]:
    """Return the models that the fields of a model hold, each once."""
    found: dict[str, type[Strict]] = {}
    pending: list[Any] = [field.annotation for field in model.model_fields.values()]
    while pending:
        annotation = pending.pop()
        if isinstance(annotation, type) and issubclass(annotation, Strict):
            found[annotation.__name__] = annotation
        else:
            pending.extend(getattr(annotation, "__args__", ()))
    return list(found.values())
