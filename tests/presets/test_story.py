"""What a story costs, in the words of its report, against figures worked by hand."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pytest
from tests.conftest import Builders

import halocline
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Window
from halocline.physics.path.silhouette import before_level_water, before_water, tilted, view_of_subject
from halocline.physics.path.transport import abeam
from halocline.physics.path.visibility import RangeRemap
from halocline.presets.build import make_shot, story_path, story_report
from halocline.presets.preset import preset_from_text
from halocline.presets.sections import StorySection
from halocline.presets.story import LEVEL, StoryReport, solved_story, with_story
from halocline.presets.story_costs import prices
from halocline.rgb import LINEAR_REC709


def report(build: Builders, *, subject_m: float, seen_m: float, hidden_m: float) -> StoryReport:
    """A story that draws a subject near."""
    remap = RangeRemap(near_m=2.0, softness_m=1.0)
    seen = before_level_water(build.path(build.bands("1C")))
    return StoryReport(hidden_m, subject_m, 0.2, 0.001, seen_m, remap, seen, LEVEL, 2.0)


def test_the_price_is_how_many_times_clearer_water_had_to_be(build: Builders) -> None:
    """A subject at 90 m that looks like 15 m: 6 times; what 10 m hide, 60 m would."""
    *_, price = report(build, subject_m=90.0, seen_m=15.0, hidden_m=10.0).lines()
    assert "6 times as clear" in price
    assert "only at 60 m" in price


@pytest.mark.parametrize(("hidden_m", "told"), [(10.0, False), (60.0, True)])
def test_water_clearer_than_any_sea_is_said_to_be(build: Builders, hidden_m: float, *, told: bool) -> None:
    """Pure sea water hides a black object at 296 m at most (3.912/c): 60 m may be, 360 m cannot."""
    *_, price = report(build, subject_m=90.0, seen_m=15.0, hidden_m=hidden_m).lines()
    assert ("No sea is as clear" in price) is told


def test_the_size_of_a_subject_counts_only_where_water_spreads_light(build: Builders) -> None:
    """Without forward scatter a large thing fades as a small one does; with it, it is seen farther."""
    path = build.path(build.bands("1C"))
    small, large = (
        StorySection(subject_range=25.0, silhouette_contrast=0.2, subject_size=size) for size in (0.1, 8.0)
    )
    assert solved_story(path, small, scattered=False) == solved_story(path, large, scattered=False)
    spread = [solved_story(path, story).physical_contrast for story in (small, large)]
    assert spread[0] is not None
    assert spread[1] is not None
    assert spread[1] > 1.2 * spread[0]


SQUARE = """
format = 2
extends = "jerlov-{water}"
without = ["steps.sky_window", "steps.white_reference"]
[place]
camera_depth = {depth_m}
[light]
sun_azimuth = 90.0
shadows = false
[story]
subject_range = {range_m}
subject_size = {size_m}
silhouette_contrast = {contrast}
"""


@pytest.mark.parametrize("contrast", [0.12, 0.4])
@pytest.mark.parametrize(("water", "range_m"), [("1", 110.0), ("1a", 90.0), ("1c", 30.0), ("7c", 7.0)])
@pytest.mark.parametrize(("slope", "off"), [(0.2, 0.05), (0.4, 0.12)])
def test_level_pictures_show_the_contrast_that_was_asked(
    water: str, range_m: float, contrast: float, slope: float, off: float
) -> None:
    """A black square's mean light against that of the water about it, out to twice its side.

    By the whole picture's way, as it is measured in a picture: also where hardly any colour but one is left.
    """
    depth_m = 0.6 * range_m + 2.0
    text = SQUARE.format(
        water=water, depth_m=depth_m, range_m=range_m, size_m=slope * range_m, contrast=contrast
    )
    assert contrast_shown(text, range_m, slope) == pytest.approx(contrast, rel=off)


@pytest.mark.parametrize("contrast", [0.2, 0.4])
@pytest.mark.parametrize(("water", "range_m"), [("1a", 90.0), ("1c", 30.0), ("7c", 7.0)])
@pytest.mark.parametrize(
    ("pitch_deg", "sun_deg"), [(-60.0, 90.0), (-30.0, 0.0), (30.0, 90.0), (30.0, 0.0), (60.0, 90.0)]
)
def test_pictures_that_look_up_and_down_show_the_contrast_that_was_asked(
    water: str, range_m: float, contrast: float, pitch_deg: float, sun_deg: float
) -> None:
    """The same square where the lens looks, with the sun abeam and ahead; a level remap is off by a half."""
    depth_m = range_m * max(0.0, math.sin(math.radians(pitch_deg))) + 10.0
    text = SQUARE.format(
        water=water, depth_m=depth_m, range_m=range_m, size_m=0.25 * range_m, contrast=contrast
    ).replace("sun_azimuth = 90.0", f"sun_azimuth = {sun_deg}")
    assert contrast_shown(text, range_m, 0.25, pitch_deg) == pytest.approx(contrast, rel=0.06)


NEAR_SUBJECT = """
[steps.draw_near]
matte = "near"
subject_range = 25.0
subject_size = 5.0
contrast = {contrast}
before = "attenuation"
"""
NEAR_PART = """
[parts.near]
matte = "near"
[parts.near.story]
subject_range = 25.0
subject_size = 5.0
silhouette_contrast = {contrast}
"""


@pytest.mark.parametrize("other", [NEAR_SUBJECT, NEAR_PART])
@pytest.mark.parametrize(("contrast", "pitch_deg", "off"), [(0.05, 0.0, 0.1), (0.2, -30.0, 0.06)])
def test_each_of_two_subjects_shows_the_contrast_that_was_asked_of_it(
    contrast: float, pitch_deg: float, off: float, other: str
) -> None:
    """The second one by its matte, drawn near or a part with a story of its own, and twice the contrast."""
    text = SQUARE.format(water="1c", depth_m=12.0, range_m=60.0, size_m=12.0, contrast=contrast)
    text += other.format(contrast=2.0 * contrast)
    squares = [Square(60.0, 0.2, 200), Square(25.0, 0.2, 290, "near")]
    far, near = contrasts_shown(text, squares, width=480, pitch_deg=pitch_deg)
    assert far == pytest.approx(contrast, rel=off)
    assert near == pytest.approx(2.0 * contrast, rel=off)


@pytest.mark.parametrize("contrast", [0.2, 0.4])
def test_a_subject_that_comes_nearer_shows_the_contrast_asked_until_it_shows_more_by_itself(
    contrast: float,
) -> None:
    keys = "{ curve = 'linear', keys = [[1001, 42.0], [1041, 2.0]] }"
    text = SQUARE.format(water="1c", depth_m=12.0, range_m=keys, size_m=3.0, contrast=contrast)
    for frame in (1001, 1019, 1034, 1041):
        range_m = 42.0 - (frame - 1001)
        square = [Square(range_m, 3.0 / range_m, 120)]
        (shown,) = contrasts_shown(text, square, frame=frame)
        (alone,) = contrasts_shown(text.split("[story]")[0], square, frame=frame)
        assert shown == pytest.approx(max(alone, contrast), rel=0.08), frame


class Square(NamedTuple):
    """A black one, so large over its range; where its middle is in the picture, and its matte's name."""

    range_m: float
    slope: float
    column: int
    matte: str = "square"


