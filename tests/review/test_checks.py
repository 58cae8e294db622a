"""A sequence with one fault of each kind: each is found, on its frame; a sound sequence has none."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from halocline.errors import ColourError, SequenceError
from halocline.imaging.exr import Attribute, Part
from halocline.imaging.exr_write import PartPixels, write_exr
from halocline.imaging.frame import Window
from halocline.review.checked_frame import CheckOptions
from halocline.review.checks import CheckReport, check_sequence

REC709 = Attribute("float[8]", (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329))
PLAIN = CheckOptions(view="un-tone-mapped")


def write(
    folder: Path,
    frame: int,
    *,
    level: float = 0.18,
    size: tuple[int, int] = (64, 36),
    views: tuple[str, ...] = ("",),
    spoil: dict[str, float] | None = None,
    spoilt: int = 2,
    attributes: dict[str, Attribute] | None = None,
) -> None:
    window = Window(0, 0, *size)
    parts = []
    for index, view in enumerate(views):
        part = Part(
            index=index,
            name=view,
            view=view,
            channels=dict.fromkeys("RGBA", "float"),
            data_window=window,
            display_window=window,
            attributes={"chromaticities": REC709, **(attributes or {})},
        )
        texture = 1.0 + 0.3 * np.sin((np.arange(size[0]) + frame) / 5.0)
        plane = np.broadcast_to(level * texture, window.shape).astype(np.float32)
        planes = {name: plane.copy() for name in "RGB"} | {"A": np.ones(window.shape, np.float32)}
        for name, value in (spoil or {}).items():
            planes[name][3, 4 : 4 + spoilt] = value
        parts.append(PartPixels(part, planes))
    write_exr(folder / f"wet.{frame}.exr", parts, overwrite=True)


def check(folder: Path, options: CheckOptions = PLAIN, **how: Any) -> CheckReport:
    return check_sequence(folder / "wet.####.exr", options=options, **how)


def found(report: CheckReport, kind: str) -> dict[tuple[int, ...], str]:
    return {finding.frames: finding.text for finding in report.findings if finding.kind == kind}


@pytest.fixture
def sequence(tmp_path: Path) -> Path:
    for frame in range(1001, 1013):
        write(tmp_path, frame)
    return tmp_path


def test_a_sound_sequence_has_no_findings_and_says_what_was_looked_at(sequence: Path) -> None:
    report = check(sequence)
    assert report.passes
    assert report.frames == tuple(range(1001, 1013))
    text = "\n".join(report.lines())
    for kind in ("bad pixels", "flicker", "metadata"):
        assert f"{kind}: nothing found" in text
    assert "frames: 12 there, 1001-1012" in text
    assert "ITU-R BT.1702: no flash" in text
    assert "does not replace a certified test" in text
    json.dumps(report.to_dict(), allow_nan=False)


@pytest.mark.parametrize(
    ("spoil", "kind"),
    [
        ({"R": np.nan}, "2 not-a-number pixels"),
        ({"G": np.inf}, "2 infinite pixels"),
        ({"R": -1.0, "G": -1.0, "B": -1.0}, "2 negative-light pixels"),
        ({"A": 1.5}, "2 over-covered"),
    ],
)
def test_bad_pixels_are_counted_on_their_frame(sequence: Path, spoil: dict[str, float], kind: str) -> None:
    write(sequence, 1005, spoil=spoil)
    assert kind in found(check(sequence), "pixels")[1005,]


def test_a_saturated_colour_beyond_the_working_space_is_a_note_not_a_fault(sequence: Path) -> None:
    write(sequence, 1005, spoil={"R": -0.01}, spoilt=40)
    report = check(sequence)
    assert report.passes
    assert "colours beyond the working space" in report.notes[0]


def test_frames_that_lack_metadata_are_named(sequence: Path) -> None:
    for frame in range(1001, 1013):
        if frame != 1007:
            write(sequence, frame, attributes={"shot": Attribute("string", "fjord 120")})
    assert found(check(sequence), "metadata") == {
        (1007,): "attribute shot is missing on frames 1007, else there"
    }


def test_frames_from_another_preset_or_of_another_size_are_named(sequence: Path) -> None:
    for frame in range(1001, 1013):
        digest = "b" * 64 if frame in (1003, 1004) else "a" * 64
        write(sequence, frame, attributes={"halocline:presetDigest": Attribute("string", digest)})
    assert f"preset is {'b' * 12}" in found(check(sequence), "metadata")[1003, 1004]
    write(sequence, 1009, size=(32, 18))
    report = check_sequence(sequence / "wet.1009.exr", options=PLAIN)
    assert report.frames == (1009,)


def test_missing_and_unreadable_frames_are_named(sequence: Path) -> None:
    (sequence / "wet.1004.exr").unlink()
    data = (sequence / "wet.1008.exr").read_bytes()
    (sequence / "wet.1008.exr").write_bytes(data[:-500])
    texts = found(check(sequence), "frames")
    assert texts[1004,] == "not there: 1004"
    assert "frame 1008 cannot be read" in texts[1008,]


def test_one_brighter_frame_is_found_as_flicker(sequence: Path) -> None:
    write(sequence, 1006, level=0.24)
    assert (1006,) in found(check(sequence), "flicker")


def test_a_strobe_is_beyond_the_limit_of_every_rule_for_it(tmp_path: Path) -> None:
    rate = Attribute("rational", (24, 1))
    for frame in range(1, 49):
        write(tmp_path, frame, level=1.0 if (frame // 2) % 2 else 0.0, attributes={"framesPerSecond": rate})
    report = check_sequence(tmp_path / "wet.#.exr", options=PLAIN)
    assert report.fps == 24
    assert report.fps_source == "from the files"
    text = "\n".join(report.lines())
    assert "general flash, ITU-R BT.1702: 6 flashes in one second" in text
    assert text.count("BEYOND") == 2
    assert not report.passes
    assert [finding.kind for finding in report.findings].count("flash") == 2


def test_a_slow_strobe_that_goes_on_is_a_finding_though_no_rule_is_broken(tmp_path: Path) -> None:
    rate = Attribute("rational", (8, 1))
    for frame in range(1, 49):
        write(tmp_path, frame, level=1.0 if (frame // 2) % 2 else 0.0, attributes={"framesPerSecond": rate})
    report = check_sequence(tmp_path / "wet.#.exr", options=PLAIN)
    text = "\n".join(report.lines())
    assert "BEYOND" not in text
    assert text.count("HELD: two flashes or more a second for 5.0 of 5 seconds") == 2
    assert not report.passes


def test_the_stated_frame_rate_wins_and_the_fallback_is_said(sequence: Path) -> None:
    assert check(sequence, CheckOptions(fps=30.0)).fps == 30
    report = check(sequence, CheckOptions(fallback_fps=25.0))
    assert report.fps == 25
    assert "assumed" in report.fps_source


def test_both_eyes_are_looked_at(tmp_path: Path) -> None:
    for frame in range(1001, 1004):
        write(tmp_path, frame, views=("left", "right"))
    report = check(tmp_path)
    assert set(report.flash) == {"left", "right"}
    assert report.passes


@pytest.mark.parametrize(
    ("views", "says"),
    [
        (("left",), {'frames 1002 lack the view "right"'}),
        (
            ("left", "rechts"),
            {'frames 1002 lack the view "right"', 'frames 1002 alone have the view "rechts"'},
        ),
        (
            ("",),
            {
                'frames 1002 lack the view "left"',
                'frames 1002 lack the view "right"',
                "frames 1002 alone have a picture of no view",
            },
        ),
    ],
)
def test_a_frame_that_lacks_an_eye_is_named_with_it(
    tmp_path: Path, views: tuple[str, ...], says: set[str]
) -> None:
    for frame in range(1001, 1005):
        write(tmp_path, frame, views=("left", "right"))
    write(tmp_path, 1002, views=views)
    report = check(tmp_path)
    assert not report.passes
    assert {finding.text for finding in report.findings} == says
    assert {finding.frames for finding in report.findings} == {(1002,)}


def test_marks_of_one_eye_are_told_with_it(tmp_path: Path) -> None:
    for frame in range(1001, 1005):
        write(tmp_path, frame, views=("left", "right"))
    write(tmp_path, 1003, views=("left", "right"), size=(32, 18))
    texts = set(found(check(tmp_path), "metadata").values())
    assert texts == {"right: display window is 32 x 18 at 0, 0 on frames 1003, else 64 x 36 at 0, 0"}


def test_a_sequence_that_is_not_there_and_a_view_that_is_unknown_are_errors(sequence: Path) -> None:
    with pytest.raises(SequenceError, match="no file of this sequence is there"):
        check_sequence(sequence / "dry.####.exr")
    with pytest.raises(ColourError, match="has no view"):
        check(sequence, CheckOptions(view="Rose-tinted"))


def test_overscan_that_changes_from_frame_to_frame_is_not_looked_at(tmp_path: Path) -> None:
    display = Window(0, 0, 64, 36)
    for frame in range(1001, 1009):
        grown = frame % 3
        data = Window(-grown, -grown, 64 + 2 * grown, 36 + 2 * grown)
        part = Part(
            index=0,
            name="",
            view="",
            channels=dict.fromkeys("RGBA", "float"),
            data_window=data,
            display_window=display,
            attributes={"chromaticities": REC709},
        )
        # White and negative outside the display window only.
        planes = {name: np.full(data.shape, -9.0, np.float32) for name in "RGB"}
        for plane in planes.values():
            plane[data.slices_of(display)] = 0.2
        planes["A"] = np.ones(data.shape, np.float32)
        write_exr(tmp_path / f"wet.{frame}.exr", [PartPixels(part, planes)])
    report = check(tmp_path)
    assert report.passes, report.lines()
    assert report.frames == tuple(range(1001, 1009))


def test_another_display_window_is_found_and_does_not_end_the_check(tmp_path: Path) -> None:
    for frame in range(1001, 1007):
        write(tmp_path, frame, size=(64, 36) if frame < 1005 else (64, 40))
    report = check(tmp_path)
    assert "another display window" in found(report, "frames")[1005, 1006]
    assert report.frames == tuple(range(1001, 1007))


def test_an_incomplete_sequence_is_never_said_to_be_whole(sequence: Path) -> None:
    for frame in (1011, 1012):
        (sequence / f"wet.{frame}.exr").unlink()
    # At its ends nobody sees a gap: the range is told, and who knows better says so.
    assert "frames: 10 there, 1001-1010" in check(sequence).lines()
    report = check(sequence, expected=range(1001, 1013))
    assert found(report, "frames") == {(1011, 1012): "not there: 1011-1012"}
    report = check(sequence, expected=range(1001, 1012), left_out=[1012])
    assert found(report, "frames") == {(1011,): "not there: 1011"}
    assert "note: left out, since they have no input: 1012" in report.lines()
    for frame in range(1002, 1011, 2):
        (sequence / f"wet.{frame}.exr").unlink()
    assert "frames: 5 there, 1001-1009x2" in check(sequence).lines()
