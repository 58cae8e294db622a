"""A depth picture rendered from the sun: all that the sun sees, as points in the world.

The file states its camera by OpenEXR's standard attributes (openexr_attributes): ``worldToCamera`` and
``worldToNDC``, the latter with (0, 0) at the upper left corner of the display window and (1, 1) at the lower
right. The camera may be orthographic, as fits a sun, or a perspective one far away. Depth runs along its
axis.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import product
from pathlib import Path

import numpy as np

from halocline._typing import F32, F64
from halocline.errors import CameraError, ChannelError
from halocline.files.unchanged import Stamp, stamp_of
from halocline.imaging.camera_metadata import camera_to_world, for_columns, matrix_entry
from halocline.imaging.exr import Part, read_header, read_into
from halocline.late_dataclass import dataclass

# Depth of this and more is nothing that stands anywhere, as infinity, 0 and no number.
NOTHING_FROM = 1e9
# Points that are kept, at most: more cells than a map of shade has.
_MOST_POINTS = 1 << 20


@dataclass(frozen=True, eq=False)
class SunView:
    """What the sun sees.

    Attributes
    ----------
    points_m
        ``(3, n)``: places in the world, metres.
    spacing_m
        The largest distance from one to the next along a level surface, metres.
    ahead
        Unit direction in which its camera looks, world, ``(3,)``.
    """

    points_m: F32
    spacing_m: float
    ahead: F64


def read_sun_depth(path: Path, *, scene_unit_m: float, depth_unit_m: float) -> SunView:
    """Read what a depth picture from the sun shows.

    Parameters
    ----------
    path
        The file: its first part with a channel ``Z``, or with one channel alone.
    scene_unit_m, depth_unit_m
        Metres in a unit of its matrices, and in one of its depth.

    Returns
    -------
    SunView
        The same object for a file that has not changed.

    Raises
    ------
    ReadError
        Where the file cannot be read.
    ChannelError
        ``E-SUN-DEPTH-CHANNEL`` where it has no depth.
    CameraError
        ``E-SUN-DEPTH-CAMERA`` where it does not state its camera, ``E-CAMERA-MATRIX`` where that is none.
    """
    return _read(path, stamp_of(path), scene_unit_m, depth_unit_m)


@lru_cache(maxsize=2)
def _read(path: Path, stamp: Stamp | None, scene_unit_m: float, depth_unit_m: float) -> SunView:  # noqa: ARG001
    part, channel = _depth_part(path)
    corners = _corners(part, path)
    depth = np.empty(part.data_window.shape, np.float32)
    read_into(path, part, {channel: depth})
    # In units of the scene, as the matrices are.
    depth *= np.float32(depth_unit_m / scene_unit_m)
    return _placed(part, depth, corners, scene_unit_m)


def _placed(part: Part, depth: F32, corners: F64, unit_m: float) -> SunView:
    """Return the places of a picture's pixels; ``corners`` is that of `_corners`."""
    stride = max(1, int(np.ceil(np.sqrt(depth.size / _MOST_POINTS))))
    thin = slice(stride // 2, None, stride)
    window, display = part.data_window, part.display_window
    seen = depth[thin, thin]
    rows, columns = np.nonzero(np.isfinite(seen) & (seen > 0.0) & (seen < NOTHING_FROM))
    u = (columns * stride + stride // 2 + 0.5 + window.x - display.x) / display.width
    v = (rows * stride + stride // 2 + 0.5 + window.y - display.y) / display.height
    z = seen[rows, columns].astype(np.float64)
    # Exact for both kinds of camera: linear in each of the three.
    points = np.zeros((3, z.size))
    for (right, low, far), corner in zip(product((0, 1), repeat=3), corners.reshape(8, 3), strict=True):
        weight = (u if right else 1.0 - u) * (v if low else 1.0 - v) * (z if far else 1.0 - z)
        points += corner[:, None] * weight
    deepest = float(z.max(initial=1.0))
    across, down = (
        np.linalg.norm((1.0 - deepest) * (edge[0] - start[0]) + deepest * (edge[1] - start[1]))
        * stride
        / count
        for start, edge, count in (
            (corners[0, 0], corners[1, 0], display.width),
            (corners[0, 0], corners[0, 1], display.height),
        )
    )
    middle = corners.mean(axis=(0, 1))
    ahead = (middle[1] - middle[0]) / np.linalg.norm(middle[1] - middle[0])
    return SunView((points * unit_m).astype(np.float32), float(max(across, down)) * unit_m, ahead)


def _corners(part: Part, path: Path) -> F64:
    """Return the places of the picture's corners at depths 0 and 1, ``(2, 2, 2, 3)``: right, low, far."""
    to_camera, to_ndc = (matrix_entry(part, name) for name in ("worldToCamera", "worldToNDC"))
    if to_camera is None or to_ndc is None:
        raise CameraError(
            "the depth picture from the sun does not say where its camera stands and what it sees",
            code="E-SUN-DEPTH-CAMERA",
            where=str(path),
            fix="Render it with the attributes worldToCamera and worldToNDC, as OpenEXR defines them.",
        )
    # Depth runs against the third axis of a camera that looks down -z.
    axis = -np.linalg.inv(camera_to_world(to_camera))[2]
    ndc = for_columns(to_ndc)
    found = np.empty((2, 2, 2, 3))
    for right, low, far in product((0, 1), repeat=3):
        planes = np.stack([ndc[0] - right * ndc[3], ndc[1] - low * ndc[3], axis])
        wanted = np.array([0.0, 0.0, far]) - planes[:, 3]
        if abs(np.linalg.det(planes[:, :3])) < 1e-12:
            raise CameraError(
                "worldToNDC and worldToCamera of the depth picture from the sun make no view",
                code="E-SUN-DEPTH-CAMERA",
                where=str(path),
                fix="Write both as OpenEXR defines them: worldToNDC from (0, 0), upper left, to (1, 1).",
            )
        found[right, low, far] = np.linalg.solve(planes[:, :3], wanted)
    return found


def _depth_part(path: Path) -> tuple[Part, str]:
    """Return the part that holds depth, and its channel."""
    parts = [part for part in read_header(path).parts if not part.deep]
    for part in parts:
        named = [name for name in part.channels if name.rpartition(".")[2] == "Z"]
        if named or len(part.channels) == 1:
            return part, (named or list(part.channels))[0]
    there = ", ".join(name for part in parts for name in part.channels)
    raise ChannelError(
        f"the depth picture from the sun has no depth: {there or 'nothing flat'}",
        code="E-SUN-DEPTH-CHANNEL",
        where=str(path),
        fix="Render depth along the camera's axis into a channel Z.",
    )
