"""Origins: what is bound to a place of the picture holds on scenes whose metres and axes are others."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tests.batch.test_deep import picture as deep_picture
from tests.batch.test_deep import wall as wall_of_deep
from tests.batch.test_deep import wet as wet_file
from tests.deep_files import BARE_WATER, read_by_openexr, write_deep_pixels

import halocline
from halocline._typing import F64
from halocline.batch.arrays import apply
from halocline.batch.origins import origins_of_picture, origins_of_sequence
from halocline.batch.still import tasks_of
from halocline.batch.task import input_spec
from halocline.errors import HaloclineError, PresetError
from halocline.graph.origins import KnownOrigin, placed
from halocline.imaging.camera import pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.imaging.survey import cameras_in
from halocline.operators.shared.sediment_parameters import SedimentSource
from halocline.presets.build import make_shot, outside_view
from halocline.presets.preset import Preset, load_preset, preset_from_text
from halocline.rgb import LINEAR_REC709

WINDOW = Window(0, 0, 48, 27)
# The lens looks along -z, half as wide again as it is far to each side; it turns to the left in some tests.
BUBBLES = """
[steps.bubbles]
[[steps.bubbles.sources]]
name = "vent"
origin = "vent"
track = [{ frame = 1001, position = [0.5, 0.25, -1.0], per_second = 20.0 }]
"""


def look(text: str) -> Preset:
    return preset_from_text(f"format = 1\n{text}")


def camera(scale: float = 1.0, pan_deg: float = 0.0) -> Any:
    turn = np.radians(pan_deg)
    matrix = np.eye(4)
    matrix[:3, :3] = [[np.cos(turn), 0, np.sin(turn)], [0, 1, 0], [-np.sin(turn), 0, np.cos(turn)]]
    matrix[:3, 3] = np.array([3.0, 1.0, 2.0]) * scale
    return pinhole(WINDOW, focal_length_mm=12.0, film_width_mm=36.0, camera_to_world=matrix)


def scene(scale: float = 1.0) -> Frame:
    """A wall 8 m off, square to the lens, over a floor 1.5 m below it; nothing in the top rows."""
    seen = camera(scale)
    rays = seen.directions(WINDOW)
    wall, floor = 8.0 / -rays[2], np.where(rays[1] < 0, -1.5 / np.minimum(rays[1], -1e-6), np.inf)
    range_m = np.minimum(wall, floor).astype(np.float32) * np.float32(scale)
    range_m[:3] = np.inf
    there = np.isfinite(range_m).astype(np.float32)
    matte = np.zeros(WINDOW.shape, np.float32)
    matte[8:12, 30:34] = 1.0
    planes = {"rgb": np.tile(0.2 * there, (3, 1, 1)), "alpha": there, "range": range_m, "matte.arch": matte}
    return Frame(planes, WINDOW, WINDOW)


def source_of(preset: Preset) -> F64:
    (step,) = (step for step in preset.at(1001).graph.steps if step.name == "bubbles")
    return np.array(step.operator.parameters.sources[0].track[0].position)


def found(origin: str, scale: float = 1.0, pan_deg: float = 0.0, number: int = 1001) -> Preset:
    text = f"[origins.vent]\n{origin}\n{BUBBLES}"
    return origins_of_picture(look(text), number, scene(scale), camera(scale, pan_deg))


@pytest.mark.parametrize("scale", [0.1, 1.0, 10.0])
def test_what_is_bound_to_a_place_of_the_picture_stands_there_at_any_scale(scale: float) -> None:
    # Reckoned by hand: the lens is at (3, 1, 2), the middle of column 24, row 13 is just off its axis.
    metres = source_of(found("pixel = [24, 13]", scale)) / scale
    off = 0.5 * 3.0 / 48 * 8.0
    offset = np.array([0.5, 0.25, 1.0]) / scale
    np.testing.assert_allclose(metres, np.array([3.0 + off, 1.0, -6.0]) + offset, atol=1e-4 / scale)
    # In units of the place's own range all of it grows with the scene.
    grown = source_of(found("point = [0.5, 0.5]\nunit = 'range'", scale))
    at_one = source_of(found("point = [0.5, 0.5]\nunit = 'range'"))
    np.testing.assert_allclose(grown, scale * at_one, rtol=1e-5)
    floored = source_of(found("matte = 'arch'\nfloor = 'found'", scale))
    assert floored[1] == pytest.approx((1.0 - 1.5) * scale + 0.25, abs=1e-3 * scale)


def test_right_above_and_ahead_are_those_of_the_levelled_camera() -> None:
    # Turned a quarter to the left it looks along -x: ahead is -x, and right is -z.
    at = source_of(found("lens = true", pan_deg=90.0))
    np.testing.assert_allclose(at, [3.0 + 1.0, 1.0 + 0.25, 2.0 - 0.5], atol=1e-6)
    stated = source_of(look(f"[origins.vent]\nposition = [1.0, 2.0, 3.0]\nfloor = 0.5\n{BUBBLES}"))
    np.testing.assert_allclose(stated, [1.5, 0.75, 4.0], atol=1e-9)


def test_lamps_bodies_layers_and_wakes_are_bound_too() -> None:
    text = """
