"""The shade of turbid bodies, held to marches of their definition in float64 along sun and vertical."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from tests.conftest import AHEAD, UP, Builders
from tests.physics.floating.test_turbid import (
    EDDIES,
    LENS,
    SPOTS,
    WINDOW,
    body_of,
    extinction,
    placed,
    seen_floor,
    uneven,
)

from halocline._typing import F32, F64
from halocline.compute.threads import at_most
from halocline.imaging.frame import Window
from halocline.operators.shared.body_parameters import PlacedBody
from halocline.operators.shared.view_rays import spaced_rays
from halocline.physics.floating.flow import STILL, Current
from halocline.physics.floating.turbid import TurbidBody, TurbidShape, density_waves
from halocline.physics.floating.turbid_light import SpreadBeam, unturned
from halocline.physics.floating.turbid_shade import BodyShade
from halocline.physics.floating.turbid_shade_loops import dim_along_rays, dim_by_bodies
from halocline.physics.floating.turbid_shape_loops import ELLIPSOID
from halocline.physics.floating.turbid_view import (
    BodiesInLight,
    PackedBodies,
    SurfacesSeen,
    TurbidRays,
    TurbidVolume,
)
from halocline.physics.path.lamps import Lamp, backscatter, irradiance, water_phase
from halocline.physics.path.transport import LightPath
from halocline.physics.sea.shade import Casters, Shade, ShadeWater, Square
from halocline.physics.sea.shade_loops import light_at_places, loop_maps
from halocline.physics.sea.surface import SunBeam
from halocline.presets.lamps import through_bodies

# Two level axes of the world, and up.
AXES = np.array([[0.0, 0.0, -1.0], [-1.0, 0.0, 0.0], UP])
TIME_S, DEEPEST_M = 1001 / 24, 14.0
NO_THINGS = Casters(np.zeros((2, 0), np.float32), *np.zeros((2, 0), np.float32))


def shade(path: LightPath, *bodies: TurbidBody, softness: float = 0.0, scattering: float = 0.0) -> BodyShade:
    water = ShadeWater(SunBeam(0.6, 0.0, 1.34), scattering, softness=softness)
    stand = BodiesInLight([unturned(body) for body in bodies], path, EDDIES, TIME_S)
    return BodyShade((stand,), water, AXES, LENS, DEEPEST_M)


def left_at(made: BodyShade, points: F64) -> F32:
    """Return what is left of sun and sky at world points, ``(2, n)``."""
    square = Square((0.0, 0.0), 1.0, 16)
    whole = Shade(NO_THINGS, made.water, square, square, DEEPEST_M, made.maps)
    sea = LENS @ UP + made.bodies[0].path.camera_depth_m
    x, y = (np.asarray(points @ axis, np.float32) for axis in AXES[:2])
    out = np.empty((2, len(points)), np.float32)
    light_at_places(*loop_maps(whole, in_water=False), x, y, (sea - points @ UP).astype(np.float32), out)
    return out


def marched(body: TurbidBody, point: F64, travel: F64, *, length: float = 16.0, steps: int = 4000) -> float:
    """Return what a body leaves of a beam at a point."""
    way = np.linspace(point - length * travel, point, steps + 1)
    dense = extinction(body, way, EDDIES, TIME_S)
    # What is turned by little only is not lost: 1 - w g of all, w' = w (1 - g) / (1 - w g), g = .9.
    similar = float(body.albedo.mean())
    w = similar / (0.1 + 0.9 * similar)
    return math.exp(-(1.0 - 0.9 * w) * float(np.trapezoid(dense, dx=length / steps)))


@pytest.mark.parametrize("kind", [*sorted(SPOTS), "sediment"])
def test_sun_and_sky_past_a_body_are_within_two_percent_of_a_march(build: Builders, kind: str) -> None:
    path, wide = build.path(), kind in ("slab", "floor")
    body = body_of(build, placed(kind, clumping=0.4, clump_scale=5.0 if wide else 2.0))
    body = replace(body, extinction_per_m=12.0 if kind == "plume" else 4.0)
    made = shade(path, body)
    middle = np.array([0.3, -1.2, -5.0]) if wide else body.shapes[-2 if kind == "plume" else 0].centre_m
    points = middle + np.random.default_rng(3).uniform(-0.7, 0.7, (24, 3))
    if kind == "sediment":
        # What lies below the floor is not lit.
        points[:, 1] = np.maximum(points[:, 1], -0.55)
    else:
        points[8:16] += np.linspace(1.0, 2.5, 8)[:, None] * path.sun_travel
        points[16:] -= np.array([0.0, 2.0, 0.0])
    found = left_at(made, points)
    met = 0
    for row, travel in enumerate((path.sun_travel, -UP)):
        for number, point in enumerate(points):
            expected = marched(body, point, travel)
            # In it the next depths of the map are as far off as its clouds are long.
            assert found[row, number] == pytest.approx(expected, abs=0.04 if number < 8 else 0.02)
            met += expected < 0.9
    assert met >= 5
    above = middle[None] + np.array([[0.0, 4.0, 0.0]])
    assert left_at(made, above)[0] == pytest.approx(1.0, abs=1e-3)


def test_a_layer_on_an_uneven_floor_shades_it_as_by_a_march(build: Builders) -> None:
    path = build.path()
    layer = placed("floor", floor="found", thickness=1.2, softness=0.5, clumping=0.0)
    assert isinstance(layer, PlacedBody)
    shot = build.shot(WINDOW)
    body = layer.body(shot, Current(), density=1.0, brightness=1.0, stir_m_s=0.0, ground=seen_floor())
    assert body is not None
    body = replace(body, extinction_per_m=4.0)
    made = shade(path, body)
    places = np.random.default_rng(5).uniform((-2.0, 0.0, -7.0), (2.0, 0.0, -4.0), (12, 3))
    places[:, 1] = uneven(places[:, 0], places[:, 2]) + 0.02
    found = left_at(made, places)
    for row, travel in enumerate((path.sun_travel, -UP)):
        expected = [marched(body, place, travel) for place in places]
        assert max(expected) < 0.9
        # The floor itself is found within some centimetres.
        np.testing.assert_allclose(found[row], expected, atol=0.04)


def test_far_aside_a_slab_shades_as_within_the_map(build: Builders) -> None:
    path = build.path()
    even = body_of(build, placed("slab", lowest=-1.0, highest=1.0, softness=0.2, clumping=0.0))
    even = replace(even, extinction_per_m=2.0)
    made = shade(path, even)
    points = np.array([[0.0, -3.0, -5.0], [28.0, -3.0, 5.0], [5.0, -3.0, -80.0]])
    # Eddies bend the slab's edges and hardly its thickness.
    slant = 1.0 / float(-path.sun_travel @ UP)
    similar = float(even.albedo.mean())
    lost = 0.1 / (0.1 + 0.9 * similar)
    for number, way in enumerate((slant, 1.0)):
        # A smooth step holds half of its softness at either edge.
        expected = math.exp(-2.0 * lost * way * (2.0 - 0.2))
        np.testing.assert_allclose(left_at(made, points)[number], expected, atol=0.02)


def test_a_lamp_lights_what_stands_behind_a_cloud_by_what_that_leaves(build: Builders) -> None:
    path = build.path()
    cloud = replace(body_of(build, placed("ellipsoid", clumping=0.0)), extinction_per_m=4.0)
    lamp = Lamp(np.array([1.8, 1.4, -3.2]), np.array([-0.6, -0.5, -0.624]), np.ones(6), 50.0, 5.0, 0.02)
    lamp = replace(lamp, axis=lamp.axis / np.linalg.norm(lamp.axis))
    stand = BodiesInLight([unturned(cloud)], path, EDDIES, TIME_S)
    places = np.array(
        [[-1.0, -0.8, -6.4], [-0.6, -1.2, -5.8], [0.3, 0.1, -5.0], [1.4, 1.0, -3.6], [1.7, 1.4, -2.0]]
    )
    offset = (places - lamp.position_m).T.astype(np.float32)
    whole, dimmed = (irradiance(each, path.bands, offset)[2] for each in (lamp, stand.dimming(lamp)))
    met = 0
    for number, place in enumerate(places):
        way = place - lamp.position_m
        length = float(np.linalg.norm(way))
        expected = marched(cloud, place, way / length, length=length)
        met += expected < 0.9
        if whole[number] > 0.0:
            assert dimmed[number] / whole[number] == pytest.approx(expected, abs=0.03)
    assert met >= 3
    # Two steps of bodies dim it one after the other.
    twice = irradiance(stand.dimming(stand.dimming(lamp)), path.bands, offset)[2]
    np.testing.assert_allclose(twice * whole, dimmed * dimmed, rtol=1e-4, atol=1e-9)


def haze_by_march(
    lamp: Lamp, path: LightPath, cloud: TurbidBody, ray: F64, end_m: float, *, seen: bool = False
) -> tuple[float, float]:
    """Return a lamp's haze along a ray in one band, with the light that a body leaves, and without it.

    If it is to be ``seen``, with and without what the body hides of that light, instead.
    """
    ranges = np.linspace(0.0, end_m, 1201)
    places = LENS + ranges[:, None] * ray
    offset = places - lamp.position_m
    away = np.linalg.norm(offset, axis=1)
    turned = -(offset @ ray) / away
    # On its way back it loses what it loses on its way out: what is turned a little is made up for.
    lit = irradiance(lamp, path.bands, offset.T)[2] * np.exp(-lamp.loss_rate(path.bands)[2] * ranges)
    # Henyey and Greenstein's function (henyey1941) twice.
    lobes = [(0.992, 0.931), (0.008, -0.505)]
    lit *= sum(w * (1 - g * g) / (1 + g * g - 2 * g * turned) ** 1.5 for w, g in lobes)
    left = np.zeros(len(ranges))
    for number in np.flatnonzero(lit > 0.0)[::2]:
        way = offset[number] / away[number]
        left[number : number + 2] = marched(cloud, places[number], way, length=away[number], steps=300)
    if lamp.spread is not None:
        left *= lamp.spread(*(part.astype(np.float32) for part in (away, turned, left)))
    if seen:
        lit *= left
        dense = extinction(cloud, places, EDDIES, TIME_S)
        left = np.exp(-np.append(0.0, np.cumsum(0.5 * (dense[1:] + dense[:-1])) * ranges[1]))
    return float(np.trapezoid(lit * left, ranges)), float(np.trapezoid(lit, ranges))


def lit_from_the_side() -> Lamp:
    lamp = Lamp(np.array([1.8, 1.4, -3.2]), np.array([-0.6, -0.5, -0.624]), np.ones(6), 14.0, 5.0, 0.02)
    return replace(lamp, axis=lamp.axis / np.linalg.norm(lamp.axis))


@pytest.mark.parametrize("beside", [True, False])
def test_the_water_behind_a_cloud_has_less_of_a_beam_by_a_march(build: Builders, beside: bool) -> None:
    path, camera = build.path(), replace(build.camera(WINDOW), position_m=LENS)
    cloud = replace(body_of(build, placed("ellipsoid", clumping=0.0)), extinction_per_m=4.0)
    # A beam that crosses the picture, and a flood over the cloud.
    lamp = lit_from_the_side()
    if not beside:
        over = np.array([0.3, 1.6, -4.6])
        lamp = replace(lamp, position_m=over, axis=-UP, cone_deg=40.0)
    dimmed = BodiesInLight([unturned(cloud)], path, EDDIES, TIME_S).dimming(lamp)
    # A part of the picture, aside of its middle.
    part = Window(WINDOW.x, WINDOW.y, 20, WINDOW.height)
    (dimmed,) = through_bodies((dimmed,), path, camera, part)
    rays = camera.directions(part).reshape(3, -1)
    ends = np.resize(np.array([30.0, 4.8, 5.5, 7.0], np.float32), rays.shape[1])
    lit = backscatter(lamp, path.bands, LENS, rays, ends)[2]
    few = np.flatnonzero(lit > (0.04 if beside else 0.005) * lit.max())[:: 2 if beside else 13]
    rays, ends = np.ascontiguousarray(rays[:, few]), ends[few]
    plain, less = (backscatter(each, path.bands, LENS, rays, ends)[2] for each in (lamp, dimmed))
    expected = np.array(
        [
            haze_by_march(lamp, path, cloud, ray.astype(np.float64), float(end))
            for ray, end in zip(rays.T, ends, strict=True)
        ]
    )
    share = expected[:, 0] / expected[:, 1]
    assert len(few) > 8
    assert (share < (0.8 if beside else 0.95)).sum() >= 3
    np.testing.assert_allclose(less / plain, share, atol=0.008)


@pytest.mark.parametrize("at_m", [6.6, 4.0])
def test_the_glow_of_a_lamp_in_or_behind_a_cloud_is_what_a_march_leaves(build: Builders, at_m: float) -> None:
    window = Window(0, 0, 24, 16)
    camera = replace(build.camera(window, horizontal_view_deg=8.0), position_m=LENS)
    path, shape = build.path(), {"position": (0.3, 0.1, -at_m), "size": (2.0, 1.6, 1.2)}
    cloud = replace(body_of(build, placed("ellipsoid", clumping=0.0, **shape)), extinction_per_m=6.0)
    lamp = Lamp(np.array([0.1, 0.0, -7.0]), -AHEAD, np.ones(6), 60.0, 10.0, 0.03)
    dimmed = BodiesInLight([unturned(cloud)], path, EDDIES, TIME_S).dimming(lamp)
    shot, frame = build.shot(window, path=path, camera=camera), build.frame(window)
    open_water = {
        "alpha": np.zeros(window.shape, np.float32),
        "range": np.full(window.shape, np.inf, np.float32),
    }
    frame = replace(frame, planes={**frame.planes, **open_water})

    def glow(seen: Lamp) -> F32:
        """What the haze has more of with a glow than without one."""
        lit = replace(shot, lamps=through_bodies((seen,), path, camera, window) if seen.dimmed else (seen,))
        steps = (build.operator("lamp_backscatter", glow=strength) for strength in (1.0, 0.0))
        more, less = (build.run([("haze", step)], frame, lit, wanted=("lamp_haze",)) for step in steps)
        found: F32 = more["lamp_haze"][2] - less["lamp_haze"][2]
        return found.ravel()

    rays = camera.directions(window).reshape(3, -1).astype(np.float64).T
    towards = lamp.position_m - LENS
    off = np.degrees(np.arccos(rays @ towards / np.linalg.norm(towards)))
    whole, less = glow(lamp), glow(dimmed)
    looked = np.flatnonzero((off > 1.0) & (off < 2.0))[::5]
    spread = replace(lamp, spread=dimmed.spread)
    marches = np.array([haze_by_march(spread, path, cloud, rays[at], 12.0) for at in looked])
    expected = marches[:, 0] / marches[:, 1]
    assert len(looked) > 6
    assert (expected < 0.85).all()
    np.testing.assert_allclose(less[looked] / whole[looked], expected, atol=0.015)


@pytest.mark.parametrize("place", [(0.1, 0.0, -7.0), (-0.6, 0.5, -6.5), (0.3, 0.1, -5.2)])
def test_of_what_a_lamp_lights_a_cloud_hides_what_lies_behind_it_by_a_march(
    build: Builders, place: tuple[float, float, float]
) -> None:
    path, camera = build.path(), replace(build.camera(WINDOW, tilt_deg=0.0), position_m=LENS)
    cloud = replace(body_of(build, placed("ellipsoid", clumping=0.0)), extinction_per_m=4.0)
    lamp = Lamp(np.array(place), -AHEAD, np.ones(6), 180.0, 10.0, 0.03)
    dimmed = BodiesInLight([unturned(cloud)], path, EDDIES, TIME_S).dimming(lamp)
    rays = TurbidRays(spaced_rays(camera, np.eye(3), WINDOW, 0.125), 0.125, LENS)
    volume = TurbidVolume([cloud], rays, path, eddies=EDDIES, time_s=TIME_S, lamps=(dimmed,))
    whole = np.ones((6, *WINDOW.shape), np.float32)
    ends = np.resize(np.array([30.0, 4.8, 5.5, 7.0], np.float32), WINDOW.shape)
    kept = volume.of_lamps_haze(whole, SurfacesSeen(ends, np.ones_like(ends)), corner=(0, 0))[2]
    direction = camera.directions(WINDOW).astype(np.float64)
    found, expected, spread = [], [], replace(lamp, spread=dimmed.spread)
    for row, column in np.argwhere(kept < 0.97)[::3]:
        light = haze_by_march(spread, path, cloud, direction[:, row, column], ends[row, column], seen=True)
        found.append(kept[row, column])
        expected.append(light[0] / light[1])
    assert len(found) > 8
    assert min(expected) < 0.85
    np.testing.assert_allclose(found, expected, atol=0.03)
    # Where no body is, nothing is hidden, to the bit.
    assert (kept == 1.0).any()


def test_a_beam_that_was_spread_is_turned_by_little_less_as_photons_are() -> None:
    # Photons of a pencil: turned in the body so often as Poisson has it, by Henyey and Greenstein's function
    # (henyey1941), then once by the water's; the share that ends in a ring, over that of a beam.
    photons, similar, g = 400_000, 0.83, 0.9
    w = similar / (1.0 - g + similar * g)
    rng = np.random.default_rng(5)

    def turn(cosine: F64, lobe: float | F64) -> F64:
        s = (1.0 - lobe**2) / (1.0 - lobe + 2.0 * lobe * rng.random(photons))
        by = (1.0 + lobe**2 - s * s) / (2.0 * lobe)
        sines = np.sqrt(np.maximum((1.0 - cosine**2) * (1.0 - by**2), 0.0))
        made = cosine * by + sines * np.cos(2.0 * np.pi * rng.random(photons))
        return np.asarray(np.clip(made, -1.0, 1.0), np.float64)

    edges = np.cos(np.radians([1.0, 2.0, 4.0, 8.0]))[::-1]
    water = np.where(rng.random(photons) < 0.992, 0.931, -0.505)
    beam = np.histogram(turn(np.ones(photons), water), edges)[0]
    for depth in (1.0, 3.0):
        times, cosine = rng.poisson(depth * w, photons), np.ones(photons)
        for number in range(int(times.max())):
            cosine = np.where(times > number, turn(cosine, g), cosine)
        spread = np.histogram(turn(cosine, water), edges)[0]
        left = np.exp(-depth * (1.0 - w * g))
        expected = spread / beam * np.exp(-depth * (1.0 - w)) / left
        # Over each ring, by how much of a beam is turned there.
        rings = np.linspace(edges[:-1], edges[1:], 101)
        middle = (0.5 * (rings[1:] + rings[:-1])).astype(np.float32).ravel()
        near, kept = np.full(middle.size, 0.1, np.float32), np.full(middle.size, left, np.float32)
        weights = water_phase(middle).reshape(-1, 3)
        made = SpreadBeam(similar, 2.0).ratio(near, middle, kept).reshape(-1, 3)
        found = (made * weights).sum(axis=0) / weights.sum(axis=0)
        np.testing.assert_allclose(found, np.minimum(expected, 1.0), rtol=0.06)
        # From far behind it is a beam again, and nothing has been spread of one that met nothing.
        assert (SpreadBeam(similar, 2.0).ratio(100.0 * near, middle, kept) > made.ravel()).all()
    assert SpreadBeam(similar, 2.0).ratio(near, middle, np.ones_like(middle)) == pytest.approx(1.0)
    assert SpreadBeam(0.0, 2.0).ratio(near, middle, kept) == pytest.approx(1.0)


def test_a_shadow_softens_below_and_keeps_what_it_takes(build: Builders) -> None:
    path = build.path()
    cloud = replace(body_of(build, placed("ellipsoid", clumping=0.0)), extinction_per_m=12.0)
    hard, soft = shade(path, cloud), shade(path, cloud, softness=1.0, scattering=0.3)
    (_, depths, dark, _), (_, _, light, _) = hard.sun, soft.sun
    side = [made.sun[0][2] for made in (hard, soft)]
    taken = [
        (1.0 - plane).sum(axis=(1, 2)) / per_m**2 for plane, per_m in zip((dark, light), side, strict=True)
    ]
    np.testing.assert_allclose(taken[1][8:], taken[0][8:], rtol=0.03)
    # Its deepest grows lighter with the way, the sky's sooner than the sun's.
    assert (np.diff(light[-8:].min(axis=(1, 2))) > 0.0).all()
    assert soft.sky[2][-4:].min() > light[-4:].min()
    assert light[-1].min() > dark[-1].min() + 0.05
    assert depths[-1] == pytest.approx(DEEPEST_M)


def test_bodies_of_two_steps_shade_together_with_the_same_bits_for_any_threads(build: Builders) -> None:
    path = build.path()
    one, other = (body_of(build, placed(kind, clumping=0.5)) for kind in ("ellipsoid", "slab"))
    point = np.array([[0.3, -2.2, -5.0]])
    both = BodyShade(
        tuple(BodiesInLight([unturned(body)], path, STILL, 0.0) for body in (one, other)),
        ShadeWater(SunBeam(0.6, 0.0, 1.34), 0.0, softness=0.0),
        AXES,
        LENS,
        DEEPEST_M,
    )
    alone = [replace(both, bodies=(each,)) for each in both.bodies]
    apart = left_at(alone[0], point) * left_at(alone[1], point)
    np.testing.assert_allclose(left_at(both, point), apart, atol=0.02)
    with at_most(1):
        single = replace(both).sun
    with at_most(3):
        several = replace(both).sun
    assert np.array_equal(single[2], several[2])


def test_bodies_dim_what_is_left_already_on_their_map_and_aside_of_it() -> None:
    numbers = tuple(np.float32(number) for number in (0.0, 0.0, 1.0, 0.0, 0.0, 0.5))
    depths, aside = np.array([1.0, 3.0], np.float32), np.array([0.8, 0.6], np.float32)
    bodies = (numbers, depths, np.full((2, 64, 64), 0.4, np.float32), aside)
    left = np.full(3, 0.5, np.float32)
    # On the map; aside of it, halfway between two depths; above all bodies.
    places = np.array([[31.5, -9.0, 31.5], [31.5, 5.0, 31.5], [2.0, 2.0, 0.4]], np.float32)
    dim_by_bodies(bodies, places[0], places[1], places[2], left)
    np.testing.assert_allclose(left, [0.5 * 0.4, 0.5 * 0.7, 0.5], rtol=1e-6)


def test_along_rays_light_is_dimmed_where_a_body_is_met_and_nowhere_else() -> None:
    # Light that loses .1 a metre from where it comes, and a ball of 1 m, 5 m ahead of the lens.
    ball = TurbidShape(ELLIPSOID, LENS + 5.0 * AHEAD, np.eye(3), np.full(3, 1.0), 0.01)
    even = density_waves(1, "even", scale_m=2.0, variation=0.0, shift_m=np.zeros(3))
    body = TurbidBody((ball,), 2.0, np.full(6, 0.5), 0.9, even)
    packed = PackedBodies.of([body], LENS, UP, STILL, 0.0)
    aside = np.linspace(-0.1, 0.1, 3)
    ways = AHEAD[:, None, None] + np.array([1.0, 0.7, 0.0])[:, None, None] * aside
    ways /= np.linalg.norm(ways, axis=0)
    rays: F32 = np.stack([*ways, -ways[1]]).astype(np.float32)
    metres = np.linspace(0.0, 10.0, 4 * 80 + 1, dtype=np.float32)
    nodes = np.linspace(0.0, 40.0, 81, dtype=np.float32)
    depth = np.broadcast_to(np.float32(0.1) * nodes[:, None], (4, 81, 4)).copy()
    away = np.array([0.3, 0.9, -1.5], np.float32)
    light = depth, nodes, np.array([[1, 0, 0], [0, 1, 0], [0, 0, -1]], np.float32), np.float32(4.0)
    out = np.ones((1, 3, 81), np.float32)
    lens = np.array([*UP, 9.0, 1.0], np.float32)
    dim_along_rays(rays, metres, lens, packed.shapes, light, away, np.float32(0.6), out)
    places = rays[:3, 0, :, None] * metres[::4]
    from_light = np.linalg.norm(places + away[:, None, None], axis=0)
    expected = 1.0 - 0.6 * (1.0 - np.exp(-0.1 * from_light))
    off = np.linalg.norm(places - (5.0 * AHEAD)[:, None, None], axis=0)
    for column in range(3):
        inside = off[column] < 1.0
        assert inside.sum() > 10
        np.testing.assert_allclose(out[0, column, inside], expected[column, inside], rtol=2e-4)
        assert (out[0, column, off[column] > 2.5] == 1.0).all()
