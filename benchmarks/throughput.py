"""Frames an hour at UHD: whole jobs against plainly reading and writing the same files, in one run.

    python -m benchmarks.throughput [--frames N] [--rounds N] [--processes 1 2 4]

*Floor* is a plain program that reads all channels of every frame as float and writes all of them as float,
frame by frame, with the file library's own threads. *Core* is a shipped water. *Full* adds particles,
caustics, shafts, one water layer and forward scatter. Halocline's jobs do everything that a night on the farm
does: claims, digests of inputs and outputs, reading back, forcing to disk, the manifest.

Processor seconds (*CPU s*, of all processes) compare ways where the machine has other work to do. Memory of
a process is the peak that its frames record; the estimate is what the job was sized by. Another
table shows what the job's safety costs by itself.
"""

from __future__ import annotations

import argparse
import hashlib
import multiprocessing
import os
import platform
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path

from benchmarks.files import RGBA, make_frame, plain

from halocline.batch.means import Means, choose_maker
from halocline.batch.memory_budget import gibibytes, size_job
from halocline.batch.plan_tasks import plan_tasks
from halocline.batch.run import run_frames
from halocline.compute.memory import keep_freed_memory
from halocline.compute.threads import processors
from halocline.imaging.exr import read_header, set_file_threads
from halocline.imaging.frame import Window
from halocline.presets.preset import Preset, load_preset, preset_from_text

FULL = """
format = 1
title = "Everything at once"
extends = "jerlov-1c"

[steps.caustics]
after = "downwelling"

[steps.light_shafts]
after = "veiling_light"

[steps.forward_scatter]
after = "light_shafts"

[steps.suspended_matter]
after = "forward_scatter"

[steps.water_layers]
after = "suspended_matter"

[[steps.water_layers.layers]]
depth = "9.5 m"
thickness = "0.5 m"
above = { temperature = 18.0, salinity = 33.0 }
below = { temperature = 10.0, salinity = 33.8 }
waves = { height = "4 cm", length = "5 m", heading = 70.0 }
turbulence = { strength = 0.22, eddy = "30 cm", speed = 0.03 }
"""
HOUR = 3600.0


# A fresh process for each job, forked from one that has everything imported: its memory is its own.
CONTEXT = multiprocessing.get_context("forkserver")


@dataclass(frozen=True)
class Spent:
    """Processor seconds of a way, and the peak memory of one of its processes."""

    processor: float
    peak: int = 0


@dataclass(frozen=True)
class Way:
    """One way through all frames: what it does, and what it should take at most, in floors."""

    name: str
    run: Callable[[Path], Spent]
    target: float | None = None


def floor(sources: list[Path], threads: int) -> Callable[[Path], Spent]:
    def run(out: Path) -> Spent:
        worked = processor_seconds()
        set_file_threads(threads)
        for source in sources:
            plain(source, out / source.name)
        return Spent(processor_seconds() - worked)

    return run


def job(pattern: Path, look: Preset, processes: int) -> Callable[[Path], Spent]:
    """Return a way that runs a job."""

    def run(out: Path) -> Spent:
        receiver, sender = CONTEXT.Pipe(duplex=False)
        arguments = (sender, str(pattern), look.resolved_text, processes, str(out))
        process = CONTEXT.Process(target=run_job, args=arguments)
        process.start()
        sender.close()
        spent: Spent = receiver.recv()
        process.join()
        return spent

    return run


def run_job(sender: Connection, pattern: str, text: str, processes: int, out: str) -> None:
    """Run a job in this process and tell what it took."""
    worked = processor_seconds()
    look = preset_from_text(text)
    tasks = plan_tasks(pattern, out=out)
    maker, _ = choose_maker(tasks, look, Means(processes=processes))
    summary = run_frames(tasks, look, maker=maker)
    assert summary.complete, [str(failure.error) for failure in summary.failed]
    peak = max(record.peak_memory_bytes for record in summary.done)
    sender.send(Spent(processor_seconds() - worked, peak))


@dataclass
class Measured:
    """What one way took: seconds and processor seconds of each round, and the peak memory of a process."""

    seconds: list[float] = field(default_factory=list)
    processor: list[float] = field(default_factory=list)
    peak: int = 0


