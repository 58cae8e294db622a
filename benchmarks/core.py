"""Seconds a frame at UHD, all measured in one run.

* floor: the file read whole as float and written again, untouched, through OpenImageIO as it comes;
* our files: Halocline's own reading of the same file and writing of its beauty;
* operators: attenuation and veiling light (with lifting to bands and back) on arrays in memory;
* full-frame numpy: the same formula written straightforwardly, whole frame at a time.

Rounds are interleaved, so that all see the same machine; medians and ratios are what to quote. Run with
``make bench``. Peak memory is that of a process of its own doing one whole frame.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from benchmarks.files import UHD, halocline_frames, make_frame, plain

from halocline._typing import F32
from halocline.batch.frame_task import peak_memory_bytes, read_inputs, render, write_result
from halocline.batch.task import FrameTask
from halocline.graph.engine import Evaluation, evaluate
from halocline.graph.graph import Graph
from halocline.graph.shot import Shot
from halocline.imaging.camera import pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame
from halocline.presets.build import make_shot
from halocline.presets.preset import load_preset, preset_from_text
from halocline.rgb import LINEAR_REC709

ROUNDS = 7
PRESET = "jerlov-1c"
MEMORY_TARGET_GIB = 1.2


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "render.1001.exr"
        make_frame(source)
        measured = _measured(source, Path(folder))
        peak = _peak_gib(source, Path(folder) / "peak.1001.exr")
    median = {name: statistics.median(times) for name, times in measured.items()}
    print(f"UHD, RGBA half + Z float, zip; {ROUNDS} interleaved rounds; seconds: median (min .. max)")
    for name, times in measured.items():
        print(f"  {name:<34}{median[name]:7.3f}   ({min(times):.3f} .. {max(times):.3f})")
    print(f"  operators / floor                 {median['operators'] / median['floor']:7.3f}   target 0.25")
    numpy_ratio = median["full-frame numpy"] / median["operators"]
    print(f"  full-frame numpy / operators      {numpy_ratio:7.3f}   target 2")
    print(f"  our files / floor                 {median['our files'] / median['floor']:7.3f}   target 0.7")
    print(f"  peak memory of one whole frame    {peak:7.3f} GiB   target {MEMORY_TARGET_GIB}")


def _measured(source: Path, folder: Path) -> dict[str, list[float]]:
    frame, shot, graph = _picture()

    def operators() -> F32:
        return evaluate(graph, frame, shot, how=Evaluation())["rgb"]

    def full_frame() -> F32:
        return _full_frame(frame, shot)

    assert np.allclose(operators(), full_frame(), atol=1e-4)
    jobs: dict[str, Callable[[], object]] = {
        "floor": lambda: plain(source, folder / "plain.exr"),
        "our files": lambda: halocline_frames(source, folder / "ours.exr"),
        "operators": operators,
        "full-frame numpy": full_frame,
    }
    times: dict[str, list[float]] = {name: [] for name in jobs}
    for _ in range(ROUNDS):
        for name, job in jobs.items():
            started = time.perf_counter()
            job()
            times[name].append(time.perf_counter() - started)
    return times


def _full_frame(frame: Frame, shot: Shot) -> F32:
    """Attenuation and veiling light as a formula, whole frame at a time."""
    path, bands = shot.path, shot.path.bands
    rgb, alpha, s = frame.plane("rgb"), frame.plane("alpha"), frame.plane("range")
    mu = shot.view_plane("downward", frame.data_window)
    cos_sun = shot.view_plane("sun_cosine", frame.data_window)
    endless = np.float32(path.camera_depth_m) / np.maximum(-mu, np.float32(1e-4))
    s = np.minimum(s, endless)
    found = path.veil_rays().sources(mu, cos_sun)
    light = np.tensordot(bands.up.astype(np.float32), rgb, 1)
    for k in range(bands.count):
        c = np.float32(bands.attenuation[k])
        light[k] *= np.exp(-c * s)
        once_rate = c + found.once_fall[k] * mu
        for source, rate in ((found.once[k], once_rate), (found.source[k], found.rate[k])):
            decay = alpha * np.exp(-rate * s) + (1 - alpha) * np.exp(-rate * endless)
            light[k] += source / rate * (1 - decay)
    out: F32 = np.tensordot(bands.down.astype(np.float32), light, 1)
    return out


def _picture() -> tuple[Frame, Shot, Graph]:
    """A UHD frame in memory: half subject between 1 and 60 m, half open water, a soft edge between."""
    across = np.linspace(0.0, 1.0, UHD.width, dtype=np.float32)
    alpha = np.broadcast_to(np.clip((0.5 - across) * 200 + 0.5, 0, 1), UHD.shape).astype(np.float32)
    spread = np.geomspace(1.0, 60.0, UHD.height).astype(np.float32)[:, None] * np.ones_like(alpha)
    planes = {
        "rgb": np.stack([alpha * 0.5, alpha * 0.4, alpha * 0.3]),
        "alpha": alpha,
        "range": np.where(alpha > 0, spread, np.float32(np.inf)),
    }
    # Row by row, as the loader gives them; numpy keeps the order of what it broadcast.
    planes = {name: np.ascontiguousarray(plane) for name, plane in planes.items()}
    camera = pinhole(UHD, focal_length_mm=28.0, film_width_mm=36.0)
    shot = make_shot(
        load_preset(PRESET),
        1001,
        CameraTrack({1001: camera}),
        space=LINEAR_REC709,
        display_window=UHD,
        data_window=UHD,
    )
    graph = preset_from_text("format = 1\n[steps.attenuation]\n[steps.veiling_light]\n").at(1).graph
    return Frame(planes, UHD, UHD), shot, graph


def _peak_gib(source: Path, target: Path) -> float:
    """Return the peak memory of a fresh process that does one whole frame."""
    command = [sys.executable, "-m", "benchmarks.core", "--one-frame", str(source), str(target)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return float(done.stdout) / (1 << 30)


def _one_frame(source: str, target: str) -> None:
    preset = load_preset(PRESET)
    inputs = read_inputs(FrameTask(1001, Path(source), None, Path(target)), preset)
    write_result(render(inputs, preset, Evaluation()), preset)
    # Not the resource usage's peak: a process begins with that of the one that started it.
    print(peak_memory_bytes())


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one-frame"]:
        _one_frame(*sys.argv[2:4])
    else:
        main()
