"""Phase functions and the empirical halo against published values and quadrature."""

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
)


def backscattered(index: float, slope: float) -> float:
    """Return the share that Fournier and Forand's particles scatter beyond 90 degrees: mobley2002, eq. 7."""
    nu = 0.5 * (3.0 - slope)
    delta = 2.0 / (3.0 * (index - 1.0) ** 2)
    power = delta**nu
    return float(1.0 - (1.0 - delta * power - 0.5 * (1.0 - power)) / ((1.0 - delta) * power))


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
    behind = share(math.pi / 2, math.pi)
    if (index, slope) == (1.10, 3.5835):
        # mobley2002: n = 1.10, mu = 3.5835 has bb/b = 0.0183, as petzold1972's mean (from memory).
        assert behind == pytest.approx(0.0183, abs=5e-5)
    assert behind == pytest.approx(backscattered(index, slope), rel=1e-4)


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
    ours, _ = quad(
        lambda t: 2 * math.pi * float(fournier_forand(math.exp(t))) * math.sin(math.exp(t)) * math.exp(t),
        math.log(1e-6),
        math.log(math.radians(5.0)),
        limit=400,
    )
    assert ours == pytest.approx(measured, abs=0.06)


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
