"""Bodies of turbid water along rays, held to quadrature of their own definition in float64."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.interpolate import CubicSpline
from scipy.special import i0
from tests.conftest import UP, Builders

from halocline._typing import F32, F64
from halocline.imaging.frame import Window
from halocline.operators.shared.body_parameters import PlacedBody
from halocline.operators.shared.sediment_parameters import SedimentSource
from halocline.operators.shared.view_rays import spaced_rays
from halocline.physics.floating.flow import STILL, Current, TurbulentFlow, turbulence
from halocline.physics.floating.ground import Ground, ground_below
from halocline.physics.floating.light import LIGHT_ASYMMETRY, sun_spread
from halocline.physics.floating.particles import grain_settling_speed
from halocline.physics.floating.turbid import (
    TurbidBody,
    density_waves,
    extinction_inside,
    similar_albedo,
)
from halocline.physics.floating.turbid_light import ForwardLobe, unturned
from halocline.physics.floating.turbid_view import BodiesInLight, SurfacesSeen, TurbidRays, TurbidVolume
from halocline.physics.path.lamps import Lamp
from halocline.physics.path.phase import henyey_greenstein
from halocline.physics.path.transport import LightPath

WINDOW = Window(0, 0, 32, 18)
EDDIES = turbulence(1, "eddies", rms_speed_m_s=0.05, largest_m=1.5, smallest_m=0.3, modes=8)
# Not at the origin of the world.
LENS = np.array([0.15, -0.1, -0.1])
LENGTHS = (4.4, 5.2, 4.8, 9.0, 7.0)
SPOTS: dict[str, dict[str, Any]] = {
    "ellipsoid": {"position": (0.3, 0.1, -5.0), "size": (2.0, 1.2, 3.0), "heading": 30.0},
    "box": {"position": (0.3, 0.0, -6.0), "size": (3.0, 2.0, 2.6), "heading": 20.0},
    "slab": {"lowest": -1.6, "highest": -0.5},
    "floor": {"floor": -2.0, "thickness": 1.5},
    "plume": {
        "track": (
            {"frame": 900, "position": (-1.5, 0.0, -5.0)},
            {"frame": 1001, "position": (1.0, 0.2, -4.0)},
        ),
        "growth": 0.05,
        "softness": 0.4,
        "visibility": 1.0,
    },
}


SEDIMENT = {
    "name": "sediment",
    "track": (
        {"frame": 960, "position": (-0.6, 0.0, -4.6), "grams_per_second": 60.0},
        {"frame": 1001, "position": (0.6, 0.2, -4.2), "grams_per_second": 60.0},
    ),
    "floor": -0.6,
}


def uneven(x: F64, z: F64) -> F64:
    """A floor of waves as high as half a metre, on a slope."""
    return np.asarray(-1.9 + 0.25 * np.sin(1.1 * x + 0.4) * np.cos(0.8 * z) + 0.08 * x - 0.03 * (z + 5.0))


def seen_floor(cell_m: float = 0.125) -> Ground:
    """The same as a picture shows it, every few centimetres."""
    x, z = np.meshgrid(np.arange(-9.0, 9.0, 0.043), np.arange(-17.0, 3.0, 0.043))
    points = np.stack([x.ravel(), uneven(x.ravel(), z.ravel()), z.ravel()], axis=1)
    found = ground_below(points, UP, LENS, reach_m=8.0, cell_m=cell_m, steepest_deg=45.0)
    assert found is not None
    return found


def placed(kind: str, **keys: Any) -> PlacedBody | SedimentSource:
    if kind == "sediment":
        return SedimentSource.model_validate({**SEDIMENT, **keys})
    return PlacedBody.model_validate({"name": kind, "kind": kind, "visibility": 2.5, **SPOTS[kind], **keys})


def body_of(
    build: Builders, body: PlacedBody | SedimentSource, frame: int = 1001, current: Current | None = None
) -> TurbidBody:
    shot = build.shot(WINDOW, frame=frame)
    found = body.body(shot, Current(), density=1.0, brightness=1.0, stir_m_s=0.0)
    assert found is not None
    return found


def step(v: F64) -> F64:
    v = np.clip(v, 0.0, 1.0)
    return np.asarray(v * v * (3.0 - 2.0 * v))


def extinction(body: TurbidBody, points: F64, flow: TurbulentFlow, time_s: float) -> F64:
    """What a body adds to attenuation at world points ``(n, 3)``, from its definition."""
    home = points - flow.displacement(points, time_s)
    turns = home @ body.clouds.waves.T + body.clouds.phases
    clouds = np.exp(np.cos(2 * math.pi * turns) @ body.clouds.amplitudes)
    clouds /= math.prod(float(i0(a)) for a in body.clouds.amplitudes)
    densest = np.zeros(len(points))
    for shape in body.shapes:
        local = (home - shape.centre_m) @ shape.axes.T
        if shape.kind == 3:
            # Puffs add up, each with its image in the floor.
            image = local + np.array([0.0, 2.0 * shape.above_floor_m, 0.0])
            cubes = [np.maximum(1 - ((at / shape.half_m) ** 2).sum(axis=1), 0) ** 3 for at in (local, image)]
            densest += shape.strength * (cubes[0] + cubes[1])
            continue
        if shape.kind == 0:
            # To first order the distance from the edge; q is the radius in half sizes.
            q = np.linalg.norm(local / shape.half_m, axis=1)
            inward = [q * (1 - q) / np.linalg.norm(local / shape.half_m**2, axis=1)]
        elif shape.kind == 4:
            inward = [shape.thickness_m - (home @ UP - uneven(home[:, 0], home[:, 2]))]
        elif shape.kind == 1:
            inward = list((shape.half_m - np.abs(local)).T)
        else:
            inward = [home @ UP - shape.half_m[0], shape.half_m[1] - home @ UP]
        inside = np.prod([step(d / shape.softness_m * clouds) for d in inward], axis=0)
        densest = np.maximum(densest, shape.strength * inside)
    return np.asarray(body.extinction_per_m * densest * clouds)


def along(
    body: TurbidBody, path: LightPath, direction: F64, length: float, flow: TurbulentFlow, time_s: float
) -> tuple[float, float, float]:
    """Return transmittance, the body's light and what is left of the veil in band 2, by quadrature."""
    band, mu, sun = 2, -float(direction @ UP), float(direction @ path.sun_travel)
    grid = np.linspace(0.0, length, 4001)
    dense = extinction(body, LENS + grid[:, None] * direction, flow, time_s)
    # The inner integral on a fine grid (its ends are smooth); the outer ones by quad.
    tau = np.concatenate([[0.0], np.cumsum(0.5 * (dense[1:] + dense[:-1]) * np.diff(grid))])

    def lobe(cosine: float, g: float) -> float:
        return float(henyey_greenstein(np.array([-cosine]), g)[0])

    by_sun = lobe(sun, body.asymmetry * sun_spread(path))
    by_sky = lobe(mu, body.asymmetry * LIGHT_ASYMMETRY)
    depths = path.camera_depth_m + mu * grid
    around, part = path.scalar_daylight(depths)[:, band], path.sun_side(depths)[:, band]
    lit = dense * body.albedo[band] * around * (part * by_sun + (1 - part) * by_sky)
    c = path.bands.attenuation[band]
    rays = [np.array([value], np.float32) for value in (mu, sun)]
    rate = float(path.veil_rays().sources(*rays).together(path.bands.attenuation, rays[0])[1][band, 0])
    inner = [lit * np.exp(-c * grid - tau), np.exp(-rate * grid - tau), np.exp(-rate * grid)]
    # In pieces: else a narrow body is missed.
    pieces = np.linspace(0.0, length, 41)[1:-1]
    light, water, whole = (
        quad(CubicSpline(grid, values), 0.0, length, points=pieces, limit=200, epsrel=1e-6)[0]
        for values in inner
    )
    return math.exp(-tau[-1]), light, water / whole


