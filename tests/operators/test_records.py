"""Planes that tell what a step did, beside its light: made where somebody wants them, and only there."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from tests.operators.scene import camera, made, posts_before_a_wall

from halocline.graph.operator import AnyOperator, Planes, Tile
from halocline.imaging.frame import Window
from halocline.operators.flat_port import FlatPortOperator
from halocline.operators.forward_scatter import ForwardScatter
from halocline.operators.water_layers import WaterLayers

WINDOW = Window(0, 0, 240, 136)
LENS = camera(WINDOW, pitch_deg=8.0)
LAYER = "[steps.water_layers]\n[[steps.water_layers.layers]]\ndepth = 9.2\nturbulence = {strength = 0.5}\n"
OperatorType = type[AnyOperator]
STEPS: list[tuple[str, OperatorType, set[str]]] = [
    ("[steps.forward_scatter]\n", ForwardScatter, {"halo"}),
    (LAYER, WaterLayers, {"displacement", "blur_px"}),
    ("[steps.flat_port]\n", FlatPortOperator, {"displacement", "blur_px", "lookup_map"}),
]


def listened(operator: OperatorType, monkeypatch: pytest.MonkeyPatch) -> list[set[str]]:
    """Return where the names of all that an operator returns will be found."""
    heard: list[set[str]] = []
    apply: Callable[..., Planes] = operator.apply

    def spy(self: object, planes: Planes, tile: Tile, shot: object, prepared: object) -> Planes:
        written = apply(self, planes, tile, shot, prepared)
        heard.append(set(written))
        return written

    monkeypatch.setattr(operator, "apply", spy)
    return heard


@pytest.mark.parametrize(("text", "operator", "records"), STEPS)
def test_light_is_the_same_whether_its_records_are_wanted_or_not(
    text: str, operator: OperatorType, records: set[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    heard = listened(operator, monkeypatch)
    frame = posts_before_a_wall(WINDOW)
    alone = made(text, frame, LENS)
    assert not records & heard[0]
    whole = made(text, frame, LENS, wanted=("rgb", "alpha", *records))
    assert records <= heard[1]
    for name in alone:
        np.testing.assert_array_equal(alone[name], whole[name])


def test_a_tile_wants_all_planes_where_nothing_else_is_said() -> None:
    assert Tile(WINDOW, WINDOW).wants("halo")
    assert not Tile(WINDOW, WINDOW, frozenset({"bands"})).wants("halo")
