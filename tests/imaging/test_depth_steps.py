"""Steps of a depth pass are known by its values, and surfaces fitted over them where there are no normals.

Files are written with the independent OpenEXR package.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import pytest

from halocline._typing import F32
from halocline.batch.first_look import look_first
from halocline.batch.frame_task import read_inputs, render
from halocline.batch.task import FrameTask, InputFiles, input_spec
from halocline.filters import surface_fit
from halocline.graph.engine import Evaluation
from halocline.imaging import depth_steps
from halocline.imaging.camera import pinhole
from halocline.imaging.depth import DepthSpec
from halocline.imaging.depth_steps import find_steps, step_doubts
from halocline.imaging.frame import Window
from halocline.imaging.input_spec import InputSpec
from halocline.imaging.load import load
from halocline.imaging.report import inspect
from halocline.presets.preset import preset_from_text

ROWS, COLUMNS = 120, 200
REC709 = (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329)
# A wall that falls away to the right, before a 35 mm lens on 36 mm film: its planar depth, and its normal.
TANGENT = 36.0 / 35.0 / COLUMNS
NORMAL = np.array([0.4, 0.2, 1.0]) / np.linalg.norm([0.4, 0.2, 1.0])
ACROSS, UP = np.meshgrid(
    (np.arange(COLUMNS) + 0.5 - COLUMNS / 2) * TANGENT, (ROWS / 2 - np.arange(ROWS) - 0.5) * TANGENT
)
DEPTH = (NORMAL[2] * -8.0) / (NORMAL[0] * ACROSS + NORMAL[1] * UP - NORMAL[2])
SMOOTH: F32 = np.random.default_rng(2).uniform(0.1, 0.9, 4000).astype(np.float32)


@pytest.mark.parametrize(
    ("values", "name"),
    [
        ((SMOOTH * 9).astype(np.float16).astype(np.float32), "half floats"),
        (np.round(SMOOTH * 255) / np.float32(255), "8-bit codes of 0 to 1"),
        (np.round(SMOOTH * 1023) / np.float32(1023), "10-bit codes of 0 to 1"),
        (np.round(SMOOTH * 65535) / np.float32(65535), "16-bit codes of 0 to 1"),
        (np.round(SMOOTH * 4000), "whole numbers"),
        ((SMOOTH.view(np.uint32) & np.uint32(0xFFFFFF00)).view(np.float32), "floats cut to 15 binary digits"),
    ],
)
def test_steps_are_known_by_the_values(values: F32, name: str) -> None:
    with_open_water = np.concatenate([values.astype(np.float32), np.array([np.inf, 0.0, np.nan], np.float32)])
    found = find_steps(with_open_water)
    assert found is not None
    assert found.name == name


def test_floats_and_a_few_values_have_no_steps() -> None:
    assert find_steps(SMOOTH * np.float32(9.0)) is None
    assert find_steps(np.repeat(np.array([1.0, 2.0, 7.5], np.float32), 900)) is None
    # Fine enough for this lens.
    cut = (SMOOTH.view(np.uint32) & np.uint32(0xFFFFFF00)).view(np.float32)
    assert find_steps(cut, 1e-4) is None


def written(path: Path, depth: Any, **more: Any) -> Path:
    grey = {name: np.full((ROWS, COLUMNS), 0.4, np.float16) for name in "RGB"}
    channels = {**grey, "A": np.ones((ROWS, COLUMNS), np.float16), "Z": depth, **more}
    OpenEXR.File({"chromaticities": REC709}, channels).write(str(path))
    return path


def normals() -> dict[str, Any]:
    return {f"N.{axis}": np.full((ROWS, COLUMNS), NORMAL[i], np.float16) for i, axis in enumerate("XYZ")}


def fitted(path: Path, **stated: Any) -> Any:
    return load(path, InputSpec(fit_surfaces=True, **stated), wanted=stated.pop("wanted", ())).views[0]


def test_half_depth_is_fitted_and_that_is_said(tmp_path: Path) -> None:
    view = fitted(written(tmp_path / "a.exr", DEPTH.astype(np.float16)))
    found = view.frame.plane("fitted_normal")
    cosine = np.clip(np.einsum("i,irc->rc", NORMAL, found), -1.0, 1.0)
    assert np.degrees(np.arccos(cosine)).max() < 3.0
    assert np.median(np.degrees(np.arccos(cosine))) < 0.3
    assert view.passes["fitted_normal"] == ("Z",)
    assert any("half floats" in reason for reason in view.depth_reasons)


@pytest.mark.parametrize(
    "kind", ["range", "inverse", "normalised", "normalised_white_near", "negative_planar"]
)
def test_every_kind_of_depth_is_fitted(tmp_path: Path, kind: str) -> None:
    length = np.sqrt(1.0 + ACROSS**2 + UP**2)
    near, far = 1.0, 40.0
    stored = {
        "range": (DEPTH * length).astype(np.float16),
        "inverse": (1.0 / DEPTH).astype(np.float16),
        "normalised": (np.round((DEPTH - near) / (far - near) * 65535) / 65535).astype(np.float32),
        "normalised_white_near": (1 - np.round((DEPTH - near) / (far - near) * 65535) / 65535).astype(
            np.float32
        ),
        "negative_planar": (-DEPTH).astype(np.float16),
    }[kind]
    preset = preset_from_text(
        "format = 1\n[steps.caustics]\n[sea]\ndetail = 256\n",
        [f'input.depth_kind="{kind}"', f"input.near={near}", f"input.far={far}"],
    )
    view = load(written(tmp_path / "a.exr", stored), input_spec(preset, 1)).views[0]
    cosine = np.clip(np.einsum("i,irc->rc", NORMAL, view.frame.plane("fitted_normal")), -1.0, 1.0)
    assert np.median(np.degrees(np.arccos(cosine))) < 0.6
    assert np.mean(np.degrees(np.arccos(cosine)) > 10.0) < 0.01


def test_normals_pass_and_float_depth_need_no_fit(tmp_path: Path) -> None:
    half = written(tmp_path / "a.exr", DEPTH.astype(np.float16), **normals())
    view = load(half, InputSpec(fit_surfaces=True), wanted=("normal",)).views[0]
    assert "fitted_normal" not in view.frame.planes
    assert view.passes["normal"] == ("N.X", "N.Y", "N.Z")
    plain = written(tmp_path / "b.exr", DEPTH.astype(np.float32))
    assert "fitted_normal" not in load(plain, InputSpec(fit_surfaces=True)).views[0].frame.planes
    assert "fitted_normal" not in load(half, InputSpec()).views[0].frame.planes


TEXT = """
format = 1
[water]
jerlov_type = "IB"
[input]
depth_kind = "planar"
[place]
camera_depth = 4
[sea]
detail = 256
[steps.caustics]
"""


def test_caustics_on_half_depth_are_those_on_float_depth(tmp_path: Path) -> None:
    pictures = {}
    for name, kind in (("half", np.float16), ("float", np.float32)):
        source = written(tmp_path / f"{name}.exr", DEPTH.astype(kind))
        for normal in ("auto", "none"):
            preset = preset_from_text(TEXT, [f'steps.caustics.normals="{normal}"'])
            task = FrameTask(1, source, None, tmp_path / "wet.exr")
            made = render(read_inputs(task, preset), preset, Evaluation(2))
            pictures[name, normal] = made.pictures[""].rgb.astype(np.float64)
    # Where a place is on the net differs by up to a step of depth either way; directions must add nothing.
    places = np.abs(pictures["half", "none"] / pictures["float", "none"] - 1.0)
    whole = np.abs(pictures["half", "auto"] / pictures["float", "auto"] - 1.0)
    assert whole.mean() < 2.0 * places.mean() + 1e-3


def test_first_look_and_inspect_say_where_directions_come_from(tmp_path: Path) -> None:
    source = written(tmp_path / "half.exr", DEPTH.astype(np.float16))
    preset = preset_from_text(TEXT)
    task = FrameTask(1, source, None, tmp_path / "wet.exr", references=(InputFiles(source, None, 1),))
    assert look_first([task], preset).reads["fitted_normal"] == ("Z",)
    told = "\n".join(inspect(source, input_spec(preset, 0)).lines())
    assert "half floats" in told
    assert "fitted_normal" in told


def test_how_wide_steps_are() -> None:
    """Half floats have 10 digits after the first (IEEE 754 binary16), 8 bits 255 steps from 0 to 1."""
    half = find_steps((SMOOTH * 9).astype(np.float16).astype(np.float32))
    codes = find_steps(np.round(SMOOTH * 255).astype(np.float32) / np.float32(255))
    assert half is not None
    assert codes is not None
    assert (half.share, half.width) == (2.0**-10, 0.0)
    assert (codes.share, codes.width) == (0.0, 1.0 / 255)


@pytest.mark.parametrize("kind", ["planar", "range"])
def test_fits_are_told_the_width_of_a_step_of_nearness(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What one step of the pass is in 1/m of planar depth, at the corners of a wide view too."""
    told: list[F32] = []

    def taken(nearness: F32, step: F32, tangents: tuple[float, float]) -> F32:
        told.extend((nearness, step))
        return fits(nearness, step, tangents)

    fits = surface_fit.slopes_over_steps
    monkeypatch.setattr(depth_steps, "slopes_over_steps", taken)
    window = Window(0, 0, COLUMNS, ROWS)
    camera = pinhole(window, focal_length_mm=10.0, film_width_mm=36.0)
    factor = camera.range_per_depth(window)
    assert factor.max() > 2.0
    stored = (DEPTH * (factor if kind == "range" else 1.0)).astype(np.float16).astype(np.float32)
    range_m = stored if kind == "range" else stored * factor
    made = depth_steps.fitted_normals(
        stored,
        range_m,
        spec=DepthSpec(kind=kind),  # type: ignore[arg-type]
        camera=camera,
        window=window,
    )
    assert made is not None
    nearness, step = told
    per_depth = factor if kind == "range" else 1.0
    planar = stored / per_depth
    np.testing.assert_allclose(nearness, 1.0 / planar, rtol=1e-5)
    moved = 1.0 / planar - 1.0 / (planar + stored * 2.0**-10 / per_depth)
    np.testing.assert_allclose(step, moved, rtol=3e-3)


