"""Manifests that earlier versions wrote are read, reported on, and trusted for no more than they prove.

`earlier/` holds them by format number, as they were written by those versions: the very first, and one after
checks were put on record.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from halocline.batch import manifest as module
from halocline.batch.manifest import MANIFEST_NAME, Manifest, read_manifest
from halocline.batch.report import report_on
from halocline.batch.resume import Action, judge
from halocline.batch.task import FrameTask
from halocline.presets.preset import Preset

EARLIER = sorted((Path(__file__).parent / "earlier").glob("*.jsonl"))
FRAMES = {"first": ((1001, 1002), 1003), "later": ((1001,), 1002)}


def test_every_format_number_has_a_manifest() -> None:
    numbers = {int(re.findall(r"format-(\d+)-", path.name)[0]) for path in EARLIER}
    assert numbers == set(range(1, module.FORMAT + 1))


@pytest.mark.parametrize("path", EARLIER, ids=lambda path: path.stem)
def test_an_earlier_manifest_is_reported_on_and_resumed_from(
    path: Path, tmp_path: Path, look: Preset
) -> None:
    done, failed = FRAMES[path.stem.split("-")[2]]
    report = report_on(read_manifest(path))
    assert (report.done, [each.frame for each in report.failed]) == (done, [failed])
    assert report.seconds["render"] > 0.0
    assert report.hosts == ("tern",)
    # A frame that it says was made, and that is another one now, is made again.
    shutil.copy(path, tmp_path / MANIFEST_NAME)
    record = Manifest(tmp_path).news()[f"arch.{done[0]}.exr"]
    out = tmp_path / f"arch.{done[0]}.exr"
    out.write_bytes(b"not what was written")
    task = FrameTask(done[0], tmp_path / "clean.exr", None, out)
    assert judge(task, record, look).action is Action.render