@pytest.mark.parametrize("clumping", [0.0, 0.8])
def test_a_layer_on_an_uneven_floor_is_within_two_percent_of_quadrature(
    build: Builders, clumping: float
) -> None:
    # The quadrature knows the floor itself, not the grid that was made of places on it.
    path, flow = build.path(), EDDIES if clumping else STILL
    layer = placed("floor", floor="found", thickness=0.9, softness=0.4, clumping=clumping)
    assert isinstance(layer, PlacedBody)
    shot = build.shot(WINDOW)
    body = layer.body(shot, Current(), density=1.0, brightness=1.0, stir_m_s=0.0, ground=seen_floor())
    assert body is not None
    seen = volume(build, body, path, flow)
    directions = build.camera(WINDOW, tilt_deg=0.0).directions(WINDOW).astype(np.float64)
    water, whole = np.ones((6, 1, WINDOW.width), np.float32), np.ones((1, WINDOW.width), np.float32)
    differ = 0
    for row, column in ((9, 4), (9, 20), (10, 9), (11, 27), (12, 13), (13, 30), (14, 2), (15, 16)):
        ray = directions[:, row, column]
        # To where it meets the floor.
        way = np.linspace(0.0, 7.5, 7501)
        height = (LENS + way[:, None] * ray) @ UP - uneven(LENS[0] + way * ray[0], LENS[2] + way * ray[2])
        length = float(way[np.argmax(height <= 0.0)]) or 7.5
        laid = seen.laid(
            water * 0,
            whole,
            SurfacesSeen(length * whole, whole),
            corner=(row, 0),
            water=water,
            told=(True, True),
        )
        assert laid.covered is not None
        assert laid.thrown is not None
        through, light, left = along(body, path, ray, length, flow, 1001 / 24)
        assert 1 - laid.covered[0, column] == pytest.approx(through, abs=0.02)
        scale = max(light, 0.02)
        assert laid.thrown[2, 0, column] - (left - 1.0) == pytest.approx(light, abs=0.02 * max(scale, left))
        # A level layer of the same mean height is another one.
        level = body_of(build, placed("floor", floor=-1.9, thickness=0.9, softness=0.4, clumping=clumping))
        differ += abs(along(level, path, ray, length, flow, 1001 / 24)[0] - through) > 0.05
    assert differ >= 2


