"""Pictures of ten looks are the same, to the bit where that is promised.

The pictures are our own of an earlier day (`benchmarks/digests.py` wrote them): a tripwire, no proof. Where a
look is meant to change, write them anew: ``python -m benchmarks.digests``.
"""

from __future__ import annotations

import json
from typing import Any

import pytest
from benchmarks.digests import LOOKS, TABLE, digest, half_steps, picture, processor, still_true

# On a processor that is not in the table sums may be made by other instructions: by this many steps of half
# floats at most, a thousandth each, may pixels differ there.
FEW_STEPS = 4


@pytest.fixture(scope="module")
def table() -> Any:
    """What was written."""
    return json.loads(TABLE.read_text())


@pytest.mark.parametrize("look", LOOKS)
def test_a_look_has_the_bits_that_it_had(look: str, table: Any) -> None:
    pixels = picture(look)
    known = table["processors"].get(processor())
    if known is not None:
        assert digest(pixels) == known[look], (
            "another picture: if that is meant, python -m benchmarks.digests"
        )
    assert half_steps(pixels, table["pictures"][look]) <= FEW_STEPS


def test_digests_of_pictures_that_are_no_more_are_left_out() -> None:
    old, new = {"a look": "1"}, {"a look": "2"}
    assert still_true({"here": old, "there": old}, "here", new) == {"here": new}
    assert still_true({"here": old, "there": new}, "here", new) == {"here": new, "there": new}
    assert still_true({"here": new, "there": old}, "here", new) == {"here": new, "there": old}
    assert still_true({"there": old}, "here", new) == {"here": new}
