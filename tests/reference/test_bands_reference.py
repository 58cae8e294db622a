"""Bands and the 1 nm sum against numbers worked out elsewhere, and against each other by CIEDE2000.

*Computed* = evaluated outside this package with colour-science 0.4.7 and jerlov 0.22, 400 to 700 nm, D65,
CIE 1931 2 degree observer, basis of Mallett and Yuksel 2019.
"""

from __future__ import annotations

from dataclasses import replace

import colour
import numpy as np
import pytest
from numpy.typing import NDArray

from halocline.matching.model import spectral_bands
from halocline.physics.path.transport import LightPath, refracted_sun
from halocline.physics.water.band_fit import difference_root, lab_of, reference_colours
from halocline.physics.water.bands import Bands, band_value, spectral_matrix
from halocline.physics.water.fitted_bands import fit_bands
from halocline.physics.water.solved_kd import with_solved_light
from halocline.physics.water.spectra import WAVELENGTH_NM, daylight, observer, rec709_basis, sensor_weights
from halocline.physics.water.water import JERLOV_SOURCES, jerlov_water
from halocline.rgb import LINEAR_REC709

F64 = NDArray[np.float64]
EVERY_JERLOV = [(water_type, source) for source, types in JERLOV_SOURCES.items() for water_type in types]
XYZ = LINEAR_REC709.to_xyz
WHITE = XYZ.sum(axis=1)


def delta_e(exact: F64, other: F64) -> F64:
    """CIEDE2000 by colour-science of XYZ with white Y = 1."""
    xy = colour.XYZ_to_xy(WHITE)
    found = colour.delta_E(colour.XYZ_to_Lab(exact, xy), colour.XYZ_to_Lab(other, xy), method="CIE 2000")
    return np.asarray(found, dtype=np.float64)


@pytest.mark.parametrize(
    ("water_type", "source", "expected"),
    [
        # M(5 m) summed at 5 nm, sensor weights normalised to Y = 1 over 400 to 700 nm: computed, five digits.
        (
            "III",
            "williamson2022",
            [[0.06432, -0.00977, -0.00375], [0.00237, 0.15146, 0.00234], [0.00073, -0.00142, 0.12352]],
        ),
        (
            "I",
            "solonenko2015",
            [[0.2699, -0.10175, -0.01349], [0.0090, 0.74486, -0.00297], [0.0108, 0.01622, 0.89466]],
        ),
    ],
)
def test_five_metres_of_water_as_a_matrix(water_type: str, source: str, expected: list[list[float]]) -> None:
    water = jerlov_water(water_type, source=source)
    # The same sum as the computed one, from this package's tables.
    stimulus = (observer() * daylight()[:, None])[::5]
    weights = (stimulus / stimulus[:, 1].sum()) @ LINEAR_REC709.from_xyz.T
    left = np.exp(-5.0 * water.attenuation_per_m)[::5, None]
    np.testing.assert_allclose(weights.T @ (left * rec709_basis()[::5]), expected, atol=6e-5)
    # The 1 nm sum, corrected so that M(0) is the unit matrix, differs by what 5 nm steps leave out.
    np.testing.assert_allclose(spectral_matrix(water, LINEAR_REC709, 5.0), expected, atol=3e-3)


def test_white_through_ten_metres_of_type_i_leaves_rec709() -> None:
    # Computed: R -.0655 G .5611 B .8393.
    water = jerlov_water("I", source="solonenko2015")
    white = spectral_matrix(water, LINEAR_REC709, 10.0) @ np.ones(3)
    np.testing.assert_allclose(white, (-0.0655, 0.5611, 0.8393), atol=3e-3)


def test_basis_and_sensor_are_inverse_before_any_correction() -> None:
    # W.T B on 380 to 780 nm at 5 nm: unit matrix to 2.7e-4, computed; cut at 400 and 700 nm and summed at
    # 1 nm, 2.2e-3. The correction that makes it exact is no larger.
    stimulus = observer() * daylight()[:, None]
    raw = (stimulus / stimulus[:, 1].sum()) @ LINEAR_REC709.from_xyz.T
    assert np.max(np.abs(raw.T @ rec709_basis() - np.eye(3))) < 2.3e-3
    assert np.max(np.abs(raw - sensor_weights(LINEAR_REC709))) < 3e-3 * np.max(np.abs(raw))


