"""A month of nights in minutes: memory, threads and open files of long jobs, which must stay flat.

    python -m benchmarks.soak [--frames 2000] [--shots 200] [--processes 2] [--look full] [--size 192x108]
        [--every 100]

Two jobs, each the command as a user runs it: *one process* makes so many frames of one shot; *farm* makes so
many shots of five frames by `farm run` with so many worker processes. Of the whole family of processes are
taken, twice a second: resident memory, threads and open file descriptors. A line is printed every so many
frames, so that a job that is cut off has told something. At the end a row is a quarter of the job's frames,
with the largest value met in it; *drift* compares the last quarter with the second, by which everything that
is kept has been made. Exit status 1 where a job fails, or where memory drifts by more than a tenth, or
threads or files by more than two a process.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections import deque
from dataclasses import dataclass
from pathlib import Path

import psutil
from benchmarks.files import make_frame
from benchmarks.throughput import FULL

from halocline.imaging.frame import Window

COMMAND = (sys.executable, "-c", "from halocline.cli.main import main; main()")
FRAMES_A_SHOT = 5
EVERY = 0.5
MEBIBYTE = 2.0**20
# Samples without which a curve says nothing.
FEWEST = 20
# Of the last quarter over the second: what a job may grow by.
MEMORY_DRIFT = 1.1
COUNT_DRIFT = 2


@dataclass(frozen=True)
class Sample:
    """What a family of processes holds at one moment, and how many frames it had told of."""

    frames: int
    mebibytes: float
    threads: int
    files: int
    processes: int


def main() -> None:
    """Run both jobs and print their curves."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--frames", type=int, default=2000, help="of the one process; 0 leaves it out")
    parser.add_argument("--shots", type=int, default=200, help="of the farm job; 0 leaves it out")
    parser.add_argument("--processes", type=int, default=2, help="of the farm job")
    parser.add_argument("--look", default="full", help="a preset, or full: everything at once")
    parser.add_argument("--size", default="192x108", help="of a frame, WIDTHxHEIGHT")
    parser.add_argument("--every", type=int, default=100, help="frames from one line to the next")
    asked = parser.parse_args()
    width, height = map(int, asked.size.split("x"))
    steady = True
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make_frame(folder / "frame.exr", Window(0, 0, width, height))
        look = asked.look
        if look == "full":
            look = str(folder / "full.toml")
            Path(look).write_text(FULL)
        if asked.frames:
            renders(folder / "long", folder / "frame.exr", asked.frames)
            job = ["apply", look, str(folder / "long" / "clean.####.exr"), "--out", str(folder / "wet" / "")]
            steady &= soaked(
                f"one process, {asked.frames} frames", [*job, "--processes", "1", "--no-check"], asked.every
            )
        if asked.shots:
            job = farm_job(folder, look, asked.shots, asked.processes)
            steady &= soaked(f"farm, {asked.shots} shots of {FRAMES_A_SHOT}", job, asked.every)
    sys.exit(not steady)


def renders(folder: Path, frame: Path, count: int) -> None:
    """Give one frame the names of a sequence."""
    folder.mkdir()
    for number in range(1001, 1001 + count):
        os.link(frame, folder / f"clean.{number}.exr")


def farm_job(folder: Path, look: str, shots: int, processes: int) -> list[str]:
    """Write a job file of many short shots, and return the command that runs it."""
    renders(folder / "short", folder / "frame.exr", FRAMES_A_SHOT)
    text = f'format = 1\npreset = "{look}"\n' + "".join(
        f'\n[shots.s{number:04}]\nbeauty = "short/clean.####.exr"\nout = "wet_farm/{number:04}/"\n'
        for number in range(shots)
    )
    (folder / "night.toml").write_text(text)
    return ["farm", "run", str(folder / "night.toml"), "--processes", str(processes), "--no-check"]


def soaked(title: str, arguments: list[str], every: int) -> bool:
    """Run one job, print a line now and then and its curve at the end, and tell whether it stayed flat."""
    began = time.perf_counter()
    print(f"\n{title}\n  frames  seconds  memory MiB  threads  files", flush=True)
    with tempfile.TemporaryFile("w+") as complaints:
        job = [*COMMAND, *arguments, "--log", "json"]
        process = subprocess.Popen(job, stdout=subprocess.PIPE, stderr=complaints, text=True)
        done = Counted(process)
        done.start()
        samples: list[Sample] = []
        told = 0
        while process.poll() is None:
            samples.append(_held(process.pid, done.frames))
            if done.frames >= told + every:
                told = done.frames - done.frames % every
                _print(f"{done.frames:8}  {time.perf_counter() - began:7.0f}", samples[-1])
            time.sleep(EVERY)
        done.join()
        complaints.seek(0)
        last = "\n".join([*done.last, complaints.read()[-500:]])
    print(f"{done.frames} frames in {time.perf_counter() - began:.0f} s, exit status {process.returncode}")
    if process.returncode or len(samples) < FEWEST:
        print(last if process.returncode else "too short to judge: more frames or shots are needed")
        return not process.returncode
    return _flat(samples, done.frames)


class Counted(threading.Thread):
    """Reads the job's log for machines, and counts the frames that it tells of."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        super().__init__()
        self.frames = 0
        self.last: deque[str] = deque(maxlen=3)
        self._process = process

    def run(self) -> None:
        """Read to the end."""
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self.last.append(line[-500:].rstrip())
            if line.startswith("{"):
                self.frames += json.loads(line).get("event") == "frame"


def _held(pid: int, frames: int) -> Sample:
    held = Sample(frames, 0.0, 0, 0, 0)
    with contextlib.suppress(psutil.NoSuchProcess):
        family = psutil.Process(pid)
        for each in (family, *family.children(recursive=True)):
            # One that ends as it is looked at holds nothing.
            with contextlib.suppress(psutil.NoSuchProcess), each.oneshot():
                memory = each.memory_full_info().uss / MEBIBYTE
                held = Sample(
                    frames,
                    held.mebibytes + memory,
                    held.threads + each.num_threads(),
                    held.files + each.num_fds(),
                    held.processes + 1,
                )
    return held


def _flat(samples: list[Sample], frames: int) -> bool:
    print(" quarter           memory MiB  threads  files")
    quarters = [
        [each for each in samples if number <= 4 * each.frames / (frames + 1) < number + 1]
        for number in range(4)
    ]
    if not all(quarters):
        print("frames were not told of as they were made: nothing to compare")
        return False
    largest = [_largest(quarter) for quarter in quarters]
    for number, quarter in enumerate(largest, 1):
        _print(f"{number:8}         ", quarter)
    early, late = largest[1], largest[3]
    grown = late.mebibytes / early.mebibytes
    more = max(late.threads - early.threads, late.files - early.files)
    print(
        f"   drift           {grown:10.3f}  {late.threads - early.threads:+7}  {late.files - early.files:+5}",
        flush=True,
    )
    return grown <= MEMORY_DRIFT and more <= COUNT_DRIFT * late.processes


def _print(start: str, held: Sample) -> None:
    print(f"{start}  {held.mebibytes:10.0f}  {held.threads:7}  {held.files:5}", flush=True)


def _largest(samples: list[Sample]) -> Sample:
    return Sample(
        max(each.frames for each in samples),
        max(each.mebibytes for each in samples),
        max(each.threads for each in samples),
        max(each.files for each in samples),
        max(each.processes for each in samples),
    )


if __name__ == "__main__":
    main()
