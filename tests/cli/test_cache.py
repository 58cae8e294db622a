"""`halocline cache`: what is kept on disk, seen and emptied."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from halocline.batch.loops_of_looks import loops_of
from halocline.cli.main import app
from halocline.compute import disk_cache, machine_code
from halocline.compute.disk_cache import kept
from halocline.compute.machine_code import is_kept
from halocline.presets.preset import load_preset

RUNNER = CliRunner()


@pytest.fixture
def root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("HALOCLINE_CACHE", str(tmp_path / "kept"))
    return tmp_path / "kept"


def told(*arguments: str) -> str:
    result = RUNNER.invoke(app, ["cache", *arguments])
    assert result.exit_code == 0, result.output
    return result.output


def test_show_tells_place_and_amounts(root: Path) -> None:
    kept("fits", "a", lambda: bytes(1 << 20))
    kept("tables", "b", lambda: bytes(1 << 19))
    text = told("show")
    assert text.splitlines()[0] == str(root)
    assert [line.split() for line in text.splitlines()[1:]] == [
        ["fits", "1", "1.0", "MiB"],
        ["tables", "1", "0.5", "MiB"],
        ["together", "2", "1.5", "MiB"],
        ["at", "most", "2048.0", "MiB"],
    ]
    found = json.loads(told("show", "--json"))
    assert found["place"] == str(root)
    assert found["kinds"]["fits"]["entries"] == 1
    assert found["bytes"] == sum(kind["bytes"] for kind in found["kinds"].values())


def test_show_says_where_nothing_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HALOCLINE_CACHE", "off")
    assert "HALOCLINE_CACHE" in told("show")


def test_clear_empties_it_and_says_how_much_went(root: Path) -> None:
    kept("fits", "a", lambda: bytes(3 << 20))
    assert told("clear") == "1 entries gone, 3.0 MiB\n"
    assert told("clear") == "0 entries gone, 0.0 MiB\n"


@pytest.fixture
def lent(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of its own with what was compiled so far, so that it is not compiled once more."""
    before, now = disk_cache.place(), tmp_path / "kept"
    if before is not None and (before / machine_code.KIND).is_dir():
        shutil.copytree(before / machine_code.KIND, now / machine_code.KIND)
    monkeypatch.setenv("HALOCLINE_CACHE", str(now))
    return now


def test_warm_keeps_the_loops_fits_and_tables_of_each_look_it_is_given(lent: Path) -> None:
    # One of the look's loops that is quickly made is made anew.
    (quick,) = (each for each in loops_of(load_preset("jerlov-1c")) if each.name == "unit_component")
    for file in lent.rglob("unit_component-*.code"):
        file.unlink()
    wrong = RUNNER.invoke(app, ["cache", "warm", "jerlov-1c", "no-such-look"])
    assert wrong.exit_code == 1
    assert "no-such-look" in str(wrong.exception)
    assert not is_kept(*quick), "of a list with a mistake in it nothing is made"
    assert RUNNER.invoke(app, ["cache", "warm", "jerlov-1c"]).exit_code == 0
    assert is_kept(*quick)
    # What the look's frame needed as well.
    assert {each.kind for each in disk_cache.contents()} >= {machine_code.KIND, "tables"}
