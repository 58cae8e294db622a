"""The demo frames, as a renderer outside this project delivered them, read by Halocline.

Positions, depth and camera were written by Mitsuba 3 through `demo_frames/render.py`; that they agree here
shows that Halocline reads the standard's camera, and not only what it writes itself.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from tests.conftest import read_channels

from halocline.imaging.exr import read_header
from halocline.imaging.input_spec import InputSpec
from halocline.imaging.load import load

FOLDER = Path(__file__).parents[2] / "demo_frames"
pytestmark = pytest.mark.skipif(
    not FOLDER.is_dir(), reason="the demo frames, 57 MB, are in the repository and not in the source package"
)


@pytest.mark.parametrize("frame", [1001, 1013, 1024])
def test_positions_seen_through_the_camera_fall_on_their_own_pixels(frame: int) -> None:
    view = load(FOLDER / f"arch.{frame}.exr", InputSpec(separate_edges=False), wanted=("position",)).views[0]
    covered = view.frame.plane("alpha") == 1.0
    rows, columns = np.nonzero(covered)
    points = view.frame.plane("position")[:, rows, columns].T.astype(np.float64)
    pixels, depth = view.camera.project(points)
    away = np.hypot(pixels[:, 0] - columns - 0.5, pixels[:, 1] - rows - 0.5)
    # Positions are rounded to 1/14400 of the depth; a few pixels of thin weed show a point beside the centre.
    assert np.median(away) < 0.05
    assert np.quantile(away, 0.9995) < 0.2
    secant = view.camera.range_per_depth(view.frame.data_window)[rows, columns]
    assert np.allclose(view.frame.plane("range")[rows, columns], depth * secant, rtol=5e-4)


def test_open_water_is_where_nothing_was_hit() -> None:
    view = load(FOLDER / "arch.1001.exr").views[0]
    empty = view.frame.plane("alpha") == 0.0
    assert 0.4 < empty.mean() < 0.8
    assert np.isinf(view.frame.plane("range")[empty]).all()
    assert not view.frame.plane("rgb")[:, empty].any()
    assert not view.warnings


@pytest.mark.parametrize("frame", [1001, 1012])
def test_multi_part_files_hold_the_same_frame(frame: int) -> None:
    whole = load(FOLDER / f"arch.{frame}.exr").views[0].frame
    parts = load(FOLDER / "multipart" / f"arch_multipart.{frame}.exr").views[0].frame
    for name in ("rgb", "alpha", "range"):
        assert np.array_equal(whole.plane(name), parts.plane(name))


def test_matte_of_the_arch_lies_within_the_coverage() -> None:
    path = FOLDER / "arch.1001.exr"
    part = read_header(path).parts[0]
    planes = read_channels(path, part, ["matte.arch", "A"])
    assert 0.02 < planes["matte.arch"].mean() < 0.4
    assert (planes["matte.arch"] <= planes["A"] + 1e-3).all()
