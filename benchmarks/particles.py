"""Time that suspended matter takes on a UHD frame, against reading and writing that frame.

Two figures, from one run, on all processors of the machine:

* 50,000 given particles, 300 of them defocused to more than 40 px: sorted, cut into spans and laid over;
* the whole operator on a field of about 50,000 visible particles: found, carried, lit, sorted, drawn, with
  the haze of the rest.

The floor is an EXR of RGBA half and Z float read and RGBA half written, compression zip. Run it on a quiet
machine: ``python benchmarks/particles.py``.
"""

from __future__ import annotations

import os
import platform
import statistics
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import OpenImageIO as oiio

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


def read_and_write(folder: Path) -> Callable[[], None]:
    """Return a job that reads and writes one UHD frame, as exr-notes measured it."""
    y, x = np.mgrid[0:ROWS, 0:COLUMNS].astype(np.float32) / 500.0
    noise = np.random.default_rng(0).normal(0, 0.01, (ROWS, COLUMNS)).astype(np.float32)
    planes = [np.sin(x) + 1.2 + noise, np.cos(y) + 1.2, np.sin(x + y) + 1.2, np.ones_like(x), 5.0 + x + y]
    frame = np.stack(planes, axis=2)
    spec = oiio.ImageSpec(COLUMNS, ROWS, 5, "float")
    spec.channelnames = ("R", "G", "B", "A", "Z")
    spec.channelformats = ("half",) * 4 + ("float",)
    spec["compression"] = "zip"
    source = str(folder / "in.exr")
    out = oiio.ImageOutput.create(source)
    assert out is not None
    out.open(source, spec)
    out.write_image(frame)
    out.close()

    def job() -> None:
        given = oiio.ImageInput.open(source)
        assert given is not None
        rgba = given.read_image(0, 0, 0, 4, "half")
        given.read_image(0, 0, 4, 5, "float")
        given.close()
        made = oiio.ImageSpec(COLUMNS, ROWS, 4, "half")
        made["compression"] = "zip"
        target = oiio.ImageOutput.create(str(folder / "out.exr"))
        assert target is not None
        target.open(str(folder / "out.exr"), made)
        target.write_image(rgba)
        target.close()

    return job


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


def median_ms(job: Callable[[], object]) -> float:
    """Return the median of some runs, milliseconds."""
    times = []
    for _ in range(REPEATS):
        begin = time.perf_counter()
        job()
        times.append(1000.0 * (time.perf_counter() - begin))
    return statistics.median(times)


def main() -> None:
    """Measure and print."""
    print(f"{platform.processor() or platform.machine()}, {THREADS} threads, numpy {np.__version__}")
    with tempfile.TemporaryDirectory() as folder:
        oiio.attribute("threads", THREADS)
        oiio.attribute("exr_threads", THREADS)
        floor = median_ms(read_and_write(Path(folder)))
    print(f"read + write (zip)            {floor:7.0f} ms")
    whole, drawing = whole_operator()
    taken = median_ms(whole)
    print(
        f"operator, {len(drawing)} discs     {taken:7.0f} ms "
        f"({drawing.fragment_count / 1e6:.1f} million fragments), {taken / floor:.2f} of read + write"
    )
    picture = np.random.default_rng(0).uniform(0, 1, (BANDS, ROWS, COLUMNS)).astype(np.float32)
    surface = Surface(np.full((ROWS, COLUMNS), 6.0, np.float32))
    for label, streak in (("still", 0.0), ("smeared by some 5 px", 4.0)):
        things = discs(streak_px=streak)
        drawing = Drawing(Area(0, ROWS, 0, COLUMNS), things)

        def preparing(things: Discs = things) -> Drawing:
            return Drawing(Area(0, ROWS, 0, COLUMNS), things)

        def drawing_job(drawing: Drawing = drawing) -> None:
            draw(drawing, picture, surface)

        ready, drawn = median_ms(preparing), median_ms(drawing_job)
        share = (ready + drawn) / floor
        print(
            f"50,000 {label}: spans {ready:.0f} ms, drawn {drawn:.0f} ms "
            f"({drawing.fragment_count / 1e6:.1f} million fragments), {share:.2f} of read + write"
        )


if __name__ == "__main__":
    main()
