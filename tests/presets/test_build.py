from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from tests.conftest import Builders

from halocline.errors import PhysicsError
from halocline.imaging.camera import pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Window
from halocline.physics.path.visibility import RangeRemap
from halocline.presets.build import make_shot, story_report, surface
from halocline.presets.preset import load_preset, preset_from_text
from halocline.presets.sections import PlaceSection
from halocline.rgb import ACESCG, LINEAR_REC709

WINDOW = Window(0, 0, 9, 5)


def track_at(height: float, frame: int = 1) -> CameraTrack:
    matrix = np.eye(4)
    matrix[1, 3] = height
    return CameraTrack({frame: pinhole(WINDOW, focal_length_mm=35, film_width_mm=36, camera_to_world=matrix)})


def shot_of(text: str, *, height: float = 2.0, **changes: Any) -> Any:
    preset = preset_from_text("format = 1\n" + text)
    space = changes.get("space", LINEAR_REC709)
    return make_shot(preset, 1, track_at(height), space=space, display_window=WINDOW, data_window=WINDOW)


def test_sea_level_gives_the_depth_of_a_lens_that_moves() -> None:
    for height in (2.0, -7.0):
        shot = shot_of("[place]\nsea_level = 9\n", height=height)
        assert shot.path.camera_depth_m == 9 - height
        assert shot.sea_level_m == 9
        assert shot.depth_below_surface_m(np.array([0.0, 1.5, 4.0])) == 7.5


def test_stated_camera_depth_gives_the_sea_level() -> None:
    shot = shot_of('[place]\ncamera_depth = "20 ft"\n', height=2.0)
    assert shot.path.camera_depth_m == pytest.approx(6.096)
    assert shot.sea_level_m == pytest.approx(8.096)
    assert surface(PlaceSection(), 1.0) == (11.0, 10.0)


def test_light_holds_at_the_lens_unless_stated() -> None:
    assert shot_of("[place]\ncamera_depth = 7\n").path.reference_depth_m == 7
    assert shot_of("[place]\ncamera_depth = 7\n[light]\nreference_depth = 3\n").path.reference_depth_m == 3


@pytest.mark.parametrize(("up", "ahead"), [("+y", "-z"), ("+z", "+y"), ("+z", "-x"), ("-y", "+z")])
def test_sun_stands_where_the_axes_of_the_scene_put_it(up: str, ahead: str) -> None:
    text = f'[place]\nup = "{up}"\nahead = "{ahead}"\n[light]\nsun_azimuth = 90\nsun_elevation = 30\n'
    path = shot_of(text).path
    axes = {name: sign * np.eye(3)["xyz".index(name)] for name in "xyz" for sign in (1,)}
    upward = axes[up[1]] * (1 if up[0] == "+" else -1)
    forward = axes[ahead[1]] * (1 if ahead[0] == "+" else -1)
    right = np.cross(forward, upward)
    assert np.array_equal(path.up, upward)
    # Azimuth 90 is to the right of ahead: light travels to the left and down.
    assert path.sun_travel @ forward == pytest.approx(0.0, abs=1e-12)
    assert path.sun_travel @ right == pytest.approx(-math.cos(math.radians(30)) / 1.341)
    assert path.sun_travel @ upward < 0


def test_a_low_suns_light_is_more_diffuse() -> None:
    # gernez2009, Figure 8a: 23 % at 30 degrees from the zenith, 70 % at 80.
    for elevation, share in ((60, 0.77), (10, 0.30), (0, 0.0)):
        path = shot_of(f"[light]\novercast = 0\nsun_elevation = {elevation}\n").path
        assert path.surface_sun_share == pytest.approx(share)


def test_overcast_takes_the_sun_and_tint_colours_the_veil() -> None:
    assert shot_of("[light]\novercast = 1\n").path.surface_sun_share == 0.0
    assert shot_of("").path.veil_tint is None
    tinted = shot_of("[light]\nveil_tint = [0.5, 1.0, 1.0]\n").path
    bands = tinted.bands
    wanted = bands.up @ [0.5, 1.0, 1.0] / bands.up.sum(axis=1)
    assert np.array_equal(tinted.veil_tint, np.maximum(0, wanted))


def test_wet_colour_is_the_same_in_any_working_space(build: Builders) -> None:
    from halocline.imaging.frame import Frame
    from halocline.rgb import conversion_matrix

    preset = load_preset("jerlov-1c")
    grey = np.full((3, *WINDOW.shape), 0.4, np.float32)
    planes = {"alpha": np.ones(WINDOW.shape, np.float32), "range": np.full(WINDOW.shape, 3.0, np.float32)}
    seen = []
    for space in (LINEAR_REC709, ACESCG):
        there = conversion_matrix(LINEAR_REC709, space)
        rgb = np.einsum("ij,jhw->ihw", there, grey).astype(np.float32)
        shot = make_shot(preset, 1, track_at(0.0), space=space, display_window=WINDOW, data_window=WINDOW)
        steps = [(name, build.operator(name)) for name in ("downwelling", "attenuation", "veiling_light")]
        wet = build.run(steps, Frame({**planes, "rgb": rgb}, WINDOW, WINDOW), shot)["rgb"]
        seen.append(np.einsum("ij,jhw->ihw", conversion_matrix(space, LINEAR_REC709), wet))
    np.testing.assert_allclose(seen[0], seen[1], rtol=2e-4, atol=2e-5)


