"""Wedges: the same frame under a row or a grid of settings, so that one change can be seen."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence

from halocline.errors import PresetError
from halocline.late_dataclass import dataclass
from halocline.review.contact_sheet import U8, SheetTile

LARGEST_WEDGE = 100


@dataclass(frozen=True)
class Axis:
    """A key and the values it takes.

    Attributes
    ----------
    key
        As on the command line: ``light.sun_elevation``.
    values
        As text, as a preset would have them.
    """

    key: str
    values: tuple[str, ...]

    def settings(self) -> list[str]:
        """Return one ``KEY=VALUE`` for each value."""
        return [f"{self.key}={value}" for value in self.values]


def parse_axis(text: str) -> Axis:
    """Read ``KEY=V1,V2,V3``, or ``KEY=FROM:TO:COUNT`` for even steps.

    Commas inside brackets and quotation marks belong to the value.

    Parameters
    ----------
    text
        The axis.

    Returns
    -------
    Axis
        The key and its values as they would stand in a preset.

    Raises
    ------
    PresetError
        ``E-WEDGE-AXIS`` where it is neither.
    """
    key, equals, values = text.partition("=")
    if not equals or not key.strip() or not values.strip():
        raise _unreadable(text, "it gives no values")
    steps = values.split(":")
    if len(steps) == 3 and _number(steps[0]) is not None:
        return Axis(key.strip(), _even_steps(text, steps))
    split = tuple(part.strip() for part in _split(values))
    if any(not part for part in split):
        raise _unreadable(text, "a value is missing")
    return Axis(key.strip(), split)


def wedge(axes: Sequence[Axis], make: Callable[[list[str]], tuple[U8, str]]) -> list[list[SheetTile]]:
    """Return the tiles of a wedge: the first axis runs across, the second down.

    Parameters
    ----------
    axes
        One or two.
    make
        Returns display pixels under some settings and what is worth saying of them.

    Returns
    -------
    list[list[Tile]]
        A row a value of the second axis, a tile a value of the first.

    Raises
    ------
    PresetError
        ``E-WEDGE-AXIS`` where there are no axes, too many, or too many pictures.
    """
    if not 1 <= len(axes) <= 2:
        raise _unreadable(" ".join(axis.key for axis in axes), "a wedge has one axis or two")
    across, down = axes[0].settings(), axes[1].settings() if len(axes) == 2 else [""]
    if len(across) * len(down) > LARGEST_WEDGE:
        raise _unreadable(axes[0].key, f"{len(across) * len(down)} pictures are more than {LARGEST_WEDGE}")
    rows: list[list[SheetTile]] = [[] for _ in down]
    for (row, lower), upper in itertools.product(enumerate(down), across):
        settings = [upper, *([lower] if lower else [])]
        pixels, remark = make(settings)
        label = "\n".join(setting.replace("=", " = ") for setting in settings)
        rows[row].append(SheetTile(pixels, f"{label}\n{remark}" if remark else label))
    return rows


def _even_steps(text: str, steps: Sequence[str]) -> tuple[str, ...]:
    first, last, count = _number(steps[0]), _number(steps[1]), _number(steps[2])
    if first is None or last is None or count is None or count != int(count) or count < 2:
        raise _unreadable(text, "FROM:TO:COUNT are two numbers and a whole number from 2 up")
    whole = int(count)
    return tuple(f"{first + (last - first) * step / (whole - 1):.6g}" for step in range(whole))


def _split(values: str) -> list[str]:
    """Split at commas that stand outside brackets and quotation marks."""
    parts, depth, quoted = [""], 0, False
    for letter in values:
        quoted ^= letter == '"'
        depth += (letter in "[{") - (letter in "]}") if not quoted else 0
        if letter == "," and depth == 0 and not quoted:
            parts.append("")
        else:
            parts[-1] += letter
    return parts


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _unreadable(text: str, reason: str) -> PresetError:
    return PresetError(
        f'the axis "{text}" cannot be used: {reason}',
        code="E-WEDGE-AXIS",
        where="wedge",
        fix="Write KEY=V1,V2,V3 or KEY=FROM:TO:COUNT, for example light.sun_elevation=10:70:4.",
    )
