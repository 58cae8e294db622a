"""Normals of pixels whose middle shows another surface than their range is of, or none."""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.filters.facing import normals_of_farther, sun_over_diffuse, sun_over_diffuse_of
from halocline.imaging.edge_normals import normals_of_nearer

POST, WALL, FLOOR = ((1.0, 0.0, 0.0), (0.0, 0.0, 1.0), (0.0, 1.0, 0.0))
NEAR_M, FAR_M = np.float32(2.0), np.float32(9.0)
UP = np.array([0.0, 1.0, 0.0])
SUN = np.array([0.0, -1.0, 0.0])


def picture() -> tuple[F32, F32]:
    """A post in columns 4 to 6 before a wall: normals and range of each pixel's middle."""
    range_m = np.full((7, 12), FAR_M)
    range_m[:, 4:7] = NEAR_M
    normal = np.where(range_m == NEAR_M, *(np.array(each)[:, None, None] for each in (POST, WALL)))
    return normal.astype(np.float32), range_m


def test_a_pixel_whose_middle_is_farther_gets_the_normal_of_its_nearer_surface() -> None:
    normal, before = picture()
    after = before.copy()
    after[:, 7] = NEAR_M
    found = normals_of_nearer(normal, before, after)
    assert (found[:, :, 7] == np.array(POST)[:, None]).all()
    others = np.delete(np.arange(12), 7)
    np.testing.assert_array_equal(found[..., others], normal[..., others])
    assert (normal[:, :, 7] == np.array(WALL)[:, None]).all(), "the pass itself is left alone"


def test_a_pixel_without_a_direction_takes_one_of_its_own_surface_alone() -> None:
    normal, range_m = picture()
    normal[:, :, 5] = 0.0
    found = normals_of_nearer(normal, range_m, range_m)
    assert (found[:, :, 5] == np.array(POST)[:, None]).all()
    # Where none is close by nothing is made up, nor where nothing is.
    normal[...] = 0.0
    assert not normals_of_nearer(normal, range_m, range_m).any()
    open_water = np.full_like(range_m, np.inf)
    assert normals_of_nearer(normal, open_water, open_water) is normal


def test_the_last_pixel_of_far_ground_takes_the_direction_of_ground_that_falls_away_to_it() -> None:
    range_m = np.repeat(np.array([[11.5], [10.0], [9.0], [8.2]], np.float32), 6, axis=1)
    normal = np.broadcast_to(np.array(FLOOR, np.float32)[:, None, None], (3, 4, 6)).copy()
    normal[:, 0] = 0.0
    # A post beside it lends none of its own, and one of the same range does so before the ground does.
    range_m[:, 5], normal[:, :, 5] = NEAR_M, np.array(POST, np.float32)[:, None]
    assert (normals_of_nearer(normal, range_m, range_m)[:, 0, :5] == np.array(FLOOR)[:, None]).all()
    range_m[0, 5], normal[:, 0, 5] = 11.5, WALL
    assert (normals_of_nearer(normal, range_m, range_m)[:, 0, 4] == np.array(WALL)).all()


def test_the_farther_surface_has_the_direction_of_what_shows_it_alone() -> None:
    normal, range_m = picture()
    share = np.zeros_like(range_m)
    share[:, 6] = 0.4
    where = np.nonzero(share)
    found = normals_of_farther(normal, range_m, share, where, np.full(where[0].size, FAR_M))
    assert (found == np.array(WALL)[:, None]).all()
    unknown = normals_of_farther(normal, range_m, share, where, np.full(where[0].size, np.float32(30.0)))
    assert not unknown.any()


def test_light_on_a_farther_surface_is_that_of_one_that_is_seen_alone() -> None:
    normals = np.array([FLOOR, WALL, POST, (0.0, 0.0, 0.0)], np.float32).T
    alone = sun_over_diffuse_of(normals, travel=SUN, up=UP, from_below=0.1)
    for n in range(3):
        plane = np.broadcast_to(normals[:, n, None, None], (3, 5, 5)).copy()
        whole = sun_over_diffuse(plane, np.full((5, 5), NEAR_M), travel=SUN, up=UP, from_below=0.1)
        np.testing.assert_allclose(alone[n], whole[2, 2], rtol=1e-6)
    # What faces no known way counts as level.
    np.testing.assert_allclose(alone[[0, 3]], 1.0)


