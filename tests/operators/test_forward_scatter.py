"""Forward scatter in a graph: what is lost to scattering comes back as a halo, by range."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from tests.operators.scene import camera, made, posts_before_a_wall

from halocline.graph.engine import Evaluation
from halocline.imaging.frame import Frame, Window

WINDOW = Window(0, 0, 240, 136)
LENS = camera(WINDOW)
PLAIN = "[steps.attenuation]\n"
SCATTERED = PLAIN + "[steps.forward_scatter]\n"


def level_scene(range_m: float, value: float = 0.5) -> Frame:
    shape = WINDOW.shape
    planes = {
        "rgb": np.full((3, *shape), value, np.float32),
        "alpha": np.ones(shape, np.float32),
        "range": np.full(shape, range_m, np.float32),
    }
    return Frame(planes, WINDOW, WINDOW)


def test_constant_scene_comes_out_constant_times_what_is_regained() -> None:
    direct = made(PLAIN, level_scene(6.0), LENS, wanted=("bands",))["bands"]
    planes = made(SCATTERED, level_scene(6.0), LENS, wanted=("bands", "halo"))
    for band, whole, halo in zip(direct, planes["bands"], planes["halo"], strict=True):
        assert np.ptp(whole) < 1e-4 * whole.mean()
        np.testing.assert_allclose(whole, band + halo, rtol=1e-6)
        assert 1.0 < whole.mean() / band.mean() < 20.0


def test_light_is_never_made() -> None:
    # Direct light and halo together are less than what left the surface.
    for range_m in (0.5, 3.0, 12.0, 60.0):
        wet = made(SCATTERED, level_scene(range_m), LENS, wanted=("bands",))["bands"]
        assert (wet.mean(axis=(1, 2)) < 0.5).all()


def test_near_posts_stay_sharp_before_a_far_wall_and_do_not_bleed_into_it() -> None:
    frame = posts_before_a_wall(WINDOW, near_m=0.5, far_m=15.0)
    # White posts before a black wall: whatever lights the wall has crept there.
    post = (frame.planes["rgb"][:1] / 0.9).repeat(3, axis=0)
    frame = frame.with_planes(rgb=post)
    direct = made(PLAIN, frame, LENS)["rgb"]
    wet = made(SCATTERED, frame, LENS)["rgb"]
    # Half a metre of clear water returns little.
    crept = (wet - direct)[1]
    wall = cv2.erode((frame.planes["range"] > 1).astype(np.uint8), np.ones((1, 9), np.uint8)) > 0
    assert crept[wall].max() < 0.02 * direct[1].max()
    edge = np.abs(np.diff(direct[1], axis=1)).max()
    assert np.abs(np.diff(wet[1], axis=1)).max() > 0.95 * edge


def test_a_lamp_blooms_through_murk_and_more_so_from_afar() -> None:
    def bloom(range_m: float) -> float:
        frame = level_scene(range_m, 0.0)
        rgb = np.zeros((3, *WINDOW.shape), np.float32)
        rgb[:, 66:70, 118:122] = 500.0
        lit = made(SCATTERED, frame.with_planes(rgb=rgb), LENS, wanted=("halo", "bands"))
        halo, whole = lit["halo"].sum(axis=0), lit["bands"].sum(axis=0)
        return float(halo.sum() / whole.sum())

    near, far = bloom(2.0), bloom(14.0)
    assert 0.0 < near < far < 1.0


def test_open_water_gives_no_halo_and_no_nan() -> None:
    # Looking down, where no ray ends at the surface.
    down = camera(WINDOW, pitch_deg=-60.0)
    halo = made(SCATTERED, level_scene(np.inf), down, wanted=("halo",))["halo"]
    assert (halo == 0).all()


def test_a_veil_that_is_already_there_is_left_out() -> None:
    before = PLAIN + "[steps.forward_scatter]\n[steps.veiling_light]\n"
    after = PLAIN + "[steps.veiling_light]\n[steps.forward_scatter]\n"
    frame = posts_before_a_wall(WINDOW)
    one, two = (made(text, frame, LENS)["rgb"] for text in (before, after))
    np.testing.assert_allclose(one, two, atol=2e-5)


def test_the_storys_remap_is_kept_to() -> None:
    story = '[story]\nsoftness = "2 m"\nnear_limit = "1 m"\n'
    frame = level_scene(20.0)
    physical = made(SCATTERED, frame, LENS, wanted=("bands", "halo"))
    told = made(story + SCATTERED, frame, LENS, wanted=("bands", "halo"))
    # Drawn near, more direct light arrives and less is scattered.
    assert told["halo"].mean() / told["bands"].mean() < physical["halo"].mean() / physical["bands"].mean()


@pytest.mark.parametrize("law", ["smooth", "empirical"])
def test_other_laws_scatter_too(law: str) -> None:
    text = SCATTERED + f'law = "{law}"\n'
    halo = made(text, posts_before_a_wall(WINDOW), LENS, wanted=("halo",))["halo"]
    assert halo.min() >= -1e-6
    assert halo.max() > 0


def test_strength_scales_the_halo_and_nothing_leaves_the_step_out() -> None:
    frame = posts_before_a_wall(WINDOW)
    full = made(SCATTERED, frame, LENS, wanted=("halo",))["halo"]
    half = made(SCATTERED + "strength = 0.5\n", frame, LENS, wanted=("halo",))["halo"]
    np.testing.assert_allclose(half, 0.5 * full, rtol=1e-4, atol=1e-7)
    none = made(SCATTERED + "strength = 0.0\n", frame, LENS)["rgb"]
    np.testing.assert_array_equal(none, made(PLAIN, frame, LENS)["rgb"])


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_same_bits_for_any_threads_and_tiles(threads: int) -> None:
    frame = posts_before_a_wall(WINDOW)
    reference = made(SCATTERED, frame, LENS, how=Evaluation(1, 136))["rgb"]
    before = cv2.getNumThreads()
    try:
        cv2.setNumThreads(threads)
        other = made(SCATTERED, frame, LENS, how=Evaluation(threads, 11))["rgb"]
    finally:
        cv2.setNumThreads(before)
    np.testing.assert_array_equal(other, reference)
