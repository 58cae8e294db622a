"""Matching against published coefficient sets, encoding standards and visibility relations."""

from __future__ import annotations

import math
import warnings
from typing import Any

import colour
import jerlov
import numpy as np
import pytest

from halocline._typing import F64
from halocline.matching.dive_data import DiveData, water_from
from halocline.matching.fit import fit_constituents, fit_jerlov
from halocline.matching.model import Setting
from halocline.matching.samples import OPEN_WATER, Sample, chart_colours, decoded
from halocline.physics.water.spectra import WAVELENGTH_NM
from halocline.rgb import LINEAR_REC709


def cards_under(water_type: str, source: str, ranges: tuple[float, ...], reflectances: F64) -> list[Sample]:
    """Cards seen in published water, by colour-science alone: D65, 1931 observer, 5 nm, exp(-c s).

    The card's light is exp(-c s) of a level path, its veil grows as 1 - exp(-c s) towards a colour that open
    water has; that colour is taken from the published b/c (albedo) as a plain grey light scattered once.
    """
    table: Any = jerlov.water(water_type, source=source)
    shape = colour.SpectralShape(400, 700, 5)
    nm = shape.wavelengths
    with warnings.catch_warnings():
        # 5C below 415 nm is extrapolated by its own authors, and the package says so.
        warnings.simplefilter("ignore")
        c, b = np.asarray(table.c(nm)), np.asarray(table.b(nm))
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape).values
    light = np.asarray(colour.SDS_ILLUMINANTS["D65"].copy().align(shape).values)
    weights = observer * light[:, None]
    weights = weights / weights[:, 1].sum()
    open_water = 0.05 * b / c

    def seen(reflectance: float, s: float) -> tuple[float, float, float]:
        left = np.exp(-c * s) if math.isfinite(s) else np.zeros_like(c)
        xyz = (reflectance * left + open_water * (1.0 - left)) @ weights
        rgb = colour.XYZ_to_RGB(xyz, colour.RGB_COLOURSPACES["sRGB"])
        return float(rgb[0]), float(rgb[1]), float(rgb[2])

    cards = [Sample(seen(r, s), s, (float(r),) * 3, f"card {r}") for s in ranges for r in reflectances]
    return [*cards, Sample(seen(0.0, math.inf), math.inf, None, OPEN_WATER)]


@pytest.mark.parametrize(
    ("water_type", "ranges"),
    [("IB", (2.0, 5.0, 9.0)), ("II", (1.5, 4.0, 8.0)), ("1C", (0.5, 2.0, 4.0)), ("5C", (0.3, 0.8, 1.6))],
)
def test_published_water_is_found_again_in_strength(water_type: str, ranges: tuple[float, ...]) -> None:
    # c(550) of williamson2022 through jerlov 0.22.0 (read): .249 (II), .526 (1C), 1.349 (5C), 3 decimals.
    # Tolerance 10 %: the picture above has veil and subject by rules of its own, at 5 nm.
    table: Any = jerlov.water(water_type, source="williamson2022")
    published = float(table.c(550.0))
    samples = cards_under(water_type, "williamson2022", ranges, np.array([0.18, 0.9]))
    found = fit_jerlov(samples, Setting(LINEAR_REC709))
    assert found[0].attenuation_550 == pytest.approx(published, rel=0.10)
    constituents = fit_constituents(samples, Setting(LINEAR_REC709))
    assert constituents.attenuation_550 == pytest.approx(published, rel=0.12)


def test_published_type_is_among_those_not_ruled_out() -> None:
    samples = cards_under("5C", "williamson2022", (0.3, 0.8, 1.6), np.array([0.18, 0.9]))
    found = fit_jerlov(samples, Setting(LINEAR_REC709))
    own = next(candidate for candidate in found if candidate.kind == "5C")
    assert own.probability > 0.05


def test_display_values_are_decoded_as_the_standards_say() -> None:
    # colour-science 0.4.7 (computed): IEC 61966-2-1 and ITU-R BT.709-6, inverse of its OETF.
    values = np.linspace(0.0, 1.0, 101)
    assert decoded(values, "srgb") == pytest.approx(colour.models.eotf_sRGB(values), abs=1e-6)
    assert decoded(values, "rec709") == pytest.approx(colour.models.oetf_inverse_BT709(values), abs=2e-4)


def test_chart_has_its_published_greys() -> None:
    # Chart of after November 2014, colour-science's table: the six greys are neutral, from .87 to .03.
    greys = chart_colours()[18:]
    assert np.all(np.diff(greys[:, 1]) < 0)
    assert greys[:, 0] == pytest.approx(greys[:, 1], rel=0.06)
    assert greys[0, 1] == pytest.approx(0.86, abs=0.04)


def test_visibility_gives_koschmieders_attenuation() -> None:
    # 3.912/c (Koschmieder 1924, number computed: -ln 0.02 = 3.91202).
    found = water_from(DiveData(visibility_m=8.0))
    at = found.water.attenuation_per_m[int(550 - WAVELENGTH_NM[0])]
    assert at == pytest.approx(-math.log(0.02) / 8.0, rel=1e-4)


def test_secchi_depth_gives_tylers_sum() -> None:
    # c + Kd = 8.69/Zsd (Tyler 1968, from memory).
    found = water_from(DiveData(secchi_m=6.0))
    water, at = found.water, int(550 - WAVELENGTH_NM[0])
    assert water.attenuation_per_m[at] + water.diffuse_attenuation_per_m[at] == pytest.approx(
        8.69 / 6.0, rel=1e-6
    )
