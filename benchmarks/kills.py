"""Jobs killed at random moments, by the hundred, and taken up again: what lies on disk is always right.

    python -m benchmarks.kills [--kills 1000] [--together 4] [--seed 1] [--size 640x360]
        [--ways one two four farm dask fresh]

A *round* is one folder: the command is started and killed (SIGKILL, with all its processes) at a random
moment, ten times; each time, every frame that lies there by its final name must be, to the byte, the one
of an undisturbed run. Then it is taken up without a kill: it must end with exit status 0, every frame right,
and nothing left over but the lock that stays in the folder and claims that a kill cut off before they said
whose they are (they go by age).

- *one*, *two*, *four*: `halocline apply --resume` with so many processes;
- *farm*: a job file of three shots;
- *dask*: through a scheduler with two workers of its own; half the kills hit a worker, and then the command
  itself must come to a right end;
- *fresh*: caches and compiled loops are begun anew for every second start, so that kills fall into their
  writing; what a cut-off one left there must not harm the next.

Rounds run side by side in threads, each with folders of its own, and each is told of when it ends. Exit
status 1 if anything was wrong.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import psutil
from benchmarks.files import make_frame

from halocline.imaging.frame import Window

COMMAND = (sys.executable, "-c", "from halocline.cli.main import main; main()")
FRAMES = range(1001, 1011)
KILLS_A_ROUND = 10
LOOK = "jerlov-1c"
JOB = f"""format = 1
preset = "{LOOK}"
""" + "".join(
    f"""
[shots.arch_{number}]
beauty = "clean/clean.####.exr"
out = "wet/{number}/"
frames = "{frames}"
"""
    for number, frames in (("010", "1001-1004"), ("020", "1005-1007"), ("030", "1008-1010"))
)
CLUSTER = """
import sys, time
from distributed import LocalCluster
if __name__ == "__main__":
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None,
                      host="127.0.0.1") as made:
        print(made.scheduler_address, flush=True)
        sys.stdin.read()
"""


@dataclass
class Round:
    """One folder in which a job is killed again and again, and what came of it."""

    way: str
    folder: Path
    seed: int

    def __post_init__(self) -> None:
        self.out = self.folder / "wet"
        self.chance = random.Random(self.seed)
        self.found: Counter[str] = Counter()
        self.wrong: list[str] = []
        self.cache = self.folder / "cache"

    def arguments(self, address: str | None) -> list[str]:
        """Return the command of this way of working."""
        if self.way == "farm":
            return [
                "farm",
                "run",
                str(self.folder / "night.toml"),
                "--processes",
                "2",
                "--resume",
                "--no-check",
            ]
        count = {"one": 1, "two": 2, "four": 4, "fresh": 2}.get(self.way)
        how = ["--processes", str(count)] if count else ["--scheduler", str(address)]
        pattern = str(self.folder / "clean" / "clean.####.exr")
        return ["apply", LOOK, pattern, "--out", f"{self.out}/", "--resume", "--no-check", *how]

    def start(self, address: str | None) -> subprocess.Popen[str]:
        """Start the command, first of a process group of its own."""
        environment = dict(os.environ)
        if self.way == "fresh":
            environment |= {
                "HALOCLINE_CACHE": str(self.cache / "fits"),
                "NUMBA_CACHE_DIR": str(self.cache / "loops"),
            }
        return subprocess.Popen(
            [*COMMAND, *self.arguments(address)],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
            env=environment,
        )

    def frames(self) -> dict[str, str]:
        """Return the digest of each frame that lies there by its final name."""
        return {
            path.name: hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted(self.out.rglob("*.exr"))
            if not path.name.startswith(".")
        }

    def run(self, kills: int, expected: dict[str, str], lasts: float) -> Round:
        """Kill the job so many times, then let it end."""
        with cluster(self.way == "dask") as served:
            address, pid = served
            for number in range(kills):
                self._killed(number, address, pid, lasts)
                self._judge(expected, f"after kill {number}")
                if len(self.frames()) == len(expected):
                    shutil.rmtree(self.out)
                if self.way == "fresh" and number % 2:
                    shutil.rmtree(self.cache, ignore_errors=True)
            self._ended(self.start(address), expected)
        return self

    def _killed(self, number: int, address: str | None, pid: int | None, lasts: float) -> None:
        process = self.start(address)
        try:
            text, _ = process.communicate(timeout=self.chance.uniform(0.0, lasts))
        except subprocess.TimeoutExpired:
            workers = workers_of(pid) if pid and self.chance.random() < 0.5 else []
            if workers:
                os.kill(self.chance.choice(workers), signal.SIGKILL)
                self.found["workers killed"] += 1
                self._ended(process, None)
                return
            os.killpg(process.pid, signal.SIGKILL)
            process.communicate()
            self.found["killed at work"] += 1
            return
        self.found["had ended"] += 1
        if process.returncode:
            self.wrong.append(f"run {number} ended with {process.returncode}: {text[-600:]}")

    def _ended(self, process: subprocess.Popen[str], expected: dict[str, str] | None) -> None:
        try:
            text, _ = process.communicate(timeout=600)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            text = process.communicate()[0]
            self.wrong.append(f"did not end in ten minutes: {text[-600:]}")
            return
        if process.returncode:
            self.wrong.append(f"ended with {process.returncode}: {text[-600:]}")
        if expected is None:
            return
        if self.frames() != expected:
            self.wrong.append("the last run ended with other frames")
        left = [
            path
            for path in self.out.rglob(".*")
            if path.is_file()
            and path.name != ".halocline-claims.lock"
            and not (".claim." in path.name and not path.stat().st_size)
        ]
        if left:
            self.wrong.append(f"left over: {sorted(path.name for path in left)}")

    def _judge(self, expected: dict[str, str], when: str) -> None:
        for name, digest in self.frames().items():
            if expected.get(name) != digest:
                self.wrong.append(f"{when}: {name} is not the undisturbed frame")


@contextmanager
def cluster(asked: bool) -> Iterator[tuple[str | None, int | None]]:
    """Give the address and the process of a scheduler with two workers, where one is asked for."""
    if not asked:
        yield None, None
        return
    process = subprocess.Popen(
        [sys.executable, "-c", CLUSTER], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    try:
        yield process.stdout.readline().strip(), process.pid
    finally:
        process.communicate("")


def workers_of(pid: int) -> list[int]:
    """Return the processes of a cluster's workers."""
    return [
        child.pid for child in psutil.Process(pid).children() if "spawn_main" in " ".join(child.cmdline())
    ]


