"""Every key of a preset, in the preset's own order and words, as the page shows it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Any, TypeAlias

from halocline.presets.curves import is_curve
from halocline.presets.document import Document
from halocline.presets.lines import KeyPath
from halocline.presets.preset import Preset
from halocline.presets.remarks import remarks
from halocline.presets.schema import preset_schema
from halocline.presets.sections import LOOK_TABLES, SECTIONS
from halocline.tuning.session import Session, toml_text

# What the descriptions say of units, in the order in which to look.
_UNITS = (
    (r"In degrees;|\bdegrees?\b", "degrees"),
    (r"\bm/s\b", "m/s"),
    (r"\b1/m\b", "1/m"),
    (r"In seconds;|\bseconds\b", "s"),
    (r"In metres;|\bmetres\b", "m"),
    (r"\bmm\b|\bmillimetres\b", "mm"),
    (r"\bpixels\b", "px"),
    (r"\bstops\b", "stops"),
)
_OTHER_UNITS = re.compile(r'\s*In \w+; text may carry another unit, such as "[^"]*"\.')
# Forms of keys that hold a quantity.
_MEASURED = ("number", "length", "numbers")
# Keys of a step that say which it is and where it stands; the page has buttons for them.
_PLACE_KEYS = ("operator", "input", "other", "after", "before", "enabled")


# What is remarked of each key.
_Told: TypeAlias = dict[KeyPath, list[dict[str, str]]]


def model(session: Session) -> dict[str, Any]:
    """Return all that the page shows of a preset, as plain values."""
    state = session.state
    preset = state.preset
    document, opened = preset.document, session.opened.preset.document
    odd = remarks(preset)
    told: _Told = {}
    for each in odd:
        told.setdefault(each.key, []).append({"text": each.text, "fix": each.fix})
    schema = _schema()
    groups = [_group((name,), name, schema["properties"][name], document, opened, told) for name in SECTIONS]
    done = {step.name for step in preset.at(0).graph.steps}
    steps = []
    for name in step_names(preset):
        table = document.tables["steps"][name]
        kind = str(table.get("operator", name))
        group = _group(("steps", name), name, schema["$defs"][f"step_{kind}"], document, opened, told)
        group["keys"] = [key for key in group["keys"] if key["name"] not in _PLACE_KEYS]
        steps.append({**group, "operator": kind, "enabled": name in done})
    of_origin = _resolved(schema["properties"]["origins"]["additionalProperties"])
    groups += [
        _group(("origins", name), f"origin {name}", of_origin, document, opened, told)
        for name in preset.origins
    ]
    for name in preset.parts:
        group = _group(("parts", name), f"part {name}", schema["$defs"]["part"], document, opened, told)
        groups.append({**group, "keys": list(_part_keys(name, schema, document, opened, told))})
    return {
        "number": state.number,
        "name": preset.name,
        "title": preset.title,
        "layers": list(document.lineage),
        "sections": groups,
        "steps": steps,
        "remarks": [
            {"where": each.where, "key": list(each.key), "text": each.text, "fix": each.fix} for each in odd
        ],
        "can_undo": session.can_undo,
        "can_redo": session.can_redo,
        "unsaved": state.text != session.saved_text,
        "can_save": session.save_to is not None,
        "text": state.text,
    }


def _part_keys(
    name: str, schema: Mapping[str, Any], document: Document, opened: Document, told: _Told
) -> Iterator[dict[str, Any]]:
    """Yield where a part is, and the keys of its own sections that the preset states."""
    for key, about in schema["$defs"]["part"]["properties"].items():
        path = ("parts", name, key)
        if key not in LOOK_TABLES:
            yield from _keys(path, about, document, opened, told)
            continue
        stated = value_at(document.tables, path)
        for inner, about_inner in about.get("properties", {}).items():
            if isinstance(stated, Mapping) and inner in stated:
                for each in _keys((*path, inner), about_inner, document, opened, told):
                    yield {**each, "name": f"{key}.{each['name']}"}


def step_names(preset: Preset) -> list[str]:
    """Return all steps in their order, those put aside included."""
    return [name for name, _ in preset.steps]


@lru_cache(maxsize=1)
def _schema() -> dict[str, Any]:
    return preset_schema()


def _group(
    path: KeyPath,
    name: str,
    schema: Mapping[str, Any],
    document: Document,
    opened: Document,
    told: _Told,
) -> dict[str, Any]:
    keys: list[dict[str, Any]] = []
    for key, about in schema.get("properties", {}).items():
        keys.extend(_keys((*path, key), about, document, opened, told))
    return {
        "path": list(path),
        "name": name,
        "meaning": _plain(schema.get("description", "")),
        "keys": keys,
        "told": told.get(path, []),
        "where": document.where(path),
    }


def _keys(
    path: KeyPath,
    about: Mapping[str, Any],
    document: Document,
    opened: Document,
    told: _Told,
) -> Iterator[dict[str, Any]]:
    """Yield a key; of an array of tables, the keys of each table."""
    value = value_at(document.tables, path)
    choices = [_resolved(choice) for choice in about.get("anyOf", [about])]
    items = next((choice["items"] for choice in choices if "items" in choice), None)
    inner = _row(items) if isinstance(items, Mapping) else {}
    if isinstance(value, list) and inner and all(isinstance(row, Mapping) for row in value):
        for number in range(len(value)):
            for key, of_key in inner["properties"].items():
                yield from _keys((*path, str(number), key), of_key, document, opened, told)
        return
    before = value_at(opened.tables, path)
    origin = document.origin(path) if value is not None else None
    form = _form(choices)
    yield {
        "path": list(path),
        "name": path[-1],
        "meaning": _plain(about.get("description", "")),
        # What names a channel or a file has no unit, whatever its meaning speaks of.
        "unit": _unit(about.get("description", "")) if form["form"] in _MEASURED else "",
        "value": _shown(value),
        "text": "" if value is None else toml_text(value),
        "default": _shown(about.get("default")),
        "changed": value != before,
        "own": origin is not None and document.lineage[-1:] == (origin.file,),
        "origin": "" if origin is None else str(origin),
        "told": told.get(path, []),
        **form,
    }


def _row(items: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return the table that an array holds, where it holds tables; any of them may be a curve instead."""
    rows = (_resolved(each) for each in items.get("anyOf", [items]))
    return next((row for row in rows if "properties" in row and "curve" not in row["properties"]), {})


