"""How a key is set on the page: as a number, a switch, a choice, numbers, bounds, or as text; its unit."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from halocline.imaging.compression import LOSSLESS, LOSSY
from halocline.physics.water.water import JERLOV_SOURCES, JERLOV_TYPES
from halocline.presets.curves import is_curve
from halocline.presets.lines import KeyPath
from halocline.presets.schema import preset_schema

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
MEASURED = ("number", "length", "numbers")
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


@lru_cache(maxsize=1)
def whole_schema() -> dict[str, Any]:
    """Return the JSON Schema of presets."""
    return preset_schema()


def form_of(path: KeyPath, value: Any, choices: list[Mapping[str, Any]]) -> dict[str, Any]:
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
    return {**form, "animated": may_move and form["form"] in MEASURED}


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
    inside = {name: [resolved(one) for one in about.get("anyOf", [about])] for name, about in table.items()}
    if any(_form_of_numbers(each) is None or "prefixItems" in each[0] for each in inside.values()):
        return None
    bounds = [
        {"name": name, "unit": unit_of(about, inside[name]), "default": as_shown(about.get("default"))}
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


def resolved(choice: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return what a reference within the schema is to; all else as it is."""
    reference = choice.get("$ref")
    if not reference:
        return choice
    found: Mapping[str, Any] = whole_schema()["$defs"][reference.rpartition("/")[2]]
    return found


def as_shown(value: Any) -> Any:
    """Return a value for JSON; curves with their keys, tables as they are."""
    if isinstance(value, Mapping):
        shown = {name: as_shown(item) for name, item in value.items()}
        return {**shown, "is_curve": True} if is_curve(value) else shown
    if isinstance(value, list | tuple):
        return [as_shown(item) for item in value]
    return value if value is None or isinstance(value, bool | int | float | str) else str(value)


def unit_of(about: Mapping[str, Any], choices: list[Mapping[str, Any]]) -> str:
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


def plain_text(description: str) -> str:
    """Return a meaning without what the schema says of other units and without its code marks."""
    # The unit stands beside the key; that other units are understood is told once, on the page.
    return _OTHER_UNITS.sub("", description).replace("``", "")
