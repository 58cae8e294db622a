"""Validation of preset tables: from the models' findings to messages with file, line and fix."""

from __future__ import annotations

import inspect
from collections.abc import Mapping, Sequence
from typing import Any, TypeVar

from pydantic import ValidationError

from halocline.errors import HaloclineError, PresetError, did_you_mean
from halocline.files.named_by_presets import folders_context
from halocline.presets.document import Document, named_folders
from halocline.presets.lines import KeyPath
from halocline.quantities import Strict, meanings, model_within

M = TypeVar("M", bound=Strict)

# Kinds of the file's own format, by names that stand nowhere in it.
_OTHERWISE = {
    "tuple_type": 'should be a list, such as ["...", "..."]',
    "dict_type": "should be a table, such as { NAME = ... }",
}


def validated(
    model: type[M], table: Any, path: KeyPath, document: Document
) -> tuple[M | None, list[HaloclineError]]:
    """Return a table as its model, or nothing and every mistake of it where it does not fit.

    Parameters
    ----------
    model
        What the table must be.
    table
        The table, without curves.
    path
        Where the table stands in the document.
    document
        For file and line.

    Returns
    -------
    tuple[M | None, list[HaloclineError]]
        The model, or None where there were mistakes.
    """
    if not isinstance(table, Mapping):
        name = ".".join(path)
        fix = f"Write [{name}] and its keys below it."
        return None, [
            document.problem(f"{name} is {table!r}, not a table", path, code="E-PRESET-VALUE", fix=fix)
        ]
    try:
        context = folders_context(document.folder, named_folders())
        return model.model_validate(frozen_lists(table), context=context), []
    except ValidationError as error:
        told = [finding for finding in error.errors() if not _follows(finding)]
        return None, [_described(finding, model, path, document) for finding in told]


def frozen_lists(value: Any) -> Any:
    """Return a value with every list as a tuple, which is what the frozen models hold."""
    if isinstance(value, Mapping):
        return {key: frozen_lists(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return tuple(frozen_lists(item) for item in value)
    return value


def raise_problems(problems: Sequence[HaloclineError], document: Document) -> None:
    """Raise all mistakes together, each once, or do nothing where there are none.

    Parameters
    ----------
    problems
        The mistakes.
    document
        The preset that has them.

    Raises
    ------
    PresetError
        ``E-PRESET-INVALID`` with every mistake in ``problems``.
    """
    if not problems:
        return
    unique = list({str(problem): problem for problem in problems}.values())
    count = f"{len(unique)} mistakes" if len(unique) > 1 else "1 mistake"
    raise PresetError(
        f"the preset has {count}",
        code="E-PRESET-INVALID",
        where=document.name,
        fix="Fix them, then run: halocline preset check",
        problems=unique,
    )


def _follows(finding: Any) -> bool:
    """Tell whether a finding follows from another: a list is no shorter for items that are wrong."""
    return bool(finding["type"] == "too_short" and len(finding["input"]) >= finding["ctx"]["min_length"])


def _described(finding: Any, model: type[Strict], path: KeyPath, document: Document) -> PresetError:
    inner = tuple(str(part) for part in finding["loc"])
    whole = (*path, *inner)
    if finding["type"] == "extra_forbidden":
        return _unknown_key(whole, _model_at(model, finding["loc"][:-1]), document)
    if finding["type"] == "missing":
        return document.problem(
            f'the key "{inner[-1]}" is missing',
            whole,
            code="E-PRESET-MISSING",
            fix=f"Add {inner[-1]} = ... there. {_meaning(model, finding['loc']) or ''}".rstrip(),
            section=whole[:-1],
        )
    text = _OTHERWISE.get(finding["type"]) or finding["msg"].removeprefix("Value error, ")
    given = "" if isinstance(finding["input"], Mapping) else f" (given: {finding['input']!r})"
    message = f"{'.'.join(whole)}: {text[:1].lower()}{text[1:]}{given}"
    return document.problem(message, whole, code="E-PRESET-VALUE", fix=_meaning(model, finding["loc"]))


def _unknown_key(path: KeyPath, owner: type[Strict] | None, document: Document) -> PresetError:
    key = path[-1]
    known = list(owner.model_fields) if owner else []
    today = owner.RENAMED.get(key) if owner else None
    if today is not None:
        message = f'"{key}" is called "{today}" now, and both are given'
        fix = f'Take "{key}" out.'
    else:
        message = f'unknown key "{key}"'
        fix = f"Known keys here: {', '.join(known) or 'none'}.{did_you_mean(key, known)}"
    return document.problem(message, path, code="E-PRESET-KEY", fix=fix, section=path[:-1])


def _meaning(model: type[Strict], loc: tuple[Any, ...]) -> str | None:
    """Return what the key at ``loc`` means, or what the model is for where the whole of it is at fault."""
    names = [part for part in loc if isinstance(part, str)]
    if not names:
        return inspect.cleandoc(model.__doc__ or "").partition("\n")[0] or None
    for length in range(len(names), 0, -1):
        owner = _model_at(model, tuple(names[: length - 1]))
        meaning = owner and meanings(owner).get(names[length - 1])
        if meaning:
            return f"{names[length - 1]}: {meaning}"
    return None


def _model_at(model: type[Strict], loc: tuple[Any, ...]) -> type[Strict] | None:
    found: type[Strict] | None = model
    for part in loc:
        if found is None:
            return None
        if isinstance(part, str):
            field = found.model_fields.get(part)
            found = model_within(field.annotation) if field else None
    return found
