"""`halocline cache`: what is kept on disk, seen and emptied."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from halocline.cli.main import app
from halocline.compute.disk_cache import kept

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


def test_warm_renders_a_frame_of_each_look_it_is_given(root: Path, tmp_path: Path) -> None:
    wrong = RUNNER.invoke(app, ["cache", "warm", "jerlov-1c", "no-such-look"])
    assert wrong.exit_code == 1
    assert "no-such-look" in str(wrong.exception)
    assert RUNNER.invoke(app, ["cache", "warm", "jerlov-1c"]).exit_code == 0
