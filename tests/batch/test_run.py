"""Whole runs: the same bits however the work is spread, and one bad frame never takes the others with it."""

from __future__ import annotations

import errno
import os
import socket
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from halocline.batch import pipeline
from halocline.batch.claims import Claims
from halocline.batch.events import Event, FrameDone, FrameElsewhere, FrameFailed
from halocline.batch.frame_task import read_inputs
from halocline.batch.manifest import MANIFEST_NAME, read_manifest
from halocline.batch.pipeline import Pipeline
from halocline.batch.run import FrameMaker, run_frames
from halocline.batch.workers import Workers
from halocline.cli.shot import exit_status
from halocline.graph import engine
from halocline.graph.engine import Evaluation
from halocline.imaging.exr import file_threads, read_header
from halocline.presets.preset import load_preset

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.batch.conftest import Folder, FrameWriter

    from halocline.batch.task import FrameTask
    from halocline.presets.preset import Preset


def test_processes_chunks_threads_and_overlap_give_the_same_bytes(
    shot: Folder, look_with_shade: Preset
) -> None:
    look = look_with_shade
    run_frames(shot.tasks(), look)
    expected = shot.digests()
    assert len(expected) == 4
    makers: dict[str, FrameMaker] = {
        "one by one": Pipeline(look, Evaluation(1, 3), overlapped=False),
        "two": Workers(look, Evaluation(1), 2),
        "four": Workers(look, Evaluation(2, 5), 4, overlapped=False),
    }
    for name, maker in makers.items():
        summary = run_frames(shot.tasks(name), look, maker=maker)
        assert summary.complete, name
        assert shot.digests(name) == expected, name
        assert not shot.leftovers(name)
    for frames in ("1003-1004", "1001", "1002"):
        run_frames(shot.tasks("chunks", frames=frames), look)
    assert shot.digests("chunks") == expected


def test_a_file_beside_which_nothing_goes_on_has_all_threads(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch
) -> None:
    noted: dict[str, list[int]] = {"read_inputs": [], "write_result": []}

    def noting(name: str) -> Callable[..., Any]:
        work = getattr(pipeline, name)

        def noted_work(*args: Any, **kwargs: Any) -> Any:
            noted[name].append(file_threads())
            return work(*args, **kwargs)

        return noted_work

    for name in noted:
        monkeypatch.setattr(pipeline, name, noting(name))
    tasks = shot.tasks()
    assert run_frames(tasks, look, maker=Pipeline(look, Evaluation(3))).complete
    # The first is read and the last written alone; of the others each goes on beside what is computed.
    assert noted == {"read_inputs": [3, 1, 1, 1], "write_result": [1, 1, 1, 3]}
    assert run_frames(
        shot.tasks("alone"), look, maker=Pipeline(look, Evaluation(2), overlapped=False)
    ).complete
    assert noted["read_inputs"][4:] == noted["write_result"][4:] == [2, 2, 2, 2]


def test_what_a_step_has_to_tell_of_a_frame_is_on_its_record(shot: Folder) -> None:
    look = load_preset("flat-port-wide", ["steps.flat_port.mode=remove"])
    summary = run_frames(shot.tasks(frames="1001"), look)
    assert any("looks beyond the render" in warning for warning in summary.done[0].warnings)
    (record,) = (record for record in read_manifest(shot.out) if record["kind"] == "frame")
    assert record["warnings"] == list(summary.done[0].warnings)


