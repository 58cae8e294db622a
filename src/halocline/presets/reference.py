"""The reference pages of the preset format and of the operators, written from the code.

``docs/presets.md`` and ``docs/operators.md`` are this module's output (``tools/write_reference.py``); a test
compares them. What is said of a key stands in the docstring of its model and nowhere else.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable, Mapping
from inspect import cleandoc
from typing import Any, Literal, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt
from pydantic import WithJsonSchema
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from halocline.graph.limits import StepLimits
from halocline.operators.registry import BUILT_IN, operator_named
from halocline.presets.formats import changes
from halocline.presets.preset import STEADY_SECTIONS
from halocline.presets.renamed import old_words
from halocline.presets.sections import FORMAT, SECTIONS, OriginSection, PartSection, StepHead
from halocline.quantities import Strict, meanings

_WRITTEN = "<!-- Written by tools/write_reference.py from the code: change the docstrings, not this page. -->"
_SIGNS = {Ge: "≥", Gt: ">", Le: "≤", Lt: "<"}
_WORDS = {float: "number", int: "whole number", str: "text", bool: "true or false", dict: "table", Any: "any"}


def presets_page() -> str:
    """Return ``docs/presets.md``."""
    parts = [
        "# The preset file",
        _WRITTEN,
        f"A preset is a TOML file that begins with `format = {FORMAT}`. It may have a `title`, `notes`, and "
        "`extends`: the name of a shipped preset, or the path of a file, to start from. Everything else "
        "stands in the sections below; what is left out keeps its default.",
        "What it extends states can be stated otherwise. What is not to be stated at all (a bound, a matte, "
        "a step) is named in `without`, at the top of the file; no file that is extended states it then:\n\n"
        '```toml\nextends = "leviathan"\nwithout = ["parts.beyond.within_range.farthest", "steps.snow"]\n'
        "```",
        'Lengths, angles and times are metres, degrees and seconds, or text with a unit: `"12 ft"`.',
        "Any number may change over frames, but for the sections "
        + ", ".join(f"`[{name}]`" for name in STEADY_SECTIONS)
        + ":\n\n```toml\n"
        'sun_elevation = { curve = "smooth", keys = [[1001, 30], [1100, "45 deg"]] }\n```\n\n'
        "`linear` goes straight from key to key, `smooth` eases through each key without passing it, `held` "
        "keeps each key's value until the next.",
    ]
    for name, model in SECTIONS.items():
        parts += [f"## `[{name}]`", *_model_parts(model)]
    parts += ["## `[steps.NAME]`", *_model_parts(StepHead)]
    parts += ["### Where a step acts, and how much", *_model_parts(StepLimits)]
    parts.append("Beside these a step has the keys of its operator: see [operators](operators.md).")
    parts += ["## `[origins.NAME]`", *_model_parts(OriginSection)]
    parts += ["## `[parts.NAME]`", *_model_parts(PartSection)]
    parts += ["## Former numbers of the format", *_changes()]
    parts += ["## Keys of former versions", *_old_words()]
    return _joined(parts)


def _changes() -> list[str]:
    return [
        "Presets of all numbers load, and give the pictures of today. This came to look otherwise with a "
        "number; `halocline preset check` says which of it touches a look, and `preset upgrade` writes the "
        "number of today:",
        "\n".join(f"* {number}: {text}" for number, text in changes()),
    ]


def _old_words() -> list[str]:
    rows = [f"| {place} | `{old}` | `{new}` |" for place, old, new in old_words(sorted(BUILT_IN))]
    return [
        "A preset that gives a key by its former name loads, looks the same, and is told so by "
        "`halocline preset check` and by every render; `halocline preset upgrade FILE` writes the new names. "
        "Renamed keys leave the number of the format as it is: it goes up when a file of the old number "
        "would be refused, or would come out otherwise.",
        "\n".join(["| section or operator | former name | key |", "| --- | --- | --- |", *rows]),
    ]


def operators_page() -> str:
    """Return ``docs/operators.md``: Halocline's own operators, not those of other packages."""
    parts = [
        "# Operators",
        _WRITTEN,
        "A step of a preset is an operator with its keys: `[steps.veiling_light]`. The keys that every step "
        "has are in [presets](presets.md).",
    ]
    for name in sorted(BUILT_IN):
        parts += _operator_parts(name)
    return _joined(parts)


def operator_page(name: str) -> str:
    """Return the part of the reference that is about one operator, of Halocline's own or of another package.

    Parameters
    ----------
    name
        As presets write it.

    Returns
    -------
    str
        Markdown.

    Raises
    ------
    GraphError
        ``E-GRAPH-OPERATOR`` where there is none of that name.
    """
    return _joined(_operator_parts(name))


