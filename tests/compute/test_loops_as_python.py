"""Every compiled loop does what its Python says, and a new one that nobody compares is found.

Operators run most loops, and `tests/operators/test_laws.py` runs all that they apply both ways. What they
only prepare with, or what comes before any operator, is called here, each on a few numbers of its own.
"""

from __future__ import annotations

import copy
import importlib
import math
import pkgutil
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from tests.conftest import Builders
from tests.operators.every import steps_of
from tests.operators.test_laws import handed, poisoned

import halocline
from halocline.compute.compiled import Compiled
from halocline.compute.error_function import erf, erfc
from halocline.compute.random import random_words
from halocline.compute.row_ratios import (
    EACH,
    STRAIGHT,
    RowRatios,
    mark_told_for_each,
    some_taken,
    times_ratios,
)
from halocline.compute.threads import at_most
from halocline.filters import halo_loops
from halocline.filters.facing import normals_from_range, normals_of_farther
from halocline.filters.lens_blur import footprint
from halocline.filters.splat import Area, Discs, Drawing
from halocline.filters.surface_fit import facing_of, slopes_over_steps
from halocline.imaging.deep import Samples, tidied
from halocline.imaging.edge_creases import edge_planes
from halocline.imaging.edge_mixture import mixture_planes
from halocline.imaging.edge_normals import normals_of_nearer
from halocline.imaging.edge_steps import mark_steps
from halocline.imaging.exr_zip import add_up, put_floats, put_wider
from halocline.imaging.exr_zip_write import take_down, take_halves
from halocline.imaging.frame import Window
from halocline.imaging.gamut import _matrixed, compressed, full_curve, reference_curve
from halocline.imaging.half_loops import put_four_halves, put_halves
from halocline.imaging.picture_statistics import count_below_zero
from halocline.operators.registry import operator_names
from halocline.operators.shared.pixel_stretch import CameraMotion, stretches
from halocline.physics.floating import exposure_loops, living_loops
from halocline.physics.floating.field import (
    ViewVolume,
    aggregate_parts,
    particles_in_view,
    patchiness,
    tumble,
)
from halocline.physics.floating.flow import turbulence
from halocline.physics.floating.haze import Haze
from halocline.physics.floating.haze_loops import cloud_ratios
from halocline.physics.floating.loops import rise
from halocline.physics.floating.particles import DrawLimits, PowerLaw
from halocline.physics.floating.turbid import TurbidBody, TurbidShape, density_waves
from halocline.physics.floating.turbid_shade_loops import BodyMap, beam_depths
from halocline.physics.floating.turbid_shape_loops import ELLIPSOID
from halocline.physics.floating.turbid_view import PackedBodies
from halocline.physics.path import lamp_shadow_loops
from halocline.physics.path.phase import henyey_greenstein, lobe_numbers
from halocline.physics.path.transport import sunlit_by_depth
from halocline.physics.sea.caster_gaps import gaps_between
from halocline.physics.sea.ray_volume import ShaftRays, ShaftSteps, ShaftWater
from halocline.physics.sea.shade import Casters, Shade, ShadeWater, Square
from halocline.physics.sea.shade_loops import lay_shade, light_at_places, loop_maps, shade_surfaces
from halocline.physics.sea.shade_volume import RayShares, ShadeVolume, ThingsAhead
from halocline.physics.sea.slope_lookup import Footprint
from halocline.physics.sea.surface import SunBeam

Loop = Compiled[..., Any]
RUN = Compiled.__call__


def loops() -> dict[str, Loop]:
    """Return every compiled loop of the package by module and name."""
    found = {}
    for module in pkgutil.walk_packages(halocline.__path__, "halocline."):
        if not module.name.endswith("__main__"):
            for name, value in vars(importlib.import_module(module.name)).items():
                if isinstance(value, Compiled) and value.__module__ == module.name:
                    found[f"{module.name}.{name}"] = value
    return found


def with_what_they_call(called: set[str]) -> set[str]:
    """Return loops and all other loops that their Python calls."""
    every = loops()
    names = {id(loop): name for name, loop in every.items()}
    seen: set[str] = set()
    left = [*called]
    while left:
        name = left.pop()
        if name not in seen:
            seen.add(name)
            python = every[name].loop
            values = (python.__globals__.get(word) for word in python.__code__.co_names)
            left += [names[id(value)] for value in values if id(value) in names]
    return seen


