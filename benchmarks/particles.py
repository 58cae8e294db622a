"""Time that suspended matter takes on a UHD frame, against reading and writing that frame.

In one run, on all processors of the machine:

* the whole operator on a field of some 50,000 visible particles, 300 of them defocused to more than 40 px:
  found, carried, lit, sorted, and laid over every tile with the haze of the rest. Its result goes no farther
  than the tile, as in the middle of a chain. *With layer* draws the particles by themselves too;
* the same through the engine, which also puts the light of all bands together to a whole picture;
* 50,000 given discs, 300 of them defocused to more than 40 px: sorted, listed by rows and laid over.

The floor is that of `benchmarks.files`: a frame of RGBA half and Z float read as float and written again.
Rounds are interleaved; processor seconds are those of all threads. Memory is the most that numpy and Python
held at once, of another round; of the drawing, without the picture it draws into. Run it on a quiet machine:
``python -m benchmarks.particles``.
"""

from __future__ import annotations

import os
import platform
import statistics
import tempfile
import time
import tracemalloc
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
from benchmarks.files import make_frame, plain
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.filters.lens_blur import footprint
from halocline.filters.splat import Area, Discs, Drawing, Surface
from halocline.graph.engine import Evaluation, evaluate
from halocline.graph.graph import SOURCE, Graph, Step
from halocline.graph.operator import Tile
from halocline.imaging.camera import pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.operators.shared.drawn_things import LensParameters
from halocline.operators.suspended_matter import MatterClass, SuspendedMatter, SuspendedMatterParameters
from halocline.presets.build import make_shot
from halocline.presets.preset import preset_from_text
from halocline.rgb import LINEAR_REC709

COLUMNS, ROWS, BANDS = 3840, 2160, 6
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


