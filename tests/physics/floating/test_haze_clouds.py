"""Clouds in the haze: the mean density along rays, on tiles and for single things."""

from __future__ import annotations

import numpy as np
import pytest
from tests.conftest import Builders

from halocline._typing import F64
from halocline.filters.lens_blur import ThinLens
from halocline.filters.splat import Area
from halocline.imaging.frame import Window
from halocline.physics.floating.exposure import Exposure
from halocline.physics.floating.field import patchiness
from halocline.physics.floating.haze_clouds import HazeClouds, haze_clouds
from halocline.physics.floating.particles import PowerLaw
from halocline.physics.floating.suspended import Motion, ParticleClass

WINDOW = Window(-5, -3, 150, 90)
AREA = Area(-3, 87, -5, 145)
PATCHES = patchiness(3, "silt", scale_m=1.5, variation=1.0)


def _clouds(build: Builders, variation: float = 1.0) -> HazeClouds | None:
    path = build.path()
    patches = PATCHES if variation else patchiness(3, "silt", scale_m=1.5, variation=0.0)
    kind = ParticleClass(
        "silt",
        PowerLaw(1e9, 4.0, 1e-5, 1e-4),
        patches,
        (0.0,) * 7,
        1.0,
        np.ones(path.bands.count),
        0.5,
        drawn=False,
    )
    return haze_clouds([kind], Motion(), _exposure(build), path)


def _exposure(build: Builders) -> Exposure:
    camera = build.camera(WINDOW)
    return Exposure(camera, camera, camera, (1.0, 1.0, 1.0), ThinLens(0.03, 8.0, 3.0, 4000.0), AREA)


def test_even_haze_has_no_clouds(build: Builders) -> None:
    assert _clouds(build, variation=0.0) is None


def test_ratio_is_the_density_seen_through_the_water(build: Builders) -> None:
    clouds = _clouds(build)
    assert clouds is not None
    camera, path = build.camera(WINDOW), build.path()
    # A ray of the grid: the third across, the second down.
    pixel = Window(-5 + 48, -3 + 24, 1, 1)
    direction: F64 = camera.directions(pixel)[:, 0, 0].astype(np.float64)
    t = np.linspace(0.0, 4.0, 4001)
    density = PATCHES.ratio(camera.position_m + t[:, None] * direction)
    seen = np.exp(-float(path.beam_rate.mean()) * t)
    expected = np.trapezoid(density * seen, t) / np.trapezoid(seen, t)
    found = clouds.ratio_at(np.array([[pixel.x + 0.5, pixel.y + 0.5]]), np.array([4.0]))[0]
    assert found == pytest.approx(expected, rel=0.05)


def test_single_things_and_tiles_agree(build: Builders) -> None:
    clouds = _clouds(build)
    assert clouds is not None
    ranges = np.random.default_rng(1).uniform(0.1, 30.0, (90, 150)).astype(np.float32)
    whole = clouds.ratio(AREA, ranges)
    rows, columns = np.mgrid[0:90, 0:150]
    pixels = np.stack([columns.ravel() - 5 + 0.5, rows.ravel() - 3 + 0.5], axis=1)
    assert clouds.ratio_at(pixels, ranges.ravel().astype(float)) == pytest.approx(whole.ravel(), rel=1e-4)


@pytest.mark.parametrize("height", [1, 7, 32])
def test_tiles_of_any_height_are_equal_to_the_bit(build: Builders, height: int) -> None:
    clouds = _clouds(build)
    assert clouds is not None
    ranges = np.random.default_rng(1).uniform(0.1, 30.0, (90, 150)).astype(np.float32)
    ranges[0, :5] = np.inf
    whole = clouds.ratio(AREA, ranges)
    for top in range(0, 90, height):
        end = min(90, top + height)
        part = Area(-3 + top, -3 + end, -5, 145)
        assert (clouds.ratio(part, ranges[top:end]) == whole[top:end]).all()
