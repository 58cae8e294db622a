"""Where each key of a TOML text stands, so that a mistake can be reported with its line.

The standard parser gives values without places. This walks the text once and notes the line of every key; it
takes the text to be valid, since it is asked only after the parser has accepted it.
"""

from __future__ import annotations

import re

KeyPath = tuple[str, ...]

_KEY_PART = re.compile(r"""\s*(?:"((?:[^"\\]|\\.)*)"|'([^']*)'|([A-Za-z0-9_-]+))\s*(\.)?""")
_TOKEN = re.compile(
    r'"""(?:[^\\]|\\.)*?"""|\'\'\'.*?\'\'\'|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'|#[^\n]*|[\[\]{}]|\n|[^"\'#\[\]{}\n]+',
    re.DOTALL,
)


def key_lines(text: str) -> dict[KeyPath, int]:
    """Return the line, counted from 1, of every table and key of a valid TOML text.

    Keys inside inline tables and arrays have the line of the key that holds them. Tables of an array are
    counted: ``[[a.b]]`` is at ``("a", "b", "0")``.
    """
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    table: KeyPath = ()
    for number, statement in _statements(text):
        if statement.startswith("[["):
            table = _absolute(_key(statement[2:])[0], counts)
            counts[table] = counts.get(table, -1) + 1
            table = (*table, str(counts[table]))
            lines[table] = number
        elif statement.startswith("["):
            table = _absolute(_key(statement[1:])[0], counts)
            lines[table] = number
        else:
            lines[(*table, *_key(statement)[0])] = number
    return lines


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int | None:
    """Return the line of a key or of the nearest table around it; nothing where the text has neither."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def _statements(text: str) -> list[tuple[int, str]]:
    """Return each statement with its line; values that go over several lines are one statement."""
    found: list[tuple[int, str]] = []
    line, start, depth, current = 1, 1, 0, ""
    for token in _TOKEN.findall(text):
        if token == "\n" and (depth == 0 or _is_header(current)):
            _close(found, start, current)
            current, depth = "", 0
        elif not token.startswith("#"):
            if not current.strip():
                start = line
            depth += {"[": 1, "{": 1, "]": -1, "}": -1}.get(token, 0)
            current += token
        line += token.count("\n")
    _close(found, start, current)
    return found


def _is_header(statement: str) -> bool:
    return statement.lstrip().startswith("[")


def _close(found: list[tuple[int, str]], start: int, statement: str) -> None:
    if statement.strip():
        found.append((start, statement.strip()))


def _key(text: str) -> tuple[KeyPath, int]:
    parts: list[str] = []
    end = 0
    while match := _KEY_PART.match(text, end):
        parts.append(next(group for group in match.groups()[:3] if group is not None))
        end = match.end()
        if not match[4]:
            break
    return tuple(parts), end


def _absolute(path: KeyPath, counts: dict[KeyPath, int]) -> KeyPath:
    """Put the current index after each array of tables that the path goes through."""
    whole: KeyPath = ()
    for part in path[:-1]:
        whole = (*whole, part)
        if whole in counts:
            whole = (*whole, str(counts[whole]))
    return (*whole, path[-1])