class Scene:
    """Marine snow in Jerlov III water before a wall, and the operator that draws it."""

    def __init__(self) -> None:
        window = Window(0, 0, COLUMNS, ROWS)
        camera = pinhole(window, focal_length_mm=24.0, film_width_mm=36.0)
        preset = preset_from_text('format = 1\n[water]\njerlov_type = "III"\n[place]\ncamera_depth = 10')
        self.shot = make_shot(
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
        lens = LensParameters(f_number=3.1, focus=3.0)
        self.operator = SuspendedMatter(
            SuspendedMatterParameters(classes=(snow,), lens=lens, most_particles=56_000)
        )
        rng = np.random.default_rng(0)
        self.planes = {
            "bands": rng.uniform(0, 1, (self.shot.path.bands.count, ROWS, COLUMNS)).astype(np.float32),
            "alpha": np.ones((ROWS, COLUMNS), np.float32),
            "range": np.full((ROWS, COLUMNS), 9.0, np.float32),
        }

    def contents(self) -> str:
        """Tell what it draws; the lumps of one aggregate have its range."""
        things = self.operator.prepare(self.shot).drawing.things
        blurred = things[_widths_px(things) > 40.0]
        return (
            f"{len(np.unique(things['range_m']))} particles, {len(np.unique(blurred['range_m']))} of them "
            f"more than 40 px wide; {len(things)} discs, {len(blurred)} of that width"
        )

    def run(self, *, with_layer: bool = False) -> None:
        """Prepare, and apply to every tile."""
        prepared = self.operator.prepare(self.shot)
        window = self.shot.data_window
        height = Evaluation().rows_for(window)
        wanted = None if with_layer else frozenset({"bands", "alpha"})

        def tile(top: int) -> None:
            region = window.rows(top, min(ROWS, top + height))
            where = window.slices_of(region)
            planes = {name: plane[(..., *where)] for name, plane in self.planes.items()}
            for name in ("downward", "sun_cosine"):
                planes[name] = self.shot.view_plane(name, region)
            self.operator.apply(planes, Tile(region, region, wanted), self.shot, prepared)

        _on_threads(tile, height)

    def evaluate(self) -> None:
        """Have the engine do it."""
        frame = Frame(self.planes, self.shot.data_window, self.shot.data_window)
        step = Step("matter", self.operator, {"picture": SOURCE})
        evaluate(Graph([step], step.name), frame, self.shot, wanted=("bands",), how=Evaluation(THREADS))


def draw(discs: Discs, picture: list[F32], surface: Surface) -> None:
    """Sort given discs, and lay them over in tiles."""
    drawing = Drawing(AREA, discs)
    height = Evaluation().rows_for(Window(0, 0, COLUMNS, ROWS))

    def tile(top: int) -> None:
        end = min(ROWS, top + height)
        drawing.lay_over(top, surface.rows(top, end), picture[top // height])

    _on_threads(tile, height)


def _on_threads(tile: Callable[[int], None], height: int) -> None:
    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(tile, range(0, ROWS, height)))


def _widths_px(things: NDArray[np.void]) -> NDArray[np.float32]:
    return np.asarray((2.0 * things["ramp_end"] - 1.0) / things["per_ramp"])


def measured(ways: Mapping[str, Callable[[], object]]) -> dict[str, tuple[float, float]]:
    """Return median wall and processor seconds by way; the ways take turns, after one round for nothing."""
    seconds: dict[str, list[tuple[float, float]]] = {name: [] for name in ways}
    for index in range(REPEATS + 1):
        for name, way in ways.items():
            wall, processor = time.perf_counter(), time.process_time()
            way()
            if index:
                seconds[name].append((time.perf_counter() - wall, time.process_time() - processor))
    return {
        name: (statistics.median(wall for wall, _ in each), statistics.median(busy for _, busy in each))
        for name, each in seconds.items()
    }


def memory_mib(way: Callable[[], object]) -> float:
    """Return the most memory that a way holds at once."""
    tracemalloc.start()
    way()
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return most / 2**20


def main() -> None:
    """Measure and print."""
    scene = Scene()
    whole = np.random.default_rng(0).uniform(0, 1, (BANDS + 1, ROWS, COLUMNS)).astype(np.float32)
    # In tiles of their own, as the engine has them.
    height = Evaluation().rows_for(Window(0, 0, COLUMNS, ROWS))
    picture = [whole[:, top : top + height].copy() for top in range(0, ROWS, height)]
    surface = Surface(np.full((ROWS, COLUMNS), 6.0, np.float32))
    given = {
        "50,000 given discs, still": discs(streak_px=0.0),
        "50,000 given discs, smeared by some 5 px": discs(streak_px=4.0),
    }
    with tempfile.TemporaryDirectory() as folder:
        source, target = Path(folder, "frame.exr"), Path(folder, "out.exr")
        make_frame(source)
        ways: dict[str, Callable[[], object]] = {
            FLOOR: lambda: plain(source, target),
            "whole operator": scene.run,
            "  of it preparing": lambda: scene.operator.prepare(scene.shot),
            "whole operator with layer": partial(scene.run, with_layer=True),
            "whole operator through the engine": scene.evaluate,
            **{name: partial(draw, things, picture, surface) for name, things in given.items()},
        }
        seconds = measured(ways)
    print(f"{platform.machine()}, {THREADS} threads, numpy {np.__version__}; medians of {REPEATS} rounds")
    print(f"whole operator: {scene.contents()}")
    print(f"{'':42}{'wall s':>9}{'of floor':>9}{'CPU s':>9}{'of floor':>9}{'MiB':>7}")
    for name, (wall, busy) in seconds.items():
        ratios = wall / seconds[FLOOR][0], busy / seconds[FLOOR][1]
        most = "" if name == FLOOR else f"{memory_mib(ways[name]):7.0f}"
        print(f"{name:42}{wall:9.3f}{ratios[0]:9.2f}{busy:9.3f}{ratios[1]:9.2f}{most}")


if __name__ == "__main__":
    main()
