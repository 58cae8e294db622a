"""Files are written whole, once, and never over another; folders that answer oddly lose nothing."""

from __future__ import annotations

import errno
import logging
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from halocline.errors import WriteError
from halocline.files import process, whole
from halocline.files.names import hidden_beside
from halocline.files.process import this_process
from halocline.files.whole import name_once, remove_leftovers, temporary_beside, whole_file, write_whole


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_file_is_there_whole_and_nothing_else_is(tmp_path: Path) -> None:
    write_whole(tmp_path / "a" / "b.txt", b"whole", make_folder=True)
    assert (tmp_path / "a" / "b.txt").read_bytes() == b"whole"
    assert names(tmp_path / "a") == ["b.txt"]


@pytest.mark.parametrize(("durable", "forced"), [(True, 2), (False, 0)])
def test_file_and_folder_are_forced_to_the_disk_unless_they_can_be_made_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, durable: bool, forced: int
) -> None:
    seen: list[int] = []
    monkeypatch.setattr(os, "fsync", seen.append)
    write_whole(tmp_path / "b.txt", b"whole", durable=durable)
    assert (tmp_path / "b.txt").read_bytes() == b"whole"
    assert len(seen) == forced


def test_a_file_that_is_there_is_kept_unless_asked(tmp_path: Path) -> None:
    path = tmp_path / "b.txt"
    path.write_bytes(b"old")
    path.chmod(0o640)
    with pytest.raises(WriteError, match="already there") as caught:
        write_whole(path, b"new")
    assert caught.value.code == "E-WRITE-EXISTS"
    assert "--overwrite" in str(caught.value)
    write_whole(path, b"new", overwrite=True)
    assert path.read_bytes() == b"new"
    assert path.stat().st_mode & 0o777 == 0o640


def test_a_link_to_nowhere_is_a_name_that_is_taken(tmp_path: Path) -> None:
    (tmp_path / "b.txt").symlink_to(tmp_path / "elsewhere.txt")
    with pytest.raises(WriteError, match="already there"):
        write_whole(tmp_path / "b.txt", b"new")
    write_whole(tmp_path / "b.txt", b"new", overwrite=True)
    assert names(tmp_path) == ["b.txt"], "the link is replaced, not followed"


def test_who_takes_the_name_in_the_meantime_keeps_it(tmp_path: Path) -> None:
    path = tmp_path / "b.txt"

    def write() -> None:
        with whole_file(path) as temporary:
            temporary.write_bytes(b"mine")
            path.write_bytes(b"theirs")

    with pytest.raises(WriteError, match="already there"):
        write()
    assert path.read_bytes() == b"theirs"
    assert names(tmp_path) == ["b.txt"]


def test_a_failed_block_leaves_nothing(tmp_path: Path) -> None:
    def write() -> None:
        with whole_file(tmp_path / "b.txt") as temporary:
            temporary.write_bytes(b"half")
            raise KeyError

    with pytest.raises(KeyError):
        write()
    assert names(tmp_path) == []


@pytest.mark.parametrize("answer", [errno.EINVAL, errno.EIO, errno.EACCES])
def test_a_folder_that_cannot_be_forced_to_the_disk_is_told_of_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, answer: int
) -> None:
    honest = os.open

    def refusing(path: Any, flags: int, *rest: Any, **more: Any) -> int:
        if flags & os.O_DIRECTORY:
            raise OSError(answer, os.strerror(answer))
        return honest(path, flags, *rest, **more)

    monkeypatch.setattr(os, "open", refusing)
    with caplog.at_level(logging.WARNING):
        write_whole(tmp_path / "a.txt", b"1")
        write_whole(tmp_path / "b.txt", b"2")
    assert names(tmp_path) == ["a.txt", "b.txt"]
    assert len(caplog.records) == 1
    assert "cannot be forced to the disk" in caplog.text


