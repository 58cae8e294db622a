"""Refraction and reflection of light at the sea surface against handbook values.

*Computed* = evaluated from Snell's and Fresnel's formulas (born1999, sections 1.5.1 to 1.5.3) outside this
package. Sky coefficients: CIE S 011 (cie2003), from memory.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from halocline.physics.bending.refraction import fresnel_reflectance
from halocline.physics.sea.sky import CLEAR, OVERCAST, Sky, look_up_through
from halocline.physics.sea.surface import SunBeam, clear_sky_diffuse_share, enter_water


@pytest.mark.parametrize(
    ("zenith_deg", "water_deg", "reflected"),
    [(30.0, 21.91, 0.022), (45.0, 31.85, 0.029), (60.0, 40.26, 0.061), (80.0, 47.30, 0.350)],
)
def test_the_sun_in_the_water(zenith_deg: float, water_deg: float, reflected: float) -> None:
    # n 1.34: computed.
    beam = SunBeam(math.radians(zenith_deg), 0.0, 1.34)
    assert math.degrees(beam.water_zenith_rad) == pytest.approx(water_deg, abs=0.006)
    assert float(fresnel_reflectance(math.cos(beam.zenith_rad), 1 / 1.34)) == pytest.approx(
        reflected, abs=6e-4
    )


@pytest.mark.parametrize(("index", "half_angle_deg"), [(1.333, 48.61), (1.34, 48.27)])
def test_half_angle_of_snells_window(index: float, half_angle_deg: float) -> None:
    # asin(1/n): computed. Found here as the angle beyond which all is reflected.
    sun = SunBeam(0.5, 0.0, index)

    def transmitted(angle_deg: float) -> float:
        angle = math.radians(angle_deg)
        ray = np.array([math.sin(angle), 0.0, -math.cos(angle)], np.float32).reshape(3, 1, 1)
        window = look_up_through(ray, np.zeros((2, 1, 1), np.float32), sun)
        return 1.0 - float(window.reflectance[0, 0])

    edge = brentq(lambda angle: 1.0 if transmitted(angle) > 0.0 else -1.0, 40.0, 55.0, xtol=1e-3)
    assert edge == pytest.approx(half_angle_deg, abs=0.02)


@pytest.mark.parametrize(("index", "reflected"), [(1.333, 0.0204), (1.34, 0.0211)])
def test_reflectance_straight_up(index: float, reflected: float) -> None:
    # ((n - 1)/(n + 1))^2: computed.
    ray = np.array([0.0, 0.0, -1.0], np.float32).reshape(3, 1, 1)
    window = look_up_through(ray, np.zeros((2, 1, 1), np.float32), SunBeam(0.5, 0.0, index))
    assert float(window.reflectance[0, 0]) == pytest.approx(reflected, abs=6e-5)


def test_power_through_a_tilted_facet_is_fresnels_times_what_it_catches() -> None:
    beam = SunBeam(math.radians(60.0), 0.0, 1.34)
    slope = np.array([[-0.2]], np.float32)
    # Angle between the beam and the facet's normal, by plane geometry in the plane of incidence.
    incidence = math.radians(60.0) - math.atan(0.2)
    caught = math.cos(incidence) / math.cos(math.atan(0.2))
    passed = 1.0 - float(fresnel_reflectance(math.cos(incidence), 1 / 1.34))
    flat = math.cos(math.radians(60.0)) * (1.0 - float(fresnel_reflectance(0.5, 1 / 1.34)))
    found = float(enter_water(slope, np.zeros((1, 1), np.float32), beam)[1][0, 0])
    assert found == pytest.approx(caught * passed / flat, rel=1e-6)


def test_diffuse_shares_are_the_published_ones() -> None:
    import jerlov

    published = jerlov.gernez2009_diffuse_share()  # gernez2009 Fig. 8a, read through jerlov 0.22
    for zenith, share in zip(published.sun_zenith_deg, published.diffuse_fraction, strict=True):
        assert clear_sky_diffuse_share(math.radians(float(zenith))) == pytest.approx(float(share))


def test_an_overcast_zenith_is_about_three_times_as_bright_as_the_horizon() -> None:
    # Moon and Spencer's overcast sky, (1 + 2 sin elevation)/3, of which CIE type 1 is the modern form: the
    # two agree to 10 % of the zenith above 10 deg of elevation (common knowledge; computed here).
    sky = Sky(SunBeam(0.8, 0.0, 1.34), 0.0, *OVERCAST)
    elevation = np.radians(np.linspace(10.0, 90.0, 50)).astype(np.float32)
    radiance = sky.radiance(np.sin(elevation), np.zeros(50, np.float32), sun_spread=0.01)
    moon_spencer = (1.0 + 2.0 * np.sin(elevation)) / 3.0
    assert np.abs(radiance / radiance[-1] - moon_spencer).max() < 0.10


def test_a_clear_sky_is_darkest_about_a_right_angle_from_the_sun() -> None:
    # Rayleigh's scattering by air has its minimum at 90 deg; CIE type 12 keeps it near there at equal height.
    sky = Sky(SunBeam(0.8, 0.0, 1.34), 0.0, *CLEAR)
    angle = np.linspace(0.3, math.pi, 400).astype(np.float32)
    radiance = sky.radiance(np.full(400, 0.7, np.float32), np.cos(angle), sun_spread=0.01)
    assert 75.0 < math.degrees(angle[radiance.argmin()]) < 115.0
