"""The point spread of water against photons followed one by one, and against its own limits.

The tables are our own: no published one covers wide angles. Each comes from a program that shares nothing
with the library but the phase functions: photons followed backwards from the lens through endless water.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import erf

from halocline._typing import F64
from halocline.physics.path.phase import henyey_greenstein
from halocline.physics.path.point_spread import FREQUENCIES, SLOPES, SurfaceHalos, Turns
from halocline.physics.path.scattering import fournier_forand

A, B = 0.0988, 0.427
HALF_WIDTHS = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0)
HENYEY = Turns.of(lambda angle: np.asarray(henyey_greenstein(np.cos(angle), 0.924), np.float64))
FOURNIER = Turns.of(fournier_forand)

# Backward Monte Carlo, 400 000 photons, a 0.0988, b 0.427 1/m (type 1C at 550 nm): the share of a square's
# light that arrives in the middle of its picture as halo, by half width, and of a wall (computed; noise
# .002).
PHOTONS: dict[tuple[str, float], tuple[float, ...]] = {
    ("henyey", 1.0): (0.204, 0.267, 0.289, 0.299, 0.304, 0.305, 0.306),
    ("henyey", 3.0): (0.131, 0.266, 0.371, 0.447, 0.485, 0.501, 0.506),
    ("henyey", 5.0): (0.057, 0.141, 0.245, 0.354, 0.433, 0.477, 0.487),
    ("henyey", 10.0): (0.005, 0.018, 0.044, 0.097, 0.172, 0.255, 0.287),
    ("fournier", 1.0): (0.232, 0.274, 0.292, 0.300, 0.304, 0.306, 0.306),
    ("fournier", 3.0): (0.224, 0.328, 0.403, 0.458, 0.489, 0.504, 0.507),
    ("fournier", 5.0): (0.130, 0.218, 0.302, 0.384, 0.445, 0.481, 0.490),
    ("fournier", 10.0): (0.020, 0.045, 0.082, 0.136, 0.201, 0.267, 0.294),
}


def within(energies: F64, half_slope: float) -> float:
    """Return how much of a halo of Gaussians falls in a square about its middle."""
    return float(energies[0] + energies[1:] @ erf(half_slope / SLOPES / math.sqrt(2.0)) ** 2)


@pytest.mark.parametrize(("phase", "range_m"), list(PHOTONS))
def test_halo_holds_what_photons_followed_one_by_one_hold(phase: str, range_m: float) -> None:
    turns = HENYEY if phase == "henyey" else FOURNIER
    energies = turns.plane_halo(A, B, range_m)
    ours = [within(energies, width / range_m) for width in HALF_WIDTHS]
    assert [*ours, energies.sum()] == pytest.approx(list(PHOTONS[phase, range_m]), rel=0.025, abs=0.002)


@pytest.mark.parametrize("turns", [HENYEY, FOURNIER], ids=["henyey", "fournier"])
def test_fine_detail_fades_by_c_and_large_things_by_a_and_what_is_turned_back(turns: Turns) -> None:
    # wells1973: D(inf) = c, and D(0) = a + what leaves the forward half space, here in thin water, where
    # nothing is absorbed on a detour. Energy: what arrives is what was sent less both.
    s = 1e-3
    backward = B * (1.0 - float(turns.shares.sum()))
    curve = turns.transfer(A, B, s)
    # Fournier-Forand's peak still turns a little within the finest frequency kept.
    assert -math.log(turns.transfer(A, B, 5.0)[-1]) / 5.0 == pytest.approx(A + B, rel=0.1)
    assert -math.log(curve[0]) / s == pytest.approx(A + backward, rel=0.02)
    thick = turns.transfer(A, B, 5.0)
    assert np.all(np.diff(thick[:90]) < 0)


def test_finest_detail_of_a_rounder_phase_function_is_left_with_direct_light_alone() -> None:
    assert HENYEY.transfer(A, B, 8.0)[-1] == pytest.approx(math.exp(-(A + B) * 8.0), rel=0.02)


def test_direct_light_and_halo_are_never_more_than_what_absorption_leaves() -> None:
    for turns in (HENYEY, FOURNIER):
        for s in (0.1, 1.0, 5.0, 20.0):
            whole = turns.plane_halo(A, B, s).sum() + math.exp(-(A + B) * s)
            assert math.exp(-(A + B) * s) < whole < math.exp(-A * s)


def test_single_turns_are_seen_as_photons_show_them() -> None:
    # wells1973's weighting: 400 000 photons, each turned once at an even place on the way by a Gaussian of 20
    # mrad an axis, seen at the share v of it. The mean of 400 000 cosines is known to 2e-3.
    sigma = 0.02
    turns = Turns.of(lambda t: np.exp(-(t**2) / (2 * sigma**2)) / (2 * math.pi * sigma**2))
    rng = np.random.default_rng(11)
    seen = rng.normal(scale=sigma, size=400_000) * rng.uniform(size=400_000)
    ours = -np.log(turns.transfer(0.0, 1.0, 1e-4)) / 1e-4
    for frequency in (2.0, 8.0, 20.0, 60.0):
        counted = 1.0 - float(np.mean(np.cos(2 * math.pi * frequency * seen)))
        assert np.interp(frequency, FREQUENCIES, ours) == pytest.approx(counted, abs=8e-3)


def test_pictures_know_a_wall_across_the_view_by_the_range_of_its_pixels() -> None:
    # Summed over a wall whose pixels know their own slant ranges, the halo is the wall's.
    ranges = np.geomspace(0.5, 40.0, 12)
    halos = SurfaceHalos.of(HENYEY, A, B, ranges)
    direct = np.exp(-(A + B) * ranges)
    for number, s in enumerate(ranges[:9]):
        energies = HENYEY.plane_halo(A, B, float(s))
        wall = (halos.wall * direct)[number]
        assert energies.sum() == pytest.approx(wall, rel=1e-6)
        assert halos.gains[number] == pytest.approx(halos.wall[number], rel=0.1)


def test_light_turned_many_times_counts_by_all_its_turns_together() -> None:
    # One turn: its own bend. Many: the bend of each is smaller, and together they count as the whole angle.
    assert HENYEY.bend_of_each(A, B, 1e-3, 1.5) == pytest.approx(1.5, rel=1e-3)
    each = HENYEY.bend_of_each(A, B, 10.0, 1.5)
    weights = HENYEY.weights(A, 10.0)
    square = float((weights * HENYEY.angles**2).sum() / weights.sum())
    turned = B * 10.0 * float(weights.sum())
    times = turned / (1.0 - math.exp(-turned))
    together = 1.5 * times * square
    product = ((1.0 + each * square) / (1.0 + each * square / 3.0)) ** times
    assert product == pytest.approx((1.0 + together) / (1.0 + together / 3.0), rel=1e-9)
    assert each < 1.3
