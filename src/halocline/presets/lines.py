"""Where each key of a TOML text stands, so that a mistake can be reported with its line.

The standard parser gives values without places. This walks the text once and notes every key; it takes the
text to be valid, since it is asked only after the parser has accepted it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

from halocline.late_dataclass import dataclass

KeyPath = tuple[str, ...]

# What may stand between keys and values, ends of lines and comments too.
_GAP = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)*")
_KEY_PART = re.compile(r"""[ \t]*(?:"((?:[^"\\]|\\.)*)"|'([^']*)'|([A-Za-z0-9_-]+))[ \t]*(\.)?""")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'',
    re.DOTALL,
)
_PLAIN = re.compile(r"[^\s,\[\]{}#]+(?: [0-9][^\s,\[\]{}#]*)?")


class KeyOrigin(NamedTuple):
    """What gave a key: a file and its line, or a setting, which has no line."""

    file: str
    line: int | None = None

    def __str__(self) -> str:
        return self.file if self.line is None else f"{self.file}, line {self.line}"


class KeyPlace(NamedTuple):
    """A part of a key where it is written: the path to it, and the span of its word in the text."""

    path: KeyPath
    start: int
    end: int
    # Whether it is the key or table itself, not one that its dots go through.
    whole: bool


def key_lines(text: str) -> dict[KeyPath, int]:
    """Return the line, counted from 1, of every table and key of a valid TOML text.

    Tables of an array are counted, inline or not: ``[[a.b]]`` is at ``("a", "b", "0")``. The array as a whole
    has the line of its first.

    Parameters
    ----------
    text
        TOML that a parser has accepted.

    Returns
    -------
    dict[KeyPath, int]
        Line by the path of the key.
    """
    lines: dict[KeyPath, int] = {}
    line, read = 1, 0
    for place in key_places(text):
        if place.whole:
            line += text.count("\n", read, place.start)
            read = place.start
            if place.path[1:] and place.path[-1].isdigit():
                lines.setdefault(place.path[:-1], line)
            lines.setdefault(place.path, line)
    return lines


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int | None:
    """Return the line of a key or of the nearest table around it; nothing where the text has neither."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def key_places(text: str) -> Iterator[KeyPlace]:
    """Yield every part of every key of a valid TOML text, in the order of the text."""
    walk = _Walk(text)
    table: KeyPath = ()
    while (at := walk.past_gap()) < len(text):
        if text[at] == "[":
            array = text.startswith("[[", at)
            walk.at = at + 1 + array
            places = list(walk.key(()))
            table = walk.table(places[-1].path, counted=array)
            yield from (place._replace(path=walk.absolute(place.path)) for place in places[:-1])
            yield places[-1]._replace(path=table)
            walk.at += 1 + array
        else:
            yield from walk.pair(table)


@dataclass
class _Walk:
    """A walk over a text: how far it is, and how many tables each array of tables has so far."""

    text: str
    at: int = 0

    def __post_init__(self) -> None:
        self.counts: dict[KeyPath, int] = {}

    def past_gap(self) -> int:
        """Go over blanks and comments; return where."""
        if match := _GAP.match(self.text, self.at):
            self.at = match.end()
        return self.at

    def key(self, table: KeyPath) -> Iterator[KeyPlace]:
        """Yield the parts of a dotted key."""
        path = table
        while match := _KEY_PART.match(self.text, self.at):
            group = next(number for number in (1, 2, 3) if match[number] is not None)
            path = (*path, match[group])
            self.at = match.end()
            yield KeyPlace(path, match.start(group), match.end(group), not match[4])
            if not match[4]:
                return

    def pair(self, table: KeyPath) -> Iterator[KeyPlace]:
        """Yield a key, and the keys within its value."""
        path = table
        for place in self.key(table):
            path = place.path
            yield place
        self.at = self.text.index("=", self.at) + 1
        self.past_gap()
        yield from self.value(path)

    def value(self, path: KeyPath) -> Iterator[KeyPlace]:
        """Yield the keys within a value, and go past it."""
        opening = self.text[self.at]
        if opening not in "[{":
            match = (_STRING if opening in "\"'" else _PLAIN).match(self.text, self.at)
            self.at = match.end() if match else self.at + 1
            return
        self.at += 1
        number = 0
        while self.text[self.past_gap()] not in "]}":
            if opening == "{":
                yield from self.pair(path)
            else:
                yield from self.value((*path, str(number)))
                number += 1
            if self.text[self.past_gap()] == ",":
                self.at += 1
        self.at += 1

    def table(self, path: KeyPath, *, counted: bool) -> KeyPath:
        """Return the whole path of a table's header; of an array of tables, the next one's."""
        whole = self.absolute(path[:-1]) + path[-1:]
        if not counted:
            return whole
        self.counts[whole] = self.counts.get(whole, -1) + 1
        return (*whole, str(self.counts[whole]))

    def absolute(self, path: KeyPath) -> KeyPath:
        """Put the current number after each array of tables that a path goes through."""
        whole: KeyPath = ()
        for part in path:
            whole = (*whole, part)
            if whole in self.counts:
                whole = (*whole, str(self.counts[whole]))
        return whole
