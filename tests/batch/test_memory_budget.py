"""Processes and threads from cores and memory; a budget that is kept; memory that stays flat.

HALOCLINE_FRAMES sets over how many frames: some in the suite, thousands before a release.
"""

from __future__ import annotations

import gc
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from halocline.batch import memory_budget as module
from halocline.batch.means import Means, choose_maker
from halocline.batch.memory_budget import frame_need, parse_memory, size_job
from halocline.batch.run import run_frames
from halocline.batch.task import FrameTask
from halocline.batch.workers import Workers
from halocline.errors import JobError
from halocline.imaging.exr import read_header
from halocline.imaging.frame import Window
from halocline.presets.preset import load_preset, preset_from_text

if TYPE_CHECKING:
    from tests.batch.conftest import Folder

    from halocline.presets.preset import Preset

UHD = (3840, 2160)
GIB = 1 << 30
FRAMES = int(os.environ.get("HALOCLINE_FRAMES", "80"))


@pytest.fixture
def cores(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "processors", lambda: 16)
    monkeypatch.setattr(module, "free_memory_bytes", lambda: 64 * GIB)


def say_size(monkeypatch: pytest.MonkeyPatch, width: int, height: int) -> None:
    """Have headers say a size."""
    window = Window(0, 0, width, height)

    def enlarged(path: Path) -> object:
        header = read_header(path)
        parts = tuple(replace(part, data_window=window, display_window=window) for part in header.parts)
        return replace(header, parts=parts)

    monkeypatch.setattr(module, "read_header", enlarged)


@pytest.fixture
def large(empty_shot: Folder, monkeypatch: pytest.MonkeyPatch) -> Folder:
    """A shot whose headers say UHD; nobody reads its pixels here."""
    shot = empty_shot.write(range(1001, 1033))
    say_size(monkeypatch, *UHD)
    return shot


@pytest.mark.usefixtures("cores")
def test_plenty_of_memory_uses_all_cores(large: Folder, look: Preset) -> None:
    tasks = large.tasks()
    sizing = size_job(tasks, look)
    assert (sizing.processes, sizing.threads, sizing.overlapped) == (16, 1, True)
    assert sizing.processes * sizing.process_bytes <= sizing.budget_bytes
    assert sizing.budget_bytes == int(0.8 * 64 * GIB)
    few = size_job(tasks[:5], look)
    assert (few.processes, few.threads) == (5, 3)


def test_a_machine_of_few_processors_works_in_one_process(
    large: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "processors", lambda: 2)
    sizing = size_job(large.tasks(), look, memory_bytes=64 * GIB)
    assert (sizing.processes, sizing.threads) == (1, 2)


@pytest.mark.usefixtures("cores")
def test_less_memory_gives_fewer_processes_then_no_overlap_then_an_error(large: Folder, look: Preset) -> None:
    tasks = large.tasks()
    whole = size_job(tasks, look)
    before = whole.processes
    for share in (0.9, 0.5, 0.3, 0.08):
        fewer = size_job(tasks, look, memory_bytes=int(whole.processes * whole.process_bytes * share))
        assert fewer.processes * fewer.process_bytes <= fewer.budget_bytes
        assert fewer.processes <= before
        before = fewer.processes
    assert before == 1
    tight = size_job(tasks, look, memory_bytes=int(whole.process_bytes * 0.8))
    assert (tight.processes, tight.overlapped) == (1, False)
    with pytest.raises(JobError, match="one frame at a time needs about") as caught:
        size_job(tasks, look, memory_bytes=200 << 20)
    assert "--memory" in str(caught.value)


@pytest.mark.usefixtures("cores")
def test_more_processes_than_frames_are_not_started(shot: Folder, look: Preset) -> None:
    assert size_job(shot.tasks(), look, processes=9).processes == 4
    assert size_job(shot.tasks(frames="1001"), look).processes == 1


def test_stated_processes_and_threads_are_kept(shot: Folder, look: Preset) -> None:
    sizing = size_job(shot.tasks(), look, processes=3, threads=5, memory_bytes=8 * GIB)
    assert (sizing.processes, sizing.threads) == (3, 5)
    assert "3 processes of 5 threads" in str(sizing)


