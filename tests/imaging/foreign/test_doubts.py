"""Files that are read, though it is doubtful that they were meant so: each is told, and strict refuses it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tests.imaging.foreign.layouts import Array, Layout, depth, one, plane, rgb, rgba, write

from halocline.imaging.input_spec import InputSpec
from halocline.imaging.load import load

LENS = {"worldToCamera": np.diag([1.0, 1.0, -1.0, 1.0]).astype(np.float32)}


def doubts(folder: Path, *channels: dict[str, Array], **header: Any) -> str:
    layout = Layout("", one(*channels, header=header), {})
    loaded = load(write(folder / "doubtful.exr", layout), InputSpec(), judged=True)
    assert set(loaded.doubts) <= set(loaded.warnings)
    return "\n".join(loaded.doubts)


def film(focal_mm: float, width_mm: float) -> dict[str, Any]:
    back = np.array([width_mm, width_mm * 0.75], np.float32)
    return {**LENS, "nominalFocalLength": focal_mm, "sensorOverallDimensions": back}


def test_alpha_that_is_0_where_light_and_depth_are(tmp_path: Path) -> None:
    nothing = {"A": plane(0.0)}
    assert "alpha is 0 everywhere" in doubts(tmp_path, rgb(), nothing, depth())
    # A frame that shows nothing yet is no doubt, nor is a light before open water.
    assert doubts(tmp_path, rgba("", 0.0), nothing, depth("Z", np.inf)) == ""
    assert doubts(tmp_path, rgb(), nothing, depth("Z", np.inf)) == ""


def test_light_and_coverage_from_0_to_255(tmp_path: Path) -> None:
    told = doubts(tmp_path, rgba("", 60.0), depth())
    assert "the beauty is in another scale" in told
    assert "brighter than 60" in told
    told = doubts(tmp_path, rgb(), {"A": plane(255.0)}, depth())
    assert "alpha reaches 255: coverage is 0 to 1" in told
    # A bright render, and a filter that overshoots.
    assert doubts(tmp_path, rgba("", 8.0), depth()) == ""
    assert doubts(tmp_path, rgb(), {"A": plane(1.2)}, depth()) == ""


@pytest.mark.parametrize("far", [np.inf, 0.0, 1e30])
def test_covered_pixels_none_of_which_has_a_depth(tmp_path: Path, far: float) -> None:
    told = doubts(tmp_path, rgba(), depth("Z", far))
    assert "no pixel that is covered (alpha above 0) has a depth" in told
    assert "input.depth_channel" in told


@pytest.mark.parametrize(("focal", "width"), [(3.0, 36.0), (30.0, 1.417)])
def test_a_lens_in_centimetres_and_a_film_in_inches(tmp_path: Path, focal: float, width: float) -> None:
    told = doubts(tmp_path, rgba(), depth(), **film(focal, width))
    assert "the lens sees" in told
    assert "camera.horizontal_view" in told


@pytest.mark.parametrize(("focal", "width"), [(30.0, 36.0), (10.0, 36.0), (400.0, 36.0), (0.03, 0.036)])
def test_lenses_that_there_are(tmp_path: Path, focal: float, width: float) -> None:
    assert doubts(tmp_path, rgba(), depth(), **film(focal, width)) == ""