[origins.wall]
point = [0.5, 0.5]
unit = "range"
[[light.lamps]]
space = "world"
origin = "wall"
position = [-0.25, 0.0, -0.5]
target = [0.0, 0.0, 0.0]
radius = 0.01
[[steps.turbid_bodies.bodies]]
name = "cloud"
origin = "wall"
position = [0.0, 0.0, -0.25]
size = [0.1, 0.1, 0.1]
heading = 10.0
[[steps.turbid_bodies.bodies]]
name = "low"
origin = "wall"
kind = "slab"
highest = -0.125
[[steps.turbid_bodies.sediment]]
name = "fin"
origin = "wall"
floor = -0.1
track = [{ frame = 1, position = [0, 0, 0] }, { frame = 9, position = [0, 0.5, 0] }]
[steps.water_layers]
layers = [{ origin = "wall", at = [0.0, 0.5, 0.0], tilt = 90.0 }]
[[steps.suspended_matter.wakes]]
origin = "wall"
track = [{ frame = 1, nose = [0, 0, 0] }, { frame = 9, nose = [0.5, 0, 0] }]
"""
    preset = origins_of_picture(look(text), 1001, scene(), camera(pan_deg=0.0))
    at = preset.at(1001)
    wall = at.origins["wall"]
    unit = float(np.linalg.norm(wall.position_m - camera().position_m))
    assert wall.unit_m == pytest.approx(unit)
    made = {step.name: step.operator.parameters for step in at.graph.steps}
    cloud, low = made["turbid_bodies"].bodies
    ahead = wall.position_m + unit * np.array([0.0, 0.0, 0.25])
    np.testing.assert_allclose(cloud.position, ahead, atol=1e-5)
    assert cloud.size == pytest.approx((0.1 * unit,) * 3)
    assert cloud.heading == pytest.approx(10.0)
    assert low.highest == pytest.approx(wall.position_m[1] - 0.125 * unit)
    (fin,) = made["turbid_bodies"].sediment
    assert fin.floor == pytest.approx(wall.position_m[1] - 0.1 * unit)
    assert fin.track[1].position[1] == pytest.approx(wall.position_m[1] + 0.5 * unit)
    (layer,) = made["water_layers"].layers
    assert layer.at[1] == pytest.approx(wall.position_m[1] + 0.5 * unit)
    (wake,) = made["suspended_matter"].wakes
    assert wake.track[1].nose[0] == pytest.approx(wall.position_m[0] + 0.5 * unit)
    # A lamp that stands as many times farther off lights as much, but for the water: inverse square.

    (lamp,) = placed(at.light, at.origins).lamps
    assert lamp.brightness == pytest.approx(4.0 * unit**2)
    assert lamp.radius == pytest.approx(0.01 * unit)


def test_what_was_found_is_kept_in_the_text_and_gives_the_same_again() -> None:
    preset = found("point = [0.5, 0.5]")
    again = preset_from_text(preset.resolved_text)
    np.testing.assert_array_equal(source_of(again), source_of(preset))
    assert again.resolved_text == preset.resolved_text
    assert preset.digest_at(1001) != found("point = [0.4, 0.5]").digest_at(1001)


def test_an_origin_that_is_not_seen_is_told() -> None:
    rgb = np.zeros((*WINDOW.shape, 3), np.float32)
    far = np.full(WINDOW.shape, np.inf, np.float32)
    aside = look(f"[origins.vent]\nposition = [90.0, 1.0, -1.0]\n{BUBBLES}")
    wet = apply(aside, rgb, far, camera=camera(), frame=1001, threads=1)
    assert any('the origin "vent" lies outside the view' in told for told in wet.warnings)
    with pytest.raises(HaloclineError) as caught:
        found("point = [0.5, 0.0]")
    assert caught.value.code == "E-ORIGIN-NOWHERE"
    np.testing.assert_allclose(
        np.linalg.norm(
            found("point = [0.5, 0.0]\notherwise_range = '4 m'").at(0).origins["vent"].position_m
            - camera().position_m
        ),
        4.0,
        rtol=1e-5,
    )
    with pytest.raises(HaloclineError) as caught:
        apply(look(f"[origins.vent]\npoint = [0.5, 0.5]\nframe = 1050\n{BUBBLES}"), rgb, far, frame=1001)
    assert caught.value.code == "E-ORIGIN-UNKNOWN"


def test_any_chunk_finds_the_same_place_on_the_frame_that_is_named() -> None:
    sequence = str(Path(halocline.__file__).parent / "demo_frames" / "arch.####.exr")

    def at_frame(number: int | None) -> str:
        frame = "" if number is None else f"frame = {number}\n"
        return f"[origins.vent]\npoint = [0.5, 0.95]\n{frame}{BUBBLES}"

    chunks = [tasks_of(sequence, frames=frames)[0] for frames in ("1001", "1003")]
    first, last = (origins_of_sequence(look(at_frame(1002)), task) for task in chunks)
    assert first.at(0).origins["vent"].frame == 1002
    assert first.resolved_text == last.resolved_text
    named = origins_of_sequence(look(at_frame(1001)), chunks[1])
    unnamed = origins_of_sequence(look(at_frame(None)), chunks[1])
    np.testing.assert_array_equal(source_of(named), source_of(unnamed))
    with pytest.raises(HaloclineError) as caught:
        origins_of_sequence(look(at_frame(1050)), chunks[0])
    assert caught.value.code == "E-ORIGIN-FRAME"
    assert "frame 1050, which is not there" in str(caught.value)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[origins.a]\npoint = [0.5, 0.5]\nmatte = 'arch'\n", "point and matte given"),
        ("[origins.a]\nfloor = 'found'\n", "none given"),
        ("[origins.a]\nlens = true\nunit = 'range'\n", "the lens itself"),
        ("[origins.a]\npoint = { curve = 'linear', keys = [[1, [0.1, 0.2]]] }\n", "cannot change"),
        ("origins = 3\n", "origins is not a table"),
        (BUBBLES, 'E-PRESET-ORIGIN  text, line 6: there is no origin "vent"'),
        ("[steps.water_layers]\nlayers = [{ tilt = 3.0 }]\n", "a layer needs its depth"),
        ("[origins.a]\nlens = true\n[light]\nlamps = [{ origin = 'a' }]\n", 'space = "world"'),
    ],
)
def test_mistakes_with_origins_are_told(text: str, told: str) -> None:
    with pytest.raises(PresetError) as caught:
        look(text)
    assert told in str(caught.value)


def test_sediment_grows_with_an_origins_unit_and_hides_as_much() -> None:
    keys = (
        {"frame": 1, "position": (0.0, 0.1, 0.0), "grams_per_second": 3.0},
        {"frame": 9, "position": (1.0, 0.1, 0.0)},
    )
    given = {
        "name": "fin",
        "origin": "sand",
        "track": keys,
        "grams_per_metre": 5.0,
        "floor": 0.05,
        "rise": 0.2,
    }
    source = SedimentSource.model_validate(given)
    once, twice = (
        placed(source, {"sand": KnownOrigin(np.zeros(3), np.eye(3), np.array([0.0, 1.0, 0.0]), unit)})
        for unit in (1.0, 2.0)
    )
    assert once == source
    assert once.track is not None
    assert twice.track is not None
    assert twice.track[1].position == (2.0, 0.2, 0.0)
    assert (twice.radius, twice.rise, twice.reach, twice.floor) == (0.4, 0.4, 2.0, 0.1)
    # What a ray meets is grams over a square: a second's, and that of the way, which is twice as long.
    assert twice.track[0].grams_per_second / 2.0**2 == once.track[0].grams_per_second
    assert twice.grams_per_metre * 2.0 / 2.0**2 == once.grams_per_metre


FOLLOWING = """
[origins.lens]
lens = true
follows = true
"""
AHEAD = """
[[steps.turbid_bodies.bodies]]
name = "cloud"
origin = "lens"
position = [0.3, 0.1, 3.0]
size = [1.5, 1.0, 1.0]
visibility = 0.5
clumping = 0.0
"""


def wet_at(text: str, at: Any, picture: Frame) -> F64:
    rgb = np.moveaxis(picture.planes["rgb"], 0, -1)
    made = apply(look(text), rgb, picture.planes["range"], alpha=picture.planes["alpha"], camera=at)
    return np.asarray(made.rgb, np.float64)


def moved(at: Any, by: tuple[float, float, float]) -> Any:
    return replace(at, position_m=at.position_m + np.array(by))


def test_what_follows_the_lens_stays_in_its_place_in_the_picture() -> None:
    # Water is the same all over: the picture depends on what is given from the lens alone.
    bodies = f"[steps.turbid_bodies]\nturbulence = 0.0\n{AHEAD}"
    text = f"[steps.attenuation]\n[steps.veiling_light]\n{FOLLOWING}{bodies}"
    here, there = camera(), moved(camera(), (4.0, 0.0, -7.0))
    first, other = (wet_at(text, at, scene()) for at in (here, there))
    np.testing.assert_allclose(other, first, atol=2e-6)
    # One that stays where the lens was is elsewhere in the picture.
    stays = text.replace("follows = true", "")
    np.testing.assert_allclose(wet_at(stays, here, scene()), first, atol=2e-6)
    bound = origins_of_picture(look(stays), 1001, scene(), here)
    assert bound.at(1050).origins["lens"].position_m.tolist() == here.position_m.tolist()
    clear = wet_at("[steps.attenuation]\n[steps.veiling_light]\n", here, scene())
    assert np.abs(first - clear).max() > 0.005


def test_a_lamp_that_follows_is_one_on_the_camera() -> None:
    lamp = "[[light.lamps]]\nposition = [0.4, 0.5, 0.2]\ntarget = [0.0, 0.0, 4.0]\n"
    steps = "[steps.lamps]\n[steps.attenuation]\n"
    for at in (camera(), moved(camera(pan_deg=35.0), (1.0, 2.0, 3.0))):
        on_it = wet_at(f'{lamp}space = "camera"\n{steps}', at, scene())
        follows = wet_at(f'{FOLLOWING}{lamp}space = "world"\norigin = "lens"\n{steps}', at, scene())
        np.testing.assert_allclose(follows, on_it, atol=1e-6)
        assert on_it.max() > 0.01


def test_of_two_eyes_the_middle_is_followed_and_other_places_stay() -> None:
    preset = look(f"{FOLLOWING}floor = 0.25\n[origins.vent]\nposition = [1.0, 2.0, 3.0]\n{BUBBLES}")
    turned = camera(pan_deg=90.0)
    known = preset.with_lens(turned).at(1001).origins
    np.testing.assert_allclose(known["lens"].position_m, [3.0, 0.25, 2.0])
    np.testing.assert_allclose(known["lens"].axes[2], [-1.0, 0.0, 0.0], atol=1e-9)
    assert known["vent"].position_m.tolist() == [1.0, 2.0, 3.0]
    plain = look(f"[origins.vent]\nposition = [1.0, 2.0, 3.0]\n{BUBBLES}")
    assert plain.with_lens(turned) is plain


def test_what_hangs_between_two_eyes_is_not_told_to_lie_outside_the_view_of_one() -> None:
    preset = look(f"{FOLLOWING}[steps.turbid_bodies]\n{AHEAD}").with_lens(camera())
    shot = make_shot(
        preset,
        1001,
        CameraTrack({1001: moved(camera(), (0.03, 0.0, 0.0))}),
        space=LINEAR_REC709,
        display_window=WINDOW,
        data_window=WINDOW,
        rig=camera(),
    )
    assert outside_view(preset.at(1001), shot) == ()
    assert len(outside_view(preset.at(1001), replace(shot, rig=None))) == 1


def test_a_part_has_the_place_that_is_found_for_the_whole_and_can_state_its_own() -> None:
    own = "[parts.arch]\nmatte = 'arch'\n[parts.arch.light]\nveil_brightness = 1.4\n"
    text = f"[origins.spot]\npoint = [0.5, 0.5]\n{own}"
    whole = origins_of_picture(look(text), 1001, scene(), camera())
    of_part = whole.parts["arch"].origins["spot"]
    assert of_part.found == whole.origins["spot"].found
    assert of_part.found is not None
    elsewhere = look(f"{text}[parts.arch.origins.spot]\npoint = [0.25, 0.5]\n")
    elsewhere = origins_of_picture(elsewhere, 1001, scene(), camera())
    assert elsewhere.origins["spot"].found == of_part.found
    assert elsewhere.parts["arch"].origins["spot"].found not in (of_part.found, None)


def test_parts_follow_their_own_lens_and_a_shot_wants_one() -> None:
    whole = look("[parts.arch]\nmatte = 'arch'\n[parts.arch.origins.lens]\nlens = true\nfollows = true\n")
    part = whole.with_lens(camera()).at(1001).parts[0]
    assert part.look.origins["lens"].position_m.tolist() == [3.0, 1.0, 2.0]
    body = look(f"{FOLLOWING}[steps.turbid_bodies]\n{AHEAD}")
    assert body.at(1001).unknown == ("lens",)
    assert body.with_lens(camera()).at(1001).unknown == ()
    # Nothing has to be found for it, so no frame is read.
    assert origins_of_picture(body, 1001, scene(), camera()) is body


@pytest.mark.parametrize(
    ("origin", "told"),
    [
        ("point = [0.5, 0.5]\nfollows = true", "only the lens can be followed"),
        ("lens = true\nfollows = true\nframe = 1001", "leave out frame"),
        ("lens = true\nfollows = true\nfloor = 'found'", 'leave out floor = "found"'),
    ],
)
def test_what_cannot_follow_is_refused(origin: str, told: str) -> None:
    with pytest.raises(PresetError, match=told):
        look(f"[origins.lens]\n{origin}\n")


SWIMMER = """
[steps.suspended_matter]
wakes = [{ origin = "lens", track = [{ frame = 1001, nose = [0.5, -0.25, 3.0] },
  { frame = 1004.5, nose = [0.5, -0.25, 1.25], tail = [0.5, -0.25, 1.0] }] }]
