"""Shadows of lamps against rays cast by hand: a ball before a wall over a floor, all known by formulas.

Source: our own ray caster below, by the formulas of sphere and plane; it knows the whole ball, of which the
picture shows the side towards the lens. The lamp's disc is cut into points, the haze into 300 steps a ray.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from tests.conftest import Builders

from halocline._typing import F32, F64
from halocline.compute.threads import at_most
from halocline.filters.facing import normals_from_range
from halocline.imaging.camera import Camera
from halocline.imaging.frame import Window
from halocline.physics.path.lamp_shadow import LampShadow, ThingsSeen
from halocline.physics.path.lamps import Lamp, backscatter, beam_share, lit_surfaces, water_phase
from halocline.physics.water.bands import Bands

WINDOW = Window(0, 0, 320, 180)
BALL, RADIUS_M, WALL_M, FLOOR_M = np.array([0.2, 0.0, -5.0]), 0.5, -8.0, -1.5
PLACE = np.array([1.2, 0.8, 0.1])


def first_met(begin: F64, direction: F64, *, ball: bool = True) -> F64:
    """Return how far rays go from a point to ball, wall or floor."""
    from_ball = begin - BALL
    along = from_ball @ direction
    left = along**2 - (from_ball @ from_ball - RADIUS_M**2)
    met = np.where(left > 0.0, -along - np.sqrt(np.maximum(left, 0.0)), np.inf)
    with np.errstate(divide="ignore"):
        wall = np.where(direction[2] < 0.0, (WALL_M - begin[2]) / direction[2], np.inf)
        floor = np.where(direction[1] < 0.0, (FLOOR_M - begin[1]) / direction[1], np.inf)
    behind = np.minimum(wall, floor)
    return np.minimum(behind, np.where(met > 0.0, met, np.inf)) if ball else behind


@dataclass(frozen=True)
class Scene:
    """The picture of it, and what is known of each pixel, ``(3, n)`` or ``(n,)``."""

    things: ThingsSeen
    direction: F32
    range_m: F32
    normal: F32
    on_ball: np.ndarray
    bands: Bands


def seen_by(camera: Camera, range_m: F32) -> ThingsSeen:
    """Return things that cover every pixel, at these ranges."""
    lens = camera.rotation, camera.position_m, camera.tangent_per_px, camera.centre_px
    return ThingsSeen(range_m, np.ones_like(range_m), None, None, *lens)


@pytest.fixture(scope="module")
def scene() -> Scene:
    camera = Builders.camera(WINDOW)
    direction = camera.directions(WINDOW)
    rays = direction.reshape(3, -1).astype(np.float64)
    range_m, behind = (first_met(np.zeros(3), rays, ball=ball) for ball in (True, False))
    picture = range_m.reshape(WINDOW.shape).astype(np.float32)
    seen = seen_by(camera, picture)
    normal = normals_from_range(direction, picture).reshape(3, -1)
    flat = direction.reshape(3, -1)
    return Scene(seen, flat, picture.ravel(), normal, range_m < behind, Builders.grey_bands(0.1, 0.15, 0.12))


def lamp(*, radius: float = 0.04) -> Lamp:
    aim = np.array([0.2, 0.0, -8.0]) - PLACE
    return Lamp(PLACE, aim / np.linalg.norm(aim), np.ones(4), 60.0, 20.0, radius)


def shadow(scene: Scene, of: Lamp, **art: float) -> LampShadow:
    found = of.shadowed(scene.things, scene.bands, **art).shadow
    assert found is not None
    return found


def disc_seen(of: Lamp, points: F64) -> F64:
    """Return the share of a lamp's disc that points see, with nothing else between than the ball."""
    across = np.cross(of.axis, [0.0, 1.0, 0.0])
    across /= np.linalg.norm(across)
    grid = np.linspace(-0.95, 0.95, 9)
    parts = [(a, b) for a in grid for b in grid if a * a + b * b <= 1.0]
    total = np.zeros(points.shape[1])
    for a, b in parts:
        begin = of.position_m + of.radius_m * (a * across + b * np.cross(of.axis, across))
        way = points - begin[:, None]
        length = np.linalg.norm(way, axis=0)
        total += first_met(begin, way / length) > length - 1e-3
    return total / len(parts)


