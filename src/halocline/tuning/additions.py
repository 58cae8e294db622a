"""What the page adds to a preset and takes out of it: steps and rows of arrays, and with what each begins."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import count
from typing import Any

from halocline.graph.graph import SOURCE
from halocline.graph.operator import AnyOperator, Stage
from halocline.operators.registry import operators
from halocline.presets.lines import KeyPath
from halocline.presets.preset import Preset
from halocline.tuning.session import toml_text

# Where a first body or source stands: about an origin, or ahead of the lens, metres right, above and ahead.
_AT_ORIGIN, _AHEAD_OF_LENS = [0.0, 0.5, 0.0], [0.0, 0.0, 4.0]
_NEW_ORIGIN = "lens"
# How far and how long at least what moves goes at first.
_TO_THE_RIGHT_M, _LEAST_FRAMES = 2.0, 24


def begun_steps(preset: Preset) -> list[dict[str, Any]]:
    """Return the steps that a preset could do and does not have: name, and the settings that add each.

    Each stands where light meets it, before the first step of a later stage.
    """
    known = operators()
    kinds = {
        name: str(preset.document.tables["steps"][name].get("operator", name)) for name, _ in preset.steps
    }
    stages = {name: known[kind].stage for name, kind in kinds.items() if kind in known}
    return [
        {"name": name, "settings": _begun(name, kind, stages)}
        for name, kind in known.items()
        if name not in kinds and not (kind.once and name in kinds.values()) and _by_a_click(kind)
    ]


def _by_a_click(kind: type[AnyOperator]) -> bool:
    """Tell whether a step can be begun by itself: with no photograph, and adding water."""
    return kind.measured_from is None and not kind.undoes


def _begun(name: str, kind: type[AnyOperator], stages: Mapping[str, Stage]) -> list[str]:
    stage = kind.stage
    if stage is Stage.ANYWHERE and kind.layer is not None:
        # It makes light of its own of what is seen through water: what floats is drawn over that.
        stage = Stage.SHAFTS
    later = (each for each, other in stages.items() if other > stage)
    before = None if stage is Stage.ANYWHERE else next(later, None)
    keys = {"enabled": True, **({} if before is None else {"before": before}), **kind.begun}
    if len(kind.inputs) > 1:
        # The render as it came is always there to be taken.
        keys["other"] = SOURCE
    return [f"steps.{name}.{key}={toml_text(value)}" for key, value in keys.items()]


def rows_added_and_taken_out(
    path: KeyPath,
    rows: Sequence[Any],
    inner: Mapping[str, Any],
    tables: Mapping[str, Any],
    frames: tuple[int, int],
) -> dict[str, Any]:
    """Return the form of an array of tables: its rows' names, and the settings that add one and take one out.

    Parameters
    ----------
    path
        The array.
    rows
        Its tables. One more is like the last.
    inner
        What the schema says of one. The first is what is needed alone, where that is a name, or stands
        where it can be seen.
    tables
        The preset's tables, with its origins.
    frames
        The first frame and the last, which a first track goes through.

    Returns
    -------
    dict[str, Any]
        ``add`` is empty where a first one cannot be added by itself.
    """
    dotted = ".".join(path)
    called = path[-1].replace("_", " ")
    taken = {str(row.get("name")) for row in rows}
    names = (f"{called} {number}" for number in count(len(rows) + 1))
    own_name = (
        {"name": next(name for name in names if name not in taken)} if "name" in inner["properties"] else {}
    )
    if rows:
        add = [f"{dotted}.{len(rows)}={toml_text({**rows[-1], **own_name})}"]
    else:
        add = list(_first_row(dotted, own_name, inner, tables, frames))
    return {
        "form": "rows",
        "names": [row_name(rows, number, path[-1]) for number in range(len(rows))],
        "add": add,
        "take_out": [f"{dotted}.{number}=" for number in range(len(rows))],
        "unit": "",
        "value": None,
        "text": "",
        "default": None,
        "changed": False,
        "inherit": [],
        "left_out": False,
        "usual": "",
        "origin": "",
        "animated": False,
    }


def _first_row(
    dotted: str,
    own_name: Mapping[str, Any],
    inner: Mapping[str, Any],
    tables: Mapping[str, Any],
    frames: tuple[int, int],
) -> Iterator[str]:
    """Yield the settings that add the first row of an array; nothing where more is needed than is known."""
    array = dotted.rpartition(".")[2]
    origins = list(tables.get("origins", {}))
    here = _AT_ORIGIN if origins else _AHEAD_OF_LENS
    first, last = frames[0], max(frames[1], frames[0] + _LEAST_FRAMES)
    there = [here[0] + _TO_THE_RIGHT_M, *here[1:]]
    way = ((first, here), (last, there))
    of_array: dict[str, dict[str, Any]] = {
        "bodies": {"position": here, "size": [2.0, 1.0, 2.0]},
        "sources": {"track": [{"frame": first, "position": here, "per_second": 200.0}]},
        "wakes": {"radius": 0.3, "track": [{"frame": frame, "nose": place} for frame, place in way]},
        "sediment": {"track": [{"frame": frame, "position": place} for frame, place in way]},
    }
    placed = of_array.get(array, {})
    if not set(inner.get("required", ())) <= {*own_name, *placed}:
        return
    if placed:
        placed["origin"] = origins[0] if origins else _NEW_ORIGIN
        if not origins:
            yield f"origins.{_NEW_ORIGIN}.lens=true"
    yield f"{dotted}=[{toml_text({**own_name, **placed})}]"


def row_name(rows: Sequence[Any], number: int, array: str) -> str:
    """Return what a row of an array is called: by its name if no other has it, else by its place from 1."""
    names = [row.get("name") for row in rows]
    name = names[number]
    if isinstance(name, str) and name.strip() and names.count(name) == 1:
        return name
    return f"{array.replace('_', ' ')} {number + 1}"
