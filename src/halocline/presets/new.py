"""The text of a new preset: what it starts from, and what it would inherit, ready to be changed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import tomlkit

from halocline.presets.preset import Preset
from halocline.presets.schema import SCHEMA_FILE
from halocline.presets.sections import FORMAT

# What most looks turn first.
OFFERED = ("water", "light", "place", "story")


def new_preset_text(base: str, look: Preset, *, title: str) -> str:
    """Return the text of a preset that extends another and changes nothing yet.

    Parameters
    ----------
    base
        What it extends, as it is written: the name of a shipped look, or a file.
    look
        That preset, read.
    title
        What people will call the new one.

    Returns
    -------
    text
        TOML. Its first line tells editors where the schema is (``#:schema``, which TOML language servers
        read); the keys that look sets of the usual sections stand below it as comments.
    """
    lines = [
        f"#:schema ./{SCHEMA_FILE}",
        f"format = {FORMAT}",
        f"title = {tomlkit.item(title).as_string()}",
        f"extends = {tomlkit.item(base).as_string()}",
        "",
        f"# What {look.name} sets: take the sign off a line to change it here.",
    ]
    for section in OFFERED:
        told = _told(look.document.tables.get(section, {}))
        if told:
            lines += ["", f"# [{section}]", *(f"# {line}" for line in told)]
    return "\n".join(lines) + "\n"


def _told(table: Any) -> list[str]:
    """Return a section's own keys as lines; tables within it (lamps, curves) are left out."""
    if not isinstance(table, Mapping):
        return []
    plain = {key: value for key, value in table.items() if not isinstance(value, Mapping)}
    short = {key: value for key, value in plain.items() if not _has_tables(value)}
    return tomlkit.dumps(short).splitlines()


def _has_tables(value: Any) -> bool:
    return isinstance(value, list) and any(isinstance(item, Mapping) for item in value)
