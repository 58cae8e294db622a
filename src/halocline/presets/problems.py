"""Validation of preset tables: from the models' findings to messages with file, line and fix."""

from __future__ import annotations

import inspect
from collections.abc import Mapping
from typing import Any, TypeVar

from pydantic import ValidationError

from halocline.errors import HaloclineError, PresetError, did_you_mean
from halocline.files.named_by_presets import folders_context
from halocline.presets.document import Document, named_folders
from halocline.presets.lines import KeyPath
from halocline.quantities import Strict, meanings

M = TypeVar("M", bound=Strict)


def validated(
    model: type[M],
    table: Any,
    path: KeyPath,
    document: Document,
    problems: list[HaloclineError],
) -> M | None:
    """Return a table as its model; where it does not fit, note every mistake and return nothing.

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
    problems
        Where mistakes are added.
    """
    if not isinstance(table, Mapping):
        name = ".".join(path)
        fix = f"Write [{name}] and its keys below it."
        problems.append(_problem(f"{name} is {table!r}, not a table", document.where(path), fix))
        return None
    try:
        context = folders_context(document.folder, named_folders())
        return model.model_validate(frozen_lists(table), context=context)
    except ValidationError as error:
        problems.extend(_described(finding, model, path, document) for finding in error.errors())
        return None


def frozen_lists(value: Any) -> Any:
    """Return a value with every list as a tuple, which is what the frozen models hold."""
    if isinstance(value, Mapping):
        return {key: frozen_lists(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return tuple(frozen_lists(item) for item in value)
    return value


def raise_problems(problems: list[HaloclineError], document: Document) -> None:
    """Raise all mistakes together, each once, or do nothing where there are none."""
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


def _problem(message: str, where: str, fix: str | None = None, code: str = "E-PRESET-VALUE") -> PresetError:
    return PresetError(message, code=code, where=where, fix=fix)


def _described(finding: Any, model: type[Strict], path: KeyPath, document: Document) -> PresetError:
    inner = tuple(str(part) for part in finding["loc"])
    where = document.where((*path, *inner))
    section = ".".join((*path, *inner[:-1]))
    if finding["type"] == "extra_forbidden":
        known = _fields(model, finding["loc"][:-1])
        return _problem(
            f'unknown key "{inner[-1]}"',
            f"{where}, [{section}]",
            f"Known keys here: {', '.join(known) or 'none'}.{did_you_mean(inner[-1], known)}",
            "E-PRESET-KEY",
        )
    if finding["type"] == "missing":
        return _problem(
            f'the key "{inner[-1]}" is missing', f"{where}, [{section}]", "Add it.", "E-PRESET-MISSING"
        )
    text = finding["msg"].removeprefix("Value error, ")
    given = "" if isinstance(finding["input"], Mapping) else f" (given: {finding['input']!r})"
    key = ".".join((*path, *inner))
    fix = _meaning(model, finding["loc"])
    return _problem(f"{key}: {text[:1].lower()}{text[1:]}{given}", where, fix)


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


def _fields(model: type[Strict], loc: tuple[Any, ...]) -> list[str]:
    """Return the keys that a model, or the one nested in it at ``loc``, knows."""
    found = _model_at(model, loc)
    return list(found.model_fields) if found else []


def _model_at(model: type[Strict], loc: tuple[Any, ...]) -> type[Strict] | None:
    found: type[Strict] | None = model
    for part in loc:
        if found is None:
            return None
        if isinstance(part, str):
            field = found.model_fields.get(part)
            found = _nested_model(field.annotation) if field else None
    return found


def _nested_model(annotation: Any) -> type[Strict] | None:
    if isinstance(annotation, type) and issubclass(annotation, Strict):
        return annotation
    for argument in getattr(annotation, "__args__", ()):
        if (nested := _nested_model(argument)) is not None:
            return nested
    return None
