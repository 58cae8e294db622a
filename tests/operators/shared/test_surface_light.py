"""Caustics, light shafts and the view through the surface, as laws of what they do to a picture."""

from __future__ import annotations

import gc
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from tests.conftest import Builders

from halocline._typing import F32
from halocline.graph.engine import Evaluation, evaluate
from halocline.graph.shot import Shot
from halocline.imaging.camera import Camera, pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.operators.shared.surface_light import LevelAxes, casters_seen, channel_weights, sun_zenith
from halocline.operators.sky_window import SkyWindow
from halocline.physics.sea.light_field import CausticField
from halocline.presets.build import make_shot
from halocline.presets.preset import Preset, load_preset, preset_from_text
from halocline.rgb import LINEAR_REC709

TEXT = """
format = 1
[water]
jerlov_type = "II"
[light]
sun_elevation = 60
sun_azimuth = 0
overcast = 0
[place]
sea_level = 5
[sea]
wind = 3.0
fetch = 1500
smooth_below = 0.35
patch = 8
detail = 256
"""
CAUSTICS = TEXT + "[steps.caustics]\n"
SHAFTS = TEXT + "[steps.veiling_light]\n[steps.light_shafts]\nrays = 64\nsteps = 40\n"
WINDOW = TEXT + "[steps.sky_window]\n"
SIZE = Window(0, 0, 96, 54)


def looking(
    pitch_deg: float, *, height_m: float = 2.0, yaw_deg: float = 0.0, focal_length_mm: float = 24.0
) -> Camera:
    """A camera over the ground at y = 0, pitched up by an angle, facing -z turned by a yaw."""
    pitch, yaw = math.radians(pitch_deg), math.radians(yaw_deg)
    tilt = np.array(
        [[1, 0, 0], [0, math.cos(pitch), -math.sin(pitch)], [0, math.sin(pitch), math.cos(pitch)]]
    )
    turn = np.array([[math.cos(yaw), 0, math.sin(yaw)], [0, 1, 0], [-math.sin(yaw), 0, math.cos(yaw)]])
    matrix = np.eye(4)
    matrix[:3, :3] = turn @ tilt
    matrix[1, 3] = height_m
    return pinhole(SIZE, focal_length_mm=focal_length_mm, film_width_mm=36, camera_to_world=matrix)


def ground(camera: Camera, more: dict[str, F32] | None = None) -> Frame:
    """Level white ground at y = 0, open water above the horizon."""
    up = camera.component(SIZE, np.array([0.0, 1.0, 0.0]))
    with np.errstate(divide="ignore"):
        range_m = np.where(up < -1e-3, -camera.position_m[1] / np.minimum(up, -1e-3), np.inf)
    range_m = np.where(range_m < 60.0, range_m, np.inf).astype(np.float32)
    alpha = np.isfinite(range_m).astype(np.float32)
    planes = {"rgb": np.stack([0.5 * alpha] * 3), "alpha": alpha, "range": range_m, **(more or {})}
    return Frame(planes, SIZE, SIZE)


def run(
    preset: Preset | str,
    frame: Frame,
    camera: Camera,
    *,
    number: int = 1001,
    wanted: tuple[str, ...] = ("rgb", "alpha"),
    sets: tuple[str, ...] = (),
    how: Evaluation | None = None,
) -> dict[str, F32]:
    look = preset_from_text(preset, sets) if isinstance(preset, str) else preset
    return evaluate(
        look.at(number).graph, frame, shot_of(look, camera, number), wanted=wanted, how=how or Evaluation()
    )


def shot_of(look: Preset, camera: Camera, number: int = 1001) -> Shot:
    return make_shot(
        look,
        number,
        CameraTrack({number: camera}),
        space=LINEAR_REC709,
        display_window=SIZE,
        data_window=SIZE,
    )


DOWN = looking(-35.0)
NORMAL = np.zeros((3, *SIZE.shape), np.float32)
NORMAL[1] = 1.0


