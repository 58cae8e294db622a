"""Every key of a preset, in the preset's own order and words, as the page shows it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, TypeAlias

from halocline.graph.graph import SOURCE
from halocline.late_dataclass import dataclass
from halocline.operators.registry import operator_named
from halocline.presets.document import Document
from halocline.presets.lines import KeyOrigin, KeyPath
from halocline.presets.preset import Preset
from halocline.presets.remarks import remarks
from halocline.presets.sections import LOOK_TABLES, SECTIONS
from halocline.presets.without import dotted_key
from halocline.tuning.additions import begun_steps, row_name, rows_added_and_taken_out
from halocline.tuning.forms import MEASURED, as_shown, form_of, plain_text, resolved, unit_of, whole_schema
from halocline.tuning.session import Session, toml_text, value_at, without_setting

# Keys of a step that say which it is and where it stands; the page has buttons for them.
_PLACE_KEYS = ("operator", "input", "other", "after", "before", "enabled")
# Keys that say in which order steps or parts stand.
_ORDER_KEYS = ("after", "before")
# What a part holds beside its place that has sections of its own kind, each with keys of its own.
_PART_SECTIONS = tuple(name for name in LOOK_TABLES if name in SECTIONS)

# What is remarked of each key.
_Told: TypeAlias = dict[KeyPath, list[dict[str, str]]]


@dataclass(frozen=True)
class _Held:
    """What a preset holds at its keys: its own words, those of what it extends, and those before the session.

    Of a part, keys that it does not state itself are those of the look that it has.
    """

    document: Document
    opened: Document
    inherited: Mapping[str, Any]
    told: _Told
    frames: tuple[int, int]
    left_out: Mapping[str, KeyPath]
    part: KeyPath = ()
    look: Document | None = None

    def of_look(self, path: KeyPath) -> KeyPath:
        """Return where a part's look has a key; nothing for what is no part's."""
        length = len(self.part)
        inside = self.look is not None and path[:length] == self.part and len(path) > length + 1
        return path[length:] if inside and path[length] in LOOK_TABLES else ()

    def value(self, path: KeyPath) -> Any:
        """Return what holds at a key, stated or from elsewhere."""
        inner = self.of_look(path)
        return value_at(
            self.document.tables if self.look is None or not inner else self.look.tables, inner or path
        )

    def stated(self, path: KeyPath) -> Any:
        """Return what the preset, or one that it extends, states at a key itself."""
        return value_at(self.document.tables, path)

    def changed(self, path: KeyPath) -> bool:
        """Tell whether a key stands otherwise than when the session began."""
        return bool(self.stated(path) != value_at(self.opened.tables, path))

    def own(self, path: KeyPath) -> bool:
        """Tell whether the preset's own file states a key."""
        return self.stated(path) is not None and self.document.lineage[-1:] == (
            self.document.origin(path).file,
        )

    def origin(self, path: KeyPath) -> KeyOrigin | None:
        """Return what gave a key, if anything did."""
        inner = self.of_look(path)
        if self.stated(path) is None and self.look is not None and inner:
            return None if value_at(self.look.tables, inner) is None else self.look.origin(inner)
        return None if self.stated(path) is None else self.document.origin(path)

    def beneath(self, path: KeyPath) -> bool:
        """Tell whether something would hold at a key if the preset's own file did not state it."""
        inner = self.of_look(path)
        below = value_at(self.document.tables, inner) if inner else None
        return below is not None or value_at(self.inherited, path) is not None


def model(session: Session, frames: Sequence[int] = (1,)) -> dict[str, Any]:
    """Return all that the page shows of a preset, as plain values.

    Parameters
    ----------
    session
        The preset under change.
    frames
        Numbers of the frames it is for, in order.
    """
    state = session.state
    preset = state.preset
    document = preset.document
    odd = remarks(preset)
    told: _Told = {}
    for each in odd:
        told.setdefault(each.key, []).append({"text": each.text, "fix": each.fix})
    held = _Held(
        document,
        session.opened.preset.document,
        session.inherited,
        told,
        (frames[0], frames[-1]),
        session.left_out,
    )
    schema = whole_schema()
    groups = [_group((name,), name, schema["properties"][name], held) for name in SECTIONS]
    of_origin = resolved(schema["properties"]["origins"]["additionalProperties"])
    groups += [
        {
            **_group(("origins", name), f"origin {name}", of_origin, held),
            **_taken_out(("origins", name), held),
        }
        for name in preset.origins
    ]
    groups += [_part(name, preset, held) for name in preset.parts]
    return {
        "number": state.number,
        "name": preset.name,
        "title": preset.title,
        "layers": list(document.lineage),
        "sections": groups,
        "steps": list(_steps(preset, held)),
        "more_steps": begun_steps(preset),
        "left_out": list(_left_out(held)),
        "remarks": [
            {"where": each.where, "key": list(each.key), "text": each.text, "fix": each.fix} for each in odd
        ],
        "can_undo": session.can_undo,
        "can_redo": session.can_redo,
        "unsaved": state.text != session.saved_text,
        "can_save": session.save_to is not None,
        "text": state.text,
    }


