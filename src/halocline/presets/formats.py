"""Numbers of the preset format: which are read, and in which pictures a newer one differs.

The number goes up when a file of the old number would be refused, or come out otherwise. Files of all numbers
load and give the pictures of today; ``preset check`` says of an older one what came to look otherwise since
it was written, and ``preset upgrade`` writes today's number once somebody has looked.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from halocline.graph.operator import AnyOperator, Source
from halocline.operators.registry import operators
from halocline.presets.lines import key_places
from halocline.presets.sections import FORMAT

# Every number that is read, the oldest first.
FORMATS = tuple(range(1, FORMAT + 1))
# From behind the word of the key, which may stand in quotes, to the end of the number, which may have a sign.
_NUMBER = re.compile(r"""(["']?[ \t]*=[ \t]*)([+\w]+)""")


def changes() -> list[tuple[int, str]]:
    """Return what came to look otherwise with each number, each once.

    Returns
    -------
    list[tuple[int, str]]
        Number and sentence, without a full stop, by number.
    """
    found = {
        (number, text): None
        for operator in operators().values()
        for number, text in operator.otherwise_since.items()
    }
    return sorted(found)


def changes_since(number: int, steps: Iterable[AnyOperator], *, lit_by_lamps: bool) -> list[str]:
    """Return what looks otherwise in a look since a format.

    Parameters
    ----------
    number
        The format that its file states.
    steps
        The operators of its steps.
    lit_by_lamps
        Whether there are lamps; without them, steps that need some do nothing.

    Returns
    -------
    list[str]
        Sentences, without a full stop; none where its picture is the same.
    """
    told = {
        text: None
        for operator in steps
        if lit_by_lamps or Source.LAMPS not in operator.needs()
        for brought, text in operator.otherwise_since.items()
        if brought > number
    }
    return list(told)


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
    # Where the key stands: a title of several lines may hold such words too.
    word = next((place.end for place in key_places(text) if place.path == ("format",)), None)
    number = None if word is None else _NUMBER.match(text, word)
    if number is None or int(number[2], 0) == FORMAT:
        return text
    return f"{text[: number.start(2)]}{FORMAT}{text[number.end(2) :]}"


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
