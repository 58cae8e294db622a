"""Damaged files by the thousand: every one fails cleanly or is read whole; nothing crashes, hangs or passes.

The cases are run through the reader that jobs use. HALOCLINE_FUZZ multiplies their number.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from halocline.batch.frame_task import FrameInputs, read_inputs, render
from halocline.batch.run import run_frames
from halocline.batch.task import FrameTask
from halocline.errors import HaloclineError
from halocline.files import unchanged
from halocline.imaging.survey import cameras_in
from halocline.presets.preset import load_preset

if TYPE_CHECKING:
    from tests.batch.conftest import Folder, FrameWriter

    from halocline.presets.preset import Preset

TIMES = int(os.environ.get("HALOCLINE_FUZZ", "1"))
FLIPS = 800 * TIMES
SLOWEST_SECONDS = 5.0


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("damaged")


@pytest.fixture
def clean_bytes(whole: Path, frame_writer: FrameWriter) -> bytes:
    path = whole / "clean.1001.exr"
    if not path.exists():
        frame_writer(path, 1001)
    return path.read_bytes()


def outcome(path: Path, look: Preset) -> str:
    """Read a file as a job would; a HaloclineError is the only way it may fail."""
    began = time.process_time()
    try:
        inputs = read_inputs(FrameTask(1001, path, None, path.with_name("out.exr")), look)
        view = inputs.loaded.views[0]
        assert view.frame.planes["rgb"].dtype == np.float32
        result = "read"
    except HaloclineError as error:
        result = error.code
        told = str(error)
    else:
        told = str(path)
    assert path.name in told
    assert time.process_time() - began < SLOWEST_SECONDS
    return result


def test_a_file_cut_anywhere_is_never_taken_for_whole(whole: Path, look: Preset, clean_bytes: bytes) -> None:
    """At every 1 % and at every one of the last 200 bytes."""
    size = len(clean_bytes)
    lengths = sorted({size * percent // 100 for percent in range(100)} | set(range(size - 200, size)))
    path = whole / "cut.1001.exr"
    for length in lengths:
        path.write_bytes(clean_bytes[:length])
        assert outcome(path, look) in {"E-READ-OPEN", "E-READ-PIXELS"}, length


@pytest.mark.parametrize(
    ("share", "layout"),
    [(0.6, {}), (0.2, {"parts": 2, "compression": "piz"}), (0.2, {"compression": "dwaa"})],
)
def test_flipped_bytes_fail_cleanly_or_are_read(
    whole: Path, frame_writer: FrameWriter, share: float, layout: dict[str, object]
) -> None:
    """In the header and the table of offsets (most of the cases) and anywhere in the file.

    Run in a process of its own, since a crash inside a library would take the test with it.
    """
    script, clean = whole / "flip.py", whole / "to_flip.1001.exr"
    script.write_text(_FLIPPING)
    clean.unlink(missing_ok=True)
    frame_writer(clean, 1001, **layout)
    flips = round(FLIPS * share)
    ran = subprocess.run(
        [sys.executable, str(script), str(clean), str(flips), str(SLOWEST_SECONDS)],
        capture_output=True,
        text=True,
        check=False,
        timeout=600,
    )
    assert ran.returncode == 0, f"{ran.returncode}: {ran.stdout[-500:]} {ran.stderr[-3000:]}"
    counts = dict(pair.split("=") for pair in ran.stdout.split())
    assert sum(map(int, counts.values())) == flips
    assert int(counts.get("E-READ-OPEN", 0)) > flips / 20
    assert int(counts.get("E-READ-PIXELS", 0)) > flips / 20


_FLIPPING = """
import random, sys, time
from collections import Counter
from pathlib import Path
from halocline.batch.frame_task import FrameInputs, read_inputs, render
from halocline.batch.task import FrameTask
from halocline.errors import HaloclineError
from halocline.presets.preset import load_preset

