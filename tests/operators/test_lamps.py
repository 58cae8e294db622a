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


def test_without_normals_surfaces_are_lit_as_their_depth_says_they_face() -> None:
    off = "steps.lamp_backscatter.strength=0"
    scene = wall(3.0)
    window = Window(0, 0, 16, 9)
    # A wall that turns away to the right, by its own plane: 60 degrees.
    normal, directions = np.array([-np.sqrt(0.75), 0.0, 0.5]), scene["camera"].directions(window)
    along = np.einsum("i,irc->rc", normal, directions.astype(np.float64))
    scene["range_m"] = (normal @ [0.0, 0.0, -3.0] / along).astype(np.float32)
    scene["planes"]["normal"] = np.broadcast_to(normal[:, None, None], (3, 9, 16)).astype(np.float32)
    by_pass = halocline.apply(night(off), **scene).rgb
    taken = halocline.apply(night(off, "steps.lamps.normals='none'"), **scene).rgb
    del scene["planes"]["normal"]
    by_depth = halocline.apply(night(off), **scene).rgb
    np.testing.assert_allclose(by_depth, by_pass, rtol=3e-3, atol=1e-6)
    for way in ("render", "none"):
        flat = halocline.apply(night(off, f"steps.lamps.normals='{way}'"), **scene).rgb
        np.testing.assert_array_equal(flat, taken)
    assert taken[4, 8].sum() > 1.05 * by_pass[4, 8].sum() > 0.0


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


# One that stands in the beam of the lamp.
CLOUD = (
    "[steps.turbid_bodies]\nbodies = [{ name = 'a', position = [0.1, 0.1, -1.5], size = [0.6, 0.6, 0.6], "
    "visibility = 0.4 }]\n"
)


@pytest.mark.parametrize("more", ["", CLOUD])
def test_bits_do_not_depend_on_tiles_or_threads(build: Builders, more: str) -> None:
    window = Window(-3, 5, 61, 37)
    frame = build.frame(window, averaged_depth=True)
    preset = preset_from_text(TEXT + more, ("light.veil_brightness=1",))
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
    with pytest.raises(HaloclineError, match=r"light\.lamps\.0: the lamp is aimed at its own place"):
        night("light.lamps=[{position=[0,0,5],target=[0,0,5]}]")


def test_lamps_light_what_daylight_does_not_reach() -> None:
    # Forty metres down at night: a lamp comes from beside the lens, not from the surface, so what daylight
    # lost on its way down takes nothing off its light.
    deep = "[light]\nreference_depth = 2.0\ndaylight = 0.0\n"
    text = TEXT.replace("[light]\n", deep).replace("camera_depth = 12", "camera_depth = 40")
    off = ("steps.lamp_backscatter.strength=0",)
    with_loss = preset_from_text(text.replace("[steps.lamps]", "[steps.downwelling]\n[steps.lamps]"), off)
    lit = preset_from_text(text, off)
    seen, wanted = (halocline.apply(preset, **wall(2.0)).rgb for preset in (with_loss, lit))
    assert wanted.max() > 0.01
    assert seen == pytest.approx(wanted, rel=1e-5)


def test_far_surface_in_a_mixed_pixel_has_its_own_lamp_light_and_share() -> None:
    # Half of a pixel shows a wall at 2 m, half one at 6 m: the light is the mean of both frames'. A shadow of
    # the one on the other is not asked for.
    text = TEXT.replace("[steps.lamps]", "[steps.downwelling]\n[steps.lamps]").replace(
        "brightness = 2.0", "brightness = 2.0\nshadows = false"
    )
    off = ("steps.attenuation.enabled=false", "steps.lamp_backscatter.strength=0")
    # Where all pixels are mixed, no depth tells which way the far wall faces.
    preset = preset_from_text(text, (*off, "steps.lamps.normals='none'"))
    scene = wall(2.0)
    window = Window(0, 0, 16, 9)
    scene["planes"].pop("normal")
    mixed = {
        "far_range": np.full((9, 16), 6.0, np.float32) * scene["camera"].range_per_depth(window),
        "far_share": np.full((9, 16), 0.5, np.float32),
        "far_light": np.full((9, 16), 0.5, np.float32),
    }
    scene["planes"] |= mixed
    both = halocline.apply(preset, **scene).rgb
    bare = [wall(at) for at in (2.0, 6.0)]
    for each in bare:
        each["planes"].pop("normal")
    near, far = (halocline.apply(preset, **each).rgb for each in bare)
    assert both == pytest.approx(0.5 * (near + far), rel=1e-4)


