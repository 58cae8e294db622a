"""Every key of a preset, in the preset's own order and words, as the page shows it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import lru_cache
from itertools import count
from typing import Any, TypeAlias

from halocline.imaging.compression import LOSSLESS, LOSSY
from halocline.physics.water.water import JERLOV_SOURCES, JERLOV_TYPES
from halocline.presets.curves import is_curve
from halocline.presets.document import Document
from halocline.presets.lines import KeyPath
from halocline.presets.preset import Preset
from halocline.presets.remarks import remarks
from halocline.presets.schema import preset_schema
from halocline.presets.sections import LOOK_TABLES, SECTIONS
from halocline.tuning.session import Session, toml_text

# What the descriptions say of units that are no kind of number, in the order in which to look.
_UNITS = (
    (r"\b[Dd]egrees?\b(?! Celsius)", "degrees"),
    (r"\bm/s\b|\bmetres (per|a) second\b", "m/s"),
    (r"\b1/m\b", "1/m"),
    (r"\bmm\b|\bmillimetres\b", "mm"),
    (r"\bnanometres\b", "nm"),
    (r"\bpixels\b", "px"),
    (r"\bstops\b", "stops"),
)
# What the schema says of numbers that take units, whatever their meaning speaks of besides.
_KIND_UNIT = re.compile(r"\bIn (metres|degrees|seconds); text may carry another unit")
_UNIT_OF_KIND = {"metres": "m", "degrees": "degrees", "seconds": "s"}
_OTHER_UNITS = re.compile(r'\s*In \w+; text may carry another unit, such as "[^"]*"\.')
# Forms of keys that hold a quantity. These alone run over frames as a curve does; what a file holds still
# from key to key, as names or switches, is shown as it says and not offered.
_MEASURED = ("number", "length", "numbers")
# A number, with a unit or without, as text.
_WITH_UNIT = re.compile(r"\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*([^\d\s].*)?")
# Keys that take one of a few names, which the schema leaves open: "jerlov 7c" is understood, too.
_NAMES: dict[KeyPath, tuple[str, ...]] = {
    ("water", "jerlov_type"): JERLOV_TYPES,
    ("water", "source"): ("best", *JERLOV_SOURCES),
    ("output", "compression"): (*LOSSLESS, *LOSSY),
}
# What a render or `preset show` notes down, for nobody to type.
_NOTED = ("found", "fitted", "sha256")
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
                yield from _keys((*path, inner), about_inner, document, opened, told, under=f"{key}: ")


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
    under: str = "",
) -> Iterator[dict[str, Any]]:
    """Yield a key; of an array of tables, the keys of each table, under its name."""
    value = value_at(document.tables, path)
    about = _with_origins(path, about, document)
    choices = [_resolved(choice) for choice in about.get("anyOf", [about])]
    items = next((choice["items"] for choice in choices if "items" in choice), None)
    inner = _row(items) if isinstance(items, Mapping) else {}
    rows = value if isinstance(value, list) else []
    # Rows that nobody stated and that are there all the same can only be written as a whole.
    stated = value is not None or not about.get("default")
    if inner and stated and value in (None, rows) and all(isinstance(row, Mapping) for row in rows):
        held = _rows(path, rows, inner)
        if rows or held["add"]:
            label, meaning = f"{under}{path[-1].replace('_', ' ')}", _plain(about.get("description", ""))
            named = {"path": list(path), "name": path[-1], "label": label, "meaning": meaning}
            yield {**held, **named, "told": told.get(path, [])}
            for number in range(len(rows)):
                of_row = f"{under}{_row_name(rows, number, path[-1])}: "
                for key, of_key in inner["properties"].items():
                    yield from _keys((*path, str(number), key), of_key, document, opened, told, of_row)
            return
    before = value_at(opened.tables, path)
    origin = document.origin(path) if value is not None else None
    form = _form(path, value, choices)
    yield {
        "path": list(path),
        "name": path[-1],
        "label": f"{under}{path[-1].replace('_', ' ')}",
        "meaning": _plain(about.get("description", "")),
        # What names a channel or a file has no unit, whatever its meaning speaks of.
        "unit": _unit_of(about, choices) if form["form"] in _MEASURED else "",
        "value": _shown(value),
        "text": "" if value is None else toml_text(value),
        "default": _shown(about.get("default")),
        "changed": value != before,
        "own": origin is not None and document.lineage[-1:] == (origin.file,),
        "origin": "" if origin is None else str(origin),
        "told": told.get(path, []),
        **form,
    }


def _rows(path: KeyPath, rows: list[Any], inner: Mapping[str, Any]) -> dict[str, Any]:
    """Return the form of an array of tables: its rows' names, and the settings that add one and take one out.

    One more is like the last; the first is what is needed alone, where that is a name.
    """
    dotted = ".".join(path)
    names = [_row_name(rows, number, path[-1]) for number in range(len(rows))]
    called = path[-1].replace("_", " ")
    taken = {str(row.get("name")) for row in rows}
    fresh = next(
        name for name in (f"{called} {number}" for number in count(len(rows) + 1)) if name not in taken
    )
    required = set(inner.get("required", ()))
    own_name = {"name": fresh} if "name" in inner["properties"] else {}
    add = ""
    if rows:
        add = f"{dotted}.{len(rows)}={toml_text({**rows[-1], **own_name})}"
    elif required <= own_name.keys():
        add = f"{dotted}=[{toml_text(own_name)}]"
    return {
        "form": "rows",
        "names": names,
        "add": add,
        "take_out": [f"{dotted}.{number}=" for number in range(len(rows))],
        "unit": "",
        "value": None,
        "text": "",
        "default": None,
        "changed": False,
        "own": False,
        "origin": "",
        "animated": False,
    }


def _with_origins(path: KeyPath, about: Mapping[str, Any], document: Document) -> Mapping[str, Any]:
    """Return what the schema says of a key, with the names there are where it names an origin."""
    if path[-1] != "origin" or path[0] == "origins":
        return about
    return {**about, "anyOf": [{"enum": list(document.tables.get("origins", {}))}]}


def _row(items: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return the table that an array holds, where it holds tables; any of them may be a curve instead."""
    rows = (_resolved(each) for each in items.get("anyOf", [items]))
    return next((row for row in rows if "properties" in row and "curve" not in row["properties"]), {})


