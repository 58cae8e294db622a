"""Parts of the picture with a look of their own: what look that is, as a preset's tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from halocline.presets.document import LONGEST_LINEAGE, Document, document_beside, laid_over_document
from halocline.presets.sections import LOOK_TABLES

# What a part has of the whole picture, beside its look: it is one clock.
_SHARED = ("sequence",)


def part_document(document: Document, name: str, within: Sequence[Path]) -> tuple[Document, tuple[Path, ...]]:
    """Return the look of a part as a document, and the files of presets that it stands within.

    Parameters
    ----------
    document
        The preset that has the part.
    name
        The part's name.
    within
        Files of the presets whose parts lead here.

    Raises
    ------
    PresetError
        ``E-PRESET-PARTS`` where presets are parts of each other in a ring; and as `read_document`, where the
        preset that a part keeps cannot be had.
    """
    table = document.tables["parts"][name]
    at = ("parts", name)
    base = document
    if isinstance(table.get("preset"), str):
        base, path = document_beside(document, table["preset"], (*at, "preset"))
        if path in within or len(within) >= LONGEST_LINEAGE:
            raise document.problem(
                f'"{table["preset"]}" is, in the end, a part of itself',
                (*at, "preset"),
                code="E-PRESET-PARTS",
                fix="Break the ring: one of them must keep no other.",
            )
        within = (*within, path)
    under = () if table.get("alone") else LOOK_TABLES if base is not document else LOOK_TABLES[:-1]
    kept = {key: base.tables[key] for key in under if key in base.tables}
    shared = {key: document.tables[key] for key in _SHARED if key in document.tables}
    own = {key: table[key] for key in LOOK_TABLES if key in table}
    if "fitted" not in _table(own, "bands") and ("water" in own or "bands" in own) and "bands" in kept:
        # What is fitted is another water's.
        kept["bands"] = {key: value for key, value in _table(kept, "bands").items() if key != "fitted"}
    origins = {path[2:]: origin for path, origin in document.origins.items() if path[:2] == at and path[2:]}
    whole = replace(
        base,
        name=document.name,
        tables={**shared, **kept},
        origins={**document.origins, **(base.origins if base is not document else {})},
        old_words=base.old_words if base is not document else (),
        older=base.older if base is not document else (),
    )
    return laid_over_document(whole, {"title": name, **own}, origins), tuple(within)


def _table(tables: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    found = tables.get(key)
    return found if isinstance(found, Mapping) else {}
