"""Claims: one job a frame; the dead give theirs up, the living do not."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from contextlib import suppress
from dataclasses import asdict, replace
from pathlib import Path

import pytest

from halocline.batch import claims as module
from halocline.batch.claims import Claims, Holder, claim_path
from halocline.errors import WriteError
from halocline.files.whole import GIVEN_UP_SECONDS


def put(path: Path, holder: Holder) -> None:
    claim_path(path).write_text(json.dumps(asdict(holder)))


def winners(out: Path, count: int) -> list[int]:
    """Let that many jobs reach for one frame at the same moment; return those that got it."""
    got: list[int] = []
    start = threading.Barrier(count)

    def take(number: int) -> None:
        with Claims() as mine:
            start.wait()
            if mine.take(out) is None:
                got.append(number)
            start.wait()

    threads = [threading.Thread(target=take, args=(number,)) for number in range(count)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return got


def test_only_one_of_many_gets_a_frame(tmp_path: Path) -> None:
    assert len(winners(tmp_path / "a.1001.exr", 8)) == 1
    assert list(tmp_path.iterdir()) == []


def test_a_claim_is_given_back_and_can_be_taken_again(tmp_path: Path) -> None:
    out = tmp_path / "a.1001.exr"
    with Claims() as one, Claims() as other:
        assert one.take(out) is None
        assert other.take(out) == one.me
        one.give_back(out)
        assert other.take(out) is None


def test_the_claim_of_a_process_that_was_killed_is_taken_over_at_once(tmp_path: Path) -> None:
    out = tmp_path / "a.1001.exr"
    code = (
        "import sys, pathlib, time; from halocline.batch.claims import Claims\n"
        "with Claims() as c:\n"
        "    assert c.take(pathlib.Path(sys.argv[1])) is None\n"
        "    print('held', flush=True); time.sleep(60)"
    )
    process = subprocess.Popen([sys.executable, "-c", code, str(out)], stdout=subprocess.PIPE)
    assert process.stdout is not None
    with process.stdout:
        assert process.stdout.readline() == b"held\n"
    with Claims() as mine:
        holder = mine.take(out)
        assert holder is not None
        assert holder.process == process.pid
        process.kill()
        process.wait()
        assert mine.take(out) is None


def test_only_one_takes_over_from_the_dead(tmp_path: Path) -> None:
    out = tmp_path / "a.1001.exr"
    for _ in range(20):
        with Claims() as any_job:
            put(out, replace(any_job.me, token="dead", born="long ago"))
        assert len(winners(out, 6)) == 1


def test_a_reused_process_number_is_not_taken_for_the_old_job(tmp_path: Path) -> None:
    out = tmp_path / "a.1001.exr"
    with Claims() as mine:
        put(out, replace(mine.me, token="other", born="1"))
        assert mine.take(out) is None


def grow_old(path: Path) -> None:
    silent = time.time() - GIVEN_UP_SECONDS - 5
    os.utime(claim_path(path), (silent, silent))


def test_a_copy_of_this_machine_keeps_its_claim_until_it_is_silent(tmp_path: Path) -> None:
    # Host name, identity, name space: all copied with the image; only the kernel's start is its own.
    out = tmp_path / "a.1001.exr"
    with Claims() as mine:
        copy = replace(mine.me, token="other", boot="another", process=4_000_000, born="1")
        put(out, copy)
        assert mine.take(out) == copy
        mine.clear_dead(tmp_path)
        assert claim_path(out).exists()
        grow_old(out)
        assert mine.take(out) is None


def test_another_machine_keeps_its_claim_while_it_shows_signs_of_life(tmp_path: Path) -> None:
    out = tmp_path / "a.1001.exr"
    with Claims() as mine:
        far = replace(mine.me, host="farm-17", token="far", process=1)
        put(out, far)
        assert mine.take(out) == far
        assert str(far) == "process 1 on farm-17"
        grow_old(out)
        assert mine.take(out) is None


@pytest.mark.parametrize(("ahead", "void"), [(GIVEN_UP_SECONDS / 2, False), (86_400.0, True)])
def test_a_claim_from_before_the_clock_was_set_back_is_not_held_for_as_long(
    tmp_path: Path, ahead: float, void: bool
) -> None:
    out = tmp_path / "a.1001.exr"
    with Claims() as mine:
        far = replace(mine.me, host="farm-17", token="far", process=1)
        put(out, far)
        later = time.time() + ahead
        os.utime(claim_path(out), (later, later))
        assert mine.take(out) == (None if void else far)


def test_signs_of_life_keep_a_claim_young(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "SIGN_OF_LIFE_SECONDS", 0.02)
    out = tmp_path / "a.1001.exr"
    with Claims() as mine:
        mine.take(out)
        os.utime(claim_path(out), (1.0, 1.0))
        deadline = time.monotonic() + 5
        while claim_path(out).stat().st_mtime < 2.0:
            assert time.monotonic() < deadline
            time.sleep(0.01)


def test_a_job_taken_for_dead_does_not_remove_its_successors_claim(tmp_path: Path) -> None:
    out = tmp_path / "a.1001.exr"
    with Claims() as old:
        old.take(out)
        put(out, replace(old.me, token="successor"))
        old.give_back(out)
        assert claim_path(out).exists()


@pytest.mark.parametrize("junk", ["", "{", "[]", '{"host": 1}', "[" * 9000, '{"host": 1e999}', "x" * 70000])
def test_a_claim_that_cannot_be_read_is_somebodys_until_it_is_old(tmp_path: Path, junk: str) -> None:
    # On a file system without second names a claim is there before it is whole.
    out = tmp_path / "a.1001.exr"
    claim_path(out).write_text(junk)
    with Claims() as mine:
        assert mine.take(out) == module.UNKNOWN
        assert "cannot be read" in str(module.UNKNOWN)
        grow_old(out)
        assert mine.take(out) is None


def test_a_claim_with_values_of_other_kinds_is_nobodys_we_know(tmp_path: Path) -> None:
    out = tmp_path / "a.1001.exr"
    with Claims() as mine:
        claim_path(out).write_text(json.dumps({**asdict(mine.me), "process": [1], "token": "x"}))
        assert mine.take(out) == module.UNKNOWN


def test_a_link_or_a_pipe_under_the_claims_name_is_refused_at_once(tmp_path: Path) -> None:
    out = tmp_path / "a.1001.exr"
    outside = tmp_path / "outside"
    for make in (
        lambda path: path.symlink_to(outside),
        os.mkfifo,
        Path.mkdir,
    ):
        make(claim_path(out))
        with Claims() as mine:
            with pytest.raises(WriteError, match=r"no claim can be put .* it is no regular file but"):
                mine.take(out)
            with suppress(OSError):
                mine.clear_dead(tmp_path)
        assert not outside.exists()
        path = claim_path(out)
        path.rmdir() if path.is_dir() else path.unlink()


def test_a_file_system_that_makes_the_link_and_denies_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    honest = Path.hardlink_to

    def lying(path: Path, target: Path) -> None:
        honest(path, target)
        raise FileExistsError(17, "File exists")

    monkeypatch.setattr(Path, "hardlink_to", lying)
    out = tmp_path / "a.1001.exr"
    with Claims() as mine:
        assert mine.take(out) is None
        mine.give_back(out)
        assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_gone_is_told(tmp_path: Path) -> None:
    with Claims() as mine, pytest.raises(WriteError, match="no claim can be put beside it"):
        mine.take(tmp_path / "gone" / "a.1001.exr")


def test_a_clock_that_a_killed_job_left_is_removed(tmp_path: Path) -> None:
    # Put there to ask the folder's own time; a job may be killed before it takes it away.
    clock = tmp_path / ".halocline-clock.0123456789ab"
    clock.touch()
    with Claims() as claims:
        claims.clear_dead(tmp_path)
    assert not clock.exists()


def test_taking_a_frame_twice_is_having_it(tmp_path: Path) -> None:
    out = tmp_path / "a.1001.exr"
    with Claims() as mine, Claims() as other:
        assert mine.take(out) is None
        assert mine.take(out) is None
        assert other.take(out) == mine.me
        mine.give_back(out)
        assert not claim_path(out).exists()


def test_only_the_claim_that_was_seen_dead_is_removed(tmp_path: Path) -> None:
    """Between seeing a dead job's claim and removing it, another job may have taken the frame."""
    out = tmp_path / "a.1001.exr"
    with Claims() as mine, Claims() as other:
        gone = replace(mine.me, process=2**22 + 5, token="gone")
        assert other.take(out) is None
        mine._remove_dead(claim_path(out), gone)
        assert claim_path(out).exists()


def test_a_claim_that_a_job_of_this_very_process_left_is_taken_over(tmp_path: Path) -> None:
    out = tmp_path / "a.1001.exr"
    with Claims() as over:
        left = over.me
    put(out, left)
    with Claims() as mine:
        assert mine.take(out) is None
