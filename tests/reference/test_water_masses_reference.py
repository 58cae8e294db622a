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
    # Radiative transfer: each metre at t gives J(t), dimmed by exp(-c) of the water in front of it; k holds
    # both that and how J changes along the ray. By scipy's quadrature.
    two = TwoWaters.of(PATH, MURKY, other_is_first=other_is_first)
    directions = np.array([[mu]], np.float32), np.array([[0.2]], np.float32)
    sources = two.sources(*directions)[:, 0, 0].astype(float)
    first_m, second_m = 3.0, 6.0
    for band in (0, 3):
        j_1, k_1, j_2, k_2 = sources[4 * band : 4 * band + 4]

        def given(t: float, j_1=j_1, k_1=k_1, j_2=j_2, k_2=k_2) -> float:  # type: ignore[no-untyped-def]
            near, far = min(t, first_m), max(0.0, t - first_m)
            return float((j_1 if t < first_m else j_2) * np.exp(-k_1 * near - k_2 * far))

        whole, _ = quad(given, 0.0, first_m + second_m, points=[first_m])
        lengths = Lengths(*(np.array([[value]], np.float32) for value in (first_m, second_m, mu)))
        _, ours = two.change(band, lengths, two.sources(*directions))
        assert float(ours[0, 0]) == pytest.approx(whole, rel=1e-5)


def test_stain_falls_off_as_dissolved_matter_does() -> None:
    # bricaud1981: exp(-0.014 nm), range 0.010 to 0.020 (from memory): over the 150 nm between the bands
    # nearest to 450 and 600 nm a factor of e^(1.5 .. 3).
    added = MURKY.absorption - 1.5 * BANDS.absorption
    blue, orange = (int(np.argmin(np.abs(BANDS.wavelength_nm - nm))) for nm in (450.0, 600.0))
    gap = BANDS.wavelength_nm[orange] - BANDS.wavelength_nm[blue]
    assert np.log(added[blue] / added[orange]) / gap == pytest.approx(0.015, abs=0.005)
