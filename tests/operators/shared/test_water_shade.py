"""What a picture shows along coarse rays, for pictures of any size."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.testing import assert_allclose
from tests.conftest import Builders

from halocline.imaging.frame import Frame, Window
from halocline.operators.shared.water_shade import RayGrid

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
