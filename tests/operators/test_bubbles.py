"""Bubbles on pictures."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError
from tests.conftest import Builders

from halocline.graph.operator import AnyOperator
from halocline.imaging.frame import Frame, Window
from halocline.operators.bubbles import Bubbles, BubbleSource, BubbleSourceKey, BubblesParameters

WINDOW = Window(0, 0, 64, 48)
VENT = BubbleSource(
    name="vent",
    track=({"frame": 900, "position": (0.0, -0.8, -2.0), "per_second": 60.0},),  # type: ignore[arg-type]
    median_diameter=0.02,
    spread=1.4,
)


def bubbles(*sources: BubbleSource, **changes: Any) -> Bubbles:
    return Bubbles(BubblesParameters(sources=sources, **changes))


def wet(build: Builders, *operators: tuple[str, AnyOperator]) -> list[tuple[str, AnyOperator]]:
    core = [(name, build.operator(name)) for name in ("attenuation", "veiling_light")]
    return [*core, *operators]


def open_water(window: Window = WINDOW, range_m: float = np.inf) -> Frame:
    hit = np.isfinite(range_m)
    planes = {
        "rgb": np.zeros((3, *window.shape), np.float32),
        "alpha": np.full(window.shape, float(hit), np.float32),
        "range": np.full(window.shape, range_m, np.float32),
    }
    return Frame(planes, window, window)


def test_without_sources_every_bit_stays(build: Builders) -> None:
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    clean = build.run(wet(build), frame, shot)
    for none in (bubbles(), bubbles(VENT, opacity=0.0)):
        assert (build.run(wet(build, ("b", none)), frame, shot)["rgb"] == clean["rgb"]).all()


def test_any_tiles_and_threads_give_the_same_bits(build: Builders) -> None:
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    wanted = ("rgb", "bubbles", "bubble_alpha", "bubble_range")
    runs = [
        build.run(
            wet(build, ("b", bubbles(VENT))), frame, shot, wanted=wanted, threads=threads, tile_rows=rows
        )
        for threads, rows in ((1, 48), (2, 1), (3, 5))
    ]
    assert runs[0]["bubble_alpha"].any()
    for name in wanted:
        for other in runs[1:]:
            assert np.array_equal(runs[0][name], other[name], equal_nan=True)


def test_a_frame_is_the_same_alone_and_after_others(build: Builders) -> None:
    alone = build.run(wet(build, ("b", bubbles(VENT))), open_water(), build.shot(WINDOW, frame=1050))
    for number in (1049, 1002):
        build.run(wet(build, ("b", bubbles(VENT))), open_water(), build.shot(WINDOW, frame=number))
    again = build.run(wet(build, ("b", bubbles(VENT))), open_water(), build.shot(WINDOW, frame=1050))
    assert (alone["rgb"] == again["rgb"]).all()


def test_a_wall_in_front_hides_them(build: Builders) -> None:
    made = build.run(
        wet(build, ("b", bubbles(VENT))),
        open_water(range_m=1.0),
        build.shot(WINDOW),
        wanted=("bubble_alpha",),
    )
    assert not made["bubble_alpha"].any()


def test_before_its_first_burst_a_source_is_still(build: Builders) -> None:
    cough = BubbleSource(
        name="cough",
        track=({"frame": 900, "position": (0.0, -0.3, -2.0)},),  # type: ignore[arg-type]
        bursts=({"frame": 1000, "seconds": 0.2, "count": 40.0},),  # type: ignore[arg-type]
        median_diameter=0.02,
    )
    drawn = [
        build.run(
            wet(build, ("b", bubbles(cough))),
            open_water(),
            build.shot(WINDOW, frame=frame),
            wanted=("bubble_alpha",),
        )["bubble_alpha"].sum()
        for frame in (990, 1010)
    ]
    assert drawn[0] == 0.0
    assert drawn[1] > 1.0


def test_bubbles_are_bright_against_the_water_where_light_falls_from_above(build: Builders) -> None:
    made = build.run(
        wet(build, ("b", bubbles(VENT))),
        open_water(),
        build.shot(WINDOW),
        wanted=("bubbles", "bubble_alpha", "bands"),
    )
    clean = build.run(wet(build), open_water(), build.shot(WINDOW), wanted=("bands",))["bands"]
    drawn = made["bubble_alpha"] > 0.02
    assert drawn.sum() > 10
    brighter = made["bubbles"][:, drawn] / made["bubble_alpha"][drawn] / clean[:, drawn]
    assert np.median(brighter) > 1.1
    assert brighter.max() > 1.3


def test_impossible_sources_are_refused_in_words() -> None:
    keys = tuple(BubbleSourceKey(frame=frame, position=(0.0, 0.0, 0.0)) for frame in (2, 1))
    with pytest.raises(ValidationError, match="order of frames"):
        BubbleSource(name="x", track=keys)
    with pytest.raises(ValidationError, match="same name"):
        bubbles(VENT, VENT)


def test_a_steps_name_keys_which_bubbles_rise(build: Builders) -> None:
    """Two steps of one source are twice the bubbles, not the same ones twice."""
    first, again, other = (
        build.run(
            wet(build, (name, bubbles(VENT))), open_water(), build.shot(WINDOW), wanted=("bubble_alpha",)
        )["bubble_alpha"]
        for name in ("bubbles", "bubbles", "second vent")
    )
    assert first.any()
    assert (first == again).all()
    assert (first != other).any()
    assert other.any()