def randoms(*shape: int, least: float = 0.1, most: float = 2.0) -> Any:
    return np.random.default_rng(7).uniform(least, most, shape).astype(np.float32)


def draw() -> None:
    where = np.random.default_rng(2).uniform(2.0, 10.0, (5, 2))
    radius, softness = footprint(np.full(5, 1.2), np.full(5, 0.6))
    light, away = np.ones((5, 3)), np.arange(1.0, 6.0)
    Drawing(Area(0, 12, 0, 12), Discs(where, where + 1.5, radius, softness, radius, light, away, away * 0.01))


def find_particles() -> None:
    view = ViewVolume(np.array([0.2, 0.1, 1.0]), np.eye(3), (-0.4, 0.4, -0.3, 0.3), 1.0)
    sizes = PowerLaw(per_m3=200.0, exponent=3.0, smallest_m=4e-3, largest_m=5e-3)
    patches = patchiness(1, "snow", scale_m=0.5, variation=0.8)
    limits = DrawLimits(farthest_m=1.0, smallest_angle_rad=1e-3)
    found = particles_in_view(1, "snow", sizes, patches, view, limits)
    assert len(found)
    offset, _ = aggregate_parts(found, parts=4)
    tumble(offset, found.words, 3.0, turns_per_s=0.1)


def cut_ways() -> None:
    """One way that stays whole, ones cut in two and in four, one beside the picture, and one left out."""
    start, end = np.zeros((5, 2)), np.tile([9.0, 4.0], (5, 1))
    start[3], end[3] = 40.0, 50.0
    bend, pieces = (
        np.array([[0.1, 0.2], [1.0, 0.0], [0.0, 5.0], [1.0, 0.0], [0.0, 0.0]]),
        np.ones(5, np.int64),
    )
    pieces[4] = 0
    sides = 0.0, 12.0, -math.inf, 20.0
    total = exposure_loops.count_pieces(start, end, bend, np.ones(5), np.full(5, 0.5), sides, pieces)
    assert pieces.tolist() == [1, 2, 4, 0, 0]
    which, starts, ends = np.empty(total, np.int64), np.empty((total, 2)), np.empty((total, 2))
    exposure_loops.cut_up(start, end, bend, pieces, which, starts, ends)
    assert which.tolist() == [0, 1, 1, 2, 2, 2, 2]
    np.testing.assert_array_equal(ends[[0, 2, 6]], end[:3])


def look_up_clouds() -> None:
    table, place, out = randoms(3, 4, 5), randoms(2, 6, most=1.9), np.empty((2, 6), np.float32)
    at = np.zeros(6, np.int64)
    cloud_ratios(table, at[:2], randoms(2, most=0.9), at, randoms(6, most=0.9), place, out)


def rise_a_little() -> None:
    depth, size = np.array([3.0, 8.0]), np.log([1e-3, 4e-3])
    rise(depth, size, np.array([0.2, 0.1]), 3, 10.0, np.linspace(0.1, 0.4, 8), -8.0, 2.0)


def mark_edges() -> None:
    range_m, alpha = randoms(6, 7, most=9.0), randoms(6, 7, most=1.4)
    out = np.zeros((6, 7), np.bool_)
    mark_steps(alpha, range_m, np.float32(0.5), np.float32(1e-3), np.float32(0.2), out)


def halve_and_double() -> None:
    plane, half = randoms(8, 6), np.empty((4, 3), np.float32)
    halo_loops.halved(plane, half)
    halo_loops.add_doubled(half, np.float32(0.25), plane)
    range_m, square = randoms(7, 5, most=9.0), np.empty((4, 3), np.float32)
    range_m[2, 3] = np.inf
    halo_loops.halved_nearness(range_m, np.float32(0.01), 0, 4, half, square)
    halo_loops.place_among(
        half.reshape(-1), np.log(np.array([0.5, 1.0, 4.0], np.float32)), square.reshape(-1)
    )
    halo_loops.settle_halo(
        randoms(2, 7, 5), randoms(4, 3), randoms(2, 4, 3), 2, np.empty((2, 4, 5), np.float32)
    )