def contrast_shown(text: str, range_m: float, slope: float, pitch_deg: float = 0.0) -> float:
    """Return what a picture shows of a black square in its middle."""
    return contrasts_shown(text, [Square(range_m, slope, 120)], pitch_deg=pitch_deg)[0]


def contrasts_shown(
    text: str, squares: list[Square], *, width: int = 240, pitch_deg: float = 0.0, frame: int = 1001
) -> list[float]:
    """Return what a picture shows of black squares."""
    rows, pitch, turn = 240, math.radians(pitch_deg), np.eye(4)
    cosine, sine = math.cos(pitch), math.sin(pitch)
    turn[1:3, 1:3] = [[cosine, -sine], [sine, cosine]]
    lens = halocline.pinhole(
        Window(0, 0, width, rows),
        focal_length_mm=18,
        film_width_mm=36 * width / 240,
        camera_to_world=turn,
    )
    reach = np.full((rows, width), np.inf, np.float32)
    mattes, places = {}, []
    for square in squares:
        half = round(0.25 * square.slope * rows)
        within, about = (
            np.s_[rows // 2 - n : rows // 2 + n, square.column - n : square.column + n]
            for n in (half, 2 * half)
        )
        reach[within] = square.range_m
        around = np.zeros((rows, width), bool)
        around[about] = True
        around[within] = False
        places.append((within, around))
        mattes[f"matte.{square.matte}"] = (reach == square.range_m).astype(np.float32)
    black, seen = np.zeros((rows, width, 3), np.float32), []
    for there in (1.0, 0.0):
        planes = {name: np.float32(there) * matte for name, matte in mattes.items()}
        ranges = reach if there else np.full_like(reach, np.inf)
        wet = halocline.apply(
            preset_from_text(text), black, ranges, camera=lens, planes=planes, frame=frame
        ).rgb
        seen.append(wet.astype(np.float64) @ LINEAR_REC709.luminance_row)
    # Open water itself changes across the picture.
    left = seen[0] / seen[1]
    return [float(1.0 - left[within].mean() / left[around].mean()) for within, around in places]


def test_a_stated_view_keeps_one_remap_however_the_lens_turns(build: Builders) -> None:
    path = build.path(build.bands("1C"))
    free, held = (StorySection(subject_range=25.0, silhouette_contrast=0.2, pitch=p) for p in (None, 20.0))
    level, up = abeam(path), tilted(path, math.radians(20.0))
    assert with_story(path, held, axis=level) == with_story(path, held, axis=up)
    assert with_story(path, free, axis=up).remap == with_story(path, held).remap
    assert with_story(path, free, axis=level).remap == with_story(path, free).remap
    assert with_story(path, free, axis=up).remap.exact(25.0) > 1.1 * with_story(path, free).remap.exact(25.0)


def test_beyond_the_surface_nothing_is_hidden(build: Builders) -> None:
    path = build.path(build.bands("1C"), depth_m=10.0)
    seen = before_water(path, tilted(path, math.radians(30.0)))
    assert seen.at(19.0, 0.0) > 0.0
    for range_m in (20.001, 100.0, 1e5):
        assert seen.at(range_m, 0.0) == seen.at(range_m, 0.2) == 0.0


def test_a_view_that_leaves_the_water_before_the_subject_counts_as_the_steepest_that_does_not(
    build: Builders,
) -> None:
    """At 30 m, from 10 m deep, that rises by a third of the way."""
    path = build.path(build.bands("1C"), depth_m=10.0)
    for rise in (0.5, 1.0):
        axis = rise * path.up + math.sqrt(1.0 - rise**2) * abeam(path)
        view = view_of_subject(path, axis, 30.0)
        assert np.linalg.norm(view) == pytest.approx(1.0)
        assert view @ path.up == pytest.approx(1.0 / 3.0)
        assert view @ path.sun_travel == pytest.approx(path.sun_travel @ path.up / 3.0, abs=1e-9)
    steep = 0.3 * path.up + math.sqrt(1.0 - 0.3**2) * abeam(path)
    np.testing.assert_array_equal(view_of_subject(path, steep, 30.0), steep)


def test_a_lens_that_shakes_about_the_zenith_leaves_the_remap_still(build: Builders) -> None:
    """Half a degree to any side: the view below it that counts may not go from towards the sun to away."""
    path = build.path(build.bands("1C"), depth_m=12.0)
    story = StorySection(subject_range=30.0, subject_size=6.0, silhouette_contrast=0.12)
    side = abeam(path)
    level = [np.cross(side, path.up), side, -np.cross(side, path.up), -side]
    shaken = [math.cos(0.009) * path.up + math.sin(0.009) * way for way in level]
    drawn = [with_story(path, story, axis=axis).remap.exact(30.0) for axis in (path.up, *shaken)]
    assert max(drawn) < 1.005 * min(drawn)


def test_a_view_that_tilts_past_the_steepest_that_stays_in_the_water_goes_evenly(build: Builders) -> None:
    """From there on it comes as much from the sun as the lens looks towards it: in steps, never a jump."""
    path = build.path(build.bands("1C"), depth_m=12.0)
    side = abeam(path)
    ahead = 0.8 * np.cross(side, path.up) - 0.6 * side
    angles = np.radians(np.arange(0.0, 180.5, 1.0))
    axes = [math.cos(angle) * ahead + math.sin(angle) * path.up for angle in angles]
    views = np.array([view_of_subject(path, axis, 30.0) for axis in axes])
    np.testing.assert_allclose(np.linalg.norm(views, axis=1), 1.0, rtol=1e-9)
    assert (views @ path.up).max() == pytest.approx(12.0 / 30.0)
    towards_sun = views @ path.sun_travel
    assert np.abs(np.diff(towards_sun)).max() <= math.radians(1.0) * 1.01


LOOKS = """
format = 2
extends = "jerlov-1c"
[place]
camera_depth = 20.0
[story]
subject_range = 30.0
silhouette_contrast = 0.2
{more}
"""


def looking(pitch_deg: float, frame: int = 1001) -> CameraTrack:
    """A lens that looks up by so much."""
    turn, pitch = np.eye(4), math.radians(pitch_deg)
    turn[1:3, 1:3] = [[math.cos(pitch), -math.sin(pitch)], [math.sin(pitch), math.cos(pitch)]]
    lens = halocline.pinhole(Window(0, 0, 16, 9), focal_length_mm=30, film_width_mm=36, camera_to_world=turn)
    return CameraTrack({frame: lens})


@pytest.mark.parametrize(
    ("more", "pitch_deg", "told"),
    [
        ("", None, "in a level view with the sun abeam"),
        ("pitch = -20.0", None, "in a view 20 degrees down with the sun abeam"),
        ("", 15.0, "along the lens's axis, 15 degrees up"),
        ("pitch = 0.0", 15.0, "in a view level with the sun abeam"),
        (
            "",
            80.0,
            "along the lens's axis, 80 degrees up, counted as 42 degrees up, "
            "where it leaves the water at the subject",
        ),
    ],
)
def test_a_report_says_which_view_it_holds_for(more: str, pitch_deg: float | None, told: str) -> None:
    """20 m below the surface, 30 m off: asin(20/30) is 42 degrees."""
    track = None if pitch_deg is None else looking(pitch_deg)
    found = story_report(preset_from_text(LOOKS.format(more=more)), 1001, LINEAR_REC709, track=track)
    assert found.lines()[1].endswith(f", {told}.")


@pytest.mark.parametrize("pitch_deg", [None, -35.0, 35.0])
@pytest.mark.parametrize("more", ["", "subject_size = 9.0", "pitch = 20.0"])
def test_what_is_plotted_of_a_story_is_what_was_asked(more: str, pitch_deg: float | None) -> None:
    """In whatever view: the subject stands on the curve where it was put, and without the story below it."""
    track = None if pitch_deg is None else looking(pitch_deg)
    found = story_report(preset_from_text(LOOKS.format(more=more)), 1001, LINEAR_REC709, track=track)
    physical, shown = found.contrasts(np.array([0.0, 1.0, 30.0]))
    assert shown[2] == pytest.approx(0.2, abs=1e-6)
    assert physical[2] == found.physical_contrast
    assert physical[2] < 0.2
    # So near, all is as it is.
    np.testing.assert_array_equal(physical[:2], shown[:2])
    assert physical[0] == pytest.approx(1.0)


def test_the_water_that_is_told_of_has_the_remap_that_is_told() -> None:
    preset = preset_from_text(LOOKS.format(more=""))
    for track in (None, looking(-35.0), looking(35.0)):
        told = story_report(preset, 1001, LINEAR_REC709, track=track)
        assert story_path(preset, 1001, LINEAR_REC709, track=track).remap == told.remap


def test_what_drawing_near_costs_is_told_for_the_view() -> None:
    """Looking up a subject shows more by itself, so that it is drawn less near: of the same share as made."""
    step = '[steps.draw_near]\nbefore = "attenuation"\nnearest = 5.0\ncontrast = 0.2\nsubject_range = 30.0\n'
    preset = preset_from_text(
        LOOKS.format(more=step).replace("[story]\nsubject_range = 30.0\nsilhouette_contrast = 0.2\n", "")
    )
    path = story_path(preset, 1001, LINEAR_REC709)
    shares = []
    for track in (looking(-35.0), looking(0.0), looking(35.0)):
        axis = track.at(1001).axis
        (told,) = (line for line in prices(preset, 1001, path, axis) if line.startswith("draw_near"))
        shares.append(float(told.split("looks ")[1].split()[0]))
        window = Window(0, 0, 16, 9)
        shot = make_shot(preset, 1001, track, space=LINEAR_REC709, display_window=window, data_window=window)
        (near,) = (step.operator for step in preset.at(1001).graph.steps if step.name == "draw_near")
        assert shares[-1] == pytest.approx(near.prepare(shot), rel=0.05)
    assert shares[0] < shares[1] < shares[2]


@pytest.mark.parametrize("slope", [0.0, 0.07, 0.6])
@pytest.mark.parametrize("pitch_deg", [-90.0, 0.0, 3.0, 40.0])
def test_a_contrast_has_the_range_at_which_it_is_shown(
    build: Builders, slope: float, pitch_deg: float
) -> None:
    """Where large things and views up are seen farther than exp(-c s) tells, too."""
    path = build.path(build.bands("1C"), depth_m=10.0)
    seen = before_water(path, tilted(path, math.radians(pitch_deg)))
    for contrast in (0.005, 0.12, 0.9):
        assert seen.at(seen.range_of(contrast, slope), slope) == pytest.approx(contrast, abs=1e-6)
