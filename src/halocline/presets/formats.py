"""Numbers of the preset format: which are read, and in which pictures a newer one differs.

The number goes up when a file of the old number would be refused, or come out otherwise. Files of all numbers
load and give the pictures of today; ``preset check`` says of an older one what came to look otherwise since
it was written, and ``preset upgrade`` writes today's number once somebody has looked.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass

from halocline.presets.sections import FORMAT, LightSection

# Every number that is read, the oldest first.
FORMATS = tuple(range(1, FORMAT + 1))
_NUMBER = re.compile(r"^(\s*format\s*=\s*)(\d+)", re.MULTILINE)


@dataclass(frozen=True)
class Change:
    """What a format changed in pictures.

    Attributes
    ----------
    number
        The format that brought it.
    text
        What is otherwise, in a sentence.
    touches
        Whether it shows in a look, by the operators of its steps and its light.
    """

    number: int
    text: str
    touches: Callable[[Collection[str], LightSection], bool]


def _throws_lamp_shadows(operators: Collection[str], light: LightSection) -> bool:
    return any(lamp.shadows for lamp in light.lamps) and not {"lamps", "lamp_backscatter"}.isdisjoint(
        operators
    )


def _blurs_the_surface(operators: Collection[str], light: LightSection) -> bool:  # noqa: ARG001 - as all
    return {"sky_window", "forward_scatter"} <= set(operators)


def _shades_water(operators: Collection[str], light: LightSection) -> bool:
    return light.shadows and "veiling_light" in operators


CHANGES = (
    Change(2, "lamps throw shadows (light.lamps.shadows = false is as before)", _throws_lamp_shadows),
    Change(
        2,
        "what is seen of the sky through the surface gives no halo of its own, for the water's light holds "
        "it already: views up are darker, by up to half",
        _blurs_the_surface,
    ),
    Change(
        2,
        "things before the sun are dark all over: no glow is left in their middle (light.shadows)",
        _shades_water,
    ),
)


def changes_since(number: int, operators: Collection[str], light: LightSection) -> list[str]:
    """Return what looks otherwise in a look since a format.

    Parameters
    ----------
    number
        The format that its file states.
    operators
        Names of the operators of its steps.
    light
        Its light.

    Returns
    -------
    list[str]
        Sentences, without a full stop; none where its picture is the same.
    """
    return [change.text for change in CHANGES if change.number > number and change.touches(operators, light)]


def with_number_of_today(text: str) -> str:
    """Return a preset's text with today's format number; all else stays.

    Parameters
    ----------
    text
        A preset that is valid.

    Returns
    -------
    str
        The new text.

    Examples
    --------
    >>> with_number_of_today("format = 1  # as it was").split("=")[0]
    'format '
    """
    return _NUMBER.sub(rf"\g<1>{FORMAT}", text, count=1)


def number_of(tables: Mapping[str, object]) -> int | None:
    """Return the format number of a file's tables, where it is one that is read; None where it is not.

    Parameters
    ----------
    tables
        Of one file.

    Returns
    -------
    int | None
        One of `FORMATS`.
    """
    found = tables.get("format")
    return found if type(found) is int and found in FORMATS else None
