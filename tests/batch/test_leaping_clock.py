"""A clock that is set forth and back in the middle of a job does no harm: to claims, times, or frames."""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import cycle
from typing import TYPE_CHECKING, Any

import pytest

from halocline.batch import claims, manifest
from halocline.batch.claims import Claims, claim_path
from halocline.batch.manifest import read_manifest
from halocline.batch.report import report_on
from halocline.batch.run import run_frames

if TYPE_CHECKING:
    from pathlib import Path

    from tests.batch.conftest import Folder

    from halocline.presets.preset import Preset

YEAR = 365.0 * 86_400.0
LEAPS = (0.0, YEAR, -YEAR, 3600.0, -3600.0)


@pytest.fixture
def leaping(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Have the clock leap each time somebody looks at it; the leaps so far."""
    leaps, made, true_time = cycle(LEAPS), list[float](), time.time

    def leap() -> float:
        made.append(next(leaps))
        return made[-1]

    class LeapingDate(datetime):
        @classmethod
        def now(cls, tz: Any = None) -> Any:
            return datetime.now(tz) + timedelta(seconds=leap())

    monkeypatch.setattr(time, "time", lambda: true_time() + leap())
    monkeypatch.setattr(manifest, "datetime", LeapingDate)
    return made


def test_frames_times_and_records_of_a_job_are_what_they_are(
    shot: Folder, look: Preset, leaping: list[float]
) -> None:
    began = time.perf_counter()
    assert run_frames(shot.tasks(), look).complete
    took = time.perf_counter() - began
    assert {*leaping} == {*LEAPS}
    records = [record for record in read_manifest(shot.out) if record["kind"] == "frame"]
    assert [record["status"] for record in records] == ["done"] * 4
    for record in records:
        assert all(0.0 <= seconds <= took for seconds in record["seconds"].values())
    report = report_on(read_manifest(shot.out))
    assert report.done == (1001, 1002, 1003, 1004)
    assert 0.0 < report.median_seconds <= took
    # Nothing is made anew by a clock: another look at all of them keeps them.
    before = shot.digests()
    assert len(run_frames(shot.tasks(overwrite=True), look, resume=True).kept) == 4
    assert shot.digests() == before
    assert not shot.leftovers()


@pytest.mark.parametrize("leap", [YEAR, -YEAR])
def test_a_claim_that_a_leap_made_look_old_costs_work_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, leap: float
) -> None:
    out = tmp_path / "a.1001.exr"
    with Claims() as mine:
        with Claims() as far:
            # Of another machine: only its signs of life tell of it.
            far.me = replace(far.me, host="farm-17", machine="of-17", process=1)
            assert far.take(out) is None
            assert mine.take(out) == far.me
            with monkeypatch.context() as leapt:
                leapt.setattr(claims, "age_seconds", lambda _: leap)
                assert mine.take(out) is None
            # Set back: who works now is not taken for dead, whoever asks.
            assert far.take(out) == mine.me
            far.give_back(out)
            assert claim_path(out).exists()
        # The other's end takes nothing of ours along.
        assert claim_path(out).exists()
    assert not claim_path(out).exists()
