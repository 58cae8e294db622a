"""Two waters' veil against quadrature of the light scattered along the ray."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from tests.physics.path.test_water_masses import BANDS, MURKY, PATH

from halocline.physics.path.water_masses import MixedWaters, TwoWaters, crossed

# Share of the water below at the lens, and its change with each metre: clear of the layer and looking away
# from it, into it, from above and below; within it, level, up and down; in and along a thick one.
RAYS = [
    (-0.2, -0.5),
    (-0.4, 0.3),
    (-0.1, 2.5),
    (1.4, -0.2),
    (0.3, 0.0),
    (0.3, 2.0),
    (0.8, -0.4),
    (0.02, 0.05),
    (0.97, -0.03),
]


@pytest.mark.parametrize(("here", "along"), RAYS)
@pytest.mark.parametrize("other_is_above", [True, False])
def test_veil_is_the_integral_of_what_each_metre_scatters(
    here: float, along: float, other_is_above: bool
) -> None:
    # Radiative transfer: each metre at t gives J(t), dimmed by exp(-c) of the water in front of it; k holds
    # both that and how J changes along the ray. Both are those of the mixture there. By scipy's quadrature.
    two = TwoWaters.of(PATH, MURKY, other_is_above=other_is_above)
    mu = np.array([[0.1 if along >= 0 else -0.1]], np.float32)
    all_sources = two.sources(mu, np.array([[0.2]], np.float32))
    sources = all_sources[:, 0, 0].astype(float)
    length = 9.0

    def below(t: float) -> float:
        return float(np.clip(here + along * t, 0.0, 1.0))

    kinks = [] if along == 0 else [t for t in (-here / along, (1.0 - here) / along) if 0 < t < length]

    def metres_below(t: float) -> float:
        whole, _ = quad(below, 0.0, t, points=[kink for kink in kinks if kink < t] or None)
        return float(whole)

    ray = (np.array([[number]], np.float32) for number in (here, along))
    mixture = MixedWaters(np.array([[length]], np.float32), *crossed(*ray, farthest_m=1e5))
    for band in (0, 3):
        j_1, k_1, j_2, k_2 = sources[4 * band : 4 * band + 4]

        def given(t: float, j_1=j_1, k_1=k_1, j_2=j_2, k_2=k_2) -> float:  # type: ignore[no-untyped-def]
            f, part = below(t), metres_below(t)
            return float((j_1 + f * (j_2 - j_1)) * np.exp(-k_1 * (t - part) - k_2 * part))

        whole, _ = quad(given, 0.0, length, points=kinks or None, epsrel=1e-5)
        gain, veil = two.change(band, mixture, all_sources)
        assert float(veil[0, 0]) == pytest.approx(whole, rel=0.01)
        c_1, c_2 = (water.path.bands.attenuation[band] for water in (two.above, two.below))
        part = metres_below(length)
        taken = c_1 * (length - part) + c_2 * part
        direct = np.exp(-BANDS.attenuation[band] * length) * float(gain[0, 0])
        assert direct == pytest.approx(np.exp(-taken), rel=1e-4)


def test_stain_falls_off_as_dissolved_matter_does() -> None:
    # bricaud1981: exp(-0.014 nm), range 0.010 to 0.020 (from memory): over the 150 nm between the bands
    # nearest to 450 and 600 nm a factor of e^(1.5 .. 3).
    added = MURKY.absorption - 1.5 * BANDS.absorption
    blue, orange = (int(np.argmin(np.abs(BANDS.wavelength_nm - nm))) for nm in (450.0, 600.0))
    gap = BANDS.wavelength_nm[orange] - BANDS.wavelength_nm[blue]
    assert np.log(added[blue] / added[orange]) / gap == pytest.approx(0.015, abs=0.005)