def test_far_surface_of_an_edge_faces_as_the_pixels_beside_it() -> None:
    # A wall that faces the lens, before one that faces aside: Lambert's cosine is its own on each side of the
    # edge, and in the column between them half of each.
    off = ("steps.attenuation.enabled=false", "steps.lamp_backscatter.strength=0")
    text = TEXT.replace("brightness = 2.0", "brightness = 2.0\nshadows = false")
    aside = np.array([0.8, 0.0, 0.6], np.float32)[:, None, None]
    scenes = [wall(at) for at in (2.0, 6.0, 2.0)]
    scenes[1]["planes"]["normal"][...] = aside
    edge = scenes[2]
    edge["planes"]["normal"][:, :, 9:] = aside
    edge["range_m"][:, 9:] = scenes[1]["range_m"][:, 9:]
    share = np.zeros((9, 16), np.float32)
    share[:, 8] = 0.5
    edge["planes"] |= {"far_range": scenes[1]["range_m"], "far_share": share, "far_light": share}
    near, far, both = (halocline.apply(preset_from_text(text, off), **scene).rgb for scene in scenes)
    assert both[:, :8] == pytest.approx(near[:, :8], rel=1e-5)
    assert both[:, 9:] == pytest.approx(far[:, 9:], rel=1e-5)
    assert both[:, 8] == pytest.approx(0.5 * (near + far)[:, 8], rel=1e-4)


def test_clouds_break_the_beam_drift_with_the_current_and_keep_the_mean() -> None:
    sets = ("steps.lamps.grey=0", "steps.attenuation.enabled=true")
    lamp = "light.lamps=[{position=[2.0,1.0,3.0],target=[-4.0,-0.5,5.0],cone_angle=40}]"
    scene = wall(12.0, rows=36, columns=64)

    def haze(*more: str, frame: int = 1001) -> Any:
        preset = night(lamp, *sets, *more)
        return halocline.apply(preset, **scene, frame=frame, layers=["lamp_haze"]).layers["lamp_haze"]

    even = haze()
    clouds = "steps.lamp_backscatter.clouds=0.6"
    patchy = haze(clouds, "steps.lamp_backscatter.cloud_scale=0.5")
    lit = even[1] > 0.2 * even[1].max()
    ratio = patchy[1][lit] / even[1][lit]
    assert ratio.std() > 0.1
    assert ratio.mean() == pytest.approx(1.0, abs=0.25)
    # Still water stays, to the bit; a current moves them.
    assert np.array_equal(haze(clouds), haze(clouds, frame=1040))
    assert not np.array_equal(
        haze(clouds, "steps.lamp_backscatter.current=[0.1,0,0]"),
        haze(clouds, "steps.lamp_backscatter.current=[0.1,0,0]", frame=1040),
    )


@pytest.mark.parametrize("seed", range(3))
def test_clouds_seen_through_a_beam_are_no_even_bars(seed: int) -> None:
    # A beam two metres thick shows the field summed along the ray, in which a wave keeps the square of its
    # mean of the variance (Parseval); where one wave alone is left, its share is 1 and the beam has bars.
    clouds_set = ("steps.lamp_backscatter.clouds=0.8", "steps.lamp_backscatter.cloud_scale=0.5")
    preset = night(f"sequence.seed={seed}", *clouds_set)
    scene = wall(12.0)
    shot = make_shot(
        preset,
        1001,
        CameraTrack({1001: scene["camera"]}),
        space=LINEAR_REC709,
        display_window=Window(0, 0, 16, 9),
        data_window=Window(0, 0, 16, 9),
    )
    step = next(each for each in preset.at(1001).graph.steps if each.name == "lamp_backscatter")
    waves = step.operator.prepare(shot).matter.clouds.waves
    ways = np.random.default_rng(seed).normal(size=(200, 3))
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    part = np.sinc(2.0 * (ways @ waves.T)) ** 2
    largest = part.max(axis=1) / part.sum(axis=1)
    assert np.median(largest) < 0.4


def test_a_lamp_that_shines_into_the_lens_is_seen_with_a_glow_and_is_hidden_by_what_stands_before_it() -> (
    None
):
    lamp = "light.lamps=[{position=[0.0,0.0,3.0],target=[0.0,0.0,0.0],radius=0.05}]"

    def haze(at: float, *more: str) -> Any:
        preset = night(lamp, *more)
        return halocline.apply(preset, **wall(at, 18, 32), layers=["lamp_haze"]).layers["lamp_haze"][1]

    open_view, dark = haze(9.0), haze(1.0)
    assert open_view.max() > 50.0 * np.median(open_view)
    # What is lit of the water before a wall is left: this wall throws no shadow.
    assert dark.max() < 0.2 * open_view.max()
    bare = haze(9.0, "steps.lamp_backscatter.glow=0")
    assert (open_view >= bare).all()
    assert (open_view - bare).max() > 0.0
