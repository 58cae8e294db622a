"""A month of nights in minutes: memory, threads and open files of long jobs, which must stay flat.

    python -m benchmarks.soak [--frames 2000] [--shots 200] [--processes 2] [--look full] [--size 192x108]

Two jobs, each the command as a user runs it: *one process* makes so many frames of one shot; *farm* makes so
many shots of five frames by `farm run` with so many worker processes. Of the whole family of processes are
taken, twice a second: resident memory, threads and open file descriptors. A row is a tenth of the job's time,
with the largest value met in it; *drift* compares the job's second half with its second tenth, by which
everything that is kept has been made. Exit status 1 where a job fails, or where memory drifts by more than a
tenth, or threads or files by more than two a process.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import psutil
from benchmarks.files import make_frame
from benchmarks.throughput import FULL

from halocline.imaging.frame import Window

COMMAND = (sys.executable, "-c", "from halocline.cli.main import run; run()")
FRAMES_A_SHOT = 5
EVERY = 0.5
MEBIBYTE = 2.0**20
# Of the second half over the second tenth: what a job may grow by.
MEMORY_DRIFT = 1.1
COUNT_DRIFT = 2


@dataclass(frozen=True)
class Sample:
    """What a family of processes holds at one moment."""

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
            steady &= soaked(f"one process, {asked.frames} frames", [*job, "--processes", "1", "--no-check"])
        if asked.shots:
            job = farm_job(folder, look, asked.shots, asked.processes)
            steady &= soaked(f"farm, {asked.shots} shots of {FRAMES_A_SHOT}", job)
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


def soaked(title: str, arguments: list[str]) -> bool:
    """Run one job, print its curve, and tell whether it stayed flat."""
    began = time.perf_counter()
    with tempfile.TemporaryFile("w+") as told:
        process = subprocess.Popen([*COMMAND, *arguments], stdout=told, stderr=subprocess.STDOUT)
        samples: list[Sample] = []
        watcher = threading.Thread(target=_watch, args=(process, samples))
        watcher.start()
        code = process.wait()
        watcher.join()
        told.seek(0)
        last = told.read()[-500:]
    print(f"\n{title}: {time.perf_counter() - began:.0f} s, exit status {code}")
    if code or len(samples) < 20:
        print(last if code else "too short to judge: more frames or shots are needed")
        return not code
    print(" tenth  memory MiB  threads  files")
    tenths = [_largest(list(part)) for part in np.array_split(np.array(samples, object), 10)]
    for number, tenth in enumerate(tenths, 1):
        print(f"{number:6}  {tenth.mebibytes:10.0f}  {tenth.threads:7}  {tenth.files:5}")
    early, late = tenths[1], _largest(tenths[5:])
    grown = late.mebibytes / early.mebibytes
    more = max(late.threads - early.threads, late.files - early.files)
    print(
        f" drift  {grown:10.3f}  {late.threads - early.threads:+7}  {late.files - early.files:+5}", flush=True
    )
    return grown <= MEMORY_DRIFT and more <= COUNT_DRIFT * late.processes


def _watch(process: subprocess.Popen[bytes], samples: list[Sample]) -> None:
    family = psutil.Process(process.pid)
    while process.poll() is None:
        held = Sample(0.0, 0, 0, 0)
        with contextlib.suppress(psutil.NoSuchProcess):
            for each in (family, *family.children(recursive=True)):
                # One that ends as it is looked at holds nothing.
                with contextlib.suppress(psutil.NoSuchProcess), each.oneshot():
                    memory = each.memory_full_info().uss / MEBIBYTE
                    held = Sample(
                        held.mebibytes + memory,
                        held.threads + each.num_threads(),
                        held.files + each.num_fds(),
                        held.processes + 1,
                    )
            samples.append(held)
        time.sleep(EVERY)


def _largest(samples: list[Sample]) -> Sample:
    return Sample(
        max(each.mebibytes for each in samples),
        max(each.threads for each in samples),
        max(each.files for each in samples),
        max(each.processes for each in samples),
    )


if __name__ == "__main__":
    main()
