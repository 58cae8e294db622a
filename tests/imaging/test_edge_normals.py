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
