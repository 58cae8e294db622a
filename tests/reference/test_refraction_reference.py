"""Index of sea water, bending and reflection against published equations, tables and exact ray tracing."""

from __future__ import annotations

import math

import gsw
import numpy as np
import pytest
from iapws._iapws import _Refractive
from scipy.integrate import solve_ivp

from halocline.physics.bending.refraction import (
    AIR_INDEX,
    critical_grazing_angle,
    fresnel_reflectance,
    lever_arm,
    refract,
    sea_water_density,
    sea_water_index,
)


@pytest.mark.parametrize("temperature_c", [0.0, 5.0, 10.0, 20.0, 30.0])
@pytest.mark.parametrize("wavelength_nm", [404.7, 486.1, 550.0, 589.3, 656.3, 700.0])
def test_fresh_water_agrees_with_the_international_formulation(
    temperature_c: float, wavelength_nm: float
) -> None:
    # Computed with iapws 1.5.5 (IAPWS R9-97, relative to vacuum). Density: gsw 3.6.23, S = 0, p = 0.
    # Tolerance 5e-5: what the two fits and the factor for air leave between them over this range.
    density = float(gsw.rho_t_exact(0.0, temperature_c, 0.0))
    reference = _Refractive(density, temperature_c + 273.15, wavelength_nm * 1e-3)
    ours = AIR_INDEX * float(sea_water_index(temperature_c, 0.0, wavelength_nm))
    assert ours == pytest.approx(reference, abs=5e-5)


def test_salt_water_agrees_with_values_worked_from_the_published_equation() -> None:
    # quan1995 eq. 3 worked by hand for T 10 and 20 C, S 35; the coefficients are from memory and from public
    # implementations (the paper was not opened), so this checks the code, not the coefficients.
    for (temperature, nm), value in {
        (10.0, 450.0): 1.346761,
        (10.0, 550.0): 1.341671,
        (20.0, 650.0): 1.337661,
        (0.0, 589.3): 1.340868,
        (30.0, 589.3): 1.338237,
    }.items():
        assert float(sea_water_index(temperature, 35.0, nm)) == pytest.approx(value, abs=6e-7)


def test_salinity_raises_the_index_as_much_as_the_handbook_says() -> None:
    # dn/dS near 1.9e-4 per part per thousand, dn/dT near -1e-4 per degree at 20 C (mobley1994, table 3.4;
    # from memory). Independent of the fit's form.
    per_salt = float(sea_water_index(20.0, 35.0, 550.0) - sea_water_index(20.0, 0.0, 550.0)) / 35.0
    per_degree = float(sea_water_index(21.0, 35.0, 550.0) - sea_water_index(19.0, 35.0, 550.0)) / 2.0
    assert per_salt == pytest.approx(1.85e-4, rel=0.05)
    assert per_degree == pytest.approx(-1.0e-4, rel=0.05)


@pytest.mark.parametrize(
    ("temperature", "salinity", "density"),
    # unesco1983, table of check values for the equation of state at p = 0, kg/m3; from memory.
    [
        (5.0, 0.0, 999.96675),
        (25.0, 0.0, 997.04796),
        (5.0, 35.0, 1027.67547),
        (25.0, 35.0, 1023.34306),
    ],
)
def test_density_agrees_with_the_published_check_values(
    temperature: float, salinity: float, density: float
) -> None:
    assert float(sea_water_density(temperature, salinity)) == pytest.approx(density, abs=1e-5)


def test_density_agrees_with_the_later_standard() -> None:
    # Computed with gsw 3.6.23 (TEOS-10); the two standards differ by up to 0.01 kg/m3 over this range.
    for temperature in (0.0, 8.0, 16.0, 24.0, 30.0):
        for salinity in (2.0, 15.0, 35.0):
            absolute = gsw.SA_from_SP(salinity, 0.0, 0.0, 0.0)
            reference = float(gsw.rho_t_exact(absolute, temperature, 0.0))
            assert float(sea_water_density(temperature, salinity)) == pytest.approx(reference, abs=0.02)


def test_level_ray_in_an_even_gradient_is_the_analytic_arc() -> None:
    # born1999 section 3.2: d/ds(n dr/ds) = grad n, integrated here by scipy's DOP853 in plane coordinates.
    n0, gradient = 1.34, 4.4e-4

    def ray(_: float, state: np.ndarray) -> list[float]:
        _, height, *optical = state
        n = n0 + gradient * height
        return [optical[0] / n, optical[1] / n, 0.0, gradient]

    traced = solve_ivp(ray, (0.0, 40.0), [0.0, 0.0, n0, 0.0], method="DOP853", rtol=1e-12, atol=1e-14)
    x, height = traced.y[0, -1], traced.y[1, -1]
    # Curvature = (gradient across the ray) / n: born1999 section 3.2.
    radius = n0 / gradient
    assert radius == pytest.approx(3045.45, abs=0.01)
    assert height == pytest.approx(radius - math.sqrt(radius**2 - x**2), rel=1e-4)
    # The same by the lever: the whole bend over 40 m is 40/radius.
    lever = lever_arm(np.array([40.0]), np.array([0.0]), np.array([40.0]))
    assert 40.0 * lever[0] * 40.0 / radius == pytest.approx(height, rel=1e-3)


