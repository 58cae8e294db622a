"""Changing a preset file by tool: comments, order and spacing of everything else stay as they were."""

from __future__ import annotations

import tomllib
from collections.abc import MutableMapping
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, InlineTable, Table

from halocline.errors import HaloclineError, PresetError
from halocline.presets.document import item_place, preset_text, read_document, through_list
from halocline.presets.preset import Preset
from halocline.presets.renamed import operators_of, upgraded
from halocline.presets.without import WITHOUT, in_keys_of_today


def edited(text: str, settings: list[str], *, name: str = "preset") -> str:
    """Return a preset's text with keys set, each ``SECTION.KEY=VALUE``, or taken out by ``SECTION.KEY=``.

    A key keeps the comment behind it. Tables that are not there yet are added at the end. An item of a list
    is said by its name, or its number from 0: ``steps.matter.classes.snow.per_litre=1``. With no value it is
    taken out whole; under the number after the last one more is put: ``light.lamps.2={ name = "torch" }``.

    Parameters
    ----------
    text
        The preset.
    settings
        What to set, one key each.
    name
        What to call it in messages.

    Returns
    -------
    str
        The new text; comments and order are kept. Its values are not checked.

    Raises
    ------
    PresetError
        ``E-PRESET-SET`` where a setting cannot be read, ``E-PRESET-TOML`` where the text is no TOML.
    """
    try:
        document = tomlkit.parse(text)
    except TOMLKitError as error:
        raise PresetError(
            f"this is not valid TOML: {error}",
            code="E-PRESET-TOML",
            where=name,
            fix="Fix it by hand first.",
        ) from error
    for setting in settings:
        path, value = _parsed(setting)
        if value is None:
            _take_out(document, path, setting)
        else:
            document = _with_table_at_end(document, path)
            _put_in(document, path, value, setting)
    return tomlkit.dumps(document)


def upgraded_file(path: Path) -> tuple[str, int]:
    """Return a preset file's text with today's words for its keys, and how many old ones it had.

    Comments, order and spacing stay; the file itself is not touched.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    tuple[str, int]
        The new text, and the number of old words.

    Raises
    ------
    PresetError
        As `halocline.presets.document.read_document`.
    """
    kinds = operators_of(read_document(path).tables)
    text, of_keys = upgraded(preset_text(path), kinds)
    text, of_without = in_keys_of_today(text, kinds)
    return text, of_keys + of_without


def edit_file(path: Path, settings: list[str]) -> tuple[str, Preset]:
    """Return the text and the preset that a file would be with keys set; the file itself is not touched.

    Keys that it gives by a former name come under their name of today.

    Parameters
    ----------
    path
        The file.
    settings
        As `edited` takes them.

    Returns
    -------
    tuple[str, Preset]
        The new text, and the preset that it is.

    Raises
    ------
    PresetError
        Where the result would not be valid; nothing is then to be written.
    """
    text = upgraded_file(path)[0]
    for setting in settings:
        text = edited(text, [_with_inherited_list(setting, path, text)], name=path.name)
    # Checked as if it stood there already, so that what it extends and the tables it names are found.
    return text, Preset(read_document(path, text=text))


def _with_inherited_list(setting: str, path: Path, text: str) -> str:
    """Return what sets an item of a list that the file only inherits: the whole list, changed."""
    keys, value = _parsed(setting)
    try:
        own: Any = tomllib.loads(text)
        tables = read_document(path, text=text).tables
    except (tomllib.TOMLDecodeError, HaloclineError):
        # What is wrong is told of the text with the key set.
        return setting
    through = through_list(tables, keys, None if value is None else _as_plain(value))
    if through is None:
        return setting
    place, whole, _ = through
    for key in place:
        own = own.get(key) if isinstance(own, dict) else None
    return setting if own is not None else f"{'.'.join(place)}={_inline(whole)}"


def _inline(value: Any) -> str:
    """Return a value in one line; the library writes lists of tables as several."""
    if isinstance(value, dict):
        pairs = (f"{tomlkit.key(key).as_string()} = {_inline(item)}" for key, item in value.items())
        return f"{{ {', '.join(pairs)} }}"
    if isinstance(value, list):
        return f"[{', '.join(map(_inline, value))}]"
    return str(tomlkit.item(value).as_string())


def _as_plain(value: Any) -> Any:
    return value.unwrap() if hasattr(value, "unwrap") else value


def _names_in(items: Any) -> str:
    names = [str(item["name"]) for item in items if isinstance(item, dict) and "name" in item]
    return f" (there are {', '.join(names)})" if names else ""


