"""Animation: values that change over frames.

Anywhere a preset takes a number, a length or a colour it may take a curve instead::

    sun_elevation = { curve = "smooth", keys = [[1001, 30], [1100, "45 deg"]] }

``linear`` goes straight from key to key, ``smooth`` eases through each key without passing it, ``held`` keeps
each key's value until the next. Before the first key and after the last the value stands still.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from typing import Any

from halocline.errors import PresetError, UnitError
from halocline.presets.lines import KeyPath
from halocline.units import DEGREES_PER_UNIT, METRES_PER_UNIT, SECONDS_PER_UNIT, degrees, metres, seconds

KINDS = ("linear", "smooth", "held")
LARGEST_KEY_COUNT = 10_000
# Frames on which a preset is checked whole, at most (and the extremes of its curves).
MOST_TELLING = 64

_Keys = tuple[str, list[float], list[Any]]
# Curves met lately, by identity; each entry holds its curve, so that no other takes its identity. Nobody
# changes a preset's tables once they are read.
_KNOWN: dict[int, tuple[Mapping[str, Any], _Keys]] = {}
_MOST_KNOWN = 256
# Keys of one curve that are told in words.
_MOST_TOLD = 12


def is_curve(value: object) -> bool:
    """Tell whether a preset's value is a curve.

    Parameters
    ----------
    value
        Anything that TOML can hold.

    Returns
    -------
    bool
        Whether it says that it is one; it may still have mistakes.
    """
    return isinstance(value, Mapping) and "curve" in value


def value_at(curve: Mapping[str, Any], frame: float, path: KeyPath = ()) -> Any:
    """Return a curve's value at a frame: a number, or a list of numbers.

    Lengths, angles and times with units come out in metres, degrees and seconds. Text and truth values are
    allowed in held curves only.

    Raises
    ------
    PresetError
        ``E-PRESET-CURVE`` where the curve is not well formed.
    """
    kind, frames, values = _known(curve, path)
    after = bisect_right(frames, frame)
    if after == 0:
        return values[0]
    if after == len(frames) or kind == "held":
        return values[after - 1]
    share = (frame - frames[after - 1]) / (frames[after] - frames[after - 1])
    # The keys around the frame, and the next beyond them, which say how steep a smooth curve goes through.
    first = max(after - 2, 0)
    near = frames[first : after + 2]
    columns = list(zip(*(_numbers(value) for value in values[first : after + 2]), strict=True))
    mixed = [_between(kind, near, column, after - 1 - first, share) for column in columns]
    return mixed if isinstance(values[0], list | tuple) else mixed[0]


def key_frames(tables: Any) -> set[int]:
    """Return all frames on which some curve of a preset has a key.

    Parameters
    ----------
    tables
        Tables of a preset.

    Returns
    -------
    set[int]
        Frame numbers; empty where nothing moves.
    """
    return {int(key[0]) for curve in moving(tables).values() for key in _listed(curve)}


def telling_frames(tables: Any) -> list[int]:
    """Return frames that stand for all, in order: all keys where there are few.

    Of a long curve (baked, a key a frame) its ends, the least and greatest of each of its numbers, each value
    of another kind once, and some dozens in between: values between two keys lie between theirs.

    Parameters
    ----------
    tables
        A preset's tables, or any part of them.

    Returns
    -------
    list[int]
        Frame numbers, ascending; none where nothing moves.
    """
    frames = key_frames(tables)
    if len(frames) <= MOST_TELLING:
        return sorted(frames)
    ordered = sorted(frames)
    told = set(ordered[:: -(-len(ordered) // MOST_TELLING)]) | {ordered[-1]}
    for curve in moving(tables).values():
        told |= _extremes(_listed(curve))
    return sorted(told)


def _extremes(keys: Sequence[Any]) -> set[int]:
    least: dict[int, tuple[float, int]] = {}
    greatest: dict[int, tuple[float, int]] = {}
    others: dict[str, int] = {}
    for key in keys:
        frame = int(key[0])
        for place, number in enumerate(_numbers(_in_base_units(key[1]))):
            if isinstance(number, int | float) and not isinstance(number, bool) and math.isfinite(number):
                least[place] = min(least.get(place, (number, frame)), (number, frame))
                greatest[place] = max(greatest.get(place, (number, frame)), (number, frame))
            else:
                others.setdefault(repr(number)[:80], frame)
    found = [frame for _, frame in (*least.values(), *greatest.values())]
    return {*found, *list(others.values())[:MOST_TELLING]}


def _listed(curve: Mapping[str, Any]) -> list[Any]:
    keys = curve.get("keys")
    return [key for key in keys if _is_frame(key)] if isinstance(keys, list | tuple) else []


def moving(tables: Any, path: str = "") -> dict[str, Mapping[str, Any]]:
    """Return every curve of a preset's tables by the dotted name of its key; places of lists count from 1.

    Parameters
    ----------
    tables
        Tables of a preset, or any part of them.
    path
        Dotted name of that part.

    Returns
    -------
    dict[str, Mapping[str, Any]]
        Curves by name, in the preset's order.
    """
    if is_curve(tables):
        return {path: tables}
    found: dict[str, Mapping[str, Any]] = {}
    items: Iterable[tuple[Any, Any]] = ()
    if isinstance(tables, Mapping):
        items = ((f"{path}.{key}" if path else str(key), value) for key, value in tables.items())
    elif isinstance(tables, list | tuple):
        items = ((f"{path} {number}", value) for number, value in enumerate(tables, start=1))
    for inner, value in items:
        found.update(moving(value, inner))
    return found


def curve_text(curve: Mapping[str, Any]) -> str:
    """Return a curve in words: its kind, and the value on each frame that has a key.

    Parameters
    ----------
    curve
        A curve as it stands in a preset.

    Returns
    -------
    str
        One line; the keys in the middle are counted where they are many.
    """
    keys = [f"{frame:g}: {_value_text(value)}" for frame, value in curve["keys"]]
    if len(keys) > _MOST_TOLD:
        keys = [*keys[: _MOST_TOLD - 1], f"({len(keys) - _MOST_TOLD} more)", keys[-1]]
    return f"{curve['curve']} curve, {', '.join(keys)}"


def _value_text(value: Any) -> str:
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_value_text, value))}]"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def resolved_at(tables: Any, frame: float, path: KeyPath = ()) -> Any:
    """Return a preset's tables with every curve replaced by its value at a frame."""
    if is_curve(tables):
        return value_at(tables, frame, path)
    if isinstance(tables, Mapping):
        return {key: resolved_at(value, frame, (*path, str(key))) for key, value in tables.items()}
    if isinstance(tables, list | tuple):
        return [resolved_at(value, frame, (*path, str(index))) for index, value in enumerate(tables)]
    return tables


