"""Time to draw 50,000 particles on a UHD frame, against reading and writing that frame.

Prints the machine's own floor (an EXR of RGBA half and Z float read, RGBA half written, compression zip), the
setting-up of the field, and the drawing in tiles on the threads that the machine has. Run it on a quiet
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
from halocline.physics.lens_blur import footprint
from halocline.physics.particle_field import ViewVolume, particles_in_view, patchiness
from halocline.physics.particles import DrawLimits, PowerLaw
from halocline.physics.splat import Area, Discs, Drawing, Surface

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


def set_up_field() -> int:
    """Return the number of visible particles of a snow field that gives some 50,000."""
    sizes = PowerLaw(10_000.0, 4.0, 0.5e-3, 8e-3)
    limits = DrawLimits(farthest_m=14.0, smallest_angle_rad=2.9e-4)
    patches = patchiness(1, "snow", scale_m=0.8, variation=0.5)
    view = ViewVolume(np.zeros(3), np.eye(3), (-0.45, 0.45, -0.25, 0.25), 14.0)
    return sum(
        len(particles_in_view(1, f"snow {i}", s, patches, view, limits)) for i, s in enumerate(sizes.slices())
    )


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
    print(f"field of {set_up_field():6d} particles     {median_ms(set_up_field):7.0f} ms")
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
