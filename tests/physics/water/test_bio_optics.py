"""Waters made from their constituents: laws and refusals. tests/reference checks published relations."""

from __future__ import annotations

import numpy as np
import pytest

from halocline.errors import WaterError
from halocline.physics.water.bio_optics import bio_optical_water, ocean_cdom, phytoplankton_absorption
from halocline.physics.water.water import pure_water


def test_nothing_in_it_leaves_pure_water() -> None:
    empty, clear = bio_optical_water(0.0, 0.0, 0.0), pure_water()
    np.testing.assert_array_equal(empty.absorption_per_m, clear.absorption_per_m)
    np.testing.assert_array_equal(empty.scattering_per_m, clear.scattering_per_m)


@pytest.mark.parametrize("more", [(1.0, 0.1, 1.0), (0.5, 0.2, 1.0), (0.5, 0.1, 2.0)])
def test_more_of_anything_makes_darker_water(more: tuple[float, float, float]) -> None:
    less, darker = bio_optical_water(0.5, 0.1, 1.0), bio_optical_water(*more)
    assert np.all(darker.absorption_per_m > less.absorption_per_m)
    assert np.all(darker.scattering_per_m >= less.scattering_per_m)
    assert np.all(darker.diffuse_attenuation_per_m >= less.diffuse_attenuation_per_m)


def test_peat_takes_the_blue_and_leaves_scattering_alone() -> None:
    clear, peat = bio_optical_water(0.3, 0.0), bio_optical_water(0.3, 1.0)
    gained = peat.absorption_per_m - clear.absorption_per_m
    assert gained[40] == pytest.approx(1.0)
    assert gained[0] > gained[40] > gained[150] > gained[300]
    np.testing.assert_array_equal(peat.scattering_per_m, clear.scattering_per_m)


def test_clearest_wavelength_moves_from_blue_to_green_with_chlorophyll() -> None:
    clearest = [
        int(400 + np.argmin(bio_optical_water(chlorophyll).diffuse_attenuation_per_m))
        for chlorophyll in (0.03, 0.3, 3.0, 30.0)
    ]
    assert clearest == sorted(clearest)
    assert clearest[0] < 480
    assert clearest[-1] > 550


def test_phytoplankton_absorbs_at_its_two_bands() -> None:
    absorption = phytoplankton_absorption(1.0)
    assert absorption[40] == pytest.approx(0.06)
    assert int(np.argmax(absorption)) == 40
    assert 270 <= 200 + int(np.argmax(absorption[200:])) <= 280


@pytest.mark.parametrize(
    "amounts", [(-1.0, 0.1, 0.0), (float("nan"), 0.1, 0.0), (1.0, 99.0, 0.0), (1.0, 0.1, 1e5)]
)
def test_amounts_no_water_holds_are_refused(amounts: tuple[float, float, float]) -> None:
    with pytest.raises(WaterError, match="is not to be had") as caught:
        bio_optical_water(*amounts)
    assert caught.value.code == "E-WATER-CONTENT"
    assert "Give 0 to" in str(caught.value)


def test_dissolved_matter_goes_with_chlorophyll_unless_given() -> None:
    assert bio_optical_water(0.3).digest == bio_optical_water(0.3, ocean_cdom(0.3)).digest
    # A fifth of 0.00635 (Pope & Fry 1997 at 440 nm, from memory) + 0.06 x 0.3^0.65 (Morel 1991, from memory).
    assert ocean_cdom(0.3) == pytest.approx(0.2 * (0.00635 + 0.06 * 0.3**0.65), rel=0.01)
    with pytest.raises(WaterError, match="chlorophyll"):
        ocean_cdom(-1.0)