def departures(frame: Frame, camera: Camera = DOWN, **sets: Any) -> F32:
    settings = tuple(f"steps.caustics.{key}={value}" for key, value in sets.items())
    gain = run(CAUSTICS, frame, camera, wanted=("caustic_gain",), sets=settings)["caustic_gain"]
    return gain - np.float32(1.0)


def test_caustics_brighten_and_darken_and_leave_the_mean() -> None:
    camera = looking(-90.0, height_m=30.0)
    frame = ground(camera)
    preset = CAUSTICS.replace("sea_level = 5", "sea_level = 36")
    gain = run(preset, frame, camera, wanted=("caustic_gain",), sets=('steps.caustics.normals="none"',))[
        "caustic_gain"
    ]
    # 45 m by 25 m of sea, 36 m deep: a pattern of little contrast.
    assert_allclose(gain.mean(axis=(1, 2)), 1.0, atol=0.03)
    near = run(CAUSTICS, ground(DOWN), DOWN)["rgb"]
    lit = near[1][np.isfinite(ground(DOWN).planes["range"])]
    assert lit.max() > 0.7
    assert lit.min() < 0.4


@pytest.mark.parametrize(
    ("preset", "camera"),
    [(CAUSTICS, looking(-20.0)), (SHAFTS, looking(10.0)), (WINDOW, looking(60.0))],
    ids=["caustics", "shafts", "window"],
)
def test_no_tile_thread_or_order_changes_a_bit(preset: str, camera: Camera) -> None:
    frame = ground(camera)
    whole = run(preset, frame, camera, how=Evaluation(1, 54))["rgb"]
    assert np.ptp(whole[1]) > 0.01
    for tile_rows, threads in ((1, 2), (7, 2), (20, 1)):
        assert_array_equal(run(preset, frame, camera, how=Evaluation(threads, tile_rows))["rgb"], whole)


@pytest.mark.parametrize("preset", [CAUSTICS, SHAFTS], ids=["caustics", "shafts"])
def test_a_frame_is_the_same_whatever_was_rendered_before(preset: str) -> None:
    look = preset_from_text(preset)
    camera = looking(-10.0)
    frame = ground(camera)
    alone = run(look, frame, camera, number=1007)["rgb"]
    for number in (1006, 1001, 1007):
        again = run(look, frame, camera, number=number)["rgb"]
    assert_array_equal(again, alone)


@pytest.mark.parametrize("preset", [CAUSTICS, SHAFTS, WINDOW])
def test_the_light_of_a_frame_is_let_go_with_the_frame(preset: str) -> None:
    # Its slices are 130 MB and more: a night's frames must not pile up until the interpreter looks for rings.
    look, camera = preset_from_text(preset), looking(10.0)
    gc.collect()
    gc.disable()
    try:
        for number in range(1001, 1005):
            run(look, ground(camera), camera, number=number)
        held = [each for each in gc.get_objects() if isinstance(each, CausticField)]
    finally:
        gc.enable()
    assert len(held) <= 1


def test_caustics_fade_where_normals_turn_from_the_sun() -> None:
    # Sun at 60 degrees ahead along -z. Facing the sun, level, upright away from it, and down.
    # Through a long lens, so that no pixel covers a stretch wider than the pattern however it is turned.
    close = looking(-35.0, focal_length_mm=400.0)
    strengths = []
    for normal in ([0, 0.5, -0.5], [0, 1, 0], [0, 0.2, 1.0], [0, -1, 0]):
        direction = np.array(normal) / np.linalg.norm(normal)
        plane = np.broadcast_to(direction[:, None, None], NORMAL.shape).astype(np.float32)
        strengths.append(float(np.abs(departures(ground(close, {"normal": plane}), close)).max()))
    assert strengths[0] > strengths[1] > strengths[2]
    assert strengths[2] < 0.4 * strengths[1]
    assert strengths[3] == 0.0


def test_normals_from_depth_stand_in_for_those_of_the_render() -> None:
    given = departures(ground(DOWN, {"normal": NORMAL}))
    derived = departures(ground(DOWN))
    assert_allclose(derived, given, atol=0.02)


