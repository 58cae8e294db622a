"""What a deep sample costs: to read, to put under water, to write; and how much memory.

    python -m benchmarks.deep [--width N] [--rounds N]

A made-up picture of 0 to 5 samples a pixel (2.5 on average) before a plain water, one thread. Told are
microseconds a sample, medians over the rounds, and beside them what a pixel of the flat picture costs in the
same rounds.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from pathlib import Path

import numpy as np

from halocline.batch.frame_task import peak_memory_bytes, read_inputs, render, write_result
from halocline.batch.task import FrameTask
from halocline.graph.engine import Evaluation
from halocline.imaging.deep_file import DeepPixels, write_deep
from halocline.imaging.exr import Attribute, Part
from halocline.imaging.exr_write import PartPixels, write_exr
from halocline.imaging.frame import Window
from halocline.presets.preset import Preset, load_preset

REC709 = (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329)


def _files(folder: Path, window: Window) -> tuple[Path, Path, int]:
    """Write the picture deep and flat; return both, and how many samples there are."""
    random = np.random.default_rng(1)
    counts = random.integers(0, 6, window.shape)
    size = int(counts.sum())
    values = {name: random.uniform(0.1, 0.5, size).astype(np.float32) for name in "RGBA"}
    values |= dict.fromkeys(("Z", "ZBack"), np.sort(random.uniform(2.0, 20.0, size)).astype(np.float32))
    attributes = {"chromaticities": Attribute("float[8]", REC709)}
    kinds = {**dict.fromkeys("RGBA", "half"), "Z": "float", "ZBack": "float"}
    part = Part(0, "", "", kinds, window, window, attributes=attributes)
    deep, flat = folder / "deep.exr", folder / "flat.exr"
    write_deep(deep, [DeepPixels(part, [(counts, values)])])
    planes = {name: random.uniform(0.1, 0.5, window.shape).astype(np.float32) for name in "RGBAZ"}
    flat_part = Part(
        0, "", "", {name: kinds[name] for name in "RGBAZ"}, window, window, attributes=attributes
    )
    write_exr(flat, [PartPixels(flat_part, planes)])
    return deep, flat, size


def _seconds(source: Path, preset: Preset) -> tuple[float, float, float]:
    started = time.perf_counter()
    task = FrameTask(1, source, None, source.with_name("wet.exr"), replace=True)
    inputs = read_inputs(task, preset)
    read = time.perf_counter()
    result = render(inputs, preset, Evaluation(1))
    rendered = time.perf_counter()
    write_result(result, preset)
    return read - started, rendered - read, time.perf_counter() - rendered


def main() -> None:
    """Print the figures."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--width", type=int, default=960)
    arguments.add_argument("--rounds", type=int, default=3)
    given = arguments.parse_args()
    window = Window(0, 0, given.width, given.width * 9 // 16)
    flat_look = load_preset("jerlov-1c")
    deep_look = load_preset("jerlov-1c", ["output.deep=true"])
    with tempfile.TemporaryDirectory() as folder:
        deep, flat, size = _files(Path(folder), window)
        cases = {
            "flat": (flat, flat_look, window.width * window.height),
            "deep, written flat": (deep, flat_look, size),
            "deep, written deep": (deep, deep_look, size),
        }
        for source, look, _ in cases.values():
            _seconds(source, look)
        rounds: dict[str, list[tuple[float, float, float]]] = {name: [] for name in cases}
        for _ in range(given.rounds):
            for name, (source, look, _) in cases.items():
                rounds[name].append(_seconds(source, look))
    print(f"{window.width} x {window.height}, {size} samples; microseconds a sample (a pixel for flat)")
    print(f"{'':<22}{'read':>8}{'water':>8}{'write':>8}")
    for name, (_, _, number) in cases.items():
        row = (1e6 * statistics.median(stage) / number for stage in zip(*rounds[name], strict=True))
        print(f"{name:<22}" + "".join(f"{each:8.2f}" for each in row))
    print(f"peak memory {peak_memory_bytes() / 1e6:.0f} MB")


if __name__ == "__main__":
    main()
