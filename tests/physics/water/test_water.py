"""Waters: laws they obey, and what is refused. Published values are checked in tests/reference."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest

from halocline.errors import PhysicsError, WaterError
from halocline.physics.water.spectra import (
    WAVELENGTH_NM,
    basis,
    daylight,
    observer,
    resampled,
    sensor_weights,
    transfer_matrix,
)
from halocline.physics.water.water import (
    JERLOV_SOURCES,
    JERLOV_TYPES,
    Water,
    jerlov_water,
    kirk_diffuse_attenuation,
    scaled_to_attenuation,
    scaled_to_secchi,
    scaled_to_visibility,
    tabulated_water,
)
from halocline.rgb import SPACES, RGBSpace

EVERY_JERLOV = [(water_type, source) for source, types in JERLOV_SOURCES.items() for water_type in types]


@pytest.mark.parametrize(("water_type", "source"), EVERY_JERLOV)
def test_every_jerlov_water_is_finite_and_loses_energy_with_depth(water_type: str, source: str) -> None:
    water = jerlov_water(water_type, source=source)
    for values in (water.absorption_per_m, water.scattering_per_m, water.diffuse_attenuation_per_m):
        assert values.shape == (301,)
        assert np.all(np.isfinite(values))
        assert np.all(values > 0.0)
    assert np.all(water.diffuse_attenuation_per_m >= water.absorption_per_m)
    assert np.all((water.albedo > 0.0) & (water.albedo < 1.0))


@pytest.mark.parametrize(("water_type", "source"), EVERY_JERLOV)
def test_what_is_doubtful_about_a_jerlov_water_reaches_its_caveats_and_raises_no_warning(
    water_type: str, source: str
) -> None:
    import jerlov

    with warnings.catch_warnings():
        warnings.simplefilter("error")
        water = jerlov_water(water_type, source=source)
    with warnings.catch_warnings(record=True) as raised:
        warnings.simplefilter("always")
        theirs = jerlov.water(water_type, source=source.replace("morel2001", "solonenko2015"))
        theirs.c(WAVELENGTH_NM)  # type: ignore[no-untyped-call]
    if source == "morel2001":
        # Of the source only Kd is used.
        assert any("modelled and not measured" in caveat for caveat in water.caveats)
        return
    assert water.source_notes == tuple(theirs.caveats())
    if raised:
        assert any("rests on flagged values" in caveat for caveat in water.caveats)


def test_best_source_is_the_measured_one_where_it_has_the_type() -> None:
    assert "Williamson" in jerlov_water("III").source
    assert "Solonenko" in jerlov_water("9C").source
    assert "Loisel & Morel" in jerlov_water("I").source
    assert {
        water_type for water_type in JERLOV_TYPES if "Williamson" in jerlov_water(water_type).source
    } == set(JERLOV_SOURCES["williamson2022"])


def test_the_gap_of_type_5c_is_filled_above_pure_water_and_said_so() -> None:
    import jerlov

    water = jerlov_water("5C", source="solonenko2015")
    red = WAVELENGTH_NM >= 600.0
    assert np.all(water.absorption_per_m[red] > jerlov.pure_water_absorption(WAVELENGTH_NM[red]))
    assert any(
        "a is missing at 600, 625, 650, 675, 700 nm" in caveat and "filled in" in caveat
        for caveat in water.caveats
    )
    assert any("Kd is missing at 600" in caveat for caveat in water.caveats)
    # No step where the filling begins: red water absorbs more, smoothly.
    assert np.all(np.diff(water.absorption_per_m[170:210]) > -1e-3)
    assert np.max(np.abs(np.diff(water.absorption_per_m[170:210]))) < 0.02


def test_jerlov_names_are_read_as_people_write_them() -> None:
    assert jerlov_water("1c") is jerlov_water("1C")
    assert jerlov_water("Jerlov IB") is jerlov_water("IB", source="williamson2022")


@pytest.mark.parametrize(
    ("water_type", "source", "code", "words"),
    [
        ("IV", "best", "E-WATER-TYPE", "Known types: I, IA, IB, II, III, 1C, 3C, 5C, 7C, 9C"),
        ("II", "wiliamson2022", "E-WATER-SOURCE", 'Did you mean "williamson2022"'),
        ("9C", "williamson2022", "E-WATER-SOURCE", "williamson2022 has IB, II, III, 1C, 3C, 5C"),
        (
            "II",
            "jerlov1976",
            "E-WATER-SOURCE",
            "Known sources: best, williamson2022, morel2001, solonenko2015",
        ),
    ],
)
def test_an_unknown_type_or_source_is_refused_with_what_there_is(
    water_type: str, source: str, code: str, words: str
) -> None:
    with pytest.raises(WaterError) as caught:
        jerlov_water(water_type, source=source)
    assert caught.value.code == code
    assert words in str(caught.value)


def test_a_water_cannot_be_changed_nor_made_to_gain_energy() -> None:
    water = jerlov_water("II")
    with pytest.raises(ValueError, match="read-only"):
        water.absorption_per_m[0] = 0.0
    with pytest.raises(WaterError, match="gain energy with depth"):
        replace(water, diffuse_attenuation_per_m=water.absorption_per_m * 0.9)
    with pytest.raises(WaterError, match="scattering_per_m must be 301 finite numbers"):
        replace(water, scattering_per_m=water.scattering_per_m[:10])


def test_digest_follows_the_spectra_and_not_the_name() -> None:
    water = jerlov_water("II")
    assert replace(water, name="other").digest == water.digest
    more = replace(water, scattering_per_m=water.scattering_per_m * 1.000001)
    assert more.digest != water.digest


def test_a_table_is_interpolated_and_its_ends_are_held_with_a_caveat() -> None:
    water = tabulated_water([450, 550, 650], [0.1, 0.2, 0.4], [0.3, 0.3, 0.3])
    assert water.absorption_per_m[100] == pytest.approx(0.15)
    assert water.absorption_per_m[0] == pytest.approx(0.1)
    assert any("covers 450 to 650 nm; its end values are held" in caveat for caveat in water.caveats)
    whole = tabulated_water([350, 550, 750], [0.1, 0.2, 0.4], [0.3, 0.3, 0.3])
    assert not any("end values" in caveat for caveat in whole.caveats)


def test_a_tables_diffuse_attenuation_below_absorption_is_raised_and_said_so() -> None:
    kd = [0.15, 0.19, 0.5]
    water = tabulated_water([400, 550, 700], [0.1, 0.2, 0.4], [0.3] * 3, diffuse_attenuation_per_m=kd)
    assert np.all(water.diffuse_attenuation_per_m >= water.absorption_per_m)
    assert any("was raised to the absorption" in caveat and "0.01 1/m" in caveat for caveat in water.caveats)


@pytest.mark.parametrize(
    ("wavelengths", "a", "b", "words"),
    [
        ([400, 550, 700], [0.1, -0.2, 0.4], [0.3] * 3, "absorption of a water is below 0 at 550 nm"),
        (
            [400, 550, 700],
            [0.1, 0.2, 0.4],
            [0.3, np.nan, 0.3],
            "scattering of a water is not a finite number",
        ),
        ([400, 550, 700], [0.1, 0.2], [0.3] * 3, "has 2 values against 3 wavelengths"),
        ([400, 700, 550], [0.1] * 3, [0.3] * 3, "do not ascend"),
        ([500, 550, 600], [0.1] * 3, [0.3] * 3, "covers 500 to 600 nm only"),
        ([550], [0.1], [0.3], "two or more finite wavelengths"),
    ],
)
def test_a_table_that_is_no_water_is_refused_with_the_reason(
    wavelengths: list[float], a: list[float], b: list[float], words: str
) -> None:
    with pytest.raises(WaterError, match="E-WATER-TABLE") as caught:
        tabulated_water(wavelengths, a, b, name="tank")
    assert words in str(caught.value)
    assert caught.value.where == "tank"


@pytest.mark.parametrize("water_type", ["IB", "II", "1C", "9C"])
def test_scaling_meets_its_target_and_its_own_value_changes_nothing(water_type: str) -> None:
    water = jerlov_water(water_type)
    assert scaled_to_attenuation(water, 0.8).attenuation_per_m[150] == pytest.approx(0.8, rel=1e-9)
    assert scaled_to_visibility(water, 6.0).visibility_m == pytest.approx(6.0, rel=1e-9)
    assert scaled_to_secchi(water, 9.0).secchi_depth_m == pytest.approx(9.0, rel=1e-9)
    same = scaled_to_secchi(water, water.secchi_depth_m)
    np.testing.assert_allclose(same.absorption_per_m, water.absorption_per_m, rtol=1e-6)
    np.testing.assert_allclose(same.diffuse_attenuation_per_m, water.diffuse_attenuation_per_m, rtol=1e-6)


def test_scaling_leaves_pure_water_in_it_and_tells_the_factor() -> None:
    import jerlov

    water = jerlov_water("II")
    clear = jerlov.pure_water_absorption(WAVELENGTH_NM)
    murky = scaled_to_visibility(water, 4.0)
    beyond = (murky.absorption_per_m - clear) / (water.absorption_per_m - clear)
    np.testing.assert_allclose(beyond, beyond[150], rtol=1e-6)
    assert any(caveat.startswith("What Jerlov II holds beside pure water") for caveat in murky.caveats)
    assert set(water.caveats) <= set(murky.caveats)
    # Scaling all of c would multiply pure water's red absorption too, and lose its red four times too soon.
    assert murky.absorption_per_m[-1] < 1.5 * water.absorption_per_m[-1]


def test_far_scaling_warns_that_colours_will_be_less_true() -> None:
    far = scaled_to_visibility(jerlov_water("II"), 2.0)
    near = scaled_to_visibility(jerlov_water("II"), 12.0)
    assert "a nearer type" in far.caveats[-1]
    assert "a nearer type" not in near.caveats[-1]


@pytest.mark.parametrize("impossible", [70.0, 1e6])
def test_water_clearer_than_pure_water_is_refused(impossible: float) -> None:
    with pytest.raises(WaterError, match="clearer than pure sea water") as caught:
        scaled_to_visibility(jerlov_water("II"), impossible)
    assert caught.value.code == "E-WATER-SCALE"


@pytest.mark.parametrize("value", [0.0, -3.0, float("nan"), float("inf")])
def test_scaling_to_no_number_is_refused(value: float) -> None:
    with pytest.raises(WaterError, match="is not a positive number"):
        scaled_to_secchi(jerlov_water("II"), value)


def test_kirk_diffuse_attenuation_never_falls_below_absorption() -> None:
    a, b = np.meshgrid(np.geomspace(1e-3, 10, 20), np.geomspace(1e-4, 10, 20))
    for zenith in (0.0, 30.0, 60.0, 89.0):
        kd = kirk_diffuse_attenuation(a, b, sun_zenith_deg=zenith)
        assert np.all(kd >= a)
    assert float(kirk_diffuse_attenuation(np.array(0.1), np.array(0.4))) == pytest.approx(0.14530, abs=5e-6)


def test_a_tank_without_absorption_or_scattering_is_a_water_too() -> None:
    empty = tabulated_water([400, 700], [0, 0], [0, 0])
    assert np.all(empty.albedo == 0.0)
    assert empty.visibility_m == np.inf
    assert isinstance(empty, Water)


@pytest.mark.parametrize("space", SPACES, ids=lambda space: space.name)
def test_without_water_no_colour_changes(space: RGBSpace) -> None:
    np.testing.assert_allclose(sensor_weights(space).T @ basis(space), np.eye(3), atol=1e-12)
    np.testing.assert_allclose(basis(space).sum(axis=1), 1.0, atol=1e-9)
    half = transfer_matrix(space, np.full((2, 301), 0.5))
    np.testing.assert_allclose(half, np.broadcast_to(0.5 * np.eye(3), (2, 3, 3)), atol=1e-12)


def test_grid_tables_are_whole() -> None:
    assert observer().shape == (301, 3)
    assert daylight()[160] == pytest.approx(100.0)


@pytest.mark.parametrize(
    ("wavelengths", "values", "words"),
    [
        ([500, 400], [1, 2], "do not ascend"),
        ([500, 600], [1], "1 values stand against 2 wavelengths"),
        ([500, 600], [1, np.inf], "not finite"),
    ],
)
def test_a_spectrum_that_cannot_be_read_is_refused(
    wavelengths: list[float], values: list[float], words: str
) -> None:
    with pytest.raises(PhysicsError, match=words):
        resampled(wavelengths, values)