def test_overcast_light_has_no_caustics() -> None:
    sets = ("light.overcast=1.0",)
    frame = ground(DOWN)
    assert_array_equal(run(CAUSTICS, frame, DOWN, sets=sets)["rgb"], frame.planes["rgb"])
    half = run(CAUSTICS, frame, DOWN, sets=("light.overcast=0.5",), wanted=("caustic_gain",))["caustic_gain"]
    full = run(CAUSTICS, frame, DOWN, wanted=("caustic_gain",))["caustic_gain"]
    # Less of a clear sky's light is turned back by the surface than of an even one's: 6.6 % (frommel's
    # formula over a hemisphere, from memory), so that the sun keeps a little more than half.
    ratio = float(np.abs(half - 1.0).mean() / np.abs(full - 1.0).mean())
    assert 0.48 < ratio < 0.58


def test_light_is_even_where_there_is_no_surface_or_water_hides_it() -> None:
    frame = ground(DOWN)
    frame.planes["range"][:, :20] = np.inf
    frame.planes["range"][:, 20:40] = 500.0
    gain = departures(frame)
    assert not gain[:, :, :40].any()
    assert gain[:, :, 40:].any()


def test_mattes_hold_caustics_out() -> None:
    matte = np.zeros(SIZE.shape, np.float32)
    matte[:, :48] = 1.0
    frame = ground(DOWN, {"matte.arch": matte})
    inside = departures(frame, matte='"arch"')
    outside = departures(frame, matte='"arch"', invert_matte="true")
    shadow = departures(frame, shadow_matte='"arch"')
    assert not inside[:, :, 48:].any()
    assert not outside[:, :, :48].any()
    assert_array_equal(shadow, outside)
    assert_allclose(inside + outside, departures(frame), atol=1e-6)


def test_with_light_layers_only_the_key_light_is_modulated() -> None:
    key = np.zeros((3, *SIZE.shape), np.float32)
    key[:, :, 30:60] = 0.3
    frame = ground(DOWN, {"light.key": key})
    sets = ('steps.caustics.key_light="key"',)
    out = run(CAUSTICS, frame, DOWN, sets=sets, wanted=("rgb", "caustic_gain"))
    change = out["rgb"] - frame.planes["rgb"]
    assert not change[:, :, :30].any()
    assert not change[:, :, 60:].any()
    assert_allclose(change, key * (out["caustic_gain"] - 1.0), atol=1e-6)


def test_caustics_move_with_time_and_stand_still_at_no_speed() -> None:
    frame = ground(DOWN)
    now, later = (run(CAUSTICS, frame, DOWN, number=n)["rgb"] for n in (1001, 1003))
    assert np.abs(now - later).max() > 0.1
    still = [run(CAUSTICS, frame, DOWN, number=n, sets=("sea.speed=0",))["rgb"] for n in (1001, 1003)]
    assert_array_equal(still[0], still[1])


def test_a_loop_comes_back() -> None:
    frame = ground(DOWN)
    sets = ("sea.loop=2", "sequence.frames_per_second=24")
    first, again = (run(CAUSTICS, frame, DOWN, number=n, sets=sets)["rgb"] for n in (1001, 1049))
    assert_allclose(first, again, atol=2e-3)


