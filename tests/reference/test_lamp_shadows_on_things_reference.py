"""Shadows on a chain's links and on ripples of sand, against rays cast from many points of the lamp's disc.

Source: the formulas of tubes and spheres in `benchmarks.edge_scenes`, of which picture and shadows are cast.
Links hang one in another: gaps between them are a few pixels wide and no deeper than a link is thick.
Ripples are seen flat, each a few pixels high, and none stands before another.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import numpy as np
import pytest
from benchmarks.edge_scenes import Rays
from tests.conftest import Builders

from halocline._typing import F32, F64
from halocline.filters.facing import normals_from_range
from halocline.imaging.camera import Camera
from halocline.imaging.frame import Window
from halocline.physics.path.lamp_shadow import ThingsSeen
from halocline.physics.path.lamps import Lamp

CHAIN_SEEN, RIPPLES_SEEN = Window(0, 0, 480, 270), Window(0, 0, 320, 180)
THICK_M, BEND_M, CORNERS, LINKS = 0.025, 0.04, 8, 13
TOP, BOTTOM = np.array([-1.0, 1.1, -2.2]), np.array([-0.4, -0.9, -3.6])
GREY = (0.5, 0.5, 0.5)


def link(middle: F64, along: F64, wide: F64, half_m: float) -> Sequence[F64]:
    """The corners of a link's middle line: two straight sides and two bends."""
    turns = np.pi * np.arange(CORNERS + 1) / CORNERS
    bends = [
        middle + side * (along * (half_m + BEND_M * np.sin(turn)) + wide * BEND_M * np.cos(turn))
        for side in (1.0, -1.0)
        for turn in turns
    ]
    return [*bends, bends[0]]


def chain() -> Sequence[Sequence[F64]]:
    """Links that hang one in another, each turned a quarter round, more or less."""
    along = (BOTTOM - TOP) / (length := float(np.linalg.norm(BOTTOM - TOP)))
    across = np.cross(along, [0.3, 0.1, 1.0])
    across /= np.linalg.norm(across)
    aside, pitch = np.cross(along, across), length / LINKS
    turns = 0.5 + 0.5 * np.pi * np.arange(LINKS) + 0.15 * np.sin(1.7 * np.arange(LINKS))
    half_m = 0.5 * pitch + THICK_M - BEND_M
    return [
        link(TOP + along * (at + 0.5) * pitch, along, np.cos(turn) * across + np.sin(turn) * aside, half_m)
        for at, turn in enumerate(turns)
    ]


def meet_chain(rays: Rays) -> None:
    """Let rays meet the links."""
    for corners in chain():
        for begin, end in pairwise(corners):
            rays.tube(begin, end, THICK_M, GREY)
            rays.sphere(begin, THICK_M, GREY)


def meet_floor(rays: Rays) -> None:
    """Let rays meet level ground a metre below the lens."""
    rays.box(np.array([-60.0, -2.0, -60.0]), np.array([60.0, -1.0, 60.0]), GREY)


def meet_ripples(rays: Rays, moved_m: float) -> None:
    """Let rays meet a floor and low crests on it across the view, after the lens has moved on."""
    meet_floor(rays)
    for number in range(22):
        z = moved_m - 1.5 - 0.18 * number
        ends = np.array([[-4.0, -1.07, z], [4.0, -1.07, z + 0.05 * np.sin(number)]])
        rays.tube(ends[0], ends[1], 0.1, GREY)


@dataclass(frozen=True)
class Seen:
    """What rays meet as a camera sees it, where it does, and which way that faces there."""

    meet: Callable[[Rays], None]
    camera: Camera
    window: Window
    range_m: F32
    on_it: np.ndarray
    points: F64
    faces: F64


def seen_by(meet: Callable[[Rays], None], window: Window) -> Seen:
    """What a camera in the middle of the world sees."""
    camera = Builders.camera(window)
    direction = camera.directions(window).astype(np.float64)
    rays = Rays(np.zeros(3), direction)
    meet(rays)
    on_it = np.isfinite(rays.range_m)
    points = (direction * np.where(on_it, rays.range_m, 0.0))[:, on_it]
    faces = rays.normal[:, on_it]
    return Seen(meet, camera, window, rays.range_m.astype(np.float32), on_it, points, faces)


@pytest.fixture(scope="module")
def chain_seen() -> Seen:
    return seen_by(meet_chain, CHAIN_SEEN)


