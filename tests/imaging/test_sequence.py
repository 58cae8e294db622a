"""Frame patterns, ranges, and which frames are there."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest

from halocline.errors import SequenceError
from halocline.imaging.sequence import (
    find_sequence,
    frame_text,
    output_sequence,
    parse_frames,
    parse_pattern,
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "fjord shot [1] bølge"
    folder.mkdir()
    for frame in (1001, 1003, 1005, 1009, 10010):
        (folder / f"arch v2.{frame}.exr").touch()
    (folder / "arch v2.01001.exr").touch()
    (folder / "arch v2.1001.exr.tmp").touch()
    (folder / ".arch v2.1001.exr.abc.unfinished").touch()
    (folder / "still.exr").touch()
    return folder


@pytest.mark.parametrize("pattern", ["arch v2.####.exr", "arch v2.@@@@.exr", "arch v2.%04d.exr"])
def test_patterns_find_the_frames_that_are_there_and_nothing_else(folder: Path, pattern: str) -> None:
    found = find_sequence(folder / pattern)
    assert found.frames == (1001, 1003, 1005, 1009, 10010)
    assert found.path(1003) == folder / "arch v2.1003.exr"
    assert found.missing() == ()


def test_ranges_choose_frames_and_missing_ones_are_named(folder: Path) -> None:
    found = find_sequence(folder / "arch v2.####.exr", "1001-1009x2")
    assert found.frames == (1001, 1003, 1005, 1007, 1009)
    assert found.missing() == (1007,)
    assert find_sequence(folder / "arch v2.1001-1005x4####.exr").frames == (1001, 1005)


def test_gaps_are_judged_by_the_step_of_the_frames(folder: Path) -> None:
    found = parse_pattern(folder / "a.####.exr")
    assert found.with_frames([1, 3, 7]).gaps() == (5,)
    assert found.with_frames([1, 2, 5]).gaps() == (3, 4)
    assert found.with_frames([4]).gaps() == ()


@pytest.mark.parametrize(
    ("name", "frame"),
    [
        ("shot_v012.exr", 1),
        ("shot.V012.exr", 1),
        ("shot012.exr", 1),
        ("take3.exr", 1),
        ("arch_012.exr", 12),
        ("arch.v003.1001.exr", 1001),
        ("arch0012.exr", 12),
        ("0012.exr", 12),
        ("bølge0012.exr", 12),
        ("arch.exr", 1),
    ],
)
def test_only_a_number_that_counts_frames_is_the_frame_of_one_file(
    tmp_path: Path, name: str, frame: int
) -> None:
    (tmp_path / name).touch()
    assert find_sequence(tmp_path / name).frames == (frame,)


def test_one_file_is_a_sequence_of_one_frame(folder: Path) -> None:
    numbered, still = find_sequence(folder / "arch v2.1003.exr"), find_sequence(folder / "still.exr")
    assert (numbered.frames, still.frames) == ((1003,), (1,))
    assert numbered.path(1003) == folder / "arch v2.1003.exr"
    assert not numbered.is_numbered
    with pytest.raises(SequenceError, match=r"E-SEQUENCE-PATTERN(.|\n)*arch v2\.####\.exr"):
        find_sequence(folder / "arch v2.1003.exr", "1001-1005")


@pytest.mark.parametrize(
    ("text", "frames"),
    [
        ("1001-1004", (1001, 1002, 1003, 1004)),
        ("1-7x3", (1, 4, 7)),
        ("1,3,5-6", (1, 3, 5, 6)),
        ("-2-0", (-2, -1, 0)),
    ],
)
def test_ranges_are_read(text: str, frames: tuple[int, ...]) -> None:
    assert parse_frames(text) == frames


@pytest.mark.parametrize("text", ["", "x", "1-", "1-99999999999", "1-2000000", "1.5-2.5x0.5", "1-5;rm"])
def test_what_is_no_range_is_refused(text: str) -> None:
    with pytest.raises(SequenceError, match=r"E-SEQUENCE-RANGE(.|\n)*1001-1100x2"):
        parse_frames(text)


@pytest.mark.parametrize("name", [f"arch.{'9' * 300}.####.exr", f"arch.1-9x{'9' * 400}####.exr"])
def test_digits_beyond_all_numbers_are_an_error_of_the_family(tmp_path: Path, name: str) -> None:
    # Found by benchmarks/attacks.py; the library's own error is decimal's.
    with pytest.raises(SequenceError):
        find_sequence(tmp_path / name)


def test_a_folder_name_too_long_for_any_disk_is_a_folder_that_is_not_there(tmp_path: Path) -> None:
    # Found by benchmarks/attacks.py.
    with pytest.raises(SequenceError, match="E-SEQUENCE-EMPTY"):
        find_sequence(tmp_path / ("9" * 400) / "arch.####.exr")


def test_nothing_there_is_told_with_what_is_there(folder: Path) -> None:
    with pytest.raises(SequenceError, match=r"E-SEQUENCE-EMPTY(.|\n)*1001-1005x2,1009"):
        find_sequence(folder / "arch v2.####.exr", "2000-2010")
    with pytest.raises(SequenceError, match="no file of this sequence"):
        find_sequence(folder / "other.####.exr")
    with pytest.raises(SequenceError, match="is not there"):
        find_sequence(folder / "other.exr")
    with pytest.raises(SequenceError, match="2 places"):
        find_sequence(folder / "a.####.%04d.exr")


def test_numbers_may_stand_inside_the_name_and_below_zero(tmp_path: Path) -> None:
    found = parse_pattern(tmp_path / "shot_####_wet.exr")
    assert found.path(7).name == "shot_0007_wet.exr"
    assert found.path(-7).name == "shot_-0007_wet.exr"
    found.path(-7).touch()
    assert find_sequence(tmp_path / "shot_####_wet.exr").frames == (-7,)
    assert found.pattern.endswith("shot_####_wet.exr")


def test_outputs_go_to_folders_patterns_or_one_file(folder: Path, tmp_path: Path) -> None:
    source = find_sequence(folder / "arch v2.####.exr", "1001-1003x2")
    assert output_sequence(f"{tmp_path}/wet/", source).path(1001) == tmp_path / "wet" / "arch v2.1001.exr"
    assert output_sequence(tmp_path / "w_@@@@.exr", source).path(1003) == tmp_path / "w_1003.exr"
    with pytest.raises(SequenceError, match=r"2 frames cannot go to one file(.|\n)*wet\.####\.exr"):
        output_sequence(tmp_path / "wet.exr", source)
    one = find_sequence(folder / "still.exr")
    assert output_sequence(tmp_path / "wet.exr", one).path(1) == tmp_path / "wet.exr"


def test_sequences_cross_process_borders_and_print_short_ranges(folder: Path) -> None:
    found = find_sequence(folder / "arch v2.####.exr")
    assert pickle.loads(pickle.dumps(found)) == found
    assert frame_text([1, 2, 3, 10]) == "1-3,10"


def test_folder_is_not_taken_for_a_frame(tmp_path: Path) -> None:
    with pytest.raises(SequenceError, match=r"is a folder(.|\n)*name\.####\.exr"):
        find_sequence(str(tmp_path))