def test_the_pattern_lies_still_in_the_world_when_the_camera_turns() -> None:
    straight, turned = looking(-90.0), looking(-90.0, yaw_deg=90.0)
    one, other = (
        run(CAUSTICS, ground(camera), camera, wanted=("caustic_gain",))["caustic_gain"][1]
        for camera in (straight, turned)
    )
    # Square in the middle, turned back by a quarter.
    across = slice((SIZE.width - SIZE.height) // 2, (SIZE.width + SIZE.height) // 2)
    square, back = one[:, across], np.rot90(other[:, across], 1)
    agreement = [np.corrcoef(square.ravel(), np.rot90(back, k).ravel())[0, 1] for k in range(4)]
    assert max(agreement) > 0.95
    assert sorted(agreement)[-2] < 0.5


def test_steps_share_the_sea_of_the_preset_or_state_their_own() -> None:
    look = preset_from_text(TEXT + "[steps.caustics]\n[steps.veiling_light]\n[steps.light_shafts]\n")
    shot = shot_of(look, DOWN)
    assert shot.sea.detail == 256
    shared = [step.operator.prepare(shot) for step in look.at(1001).graph.steps]
    assert shared[0].field is shared[2].volume.field
    frame = ground(DOWN)
    calm = run(CAUSTICS, frame, DOWN, sets=("sea.wind=1.0",))["rgb"]
    own = "surface = { wind = 1.0, fetch = 1500.0, smooth_below = 0.35, patch = 8.0, detail = 256 }\n"
    assert_array_equal(run(CAUSTICS + own, frame, DOWN)["rgb"], calm)
    assert np.abs(run(CAUSTICS, frame, DOWN)["rgb"] - calm).max() > 0.05


def test_a_sea_softens_over_frames_and_its_waves_stay() -> None:
    frame = ground(DOWN)
    curve = 'sea.softness={ curve = "linear", keys = [[1001, 1.0], [1011, 4.0]] }'
    start, end = (run(CAUSTICS, frame, DOWN, number=n, sets=(curve,))["rgb"][1] for n in (1001, 1011))
    assert_array_equal(start, run(CAUSTICS, frame, DOWN)["rgb"][1])
    sharp = run(CAUSTICS, frame, DOWN, number=1011)["rgb"][1]
    assert end.std() < 0.9 * sharp.std()
    lit = frame.planes["alpha"] > 0.0
    assert np.corrcoef(end[lit], sharp[lit])[0, 1] > 0.5


def test_shafts_keep_the_mean_of_the_veil_and_are_a_layer() -> None:
    camera = looking(0.0)
    frame = ground(camera)
    smooth = run(TEXT + "[steps.veiling_light]\n", frame, camera)["rgb"]
    out = run(SHAFTS, frame, camera, wanted=("rgb", "shafts", "veil"))
    look = preset_from_text(SHAFTS)
    down = shot_of(look, camera).path.bands.down
    assert_allclose(out["rgb"] - smooth, np.einsum("ck,kyx->cyx", down, out["shafts"]), atol=1e-5)
    assert np.abs(out["shafts"] / out["veil"]).max() > 0.01
    # Over a few seconds and the whole picture brighter and darker shafts even out.
    ratios = []
    for number in range(1001, 1241, 24):
        made = run(look, frame, camera, number=number, wanted=("shafts", "veil"))
        ratios.append(made["shafts"].sum(axis=(1, 2)) / made["veil"].sum(axis=(1, 2)))
    assert (np.abs(np.mean(ratios, axis=0)) < 0.015).all()


def test_shafts_end_at_the_subject() -> None:
    camera = looking(0.0)
    open_water = ground(camera)
    wall = np.full(SIZE.shape, np.inf, np.float32)
    wall[:, 40:50] = 0.02
    alpha = np.isfinite(wall).astype(np.float32)
    frame = Frame({"rgb": np.stack([alpha] * 3), "alpha": alpha, "range": wall}, SIZE, SIZE)
    shafts = run(SHAFTS, frame, camera, wanted=("shafts",))["shafts"]
    free = run(SHAFTS, open_water, camera, wanted=("shafts",))["shafts"]
    assert np.abs(shafts[:, :, 40:50]).max() < 0.02 * np.abs(free).max()


def test_snells_window_is_bright_within_its_angle_and_mirrors_outside() -> None:
    camera = looking(89.9, focal_length_mm=8.0)
    frame = ground(camera)
    sets = ("steps.sky_window.waves=0", "light.overcast=1", "steps.sky_window.sun_blur=0")
    light = run(WINDOW, frame, camera, sets=sets, wanted=("surface_light",))["surface_light"][2]
    zenith = camera.component(SIZE, np.array([0.0, 1.0, 0.0]))
    angle = np.degrees(np.arccos(np.clip(zenith, -1, 1)))
    # Overcast sky near the horizon is a third as bright as at its zenith; the edge of the window is sharp.
    inside, outside = light[angle < 30.0], light[angle > 49.0]
    assert outside.size
    assert inside.min() > 4.0 * outside.max()
    assert outside.min() > 0.0


def test_shown_from_an_angle_on_the_surface_comes_in_softly_as_the_lens_looks_up() -> None:
    """No bit of a level view changes; nothing pops as it tilts; from ten degrees on it is all there."""
    sets = ("steps.sky_window.from_angle=25",)
    level = looking(-5.0)
    frame = ground(level)
    assert_array_equal(run(WINDOW, frame, level, sets=sets)["rgb"], frame.planes["rgb"])
    sums = []
    for pitch in np.arange(1.0, 12.0, 1.5):
        camera = looking(pitch)
        lit = run(WINDOW, ground(camera), camera, sets=sets, wanted=("surface_light",))["surface_light"]
        sums.append(float(lit.mean()))
    whole = run(WINDOW, ground(looking(70.0)), looking(70.0), wanted=("surface_light",))["surface_light"]
    steps = np.diff(sums)
    assert (steps >= 0.0).all()
    assert sums[0] == 0.0 < sums[-1]
    assert steps.max() < 0.02 * float(whole.mean())
    up = looking(70.0)
    shown = run(WINDOW, ground(up), up, sets=sets, wanted=("surface_light",))["surface_light"]
    high = up.component(SIZE, np.array([0.0, 1.0, 0.0])) > math.sin(math.radians(35.1))
    assert_array_equal(shown[:, high], whole[:, high])


@pytest.mark.parametrize("name", ["jerlov-3", "kelp-coast", "night-dive", "tropical-lagoon"])
def test_looks_that_ship_show_the_surface_to_a_lens_that_looks_up(name: str) -> None:
    steps = {step.name: step.operator for step in load_preset(name).at(1001).graph.steps}
    assert isinstance(steps["sky_window"], SkyWindow)
    assert not steps["sky_window"].idle(shot_of(load_preset(name), looking(60.0)))


def test_an_even_sky_is_seen_brighter_by_the_square_of_the_index() -> None:
    camera = looking(89.9)
    look = preset_from_text(WINDOW, ("steps.sky_window.waves=0", "light.overcast=1"))
    shot = shot_of(look, camera)
    light = run(look, ground(camera), camera, wanted=("surface_light",))["surface_light"]
    # Straight up: CIE type 1's zenith is 9 / (7 pi) of its irradiance with Moon and Spencer's gradation,
    # which it follows to 10 %; times n^2 and Fresnel's 0.979, over the 0.934 that enters.
    under = shot.path.daylight(0.0) * shot.path.white * math.pi
    expected = 9 / (7 * math.pi) * 1.3408**2 * 0.979 / 0.934 * under
    assert_allclose(light[:, 27, 48], expected, rtol=0.12)


def test_what_is_hit_covers_the_surface() -> None:
    camera = looking(60.0)
    rgb = np.full((3, *SIZE.shape), 0.2, np.float32)
    frame = Frame(
        {"rgb": rgb, "alpha": np.ones(SIZE.shape, np.float32), "range": np.full(SIZE.shape, 2.0, np.float32)},
        SIZE,
        SIZE,
    )
    assert_allclose(run(WINDOW, frame, camera)["rgb"], rgb, atol=1e-6)


def test_half_a_thing_before_the_surface_is_half_of_each() -> None:
    # Light mixes in proportion to area: pixels half covered are the mean of bare and covered ones.
    camera = looking(60.0)
    steps = WINDOW + "[steps.attenuation]\n[steps.veiling_light]\n"
    dull = ("light.overcast=1",)

    def seen(cover: float) -> F32:
        rgb = np.full((3, *SIZE.shape), 0.05 * cover, np.float32)
        range_m = np.full(SIZE.shape, 0.5 if cover else np.inf, np.float32)
        alpha = np.full(SIZE.shape, cover, np.float32)
        return run(
            steps, Frame({"rgb": rgb, "alpha": alpha, "range": range_m}, SIZE, SIZE), camera, sets=dull
        )["rgb"]

    bare, covered, half = (seen(cover) for cover in (0.0, 1.0, 0.5))
    expected = 0.5 * (bare + covered)
    # One share of light stands for all bands of a pixel.
    assert np.abs(half - expected).max() < 0.06 * expected.max()
    assert_allclose(half.mean(axis=(1, 2)), expected.mean(axis=(1, 2)), rtol=0.02)


def test_mirrored_ground_brightens_the_surface_outside_the_window_only() -> None:
    camera = looking(60.0, focal_length_mm=12.0)
    frame = ground(camera)
    angle = np.degrees(np.arccos(np.clip(camera.component(SIZE, np.array([0.0, 1.0, 0.0])), -1, 1)))

    def light(*more: str) -> F32:
        sets = ("steps.sky_window.waves=0", *more)
        seen: F32 = run(WINDOW, frame, camera, sets=sets, wanted=("surface_light",))["surface_light"][2]
        return seen

    water, sand = light(), light("steps.sky_window.ground_depth=5")
    bright = light("steps.sky_window.ground_depth=5", "steps.sky_window.ground=[0.9,0.9,0.9]")
    outside = (angle > 52.0) & (angle < 75.0)
    assert (bright[outside] > sand[outside]).all()
    assert (bright[outside] > water[outside]).all()
    # Within, only the few per cent that the surface reflects.
    inside = angle < 35.0
    assert_allclose(sand[inside], water[inside], rtol=0.05)


def test_the_sun_seen_from_below_stands_where_its_light_comes_from() -> None:
    look = preset_from_text(WINDOW, ("steps.sky_window.waves=0",))
    camera = looking(75.0)
    shot = shot_of(look, camera)
    light = run(look, ground(camera), camera, wanted=("surface_light",))["surface_light"][1]
    row, column = np.unravel_index(np.argmax(light), light.shape)
    seen = camera.directions(SIZE)[:, row, column]
    assert math.degrees(math.acos(min(1.0, float(-seen @ shot.path.sun_travel)))) < 1.0


def test_the_sun_in_air_is_found_again_from_its_light_in_water() -> None:
    shot = shot_of(preset_from_text(CAUSTICS), DOWN)
    assert math.degrees(sun_zenith(shot)) == pytest.approx(30.0, abs=0.02)
    # At azimuth 0 the sun stands along -z, the first level axis.
    assert LevelAxes.of(shot).azimuth_of(-shot.path.sun_travel) == pytest.approx(0.0, abs=1e-9)


def test_bands_share_in_the_channels_by_wavelength() -> None:
    weights = channel_weights(np.array([420.0, 464.0, 506.5, 549.0, 580.0, 611.0, 690.0]))
    assert_allclose(weights.sum(axis=1), 1.0)
    assert_allclose(weights[[0, 1]], [[0, 0, 1], [0, 0, 1]])
    assert_allclose(weights[2], [0, 0.5, 0.5])
    assert_allclose(weights[3], [0, 1, 0])
    assert_allclose(weights[[5, 6]], [[1, 0, 0], [1, 0, 0]])


@pytest.mark.parametrize(
    ("preset", "off"),
    [
        (CAUSTICS, "steps.caustics.contrast=0"),
        (SHAFTS, "steps.light_shafts.contrast=0"),
        (WINDOW, "steps.sky_window.brightness=0"),
    ],
)
def test_turned_off_a_step_changes_no_bit(preset: str, off: str) -> None:
    camera = looking(20.0)
    frame = ground(camera)
    without = TEXT + ("[steps.veiling_light]\n" if preset is SHAFTS else "")
    idle = run(preset, frame, camera, sets=(off,))["rgb"]
    expected = run(without, frame, camera)["rgb"] if preset is SHAFTS else frame.planes["rgb"]
    assert_array_equal(idle, expected)


def under_a_boat(preset: str, *, boat: bool = True) -> tuple[F32, F32]:
    """The veil's shafts of a view up, past a level slab just below the surface, and the picture."""
    camera = looking(35.0, height_m=0.5)
    up, aside = (camera.component(SIZE, np.array(axis)) for axis in ((0.0, 1.0, 0.0), (1.0, 0.0, 0.0)))
    range_m = np.where(up > 0.05, 4.0 / np.maximum(up, 0.05), np.inf)
    hit = (up > 0.05) & (np.abs(aside * range_m) < 1.2) & (range_m < 12.0) & boat
    range_m = np.where(hit, range_m, np.inf).astype(np.float32)
    black = np.zeros((3, *SIZE.shape), np.float32)
    frame = Frame({"rgb": black, "alpha": hit.astype(np.float32), "range": range_m}, SIZE, SIZE)
    look = preset_from_text(preset)
    shot = replace(shot_of(look, camera), surfaces=frame)
    made = evaluate(look.at(1001).graph, frame, shot, wanted=("rgb", "shafts"))
    return made["shafts"], made["rgb"]


CALM = SHAFTS.replace("wind = 3.0", "wind = 0.3")


def test_what_stands_in_the_suns_way_darkens_the_water_below_it() -> None:
    shaded = under_a_boat(CALM)[1]
    even = under_a_boat(CALM.replace("overcast = 0", "overcast = 0\nshadows = false"))[1]
    assert shaded.mean() < 0.97 * even.mean()


def test_where_nothing_stands_shadows_change_no_bit() -> None:
    without = under_a_boat(CALM.replace("overcast = 0", "overcast = 0\nshadows = false"), boat=False)[1]
    assert_array_equal(under_a_boat(CALM, boat=False)[1], without)


def test_in_the_shade_there_are_no_shafts_and_no_caustics() -> None:
    departures = np.abs(under_a_boat(SHAFTS)[0]).mean()
    free = np.abs(under_a_boat(SHAFTS + "shadows = false\n")[0]).mean()
    assert departures < 0.9 * free
    # Level ground does not shade itself.
    frame = ground(DOWN)
    shade = replace(shot_of(preset_from_text(CAUSTICS), DOWN), surfaces=frame)
    lit = evaluate(preset_from_text(CAUSTICS).at(1001).graph, frame, shade, wanted=("caustic_gain",))
    assert_array_equal(
        lit["caustic_gain"], run(CAUSTICS, frame, DOWN, wanted=("caustic_gain",))["caustic_gain"]
    )


def test_a_floor_that_is_seen_is_thin_and_without_gaps(build: Builders) -> None:
    window = Window(0, 0, 96, 54)
    camera = pinhole(window, focal_length_mm=18.0, film_width_mm=36.0)
    rays = camera.directions(window)
    with np.errstate(divide="ignore"):
        metres = np.where(rays[1] < -0.1, 2.0 / np.maximum(-rays[1], 1e-6), np.inf).astype(np.float32)
    planes = {
        "rgb": np.zeros((3, *window.shape), np.float32),
        "alpha": np.isfinite(metres).astype(np.float32),
        "range": metres,
    }
    shot = build.shot(window, camera=camera, path=build.path(depth_m=8.0))
    seen = casters_seen(shot, Frame(planes, window, window), LevelAxes.of(shot))
    assert seen.gaps_m is not None
    # Flat to rounding. Rows lie so far apart: z = h f / y, by hand z^2 / (h f) a row; at each end one is
    # farther than the other.
    assert float(seen.gaps_m[2].max()) < 0.01
    shown = slice(None, np.count_nonzero(np.isfinite(metres)))
    ahead, gaps = seen.places_m[0, shown], seen.gaps_m[0, shown]
    near = (ahead > 3.0) & (ahead < 6.0)
    assert near.sum() > 200
    assert_allclose(gaps[near], ahead[near] ** 2 / (2.0 * camera.focal_px), rtol=0.15)