def test_effective_attenuation_of_luminance_falls_and_of_display_red_does_not() -> None:
    # White through type III (Williamson): -ln R / s of linear Rec.709 red is .5881 (.5 m), .5868 (2),
    # .5959 (5), .6614 (10): computed, at 5 nm. Of luminance it can only fall.
    water = jerlov_water("III", source="williamson2022")
    s = np.array([0.5, 2.0, 5.0, 10.0])
    white = spectral_matrix(water, LINEAR_REC709, s).sum(axis=2)
    np.testing.assert_allclose(-np.log(white[:, 0]) / s, (0.5881, 0.5868, 0.5959, 0.6614), rtol=0.012)
    assert np.all(np.diff(-np.log(white @ LINEAR_REC709.luminance_row) / s) < 0.0)
    bands = fit_bands(water)
    banded = bands.transfer_matrix(s).sum(axis=2)
    np.testing.assert_allclose(-np.log(banded[:, 0]) / s, -np.log(white[:, 0]) / s, rtol=3e-3)


@pytest.mark.parametrize(("water_type", "source"), EVERY_JERLOV)
def test_six_bands_stay_within_half_a_ciede2000_of_the_1_nm_sum(water_type: str, source: str) -> None:
    # The promise of this package: every metre of 0 to 100 m of range and 0 to 40 m of depth (and as far above
    # the white depth as the bands say), white, greys and the 24 colour-checker patches, wherever white keeps
    # 1/1000 of its luminance; exposed so that the exact white at the same place has Y = 1.
    bands = fit_bands(jerlov_water(water_type, source=source))
    # Daylight falls as the solved light does.
    water = with_solved_light(jerlov_water(water_type, source=source))
    # Every metre, and finer where turbid water ends.
    near = np.linspace(0.0, 5.0, 26)
    ranges = np.unique(np.concatenate([near, np.arange(101.0)]))
    depths = np.unique(np.concatenate([near[::2], np.arange(41.0), -np.linspace(0.0, bands.rise_m, 4)]))
    s, y = (grid.ravel() for grid in np.meshgrid(ranges, depths, indexing="ij"))
    exact = spectral_matrix(water, LINEAR_REC709, s, y)
    luminance = exact.sum(axis=2) @ LINEAR_REC709.luminance_row
    lit = luminance > 1e-3
    exposure = XYZ / luminance[lit, None, None]
    colours = reference_colours().T
    wanted = (exposure @ exact[lit] @ colours).transpose(0, 2, 1)
    banded = (exposure @ bands.transfer_matrix(s[lit], y[lit]) @ colours).transpose(0, 2, 1)
    found = delta_e(wanted, banded)
    assert found.max() < 0.5
    # What the bands say of themselves is true.
    assert found.max() == pytest.approx(bands.worst_delta_e, abs=0.05)
    assert found.mean() < 0.2


UP, AHEAD = np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, -1.0])


def seen_under(bands: Bands, *, elevation_deg: float, sun_share: float, depth_m: float) -> LightPath:
    """The light around a lens, the render's own light holding at its depth."""
    return LightPath(
        bands=bands,
        camera_depth_m=depth_m,
        reference_depth_m=depth_m,
        up=UP,
        sun_travel=refracted_sun(elevation_deg, 40.0, UP, AHEAD, 1.341),
        space=LINEAR_REC709,
        surface_sun_share=sun_share,
    )


def each_nanometre(light: F64, white: F64) -> F64:
    """Light of every fifth wavelength, (n, 61), at all of them, (n, 301); white is the render's."""
    rows = np.log(np.maximum(light / white[::5], 1e-300))
    return np.exp([np.interp(WAVELENGTH_NM, WAVELENGTH_NM[::5], row) for row in rows]) * white


@pytest.mark.parametrize(
    ("water_type", "elevation_deg", "sun_share", "depth_m"),
    [
        ("I", 45.0, 0.7, 10.0),
        ("IA", 75.0, 0.8, 1.0),
        ("IB", 15.0, 0.4, 8.0),
        ("III", 45.0, 0.7, 3.0),
        ("1C", 75.0, 0.8, 15.0),
        ("5C", 15.0, 0.4, 2.0),
        ("9C", 45.0, 0.7, 1.0),
    ],
)
def test_veiling_light_stays_within_half_a_ciede2000_of_the_spectrum(
    water_type: str, elevation_deg: float, sun_share: float, depth_m: float
) -> None:
    # The veil solved for each of 61 wavelengths by itself, summed over 1 nm, against six bands: brightness
    # and hue, exposed so that the exact veil has Y = 1. Up, level and down, to and from the sun, 0.5 m and
    # far; other suns and depths than the bands were fitted for.
    water = jerlov_water(water_type)
    light = {"elevation_deg": elevation_deg, "sun_share": sun_share, "depth_m": depth_m}
    every = spectral_bands(water, LINEAR_REC709)
    few = slice(None, None, 5)
    exact_path = seen_under(
        replace(
            every,
            up=every.up[few],
            down=every.down[:, few],
            shares=every.shares[few],
            **{
                name: getattr(every, name)[few]
                for name in (
                    "wavelength_nm",
                    "absorption",
                    "scattering",
                    "attenuation",
                    "diffuse_attenuation",
                )
            },
        ),
        **light,
    )
    path = seen_under(fit_bands(water), **light)
    rays = [(0.0, 0.0), (0.0, 100.0), (0.0, 200.0), (-40.0, 60.0), (-90.0, 0.0), (35.0, 130.0), (80.0, 0.0)]
    tilt, azimuth = np.radians(rays).T
    directions = np.stack([np.cos(tilt) * np.sin(azimuth), np.sin(tilt), -np.cos(tilt) * np.cos(azimuth)], -1)
    ranges = np.array([0.5, 3.0, 60.0])[:, None]
    exact = each_nanometre(
        exact_path.veil_along(ranges, directions[None]).reshape(-1, 61), every.up.sum(axis=1)
    )
    wanted = exact @ every.down.T @ XYZ.T
    found = (
        path.veil_along(ranges, directions[None]).reshape(-1, path.bands.count) @ path.bands.down.T @ XYZ.T
    )
    y = wanted[:, 1:2]
    bright = y[:, 0] > 1e-3 * y.max()
    assert delta_e((wanted / y)[bright], (found / y)[bright]).max() < 0.7


