from __future__ import annotations

import numpy as np
import pytest
from tests.conftest import Builders

from halocline.graph.light_form import combine
from halocline.graph.plan import make_plan
from halocline.imaging.frame import Window

WINDOW = Window(0, 0, 21, 13)


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5, 6, 8])
def test_combine_is_the_matrix_product_in_float32(count: int) -> None:
    random = np.random.default_rng(2)
    matrix = random.normal(size=(6, count))
    planes = random.normal(size=(count, 5, 7)).astype(np.float32)
    out = combine(matrix, planes)
    assert out.dtype == np.float32
    np.testing.assert_allclose(out, np.einsum("km,mij->kij", matrix, planes), rtol=0, atol=2e-6)


def test_combine_gives_the_same_bits_for_any_part_of_the_picture() -> None:
    random = np.random.default_rng(3)
    matrix = random.normal(size=(3, 6))
    planes = random.normal(size=(6, 40, 33)).astype(np.float32)
    whole = combine(matrix, planes)
    for rows in (1, 3, 7):
        parts = [combine(matrix, planes[:, y : y + rows]) for y in range(0, 40, rows)]
        assert np.array_equal(np.concatenate(parts, axis=1), whole)


def test_conversions_are_put_in_only_where_the_form_of_light_changes(build: Builders) -> None:
    frame = build.frame(WINDOW)
    plan = make_plan(build.core(), build.shot(WINDOW), frame.planes, ("rgb", "alpha"))
    names = [step.name for step in plan.steps]
    assert names == ["to bands", "downwelling", "attenuation", "veiling_light", "to rgb", "white_reference"]


def test_planes_live_only_as_far_as_somebody_reads_them(build: Builders) -> None:
    plan = make_plan(build.core(), build.shot(WINDOW), build.frame(WINDOW).planes, ("rgb", "alpha"))
    live = {step.name: step.live for step in plan.steps}
    assert live["white_reference"] == {"rgb", "alpha"}
    assert "transmittance" not in live["attenuation"]
    assert "path_length" in live["attenuation"]
    assert "path_length" not in live["veiling_light"]
    assert not any(name.startswith("matte") for planes in live.values() for name in planes)


def test_light_lifted_to_bands_and_back_is_itself(build: Builders) -> None:
    bands = build.bands("3C")
    rgb = np.random.default_rng(4).exponential(1.0, (3, 9, 9)).astype(np.float32)
    again = combine(bands.down, combine(bands.up, rgb))
    np.testing.assert_allclose(again, rgb, rtol=1e-5, atol=2e-5)