def volume(build: Builders, body: TurbidBody, path: LightPath, flow: TurbulentFlow = STILL) -> TurbidVolume:
    camera = build.camera(WINDOW, tilt_deg=0.0)
    rays = TurbidRays(spaced_rays(camera, np.eye(3), WINDOW, 0.125), 0.125, LENS)
    return TurbidVolume([body], rays, path, eddies=flow, time_s=1001 / 24)


@pytest.mark.parametrize("clumping", [0.0, 0.8])
@pytest.mark.parametrize("kind", [*sorted(SPOTS), "sediment"])
def test_what_a_ray_meets_is_within_two_percent_of_quadrature(
    build: Builders, kind: str, clumping: float
) -> None:
    path = build.path()
    flow = (
        turbulence(1, "eddies", rms_speed_m_s=0.05, largest_m=1.5, smallest_m=0.3, modes=8)
        if clumping
        else STILL
    )
    body = body_of(build, placed(kind, clumping=clumping))
    seen = volume(build, body, path, flow)
    directions = build.camera(WINDOW, tilt_deg=0.0).directions(WINDOW).astype(np.float64)
    water, whole = np.ones((6, 1, WINDOW.width), np.float32), np.ones((1, WINDOW.width), np.float32)
    # Rays through the body and beside it, that end before it, in it and behind it.
    met = 0
    # What lies below a floor is not seen.
    rows = (7, 9, 10) if kind == "sediment" else (8, 10, 12)
    for number in range(12):
        row, column, length = rows[number % 3], (13, 15, 17, 19)[number % 4], LENGTHS[number % 5]
        surfaces = SurfacesSeen(length * whole, whole)
        laid = seen.laid(water * 0, whole, surfaces, corner=(row, 0), water=water, told=(True, True))
        assert laid.covered is not None
        assert laid.thrown is not None
        through, light, left = along(body, path, directions[:, row, column], length, flow, 1001 / 24)
        met += through < 0.9
        assert 1 - laid.covered[0, column] == pytest.approx(through, abs=0.02)
        # `thrown` is the body's light less what it takes of the water's, which is 1 here.
        scale = max(light, 0.02)
        assert laid.thrown[2, 0, column] - (left - 1.0) == pytest.approx(light, abs=0.02 * max(scale, left))
    assert met >= 3


