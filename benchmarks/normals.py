"""How far normals that are found from a depth pass are from the render's own, on a frame of the demo.

    python -m benchmarks.normals [FRAME.exr]

The frame's depth is kept as half floats, and as 12- and 16-bit codes of 0 to 100 m; beside it stand the exact
floats. Told are the median angle to the normal pass and the share of pixels off by more than 10 degrees: from
neighbouring pixels, and from surfaces that are fitted over the steps of the pass. Over all covered pixels,
and over those at least three pixels from any edge, where a pixel's normal is not one of several.
"""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np

from halocline._typing import F32
from halocline.filters.facing import normals_from_range
from halocline.imaging.depth import DepthSpec, range_planes
from halocline.imaging.depth_steps import fitted_normals
from halocline.imaging.frame import Frame
from halocline.imaging.load import View, load

FRAME = Path(__file__).parents[1] / "demo_frames" / "arch.1001.exr"
FAR_M = 100.0
# Where range changes by more than this share within a pixel, an edge runs.
_EDGE = 0.05


def main() -> None:
    """Measure and print."""
    path = Path(sys.argv[1]) if len(sys.argv) > 1 else FRAME
    view = load(path, wanted=("normal",)).views[0]
    frame = view.frame
    range_m = frame.plane("range")
    seen = (frame.plane("alpha") >= 1.0) & np.isfinite(range_m)
    inner = seen & ~_near_edges(range_m)
    planar = range_m / view.camera.range_per_depth(frame.data_window)
    planar_spec = DepthSpec(kind="planar", edges="sharp")
    share_spec = DepthSpec(kind="normalised", near=0.0, far=FAR_M, edges="sharp")
    stored = {
        "exact floats": (planar, planar_spec),
        "half floats": (planar.astype(np.float16).astype(np.float32), planar_spec),
        **{f"{bits} bits of 0 to 100 m": (_codes(planar, bits), share_spec) for bits in (12, 16)},
    }
    print(f"{path.name}, {frame.data_window.width} x {frame.data_window.height}, {seen.sum()} pixels covered")
    print(f"{'':<42} median  over 10 deg   inside: median  over 10 deg")
    for name, (values, spec) in stored.items():
        for how, found in _found(view, frame, values, spec).items():
            angle = _angles(found, frame.plane("normal"))
            print(f"{name:<24}{how:<18}{_told(angle[seen])}        {_told(angle[inner])}")


def _codes(planar: F32, bits: int) -> F32:
    """Return depth as a file of so many bits holds it, as shares of the farthest."""
    most = 2**bits - 1
    return np.asarray(np.round(np.minimum(planar / FAR_M, 1.0) * most) / most, np.float32)


def _found(view: View, frame: Frame, values: F32, spec: DepthSpec) -> dict[str, F32]:
    """Return normals from neighbours, and fitted ones where the steps ask for them."""
    camera, window = view.camera, frame.data_window
    planes = range_planes(values, None, spec=spec, camera=camera, window=window)
    found = {"by neighbours": normals_from_range(camera.directions(window), planes.range)}
    fitted = fitted_normals(values, planes.range, spec=spec, camera=camera, window=window)
    if fitted is not None:
        found["fitted"] = fitted[0]
    return found


def _near_edges(range_m: F32) -> np.ndarray:
    around = np.ones((3, 3), np.uint8)
    edges = cv2.erode(range_m, around) < cv2.dilate(range_m, around) / (1.0 + _EDGE)
    return np.asarray(cv2.dilate(edges.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0)


def _angles(found: F32, right: F32) -> F32:
    """Return angles between normals, degrees."""
    length = np.maximum(np.linalg.norm(right, axis=0), 1e-6)
    cosine = np.clip((found * right).sum(axis=0) / length, -1.0, 1.0)
    return np.asarray(np.degrees(np.arccos(cosine)), np.float32)


def _told(angle: F32) -> str:
    return f"{np.median(angle):7.2f}{np.mean(angle > 10.0):11.1%}"


if __name__ == "__main__":
    main()
