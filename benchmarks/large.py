"""What large frames take: memory and seconds by size, held whole, by rows, with planes on disk.

    python -m benchmarks.large [--widths 4096 8192 16384] [--looks water halo] [--ways whole rows disk]

Frames twice as wide as high, RGBA half and Z float, uncompressed, a third of them open water, with soft edges
of pillars, made by rows.
``water`` is a plain water without its halo, ``halo`` one with it. Each case is a process of its own; told are
the estimate of the memory budget, the peak that the system counted, both also as bytes a pixel beyond the
process itself, and seconds to read, and to compute and write.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from contextlib import nullcontext
from pathlib import Path

import numpy as np

from halocline._typing import AnyArray
from halocline.batch.frame_task import peak_memory_bytes, read_inputs, render, write_result
from halocline.batch.memory_budget import PROCESS_BYTES, frame_need
from halocline.batch.task import FrameTask
from halocline.compute.planes_on_disk import planes_on_disk
from halocline.graph.engine import Evaluation
from halocline.imaging.exr import Attribute, Part
from halocline.imaging.exr_write import PartPixels, PlaneByRows, RowsTogether, write_exr
from halocline.imaging.frame import Window
from halocline.presets.preset import Preset, preset_from_text

REC709 = (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329)
WATER = 'format = 1\n[water]\njerlov_type = "1C"\n[steps.downwelling]\n[steps.attenuation]\n'
LOOKS = {
    "water": WATER + "[steps.veiling_light]\n",
    "halo": WATER + "[steps.forward_scatter]\n[steps.veiling_light]\n",
    "full": 'format = 1\nextends = "fjord-archway"\n',
}


def frame(path: Path, width: int) -> Path:
    """Write a frame without ever holding it."""
    window = Window(0, 0, width, width // 2)
    across = np.linspace(0.0, 40.0, width, dtype=np.float32)

    def rows(start: int, stop: int) -> dict[str, AnyArray]:
        down = np.arange(start, stop, dtype=np.float32)[:, None] / window.height
        cover = np.broadcast_to((down > 1 / 3).astype(np.float32), (stop - start, width))
        # Pillars with soft edges before a floor.
        pillar = np.clip(0.5 + 0.05 * width * np.sin(2.0 * across), 0.0, 1.0)
        tone = (pillar * 0.1 + (1.0 - pillar) * (0.5 + 0.2 * np.sin(across + 30.0 * down))) * cover
        floor = 2.0 + 10.0 / np.maximum(down, 0.1)
        metres = np.where(cover > 0, np.where(pillar > 0.5, 1.5, floor), 1e10).astype(np.float32)
        return {"R": tone, "G": 0.8 * tone, "B": 0.6 * tone, "A": cover, "Z": metres}

    together = RowsTogether(rows)
    kinds = {**dict.fromkeys("RGBA", "half"), "Z": "float"}
    attributes = {"chromaticities": Attribute("float[8]", REC709)}
    part = Part(0, "", "", kinds, window, window, compression="none", attributes=attributes)
    write_exr(path, [PartPixels(part, {name: PlaneByRows(name, together) for name in kinds})])
    return path


def preset_of(look: str) -> Preset:
    """Return a look."""
    return preset_from_text(LOOKS[look], ["camera.horizontal_view=54"])


def measured(source: Path, look: str, way: str, threads: int) -> dict[str, float]:
    """Put a frame under water, in this process."""
    preset = preset_of(look)
    task = FrameTask(1, source, None, source.with_name("wet.exr"), replace=True)
    need = frame_need([task], preset)
    assert need is not None
    rows, disk = way != "whole", way == "disk"
    began = time.perf_counter()
    with planes_on_disk(source.parent) if disk else nullcontext():
        inputs = read_inputs(task, preset)
        read, peak_read = time.perf_counter(), peak_memory_bytes()
        result = render(inputs, preset, Evaluation(threads, by_rows=rows, on_disk=disk))
        del inputs
        write_result(result, preset)
    return {
        "pixels": need.pixels,
        "estimate": need.peak(overlapped=False, threads=threads, tile_rows=None, by_rows=rows, on_disk=disk),
        "peak_read": peak_read,
        "peak": peak_memory_bytes(),
        "read_s": read - began,
        "rest_s": time.perf_counter() - read,
    }


def main() -> None:
    """Measure each case in a process of its own."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--widths", type=int, nargs="+", default=[4096, 8192, 16384])
    parser.add_argument("--looks", nargs="+", default=list(LOOKS))
    parser.add_argument("--ways", nargs="+", default=["whole", "rows", "disk"])
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--one", nargs=3, help=argparse.SUPPRESS)
    parser.add_argument(
        "--folder", type=Path, help="where frames are written; a temporary folder if not given"
    )
    asked = parser.parse_args()
    if asked.one:
        source, look, way = asked.one
        print(json.dumps(measured(Path(source), look, way, asked.threads)))
        return
    print("width   look   way    estimate   peak GiB   bytes a pixel: estimate, peak, read   read s   rest s")
    for width in asked.widths:
        with tempfile.TemporaryDirectory(dir=asked.folder) as folder:
            source = frame(Path(folder) / "clean.exr", width)
            for look in asked.looks:
                for way in asked.ways:
                    command = [sys.executable, "-m", "benchmarks.large", "--threads", str(asked.threads)]
                    one = ["--one", str(source), look, way]
                    run = subprocess.run([*command, *one], capture_output=True, text=True, check=True)
                    found = json.loads(run.stdout.splitlines()[-1])
                    each = [
                        (found[key] - PROCESS_BYTES) / found["pixels"]
                        for key in ("estimate", "peak", "peak_read")
                    ]
                    gib = found["estimate"] / 2**30, found["peak"] / 2**30
                    print(
                        f"{width:<7} {look:<6} {way:<6} {gib[0]:>7.2f} {gib[1]:>9.2f}"
                        f"      {each[0]:>6.0f} {each[1]:>6.0f} {each[2]:>6.0f}"
                        f"      {found['read_s']:>6.1f} {found['rest_s']:>8.1f}",
                        flush=True,
                    )


if __name__ == "__main__":
    main()