"""


def test_what_a_track_from_the_lens_gives_off_stays_where_the_lens_was() -> None:
    # The lens goes 2 m to the right and 1 m up a frame, and turns about up: by hand.
    def axes(frame: float) -> F64:
        turn = np.radians(10.0 * (frame - 1001))
        right, ahead = [np.cos(turn), 0.0, np.sin(turn)], [np.sin(turn), 0.0, -np.cos(turn)]
        return np.array([right, [0.0, 1.0, 0.0], ahead])

    def lens(frame: int) -> F64:
        return np.array([2.0, 1.0, 0.0]) * (frame - 1001)

    def nose(frame: int) -> F64:
        share = (frame - 1001) / 3.5
        return np.asarray(lens(frame) + np.array([0.5, -0.25, 3.0 - 1.75 * share]) @ axes(frame))

    rows = [[n, *lens(n), *axes(n).ravel()] for n in range(1001, 1006)]
    text = f"{FOLLOWING}way = {[[float(part) for part in row] for row in rows]}\n{SWIMMER}"
    for at in (camera(), moved(camera(), (50.0, 0.0, 0.0))):
        # Where the lens is now is no matter.
        preset = look(text).with_lens(at).at(1003)
        assert preset.unknown == ()
        (step,) = preset.graph.steps
        keys = step.operator.parameters.wakes[0].track
        assert [key.frame for key in keys] == [1001, 1002, 1003, 1004, 1004.5]
        for key in keys[:4]:
            np.testing.assert_allclose(key.nose, nose(round(key.frame)), atol=1e-9)
        # A key without a tail is a sphere, whose tail is its nose.
        np.testing.assert_allclose(keys[0].tail, keys[0].nose, atol=1e-9)
        # Between two frames, half way between where the place is on both.
        ends = [lens(n) + np.array([0.5, -0.25, 1.25]) @ axes(n) for n in (1004, 1005)]
        np.testing.assert_allclose(keys[4].nose, 0.5 * (ends[0] + ends[1]), atol=1e-9)
    on_floor = look(text.replace("follows = true", "follows = true\nfloor = 0.5")).with_lens(camera())
    (step,) = on_floor.at(1001).graph.steps
    high = [key.nose[1] for key in step.operator.parameters.wakes[0].track]
    np.testing.assert_allclose(high, 0.25, atol=1e-9)


def test_where_the_lens_was_is_found_by_the_frames_own_cameras_in_any_chunk() -> None:
    sequence = str(Path(halocline.__file__).parent / "demo_frames" / "arch.####.exr")
    tasks = tasks_of(sequence)
    numbers = [task.frame for task in tasks][:3]
    plume = "[[steps.turbid_bodies.bodies]]\nname = 'trail'\nkind = 'plume'\norigin = 'lens'\n"
    keys = ", ".join(f"{{ frame = {n}, position = [0.2, 0.1, 2.0] }}" for n in (numbers[0], numbers[2]))
    text = f"{FOLLOWING}[steps.turbid_bodies]\n{plume}track = [{keys}]\n"
    first, last = (origins_of_sequence(look(text), task) for task in (tasks[0], tasks[2]))
    assert first.resolved_text == last.resolved_text
    assert preset_from_text(first.resolved_text).resolved_text == first.resolved_text
    lenses = [cameras_in(task.beauty, input_spec(look(text), task.frame))[""] for task in tasks[:3]]
    (step,) = first.with_lens(lenses[2]).at(numbers[2]).graph.steps
    track = step.operator.parameters.bodies[0].track
    assert [key.frame for key in track] == numbers
    for key, at in zip(track, lenses, strict=True):
        offset = 0.2 * at.rotation[:, 0] + 0.1 * at.rotation[:, 1] - 2.0 * at.rotation[:, 2]
        np.testing.assert_allclose(key.position, at.position_m + offset, atol=1e-9)
    # The demo's lens moves, so that what was given off first is elsewhere than what is given off now.
    assert np.abs(np.array(track[0].position) - track[2].position).max() > 1e-3
    with pytest.raises(HaloclineError) as refused:
        origins_of_sequence(look(text.replace(str(numbers[0]), "900")), tasks[0])
    assert refused.value.code == "E-ORIGIN-FRAME"
    assert "camera.track" in (refused.value.fix or "")
    # Of one picture alone nobody knows where its lens was before.
    alone = look(text).with_lens(lenses[0]).at(numbers[0])
    assert alone.unknown == ("lens",)


def test_a_file_of_cameras_tells_where_the_lens_was_where_no_frames_are(tmp_path: Path) -> None:
    rows = "".join(f"{n},{0.5 * (n - 990)},0,0,0,0,0\n" for n in (990, 1010))
    (tmp_path / "lens.csv").write_text("frame,x,y,z,pan,tilt,roll\n" + rows)
    sequence = str(Path(halocline.__file__).parent / "demo_frames" / "arch.####.exr")
    body = (
        "[steps.turbid_bodies]\n[[steps.turbid_bodies.bodies]]\nname = 'a'\nkind = 'plume'\norigin = 'lens'\n"
    )
    keys = "track = [{ frame = 992, position = [0, 0, 2] }, { frame = 998, position = [0, 0, 2] }]\n"
    (tmp_path / "look.toml").write_text(f"format = 1\n[camera]\ntrack = 'lens.csv'\n{FOLLOWING}{body}{keys}")
    made = origins_of_sequence(load_preset(tmp_path / "look.toml"), tasks_of(sequence)[0])
    places = [row[1] for row in made.origins["lens"].way]
    np.testing.assert_allclose(places, [0.5 * (n - 990) for n in range(992, 999)], atol=1e-9)


def test_a_floor_that_would_go_up_and_down_with_the_lens_is_refused_where_it_stands() -> None:
    source = "[steps.turbid_bodies]\n[[steps.turbid_bodies.sediment]]\nname = 'fin'\norigin = 'lens'\n"
    keys = ", ".join(f"{{ frame = {n}, position = [0.0, -0.5, 2.0] }}" for n in (1001, 1003))
    text = f"{FOLLOWING}{source}track = [{keys}]\n"
    with pytest.raises(PresetError, match="a floor does not go up and down with it") as refused:
        look(f"{text}floor = -1.0\n")
    assert [problem.code for problem in refused.value.problems] == ["E-PRESET-ORIGIN"]
    look(f'{text}floor = "found"\n')
    look(f"{text}floor = 0.0\n".replace("follows = true", "follows = true\nfloor = 0.25"))


def test_a_frame_from_a_file_has_what_follows_where_its_camera_is(tmp_path: Path) -> None:
    # A file without a camera is seen from the world's middle along -z, where both are one.
    source = write_deep_pixels(tmp_path / "wall.exr", deep_picture(wall_of_deep))
    bodies = f"[steps.turbid_bodies]\nrays = 32\n{AHEAD}"
    stated = bodies.replace('origin = "lens"\n', "").replace("0.1, 3.0]", "0.1, -3.0]")
    looks = (FOLLOWING + bodies, stated, "")
    pictures = [read_by_openexr(wet_file(source, text=BARE_WATER + text)[0]) for text in looks]
    for name in "RGB":
        np.testing.assert_allclose(pictures[0][name], pictures[1][name], atol=1e-6)
    assert np.abs(pictures[0]["R"] - pictures[2]["R"]).max() > 1e-3
