"""Spectral bands: laws they obey, round trips, and what is refused. Their accuracy is in tests/reference."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from halocline.errors import BandError
from halocline.physics.water.bands import SHARE_NODES_NM, Bands, band_value, spectral_matrix
from halocline.physics.water.bio_optics import bio_optical_water
from halocline.physics.water.fitted_bands import fit_bands, fit_key
from halocline.physics.water.water import (
    JERLOV_SOURCES,
    Water,
    jerlov_water,
    scaled_to_visibility,
    tabulated_water,
)
from halocline.rgb import (
    ACESCG,
    LINEAR_REC709,
    SPACES,
    RGBSpace,
    conversion_matrix,
    space_from_chromaticities,
)

EVERY_JERLOV = [(water_type, source) for source, types in JERLOV_SOURCES.items() for water_type in types]


def bits(bands: Bands) -> str:
    return json.dumps(bands.to_dict(), sort_keys=True)


@pytest.mark.parametrize(("water_type", "source"), EVERY_JERLOV)
def test_every_jerlov_water_ships_with_bands_that_are_physical(water_type: str, source: str) -> None:
    bands = fit_bands(jerlov_water(water_type, source=source))
    assert bands.count == 6
    np.testing.assert_allclose(bands.down @ bands.up, np.eye(3), atol=1e-10)
    # White has the same energy, 1, in every band, and every band of it is a light that can exist.
    np.testing.assert_allclose(bands.up.sum(axis=1), 1.0, atol=1e-10)
    assert np.all(LINEAR_REC709.to_xyz @ bands.down > 0.0)
    for values in (bands.absorption, bands.scattering, bands.attenuation, bands.diffuse_attenuation):
        assert np.all(values > 0.0)
    np.testing.assert_allclose(bands.absorption + bands.scattering, bands.attenuation, rtol=1e-7)
    assert np.all((bands.wavelength_nm > 400) & (bands.wavelength_nm < 700))
    assert np.all(np.diff(bands.wavelength_nm) >= 0.0)


@pytest.mark.parametrize(("water_type", "source"), EVERY_JERLOV)
def test_band_coefficients_lie_within_the_waters_own(water_type: str, source: str) -> None:
    water = jerlov_water(water_type, source=source)
    bands = fit_bands(water)
    for banded, spectrum in (
        (bands.attenuation, water.attenuation_per_m),
        (bands.diffuse_attenuation, water.diffuse_attenuation_per_m),
    ):
        assert np.min(banded) > 0.9 * np.min(spectrum)
        assert np.max(banded) < 1.1 * np.max(spectrum)


@pytest.mark.parametrize("water_type", ["I", "III", "9C"])
def test_white_dims_ever_more_slowly(water_type: str) -> None:
    # -ln Y is concave in range and starts at 0, so -ln Y / s never rises; true of any sum of falling
    # exponentials with weights that are not negative, which the bands' luminances therefore are.
    bands = fit_bands(jerlov_water(water_type))
    s = np.linspace(0.0, 60.0, 400)
    luminance = bands.transfer_matrix(s).sum(axis=2) @ LINEAR_REC709.luminance_row
    loss = -np.log(luminance)
    assert loss[0] == pytest.approx(0.0, abs=1e-10)
    assert np.all(np.diff(loss) > 0.0)
    assert np.all(np.diff(loss, 2) <= 1e-12)


def test_paths_compose_in_bands_where_matrices_do_not() -> None:
    water = jerlov_water("III")
    bands = fit_bands(water)
    rgb = np.array([0.4, 0.2, 0.1])
    once = bands.transfer_matrix(10.0) @ rgb
    half = np.exp(-bands.attenuation * 5.0)
    twice = bands.down @ ((bands.up @ rgb) * half * half)
    np.testing.assert_allclose(twice, once, rtol=1e-12)
    squared = spectral_matrix(water, LINEAR_REC709, 5.0) @ spectral_matrix(water, LINEAR_REC709, 5.0)
    exact = spectral_matrix(water, LINEAR_REC709, 10.0)
    assert np.max(np.abs(squared - exact)) > 0.01 * np.max(np.abs(exact))


@pytest.mark.parametrize("space", SPACES, ids=lambda space: space.name)
def test_a_scene_colour_becomes_the_same_wet_colour_in_every_space(space: RGBSpace) -> None:
    water = jerlov_water("1C")
    to_space = conversion_matrix(LINEAR_REC709, space)
    rgb = np.array([0.7, 0.3, 0.05])
    wet = fit_bands(water, "lin_rec709").transfer_matrix(4.0, 3.0) @ rgb
    there = fit_bands(water, space)
    np.testing.assert_allclose(there.transfer_matrix(4.0, 3.0) @ to_space @ rgb, to_space @ wet, atol=1e-10)
    np.testing.assert_allclose(there.down @ there.up, np.eye(3), atol=1e-10)
    exact = spectral_matrix(water, LINEAR_REC709, 4.0, 3.0) @ rgb
    np.testing.assert_allclose(
        spectral_matrix(water, space, 4.0, 3.0) @ to_space @ rgb, to_space @ exact, atol=1e-12
    )
    assert there.space == space.name


def test_bands_for_a_space_of_its_own_are_made_too() -> None:
    adobe_1998 = space_from_chromaticities([0.64, 0.33, 0.21, 0.71, 0.15, 0.06, 0.3127, 0.3290])
    bands = fit_bands(jerlov_water("II"), adobe_1998)
    back = bands.in_space(LINEAR_REC709, current=adobe_1998)
    np.testing.assert_allclose(back.up, fit_bands(jerlov_water("II")).up, atol=1e-10)


def test_shipped_bands_need_neither_scipy_nor_colour_science() -> None:
    script = (
        "import sys; from halocline.physics.water.fitted_bands import fit_bands;"
        "from halocline.physics.water.water import jerlov_water;"
        "fit_bands(jerlov_water('II'), 'ACEScg'); print(sorted({'scipy', 'colour'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_bands_survive_json_bit_for_bit() -> None:
    bands = fit_bands(jerlov_water("7C"), ACESCG)
    again = Bands.from_dict(json.loads(json.dumps(bands.to_dict())))
    assert bits(again) == bits(bands)
    np.testing.assert_array_equal(again.transfer_matrix(3.0, 2.0), bands.transfer_matrix(3.0, 2.0))


def test_data_that_are_no_bands_are_refused() -> None:
    data = fit_bands(jerlov_water("II")).to_dict()
    with pytest.raises(BandError, match="missing or unknown: shares"):
        Bands.from_dict({name: value for name, value in data.items() if name != "shares"})
    with pytest.raises(BandError, match='"scattering" of a set of bands'):
        Bands.from_dict(data | {"scattering": data["scattering"][:-1]})
    with pytest.raises(BandError, match='"up" of a set of bands'):
        Bands.from_dict(data | {"up": [1.0, 2.0]})


def test_a_fit_made_here_is_the_one_that_ships() -> None:
    # The same arithmetic on another machine may differ in the last digits it keeps; colours may not.
    from halocline.physics.water.band_fit import fit

    water = jerlov_water("1C", source="williamson2022")
    here = fit(water, count=6, range_m=100.0, depth_m=40.0)
    shipped = fit_bands(water)
    s, y = np.meshgrid([0.5, 2.0, 8.0], [0.0, 1.0, 10.0])
    np.testing.assert_allclose(here.transfer_matrix(s, y), shipped.transfer_matrix(s, y), atol=1e-5)
    assert here.worst_delta_e == pytest.approx(shipped.worst_delta_e, abs=0.02)


def test_the_same_fit_gives_the_same_bits() -> None:
    from halocline.physics.water.band_fit import fit

    water = jerlov_water("III")
    once = fit(water, count=5, range_m=50.0, depth_m=20.0)
    assert bits(fit(water, count=5, range_m=50.0, depth_m=20.0)) == bits(once)


def test_a_fit_is_found_on_disk_by_the_next_process_with_the_same_bits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HALOCLINE_CACHE", str(tmp_path))
    script = (
        "import json, sys; from halocline.physics.water.fitted_bands import fit_bands;"
        "from halocline.physics.water.water import jerlov_water;"
        "found = fit_bands(jerlov_water('3C'), count=4, range_m=20.0, depth_m=5.0).to_dict();"
        "print('colour' in sys.modules, json.dumps(found, sort_keys=True))"
    )
    first, second = (
        subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout
        for _ in range(2)
    )
    assert first.startswith("True ")
    assert second == "False " + first.removeprefix("True ")


@pytest.mark.parametrize("forged", [b"[1, 2]", b"{}", b"not json", b"\xff"])
def test_what_is_no_fit_is_fitted_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, forged: bytes
) -> None:
    monkeypatch.setenv("HALOCLINE_CACHE", str(tmp_path))
    asked = {"count": 4, "range_m": 20.0, "depth_m": 5.0}
    monkeypatch.setattr("halocline.physics.water.fitted_bands._FITTED", {})
    true = fit_bands(jerlov_water("3C"), **asked)  # type: ignore[arg-type]
    monkeypatch.setattr("halocline.physics.water.fitted_bands._FITTED", {})
    monkeypatch.setattr("halocline.physics.water.fitted_bands.kept", lambda *_: forged)
    assert bits(fit_bands(jerlov_water("3C"), **asked)) == bits(true)  # type: ignore[arg-type]


def test_more_bands_have_less_error() -> None:
    water = jerlov_water("1C")
    worst = [fit_bands(water, count=count).worst_delta_e for count in (4, 5, 6, 8, 12)]
    assert worst == sorted(worst, reverse=True)
    assert worst[-1] < 0.05


UNUSUAL_WATERS = {
    "peat": bio_optical_water(5.0, 8.0, 2.0),
    "mud": bio_optical_water(5.0, 1.0, 100.0),
    "clearest": bio_optical_water(0.0, 0.0, 0.0),
    "scaled": scaled_to_visibility(jerlov_water("5C"), 12.0),
    "even grey": tabulated_water([400, 700], [0.1, 0.1], [0.2, 0.2]),
    "no scattering": tabulated_water([400, 700], [0.1, 0.3], [0.0, 0.0]),
    "nothing": tabulated_water([400, 700], [0.0, 0.0], [0.0, 0.0]),
}


@pytest.mark.parametrize("water", UNUSUAL_WATERS.values(), ids=UNUSUAL_WATERS.keys())
def test_unusual_waters_are_fitted_as_well(water: Water) -> None:
    bands = fit_bands(water)
    # Nothing natural is as clear as pure sea water; seen over 100 m its spectrum is too rich for six bands.
    assert bands.worst_delta_e < (1.0 if water is UNUSUAL_WATERS["clearest"] else 0.5)
    assert bands.worst_veil_delta_e < (2.0 if water is UNUSUAL_WATERS["clearest"] else 1.0)
    np.testing.assert_allclose(bands.down @ bands.up, np.eye(3), atol=1e-10)
    assert np.all(bands.attenuation > 0.0)
    assert np.all(bands.absorption >= 0.0)
    assert np.all(bands.scattering >= 0.0)


def test_an_even_grey_water_stays_grey() -> None:
    bands = fit_bands(UNUSUAL_WATERS["even grey"])
    np.testing.assert_allclose(bands.transfer_matrix(7.0), np.exp(-0.3 * 7.0) * np.eye(3), atol=1e-4)


def test_fit_without_depth_holds_on_level_paths() -> None:
    water = jerlov_water("III")
    bands = fit_bands(water, depth_m=0.0, range_m=30.0)
    assert bands.rise_m == 0.0
    assert bands.worst_delta_e < 0.1
    np.testing.assert_allclose(
        bands.transfer_matrix(5.0), spectral_matrix(water, LINEAR_REC709, 5.0), atol=3e-4
    )


@pytest.mark.parametrize(
    ("asked", "code", "words"),
    [
        ({"count": 3}, "E-BANDS-COUNT", "Ask for 4 to 12"),
        ({"count": 40}, "E-BANDS-COUNT", "40 spectral bands"),
        ({"range_m": 0.0}, "E-BANDS-RANGE", "range of 0.0 m"),
        ({"range_m": float("inf")}, "E-BANDS-RANGE", "range of inf m"),
        ({"depth_m": -1.0}, "E-BANDS-RANGE", "depth of -1.0 m"),
    ],
)
def test_bands_that_cannot_be_made_are_refused(asked: dict[str, float], code: str, words: str) -> None:
    with pytest.raises(BandError) as caught:
        fit_bands(jerlov_water("II"), **asked)  # type: ignore[arg-type]
    assert caught.value.code == code
    assert words in str(caught.value)


def test_fit_key_changes_with_what_is_asked() -> None:
    water = jerlov_water("II")
    keys = {
        fit_key(water, count=6, range_m=100.0, depth_m=40.0),
        fit_key(water, count=8, range_m=100.0, depth_m=40.0),
        fit_key(water, count=6, range_m=90.0, depth_m=40.0),
        fit_key(water, count=6, range_m=100.0, depth_m=30.0),
        fit_key(jerlov_water("III"), count=6, range_m=100.0, depth_m=40.0),
    }
    assert len(keys) == 5
    assert fit_key(replace(water, name="ours"), count=6, range_m=100.0, depth_m=40.0) in keys


def test_a_renamed_water_keeps_its_bands_and_gives_them_its_name() -> None:
    water = jerlov_water("II")
    ours = fit_bands(replace(water, name="our fjord"))
    assert ours.water == "our fjord"
    assert bits(replace(ours, water=water.name)) == bits(fit_bands(water))


@pytest.mark.parametrize("water_type", ["I", "II", "1C", "9C"])
def test_a_constant_spectrum_has_that_value_in_every_band(water_type: str) -> None:
    bands = fit_bands(jerlov_water(water_type))
    np.testing.assert_allclose(band_value(bands, [400, 700], [0.7, 0.7]), 0.7, atol=1e-12)
    np.testing.assert_allclose(bands.shares.sum(axis=1), 1.0, atol=1e-5)


@pytest.mark.parametrize("water_type", ["I", "II", "1C", "9C"])
def test_the_wavelength_itself_has_the_effective_wavelength_in_every_band(water_type: str) -> None:
    bands = fit_bands(jerlov_water(water_type))
    np.testing.assert_allclose(
        band_value(bands, SHARE_NODES_NM, SHARE_NODES_NM), bands.wavelength_nm, atol=0.5
    )


def test_band_values_stay_within_those_of_the_spectrum() -> None:
    bands = fit_bands(jerlov_water("III"))
    nm = np.arange(400.0, 701.0)
    narrow = np.exp(-(((nm - 532.0) / 4.0) ** 2))
    values = band_value(bands, nm, narrow)
    assert np.all((values >= 0.0) & (values <= 1.0))
    assert int(np.argmax(values)) == int(np.argmin(np.abs(bands.wavelength_nm - 532.0)))


def test_banded_scattering_is_the_band_value_of_the_waters() -> None:
    # Two roads to the same thing: b fitted to the colour of the veil, and b shared out to the bands.
    for water_type in ("II", "III", "1C", "9C"):
        water = jerlov_water(water_type)
        bands = fit_bands(water)
        shared = band_value(bands, water.wavelength_nm, water.scattering_per_m)
        # A band of little light may stray.
        np.testing.assert_allclose(shared, bands.scattering, rtol=0.13)
        assert np.median(np.abs(shared / bands.scattering - 1.0)) < 0.02
