"""Planes that tell what a step did, beside its light: made where somebody wants them, and only there."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from tests.operators.scene import camera, made, posts_before_a_wall

from halocline.graph.operator import Operator, Planes, Tile
from halocline.imaging.frame import Window
from halocline.operators.flat_port import FlatPortOperator
from halocline.operators.forward_scatter import ForwardScatter
from halocline.operators.water_layers import WaterLayers

WINDOW = Window(0, 0, 240, 136)
LENS = camera(WINDOW, pitch_deg=8.0)
LAYER = "[steps.water_layers]\n[[steps.water_layers.layers]]\ndepth = 9.2\nturbulence = {strength = 0.5}\n"
OperatorType = type[Operator[Any]]
STEPS: list[tuple[str, OperatorType, set[str]]] = [
    ("[steps.forward_scatter]\n", ForwardScatter, {"halo"}),
    (LAYER, WaterLayers, {"displacement", "blur_px"}),
    ("[steps.flat_port]\n", FlatPortOperator, {"displacement", "blur_px", "lookup_map"}),
]


def listened(operator: OperatorType, monkeypatch: pytest.MonkeyPatch) -> list[set[str]]:
