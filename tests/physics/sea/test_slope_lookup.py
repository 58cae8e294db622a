"""Slopes over what a pixel covers, against averages of many points."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from halocline._typing import F32
from halocline.physics.sea.caustics import CausticOptics
from halocline.physics.sea.light_field import CausticField, CausticSetup
from halocline.physics.sea.slope_lookup import Footprint, slope_levels
from halocline.physics.sea.waves import SeaState


@pytest.fixture(scope="module")
def field() -> CausticField:
    sea = SeaState(4.0, fetch_m=1500.0, smooth_below_m=0.2)
    optics = CausticOptics(math.radians(35.0), 0.5, (1.338, 1.3405, 1.345), scattering_per_m=0.05)
    return CausticSetup(sea, optics, seed=4, patch_m=8.0, grid=512).at(3.0)


def patch(count: int, across: float, along: float, azimuth: float) -> Footprint:
    """The same patch for every pixel."""
    sizes = (across, along, math.cos(azimuth), math.sin(azimuth))
    return Footprint(*(np.full(count, size, np.float32) for size in sizes))


def points_in(across: float, along: float, azimuth: float) -> tuple[F32, F32]:
    """Offsets of points that fill a patch evenly."""
    u, v = np.meshgrid((np.arange(24) + 0.5) / 24 - 0.5, (np.arange(24) + 0.5) / 24 - 0.5)
    u, v = u.ravel() * along, v.ravel() * across
    cos, sin = math.cos(azimuth), math.sin(azimuth)
    return (u * cos - v * sin).astype(np.float32), (u * sin + v * cos).astype(np.float32)


@pytest.mark.parametrize(
    ("across", "along", "azimuth"), [(0.03, 0.03, 0.0), (0.2, 0.2, 0.0), (0.2, 1.2, 0.7), (1.0, 4.0, 2.0)]
)
def test_mean_and_variance_are_those_of_points_all_over_the_patch(
    field: CausticField, across: float, along: float, azimuth: float
) -> None:
    x, y = (np.random.default_rng(2).uniform(-40, 40, (2, 400))).astype(np.float32)
    found = field.slopes(x, y, footprint=patch(400, across, along, azimuth))
    dx, dy = points_in(across, along, azimuth)
    points = field.slopes(x[:, None] + dx, y[:, None] + dy)[:2].astype(np.float64)
    mean, variance = points.mean(axis=2), points.var(axis=2).sum(axis=0)
    whole = float(points.reshape(2, -1).var(axis=1).sum())
    # A patch is looked up in cells of about its own width, so single ones differ; none is off for all.
    assert np.sqrt(np.mean((found[:2] - mean) ** 2)) < 0.25 * math.sqrt(whole)
    assert found[2].mean() == pytest.approx(variance.mean(), abs=0.12 * whole)
    assert np.corrcoef(np.concatenate([found[0], found[1]]), mean.ravel())[0, 1] > 0.75


def test_no_wave_is_lost_however_wide_the_pixels(field: CausticField) -> None:
    x, y = (np.random.default_rng(3).uniform(-300, 300, (2, 20000))).astype(np.float32)
    held = np.trace(field.setup.fine.patch.slope_variance + field.setup.long.patch.slope_variance)
    for across, along in ((0.0, 0.0), (0.1, 0.1), (0.5, 3.0), (8.0, 60.0)):
        found = field.slopes(x, y, footprint=patch(20000, across, along, 0.4)).astype(np.float64)
        kept = (found[0] ** 2 + found[1] ** 2 + found[2]).mean()
        assert kept == pytest.approx(held, rel=0.15)
    assert found[2].mean() > 0.9 * held, "the widest hide all waves"


def test_a_point_hides_nothing_and_is_what_a_tiny_patch_finds(field: CausticField) -> None:
    x, y = (np.random.default_rng(4).uniform(-30, 30, (2, 500))).astype(np.float32)
    point = field.slopes(x, y)
    tiny = field.slopes(x, y, footprint=patch(500, 1e-4, 2e-4, 1.0))
    assert_allclose(point[2], 0.0, atol=1e-8)  # float32
    assert_allclose(tiny, point, atol=2e-4)


def test_halving_keeps_the_mean_and_the_mean_square_of_slopes() -> None:
    along, across = np.random.default_rng(5).normal(0.0, 0.1, (2, 64, 64)).astype(np.float32)
    levels = slope_levels([(along, across)])
    assert [len(level) for level in levels] == [64, 32, 16, 8, 4, 2, 1]
    assert not levels[0][..., 2].any(), "a moment hides no change in time"
    square = [float(level[..., 2].mean()) for level in levels[1:]]
    assert_allclose(square, (along**2 + across**2).mean(), rtol=1e-5)
    assert_allclose(levels[-1][0, 0, :2], [along.mean(), across.mean()], atol=1e-6)


def test_patches_are_as_wide_as_a_pixel_and_longer_towards_the_horizon() -> None:
    slant = np.radians(np.array([0.0, 60.0, 80.0]))
    views = np.stack([np.sin(slant), np.zeros(3), -np.cos(slant)]).astype(np.float32)
    seen = Footprint.of_view(views, np.full(3, 10.0, np.float32), 1e-3)
    assert_allclose(seen.across_m, 0.01, rtol=1e-6)
    assert_allclose(seen.along_m, 0.01 / np.cos(slant), rtol=1e-5)
    assert_allclose(seen.x[1:], 1.0)
