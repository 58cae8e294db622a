"""A measured port: the model, its inverse, and what cannot be fitted."""

from __future__ import annotations

import numpy as np
import pytest

from halocline.errors import PhysicsError
from halocline.physics.bending.distortion import Distortion, WaterPart, fit_grid

LENS = Distortion(1920, 1080, (0.01, -0.02), (-0.08, 0.03, -0.004), (0.002, -0.001))


def picture_points() -> tuple[np.ndarray, np.ndarray]:
    x, y = np.meshgrid(np.linspace(0.0, 1920.0, 17), np.linspace(0.0, 1080.0, 11))
    return x.ravel(), y.ravel()


def test_photographed_place_leads_back_to_the_ideal_one() -> None:
    x, y = picture_points()
    back = LENS.ideal(*LENS.photographed(x, y))
    np.testing.assert_allclose(back[0], x, atol=1e-6)
    np.testing.assert_allclose(back[1], y, atol=1e-6)


def test_no_distortion_moves_nothing() -> None:
    x, y = picture_points()
    np.testing.assert_allclose(Distortion(1920, 1080).photographed(x, y), (x, y), atol=1e-9)


def test_water_alone_is_nothing_where_both_photographs_agree() -> None:
    x, y = picture_points()
    np.testing.assert_allclose(WaterPart(LENS, LENS).photographed(x, y), (x, y), atol=1e-6)


def test_water_on_top_of_air_is_the_water_photograph() -> None:
    wet = Distortion(1920, 1080, (0.0, 0.0), (0.12, 0.05, 0.0))
    part = WaterPart(LENS, wet)
    x, y = picture_points()
    np.testing.assert_allclose(part.photographed(*LENS.photographed(x, y)), wet.photographed(x, y), atol=1e-6)
    np.testing.assert_allclose(part.ideal(*part.photographed(x, y)), (x, y), atol=1e-5)


def test_model_that_folds_over_is_refused() -> None:
    folding = Distortion(1920, 1080, radial=(-0.9, 0.0, 0.0))
    with pytest.raises(PhysicsError, match=r"E-PHYSICS-FOLD.*\n.*out to the corners"):
        folding.ideal(np.array([1919.0]), np.array([1079.0]))


@pytest.mark.parametrize(
    ("grid", "message"),
    [
        (np.zeros((5, 2)), "at least 20 corners"),
        (np.stack([np.arange(30.0), np.arange(30.0)], axis=1), "lie on one line"),
    ],
)
def test_grids_that_say_too_little_are_refused(grid: np.ndarray, message: str) -> None:
    with pytest.raises(PhysicsError, match=message):
        fit_grid(grid, np.random.default_rng(0).random((len(grid), 2)), columns=1920, rows=1080)
