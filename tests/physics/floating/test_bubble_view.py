"""Bubbles in the light of the water around."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from tests.conftest import Builders

from halocline.filters.lens_blur import ThinLens
from halocline.filters.splat import Area, Drawing, Surface
from halocline.imaging.frame import Window
from halocline.physics.floating.bubble_optics import HEADINGS, RINGS, around
from halocline.physics.floating.bubble_view import BubbleLook, Floor, seen_bubbles, surroundings
from halocline.physics.floating.bubbles import Column, Emitter
from halocline.physics.floating.exposure import Exposure
from halocline.physics.floating.particles_as_seen import Scene, Seen
from halocline.physics.path.transport import refracted_sun
from halocline.physics.sea.sky import sky_over
from halocline.physics.sea.surface import SunBeam

WINDOW = Window(0, 0, 96, 64)
AREA = Area(0, 64, 0, 96)


CALM = sky_over(SunBeam(math.radians(45.0), 0.0, 1.34), sun_share=0.6)
LOOK = BubbleLook(1.0, 1.0, CALM, slope_variance=0.02)
DIRECTIONS = around().reshape(RINGS, HEADINGS, 3)
# Solid angle of each direction.
SHARES = np.sin(np.linspace(0.0, math.pi, RINGS)) * (math.pi / (RINGS - 1)) * (2.0 * math.pi / HEADINGS)


def test_light_around_is_the_daylight_there(build: Builders) -> None:
    """Summed over directions it is the irradiance and the scalar irradiance of the solved field.

    At ten metres of coastal water; nearer the surface what is scattered forward out of the beam is missing.
    """
    path = build.path()
    light = surroundings(path, 10.0, replace(LOOK, brightest=1e9))
    by_ring = light.sum(axis=1) * SHARES[:, None]
    down = (by_ring * np.maximum(DIRECTIONS[:, 0, 2], 0.0)[:, None]).sum(axis=0)
    assert down == pytest.approx(math.pi * path.white * path.daylight(10.0), rel=0.04)
    assert by_ring.sum(axis=0) == pytest.approx(path.scalar_daylight(10.0), rel=0.04)


def test_sun_stands_at_heading_nought_and_keeps_to_its_limit(build: Builders) -> None:
    path = build.path(depth_m=1.0)
    light = surroundings(path, 0.5, replace(LOOK, brightest=4.0))
    ring, heading = np.unravel_index(np.argmax(light.sum(axis=2)), light.shape[:2])
    # 45 degrees in air are 31.9 in water (n 1.34).
    assert heading == 0
    assert 5.0 * ring == pytest.approx(31.9, abs=5.0)
    assert (light < 4.0 * path.white).all()


def test_sky_shows_only_in_snells_window_and_fades_with_depth(build: Builders) -> None:
    shallow, deep = (surroundings(build.path(depth_m=2.0), depth, LOOK)[:, 24, 2] for depth in (2.0, 30.0))
    assert shallow[4] > 5.0 * shallow[14]
    assert deep[4] < 0.3 * shallow[4]


def test_floor_lights_what_looks_down_and_what_the_surface_mirrors(build: Builders) -> None:
    path = build.path(depth_m=0.5)
    floor = Floor(1.0, 2.0 * path.white)
    bare, lit = (surroundings(path, 0.5, replace(LOOK, floor=each)) for each in (None, floor))
    assert (lit[30:] > 2.0 * bare[30:]).all()
    # Outside Snell's window the surface is a mirror.
    assert (lit[12] > 1.2 * bare[12]).all()
    half = surroundings(path, 0.5, replace(LOOK, floor=replace(floor, share=0.5)))
    assert half[30] == pytest.approx(0.5 * (bare[30] + lit[30]), rel=1e-5)


@pytest.mark.parametrize("look", [LOOK, replace(LOOK, opacity=0.5, brightness=3.0)])
def test_bubbles_are_seen_in_front_of_the_lens(build: Builders, look: BubbleLook) -> None:
    emitter = Emitter(
        "vent", np.zeros(1), np.array([[0.0, -0.6, -2.0]]), np.array([80.0]), median_m=0.02, spread=1.3
    )
    column = Column(emitter, 1, build.up, 10.0)
    camera = build.camera(WINDOW)
    exposure = Exposure(
        camera, camera, camera, (50.0, 50.0, 50.0), ThinLens(0.025, 8.0, 2.0, 96 / 0.036), AREA
    )
    found = seen_bubbles(column, exposure, Scene(build.path()), look)
    open_water = Surface(np.full((64, 96), np.inf, np.float32))
    total = sum(
        float(Drawing(AREA, discs).draw((0, 64), open_water).alpha.sum())
        for discs in found.discs
        if len(discs)
    )
    assert total > 1.0
    # The column stands in the middle of the picture.
    columns = np.concatenate([discs.start_px[:, 0] for discs in found.discs])
    assert columns.mean() == pytest.approx(48.0, abs=6.0)


@pytest.mark.parametrize(("azimuth_deg", "right"), [(90.0, True), (-90.0, False)])
def test_bubbles_shine_on_the_side_of_the_sun(build: Builders, azimuth_deg: float, right: bool) -> None:
    """The sun stands to the right of a level lens, or to its left; so does its glint in every bubble."""
    path = build.path(depth_m=2.0, sun_travel=refracted_sun(30.0, azimuth_deg, build.up, build.ahead, 1.34))
    emitter = Emitter("vent", np.zeros(1), np.array([[0.0, -0.3, -1.0]]), np.array([20.0]), median_m=0.04)
    camera = build.camera(WINDOW)
    lens = ThinLens(0.025, 1000.0, 2.0, 96 / 0.036)
    exposure = Exposure(camera, camera, camera, (50.0, 50.0, 50.0), lens, AREA)
    found = seen_bubbles(Column(emitter, 1, build.up, 2.0), exposure, Scene(path), LOOK)
    pictures = [levels[0][..., 2] for each in found.sprites for levels in each.textures.stacks]
    for picture in pictures:
        middle = picture.shape[2] // 2
        halves = picture[:, :, :middle].sum(axis=(1, 2)), picture[:, :, middle:].sum(axis=(1, 2))
        bright, dark = (halves[1], halves[0]) if right else halves
        assert (bright > 1.1 * dark).all()


@pytest.mark.parametrize(("away_m", "texels"), [(3.0, 16), (0.5, 32), (0.15, 64), (0.07, 128), (0.03, 256)])
def test_pictures_are_as_large_as_bubbles_are_seen(build: Builders, away_m: float, texels: int) -> None:
    emitter = Emitter("vent", np.zeros(1), np.array([[0.0, -0.05, -away_m]]), np.array([60.0]), median_m=0.03)
    camera = build.camera(WINDOW)
    exposure = Exposure(camera, camera, camera, (50.0,) * 3, ThinLens(0.025, 1000.0, 2.0, 96 / 0.036), AREA)
    found = seen_bubbles(Column(emitter, 1, build.up, 2.0), exposure, Scene(build.path(depth_m=2.0)), LOOK)
    sizes = [levels[0].shape[1] for each in found.sprites for levels in each.textures.stacks]
    assert max(sizes) == texels


def test_the_picture_of_a_large_bubble_changes_evenly_as_the_lens_moves(build: Builders) -> None:
    """What is a hundred pixels across has a picture of its own: one of a rough set gives way with a jump."""
    emitter = Emitter("vent", np.zeros(1), np.array([[0.0, -0.01, -0.3]]), np.array([60.0]), median_m=0.03)
    camera = build.camera(WINDOW, horizontal_view_deg=6.0)

    def looked(up_m: float) -> Seen:
        moved = replace(camera, position_m=np.array([0.0, up_m, 0.0]))
        exposure = Exposure(moved, moved, moved, (50.0,) * 3, ThinLens(0.025, 1e4, 0.3, 96 / 0.036), AREA)
        return seen_bubbles(Column(emitter, 1, build.up, 2.0), exposure, Scene(build.path(depth_m=2.0)), LOOK)

    def light_of(seen: Seen) -> float:
        """That of the bubble nearest to the middle."""
        (sprites,) = seen.sprites
        away = np.hypot(*(0.5 * (sprites.start_px + sprites.end_px) - np.array([48.0, 32.0])).T)
        assert np.hypot(*sprites.axes_px[away.argmin(), :, 0]) > 50.0
        return float(sprites.textures.means[sprites.texture[away.argmin()], :-1].sum())

    light = np.array([light_of(looked(0.0002 * step)) for step in range(9)])
    steps = np.abs(np.diff(light))
    assert np.ptp(light) > 3.0 * steps.max() > 0.0
    assert steps.max() < 0.003 * light.mean()