def lamp_at(place: tuple[float, float, float], target: tuple[float, float, float], radius_m: float) -> Lamp:
    """A lamp that shines at a place."""
    axis = np.array(target) - place
    return Lamp(np.array(place), axis / np.linalg.norm(axis), np.ones(4), 60.0, 20.0, radius_m)


def disc_seen(lamp: Lamp, seen: Seen) -> F64:
    """The share of a lamp's disc that points see, whole things between."""
    across = np.cross(lamp.axis, [0.0, 1.0, 0.0])
    across /= np.linalg.norm(across)
    grid = np.linspace(-0.8, 0.8, 5)
    parts = [(a, b) for a in grid for b in grid if a * a + b * b <= 1.0]
    total = np.zeros(seen.points.shape[1])
    for a, b in parts:
        begin = lamp.position_m + lamp.radius_m * (a * across + b * np.cross(lamp.axis, across))
        way = seen.points - begin[:, None]
        length = np.sqrt((way**2).sum(axis=0))
        rays = Rays(begin, (way / length)[:, None, :])
        seen.meet(rays)
        total += rays.range_m[0] > length - 1e-3
    return total / len(parts)


def off_and_truth(seen: Seen, lamp: Lamp) -> tuple[F64, F64]:
    """By how much the light that is left is wrong where the lamp may shine, and what is true there."""
    lens = seen.camera.rotation, seen.camera.position_m, seen.camera.tangent_per_px, seen.camera.centre_px
    things = ThingsSeen(seen.range_m, seen.on_it.astype(np.float32), None, None, *lens)
    shadow = lamp.shadowed(things, Builders.grey_bands(0.1, 0.15, 0.12)).shadow
    assert shadow is not None
    normal = normals_from_range(seen.camera.directions(seen.window), seen.range_m)[:, seen.on_it]
    way = lamp.position_m[:, None] - seen.points
    left = shadow.left_at((-way).astype(np.float32), normal)
    truth = disc_seen(lamp, seen)
    # What faces away from the lamp is dark by that alone.
    lit = (way * seen.faces).sum(axis=0) > 0.05 * np.sqrt((way**2).sum(axis=0))
    return np.abs(left - truth)[lit], truth[lit]


# Before links were told from each other by how they meet: .19 and .075 wrong by half, .19 and .079 off in
# the mean.
@pytest.mark.parametrize(
    ("place", "target", "wrong", "off"),
    [((-2.4, 1.6, -0.5), (0.2, 1.2, -10.0), 0.07, 0.09), ((2.4, 1.6, -0.5), (1.4, 1.2, -11.0), 0.06, 0.07)],
    ids=["left", "right"],
)
def test_links_shade_each_other_without_specks(
    chain_seen: Seen,
    place: tuple[float, float, float],
    target: tuple[float, float, float],
    wrong: float,
    off: float,
) -> None:
    apart, truth = off_and_truth(chain_seen, lamp_at(place, target, 0.1))
    assert 0.03 < (truth < 0.5).mean() < 0.7
    assert (apart > 0.5).mean() < wrong
    assert apart.mean() < off


# Where a smooth turn cut a ripple into pieces a step long: .0056 to .0065 off in the mean, .017 to .020 of
# points by more than a tenth.
@pytest.mark.parametrize("moved_m", [0.0, 0.06, 0.1])
def test_ripples_seen_flat_have_no_specks(moved_m: float) -> None:
    lamp = lamp_at((1.5, -0.2, -2.0), (0.0, -1.0, -4.0), 0.03)
    apart, truth = off_and_truth(seen_by(partial(meet_ripples, moved_m=moved_m), RIPPLES_SEEN), lamp)
    # The lamp stands high enough over them.
    assert truth.min() == 1.0
    assert apart.mean() < 0.004
    assert (apart > 0.1).mean() < 0.008


# Where pixels cut it to pieces a step long, 104 of 24348 points were off by more than a tenth; 53 where no
# point might be of the next piece but one.
def test_a_floor_that_runs_away_flat_has_no_specks() -> None:
    seen = seen_by(meet_floor, RIPPLES_SEEN)
    apart, truth = off_and_truth(seen, lamp_at((1.5, -0.2, -2.0), (0.0, -1.0, -4.0), 0.03))
    assert truth.min() == 1.0
    assert (apart > 0.1).sum() < 46
