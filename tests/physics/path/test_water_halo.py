"""A water's halo: its energy is that of its surfaces' halos, and light that bends takes its share of it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from tests.conftest import Builders

from halocline.physics.path.point_spread import RINGS, SLOPES, SurfaceHalos, ring_shares
from halocline.physics.path.water_halo import (
    BENDS,
    KERNEL_DEPTHS,
    band_bends,
    light_bend,
    turns_of,
    water_halo,
)

A, B = 0.08, 0.3


def test_energy_of_a_large_surfaces_halo_is_that_of_its_rings(build: Builders) -> None:
    """In water of one kind of light, the rates by band give back what rings of all slopes hold together."""
    path = build.path(build.grey_bands(A, B, 0.1))
    halo = water_halo(path, None, bend=0.0, shape=(60, 100), focal_px=80.0)
    ranges = KERNEL_DEPTHS / B
    rings = SurfaceHalos.of(turns_of(None), A, B, ranges).gains
    made = halo.gains(ranges.astype(np.float32))
    for band in made:
        assert_allclose(band[1:], rings[1:], rtol=0.03)


def test_far_aside_a_halo_is_that_of_a_nearer_wall() -> None:
    """At slope m the pixel's range is that of a wall at r / sqrt(1 + m^2)."""
    turns, r = turns_of(None), 6.0
    halos = SurfaceHalos.of(turns, A, B, np.array([2.0, r, 12.0]))
    shares = ring_shares(np.append(0.0, SLOPES))
    seen = halos.rings[1] * math.exp(-(A + B) * r)
    for ring in (40, 70, 78):
        middle = math.sqrt(RINGS[ring] * RINGS[ring + 1])
        wall = turns.plane_halo(A, B, r / math.sqrt(1.0 + middle**2))
        assert_allclose(seen[ring], (shares @ wall)[ring], rtol=0.15)
    far = (shares @ turns.plane_halo(A, B, r))[78]
    assert abs(seen[78] / far - 1.0) > 0.2


def test_bent_light_counts_for_more_where_it_is_turned_far_from_the_lens() -> None:
    """Turned at the lens, light lies where the surface is; turned at the surface it lies aside."""
    turns, bend = turns_of(0.9), 2.0
    ratio = turns.weights(A, 5.0, bend) / turns.weights(A, 5.0)
    wide = np.abs(turns.angles - 1.0) < 0.2
    near_the_surface, near_the_lens = sorted((ratio[0, wide].mean(), ratio[-1, wide].mean()), reverse=True)
    assert_allclose(near_the_surface, (1.0 + bend * turns.angles[wide] ** 2).mean(), rtol=0.03)
    assert_allclose(near_the_lens, 1.0, atol=0.05)


def test_bend_is_how_the_water_brightens_round_the_view(build: Builders) -> None:
    """The mean of open water half a radian off over that ahead is 1 + q / 4."""
    path = build.path(depth_m=10.0)
    ahead = np.array([0.0, -0.6, -0.8])
    side, above = np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.8, -0.6])
    weights = path.luminance @ path.bands.down
    turns = np.linspace(0.0, 2.0 * math.pi, 48, endpoint=False)
    ring = [
        math.cos(0.5) * ahead + math.sin(0.5) * (math.cos(turn) * side + math.sin(turn) * above)
        for turn in turns
    ]
    light = [float(np.maximum(weights, 0.0) @ path.veil_along(np.inf, ray)) for ray in (ahead, *ring)]
    bend = (np.mean(light[1:]) / light[0] - 1.0) / 0.25
    assert 0.1 < bend < BENDS[-1]
    assert_allclose(light_bend(path, ahead), bend, rtol=0.05)


def test_between_two_bends_a_halo_is_mixed_of_both(build: Builders) -> None:
    path = build.path(build.grey_bands(A, B, 0.1))
    low, middle, high = (
        water_halo(path, None, bend=bend, shape=(60, 100), focal_px=80.0) for bend in (1.0, 1.5, 2.0)
    )
    assert_allclose(middle.hidden, 0.5 * (low.hidden + high.hidden), rtol=1e-5, atol=1e-8)
    assert_allclose(middle.kernels.weights, 0.5 * (low.kernels.weights + high.kernels.weights), rtol=1e-6)
    assert np.abs(low.hidden - high.hidden).max() > 1e-4


def test_each_band_hides_the_light_of_its_own_bend(build: Builders) -> None:
    """A band whose light grows about the view regains more of what it lacks, whatever others do."""
    path = build.path(build.grey_bands(A, B, 0.1))
    bends = np.full(path.bands.count, 0.5)
    bends[-1] = 3.0
    mixed, low, high = (
        water_halo(path, None, bend=0.5, shape=(60, 100), focal_px=80.0, bends=each)
        for each in (bends, None, np.full(path.bands.count, 3.0))
    )
    assert_allclose(mixed.hidden[:-1], low.hidden[:-1], rtol=1e-6)
    assert_allclose(mixed.hidden[-1], high.hidden[-1], rtol=1e-6)
    assert_allclose(mixed.own, low.own, rtol=1e-6)
    at = np.array([5.0], np.float32)
    assert mixed.gains(at) == pytest.approx(low.gains(at))
    assert np.abs(high.hidden - low.hidden).max() > 1e-3


def test_a_band_that_the_water_takes_comes_from_above_alone(build: Builders) -> None:
    """About a level ray its light grows faster, as the mean of 48 rays on a ring finds."""
    path = build.path(depth_m=10.0)
    ahead, up = np.array([0.0, 0.0, -1.0]), np.array([0.0, 1.0, 0.0])
    turns = np.linspace(0.0, 2.0 * math.pi, 48, endpoint=False)
    ring = [
        math.cos(0.5) * ahead
        + math.sin(0.5) * (math.cos(turn) * np.array([1.0, 0.0, 0.0]) + math.sin(turn) * up)
        for turn in turns
    ]
    around = np.mean([path.veil_along(np.inf, ray) for ray in ring], axis=0)
    expected = np.clip((around / path.veil_along(np.inf, ahead) - 1.0) / 0.25, 0.0, BENDS[-1])
    bends = band_bends(path, ahead)
    assert_allclose(bends, expected, rtol=0.06)
    taken = path.bands.attenuation - path.bands.scattering
    assert bends[np.argmax(taken)] > 1.5 * bends[np.argmin(taken)]


@pytest.mark.parametrize("bend", [0.0, 2.0])
def test_rates_say_at_any_range_what_turns_regain(build: Builders, bend: float) -> None:
    """To ten scattering lengths, between the ranges that they are fitted at."""
    path = build.path(build.grey_bands(A, B, 0.1))
    ranges = np.geomspace(0.05, 10.0, 17) / B
    halo = water_halo(path, None, bend=bend, shape=(60, 100), focal_px=80.0)
    rate = np.polynomial.polynomial.polyval(
        ranges / (ranges + halo.half_m), halo.hidden[0].astype(np.float64)
    )
    # Of a picture's walls: what rings of all slopes hold over what a wall at one range does.
    nodes = KERNEL_DEPTHS / B
    halos = SurfaceHalos.of(turns_of(None), A, B, nodes, bend)
    of_rings = np.interp(np.log(ranges), np.log(nodes), halos.gains / halos.wall)
    regained = np.array([turns_of(None).regained(A, B, float(s), bend) for s in ranges])
    assert_allclose(np.expm1(rate * ranges), of_rings * np.expm1(B * regained * ranges), rtol=0.04)