def _parsed(setting: str) -> tuple[list[str], Any]:
    dotted, equals, text = setting.partition("=")
    path = [part.strip() for part in dotted.split(".")]
    if not equals or not all(path) or (len(path) < 2 and path != [WITHOUT]):
        raise _refused(setting, "it is not of the form SECTION.KEY=VALUE")
    if not text.strip():
        return path, None
    try:
        # Checked by the strict parser, kept by the one that keeps spelling.
        tomllib.loads(f"value = {text}")
        return path, tomlkit.parse(f"value = {text.strip()}\n")["value"]
    except (tomllib.TOMLDecodeError, TOMLKitError, RecursionError):
        return path, tomlkit.item(text.strip())


def _put_in(document: Any, path: list[str], value: Any, setting: str) -> None:
    table = document
    for number, part in enumerate(path[:-1]):
        if isinstance(table, list):
            # [[light.lamps]]: tables by their names, or counted from 0.
            place = item_place(table, part)
            if place is None:
                raise _refused(setting, f"{'.'.join(path[: number + 1])} is not there{_names_in(table)}")
            table = table[place]
            continue
        if part not in table:
            # [steps.haze] needs no [steps] of its own, [parts.chain] no [parts], nor inside a part.
            named = part in ("steps", "parts", "origins") and number < len(path) - 2
            new = tomlkit.table(is_super_table=named)
            _add(table, part, tomlkit.inline_table() if isinstance(table, InlineTable) else new)
        table = table[part]
        if not isinstance(table, MutableMapping | list):
            raise _refused(setting, f"{'.'.join(path[: number + 1])} is no table")
    key = path[-1]
    if isinstance(table, list):
        _put_item(table, key, value, setting)
    elif key in table:
        old = table[key]
        comment, trail = (old.trivia.comment, old.trivia.comment_ws) if hasattr(old, "trivia") else ("", "")
        table[key] = value
        if comment and not isinstance(old, Table):
            table[key].comment(comment.lstrip("# "))
            table[key].trivia.comment_ws = trail
    else:
        _add(table, key, value)


def _with_table_at_end(document: Any, path: list[str]) -> Any:
    """Return a document with a new table of those that stand apart in it, behind all of them.

    The order of steps is that of the file.
    """
    apart = document.get(path[0])
    if len(path) < 3 or apart is None or hasattr(apart, "add") or isinstance(apart, list) or path[1] in apart:
        return document
    head = ".".join(tomlkit.key(part).as_string() for part in path[:2])
    return tomlkit.parse(f"{tomlkit.dumps(document).rstrip()}\n\n[{head}]\n")


def _add(table: Any, key: str, item: Any) -> None:
    """Add a key; to tables of one name that stand apart in the file ([steps.x], [light], [steps.y]), too."""
    if hasattr(table, "add"):
        table.add(key, item)
    else:
        table[key] = item


def _put_item(items: Any, part: str, value: Any, setting: str) -> None:
    """Put a whole item in its place in a list, or behind the last."""
    if isinstance(items, AoT):
        if not isinstance(value, dict):
            raise _refused(setting, "the list holds tables")
        own = tomlkit.table()
        own.update(value)
        value = own
    place = item_place(items, part)
    if place is not None:
        items[place] = value
    elif part == str(len(items)):
        items.append(value)
    else:
        raise _refused(setting, f"there is no such item{_names_in(items)}")


def _take_out(document: Any, path: list[str], setting: str) -> None:
    table = document
    for part in path[:-1]:
        if isinstance(table, list) and (place := item_place(table, part)) is not None:
            table = table[place]
        else:
            table = table.get(part, {}) if hasattr(table, "get") else {}
    if isinstance(table, list):
        place = item_place(table, path[-1])
        if place is None:
            raise _refused(setting, f"there is no such item{_names_in(table)}")
        if len(table) == 1:
            # Said as a list that is empty: without a word it would be the inherited one.
            _put_in(document, path[:-1], tomlkit.array(), setting)
        else:
            del table[place]
        return
    if path[-1] not in table:
        raise _refused(setting, "there is no such key to take out")
    del table[path[-1]]


def _refused(setting: str, reason: str) -> HaloclineError:
    return PresetError(
        f"{setting!r} sets nothing: {reason}",
        code="E-PRESET-SET",
        where="set",
        fix="Write SECTION.KEY=VALUE, for example light.sun_elevation=20; an empty VALUE takes the key out.",
    )
