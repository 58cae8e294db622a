"""A water's halo: its energy is that of its surfaces' halos, and light that bends takes its share of it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from tests.conftest import Builders

from halocline._typing import F64
from halocline.physics.path.point_spread import RINGS, SLOPES, SurfaceHalos, ring_shares
from halocline.physics.path.transport import LightPath
from halocline.physics.path.water_halo import (
    BENDS,
    KERNEL_DEPTHS,
    band_bends,
    bend_of,
    rings_about,
    taken_and_turned,
    turns_of,
    water_halo,
)

A, B = 0.08, 0.3


def test_energy_of_a_large_surfaces_halo_is_that_of_its_rings(build: Builders) -> None:
    """In water of one kind of light, the rates by band give back what rings of all slopes hold together."""
    path = build.path(build.grey_bands(A, B, 0.1))
    halo = water_halo(path, None, bends=np.zeros(path.bands.count), shape=(60, 100), focal_px=80.0)
    taken, turned = (float(each[0]) for each in taken_and_turned(path))
    ranges = KERNEL_DEPTHS / turned
    rings = SurfaceHalos.of(turns_of(None), taken, turned, ranges).gains
    made = halo.gains(ranges.astype(np.float32))
    for band in made:
        assert_allclose(band[1:], rings[1:], rtol=0.04)


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


def bend_by_many_rays(path: LightPath, ahead: F64, weights: F64) -> F64:
    """Return the mean of what rings of 48 rays at 0.4, 0.8 and 1.2 radians tell of the bend."""
    side = np.cross(ahead, [0.0, 1.0, 0.0])
    side /= np.linalg.norm(side)
    above, along, told = np.cross(side, ahead), path.veil_along(np.inf, ahead) @ weights, []
    for psi in (0.4, 0.8, 1.2):
        turns = np.linspace(0.0, 2.0 * math.pi, 48, endpoint=False)
        ring = [
            math.cos(psi) * ahead + math.sin(psi) * (math.cos(turn) * side + math.sin(turn) * above)
            for turn in turns
        ]
        light = np.mean([path.veil_along(np.inf, ray) @ weights for ray in ring], axis=0)
        told.append((light / along - 1.0) / psi**2)
    return np.asarray(np.mean(told, axis=0))


def test_bend_is_how_the_water_brightens_round_the_view(build: Builders) -> None:
    """The mean of open water on a ring psi off over that ahead is 1 + q psi^2."""
    path = build.path(depth_m=10.0)
    ahead = np.array([0.0, -0.6, -0.8])
    weights = np.maximum(path.luminance @ path.bands.down, 0.0)
    bend = bend_by_many_rays(path, ahead, weights)
    assert 0.1 < bend < BENDS[-1]
    assert_allclose(bend_of(path.veil_along(np.inf, rings_about(ahead)) @ weights), bend, rtol=0.05)


def test_between_two_bends_what_is_hidden_is_mixed_of_both(build: Builders) -> None:
    path = build.path(build.grey_bands(A, B, 0.1))
    low, middle, high = (
        water_halo(path, None, bends=np.full(path.bands.count, bend), shape=(60, 100), focal_px=80.0)
        for bend in (1.0, 1.5, 2.0)
    )
    assert_allclose(middle.more, 0.5 * (low.more + high.more), rtol=1e-5, atol=1e-7)
    assert_allclose(middle.own, low.own, rtol=1e-6)
    assert np.abs(low.more - high.more).max() > 1e-2


def test_each_band_hides_the_light_of_its_own_bend(build: Builders) -> None:
    """A band whose light grows about the view hides more of it, whatever others do."""
    path = build.path(build.grey_bands(A, B, 0.1))
    count = path.bands.count
    bends = np.full(count, 0.5)
    bends[-1] = 3.0
    mixed, low, high = (
        water_halo(path, None, bends=each, shape=(60, 100), focal_px=80.0)
        for each in (bends, np.full(count, 0.5), np.full(count, 3.0))
    )
    assert_allclose(mixed.more[:-1], low.more[:-1], rtol=1e-6)
    assert_allclose(mixed.more[-1], high.more[-1], rtol=1e-6)
    assert_allclose(mixed.own, low.own, rtol=1e-6)
    at = np.array([5.0], np.float32)
    assert mixed.gains(at) == pytest.approx(low.gains(at))
    assert np.abs(high.more - low.more).max() > 1e-2


def test_a_band_that_the_water_takes_comes_from_above_alone(build: Builders) -> None:
    """About a level ray its light grows faster, as the mean of many rays on rings finds."""
    path = build.path(depth_m=10.0)
    ahead = np.array([0.0, 0.0, -1.0])
    expected = np.clip(bend_by_many_rays(path, ahead, np.eye(path.bands.count)), 0.0, BENDS[-1])
    bends = band_bends(path, ahead)
    assert_allclose(bends, expected, rtol=0.06)
    taken = path.bands.attenuation - path.bands.scattering
    assert bends[np.argmax(taken)] > 1.5 * bends[np.argmin(taken)]


@pytest.mark.parametrize("bend", [0.0, 2.0, 8.0])
def test_rates_say_at_any_range_what_turns_regain(build: Builders, bend: float) -> None:
    """To ten scattering lengths, between the ranges that they are fitted at."""
    path = build.path(build.grey_bands(A, B, 0.1))
    taken, turned = (float(each[0]) for each in taken_and_turned(path))
    ranges = np.geomspace(0.05, 10.0, 17) / turned
    halo = water_halo(path, None, bends=np.full(path.bands.count, bend), shape=(60, 100), focal_px=80.0)
    t = ranges / (ranges + halo.half_m)
    rate, more = (
        np.polynomial.polynomial.polyval(t, each[0].astype(np.float64)) for each in (halo.own, halo.more)
    )
    # Of a picture's walls: what rings of all slopes hold over what a wall at one range does.
    nodes, gains = KERNEL_DEPTHS / turned, []
    for q in (0.0, bend):
        halos = SurfaceHalos.of(turns_of(None), taken, turned, nodes, q)
        of_rings = np.interp(np.log(ranges), np.log(nodes), halos.gains / halos.wall)
        regained = np.array([turns_of(None).regained(taken, turned, float(s), q) for s in ranges])
        gains.append(of_rings * np.expm1(turned * regained * ranges))
    own = np.expm1(rate * ranges)
    assert_allclose(own, gains[0], rtol=0.04)
    assert_allclose(own * (1.0 + more), gains[1], rtol=0.045)


def test_what_sea_water_itself_scatters_does_not_come_back(build: Builders) -> None:
    """Its own phase function sends half of it back and hardly any ahead: to a halo it is lost."""
    path = build.path(build.grey_bands(A, B, 0.1))
    taken, turned = taken_and_turned(path)
    scattering = path.bands.scattering * path.attenuation_scale
    assert_allclose(taken + turned, path.beam_rate)
    assert_allclose(scattering - turned, path.molecular_share * scattering)
    assert turned[np.argmax(path.molecular_share)] < 0.999 * scattering.max()