@pytest.mark.parametrize("kind", ["box", "ellipsoid", "slab"])
def test_a_dense_bodys_own_light_is_within_half_a_percent_of_quadrature(build: Builders, kind: str) -> None:
    path, body = build.path(), body_of(build, placed(kind, clumping=0.0, visibility=0.5))
    seen, whole = volume(build, body, path), np.ones((1, WINDOW.width), np.float32)
    directions = build.camera(WINDOW, tilt_deg=0.0).directions(WINDOW).astype(np.float64)
    water, met = np.ones((6, 1, WINDOW.width), np.float32), 0
    for row, column in ((9, 15), (10, 17), (12, 16), (13, 14)):
        surfaces, where = SurfacesSeen(9.0 * whole, whole), {"corner": (row, 0), "told": (True, True)}
        alone = seen.laid(water * 0, whole, surfaces, **where)  # type: ignore[arg-type]
        both = seen.laid(water * 0, whole, surfaces, water=water, **where)  # type: ignore[arg-type]
        through, light, left = along(body, path, directions[:, row, column], 9.0, STILL, 1001 / 24)
        assert alone.thrown is not None
        assert both.thrown is not None
        found = alone.thrown[2, 0, column]
        if through < 0.9:
            assert found == pytest.approx(light, rel=0.005)
            assert both.thrown[2, 0, column] - found == pytest.approx(left - 1.0, abs=0.003)
            met += 1
    assert met >= 2


def test_a_visibility_inside_is_that_of_the_water(build: Builders) -> None:
    # 3.912 / c(550) for a small black target: Koschmieder 1924, from memory. Half of 3.912 / .8 = 4.89 m.
    bands = build.grey_bands(0.2, 0.6, 0.3)
    assert extinction_inside(3.912 / 1.6, bands) == pytest.approx(0.8)
    assert extinction_inside(30.0, bands) == 0.0


def test_small_grains_settle_by_stokes_law(build: Builders) -> None:
    # Stokes 1851: w = (rho_s - rho) g d^2 / (18 mu). Handbook, from memory: quartz of 10 um in fresh water at
    # 20 C settles at about 0.09 mm/s, of 100 um at 7 to 9 mm/s (there Stokes' 9.0 is too fast).
    d, mu = 10e-6, 1.0e-3
    stokes = (2650.0 - 1000.0) * 9.81 * d**2 / (18.0 * mu)
    speed = grain_settling_speed(d, water_density=1000.0, kinematic_viscosity=mu / 1000.0)
    assert stokes == pytest.approx(0.09e-3, rel=0.01)
    assert float(speed) == pytest.approx(stokes, rel=0.01)
    body = placed("ellipsoid", grain_size=100e-6, begins=1001, comes_in=0.1)
    early, late = (body_of(build, body, frame) for frame in (1025, 1265))
    sunk = (early.shapes[0].centre_m - late.shapes[0].centre_m) @ UP
    # In sea water at 13 C: Ferguson and Church 2004, eq. 4, with C1 = 18 and C2 = 1.
    submerged, nu = (2650.0 / 1025.0 - 1.0) * 9.80665, 1.2e-6
    speed_m_s = submerged * 1e-8 / (18 * nu + math.sqrt(0.75 * submerged * 1e-12))
    assert sunk == pytest.approx(10.0 * speed_m_s, rel=1e-3)
    assert 0.005 < speed_m_s < 0.009


def test_what_is_kicked_up_rises_slows_and_sinks_by_its_age(build: Builders) -> None:
    thrown = placed("ellipsoid", rise=0.6, rise_time=2.0, begins=1001, comes_in=0.0, grain_size=50e-6)
    fall = float(grain_settling_speed(50e-6))
    for seconds in (1, 2, 10):
        middle = body_of(build, thrown, 1001 + 24 * seconds).shapes[0].centre_m
        # The distance that a speed v exp(-t / T) has gone, v T being the rise.
        expected = 0.1 + 0.6 * (1.0 - math.exp(-seconds / 2.0)) - fall * seconds
        assert middle[1] == pytest.approx(expected, abs=1e-9)
    # Of a trail the oldest has risen most, and is the widest and thinnest.
    trail = body_of(build, placed("plume", rise=0.6, comes_in=0.0)).shapes
    oldest, newest = trail[0], trail[-2]
    assert oldest.centre_m[1] - SPOTS["plume"]["track"][0]["position"][1] > 0.55
    assert newest.centre_m[1] < oldest.centre_m[1]
    assert oldest.half_m[0] > newest.half_m[0]
    assert oldest.strength < newest.strength


