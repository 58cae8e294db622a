"""Two waters one behind the other: limits, order, and the other water's bands."""

from __future__ import annotations

import numpy as np
import pytest

from halocline._typing import F32
from halocline.physics.path.transport import LightPath
from halocline.physics.path.water_masses import MixedWaters, TwoWaters, crossed, other_bands
from halocline.physics.water.fitted_bands import fit_bands
from halocline.physics.water.water import jerlov_water
from halocline.rgb import LINEAR_REC709

BANDS = fit_bands(jerlov_water("II"))
PATH = LightPath(
    bands=BANDS,
    camera_depth_m=12.0,
    reference_depth_m=12.0,
    up=np.array([0.0, 1.0, 0.0]),
    sun_travel=np.array([0.0, -1.0, 0.0]),
    space=LINEAR_REC709,
    surface_sun_share=0.6,
)
MURKY = other_bands(BANDS, absorption=1.5, scattering=3.0, stain_per_m=0.3)


MU = np.linspace(-0.6, 0.6, 7, dtype=np.float32)[None, :]


def changes(two: TwoWaters, band: int, above_m: float, below_m: float) -> tuple[F32, F32]:
    """Return gain and veil in the directions `MU`, of a sharp step from the upper water to the lower."""
    length, enter = np.full_like(MU, above_m + below_m), np.full_like(MU, above_m)
    shares = np.stack([np.zeros_like(MU), np.ones_like(MU)])
    return two.change(band, MixedWaters(length, enter, enter, shares), two.sources(MU, np.full_like(MU, 0.1)))


def veil(two: TwoWaters, band: int, above_m: float, below_m: float) -> F32:
    return changes(two, band, above_m, below_m)[1]


def gain(two: TwoWaters, band: int, above_m: float, below_m: float) -> float:
    return float(changes(two, band, above_m, below_m)[0][0, 0])


def test_the_same_water_on_both_sides_is_one_water() -> None:
    two = TwoWaters.of(PATH, BANDS, other_is_above=False)
    for band in range(BANDS.count):
        np.testing.assert_allclose(veil(two, band, 3.0, 5.0), veil(two, band, 8.0, 0.0), rtol=2e-5)
        assert gain(two, band, 3.0, 5.0) == 1.0


def test_no_water_at_all_adds_nothing() -> None:
    two = TwoWaters.of(PATH, MURKY, other_is_above=True)
    assert (veil(two, 0, 0.0, 0.0) == 0).all()


def test_direct_light_is_lost_at_the_rate_of_each_water() -> None:
    two = TwoWaters.of(PATH, MURKY, other_is_above=False)
    for band in range(BANDS.count):
        whole = np.exp(-BANDS.attenuation[band] * 6.0) * gain(two, band, 2.0, 4.0)
        exact = np.exp(-BANDS.attenuation[band] * 2.0 - MURKY.attenuation[band] * 4.0)
        assert whole == pytest.approx(exact, rel=1e-5)


def test_order_of_the_waters_matters_to_the_veil_alone() -> None:
    before, behind = (TwoWaters.of(PATH, MURKY, other_is_above=first) for first in (True, False))
    for band in range(BANDS.count):
        assert gain(before, band, 4.0, 4.0) == pytest.approx(gain(behind, band, 4.0, 4.0), rel=1e-5)
    assert not np.allclose(veil(before, 2, 4.0, 4.0), veil(behind, 2, 4.0, 4.0), rtol=1e-2)


def test_stain_takes_blue_most_and_turbidity_takes_all_alike() -> None:
    stained = other_bands(BANDS, absorption=1.0, scattering=1.0, stain_per_m=0.5)
    added = stained.absorption - BANDS.absorption
    order = np.argsort(BANDS.wavelength_nm)
    assert added[order[0]] > 2.0 * added[order[-1]] > 0
    turbid = other_bands(BANDS, absorption=1.0, scattering=4.0, stain_per_m=0.0)
    np.testing.assert_allclose(turbid.scattering, 4.0 * BANDS.scattering)
    assert (turbid.diffuse_attenuation > BANDS.diffuse_attenuation).all()
    np.testing.assert_allclose(turbid.attenuation, turbid.absorption + turbid.scattering)


def test_a_layer_is_entered_and_left_where_the_waters_begin_and_end_to_mix() -> None:
    here = np.array([-0.5, 1.5, 0.25, 0.25, -0.5, 0.25, 0.0, 1.0], np.float32)
    along = np.array([0.25, -0.25, 0.25, -0.25, -0.25, 0.0, -1.0, 1.0], np.float32)
    enter, leave, shares = crossed(here, along, farthest_m=1e4)
    np.testing.assert_allclose(enter, [2.0, 2.0, 0.0, 0.0, 1e4, 0.0, 1e4, 1e4])
    np.testing.assert_allclose(leave, [6.0, 6.0, 3.0, 1.0, 1e4, 1e4, 1e4, 1e4])
    np.testing.assert_allclose(shares[0], [0.0, 1.0, 0.25, 0.25, 0.0, 0.25, 0.0, 1.0])
    np.testing.assert_allclose(shares[1], [1.0, 0.0, 1.0, 0.0, 0.0, 0.25, 0.0, 1.0])


def test_a_thick_layer_of_one_water_is_that_water() -> None:
    two = TwoWaters.of(PATH, BANDS, other_is_above=False)
    length, sources = np.full_like(MU, 8.0), two.sources(MU, np.full_like(MU, 0.1))
    thick = MixedWaters(length, *crossed(np.full_like(MU, 0.2), np.full_like(MU, 0.1), farthest_m=1e4))
    for band in range(BANDS.count):
        gain, whole = two.change(band, thick, sources)
        np.testing.assert_allclose(whole, veil(two, band, 8.0, 0.0), rtol=2e-5)
        np.testing.assert_array_equal(gain, 1.0)
