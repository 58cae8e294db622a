"""What differs between two presets, in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from halocline.graph.graph import SOURCE
from halocline.presets.build import story_report
from halocline.presets.curves import curve_text, is_curve, key_frames
from halocline.presets.preset import Preset
from halocline.presets.sections import LOOK_TABLES, SECTIONS
from halocline.rgb import LINEAR_REC709


def differences(first: Preset, second: Preset, *, frame: int | None = None) -> list[str]:
    """Return sentences: what the water does otherwise, then every key, from one preset to the other.

    Inherited keys and defaults count: two files that come to the same have no difference.

    Parameters
    ----------
    first, second
        The presets.
    frame
        Compare the values on this frame; where not given, curves are compared whole.

    Returns
    -------
    list[str]
        Sentences; none where the presets come to the same.
    """
    lines = [*_of_water(first, second, _shown(frame, first, second)), *_of_steps(first, second)]
    before, after = _flat(first, frame), _flat(second, frame)
    for key in dict.fromkeys((*before, *after)):
        if before.get(key) == after.get(key):
            continue
        if key not in before:
            lines.append(f"{key} = {_told(after[key])} is new")
        elif key not in after:
            lines.append(f"{key} = {_told(before[key])} is gone")
        else:
            lines.append(
                f"{key}: {_told(before[key])} -> {_told(after[key])}{_change(before[key], after[key])}"
            )
    return lines


def _shown(frame: int | None, *presets: Preset) -> int:
    """Return the frame that the story is reckoned on: the one asked for, else the first that has a key."""
    keys = set().union(*(key_frames(preset.document.tables) for preset in presets))
    return min(keys, default=0) if frame is None else frame


def _of_water(first: Preset, second: Preset, frame: int) -> Iterator[str]:
    one, two = first.water, second.water
    if one.name != two.name:
        yield f"water: {one.name} -> {two.name}"
    if one.visibility_m != two.visibility_m:
        ratio = two.visibility_m / one.visibility_m
        yield (
            f"a black object vanishes at {two.visibility_m:.3g} m instead of {one.visibility_m:.3g} m: "
            f"{'clearer' if ratio > 1 else 'murkier'} by a factor of {max(ratio, 1 / ratio):.2g}"
        )
    reports = [story_report(preset, frame, LINEAR_REC709) for preset in (first, second)]
    stories = [report.lines()[1:] for report in reports]
    if stories[0] != stories[1]:
        for preset, lines in zip((first, second), stories, strict=True):
            yield f"story of {preset.name}: {' '.join(lines) or 'none, range is physical.'}"


def _of_steps(first: Preset, second: Preset) -> Iterator[str]:
    before, after = ([step.name for step in preset.at(0).graph.steps] for preset in (first, second))
    gone = [name for name in before if name not in after]
    new = [name for name in after if name not in before]
    if gone:
        yield f"steps left out: {', '.join(gone)}"
    if new:
        yield f"steps added: {', '.join(new)}"
    if [name for name in before if name in after] != [name for name in after if name in before]:
        yield f"steps in another order: {', '.join(after)}"


def _flat(preset: Preset, frame: int | None) -> dict[str, Any]:
    """Return every key with its value or its curve, defaults and all; on a frame, with its value there."""
    tables = preset.resolved_tables(frame)
    flat: dict[str, Any] = {}
    previous = SOURCE
    for name, step in tables["steps"].items():
        # A step that takes what the one before it made says nothing by it.
        plain = {key: value for key, value in step.items() if (key, value) != ("input", previous)}
        flat.update(_leaves(plain, f"steps.{name}"))
        previous = name
    sections = {name: tables[name] for name in SECTIONS}
    sections["bands"] = {key: value for key, value in sections["bands"].items() if key != "fitted"}
    return {**_leaves(sections, ""), **flat, **_of_parts(preset, frame, tables)}


def _of_parts(preset: Preset, frame: int | None, tables: Mapping[str, Any]) -> dict[str, Any]:
    """Return where each part is, and what its look has otherwise than that of the whole picture."""
    flat: dict[str, Any] = {}
    whole = _flat_look(tables)
    for name, part in preset.parts.items():
        table = tables["parts"][name]
        look = part.resolved_tables(frame)
        place = {key: value for key, value in table.items() if key not in (*LOOK_TABLES, "alone")}
        flat.update(_leaves(place, f"parts.{name}"))
        for key, value in _flat_look(look).items():
            if whole.get(key) != value:
                flat[f"parts.{name}.{key}"] = value
        flat.update((f"parts.{name}.{key}", value) for key, value in _of_parts(part, frame, look).items())
    return flat


def _flat_look(tables: Mapping[str, Any]) -> dict[str, Any]:
    """Return every key of a look by its dotted name, what is fitted and its parts aside."""
    look = {key: tables[key] for key in LOOK_TABLES if key in tables and key != "parts"}
    look["bands"] = {key: value for key, value in look["bands"].items() if key != "fitted"}
    return _leaves(look, "")


def _leaves(value: Any, path: str) -> dict[str, Any]:
    if isinstance(value, Mapping) and not is_curve(value):
        found: dict[str, Any] = {}
        for key, item in value.items():
            found.update(_leaves(item, f"{path}.{key}" if path else key))
        return found
    if isinstance(value, list) and value and isinstance(value[0], Mapping) and not is_curve(value[0]):
        found = {}
        for number, item in enumerate(value, start=1):
            found.update(_leaves(item, f"{path} {number}"))
        return found
    return {path: value}


def _told(value: Any) -> str:
    if is_curve(value):
        return curve_text(value)
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, list):
        return f"[{', '.join(_told(item) for item in value)}]"
    return str(value)


def _change(before: Any, after: Any) -> str:
    """Return how many times larger a number became, where that says more than the numbers."""
    numbers = all(isinstance(value, int | float) and not isinstance(value, bool) for value in (before, after))
    if not numbers or before <= 0 or after <= 0:
        return ""
    ratio = after / before
    return f" ({ratio:.2g} times)" if ratio >= 2.0 or ratio <= 0.5 else ""
