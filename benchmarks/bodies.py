"""Four bodies of turbid water at UHD: what they cost over the water alone, in floors.

    python -m benchmarks.bodies [--rounds N] [--threads N]

*Floor* is a plain program that reads and writes the frame's file (see `benchmarks.files`). Each look is made
from the planes in memory: surroundings, steps, picture. The ways take turns; told are processor seconds, the
lowest and the median, and what each look takes beyond the water alone, in floors. *things* shade all else, as
they do unless told; *no shade* has ``shade_things = 0``; *coarse* has half of the view rays.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from benchmarks.files import make_frame, plain

from halocline.batch.frame_task import FrameInputs, read_inputs, render
from halocline.batch.task import FrameTask
from halocline.compute.memory import keep_freed_memory
from halocline.graph.engine import Evaluation
from halocline.imaging.exr import set_file_threads
from halocline.presets.preset import Preset, preset_from_text

TARGET = 0.5
# Before the lens of `make_frame`, which stands 2 m above the origin and looks level along -z.
BODIES = """
[steps.turbid_bodies]
after = "veiling_light"
[[steps.turbid_bodies.bodies]]
name = "cloud"
position = [-0.8, 2.2, -4.0]
size = [2.5, 1.5, 2.0]
visibility = 1.5
contents = "sand"
[[steps.turbid_bodies.bodies]]
name = "block"
kind = "box"
position = [1.5, 1.6, -6.0]
size = [2.0, 1.5, 3.0]
visibility = 2.0
[[steps.turbid_bodies.bodies]]
name = "along the floor"
kind = "floor"
floor = -1.8
thickness = 0.7
visibility = 1.2
[[steps.turbid_bodies.bodies]]
name = "trail"
kind = "plume"
growth = 0.05
track = [
    { frame = 960, position = [-2.0, 1.0, -5.0] },
    { frame = 1001, position = [1.0, 2.6, -3.0] },
]
"""
LOOKS = {
    "water": "",
    "things": BODIES,
    "no shade": BODIES.replace("after", "shade_things = 0.0\nafter", 1),
    "coarse": BODIES.replace("after", "rays = 100\nafter", 1),
}


def look(bodies: str) -> Preset:
    """Return a water with bodies in it."""
    return preset_from_text(f'format = 2\nextends = "jerlov-1c"\n{bodies}')


def made(inputs: FrameInputs, preset: Preset, threads: int) -> Callable[[], object]:
    """Return a way that puts a frame under water."""
    return lambda: render(inputs, preset, Evaluation(threads))


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--threads", type=int, default=1)
    options = parser.parse_args()
    keep_freed_memory()
    set_file_threads(options.threads)
    with tempfile.TemporaryDirectory() as folder:
        source, target = Path(folder, "clean.1001.exr"), Path(folder, "out.exr")
        make_frame(source)
        looks = {name: look(bodies) for name, bodies in LOOKS.items()}
        task = FrameTask(1001, source, None, target)
        ways: dict[str, Callable[[], object]] = {"floor": lambda: plain(source, target)}
        ways |= {
            name: made(read_inputs(task, preset), preset, options.threads) for name, preset in looks.items()
        }
        spent: dict[str, list[float]] = {name: [] for name in ways}
        for number in range(options.rounds + 1):
            for name, way in ways.items():
                began = time.process_time()
                way()
                if number:
                    spent[name].append(time.process_time() - began)
    print(f"UHD, {options.threads} threads, {options.rounds} rounds; processor seconds, lowest and median")
    floor, water = (min(spent[name]) for name in ("floor", "water"))
    for name, each in spent.items():
        over = f"{(min(each) - water) / floor:7.2f} floors over the water" if name in LOOKS else ""
        print(f"  {name:<10}{min(each):8.3f}{statistics.median(each):8.3f}{over}")
    print(f"  target: {TARGET} floors")


if __name__ == "__main__":
    main()
