"""Phase functions and point spread against published values, quadrature and a count of single photons."""

from __future__ import annotations

import math

import jerlov
import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import j0

from halocline.physics.path.scattering import (
    empirical_halo_transfer,
    fournier_forand,
    fournier_forand_backscatter,
    halo_transfer,
    henyey_greenstein_scatter,
    small_angle_scatter,
)


@pytest.mark.parametrize(("index", "slope"), [(1.10, 3.5835), (1.05, 3.3), (1.18, 4.0)])
def test_fournier_forand_integrates_to_one_and_scatters_back_its_closed_form(
    index: float, slope: float
) -> None:
    # scipy's quadrature over log angle, with the power-law tail below 1e-14 rad left out (below 1e-3 of b).
    def share(low: float, high: float) -> float:
        value, _ = quad(
            lambda t: (
                2
                * math.pi
                * float(fournier_forand(math.exp(t), index, slope))
                * math.sin(math.exp(t))
                * math.exp(t)
            ),
            math.log(low),
            math.log(high),
            limit=400,
        )
        return float(value)

    assert share(1e-14, math.pi) == pytest.approx(1.0, abs=3e-3)
    assert share(math.pi / 2, math.pi) == pytest.approx(fournier_forand_backscatter(index, slope), rel=1e-4)


def test_fournier_forand_scatters_back_what_mobley_states() -> None:
    # mobley2002: n = 1.10, mu = 3.5835 has bb/b = 0.0183, as petzold1972's mean (from memory).
    assert fournier_forand_backscatter() == pytest.approx(0.0183, abs=5e-5)


@pytest.mark.parametrize(("station", "within_5_deg"), [("NUC 2200", 0.52), ("NUC 2240", 0.52)])
def test_turbid_waters_keep_about_half_of_scattering_within_five_degrees(
    station: str, within_5_deg: float
) -> None:
    # petzold1972 through jerlov 0.22.0 (read), log-log between its angles with a power-law tail below
    # 0.1 degree. Fournier-Forand's defaults stand for these waters; 0.06 is what they differ by.
    table = jerlov.petzold_scattering(station)
    angle = np.radians(np.asarray(table.angles_deg, float))
    value = np.asarray(table.vsf, float)
    fine = np.geomspace(angle[0], math.radians(5.0), 4000)
    curve = np.exp(np.interp(np.log(fine), np.log(angle), np.log(value)))
    slope = -math.log(value[1] / value[0]) / math.log(angle[1] / angle[0])
    tail = 2 * math.pi * value[0] * angle[0] ** 2 / (2 - slope)
    measured = (np.trapezoid(2 * math.pi * curve * np.sin(fine), fine) + tail) / float(table.b)
    assert measured == pytest.approx(within_5_deg, abs=0.02)
    ours = small_angle_scatter(fournier_forand, cone_rad=math.radians(5.0)).forward_share
    assert ours == pytest.approx(measured, abs=0.06)


def test_path_spectrum_is_the_mean_over_the_path() -> None:
    # wells1973: S(f) = int_0^1 Sigma(f v) dv, here by scipy's quadrature of the Hankel transform.
    scatter = henyey_greenstein_scatter(0.924)
    for frequency in (3.0, 40.0, 700.0):
        mean, _ = quad(
            lambda v, f=frequency: float(scatter.angle_spectrum(np.array(f * v))), 0.0, 1.0, limit=200
        )
        assert float(scatter.path_spectrum(np.array(frequency))) == pytest.approx(mean, rel=1e-6, abs=1e-9)


def test_point_spread_integrates_to_one_over_the_picture() -> None:
    # Inverse Hankel transform of the halo's transfer function, damped by a Gaussian pixel, summed over the
    # plane of angles: Parseval at frequency 0 must give 1 (trapezoid rule, 1 %).
    scatter = henyey_greenstein_scatter(0.9)
    frequency = np.linspace(0.0, 400.0, 6001)
    pixel = np.exp(-2 * (math.pi * 1e-2 * frequency) ** 2)
    spectrum = scatter.path_spectrum(frequency)
    halo = halo_transfer(spectrum, scatter.forward_share, b=0.3, range_m=5.0) * pixel
    angle = np.linspace(0.0, 0.5, 1200)
    spread = np.array(
        [
            np.trapezoid(2 * math.pi * frequency * halo * j0(2 * math.pi * frequency * t), frequency)
            for t in angle
        ]
    )
    assert np.trapezoid(2 * math.pi * angle * spread, angle) == pytest.approx(1.0, abs=0.01)
    assert spread.min() > -1e-2 * spread.max()


def test_width_of_single_scattering_is_that_of_photons_followed_one_by_one() -> None:
    # 400 000 photons, each scattered once at an even place along the path by a Gaussian of 20 mrad per axis:
    # seen at the share v of its scattering angle (wells1973's weighting). Compare transfer functions; the
    # mean of 400 000 cosines is known to 2e-3.
    sigma = 0.02
    scatter = small_angle_scatter(lambda t: np.exp(-(t**2) / (2 * sigma**2)) / (2 * math.pi * sigma**2))
    rng = np.random.default_rng(11)
    seen = rng.normal(scale=sigma, size=400_000) * rng.uniform(size=400_000)
    for frequency in (2.0, 8.0, 20.0, 60.0):
        counted = float(np.mean(np.cos(2 * math.pi * frequency * seen)))
        ours = float(scatter.path_spectrum(np.array(frequency))) / scatter.forward_share
        assert ours == pytest.approx(counted, abs=5e-3)


def test_many_scatterings_widen_like_a_random_walk() -> None:
    # n independent deflections spread n times the variance; in wells1973 the mean square angle seen is
    # b s <theta^2>/3 (the mean of v^2 is 1/3). From the curvature of log H at frequency 0.
    sigma, b, s = 0.01, 2.0, 10.0
    scatter = small_angle_scatter(lambda t: np.exp(-(t**2) / (2 * sigma**2)) / (2 * math.pi * sigma**2))
    f = 0.05
    drop = b * s * float(scatter.path_spectrum(np.array(0.0)) - scatter.path_spectrum(np.array(f)))
    variance = 2.0 * drop / (2 * math.pi * f) ** 2
    assert variance == pytest.approx(b * s * sigma**2 / 3.0, rel=2e-3)


def test_empirical_halo_is_the_transform_of_its_closed_form() -> None:
    # The 2-D Fourier transform of w/(2 pi (w^2 + r^2)^1.5) is exp(-2 pi w f) (bracewell2000, Hankel table;
    # from memory), here by quadrature.
    blur, s = 0.02, 3.0
    w = blur * s / (2 * math.pi)
    for frequency in (5.0, 20.0):
        value, _ = quad(
            lambda r, f=frequency: r * w / (w * w + r * r) ** 1.5 * j0(2 * math.pi * f * r),
            0.0,
            40.0,
            limit=20000,
        )
        assert float(empirical_halo_transfer(np.array(frequency), blur=blur, range_m=s)) == pytest.approx(
            value, abs=2e-3
        )
