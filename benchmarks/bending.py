"""What bends and softens, at UHD, against the plain read and write of the same frame.

Prints, for each operator with all its planes and with light alone, seconds a frame (median, least, most of
the rounds) and processor seconds, beside the floor: the same file (RGBA half, Z float, zip) read as float and
written again untouched, through OpenImageIO as it comes. Also how the general-purpose parts were chosen:
OpenCV's warp and filters against those of OpenImageIO and scipy.

Run: ``python -m benchmarks.bending [rounds]``. The order changes from round to round: whatever
comes after the floor pays for memory that the system took back. Quote ratios.
"""

from __future__ import annotations

import random
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import OpenImageIO as oiio
from benchmarks.files import UHD, make_frame, plain
from scipy.ndimage import gaussian_filter, map_coordinates

from halocline._typing import F32
from halocline.filters.displacement import Grid
from halocline.filters.pyramid_blur import VaryingBlur
from halocline.graph.engine import Evaluation
from halocline.graph.light_form import combine
from halocline.graph.operator import Tile
from halocline.graph.shot import Shot
from halocline.imaging.camera import pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Window
from halocline.presets.build import make_shot
from halocline.presets.preset import preset_from_text
from halocline.rgb import LINEAR_REC709

TARGET = 0.35
# What the next step takes; a step's own records beside it are made where someone wants them.
LIGHT = frozenset({"rgb", "bands", "alpha", "coverage"})
STEPS = {
    "forward_scatter": "[steps.forward_scatter]\n",
    "water_layers": """
[steps.water_layers]
[[steps.water_layers.layers]]
depth = 9.5
thickness = 0.4
waves = { height = 0.04, length = 5.0 }
turbulence = { strength = 0.3, eddy = 0.3 }
""",
    "layered_water": """
[steps.layered_water]
other_water = { side = "above", turbidity = 3.0 }
layer = { depth = 9.5, thickness = 0.4, waves = { height = 0.04, length = 5.0 } }
""",
    "flat_port": "[steps.flat_port]\n",
    "dome_port": "[steps.dome_port]\npupil_forward = 0.01\n",
    "measured_port": """
[steps.measured_port]
photograph = [3840, 2160]
water = { radial = [0.1, 0.0, 0.0] }
""",
}