def test_story_report_tells_what_real_water_would_have_shown() -> None:
    preset = load_preset("jerlov-1c", ["story.subject_range=300 ft", "story.silhouette_contrast=0.12"])
    report = story_report(preset, 1, LINEAR_REC709)
    assert report.remap.exact(91.44) == pytest.approx(report.seen_range_m, rel=1e-9)
    assert report.physical_contrast is not None
    assert report.physical_contrast < 1e-5
    lines = report.lines()
    assert (
        lines[0]
        == f"This water hides a small black object at {report.sighting_range_m:.3g} m (contrast 2 %)."
    )
    assert lines[1].startswith(
        "The story shows the subject at 91.44 m with contrast 0.12; real water leaves it "
    )
    assert lines[2].endswith(f"until 91.44 m looks like {report.seen_range_m:.3g} m.")


def test_story_report_of_a_physical_preset_breaks_nothing() -> None:
    report = story_report(load_preset("jerlov-1c"), 1, LINEAR_REC709)
    assert report.remap.physical
    assert len(report.lines()) == 1


def test_clear_water_leaves_range_physical() -> None:
    preset = load_preset("jerlov-1b", ["story.subject_range=2", "story.silhouette_contrast=0.1"])
    report = story_report(preset, 1, LINEAR_REC709)
    assert report.remap.physical
    assert report.lines()[-1] == "The water is clear enough: range stays physical."


def test_stated_softness_is_taken_as_it_is() -> None:
    preset = load_preset("jerlov-1c", ["story.softness=10 ft", "story.near_limit=1"])
    report = story_report(preset, 1, LINEAR_REC709)
    assert report.remap.near_m == 1.0
    assert report.remap.softness_m == pytest.approx(3.048)
    assert "Range is physical to 1 m and drawn near beyond, softness 3.05 m." in report.lines()


def test_story_is_reckoned_for_the_lens_where_the_sea_level_places_it() -> None:
    text = "[place]\nsea_level = 30\n[story]\nsubject_range = 90\nsilhouette_contrast = 0.12\n"
    preset = preset_from_text('format = 1\nextends = "jerlov-2"\n' + text)
    shots = [
        make_shot(preset, 1, track_at(h), space=LINEAR_REC709, display_window=WINDOW, data_window=WINDOW)
        for h in (2.0, 25.0)
    ]
    reports = [story_report(preset, 1, LINEAR_REC709, track=track_at(h)) for h in (2.0, 25.0)]
    for shot, report in zip(shots, reports, strict=True):
        assert shot.path.remap == report.remap
    assert reports[0].remap != reports[1].remap


@pytest.mark.parametrize("reference", ["", "[light]\nreference_depth = 4\n"])
def test_a_stated_depth_keeps_one_remap_and_the_report_is_of_that(reference: str) -> None:
    """However deep the lens is, be the light white at a depth of its own or at the lens's."""
    text = "[place]\nsea_level = 30\n[story]\nsubject_range = 30\nsilhouette_contrast = 0.12\ndepth = 12\n"
    preset, remaps = preset_from_text("format = 2\n" + text + reference), set()
    for height in (6.0, 18.0, 25.0):
        track = track_at(height)
        shot = make_shot(preset, 1, track, space=LINEAR_REC709, display_window=WINDOW, data_window=WINDOW)
        assert shot.path.remap == story_report(preset, 1, LINEAR_REC709, track=track).remap
        remaps.add(shot.path.remap)
    assert len(remaps) == 1


def test_a_lens_below_the_bottom_is_refused() -> None:
    place = "[place]\nsea_level = 9\nbottom_depth = 12\n"
    assert shot_of(place, height=-2.0).path.bottom_m == 12
    with pytest.raises(PhysicsError) as refused:
        shot_of(place, height=-3.0)
    assert refused.value.code == "E-PLACE-BOTTOM"
    assert "the lens, 12 m deep, lies below the bottom at 12 m" in str(refused.value)
    assert "place.camera_depth" in str(refused.value)


def test_sand_brightens_the_water_and_the_light_above_it() -> None:
    endless, sand = (
        shot_of("[water]\njerlov_type = 'IB'\n[place]\ncamera_depth = 4\n" + bottom).path
        for bottom in ("", "bottom_depth = 8\nbottom_reflectance = 0.5\n")
    )
    # Per daylight at the lens, which has grown as well: looking up there is hardly more.
    for direction in ([1.0, 0.0, 0.0], [0.6, -0.8, 0.0]):
        dark, bright = (path.veil_along(3.0, np.array(direction)) for path in (endless, sand))
        assert (bright > dark).all(), direction
    assert (sand.scalar_daylight(7.0) > endless.scalar_daylight(7.0)).all()
    # Far above, the bottom is not seen: what comes back was lost twice on its way.
    deep = shot_of("[water]\njerlov_type = '7C'\n[place]\ncamera_depth = 2\nbottom_depth = 60\n").path
    plain = shot_of("[water]\njerlov_type = '7C'\n[place]\ncamera_depth = 2\n").path
    level = np.array([1.0, 0.0, 0.0])
    np.testing.assert_allclose(deep.veil_along(5.0, level), plain.veil_along(5.0, level), rtol=1e-3)


