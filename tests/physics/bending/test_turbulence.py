"""Turbulence: sizes, statistics and smoothness of the eddies."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from halocline._typing import F32
from halocline.errors import PhysicsError
from halocline.physics.bending.turbulence import (
    IndexEddies,
    RayPath,
    _eddy_tile,
    churn,
    deflection_rms,
    octaves,
)

AXES = (np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, -1.0]), np.array([0.0, 1.0, 0.0]))


def fan(climb_deg: float, *, thickness: float = 0.2, height: float = 1.0, step_rad: float = 1e-3) -> RayPath:
    """Return 48 x 64 rays about an elevation, and their path through a level layer above."""
    climb = np.radians(climb_deg) + step_rad * np.arange(24, -24, -1)[:, None]
    azimuth = step_rad * np.arange(-32, 32)[None, :]
    parts = np.broadcast_arrays(
        np.cos(climb) * np.sin(azimuth), np.sin(climb), -np.cos(climb) * np.cos(azimuth)
    )
    directions = np.stack(parts).astype(np.float32)
    rise = directions[1]
    low, high = np.float32(height - thickness / 2), np.float32(height + thickness / 2)
    return RayPath(directions, rise, low / rise, high / rise, step_rad)


def bends(
    turbulence: IndexEddies, rays: RayPath, *, lens: np.ndarray | None = None, time_s: float = 0.0
) -> F32:
    where = np.array([0.0, -1.0, 0.0]) if lens is None else lens
    return churn(turbulence, 8e-4, rays, where, AXES, 0.2, time_s=time_s)[0]


def test_variance_over_all_eddy_sizes_is_the_stated_strength() -> None:
    sizes = octaves(IndexEddies(0.4, 0.5, 0.01), 8e-4)
    assert [radius for radius, _ in sizes] == pytest.approx([0.5, 0.25, 0.125, 0.0625, 0.03125, 0.015625])
    assert math.sqrt(sum(rms**2 for _, rms in sizes)) == pytest.approx(0.4 * 8e-4)


def test_eddy_tile_has_the_stated_correlation_and_no_seam() -> None:
    tile = _eddy_tile(5)
    np.testing.assert_array_equal(tile[0], tile[-1])
    np.testing.assert_array_equal(tile[:, 0], tile[:, -1])
    assert tile[:-1, :-1].std(axis=(0, 1)) == pytest.approx(1.0, abs=1e-3)
    scalar = tile[:-1, :-1, 2]
    # exp(-r^2/radius^2) with 8 samples to a radius; 64 x 64 independent eddies leave about 0.02 of noise.
    for lag in (4, 8, 12):
        correlation = float(np.mean(scalar * np.roll(scalar, lag, axis=1)))
        assert correlation == pytest.approx(math.exp(-((lag / 8.0) ** 2)), abs=0.05)


def test_a_ray_is_turned_alike_wherever_the_lens_stands_on_it() -> None:
    # The same lines in the world, at a grazing angle, from two places on them.
    still = IndexEddies(0.02, 0.2, 0.1, speed_m_s=0.0)
    rays = fan(8.0, thickness=0.4)
    for row, column in ((10, 5), (24, 32), (40, 60)):
        one = rays.directions[:, row : row + 1, column : column + 1]
        rise = one[1]
        seen = []
        for along in (0.0, 1.5):
            height = 1.0 - along * float(rise[0, 0])
            near, far = (np.float32(height + half) / rise for half in (-0.2, 0.2))
            lens = np.array([0.0, -1.0, 0.0]) + along * one[:, 0, 0].astype(np.float64)
            path = RayPath(one, rise, near, far, 1e-5)
            seen.append(churn(still, 8e-4, path, lens, AXES, 0.4, time_s=0.0)[0][:, 0, 0])
        np.testing.assert_allclose(seen[1], seen[0], atol=2e-3 * float(np.abs(seen[0]).max()) + 1e-9)


def test_what_a_moving_lens_leaves_behind_within_a_frame_is_smeared() -> None:
    rays = fan(15.0, step_rad=1e-4)
    small = IndexEddies(0.02, 0.05, 0.05)
    slow, fast = (
        churn(small, 8e-4, replace(rays, travel_m=travel), np.array([0.0, -1.0, 0.0]), AXES, 0.2, time_s=0.0)
        for travel in (0.0, 0.2)
    )
    assert np.abs(slow[0]).max() > 0
    assert np.abs(fast[0]).max() == 0
    assert fast[1].mean() > slow[1].mean()


def test_eddies_lie_still_in_the_world_for_a_lens_that_moves() -> None:
    # The same places of a thin sheet 1 m above, seen from two lenses.
    still = IndexEddies(0.3, 0.1, 0.05, speed_m_s=0.0)
    x, z = np.meshgrid(np.arange(64) * 4e-3, np.arange(48) * 4e-3)
    seen = []
    for lens in (np.array([0.0, -1.0, 0.3]), np.array([0.2, -1.1, 0.25])):
        towards = np.stack([x - lens[0], np.full_like(x, -lens[1]), z - lens[2]])
        directions = (towards / np.linalg.norm(towards, axis=0)).astype(np.float32)
        rise = directions[1]
        near, far = (np.float32(-lens[1] + half) / rise for half in (-0.01, 0.01))
        seen.append(bends(still, RayPath(directions, rise, near, far, 1e-3), lens=lens)[0])
    correlation = np.corrcoef(seen[0].ravel(), seen[1].ravel())[0, 1]
    assert correlation > 0.95


def test_drift_carries_the_eddies() -> None:
    rays = fan(80.0, thickness=0.02, step_rad=2e-4)
    drifting = IndexEddies(0.3, 0.1, 0.05, speed_m_s=0.0, drift_m_s=(0.2, 0.0))
    later = bends(drifting, rays, time_s=3.0)
    # Seen from a lens that drifts along, nothing has moved.
    along = bends(drifting, rays, lens=np.array([0.6, -1.0, 0.0]), time_s=3.0)
    start = bends(drifting, rays)
    np.testing.assert_allclose(along, start, atol=2e-6)
    assert np.abs(later - start).max() > 1e-4


def test_field_varies_along_every_direction_of_a_grazing_view() -> None:
    # Neither streaks nor sheets: neighbouring rows and columns decorrelate alike, within a factor.
    grazing = fan(5.0, thickness=0.5, step_rad=2e-3)
    bend = bends(IndexEddies(0.02, 0.1, 0.1), grazing)[0]
    rough = [float(np.sqrt(np.mean(np.diff(bend, axis=axis) ** 2))) for axis in (0, 1)]
    assert 0.3 < rough[0] / rough[1] < 3.0


def test_bend_is_across_the_ray() -> None:
    rays = fan(15.0)
    bend = bends(IndexEddies(0.3, 0.2), rays)
    assert np.abs(np.sum(bend * rays.directions, axis=0)).max() < 1e-6


def test_eddies_that_would_fold_the_picture_are_smeared() -> None:
    rays = fan(10.0, step_rad=1e-4)
    weak, strong = (
        churn(IndexEddies(s, 0.05, 0.05), 8e-4, rays, np.array([0.0, -1.0, 0.0]), AXES, 0.2, time_s=0.0)
        for s in (0.01, 1.0)
    )
    share_of = [float(np.std(bend) / np.mean(spread)) for bend, spread in (weak, strong)]
    assert share_of[1] < 0.2 * share_of[0]


def test_no_strength_does_nothing() -> None:
    bend, spread = churn(IndexEddies(0.0), 8e-4, fan(10.0), np.array([0.0, -1.0, 0.0]), AXES, 0.2, time_s=0.0)
    assert not bend.any()
    assert not spread.any()


def test_eddies_of_impossible_sizes_are_refused() -> None:
    with pytest.raises(PhysicsError, match=r"eddies from 0\.2 m to 0\.1 m"):
        IndexEddies(0.1, 0.1, 0.2)


def test_short_paths_bend_in_proportion_and_long_ones_as_a_random_walk() -> None:
    path = np.array([1e-3, 2e-3, 10.0, 40.0], np.float32)
    angle = deflection_rms(1e-4, 0.1, path)
    assert angle[1] / angle[0] == pytest.approx(2.0, rel=1e-2)
    assert angle[3] / angle[2] == pytest.approx(2.0, rel=2e-2)
