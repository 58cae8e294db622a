"""RGB spaces, checked against colour-science 0.4.7 (computed) and the published chromaticities."""

from __future__ import annotations

import numpy as np
import pytest

from halocline import rgb
from halocline.errors import ColourError
from halocline.rgb import SPACES, RGBSpace, conversion_matrix, space_from_chromaticities, space_named

NAME_IN_COLOUR = {
    "lin_rec709": "ITU-R BT.709",
    "ACEScg": "ACEScg",
    "ACES2065-1": "ACES2065-1",
    "lin_p3d65": "P3-D65",
    "lin_rec2020": "ITU-R BT.2020",
}


@pytest.mark.parametrize("space", SPACES, ids=lambda space: space.name)
def test_chromaticities_and_matrix_agree_with_colour_science(space: RGBSpace) -> None:
    import colour

    theirs = colour.RGB_COLOURSPACES[NAME_IN_COLOUR[space.name]]
    np.testing.assert_allclose(np.array(space.primaries), theirs.primaries, atol=1e-12)
    np.testing.assert_allclose(np.array(space.white), theirs.whitepoint, atol=1e-12)
    # Their derived matrix; the printed one is rounded by the standard.
    expected = colour.normalised_primary_matrix(theirs.primaries, theirs.whitepoint)
    np.testing.assert_allclose(space.to_xyz, expected, atol=1e-10)


@pytest.mark.parametrize("source", SPACES, ids=lambda space: space.name)
@pytest.mark.parametrize("target", SPACES, ids=lambda space: space.name)
def test_conversion_agrees_with_colour_science_bradford(source: RGBSpace, target: RGBSpace) -> None:
    import colour

    def derived(space: RGBSpace) -> colour.RGB_Colourspace:
        return colour.RGB_Colourspace(
            space.name,
            np.array(space.primaries),
            np.array(space.white),
            use_derived_matrix_RGB_to_XYZ=True,
            use_derived_matrix_XYZ_to_RGB=True,
        )

    expected = colour.matrix_RGB_to_RGB(derived(source), derived(target), "Bradford")
    np.testing.assert_allclose(conversion_matrix(source, target), expected, atol=1e-10)


def test_rec709_to_acescg_has_the_known_matrix_and_keeps_white() -> None:
    # Computed with colour.matrix_RGB_to_RGB 0.4.7, Bradford; six digits.
    expected = [
        [0.613097, 0.339523, 0.047379],
        [0.070194, 0.916354, 0.013452],
        [0.020616, 0.109570, 0.869815],
    ]
    matrix = conversion_matrix(rgb.LINEAR_REC709, rgb.ACESCG)
    np.testing.assert_allclose(matrix, expected, atol=6e-7)
    np.testing.assert_allclose(matrix.sum(axis=1), 1.0, atol=1e-12)


def test_rec709_luminance_row_is_the_standards_one() -> None:
    # ITU-R BT.709-6, item 3.2: .2126 .7152 .0722; more digits by colour-science 0.4.7.
    np.testing.assert_allclose(rgb.LINEAR_REC709.luminance_row, [0.212639, 0.715169, 0.072192], atol=5e-7)


@pytest.mark.parametrize("source", SPACES, ids=lambda space: space.name)
@pytest.mark.parametrize("target", SPACES, ids=lambda space: space.name)
def test_there_and_back_is_the_identity(source: RGBSpace, target: RGBSpace) -> None:
    round_trip = conversion_matrix(target, source) @ conversion_matrix(source, target)
    np.testing.assert_allclose(round_trip, np.eye(3), atol=1e-12)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("lin_rec709", rgb.LINEAR_REC709),
        ("Linear Rec.709 (sRGB)", rgb.LINEAR_REC709),
        ("acescg", rgb.ACESCG),
        ("lin_ap1_scene", rgb.ACESCG),
        ("ACES2065-1", rgb.ACES2065_1),
        ("lin_ap0_scene", rgb.ACES2065_1),
        ("Linear P3-D65", rgb.LINEAR_P3_D65),
        ("LIN_REC2020", rgb.LINEAR_REC2020),
    ],
)
def test_a_space_is_found_by_its_names(name: str, expected: RGBSpace) -> None:
    assert space_named(name) is expected


def test_an_unknown_space_is_refused_with_the_nearest_name() -> None:
    with pytest.raises(ColourError, match=r"E-COLOUR-SPACE.*ACEScgg[\s\S]*Did you mean \"ACEScg\"") as caught:
        space_named("ACEScgg")
    assert caught.value.code == "E-COLOUR-SPACE"


def test_a_display_encoded_space_is_not_taken_for_a_linear_one() -> None:
    with pytest.raises(ColourError, match="sRGB"):
        space_named("sRGB")


@pytest.mark.parametrize("space", SPACES, ids=lambda space: space.name)
def test_chromaticities_rounded_by_a_writer_still_find_the_known_space(space: RGBSpace) -> None:
    numbers = np.round(np.ravel([*space.primaries, space.white]), 3).astype(np.float32)
    assert space_from_chromaticities([float(number) for number in numbers]) is space


def test_other_chromaticities_give_a_space_of_their_own() -> None:
    adobe_1998 = [0.64, 0.33, 0.21, 0.71, 0.15, 0.06, 0.3127, 0.3290]
    space = space_from_chromaticities(adobe_1998)
    assert space not in SPACES
    np.testing.assert_allclose(space.to_xyz @ np.ones(3), rgb.LINEAR_REC709.to_xyz @ np.ones(3), atol=1e-12)


@pytest.mark.parametrize(
    "numbers",
    [
        [0.64, 0.33, 0.30, 0.60, 0.15, 0.06, 0.3127],
        [0.64, 0.33, 0.30, 0.60, 0.15, float("nan"), 0.3127, 0.3290],
        [0.60, 0.30, 0.40, 0.20, 0.20, 0.10, 0.3127, 0.3290],
        [0.64, 0.33, 0.30, 0.60, 0.15, 0.06, 0.01, 0.9],
        [0.0] * 8,
    ],
)
def test_chromaticities_that_span_nothing_are_refused(numbers: list[float]) -> None:
    with pytest.raises(ColourError, match="span no colour space") as caught:
        space_from_chromaticities(numbers)
    assert caught.value.code == "E-COLOUR-CHROMATICITIES"
