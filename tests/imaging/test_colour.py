"""Working spaces from metadata, and display pictures."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from halocline.errors import ColourError, WriteError
from halocline.imaging.colour import display_pixels, find_space, write_png
from halocline.imaging.exr import Attribute, Part
from halocline.imaging.frame import Window
from halocline.rgb import ACES2065_1, ACESCG, LINEAR_REC709, RGBSpace

PART = Part(0, "", "", {}, Window(0, 0, 4, 4), Window(0, 0, 4, 4))


def with_entries(**entries: Attribute) -> Part:
    return replace(PART, attributes=entries)


def test_nothing_known_means_rec709_with_a_warning() -> None:
    found = find_space(PART)
    assert (found.space, found.source) == (LINEAR_REC709, "assumed")
    assert "taken as linear Rec.709" in found.warnings[0]


@pytest.mark.parametrize("key", ["oiio:ColorSpace", "colorInteropID"])
def test_a_name_in_the_metadata_is_enough(key: str) -> None:
    found = find_space(with_entries(**{key: Attribute("string", "lin_ap1_scene")}))
    assert (found.space, found.warnings) == (ACESCG, ())


def test_unknown_names_and_broken_chromaticities_are_told_not_fatal() -> None:
    told = find_space(
        with_entries(
            chromaticities=Attribute("float[8]", (0.0,) * 8), colorInteropID=Attribute("string", "g22_rec709")
        )
    ).warnings
    assert any("chromaticities ignored" in text for text in told)
    assert any('"g22_rec709" that is not known' in text for text in told)


def test_own_chromaticities_make_an_own_space() -> None:
    numbers = (0.7, 0.3, 0.2, 0.7, 0.15, 0.05, 0.3127, 0.329)
    found = find_space(with_entries(chromaticities=Attribute("float[8]", numbers)))
    assert isinstance(found.space, RGBSpace)
    assert found.space.primaries[0] == (0.7, 0.3)


@pytest.mark.parametrize("space", [LINEAR_REC709, ACESCG, ACES2065_1])
def test_a_grey_is_the_same_grey_from_every_space(space: RGBSpace) -> None:
    grey = np.full((3, 2, 3), 0.18, np.float32)
    shown = display_pixels(grey, space, view="un-tone-mapped")
    assert shown.shape == (2, 3, 3)
    assert shown.dtype == np.uint8
    # iec61966_2_1: 0.18 encodes to 0.4613, that is 117.6 of 255.
    np.testing.assert_array_equal(shown, 118)


def test_the_first_view_tone_maps_and_what_is_no_number_is_black() -> None:
    light = np.zeros((3, 1, 3), np.float32)
    light[:, 0, 0], light[:, 0, 1], light[:, 0, 2] = 4.0, np.nan, np.inf
    shown = display_pixels(light, LINEAR_REC709)
    assert 200 < shown[0, 0, 0] < 255
    assert (shown[0, 1] == 0).all()
    assert (shown[0, 2] > 250).all()


def test_unknown_views_and_displays_are_refused_with_those_there_are() -> None:
    light = np.zeros((3, 1, 1), np.float32)
    with pytest.raises(ColourError, match=r"E-COLOUR-VIEW(.|\n)*Un-tone-mapped"):
        display_pixels(light, LINEAR_REC709, view="Un-tone-maped")
    with pytest.raises(ColourError, match=r'no display "x"'):
        display_pixels(light, LINEAR_REC709, display="x")


def test_a_png_holds_the_pixels_and_nothing_stands_beside_it(tmp_path: Path) -> None:
    light = np.zeros((3, 20, 60), np.float32)
    light[0] = 0.5
    file = tmp_path / "bølge.png"
    write_png(file, display_pixels(light, LINEAR_REC709, view="un-tone-mapped"))
    back = cv2.imdecode(np.frombuffer(file.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
    assert back is not None
    assert back.shape == (20, 60, 3)
    np.testing.assert_array_equal(back[10, 10], (0, 0, 188))
    assert [entry.name for entry in tmp_path.iterdir()] == ["bølge.png"]


def test_a_png_in_no_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(WriteError, match="E-WRITE-OPEN"):
        write_png(tmp_path / "no" / "a.png", np.zeros((2, 2, 3), np.uint8))
