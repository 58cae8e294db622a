"""What is read stays as it was while it is read, or is read again, or is refused."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from halocline.errors import ReadError
from halocline.files import unchanged
from halocline.files.unchanged import BeforeReading, digest_of, read_still, stamp_of


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


# SHA-256 of "abc": NIST FIPS 180-4, its example with one block (from memory).
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def _linked(file: Path) -> None:
    file.with_name("backup").hardlink_to(file)


def _protected(file: Path) -> None:
    file.chmod(0o440)


def _other_with_its_date(file: Path) -> None:
    found = file.stat()
    with file.open("r+b") as opened:
        opened.write(b"abd")
    os.utime(file, ns=(found.st_atime_ns, found.st_mtime_ns))


def _abc(folder: Path) -> Path:
    file = folder / "arch"
    file.write_bytes(b"abc")
    os.utime(file, ns=(10**18, 10**18))
    return file


def test_a_digest_is_the_standards(tmp_path: Path) -> None:
    assert digest_of(_abc(tmp_path)) == (3, ABC)


@pytest.mark.parametrize("change", [_linked, _protected])
def test_where_the_content_is_known_no_other_change_counts(
    tmp_path: Path, change: Callable[[Path], None]
) -> None:
    file = _abc(tmp_path)
    before, unknown = BeforeReading.of([file]), BeforeReading.of([file])
    before.know({file: ABC, tmp_path / "not asked for": ABC})
    change(file)
    assert unknown.changed() == [file]
    assert before.changed() == []
    # What comes after it counts all the same.
    _other_with_its_date(file)
    assert before.changed() == [file]
    with pytest.raises(ReadError, match="E-READ-CHANGED"):
        before.refuse_changed()


def test_other_content_counts_whatever_is_known(tmp_path: Path) -> None:
    file, other = _abc(tmp_path), tmp_path / "chain"
    other.write_bytes(b"abc")
    before = BeforeReading.of([file, other])
    before.know({file: ABC, other: ABC})
    _other_with_its_date(file)
    assert before.changed() == [file]
    assert before.changed([other]) == []
    file.unlink()
    assert before.changed([file]) == [file]


def test_a_date_that_moved_counts_though_the_content_is_the_same(tmp_path: Path) -> None:
    """Somebody writes it anew: what was read meanwhile may have been half of it."""
    file = _abc(tmp_path)
    before = BeforeReading.of([file])
    before.know({file: ABC})
    file.write_bytes(b"abc")
    assert before.changed() == [file]


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