def test_matter_stays_as_a_body_grows(build: Builders) -> None:
    body = placed("box", growth=0.1, begins=1001, comes_in=0.0)
    young, old = (body_of(build, body, frame).shapes[0] for frame in (1002, 1241))
    amounts = [shape.strength * float(np.prod(shape.half_m)) for shape in (young, old)]
    assert amounts[0] == pytest.approx(amounts[1])
    assert old.half_m[0] - young.half_m[0] == pytest.approx(0.1 * 239 / 24)


def test_clouds_have_a_mean_of_one_and_stand_in_the_world() -> None:
    random = np.random.default_rng(2)
    points = random.uniform(-60.0, 60.0, (40_000, 3))

    def density(shift: F64, at: F64) -> F64:
        clouds = density_waves(1, "a", scale_m=1.0, variation=0.7, shift_m=shift)
        sums = np.cos(2 * math.pi * (at @ clouds.waves.T + clouds.phases)) @ clouds.amplitudes
        return np.asarray(np.exp(sums) / clouds.mean)

    still = density(np.zeros(3), points)
    assert still.mean() == pytest.approx(1.0, abs=0.02)
    assert still.std() == pytest.approx(0.7, abs=0.07)
    shift = np.array([0.3, -0.2, 1.1])
    np.testing.assert_allclose(density(shift, points + shift), still, rtol=1e-9)


def test_the_eddies_that_carry_bodies_have_no_sources() -> None:
    flow = turbulence(1, "turbid bodies", rms_speed_m_s=0.1, largest_m=1.5, smallest_m=0.3, modes=8)
    at, h = np.random.default_rng(1).uniform(-3, 3, (50, 3)), 1e-4
    slopes = [
        [
            (flow.displacement(at + h * e, 2.0) - flow.displacement(at - h * e, 2.0))[:, k] / (2 * h)
            for k in range(3)
        ]
        for e in np.eye(3)
    ]
    divergence = sum(slopes[k][k] for k in range(3))
    assert np.abs(divergence).max() < 1e-3 * np.abs(slopes).max()


def test_a_thick_cloud_looks_like_its_similar_one() -> None:
    # Van de Hulst 1980 (from memory): w' = w (1 - g) / (1 - w g). None absorbs where nothing did.
    assert similar_albedo(np.array(0.926), 0.9) == pytest.approx(0.5558, abs=1e-4)
    assert similar_albedo(np.array(1.0), 0.9) == pytest.approx(1.0)


def test_a_halo_over_an_edge_is_hidden_by_area_and_surfaces_by_their_light(build: Builders) -> None:
    body = body_of(build, placed("box", clumping=0.0, size=(2.0, 40.0, 40.0)))
    seen, whole = volume(build, body, build.path(daylight_level=0.0)), np.ones(WINDOW.shape, np.float32)
    halo, near, far, area = 0.6, 0.02, 0.9, 0.3
    light = near * (1.0 - area) + far * area

    def made(bands: float, surfaces: SurfacesSeen) -> F32:
        picture = np.full((6, *WINDOW.shape), bands, np.float32)
        halos = np.full((6, *WINDOW.shape), halo, np.float32)
        # Halos of surfaces so near lie over them, and are none of the water's.
        laid = seen.laid(picture, whole, surfaces, corner=(0, 0), halo=(halos, 1e-6))
        return laid.light

    before = made(near + halo, SurfacesSeen(4.0 * whole, whole))
    behind = made(far + halo, SurfacesSeen(9.0 * whole, whole))
    told = [part * whole for part in (9.0, area, area * far / light)]
    edge = made(light + halo, SurfacesSeen(4.0 * whole, whole, *told))
    np.testing.assert_allclose(before, near + halo, rtol=1e-5)
    assert behind.max() < 0.65 * (far + halo)
    np.testing.assert_allclose(edge, (1.0 - area) * before + area * behind, rtol=1e-4)


