"""Gains of two surfaces in one pixel, one step after another."""

import numpy as np

from halocline.graph.operator import Tile
from halocline.imaging.frame import Window
from halocline.operators.shared.two_surfaces import Farther


def test_steps_one_after_another_equal_both_surfaces_by_themselves() -> None:
    random = np.random.default_rng(2)
    shape = (4, 6)
    near, far = (random.random((1, *shape)).astype(np.float32) for _ in range(2))
    share = far / (near + far)
    planes = {
        "far_light": np.where(random.random(shape) < 0.5, share[0], 0).astype(np.float32),
        "far_range": np.full(shape, 9.0, np.float32),
    }
    mixed = planes["far_light"] > 0
    light = np.where(mixed, near + far, near)
    gains = [random.random((2, 1, *shape)).astype(np.float32) for _ in range(3)]
    for near_gain, far_gain in gains:
        farther = Farther.of(planes)
        assert farther is not None
        gain = near_gain.copy()
        planes |= farther.mix(gain, farther.at(far_gain), light)
        light = light * gain
        near, far = near * near_gain, far * far_gain
    expected = np.where(mixed, near + far, near)
    np.testing.assert_allclose(light, expected, rtol=1e-5)


def test_no_planes_no_farther_surface_and_empty_ones_change_nothing() -> None:
    assert Farther.of({"range": np.ones((2, 3), np.float32)}) is None
    planes = {"far_share": np.zeros((2, 3), np.float32), "far_range": np.ones((2, 3), np.float32)}
    farther = Farther.of(planes)
    assert farther is not None
    gain = np.full((1, 2, 3), 0.5, np.float32)
    left = farther.mix(gain, np.zeros((1, 0), np.float32), np.ones((1, 2, 3), np.float32))
    assert (gain == 0.5).all()
    assert not left["far_light"].any()


def test_pixels_before_a_black_surface_do_not_tell_which_way_a_farther_one_faces() -> None:
    """Of the second pixel the ground is the nearer surface, and before a black hull: its normal is a mean.

    The third shows the ground alone. By light, of which a black hull has none, the second would as well.
    """
    shape = (1, 4)
    normal = np.zeros((3, *shape), np.float32)
    normal[2, 0, 0] = normal[0, 0, 1] = normal[1, 0, 2] = normal[2, 0, 3] = 1.0
    planes = {
        "range": np.array([[2.0, 9.0, 9.0, 40.0]], np.float32),
        "far_range": np.array([[9.0, 40.0, 0.0, 0.0]], np.float32),
        "far_share": np.array([[0.4, 0.5, 0.0, 0.0]], np.float32),
        "far_light": np.array([[0.4, 0.0, 0.0, 0.0]], np.float32),
    }
    farther = Farther.of(planes)
    assert farther is not None
    window = Window(0, 0, shape[1], shape[0])
    facing = farther.facing(normal, planes, Tile(window, window))
    np.testing.assert_array_equal(facing[:, 0], [0.0, 1.0, 0.0])
