"""Black boxes in the water, all about the lens, against photons: walls, slabs, roofs, level, up and down.

Source: tools/follow_photons.py boxes, photons followed backwards from the lens past the boxes of
`data/scenes_of_boxes.json`, in even water (Henyey-Greenstein 0.924) under a flat sea, computed. All of the
boxes cast: they are told as a depth picture from the sun tells them, for most are not in view.

All but the last three scenes were in view when it was chosen what of light that has been scattered about
comes along rays and what of it halos take. The last three were followed when that stood. All were there when
light through Snell's window was left out of it, for the sake of discs overhead.
"""

from __future__ import annotations

import csv
import json
import math
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benchmarks.edge_scenes import Rays
from tests.reference.test_looking_up_reference import BLUR, SKY, TEXT

from halocline._typing import F64
from halocline.graph.engine import evaluate
from halocline.imaging.camera import Camera, pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.imaging.sun_depth import SunView
from halocline.presets.build import make_shot
from halocline.presets.preset import load_preset
from halocline.rgb import LINEAR_REC709

DATA = Path(__file__).parent / "data"
SCENES: dict[str, dict[str, Any]] = json.loads((DATA / "scenes_of_boxes.json").read_text(encoding="utf-8"))
WINDOW = Window(0, 0, 240, 136)
POINTS_M = 0.05
# From the scenes' axes (towards the sun, up, aside) to the world's, whose sun stands over -z.
TO_WORLD = np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]])
# Ours over photons', at least and at most, as they are. Before dark faces near the lens up to twice as much
# is left, for the sun's light is turned more widely than its shadow softens; before what an opening lights
# from beside, less.
BOUNDS = {
    "wall at the sun": (0.75, 2.1),
    "slab, level and down": (0.95, 1.25),
    "roof, low sun": (0.7, 1.85),
    "roof with a slot": (0.5, 1.55),
    "wall, sun from behind the lens": (0.85, 1.15),
    "ledge, low sun": (0.6, 1.2),
    "hull beside, turbid": (0.87, 1.1),
    "cave open to one side": (0.28, 1.0),
    "wall beside, clear": (0.8, 2.0),
    "between two walls": (0.75, 1.65),
    "tower, turbid": (0.9, 2.0),
    "arch": (0.45, 1.15),
    "deep under half a roof": (0.8, 3.1),
    "along a wall, turbid": (0.65, 1.5),
}
# Where next to nothing is left: ours less photons', as a share of the open view, at most.
DARK = {"under a wide hull, turbid": 0.05}
FAINT = 0.01


@cache
def photons() -> dict[str, dict[tuple[str, float], tuple[float, float]]]:
    """Radiance past the boxes, and without them, by scene, view and angle."""
    found: dict[str, dict[tuple[str, float], tuple[float, float]]] = {}
    with (DATA / "photons_past_boxes.csv").open(encoding="utf-8") as lines:
        for row in csv.DictReader(lines):
            found.setdefault(row["scene"], {})[row["view"], float(row["angle_deg"])] = (
                float(row["under"]),
                float(row["open"]),
            )
    return found


def lens(scene: dict[str, Any]) -> Camera:
    azimuth, height = math.radians(scene["azimuth_deg"]), math.radians(scene["height_deg"])
    level = np.array([math.cos(azimuth), 0.0, math.sin(azimuth)])
    ahead = math.cos(height) * level + np.array([0.0, math.sin(height), 0.0])
    aside = np.array([-math.sin(azimuth), 0.0, math.cos(azimuth)])
    matrix = np.eye(4)
    matrix[:3, :3] = TO_WORLD @ np.stack([aside, np.cross(aside, ahead), -ahead], axis=1)
    return pinhole(
        WINDOW, focal_length_mm=scene.get("focal", 18.0), film_width_mm=36.0, camera_to_world=matrix
    )


