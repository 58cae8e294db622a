"""Layered water: one water on each side of a layer, with edges as clean as in one water."""

from __future__ import annotations

import numpy as np
import pytest
from tests.operators.scene import camera, made, posts_before_a_wall

from halocline.graph.engine import Evaluation
from halocline.imaging.frame import Frame, Window

WINDOW = Window(0, 0, 240, 136)
LENS = camera(WINDOW, pitch_deg=8.0)
HEAD = "[steps.attenuation]\n"
ONE = HEAD + "[steps.veiling_light]\n"
TWO = (
    HEAD
    + """
[steps.veiling_light]
operator = "layered_water"
other_water = {side = "above", turbidity = 5.0, stain = 0.4}
[steps.veiling_light.layer]
depth = "9.5 m"
thickness = "0.2 m"
above = {temperature = 15.0, salinity = 5.0}
below = {temperature = 10.0, salinity = 34.0}
"""
)


def test_one_water_on_both_sides_is_plain_veiling_light() -> None:
    frame = posts_before_a_wall(WINDOW)
    same = TWO.replace("turbidity = 5.0, stain = 0.4", "turbidity = 1.0")
    one, two = (made(text, frame, LENS, wanted=("rgb", "veil")) for text in (ONE, same))
    for name in one:
        # The veil's sources come from a grid of rays, and both waters' light is one exponential a ray.
        np.testing.assert_allclose(two[name], one[name], rtol=0.03, atol=1e-3)


def test_what_is_before_the_layer_keeps_its_light_and_what_is_beyond_drowns() -> None:
    frame = posts_before_a_wall(WINDOW, near_m=0.9, far_m=12.0)
    one, two = (made(text, frame, LENS)["rgb"] for text in (ONE, TWO))
    # The layer is half a metre above the lens: the lowest rows never meet it, the highest do at 1 m.
    np.testing.assert_allclose(two[:, -20:], one[:, -20:], rtol=0.03, atol=1e-3)
    wall = (frame.planes["range"] == 12.0)[:30, 1:] & (frame.planes["range"] == 12.0)[:30, :-1]
    detail = [float(np.std(np.diff(picture[1, :30], axis=1)[wall])) for picture in (one, two)]
    assert detail[1] < 0.3 * detail[0]


def test_hue_changes_towards_that_of_the_stained_water() -> None:
    frame = posts_before_a_wall(WINDOW)
    endless = frame.with_planes(
        rgb=np.zeros((3, *WINDOW.shape), np.float32),
        alpha=np.zeros(WINDOW.shape, np.float32),
        range=np.full(WINDOW.shape, np.inf, np.float32),
        far_share=np.zeros(WINDOW.shape, np.float32),
    )
    one, two = (made(text, endless, LENS)["rgb"] for text in (ONE, TWO))
    blueness = [float(picture[2, :20].mean() / picture[1, :20].mean()) for picture in (one, two)]
    assert blueness[1] < blueness[0]


def test_thin_things_have_no_halo_where_the_waters_differ() -> None:
    # A white thing of any coverage, over open water, lies on the line between uncovered and covered.
    shape = WINDOW.shape
    pictures = {}
    for cover in (0.0, 0.5, 1.0):
        planes = {
            "rgb": np.full((3, *shape), 0.8 * cover, np.float32),
            "alpha": np.full(shape, cover, np.float32),
            "range": np.full(shape, 3.0 if cover else np.inf, np.float32),
        }
        pictures[cover] = made(TWO, Frame(planes, WINDOW, WINDOW), LENS)["rgb"]
    between = 0.5 * (pictures[0.0] + pictures[1.0])
    np.testing.assert_allclose(pictures[0.5], between, atol=2e-5)


def test_coverage_of_the_render_is_kept_for_later_steps() -> None:
    frame = posts_before_a_wall(WINDOW)
    alpha = np.full(WINDOW.shape, 0.25, np.float32)
    planes = made(TWO, frame.with_planes(alpha=alpha), LENS, wanted=("alpha", "coverage"))
    np.testing.assert_array_equal(planes["coverage"], alpha)
    np.testing.assert_array_equal(planes["alpha"], 1.0)
    left = made(
        TWO.replace("other_water", 'open_water = "leave"\nother_water'), frame.with_planes(alpha=alpha), LENS
    )
    np.testing.assert_array_equal(left["alpha"], alpha)


@pytest.mark.parametrize("tile_rows", [1, 7, 50])
def test_same_bits_for_any_tiles(tile_rows: int) -> None:
    frame = posts_before_a_wall(WINDOW)
    wavy = TWO + 'waves = {height = "3 cm", length = "2 m"}\n'
    reference = made(wavy, frame, LENS, how=Evaluation(1, 136))["rgb"]
    np.testing.assert_array_equal(made(wavy, frame, LENS, how=Evaluation(2, tile_rows))["rgb"], reference)
