"""Plain tables as TOML, in the form that `tomlkit` gives them.

That library keeps comments and layout where people edit files, and takes ten milliseconds to import and ten
more for one preset. Of a resolved preset every frame's record holds the digest, and there is no layout in it
to keep.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
# TOML 1.0, "String": what stands in a basic string by an escape, and by a short one.
_ESCAPED = re.compile(r'[\x00-\x1f\x7f"\\]')
_SHORT = {"\b": "\\b", "\t": "\\t", "\n": "\\n", "\f": "\\f", "\r": "\\r", '"': '\\"', "\\": "\\\\"}


def toml_of(tables: Mapping[str, Any]) -> str:
    """Return tables as TOML.

    Parameters
    ----------
    tables
        Tables by name, of tables, lists, text, whole numbers, numbers and truths.

    Returns
    -------
    str
        Of each table its own keys first, then tables and lists of tables, in the order given.
    """
    return _written(tables, "", "")


def _written(table: Mapping[str, Any], path: str, header: str) -> str:
    """Return a table's own lines, then those of the tables in it."""
    tables = {key for key, value in table.items() if isinstance(value, Mapping) or _is_list_of_tables(value)}
    own = "".join(f"{_key(key)} = {_value(value)}\n" for key, value in table.items() if key not in tables)
    within = ""
    for number, (key, value) in enumerate(table.items()):
        name = path + _key(key)
        # The library has no blank line before a list that a table begins with.
        gap = "\n" if number or (own and isinstance(value, Mapping)) else ""
        if isinstance(value, Mapping):
            within += gap + _written(value, f"{name}.", f"[{name}]\n")
        elif key in tables:
            within += gap + "\n".join(_written(item, f"{name}.", f"[[{name}]]\n") for item in value)
    # Tables in a table tell of it; an item of a list is told of by its header alone.
    is_told = bool(within) and not own and not header.startswith("[[")
    return ("" if is_told else header) + own + within


def _is_list_of_tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(item, Mapping) for item in value)


def _key(key: str) -> str:
    return key if _BARE_KEY.fullmatch(key) else _text(key)


def _value(value: Any) -> str:
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return f"[{', '.join(map(_value, value))}]"
    if isinstance(value, Mapping):
        return f"{{{', '.join(f'{_key(key)} = {_value(item)}' for key, item in value.items())}}}"
    return str(value)


def _text(text: str) -> str:
    return f'"{_ESCAPED.sub(_escape, text)}"'


def _escape(found: re.Match[str]) -> str:
    return _SHORT.get(found[0]) or f"\\u{ord(found[0]):04x}"
