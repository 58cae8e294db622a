"""The page of error codes, read from the code: each code with what is said and how to fix it."""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

SOURCES = Path(__file__).parents[1] / "src/halocline"
# Codes are stable names; what stands in the place of numbers and names is shown so.
_BLANK = "…"


@dataclass(frozen=True, order=True)
class Told:
    """What is said under a code in one place, and what a person is to do."""

    message: str
    fix: str


@lru_cache(maxsize=1)
def codes() -> dict[str, list[Told]]:
    """Return every code of the package with all that is said under it."""
    found: defaultdict[str, set[Told]] = defaultdict(set)
    for path in sorted(SOURCES.rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        for call in ast.walk(ast.parse(text)) if "E-" in text else ():
            if isinstance(call, ast.Call):
                for code in _codes_of(call):
                    found[code].add(Told(_message(call), _keyword(call, "fix")))
    return {code: sorted(told) for code, told in sorted(found.items())}


def errors_page() -> str:
    """Return ``docs/errors.md``."""
    parts = [
        "# Error codes",
        "<!-- Written by tools/write_reference.py from the code: change the code, not this page. -->",
        "Every error has a code that stays the same, says where it is (file, frame, channel, line of the "
        f"preset) and how to fix it. Where a name or a number is put in, the page shows {_BLANK}. "
        "From Python, all are `halocline.HaloclineError`, with `code`, `message`, `where` and `fix`; "
        "mistakes of presets and job files also with `key` (the parts of its path), `file` and `line`.",
    ]
    for code, told in codes().items():
        lines = [f"## {code}"]
        lines += [f"* {_line(each)}" for each in told if each.message or each.fix]
        parts.append("\n".join([lines[0], "", *lines[1:]]) if len(lines) > 1 else lines[0])
    return "\n\n".join(parts) + "\n"


def _line(told: Told) -> str:
    said = f"`{told.message}`" if told.message.strip(_BLANK + " ") else ""
    fix = told.fix if told.fix.strip(_BLANK + " ") else ""
    return " ".join(part for part in (said, fix) if part) or "Says itself what is wrong and what to do."


def _codes_of(call: ast.Call) -> Iterator[str]:
    for keyword in call.keywords:
        inside = ast.walk(keyword.value) if keyword.arg == "code" else ()
        for node in inside:
            if isinstance(node, ast.Constant) and str(node.value).startswith("E-"):
                yield str(node.value)


def _message(call: ast.Call) -> str:
    return _text(call.args[0]) if call.args else _keyword(call, "message")


def _keyword(call: ast.Call, name: str) -> str:
    for keyword in call.keywords:
        if keyword.arg == name:
            return _text(keyword.value)
    return ""


def _text(node: ast.expr) -> str:
    """Return a text as it stands in the code, with blanks for what is put in."""
    if isinstance(node, ast.Constant):
        return str(node.value).replace("\n", " ").replace("`", "'")
    if isinstance(node, ast.JoinedStr):
        return "".join(_text(part) for part in node.values)
    return _BLANK
