"""Beams and glows of lamps against quadrature (scipy) and definitions of lighting practice."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import dblquad, quad, simpson
from tests.conftest import Builders

from halocline.errors import PhysicsError
from halocline.physics.path.beam import GAUSSIAN_FIELD, Beam, Core
from halocline.physics.path.lamp_glow import (
    Glow,
    LampSeen,
    lamp_glow,
    radiance_turned_once,
    spread_radiance,
    table_angles,
)
from halocline.physics.path.lamps import Lamp, backscatter, beam_share, water_phase
from halocline.physics.path.point_spread import SLOPES, Turns
from halocline.physics.path.scatterers import ABOUT_A_LAMP, LampClouds, Scatterers, table_ranges
from halocline.physics.path.scattering import fournier_forand
from halocline.physics.path.transport import LightPath
from halocline.physics.path.water_halo import mean_water, turns_of

TOWARDS = np.array([0.0, 0.0, 1.0])


@pytest.mark.parametrize(
    "core",
    [Core(10.0, 20.0), Core(8.0, 40.0, 0.05), Core(20.0, 26.0), Core(90.0, 130.0, 0.02)],
    ids=["spot", "hot core with spill", "steep", "flood"],
)
def test_beam_has_half_its_intensity_at_the_beam_angle_and_a_tenth_at_the_field_angle(core: Core) -> None:
    # Beam angle: 50 % of the largest intensity, field angle: 10 % (definitions of lighting practice, IES
    # terms; from memory). The spill's cone is wider than the field.
    beam = Beam.of(math.radians(70.0), math.radians(10.0), core)
    angles, falling = np.degrees(beam.angles[::-1]), np.maximum.accumulate(beam.table[::-1])
    half, tenth = np.interp([0.5, 0.1], falling, angles)
    assert 2.0 * half == pytest.approx(core.beam_angle_deg, rel=2e-3)
    assert 2.0 * tenth == pytest.approx(core.field_angle_deg, rel=4e-3)
    assert beam.table[0] == pytest.approx(1.0, abs=1e-3)
    assert beam.table[-1] == pytest.approx(0.0, abs=1e-6)
    assert np.all(np.diff(beam.table) <= 1e-7)


def test_core_without_a_stated_field_is_a_gaussian() -> None:
    beam = Beam.of(0.1, 0.1, Core(20.0, 20.0 * GAUSSIAN_FIELD))
    angle = beam.angles
    wanted = np.exp(-math.log(2.0) * np.square(angle / math.radians(10.0)))
    assert np.abs(beam.table - wanted).max() < 1.2e-3


@pytest.mark.parametrize(
    ("cone", "edge", "core"), [(60.0, 1e-3, None), (25.0, 30.0, None), (35.0, 8.0, Core(12.0, 24.0, 0.06))]
)
def test_lumens_a_candela_are_the_integral_of_the_profile(
    cone: float, edge: float, core: Core | None
) -> None:
    # Simpson's rule (scipy) over 2 pi I(theta) sin theta; a sharp cone of 60 degrees has
    # 2 pi (1 - cos 60) = pi.
    beam = Beam.of(math.radians(cone), math.radians(edge), core)
    theta = np.linspace(0.0, beam.outer_rad, 20001)
    whole = float(simpson(2.0 * math.pi * np.sin(theta) * np.interp(theta, beam.angles, beam.table), x=theta))
    assert beam.solid_angle() == pytest.approx(whole, rel=1e-3)
    if core is None and edge < 1.0:
        assert beam.solid_angle() == pytest.approx(math.pi, rel=3e-3)


def test_impossible_beams_are_refused_in_words() -> None:
    with pytest.raises(PhysicsError, match="beam of 20 degrees in a field of 15 is impossible"):
        Core(20.0, 15.0)
    with pytest.raises(PhysicsError, match=r"spill of 0\.2 .* hides the field angle"):
        Core(20.0, 35.0, 0.2)


def facing(path: LightPath, range_m: float, *, core: Core | None = None, aside_m: float = 0.0) -> Lamp:
    ones = np.ones(path.bands.count)
    return Lamp(np.array([aside_m, 0.0, -range_m]), TOWARDS, ones, 50.0, 20.0, 0.03, core=core)


def _by_quad(lamp: Lamp, path: LightPath, ray: np.ndarray, end: float, band: int, **more: object) -> float:
    """Single scattering as it stands, by scipy quad: density of what scatters by range and place."""
    density = more.get("density", lambda _t, _x: 1.0)
    bands = path.bands
    before = float(lamp.lost_along(ray[:, None].astype(np.float32), np.zeros(3))[0])
    phase = more.get("phase", lambda mu: float(water_phase(np.array([mu]), ABOUT_A_LAMP)[0]))
    assert callable(density)
    assert callable(phase)

    def integrand(t: float) -> float:
        x = t * ray - lamp.position_m
        r = float(np.sqrt(x @ x + lamp.radius_m**2))
        share = float(beam_share(lamp, np.array([x @ lamp.axis / r]))[0])
        behind = max(float(x @ ray) / r, 0.0)
        turned = before + (lamp.lost_wide - before) * behind
        rate = c = bands.absorption[band] + bands.scattering[band] * turned
        if "density" in more:
            # Matter that is drawn in part.
            rate, c = lamp.loss_rate(bands)[band], bands.attenuation[band]
        lost = math.exp(-rate * r - c * t)
        return float(phase(-float(x @ ray) / r) * share * lost / r**2 * density(t, t * ray))

    nearest = float(np.clip(lamp.position_m @ ray, 1e-3, end - 1e-3))
    points = np.concatenate([nearest - np.geomspace(0.01, 0.5, 4), nearest + np.geomspace(0.01, 0.5, 4)])
    value, _ = quad(integrand, 0.0, end, points=[p for p in points if 0 < p < end], limit=800, epsrel=1e-3)
    return float(value)


@pytest.mark.parametrize("off_deg", [0.3, 1.0, 4.0, 15.0])
def test_light_of_a_core_that_shines_into_the_lens_is_its_quadrature(build: Builders, off_deg: float) -> None:
    path = build.path()
    lamp = facing(path, 6.0, core=Core(10.0, 22.0, 0.05))
    off = math.radians(off_deg)
    ray = np.array([math.sin(off), 0.0, -math.cos(off)])
    got = backscatter(lamp, path.bands, np.zeros(3), ray[:, None], np.array([9.0]), towards=True)
    wanted = path.bands.scattering[2] * _by_quad(lamp, path, ray, 9.0, 2)
    assert got[2, 0] == pytest.approx(wanted, rel=1e-2)


def test_clouds_and_matter_by_range_are_in_the_integral(build: Builders) -> None:
    path = build.path()
    ones = np.ones(path.bands.count)
    lamp = Lamp(np.array([1.5, 0.8, -1.0]), np.array([-0.3, -0.2, -1.0]) / 1.0630146, ones, 30.0, 15.0, 0.03)
    clouds = LampClouds(
        np.array([[0.2, 0.1, 0.15], [-0.1, 0.25, 0.1]]), np.array([0.1, 0.6]), 0.4, 1.083, 9.0
    )
    ranges = table_ranges()
    there = 1.0 - np.exp(-ranges / 2.0)
    depth = 0.05 * (ranges - 2.0 * there)
    matter = Scatterers(
        0.1 * ones, ((0.4, 1.0),), there[None].astype(np.float32), depth.astype(np.float32), clouds
    )
    lens = np.array([0.3, -0.2, 0.5])
    ray = np.array([0.1, 0.05, -1.0]) / np.sqrt(1.0125)

    def density(t: float, offset: np.ndarray) -> float:
        turns = 2.0 * math.pi * (clouds.waves @ (lens + offset) + clouds.phases)
        patchy = math.exp(0.4 * float(np.cos(turns).sum())) / 1.083
        return patchy * (1.0 - math.exp(-t / 2.0)) * math.exp(-0.05 * (t - 2.0 * (1.0 - math.exp(-t / 2.0))))

    moved = Lamp(lamp.position_m - lens, lamp.axis, ones, 30.0, 15.0, 0.03)
    got = backscatter(lamp, path.bands, lens, ray[:, None], np.array([7.0]), matter=matter)
    wanted = 0.1 * _by_quad(
        moved,
        path,
        ray,
        7.0,
        3,
        density=density,
        phase=lambda mu: (1 - 0.16) / (4 * math.pi * (1 + 0.16 - 0.8 * mu) ** 1.5),
    )
    assert got[3, 0] == pytest.approx(wanted, rel=1e-2)


def test_light_turned_once_is_what_backscatter_draws(build: Builders) -> None:
    # A lamp that shines alike all about: the table behind the glow against the loop that draws the haze.
    path = build.path()
    lamp = replace(facing(path, 5.0), cone_deg=160.0)
    seen = LampSeen.of(lamp, np.zeros(3))
    assert seen is not None
    angles = np.radians([0.5, 2.0, 10.0])
    rays = np.stack([np.sin(angles), np.zeros(3), -np.cos(angles)])
    drawn = backscatter(lamp, path.bands, np.zeros(3), rays, np.full(3, np.inf), towards=True)
    assert radiance_turned_once(lamp, path, seen, angles) == pytest.approx(drawn, rel=1e-2)


@pytest.mark.parametrize("range_m", [2.0, 6.0])
def test_single_scattering_of_the_true_phase_function_agrees_with_the_point_spread(
    build: Builders, range_m: float
) -> None:
    # Where light is turned once at most (b s << 1) the point spread is b I exp(-c s)/(s sin theta) times
    # the integral of p(psi) from theta to a right angle (wells1973's first order), here by scipy quad with
    # fournier1999. An independent way to the same number: no Hankel transform, no Gaussians.
    path = build.path()
    a, b = mean_water(path)
    thin = 0.03 / (b * range_m)
    turns: Turns = turns_of(None)
    energy = turns.plane_halo(a * thin, b * thin, range_m)
    for theta in np.radians([0.2, 1.0, 5.0]):
        gauss = np.exp(-0.5 * np.square(math.tan(theta) / SLOPES)) / (2.0 * math.pi * SLOPES**2)
        got = float(gauss @ energy[1:]) / math.cos(theta) ** 3 / range_m**2
        integral, _ = quad(lambda psi: float(fournier_forand(psi)), theta, math.pi / 2, limit=400)
        wanted = b * thin * math.exp(-(a + b) * thin * range_m) * integral / (range_m * math.sin(theta))
        assert got == pytest.approx(wanted, rel=0.12)


def _encircled(radiance: Callable[[float], float], angle: float) -> float:
    # Simpson's rule in the logarithm of the angle.
    t = np.geomspace(2e-4, angle, 401)
    ring = np.array([2.0 * math.pi * math.sin(x) * radiance(float(x)) * x for x in t])
    return float(simpson(ring, x=np.log(t)))


@pytest.mark.parametrize("range_m", [1.5, 5.0, 12.0])
def test_glow_and_haze_together_hold_the_energy_of_the_point_spread(build: Builders, range_m: float) -> None:
    # The energy within an angle of the lamp, of glow and haze as drawn, is that of the water's halo:
    # E exp(-c s) (exp(b S(0) s) - 1) shared out by its Gaussians; more only where light turned once is more.
    path = build.path()
    lamp = replace(facing(path, range_m), cone_deg=160.0)
    seen = LampSeen.of(lamp, np.zeros(3))
    assert seen is not None
    glow = lamp_glow(lamp, path, seen)
    angles = table_angles()
    spread, once = spread_radiance(path, seen, angles)[2], radiance_turned_once(lamp, path, seen, angles)[2]

    def drawn(theta: float) -> float:
        ray = np.array([[math.sin(theta)], [0.0], [-math.cos(theta)]], np.float32)
        out = backscatter(lamp, path.bands, np.zeros(3), ray, np.array([np.inf]), towards=True)
        glow.add(ray, np.array([np.inf], np.float32), 1e-6, np.float32(1.0), out)
        return float(out[2, 0])

    for limit in np.radians([0.5, 3.0, 20.0]):
        wanted = _encircled(lambda t: float(np.interp(t, angles, np.maximum(spread, once))), limit)
        assert _encircled(drawn, limit) == pytest.approx(wanted, rel=0.02)


def _glow_before(glow: Glow, theta: float, end: float) -> float:
    ray = np.array([[math.sin(theta)], [0.0], [-math.cos(theta)]], np.float32)
    out = np.zeros((len(glow.table), 1), np.float32)
    glow.add(ray, np.array([end], np.float32), 1e-6, np.float32(1.0), out)
    return float(out[2, 0])


@pytest.mark.parametrize("theta_deg", [0.2, 0.5])
def test_a_surface_before_the_lamp_keeps_what_is_turned_behind_it(build: Builders, theta_deg: float) -> None:
    # scipy quad along the ray, up to the surface over all of it: p(psi) dt / r^2 with fournier1999.
    path = build.path()
    lamp = facing(path, 6.0)
    seen = LampSeen.of(lamp, np.zeros(3))
    assert seen is not None
    glow, theta = lamp_glow(lamp, path, seen), math.radians(theta_deg)
    ray = np.array([math.sin(theta), 0.0, -math.cos(theta)])

    def turned(end: float) -> float:
        def integrand(t: float) -> float:
            x = t * ray - lamp.position_m
            psi = math.acos(np.clip(-(x @ ray) / math.sqrt(x @ x), -1.0, 1.0))
            return float(fournier_forand(max(psi, 1e-6))) / float(x @ x)

        value, _ = quad(integrand, 0.0, end, points=[t for t in (5.0, 5.9, 6.0) if t < end], limit=800)
        return float(value)

    whole = _glow_before(glow, theta, math.inf)
    assert whole > 0.0
    for end in (1.0, 3.0, 5.5):
        share = _glow_before(glow, theta, end) / whole
        assert share == pytest.approx(turned(end) / turned(60.0), abs=0.01)
    assert _glow_before(glow, theta, 0.0) == pytest.approx(0.0, abs=1e-6 * whole)


def test_face_of_a_lamp_sends_its_intensity(build: Builders) -> None:
    # Radiance times the solid angle of the face is I / s^2 exp(-c s): inverse square and Beer-Lambert.
    path = build.path()
    lamp = facing(path, 4.0, aside_m=1.0)
    seen = LampSeen.of(lamp, np.zeros(3))
    assert seen is not None
    away = math.hypot(4.0, 1.0)
    share = float(beam_share(lamp, np.array([4.0 / away]))[0])
    solid, _ = dblquad(lambda r, _: r / away**2, 0.0, 2.0 * math.pi, 0.0, lamp.radius_m)
    wanted = share / away**2 * np.exp(-path.bands.attenuation * away)
    assert seen.face_radiance(path) * solid == pytest.approx(wanted, rel=1e-6)
    behind = Lamp(lamp.position_m, -TOWARDS, lamp.intensity, 50.0, 20.0, 0.03)
    assert LampSeen.of(behind, np.zeros(3)) is None