@pytest.mark.parametrize(
    ("water_type", "x", "y"),
    # Level open water at 2 m, sun 45 degrees high: backward Monte Carlo of a flat sea, COMPUTED for this
    # project.
    [("IB", 0.201, 0.249), ("1C", 0.265, 0.358), ("7C", 0.297, 0.382)],
)
def test_open_water_has_the_hue_of_its_water(water_type: str, x: float, y: float) -> None:
    path = seen_under(fit_bands(jerlov_water(water_type)), elevation_deg=45.0, sun_share=0.7, depth_m=2.0)
    azimuth = np.radians([0.0, 90.0, 180.0])
    level = np.stack([np.sin(azimuth), 0.0 * azimuth, -np.cos(azimuth)], axis=-1)
    xyz = (path.veil_along(400.0, level) @ path.bands.down.T @ XYZ.T).mean(axis=0)
    np.testing.assert_allclose(xyz[:2] / xyz.sum(), (x, y), atol=0.012)


@pytest.mark.parametrize("water_type", ["I", "III", "5C"])
def test_a_tungsten_lamp_keeps_its_colour_under_water(water_type: str) -> None:
    # CIE illuminant A: 2856 K. White lit by it, relative to daylight, after 0 to 5 m, against the 1 nm sum.
    water = jerlov_water(water_type)
    bands = fit_bands(water)
    lamp = colour.SDS_ILLUMINANTS["A"]
    power = np.interp(WAVELENGTH_NM, lamp.wavelengths, lamp.values) / daylight()
    banded = band_value(bands, WAVELENGTH_NM, power)
    for s in (0.0, 1.0, 3.0, 5.0):
        exact = (power * np.exp(-water.attenuation_per_m * s)) @ sensor_weights(LINEAR_REC709) @ XYZ.T
        ours = XYZ @ bands.down @ (banded * np.exp(-bands.attenuation * s))
        assert delta_e(exact / exact[1], ours / exact[1]) < 1.5


def test_lab_is_colour_sciences() -> None:
    xyz = np.random.default_rng(7).uniform(0.0, 1.2, (200, 3))
    expected = colour.XYZ_to_Lab(xyz, colour.XYZ_to_xy(WHITE))
    np.testing.assert_allclose(lab_of(xyz), expected, atol=1e-9)


def test_linearised_difference_is_ciede2000_for_small_differences() -> None:
    # ISO/CIE 11664-6:2014 by colour-science: a step of about .01 in any direction, any colour.
    random = np.random.default_rng(11)
    xyz = random.uniform(0.02, 1.0, (300, 3))
    root = difference_root(xyz)
    step = random.normal(size=(300, 3))
    step *= 0.01 / np.linalg.norm((root @ step[..., None])[..., 0], axis=1, keepdims=True)
    found = delta_e(xyz, xyz + step)
    np.testing.assert_allclose(found, 0.01, rtol=0.03)


def test_reference_colours_are_the_colour_checkers() -> None:
    # Three patches of colour-science's table for November 2014, adapted from D50 by its own Bradford.
    checker = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    for name, row in (("dark skin", 3), ("blue flower", 7), ("black 2 (1.5 D)", -1)):
        xyz = colour.xyY_to_XYZ(checker.data[name])
        rgb = colour.XYZ_to_RGB(xyz, "sRGB", checker.illuminant, chromatic_adaptation_transform="Bradford")
        np.testing.assert_allclose(reference_colours()[row], rgb, atol=2e-4)
