"""Rim light and drawing near: side, limits, price."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from tests.conftest import Builders

import halocline
from halocline._typing import F32
from halocline.errors import PhysicsError, PresetError
from halocline.filters.soft_window import within
from halocline.graph.engine import evaluate
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.operators.draw_near import DrawNearParameters, share_of
from halocline.physics.path.lit_edge import bright_side, depth_edges, rim_contrast, rim_share
from halocline.physics.path.visibility import RangeRemap
from halocline.presets.build import make_shot, story_path
from halocline.presets.preset import Preset, preset_from_text
from halocline.presets.story_costs import prices
from halocline.rgb import LINEAR_REC709

WINDOW = Window(0, 0, 64, 36)
TEXT = """
format = 1
[water]
jerlov_type = "II"
[light]
sun_azimuth = 90
[place]
camera_depth = 8
[steps.rim_light]
[steps.attenuation]
[steps.veiling_light]
"""


def look(*sets: str) -> Preset:
    return preset_from_text(TEXT, sets)


def ball(range_m: float = 6.0) -> dict[str, Any]:
    """A black ball in the middle of open water, with normals."""
    camera = halocline.pinhole(WINDOW, focal_length_mm=30, film_width_mm=36)
    x, y = np.meshgrid((np.arange(64) - 31.5) / 14.0, (17.5 - np.arange(36)) / 14.0)
    inside = x * x + y * y < 1.0
    z = np.sqrt(np.maximum(0.0, 1.0 - x * x - y * y))
    normal = np.where(inside, np.stack([x, y, z]), 0.0).astype(np.float32)
    return {
        "rgb": np.zeros((*WINDOW.shape, 3), np.float32),
        "range_m": np.where(inside, range_m, np.inf).astype(np.float32),
        "alpha": inside.astype(np.float32),
        "camera": camera,
        "planes": {"normal": normal},
    }


def test_rim_lies_on_the_suns_side() -> None:
    # Azimuth 90 is to the right of a camera that looks ahead.
    rim = halocline.apply(look(), **ball(), layers=["rim"]).layers["rim"].sum(axis=0)
    assert rim[:, 32:].sum() > 10.0 * rim[:, :32].sum()
    left = halocline.apply(look("light.sun_azimuth=-90"), **ball(), layers=["rim"]).layers["rim"].sum(axis=0)
    assert left[:, :32].sum() > 10.0 * left[:, 32:].sum()


def test_rim_is_the_nearer_surfaces_share_of_a_pixel_and_leaves_the_farther_its_light() -> None:
    given, share = ball(), 0.4
    given["rgb"] += 0.2
    far = np.where(np.isfinite(given["range_m"]), np.float32(share), np.float32(0.0))
    behind = {"far_share": far, "far_light": far, "far_range": np.where(far > 0, np.float32(9.0), np.inf)}
    mixed = {**given, "planes": {**given["planes"], **behind}}
    alone, both = (halocline.apply(look(), **each, layers=["rim"]).layers["rim"] for each in (given, mixed))
    np.testing.assert_allclose(both, (1.0 - share) * alone, rtol=1e-5, atol=1e-8)


def test_rim_is_brightest_at_the_edge() -> None:
    rim = halocline.apply(look(), **ball(), layers=["rim"]).layers["rim"].sum(axis=0)
    assert rim[18, 43] > 3.0 * rim[18, 36]


def test_without_normals_depth_tells_the_edge_on_the_same_side() -> None:
    scene = ball()
    scene["planes"] = {}
    rim = halocline.apply(look(), **scene, layers=["rim"]).layers["rim"].sum(axis=0)
    assert rim[18, 44] > 0.0
    assert not rim[18, 20:40].any()


def test_contrast_asked_for_is_the_contrast_at_that_range() -> None:
    preset = look('steps.rim_light={contrast=0.3, subject_range="12 m"}')
    path = story_path(preset, 1, LINEAR_REC709)
    from halocline.operators.rim_light import strength_of

    parameters = preset.at(1).graph.steps[0].operator.parameters
    side = bright_side(path, parameters.rise)
    reached = strength_of(parameters, path) * rim_contrast(path, side, parameters.reflectance, 12.0)
    assert reached == pytest.approx(0.3, rel=1e-9)


def test_price_of_a_far_rim_is_told_as_a_multiple_of_the_waters_light() -> None:
    preset = look('steps.rim_light={contrast=0.3, subject_range="30 m"}')
    lines = prices(preset, 1, story_path(preset, 1, LINEAR_REC709))
    assert lines[0].startswith("rim_light: the edge is to outshine the water by 30% at 30 m")
    assert "which is art" in lines[0]


def test_a_rim_asked_for_where_nothing_is_drawn_near_is_refused_and_not_burnt_in() -> None:
    """Its light falls by exp(-c s) on the way (Bouguer): a few metres more are another power of ten."""
    drawn = ("story.subject_range=60", "story.silhouette_contrast=0.2")
    asked = ("steps.rim_light.contrast=0.25", "steps.rim_light.subject_range=60")
    with pytest.raises(PhysicsError, match=r"(?s)E-PHYSICS-RIM.* at 60 m .*subject_range"):
        halocline.apply(look(*asked), **ball())
    assert "which a run refuses" in prices(look(*asked), 1, story_path(look(*asked), 1, LINEAR_REC709))[0]
    assert np.isfinite(halocline.apply(look(*asked, *drawn), **ball(60.0)).rgb).all()
    assert np.isfinite(halocline.apply(look("steps.rim_light.strength=1e4"), **ball()).rgb).all()


@pytest.mark.parametrize("key", ["light.daylight=0", "place.camera_depth=500"])
def test_a_rim_is_refused_in_no_dark_water(key: str) -> None:
    """A lens that sinks to where no daylight is (500 m in type II, by Jerlov's Kd) shows none of it."""
    asked = (
        "steps.rim_light.contrast=0.25",
        "steps.rim_light.subject_range=8",
        "light.reference_depth=1",
    )
    assert np.abs(halocline.apply(look(*asked, key), **ball()).rgb).max() < 1e-4


def test_slab_and_strength_limit_the_rim() -> None:
    scene = ball(range_m=6.0)
    for setting in ("steps.rim_light.farthest=5", "steps.rim_light.nearest=7", "steps.rim_light.strength=0"):
        wet = halocline.apply(look(setting), **scene).rgb
        plain = halocline.apply(look("steps.rim_light.enabled=false"), **scene).rgb
        assert np.array_equal(wet, plain)


def test_bits_do_not_depend_on_tiles(build: Builders) -> None:
    frame, preset = build.frame(WINDOW), look()
    track = CameraTrack({1: build.camera(WINDOW)})
    shot = make_shot(preset, 1, track, space=LINEAR_REC709, display_window=WINDOW, data_window=WINDOW)
    graph = preset.at(1).graph
    whole = build.run(graph, frame, shot, tile_rows=36)["rgb"]
    for rows in (1, 5):
        assert np.array_equal(whole, build.run(graph, frame, shot, tile_rows=rows, threads=2)["rgb"])


def test_depth_edge_needs_a_drop_behind_it() -> None:
    flat = np.full((5, 9), 4.0, np.float32)
    assert not depth_edges(flat, (1.0, 0.0), 2, 0.15).any()
    flat[:, 6:] = np.inf
    edge = depth_edges(flat, (1.0, 0.0), 2, 0.15)
    assert edge[2].tolist() == [0, 0, 0, 0, 0.5, 1, 0, 0, 0]


def test_rim_faces_the_light_and_turns_from_the_lens() -> None:
    normal = np.array([[1.0], [0.0], [0.0]], np.float32)[:, None]
    view = np.array([[0.0], [0.0], [-1.0]], np.float32)[:, None]
    assert rim_share(normal, view, np.array([1.0, 0.0, 0.0]), 2.0) == pytest.approx(1.0)
    assert rim_share(normal, view, np.array([-1.0, 0.0, 0.0]), 2.0) == 0.0
    assert rim_share(-view, view, np.array([0.0, 0.0, 1.0]), 2.0) == pytest.approx(0.0)


def test_drawn_near_subject_is_seen_as_if_at_that_share_of_its_range() -> None:
    # A wall that fills the frame shades the water, the nearer the more.
    still = "light.shadows=false"
    text = TEXT.replace("[steps.rim_light]", "[steps.draw_near]\nshare = 0.5\nnearest = 1\n")
    camera = halocline.pinhole(WINDOW, focal_length_mm=30, film_width_mm=36)
    rgb = np.full((*WINDOW.shape, 3), 0.3, np.float32)
    far, near = (np.full(WINDOW.shape, at, np.float32) for at in (8.0, 4.0))
    drawn = halocline.apply(preset_from_text(text, [still]), rgb, far, camera=camera).rgb
    true = halocline.apply(look("steps.rim_light.enabled=false", still), rgb, near, camera=camera).rgb
    assert np.array_equal(drawn, true)


def leviathan(contrast: float, story: str = "") -> tuple[F32, Preset]:
    """Return light of water with a black leviathan at 60 m and a black diver at 8 m, and the preset."""
    step = "[steps.draw_near]\nmatte = 'leviathan'\nsubject_range = 60\nsubject_size = 0\n"
    asked = f"{story}{step}contrast = {contrast}\n"
    preset = preset_from_text(TEXT.replace("[steps.rim_light]", asked))
    matte, diver = np.zeros((2, *WINDOW.shape), np.float32)
    matte[16:20, 30:34] = 1.0
    diver[16:20, 4:8] = 1.0
    planes = {
        "rgb": np.zeros((3, *WINDOW.shape), np.float32),
        "alpha": matte + diver,
        "range": np.where(matte > 0, 60.0, np.where(diver > 0, 8.0, np.inf)).astype(np.float32),
        "matte.leviathan": matte,
    }
    lens = halocline.pinhole(WINDOW, focal_length_mm=30, film_width_mm=36)
    track = CameraTrack({1001: lens})
    shot = make_shot(preset, 1001, track, space=LINEAR_REC709, display_window=WINDOW, data_window=WINDOW)
    frame = Frame(planes, WINDOW, WINDOW)
    return evaluate(preset.at(1001).graph, frame, shot, wanted=("rgb",))["rgb"], preset


@pytest.mark.parametrize("contrast", [0.1, 0.3])
@pytest.mark.parametrize("story", ["", "[story]\nnear_limit = 4\nsoftness = 6\n"])
def test_a_contrast_asked_of_a_matte_is_seen_there_and_nothing_else_moves(
    contrast: float, story: str
) -> None:
    # duntley1963: a black thing's contrast is what it lacks of the light beside it. The sun stands abeam.
    rgb, _ = leviathan(contrast, story)
    light = LINEAR_REC709.luminance_row @ rgb[:, 17:19].mean(axis=1)
    beside = 0.5 * (light[26:30].mean() + light[34:38].mean())
    assert 1.0 - light[30:34].mean() / beside == pytest.approx(contrast, rel=0.04)
    other, _ = leviathan(0.5, story)
    diver_and_water = np.ones(WINDOW.shape, bool)
    diver_and_water[16:20, 30:34] = False
    np.testing.assert_array_equal(rgb[:, diver_and_water], other[:, diver_and_water])


def test_the_price_of_a_contrast_is_told_and_a_clear_water_asks_none() -> None:
    _, preset = leviathan(0.3)
    (told,) = prices(preset, 1001, story_path(preset, 1001, LINEAR_REC709))
    assert "contrast of 0.3 at 60 m" in told
    assert "times as clear" in told
    near = DrawNearParameters(matte="leviathan", contrast=0.01, subject_range=1.0, subject_size=0.0)
    assert share_of(near, story_path(preset, 1001, LINEAR_REC709)) == 1.0


def test_ends_of_a_slab_fade_over_its_softness() -> None:
    at = np.array([1.0, 1.75, 2.0, 2.25, 5.0, 9.0, 10.0, np.inf], np.float32)
    np.testing.assert_allclose(within(at, 2.0, 9.0, 1.0), [0, 0.25, 0.5, 0.75, 1, 0.5, 0, 0], atol=1e-6)
    np.testing.assert_array_equal(within(at, None, None, 0.0), 1.0)


@pytest.mark.parametrize("seen_m", [3.0, 8.0, 30.0])
def test_a_remap_is_undone_exactly(seen_m: float) -> None:
    remap = RangeRemap(5.0, 3.0)
    assert float(remap.exact(remap.undone(seen_m))) == pytest.approx(seen_m, rel=1e-9)
    assert RangeRemap().undone(seen_m) == seen_m
    # What not even endless water looks like is endless.
    assert math.isfinite(remap.undone(400.0))


def test_drawing_near_without_a_subject_is_refused() -> None:
    with pytest.raises(PresetError, match="no subject is named"):
        preset_from_text(TEXT.replace("[steps.rim_light]", "[steps.draw_near]"))
