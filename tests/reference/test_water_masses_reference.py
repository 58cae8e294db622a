"""Two waters' veil against quadrature of the light scattered along the ray."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from tests.physics.path.test_water_masses import BANDS, MURKY, PATH

from halocline.physics.path.water_masses import Lengths, TwoWaters


@pytest.mark.parametrize("mu", [-0.5, 0.0, 0.7])
@pytest.mark.parametrize("other_is_first", [True, False])
def test_veil_is_the_integral_of_what_each_metre_scatters(mu: float, other_is_first: bool) -> None:
    # Radiative transfer with single scattering: each metre at t gives j(t), dimmed by exp(-c) of the water in
    # front of it; its own light is dimmed or raised by exp(-Kd mu) of the path so far. By scipy's quadrature.
    two = TwoWaters.of(PATH, MURKY, other_is_first=other_is_first)
    directions = np.array([[mu]], np.float32), np.array([[0.2]], np.float32)
    by_band = []
    for water in (two.first, two.second):
        sun, diffuse = (float(phase[0, 0]) for phase in water.path.phases(*directions))
        by_band.append(water.sun * sun + water.diffuse * diffuse + water.even)
    first_m, second_m = 3.0, 6.0
    for band in (0, 3):
        rates = [
            (s.path.bands.attenuation[band], s.path.bands.diffuse_attenuation[band] * mu)
            for s in (two.first, two.second)
        ]
        sources = [float(source[band]) for source in by_band]

        def given(t: float, rates=rates, sources=sources) -> float:  # type: ignore[no-untyped-def]
            near, far = min(t, first_m), max(0.0, t - first_m)
            lost = sum(rates[0]) * near + sum(rates[1]) * far
            return float(sources[0 if t < first_m else 1] * np.exp(-lost))

        whole, _ = quad(given, 0.0, first_m + second_m, points=[first_m])
        lengths = Lengths(*(np.array([[value]], np.float32) for value in (first_m, second_m, mu)))
        _, ours = two.change(band, lengths, two.phases(*directions))
        assert float(ours[0, 0]) == pytest.approx(whole, rel=1e-5)


def test_stain_falls_off_as_dissolved_matter_does() -> None:
    # bricaud1981: exp(-0.014 nm), range 0.010 to 0.020 (from memory): over the 150 nm between the bands
    # nearest to 450 and 600 nm a factor of e^(1.5 .. 3).
    added = MURKY.absorption - 1.5 * BANDS.absorption
    blue, orange = (int(np.argmin(np.abs(BANDS.wavelength_nm - nm))) for nm in (450.0, 600.0))
    gap = BANDS.wavelength_nm[orange] - BANDS.wavelength_nm[blue]
    assert np.log(added[blue] / added[orange]) / gap == pytest.approx(0.015, abs=0.005)
