"""What a preset leaves out of what it extends: keys, tables or whole steps that it names in ``without``.

What is inherited can be stated otherwise, but some keys say something by being there at all: a bound, a
matte, a place in the order of steps. Of what is named in ``without`` nothing is left, however many of the
files that a preset extends state it; the preset's own keys are laid over the rest, and presets that extend it
inherit that.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

import tomlkit

from halocline.errors import PresetError, did_you_mean
from halocline.presets.lines import KeyOrigin, KeyPath, key_places
from halocline.presets.renamed import OldWord, path_of_today

WITHOUT = "without"
_FIX = 'Name keys as on the command line: without = ["parts.far.within_range.nearest", "steps.snow"].'
# What a key is given to be read: nothing that a key which brings a value and a comment of its own would say.
_MARK = "read as a key"
# Tables of which each has a name of its own: to be there, with nothing in it, says something.
_NAMED = ("steps", "parts", "origins")
# What a list of strings is written of: comments, strings, and its end.
_WORDS = re.compile(r"""#[^\n]*|(?P<quote>["'])(?P<key>(?:(?!(?P=quote)).)*)(?P=quote)|\]""")


def left_of(
    base: Mapping[str, Any],
    origins: Mapping[KeyPath, KeyOrigin],
    without: Any,
    at: KeyOrigin,
    kinds: Mapping[str, str],
) -> tuple[dict[str, Any], dict[KeyPath, KeyOrigin], tuple[OldWord, ...]]:
    """Return what is left of inherited tables, of the places of their keys, and which keys have former names.

    Parameters
    ----------
    base, origins
        What is inherited, in words of today.
    without
        What the preset says it is without; None where it says nothing.
    at
        File and line where it does.
    kinds
        The operator of each step that is not named as its operator.

    Raises
    ------
    PresetError
        ``E-PRESET-WITHOUT`` where it is no list of keys, or names one that is not inherited.
    """
    tables, kept, old = dict(base), dict(origins), list[OldWord]()
    if without is None:
        return tables, kept, ()
    if not isinstance(without, list) or not all(isinstance(each, str) for each in without):
        raise _problem(f"without is {without!r}, not a list of keys", at, _FIX)
    for dotted in without:
        path = path_of(dotted)
        if not path:
            raise _problem(f'without names "{dotted}", which is no key', at, _FIX)
        today = path_of_today(path, kinds)
        if today != path:
            old.append(OldWord(today, path[-1]))
        if not _states(base, today):
            near = did_you_mean(dotted, [dotted_key(each) for each in origins])
            raise _problem(
                f'without names "{dotted}", which nothing that this preset extends states',
                at,
                f"Take it out of the list. Of an array the whole is named, and rows are written anew.{near}",
            )
        tables = _less(tables, today)
        kept = {key: origin for key, origin in kept.items() if key[: len(today)] != today}
    return tables, kept, tuple(old)


def path_of(dotted: str) -> KeyPath:
    """Return the path of a dotted key as TOML writes it; nothing where it is none.

    Parameters
    ----------
    dotted
        The key.

    Returns
    -------
    KeyPath
        Empty where a preset cannot leave that out.

    Examples
    --------
    >>> path_of('steps."fine snow".matte')
    ('steps', 'fine snow', 'matte')
    """
    try:
        found: Any = tomllib.loads(f"{dotted} = '{_MARK}'")
    except (tomllib.TOMLDecodeError, RecursionError):
        return ()
    path: KeyPath = ()
    while isinstance(found, dict):
        if len(found) != 1:
            return ()
        ((name, found),) = found.items()
        path = (*path, name)
    return path if found == _MARK and path[0] not in ("format", "extends", WITHOUT) else ()


def dotted_key(path: Sequence[str]) -> str:
    """Return a path as TOML writes a dotted key.

    Parameters
    ----------
    path
        The parts of the key.

    Returns
    -------
    str
        With quotation marks where a part needs them.

    Examples
    --------
    >>> dotted_key(("steps", "fine snow", "matte"))
    'steps."fine snow".matte'
    """
    return ".".join(tomlkit.key(part).as_string() for part in path)


def in_keys_of_today(text: str, kinds: Mapping[str, str]) -> tuple[str, int]:
    """Return a valid preset's text with former names in its ``without`` replaced, and how many were.

    Parameters
    ----------
    text
        The file's text.
    kinds
        The operator of each step that is not named as its operator.

    Returns
    -------
    tuple[str, int]
        The new text, and the number of former names.
    """
    start = next((place.end for place in key_places(text) if place.path == (WITHOUT,)), len(text))
    parts, read, count = list[str](), 0, 0
    for word in _WORDS.finditer(text, start):
        if word[0] == "]":
            break
        path = path_of(word["key"] or "")
        today = path_of_today(path, kinds) if path else path
        if today != path:
            parts += [text[read : word.start()], f"'{dotted_key(today)}'"]
            read, count = word.end(), count + 1
    return "".join([*parts, text[read:]]), count


def _states(tables: Any, path: KeyPath) -> bool:
    for part in path:
        if not isinstance(tables, Mapping) or part not in tables:
            return False
        tables = tables[part]
    return True


def _less(tables: Mapping[str, Any], path: KeyPath, above: KeyPath = ()) -> dict[str, Any]:
    """Return tables without a key, and without a table that has nothing else and is not there by its name."""
    name, *rest = path
    kept = dict(tables)
    if not rest:
        del kept[name]
        return kept
    kept[name] = _less(kept[name], tuple(rest), (*above, name))
    named = len(above) == 1 and above[0] in _NAMED
    if not kept[name] and above and not named:
        del kept[name]
    return kept


def _problem(message: str, at: KeyOrigin, fix: str) -> PresetError:
    return PresetError(
        message,
        code="E-PRESET-WITHOUT",
        where=str(at),
        fix=fix,
        key=(WITHOUT,),
        file=at.file,
        line=at.line,
    )
