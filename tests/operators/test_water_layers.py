"""Water layers: only what lies beyond them moves, and it moves without holes, tears, copies or jumps."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from tests.operators.scene import camera, made, posts_before_a_wall

from halocline.errors import PresetError
from halocline.graph.engine import Evaluation
from halocline.imaging.frame import Window

WINDOW = Window(0, 0, 240, 136)
LENS = camera(WINDOW, pitch_deg=8.0)
STIRRED = """
[steps.water_layers]
[[steps.water_layers.layers]]
depth = "9.2 m"
thickness = "0.3 m"
above = {temperature = 22.0, salinity = 30.0}
below = {temperature = 8.0, salinity = 35.0}
waves = {height = "2 cm", length = "3 m"}
turbulence = {strength = 0.5, eddy = "30 cm"}
"""
# Colours bent alike, for tests that add them up.
GREY = STIRRED.replace("[steps.water_layers]", "[steps.water_layers]\nfringes = 0.0", 1)
BEYOND_NONE = STIRRED.replace('depth = "9.2 m"', 'depth = "16 m"')


def test_near_posts_keep_every_bit_and_the_far_wall_moves() -> None:
    frame = posts_before_a_wall(WINDOW)
    wet = made(STIRRED, frame, LENS)["rgb"]
    post = (frame.planes["range"] == np.float32(0.9)) & (frame.planes["far_share"] == 0)
    np.testing.assert_array_equal(wet[:, post], frame.planes["rgb"][:, post])
    wall = frame.planes["range"] == 20.0
    assert np.abs(wet - frame.planes["rgb"])[:, wall].max() > 0.1


def test_nothing_of_the_posts_is_dragged_or_copied_into_the_wall() -> None:
    # The posts alone are red: any red that is not theirs has been carried off.
    frame = posts_before_a_wall(WINDOW)
    wet = made(STIRRED, frame, LENS)["rgb"]
    np.testing.assert_allclose(wet[0], frame.planes["rgb"][0], atol=1e-6)


def test_behind_the_posts_the_wall_goes_on_without_holes() -> None:
    frame = posts_before_a_wall(WINDOW)
    wet = made(GREY, frame, LENS)["rgb"]
    wall = frame.planes["range"] == 20.0
    # The wall's green and blue sum to 1 and must still, whatever was displaced or smeared.
    np.testing.assert_allclose((wet[1] + wet[2])[wall], 1.0, atol=2e-3)


def test_soft_edges_stay_soft() -> None:
    frame = posts_before_a_wall(WINDOW)
    wet = made(STIRRED, frame, LENS)["rgb"]
    edge = frame.planes["far_share"] > 0
    total, was = wet.sum(axis=0)[edge], frame.planes["rgb"].sum(axis=0)[edge]
    # Post 0.9 and wall 1.0, mixed half and half as before.
    np.testing.assert_allclose(total, was, atol=0.05)


def test_a_subject_beyond_the_layer_smears_and_the_same_subject_before_it_stays_sharp() -> None:
    def sharpness(near_m: float) -> float:
        frame = posts_before_a_wall(WINDOW, near_m=near_m, far_m=40.0)
        # Smeared five times as much, for a picture of so few pixels.
        more = STIRRED.replace("[steps.water_layers]", "[steps.water_layers]\nsmear = 5.0", 1)
        wet = made(more, frame, LENS)["rgb"][0, :60]
        return float(np.abs(np.diff(wet, axis=1)).max(axis=1).mean())

    assert sharpness(0.9) > 0.4
    assert sharpness(30.0) < 0.8 * sharpness(0.9)


def test_a_layer_that_no_ray_meets_changes_no_bit() -> None:
    frame = posts_before_a_wall(WINDOW)
    up = camera(WINDOW, pitch_deg=40.0)
    np.testing.assert_array_equal(made(BEYOND_NONE, frame, up)["rgb"], frame.planes["rgb"])


def test_displacement_and_blur_are_planes_of_their_own_and_zero_before_the_layer() -> None:
    frame = posts_before_a_wall(WINDOW)
    planes = made(STIRRED, frame, LENS, wanted=("rgb", "displacement", "blur_px"))
    post = (frame.planes["range"] == np.float32(0.9)) & (frame.planes["far_share"] == 0)
    assert planes["displacement"].shape == (2, *WINDOW.shape)
    assert np.abs(planes["displacement"]).max() > 0.5
    assert planes["blur_px"].max() > 0.5
    assert np.abs(planes["displacement"][:, post]).max() == 0
    assert planes["blur_px"][post].max() == 0


def test_coverage_moves_with_colour_where_the_background_is_left_open() -> None:
    frame = posts_before_a_wall(WINDOW)
    hole = np.ones(WINDOW.shape, np.float32)
    hole[:40] = 0.0
    open_frame = frame.with_planes(
        rgb=frame.planes["rgb"] * hole,
        alpha=hole,
        range=np.where(hole > 0, frame.planes["range"], np.inf).astype(np.float32),
        far_share=np.where(hole > 0, frame.planes["far_share"], 0).astype(np.float32),
    )
    planes = made(GREY, open_frame, LENS)
    wall = frame.planes["range"] == 20.0
    np.testing.assert_allclose((planes["rgb"][1] + planes["rgb"][2])[wall], planes["alpha"][wall], atol=5e-3)
    assert 0.0 <= planes["alpha"].min() <= planes["alpha"].max() <= 1.0


def test_frames_follow_each_other_smoothly() -> None:
    frame = posts_before_a_wall(WINDOW)
    shifts = np.stack(
        [
            made(STIRRED, frame, LENS, number=1001 + n, wanted=("rgb", "displacement"))["displacement"]
            for n in range(5)
        ]
    )
    step = np.diff(shifts, axis=0)
    assert np.abs(step).max() > 1e-3
    assert np.sqrt(np.mean(np.diff(step, axis=0) ** 2)) < 0.3 * np.sqrt(np.mean(step**2))


def test_a_pixel_of_the_overscan_render_is_the_same_as_without() -> None:
    # Displacement is fixed to the picture's own coordinates, not to the window's.
    wide = Window(-26, -15, 292, 166)
    wanted = ("rgb", "displacement", "blur_px")
    small = made(STIRRED, posts_before_a_wall(WINDOW), LENS, wanted=wanted)
    large = made(STIRRED, posts_before_a_wall(wide), LENS, wanted=wanted)
    rows, columns = wide.slices_of(WINDOW)
    inner = (Ellipsis, slice(30, -30), slice(30, -30))
    for name in wanted:
        # What is filled in behind the posts comes from a pyramid that starts at the window's corner.
        np.testing.assert_allclose(large[name][..., rows, columns][inner], small[name][inner], atol=1e-2)


@pytest.mark.parametrize("threads", [1, 2, 3])
@pytest.mark.parametrize("tile_rows", [7, 64])
def test_same_bits_for_any_threads_and_tiles(threads: int, tile_rows: int) -> None:
    frame = posts_before_a_wall(WINDOW)
    reference = made(STIRRED, frame, LENS, how=Evaluation(1, 136))["rgb"]
    before = cv2.getNumThreads()
    try:
        cv2.setNumThreads(threads)
        other = made(STIRRED, frame, LENS, how=Evaluation(threads, tile_rows))["rgb"]
    finally:
        cv2.setNumThreads(before)
    np.testing.assert_array_equal(other, reference)


def test_several_layers_act_together() -> None:
    frame = posts_before_a_wall(WINDOW)
    second = STIRRED + STIRRED.split("[steps.water_layers]")[1].replace('"9.2 m"', '"8.6 m"')
    one = made(STIRRED, frame, LENS, wanted=("rgb", "blur_px"))["blur_px"]
    two = made(second, frame, LENS, wanted=("rgb", "blur_px"))["blur_px"]
    wall = frame.planes["range"] == 20.0
    assert two[wall].mean() > one[wall].mean()


def test_layers_at_nothing_are_left_out() -> None:
    frame = posts_before_a_wall(WINDOW)
    still = STIRRED.replace("[steps.water_layers]", "[steps.water_layers]\nbend = 0\nsmear = 0\nsheen = 0", 1)
    np.testing.assert_array_equal(made(still, frame, LENS)["rgb"], frame.planes["rgb"])


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("temperature = 22.0", "temperature = 60.0", "less than or equal to 30"),
        ("thickness", "thicknes", "thickness"),
        ('eddy = "30 cm"', 'eddy = "1 mm"', "finest_eddy 0.004 m is larger than eddy 0.001 m"),
    ],
)
def test_wrong_layers_are_told(old: str, new: str, message: str) -> None:
    with pytest.raises((PresetError, Exception), match=message):
        made(STIRRED.replace(old, new), posts_before_a_wall(WINDOW), LENS)
