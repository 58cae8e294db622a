"""Two waters one behind the other: limits, order, and the other water's bands."""

from __future__ import annotations

import numpy as np
import pytest

from halocline.physics.bands import fit_bands
from halocline.physics.transport import LightPath
from halocline.physics.water import jerlov_water
from halocline.physics.water_masses import TwoWaters, View, other_bands

BANDS = fit_bands(jerlov_water("II"))
PATH = LightPath(
    bands=BANDS,
    camera_depth_m=12.0,
    reference_depth_m=12.0,
    up=np.array([0.0, 1.0, 0.0]),
    sun_travel=np.array([0.0, -1.0, 0.0]),
    luminance=np.array([0.2126, 0.7152, 0.0722]),
    surface_sun_share=0.6,
)
MURKY = other_bands(BANDS, absorption=1.5, scattering=3.0, stain_per_m=0.3)


def level_view(count: int) -> View:
    mu = np.linspace(-0.6, 0.6, count, dtype=np.float32)
    return View.of(PATH, mu, np.full_like(mu, 0.1))


def test_the_same_water_on_both_sides_is_one_water() -> None:
    two = TwoWaters.of(PATH, BANDS, other_is_first=False)
    view = level_view(7)
    parts = np.full(7, 3.0, np.float32), np.full(7, 5.0, np.float32)
    whole = np.full(7, 8.0, np.float32), np.zeros(7, np.float32)
    for band in range(BANDS.count):
        np.testing.assert_allclose(two.veil(band, view, *parts), two.veil(band, view, *whole), rtol=2e-6)
        np.testing.assert_array_equal(two.direct_gain(band, *parts), 1.0)


def test_direct_light_is_lost_at_the_rate_of_each_water() -> None:
    two = TwoWaters.of(PATH, MURKY, other_is_first=False)
    near, far = np.array([2.0], np.float32), np.array([4.0], np.float32)
    for band in range(BANDS.count):
        whole = np.exp(-BANDS.attenuation[band] * 6.0) * float(two.direct_gain(band, near, far)[0])
        exact = np.exp(-BANDS.attenuation[band] * 2.0 - MURKY.attenuation[band] * 4.0)
        assert whole == pytest.approx(exact, rel=1e-5)


def test_order_of_the_waters_matters_to_the_veil_alone() -> None:
    view = level_view(5)
    lengths = np.full(5, 4.0, np.float32), np.full(5, 4.0, np.float32)
    before, behind = (TwoWaters.of(PATH, MURKY, other_is_first=first) for first in (True, False))
    for band in range(BANDS.count):
        np.testing.assert_allclose(
            before.direct_gain(band, *lengths), behind.direct_gain(band, *lengths), rtol=1e-5
        )
    assert not np.allclose(before.veil(2, view, *lengths), behind.veil(2, view, *lengths), rtol=1e-2)


def test_stain_takes_blue_most_and_turbidity_takes_all_alike() -> None:
    stained = other_bands(BANDS, absorption=1.0, scattering=1.0, stain_per_m=0.5)
    added = stained.absorption - BANDS.absorption
    order = np.argsort(BANDS.wavelength_nm)
    assert added[order[0]] > 2.0 * added[order[-1]] > 0
    turbid = other_bands(BANDS, absorption=1.0, scattering=4.0, stain_per_m=0.0)
    np.testing.assert_allclose(turbid.scattering, 4.0 * BANDS.scattering)
    assert (turbid.diffuse_attenuation > BANDS.diffuse_attenuation).all()
    np.testing.assert_allclose(turbid.attenuation, turbid.absorption + turbid.scattering)
