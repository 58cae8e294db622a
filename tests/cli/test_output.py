"""What is printed for a person and what for a file: the same words."""

from __future__ import annotations

import os
import re
import subprocess
import sys

import pytest

from halocline.cli.output import say, say_error, say_warning
from halocline.errors import FrameError

SAYING = "from halocline.cli.output import say; say('x'); import sys; print(*sys.modules)"
# What asks for colours, or for none.
ASKING = ("FORCE_COLOR", "NO_COLOR", "TTY_COMPATIBLE")


@pytest.mark.parametrize("watched", [False, True])
def test_words_are_the_same_for_a_file_and_for_a_person(
    watched: bool, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ASKING:
        monkeypatch.delenv(name, raising=False)
    if watched:
        monkeypatch.setenv("FORCE_COLOR", "1")
    say("wrote :sun: [red]shots[/red]/a.exr " + 40 * "far " + "\x1b[2J")
    say_warning("of\ntwo lines")
    say_error(FrameError("no planes", code="E-FRAME", where="a.exr", fix="Render some."))
    told = capfd.readouterr().err
    assert ("\x1b[" in told) == watched
    assert re.sub(r"\x1b\[[0-9;]*m", "", told).splitlines() == [
        "wrote :sun: [red]shots[/red]/a.exr " + 40 * "far " + r"\x1b[2J",
        r"warning: of\ntwo lines",
        *f"error: {FrameError('no planes', code='E-FRAME', where='a.exr', fix='Render some.')}".splitlines(),
    ]


def test_what_colours_text_is_not_imported_for_a_file() -> None:
    told = subprocess.run(
        [
            sys.executable,
            "-c",
            "from halocline.cli.output import say; say('x'); import sys; print(*sys.modules)",
        ],
        capture_output=True,
        text=True,
        check=True,
        env={name: value for name, value in os.environ.items() if name not in ASKING},
    )
    assert told.stderr == "x\n"
    assert "rich.console" not in told.stdout.split()
