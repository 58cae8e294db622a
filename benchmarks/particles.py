"""Time that suspended matter takes on a UHD frame, against reading and writing that frame.

Two figures, from one run, on all processors of the machine:

* 50,000 given particles, 300 of them defocused to more than 40 px: sorted, cut into spans and laid over;
* the whole operator on a field of about 50,000 visible particles: found, carried, lit, sorted, drawn, with
  the haze of the rest.

The floor is that of `benchmarks.files`: a frame of RGBA half and Z float read as float and written again.
Rounds are interleaved. Run it on a quiet machine: ``python -m benchmarks.particles``.
"""

from __future__ import annotations

import os
import platform
import statistics
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from benchmarks.files import make_frame, measured, plain

from halocline._typing import F32
from halocline.graph.engine import Evaluation, evaluate
from halocline.graph.graph import chain
from halocline.imaging.camera import pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.operators.exposed import LensParameters
from halocline.operators.suspended_matter import MatterClass, SuspendedMatter, SuspendedMatterParameters
from halocline.physics.lens_blur import footprint
from halocline.physics.splat import Area, Discs, Drawing, Surface
from halocline.presets.build import make_shot
from halocline.presets.preset import preset_from_text
from halocline.rgb import LINEAR_REC709

COLUMNS, ROWS, BANDS = 3840, 2160, 6
TILE_ROWS = 8
THREADS = os.cpu_count() or 1
REPEATS = 5
FLOOR = "plain read + write (the floor)"
AREA = Area(0, ROWS, 0, COLUMNS)


def discs(count: int = 50_000, blurred: int = 300, *, streak_px: float) -> Discs:
    """Return particles: most near their focus, some defocused to more than 40 px."""
    rng = np.random.default_rng(1)
    start = rng.uniform([0, 0], [COLUMNS, ROWS], (count, 2))
    thing = rng.exponential(0.6, count)
    blur = rng.exponential(1.0, count)
    # Diameters of 40 to 120 px.
    blur[:blurred] = rng.uniform(20.0, 60.0, blurred)
    radius, softness = footprint(thing, blur)
    return Discs(
        start,
        start + streak_px * rng.normal(size=(count, 2)),
        radius,
        softness,
        np.pi * thing**2,
        rng.uniform(0.1, 1.0, (count, BANDS)),
        rng.uniform(0.5, 10.0, count),
        np.full(count, 1e-3),
    )


def whole_operator() -> tuple[Callable[[], object], Drawing]:
    """Return the job of the whole operator on a frame in Jerlov III water, and what it draws."""
    window = Window(0, 0, COLUMNS, ROWS)
    camera = pinhole(window, focal_length_mm=24.0, film_width_mm=36.0)
    preset = preset_from_text('format = 1\n[water]\njerlov_type = "III"\n[place]\ncamera_depth = 10')
    shot = make_shot(
        preset,
        1001,
        CameraTrack({1001: camera}),
        space=LINEAR_REC709,
        display_window=window,
        data_window=window,
    )
    snow = MatterClass(
        name="snow", kind="aggregate", per_litre=6.0, smallest=0.5e-3, largest=8e-3, sinking="aggregate"
    )
    lens = LensParameters(f_number=8.0, focus=3.0)
    operator = SuspendedMatter(SuspendedMatterParameters(classes=(snow,), lens=lens, most_particles=54_000))
    rng = np.random.default_rng(0)
    planes = {
        "bands": rng.uniform(0, 1, (shot.path.bands.count, ROWS, COLUMNS)).astype(np.float32),
        "alpha": np.ones((ROWS, COLUMNS), np.float32),
        "range": np.full((ROWS, COLUMNS), 9.0, np.float32),
    }
    frame = Frame(planes, window, window)
    graph = chain([("matter", operator)])
    drawing = operator.prepare(shot).drawing
    return lambda: evaluate(graph, frame, shot, wanted=("bands",), how=Evaluation(THREADS)), drawing


def draw(drawing: Drawing, picture: F32, surface: Surface) -> None:
    """Draw and lay over in tiles."""

    def tile(top: int) -> None:
        end = min(ROWS, top + TILE_ROWS)
        drawing.draw((top, end), surface.rows(top, end)).over(picture[:, top:end])

    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(tile, range(0, ROWS, TILE_ROWS)))


def main() -> None:
    """Measure and print."""
    whole, drawing = whole_operator()
    picture = np.random.default_rng(0).uniform(0, 1, (BANDS, ROWS, COLUMNS)).astype(np.float32)
    surface = Surface(np.full((ROWS, COLUMNS), 6.0, np.float32))
    counts = {f"operator, {len(drawing)} discs": 0}
    with tempfile.TemporaryDirectory() as folder:
        source, target = Path(folder, "frame.exr"), Path(folder, "out.exr")
        make_frame(source)
        ways: dict[str, Callable[[], object]] = {
            FLOOR: lambda: plain(source, target),
            f"operator, {len(drawing)} discs": whole,
        }
        for label, streak in (("still", 0.0), ("smeared by some 5 px", 4.0)):
            things = discs(streak_px=streak)
            name = f"50,000 {label}"
            counts[name] = 0

            def given(things: Discs = things) -> None:
                draw(Drawing(AREA, things), picture, surface)

            ways[name] = given
        seconds = measured(ways, REPEATS)
    print(f"{platform.machine()}, {THREADS} threads, numpy {np.__version__}; medians of {REPEATS} rounds")
    floor = statistics.median(seconds[FLOOR])
    for name, each in seconds.items():
        middle = statistics.median(each)
        drawn = f"  ({counts[name] / 1e6:.1f} million fragments)" if name in counts else ""
        print(f"{name:38}{middle:8.3f} s{middle / floor:8.2f} of the floor{drawn}")


if __name__ == "__main__":
    main()
