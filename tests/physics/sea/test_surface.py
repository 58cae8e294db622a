"""The sun's light through the surface."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from halocline.errors import PhysicsError
from halocline.physics.bending.refraction import refract
from halocline.physics.sea.surface import (
    SUN_RADIUS_RAD,
    SunBeam,
    clear_sky_diffuse_share,
    enter_water,
)

BEAM = SunBeam(math.radians(50.0), 0.7, 1.34)


def test_drift_under_a_flat_surface_is_that_of_the_beam() -> None:
    flat = np.zeros((1, 1), np.float32)
    assert_allclose(enter_water(flat, flat, BEAM)[0][:, 0, 0], BEAM.drift, rtol=1e-6)
    assert enter_water(flat, flat, BEAM)[1][0, 0] == pytest.approx(1.0, rel=1e-6)


def test_drift_agrees_with_snells_law_in_vector_form() -> None:
    rng = np.random.default_rng(1)
    slopes = rng.normal(0.0, 0.2, (2, 50))
    normal = np.stack([-slopes[0], -slopes[1], np.full(50, -1.0)])
    normal /= np.linalg.norm(normal, axis=0)
    incoming = np.broadcast_to(np.array(BEAM.travel)[:, None], (3, 50))
    bent, _ = refract(incoming, normal, 1.0 / BEAM.index)
    assert_allclose(enter_water(slopes[0], slopes[1], BEAM)[0], bent[:2] / bent[2], rtol=1e-12)


def test_response_to_slope_overhead_is_one_minus_one_over_n() -> None:
    overhead = SunBeam(0.0, 0.0, 1.34)
    assert_allclose(overhead.drift_per_slope(), np.eye(2) * (1.0 - 1.0 / 1.34), atol=1e-7)


def test_a_facet_turned_to_the_sun_lets_more_in_and_one_turned_away_nothing() -> None:
    low = SunBeam(math.radians(80.0), 0.0, 1.34)
    towards = np.array([[-0.3]], np.float32)  # falls away along +x, where the sun is: faces it
    away = np.array([[0.3]], np.float32)
    none = np.zeros((1, 1), np.float32)
    assert enter_water(towards, none, low)[1][0, 0] > 1.5
    assert enter_water(away, none, low)[1][0, 0] == 0.0


def test_the_suns_image_under_water_is_as_wide_as_refraction_makes_it() -> None:
    step = 1e-4
    up = SunBeam(BEAM.zenith_rad + step, BEAM.azimuth_rad, BEAM.index).drift
    aside = SunBeam(BEAM.zenith_rad, BEAM.azimuth_rad + step, BEAM.index).drift
    along = (up - BEAM.drift) / step * SUN_RADIUS_RAD
    across = (aside - BEAM.drift) / (step * math.sin(BEAM.zenith_rad)) * SUN_RADIUS_RAD
    expected = (np.outer(along, along) + np.outer(across, across)) / 4.0
    assert_allclose(BEAM.disc_covariance(), expected, rtol=1e-3, atol=1e-9)


def test_turning_the_axes_turns_the_drift() -> None:
    turned = BEAM.turned(0.3).drift
    back = np.array([[math.cos(0.3), -math.sin(0.3)], [math.sin(0.3), math.cos(0.3)]]) @ turned
    assert_allclose(back, BEAM.drift, atol=1e-12)


def test_the_lower_the_sun_the_more_of_its_light_is_diffuse() -> None:
    shares = [clear_sky_diffuse_share(math.radians(z)) for z in range(0, 91, 5)]
    assert (np.diff(shares) >= 0).all()
    assert shares[-1] == 1.0


def test_a_sun_below_the_horizon_is_refused() -> None:
    with pytest.raises(PhysicsError, match="sends no light") as caught:
        SunBeam(math.radians(95.0), 0.0, 1.34)
    assert caught.value.code == "E-SURFACE-SUN"
