"""One mistake a file: the whole message is read, with file, line and how to fix it.

``tests/invalid_presets/NAME.toml`` has the mistake, ``NAME.txt`` what must be said of it; ``…`` stands for a
list that grows (of operators, of keys).
"""

from __future__ import annotations

import contextlib
import re
from pathlib import Path

import pytest

from halocline.errors import HaloclineError, PresetError
from halocline.presets.build import story_report
from halocline.presets.preset import load_preset
from halocline.rgb import LINEAR_REC709

FOLDER = Path(__file__).parents[1] / "invalid_presets"
CASES = sorted(path.stem for path in FOLDER.glob("*.toml"))


def used(path: Path) -> None:
    """Load a preset and go on to what shows some mistakes: its water fitted, its story solved."""
    story_report(load_preset(path), 1, LINEAR_REC709)


def message_of(name: str) -> str:
    # Messages give the path as it was given.
    with contextlib.chdir(FOLDER), pytest.raises(HaloclineError) as caught:
        used(Path(f"{name}.toml"))
    return str(caught.value)


@pytest.mark.parametrize("name", CASES)
def test_mistake_is_told_with_file_line_and_fix(name: str) -> None:
    expected = (FOLDER / f"{name}.txt").read_text(encoding="utf-8").rstrip("\n")
    pattern = ".*".join(re.escape(part) for part in expected.split("…"))
    message = message_of(name)
    assert re.fullmatch(pattern, message), message


@pytest.mark.parametrize("name", CASES)
def test_message_names_the_file_or_the_section_and_says_how_to_fix(name: str) -> None:
    for line in message_of(name).splitlines():
        if line.startswith("E-"):
            assert re.match(r"E-[A-Z]+-[A-Z]+  ", line), line
            assert f"{name}.toml" in line or "[story]" in line or "bands.fitted" in line, line
        else:
            assert line.startswith("  "), line
    assert "\n  " in message_of(name)


def test_all_mistakes_of_a_preset_come_in_one_error() -> None:
    with contextlib.chdir(FOLDER), pytest.raises(PresetError) as caught:
        used(Path("two_mistakes.toml"))
    assert (caught.value.code, caught.value.where) == ("E-PRESET-INVALID", "two_mistakes")
    assert caught.value.message == "the preset has 3 mistakes"
    assert len(caught.value.problems) == 3
    assert "halocline preset check" in str(caught.value.fix)


def test_every_mistake_has_its_message_and_every_message_its_mistake() -> None:
    assert sorted(path.stem for path in FOLDER.glob("*.txt")) == CASES
    assert len(CASES) > 40