clean, count, slowest = Path(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])
data, look, found, dice = clean.read_bytes(), load_preset("jerlov-1c"), Counter(), random.Random(20)
path = clean.with_name("flipped.1001.exr")
header = data.index(b"screenWindowWidth") + 60
for number in range(count):
    broken = bytearray(data)
    for _ in range(dice.choice((1, 1, 2, 8))):
        end = header if number % 3 else len(broken)
        broken[dice.randrange(4, end)] = dice.choice((0, 255, 127, 128, dice.randrange(256)))
    path.write_bytes(broken)
    began = time.process_time()
    try:
        read_inputs(FrameTask(1001, path, None, path.with_name("out.exr")), look)
        found["read"] += 1
    except HaloclineError as error:
        found[error.code] += 1
    except BaseException as error:
        Path(clean.with_name("culprit.exr")).write_bytes(broken)
        raise
    assert time.process_time() - began < slowest, number
# What getrusage tells is that of the process that started this one, if that was larger.
status = Path("/proc/self/status").read_text()
peak = int(status.split("VmHWM:")[1].split()[0]) / 1024
assert peak < 1500, f"{peak} MB of memory for files of a few kilobytes"
print(*(f"{code}={number}" for code, number in found.items()))
"""


def test_damaged_frames_of_a_job_never_become_outputs(shot: Folder, look: Preset) -> None:
    dice = random.Random(3)
    for frame, share in ((1001, 0.3), (1002, 0.6), (1003, 0.97)):
        path = shot.clean / f"arch.{frame}.exr"
        data = path.read_bytes()
        path.write_bytes(data[: int(len(data) * share)] + dice.randbytes(40))
    summary = run_frames(shot.tasks(), look)
    assert [record.frame for record in summary.done] == [1004]
    assert list(shot.digests()) == ["arch.1004.exr"]
    assert not shot.leftovers()


@pytest.mark.parametrize("junk", [b"", b"\x76\x2f\x31\x01", b"\x89PNG\r\n\x1a\n" + bytes(64), bytes(4096)])
def test_what_is_no_exr_file_fails_with_its_name(shot: Folder, look: Preset, junk: bytes) -> None:
    (shot.clean / "arch.1003.exr").write_bytes(junk)
    summary = run_frames(shot.tasks(), look)
    assert [failure.error.code for failure in summary.failed] == ["E-READ-OPEN"]
    assert "arch.1003.exr" in str(summary.failed[0].error)


def test_an_input_that_changes_while_it_is_read_is_not_rendered(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch, frame_writer: FrameWriter
) -> None:
    from halocline.batch import frame_files
    from halocline.imaging import load as imaging_load

    def slow(path: Path, *arguments: object, **options: object) -> object:
        loaded = imaging_load.load(path, *arguments, **options)  # type: ignore[arg-type]
        if path.name == "arch.1002.exr":
            path.unlink()
            frame_writer(path, 1002)
        return loaded

    monkeypatch.setattr(frame_files, "load", slow)
    summary = run_frames(shot.tasks(), look)
    assert [failure.error.code for failure in summary.failed] == ["E-READ-CHANGED"]
    assert len(summary.done) == 3


def test_a_picture_that_is_replaced_before_its_planes_are_carried_over_is_not_written(
    shot: Folder, monkeypatch: pytest.MonkeyPatch, frame_writer: FrameWriter
) -> None:
    """Depth that is carried over is read when the frame is written: it would be another picture's."""
    from halocline.batch import pipeline

    def slow(inputs: FrameInputs, *arguments: object) -> object:
        made = render(inputs, *arguments)  # type: ignore[arg-type]
        if inputs.task.frame == 1002:
            inputs.task.beauty.unlink()
            frame_writer(inputs.task.beauty, 1002, depth_scale=2.0)
        return made

    carrying = load_preset("jerlov-1c", ['output.carry=["Z"]'])
    monkeypatch.setattr(pipeline, "render", slow)
    summary = run_frames(shot.tasks(), carrying)
    assert [(failure.task.frame, failure.error.code) for failure in summary.failed] == [
        (1002, "E-READ-CHANGED")
    ]
    assert len(shot.digests()) == 3
    monkeypatch.undo()
    assert run_frames(shot.tasks(overwrite=True), carrying, resume=True).complete