CLOUD = """
[[steps.cloud.bodies]]
name = "silt"
position = [0.0, 0.0, -5.0]
size = [2.0, 2.0, 2.0]
visibility = 0.5
"""
BODIES = """
[steps.veiling_light]
[steps.cloud]
operator = "turbid_bodies"
after = "veiling_light"
"""


@pytest.mark.parametrize(
    ("keys", "amount"),
    [("", None), ("amount = 0.4", 0.4), ("shade_things = 0", None)],
)
def test_what_a_step_draws_is_hidden_by_the_bodies_of_steps_before_it(
    keys: str, amount: float | None
) -> None:
    text = BODIES + keys + CLOUD + '[steps.bubbles]\nafter = "cloud"\n'
    shot = shot_of(text)
    hiding = shot.hiding
    # What keeps no light from others stands not in it.
    assert len(shot.bodies) == (0 if keys == "shade_things = 0" else 1)
    (each,) = hiding["bubbles"]
    if amount is None:
        assert each.share is None
    else:
        assert each.share is not None
        np.testing.assert_array_equal(each.share(np.ones((3, 3))), np.full(3, amount))
    assert not hiding["cloud"]
    assert not hiding["veiling_light"]


def test_where_bodies_are_in_a_picture_that_nobody_knows_they_hide_nothing() -> None:
    shot = shot_of(BODIES + "within_range = { farthest = 6 }" + CLOUD + '[steps.bubbles]\nafter = "cloud"\n')
    assert shot.surfaces is None
    assert not shot.hiding["bubbles"]


def test_what_is_drawn_before_there_are_bodies_is_hidden_as_the_picture_is() -> None:
    text = BODIES.replace('after = "veiling_light"', 'after = "bubbles"') + CLOUD + "[steps.bubbles]\n"
    assert not shot_of(text).hiding["bubbles"]
    assert not shot_of("[steps.veiling_light]\n[steps.bubbles]\n").hiding


def test_bodies_of_several_steps_hide_all_that_is_drawn_after_them() -> None:
    # A step between them that has none, and a second one that has.
    second = CLOUD.replace("steps.cloud", "steps.bloom").replace('"silt"', '"algae"')
    text = BODIES + CLOUD + '[steps.bubbles]\nafter = "cloud"\n'
    text += '[steps.bloom]\noperator = "turbid_bodies"\nafter = "bubbles"\n' + second
    text += '[steps.suspended_matter]\nafter = "bloom"\n[[steps.suspended_matter.classes]]\n'
    text += (
        'name = "snow"\nkind = "aggregate"\nper_litre = 1\nsmallest = 0.001\nlargest = 0.002\nexponent = 4\n'
    )
    hiding = shot_of(text).hiding
    assert [len(hiding[name]) for name in ("cloud", "bubbles", "bloom", "suspended_matter")] == [0, 1, 1, 2]
    assert hiding["suspended_matter"][0] is hiding["bloom"][0] is hiding["bubbles"][0]


def test_both_eyes_of_a_stereo_picture_have_one_remap() -> None:
    """That of the view between them, though each looks a little to the other's side."""
    preset = preset_from_text(
        "format = 2\n[place]\ncamera_depth = 40.0\n[story]\nsubject_range = 30.0\nsilhouette_contrast = 0.2\n"
        "[steps.attenuation]\n[steps.veiling_light]\n"
    )

    def looking(up_deg: float, height: float = 0.0) -> CameraTrack:
        matrix, angle = np.eye(4), math.radians(up_deg)
        cosine, sine = math.cos(angle), math.sin(angle)
        matrix[1:3, 1:3] = [[cosine, -sine], [sine, cosine]]
        matrix[1, 3] = height
        lens = pinhole(WINDOW, focal_length_mm=35, film_width_mm=36, camera_to_world=matrix)
        return CameraTrack({1: lens})

    def remap(track: CameraTrack, rig: CameraTrack | None) -> RangeRemap:
        middle = None if rig is None else rig.at(1)
        shot = make_shot(
            preset, 1, track, space=LINEAR_REC709, display_window=WINDOW, data_window=WINDOW, rig=middle
        )
        return shot.path.remap

    middle, eyes = looking(20.0), (looking(18.0), looking(22.0))
    assert remap(eyes[0], None) != remap(eyes[1], None)
    assert remap(eyes[0], middle) == remap(eyes[1], middle) == remap(middle, None)
    # A rig that is rolled has one eye above the other.
    assert remap(looking(20.0, -0.3), middle) == remap(looking(20.0, 0.3), middle) == remap(middle, None)
    told = story_report(preset, 1, LINEAR_REC709, track=middle)
    assert told.remap == remap(middle, None) != story_report(preset, 1, LINEAR_REC709).remap