def main() -> None:
    """Measure and print."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    planes = _planes()
    work: dict[str, Callable[[], Any]] = {}
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "render.exr"
        make_frame(source)
        work["floor"] = lambda: plain(source, Path(folder) / "copy.exr")
        for name, text in STEPS.items():
            work[name] = _step(text, planes, None)
            work[f"{name}, light alone"] = _step(text, planes, LIGHT)
        wall, cpu = _measured(work, rounds)
    floor = statistics.median(wall["floor"])
    print(f"UHD, {cv2.getNumThreads()} threads, {rounds} rounds; seconds: median (least .. most), processor")
    for name, times in wall.items():
        ratio = statistics.median(times) / floor
        print(
            f"{name:30s} {statistics.median(times):6.3f} ({min(times):.3f} .. {max(times):.3f})"
            f"  {statistics.median(cpu[name]):6.3f}   {ratio:5.2f} x floor"
            + ("" if name == "floor" or ratio <= TARGET else f"   above {TARGET}")
        )
    _choices(planes["rgb"][0])


def _planes() -> dict[str, F32]:
    rows, columns = np.mgrid[: UHD.height, : UHD.width].astype(np.float32)
    base = 0.4 + 0.3 * np.sin(columns / 37.0) * np.cos(rows / 23.0)
    range_m = np.where(((columns // 400) % 3 == 0) & (rows > 500), 3.0, 4.0 + rows / 200.0).astype(np.float32)
    rgb = np.stack([base, 0.9 * base, 0.8 * base]).astype(np.float32)
    ones = np.ones(UHD.shape, np.float32)
    return {"rgb": rgb, "alpha": ones, "coverage": ones, "range": range_m}


def _step(text: str, planes: dict[str, F32], wanted: frozenset[str] | None) -> Callable[[], Any]:
    preset = preset_from_text(f'format = 1\n[water]\njerlov_type = "II"\n{text}')
    operator = preset.at(0).graph.steps[0].operator
    camera = pinhole(UHD, focal_length_mm=24.0, film_width_mm=36.0)
    shot = make_shot(
        preset,
        1,
        CameraTrack({1: camera}),
        space=LINEAR_REC709,
        display_window=UHD,
        data_window=UHD,
    )
    use = operator.planes()
    given = dict(planes)
    for plane in use.reads - set(given):
        given[plane] = _made(plane, shot, planes)
    prepared = operator.prepare(shot)
    whole = {plane: given[plane] for plane in (use.reads | use.optional) & set(given)}

    tile = Evaluation().rows_for(UHD)
    bands = [UHD.rows(y, min(y + tile, UHD.height)) for y in range(0, UHD.height, tile)]

    def compute(band: Window) -> None:
        rows, columns = UHD.slices_of(band)
        cut = {plane: values[..., rows, columns] for plane, values in whole.items()}
        operator.apply(cut, Tile(band, band, wanted), shot, prepared)

    def run() -> None:
        # As the engine does it: the whole picture at once, or tiles of rows on threads.
        if operator.reach(shot):
            operator.apply(whole, Tile(UHD, UHD, wanted), shot, prepared)
            return
        with ThreadPoolExecutor(cv2.getNumThreads()) as pool:
            for _ in pool.map(compute, bands):
                pass

    return run


def _made(plane: str, shot: Shot, planes: dict[str, F32]) -> F32:
    if plane == "bands":
        return np.float32(0.2) * combine(shot.path.bands.up, planes["rgb"])
    return shot.view_plane(plane, UHD)


def _measured(
    work: dict[str, Callable[[], Any]], rounds: int
) -> tuple[dict[str, list[float]], dict[str, list[float]]]:
    wall: dict[str, list[float]] = {name: [] for name in work}
    cpu: dict[str, list[float]] = {name: [] for name in work}
    for number in range(rounds + 1):
        for name, run in random.Random(number).sample([*work.items()], len(work)):
            before, start = resource.getrusage(resource.RUSAGE_SELF), time.perf_counter()
            run()
            seconds, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_SELF)
            # The first round warms up.
            if number:
                wall[name].append(seconds)
                cpu[name].append(after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime)
    return wall, cpu


def blurred(grid: Grid, sigma_px: F32, plane: F32) -> F32:
    """Return a plane as the operators blur it, all rows at once."""
    blur, out = VaryingBlur.of(grid, sigma_px), plane.copy()
    coarse = blur.coarse(plane)
    assert coarse is not None
    blur.mix([out], [coarse], rows=slice(None), out=[out])
    return out


def _choices(plane: F32) -> None:
    """Print what the general-purpose warps and filters take on one plane."""
    y, x = np.mgrid[: UHD.height, : UHD.width].astype(np.float32)
    x += np.float32(3.3)
    st = np.ascontiguousarray(np.stack([(x + 0.5) / UHD.width, (y + 0.5) / UHD.height], axis=-1))
    image, map_image = oiio.ImageBuf(np.ascontiguousarray(plane[..., None])), oiio.ImageBuf(st)
    eighth = slice(0, UHD.height // 8)
    grid = Grid(0, 0, UHD.width, UHD.height, 8)
    sigma = np.full((len(grid.rows), len(grid.columns)), 20.0, np.float32)
    tried: dict[str, tuple[Callable[[], Any], float]] = {
        "warp, OpenCV remap, linear": (
            lambda: cv2.remap(plane, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE),
            1.0,
        ),
        "warp, OpenImageIO st_warp, triangle": (
            lambda: oiio.ImageBufAlgo.st_warp(image, map_image, "triangle", 0.0, 0, 1, False, False),
            1.0,
        ),
        "warp, scipy map_coordinates, an eighth x 8": (
            lambda: map_coordinates(plane, [y[eighth], x[eighth]], order=1, mode="nearest"),
            8.0,
        ),
        "blur of 20 px, our pyramid, any width": (lambda: blurred(grid, sigma, plane), 1.0),
        "blur of 20 px, OpenCV GaussianBlur": (
            lambda: cv2.GaussianBlur(plane, (0, 0), 20.0, borderType=cv2.BORDER_REPLICATE),
            1.0,
        ),
        "blur of 20 px, scipy, an eighth x 8": (lambda: gaussian_filter(plane[eighth], 20.0), 8.0),
    }
    for name, (run, times) in tried.items():
        run()
        start = time.perf_counter()
        run()
        print(f"{name:44s} {times * (time.perf_counter() - start):7.3f} s")


if __name__ == "__main__":
    main()
