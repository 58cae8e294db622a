"""How a job spreads over processes: one table for a plain water and for the full look.

    python -m benchmarks.scaling [--processes 2 4 8 16] [--frames 32] [--alone 8] [--size 3840x2160]
                                 [--folder /dev/shm] [--looks plain full]

Each job is the installed command, run as a user runs it, on frames that are made here, with one computing
thread a process; loops, fits and tables are on disk from a job before, as on any machine in use. Of each:

- *wall*: seconds of the whole command; *of core*, *of one*: how many times more frames a second than one
  process that is held to one core, and than one that may read ahead and write on other cores meanwhile. Those
  two are measured first, on the first `--alone` frames;
- *CPU/frame*: processor seconds of all its processes over its frames, and against one process;
- *first*: seconds from the command's start until the first process began its first frame;
- *last begins*: seconds after that at which the last process began its first frame; *at work*: how many did.

Above them stands what the machine itself gives: how many times more sums of whole numbers so many processes
do than one does alone. They touch no memory and share nothing; where that is far below the count of
processes, the "processors" are threads of fewer cores, or slow down together, and no job spreads much better.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any

from benchmarks.files import make_frame
from benchmarks.throughput import FULL

from halocline.compute.threads import processors
from halocline.imaging.frame import Window

COMMAND = [sys.executable, "-c", "from halocline.cli.main import main; main()"]
FIRST = 1001
# Half a second of sums in one process, which prints how long they took.
SUMS = """
import sys, time
print("ready", flush=True)
sys.stdin.readline()
started = time.perf_counter()
total = 0
for each in range(9_000_000):
    total += each * each
print(time.perf_counter() - started)
"""


@dataclass(frozen=True)
class Job:
    """What one job took: seconds, processor seconds, and when each process began its first frame."""

    frames: int
    wall: float
    processor: float
    began: tuple[float, ...]

    @property
    def rate(self) -> float:
        """Frames a second."""
        return self.frames / self.wall

    @property
    def a_frame(self) -> float:
        """Processor seconds a frame."""
        return self.processor / self.frames


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--processes", type=int, nargs="+", default=[2, 4, 8, 16])
    parser.add_argument("--frames", type=int, default=32)
    parser.add_argument("--alone", type=int, default=8, help="frames of the jobs of one process")
    parser.add_argument("--size", default="3840x2160", help="of a frame, WIDTHxHEIGHT")
    parser.add_argument("--folder", default="/dev/shm" if Path("/dev/shm").is_dir() else None)
    parser.add_argument("--looks", nargs="+", choices=["plain", "full"], default=["plain", "full"])
    asked = parser.parse_args()
    width, height = map(int, asked.size.split("x"))
    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        folder = Path(name)
        sources(folder, Window(0, 0, width, height), asked.frames)
        print(
            f"{asked.frames} frames of {asked.size} in {asked.folder or 'a temporary folder'}; "
            f"{processors()} processors, {platform.machine()}, Python {platform.python_version()}"
        )
        given = ", ".join(f"{spread_of_sums(count):.1f} times on {count}" for count in asked.processes)
        print(f"sums without memory: {given}")
        for look in asked.looks:
            table(folder, look, asked.processes, asked.frames, min(asked.alone, asked.frames))


def spread_of_sums(processes: int) -> float:
    """Return how many times more sums a second so many processes do than one alone, of medians of three."""
    alone = median(seconds_of_sums(1) for _ in range(3))
    return processes * alone / median(seconds_of_sums(processes) for _ in range(3))


def seconds_of_sums(processes: int) -> float:
    """Return how long the same sums take where so many processes do them at once, seconds."""
    command = [sys.executable, "-c", SUMS]
    jobs = [
        subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        for _ in range(processes)
    ]
    # All have started before the first begins to count.
    told = [job.stdout.readline() for job in jobs if job.stdout]
    assert told == ["ready\n"] * processes
    for job in jobs:
        if job.stdin:
            job.stdin.write("go\n")
            job.stdin.flush()
    return sum(float(job.communicate()[0]) for job in jobs) / processes


def sources(folder: Path, window: Window, frames: int) -> None:
    """Make one frame, and give it all their names."""
    clean = folder / "clean"
    clean.mkdir()
    make_frame(folder / "frame.exr", window)
    for number in range(FIRST, FIRST + frames):
        os.link(folder / "frame.exr", clean / f"clean.{number}.exr")
    (folder / "full.toml").write_text(FULL)


def table(folder: Path, look: str, processes: list[int], frames: int, alone: int) -> None:
    """Run the jobs of one look and print a row for each."""
    preset = "jerlov-1c" if look == "plain" else str(folder / "full.toml")
    run(folder, preset, 1, 1)
    print(f"\n{look} look ({frames} frames, {alone} for one process, one computing thread a process)")
    print("processes   wall s  of core  of one  CPU s/frame  of one   first s  last begins s  at work")
    core = run(folder, preset, 1, alone, cores={min(os.sched_getaffinity(0))})
    one = run(folder, preset, 1, alone)
    row("on a core", core, core, one)
    row("1", one, core, one)
    for count in processes:
        row(str(count), run(folder, preset, count, frames), core, one)


def row(name: str, job: Job, core: Job, one: Job) -> None:
    """Print what one job took."""
    print(
        f"{name:9}  {job.wall:7.1f}  {job.rate / core.rate:7.2f}  {job.rate / one.rate:6.2f}  "
        f"{job.a_frame:11.2f}  {job.a_frame / one.a_frame:6.2f}  "
        f"{job.began[0]:8.1f}  {job.began[-1] - job.began[0]:13.1f}  {len(job.began):7}",
        flush=True,
    )


def run(folder: Path, preset: str, processes: int, frames: int, cores: set[int] | None = None) -> Job:
    """Run one job, on some cores only if told, and take its figures from its own record and the system's."""
    out = folder / "wet"
    before, started, clock = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter(), time.time()
    done = subprocess.run(
        [
            *(*COMMAND, "apply", preset, str(folder / "clean" / "clean.####.exr"), "--out", f"{out}/"),
            *("--processes", str(processes), "--threads", "1", "--no-check", "--log", "json"),
            *("--frames", f"{FIRST}-{FIRST + frames - 1}"),
        ],
        preexec_fn=(lambda: os.sched_setaffinity(0, cores)) if cores else None,
        capture_output=True,
        text=True,
        check=False,
    )
    wall, after = time.perf_counter() - started, resource.getrusage(resource.RUSAGE_CHILDREN)
    shutil.rmtree(out, ignore_errors=True)
    if done.returncode:
        raise SystemExit(done.stderr or done.stdout)
    events = [json.loads(line) for line in done.stdout.splitlines()]
    return Job(
        frames,
        wall,
        after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime,
        tuple(sorted(moment - clock for moment in first_begun(events).values())),
    )


def first_begun(events: list[dict[str, Any]]) -> dict[int, float]:
    """Return when each process began its first frame, seconds of the clock."""
    found: dict[int, float] = {}
    for event in events:
        if event["event"] == "frame":
            found[event["process"]] = min(event["began"], found.get(event["process"], event["began"]))
    return found


if __name__ == "__main__":
    main()