def test_a_body_is_lit_by_what_things_leave_of_daylight(build: Builders) -> None:
    body, path = body_of(build, placed("slab", clumping=0.0)), build.path()
    camera, whole = build.camera(WINDOW, tilt_deg=-30.0), np.ones(WINDOW.shape, np.float32)
    rays = TurbidRays(spaced_rays(camera, np.eye(3), WINDOW, 1.0), 1.0, LENS)

    def light(left: Callable[[F64], F64] | None) -> F32:
        seen = TurbidVolume([body], rays, path, shade=left)
        none = np.zeros((6, *WINDOW.shape), np.float32)
        laid = seen.laid(none, whole, SurfacesSeen(6.0 * whole, whole), corner=(0, 0))
        return laid.light

    free = light(None)
    even = light(lambda points: np.full((len(points), 2), 0.25))
    np.testing.assert_allclose(even, 0.25 * free, rtol=1e-5)
    # Shade over all that lies to the right of the lens: x is to the right in the picture.
    half = light(lambda points: np.repeat(np.where(points[:, :1] > LENS[0], 0.0, 1.0), 2, axis=1))
    np.testing.assert_allclose(half[..., :14], free[..., :14], rtol=1e-5)
    assert np.abs(half[..., 18:]).max() == 0.0
    assert free[..., 18:].mean() > 0.001


def test_light_from_a_lamp_and_the_sun_is_lost_in_a_body_as_by_quadrature(build: Builders) -> None:
    path, body = build.path(), body_of(build, placed("ellipsoid", clumping=0.6, visibility=0.6))
    lamp = Lamp(np.array([1.6, 1.0, -3.6]), np.array([-0.62, -0.42, -0.66]), np.ones(6), 50.0, 5.0, 0.02)
    hiding = BodiesInLight([unturned(body)], path, STILL, 0.0)
    lamps_light, suns = hiding.from_lamp(lamp), hiding.from_sun(LENS)
    assert lamps_light is not None
    assert suns is not None
    # What is turned by little only is not lost: 1 - w g of all, w' = w (1 - g) / (1 - w g), g = .9.
    similar = float(body.albedo.mean())
    w = similar / (0.1 + 0.9 * similar)
    met = 0
    for point in ((0.32, 0.12, -5.05), (0.0, -0.1, -5.4), (0.6, 0.3, -4.6), (-0.2, -0.6, -6.2)):
        place = np.array(point)
        for light, start in ((lamps_light, lamp.position_m), (suns, place - 12.0 * path.sun_travel)):
            way = np.linspace(start, place, 3001)
            dense = extinction(body, way, STILL, 0.0)
            length = float(np.linalg.norm(place - start))
            expected = math.exp(-(1.0 - 0.9 * w) * float(np.trapezoid(dense, dx=length / 3000)))
            # A light's rays are some centimetres apart, its clouds 20 cm.
            assert float(light.left(place[None])[0]) == pytest.approx(expected, abs=0.05)
            met += expected < 0.9
    assert met >= 4
    assert float(suns.left(np.array([[0.3, 6.0, -5.0]]))[0]) == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("depth", [0.0, 3.0, 9.0])
def test_light_through_a_body_is_turned_on_as_followed_turn_by_turn(depth: float) -> None:
    # Turns of Henyey and Greenstein's lobe, as many as Poisson's law has on the way and one more.
    g, w, count = 0.9, 0.95, 400_000
    similar = w * (1.0 - g) / (1.0 - w * g)
    random = np.random.default_rng(7)
    turns, cosine = 1 + random.poisson(w * depth, count), np.ones(count)
    for number in range(int(turns.max())):
        s = (1.0 - g * g) / (1.0 - g + 2.0 * g * random.random(count))
        mu, phi = (1.0 + g * g - s * s) / (2.0 * g), 2.0 * math.pi * random.random(count)
        sines = np.sqrt(np.maximum((1.0 - cosine**2) * (1.0 - mu**2), 0.0))
        cosine = np.where(number < turns, np.clip(cosine * mu + sines * np.cos(phi), -1.0, 1.0), cosine)
    edges = np.cos(np.radians([0.0, 4.0, 10.0, 20.0, 35.0, 60.0, 90.0, 180.0]))[::-1]
    found, _ = np.histogram(cosine, edges)
    left = np.float32(math.exp(-(1.0 - w * g) * depth))
    lobe = ForwardLobe(similar)
    for low, high, number in zip(edges, edges[1:], found, strict=False):
        at = np.linspace(low, high, 2001, dtype=np.float32)
        turned = lobe.turned(at, np.full(2001, left))
        expected = 2.0 * math.pi * float(np.trapezoid(turned.astype(np.float64), at.astype(np.float64)))
        error = 4.0 * math.sqrt(number) / count
        assert expected == pytest.approx(w / similar * number / count, rel=0.02, abs=w / similar * error)


