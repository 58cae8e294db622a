"""Lamps' shadows on surfaces, against rays from many points of the lamp's disc to what the lens sees."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from halocline._typing import F32, F64
from halocline.filters.facing import normals_from_range
from halocline.imaging.camera import pinhole
from halocline.imaging.frame import Window
from halocline.physics.path.beam import Beam
from halocline.physics.path.lamp_shadow import LampShadow, ThingsSeen

SIZE = Window(0, 0, 320, 180)
RADIUS_M = 0.01
NEAR = ((0.02, -0.06, -0.3, 0.05), (-0.15, -0.08, -0.45, 0.05), (0.1, -0.09, -0.5, 0.04))


def sphere_m(origin: F64, direction: F64, centre: F64, radius: float) -> F64:
    """How far rays ``(3, ...)`` go to a sphere; inf where they miss it."""
    away = (origin - centre).reshape(3, *(1,) * (direction.ndim - 1))
    half = (direction * away).sum(axis=0)
    root = half**2 - (away**2).sum() + radius**2
    found = -half - np.sqrt(np.maximum(root, 0.0))
    return np.where((root > 0.0) & (found > 0.0), found, np.inf)


def shares(
    lamp: F64, balls: list[tuple[F64, float]], floor: float, size: Window = SIZE
) -> tuple[F32, F64, F64]:
    """What is left of a lamp on floor and balls, what should be, and the cosine at the lamp, by pixel."""
    camera = pinhole(size, focal_length_mm=28.0, film_width_mm=36.0, camera_to_world=np.eye(4))
    view = camera.directions(size).astype(np.float64)
    level = np.where(view[1] < 0.0, floor / np.minimum(view[1], -1e-9), np.inf)
    range_m = np.minimum(level, np.inf)
    normal = np.zeros_like(view)
    normal[1] = 1.0
    for centre, radius in balls:
        met = sphere_m(np.zeros(3), view, centre, radius)
        first = met < range_m
        range_m = np.where(first, met, range_m)
        reached = view * np.where(first, met, 0.0)
        normal = np.where(first, (reached - centre[:, None, None]) / radius, normal)
    narrow = np.where(range_m < 3.0, range_m, np.inf).astype(np.float32)
    seen = np.isfinite(narrow)
    things = ThingsSeen(
        narrow,
        seen.astype(np.float32),
        None,
        None,
        camera.rotation,
        camera.position_m,
        camera.tangent_per_px,
        camera.centre_px,
    )
    axis = np.array([0.0, -0.1, -0.6]) - lamp
    axis /= np.linalg.norm(axis)
    shadow = LampShadow(things, lamp, axis, RADIUS_M, Beam.of(1.2, 0.1, None), np.full((2, 3), 0.2))
    reached = np.where(seen, view * np.where(seen, narrow, 0.0), [[[0.0]], [[0.0]], [[-1.0]]])
    offset = (reached - lamp[:, None, None]).astype(np.float32)
    found = shadow.left_at(offset, normals_from_range(camera.directions(size), narrow))
    across = np.cross(axis, [0.0, 1.0, 0.0])
    across /= np.linalg.norm(across)
    truth, upward = np.zeros(size.shape), np.cross(across, axis)
    for number in range(24):
        out, turn = RADIUS_M * np.sqrt((number + 0.5) / 24), 2.399963 * number
        point = lamp + out * (np.cos(turn) * across + np.sin(turn) * upward)
        away = reached - point[:, None, None]
        metres = np.sqrt((away**2).sum(axis=0))
        open_way = np.ones(size.shape, bool)
        for centre, radius in balls:
            open_way &= sphere_m(point, away / metres, centre, radius) >= metres - 1e-3
        truth += open_way / 24
    cosine = -(normal * offset).sum(axis=0) / np.sqrt((offset**2).sum(axis=0))
    return found[seen], truth[seen], cosine[seen]


def behind_a_post(x: float) -> F64:
    """The least that a lamp leaves of a wall behind a post, and of the haze before it."""
    camera = pinhole(SIZE, focal_length_mm=28.0, film_width_mm=36.0, camera_to_world=np.eye(4))
    view = camera.directions(SIZE).astype(np.float64)
    wall, post = 4.0 / -view[2], 2.0 / -view[2]
    met = np.where(np.abs(view[0] * post - x) < 0.06, post, wall).astype(np.float32)
    seen = camera.rotation, camera.position_m, camera.tangent_per_px, camera.centre_px
    things, lamp = ThingsSeen(met, np.ones_like(met), None, None, *seen), np.array([1.4, 0.0, 0.0])
    axis = np.array([-0.5, 0.0, -1.0]) / np.sqrt(1.25)
    shadow = LampShadow(things, lamp, axis, RADIUS_M, Beam.of(1.2, 0.1, None), np.full((2, 3), 0.2))
    place = np.linspace(-2.0, 2.0, 800)
    points = np.stack([place, np.full(800, 0.1), np.full(800, -4.0)]) - lamp[:, None]
    normal = np.broadcast_to(np.array([[0.0], [0.0], [1.0]], np.float32), points.shape)
    ends = np.full(60, 4.0, np.float32)
    rays = np.stack([np.linspace(-0.5, 0.5, 60), np.full(60, 0.02), np.full(60, -1.0)])
    haze = np.ones((3, 60), np.float32)
    shadow.dim((rays / np.sqrt((rays**2).sum(axis=0))).astype(np.float32), ends, haze)
    return np.array([shadow.left_at(points, normal).min(), haze.min()], np.float64)


def test_a_shadow_fades_as_what_throws_it_leaves_the_picture() -> None:
    # The picture ends 32.7 degrees aside (18 / 28): at 1.286 m, two metres ahead. The post moves on by half a
    # degree a frame, and what it throws never gets lighter by more than four tenths from one to the next.
    angles = np.radians(np.arange(26.0, 36.0, 0.5))
    left = np.stack([behind_a_post(float(2.0 * np.tan(angle))) for angle in angles])
    assert left[0, 0] == pytest.approx(0.0, abs=1e-6)
    np.testing.assert_array_equal(left[-1], 1.0)
    assert (np.diff(left[:, 0]) > -1e-3).all()
    assert np.diff(left[:, 0]).max() < 0.4
    # So does the shaft in the water.
    dark = 1.0 - left[:, 1]
    assert dark[0] > 0.02
    assert -np.diff(dark).min() < 0.4 * dark[0]


def test_edges_run_between_the_directions_of_the_map() -> None:
    ball = np.array([-0.05, 0.0, -1.2]), 0.3
    found, truth, cosine = shares(np.array([0.25, 0.1, 0.0]), [ball], -0.4)
    lit = cosine > 0.05
    assert (truth[lit] < 0.1).mean() > 0.02
    off = (found - truth)[lit]
    # Measured: .0013, and .0018 where edges lie between directions, half way.
    assert np.abs(off).mean() < 0.0016
    assert abs(off.mean()) < 0.0007


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_what_is_round_has_a_back_where_a_near_lamp_shines_behind_it(way: float) -> None:
    balls = [(np.array([way * x, y, z]), radius) for x, y, z, radius in NEAR]
    # So high that no ball stands at the picture's edge, where its shadow fades.
    found, truth, cosine = shares(np.array([way * 0.15, 0.02, 0.0]), balls, -0.12, Window(0, 0, 320, 260))
    lit = cosine > 0.05
    # Measured: .0025, and .0049 without backs.
    assert np.abs(found - truth)[lit].mean() < 0.003


@pytest.mark.parametrize(("bumps", "behind"), [(0.0, 0.4), (0.1, 0.4), (0.1, 0.12)])
def test_a_lamp_within_a_wall_lights_none_of_it_and_all_before_it_stays_lit(
    bumps: float, behind: float
) -> None:
    # A wall with bumps 3 m ahead, and a lamp on either side of it.
    camera = pinhole(SIZE, focal_length_mm=28.0, film_width_mm=36.0, camera_to_world=np.eye(4))
    view = camera.directions(SIZE).astype(np.float64)
    metres = 3.0 / -view[2]
    for _ in range(40):
        x, y, _ = view * metres
        metres = (3.0 - bumps * np.sin(9.0 * x) * np.sin(11.0 * y)) / -view[2]
    range_m = metres.astype(np.float32)
    seen = camera.rotation, camera.position_m, camera.tangent_per_px, camera.centre_px
    things = ThingsSeen(range_m, np.ones_like(range_m), None, None, *seen)
    faces, light = normals_from_range(camera.directions(SIZE), range_m), []
    for z in (-2.6, -3.0 - behind):
        lamp = np.array([0.05, -0.1, z])
        beam = Beam.of(3.1, 0.02, None)
        shadow = LampShadow(things, lamp, np.array([0.0, 0.0, 1.0]), 0.03, beam, np.full((2, 3), 0.2))
        offset = (view * metres - lamp[:, None, None]).astype(np.float32)
        squared = (offset**2).sum(axis=0)
        cosine = np.maximum(-(offset * faces).sum(axis=0) / np.sqrt(squared), 0.0)
        light.append(shadow.left_at(offset, faces) * cosine / squared)
    before, within = light
    assert things.hides(np.array([0.05, -0.1, -2.6]), 0.2) == 0.0
    assert things.hides(np.array([0.05, -0.1, -3.4]), 0.2) == 1.0
    # Measured: 0, and .006 to .008 where bumps lift what is far away into its light; .03 with a hole in its
    # shadow as wide as its housing.
    assert within.mean() < 1e-2 * before.mean()
    # Behind a post narrower than what is looked at it goes on shining.
    post = np.where(np.abs(view[0] * metres - 0.05) < 0.06, np.float32(2.0), range_m)
    assert replace(things, range_m=post).hides(np.array([0.05, -0.1, -2.6]), 0.2) < 0.05


def seen_by_a_lens(depth_m: F64, alpha: F32 | None = None) -> ThingsSeen:
    """Things by their planar depth, as a lens at the origin sees them along -z."""
    camera = pinhole(SIZE, focal_length_mm=28.0, film_width_mm=36.0, camera_to_world=np.eye(4))
    range_m = (depth_m / -camera.directions(SIZE)[2]).astype(np.float32)
    cover = np.ones_like(range_m) if alpha is None else alpha
    seen = camera.rotation, camera.position_m, camera.tangent_per_px, camera.centre_px
    return ThingsSeen(range_m, cover, None, None, *seen)


def tangents() -> tuple[F64, F64]:
    """Tangents of the view angle of each pixel, to the right and up."""
    camera = pinhole(SIZE, focal_length_mm=28.0, film_width_mm=36.0, camera_to_world=np.eye(4))
    x, y, z = camera.directions(SIZE).astype(np.float64)
    return x / -z, y / -z


def test_only_what_stands_before_a_place_hides_it() -> None:
    right, above = tangents()
    board = (np.abs(right - 0.3) < 0.2) & (np.abs(above - 0.17) < 0.15)
    things = seen_by_a_lens(np.where(board, 2.0, 9.0))
    # Behind the board's middle, and as far to the other sides of the axis.
    assert things.hides(np.array([0.9, 0.5, -3.0]), 0.2) == 1.0
    for side in ((-0.9, 0.5), (0.9, -0.5), (-0.9, -0.5)):
        assert things.hides(np.array([*side, -3.0]), 0.2) == 0.0
    # Before it, behind the lens, and where a part of what is about it lies outside the picture.
    assert things.hides(np.array([0.3, 0.17, -1.0]), 0.2) == 0.0
    assert things.hides(np.array([0.9, 0.5, 3.0]), 0.2) == 0.0
    wall = seen_by_a_lens(np.full(SIZE.shape, 2.0))
    assert wall.hides(np.array([0.0, 0.0, -3.0]), 0.2) == 1.0
    # 18 / 28 and 18 / 28 * 9 / 16 of 3 m.
    for edge in ((-1.9, 0.0), (1.9, 0.0), (0.0, 1.05), (0.0, -1.05)):
        assert wall.hides(np.array([*edge, -3.0]), 0.2) == 0.0
    # What covers little of its pixels, or none, hides nothing.
    thin = seen_by_a_lens(np.full(SIZE.shape, 2.0), np.full(SIZE.shape, 0.3, np.float32))
    assert thin.hides(np.array([0.0, 0.0, -3.0]), 0.2) == 0.0


def left_of_a_wall(things: ThingsSeen, lamp: F64, radius_m: float, wall_m: float) -> tuple[F32, F64]:
    """What a lamp leaves of a wall across the view, and the points on it as seen from the lamp."""
    axis, rates = np.array([0.0, 0.0, -1.0]), np.full((2, 3), 0.2)
    shadow = LampShadow(things, lamp, axis, radius_m, Beam.of(3.1, 0.02, None), rates)
    right, above = tangents()
    points = np.stack([right * wall_m, above * wall_m, np.full(SIZE.shape, -wall_m)])
    offset = points - lamp[:, None, None]
    normal = np.zeros_like(offset, np.float32)
    normal[2] = 1.0
    return shadow.left_at(offset, normal), offset


@pytest.mark.parametrize(
    ("before_m", "radius_m", "casts"),
    [(0.15, 0.01, False), (0.25, 0.01, True), (0.25, 0.1, False), (0.4, 0.1, True)],
)
def test_what_is_nearer_than_20_cm_or_three_radii_is_the_lamps_own(
    before_m: float, radius_m: float, casts: bool
) -> None:
    # A block two metres ahead, a lamp so far before it and a little aside, and a wall behind.
    right, above = tangents()
    block = (np.abs(right * 2.0) < 0.03) & (np.abs(above * 2.0) < 0.03)
    things = seen_by_a_lens(np.where(block, 2.0, 4.0))
    left, _ = left_of_a_wall(things, np.array([0.05, 0.02, before_m - 2.0]), radius_m, 4.0)
    assert (float(left.min()) < 0.9) is casts


def test_a_lamp_behind_a_board_lights_what_faces_it_beyond() -> None:
    # The board's own near flanks take no grazing light; this is neither near nor grazed.
    right, _ = tangents()
    things = seen_by_a_lens(np.where(right > 0.0, 2.0, 3.4))
    lamp = np.array([1.0, 0.0, -2.3])
    assert things.hides(lamp, 0.2) == 1.0
    left, offset = left_of_a_wall(things, lamp, 0.03, 3.4)
    away = np.sqrt((offset**2).sum(axis=0))
    clear = (right < -0.05) & ((away > 2.0) | (-offset[2] / away > 0.5))
    assert clear.sum() > 10000
    np.testing.assert_allclose(left[clear], 1.0, atol=1e-6)
