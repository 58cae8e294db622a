"""The floor: reading and writing a UHD frame untouched, plainly and as Halocline does it.

    python -m benchmarks.files [--rounds N] [--threads N] [--compression NAME]

One run measures both in turn, so that the ratio holds whatever else the machine is doing. *Plain* reads all
channels as float in one call and writes all as float, as a program without special care does. *Halocline*
reads the same channels into planar float32 and writes RGBA back as half - with the check by reading back, the
forcing to disk and the renaming that make a written frame safe, none of which the plain way has.
"""

from __future__ import annotations

import argparse
import platform
import statistics
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import OpenImageIO as oiio

from halocline._typing import F32
from halocline.imaging.exr import Attribute, Part, read_header, read_into, set_file_threads
from halocline.imaging.exr_write import PartPixels, write_exr
from halocline.imaging.frame import Window
from halocline.imaging.load import load
from halocline.imaging.save import Picture, save

UHD = Window(0, 0, 3840, 2160)
RGBA = ("R", "G", "B", "A")


def make_frame(path: Path, window: Window = UHD, *, compression: str = "zip") -> None:
    """Write a frame to measure with: smooth shapes with slight noise, RGBA half and Z float."""
    random = np.random.default_rng(1)
    y, x = np.mgrid[0 : window.height, 0 : window.width].astype(np.float32)
    # The sea bed fills the picture below a wavy, anti-aliased horizon.
    alpha = np.clip((y - window.height * (0.2 + 0.1 * np.sin(x / 400))) / 2, 0, 1).astype(np.float32)
    light = 0.5 + 0.3 * np.sin(x / 300) * np.cos(y / 200)
    planes: dict[str, F32] = {
        name: ((light * level + random.normal(0, 0.01, light.shape)) * alpha).astype(np.float32)
        for name, level in zip("RGB", (1.0, 0.8, 0.6), strict=True)
    }
    planes["A"] = alpha
    planes["Z"] = np.where(alpha > 0, 3 + 20_000 / (y + 50), np.inf).astype(np.float32)
    to_camera = (1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, -1.0, 0.0, 0.0, -2.0, 0.0, 1.0)
    part = Part(
        index=0,
        name="",
        view="",
        channels={**dict.fromkeys(RGBA, "half"), "Z": "float"},
        data_window=window,
        display_window=window,
        compression=compression,
        attributes={
            "worldToCamera": Attribute("matrix", to_camera),
            "screenWindowWidth": Attribute("float", 1.25),
        },
    )
    write_exr(path, [PartPixels(part, planes)])


def plain_read(source: Path) -> F32:
    """Read every channel as float, in one call."""
    file = oiio.ImageInput.open(str(source))
    assert file is not None, oiio.geterror()
    pixels = file.read_image(0, 0, 0, 10_000, "float")
    file.close()
    assert pixels is not None
    return np.asarray(pixels, np.float32)


def plain_write(source: Path, pixels: F32, target: Path) -> None:
    """Write every channel from float, in one call, with the source's description."""
    file = oiio.ImageInput.open(str(source))
    assert file is not None, oiio.geterror()
    spec = file.spec().copy()
    file.close()
    out = oiio.ImageOutput.create("openexr")
    assert out is not None
    assert out.open(str(target), spec), out.geterror()
    assert out.write_image(pixels), out.geterror()
    assert out.close()


def plain(source: Path, target: Path) -> None:
    """The floor: read all channels as float, write all as float."""
    plain_write(source, plain_read(source), target)


def halocline_files(source: Path, target: Path) -> None:
    """Halocline's reading of beauty and depth, and writing of the beauty, with nothing between."""
    (part,) = read_header(source).parts
    planes = {name: np.empty(part.data_window.shape, np.float32) for name in part.channels}
    read_into(source, part, planes)
    beauty = replace(part, channels=dict.fromkeys(RGBA, "half"))
    write_exr(target, [PartPixels(beauty, planes)], overwrite=True)


def halocline_frames(source: Path, target: Path) -> None:
    """The same through `load` and `save`: range, camera and colour space found, depth edges repaired."""
    loaded = load(source)
    frame = loaded.views[0].frame
    picture = Picture(frame.plane("rgb"), frame.plane("alpha"))
    save(target, loaded.template, {"": picture}, overwrite=True)


def measured(ways: Mapping[str, Callable[[], object]], rounds: int) -> dict[str, list[float]]:
    """Return seconds of each round by way; the ways take turns, after one round that does not count."""
    seconds: dict[str, list[float]] = {name: [] for name in ways}
    for index in range(rounds + 1):
        for name, way in ways.items():
            start = time.perf_counter()
            way()
            if index:
                seconds[name].append(time.perf_counter() - start)
    return seconds


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--compression", default="zip")
    options = parser.parse_args()
    set_file_threads(options.threads)
    with tempfile.TemporaryDirectory() as folder:
        source, target = Path(folder, "frame.exr"), Path(folder, "out.exr")
        make_frame(source, compression=options.compression)
        ways: dict[str, Callable[[], object]] = {
            "plain float read + write (the floor)": lambda: plain(source, target),
            "Halocline read + write": lambda: halocline_files(source, target),
            "Halocline load + save": lambda: halocline_frames(source, target),
        }
        seconds = measured(ways, options.rounds)
    print(
        f"UHD, RGBA half + Z float, {options.compression}, {options.threads} threads, "
        f"{options.rounds} rounds, {platform.machine()}, Python {platform.python_version()}"
    )
    print(f"{'':38}{'median s':>10}{'least':>8}{'most':>8}{'of floor':>10}")
    floor = statistics.median(next(iter(seconds.values())))
    for name, each in seconds.items():
        middle = statistics.median(each)
        print(f"{name:38}{middle:10.3f}{min(each):8.3f}{max(each):8.3f}{middle / floor:10.2f}")


if __name__ == "__main__":
    main()