def _row_name(rows: list[Any], number: int, array: str) -> str:
    """Return what a row of an array is called: by its name if no other has it, else by its place from 1."""
    names = [row.get("name") for row in rows]
    name = names[number]
    if isinstance(name, str) and name.strip() and names.count(name) == 1:
        return name
    return f"{array.replace('_', ' ')} {number + 1}"


def _form(path: KeyPath, value: Any, choices: list[Mapping[str, Any]]) -> dict[str, Any]:
    """Return how a key is set: as a number, a switch, a choice, several numbers, a matte's name, or as text.

    A value that does not go into the boxes of its form is shown as text.
    """
    if path[-1] in _NOTED:
        return {"form": "noted", "animated": False}
    plain = [choice for choice in choices if choice.get("type") != "object"]
    may_move = any("curve" in choice.get("properties", {}) for choice in choices)
    form = _form_of_names(path, plain) or _form_of_numbers(plain) or _form_of_bounds(choices)
    if form is None and (path[-1] == "matte" or path[-1].endswith("_matte")):
        return {"form": "matte", "animated": False}
    if form is None or not (value is None or is_curve(value) or _fits(form, value)):
        return {"form": "text", "animated": False}
    return {**form, "animated": may_move and form["form"] in _MEASURED}


def _form_of_names(path: KeyPath, plain: list[Mapping[str, Any]]) -> dict[str, Any] | None:
    """Return the form of what is on or off, or one of a few names."""
    if any(choice.get("type") == "boolean" for choice in plain):
        return {"form": "switch"}
    listed = [name for choice in plain for name in choice.get("enum", [])]
    listed += [choice["const"] for choice in plain if "const" in choice]
    listed = listed or list(_NAMES.get(path[-2:], ()))
    # What may be a number as well is a number first.
    measured = any(choice.get("type") in ("number", "integer") for choice in plain)
    return {"form": "choice", "choices": listed} if listed and not measured else None


def _form_of_numbers(plain: list[Mapping[str, Any]]) -> dict[str, Any] | None:
    """Return the form of a number, of several, and of what text with a unit gives."""
    one = next((choice for choice in plain if choice.get("type") in ("number", "integer")), None)
    if one is not None:
        return {
            "form": "number",
            "whole": one["type"] == "integer",
            "least": one.get("minimum", one.get("exclusiveMinimum")),
            "most": one.get("maximum", one.get("exclusiveMaximum")),
        }
    tuple_of = next((choice for choice in plain if choice.get("prefixItems")), None)
    return None if tuple_of is None else {"form": "numbers", "count": len(tuple_of["prefixItems"])}


def _form_of_bounds(choices: list[Mapping[str, Any]]) -> dict[str, Any] | None:
    """Return the form of a table of numbers alone, as where a slab of range begins and ends."""
    tables = [choice["properties"] for choice in choices if "properties" in choice]
    table = next((each for each in tables if "curve" not in each), None)
    if not table or any("type" in choice and choice["type"] != "object" for choice in choices):
        return None
    inside = {name: [_resolved(one) for one in about.get("anyOf", [about])] for name, about in table.items()}
    if any(_form_of_numbers(each) is None or "prefixItems" in each[0] for each in inside.values()):
        return None
    bounds = [
        {"name": name, "unit": _unit_of(about, inside[name]), "default": _shown(about.get("default"))}
        for name, about in table.items()
    ]
    return {"form": "bounds", "bounds": bounds}


def _fits(form: Mapping[str, Any], value: Any) -> bool:
    """Tell whether a value goes into the boxes of its form."""
    if form["form"] == "numbers":
        return isinstance(value, list) and len(value) == form["count"] and all(map(_is_measure, value))
    if form["form"] == "bounds":
        return isinstance(value, Mapping) and all(map(_is_measure, value.values()))
    return form["form"] != "number" or _is_measure(value)


def _is_measure(value: Any) -> bool:
    if isinstance(value, str):
        return _WITH_UNIT.fullmatch(value) is not None
    return isinstance(value, int | float) and not isinstance(value, bool)


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


def _unit_of(about: Mapping[str, Any], choices: list[Mapping[str, Any]]) -> str:
    """Return the unit of a key: as its own kind of number says, else as its meaning does."""
    items: Mapping[str, Any] = next(
        (each["prefixItems"][0] for each in choices if each.get("prefixItems")), {}
    )
    kinds = [items, *items.get("anyOf", [])]
    exact = [found for each in (about, *kinds) if (found := _KIND_UNIT.search(each.get("description", "")))]
    return _UNIT_OF_KIND[exact[0][1]] if exact else _unit(about.get("description", ""))


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
