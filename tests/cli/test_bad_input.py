"""Bad input ends in one clear message - what, where, fix - on standard error, and writes nothing."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from tests.cli.conftest import Halocline, Renders


@pytest.fixture
def there(renders: Renders, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Stand in a folder with renders and all kinds of bad input."""
    folder = renders.folder.parent
    monkeypatch.chdir(folder)
    (folder / "empty").mkdir()
    (folder / "note.txt").write_text("no picture\n")
    (folder / "misspelt.toml").write_text('format = 1\nextends = "jerlov-1c"\n[light]\nsun_elevaton = 3\n')
    (folder / "binary.toml").write_bytes(bytes(range(256)))
    (folder / "void.toml").write_text("")
    (folder / "newer.toml").write_text("format = 99\n")
    (folder / "depth").mkdir()
    (folder / "depth" / "z.1001.exr").write_bytes(renders.path(1001).read_bytes())
    whole = renders.path(1001).read_bytes()
    (folder / "cut.exr").write_bytes(whole[: len(whole) // 2])
    return folder


PATTERN = "clean/arch.####.exr"
CASES = {
    "no such sequence": (
        ("jerlov-1c", "nowhere/arch.####.exr", "wet/"),
        ("E-SEQUENCE-EMPTY  nowhere/arch.####.exr", "no file of this sequence is there", "Check folder"),
    ),
    "empty folder": (
        ("jerlov-1c", "empty/arch.####.exr", "wet/"),
        ("E-SEQUENCE-EMPTY  empty/arch.####.exr", "no file of this sequence is there", "Check folder"),
    ),
    "no such file": (
        ("jerlov-1c", "clean/arch.2001.exr", "wet/"),
        ("E-SEQUENCE-EMPTY  clean/arch.2001.exr", "is not there", "Check the path"),
    ),
    "frames partly there": (
        ("jerlov-1c", PATTERN, "wet/", "--frames", "1003-1006"),
        ("E-SEQUENCE-MISSING  clean/arch.####.exr", "beauty 1005-1006", "--missing skip"),
    ),
    "frames not there": (
        ("jerlov-1c", PATTERN, "wet/", "--frames", "1-9"),
        ("E-SEQUENCE-EMPTY  clean/arch.####.exr", "none of the frames", "Frames there: 1001-1004."),
    ),
    "range that is none": (
        ("jerlov-1c", PATTERN, "wet/", "--frames", "soon"),
        ("E-SEQUENCE-RANGE", '"soon" is no range of frames', "Write frames as 1001-1100"),
    ),
    "many frames to one file": (
        ("jerlov-1c", PATTERN, "wet.exr"),
        ("E-SEQUENCE-PATTERN  wet.exr", "4 frames cannot go to one file", "Give a folder"),
    ),
    "depth partly there": (
        ("jerlov-1c", PATTERN, "wet/", "--depth", "depth/z.####.exr"),
        ("E-SEQUENCE-MISSING  depth/z.####.exr", "depth 1002-1004", "--missing skip"),
    ),
    "no such preset": (
        ("jerlov-1d", PATTERN, "wet/"),
        ("E-PRESET-FIND", 'no preset is called "jerlov-1d"', "halocline preset list"),
    ),
    "misspelt key": (
        ("misspelt.toml", PATTERN, "wet/"),
        ("E-PRESET-KEY  misspelt.toml, line 4, [light]", '"sun_elevaton"', 'Did you mean "sun_elevation"?'),
    ),
    "binary preset": (
        ("binary.toml", PATTERN, "wet/"),
        ("E-PRESET-READ  binary.toml", "cannot be read", "Check the file."),
    ),
    "void preset": (
        ("void.toml", PATTERN, "wet/"),
        ("E-PRESET-FORMAT  void.toml", "no format number", "format = 2"),
    ),
    "newer preset": (
        ("newer.toml", PATTERN, "wet/"),
        ("E-PRESET-FORMAT  newer.toml", "99", ""),
    ),
    "folder as preset": (
        ("empty", PATTERN, "wet/"),
        ("E-PRESET-", "empty", ""),
    ),
    "setting without value": (
        ("jerlov-1c", PATTERN, "wet/", "--set", "nonsense"),
        ("E-PRESET-SET  --set", "'nonsense' sets nothing", "Write SECTION.KEY=VALUE"),
    ),
    "setting of an unknown key": (
        ("jerlov-1c", PATTERN, "wet/", "--set", "light.sun=3"),
        ("E-PRESET-KEY  --set light.sun=3", 'unknown key "sun"', "Known keys here: sun_elevation"),
    ),
    "setting of a wrong value": (
        ("jerlov-1c", PATTERN, "wet/", "--set", "light.sun_elevation=high"),
        ("E-PRESET-VALUE  --set light.sun_elevation=high", "is no angle", "Degrees above the horizon"),
    ),
    "output below a file": (
        ("jerlov-1c", PATTERN, "note.txt/wet/"),
        ("E-WRITE-FOLDER  note.txt/wet", "cannot be made", "give another folder"),
    ),
    "no picture": (
        ("jerlov-1c", "note.txt", "wet/"),
        ("E-READ-OPEN  frame 1, note.txt", "cannot be", "Check that it is there"),
    ),
    "cut file": (
        ("jerlov-1c", "cut.exr", "wet/"),
        ("E-READ-PIXELS  frame 1, cut.exr", "pixels cannot be read", "copy or render it again"),
    ),
    "unknown colour space": (
        ("jerlov-1c", "clean/arch.1001.exr", "wet/", "--set", "colour.working_space=banana"),
        ("E-COLOUR-SPACE", '"banana"', "Known: lin_rec709"),
    ),
}


@pytest.mark.parametrize(("arguments", "parts"), CASES.values(), ids=CASES)
def test_bad_input_is_told_in_one_message_and_nothing_is_written(
    halocline: Halocline, there: Path, arguments: tuple[str, ...], parts: tuple[str, ...]
) -> None:
    preset, beauty, out, *options = arguments
    told = halocline("apply", preset, beauty, "--out", out, "--no-check", *options)
    assert told.status == 2
    assert told.out == ""
    assert told.err.count("error: ") == 1
    message = told.err[told.err.index("error: ") :]
    for part in parts:
        assert part in message
    # What is wrong on the first line, the fix below it.
    assert message.splitlines()[0].startswith(f"error: {parts[0]}")
    assert not list(there.glob("wet*/**/*.exr"))
    assert not (there / "wet.exr").exists()
