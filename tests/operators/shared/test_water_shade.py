"""What a picture shows along coarse rays, for pictures of any size."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from tests.conftest import Builders

from halocline.graph.shot import Shot
from halocline.imaging.frame import Frame, Window
from halocline.operators.shared import water_shade as module
from halocline.operators.shared.water_shade import RayGrid, WaterShade, unseen_casters, water_shade
from halocline.physics.floating.flow import STILL
from halocline.physics.floating.turbid import DensityWaves, TurbidBody, TurbidShape
from halocline.physics.floating.turbid_view import BodiesInLight

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
    assert shade.over(window)(far).mean() < 0.7
    assert unseen_casters(shade) == ()
    # Below it the sun is dimmed by as much as its beam meets, one layer in 2.5 m of 1 per metre.
    slant = 1.0 / float(-shot.path.sun_travel @ build.up)
    left = shade.light_along(*(np.array([value], np.float32) for value in (0.0, 0.0, 12.0)), things=False)
    assert left[0, 0] == pytest.approx(np.exp(-2.5 * slant), abs=0.01)
