"""Render demo_frames/: a drowned stone archway, an anchor and its chain, in clean air.

    python demo_frames/render.py                       every frame, final quality, skipping finished ones
    python demo_frames/render.py --frames 1001-1003 --passes 2 --out /tmp/look

Needs ``pip install -e .[demo-render]``; see demo_frames/README.md.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np
import pyoidn
from frame_files import F32, parts_of, write
from pathtrace import STRATA, Passes, build_stage, trace
from scene.camera import FIRST_FRAME, LAST_FRAME, camera_at

HERE = Path(__file__).resolve().parent
MULTIPART_FRAMES = (1001, 1012)


def denoised(passes: Passes) -> F32:
    """Return the beauty without the grain that is left, guided by albedo and normal; empty pixels stay 0."""
    clean: F32 = pyoidn.denoise(
        np.ascontiguousarray(passes.beauty), passes.albedo, passes.normal, hdr=True, clean_aux=True
    )
    kept: F32 = np.maximum(clean, 0) * (passes.alpha > 0)[..., None]
    return kept


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--frames", default=f"{FIRST_FRAME}-{LAST_FRAME}", help="a frame or a range")
    parser.add_argument("--passes", type=int, default=1, help=f"each traces {STRATA**2} paths a pixel")
    parser.add_argument("--detail", type=float, default=1.0, help="below 1: coarser meshes, for a look")
    parser.add_argument("--out", type=Path, default=HERE)
    parser.add_argument("--overwrite", action="store_true", help="render finished frames again")
    return parser.parse_args()


def main() -> None:
    """Render the frames asked for."""
    arguments = _arguments()
    first, _, last = arguments.frames.partition("-")
    frames = range(int(first), int(last or first) + 1)
    wanted = [f for f in frames if arguments.overwrite or not (arguments.out / f"arch.{f}.exr").exists()]
    if not wanted:
        print("Every frame is there already; --overwrite renders them again.")
        return
    stage = build_stage(arguments.detail)
    for frame in wanted:
        start = time.monotonic()
        camera = camera_at(frame)
        passes = trace(stage, camera, frame, arguments.passes)
        parts = parts_of(
            beauty=denoised(passes),
            alpha=passes.alpha,
            arch=passes.arch,
            depth=passes.depth,
            normal=passes.normal,
            position=passes.position,
        )
        if frame in MULTIPART_FRAMES:
            path = arguments.out / "multipart" / f"arch_multipart.{frame}.exr"
            write(path, parts, camera, frame, multipart=True)
        path = arguments.out / f"arch.{frame}.exr"
        write(path, parts, camera, frame)
        print(f"{path}: {path.stat().st_size / 2**20:.2f} MiB, {time.monotonic() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