def test_what_the_system_refuses_is_told_with_frame_and_file(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk or network that goes away in the middle: that frame fails, the others are made."""

    bad = 1002

    def read(task: FrameTask, preset: Preset, **how: bool) -> object:
        if task.frame == bad:
            raise OSError(errno.EIO, "Input/output error", str(task.beauty))
        return read_inputs(task, preset, **how)

    monkeypatch.setattr("halocline.batch.pipeline.read_inputs", read)
    summary = run_frames(shot.tasks(), look)
    assert len(summary.done) == 3
    (failed,) = summary.failed
    assert failed.error.code == "E-JOB-SYSTEM"
    assert failed.error.where == f"frame 1002, {shot.clean / 'arch.1002.exr'}"
    assert "the system refuses: Input/output error" in str(failed.error)
    assert "then add --resume" in str(failed.error)
    # The first is read before its turn too, to tell what the depth pass holds: another then stands for it.
    bad = 1001
    later = run_frames(shot.tasks("later"), look)
    assert [each.task.frame for each in later.failed] == [1001]
    there, then = shot.digests(), shot.digests("later")
    assert all(then[name] == there[name] for name in ("arch.1003.exr", "arch.1004.exr"))


def test_a_frame_that_changes_after_it_was_read_before_its_turn_is_read_again(
    shot: Folder, look: Preset, frame_writer: FrameWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[int] = []

    def reading(task: FrameTask, preset: Preset, **how: bool) -> object:
        found = read_inputs(task, preset, **how)
        if not read:
            task.beauty.unlink()
            frame_writer(task.beauty, 1003)
        read.append(task.frame)
        return found

    monkeypatch.setattr("halocline.batch.pipeline.read_inputs", reading)
    assert run_frames(shot.tasks(), look).complete
    assert sorted(read) == [1001, 1001, 1002, 1003, 1004]
    made = shot.digests()
    assert run_frames(shot.tasks("again"), look).complete
    # Another time it is read once, and the same comes out.
    assert sorted(read[5:]) == [1001, 1002, 1003, 1004]
    assert shot.digests("again") == made


def test_a_damaged_frame_fails_alone_and_is_told(shot: Folder, look: Preset) -> None:
    whole = (shot.clean / "arch.1002.exr").read_bytes()
    (shot.clean / "arch.1002.exr").write_bytes(whole[: len(whole) // 2])
    events: list[object] = []
    summary = run_frames(shot.tasks(), look, report=events.append)
    assert [record.frame for record in summary.done] == [1001, 1003, 1004]
    assert [failure.task.frame for failure in summary.failed] == [1002]
    error = summary.failed[0].error
    assert error.code == "E-READ-PIXELS"
    assert "frame 1002" in str(error)
    assert "arch.1002.exr" in str(error)
    assert not summary.complete
    assert len(events) == 4
    assert not shot.leftovers()


def test_the_manifest_tells_what_each_frame_was_made_from(shot: Folder, look: Preset) -> None:
    run_frames(shot.tasks(), look)
    records = read_manifest(shot.out)
    job, *frames = records
    assert job["kind"] == "job"
    assert job["preset"]["text"] == look.resolved_text
    assert set(job["versions"]) >= {"halocline", "numpy", "OpenImageIO"}
    assert [record["frame"] for record in frames] == [1001, 1002, 1003, 1004]
    record = frames[1]
    import hashlib

    beauty = (shot.clean / "arch.1002.exr").read_bytes()
    assert record["origin"]["inputs"]["beauty"]["sha256"] == hashlib.sha256(beauty).hexdigest()
    assert record["origin"]["preset"] == look.digest_at(1002)
    assert record["origin"]["whole_preset"] == look.digest
    made = (shot.out / "arch.1002.exr").read_bytes()
    assert record["output"] == {"bytes": len(made), "sha256": hashlib.sha256(made).hexdigest()}
    assert set(record["seconds"]) == {"read", "render", "write"}
    assert record["peak_memory_bytes"] > 1 << 20
    assert record["bad_pixels"]["nan"] == 0


def test_a_sequence_of_one_frame_and_of_none_are_no_special_case(shot: Folder, look: Preset) -> None:
    assert run_frames(shot.tasks(frames="1002"), look).complete
    assert not run_frames([], look).complete


def test_a_frame_that_another_job_holds_is_left_to_it(shot: Folder, look: Preset) -> None:
    with Claims() as other:
        shot.out.mkdir()
        assert other.take(shot.out / "arch.1002.exr") is None
        summary = run_frames(shot.tasks(), look)
        assert [each.task.frame for each in summary.elsewhere] == [1002]
        assert f"process {os.getpid()}" in summary.elsewhere[0].holder
        assert len(summary.done) == 3
        assert not summary.complete
        assert summary.awaits_others
        assert exit_status([summary]) == 3
        summary.not_begun = [1004]
        assert exit_status([summary]) == 1
    assert not shot.leftovers()


def test_a_frame_that_another_job_made_meanwhile_is_not_made_again(shot: Folder, look: Preset) -> None:
    tasks = shot.tasks()

    def intrude(event: object) -> None:
        if isinstance(event, FrameDone) and event.record.frame == 1001:
            run_frames(shot.tasks(frames="1004"), look)

    summary = run_frames(tasks, look, report=intrude)
    assert summary.complete
    assert [each.task.frame for each in summary.kept] == [1004]
    assert "made meanwhile" in summary.kept[0].reason


def test_frames_that_are_up_to_date_are_made_again_where_writing_over_is_asked(
    shot: Folder, look: Preset
) -> None:
    """What was on record before the run was not made meanwhile."""
    assert run_frames(shot.tasks(), look).complete
    summary = run_frames(shot.tasks(overwrite=True), look, overwrite=True)
    assert (len(summary.done), summary.kept) == (4, [])


@pytest.mark.parametrize("replacing", [False, True])
def test_no_frame_of_many_that_another_job_made_meanwhile_is_made_again(
    empty_shot: Folder, look: Preset, replacing: bool
) -> None:
    """Their records are all read when the first of them is come to."""
    empty_shot.write(range(1001, 1011))

    def intrude(event: object) -> None:
        if isinstance(event, FrameDone) and event.record.frame == 1001:
            run_frames(empty_shot.tasks(frames="1007-1010"), look)

    summary = run_frames(empty_shot.tasks(), look, report=intrude, overwrite=replacing)
    assert summary.complete
    assert [each.task.frame for each in summary.kept] == [1007, 1008, 1009, 1010]


def test_a_file_that_appears_after_planning_is_not_written_over(shot: Folder, look: Preset) -> None:
    tasks = shot.tasks()
    shot.out.mkdir()
    (shot.out / "arch.1003.exr").write_bytes(b"somebody's")
    summary = run_frames(tasks, look)
    assert [failure.error.code for failure in summary.failed] == ["E-WRITE-EXISTS"]
    assert (shot.out / "arch.1003.exr").read_bytes() == b"somebody's"


def test_a_folder_that_cannot_be_made_is_told_before_anything_is_rendered(shot: Folder, look: Preset) -> None:
    from halocline.errors import WriteError

    (shot.root / "file").write_text("no folder")
    with pytest.raises(WriteError, match="this folder cannot be made"):
        run_frames(shot.tasks("file/wet"), look)


def test_frames_carry_what_made_them(shot: Folder, look: Preset) -> None:
    run_frames(shot.tasks(frames="1002"), look)
    part = read_header(shot.out / "arch.1002.exr").parts[0]
    assert part.value("halocline:presetDigest") == look.digest
    assert part.value("halocline:preset") == look.resolved_text
    assert part.value("halocline:frame") == 1002


def test_a_held_frame_says_so_in_its_metadata_and_in_the_manifest(shot: Folder, look: Preset) -> None:
    from halocline.batch.plan_tasks import MissingFrames, plan_shot

    (shot.clean / "arch.1003.exr").unlink()
    plan = plan_shot(shot.pattern, out=shot.out, missing=MissingFrames.hold)
    assert run_frames(plan.tasks, look).complete
    assert read_header(shot.out / "arch.1003.exr").parts[0].value("halocline:heldFrom") == 1002
    job, *frames = read_manifest(shot.out)
    assert job["held"] == {"1003": 1002}
    assert [record["held_from"] for record in frames] == [None, None, 1002, None]


def test_skipped_frames_are_on_record(shot: Folder, look: Preset) -> None:
    from halocline.batch.plan_tasks import MissingFrames, plan_shot

    (shot.clean / "arch.1003.exr").unlink()
    plan = plan_shot(shot.pattern, out=shot.out, missing=MissingFrames.skip)
    summary = run_frames(plan.tasks, look, skipped=plan.skipped)
    assert summary.complete
    skipped = [record for record in read_manifest(shot.out) if record.get("status") == "skipped"]
    assert [record["frame"] for record in skipped] == [1003]
    (where,) = ((record["host"], record["process"], record["seconds"]) for record in skipped)
    assert where == (socket.gethostname(), os.getpid(), {})
    assert skipped[0]["peak_memory_bytes"] > 1 << 20


def test_a_mistake_in_an_operator_fails_the_frame_with_its_name(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    from halocline.batch import frame_task

    true_render = engine.evaluate

    def broken(graph: object, frame: object, shot: object, **options: object) -> object:
        if shot.frame == 1002:  # type: ignore[attr-defined]
            raise ZeroDivisionError("division by zero")
        return true_render(graph, frame, shot, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(frame_task, "evaluate", broken)
    summary = run_frames(shot.tasks(), look)
    assert [failure.error.code for failure in summary.failed] == ["E-JOB-UNEXPECTED"]
    assert "ZeroDivisionError" in str(summary.failed[0].error)
    assert "Traceback" in caplog.text
    assert len(summary.done) == 3


def test_memory_that_runs_out_fails_the_frame_with_advice(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch
) -> None:
    from halocline.batch import frame_task

    def hungry(*_: object, **__: object) -> object:
        raise MemoryError

    monkeypatch.setattr(frame_task, "evaluate", hungry)
    summary = run_frames(shot.tasks(frames="1001"), look)
    assert "not enough memory" in str(summary.failed[0].error)
    assert "--memory" in str(summary.failed[0].error)


def test_a_manifest_that_cannot_be_written_fails_the_frame_not_the_job(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch
) -> None:
    from halocline.batch import manifest

    true_append = manifest._append_line

    def full(handle: int, line: bytes) -> None:
        if b'"frame": 1002' in line:
            raise OSError(28, "No space left on device")
        true_append(handle, line)

    monkeypatch.setattr(manifest, "_append_line", full)
    summary = run_frames(shot.tasks(), look)
    assert [failure.error.code for failure in summary.failed] == ["E-JOB-MANIFEST"]
    assert len(summary.done) == 3
    monkeypatch.undo()
    again = run_frames(shot.tasks(overwrite=True), look, resume=True)
    assert [record.frame for record in again.done] == [1002]
    assert len(again.kept) == 3


def test_a_depth_pass_is_judged_once_for_the_whole_sequence(empty_shot: Folder, look: Preset) -> None:
    """One frame looks normalised by itself (all depths below 1); rendered alone or not, it is not."""
    shot = empty_shot.write([1001, 1002])
    shot.write([1003], depth_scale=0.01)
    run_frames(shot.tasks(), look)
    run_frames(shot.tasks("alone", frames="1003"), look)
    assert shot.digests("alone")["arch.1003.exr"] == shot.digests()["arch.1003.exr"]
    origins = [record["origin"]["depth"] for record in read_manifest(shot.out) if record["kind"] == "frame"]
    assert origins[0]["kind"] == "planar"
    assert all(origin == origins[0] for origin in origins)


def test_names_with_spaces_brackets_and_other_alphabets_work(
    tmp_path: Path, look: Preset, frame_writer: FrameWriter
) -> None:
    from halocline.batch.plan_tasks import plan_tasks

    folder = tmp_path / "Tauch gänge [neu] 深い"
    folder.mkdir()
    for frame in (1, 2):
        frame_writer(folder / f"Anker kette [v2] é.{frame:04d}.exr", frame)
    tasks = plan_tasks(folder / "Anker kette [v2] é.####.exr", out=folder / "naß")
    assert run_frames(tasks, look).complete
    assert run_frames(
        plan_tasks(folder / "Anker kette [v2] é.####.exr", out=folder / "naß", overwrite=True),
        look,
        resume=True,
    ).kept
    assert (folder / "naß" / MANIFEST_NAME).exists()


def test_events_come_for_every_frame(shot: Folder, look: Preset) -> None:
    events: list[object] = []
    run_frames(shot.tasks(), look, report=events.append)
    assert [type(event) for event in events] == [FrameDone] * 4
    assert not any(isinstance(event, FrameFailed | FrameElsewhere) for event in events)


@pytest.mark.parametrize(
    ("how", "kept"),
    [
        *(("taken away", False), ("cut off", False), ("longer", False), ("a folder", False)),
        *(("taken away", True), ("cut off", True), ("longer", True), ("a folder", True)),
    ],
)
def test_a_frame_that_somebody_takes_away_while_the_job_goes_on_is_no_success(
    shot: Folder, look: Preset, how: str, kept: bool
) -> None:
    if kept:
        run_frames(shot.tasks(frames="1001"), look)
    first = shot.out / "arch.1001.exr"

    def meddle(event: Event) -> None:
        if isinstance(event, FrameDone) and event.task.frame == 1003:
            first.rename(shot.root / "taken.exr")
            if how == "cut off":
                first.write_bytes(b"")
            elif how == "longer":
                first.write_bytes(b"x" * 99_999)
            elif how == "a folder":
                first.mkdir()

    told: list[Event] = []

    def report(event: Event) -> None:
        told.append(event)
        meddle(event)

    summary = run_frames(shot.tasks(overwrite=kept), look, resume=kept, report=report)
    assert [(each.task.frame, each.error.code) for each in summary.failed] == [(1001, "E-WRITE-LOST")]
    assert "frame 1001, " in str(summary.failed[0].error)
    assert [record.frame for record in summary.done] == [1002, 1003, 1004]
    assert not summary.kept
    assert told[-1] == summary.failed[0]
    assert exit_status([summary]) == 1
    if how != "a folder":
        assert run_frames(shot.tasks(overwrite=True), look, resume=True).complete


@pytest.mark.parametrize("overlapped", [True, False])
@pytest.mark.parametrize(
    ("stage", "work"), [("read", "read_inputs"), ("render", "render"), ("write", "write_result")]
)
def test_a_failed_frame_says_what_each_stage_took_up_to_its_end(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch, stage: str, work: str, *, overlapped: bool
) -> None:
    def late(*_given: Any, **_options: Any) -> None:
        time.sleep(0.02)
        raise OSError(errno.EIO, "no answer")

    monkeypatch.setattr(pipeline, work, late)
    summary = run_frames(shot.tasks(), look, maker=Pipeline(look, Evaluation(1), overlapped))
    stages = ["read", "render", "write"]
    assert len(summary.failed) == 4
    for failure in summary.failed:
        seconds = failure.attempt.seconds
        assert list(seconds) == stages[: stages.index(stage) + 1]
        assert min(seconds.values()) > 0.0
        assert 0.02 <= seconds[stage] < 2.0
        assert failure.attempt.peak_memory_bytes
        assert failure.attempt.process == os.getpid()
    records = [record for record in read_manifest(shot.out) if record["kind"] == "frame"]
    assert all(list(record["seconds"]) == stages[: stages.index(stage) + 1] for record in records)


def test_a_frame_that_fails_in_a_process_of_its_own_names_that_one(shot: Folder, look: Preset) -> None:
    (shot.clean / "arch.1003.exr").write_bytes(b"junk")
    run_frames(shot.tasks(), look, maker=Workers(look, Evaluation(1), 1))
    records = {record["frame"]: record for record in read_manifest(shot.out) if record["kind"] == "frame"}
    assert [record["status"] for record in records.values()].count("failed") == 1
    assert records[1003]["status"] == "failed"
    assert os.getpid() not in {record["process"] for record in records.values()}
    assert records[1003]["process"] == records[1004]["process"] == records[1001]["process"]


def test_an_output_folder_that_is_lost_fails_the_frames_and_can_be_resumed(
    shot: Folder, look: Preset
) -> None:
    import shutil

    run_frames(shot.tasks("kept"), look)
    lost: list[Path] = []

    def lose(_event: object) -> None:
        if not lost:
            lost.append(shot.out)
            shutil.move(shot.out, shot.root / "elsewhere")
            shot.out.write_text("no folder any more")

    summary = run_frames(shot.tasks(), look, report=lose)
    assert len(summary.done) + len(summary.failed) == 4
    assert summary.failed
    assert all(failure.error.code.startswith("E-") for failure in summary.failed)
    shot.out.unlink()
    shutil.move(shot.root / "elsewhere", shot.out)
    assert run_frames(shot.tasks(overwrite=True), look, resume=True).complete
    assert shot.digests() == shot.digests("kept")
    assert not shot.leftovers()
