"""What flat surfaces say of a depth pass: by planes in closed form, and by things that are curved."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from benchmarks.edge_scenes import SCENES

from halocline._typing import F32, F64
from halocline.imaging.camera import Camera, pinhole
from halocline.imaging.depth import DepthKind, DepthSpec
from halocline.imaging.flat_parts import TOLD, kind_doubts
from halocline.imaging.frame import Window

WINDOW = Window(0, 0, 320, 180)
CAMERA = pinhole(WINDOW, focal_length_mm=24.0, film_width_mm=36.0)


def told(passed: F32, kind: DepthKind, camera: Camera = CAMERA, alpha: F32 | None = None) -> str:
    return "".join(kind_doubts(passed, alpha, spec=DepthSpec(kind=kind), camera=camera, window=WINDOW))


def passes(planar: F64, camera: Camera = CAMERA) -> dict[DepthKind, F32]:
    with np.errstate(divide="ignore"):
        found = {
            "planar": planar,
            "range": planar * camera.range_per_depth(WINDOW),
            "inverse": 1.0 / planar,
        }
    return {kind: np.asarray(plane, np.float32) for kind, plane in found.items()}  # type: ignore[misc]


def room() -> F64:
    """A floor and a wall aslant behind it: a plane n · p = d has z = d / (n · direction), geometry."""
    x, y = CAMERA.tangents(WINDOW)
    floor = np.maximum(-y, 1e-9)[:, np.newaxis] / 1.2
    wall = 0.06 + 0.07 * x + 0.0 * floor
    return np.asarray(1.0 / np.maximum(floor, wall))


@pytest.mark.parametrize(("truth", "taken"), list(product(TOLD, TOLD)))
@pytest.mark.parametrize("stored", [np.float32, np.float16])
def test_planes_tell_which_kind_a_pass_is(truth: DepthKind, taken: DepthKind, stored: type) -> None:
    passed = passes(room())[truth].astype(stored).astype(np.float32)
    said = told(passed, taken)
    if truth == taken:
        assert said == ""
    elif stored is np.float32:
        assert f'set input.depth_kind = "{truth}"' in said
        # Reciprocals of metres beyond the first lie in 0 to 1, as what a graphics card keeps.
        assert ("depth_buffer_reversed" in said) == (truth == "inverse")
    else:
        # Steps of half floats may hide it, and never say another.
        assert said == "" or f'set input.depth_kind = "{truth}"' in said


@pytest.mark.parametrize("name", sorted(SCENES))
def test_scenes_with_things_of_all_forms_are_not_doubted(name: str) -> None:
    scene = SCENES[name]
    camera = scene.camera(WINDOW, 0)
    samples = scene.samples(WINDOW, 0)
    planar = samples.range_m / camera.range_per_depth(WINDOW)
    for kind, passed in passes(planar.astype(np.float64), camera).items():
        assert told(passed, kind, camera, samples.alpha) == ""


def test_what_is_curved_says_nothing() -> None:
    """Domes around the lens, in and out of their middle, a tunnel along its axis, smooth hills."""
    x, y = CAMERA.tangents(WINDOW)
    factor = CAMERA.range_per_depth(WINDOW).astype(np.float64)
    off = np.hypot(*np.meshgrid(x, y)) + 1e-3
    ahead = 300.0 * (1.0 + 0.5 * x) / factor
    dome = ahead + np.sqrt(ahead**2 - 300.0**2 * 1.25 + 1000.0**2)
    hills = room() * (1.0 + 0.1 * np.sin(9.0 * x) * np.cos(7.0 * y)[:, np.newaxis])
    for planar in (dome / factor, 1.5 / off, hills, np.full(WINDOW.shape, 4.0) / factor):
        for kind, passed in passes(planar).items():
            assert told(passed, kind) == ""


def test_uncovered_parts_and_other_kinds_say_nothing() -> None:
    passed = passes(room())["range"]
    assert told(passed, "planar", alpha=np.zeros(WINDOW.shape, np.float32)) == ""
    assert told(passed, "normalised") == ""


def test_a_few_parts_or_not_alike_are_not_enough() -> None:
    """A range pass taken for planar: whole, it is told; a part of it, bent or beside others, not."""
    ranged, planar = (passes(room())[kind] for kind in ("range", "planar"))
    assert told(ranged, "planar").endswith('"range"')
    columns = np.arange(WINDOW.width)
    some = np.zeros(WINDOW.shape, np.float32)
    some[120:170, :64] = 1.0
    assert told(ranged, "planar", alpha=some) == ""
    # Of another picture in a sixth of it; bent more and more from side to side.
    assert told(np.where(columns < 64, planar, ranged), "planar") == ""
    for more in (1.0 + columns // 64, 0.93 + 0.07 * (columns // 64 % 3)):
        assert told(planar * CAMERA.range_per_depth(WINDOW) ** more.astype(np.float32), "planar") == ""
    # A lens that is not the render's bends the same planes by another amount.
    longer = pinhole(WINDOW, focal_length_mm=25.2, film_width_mm=36.0)
    assert told(ranged, "planar", longer) == ""


def test_what_is_no_number_is_left_out() -> None:
    passed = passes(room())["range"].copy()
    passed[:20], passed[20:30], passed[30:34] = np.nan, np.inf, 0.0
    assert told(passed, "planar").endswith('"range"')