def test_a_lamp_lights_a_thin_body_by_its_irradiance(build: Builders) -> None:
    # Thin and turning alike to all sides: its radiance is w E tau / (4 pi), less what the water takes.
    path = build.path(daylight_level=0.0)
    thin = placed("slab", lowest=-8.0, highest=8.0, softness=0.1, clumping=0.0, albedo=(1.0, 1.0, 1.0))
    body = replace(body_of(build, thin), extinction_per_m=1e-3)
    place, axis = LENS + np.array([0.0, 3.0, -3.0]), np.array([0.0, -1.0, 0.0])
    lamp = Lamp(place, axis, np.full(6, 7.0), 80.0, 5.0, 0.02)
    camera = build.camera(WINDOW, tilt_deg=0.0)
    rays = TurbidRays(spaced_rays(camera, np.eye(3), WINDOW, 1.0), 1.0, LENS)
    seen = TurbidVolume([body], rays, path, lamps=(lamp,))
    whole, none = np.ones(WINDOW.shape, np.float32), np.zeros((6, *WINDOW.shape), np.float32)
    laid = seen.laid(none, whole, SurfacesSeen(6.0 * whole, whole), corner=(0, 0))
    band, row, column = 2, 9, 16
    ray = camera.directions(WINDOW)[:, row, column].astype(np.float64)
    rate, c = lamp.loss_rate(path.bands)[band], path.bands.attenuation[band]

    def lit(t: float) -> float:
        r = float(np.linalg.norm(LENS + t * ray - lamp.position_m))
        turned = float(body.albedo[band]) * 1e-3 / (4 * math.pi)
        return turned * 7.0 * math.exp(-float(rate) * r - float(c) * t) / (r * r + 4e-4)

    assert laid.light[band, row, column] == pytest.approx(quad(lit, 0.0, 6.0)[0], rel=0.02)


def test_pixels_along_a_row_are_as_each_by_itself(build: Builders) -> None:
    # They are looked up at every fourth pixel where that is enough: not by a post, a step or a fold.
    wide = Window(0, 0, 192, 12)
    camera = build.camera(wide, tilt_deg=0.0)
    path, body = build.path(), body_of(build, placed("ellipsoid", clumping=0.8, visibility=0.8))
    rays = TurbidRays(spaced_rays(camera, np.eye(3), wide, 16.0), 16.0, LENS)
    seen = TurbidVolume([body], rays, path, time_s=1001 / 24)
    x = np.arange(wide.width, dtype=np.float32)
    away = 2.0 + 2.5 * np.abs(np.sin(x / 40.0)) + 0.02 * np.sin(x)
    away[101:103] = 1.0
    away[133:] += 2.0
    away[160:] = np.inf
    water, whole = np.ones((6, 1, wide.width), np.float32), np.ones((1, wide.width), np.float32)
    whole[:, 160:] = 0.0
    whole[:, 101] = 0.4
    differ = 0
    for row in (2, 4, 6, 8):
        surfaces = SurfacesSeen(away[np.newaxis], whole)
        laid = seen.laid(0.5 * water, 0.0 * whole, surfaces, corner=(row, 0), water=0.2 * water)
        for column in range(wide.width):
            part = np.s_[..., column : column + 1]
            alone = seen.laid(
                0.5 * water[part],
                0.0 * whole[part],
                SurfacesSeen(away[np.newaxis][part], whole[part]),
                corner=(row, column),
                water=0.2 * water[part],
            )
            np.testing.assert_allclose(laid.light[part], alone.light, atol=1.5e-3)
            np.testing.assert_allclose(laid.alpha[part], alone.alpha, atol=1.5e-3)
            differ += bool(np.abs(alone.light - 0.5).max() > 0.05)
    assert differ > 30
