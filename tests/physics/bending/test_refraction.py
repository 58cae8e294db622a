"""Laws of refraction and of the index of sea water."""

from __future__ import annotations

import math

import numpy as np
import pytest

from halocline.errors import PhysicsError
from halocline.physics.bending.refraction import (
    WaterMass,
    critical_grazing_angle,
    fresnel_reflectance,
    lever_arm,
    refract,
    sea_water_density,
    sea_water_index,
)


def test_index_falls_with_temperature_and_wavelength_and_rises_with_salinity() -> None:
    temperature = np.linspace(0.0, 30.0, 31)
    assert (np.diff(sea_water_index(temperature, 35.0, 550.0)) < 0).all()
    assert (np.diff(sea_water_index(15.0, 35.0, np.linspace(400.0, 700.0, 31))) < 0).all()
    assert (np.diff(sea_water_index(15.0, np.linspace(0.0, 35.0, 31), 550.0)) > 0).all()


@pytest.mark.parametrize(
    ("arguments", "name"), [((31.0, 35.0, 550.0), "temperature"), ((10.0, 36.0, 550.0), "salinity")]
)
def test_index_outside_the_measured_range_is_refused(arguments: tuple[float, ...], name: str) -> None:
    with pytest.raises(PhysicsError, match=rf"E-PHYSICS-INDEX.*{name}"):
        sea_water_index(*arguments)


def test_density_outside_the_measured_range_is_refused() -> None:
    with pytest.raises(PhysicsError, match="temperature 45 degrees C lies outside"):
        sea_water_density(45.0, 35.0)


def test_warm_fresh_water_floats_on_cold_salt_water() -> None:
    assert WaterMass(18.0, 20.0).density < WaterMass(8.0, 34.0).density


def test_refracted_ray_obeys_snell_and_stays_in_the_plane_of_incidence() -> None:
    rng = np.random.default_rng(1)
    direction = rng.normal(size=(3, 50))
    direction[2] = -np.abs(direction[2]) - 0.1
    direction /= np.linalg.norm(direction, axis=0)
    normal = np.zeros_like(direction)
    normal[2] = 1.0
    bent, grazing = refract(direction, normal, 1.0 / 1.34)
    sine_in, sine_out = np.hypot(*direction[:2]), np.hypot(*bent[:2])
    np.testing.assert_allclose(1.34 * sine_out, sine_in, atol=1e-12)
    np.testing.assert_allclose(bent[0] * direction[1], bent[1] * direction[0], atol=1e-12)
    np.testing.assert_allclose(grazing, -bent[2], atol=1e-12)


def test_totally_reflected_ray_is_returned_along_the_surface() -> None:
    direction = np.array([[math.sin(1.2)], [0.0], [-math.cos(1.2)]])
    bent, grazing = refract(direction, np.array([[0.0], [0.0], [1.0]]), 1.34)
    assert grazing[0] == 0.0
    np.testing.assert_allclose(bent[:, 0], [1.0, 0.0, 0.0], atol=1e-12)


def test_reflectance_is_whole_beyond_the_critical_angle_and_joins_it_continuously() -> None:
    critical = math.cos(math.asin(1.0 / 1.34))
    assert fresnel_reflectance(critical * 0.99, 1.34) == 1.0
    assert 0.9 < float(fresnel_reflectance(critical + 1e-5, 1.34)) < 1.0
    assert fresnel_reflectance(0.0, 1.0 / 1.34) == 1.0


def test_no_ray_is_thrown_back_by_denser_water() -> None:
    assert critical_grazing_angle(1.34, 1.341) == 0.0


def test_nothing_in_front_of_the_layer_is_displaced_and_the_lever_has_no_kink() -> None:
    path = np.linspace(0.01, 200.0, 20001)
    lever = lever_arm(path, np.array(4.0), np.array(6.0))
    assert (lever[path <= 4.0] == 0.0).all()
    assert (np.diff(lever) >= 0).all()
    assert np.abs(np.diff(lever, 2)).max() < 2e-5
    assert lever[-1] == pytest.approx(1.0 - 5.0 / 200.0)
    assert lever_arm(np.array([9.0]), np.array([np.inf]), np.array([np.inf]))[0] == 0.0


def test_lever_keeps_float32() -> None:
    planes = (np.full((2, 3), value, np.float32) for value in (9.0, 4.0, 6.0))
    assert lever_arm(*planes).dtype == np.float32
