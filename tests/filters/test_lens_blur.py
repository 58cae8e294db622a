"""Blur discs and the shapes of their edges."""

from __future__ import annotations

import math

import numpy as np
import pytest

from halocline.errors import PhysicsError
from halocline.filters.lens_blur import (
    PIXEL_RADIUS_PX,
    ThinLens,
    circle_of_confusion,
    footprint,
    iris_apothem,
)

LENS = ThinLens(0.05, 2.8, 3.0, 3840 / 0.036, cats_eye=0.5, corner_px=2200.0)


def test_nothing_is_blurred_at_the_focus() -> None:
    assert LENS.blur_radius_px(np.array([3.0]))[0] == 0.0


def test_blur_grows_away_from_the_focus_on_both_sides_and_ends_at_infinity() -> None:
    far = LENS.blur_radius_px(np.array([3.0, 4.0, 10.0, 1e6, np.inf]))
    near = LENS.blur_radius_px(np.array([3.0, 2.0, 1.0, 0.5]))
    assert (np.diff(far) > 0).all()
    assert (np.diff(near) > 0).all()
    # Towards infinity C = A f / (sf - f).
    assert far[-1] == pytest.approx(0.5 * 3840 / 0.036 * (0.05 / 2.8) * 0.05 / 2.95)


def test_pinhole_blurs_nothing() -> None:
    depth = np.array([0.2, 1.0, 50.0])
    sharp = circle_of_confusion(depth, focal_length_m=0.05, f_number=math.inf, focus_m=3.0)
    assert (sharp == 0.0).all()


def test_footprint_is_never_smaller_than_a_pixel_nor_softer_than_its_radius() -> None:
    radius, softness = footprint(np.array([0.0, 0.2, 5.0, 3.0]), np.array([0.0, 40.0, 5.0, 0.0]))
    assert radius.min() >= PIXEL_RADIUS_PX
    assert (softness <= radius).all()
    assert radius[1] == pytest.approx(40.0, abs=0.01)


def test_cats_eye_turns_over_at_the_focus_and_vanishes_on_the_axis() -> None:
    offset = np.array([[0.0, 0.0], [1000.0, 0.0], [1000.0, 0.0]])
    squeeze = LENS.squeeze_px(offset, np.array([1.0, 1.0, 9.0]), np.full(3, 20.0))
    assert (squeeze[0] == 0.0).all()
    assert squeeze[1] == pytest.approx(-squeeze[2])
    assert squeeze[1, 0] == pytest.approx(20.0 * 0.5 * 1000 / 2200)


@pytest.mark.parametrize("blades", [3, 5, 6, 9])
def test_iris_of_any_blades_lets_through_what_a_round_one_does(blades: int) -> None:
    grid = np.linspace(-2, 2, 1601)
    x, y = np.meshgrid(grid, grid)
    inside = np.ones(x.shape, bool)
    for angle in 0.3 + 2.0 * math.pi * np.arange(blades) / blades:
        inside &= x * math.cos(angle) + y * math.sin(angle) <= iris_apothem(blades)
    assert inside.mean() * 16.0 * (1601 / 1600) ** 2 == pytest.approx(math.pi, rel=2e-3)


def test_impossible_lens_says_how_to_fix_it() -> None:
    with pytest.raises(PhysicsError, match="longer than the focal length") as caught:
        ThinLens(0.05, 2.8, 0.04, 1e5)
    assert caught.value.code == "E-PHYSICS-LENS"
    with pytest.raises(PhysicsError, match="3 and more"):
        ThinLens(0.05, 2.8, 3.0, 1e5, blades=2)