@pytest.mark.parametrize("change", ["link", "chmod", "other content, old date"])
def test_a_backup_may_link_a_render_whose_planes_are_still_to_be_carried_over(
    shot: Folder, monkeypatch: pytest.MonkeyPatch, frame_writer: FrameWriter, change: str
) -> None:
    from halocline.batch import pipeline

    carrying = load_preset("jerlov-1c", ['output.carry=["Z"]'])
    assert run_frames(shot.tasks("before"), carrying).complete
    # Stored as it is: the size says nothing of the content.
    if change == "other content, old date":
        for frame in range(1001, 1005):
            path = shot.clean / f"arch.{frame}.exr"
            path.unlink()
            frame_writer(path, frame, compression="none")

    def meanwhile(inputs: FrameInputs, *arguments: object) -> object:
        made = render(inputs, *arguments)  # type: ignore[arg-type]
        path = inputs.task.beauty
        if change == "link":
            path.with_name(f"backup of {path.name}").hardlink_to(path)
        elif change == "chmod":
            path.chmod(0o440)
        else:
            old = path.stat()
            other = path.with_name("other.exr")
            frame_writer(other, inputs.task.frame, depth_scale=2.0, compression="none")
            with path.open("r+b") as opened:
                opened.write(other.read_bytes())
            other.unlink()
            os.utime(path, ns=(old.st_atime_ns, old.st_mtime_ns))
            assert path.stat().st_size == old.st_size
        return made

    monkeypatch.setattr(pipeline, "render", meanwhile)
    summary = run_frames(shot.tasks(), carrying)
    if change == "other content, old date":
        assert [failure.error.code for failure in summary.failed] == ["E-READ-CHANGED"] * 4
        assert not shot.digests()
    else:
        assert summary.complete
        assert shot.digests() == shot.digests("before")


def test_a_picture_that_changes_while_the_depth_is_settled_settles_nothing(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch, frame_writer: FrameWriter
) -> None:
    """Its colours are of one picture and its depth of another: edges then look other than they are."""
    from halocline.batch import frame_files, sequence_depth
    from halocline.imaging import load as imaging_load

    monkeypatch.setattr(unchanged, "_PAUSE_SECONDS", 0.0)
    judged: list[str] = []

    def slow(path: Path, *arguments: object, **options: object) -> object:
        judged.append(path.name)
        loaded = imaging_load.load(path, *arguments, **options)  # type: ignore[arg-type]
        if judged.count(path.name) == 1:
            path.unlink()
            frame_writer(path, int(path.suffixes[0][1:]))
        return loaded

    monkeypatch.setattr(frame_files, "load", slow)
    settled = sequence_depth.settle_depth(shot.tasks(), look)
    assert judged == ["arch.1001.exr", "arch.1001.exr"]
    assert all(task.depth_spec is not None for task in settled)


def test_a_neighbour_is_on_record_as_the_frame_was_made_by_it(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its camera decides the motion blur; were it read twice, the record could vouch for the other."""
    from halocline.batch import origin

    read: list[str] = []

    def noted(path: Path, *arguments: object) -> object:
        read.append(path.name)
        return cameras_in(path, *arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(origin, "cameras_in", noted)
    task = shot.tasks()[1]
    inputs = read_inputs(task, look)
    assert read == ["arch.1001.exr", "arch.1003.exr"]
    assert set(inputs.origin.neighbours) == {1001.0, 1003.0}
    assert set(inputs.tracks[""].cameras) == {1001.0, 1002.0, 1003.0}


def test_mismatched_depth_is_an_error_of_its_frame(
    shot: Folder, look: Preset, frame_writer: FrameWriter
) -> None:
    depth = shot.root / "depth"
    depth.mkdir()
    for frame in range(1001, 1005):
        frame_writer(depth / f"z.{frame}.exr", frame, size=(20, 12) if frame == 1002 else (40, 24))
    summary = run_frames(shot.tasks(depth=str(depth / "z.####.exr")), look)
    assert [failure.error.code for failure in summary.failed] == ["E-FRAME-MISMATCH"]
    assert len(summary.done) == 3