def face() -> None:
    window = Window(0, 0, 9, 7)
    normals_from_range(Builders.camera(window, tilt_deg=10.0).directions(window), randoms(7, 9, most=4.0))


def light_once() -> None:
    mu = randoms(9, least=-1.0, most=1.0)
    Builders.path().veil_rays().sun_once(randoms(9, most=20.0), mu, mu * np.float32(0.6))
    henyey_greenstein(mu, 0.9)


# What runs the loops that no operator applies.
def bring_colours_within() -> None:
    """Compress a few colours beyond the space and turn them into another."""
    rgb = np.random.default_rng(4).normal(0.3, 0.4, (3, 4, 5)).astype(np.float32)
    for curve in (reference_curve(), full_curve()):
        assert np.isfinite(compressed(rgb, curve)).all()
    _matrixed(np.eye(3) * 0.5, rgb, needed=True)


def fit_over_steps() -> None:
    """Fit a slanted wall stored in steps, and tell which way it faces."""
    depth = np.broadcast_to(np.linspace(4.0, 6.0, 15, dtype=np.float32), (13, 15))
    nearness = (1.0 / depth.astype(np.float16)).astype(np.float32)
    tangents = np.linspace(-0.3, 0.3, 15), np.linspace(0.3, -0.3, 13)
    slopes = slopes_over_steps(nearness, nearness * np.float32(2.0**-10), (0.04, 0.05))
    assert np.isfinite(facing_of(slopes, tangents, np.eye(3))).all()


def merge_deep_samples() -> None:
    """Cut and merge two slabs that overlap, and two points at one depth, one of each opaque."""
    front, back = np.array([[1.0, 2.0, 4.0, 4.0], [3.0, 5.0, 4.0, 4.0]], np.float32)
    alpha = np.array([0.5, 0.25, 0.75, 1.0], np.float32)
    samples = Samples(np.array([[2, 2]]), randoms(3, 4), alpha, front, back)
    assert tidied(samples).counts.tolist() == [[3, 1]]


def clouds_in_the_light() -> tuple[BodyMap, BodyMap]:
    """Follow a few beams through a cloud and a slab in eddies; return maps of what clouds leave."""
    waves = density_waves(1, "c", scale_m=2.0, variation=0.4, shift_m=np.zeros(3))
    ball = TurbidShape(ELLIPSOID, np.array([0.3, -2.0, 0.2]), np.eye(3), np.full(3, 0.8), 0.5)
    bodies = [
        TurbidBody((shape,), 2.0, np.full(6, 0.5), 0.9, waves)
        for shape in (ball, TurbidShape.level(-4.5, -4.0, 0.25))
    ]
    eddies = turbulence(1, "e", rms_speed_m_s=0.1, largest_m=2.0, smallest_m=1.0, modes=2)
    packed = PackedBodies.of(bodies, np.zeros(3), np.array([0.0, 1.0, 0.0]), eddies, 0.3)
    depths = np.empty((6, 2, 2), np.float32)
    beam_depths(
        randoms(3, 2, 2, least=-0.3, most=0.3),
        np.array([0.0, -1.0, 0.0, 1.0, 1.0], np.float32),
        np.linspace(0.0, 5.0, 21, dtype=np.float32),
        np.array([0.0, 1.0, 0.0, 1e5, 1.0], np.float32),
        packed.shapes,
        packed.bodies(Builders.path())[:, :8].copy(),
        packed.spans,
        packed.waves,
        packed.eddies,
        packed.ground,
        depths,
    )
    assert (depths[-1] > 0.5).all()
    numbers = tuple(np.float32(number) for number in (0.3, -0.1, 2.0, -8.0, -8.0, 0.5))
    levels = np.linspace(0.5, 9.0, 4, dtype=np.float32)
    sun, sky = ((numbers, levels, randoms(4, 16, 16), randoms(4)) for _ in range(2))
    return sun, sky