def test_a_file_that_cannot_be_forced_to_the_disk_is_lost_data(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(_handle: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(os, "fsync", failing)
    with pytest.raises(WriteError, match="Input/output error"):
        write_whole(tmp_path / "a.txt", b"1")
    assert names(tmp_path) == []


def _without_links(honest: Callable[..., None], path: Path, target: Path) -> None:
    raise OSError(errno.EPERM, "Operation not permitted")


def _lying(honest: Callable[..., None], path: Path, target: Path) -> None:
    honest(path, target)
    raise FileExistsError(errno.EEXIST, "File exists")


@pytest.mark.parametrize("answer", [_without_links, _lying])
def test_file_systems_that_answer_links_oddly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, answer: Callable[..., None]
) -> None:
    honest = Path.hardlink_to
    monkeypatch.setattr(Path, "hardlink_to", lambda path, target: answer(honest, path, target))
    write_whole(tmp_path / "a.txt", b"1")
    assert names(tmp_path) == ["a.txt"]
    (tmp_path / "draft").write_bytes(b"2")
    monkeypatch.setattr(Path, "hardlink_to", lambda path, target: _without_links(honest, path, target))
    with pytest.raises(FileExistsError):
        name_once(tmp_path / "draft", tmp_path / "a.txt")
    assert (tmp_path / "a.txt").read_bytes() == b"1"


# 255 bytes is the limit of Linux's own file systems, 143 that of eCryptfs (from memory).
@pytest.mark.parametrize("name", ["a" * 120 + ".1001.exr", "a" * 247 + ".exr", "水" * 80 + ".exr"])
def test_hidden_names_fit_wherever_the_name_fits(name: str) -> None:
    path = Path("wet") / name
    for hidden in (hidden_beside(path, "claim", "0123456789ab"), temporary_beside(path)):
        assert len(os.fsencode(hidden.name)) <= 143
        assert hidden.name.startswith(".")
        assert hidden.parent == path.parent


def test_names_that_begin_alike_have_hidden_names_of_their_own() -> None:
    first, second = (Path("a" * 200 + f".{frame}.exr") for frame in (1001, 1002))
    assert hidden_beside(first, "claim") != hidden_beside(second, "claim")


def test_what_a_dead_process_left_of_a_frame_goes_and_of_its_neighbour_stays(tmp_path: Path) -> None:
    code = (
        "import sys, pathlib; from halocline.files.whole import temporary_beside\n"
        "for name in sys.argv[2:]: temporary_beside(pathlib.Path(sys.argv[1]) / name).touch()"
    )
    one, two = "a" * 200 + ".1001.exr", "a" * 200 + ".1002.exr"
    subprocess.run([sys.executable, "-c", code, str(tmp_path), one, two], check=True)
    assert len(names(tmp_path)) == 2
    remove_leftovers(tmp_path / one)
    (left,) = names(tmp_path)
    remove_leftovers(tmp_path / two)
    assert left.endswith(".unfinished")
    assert names(tmp_path) == []


def test_what_a_living_process_writes_stays(tmp_path: Path) -> None:
    temporary = temporary_beside(tmp_path / "a.1001.exr")
    temporary.touch()
    os.utime(temporary, (1.0, 1.0))
    remove_leftovers(tmp_path / "a.1001.exr")
    assert temporary.exists()


def test_what_a_copy_of_this_machine_writes_stays_until_it_is_given_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    me = this_process()
    # The copy has our host name, identity and name space, and a process of a number that is free here.
    copy = replace(me, boot="another start", process=4_000_000, born="1")
    monkeypatch.setattr(whole, "this_process", lambda: copy)
    temporary = temporary_beside(tmp_path / "a.1001.exr")
    temporary.touch()
    monkeypatch.undo()
    remove_leftovers(tmp_path / "a.1001.exr")
    assert temporary.exists()
    os.utime(temporary, (1.0, 1.0))
    remove_leftovers(tmp_path / "a.1001.exr")
    assert not temporary.exists()


def test_a_process_of_another_start_cannot_be_asked() -> None:
    me = this_process()
    assert me.is_gone() is False
    assert replace(me, born="1").is_gone() is True
    assert replace(me, boot="another start", born="1").is_gone() is None
    assert replace(me, boot="", born="1").is_gone() is None
    assert process.born(4_000_000_000_000) == ""
