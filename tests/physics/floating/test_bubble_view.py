"""Bubbles in the light of the water around."""

from __future__ import annotations

import numpy as np
import pytest
from tests.conftest import Builders

from halocline.filters.lens_blur import ThinLens
from halocline.filters.splat import Area, Drawing, Surface
from halocline.imaging.frame import Window
from halocline.physics.floating.bubble_view import BubbleLook, seen_bubbles, surroundings
from halocline.physics.floating.bubbles import Column, Emitter
from halocline.physics.floating.exposure import Exposure
from halocline.physics.floating.particles_as_seen import Scene

WINDOW = Window(0, 0, 96, 64)
AREA = Area(0, 64, 0, 96)


def test_light_comes_from_above(build: Builders) -> None:
    around = surroundings(build.path(), 10.0)(np.linspace(-1.0, 1.0, 21))
    assert (around > 0).all()
    assert (around[0] > 3.0 * around[-1]).all()


def test_level_light_is_the_veil_of_the_picture_within_a_factor(build: Builders) -> None:
    # It leaves out the sun's glow and the water's own even scattering.
    path = build.path()
    level = surroundings(path, path.camera_depth_m)(np.zeros(1))[0]
    veil = path.veil_along(np.inf, np.array([0.0, 0.0, -1.0]))
    assert ((level > 0.3 * veil) & (level < 3.0 * veil)).all()


def test_sky_shows_only_in_snells_window_and_fades_with_depth(build: Builders) -> None:
    path = build.path()
    shallow, deep = (surroundings(path, depth)(np.array([-1.0, -0.3]))[:, 2] for depth in (2.0, 30.0))
    assert shallow[0] > 5.0 * shallow[1]
    assert deep[0] < 0.3 * shallow[0]


@pytest.mark.parametrize("look", [BubbleLook(1.0, 1.0), BubbleLook(0.5, 3.0)])
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
