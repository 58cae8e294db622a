"""kill -9 at random moments: what is on disk is whole, and resuming gives an undisturbed run's bytes.

HALOCLINE_KILLS sets how many moments are tried: some in the suite, hundreds before a release;
benchmarks/kills.py kills whole commands, with workers, clusters and caches that are being written.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import time
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import TYPE_CHECKING

from halocline.batch.manifest import read_manifest
from halocline.batch.run import run_frames

if TYPE_CHECKING:
    from tests.batch.conftest import Folder

    from halocline.presets.preset import Preset

KILLS = int(os.environ.get("HALOCLINE_KILLS", "6"))


# Run in a process of its own, forked from one that has everything imported: a start takes no second.
JOB = """
from halocline.batch.plan_tasks import plan_tasks
from halocline.batch.run import run_frames
from halocline.presets.preset import load_preset
look = load_preset("jerlov-1c", ["light.shadows=false"])
run_frames(plan_tasks(pattern, out=out, overwrite=True), look, resume=True)
"""


def test_killed_at_any_moment_nothing_on_disk_is_ever_half(empty_shot: Folder, look: Preset) -> None:
    shot = empty_shot.write(range(1001, 1009), size=(160, 90))
    run_frames(shot.tasks("whole"), look)
    expected = shot.digests("whole")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["halocline.batch.run", "halocline.presets.preset"])

    def started(out: Path) -> BaseProcess:
        process = context.Process(target=exec, args=(JOB, {"pattern": shot.pattern, "out": f"{out}/"}))
        process.start()
        return process

    # How long an undisturbed job takes here decides where the moments lie; the first also starts the server.
    for out in ("timed", "timed again"):
        began = time.monotonic()
        undisturbed = started(shot.root / out)
        undisturbed.join()
        lasted = time.monotonic() - began
        assert undisturbed.exitcode == 0
    moments = random.Random(6)
    killed_in_work = 0
    for number in range(KILLS):
        process = started(shot.out)
        process.join(moments.uniform(0.0, lasted))
        process.kill()
        process.join()
        killed_in_work += process.exitcode == -9
        found = shot.digests() if shot.out.exists() else {}
        assert found.items() <= expected.items(), f"after kill {number}"
        if len(found) == len(expected):
            for path in shot.out.glob("*.exr"):
                path.unlink()
    assert killed_in_work > KILLS / 3
    summary = run_frames(shot.tasks(overwrite=True), look, resume=True)
    assert summary.complete
    assert shot.digests() == expected
    # A claim that was killed before it said whose it is lies there, harmless, for ten minutes.
    drafts = [shot.out / name for name in shot.leftovers()]
    assert all(".claim." in draft.name and draft.stat().st_size == 0 for draft in drafts), drafts
    for draft in drafts:
        os.utime(draft, (1.0, 1.0))
    assert run_frames(shot.tasks(overwrite=True), look, resume=True).complete
    assert not shot.leftovers()
    assert all(record["kind"] in {"job", "frame"} for record in read_manifest(shot.out))
