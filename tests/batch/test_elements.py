"""Elements rendered later, laid over the finished frame, against rendering both together."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import pytest

from halocline._typing import F32, F64
from halocline.batch.frame_task import FrameRecord, read_inputs, render, write_result
from halocline.batch.task import FrameTask
from halocline.errors import GraphError
from halocline.graph.engine import Evaluation
from halocline.presets.preset import preset_from_text

SIZE = (24, 40)
REC709 = (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329)
LOOK = """
format = 1
[water]
jerlov_type = "1C"
[input]
depth_kind = "range"
separate_edges = false
[output]
data_type = "float"
# Frame and element do not know what the other shades.
[light]
shadows = false
[steps.attenuation]
[steps.veiling_light]
[steps.suspended_matter]
haze = 0.2
[[steps.suspended_matter.classes]]
name = "grit"
kind = "grain"
per_litre = 2.0
smallest = 0.002
largest = 0.006
sinking = 0.0
"""
WALL_M, FISH_M = 7.0, 2.5
WALL, FISH = np.array([0.5, 0.4, 0.3]), np.array([0.1, 0.35, 0.6])


def coverage() -> F64:
    """A fish: whole in the middle, half covered at its sides, nothing elsewhere."""
    alpha = np.zeros(SIZE)
    alpha[8:16, 10:30] = 0.5
    alpha[8:16, 12:28] = 1.0
    return alpha


def write(path: Path, rgb: F64, alpha: F64, range_m: F64) -> Path:
    channels = {
        name: plane.astype(np.float32) for name, plane in zip("RGBAZ", (*rgb, alpha, range_m), strict=True)
    }
    OpenEXR.File({"chromaticities": REC709}, channels).write(str(path))
    return path


def wet(source: Path, *settings: str, text: str = LOOK) -> tuple[F32, F32, FrameRecord, dict[str, Any]]:
    out = source.with_name(f"wet_{source.name}")
    task = FrameTask(1001, source, None, out, replace=True)
    preset = preset_from_text(text, settings)
    record = write_result(render(read_inputs(task, preset), preset, Evaluation(2)), preset)
    channels = {
        name: each.pixels for name, each in OpenEXR.File(str(out), separate_channels=True).channels().items()
    }
    return np.stack([channels[name] for name in "RGB"]), channels["A"], record, channels


@pytest.fixture
def wall(tmp_path: Path) -> Path:
    ones = np.ones(SIZE)
    return write(tmp_path / "wall.exr", WALL[:, None, None] * ones, ones, WALL_M * ones)


@pytest.fixture
def fish(tmp_path: Path) -> Path:
    alpha = coverage()
    return write(
        tmp_path / "fish.exr", FISH[:, None, None] * alpha, alpha, np.where(alpha > 0, FISH_M, np.inf)
    )


def together(tmp_path: Path, cover: F64) -> Path:
    rgb = np.where(cover > 0, FISH[:, None, None], WALL[:, None, None])
    return write(tmp_path / "both.exr", rgb, np.ones(SIZE), np.where(cover > 0, FISH_M, WALL_M))


def test_an_element_laid_over_the_frame_is_what_both_together_are(
    tmp_path: Path, wall: Path, fish: Path
) -> None:
    """With output.element, over gives the picture of both, to float precision; edges mix by area."""
    frame, _, _, _ = wet(wall)
    layer, alpha, _, _ = wet(fish, "output.element=true")
    np.testing.assert_array_equal(alpha, coverage().astype(np.float32))
    assert (layer[:, alpha == 0] == 0).all()
    merged = layer + (1 - alpha) * frame
    # Where it covers its pixel half, both together are half a pixel with the fish and half without.
    with_fish, _, _, _ = wet(together(tmp_path, coverage()))
    expected = alpha * with_fish + (1 - alpha) * frame
    np.testing.assert_allclose(merged, expected, atol=1e-6)
    # What floats before the fish is in it, and the fish is seen at all.
    flat = layer[:, 8:16, 12:28]
    assert flat.std(axis=(1, 2)).max() > 1e-3
    assert np.abs(merged - frame)[:, 8:16, 12:28].mean() > 0.01


def test_layers_of_an_element_add_up_to_it(fish: Path) -> None:
    layer, _, _, channels = wet(fish, "output.element=true", 'output.layers=["*", "transmittance"]')
    names = {name.rpartition(".")[0] for name in channels if name.endswith(".G")} - {"", "transmittance"}
    total = np.sum([np.stack([channels[f"{name}.{c}"] for c in "RGB"]) for name in names], axis=0)
    assert "veil" in names
    np.testing.assert_allclose(total, layer, atol=1e-5)
    # A guide tells of the water, not of coverage.
    assert (channels["transmittance.G"][8:16, 10:12] == channels["transmittance.G"][8:16, 12:14]).all()


def test_scatter_is_left_out_of_an_element_and_told(fish: Path) -> None:
    plain, _, _, _ = wet(fish, "output.element=true")
    scattered, _, record, _ = wet(fish, "output.element=true", text=LOOK + "[steps.forward_scatter]\n")
    np.testing.assert_array_equal(scattered, plain)
    told = "\n".join(record.warnings)
    assert '"forward_scatter" was left out' in told
    assert "--set steps.forward_scatter.enabled=false" in told


def test_a_step_that_bends_the_picture_is_refused_by_name(fish: Path) -> None:
    told = r'E-ELEMENT-STEP.*step "flat_port"(.|\n)*--set steps\.flat_port\.enabled=false'
    with pytest.raises(GraphError, match=told):
        wet(fish, "output.element=true", text=LOOK + "[steps.flat_port]\n")