def stand_in_the_light() -> None:
    """Shade a few view rays, and places in the water."""
    square = Square((-4.0, -4.0), 0.5, 16)
    things = Casters(randoms(2, 40, least=-2.0, most=2.0), randoms(40, most=6.0), randoms(40, most=1.0))
    water = ShadeWater(SunBeam(0.5, 0.3, 1.34), 0.2, about_m=3.0, about_sun=0.5, about_sky=0.3)
    shade = Shade(things, water, square, square, 9.0, clouds_in_the_light())
    rays = np.stack([randoms(3, 4, least=-0.4, most=0.4), randoms(3, 4), -np.ones((3, 4), np.float32)])
    even = np.full((3, 3, 4), 0.4, np.float32)
    beside = (np.arange(4) < 2) * even[0]
    made = ShadeVolume(
        shade,
        ShaftRays(rays / np.linalg.norm(rays, axis=0), (0.3, -0.2), 6.0),
        ShaftSteps.reaching(12.0, first_m=0.5, count=8),
        ShaftWater((0.3, 0.2, 0.1), (0.1, 0.1, 0.05)),
        RayShares(even, even, even[0], even[0], beside, even[0], even[0], even[:2]),
        ThingsAhead.of(randoms(3, 4, most=0.9), randoms(3, 4, most=9.0), 0.1, lobe_rad=0.08),
    )
    column, row, range_m = randoms(5, most=2.9), randoms(5, most=1.9), randoms(5, most=9.0)
    gain = made.gain_at(column, row, range_m)
    assert (gain < 1.0).any()
    lay_shade(gain, randoms(4, 3), randoms(4, 5))
    made.gain(column, np.sort(row), np.tile(range_m, (5, 1)))
    light = np.ones((4, 5, 14), np.float32)
    across, away = np.linspace(0.0, 1.9, 14, dtype=np.float32), np.linspace(2.0, 3.0, 14, dtype=np.float32)
    left = made.along_rows(across, np.sort(row), np.tile(away, (5, 1)), randoms(4, 3, most=0.4))
    assert left is not None
    assert some_taken(left, 4)
    times_ratios(left, 4, 0, np.empty(14, np.float32), light.reshape(4, -1), 56)
    assert (light != 1.0).any()
    straight = np.array([True])
    mark_told_for_each(left[0][4], 8, straight)
    assert not straight[0]
    maps = loop_maps(shade, in_water=False)
    light_at_places(*maps, column, row, range_m, np.empty((2, 5), np.float32))
    lens = tuple(np.float32(number) for number in (0.3, -0.2, 6.0, 100.0))
    view = (randoms(3, 4, most=0.4), randoms(3, 4, most=0.4), randoms(3, 4, most=0.9))
    shares = sunlit_by_depth(Builders.path()).for_loops()
    light = np.ones((6, 3, 4), np.float32)
    shade_surfaces(*maps, lens, view, randoms(3, 4, most=9.0), shares, False, light)
    assert (light != 1.0).any()
    level = np.tile(np.linspace(0.1, 0.11, 11, dtype=np.float32), (3, 1))
    light, away = np.ones((6, 3, 11), np.float32), np.full((3, 11), 3.0, np.float32)
    away[1, 5] = 1.0
    shade_surfaces(*maps, lens, (level, level, np.ones((3, 11), np.float32)), away, shares, True, light)
    assert (light != 1.0).any()


