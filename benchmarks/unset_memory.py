"""Memory that nobody has written: whatever lies in it, pictures are the same to the bit.

    python -m benchmarks.unset_memory [--looks NAME ...] [--sizes 1x1 3x5 ...] [--frames arrays demo]

New memory is zero nearly always, so that code which reads what nobody wrote looks right until a long job
hands it what another frame left there. Every look is put on small frames of odd sizes, in processes that
differ in nothing but what new memory holds: what the system gives; and large numbers of either sign, by the
C library (so inside compiled loops and other libraries too, who ask it), with numbers that are none in the
arrays that Python asks for. *arrays* are made here, with normals; *demo* is the demo's frame, thinned out.
Pictures that differ are named; exit status 1 if any do, or if a process ends otherwise than well.

The first process compiles what is not compiled yet. GNU's C library alone can fill memory in this way.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio

import halocline
from halocline._typing import F32
from halocline.batch.arrays import apply
from halocline.presets.preset import load_preset

SIZES = ("1x1", "5x3", "1x41", "53x1", "7x29", "37x23")
FRAME = 12
DEMO = Path(halocline.__file__).parent / "demo_frames" / "arch.1001.exr"
# mallopt(3), M_PERTURB: new memory is filled with the complement of this byte. 7f7f7f7f is 3.4e38 as a float
# and lies beyond any array as an index; fefefefe is -1.7e38, and before any.
FILLS = {"large": 0x80, "negative": 0x01}


def main() -> None:
    """Compare, or make the pictures of one process."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    shipped = sorted(path.stem for path in (Path(__file__).parents[1] / "presets").glob("*.toml"))
    parser.add_argument("--looks", nargs="+", default=shipped)
    parser.add_argument("--sizes", nargs="+", default=SIZES, help="WIDTHxHEIGHT")
    parser.add_argument("--frames", nargs="+", default=["arrays", "demo"], choices=["arrays", "demo"])
    parser.add_argument("--fills", nargs="+", default=[*FILLS], choices=[*FILLS])
    parser.add_argument("--inner", choices=["plain", "filled"], help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.inner:
        if asked.inner == "filled":
            _fill_arrays()
        for name, made in pictures(asked.looks, asked.sizes, asked.frames):
            print(json.dumps([name, made]), flush=True)
        return
    plain = _made("plain", {}, asked)
    wrong = []
    for fill in asked.fills:
        # Small pieces would else be handed on within the process as they are.
        more = {"MALLOC_PERTURB_": str(FILLS[fill]), "GLIBC_TUNABLES": "glibc.malloc.tcache_count=0"}
        filled = _made("filled", more, asked)
        wrong += [f"{fill}: {name}" for name, made in plain.items() if filled.get(name) != made]
    print("\n".join(wrong))
    print(f"{len(plain)} pictures, {len(asked.fills)} fills: {len(wrong)} differ")
    sys.exit(bool(wrong))


def pictures(looks: list[str], sizes: list[str], frames: list[str]) -> Iterator[tuple[str, str]]:
    """Yield each picture's name, and the digest of its bits or the error that it ended with."""
    for look in looks:
        preset = load_preset(look)
        for size in sizes:
            columns, rows = map(int, size.split("x"))
            for kind in frames:
                given = _arrays(rows, columns) if kind == "arrays" else {"rgb": thinned(rows, columns)}
                try:
                    found = digest(apply(preset, **given, frame=FRAME, threads=1).rgb)
                except halocline.HaloclineError as error:
                    found = error.code
                yield f"{look} {kind} {size}", found


def _arrays(rows: int, columns: int) -> dict[str, Any]:
    down, across = np.mgrid[0:rows, 0:columns].astype(np.float32)
    alpha = np.clip((0.7 * columns - across) / 3, 0, 1)
    light = np.stack([0.3 * alpha, (0.1 + 0.002 * down) * alpha, 0.2 * alpha], axis=-1)
    normal = np.stack([np.sin(across), np.full_like(across, 0.6), np.cos(across)])
    return {
        "rgb": light,
        "range_m": np.where(alpha > 0, 1.5 + 0.2 * down, np.inf),
        "alpha": alpha,
        "planes": {"normal": (normal / np.linalg.norm(normal, axis=0)).astype(np.float32)},
    }


def thinned(rows: int, columns: int) -> oiio.ImageBuf:
    """Return the demo's frame with so few of its rows and columns."""
    whole = oiio.ImageBuf(str(DEMO))
    spec = whole.spec().copy()
    down, across = (
        np.linspace(0, length - 1, count + 2).round().astype(int)[1:-1]
        for length, count in ((spec.height, rows), (spec.width, columns))
    )
    spec.width = spec.full_width = columns
    spec.height = spec.full_height = rows
    made = oiio.ImageBuf(spec)
    pixels = np.ascontiguousarray(np.asarray(whole.get_pixels(oiio.FLOAT))[np.ix_(down, across)])
    made.set_pixels(oiio.ROI(0, columns, 0, rows, 0, 1, 0, spec.nchannels), pixels)
    return made


def digest(pixels: F32) -> str:
    """Return the digest of a picture's bits."""
    return hashlib.sha256(np.ascontiguousarray(pixels, "<f4").tobytes()).hexdigest()


def _fill_arrays() -> None:
    """Have what Python asks numpy for filled: its small pieces come from a store of its own."""

    def empty(shape: Any, dtype: Any = float, order: Any = "C", **_: Any) -> Any:
        number = np.issubdtype(dtype, np.inexact)
        return np.full(shape, np.nan if number else 1, dtype, order)

    def empty_like(array: Any, dtype: Any = None, order: Any = "K", **more: Any) -> Any:
        number = np.issubdtype(np.asarray(array).dtype if dtype is None else dtype, np.inexact)
        return np.full_like(array, np.nan if number else 1, dtype, order, **more)

    vars(np).update(empty=empty, empty_like=empty_like)


def _made(inner: str, more: dict[str, str], asked: argparse.Namespace) -> dict[str, str]:
    chosen = ["--looks", *asked.looks, "--sizes", *asked.sizes, "--frames", *asked.frames]
    command = [sys.executable, "-m", "benchmarks.unset_memory", "--inner", inner, *chosen]
    ended = subprocess.run(command, stdout=subprocess.PIPE, text=True, env=os.environ | more, check=False)
    if ended.returncode:
        print(f"{inner} {more}: the process ended with {ended.returncode}", flush=True)
    return dict(json.loads(line) for line in ended.stdout.splitlines())


if __name__ == "__main__":
    main()