def keys_of_part(session: Session, path: KeyPath, frames: Sequence[int] = (1,)) -> list[dict[str, Any]]:
    """Return a key of a part's own look as `model` would if the part stated it; of rows, the keys of each.

    Parameters
    ----------
    session
        The preset under change.
    path
        ``("parts", NAME, SECTION, KEY)``, or ``("parts", NAME, "steps", STEP, KEY)``.
    frames
        As `model`.

    Returns
    -------
    list[dict[str, Any]]
        With what holds there as long as the part states nothing. Empty where there is no such key.
    """
    preset = session.state.preset
    part = preset.parts.get(path[1]) if len(path) > 3 and path[0] == "parts" else None
    if part is None:
        return []
    under, keys = _of_part(path[:-1], part)
    if path[-1] not in keys:
        return []
    held = _Held(
        preset.document,
        session.opened.preset.document,
        session.inherited,
        {},
        (frames[0], frames[-1]),
        session.left_out,
        path[:2],
        part.document,
    )
    return list(_keys(path, keys[path[-1]], held, under))


def _steps(preset: Preset, held: _Held) -> Iterator[dict[str, Any]]:
    """Yield all steps in their order, those put aside included."""
    done = {step.name for step in preset.at(0).graph.steps}
    for name, _ in preset.steps:
        kind = str(held.document.tables["steps"][name].get("operator", name))
        group = _group(("steps", name), name, whole_schema()["$defs"][f"step_{kind}"], held)
        second = len(operator_named(kind).inputs) > 1
        group["keys"] = [
            key
            for key in group["keys"]
            if key["name"] not in _PLACE_KEYS or (second and key["name"] == "other")
        ]
        yield {
            **group,
            "operator": kind,
            "enabled": name in done,
            **_taken_out(("steps", name), held),
        }


def _part(name: str, preset: Preset, held: _Held) -> dict[str, Any]:
    """Return a part: where it is, what it states of its own look, and what else it could state."""
    path = ("parts", name)
    look = preset.parts[name]
    of_part = replace(held, part=path, look=look.document)
    about = whole_schema()["$defs"]["part"]
    elsewhere = (*LOOK_TABLES, *_ORDER_KEYS)
    places = {key: each for key, each in about["properties"].items() if key not in elsewhere}
    group = _group(path, f"part {name}", {**about, "properties": places}, of_part)
    more: list[tuple[str, list[str]]] = []
    for table in _part_tables(look):
        under, keys = _of_part((*path, *table), look)
        own = [key for key in keys if of_part.stated((*path, *table, key)) is not None]
        for key in own:
            group["keys"].extend(_keys((*path, *table, key), keys[key], of_part, under))
        more.append((".".join(table), [key for key in keys if key not in own]))
    return {**group, "part": name, **_taken_out(path, held), "more": more}


def _part_tables(look: Preset) -> Iterator[KeyPath]:
    """Yield the tables of a part's own look whose keys it may state."""
    yield from ((name,) for name in _PART_SECTIONS)
    yield from (("steps", name) for name, _ in look.steps)


def _of_part(path: KeyPath, look: Preset) -> tuple[str, dict[str, Any]]:
    """Return what keys of a table of a part's look are told under, and what the schema says of each."""
    schema, table = whole_schema(), path[2:]
    if table[0] != "steps":
        section = schema["$defs"]["part"]["properties"].get(table[0], {}) if len(table) == 1 else {}
        return f"{table[0]}: ", section.get("properties", {})
    name = table[1] if len(table) == 2 else ""
    kind = str(value_at(look.document.tables, ("steps", name, "operator")) or name)
    keys = schema["$defs"].get(f"step_{kind}", {}).get("properties", {})
    kept = {key: about for key, about in keys.items() if key == "enabled" or key not in _PLACE_KEYS}
    return f"{name}: ", kept


def _taken_out(path: KeyPath, held: _Held) -> dict[str, Any]:
    """Return the settings that take out what the preset's own file states of a table, and what it inherits.

    ``take_out`` is empty where the file states nothing of it; ``leave_out`` where what it extends does not.
    """
    take_out = [f"{'.'.join(path)}="] if held.own(path) else []
    # Of tables in a table that is left out, too, nothing is left.
    others = [dotted for dotted, each in held.left_out.items() if each[: len(path)] != path]
    inherits = value_at(held.inherited, path) is not None and path not in held.left_out.values()
    leave_out = [*take_out, without_setting([*others, dotted_key(path)])] if inherits else []
    return {"take_out": take_out, "leave_out": leave_out}