def _form(choices: list[Mapping[str, Any]]) -> dict[str, Any]:
    """Return how a key is set: as a number in a range, a switch, a choice, several numbers, or as text."""
    plain = [choice for choice in choices if choice.get("type") != "object"]
    animated = any("curve" in choice.get("properties", {}) for choice in choices)
    numbers = [choice for choice in plain if choice.get("type") in ("number", "integer")]
    if numbers:
        one = numbers[0]
        return {
            "form": "number",
            "whole": one["type"] == "integer",
            "least": one.get("minimum", one.get("exclusiveMinimum")),
            "most": one.get("maximum", one.get("exclusiveMaximum")),
            "animated": animated,
        }
    if any(choice.get("type") == "boolean" for choice in plain):
        return {"form": "switch", "animated": animated}
    listed = next((choice["enum"] for choice in plain if "enum" in choice), None)
    if listed is not None:
        return {"form": "choice", "choices": listed, "animated": animated}
    tuple_of = next((choice for choice in plain if choice.get("prefixItems")), None)
    if tuple_of is not None:
        return {"form": "numbers", "count": len(tuple_of["prefixItems"]), "animated": animated}
    lengths = any(choice.get("type") == "string" and "pattern" in choice for choice in plain)
    return {"form": "length" if lengths else "text", "animated": animated}


def _resolved(choice: Mapping[str, Any]) -> Mapping[str, Any]:
    reference = choice.get("$ref")
    if not reference:
        return choice
    found: Mapping[str, Any] = _schema()["$defs"][reference.rpartition("/")[2]]
    return found


def _shown(value: Any) -> Any:
    """Return a value for JSON; curves with their keys, tables as they are."""
    if isinstance(value, Mapping):
        shown = {name: _shown(item) for name, item in value.items()}
        return {**shown, "is_curve": True} if is_curve(value) else shown
    if isinstance(value, list | tuple):
        return [_shown(item) for item in value]
    return value if value is None or isinstance(value, bool | int | float | str) else str(value)


def _unit(description: str) -> str:
    for pattern, unit in _UNITS:
        if re.search(pattern, description):
            return unit
    return ""


def _plain(description: str) -> str:
    # The unit stands beside the key; that other units are understood is told once, on the page.
    return _OTHER_UNITS.sub("", description).replace("``", "")


def value_at(tables: Any, path: KeyPath) -> Any:
    """Return what tables hold at a path, rows of arrays counted from 0; None where nothing."""
    for part in path:
        if isinstance(tables, Mapping) and part in tables:
            tables = tables[part]
        elif isinstance(tables, list) and part.isdigit() and int(part) < len(tables):
            tables = tables[int(part)]
        else:
            return None
    return tables
