"""Lamps on pictures: laws that hold for any lamp."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from tests.conftest import Builders

import halocline
from halocline.errors import HaloclineError
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Window
from halocline.presets.build import make_shot
from halocline.presets.preset import Preset, preset_from_text
from halocline.rgb import LINEAR_REC709

TEXT = """
format = 1
[water]
jerlov_type = "II"
[place]
camera_depth = 12
[light]
veil_brightness = 0.0
[[light.lamps]]
position = ["50 cm", 0.2, 0.0]
brightness = 2.0
[steps.lamps]
daylight = 0.0
[steps.attenuation]
[steps.lamp_backscatter]
"""


def night(*sets: str) -> Preset:
    return preset_from_text(TEXT, sets)


def wall(range_m: float, rows: int = 9, columns: int = 16) -> dict[str, Any]:
    window = Window(0, 0, columns, rows)
    camera = halocline.pinhole(window, focal_length_mm=30, film_width_mm=36)
    normal = np.zeros((3, rows, columns), np.float32)
    normal[2] = 1.0
    return {
        "rgb": np.full((rows, columns, 3), 0.5, np.float32),
        "range_m": np.full((rows, columns), range_m, np.float32) * camera.range_per_depth(window),
        "camera": camera,
        "planes": {"normal": normal},
    }


def test_without_lamps_night_is_black() -> None:
    wet = halocline.apply(night("light.lamps=[]"), **wall(3.0))
    assert not wet.rgb.any()


def test_lamp_lights_a_near_wall_more_than_a_far_one() -> None:
    near, far = (
        halocline.apply(night("steps.lamp_backscatter.strength=0"), **wall(at)).rgb for at in (2.0, 6.0)
    )
    assert near.mean() > 9.0 * far.mean() > 0.0


def test_wall_turned_away_from_the_lamp_stays_dark() -> None:
    scene = wall(3.0)
    scene["planes"]["normal"][2] = -1.0
    wet = halocline.apply(night("steps.lamp_backscatter.strength=0"), **scene)
    assert not wet.rgb.any()


def test_haze_grows_with_range_and_is_a_layer() -> None:
    preset = night()
    haze = [halocline.apply(preset, **wall(at), layers=["lamp_haze"]).layers["lamp_haze"] for at in (1, 3, 9)]
    assert np.all(haze[1] >= haze[0])
    assert np.all(haze[2] >= haze[1] * np.float32(0.9999))
    assert haze[2].max() > 0


def test_lamps_add_up() -> None:
    one = halocline.apply(night(), **wall(3.0)).rgb
    twice = TEXT.replace(
        "[steps.lamps]", '[[light.lamps]]\nposition = ["50 cm", 0.2, 0.0]\nbrightness = 2.0\n[steps.lamps]'
    )
    two = halocline.apply(preset_from_text(twice), **wall(3.0)).rgb
    assert two == pytest.approx(2.0 * one, rel=1e-5)


def test_half_covered_pixel_shows_the_haze_of_its_edge_and_of_open_water() -> None:
    scene = wall(1.0)
    haze = {}
    for alpha in (0.0, 0.5, 1.0):
        cover = np.full((9, 16), alpha, np.float32)
        given = {**scene, "rgb": scene["rgb"] * alpha}
        haze[alpha] = halocline.apply(night(), alpha=cover, **given, layers=["lamp_haze"]).layers["lamp_haze"]
    assert haze[0.5] == pytest.approx(0.5 * (haze[0.0] + haze[1.0]), rel=1e-5)


def test_bits_do_not_depend_on_tiles_or_threads(build: Builders) -> None:
    window = Window(-3, 5, 61, 37)
    frame, preset = build.frame(window, averaged_depth=True), night("light.veil_brightness=1")
    track = CameraTrack({1: build.camera(window)})
    shot = make_shot(preset, 1, track, space=LINEAR_REC709, display_window=window, data_window=window)
    graph = preset.at(1).graph
    whole = build.run(graph, frame, shot, threads=1, tile_rows=37)
    for rows, threads in ((1, 2), (7, 1), (16, 2)):
        tiled = build.run(graph, frame, shot, threads=threads, tile_rows=rows)
        assert np.array_equal(whole["rgb"], tiled["rgb"])


def test_tungsten_is_redder_than_daylight() -> None:
    sets = ("steps.lamp_backscatter.strength=0",)
    white = halocline.apply(night(*sets), **wall(1.5)).rgb.mean(axis=(0, 1))
    lamp = "[{position=[0.5,0.2,0.0],brightness=2.0,temperature=3200}]"
    warm = halocline.apply(night(*sets, f"light.lamps={lamp}"), **wall(1.5)).rgb.mean(axis=(0, 1))
    assert warm[0] / warm[2] > 2.0 * white[0] / white[2]


def test_lamp_aimed_at_itself_is_refused_with_its_number() -> None:
    preset = night("light.lamps=[{position=[0,0,5],target=[0,0,5]}]")
    with pytest.raises(HaloclineError, match=r"light\.lamps 1: the lamp is aimed at its own place"):
        halocline.apply(preset, **wall(2.0))
