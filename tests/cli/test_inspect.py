"""`halocline inspect`: what is told of a render, and when the exit status says that something is wrong."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from tests.cli.conftest import Halocline, Renders


def test_report_names_channels_windows_camera_and_depth(halocline: Halocline, renders: Renders) -> None:
    told = halocline("inspect", renders.pattern)
    assert (told.status, told.err) == (0, "")
    for line in (
        f"{renders.path(1001)}",
        "  frames        1001-1004",
        "    half        R G B A",
        "    float       Z",
        "    data        48 x 32 at 0, 0",
        "    display     48 x 32 at 0, 0",
        "  colour space  lin_rec709 (chromaticities)",
    ):
        assert line in told.out.splitlines()
    assert "28 mm on 36 mm (65.5 deg across)" in told.out
    assert "planar: " in told.out


def test_report_as_json_says_the_same(halocline: Halocline, renders: Renders) -> None:
    told = halocline("inspect", renders.path(1002), "--json")
    assert told.status == 0
    report = json.loads(told.out, parse_constant=pytest.fail)
    assert report["path"] == str(renders.path(1002))
    assert report["parts"][0]["channels"]["Z"] == "float"
    assert report["parts"][0]["data_window"] == [0, 0, 48, 32]
    (view,) = report["views"]
    assert view["colour_space"] == "lin_rec709"
    assert view["camera"]["focal_length_mm"] == 28.0
    assert view["depth"]["nearest_m"] > 4.0
    # Rows 0 to 9 of 32 are open.
    assert view["depth"]["open_water_share"] == pytest.approx(10 / 32)
    assert report["warnings"] == report["problems"] == []


@pytest.mark.parametrize(("scale", "words"), [(100.0, "centimetres"), (0.0005, "mm from the lens")])
def test_depth_in_a_wrong_unit_is_warned_of_until_the_unit_is_told(
    halocline: Halocline, folder_of_renders: Callable[[str], Renders], scale: float, words: str
) -> None:
    frame = folder_of_renders("wrong").write(1001, scale=scale)
    told = halocline("inspect", frame)
    assert told.status == 0
    assert any(line.startswith("  ! ") and words in line for line in told.out.splitlines())
    told = halocline("inspect", frame, "--unit", 1.0 / scale)
    assert words not in told.out


def test_gaps_of_a_sequence_are_listed(halocline: Halocline, renders: Renders) -> None:
    renders.path(1003).unlink()
    told = halocline("inspect", renders.pattern)
    assert "  missing       1003" in told.out.splitlines()


def test_depth_of_its_own_is_read(
    halocline: Halocline, renders: Renders, folder_of_renders: Callable[[str], Renders]
) -> None:
    beauty = folder_of_renders("beauty").write(1001, channels="RGBA")
    lacking = halocline("inspect", beauty)
    assert lacking.status == 1
    assert "no depth" in lacking.out
    assert 'input.depth_channel = "CHANNEL"; or give the file that has it: --depth FILE, ' in lacking.out
    told = halocline("inspect", beauty, "--depth", renders.pattern)
    assert told.status == 0
    assert "  range         5." in told.out


def test_what_cannot_be_put_under_water_is_told_by_the_exit_status(
    halocline: Halocline, renders: Renders
) -> None:
    whole = renders.path(1001).read_bytes()
    renders.path(1001).write_bytes(whole[: len(whole) // 2])
    told = halocline("inspect", renders.pattern)
    assert told.status == 1
    assert "pixels cannot be read" in told.out
    assert "copy or render it again" in told.out


def test_a_stereo_file_is_told_of_by_views(
    halocline: Halocline, folder_of_renders: Callable[[str], Renders]
) -> None:
    stereo = folder_of_renders("stereo").write(1001, views=("left", "right"))
    lines = halocline("inspect", stereo).out.splitlines()
    assert [line.split()[1] for line in lines if line.startswith("  view ")] == ["left", "right"]


def test_a_unit_that_is_none_is_refused(halocline: Halocline, renders: Renders) -> None:
    told = halocline("inspect", renders.path(), "--unit", "cubits")
    assert told.status == 2
    assert told.err.startswith("error: E-UNIT-READ  'cubits' is no length")
