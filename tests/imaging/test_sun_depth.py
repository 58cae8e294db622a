"""Depth pictures from the sun: cameras by OpenEXR's standard attributes, orthographic and in perspective."""

from __future__ import annotations

import math
import os
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import pytest
from numpy.testing import assert_allclose

from halocline._typing import F32, F64
from halocline.errors import CameraError, ChannelError
from halocline.imaging.sun_depth import SunView, read_sun_depth

SIZE = (20, 40)
# A sun 60 degrees high over +x: the axes of its camera (right, up, ahead), and where it stands.
RIGHT, UP = np.array([0.0, 0.0, -1.0]), np.array([-math.sqrt(0.75), 0.5, 0.0])
AHEAD = np.array([-0.5, -math.sqrt(0.75), 0.0])
PLACE = np.array([12.0, 20.0, 3.0])
WIDTH, HEIGHT = 8.0, 4.0


def attributes(*, perspective: bool = False) -> dict[str, Any]:
    """Return the standard's matrices, written down from its definition: row vectors, +z ahead, NDC y down."""
    to_camera = np.eye(4)
    to_camera[:3, :3] = np.stack([RIGHT, UP, AHEAD], axis=1)
    to_camera[3, :3] = -PLACE @ to_camera[:3, :3]
    to_ndc = np.diag([1.0 / WIDTH, -1.0 / HEIGHT, 1.0, 1.0])
    to_ndc[3, :2] = 0.5
    if perspective:
        # WIDTH and HEIGHT are those of the view 20 m ahead.
        to_ndc = np.array([[20 / WIDTH, 0, 0, 0], [0, -20 / HEIGHT, 0, 0], [0.5, 0.5, 1, 1], [0, 0, 0, 0.0]])
    rows = {"worldToCamera": to_camera, "worldToNDC": to_camera @ to_ndc}
    return {name: matrix.astype(np.float32) for name, matrix in rows.items()}


def write(path: Path, depth: F64, channel: str = "Z", **said: Any) -> Path:
    OpenEXR.File(said, {channel: depth.astype(np.float32)}).write(str(path))
    return path


def read(path: Path, unit: float = 1.0) -> SunView:
    return read_sun_depth(path, scene_unit_m=unit, depth_unit_m=unit)


@pytest.mark.parametrize("perspective", [False, True])
def test_every_pixel_comes_to_lie_where_its_ray_ends(tmp_path: Path, *, perspective: bool) -> None:
    depth = np.random.default_rng(3).uniform(5.0, 30.0, SIZE)
    found = read(write(tmp_path / "sun.exr", depth, **attributes(perspective=perspective)))
    rows, columns = np.mgrid[0 : SIZE[0], 0 : SIZE[1]]
    spread = depth / 20.0 if perspective else 1.0
    across = ((columns + 0.5) / SIZE[1] - 0.5) * WIDTH * spread
    high = (0.5 - (rows + 0.5) / SIZE[0]) * HEIGHT * spread
    local = np.stack([across, high, depth]).reshape(3, -1)
    places = PLACE[:, None] + np.stack([RIGHT, UP, AHEAD], axis=1) @ local
    assert_allclose(found.points_m, places, atol=2e-4)
    # Pixels are 20 cm square 20 m ahead.
    widest = depth.max() / 20.0 if perspective else 1.0
    assert found.spacing_m == pytest.approx(0.2 * widest, rel=1e-3)


def test_nothing_stands_where_depth_says_so_and_units_are_heeded(tmp_path: Path) -> None:
    depth = np.full(SIZE, 10.0)
    depth[:5], depth[5:7], depth[7:8], depth[8:9] = np.inf, 0.0, 1e10, np.nan
    path = write(tmp_path / "sun.exr", depth, **attributes())
    assert read(path).points_m.shape == (3, 11 * 40)
    assert_allclose(read(path, 0.01).points_m, 0.01 * read(path).points_m, rtol=1e-5)
    halved = read_sun_depth(path, scene_unit_m=1.0, depth_unit_m=0.5)
    assert_allclose(halved.points_m - read(path).points_m, np.tile(-5.0 * AHEAD, (440, 1)).T, atol=1e-4)
    # A file that was written anew is read anew.
    plain = {"compression": OpenEXR.NO_COMPRESSION, **attributes()}
    write(path, np.full(SIZE, 12.0), **plain)
    assert read(path).points_m.shape == (3, 800)
    # Also of as many bytes, under the date that it had.
    before = path.stat()
    write(path, np.full(SIZE, 13.0), **plain)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert_allclose(read(path).points_m.T @ AHEAD, PLACE @ AHEAD + 13.0, rtol=1e-5)


def test_a_picture_without_camera_or_depth_is_refused(tmp_path: Path) -> None:
    depth = np.ones(SIZE)
    with pytest.raises(CameraError, match="does not say where its camera stands") as caught:
        read(write(tmp_path / "bare.exr", depth))
    assert caught.value.code == "E-SUN-DEPTH-CAMERA"
    flat = {**attributes(), "worldToNDC": np.zeros((4, 4), np.float32)}
    with pytest.raises(CameraError, match="make no view") as caught:
        read(write(tmp_path / "flat.exr", depth, **flat))
    assert caught.value.code == "E-SUN-DEPTH-CAMERA"
    planes: dict[str, F32] = {name: np.ones(SIZE, np.float32) for name in "RGB"}
    OpenEXR.File(attributes(), planes).write(str(tmp_path / "rgb.exr"))
    with pytest.raises(ChannelError, match="no depth") as lacking:
        read(tmp_path / "rgb.exr")
    assert lacking.value.code == "E-SUN-DEPTH-CHANNEL"