def test_frames_that_cannot_be_opened_do_not_stop_the_planning(shot: Folder, look: Preset) -> None:
    tasks = shot.tasks()
    for task in tasks:
        task.beauty.write_bytes(b"junk")
    assert frame_need(tasks, look) is None
    assert size_job(tasks, look).processes == 1


@pytest.mark.parametrize(
    ("halo", "by_rows", "width", "measured"),
    [
        (False, False, 3840, 0.66),
        (False, True, 3840, 0.58),
        (True, False, 3840, 1.13),
        (True, True, 3840, 0.86),
        (False, False, 8192, 1.73),
        (False, True, 8192, 1.51),
        (True, False, 8192, 3.66),
        (True, True, 8192, 2.30),
        (True, True, 16384, 8.44),
        # No pixel of two surfaces, which no header tells.
        (True, True, 16384, 6.7),
    ],
)
def test_estimates_are_what_frames_were_measured_to_take_and_up_to_three_tenths_more(
    empty_shot: Folder,
    monkeypatch: pytest.MonkeyPatch,
    halo: bool,
    by_rows: bool,
    width: int,
    measured: float,
) -> None:
    """Peaks in GiB that the system counted of one thread and one frame, RGBA and Z (benchmarks/large.py)."""
    tasks = empty_shot.write([1001]).tasks()
    say_size(monkeypatch, width, width // 2)
    steps = "[steps.downwelling]\n[steps.attenuation]\n" + "[steps.forward_scatter]\n" * halo
    text = 'format = 1\n[water]\njerlov_type = "1C"\n' + steps + "[steps.veiling_light]\n"
    need = frame_need(tasks, preset_from_text(text))
    assert need is not None
    peak = need.peak(overlapped=False, threads=1, tile_rows=None, by_rows=by_rows)
    assert 1.0 <= peak / GIB / measured <= 1.3


@pytest.mark.parametrize(
    ("name", "whole", "by_rows"),
    [
        ("summer-thermocline", 1.02, 0.92),
        ("deep-and-calm", 1.41, 0.74),
        ("dome-port", 1.03, 0.71),
        ("far-silhouette", 1.04, 0.63),
    ],
)
def test_estimates_of_looks_that_work_on_copies_are_above_what_was_measured_and_within_reason(
    empty_shot: Folder, monkeypatch: pytest.MonkeyPatch, name: str, whole: float, by_rows: float
) -> None:
    """Peaks in GiB that the system counted of two threads and one UHD frame, RGBA and Z."""
    tasks = empty_shot.write([1001]).tasks()
    say_size(monkeypatch, 3840, 2160)
    need = frame_need(tasks, load_preset(name))
    assert need is not None
    for rows, measured, most in ((False, whole, 1.8), (True, by_rows, 2.3)):
        peak = need.peak(overlapped=False, threads=2, tile_rows=None, by_rows=rows)
        assert 1.05 <= peak / GIB / measured <= most


def test_a_halo_in_bands_beside_a_layer_is_estimated_above_what_was_measured(
    empty_shot: Folder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The most that was measured of any look, likewise: 1.75 GiB, with shafts, caustics and particles."""
    tasks = empty_shot.write([1001]).tasks()
    say_size(monkeypatch, 3840, 2160)
    steps = "".join(
        f"[steps.{name}]\n"
        for name in ("downwelling", "caustics", "attenuation", "veiling_light", "light_shafts")
    )
    halo = '[steps.forward_scatter]\ndetail = "bands"\n[steps.suspended_matter]\n'
    layer = '[[steps.water_layers.layers]]\ndepth = "9.5 m"\n'
    text = f'format = 1\n[water]\njerlov_type = "1C"\n{steps}{halo}{layer}'
    need = frame_need(tasks, preset_from_text(text))
    assert need is not None
    peak = need.peak(overlapped=False, threads=2, tile_rows=None)
    assert 1.05 <= peak / GIB / 1.75 <= 1.3


def test_the_machine_is_asked_for_its_memory() -> None:
    assert module.free_memory_bytes() > 1 << 20


@pytest.mark.parametrize(
    ("text", "amount"),
    [("8G", 8 * GIB), ("512M", 512 << 20), ("1.5 GiB", 3 * GIB // 2), ("2gb", 2 * GIB), ("4096", 4096)],
)
def test_amounts_of_memory_are_read(text: str, amount: int) -> None:
    assert parse_memory(text) == amount


@pytest.mark.parametrize("text", ["", "G", "-1G", "many", "1e99", "9999999999999T", "nan", "８G"])
def test_what_is_no_amount_of_memory_is_refused(text: str) -> None:
    with pytest.raises(JobError, match="is no amount of memory"):
        parse_memory(text)


def memory_held() -> int:
    """Return the resident memory of this process, bytes."""
    return int(Path("/proc/self/status").read_text().split("VmRSS:")[1].split()[0]) << 10


def held_by(tasks: list[FrameTask], look: str) -> list[int]:
    """Return the resident memory of this process after each quarter of the frames."""
    resident: list[int] = []
    seen = 0

    def measure(_event: object) -> None:
        nonlocal seen
        seen += 1
        if seen % (len(tasks) // 4) == 0:
            gc.collect()
            resident.append(memory_held())

    assert run_frames(tasks, load_preset(look), report=measure).complete
    return resident


def test_memory_stays_flat_over_many_frames(empty_shot: Folder) -> None:
    """In a process of its own: one that has run many tests gives and takes megabytes for other reasons."""
    tasks = empty_shot.write(range(1, FRAMES + 1), size=(32, 18)).tasks()
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        held = pool.submit(held_by, tasks, "jerlov-1c").result()
    # The summary itself keeps a record of each frame, some ten kilobytes. What grows does so in every part; a
    # thread's first pool of memory is one step.
    assert min(after - before for before, after in pairwise(held)) < FRAMES * (20 << 10)


def test_a_header_that_asks_for_far_too_much_fails_its_frame_before_it_is_read(
    shot: Folder, look: Preset
) -> None:
    """A damaged display window of 11000 x 11000: some 4 GB if it were believed."""
    import struct

    path = shot.clean / "arch.1003.exr"
    data = bytearray(path.read_bytes())
    window = data.index(b"displayWindow\0box2i\0") + len(b"displayWindow\0box2i\0") + 4
    data[window : window + 16] = struct.pack("<4i", 0, 0, 10999, 10999)
    path.write_bytes(data)
    tasks = shot.tasks()
    # This process may have been larger: its peak begins anew, at what it holds (proc_pid_clear_refs(5)).
    Path("/proc/self/clear_refs").write_text("5")
    held = memory_held()
    for processes in (1, 2):
        maker, _ = choose_maker(tasks, look, Means(processes=processes, memory_bytes=2 * GIB))
        summary = run_frames(shot.tasks(f"wet{processes}"), look, maker=maker)
        assert [failure.error.code for failure in summary.failed] == ["E-JOB-MEMORY"]
        assert "its header asks for 121 million pixels" in str(summary.failed[0].error)
        assert "arch.1003.exr" in str(summary.failed[0].error)
        assert len(summary.done) == 3
        assert all(record.peak_memory_bytes < held + GIB for record in summary.done)


def test_memory_is_touched_ahead_where_this_process_makes_the_frames(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []
    monkeypatch.setattr("halocline.batch.means.touch_ahead", asked.append)
    crew, _ = choose_maker(shot.tasks(), look, Means(processes=2))
    # Several have it done each for itself.
    assert asked == []
    assert isinstance(crew, Workers)
    assert crew.settings.surely_used == size_job(shot.tasks(), look, processes=2).surely_used > 0
    choose_maker(shot.tasks(), look, Means(processes=1))
    estimated = size_job(shot.tasks(), look, processes=1)
    # Never more than is used: of what is estimated frames use .65 and more.
    assert asked == [estimated.surely_used]
    assert 0 < estimated.surely_used <= 0.6 * estimated.process_bytes
    assert replace(estimated, by_rows=True).surely_used == replace(estimated, on_disk=1).surely_used == 0
