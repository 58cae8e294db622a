"""Which compiled loops a look calls, from a list of what the looks that ship called (`tools/write_loops.py`).

It only says what to compile ahead (`halocline.compute.ahead`): what it leaves out is compiled where it is
called.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

from halocline.compute.ahead import Wanted
from halocline.presets.preset import Preset

LIST = Path(__file__).with_name("loops_of_looks.json")


def loops_of(preset: Preset) -> list[Wanted]:
    """Return the loops that a look is likely to call, those that take longest to compile first.

    Parameters
    ----------
    preset
        The look.

    Returns
    -------
    list[Wanted]
        Those of the looks on the list that together have its steps, and few others.
    """
    every, looks = _listed()
    asked = operators_of(preset)
    wanted: set[int] = set()
    left, first = asked, True
    while looks and (left or first):
        gains = [len(steps & left) - len(steps - asked) / 2 for steps, _ in looks]
        steps, loops = looks[gains.index(max(gains))]
        wanted |= loops
        if not steps & left:
            # Operators of another package.
            break
        left, first = left - steps, False
    return [each for number, each in enumerate(every) if number in wanted]


def all_loops() -> list[Wanted]:
    """Return the loops of all looks that ship, those that take longest to compile first.

    Returns
    -------
    list[Wanted]
        All on the list.
    """
    return _listed()[0]


def operators_of(preset: Preset) -> frozenset[str]:
    """Return the operators of the steps of a look that are not put aside, those of its parts included.

    Parameters
    ----------
    preset
        The look.

    Returns
    -------
    frozenset[str]
        Their names.
    """
    return frozenset(_operators(preset))


def _operators(preset: Preset) -> Iterator[str]:
    yield from (head.operator or name for name, head in preset.steps if head.enabled)
    for part in preset.parts.values():
        yield from _operators(part)


@lru_cache(maxsize=1)
def _listed() -> tuple[list[Wanted], list[tuple[frozenset[str], frozenset[int]]]]:
    told = json.loads(LIST.read_text(encoding="utf-8"))
    looks = [(frozenset(look["steps"]), frozenset(look["loops"])) for look in told["looks"]]
    return list(map(Wanted.from_json, told["loops"])), looks