def test_the_ball_throws_its_shadow_where_rays_say(scene: Scene) -> None:
    points = scene.direction * scene.range_m
    left = shadow(scene, lamp()).left_at(points - PLACE[:, None].astype(np.float32), scene.normal)
    wanted = disc_seen(lamp(), points.astype(np.float64))
    apart, dark = np.abs(left - wanted)[~scene.on_ball], (wanted < 0.5)[~scene.on_ball]
    assert dark.mean() > 0.01
    assert apart.mean() < 0.003
    # Where it is wrong by half, its edge is off by most of a pixel.
    assert (apart > 0.5).sum() < 0.03 * dark.sum()
    # Wall and floor do not stand in their own light, however flat it falls.
    assert left[~scene.on_ball][wanted[~scene.on_ball] == 1.0].mean() > 0.999
    # The lens does not see the ball's far side, and what of it is lit has no shadow on it.
    assert left[scene.on_ball].mean() == pytest.approx(wanted[scene.on_ball].mean(), abs=0.03)


@pytest.mark.parametrize(("place", "most"), [((0.3, 1.6, -1.0), 0.01), ((1.8, 1.0, -1.5), 0.06)])
def test_the_rim_of_its_shadow_is_whole_from_a_lamp_aside(
    scene: Scene, place: tuple[float, float, float], most: float
) -> None:
    # What the lamp sees of the ball ends at the lens's limb, where a pixel reaches a tenth of its radius.
    of = replace(lamp(), position_m=np.array(place))
    points = (scene.direction * scene.range_m)[:, ~scene.on_ball]
    offset = points - of.position_m[:, None].astype(np.float32)
    left = shadow(scene, of).left_at(offset, scene.normal[:, ~scene.on_ball])
    wanted = disc_seen(of, points.astype(np.float64))
    assert (np.abs(left - wanted) > 0.5).sum() < most * (wanted < 0.5).sum()


@pytest.mark.parametrize("place", [(0.22, 0.05, -4.17), (0.2, 0.0, -3.5), (-0.6, 0.3, -7.0)])
def test_a_lamp_in_the_picture_lights_what_is_behind_it(
    scene: Scene, place: tuple[float, float, float]
) -> None:
    # Rows of its map begin on the lamp itself; what lies behind it there shades nothing beside it.
    of = replace(lamp(), position_m=np.array(place))
    points = scene.direction * scene.range_m
    left = shadow(scene, of).left_at(points - of.position_m[:, None].astype(np.float32), scene.normal)
    wanted = disc_seen(of, points.astype(np.float64))
    assert wanted.mean() > 0.2
    # From behind the ball its own far side, which the lens does not see, would shade what the lens sees.
    faces = place[2] > BALL[2]
    apart = np.abs(left - wanted)[faces | ~scene.on_ball]
    assert (apart > 0.5).sum() < 0.004 * apart.size
    assert left[wanted == 1.0].mean() > 0.99


@pytest.mark.parametrize("wide", [1.0, 3.0])
def test_a_gap_that_pixels_hardly_tell_throws_no_comb(wide: float) -> None:
    # A card hangs on the left, and a lamp behind it shines on the wall through the gap at its edge, which is
    # as wide as what is taken for one surface, more or less by 8 % in waves down the picture: where it is
    # wider, as little light comes through. One three times as wide is open.
    camera = Builders.camera(WINDOW)
    direction = camera.directions(WINDOW).astype(np.float64)
    near = 2.0 / -direction[2]
    limit = 25.0 * min(camera.tangent_per_px)
    waves = 1.0 + 0.08 * np.sin(2.0 * np.pi * np.arange(WINDOW.height) / 12.0)[:, None]
    picture = np.where(np.arange(WINDOW.width) < 150, near, near * (1.0 + wide * limit * waves))
    things = seen_by(camera, picture.astype(np.float32))
    place = np.array([-1.5, 0.0, -2.05])
    of = Lamp(place, np.array([1.0, 0.0, 0.0]), np.ones(4), 80.0, 20.0, 0.01)
    bands = Builders.grey_bands(0.1, 0.15, 0.12)
    points = (direction * picture - place[:, None, None])[:, :, 155:].astype(np.float32)
    thrown = of.shadowed(things, bands).shadow
    assert thrown is not None
    lit = thrown.left_at(points).mean(axis=1)
    assert lit.max() < 0.2 if wide == 1.0 else lit.mean() > 0.5