def stand_in_a_lamps_light() -> None:
    """Find what a post before a wall keeps of a lamp, in few directions and in the water before it."""
    turns = np.linspace(-0.3, 0.3, 4)
    aside = np.stack([0.0 * turns, np.sin(turns), -np.cos(turns)], axis=1)
    towards, angles = np.array([1.0, 0.0, 0.0]), np.linspace(1.0, 2.1, 6)
    range_m = np.full((6, 8), 6.0, np.float32)
    range_m[2:5, 4:6] = 3.0
    none = np.zeros((0, 0), np.float32)
    planes = range_m, np.ones_like(range_m), none, none
    lens, bins = np.array([0.25, 0.25, 3.0, 3.0]), (np.arange(48) + 0.5) * math.pi / 48
    by_angle = np.stack([np.cos(bins), np.sin(bins)], axis=1)
    cast, edges, solid = (np.empty((4, 48), np.float32) for _ in range(3))
    spans = np.empty((4, 48, 2), np.float32)
    steps = np.array([0.9, 0.1, 14, 0.8, 0.1, 1.0, 1.5])
    lamp_shadow_loops.cast_rows(planes, lens, towards, aside, steps, by_angle, cast, edges, solid, spans)
    assert np.isfinite(cast).any()
    bent = np.zeros((4, 48), np.uint8)
    lamp_shadow_loops.bends_nearby(cast, True, bent)
    assert bent.any()
    axes, narrow = np.array([[1, 0, 0], [0, 0, -1], [0, 1, 0]], np.float32), by_angle.astype(np.float32)
    rows = np.stack([np.cos(turns), np.sin(turns)], axis=1).astype(np.float32)
    offset = randoms(3, 12, least=-1.0, most=1.0) * np.float32(3.0) - np.array([[0], [0], [5]], np.float32)
    at, side = np.array([-0.3, 5.0, 0.0, 0.8, 0.1], np.float32), randoms(3, 12)
    for normal in (none, side / np.linalg.norm(side, axis=0)):
        left = np.empty(12, np.float32)
        lamp_shadow_loops.light_left(
            offset, normal, axes, at, np.float32(0.3), cast, edges, solid, spans, bent, narrow, rows, left
        )
    seen = np.empty((4, 6), np.float32)
    lamp_shadow_loops.ranges_seen(planes, lens, towards, aside, angles, seen)
    low, high = np.empty_like(cast), np.empty_like(cast)
    lamp_shadow_loops.rows_about(cast, 1, 1, False, low, high)
    shares = np.empty((4, 6, 9, 2), np.float32)
    lobes = np.array([lobe_numbers(0.9)], np.float32)
    lamp_shadow_loops.fill_shares(
        (cast, solid),
        (low, high),
        (1, 1, False),
        (angles.astype(np.float32), np.linspace(0, 8, 9, dtype=np.float32), randoms(4)),
        seen,
        np.array([0.8, 0.05, -0.9, 4.0], np.float32),
        (narrow, randoms(6), lobes),
        randoms(2, 2, most=0.3),
        np.array([0, 4]),
        shares,
    )
    assert (shares < 1.0).any()
    grid = np.array([-0.3, 5.0, 1.0, 4.5, 0.0, 8.0], np.float32)
    haze = np.ones((2, 12), np.float32)
    away = offset / np.linalg.norm(offset, axis=0)
    lamp_shadow_loops.dim_haze(
        away, randoms(12, most=9.0), axes, grid, seen, shares, randoms(2, most=1.0), haze
    )


def move_while_open() -> None:
    """What pixels cover of surfaces as camera and surfaces move, and of the surface of the sea."""
    moved, turned, lens = (randoms(*shape, least=-0.2, most=0.2) for shape in ((3,), (3, 3), (3, 3)))
    motion = CameraMotion(moved, turned, lens, 0.5)
    view = randoms(3, 9, least=0.4, most=0.7)
    directions, range_m = (view[0], view[1], view[2]), randoms(9, most=5.0)
    normal = randoms(3, 9, least=-0.7, most=-0.5)
    width, vectors = randoms(9, least=0.01, most=0.02), randoms(2, 9, least=-9.0, most=9.0)
    found = stretches(directions, normal, np.eye(3), range_m, 0.01, width, motion, 0.01, vectors)
    assert (found.width > 0.0).all()
    half = np.full(9, 0.5, np.float32)
    part = stretches(directions, normal, np.eye(3), range_m, 0.01, width, motion, 0.01, vectors, half)
    assert (part.width < found.width).any()
    assert motion.sweep(directions, range_m).all()
    none = Footprint(width, width * np.float32(3.0), directions[0], directions[1])
    assert (none.swept(randoms(9), randoms(9)).along_m > none.along_m).all()


def light_things() -> None:
    """What small balls of light throw on surfaces, with normals and without."""
    sources, rays = randoms(3, 7, least=0.2, most=0.9), randoms(3, 2, 4, least=-0.6, most=0.6)
    range_m, lit = randoms(2, 4, least=2.0, most=4.0), np.empty((3, 2, 4), np.float32)
    range_m[0, 0] = np.inf
    for normal in (np.empty(0, np.float32), -rays):
        living_loops.light_on_surfaces(
            sources, randoms(3, most=0.4), np.float32(0.5), rays, range_m, normal.reshape(-1, 2, 4), lit
        )
        assert (lit[:, 0, 0] == 0.0).all()
        assert lit.any()


