"""What is shown cannot do more than be read: no escape sequences, no forged lines."""

from __future__ import annotations

import json
import os
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from halocline.cli.output import json_line, say, say_error, say_warning
from halocline.errors import PresetError, WriteError
from halocline.plain_text import lines, one_line

# ECMA-48 (from memory): ESC [ ... m colours, ESC ] 0 ; sets a terminal's title, U+009B is ESC [ in one sign.
HOSTILE = "wet\x1b[31m\x1b]0;owned\x07\x9b2J\r\nwarning: all is well\u202egnp.exe\u2028"


@given(st.text(st.characters(codec=None), max_size=60))
def test_no_text_keeps_a_sign_that_moves_anything(text: str) -> None:
    safe = one_line(text)
    assert not any(unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp") for sign in safe)
    assert safe.isprintable() or any(unicodedata.category(sign) in ("Cn", "Co", "Cf", "Zs") for sign in safe)
    safe.encode()
    assert lines(text).count("\n") == text.count("\n")


def test_plain_text_of_any_script_stays_as_it_is() -> None:
    for text in ("wet/arch.1001.exr", "Fjord, 12 m: «vått» 水中", "a\u0301"):
        assert one_line(text) == text


def test_names_that_are_no_text_are_shown_by_their_bytes() -> None:
    assert one_line(os.fsdecode(b"wet\xff\xe5.exr")) == "wet\\xff\\xe5.exr"


def test_messages_of_errors_are_one_line_and_a_fix(capsys: pytest.CaptureFixture[str]) -> None:
    error = WriteError(HOSTILE, code="E-WRITE-OPEN", where=HOSTILE, fix=HOSTILE)
    say_error(error)
    say_error(PresetError("two", code="E-PRESET-KEY", problems=[error, error]))
    say(HOSTILE)
    say_warning(HOSTILE)
    told = capsys.readouterr().err
    assert len(told.splitlines()) == 2 + 4 + 2
    for sign in "\x1b\x07\x9b\r\u202e\u2028":
        assert sign not in told


def test_lines_for_machines_say_the_same_and_show_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    name = HOSTILE + os.fsdecode(b"\xff")
    json_line(event="frame", out=Path(name), plain="vått")
    told = capsys.readouterr().out
    assert told.isascii()
    assert told.count("\n") == 1
    found = json.loads(told)
    assert found.pop("time")
    assert found == {"event": "frame", "out": name, "plain": "vått"}
