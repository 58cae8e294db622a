"""Keys of former versions under their names of today.

Presets that say an old word load as if they said the new one, and ``preset check`` and every render remark on
it; ``preset upgrade`` writes the new words into the file. The old words stand on the models
(`halocline.quantities.Strict.RENAMED`), so that an operator of any package can rename its keys; `old_words`
is the table of them all.

A renamed key leaves the number of the preset format as it is: old files load, and their pictures keep every
bit. The number goes up when a file of the old number would be refused, or come out otherwise.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from typing import Any

from halocline.errors import GraphError
from halocline.late_dataclass import dataclass
from halocline.operators.registry import operator_named
from halocline.presets.lines import KeyOrigin, KeyPath, key_places
from halocline.presets.sections import SECTIONS
from halocline.quantities import Strict, model_within


@dataclass(frozen=True)
class OldWord:
    """A key that a preset gives by a former name.

    Attributes
    ----------
    path
        The key under its name of today.
    word
        What the preset says instead of the last part of it.
    """

    path: KeyPath
    word: str

    @property
    def text(self) -> str:
        """What is to be said of it."""
        return f'"{self.word}" is called "{self.path[-1]}" now'


def old_words(operators: Iterable[str]) -> list[tuple[str, str, str]]:
    """Return every old word of the sections and of some operators: whose it is, the word, today's key."""
    models: dict[str, type[Strict]] = {f"[{name}]": model for name, model in SECTIONS.items()}
    models |= {name: operator_named(name).Parameters for name in operators}
    return [
        (place, old, new)
        for place, model in models.items()
        for inner in _models_within(model)
        for old, new in inner.RENAMED.items()
    ]


def in_words_of_today(
    tables: Mapping[str, Any], origins: Mapping[KeyPath, KeyOrigin], base: Mapping[str, Any]
) -> tuple[dict[str, Any], dict[KeyPath, KeyOrigin], tuple[OldWord, ...]]:
    """Return a file's tables and the places of its keys in words of today, and what it said otherwise.

    Parameters
    ----------
    tables, origins
        Of the file.
    base
        The tables it is laid over, which may name the operators of its steps.
    """
    found: list[OldWord] = []
    kinds = {**operators_of(base), **operators_of(tables)}
    # Also under the old word: it stands where both are given, which is refused.
    renewed = {**origins, **{path_of_today(path, kinds): origin for path, origin in origins.items()}}
    return _look_renewed(tables, kinds, (), found), renewed, tuple(found)


def _look_renewed(
    tables: Mapping[str, Any], kinds: Mapping[str, str], at: KeyPath, found: list[OldWord]
) -> dict[str, Any]:
    """Return the tables of a look, or of a part of the picture, with the keys of today."""
    new = dict(tables)
    for name, model in SECTIONS.items():
        if name in tables:
            new[name] = _renewed(tables[name], model, (*at, name), found)
    steps, parts = tables.get("steps"), tables.get("parts")
    if isinstance(steps, Mapping):
        new["steps"] = {
            step: _renewed(table, _parameters(str(kinds.get(step, step))), (*at, "steps", step), found)
            for step, table in steps.items()
        }
    if isinstance(parts, Mapping):
        new["parts"] = {
            name: _look_renewed(part, {**kinds, **operators_of(part)}, (*at, "parts", name), found)
            if isinstance(part, Mapping)
            else part
            for name, part in parts.items()
        }
    return new


def upgraded(text: str, kinds: Mapping[str, str]) -> tuple[str, int]:
    """Return a valid preset's text with every old word replaced, and how many were; all else stays.

    Parameters
    ----------
    text
        The file's text.
    kinds
        The operator of each step that is not named as its operator.

    Returns
    -------
    tuple[str, int]
        The new text, and the number of old words.
    """
    parts: list[str] = []
    read = count = 0
    for place in key_places(text):
        written, today = _word(place.path), _word(path_of_today(place.path, kinds))
        if today != written:
            parts += [text[read : place.start], today]
            read, count = place.end, count + 1
    return "".join([*parts, text[read:]]), count


def _word(path: KeyPath) -> str:
    """Return the last part of a key's path that is no place in a list."""
    return next((part for part in reversed(path) if not part.isdigit()), "")


def path_of_today(path: KeyPath, kinds: Mapping[str, str]) -> KeyPath:
    """Return the path of a key in words of today.

    Parameters
    ----------
    path
        The key, in words of any version.
    kinds
        The operator of each step that is not named as its operator.

    Returns
    -------
    KeyPath
        As long as it was.
    """
    if path[0] == "parts" and len(path) > 2:
        # The sections of a part are those of the whole picture.
        return (*path[:2], *path_of_today(path[2:], kinds))
    model: type[Strict] | None = None
    head = path[:1]
    if path[0] in SECTIONS:
        model = SECTIONS[path[0]]
    elif path[0] == "steps" and len(path) > 2:
        model, head = _parameters(kinds.get(path[1], path[1])), path[:2]
    new = head
    for part in path[len(head) :]:
        if model is None or part.isdigit():
            new = (*new, part)
        else:
            name = model.RENAMED.get(part, part)
            new = (*new, name)
            model = _of_key(model, name)
    return new


def _renewed(value: Any, model: type[Strict] | None, path: KeyPath, found: list[OldWord]) -> Any:
    """Return a value with the keys of today; note every old word."""
    if model is None:
        return value
    if isinstance(value, list | tuple):
        return [_renewed(item, model, (*path, str(number)), found) for number, item in enumerate(value)]
    if not isinstance(value, Mapping):
        return value
    new: dict[str, Any] = {}
    for key, item in value.items():
        name = model.RENAMED.get(key, key)
        if name != key and name in value:
            # Which of the two is meant, nobody can tell: it is refused, as any unknown key.
            new[key] = item
            continue
        if name != key:
            found.append(OldWord((*path, name), key))
        new[name] = _renewed(item, _of_key(model, name), (*path, name), found)
    return new


def _of_key(model: type[Strict], key: str) -> type[Strict] | None:
    field = model.model_fields.get(key)
    return model_within(field.annotation) if field else None


def _parameters(operator: str) -> type[Strict] | None:
    # An operator that is not to be had is told of when the steps are checked.
    with suppress(GraphError):
        return operator_named(operator).Parameters
    return None


def operators_of(tables: Mapping[str, Any]) -> dict[str, str]:
    """Return the operator of each step of a preset's tables that says which it is.

    Parameters
    ----------
    tables
        Tables of a preset.

    Returns
    -------
    dict[str, str]
        Operator by the step's name; steps that are named as their operator are left out. Steps that only
        parts of the picture have count too.
    """
    steps, parts = tables.get("steps"), tables.get("parts")
    named: dict[str, str] = {}
    for part in parts.values() if isinstance(parts, Mapping) else ():
        named |= operators_of(part) if isinstance(part, Mapping) else {}
    for name, table in steps.items() if isinstance(steps, Mapping) else ():
        if isinstance(table, Mapping) and isinstance(table.get("operator"), str):
            named[name] = table["operator"]
    return named


def _models_within(model: type[Strict]) -> Iterator[type[Strict]]:
    """Yield a model and all models of its keys, each once."""
    seen: dict[type[Strict], None] = {}
    waiting = [model]
    while waiting:
        current = waiting.pop()
        if current not in seen:
            seen[current] = None
            inner = (model_within(field.annotation) for field in current.model_fields.values())
            waiting += [found for found in inner if found is not None]
    yield from seen