def direct_edges() -> None:
    """Thin things, and which way both surfaces of a pixel face."""
    y, x = np.mgrid[0:9, 0:14].astype(np.float32)
    near = np.abs(x - 6.0 - 0.3 * y) < 0.4
    range_m = np.where(near, np.float32(2.0), np.float32(8.0))
    rgb = np.where(np.abs(x - 6.0 - 0.3 * y) < 0.7, np.float32(0.3), np.float32(0.6))
    planes = mixture_planes(np.stack([rgb, rgb, rgb]), np.ones_like(rgb), range_m)
    normal = normals_of_nearer(randoms(3, 9, 14, least=0.4, most=0.7), range_m, planes["range"])
    where = np.nonzero(planes["far_share"])
    normals_of_farther(normal, planes["range"], planes["far_share"], where, planes["far_range"][where])


def tell_sides_apart() -> None:
    """A crease aslant, beside which all turns a little, and what faces the other way there."""
    y, x = np.mgrid[0:12, 0:16].astype(np.float32)
    wall = y < 4.0 + 0.3 * x
    normal = np.stack([0.01 * x, np.where(wall, np.float32(0.0), np.float32(1.0)), 1.0 * wall])
    normal = (normal / np.sqrt(np.square(normal).sum(axis=0))).astype(np.float32)
    range_m = (3.0 + 0.01 * x).astype(np.float32)
    rgb = np.where(wall, np.float32(0.3), np.float32(0.6)) + randoms(3, 12, 16, most=0.2)
    found = edge_planes(rgb, np.ones_like(range_m), range_m, normal)
    where = np.nonzero(found["far_share"])
    assert where[0].size
    normals_of_farther(normal, range_m, found["far_share"], where, found["far_range"][where])


def count_negative() -> None:
    """Above 0 and below, by rounding and by more."""
    rows = np.array([[0.1, -0.2, 0.5, -1e-6], [0.0, 0.3, -0.001, 2.0], [1.0, -2.0, 0.4, 0.0]], np.float32)
    count_below_zero(rows[0], rows[1], rows[2], np.float32(0.005))


def round_to_halves() -> None:
    """Small, large, endless and no numbers, side by side."""
    plane = np.array([[0.1, -7e4, np.inf, 3e-7], [np.nan, 1.5, 65519.0, 0.0]], np.float32)
    block = np.zeros((2, 4, 4), np.uint16)
    put_four_halves((plane, plane, plane, plane), block.view(np.uint64)[..., 0])
    put_halves(plane, 1, block)


def undo_zip() -> None:
    """Bytes as a file has them, which may not be written to; halves of every kind."""
    content = bytes(range(200, 256)) + bytes(range(64))
    halves, out = np.zeros(120, np.uint8), np.zeros((3, 5), np.float32)
    add_up(np.frombuffer(content, np.uint8), halves)
    put_wider(halves, 4, 20, out)
    put_floats(halves, 4, 20, out)
    # The least and the largest that is not normal, endless, none, and minus one.
    of_each = np.array([[0x0001, 0x03FF, 0x7C00, 0x7E00, 0xBC00]], np.uint16)
    put_wider(np.concatenate([of_each & 255, of_each >> 8], axis=None).astype(np.uint8), 0, 5, out[:1])


def look_along_rows() -> None:
    """A wall that goes straight for a while, and one that does not."""
    cos_sun = np.linspace(-0.5, -0.49, 2 * 200, dtype=np.float32).reshape(2, 200)
    length = np.stack([np.linspace(5.0, 6.0, 200), randoms(200, least=2.0, most=9.0)]).astype(np.float32)
    down, veil = np.float32(0.3) + np.float32(0.1) * cos_sun, Builders.path().veil_rays()
    veil.over_rows(length, down, cos_sun)
    veil.over_rows(length, down, cos_sun, left=half_left(len(veil.bands), 200))


