"""What a picture shows along coarse rays, for pictures of any size."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from tests.conftest import Builders

from halocline._typing import F32
from halocline.graph.shot import Shot
from halocline.imaging.frame import Frame, Window
from halocline.operators.shared import water_shade as module
from halocline.operators.shared.surface_light import LevelAxes, casters_seen
from halocline.operators.shared.water_shade import RayGrid, WaterShade, unseen_casters, water_shade
from halocline.physics.floating.flow import STILL
from halocline.physics.floating.turbid import DensityWaves, TurbidBody, TurbidShape
from halocline.physics.floating.turbid_view import BodiesInLight
from halocline.physics.path.transport import refracted_sun
from halocline.physics.sea.shade_volume import ShadeVolume

DISPLAY = Window(0, 0, 1200, 800)


def test_a_sliver_of_a_picture_is_seen_by_the_rays_about_it(build: Builders) -> None:
    # Found by benchmarks/attacks.py: a data window of one pixel is smaller than the way between two rays.
    sliver = Window(600, 400, 1, 2)
    planes = {
        "rgb": np.full((3, 2, 1), 0.2, np.float32),
        "alpha": np.full((2, 1), 0.5, np.float32),
        "range": np.full((2, 1), 6.0, np.float32),
    }
    shot = replace(build.shot(sliver), display_window=DISPLAY)
    shot = replace(shot, surfaces=Frame(planes, sliver, DISPLAY))
    ahead = RayGrid.of(shot, 40).things_ahead(shot)
    assert_allclose(ahead.masks[-1], 0.5, rtol=1e-5)
    assert_allclose(ahead.range_m, 6.0, rtol=1e-5)


def test_that_nothing_casts_is_found_once_for_all_steps_of_a_frame(
    build: Builders, monkeypatch: pytest.MonkeyPatch
) -> None:
    window, asked, made = Window(0, 0, 16, 9), list[int](), module._made

    def counted(shot: Shot, softness: float) -> WaterShade | None:
        asked.append(shot.frame)
        return made(shot, softness)

    monkeypatch.setattr(module, "_made", counted)
    planes = {
        name: np.full(window.shape, value, np.float32) for name, value in (("alpha", 0.0), ("range", np.inf))
    }
    shot = replace(build.shot(window), surfaces=Frame(planes, window, window))
    assert [water_shade(shot) for _ in range(3)] == [None] * 3
    assert len(asked) == 1
    # Another picture is looked at anew, whatever was at its place in memory before.
    for _ in range(5):
        shot = replace(shot, surfaces=Frame(planes, window, window))
        assert water_shade(shot) is None
    assert len(asked) == 6


def test_clouds_shade_the_water_and_are_no_unseen_things(build: Builders) -> None:
    window = Window(0, 0, 32, 18)
    still = DensityWaves(np.zeros((0, 3)), np.zeros(0), np.zeros(0))
    shape = TurbidShape.level(1.0, 4.0, 0.5)
    thick = TurbidBody((shape,), 1.0, np.full(6, 0.2), 0.9, still)
    planes = {
        name: np.full(window.shape, value, np.float32) for name, value in (("alpha", 0.0), ("range", np.inf))
    }
    # A small thing right before the lens, so that something does cast.
    planes["alpha"][8:10, 14:18], planes["range"][8:10, 14:18] = 1.0, 1.0
    shot = replace(build.shot(window), surfaces=Frame(planes, window, window))
    shot = replace(shot, bodies=(BodiesInLight([thick], shot.path, STILL, 0.0),))
    shade = water_shade(shot)
    assert shade is not None
    far = np.full(window.shape, np.inf, np.float32)
    assert build.left_before(shade, window, far).mean() < 0.7
    assert unseen_casters(shade) == ()
    # Below it the sun is dimmed by as much as its beam meets, one layer in 2.5 m of 1 per metre.
    slant = 1.0 / float(-shot.path.sun_travel @ build.up)
    left = shade.light_along(*(np.array([value], np.float32) for value in (0.0, 0.0, 12.0)), things=False)
    assert left[0, 0] == pytest.approx(np.exp(-2.5 * slant), abs=0.01)


def test_what_shade_leaves_before_things_beyond_all_water_that_is_seen_is_a_number(build: Builders) -> None:
    # Of the veil before a thing so far in turbid water, all is of the fifth of the way next to the lens.
    window = Window(0, 0, 480, 270)
    path = build.path(build.grey_bands(1.2, 2.4, 0.9), depth_m=6.0)
    range_m = np.full(window.shape, 300.0, np.float32)
    range_m[100:200, 100:300] = 2.0
    planes = {"alpha": np.ones(window.shape, np.float32), "range": range_m}
    shade = water_shade(replace(build.shot(window, path=path), surfaces=Frame(planes, window, window)))
    assert shade is not None
    left = shade.before_things(window, 8)
    assert ((left >= 0.0) & (left <= 1.001)).all()
    # Much nearer a thing there is no sudden end to that.
    pixels, ranges = np.full((60, 2), 40.5), np.geomspace(1.0, 300.0, 60).astype(np.float32)
    along = shade.before_farther(pixels, ranges)
    assert np.isfinite(along).all()
    assert np.abs(np.diff(along)).max() < 0.1


HULL_M, WIDE = 8.0, Window(0, 0, 480, 270)


def below_a_hull(build: Builders, ball_m: float | None = None) -> tuple[F32, NDArray[np.bool_]]:
    """What shade leaves of the veil before a hull that covers the sun, and where the hull is seen."""
    bands = build.grey_bands(0.03, 0.04, 0.05)
    travel = refracted_sun(60.0, 40.0, build.up, build.ahead, 1.341)
    path = build.path(bands, depth_m=20.0, sun_travel=travel)
    shot = build.shot(WIDE, path=path, camera=build.camera(WIDE, tilt_deg=55.0))
    rays = shot.camera.directions(WIDE)
    way = HULL_M / np.maximum(rays[1], np.float32(0.05))
    x, z = rays[0] * way, rays[2] * way
    hull = (rays[1] > 0.05) & (x > -2.5) & (x < 5.0) & (z > -9.0) & (z < 2.0)
    range_m = np.where(hull, way, np.inf)
    if ball_m is not None:
        middle = rays[:, 120, 240]
        ball = np.einsum("i,irc->rc", middle, rays) > np.cos(0.06)
        range_m, hull = np.where(ball, ball_m, range_m), hull & ~ball
    planes = {"alpha": np.isfinite(range_m).astype(np.float32), "range": range_m.astype(np.float32)}
    shade = water_shade(replace(shot, surfaces=Frame(planes, WIDE, WIDE)))
    assert shade is not None
    return build.left_before(shade, WIDE, planes["range"])[0], hull


def test_light_left_about_two_things_one_before_the_other_has_no_steps_along_rays(build: Builders) -> None:
    # What is scattered about before a thing was followed to the thing that each ray leads to, and went on by
    # as much at once where that was another, along stairs as wide as rays lie apart.
    path = build.path(build.grey_bands(0.1, 0.43, 0.1), depth_m=6.0)
    shot = build.shot(WIDE, path=path, camera=build.camera(WIDE, tilt_deg=40.0))
    rays = shot.camera.directions(WIDE)
    near = (rays[0] + 0.3 * rays[1] < 0.0) & (rays[1] > 0.3)
    planes = {"alpha": np.ones(WIDE.shape, np.float32), "range": np.where(near, 2.0, 6.0).astype(np.float32)}
    shade = water_shade(replace(shot, surfaces=Frame(planes, WIDE, WIDE)))
    assert shade is not None
    # Of all that has been scattered about alone, to the same range on either side of the edge.
    whole = shade.volume
    shares = replace(whole.shares, sun=np.zeros_like(whole.shares.sun), sky=np.zeros_like(whole.shares.sky))
    about = ShadeVolume(shade.shade, whole.rays, whole.steps, whole.water, shares, whole.ahead)
    rows, columns = (np.arange(size, dtype=np.float32) for size in whole.rays.directions.shape[1:])
    left = about.gain(columns, rows, np.full((rows.size, columns.size), 1.5, np.float32))[0]
    assert 0.1 < left.min() < 0.9
    assert np.abs(np.diff(left, axis=1)).max() < 0.02


def test_light_left_before_a_hull_overhead_is_even_however_far_its_parts_are(build: Builders) -> None:
    # All of the hull lies at one height, in its own shadow: what is left of the light has no lines in it,
    # wherever steps along rays end: no pixel differs by much from the mean of those 6 off on both sides.
    left, hull = below_a_hull(build)
    # Near the picture's border, where its shadow ends with what is seen of it, the light rises steeply.
    well_within = cv2.erode(hull.astype(np.uint8), np.ones((71, 71), np.uint8), borderValue=0) > 0
    assert well_within.sum() > 10_000
    for across in (np.roll(left, 6, 0) + np.roll(left, -6, 0), np.roll(left, 6, 1) + np.roll(left, -6, 1)):
        kink = np.abs(left - 0.5 * across)
        assert (kink / (left + np.float32(0.01)))[well_within].max() < 0.1
    assert (left[hull] > 0.0).all()


@pytest.mark.parametrize(
    ("depth_m", "above_m", "water"), [(9.0, 6.0, (0.1, 0.43)), (15.0, 9.0, (0.07, 0.18))]
)
def test_a_hull_before_the_sun_has_no_bright_arcs_where_steps_along_rays_end_close_below_it(
    depth_m: float, above_m: float, water: tuple[float, float], build: Builders
) -> None:
    # A slanting range is known to a hundredth: a step that ends within that of the hull stands for no lit
    # water beside it. Arcs of it were up to three times as bright as what lay between them.
    travel = refracted_sun(60.0, 0.0, build.up, build.ahead, 1.341)
    path = build.path(build.grey_bands(*water, 0.1), depth_m=depth_m, sun_travel=travel)
    shot = build.shot(WIDE, path=path, camera=build.camera(WIDE, tilt_deg=68.0))
    rays = shot.camera.directions(WIDE)
    way = above_m / np.maximum(rays[1], np.float32(0.05))
    x, z = rays[0] * way, rays[2] * way + np.float32(above_m * math.tan(math.radians(22.0)))
    hull = (rays[1] > 0.05) & (np.abs(x) < 8.0) & (np.abs(z) < 4.0)
    planes = {"alpha": hull.astype(np.float32), "range": np.where(hull, way, np.inf).astype(np.float32)}
    shade = water_shade(replace(shot, surfaces=Frame(planes, WIDE, WIDE)))
    assert shade is not None
    left = build.left_before(shade, WIDE, planes["range"])[0]
    well_within = cv2.erode(hull.astype(np.uint8), np.ones((31, 31), np.uint8), borderValue=0) > 0
    assert well_within.sum() > 5_000
    for across in (np.roll(left, 6, 0) + np.roll(left, -6, 0), np.roll(left, 6, 1) + np.roll(left, -6, 1)):
        assert (np.abs(left - 0.5 * across) / left)[well_within].max() < 0.15


@pytest.mark.parametrize("ball_m", [2.0, 3.0, 5.0])
def test_a_ball_before_a_hull_has_no_pale_rim(ball_m: float, build: Builders) -> None:
    # The ball keeps a little more from the water before the hull, and lets nothing in: neither beside it nor
    # through the hole that it leaves in what is seen of the hull.
    alone, _ = below_a_hull(build)
    left, hull = below_a_hull(build, ball_m)
    rim = np.zeros(WIDE.shape, np.bool_)
    rim[90:151, 210:271] = True
    beside = hull & rim
    assert beside.sum() > 500
    assert (left[beside] < 1.05 * alone[beside]).all()
    assert (left[beside] > 0.79 * alone[beside]).all()


def test_no_surface_is_made_up_where_one_sees_through(build: Builders) -> None:
    shot = build.shot(WIDE)
    range_m = np.full(WIDE.shape, 8.0, np.float32)
    range_m[100:130, 200:230] = np.inf
    planes = {"alpha": np.isfinite(range_m).astype(np.float32), "range": range_m}
    shot = replace(shot, surfaces=Frame(planes, WIDE, WIDE))
    assert shot.surfaces is not None
    seen = casters_seen(shot, shot.surfaces, LevelAxes.of(shot))
    assert seen.weight.size == np.isfinite(range_m).sum()
    assert seen.lens_m == (*LevelAxes.of(shot).origin, shot.path.camera_depth_m)
    # Behind a fish before the wall the wall goes on.
    range_m[110:120, 300:310] = 3.0
    planes = {"alpha": np.isfinite(range_m).astype(np.float32), "range": range_m}
    seen = casters_seen(shot, Frame(planes, WIDE, WIDE), LevelAxes.of(shot))
    assert seen.weight.size == np.isfinite(range_m).sum() + 100


def test_from_every_ray_the_sun_stands_where_the_camera_shows_it(build: Builders) -> None:
    window = Window(0, 0, 320, 200)
    sun = refracted_sun(55.0, 10.0, build.up, build.ahead, 1.34)
    path, camera = build.path(build.bands("1C"), sun_travel=sun), build.camera(window, tilt_deg=50.0)
    grid = RayGrid.of(build.shot(window, path=path, camera=camera), 64)
    shares = grid.shares(path)
    x, y, z = (float(-sun @ axis) for axis in camera.rotation.T)
    # A pinhole's picture of a direction: right and down over ahead.
    place = (
        camera.centre_px[1] + y / z / camera.tangent_per_px[1],
        camera.centre_px[0] - x / z / camera.tangent_per_px[0],
    )
    wanted = float(grid.rows(place[0])), float(grid.columns(place[1]))
    near = shares.apart < 2.0
    assert near.sum() > 100
    for axis, toward, at in zip(np.indices(shares.apart.shape), shares.toward, wanted, strict=True):
        # Up to nine degrees away, by rays a degree apart.
        assert_allclose((axis + toward)[near], at, atol=0.6)
    assert not shares.toward[:, shares.beside_sun == 0.0].any()
