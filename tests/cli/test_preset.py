"""`halocline preset check | show | schema | list`."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING

import jsonschema
import pytest
import tomlkit

from halocline.presets.document import shipped_names
from halocline.presets.preset import load_preset

if TYPE_CHECKING:
    from tests.cli.conftest import Halocline


def test_list_has_a_line_for_every_preset_that_ships(halocline: Halocline) -> None:
    told = halocline("preset", "list")
    assert (told.status, told.err) == (0, "")
    lines = told.out.splitlines()
    assert [line.split()[0] for line in lines] == shipped_names()
    assert all(len(line.split(maxsplit=1)[1]) > 3 for line in lines)
    # At least one for each Jerlov type.
    kinds = ("1", "1a", "1b", "2", "3", "1c", "3c", "5c", "7c", "9c")
    assert {f"jerlov-{kind}" for kind in kinds} <= set(shipped_names())


def test_check_says_that_there_are_no_mistakes(halocline: Halocline, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text('format = 2\nextends = "jerlov-1c"\n[light]\nsun_elevation = "20 deg"\n')
    told = halocline("preset", "check", own)
    assert (told.status, told.out, told.err) == (0, "own: no mistakes.\n", "")


def test_check_tells_every_mistake_with_file_line_and_fix(halocline: Halocline, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.toml"
    wrong.write_text(
        'format = 1\n[water]\njerlov_type = "1C"\nvisibilty = "6 m"\n'
        '[light]\nsun_elevation = "high"\n[steps.attenuation]\n'
    )
    told = halocline("preset", "check", wrong)
    assert (told.status, told.out) == (2, "")
    assert f'E-PRESET-KEY  {wrong}, line 4, [water]: unknown key "visibilty"' in told.err
    assert 'Did you mean "visibility"?' in told.err
    assert f"E-PRESET-VALUE  {wrong}, line 6: light.sun_elevation: 'high' is no angle." in told.err


def test_check_finds_what_only_the_water_or_the_colour_space_would_tell(
    halocline: Halocline, tmp_path: Path
) -> None:
    own = tmp_path / "own.toml"
    own.write_text('format = 1\nextends = "jerlov-1c"\n[colour]\nworking_space = "linear banana"\n')
    told = halocline("preset", "check", own)
    assert told.status == 2
    assert told.err.startswith(
        f'error: E-COLOUR-SPACE  {own}, line 4: no scene-linear RGB space is known as "linear banana"\n'
    )
    told = halocline("preset", "check", "jerlov-1c", "--set", "water.jerlov_type=4C")
    assert told.status == 2
    assert "4C" in told.err


@pytest.mark.parametrize(
    "more",
    [
        "",
        "[light]\nsunny = 3\n",
        '[steps.snow]\ninput = "no such step"\n',
        '[origins.lens]\nposition = "far"\n',
    ],
)
def test_a_water_and_spaces_that_are_none_are_told_with_all_other_mistakes(
    halocline: Halocline, tmp_path: Path, more: str
) -> None:
    own = tmp_path / "own.toml"
    own.write_text(
        'format = 1\n[water]\njerlov_type = "9Z"\n[colour]\nworking_space = "linear banana"\n'
        f'input_space = "bent banana"\n{more}'
    )
    told = halocline("preset", "check", own)
    assert told.status == 2
    assert told.err.count(f'E-WATER-TYPE  {own}, line 2, [water]: there is no Jerlov water type "9Z"') == 1
    assert told.err.count(f"E-COLOUR-SPACE  {own}, line 5: ") == 1
    assert told.err.count(f"E-COLOUR-SPACE  {own}, line 6, ") == 1
    assert len(re.findall(r"(?m)^(?:error: )?E-", told.err)) == (4 if more else 3)


def test_mistakes_beside_a_water_that_is_wrong_in_itself_or_is_stated_by_its_bands_are_told(
    halocline: Halocline, tmp_path: Path
) -> None:
    own = tmp_path / "own.toml"
    own.write_text(
        'format = 1\n[water]\njerlov_type = "9Z"\nclear = true\n[colour]\nworking_space = "none"\n'
    )
    told = halocline("preset", "check", own)
    assert (told.status, told.err.count("E-WATER-TYPE"), told.err.count("E-COLOUR-SPACE")) == (2, 0, 1)
    # A resolved text is read by its bands; that its water has another name by now is no mistake.
    text = load_preset("jerlov-1c").resolved_text.replace('jerlov_type = "1C"', 'jerlov_type = "9Z"')
    assert "9Z" in text
    own.write_text(text)
    assert halocline("preset", "check", own).status == 0


def test_show_tells_water_story_steps_and_digest(halocline: Halocline) -> None:
    told = halocline("preset", "show", "fjord-archway")
    assert (told.status, told.err) == (0, "")
    look = load_preset("fjord-archway")
    assert told.out.startswith(f"fjord-archway: {look.title}\n")
    assert told.out.splitlines()[-1] == f"digest    {look.digest}"
    assert f"CIEDE2000 at most {look.bands.worst_delta_e:.2f}" in told.out
    assert "a black object vanishes at" in told.out
    assert "The story shows the subject at" in told.out
    for step in look.at(0).graph.steps:
        assert f"\n          {step.name} <- " in told.out


def test_show_follows_settings(halocline: Halocline) -> None:
    told = halocline("preset", "show", "jerlov-1c", "--set", "water.visibility=7 m")
    assert "a black object vanishes at 7 m" in told.out


def test_resolved_text_is_a_preset_that_inherits_nothing(halocline: Halocline, tmp_path: Path) -> None:
    text = halocline("preset", "show", "ocean-archway", "--resolved").out
    assert "extends" not in tomlkit.parse(text)
    (tmp_path / "whole.toml").write_text(text)
    assert halocline("preset", "show", tmp_path / "whole.toml", "--resolved").out == text


def test_schema_is_one_that_an_independent_checker_takes(halocline: Halocline) -> None:
    told = halocline("preset", "schema")
    assert (told.status, told.err) == (0, "")
    schema = json.loads(told.out)
    checker = jsonschema.validators.validator_for(schema)
    checker.check_schema(schema)
    assert checker(schema).is_valid({"format": 1, "extends": "jerlov-1c"})
    assert not checker(schema).is_valid({"format": 1, "light": {"sun_elevaton": 3}})


@pytest.mark.parametrize("command", ["check", "show"])
def test_a_preset_that_is_not_there_is_told_with_the_nearest_name(halocline: Halocline, command: str) -> None:
    told = halocline("preset", command, "jerlov-1d")
    assert told.status == 2
    assert told.err.startswith('error: E-PRESET-FIND  no preset is called "jerlov-1d"\n')
    assert 'Did you mean "jerlov-1' in told.err


def test_show_says_what_moves_and_shows_the_frame_asked_for(halocline: Halocline, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text(
        'format = 1\nextends = "jerlov-1c"\n[light]\nsun_elevation = { curve = "smooth", '
        'keys = [[1001, 30], [1024, "60 deg"]] }\n[steps.white_reference]\n'
        'balance = { curve = "linear", keys = [[1001, 0.0], [1011, 0.5]] }\n'
    )
    told = halocline("preset", "show", own).out
    assert "moves     light.sun_elevation: smooth curve, 1001: 30, 1024: 60 deg\n" in told
    assert "moves     steps.white_reference.balance: linear curve, 1001: 0, 1011: 0.5\n" in told
    assert "\nsteps     on frame 1001\n" in told
    assert "balance = 0.0" in told
    later = halocline("preset", "show", own, "--frame", "1005").out
    assert "\nsteps     on frame 1005\n" in later
    assert "balance = 0.2" in later
    still = halocline("preset", "show", "jerlov-1c").out
    assert "moves" not in still
    assert "\nsteps\n" in still


def test_diff_of_curves_is_no_silence(halocline: Halocline, tmp_path: Path) -> None:
    text = 'format = 1\nextends = "jerlov-1c"\n[light]\n'
    text += 'overcast = { curve = "linear", keys = [[0, 0.2], [9, %s]] }\n'
    for name, last in (("a", "0.4"), ("b", "0.9")):
        (tmp_path / f"{name}.toml").write_text(text % last)
    files = [tmp_path / "a.toml", tmp_path / "b.toml"]
    told = halocline("preset", "diff", *files)
    assert "light.overcast: linear curve, 0: 0.2, 9: 0.4 -> linear curve, 0: 0.2, 9: 0.9" in told.out
    assert halocline("preset", "diff", *files, "--frame", "0").out == "No difference.\n"
    assert "light.overcast: 0.4 -> 0.9" in halocline("preset", "diff", *files, "--frame", "9").out


def test_new_preset_changes_nothing_yet(halocline: Halocline, tmp_path: Path) -> None:
    path = tmp_path / "shot.toml"
    result = halocline("preset", "new", path, "--extends", "fjord-afternoon", "--title", 'A "quoted" title')
    assert result.status == 0, result.err
    made, base = load_preset(path), load_preset("fjord-afternoon")
    assert made.title == 'A "quoted" title'
    assert made.resolved_tables()["steps"] == base.resolved_tables()["steps"]
    # Every line that is offered is right once its sign is taken off.
    text = path.read_text(encoding="utf-8")
    taken = [
        line.removeprefix("# ") for line in text.splitlines() if line.startswith("# ") and "sets:" not in line
    ]
    path.write_text("\n".join([*text.splitlines()[:4], *taken]), encoding="utf-8")
    assert load_preset(path).resolved_tables()["light"] == base.resolved_tables()["light"]


def test_new_preset_is_not_written_over_one_that_is_there(halocline: Halocline, tmp_path: Path) -> None:
    path = tmp_path / "shot.toml"
    path.write_text("mine", encoding="utf-8")
    result = halocline("preset", "new", path)
    assert result.status != 0
    assert "E-WRITE-EXISTS" in result.err
    assert path.read_text(encoding="utf-8") == "mine"


def test_new_preset_leaves_an_older_schema_and_says_so(halocline: Halocline, tmp_path: Path) -> None:
    schema = tmp_path / "halocline.schema.json"
    schema.write_text("{}", encoding="utf-8")
    result = halocline("preset", "new", tmp_path / "shot.toml")
    assert result.status == 0
    assert "halocline preset schema >" in result.out
    assert schema.read_text(encoding="utf-8") == "{}"