def processor_seconds() -> float:
    """Return the processor time of this process and of all its children that ended."""
    spent = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(each.ru_utime + each.ru_stime for each in spent)


def measured(ways: list[Way], folder: Path, rounds: int) -> dict[str, Measured]:
    """Return what each way took. The ways take turns, after one round that does not count."""
    found = {way.name: Measured() for way in ways}
    for number in range(rounds + 1):
        for way in ways:
            with tempfile.TemporaryDirectory(dir=folder) as out:
                os.sync()
                began = time.perf_counter()
                spent = way.run(Path(out))
                if number:
                    found[way.name].seconds.append(time.perf_counter() - began)
                    found[way.name].processor.append(spent.processor)
                    found[way.name].peak = max(found[way.name].peak, spent.peak)
        print(f"round {number} of {rounds}", file=sys.stderr)
    return found


def safety_seconds(source: Path) -> dict[str, float]:
    """Return what single parts of a job's safety cost for one frame."""
    data = source.read_bytes()
    began = time.perf_counter()
    hashlib.sha256(data).hexdigest()
    digest = time.perf_counter() - began
    began = time.perf_counter()
    handle = os.open(source, os.O_RDONLY)
    os.fsync(handle)
    os.close(handle)
    return {"digest of the input": digest, "forcing to disk": time.perf_counter() - began}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--frames", type=int, default=8)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--processes", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--height", type=int, default=2160)
    options = parser.parse_args()
    window = Window(0, 0, options.height * 16 // 9, options.height)
    # As the command line does before anything else; the jobs' processes take it over.
    keep_freed_memory()
    CONTEXT.set_forkserver_preload(["halocline.batch.means", "halocline.batch.run", "benchmarks.files"])
    looks = {"core": load_preset("jerlov-1c"), "full": preset_from_text(FULL)}
    for look in looks.values():
        look.resolved_text  # noqa: B018 - the fit is made once a job; here it is not part of any time
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sources = [folder / f"clean.{1001 + index}.exr" for index in range(options.frames)]
        make_frame(sources[0], window)
        for source in sources[1:]:
            source.write_bytes(sources[0].read_bytes())
        pattern = folder / "clean.####.exr"
        ways = [Way("floor: plain read + write", floor(sources, processors()))]
        for look_name, target in (("core", 1.15), ("full", 2.0)):
            ways += [
                Way(
                    f"{look_name}, {count} process{'es' if count > 1 else ''}",
                    job(pattern, looks[look_name], count),
                    target,
                )
                for count in options.processes
            ]
        found = measured(ways, folder, options.rounds)
        tasks = plan_tasks(pattern, out=folder / "x")
        estimate = {name: size_job(tasks, look, processes=1).process_bytes for name, look in looks.items()}
        part = read_header(sources[0]).parts[0]
        print(
            f"{part.data_window.width} x {part.data_window.height}, {''.join(RGBA)} half + Z float zip, "
            f"{options.frames} frames, {options.rounds} rounds, {processors()} cores, {platform.machine()}, "
            f"Python {platform.python_version()}"
        )
        base = statistics.median(found[ways[0].name].seconds) / options.frames
        heads = ("s a frame", "least", "most", "an hour", "floors", "target", "CPU s", "memory")
        print(f"{'':28}{heads[0]:>10}{''.join(f'{head:>9}' for head in heads[1:])}")
        for way in ways:
            took = found[way.name]
            each = [second / options.frames for second in took.seconds]
            worked = statistics.median(took.processor) / options.frames
            middle = statistics.median(each)
            goal = "" if way.target is None else f"{way.target:.2f}"
            memory = gibibytes(took.peak) if took.peak else ""
            print(
                f"{way.name:28}{middle:10.3f}{min(each):9.3f}{max(each):9.3f}{HOUR / middle:9.0f}"
                f"{middle / base:9.2f}{goal:>9}{worked:9.2f}{memory:>9}"
            )
        for look_name, size in estimate.items():
            print(f"estimated for one process, {look_name}: {gibibytes(size)}")
        for what, second in safety_seconds(sources[0]).items():
            print(f"{what}: {second * 1000:.0f} ms a frame")


if __name__ == "__main__":
    main()
