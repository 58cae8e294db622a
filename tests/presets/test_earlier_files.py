"""Presets as earlier versions shipped them still load, and are brought up to date with their comments.

`earlier/` holds them by format number, as they were; one is added whenever a key or the format changes.
"""

from __future__ import annotations

import re
import shutil
import tomllib
from pathlib import Path

import pytest

from halocline.cli.preset_edit import upgrade
from halocline.presets.edit import upgraded_file
from halocline.presets.formats import with_number_of_today
from halocline.presets.preset import load_preset
from halocline.presets.remarks import remarks, renamed_keys
from halocline.presets.sections import FORMAT

EARLIER = sorted((Path(__file__).parent / "earlier").glob("*.toml"))
# Old words in each; a word of several tables of one list is remarked on once.
OLD_WORDS = {"bubbles": 4, "constituents": 1, "lamps": 0}
REMARKS = {"bubbles": 3, "constituents": 1, "lamps": 0}


OTHERWISE = {
    "format-1-lamps": ["lamps throw shadows", "halo"],
    "format-1-bubbles": ["halo"],
    "format-1-constituents": ["halo"],
}


def test_every_format_number_has_a_file() -> None:
    numbers = {int(re.findall(r"format-(\d+)-", path.name)[0]) for path in EARLIER}
    assert numbers == set(range(1, FORMAT + 1))


@pytest.mark.parametrize("path", EARLIER, ids=lambda path: path.stem)
def test_an_earlier_preset_loads_and_says_which_words_are_old(path: Path) -> None:
    look = load_preset(str(path))
    assert look.at(0).graph.steps
    assert len(renamed_keys(look.document)) == REMARKS[path.stem.split("-")[2]]


@pytest.mark.parametrize("path", EARLIER, ids=lambda path: path.stem)
def test_upgrading_keeps_comments_and_tells_what_changed(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mine = Path(shutil.copy(path, tmp_path))
    digest = load_preset(str(mine)).digest
    upgrade([mine])
    told = capsys.readouterr().out.splitlines()
    count = OLD_WORDS[path.stem.split("-")[2]]
    older = not path.name.startswith(f"format-{FORMAT}-")
    assert f"{count} renamed" in told[0]
    otherwise = [line for line in told[1:] if "looks otherwise now" in line]
    assert len(otherwise) == (path.stem in OTHERWISE)
    assert all(words in otherwise[0] for words in OTHERWISE.get(path.stem, []))
    told = [line for line in told if line not in otherwise]
    assert len(told) == 1 + count + older
    if count or older:
        assert "the picture is the same before and after" in told[0]
    assert (f"format = {FORMAT}" in told[1]) if older else len(told) == 1 + count
    before, after = path.read_text(), mine.read_text()
    assert [line.partition("#")[2] for line in before.splitlines()] == [
        line.partition("#")[2] for line in after.splitlines()
    ]
    assert load_preset(str(mine)).digest == digest
    assert upgraded_file(mine)[1] == 0
    assert not load_preset(str(mine)).document.older


@pytest.mark.parametrize(
    "begin",
    [
        "format = 0x1  # as it was",
        "format = +1",
        "format=0b1",
        '"format" = 1',
        "'format'\t=\t1 # one",
        'title = """\nformat = 1\n"""\nformat = 1',
        'title = """\n  format = 1 of it"""\n"format" = 1',
        "[water]\njerlov_type = '1C'\n[steps.waves]\nformat = 1\n",
    ],
)
def test_the_number_is_found_however_toml_lets_it_be_written(begin: str) -> None:
    # Python's own reader of TOML says what the text means.
    text = f"{begin}\n[light]\nsun_elevation = 30\n"
    was, now = tomllib.loads(text), tomllib.loads(with_number_of_today(text))
    assert now == ({**was, "format": FORMAT} if "format" in was else was)


@pytest.mark.parametrize("path", EARLIER, ids=lambda path: path.stem)
def test_what_came_to_look_otherwise_is_told_of_older_looks_that_show_it(path: Path) -> None:
    look = load_preset(str(path))
    told = [remark.text for remark in remarks(look) if remark.key == ("format",)]
    for words in OTHERWISE.get(path.stem, []):
        assert words in told[0]
    if path.name.startswith(f"format-{FORMAT}-"):
        assert not told
