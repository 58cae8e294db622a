"""The ground below that bubbles mirror."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.conftest import Builders

from halocline.graph.shot import Shot
from halocline.imaging.frame import Frame, Window
from halocline.operators.shared.floor import floor_seen

WINDOW = Window(0, 0, 64, 48)


def over_ground(build: Builders, *, height_m: float, grey: float) -> Shot:
    """A level lens over level grey ground; nothing else is in the picture."""
    shot = build.shot(WINDOW)
    down = shot.view_plane("downward", WINDOW)
    hit = down > 0.05
    range_m = np.where(hit, height_m / np.maximum(down, 0.05), np.inf).astype(np.float32)
    rgb = np.broadcast_to(np.where(hit, np.float32(grey), np.float32(0.0)), (3, *WINDOW.shape)).copy()
    planes = {"rgb": rgb, "alpha": hit.astype(np.float32), "range": range_m}
    return replace(shot, surfaces=Frame(planes, WINDOW, WINDOW))


def test_floor_is_where_the_picture_shows_it_and_as_bright(build: Builders) -> None:
    shot = over_ground(build, height_m=1.5, grey=0.4)
    floor = floor_seen(shot)
    assert floor is not None
    path = shot.path
    depth = path.camera_depth_m + 1.5
    assert floor.depth_m == pytest.approx(depth, abs=0.01)
    assert floor.share == 1.0
    # The render's light holds at the reference depth.
    assert floor.light == pytest.approx(0.4 * path.white * path.daylight(depth), rel=1e-3)


def test_a_thing_or_two_are_no_floor(build: Builders) -> None:
    shot = over_ground(build, height_m=1.5, grey=0.4)
    assert shot.surfaces is not None
    planes = {name: plane.copy() for name, plane in shot.surfaces.planes.items()}
    planes["alpha"][:, 8:] = 0.0
    planes["rgb"][:, :, 8:] = 0.0
    floor = floor_seen(replace(shot, surfaces=Frame(planes, WINDOW, WINDOW)))
    assert floor is None or floor.share == 0.0
    planes["alpha"][:] = 0.0
    assert floor_seen(replace(shot, surfaces=Frame(planes, WINDOW, WINDOW))) is None
    assert floor_seen(replace(shot, surfaces=None)) is None


def test_a_stated_bottom_goes_before_the_picture(build: Builders) -> None:
    shot = over_ground(build, height_m=1.5, grey=0.4)
    path = replace(shot.path, bottom_m=14.0, bottom_reflectance=0.3)
    floor = floor_seen(replace(shot, path=path))
    assert floor is not None
    assert floor.depth_m == 14.0
    assert floor.light == pytest.approx(0.3 * path.white * path.daylight(14.0))
