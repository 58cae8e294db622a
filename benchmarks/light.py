"""Seconds a UHD frame for light from the moving surface, against reading and writing a file; one run.

* floor: the file read whole as float and written again, untouched, through OpenImageIO as it comes;
* slices: the sea raised, the sun refracted through it, and the light at every depth a frame over level ground
  from 5 to 13 m down asks for, on as many threads as there are processors;
* caustics, shafts: those steps of the graph by themselves, all included but reading and writing;
* no normals: caustics on a render without them, which takes them from its depth.

Rounds are interleaved, so that all see the same machine; medians and ratios are what to quote. Run with
``python -m benchmarks.light``.
"""

from __future__ import annotations

import os
import statistics
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from benchmarks.files import UHD, make_frame, plain

from halocline.graph.engine import Evaluation, evaluate
from halocline.graph.graph import SOURCE, Graph, Step
from halocline.graph.operator import AnyOperator
from halocline.graph.shot import Shot
from halocline.imaging.camera import pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame
from halocline.operators.caustics import Caustics, CausticsParameters
from halocline.operators.light_shafts import LightShafts, LightShaftsParameters
from halocline.operators.shared.surface_light import light_field
from halocline.physics.sea.light_field import ladder_depth
from halocline.presets.build import make_shot
from halocline.presets.preset import load_preset
from halocline.rgb import LINEAR_REC709

ROUNDS = 5
PRESET = "jerlov-1b"
DEPTHS_M = (5.0, 13.0)


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "render.exr"
        frame = _frame()
        make_frame(source)
        measured = _measured(source, frame)
    print(f"UHD; {os.cpu_count()} processors; {ROUNDS} interleaved rounds; seconds: median (min .. max)")
    for number, kind in enumerate(("passed", "of processors")):
        floor = statistics.median(both[number] for both in measured["floor"])
        for name, rounds in measured.items():
            times = [both[number] for both in rounds]
            median, span = statistics.median(times), f"({min(times):.3f} .. {max(times):.3f})"
            print(f"  {name:<10}{median:7.3f} {kind}   {span}   {median / floor:6.3f} of floor")
    print("  targets: slices 0.15, shafts 0.30 of floor")


def _alone(operator: AnyOperator) -> Graph:
    """Return the graph of one operator."""
    return Graph([Step("timed", operator, {"picture": SOURCE})], "timed")


def _measured(source: Path, frame: Frame) -> dict[str, list[tuple[float, float]]]:
    """Return wall and processor seconds of each job and round."""
    shots = [_shot(number) for number in range(1001, 1001 + ROUNDS)]
    caustics = _alone(Caustics(CausticsParameters(normals="render")))
    from_depth = _alone(Caustics(CausticsParameters()))
    bare = Frame({name: plane for name, plane in frame.planes.items() if name != "normal"}, UHD, UHD)
    shafts = _alone(LightShafts(LightShaftsParameters()))
    jobs: dict[str, Callable[[Shot], object]] = {
        "floor": lambda _: plain(source, source.with_suffix(".copy.exr")),
        "slices": _slices,
        "caustics": lambda shot: _step(caustics, frame, shot, "bands"),
        "no normals": lambda shot: _step(from_depth, bare, shot, "bands"),
        "shafts": lambda shot: _step(shafts, frame, shot, "shafts"),
    }
    times: dict[str, list[tuple[float, float]]] = {name: [] for name in jobs}
    # Once before counting: what all frames of a shot share, compiled loops, and the machine's caches.
    for job in jobs.values():
        job(_shot(999))
    for shot in shots:
        for name, job in jobs.items():
            started = time.perf_counter(), time.process_time()
            job(shot)
            times[name].append((time.perf_counter() - started[0], time.process_time() - started[1]))
    return times


def _slices(shot: Shot) -> None:
    field = light_field(shot)
    rungs = [rung for rung in range(26) if DEPTHS_M[0] / 1.25 < ladder_depth(rung) < DEPTHS_M[1] * 1.25]
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        for _ in pool.map(lambda rung: field.fine(rung, int(field.setup.finest_levels[rung])), rungs):
            pass
        for _ in pool.map(field.long, rungs):
            pass


def _step(graph: Graph, frame: Frame, shot: Shot, wanted: str) -> Any:
    return evaluate(graph, frame, shot, wanted=(wanted,), how=Evaluation())[wanted]


def _shot(number: int) -> Shot:
    matrix = np.eye(4)
    tilt = np.radians(-20.0)
    matrix[1:3, 1:3] = [[np.cos(tilt), -np.sin(tilt)], [np.sin(tilt), np.cos(tilt)]]
    camera = pinhole(UHD, focal_length_mm=28.0, film_width_mm=36.0, camera_to_world=matrix)
    return make_shot(
        load_preset(PRESET),
        number,
        CameraTrack({number: camera}),
        space=LINEAR_REC709,
        display_window=UHD,
        data_window=UHD,
    )


def _frame() -> Frame:
    """Level ground some metres below a lens that looks down at it a little, bands of light already."""
    shot = _shot(1001)
    mu = shot.view_plane("downward", UHD)
    range_m = np.minimum(np.float32(3.0) / np.maximum(mu, np.float32(0.05)), np.float32(60.0))
    bands = np.full((shot.path.bands.count, *UHD.shape), 0.4, np.float32)
    planes = {
        "rgb": np.full((3, *UHD.shape), 0.4, np.float32),
        "bands": bands,
        "veil": 0.3 * bands,
        "alpha": np.ones(UHD.shape, np.float32),
        "range": range_m,
        "normal": np.stack([np.zeros(UHD.shape), np.ones(UHD.shape), np.zeros(UHD.shape)]).astype(np.float32),
    }
    return Frame(planes, UHD, UHD)


if __name__ == "__main__":
    main()
