"""Lamps against inverse square, Beer-Lambert, exponential integrals, measured scattering, a blackbody."""

from __future__ import annotations

from dataclasses import replace

import colour
import jerlov
import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import expn

from halocline._typing import F64
from halocline.physics.path.lamps import (
    Lamp,
    backscatter,
    beam_share,
    irradiance,
    lost_of_a_cone,
    relative_power,
    scattered_beyond,
    water_phase,
)
from halocline.physics.path.scatterers import ABOUT_A_LAMP
from halocline.physics.water.bands import Bands
from halocline.physics.water.fitted_bands import fit_bands
from halocline.physics.water.spectra import WAVELENGTH_NM
from halocline.physics.water.water import jerlov_water

AHEAD = np.array([0.0, 0.0, -1.0])


def lamp(
    position: tuple[float, float, float] = (0.0, 0.0, 0.0),
    axis: tuple[float, float, float] = (0.0, 0.0, -1.0),
    *,
    cone: float = 20.0,
    radius: float = 0.02,
) -> Lamp:
    aim = np.array(axis) / np.linalg.norm(axis)
    return Lamp(np.array(position), aim, np.ones(6), cone, 12.0, radius)


def coastal() -> Bands:
    return fit_bands(jerlov_water("1C"))


def even_water(c: float, b: float) -> Bands:
    """Bands that all have one attenuation and one scattering coefficient."""
    even = np.ones(6)
    return replace(coastal(), absorption=even * (c - b), scattering=even * b, attenuation=even * c)


def test_lamp_in_clear_air_falls_off_by_the_inverse_square() -> None:
    # Law of the point source; 1/(r^2 + rho^2) is within 4e-4 of it at fifty radii.
    air = even_water(1e-12, 0.0)
    near, far = (irradiance(lamp(), air, AHEAD[:, None] * r)[0, 0] for r in (1.0, 3.0))
    assert near / far == pytest.approx(9.0, rel=4e-4)
    assert near == pytest.approx(1.0, rel=5e-4)


def test_lamp_near_its_face_is_an_even_disc() -> None:
    # Irradiance on the axis of a Lambertian disc of radius rho and unit intensity, by quadrature over the
    # disc (scipy 1.17): E = int_0^rho (1/(pi rho^2)) 2 pi q r^2/(r^2 + q^2)^2 dq.
    rho, r = 0.05, 0.08
    disc, _ = quad(lambda q: 2.0 * q / rho**2 * r**2 / (r**2 + q**2) ** 2, 0.0, rho)
    assert irradiance(lamp(radius=rho), even_water(1e-12, 0.0), AHEAD[:, None] * r)[0, 0] == pytest.approx(
        disc, rel=1e-9
    )


@pytest.mark.parametrize("c", [0.05, 0.4, 2.0])
def test_lamp_in_water_that_only_absorbs_obeys_beer_and_lambert(c: float) -> None:
    # exp(-c r): Beer-Lambert law. Nothing is scattered, so the beam's rate is c itself.
    water = even_water(c, 0.0)
    at = [irradiance(lamp(), water, AHEAD[:, None] * r)[0, 0] * (r * r + 0.02**2) for r in (1.0, 4.0)]
    assert at[1] / at[0] == pytest.approx(np.exp(-3.0 * c), rel=1e-12)


def test_narrow_beam_loses_c_and_a_flood_little_more_than_absorption() -> None:
    water = coastal()
    pencil, flood = replace(lamp(cone=0.001), edge_deg=0.001), lamp(cone=120.0)
    assert pencil.loss_rate(water) == pytest.approx(water.attenuation, rel=1e-3)
    assert flood.loss_rate(water) == pytest.approx(
        water.absorption + scattered_beyond(90.0) * water.scattering
    )


@pytest.mark.parametrize("start", [0.3, 1.0])
def test_haze_of_a_lamp_at_the_lens_is_an_exponential_integral(start: float) -> None:
    # L = I beta(pi) E2(2 c z0)/z0, E2 by scipy.special.expn: 1.761104538 (0.3 m), 0.200851701 (1 m) at c 0.4.
    tiny = 1e-12
    got = backscatter(
        lamp(radius=1e-3),
        even_water(0.4, tiny),
        np.zeros(3),
        AHEAD[:, None],
        np.array([np.inf]),
        start_m=start,
    )
    straight_back = float(water_phase(np.array([-1.0]))[0])
    assert got[0, 0] / (tiny * straight_back) == pytest.approx(float(expn(2, 0.8 * start)) / start, rel=3e-4)


