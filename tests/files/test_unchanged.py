"""What is read stays as it was while it is read, or is read again, or is refused."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from halocline.errors import ReadError
from halocline.files import unchanged
from halocline.files.unchanged import BeforeReading, read_still, stamp_of


@pytest.fixture(autouse=True)
def _no_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(unchanged, "_PAUSE_SECONDS", 0.0)


def test_a_file_of_the_same_size_and_date_is_another(tmp_path: Path) -> None:
    file = tmp_path / "arch"
    file.write_bytes(b"dry")
    os.utime(file, ns=(10**18, 10**18))
    before = stamp_of(file)
    with file.open("r+b") as opened:
        opened.write(b"wet")
    # As copying tools do that keep dates.
    os.utime(file, ns=(10**18, 10**18))
    assert file.stat().st_mtime_ns == 10**18
    assert stamp_of(file) != before


def test_what_changes_once_is_read_again(tmp_path: Path) -> None:
    file = tmp_path / "arch"
    file.write_bytes(b"half")
    texts = iter([b"whole!"])

    def read(_: BeforeReading) -> bytes:
        found = file.read_bytes()
        for text in texts:
            file.write_bytes(text)
        return found

    assert read_still([file], read) == b"whole!"


@pytest.mark.parametrize("unreadable", [False, True])
def test_what_never_rests_is_refused_even_where_it_cannot_be_read(tmp_path: Path, unreadable: bool) -> None:
    file, other = tmp_path / "arch", tmp_path / "chain"
    other.write_bytes(b"still")

    def read(_: BeforeReading) -> None:
        with file.open("ab") as opened:
            opened.write(b"more")
        if unreadable:
            raise ReadError("is cut off", code="E-READ-PIXELS", where=str(file), fix="Copy it again.")

    with pytest.raises(ReadError, match="changed while it was read") as caught:
        read_still([other, file], read)
    assert caught.value.code == "E-READ-CHANGED"
    assert caught.value.where == str(file)
    assert file.stat().st_size == 3 * 4


def test_what_is_damaged_and_rests_is_told_as_damaged_at_once(tmp_path: Path) -> None:
    file = tmp_path / "arch"
    file.write_bytes(b"half")
    tries = []

    def read(before: BeforeReading) -> None:
        tries.append(before)
        raise ReadError("is cut off", code="E-READ-PIXELS", where=str(file), fix="Copy it again.")

    with pytest.raises(ReadError, match="is cut off"):
        read_still([file], read)
    assert len(tries) == 1
