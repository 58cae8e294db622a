"""Normals from distance."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose, assert_array_equal

from halocline._typing import F32
from halocline.filters.facing import (
    NORMAL_REACH,
    averaged_at_edges,
    normals_from_range,
    sun_over_diffuse,
)


def rays(rows: int, columns: int) -> F32:
    """View rays around -z, x right and y up."""
    x, y = np.meshgrid(np.linspace(-0.6, 0.6, columns), np.linspace(0.4, -0.4, rows))
    found = np.stack([x, y, -np.ones_like(x)])
    unit: F32 = (found / np.linalg.norm(found, axis=0)).astype(np.float32)
    return unit


def test_a_plane_has_its_own_normal_everywhere() -> None:
    directions = rays(20, 30)
    normal = np.array([0.3, 0.5, 0.8])
    normal /= np.linalg.norm(normal)
    # Plane through (0, -6, -9).
    range_m = (normal @ [0.0, -6.0, -9.0]) / np.einsum("i,irc->rc", normal, directions)
    found = normals_from_range(directions, range_m.astype(np.float32))
    assert_allclose(found, np.broadcast_to(normal[:, None, None], found.shape), atol=2e-3)


def test_the_edge_of_a_thing_takes_nothing_from_behind_it() -> None:
    directions = rays(20, 30)
    near = -2.0 / directions[2]
    range_m = np.where(np.arange(30) < 15, near, -20.0 / directions[2]).astype(np.float32)
    found = normals_from_range(directions, range_m)
    assert_allclose(found[2], 1.0, atol=1e-3)


def test_where_nothing_is_hit_the_normal_faces_the_lens() -> None:
    directions = rays(4, 5)
    found = normals_from_range(directions, np.full((4, 5), np.inf, np.float32))
    assert_array_equal(found, -directions)


def test_normals_are_of_unit_length_and_face_the_lens_on_any_surface() -> None:
    directions = rays(40, 50)
    range_m = (5.0 + np.random.default_rng(0).uniform(0.0, 0.5, (40, 50))).astype(np.float32)
    found = normals_from_range(directions, range_m)
    assert_allclose(np.linalg.norm(found, axis=0), 1.0, atol=1e-5)
    assert ((found * directions).sum(axis=0) <= 1e-6).all()


def test_so_many_pixels_around_are_enough() -> None:
    directions = rays(30, 20)
    range_m = (5.0 + np.random.default_rng(1).uniform(0.0, 0.5, (30, 20))).astype(np.float32)
    whole = normals_from_range(directions, range_m)
    part = normals_from_range(directions[:, 8:17], range_m[8:17])
    assert_array_equal(part[:, NORMAL_REACH:-NORMAL_REACH], whole[:, 10:15])


def test_a_pebble_and_the_ground_that_runs_away_under_it_take_nothing_from_each_other() -> None:
    # Along the ground range changes more from pixel to pixel than across the pebble's rim.
    directions = rays(240, 180).astype(np.float64)[:, 130:]
    middle, radius = np.array([0.0, -0.38, -3.0]), 0.2
    half = np.einsum("i,irc->rc", middle, directions)
    root = half**2 - middle @ middle + radius**2
    ground = -0.5 / directions[1]
    ball = half - np.sqrt(np.maximum(root, 0.0))
    on_ball = (root > 0.0) & (ball < ground)
    range_m = np.where(on_ball, ball, ground)
    away = (ball * directions - middle[:, None, None]) / radius
    true = np.where(on_ball, away, np.array([0.0, 1.0, 0.0])[:, None, None])
    found = normals_from_range(directions.astype(np.float32), range_m.astype(np.float32))
    cosine = np.einsum("irc,irc->rc", found, true)
    assert cosine[~on_ball].min() > 0.999
    assert cosine[on_ball].min() > 0.9


def test_what_is_a_pixel_wide_faces_the_lens() -> None:
    directions = rays(21, 31)
    range_m = np.full((21, 31), 20.0, np.float32)
    range_m[:, 15] = -3.0 / directions[2, :, 15]
    found = normals_from_range(directions, range_m)
    # To half a pixel's angle.
    assert_allclose(found[:, :, 15], np.array([[0.0], [0.0], [1.0]]) + np.zeros(21), atol=0.021)


def test_a_thin_strand_takes_the_mean_of_its_sides() -> None:
    range_m = np.full((20, 9), np.inf, np.float32)
    range_m[:, 4] = 3.0
    light = np.zeros((20, 9), np.float32)
    light[::2, 4] = 1.0
    (even,) = averaged_at_edges([light], range_m)
    # Five pixels along the strand, two or three of them bright.
    assert_allclose(even[2:-2, 4], np.where(np.arange(16) % 2, 0.4, 0.6), atol=1e-6)
    assert (light[::2, 4] == 1.0).all()


def test_inside_a_surface_and_across_an_edge_nothing_is_lent() -> None:
    range_m = np.full((12, 16), 2.0, np.float32)
    range_m[:, 8:] = 6.0
    light = np.zeros((12, 16), np.float32)
    light[:, 8:] = 1.0
    light[5, 2] = 0.7
    (even,) = averaged_at_edges([light], range_m)
    np.testing.assert_array_equal(even, light)
    whole = np.full((6, 6), 2.0, np.float32)
    plane = np.zeros_like(whole)
    assert averaged_at_edges([plane], whole)[0] is plane


def test_a_surface_takes_sun_by_the_cosine_and_diffuse_light_by_how_far_it_faces_up() -> None:
    up, travel = np.array([0.0, 1.0, 0.0]), np.array([0.6, -0.8, 0.0])
    faces = np.array([[0, 1, 0], [0, -1, 0], [-0.6, 0.8, 0], [0, 0, 1], [0.8, 0.6, 0]], float).T
    normal = faces[:, np.newaxis].astype(np.float32)
    found = sun_over_diffuse(normal, np.full((1, 5), 3.0, np.float32), travel=travel, up=up, from_below=0.2)
    # Level is 1; facing the sun 1 / 0.8 over 0.6 + 0.4 x 0.8; upright and across no sun; 0 from below.
    assert_allclose(found[0], [1.0, 0.0, 1.25 / 0.92, 0.0, 0.0], atol=1e-6)