def half_left(bands: int, columns: int) -> RowRatios:
    """Two rows of which half is left: straight on, and the last pixels each by itself."""
    cells = (columns + 7) // 8
    kinds = np.full((2, cells), STRAIGHT, np.uint8)
    kinds[:, -1] = EACH
    half = np.float32(0.5)
    return kinds, np.full((bands, 2, cells + 1), half), np.full((bands, 2, columns), half)


def lay_even_haze() -> None:
    """The same walls through haze, with what the water threw in on the way."""
    path, cos_sun = Builders.path(), np.full((2, 90), 0.2, np.float32)
    range_m = np.stack([np.linspace(5.0, 6.0, 90), randoms(90, least=2.0, most=9.0)]).astype(np.float32)
    light = randoms(path.bands.count, 2, 90, least=0.1, most=0.9).astype(np.float32)
    haze = Haze(np.full(path.bands.count, 0.05), 0.06, 2.0, ((0.7, 1.0),))
    rays = range_m, np.float32(0.3) * cos_sun, cos_sun
    left = half_left(path.bands.count, 90)
    haze.lay(path, rays, light, (np.float32(0.5) * light,), np.empty_like(light), left)
    haze.over(path, *rays, np.ones((2, 90), np.float32), left=left)


def make_zip() -> None:
    """Numbers of every kind as halves, and bytes that go up and down by more than half of what there is."""
    plane = np.array([[0.1, -7e4, np.inf, 3e-7], [np.nan, 1.5, 65519.0, 0.0]], np.float32)
    halves, out = np.zeros(40, np.uint8), np.zeros(40, np.uint8)
    take_halves(plane, 3, 10, halves)
    halves[:3] = 255, 0, 254
    take_down(halves, out)


def tell_errors() -> None:
    """On both sides of the middle."""
    x = np.array([-0.5, 0.0, 3.0])
    erf(x)
    erfc(x)


def find_uppermost() -> None:
    """Points of things above each other and outside the map, near ones with narrow gaps and far ones."""
    places, count = randoms(2, 60, least=-5.0, most=5.0).astype(np.float32), 60
    gaps = np.where(np.arange(count) % 3 == 0, np.float32(2.0), np.float32(0.1)) * np.ones((3, 1), np.float32)
    depth, weight = (randoms(count, least=low, most=1.0).astype(np.float32) for low in (-0.2, 0.0))
    casters = Casters(places, depth, weight, gaps_m=gaps)
    water = ShadeWater(SunBeam(0.5, 0.3, 1.34), 0.1)
    squares = Square((-4.0, -4.0), 0.25, 32), Square((-4.0, -4.0), 0.5, 16)
    shade = Shade(casters, water, *squares, 4.0)
    assert shade.sun.cover.any()
    assert shade.sky.cover.any()


def measure_gaps() -> None:
    """A surface with a step in it, a hole, and a pixel by itself."""
    metres = randoms(5, 7, least=1.0, most=1.05).astype(np.float32)
    metres[:, 4:] *= 3.0
    metres[2, 2], metres[0, 6] = 0.0, 40.0
    x, y, down = (randoms(5, 7, least=-0.3, most=0.3).astype(np.float32) for _ in range(3))
    numbers = np.float32(1.1), np.float32(0.01), np.float32(0.5)
    gaps_between((x, y, down), metres, *numbers, np.empty((3, 5, 7), np.float32))


# Loops that no small case here runs: held to other references instead.
ELSEWHERE = {
    # Against quadrature and the point spread: tests/reference/test_lamp_beam_reference.py.
    "halocline.physics.path.lamp_loops._at",
    "halocline.physics.path.lamp_loops.add_glow",
    # Against numpy's own: tests/compute/test_series.py.
    "halocline.compute.series.logarithm",
    # Of shafts, made when first asked for, maybe ahead on another thread: to the bit against look-ups of
    # single places, which stand here, in tests/physics/sea/test_light_field.py.
    "halocline.physics.sea.light_lookup._middle_over",
    # Against another solver: tests/reference/test_radiance_reference.py.
    "halocline.physics.path.radiance.loops.beyond",
}

