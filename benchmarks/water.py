"""A plain water with its blur: what it costs at UHD, what it holds in memory, and how soon it is ready.

    python -m benchmarks.water [--frames N] [--rounds N] [--processes N]

*Floor* is a plain program that reads and writes the same files (see `benchmarks.throughput`); *plain water*
a whole job with a shipped water, *no blur* the same without forward scatter. Processor seconds (*CPU*) tell
more than seconds where the machine has other work to do.

*Ready* is what a frame needs before its first pixel, in a process that has everything imported: spectra
fitted to bands, radiative transfer solved, tables for the lens, the halo. A *known* water's bands were fitted
before, on this machine or for the package; for a *new* one they are fitted first. *Tables* is the memory that
this leaves in use.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
import tracemalloc
from pathlib import Path

from benchmarks.files import RGBA, UHD, make_frame
from benchmarks.throughput import CONTEXT, Way, floor, job, measured

from halocline.batch.memory_budget import gibibytes, size_job
from halocline.batch.plan_tasks import plan_tasks
from halocline.compute.memory import keep_freed_memory
from halocline.compute.threads import processors
from halocline.graph.plan import make_plan
from halocline.imaging.camera import pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.presets.build import make_shot
from halocline.presets.preset import Preset, load_preset, preset_from_text
from halocline.rgb import LINEAR_REC709

PRESET = "jerlov-1c"
# Water nobody has fitted before: a number that changes with every run.
NEW = 'format = 1\nextends = "jerlov-1c"\n[water]\njerlov_type = "1C"\nattenuation_550 = {}\n'
READY_S = {"known": 0.1, "new": 3.0}
TABLES_MB = 64.0
TARGET = 1.15
READY, TRACED = "--ready", "--traced"


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--frames", type=int, default=4)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--processes", type=int, default=1)
    options = parser.parse_args()
    keep_freed_memory()
    CONTEXT.set_forkserver_preload(["halocline.batch.means", "halocline.batch.run", "benchmarks.files"])
    print(f"UHD, {''.join(RGBA)} half + Z float, zip; {options.rounds} interleaved rounds; medians")
    with tempfile.TemporaryDirectory() as folder:
        _frames(Path(folder), options.frames, options.rounds, options.processes)
    for kind, most in READY_S.items():
        wall, worked, held = _ready(kind)
        print(f"  {kind + ' water ready':<14}{wall:8.3f} s {worked:8.3f} CPU s   target {most}")
        print(f"  {'its tables':<14}{held:8.1f} MB   target {TABLES_MB:.0f}")


def _frames(folder: Path, frames: int, rounds: int, processes: int) -> None:
    looks = {"no blur": _without_blur(), "plain water": load_preset(PRESET)}
    sources = [folder / f"clean.{1001 + index}.exr" for index in range(frames)]
    make_frame(sources[0], UHD)
    for source in sources[1:]:
        source.write_bytes(sources[0].read_bytes())
    pattern = folder / "clean.####.exr"
    ways = [Way("floor", floor(sources, processors()))]
    ways += [Way(name, job(pattern, look, processes)) for name, look in looks.items()]
    found = measured(ways, folder, rounds)
    tasks = plan_tasks(pattern, out=folder / "x")
    base = {name: statistics.median(getattr(found["floor"], name)) for name in ("seconds", "processor")}
    for name, took in found.items():
        wall, worked = (statistics.median(each) for each in (took.seconds, took.processor))
        line = (
            f"  {name:<14}{wall / frames:8.3f} s {worked / frames:8.3f} CPU s a frame"
            f"{wall / base['seconds']:8.2f} floors {worked / base['processor']:6.2f} in CPU"
        )
        if took.peak:
            size = size_job(tasks, looks[name], processes=1).process_bytes
            line += f"   memory {gibibytes(took.peak)}, estimated {gibibytes(size)}"
        print(line)
    print(f"  target: plain water {TARGET} floors")


def _without_blur() -> Preset:
    text = f'format = 1\nextends = "{PRESET}"\n[steps.forward_scatter]\nenabled = false\n'
    return preset_from_text(text)


def _ready(kind: str) -> tuple[float, float, float]:
    """Return seconds, processor seconds and megabytes of making a water ready, each in a fresh process.

    Tracing memory makes what is timed several times slower, so it has a process of its own.
    """
    found = []
    for mode in (READY, TRACED):
        command = [sys.executable, "-m", "benchmarks.water", mode, kind]
        done = subprocess.run(command, check=True, capture_output=True, text=True)
        found.append([float(word) for word in done.stdout.split()])
    return found[0][0], found[0][1], found[1][2]


def _make_ready(mode: str, kind: str) -> None:
    # Everything imported and compiled, by another water.
    _plan(load_preset("jerlov-3c"))
    if mode == TRACED:
        # Modules that only a fit imports are no tables.
        _plan(preset_from_text(NEW.format(0.4 + time.time() % 1e-2)))
        tracemalloc.start()
    began = time.perf_counter(), time.process_time()
    _plan(load_preset(PRESET) if kind == "known" else preset_from_text(NEW.format(0.5 + time.time() % 1e-2)))
    took = time.perf_counter() - began[0], time.process_time() - began[1]
    print(*took, tracemalloc.get_traced_memory()[0] / 1e6)


def _plan(look: Preset) -> None:
    shot = make_shot(
        look,
        1001,
        CameraTrack({1001: pinhole(UHD, focal_length_mm=28.0, film_width_mm=36.0)}),
        space=LINEAR_REC709,
        display_window=UHD,
        data_window=UHD,
    )
    make_plan(look.at(1001).graph, shot, ("rgb", "alpha", "range"), ("rgb", "alpha"))
    shot.path.veil_rays()
    shot.path.water.daylight()


if __name__ == "__main__":
    if sys.argv[1:2] in ([READY], [TRACED]):
        _make_ready(*sys.argv[1:3])
    else:
        main()