def ball(radius: float, samples: int = 16) -> tuple[F32, F32, F32, F32]:
    """A ball before a wall, seen along parallel lines: pixels' normals and range, its share, its true mean.

    Normals and range are those of pixels' middles; share and mean normal, not of unit length, those of the
    ball's samples in each pixel.
    """
    size = 2 * int(radius) + 9
    across = (np.arange(size * samples) + 0.5) / samples - 0.5 * size - 0.21
    x, y = np.meshgrid(across / radius, 0.13 / radius - across / radius)
    on_ball = x * x + y * y < 1.0
    faces = np.stack([x, y, np.sqrt(np.maximum(1.0 - x * x - y * y, 0.0))]) * on_ball
    pixels = size, samples, size, samples
    mean = faces.reshape(3, *pixels).mean(axis=(2, 4))
    share = on_ball.reshape(pixels).mean(axis=(1, 3))
    middle = (slice(samples // 2, None, samples),) * 2
    normal = np.where(on_ball[middle], faces[:, *middle], np.array(WALL)[:, None, None])
    range_m = np.where(on_ball[middle], NEAR_M, FAR_M)
    normal, share, mean = (plane.astype(np.float32) for plane in (normal, share, mean))
    return normal, range_m, share, mean


def test_pixels_at_the_limb_of_a_ball_face_outward_as_the_ball_does_there() -> None:
    for radius in (6.3, 11.0, 24.5):
        normal, before, share, mean = ball(radius)
        limb = (before == FAR_M) & (share > 0.1)
        found = normals_of_nearer(normal, before, np.where(limb, NEAR_M, before))[:, limb]
        true = mean[:, limb] / np.sqrt(np.square(mean[:, limb]).sum(axis=0))
        apart_deg = np.degrees(np.arccos(np.clip((found * true).sum(axis=0), -1.0, 1.0)))
        assert limb.sum() > 12
        # A limb turns by 20 degrees and more within its last pixel; the mean around it is 25 off.
        assert np.median(apart_deg) < 12.0
        assert apart_deg.max() < 25.0


def test_beside_a_low_step_the_farther_surface_does_not_face_as_the_nearer_one_does() -> None:
    near, far = np.float32(2.0), np.float32(2.2)
    # Ground that falls away from there, as both are within what may be one surface.
    range_m = np.full((7, 12), np.float32(2.35))
    range_m[:, :6] = near
    normal = np.where(range_m == near, *(np.array(each)[:, None, None] for each in (POST, FLOOR)))
    share = np.zeros_like(range_m)
    share[:, 5] = 0.4
    where = np.nonzero(share)
    found = normals_of_farther(normal.astype(np.float32), range_m, share, where, np.full(where[0].size, far))
    assert (found == np.array(FLOOR)[:, None]).all()


def test_a_ledge_of_mixed_pixels_alone_tells_of_itself_before_what_lies_farther_does() -> None:
    front, ledge, back = (np.float32(metres) for metres in (2.0, 2.2, 2.4))
    range_m = np.repeat(np.array([back] * 3 + [ledge, front, front, front])[:, None], 8, axis=1)
    normal = np.empty((3, 7, 8), np.float32)
    for metres, faces in ((front, WALL), (ledge, FLOOR), (back, POST)):
        normal[:, range_m == metres] = np.array(faces, np.float32)[:, None]
    share = np.zeros_like(range_m)
    share[3:5] = 0.4
    where = tuple(axis[share[share > 0.0].size // 2 :] for axis in np.nonzero(share))
    found = normals_of_farther(normal, range_m, share, where, np.full(where[0].size, ledge))
    assert (found == np.array(FLOOR)[:, None]).all()


def test_where_the_nearer_surface_is_told_a_middle_that_met_the_farther_one_lends_it_no_direction() -> None:
    normal, before = picture()
    told = {"far_range": before.copy(), "far_share": np.zeros_like(before)}
    told["far_range"][:, 7], told["far_share"][:, 7] = FAR_M, 0.6
    nearest = before.copy()
    nearest[:, 7] = NEAR_M
    found = normals_of_nearer(normal, nearest, nearest, told)
    assert (found[:, :, 7] == np.array(POST)[:, None]).all()
    # A pass that has the nearest surface's own is left alone.
    normal[:, :, 7] = np.array([[0.6], [0.8], [0.0]])
    np.testing.assert_array_equal(normals_of_nearer(normal, nearest, nearest, told), normal)