CASES: dict[str, Callable[[], None]] = {
    "undoing zip": undo_zip,
    "making zip": make_zip,
    "error function": tell_errors,
    "veil along rows": look_along_rows,
    "even haze": lay_even_haze,
    "random words": lambda: np.testing.assert_equal(random_words(3, np.arange(5)).shape, (4, 5)),
    "drawing": draw,
    "particles": find_particles,
    "ways": cut_ways,
    "clouds": look_up_clouds,
    "bubbles": rise_a_little,
    "edges": mark_edges,
    "halos": halve_and_double,
    "facing": face,
    "sunlight": light_once,
    "gamut": bring_colours_within,
    "steps": fit_over_steps,
    "deep samples": merge_deep_samples,
    "shade": stand_in_the_light,
    "uppermost things": find_uppermost,
    "gaps between pixels": measure_gaps,
    "lamps' shadows": stand_in_a_lamps_light,
    "light in motion": move_while_open,
    "directions at edges": direct_edges,
    "sides of creases": tell_sides_apart,
    "negative": count_negative,
    "halves": round_to_halves,
    "living light on things": light_things,
}


def same(fast: Any, slow: Any) -> None:
    """Compare what a loop has returned, or an array that it may have written to."""
    if isinstance(fast, tuple):
        for one, other in zip(fast, slow, strict=True):
            same(one, other)
        return
    fast, slow = np.asarray(fast), np.asarray(slow)
    for name in fast.dtype.names or ():
        same(fast[name], slow[name])
    if fast.dtype.names is None and fast.dtype.kind in "iub":
        np.testing.assert_array_equal(fast, slow)
    elif fast.dtype.names is None and fast.dtype.kind == "f":
        # The compiler's own exponentials and roots may differ in the last places.
        largest = float(np.max(np.abs(fast[np.isfinite(fast)]), initial=0.0))
        np.testing.assert_allclose(fast, slow, rtol=2e-5, atol=1e-6 * largest)


def watch(monkeypatch: pytest.MonkeyPatch, *, compare: bool) -> set[str]:
    """Note from now on which loops are called from outside, and run each as Python too where asked for."""
    names = {id(loop.loop): name for name, loop in loops().items()}
    called: set[str] = set()
    inside = False

    def watched(self: Loop, *args: Any) -> Any:
        nonlocal inside
        if inside:
            return self.loop(*args)
        called.add(names[id(self.loop)])
        again = copy.deepcopy(args)
        result = RUN(self, *args)
        if compare:
            inside = True
            # Compiled, a division by zero is no event, and whole numbers wrap.
            with np.errstate(all="ignore"), pytest.MonkeyPatch.context() as empty:
                empty.setattr(np, "empty", poisoned)
                python = self.loop(*again)
            inside = False
            for fast, slow in zip((*args, result), (*again, python), strict=True):
                same(fast, slow)
        return result

    monkeypatch.setattr(Compiled, "__call__", watched)
    return called


@pytest.mark.parametrize("case", CASES)
def test_loops_that_no_operator_applies_do_what_their_python_says(
    case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    called = watch(monkeypatch, compare=True)
    # One after the other: what runs inside a loop's Python is told from what calls it.
    with at_most(1):
        CASES[case]()
    assert called


def test_no_loop_is_left_out(build: Builders, monkeypatch: pytest.MonkeyPatch) -> None:
    called = watch(monkeypatch, compare=False)
    for case in CASES.values():
        case()
    for name in operator_names():
        for operator in steps_of(name):
            with pytest.MonkeyPatch.context() as preparing:
                # As the laws have it, what is prepared is not compared.
                preparing.setattr(Compiled, "__call__", RUN)
                read, tile, shot = handed(operator, build)
                prepared = operator.prepare(shot)
            if operator.surveys:
                prepared = operator.survey(read, tile, shot, prepared)
            operator.apply(read, tile, shot, prepared)
    missing = sorted(set(loops()) - with_what_they_call(called) - ELSEWHERE)
    assert missing == [], "add a case that runs them"
    # Machine code that asks for what only the compiler has (as maxima and reshaping of arrays do) cannot be
    # run from disk: each process would compile it anew.
    ready = {name: loop._code._ready for name, loop in loops().items()}
    anew = sorted(
        name
        for name, runs in ready.items()
        if any(run is None and None not in kinds for kinds, run in runs.items())
    )
    assert anew == [], "write out what they ask of arrays as loops"
