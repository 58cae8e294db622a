"""Where steps and parts stand that say it by each other."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from halocline.presets.places import Place, in_places, place_beside

NAMES = ("a", "b", "c", "d")


@given(st.lists(st.tuples(st.sampled_from(NAMES), st.sampled_from(("after", "before"))), max_size=8))
def test_who_is_put_beside_its_neighbour_stands_there_and_all_others_stay(
    moves: list[tuple[str, str]],
) -> None:
    heads = dict.fromkeys(NAMES, Place())
    order = list(NAMES)
    for name, side in moves:
        at = order.index(name)
        to = at + (1 if side == "after" else -1)
        if not 0 <= to < len(order):
            continue
        heads |= place_beside(heads, name, side, order[to])  # type: ignore[arg-type]
        order[at], order[to] = order[to], order[at]
        assert in_places(heads) == (order, [])


def test_mostly_the_one_that_is_moved_says_so_alone() -> None:
    heads = dict.fromkeys(NAMES, Place())
    assert place_beside(heads, "b", "after", "c") == {"b": Place(after="c")}
    # As b says, after c; to say c after b as well would name a ring.
    heads["b"] = Place(after="c")
    assert place_beside(heads, "c", "after", "b") == {"b": Place(before="c")}


def test_what_comes_before_all_is_named_by_the_first_alone() -> None:
    heads = {"a": Place(), "b": Place(after="render")}
    assert in_places(heads, "render") == (["b", "a"], [])
    order, misplaced = in_places(heads)
    assert order == ["a", "b"]
    assert misplaced == [("b", "after", "render")]
    assert in_places({"a": Place(before="render")}, "render")[1] == [("a", "before", "render")]
    assert in_places({"a": Place(after="a")})[1] == [("a", "after", "a")]
