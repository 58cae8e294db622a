"""Worker processes: one that dies costs only the frames in its hands, which another makes."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from contextlib import closing, suppress
from dataclasses import replace
from multiprocessing import Pipe
from multiprocessing.connection import Connection
from multiprocessing.reduction import send_handle
from pathlib import Path

import pytest
from tests.batch.conftest import Folder

from halocline.batch import nursery as module
from halocline.batch.means import Means, choose_maker
from halocline.batch.run import run_frames
from halocline.batch.worker import Settings, work
from halocline.batch.workers import Workers
from halocline.errors import JobError
from halocline.graph.engine import Evaluation
from halocline.presets.preset import Preset, load_preset


def offspring(of: int) -> list[int]:
    """Process numbers of a process's children."""
    found = []
    for entry in Path("/proc").iterdir():
        try:
            parent = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
        except (OSError, ValueError, IndexError):
            continue
        if parent == of:
            found.append(int(entry.name))
    return found


def nurseries() -> list[int]:
    """Process numbers of this process's nurseries."""
    found = []
    for child in offspring(os.getpid()):
        with suppress(OSError):
            if b"halocline.batch.nursery" in Path(f"/proc/{child}/cmdline").read_bytes():
                found.append(child)
    return found


def children() -> list[int]:
    """Process numbers of this process's workers: children of its nurseries."""
    return [worker for nursery in nurseries() for worker in offspring(nursery)]


def kill_all(processes: Sequence[int]) -> None:
    """Kill processes."""
    for number in processes:
        os.kill(number, signal.SIGKILL)


def test_a_worker_that_is_killed_is_replaced_and_its_frames_are_made(
    empty_shot: Folder, look: Preset
) -> None:
    shot = empty_shot.write(range(1001, 1013))
    run_frames(shot.tasks("alone"), look)
    killed: list[int] = []

    def kill(event: object) -> None:
        if not killed:
            victim = children()[0]
            os.kill(victim, signal.SIGKILL)
            killed.append(victim)

    summary = run_frames(shot.tasks(), look, maker=Workers(look, Evaluation(1), 2), report=kill)
    assert killed
    assert summary.complete
    assert shot.digests() == shot.digests("alone")
    assert not shot.leftovers()
    assert not nurseries()


def test_a_frame_that_kills_every_worker_is_given_up_and_the_others_are_made(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch
) -> None:
    deadly = (
        "from halocline.batch import pipeline; import os\n"
        "true = pipeline.read_inputs\n"
        "def read(task, preset, **how):\n"
        "    os.kill(os.getpid(), 9) if task.frame == 1002 else None\n"
        "    return true(task, preset, **how)\n"
        "pipeline.read_inputs = read\n"
    )
    monkeypatch.setattr(module, "_NURSERY", deadly + module._NURSERY)
    maker = Workers(look, Evaluation(1), 1, overlapped=False)
    summary = run_frames(shot.tasks(), look, maker=maker)
    assert [failure.task.frame for failure in summary.failed] == [1002]
    error = summary.failed[0].error
    assert (error.code, error.where) == ("E-JOB-WORKER", "frame 1002")
    assert "was killed by signal 9, 2 times" in str(error)
    assert "--memory" in str(error)
    # The process that is gone is named, and what it used is not known.
    attempt = summary.failed[0].attempt
    assert attempt.process not in {os.getpid(), *(record.process for record in summary.done)}
    assert (dict(attempt.seconds), attempt.peak_memory_bytes) == ({}, None)
    assert sorted(record.frame for record in summary.done) == [1001, 1003, 1004]


