"""In which order steps and parts stand of which some say right after or right before which other they do."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Literal, NamedTuple, Protocol, TypeAlias

Side: TypeAlias = Literal["after", "before"]
_SIDES: tuple[Side, Side] = ("after", "before")


class SaysWhere(Protocol):
    """What says where it stands: after another, before another, or neither."""

    @property
    def after(self) -> str | None:
        """Which it stands right after."""

    @property
    def before(self) -> str | None:
        """Which it stands right before."""


class Place(NamedTuple):
    """Where something stands, as its keys of that name say."""

    after: str | None = None
    before: str | None = None


class Misplaced(NamedTuple):
    """A name that says it stands beside one that is not there."""

    name: str
    side: Side
    neighbour: str


def in_places(heads: Mapping[str, SaysWhere], first: str | None = None) -> tuple[list[str], list[Misplaced]]:
    """Return names in the order in which they stand, and those that stand beside what is not there.

    Parameters
    ----------
    heads
        What each says of its place, in the order of the preset.
    first
        What comes before all: after it is first of all.

    Examples
    --------
    >>> in_places({"a": Place(), "b": Place(before="a"), "c": Place(after="d")})
    (['b', 'a', 'c'], [Misplaced(name='c', side='after', neighbour='d')])
    """
    order = list(heads)
    misplaced: list[Misplaced] = []
    for name in _in_turn(heads):
        for side in _SIDES:
            neighbour = getattr(heads[name], side)
            if neighbour is None:
                continue
            if neighbour in heads and neighbour != name:
                order = _moved(order, name, side, neighbour)
            elif side == "after" and first is not None and neighbour == first:
                order = [name, *(other for other in order if other != name)]
            else:
                misplaced.append(Misplaced(name, side, neighbour))
    return order, misplaced


def place_beside(
    heads: Mapping[str, SaysWhere], name: str, side: Side, neighbour: str, first: str | None = None
) -> dict[str, Place]:
    """Return what has to be said anew so that one stands beside a neighbour, and all others stay.

    Mostly that one says so. But who says where it stands has it from where another is, and two that say so of
    each other stand as the later of them says: then the other says so, or all do.

    Parameters
    ----------
    heads
        As `in_places` takes them; nothing is misplaced.
    name
        Which is to stand elsewhere.
    side, neighbour
        On which side of which.
    first
        As `in_places` takes it.

    Returns
    -------
    dict of str to Place
        What is to be said anew, by name.

    Examples
    --------
    >>> place_beside({"a": Place(), "b": Place(), "c": Place()}, "c", "before", "b")
    {'c': Place(after=None, before='b')}
    """
    wanted = _moved(in_places(heads, first)[0], name, side, neighbour)
    said = next(
        way
        for way in _ways_to_say(wanted, name, side, neighbour)
        if in_places({**heads, **way}, first)[0] == wanted
    )
    return {each: place for each, place in said.items() if place != (heads[each].after, heads[each].before)}


def _ways_to_say(wanted: Sequence[str], name: str, side: Side, neighbour: str) -> Iterator[dict[str, Place]]:
    """Yield what could be said for an order, the least first."""
    there, around = wanted.index(name), wanted.index(neighbour)
    yield {name: Place(**{side: neighbour})}
    yield {neighbour: Place(before=name) if side == "after" else Place(after=name)}
    beyond = 2 * there - around
    if 0 <= beyond < len(wanted):
        yield {name: Place(before=wanted[beyond]) if side == "after" else Place(after=wanted[beyond])}
    behind = {each: Place(after=other) for other, each in pairwise(wanted)}
    yield {wanted[0]: Place(before=wanted[1]), **behind}


def _in_turn(heads: Mapping[str, SaysWhere]) -> list[str]:
    """Return names so that what one is placed by has its own place before; in the preset's order otherwise.

    A child may place a step of its parent by a new one, which stands after all of the parent's.
    """
    turns: dict[str, None] = {}
    asked: set[str] = set()

    def take(name: str) -> None:
        if name in asked or name not in heads:
            return
        asked.add(name)
        for side in _SIDES:
            neighbour = getattr(heads[name], side)
            if neighbour is not None:
                take(neighbour)
        turns[name] = None

    for name in heads:
        take(name)
    return list(turns)


def _moved(order: Sequence[str], name: str, side: Side, neighbour: str) -> list[str]:
    """Return an order with one right after or right before another."""
    moved = [other for other in order if other != name]
    moved.insert(moved.index(neighbour) + (side == "after"), name)
    return moved