def test_an_edge_between_pixels_throws_its_shadow_from_between_them(scene: Scene) -> None:
    # An upright card 5 m ahead, right of an edge that covers a part of its last column; by similar triangles
    # its shadow on the wall begins at x_lamp + (x_edge - x_lamp) (8.1 / 5.1).
    camera, column = scene.things, 150
    slant = np.sqrt(1.0 + (scene.direction[:2] ** 2).sum(axis=0) / scene.direction[2] ** 2)
    card, wall = ((depth * slant).reshape(WINDOW.shape).astype(np.float32) for depth in (5.0, -WALL_M))
    points = np.zeros((3, 4000))
    points[0], points[2] = np.linspace(-2.0, 0.5, 4000), WALL_M
    offset = (points - PLACE[:, None]).astype(np.float32)
    normal = np.broadcast_to(np.array([[0.0], [0.0], [1.0]], np.float32), points.shape)
    for share in (0.1, 0.4, 0.6, 0.9):
        covered = np.clip(np.arange(WINDOW.width) - column + share, 0.0, 1.0) * np.ones(WINDOW.shape)
        far_share = np.where(covered > 0.0, 1.0 - covered, 0.0).astype(np.float32)
        range_m = np.where(covered > 0.0, card, wall)
        things = replace(camera, range_m=range_m, far_range_m=wall, far_share=far_share)
        made = shadow(replace(scene, things=things), lamp()).left_at(offset, normal)
        edge_m = 5.0 * (column + 1.0 - share - camera.centre_px[0]) * camera.tangent_per_px[0]
        begins = PLACE[0] + (edge_m - PLACE[0]) * (8.1 / 5.1)
        found = points[0, -1] - (1.0 - made).mean() * 2.5
        # A third of what a pixel's shadow is wide.
        assert found == pytest.approx(begins, abs=8.1 * camera.tangent_per_px[0] / 3.0)


def test_edges_are_as_soft_as_the_lamp_is_large(scene: Scene) -> None:
    # By similar triangles the half shadow on the wall is 2 rho (8.1 - 5.1) / 5.1 wide, for the ball's middle.
    wall = np.zeros((3, 3000))
    wall[0], wall[1], wall[2] = np.linspace(-1.688, 0.912, 3000), -0.47, WALL_M
    offset = (wall - PLACE[:, None]).astype(np.float32)
    normal = np.broadcast_to(np.array([[0.0], [0.0], [1.0]], np.float32), wall.shape)
    for radius in (0.08, 0.16):
        made = shadow(scene, lamp(radius=radius)).left_at(offset, normal)
        truth = disc_seen(lamp(radius=radius), wall)
        middle = len(made) // 2
        for half in (made[:middle], made[middle:]):
            assert half.min() < 0.01
            assert half.max() > 0.99
        # The half shadow of each edge, as the light that is missing in it.
        soft = [float((4.0 * v * (1.0 - v)).sum()) for v in (made, truth)]
        assert soft[0] == pytest.approx(soft[1], rel=0.3)
        assert (1.0 - made).sum() == pytest.approx((1.0 - truth).sum(), rel=0.04)


def test_the_beam_is_dark_behind_the_ball(scene: Scene) -> None:
    of = lamp()
    some = np.s_[::19]
    direction, ends = np.ascontiguousarray(scene.direction[:, some]), scene.range_m[some]
    light, dimmed = (
        backscatter(each, scene.bands, np.zeros(3), direction, ends)
        for each in (of, of.shadowed(scene.things, scene.bands))
    )
    rays, out_rate = direction.astype(np.float64), of.loss_rate(scene.bands)[0]
    whole, lit = np.zeros(ends.size), np.zeros(ends.size)
    for step in range(300):
        t = (step + 0.5) / 300.0 * ends
        way = rays * t - PLACE[:, None]
        r = np.linalg.norm(way, axis=0)
        way /= r
        thrown = beam_share(of, of.axis @ way) * water_phase(-(way * rays).sum(axis=0))
        thrown *= np.exp(-out_rate * (r + t)) / (r * r + of.radius_m**2) * ends
        whole += thrown
        lit += thrown * (first_met(PLACE, way) > r)
    kept = dimmed[0] / light[0]
    assert (lit / whole).min() < 0.98
    # A lamp is a disc here and a point there: beside the shadow one ray of 3032 keeps .982 of all.
    np.testing.assert_allclose(kept, lit / whole, atol=0.019)
    assert np.abs(kept - lit / whole).mean() < 5e-4
    # Where the light is all there it is that to the bit.
    assert (kept == 1.0).mean() > 0.5
    assert (kept <= 1.0).all()