def seen_from_the_sun(scene: dict[str, Any]) -> SunView:
    """Return the tops of the boxes and their sides towards the sun."""
    zenith = math.asin(math.cos(math.radians(scene["sun_deg"])) / 1.341)
    found = []
    for box in np.array(scene["boxes"]):
        low, high = box[:3], box[3:]
        for still, (first, second) in ((1, (0, 2)), (0, (1, 2))):
            at = [np.arange(low[axis] + POINTS_M / 2.0, high[axis], POINTS_M) for axis in (first, second)]
            planes = np.meshgrid(*at)
            points = np.full((3, planes[0].size), high[still])
            points[first], points[second] = planes[0].ravel(), planes[1].ravel()
            found.append(points)
    ahead = -np.array([math.sin(zenith), math.cos(zenith), 0.0])
    points = TO_WORLD @ np.concatenate(found, axis=1)
    return SunView(points.astype(np.float32), POINTS_M, TO_WORLD @ ahead)


def picture(scene: dict[str, Any], folder: Path, *, told_by_sun: bool = True) -> F64:
    """Radiance per irradiance of 1 on the sea, of things as the sun or the lens alone sees them."""
    water = f"{scene['absorption']},{scene['scattering']}\n"
    rows = "".join(f"{nm},{water}" for nm in range(400, 701, 10))
    (folder / "water.csv").write_text("wavelength,a,b\n" + rows, encoding="utf-8")
    text = TEXT.format(depth=scene["depth_m"], overcast=0.0, before=SKY, blur=BLUR, sun=scene["sun_deg"])
    (folder / "water.toml").write_text(text, encoding="utf-8")
    preset, camera = load_preset(folder / "water.toml"), lens(scene)
    shot = make_shot(
        preset, 1, CameraTrack({1: camera}), space=LINEAR_REC709, display_window=WINDOW, data_window=WINDOW
    )
    rays = Rays(np.zeros(3), np.einsum("ij,irc->jrc", TO_WORLD, camera.directions(WINDOW).astype(np.float64)))
    for box in np.array(scene["boxes"]):
        rays.box(box[:3], box[3:], (0.0, 0.0, 0.0))
    planes = {
        "rgb": np.zeros((3, *WINDOW.shape), np.float32),
        "alpha": np.isfinite(rays.range_m).astype(np.float32),
        "range": rays.range_m.astype(np.float32),
    }
    frame = Frame(planes, WINDOW, WINDOW)
    shot = replace(shot, surfaces=frame, sun_view=seen_from_the_sun(scene) if told_by_sun else None)
    made = evaluate(preset.at(1).graph, frame, shot, wanted=("bands",))["bands"]
    path = shot.path
    band = int(np.argmin(np.abs(path.bands.wavelength_nm - 550.0)))
    whole = (
        math.pi
        * path.white[band]
        / math.exp(path.water.daylight().log_downward(path.reference_depth_m)[band])
    )
    return np.asarray(made[band] / whole, np.float64)


def ours(told: F64, view: str, angle: float) -> float:
    """Return what a picture shows so far from its middle."""
    place = 120.0 * math.tan(math.radians(angle))
    if view == "aside":
        return float(np.interp(119.5 + place, np.arange(240), told[67:69].mean(axis=0)))
    return float(np.interp(67.5 - place, np.arange(136), told[:, 119:121].mean(axis=1)))


@pytest.mark.parametrize("name", BOUNDS)
def test_before_boxes_and_past_them_the_light_is_near_what_photons_bring(name: str, tmp_path: Path) -> None:
    told, (low, high) = picture(SCENES[name], tmp_path), BOUNDS[name]
    for (view, angle), (wanted, without) in photons()[name].items():
        found = ours(told, view, angle)
        if wanted < FAINT * without:
            assert abs(found - wanted) < FAINT * without, (view, angle)
        else:
            assert low < found / wanted < high, (view, angle)


@pytest.mark.parametrize("name", DARK)
def test_under_boxes_that_hide_all_about_the_lens_it_is_dark(name: str, tmp_path: Path) -> None:
    told = picture(SCENES[name], tmp_path)
    for (view, angle), (wanted, without) in photons()[name].items():
        assert abs(ours(told, view, angle) - wanted) < DARK[name] * without, (view, angle)


def test_every_scene_is_looked_at() -> None:
    assert {*BOUNDS, *DARK} == {*SCENES} == {*photons()}