@pytest.mark.parametrize(
    ("codes", "spec", "told"),
    [
        (65535.0, DepthSpec(), "all depths are whole numbers"),
        (65535.0, DepthSpec(unit_m=0.01, pass_unit_m=1.0), "all depths are whole numbers"),
        (65535.0, DepthSpec(pass_unit_m=0.001), ""),
        (255.0, DepthSpec(kind="normalised", far=50.0), "8-bit codes of 0 to 1"),
        (65535.0, DepthSpec(kind="normalised", far=50.0), ""),
    ],
)
def test_codes_of_integer_pictures_are_doubted(codes: float, spec: DepthSpec, told: str) -> None:
    whole = np.round(np.asarray(DEPTH, np.float32) / DEPTH.max() * np.float32(codes))
    passed = whole if spec.kind == "auto" else whole / np.float32(codes)
    found = step_doubts(passed, None, spec)
    assert len(found) == bool(told)
    assert told in "".join(found)
    # What nothing covers may hold anything.
    open_water = np.zeros(DEPTH.shape, np.float32)
    open_water[:60] = 1.0
    passed[60:] = 0.12345
    assert step_doubts(passed, open_water, spec) == found


def test_floats_and_halves_are_not_doubted() -> None:
    for stored in (np.float32, np.float16):
        passed = DEPTH.astype(stored).astype(np.float32)
        assert step_doubts(passed, None, DepthSpec()) == []
    assert step_doubts(np.zeros((3, 9, 9), np.float32), None, DepthSpec()) == []


def test_what_a_pass_itself_says_against_itself_is_a_doubt_of_the_frame(tmp_path: Path) -> None:
    """A wall as its range along rays, taken for depth along the axis; and in whole centimetres."""
    length = np.sqrt(1.0 + ACROSS**2 + UP**2)
    along_rays = written(tmp_path / "a.exr", (DEPTH * length).astype(np.float32))
    whole = written(tmp_path / "b.exr", np.round(DEPTH * 100.0).astype(np.float32))
    sound = written(tmp_path / "c.exr", DEPTH.astype(np.float32))
    for path, says in ((along_rays, 'input.depth_kind = "range"'), (whole, "all depths are whole numbers")):
        loaded = load(path, judged=True)
        assert sum(says in doubt for doubt in loaded.doubts) == 1
        assert set(loaded.doubts) <= set(loaded.warnings)
        # Frame by frame nothing more is told.
        assert not any(says in doubt for doubt in load(path).doubts)
    assert not any("flat" in doubt or "whole" in doubt for doubt in load(sound, judged=True).doubts)