def prepared(way: str, folder: Path, frame: Path, seed: int) -> Round:
    """Make a round's folder: the renders, by links to one frame, and the job file."""
    clean = folder / "clean"
    clean.mkdir(parents=True)
    for number in FRAMES:
        os.link(frame, clean / f"clean.{number}.exr")
    (folder / "night.toml").write_text(JOB)
    return Round(way, folder, seed)


def undisturbed(way: str, folder: Path, frame: Path) -> tuple[dict[str, str], float]:
    """Return the digests of an undisturbed run's frames, and how long it took with everything cached."""
    first = prepared(way, folder, frame, 0)
    with cluster(way == "dask") as (address, _):
        for _ in range(1 if way == "fresh" else 2):
            shutil.rmtree(first.out, ignore_errors=True)
            began = time.monotonic()
            first._ended(first.start(address), None)
            lasts = time.monotonic() - began
    if first.wrong:
        raise SystemExit(f"{way}: an undisturbed run: {first.wrong}")
    return first.frames(), lasts


def main() -> None:
    """Run the rounds and print the counts."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--kills", type=int, default=1000, help="of all ways together")
    parser.add_argument("--together", type=int, default=4, help="rounds side by side")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--size", default="640x360", help="of a frame, WIDTHxHEIGHT")
    names = ["one", "two", "four", "farm", "dask", "fresh"]
    parser.add_argument("--ways", nargs="+", choices=names, default=names)
    asked = parser.parse_args()
    each = -(-asked.kills // len(asked.ways))
    harmed = False
    with tempfile.TemporaryDirectory() as name, ThreadPoolExecutor(asked.together) as pool:
        root = Path(name)
        make_frame(root / "frame.exr", Window(0, 0, *map(int, asked.size.split("x"))))
        for way in asked.ways:
            expected, lasts = undisturbed(way, root / way / "whole", root / "frame.exr")
            rounds = [
                prepared(way, root / way / str(number), root / "frame.exr", asked.seed + number)
                for number in range(-(-each // KILLS_A_ROUND))
            ]
            ended = []
            for one in pool.map(lambda one: one.run(KILLS_A_ROUND, expected, lasts), rounds):  # noqa: B023
                ended.append(one)
                print(f"  {way} seed {one.seed}: {_told(one.found)}; {len(one.wrong)} wrong", flush=True)
            counts: Counter[str] = sum((one.found for one in ended), Counter())
            wrong = [f"{way} seed {one.seed}: {line}" for one in ended for line in one.wrong]
            print(
                "\n".join(
                    [
                        f"{way}: {len(ended)} rounds of {lasts:.1f} s; {_told(counts)}; {len(wrong)} wrong",
                        *wrong[:10],
                    ]
                ),
                flush=True,
            )
            harmed = harmed or bool(wrong)
            shutil.rmtree(root / way)
    sys.exit(harmed)


def _told(counts: Counter[str]) -> str:
    return ", ".join(f"{count} {what}" for what, count in counts.items())


if __name__ == "__main__":
    main()
