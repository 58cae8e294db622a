"""Claims: one job a frame; the dead give theirs up, the living do not."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from dataclasses import asdict, replace
from pathlib import Path

import pytest

from halocline.batch import claims as module
from halocline.batch.claims import Claims, Holder, claim_path
from halocline.errors import WriteError


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


def test_a_machine_that_started_anew_holds_nothing(tmp_path: Path) -> None:
    out = tmp_path / "a.1001.exr"
    with Claims() as mine:
        put(out, replace(mine.me, token="other", boot="before"))
        assert mine.take(out) is None


def test_another_machine_keeps_its_claim_while_it_shows_signs_of_life(tmp_path: Path) -> None:
    out = tmp_path / "a.1001.exr"
    with Claims() as mine:
        far = replace(mine.me, host="farm-17", token="far", process=1)
        put(out, far)
        assert mine.take(out) == far
        assert str(far) == "process 1 on farm-17"
        silent = time.time() - module.GIVEN_UP_SECONDS - 5
        os.utime(claim_path(out), (silent, silent))
        assert mine.take(out) is None


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


def test_a_damaged_claim_is_no_claim(tmp_path: Path) -> None:
    out = tmp_path / "a.1001.exr"
    for junk in ("", "{", "[]", '{"host": 1}'):
        claim_path(out).write_text(junk)
        with Claims() as mine:
            assert mine.take(out) is None


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