def _left_out(held: _Held) -> Iterator[dict[str, Any]]:
    """Yield whole steps, parts and origins that the file leaves out: name, and what has each hold again."""
    for path in held.left_out.values():
        if len(path) == 2 and path[0] in ("steps", "parts", "origins"):
            kept = [dotted for dotted, each in held.left_out.items() if each != path]
            yield {"name": f"{path[0].removesuffix('s')} {path[1]}", "settings": [without_setting(kept)]}


def _group(
    path: KeyPath,
    name: str,
    schema: Mapping[str, Any],
    held: _Held,
) -> dict[str, Any]:
    keys: list[dict[str, Any]] = []
    for key, about in schema.get("properties", {}).items():
        keys.extend(_keys((*path, key), about, held))
    return {
        "path": list(path),
        "name": name,
        "meaning": plain_text(schema.get("description", "")),
        "keys": keys,
        "told": held.told.get(path, []),
        "where": held.document.where(path),
    }


def _keys(
    path: KeyPath,
    about: Mapping[str, Any],
    held: _Held,
    under: str = "",
) -> Iterator[dict[str, Any]]:
    """Yield a key; of an array of tables, the keys of each table, under its name."""
    value = held.value(path)
    about = _with_names(path, about, held.document)
    choices = [resolved(choice) for choice in about.get("anyOf", [about])]
    items = next((choice["items"] for choice in choices if "items" in choice), None)
    inner = _row(items) if isinstance(items, Mapping) else {}
    rows = value if isinstance(value, list) else []
    # Rows that nobody stated and that are there all the same can only be written as a whole.
    stated = value is not None or not about.get("default")
    if inner and stated and value in (None, rows) and all(isinstance(row, Mapping) for row in rows):
        both = rows_added_and_taken_out(path, rows, inner, held.document.tables, held.frames)
        if rows or both["add"]:
            label, meaning = f"{under}{path[-1].replace('_', ' ')}", plain_text(about.get("description", ""))
            named = {"path": list(path), "name": path[-1], "label": label, "meaning": meaning}
            yield {**both, **named, "told": held.told.get(path, [])}
            for number in range(len(rows)):
                of_row = f"{under}{row_name(rows, number, path[-1])}: "
                for key, of_key in inner["properties"].items():
                    yield from _keys((*path, str(number), key), of_key, held, of_row)
            return
    origin = held.origin(path)
    form = form_of(path, value, choices)
    yield {
        "path": list(path),
        "name": path[-1],
        "label": f"{under}{path[-1].replace('_', ' ')}",
        "meaning": plain_text(about.get("description", "")),
        # What names a channel or a file has no unit, whatever its meaning speaks of.
        "unit": unit_of(about, choices) if form["form"] in MEASURED else "",
        "value": as_shown(value),
        "text": "" if value is None else toml_text(value),
        "default": as_shown(about.get("default")),
        "changed": held.changed(path),
        "inherit": _inherit(path, held),
        "left_out": any(path[: len(each)] == each for each in held.left_out.values()),
        "usual": _usual(path, value, about, held),
        "origin": "" if origin is None else str(origin),
        "told": held.told.get(path, []),
        **form,
    }


def _with_names(path: KeyPath, about: Mapping[str, Any], document: Document) -> Mapping[str, Any]:
    """Return what the schema says of a key, with the names there are of origins or pictures that it names."""
    if path[0] == "steps" and path[2:] == ("other",):
        others = [name for name in document.tables["steps"] if name != path[1]]
        return {**about, "anyOf": [{"enum": [SOURCE, *others]}]}
    if path[-1] != "origin" or path[0] == "origins":
        return about
    return {**about, "anyOf": [{"enum": list(document.tables.get("origins", {}))}]}


def _row(items: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return the table that an array holds, where it holds tables; any of them may be a curve instead."""
    rows = (resolved(each) for each in items.get("anyOf", [items]))
    return next((row for row in rows if "properties" in row and "curve" not in row["properties"]), {})


def _inherit(path: KeyPath, held: _Held) -> list[str]:
    """Return the settings by which a key, and its bounds, are inherited; none where they are."""
    kept = [dotted for dotted, each in held.left_out.items() if each[: len(path)] != path]
    named = [] if len(kept) == len(held.left_out) else [without_setting(kept)]
    return [f"{'.'.join(path)}=", *named] if held.own(path) else named


def _usual(path: KeyPath, value: Any, about: Mapping[str, Any], held: _Held) -> str:
    """Return the setting that states a key's default where otherwise something inherited would hold."""
    usual = about.get("default")
    if usual is None or value is None or value == usual or not held.beneath(path):
        return ""
    return f"{'.'.join(path)}={toml_text(usual)}"