def test_what_floats_is_dark_behind_things_and_lit_before_them(scene: Scene) -> None:
    towards = (BALL - PLACE)[:, None]
    offset = towards * np.array([0.5, 0.85, 1.15, 1.3])
    found = shadow(scene, lamp()).left_at(offset)
    np.testing.assert_array_equal(found, [1.0, 1.0, 0.0, 0.0])
    aside = offset + np.array([[0.0], [1.2], [0.0]])
    np.testing.assert_array_equal(shadow(scene, lamp()).left_at(aside), 1.0)


def test_a_lamp_in_the_lens_and_its_own_housing_throw_none(scene: Scene) -> None:
    points = scene.direction * scene.range_m
    in_lens = replace(lamp(), position_m=np.array([0.0, 1e-3, 0.0]))
    assert (shadow(scene, in_lens).left_at(points, scene.normal) == 1.0).all()
    assert not shadow(scene, in_lens).in_water
    # On its way to the lens a lamp approaches that without a leap.
    close = replace(lamp(), position_m=np.array([0.0, 0.03, 0.0]))
    offset = points - close.position_m[:, None].astype(np.float32)
    assert shadow(scene, close).left_at(offset, scene.normal).mean() > 0.99
    # What is nearer than 20 cm to the lamp holds it.
    held = replace(lamp(), position_m=BALL + np.array([0.0, 0.0, RADIUS_M + 0.1]))
    wall = np.array([[0.2], [0.0], [WALL_M]]) - held.position_m[:, None]
    assert shadow(scene, held).left_at(wall)[0] == 1.0
    far = replace(held, position_m=BALL + np.array([0.0, 0.0, RADIUS_M + 0.5]))
    assert shadow(scene, far).left_at(wall)[0] == 0.0


def test_a_lamp_behind_things_does_not_light_the_side_that_the_lens_sees(scene: Scene) -> None:
    behind = replace(lamp(), position_m=np.array([0.2, 0.0, -7.0]), axis=np.array([0.0, 0.0, 1.0]))
    lit = behind.shadowed(scene.things, scene.bands)
    offset = scene.direction * scene.range_m - behind.position_m[:, None].astype(np.float32)
    light = lit_surfaces(lit, scene.bands, offset, None, scene.normal)[0]
    assert light[scene.on_ball].max() < 0.05 * light[~scene.on_ball].max()


def test_no_bit_depends_on_threads_or_on_how_points_are_cut(scene: Scene) -> None:
    points = (scene.direction * scene.range_m - PLACE[:, None].astype(np.float32)).copy()
    made = []
    for threads in (1, 2):
        with at_most(threads):
            each = shadow(scene, lamp())
            each.ready(water=True)
            haze = np.ones((4, scene.range_m.size), np.float32)
            each.dim(scene.direction, scene.range_m, haze)
            made.append((each.left_at(points, scene.normal), haze))
    for one, other in zip(*made, strict=True):
        np.testing.assert_array_equal(one, other)
    half = points.shape[1] // 2
    cut = shadow(scene, lamp()).left_at(points[:, half:], scene.normal[:, half:])
    np.testing.assert_array_equal(cut, made[0][0][half:])


def test_art_makes_edges_softer_and_no_shadow_darker(scene: Scene) -> None:
    points = scene.direction * scene.range_m - PLACE[:, None].astype(np.float32)
    sharp, soft = (shadow(scene, lamp(), softness=art).left_at(points, scene.normal) for art in (0.5, 6.0))
    between = [((left > 0.1) & (left < 0.9))[~scene.on_ball].sum() for left in (sharp, soft)]
    assert between[1] > 1.5 * between[0]
    assert sharp.mean() == pytest.approx(soft.mean(), abs=0.005)
