"""Laws of forward scatter: energy, limits, monotony."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from halocline.errors import PhysicsError
from halocline.filters.pyramid_blur import halo_widths
from halocline.physics.path.scattering import (
    SmallAngleScatter,
    empirical_halo_transfer,
    empirical_halos,
    fournier_forand,
    fournier_forand_backscatter,
    halo_gain,
    halo_transfer,
    henyey_greenstein_scatter,
    scattered_halos,
    small_angle_scatter,
    transfer,
)

FREQUENCY = np.concatenate([[0.0], np.geomspace(0.1, 1e5, 200)])


def test_water_lets_less_detail_through_the_finer_it_is() -> None:
    scatter = small_angle_scatter(fournier_forand)
    curve = transfer(scatter, FREQUENCY, c=0.5, b=0.4, range_m=8.0)
    assert (np.diff(curve[:120]) <= 1e-9).all()
    assert curve[0] == pytest.approx(math.exp(-(0.5 - 0.4 * scatter.forward_share) * 8.0))
    assert transfer(scatter, FREQUENCY, c=0.5, b=0.4, range_m=0.0) == pytest.approx(1.0)


def test_detail_finer_than_any_scattering_is_left_with_the_direct_light_alone() -> None:
    scatter = henyey_greenstein_scatter(0.9)
    finest = transfer(scatter, np.array([1e6]), c=0.5, b=0.4, range_m=8.0)
    assert finest[0] == pytest.approx(math.exp(-4.0), rel=1e-3)


def test_direct_light_and_halo_together_are_the_transfer_function() -> None:
    scatter = small_angle_scatter(fournier_forand)
    whole = transfer(scatter, FREQUENCY, c=0.6, b=0.5, range_m=6.0)
    direct = math.exp(-0.6 * 6.0)
    gain = halo_gain(0.5 * scatter.forward_share, 6.0)
    halo = halo_transfer(scatter.path_spectrum(FREQUENCY), scatter.forward_share, b=0.5, range_m=6.0)
    np.testing.assert_allclose(direct * (1.0 + gain * halo), whole, rtol=1e-10)


def test_thick_water_widens_the_halo() -> None:
    scatter = henyey_greenstein_scatter(0.924)
    spectrum, share = scatter.path_spectrum(FREQUENCY), scatter.forward_share
    curves = [halo_transfer(spectrum, share, b=b, range_m=1.0) for b in (1e-9, 0.1, 1.0, 5.0)]
    for thin, thick in pairwise(curves):
        assert (thick <= thin + 1e-9).all()
        assert thick[60] < thin[60]
    assert all(curve[0] == pytest.approx(1.0) for curve in curves)


@pytest.mark.parametrize(
    "scatter", [henyey_greenstein_scatter(0.924), small_angle_scatter(fournier_forand)], ids=["hg", "ff"]
)
def test_gaussians_reproduce_the_halo_within_two_hundredths(scatter: SmallAngleScatter) -> None:
    widths = halo_widths(9)
    depths = np.array([0.1, 1.0, 4.0])
    halos = scattered_halos(scatter, depths, widths, b=1.0, focal_px=3000.0)
    # Frequencies between those that were fitted.
    pixels = np.geomspace(1e-4, 0.5, 97)
    spectrum = scatter.path_spectrum(pixels * 3000.0)
    for depth, weights in zip(depths, halos.weights, strict=True):
        mixed = np.exp(-2.0 * np.square(np.pi * np.multiply.outer(pixels, widths))) @ weights
        wanted = halo_transfer(spectrum, scatter.forward_share, b=1.0, range_m=float(depth))
        assert weights.sum() == pytest.approx(1.0)
        assert (weights >= 0).all()
        assert np.abs(mixed - wanted).max() < 0.02


def test_halo_in_pixels_scales_with_the_focal_length() -> None:
    scatter = small_angle_scatter(fournier_forand)
    widths = halo_widths(8)
    mean_width = [
        float(scattered_halos(scatter, np.array([5.0]), widths, b=0.3, focal_px=focal).weights[0] @ widths)
        for focal in (500.0, 1000.0)
    ]
    assert mean_width[1] == pytest.approx(2.0 * mean_width[0], rel=0.1)


def test_empirical_halo_widens_with_range() -> None:
    near = empirical_halo_transfer(FREQUENCY, blur=0.01, range_m=2.0)
    far = empirical_halo_transfer(FREQUENCY, blur=0.01, range_m=8.0)
    np.testing.assert_allclose(near**4, far)
    assert near[0] == 1.0
    halos = empirical_halos(np.array([2.0, 8.0]), halo_widths(8), blur=0.01, focal_px=1000.0)
    assert halos.weights[1] @ halo_widths(8) > 2.0 * (halos.weights[0] @ halo_widths(8))


@pytest.mark.parametrize(("index", "slope"), [(1.0, 3.6), (1.1, 5.2)])
def test_particles_outside_the_theory_are_refused(index: float, slope: float) -> None:
    with pytest.raises(PhysicsError, match=r"E-PHYSICS-PARTICLES.*outside the theory"):
        fournier_forand(0.1, index, slope)
    with pytest.raises(PhysicsError, match=r"Give an index from 1\.01 to 1\.3"):
        fournier_forand_backscatter(index, slope)