def _operator_parts(name: str) -> list[str]:
    kind = operator_named(name)
    parts = [f"## `{name}`", cleandoc(sys.modules[kind.__module__].__doc__ or "")]
    if len(kind.inputs) > 1:
        parts.append(f"Takes {len(kind.inputs)} pictures: `input` and `other`.")
    if kind.nothing_at is not None:
        parts.append(f"Changes nothing at {_settings_text(kind.nothing_at)}.")
    return parts + _tables(kind.Parameters)


def _settings_text(settings: Mapping[str, Any]) -> str:
    return ", ".join(
        f"no `{key}`" if value is None else f"`{key} = {_plain(value)}`" for key, value in settings.items()
    )


def _joined(parts: Iterable[str]) -> str:
    return re.sub("``([^`]+)``", r"`\1`", "\n\n".join(parts)) + "\n"


def _model_parts(model: type[Strict]) -> list[str]:
    summary = cleandoc(model.__doc__ or "").split("\n\nAttributes\n")[0]
    return [summary, *_tables(model)]


def _tables(model: type[Strict]) -> list[str]:
    """Return a table of a model's keys, and one for each model held by them."""
    if not model.model_fields:
        return ["No keys of its own."]
    meaning = meanings(model)
    lines = ["| key | type | default | meaning |", "| --- | --- | --- | --- |"]
    nested: dict[str, type[Strict]] = {}
    for name, field in model.model_fields.items():
        cells = (f"`{name}`", _type_text(field), _default_text(field), meaning.get(name, ""))
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
        for inner in _models_in(field.annotation):
            nested[name] = inner
    parts = ["\n".join(lines)]
    for name, inner in nested.items():
        summary = cleandoc(inner.__doc__ or "").split("\n\nAttributes\n")[0]
        parts += [f"Keys of `{name}`: {summary}", *_tables(inner)]
    return parts


def _type_text(field: FieldInfo) -> str:
    kind = _kind_text(field.annotation, field.metadata)
    return f"{kind} {' '.join(_limits(field.metadata))}".rstrip()


def _kind_text(annotation: Any, metadata: Iterable[Any]) -> str:
    """Return what a value is, in words: the unit of a quantity, else the kind."""
    unit, arguments = _unit(metadata), get_args(annotation)
    if unit:
        return unit
    if hasattr(annotation, "__metadata__"):
        inner = annotation.__metadata__
        return f"{_kind_text(arguments[0], inner)} {' '.join(_limits(inner))}".rstrip()
    if get_origin(annotation) is tuple:
        return _tuple_text(arguments)
    if get_origin(annotation) is Literal:
        return " or ".join(f'`"{argument}"`' for argument in arguments)
    if get_origin(annotation) is not dict and arguments:
        kinds = [_kind_text(argument, ()) for argument in arguments if argument is not type(None)]
        return " or ".join(dict.fromkeys(kinds))
    return _WORDS.get(annotation, "table")


def _tuple_text(arguments: tuple[Any, ...]) -> str:
    kinds = [_kind_text(argument, ()) for argument in arguments if argument is not Ellipsis]
    if Ellipsis in arguments:
        return f"list of {kinds[0]}" + ("s" if kinds[0] == "table" else "")
    return f"{len(kinds)} of {kinds[0]}" if len(set(kinds)) == 1 else f"list of {' and '.join(kinds)}"


def _unit(metadata: Iterable[Any]) -> str:
    for item in metadata:
        if isinstance(item, WithJsonSchema) and item.json_schema:
            found = re.match(r"In (\w+);", str(item.json_schema.get("description", "")))
            if found:
                return found[1]
    return ""


def _limits(metadata: Iterable[Any]) -> list[str]:
    limits: list[str] = []
    for item in metadata:
        if isinstance(item, FieldInfo):
            limits += _limits(item.metadata)
        for kind, sign in _SIGNS.items():
            if isinstance(item, kind):
                value = getattr(item, kind.__name__.lower())
                # The end of 64-bit whole numbers tells nobody anything.
                limits += [] if value == 2**63 else [f"{sign} {value:g}"]
    return limits


def _default_text(field: FieldInfo) -> str:
    value = field.default
    if value is PydanticUndefined and field.default_factory is None:
        return "must be given"
    if value is None or value is PydanticUndefined:
        return "none"
    if isinstance(value, Strict):
        return "its own defaults"
    if isinstance(value, tuple):
        if any(isinstance(item, Strict) for item in value):
            return f"{len(value)} of them"
        return "`[" + ", ".join(_plain(item) for item in value) + "]`"
    return f"`{_plain(value)}`"


def _plain(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"


def _models_in(annotation: Any) -> list[type[Strict]]:
    if isinstance(annotation, type) and issubclass(annotation, Strict):
        return [annotation]
    return [model for argument in get_args(annotation) for model in _models_in(argument)]