def test_a_worker_that_cannot_start_ends_the_job_with_its_reason(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_NURSERY", "raise SystemExit(3)")
    with pytest.raises(JobError, match=r"ended before its first frame \(status 3\)") as caught:
        run_frames(shot.tasks(), look, maker=Workers(look, Evaluation(1), 2))
    assert caught.value.code == "E-JOB-WORKER"
    assert "--processes 1" in str(caught.value)
    assert not shot.leftovers()
    assert not nurseries()


def test_a_worker_that_is_killed_before_it_begins_is_replaced(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    first_dies = (
        "import os\n"
        "try:\n"
        f"    os.mkdir({str(tmp_path / 'killed once')!r})\n"
        "    os.kill(os.getpid(), 9)\n"
        "except FileExistsError:\n"
        "    pass\n"
    )
    monkeypatch.setattr(module, "_NURSERY", first_dies + module._NURSERY)
    assert run_frames(shot.tasks(), look, maker=Workers(look, Evaluation(1), 2)).complete
    assert (tmp_path / "killed once").exists()
    assert not nurseries()


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
def test_workers_end_when_their_parent_is_killed(empty_shot: Folder) -> None:
    # Many, so that the job is still at work when its second worker is seen.
    shot = empty_shot.write(range(1001, 1161))
    command = [sys.executable, "-m", "halocline.cli.main", "apply", "jerlov-1c", shot.pattern]
    process = subprocess.Popen(
        [*command, "--out", str(shot.out), "--processes", "2", "--log", "json", "--no-check"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    assert process.stdout is not None
    mine: list[int] = []
    with process, process.stdout:
        try:
            # The second worker begins when the first has finished a frame.
            while len(mine) < 2 and process.poll() is None:
                process.stdout.readline()
                mine = [worker for nursery in offspring(process.pid) for worker in offspring(nursery)]
        finally:
            process.kill()
    assert len(mine) == 2
    deadline = time.monotonic() + 10
    while any(_alive(number) for number in mine):
        assert time.monotonic() < deadline
        time.sleep(0.05)


def test_jobs_can_run_beside_each_other_in_one_process(shot: Folder, look: Preset) -> None:
    def run(out: str) -> None:
        run_frames(shot.tasks(out), look)

    threads = [threading.Thread(target=run, args=(out,)) for out in ("one", "two")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert shot.digests("one") == shot.digests("two")
    assert len(shot.digests("one")) == 4


def _alive(number: int) -> bool:
    try:
        return (Path("/proc") / str(number) / "stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_a_budget_starts_one_worker_and_adds_what_fits(
    empty_shot: Folder, look: Preset, caplog: pytest.LogCaptureFixture
) -> None:
    shot = empty_shot.write(range(1001, 1013))
    most: list[int] = []

    def count(_event: object) -> None:
        most.append(len(children()))

    roomy = Workers(look, Evaluation(1), 3, budget_bytes=64 << 30)
    assert run_frames(shot.tasks("roomy"), look, maker=roomy, report=count).complete
    assert most[0] == 1
    assert max(most) == 3
    most.clear()
    tight = Workers(look, Evaluation(1), 3, budget_bytes=100 << 20)
    assert run_frames(shot.tasks("tight"), look, maker=tight, report=count).complete
    assert max(most) == 1
    assert "1 of 3 processes fit into the 100 MiB allowed" in caplog.text
    assert shot.digests("tight") == shot.digests("roomy")
    assert not nurseries()


def test_one_process_stops_overlapping_where_frames_are_too_large(
    shot: Folder, look: Preset, caplog: pytest.LogCaptureFixture
) -> None:
    from halocline.batch.pipeline import Pipeline

    run_frames(shot.tasks("free"), look)
    small = Pipeline(look, Evaluation(1), budget_bytes=1 << 20)
    assert run_frames(shot.tasks(), look, maker=small).complete
    assert caplog.text.count("one frame at a time from here") == 1
    assert shot.digests() == shot.digests("free")


def test_workers_are_copies_of_a_nursery_with_one_thread(
    empty_shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A lock that another thread held when it was copied would be held for ever."""
    shot = empty_shot.write(range(1001, 1005))
    seen: list[tuple[int, bool]] = []

    def look_at(_event: object) -> None:
        for nursery in nurseries():
            threads = len(list(Path(f"/proc/{nursery}/task").iterdir()))
            commands = {Path(f"/proc/{number}/cmdline").read_bytes() for number in offspring(nursery)}
            # One that has ended has none.
            commands -= {b""}
            seen.append((threads, commands <= {Path(f"/proc/{nursery}/cmdline").read_bytes()}))

    crew = Workers(look, Evaluation(1), 2)
    assert run_frames(shot.tasks("copies"), look, maker=crew, report=look_at).complete
    assert set(seen) == {(1, True)}
    # Where it is not alone after all, workers are started afresh.
    seen.clear()
    crowded = "from halocline.batch import nursery; nursery._copies_are_safe = lambda: False\n"
    monkeypatch.setattr(module, "_NURSERY", crowded + module._NURSERY)
    assert run_frames(shot.tasks("afresh"), look, maker=crew, report=look_at).complete
    assert (1, False) in seen
    assert shot.digests("copies") == shot.digests("afresh")


def test_a_nursery_ends_without_a_word(look: Preset) -> None:
    """It holds what it has learnt to the end, and a library would tell of all that is left of it."""
    settings = Settings(look.resolved_text, look.name, Evaluation(1), overlapped=False, budget_bytes=None)
    ours, theirs = socket.socketpair()
    with theirs:
        command = [sys.executable, "-c", module._NURSERY, str(theirs.fileno())]
        process = subprocess.Popen(command, pass_fds=[theirs.fileno()], stderr=subprocess.PIPE)
    with Connection(ours.detach()) as pipe:
        pipe.send(sys.path)
        pipe.send(module.Prepare(settings))
    assert process.communicate(timeout=120)[1] == b""
    assert process.returncode == 0


@pytest.mark.parametrize("how", ["before a message", "in the middle of one", "with one unread"])
@pytest.mark.parametrize("name", ["_NURSERY", "_WORKER"])
def test_who_works_for_a_job_that_is_killed_ends_without_a_word(look: Preset, name: str, how: str) -> None:
    """What the system tells of the other end is another error each time."""
    settings = Settings(look.resolved_text, look.name, Evaluation(1), overlapped=False, budget_bytes=None)
    ours, theirs = socket.socketpair()
    with theirs:
        command = [sys.executable, "-c", getattr(module, name), str(theirs.fileno())]
        # Its lifeline holds: it is the pipe that tells.
        process = subprocess.Popen(
            command, pass_fds=[theirs.fileno()], stdin=subprocess.PIPE, stderr=subprocess.PIPE
        )
    with Connection(ours.detach()) as pipe:
        pipe.send(sys.path)
        if how == "in the middle of one":
            os.write(pipe.fileno(), (1000).to_bytes(4, "big") + b"half")
        elif how == "with one unread" and name == "_WORKER":
            pipe.send(settings)
            assert pipe.poll(120)
        elif how == "with one unread":
            pipe.send(module.Grow(settings))
            end, workers_end = socket.socketpair()
            with end, workers_end:
                send_handle(pipe, workers_end.fileno(), None)
                assert pipe.poll(120)
    assert process.stderr is not None
    assert process.stdin is not None
    with process.stderr, process.stdin:
        assert process.stderr.read() == b""
        assert process.wait(120) == (1 if name == "_WORKER" else 0)


def test_a_worker_has_memory_touched_ahead_once_and_only_for_a_frame(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []
    monkeypatch.setattr("halocline.batch.worker.touch_ahead", asked.append)
    settings = Workers(look, Evaluation(1), 2, surely_used=7 << 20).settings
    for tasks, wanted in ([], []), (shot.tasks()[:2], [7 << 20, 0]):
        ours, theirs = Pipe()
        with ours, theirs:
            for message in (sys.path, settings, *tasks, None):
                ours.send(message)
            work(theirs, {settings.look: look})
        assert asked == wanted


def test_a_job_outlives_its_nursery(empty_shot: Folder, look: Preset) -> None:
    shot = empty_shot.write(range(1001, 1009))
    killed: list[int] = []

    def kill(_event: object) -> None:
        if not killed:
            killed.extend(nurseries())
            os.kill(killed[0], signal.SIGKILL)

    assert run_frames(shot.tasks(), look, maker=Workers(look, Evaluation(1), 2), report=kill).complete
    assert killed
    assert len(shot.digests()) == 8
    assert not shot.leftovers()
    assert not nurseries()


def test_one_nursery_serves_the_shots_of_a_job(empty_shot: Folder, look: Preset) -> None:
    shot = empty_shot.write(range(1001, 1003))
    seen: set[int] = set()
    with closing(module.Nursery()) as nursery:
        crew = Workers(look, Evaluation(1), 2, nursery=nursery)
        for out in ("one", "two"):
            summary = run_frames(shot.tasks(out), look, maker=crew, report=lambda _: seen.update(nurseries()))
            assert summary.complete
    assert len(seen) == 1
    assert not nurseries()


def test_workers_stay_from_shot_to_shot_of_a_look_and_nothing_of_one_is_in_another(
    tmp_path: Path, look: Preset
) -> None:
    other = load_preset(
        "jerlov-1c", ["light.sun_elevation=20", "steps.suspended_matter.after='veiling_light'"]
    )
    folders = {name: tmp_path / name for name in ("first", "second", "large")}
    shots = {}
    for begun, (name, folder) in enumerate(folders.items()):
        folder.mkdir()
        size = (56, 32) if name == "large" else (40, 24)
        shots[name] = Folder(folder).write(range(1001 + 40 * begun, 1004 + 40 * begun), size=size)
    jobs = [("first", look), ("second", look), ("large", look), ("first", other), ("second", other)]

    def made(
        order: Sequence[int], *, keeps: bool, told: bool = True
    ) -> tuple[dict[int, dict[str, str]], list[set[int]]]:
        digests, processes = {}, []
        with closing(module.Nursery(keeps=keeps)) as nursery:
            for number in order:
                name, preset = jobs[number]
                out = f"{keeps} {told} {order} {number}"
                maker = Workers(preset, Evaluation(1), 1, nursery=nursery)
                if told:
                    nursery.prepare(maker.settings, 1)
                summary = run_frames(shots[name].tasks(out), preset, maker=maker)
                assert summary.complete
                digests[number] = shots[name].digests(out)
                processes.append({record.process for record in summary.done})
        assert not nurseries()
        return digests, processes

    alone, each = made([0, 1, 2, 3, 4], keeps=False)
    assert len(set.union(*each)) == 5
    for order, workers in ([0, 1, 2, 3, 4], 2), ([4, 2, 3, 1, 0], 4), ([2, 1, 0, 4, 3], 2):
        digests, processes = made(order, keeps=True)
        assert digests == alone
        assert len(set.union(*processes)) == workers
    # Where nobody said what comes next, workers of both looks wait side by side.
    digests, processes = made([4, 2, 3, 1, 0], keeps=True, told=False)
    assert digests == alone
    assert len(set.union(*processes)) == 2
    assert alone[0] != alone[3]


def test_a_worker_that_is_killed_while_it_stays_costs_nothing(empty_shot: Folder, look: Preset) -> None:
    shot = empty_shot.write(range(1001, 1005))
    with closing(module.Nursery(keeps=True)) as nursery:
        crew = Workers(look, Evaluation(1), 2, nursery=nursery)
        assert run_frames(shot.tasks("one"), look, maker=crew).complete
        stayed = children()
        assert len(stayed) == 2
        assert nursery.staying_bytes() > 1 << 20
        kill_all(stayed)
        assert run_frames(shot.tasks("two"), look, maker=crew).complete
        assert not set(stayed) & set(children())
        # Also where it has been told of the job, and not begun.
        stayed = children()
        for victim in stayed:
            os.kill(victim, signal.SIGSTOP)
        timer = threading.Timer(1.0, kill_all, (stayed,))
        timer.start()
        assert run_frames(shot.tasks("late"), look, maker=crew).complete
        assert not set(stayed) & set(children())
        # The nursery too: another one begins.
        os.kill(nurseries()[0], signal.SIGKILL)
        kill_all(children())
        assert run_frames(shot.tasks("three"), look, maker=crew).complete
    assert shot.digests("one") == shot.digests("two") == shot.digests("late") == shot.digests("three")
    assert not nurseries()


def test_workers_that_are_of_no_use_to_the_next_job_end_before_it(shot: Folder, look: Preset) -> None:
    other = load_preset("jerlov-1c", ["light.sun_elevation=20"])
    with closing(module.Nursery(keeps=True)) as nursery:
        crew = Workers(look, Evaluation(1), 2, nursery=nursery)
        assert run_frames(shot.tasks(), look, maker=crew).complete
        stayed = children()
        # What there was memory for then is no matter; how many there is room for now is.
        nursery.prepare(replace(crew, budget_bytes=1 << 40).settings, 2)
        assert set(children()) == set(stayed)
        nursery.prepare(crew.settings, 1)
        assert len(children()) == 1
        assert set(children()) < set(stayed)
        nursery.prepare(Workers(other, Evaluation(1), 2).settings, 2)
        assert nursery.staying_bytes() == 0
        assert not children()
        # This process makes the frames itself.
        assert run_frames(shot.tasks("again"), look, maker=crew).complete
        assert children()
        choose_maker(shot.tasks("alone"), look, Means(processes=1, nursery=nursery))
        assert not children()
    assert not nurseries()


def test_memory_of_workers_that_stay_is_the_next_jobs(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("halocline.batch.memory_budget.free_memory_bytes", lambda: 4 << 30)
    monkeypatch.setattr(module.Nursery, "staying_bytes", lambda _self: 6 << 30)
    with closing(module.Nursery(keeps=True)) as nursery:
        means = Means(processes=2, threads=1, nursery=nursery)
        assert "of the 8.0 GiB allowed" in choose_maker(shot.tasks(), look, means)[1]


def test_all_workers_begin_at_once_where_memory_has_room_for_several_times_the_estimate(look: Preset) -> None:
    def at_first(budget: int | None, process: int | None) -> int:
        return Workers(look, Evaluation(1), 8, budget_bytes=budget, process_bytes=process).at_first

    assert at_first(None, None) == 8
    assert at_first(120, 10) == 8
    assert at_first(50, 10) == 3
    assert at_first(20, 10) == 1
    # Nobody estimated anything: the first frame tells.
    assert at_first(240, None) == 1
