"""A reference still on the page: shown as it is, and the water that its samples tell of."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from tests.tuning.conftest import STILL_MARKS, STILL_WATER

from halocline.errors import HaloclineError
from halocline.matching.match import Match
from halocline.presets.preset import load_preset, preset_from_text
from halocline.tuning.pictures import Pictures, Wish
from halocline.tuning.reference import ReferenceStill, Taken, taken_over, told_of
from halocline.tuning.session import Session


@pytest.fixture(scope="module")
def found(still: Path) -> Match:
    return ReferenceStill(still).match(STILL_MARKS, Taken(view_deg=90.0))


def test_a_still_is_shown_as_another_reader_reads_it_and_in_its_own_size(frames: str, still: Path) -> None:
    pictures = Pictures(frames, reference=still)
    preset, wish = load_preset("jerlov-1c"), Wish(1001, shows="reference")
    # OpenCV's reader; ours is that of the match.
    read = cv2.imread(str(still))
    assert read is not None
    wanted = read[..., ::-1]
    np.testing.assert_array_equal(pictures.pixels(preset, wish), wanted)
    shown = pictures.picture(preset, wish, coarse=True)
    assert (shown.size, shown.block) == (wanted.shape[1::-1], 1) == ((120, 80), 1)
    assert pictures.picture(preset, Wish(1001)).size == (96, 54)


def test_marked_samples_bring_the_water_of_the_still_into_a_preset(found: Match, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text(
        'format = 2\nextends = "jerlov-1c"\n[water]\nvisibility = "30 m"  # a guess\n'
        "[place]\ncamera_depth = 3.0\n[light]\nsun_elevation = 20.0\n",
        encoding="utf-8",
    )
    session = Session(str(own), "unused")
    session.take_over(taken_over(found))
    true = preset_from_text(STILL_WATER).water.visibility_m
    assert session.state.preset.water.visibility_m == pytest.approx(true, rel=0.12)
    assert "visibility" not in session.state.text
    # Where the shot is, and a sun that no open water told of, are the shot's own.
    look = session.state.preset.at(0)
    assert (look.place.camera_depth, look.light.sun_elevation) == (3.0, 20.0)
    assert session.undo().text == own.read_text(encoding="utf-8")
    assert not session.can_undo


def test_all_that_is_taken_over_is_named_before(found: Match) -> None:
    told = told_of(found)[-1]
    for section, table in taken_over(found).items():
        assert all(f"{section}.{key}" in told for key in table)
    assert "water.attenuation_550" in told
    assert "sun" not in told


def test_a_sun_that_open_water_told_of_is_taken_over(still: Path) -> None:
    marks = [*STILL_MARKS, *(f"{x},{y},2@water" for x in (100, 108, 116) for y in (4, 20, 60, 76))]
    found = ReferenceStill(still).match(marks, Taken(view_deg=90.0))
    assert found.daylight is not None
    assert {"sun_elevation", "sun_azimuth", "overcast"} <= taken_over(found)["light"].keys()


@pytest.mark.parametrize(
    ("marks", "reason"),
    [
        (["900,40@1 m=grey"], "outside the picture of 120 x 80"),
        (["12,40@soon=grey"], "soon"),
        (["12,40@1 m=grey"], "sample"),
    ],
)
def test_marks_that_tell_nothing_are_refused_with_why(still: Path, marks: list[str], reason: str) -> None:
    with pytest.raises(HaloclineError, match=reason):
        ReferenceStill(still).match(marks, Taken())
