"""What differs between two presets, in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from halocline.presets.build import story_report
from halocline.presets.preset import Preset
from halocline.presets.sections import SECTIONS
from halocline.rgb import LINEAR_REC709


def differences(first: Preset, second: Preset) -> list[str]:
    """Return sentences: what the water does otherwise, then every key, from one preset to the other.

    Inherited keys and defaults count: two files that come to the same have no difference.
    """
    lines = [*_of_water(first, second), *_of_steps(first, second)]
    before, after = _flat(first), _flat(second)
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


def _of_water(first: Preset, second: Preset) -> Iterator[str]:
    one, two = first.water, second.water
    if one.name != two.name:
        yield f"water: {one.name} -> {two.name}"
    if one.visibility_m != two.visibility_m:
        ratio = two.visibility_m / one.visibility_m
        yield (
            f"a black object vanishes at {two.visibility_m:.3g} m instead of {one.visibility_m:.3g} m: "
            f"{'clearer' if ratio > 1 else 'murkier'} by a factor of {max(ratio, 1 / ratio):.2g}"
        )
    reports = [story_report(preset, 0, LINEAR_REC709) for preset in (first, second)]
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


def _flat(preset: Preset) -> dict[str, Any]:
    """Return every key with its value, defaults and all, on the first frame."""
    look = preset.at(0)
    flat: dict[str, Any] = {}
    for name in SECTIONS:
        values = getattr(look, name).model_dump(mode="json", exclude={"fitted"})
        flat.update(_leaves(values, name))
    for step in look.graph.steps:
        flat.update(_leaves(step.operator.parameters.model_dump(mode="json"), f"steps.{step.name}"))
    return {key: value for key, value in flat.items() if value is not None}


def _leaves(value: Any, path: str) -> dict[str, Any]:
    if isinstance(value, Mapping):
        found: dict[str, Any] = {}
        for key, item in value.items():
            found.update(_leaves(item, f"{path}.{key}"))
        return found
    if isinstance(value, list) and value and isinstance(value[0], Mapping):
        found = {}
        for number, item in enumerate(value, start=1):
            found.update(_leaves(item, f"{path} {number}"))
        return found
    return {path: value}


def _told(value: Any) -> str:
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