@pytest.mark.parametrize("grazing_deg", [5.0, 10.0, 45.0])
def test_ray_through_a_gradual_layer_leaves_it_as_snell_says(grazing_deg: float) -> None:
    # The eikonal equation through 0.5 m of even gradient, by scipy's DOP853, against one sharp refraction.
    n_low, n_high, thickness = 1.3400, 1.3400 - 4.4e-4, 0.5
    angle = math.radians(grazing_deg)

    def ray(_: float, state: np.ndarray) -> list[float]:
        _, height, *optical = state
        inside = 0.0 <= height <= thickness
        n = n_low + (n_high - n_low) * min(1.0, max(0.0, height / thickness))
        return [optical[0] / n, optical[1] / n, 0.0, (n_high - n_low) / thickness if inside else 0.0]

    start = [0.0, -0.1, n_low * math.cos(angle), n_low * math.sin(angle)]
    length = 1.2 * (thickness + 0.1) / math.sin(angle)
    traced = solve_ivp(ray, (0.0, length), start, method="DOP853", rtol=1e-10, atol=1e-12, max_step=0.01)
    leaves = math.atan2(traced.y[3, -1], traced.y[2, -1])
    bent, _ = refract(
        np.array([[math.cos(angle)], [math.sin(angle)]]), np.array([[0.0], [-1.0]]), n_low / n_high
    )
    assert leaves == pytest.approx(math.atan2(bent[1, 0], bent[0, 0]), abs=2e-6)
    assert abs(leaves - angle) == pytest.approx(
        {5.0: 3.84e-3, 10.0: 1.87e-3, 45.0: 0.33e-3}[grazing_deg], rel=0.02
    )


def test_ray_below_the_critical_angle_is_turned_back_by_a_gradual_layer() -> None:
    n_low, step, thickness = 1.34, 4.4e-4, 0.5
    critical = critical_grazing_angle(n_low, n_low - step)
    assert math.degrees(critical) == pytest.approx(1.47, abs=0.005)
    for share, turned in ((0.98, True), (1.02, False)):

        def ray(_: float, state: np.ndarray) -> list[float]:
            _, height, *optical = state
            n = n_low - step * min(1.0, max(0.0, height / thickness))
            return [optical[0] / n, optical[1] / n, 0.0, -step / thickness if 0 < height < thickness else 0.0]

        angle = critical * share
        start = [0.0, 0.0, n_low * math.cos(angle), n_low * math.sin(angle)]
        traced = solve_ivp(ray, (0.0, 400.0), start, method="DOP853", rtol=1e-10, atol=1e-12, max_step=0.2)
        assert bool(traced.y[3, -1] < 0) == turned


@pytest.mark.parametrize(
    ("zenith_deg", "under_water_deg", "reflectance"),
    # Snell and Fresnel worked for n = 1.34 (born1999 sections 1.5.1 and 1.5.2).
    [(30.0, 21.91, 0.022), (45.0, 31.85, 0.029), (60.0, 40.26, 0.061), (80.0, 47.30, 0.350)],
)
def test_sunlight_enters_the_water_as_the_equations_say(
    zenith_deg: float, under_water_deg: float, reflectance: float
) -> None:
    zenith = math.radians(zenith_deg)
    down = np.array([[math.sin(zenith)], [-math.cos(zenith)]])
    bent, _ = refract(down, np.array([[0.0], [1.0]]), 1.0 / 1.34)
    assert math.degrees(math.asin(bent[0, 0])) == pytest.approx(under_water_deg, abs=0.006)
    assert float(fresnel_reflectance(math.cos(zenith), 1.0 / 1.34)) == pytest.approx(reflectance, abs=6e-4)


def test_snells_window_is_twice_48_6_degrees_wide() -> None:
    # Common knowledge of divers; asin(1/1.333) = 48.61 degrees.
    edge = math.radians(48.61)
    inside, outside = math.cos(edge - 1e-3), math.cos(edge + 1e-3)
    assert float(fresnel_reflectance(inside, 1.333)) < 1.0
    assert float(fresnel_reflectance(outside, 1.333)) == 1.0