def _is_frame(key: Any) -> bool:
    if not (isinstance(key, list | tuple) and len(key) == 2) or isinstance(key[0], bool):
        return False
    return isinstance(key[0], int | float) and math.isfinite(key[0])


def _known(curve: Mapping[str, Any], path: KeyPath) -> _Keys:
    """Return a curve's keys, checked when it is met first: a baked curve has thousands."""
    known = _KNOWN.get(id(curve))
    if known is None or known[0] is not curve:
        kind, frames, values = _checked(curve, path)
        if kind != "held":
            _check_blendable(values, path)
        if len(_KNOWN) >= _MOST_KNOWN:
            _KNOWN.clear()
        known = _KNOWN[id(curve)] = (curve, (kind, frames, values))
    return known[1]


def _checked(curve: Mapping[str, Any], path: KeyPath) -> _Keys:
    kind, keys = curve.get("curve"), curve.get("keys")
    problem = None
    if set(curve) != {"curve", "keys"}:
        problem = f"a curve has the keys curve and keys, not {', '.join(map(str, curve))}"
    elif kind not in KINDS:
        problem = f"{kind!r} is no kind of curve"
    elif not isinstance(keys, list | tuple) or not keys or len(keys) > LARGEST_KEY_COUNT:
        problem = f"a curve has 1 to {LARGEST_KEY_COUNT} keys"
    elif not all(_is_frame(key) for key in keys):
        problem = "each key is [frame, value]"
    elif any(a[0] >= b[0] for a, b in pairwise(keys)):
        problem = "keys must be in order of frames, each frame once"
    if problem:
        raise _curve_error(problem, path)
    return str(kind), [float(key[0]) for key in keys or ()], [_in_base_units(key[1]) for key in keys or ()]


def _curve_error(problem: str, path: KeyPath) -> PresetError:
    return PresetError(
        problem,
        code="E-PRESET-CURVE",
        where=".".join(path) or None,
        key=path,
        fix='Write { curve = "linear", keys = [[1001, 0.2], [1024, 1.0]] }; kinds: ' + ", ".join(KINDS) + ".",
    )


def _in_base_units(value: Any) -> Any:
    """Turn "3 ft" into metres and so on, so that keys can be mixed; leave all else."""
    if isinstance(value, list | tuple):
        return [_in_base_units(item) for item in value]
    if isinstance(value, str):
        for read, names in (
            (metres, METRES_PER_UNIT),
            (degrees, DEGREES_PER_UNIT),
            (seconds, SECONDS_PER_UNIT),
        ):
            if any(value.strip().endswith(name) for name in names):
                try:
                    return read(value)
                except UnitError:
                    continue
    return value


def _numbers(value: Any) -> list[Any]:
    return list(value) if isinstance(value, list | tuple) else [value]


def _check_blendable(values: Sequence[Any], path: KeyPath) -> None:
    for value in values:
        if any(isinstance(item, bool) or not isinstance(item, int | float) for item in _numbers(value)):
            raise _curve_error(f"{value!r} cannot be blended; only numbers can, or use a held curve", path)
    if len({len(value) if isinstance(value, list | tuple) else -1 for value in values}) > 1:
        raise _curve_error("its keys hold different counts of numbers", path)


def _between(kind: str, frames: Sequence[float], values: Sequence[float], left: int, share: float) -> float:
    first, last = float(values[left]), float(values[left + 1])
    if kind == "linear":
        value = first + share * (last - first)
    else:
        value = _monotone_cubic(frames, values, left, share)
    # Rounding must not carry a share of 1 to a little above it.
    return min(max(value, min(first, last)), max(first, last))


def _monotone_cubic(frames: Sequence[float], values: Sequence[float], left: int, share: float) -> float:
    """Cubic through the keys whose slopes never overshoot (fritsch1980, as harmonic means)."""

    def slope(index: int) -> float:
        if index in (0, len(frames) - 1):
            return 0.0
        h0, h1 = frames[index] - frames[index - 1], frames[index + 1] - frames[index]
        d0, d1 = (values[index] - values[index - 1]) / h0, (values[index + 1] - values[index]) / h1
        if d0 * d1 <= 0:
            return 0.0
        w0, w1 = 2 * h1 + h0, h1 + 2 * h0
        return (w0 + w1) / (w0 / d0 + w1 / d1)

    span = frames[left + 1] - frames[left]
    t2, t3 = share * share, share * share * share
    return (
        (2 * t3 - 3 * t2 + 1) * values[left]
        + (t3 - 2 * t2 + share) * span * slope(left)
        + (3 * t2 - 2 * t3) * values[left + 1]
        + (t3 - t2) * span * slope(left + 1)
    )
