"""First looks are as fine as they are quick."""

from __future__ import annotations

import pytest

from halocline.tuning.pace import FEWER_PIXELS, PIXELS, Pace


def after(pace: Pace, *seconds: float) -> tuple[int | None, int]:
    for each in seconds:
        pace.took(each)
    return pace.threads, pace.pixels


def test_slow_looks_are_shared_first_and_then_smaller() -> None:
    pace = Pace()
    assert after(pace, 0.05, 0.08) == (1, PIXELS)
    assert after(pace, 0.5) == (1, PIXELS), "one that makes ready what the next finds tells nothing"
    assert after(pace, 0.05, 0.5, 0.5) == (None, PIXELS)
    assert after(pace, 0.3, 0.3) == (None, PIXELS)
    assert after(pace, 0.5, 0.5) == (None, FEWER_PIXELS)


def test_quick_looks_are_sharp_again_before_they_are_made_alone() -> None:
    pace = Pace()
    after(pace, *[0.5] * 6)
    assert after(pace, *[0.2] * 6) == (None, FEWER_PIXELS), "as large as before they would be late"
    assert after(pace, 0.1, 0.1) == (None, PIXELS)
    assert after(pace, 0.1, 0.1, 0.1) == (None, PIXELS)
    assert after(pace, 0.05, 0.05) == (1, PIXELS)


@pytest.mark.parametrize("alone", [0.01 * step for step in range(1, 200)])
def test_a_look_of_one_cost_comes_to_rest(alone: float) -> None:
    """On two processors, and with as many pixels as there are: no picture is sharp and soft by turns."""
    pace = Pace()
    kinds = []
    for _ in range(40):
        kinds.append((pace.threads, pace.pixels))
        pace.took(alone * (pace.pixels / PIXELS) * (1.0 if pace.threads == 1 else 0.6))
    assert len(set(kinds[20:])) == 1
