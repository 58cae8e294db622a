"""The folder of what is kept on disk: whole entries or none, and never a job that stops for it."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from halocline.compute import disk_cache
from halocline.compute.disk_cache import (
    Held,
    clear,
    contents,
    folder,
    kept,
    kept_in_passing,
    most_bytes,
    place,
)

MIB = 1 << 20
# What the folder holds beside entries.
NOTES = ("CACHEDIR.TAG", ".looked-through")


@pytest.fixture
def root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("HALOCLINE_CACHE", str(tmp_path / "kept"))
    monkeypatch.delenv("HALOCLINE_CACHE_MIB", raising=False)
    return tmp_path / "kept"


class Maker:
    """Makes a value and counts how often."""

    def __init__(self, value: bytes = b"a fit") -> None:
        self.value = value
        self.times = 0

    def __call__(self) -> bytes:
        self.times += 1
        return self.value


def files_of(root: Path) -> list[Path]:
    return sorted(path for path in root.rglob("*") if path.is_file() and path.name not in NOTES)


def test_a_value_is_made_once_and_found_again(root: Path) -> None:
    make = Maker()
    assert [kept("fits", "1C", make) for _ in range(3)] == [b"a fit"] * 3
    assert make.times == 1
    assert contents() == [Held("fits", 1, files_of(root)[0].stat().st_size)]


def test_keys_and_kinds_do_not_meet(root: Path) -> None:
    values: dict[tuple[str, str | bytes], bytes]
    values = {("fits", "a"): b"1", ("fits", "b"): b"2", ("tables", "a"): b"3", ("tables", b"\xff"): b""}
    for (kind, key), value in values.items():
        assert kept(kind, key, Maker(value)) == value
    for (kind, key), value in values.items():
        assert kept(kind, key, Maker(b"never")) == value
    assert [(held.kind, held.entries) for held in contents()] == [("fits", 2), ("tables", 2)]


@pytest.mark.parametrize(
    "damage",
    [
        lambda path: path.write_bytes(path.read_bytes()[:-1]),
        lambda path: path.write_bytes(path.read_bytes() + b"x"),
        lambda path: path.write_bytes(path.read_bytes().replace(b"a fit", b"a fat")),
        lambda path: path.write_bytes(b""),
        lambda path: path.unlink(),
        lambda path: (path.unlink(), path.mkdir()),
    ],
    ids=["cut", "longer", "changed", "empty", "gone", "a folder"],
)
def test_a_damaged_entry_is_made_anew(root: Path, damage: Callable[[Path], object]) -> None:
    kept("fits", "1C", Maker())
    damage(files_of(root)[0])
    again = Maker()
    assert kept("fits", "1C", again) == b"a fit"
    assert again.times == 1


def test_a_repaired_entry_is_whole_again(root: Path) -> None:
    kept("fits", "1C", Maker())
    files_of(root)[0].write_bytes(b"halocline kept 1\n")
    kept("fits", "1C", Maker())
    assert kept("fits", "1C", Maker(b"never")) == b"a fit"


def test_what_make_raises_is_passed_on_and_nothing_is_kept(root: Path) -> None:
    def fails() -> bytes:
        raise ValueError("no such water")

    with pytest.raises(ValueError, match="no such water"):
        kept("fits", "1C", fails)
    assert contents() == []


def test_a_folder_that_cannot_be_written_stops_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A file where the folder should be: refused whoever asks, root included.
    (tmp_path / "taken").write_text("not a folder")
    monkeypatch.setenv("HALOCLINE_CACHE", str(tmp_path / "taken"))
    make = Maker()
    assert kept("fits", "1C", make) == kept("fits", "1C", make) == b"a fit"
    assert make.times == 2
    assert folder("loops", "a") is None
    assert contents() == []
    assert clear() == Held("", 0, 0)


def test_a_full_disk_stops_nothing_and_leaves_nothing(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(self: Path, target: Path) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    assert kept("fits", "1C", Maker()) == b"a fit"
    assert files_of(root) == []


def test_nothing_is_kept_where_the_user_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HALOCLINE_CACHE", "off")
    monkeypatch.chdir(tmp_path)
    make = Maker()
    kept("fits", "1C", make)
    kept("fits", "1C", make)
    assert make.times == 2
    assert place() is None
    assert folder("loops", "a") is None
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("system", "variables", "where"),
    [
        # XDG base directory specification 0.8, "$XDG_CACHE_HOME": from memory.
        ("linux", {}, "home/.cache/halocline"),
        ("linux", {"XDG_CACHE_HOME": "{}/elsewhere"}, "elsewhere/halocline"),
        ("linux", {"XDG_CACHE_HOME": "relative"}, "home/.cache/halocline"),
        # Apple's File System Programming Guide; Microsoft's known folders: from memory.
        ("darwin", {"XDG_CACHE_HOME": "{}/elsewhere"}, "home/Library/Caches/halocline"),
        ("win32", {"LOCALAPPDATA": "{}/local"}, "local/halocline"),
        ("win32", {}, "home/AppData/Local/halocline"),
    ],
)
def test_the_place_is_the_platforms_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, system: str, variables: dict[str, str], where: str
) -> None:
    for name in ("HALOCLINE_CACHE", "XDG_CACHE_HOME", "LOCALAPPDATA"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr("sys.platform", system)
    monkeypatch.setattr(Path, "home", lambda: tmp_path / "home")
    for name, value in variables.items():
        monkeypatch.setenv(name, value.format(tmp_path))
    assert place() == tmp_path / where


def looked_through_long_ago(root: Path) -> None:
    os.utime(root / ".looked-through", (time.time() - 7200,) * 2)


def test_the_default_folder_is_its_users_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("HALOCLINE_CACHE", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    kept("fits", "1C", Maker())
    assert (tmp_path / "halocline").stat().st_mode & 0o777 == 0o700
    assert (tmp_path / "halocline" / "CACHEDIR.TAG").read_bytes().startswith(b"Signature: 8a477f597d28d172")


def test_what_was_not_asked_for_longest_goes_first(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HALOCLINE_CACHE_MIB", "1")
    third = bytes(MIB // 3 - 200)
    now = time.time()
    for age, key in ((5000, "old"), (9000, "oldest"), (7000, "older")):
        before = set(files_of(root))
        kept("fits", key, Maker(third))
        (new,) = set(files_of(root)) - before
        os.utime(new, (now - age, now - age))
    kept("fits", "oldest", Maker(b"never"))  # asked for: now it is the newest
    kept("tables", "new", Maker(third))
    for key, times in (("oldest", 0), ("old", 0)):
        make = Maker(third)
        kept("fits", key, make)
        assert make.times == times, key
    gone = Maker(third)
    kept("fits", "older", gone)
    assert gone.times == 1
    assert sum(held.size for held in contents()) <= MIB


def test_a_value_larger_than_all_that_may_be_kept_pushes_nothing_out(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HALOCLINE_CACHE_MIB", "1")
    kept("fits", "small", Maker())
    kept("fits", "huge", Maker(bytes(MIB + 1)))
    assert kept("fits", "small", Maker(b"never")) == b"a fit"


def test_a_size_that_is_no_number_is_left_aside(monkeypatch: pytest.MonkeyPatch) -> None:
    for text, mib in (("", 2048), ("7", 7), ("0", 0), ("much", 2048), ("-1", 2048), ("\u00b2", 2048)):
        monkeypatch.setenv("HALOCLINE_CACHE_MIB", text)
        assert most_bytes() == mib << 20, text


def test_leftovers_of_ended_processes_go_and_fresh_ones_stay(root: Path) -> None:
    kept("fits", "1C", Maker())
    old = root / "fits" / f".{'a' * 32}.unfinished"
    fresh = root / "fits" / f".{'b' * 32}.unfinished"
    for path in (old, fresh):
        path.write_bytes(b"half")
    os.utime(old, (time.time() - 7200,) * 2)
    kept("fits", "2", Maker())
    assert old.exists(), "all was looked through a moment ago"
    looked_through_long_ago(root)
    kept("fits", "3", Maker())
    assert not old.exists()
    assert fresh.exists()
    assert contents()[0].entries == 3


def test_clear_takes_away_only_what_is_its_own(root: Path, tmp_path: Path) -> None:
    kept("fits", "1C", Maker())
    mine = folder("loops", "sources")
    assert mine is not None
    (mine / "compiled.nbc").write_bytes(b"code")
    others = [root / "thesis.txt", root / "fits" / "thesis.kept", root / "Photos" / ("a" * 64 + ".kept")]
    outside = tmp_path / "outside"
    for path in (*others, outside / ("a" * 64 + ".kept")):
        path.parent.mkdir(exist_ok=True)
        path.write_text("dear")
    (root / "linked").symlink_to(outside, target_is_directory=True)
    (root / "fits" / ("c" * 64)).symlink_to(outside, target_is_directory=True)
    gone = clear()
    assert gone.entries == 2
    assert contents() == []
    assert not mine.exists()
    assert all(path.exists() for path in others)
    assert (outside / ("a" * 64 + ".kept")).read_text() == "dear"


def test_no_link_is_followed(root: Path, tmp_path: Path) -> None:
    kept("fits", "1C", Maker(b"true"))
    (whole,) = files_of(root)
    forged = tmp_path / "forged"
    whole.rename(forged)
    whole.symlink_to(forged)
    make = Maker(b"true")
    assert kept("fits", "1C", make) == b"true"
    assert make.times == 1
    assert not whole.is_symlink(), "renamed over the link"
    # A folder of a kind that is a link is neither read nor written.
    outside = tmp_path / "outside"
    outside.mkdir()
    (root / "tables").symlink_to(outside, target_is_directory=True)
    kept("tables", "a", Maker())
    again = Maker()
    kept("tables", "a", again)
    assert again.times == 1
    assert list(outside.iterdir()) == []
    assert folder("tables", "a") is None


def test_a_folder_is_the_same_for_a_key_and_goes_with_the_old(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HALOCLINE_CACHE_MIB", "1")
    path = folder("loops", "v1")
    assert path == folder("loops", "v1")
    assert path is not None
    assert path != folder("loops", "v2")
    (path / "code").write_bytes(bytes(MIB))
    old = time.time() - 9000
    for each in (path / "code", path):
        os.utime(each, (old, old))
    kept("fits", "1C", Maker(bytes(1000)))
    assert not path.exists()
    assert kept("fits", "1C", Maker(b"never")) == bytes(1000)


def test_a_folder_that_others_can_write_to_is_not_given_for_code(root: Path) -> None:
    path = folder("loops", "v1")
    assert path is not None
    for step in (root, path.parent, path):
        step.chmod(0o777)
        assert folder("loops", "v1") is None, step
        step.chmod(0o755)
    assert folder("loops", "v1") == path


def test_a_kind_is_no_path(root: Path) -> None:
    for kind in ("", "..", "a/b", "A", "-a", "a\n"):
        with pytest.raises(ValueError, match="no name of a kind"):
            kept(kind, "key", Maker())


def test_many_threads_and_a_deleting_one_never_see_half_an_entry(root: Path) -> None:
    values = {key: bytes([key]) * 20_000 for key in range(8)}
    stop = threading.Event()

    def ask(turn: int) -> bool:
        key = turn % 8
        return kept("fits", str(key), lambda: values[key]) == values[key]

    def delete() -> None:
        while not stop.is_set():
            clear()

    with ThreadPoolExecutor(5) as pool:
        deleting = pool.submit(delete)
        try:
            assert all(pool.map(ask, range(400)))
        finally:
            stop.set()
        deleting.result()


@pytest.fixture
def nothing_in_passing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(disk_cache._Written, "in_passing", 0)


@pytest.mark.usefixtures("nothing_in_passing")
def test_what_is_kept_in_passing_is_found_again_and_is_the_finders_own(root: Path) -> None:
    make = Maker(b"field" * 3)
    assert kept_in_passing("light-fields", "a", make) == make.value
    found = kept_in_passing("light-fields", "a", make)
    assert make.times == 1
    assert isinstance(found, memoryview)
    assert (found == make.value, found.readonly) == (True, False)
    # Numbers of any kind may begin where it does.
    assert np.frombuffer(found, np.uint8).ctypes.data % 16 == 0
    assert contents()[0].entries == 1
    assert files_of(root)


@pytest.mark.usefixtures("nothing_in_passing")
def test_what_is_kept_in_passing_pushes_out_its_own_alone(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HALOCLINE_CACHE_MIB", "1")
    kept("fits", "1C", Maker())
    for number in range(8):
        kept_in_passing("light-fields", f"{number}", Maker(bytes(MIB // 12)))
        (folder_,) = root.glob("light-fields")
        for at, path in enumerate(sorted(folder_.iterdir(), key=lambda path: path.stat().st_mtime)):
            os.utime(path, (time.time() - 100 + at, time.time() - 100 + at))
    held = {each.kind: each for each in contents()}
    assert held["fits"].entries == 1
    assert held["light-fields"].entries == 2
    last, first = Maker(), Maker()
    kept_in_passing("light-fields", "7", last)
    kept_in_passing("light-fields", "0", first)
    assert (last.times, first.times) == (0, 1)


@pytest.mark.usefixtures("nothing_in_passing")
def test_a_process_writes_so_much_in_passing_and_no_more(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(disk_cache, "PASSING_BYTES", 250)
    for number in range(5):
        assert kept_in_passing("light-fields", f"{number}", Maker(bytes(100))) == bytes(100)
    assert len(files_of(root)) == 2
    # What others have written is found all the same.
    monkeypatch.setattr(disk_cache, "PASSING_BYTES", 0)
    assert kept_in_passing("light-fields", "0", Maker(b"never")) == bytes(100)


@pytest.mark.usefixtures("nothing_in_passing")
def test_nothing_is_kept_in_passing_where_nothing_is_to_be_kept(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HALOCLINE_CACHE", "off")
    make = Maker()
    assert [kept_in_passing("light-fields", "a", make) for _ in range(2)] == [make.value] * 2
    assert make.times == 2
    assert not root.exists()


@pytest.mark.usefixtures("nothing_in_passing")
@pytest.mark.parametrize("place_", [0, 15, 30, -1])
def test_what_is_damaged_in_passing_is_made_anew(root: Path, place_: int) -> None:
    make = Maker(bytes(range(200)))
    kept_in_passing("light-fields", "a", make)
    (path,) = files_of(root)
    whole = bytearray(path.read_bytes())
    whole[place_] ^= 1
    path.write_bytes(whole)
    assert kept_in_passing("light-fields", "a", make) == make.value
    assert make.times == 2
    path.write_bytes(path.read_bytes()[:-3])
    kept_in_passing("light-fields", "a", make)
    assert make.times == 3
    # What is kept for good is no such entry, whatever its name.
    kept("fits", "a", make)
    (fit,) = root.glob("fits/*")
    path.write_bytes(fit.read_bytes())
    kept_in_passing("light-fields", "a", make)
    assert make.times == 5