@pytest.mark.parametrize(
    ("placed", "tolerance"),
    [
        (lamp((0.4, 0.2, 0.0)), 2e-3),
        (lamp((0.4, 0.2, 0.0), (-0.05, 0.0, -1.0), cone=60.0), 5e-3),
        (lamp((2.0, 1.0, -4.0), (-1.0, -0.3, -0.2)), 2e-3),
        (lamp((0.3, 0.0, -6.0), (0.0, 0.0, 1.0), cone=40.0), 2e-3),
        (lamp((0.0, 0.0, -5.0), (0.1, 0.0, -1.0), cone=30.0), 2e-3),
    ],
    ids=["on an arm", "flood on an arm", "from the side", "towards the lens", "ahead, pointing away"],
)
def test_haze_agrees_with_adaptive_quadrature(placed: Lamp, tolerance: float) -> None:
    # scipy 1.17 quad of the integral as it stands. Tolerance relative to the brightest of the rays.
    water = coastal()
    rng = np.random.default_rng(1)
    rays = rng.normal(size=(3, 24)) * [[0.3], [0.2], [0.0]] + [[0.0], [0.0], [-1.0]]
    rays /= np.linalg.norm(rays, axis=0)
    ends = rng.uniform(0.5, 30.0, 24)
    got = backscatter(placed, water, np.zeros(3), rays, ends, towards=True)
    wanted = np.array([_haze_by_quad(placed, water, ray, end) for ray, end in zip(rays.T, ends, strict=True)])
    assert np.max(np.abs(got[2] - wanted)) < tolerance * wanted.max()
    assert wanted.max() > 0.0


def _haze_by_quad(placed: Lamp, water: Bands, ray: F64, end: float) -> float:
    before = float(placed.lost_along(ray[:, None].astype(np.float32), np.zeros(3))[0])

    def integrand(t: float) -> float:
        x = t * ray - placed.position_m
        r = float(np.sqrt(x @ x + placed.radius_m**2))
        share = float(beam_share(placed, np.array([x @ placed.axis / r]))[0])
        turned = float(water_phase(np.array([-(x @ ray) / r]), ABOUT_A_LAMP)[0])
        wider = before + (placed.lost_wide - before) * max(float(x @ ray) / r, 0.0)
        rate = water.absorption[2] + water.scattering[2] * wider
        lost = float(np.exp(-rate * (r + t)))
        return float(water.scattering[2]) * turned * share * lost / r**2

    nearest = float(placed.position_m @ ray)
    value, _ = quad(integrand, 0.0, end, points=[nearest] if 0 < nearest < end else None, limit=500)
    return float(value)


def test_phase_function_lies_among_the_measured_ones() -> None:
    # petzold1972 through jerlov 0.22.0 (read): geometric mean of the eight stations, 20 to 180 degrees.
    tables = [jerlov.petzold_scattering(station) for station in jerlov.PETZOLD_STATIONS]
    angles = np.asarray(tables[0].angles_deg)
    measured = np.array([table.phase_function() for table in tables])
    wide = angles >= 20.0
    ours = water_phase(np.cos(np.radians(angles[wide])))
    mean = np.exp(np.log(measured[:, wide]).mean(axis=0))
    assert np.max(np.abs(ours / mean - 1.0)) < 0.105
    assert np.all(ours[-1:] < measured[:, -1].max())
    assert np.all(ours[-1:] > measured[:, -1].min())


def test_phase_function_integrates_to_one_and_to_its_closed_form() -> None:
    for angle in (0.0, 10.0, 90.0):
        share, _ = quad(
            lambda psi: 2.0 * np.pi * np.sin(psi) * float(water_phase(np.array([np.cos(psi)]))[0]),
            np.radians(angle),
            np.pi,
        )
        assert share == pytest.approx(scattered_beyond(angle), abs=1e-7)
    assert scattered_beyond(0.0) == pytest.approx(1.0)


@pytest.mark.parametrize("half_deg", [0.5, 6.0, 25.0, 70.0])
def test_what_a_cone_loses_for_good_is_found_by_chance(half_deg: float) -> None:
    # Monte Carlo (numpy) of single small turns between lamp and a point on its axis: at a random place of the
    # way, by a random angle of the phase function; the light has come from u theta off the axis.
    random = np.random.default_rng(1)
    angles = np.linspace(0.0, 180.0, 20001)
    beyond = np.array([scattered_beyond(angle) for angle in angles])
    turned = np.interp(random.random(400_000), beyond[::-1], angles[::-1])
    there = (turned * random.random(turned.size) < half_deg) & (turned < 90.0)
    assert lost_of_a_cone(half_deg) == pytest.approx(1.0 - there.mean(), abs=3e-3)


def test_tungsten_is_the_blackbody_of_the_colour_library() -> None:
    # colour-science 0.4.7 (computed): Planck's law at 3200 K over its D65 table, relative to 560 nm.
    body = colour.sd_blackbody(3200, colour.SpectralShape(400, 700, 1))
    daylight = colour.SDS_ILLUMINANTS["D65"].copy().interpolate(colour.SpectralShape(400, 700, 1))
    ratio = np.asarray(body.values) / np.asarray(daylight.values)
    assert WAVELENGTH_NM[160] == 560.0
    assert relative_power(3200.0) == pytest.approx(ratio / ratio[160], rel=2e-3)
