"""Lamps that light nothing of what is in view are told of, by what their light is there; others are not."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benchmarks.edge_scenes import Rays

import halocline
from halocline.batch.first_look import look_at_lamps, look_first
from halocline.batch.lamps_in_vain import lamps_in_vain
from halocline.batch.plan_tasks import plan_tasks
from halocline.batch.task import FrameTask
from halocline.imaging.exr import Attribute, Part
from halocline.imaging.exr_write import PartPixels, write_exr
from halocline.imaging.frame import Frame, Window
from halocline.presets.preset import Preset, preset_from_text
from halocline.rgb import LINEAR_REC709

WINDOW = Window(0, 0, 320, 180)
ALL = "[steps.lamps]\ndaylight = 0.0\n[steps.attenuation]\n[steps.lamp_backscatter]\n"
DRY = "[steps.lamps]\ndaylight = 0.0\n[steps.attenuation]\n"
CAMERA = halocline.pinhole(WINDOW, focal_length_mm=30, film_width_mm=36)


def look(lamp: str, steps: str = ALL) -> Preset:
    """Return a night with one lamp."""
    head = 'format = 2\n[water]\njerlov_type = "II"\n[place]\ncamera_depth = 12\n[light]\ndaylight = 0.0\n'
    return preset_from_text(f"{head}[[light.lamps]]\n{lamp}\n{steps}")


@pytest.fixture(scope="module")
def picture() -> Frame:
    """A ball half a metre in radius 3 m ahead, over a floor of the grey that is measured by."""
    rays = Rays(np.zeros(3), CAMERA.directions(WINDOW).astype(float))
    rays.sphere(np.array([0.0, 0.0, -3.0]), 0.5, (0.2, 0.2, 0.2))
    rays.floor(-1.5, (0.2, 0.2, 0.2), far=20.0)
    made = rays.shaded()
    grey = np.full((3, *WINDOW.shape), 0.2, np.float32) * made.alpha
    return Frame({"rgb": grey, "alpha": made.alpha, "range": made.range_m}, WINDOW, WINDOW)


def told(picture: Frame, lamp: str, steps: str = ALL, frames: tuple[int, ...] = (1,)) -> str:
    return "; ".join(lamps_in_vain(look(lamp, steps), picture, CAMERA, LINEAR_REC709, frames))


def wet(picture: Frame, preset: Preset) -> Any:
    planes = {name: picture.plane(name) for name in ("rgb", "alpha", "range")}
    rgb = np.moveaxis(planes["rgb"], 0, -1)
    return halocline.apply(preset, rgb, planes["range"], planes["alpha"], camera=CAMERA, frame=1)


VAIN = {
    "in centimetres": (
        "position = [40, 30, 0]\ntarget = [0, 0, 500]",
        r"stands 4\d m from .* light\.lamps\.0\.position",
    ),
    "far up": ('space = "world"\nposition = [0, 400, 0]\ntarget = [0, 0, -3]', r"stands 39\d m from "),
    "weak": ("brightness = 0.0003", r"too weak there\. light\.lamps\.0\.brightness = "),
    "thin": ("cone_angle = 0.01\nedge_angle = 0.01", r"meets no pixel .* light\.lamps\.0\.cone_angle"),
    "a thin core": ("beam_angle = 0.01", r"light\.lamps\.0\.beam_angle"),
    "aimed back": ("position = [0, 0, -2]\ntarget = [0, 0, -5]", r"Aim it by light\.lamps\.0\.target"),
    "within the ball": (
        'name = "torch"\nspace = "world"\nposition = [0, 0, -3]\ntarget = [0, 0, 0]',
        r"light\.lamps\.torch .* 0\.5 m behind what the camera sees .* light\.lamps\.torch\.position",
    ),
    "under the floor": (
        'space = "world"\nposition = [0, -1.8, -5]\ntarget = [0, 0, -5]',
        r"faces away|behind what the camera sees",
    ),
}


@pytest.mark.parametrize(("lamp", "expected"), VAIN.values(), ids=VAIN)
def test_a_lamp_that_lights_nothing_in_view_is_told_of_with_its_key(
    picture: Frame, lamp: str, expected: str
) -> None:
    found = told(picture, lamp, DRY)
    assert re.search(expected, found)
    assert " lights nothing in view: " in found
    # It is true: no pixel shows it.
    assert wet(picture, look(lamp, DRY)).rgb.max() < 1.5e-4


@pytest.mark.parametrize(
    "lamp",
    [
        "",
        "brightness = 0.02",
        "position = [0.3, 0.3, -1]\ntarget = [0, 0, 5]",
        'space = "world"\nposition = [0.9, 0.5, -2.5]\ntarget = [0, 0, 0]\nbrightness = 0.05',
        "cone_angle = 0.1\nedge_angle = 0.1\ntarget = [0.01, 0, 3]\nbrightness = 20",
        'space = "world"\nposition = [0, 0, -6]\ntarget = [0, 0, 0]',
        'space = "world"\nposition = [0.9, 0.5, -2.5]\ntarget = [0, 0, 0]\nbrightness = 0.000002',
    ],
    ids=[
        "the default",
        "faint",
        "behind the lens",
        "in the picture",
        "a narrow beam",
        "behind the ball",
        "its face alone",
    ],
)
def test_a_lamp_that_lights_something_is_not(picture: Frame, lamp: str) -> None:
    assert not told(picture, lamp)
    assert wet(picture, look(lamp)).rgb.max() > 1e-4


def test_the_brightness_that_is_named_shows_what_is_said(picture: Frame) -> None:
    for steps in (ALL, DRY):
        found = told(picture, "brightness = 0.0003", steps)
        named = re.search(r"brightness = ([\d.e+]+) would show 0\.1 of white", found)
        assert named is not None
        shown = wet(picture, look(f"brightness = {float(named[1])}", steps)).rgb
        assert 0.08 < shown.max() < 0.12


def test_a_lamp_far_too_bright_is_told_of(picture: Frame) -> None:
    found = told(picture, "brightness = 1000000.0")
    named = re.search(r"light\.lamps\.0\.brightness = ([\d.e+]+) would show white", found)
    assert named is not None
    shown = wet(picture, look(f"brightness = {float(named[1])}")).rgb
    assert 0.1 < np.median(shown[shown > 0.01 * shown.max()]) < 3.0


def test_within_a_thing_it_is_told_of_though_it_lights_the_water(picture: Frame) -> None:
    assert "lights no surface in view: it stands 0.5 m behind" in told(picture, VAIN["within the ball"][0])


def test_a_lamp_that_is_turned_on_later_is_meant(picture: Frame) -> None:
    keyed = "brightness = { curve = 'linear', keys = [[1, 0.0001], [24, 4.0]] }"
    assert "too weak" in told(picture, keyed)
    assert not told(picture, keyed, frames=(1, 24))


def test_without_steps_or_depth_nothing_is_measured(picture: Frame) -> None:
    far = VAIN["in centimetres"][0]
    assert not told(picture, far, "[steps.attenuation]\n")
    bare = Frame({name: picture.plane(name) for name in ("rgb", "alpha")}, WINDOW, WINDOW)
    assert not told(bare, far)


def test_arrays_tell_of_them_too(picture: Frame) -> None:
    found = wet(picture, look(VAIN["aimed back"][0])).warnings
    assert any("light.lamps.0 lights nothing in view" in line for line in found)


def test_what_a_lamp_lights_in_a_part_of_the_picture_counts(picture: Frame) -> None:
    # Too faint for the water alone, and not for the ball, which the steps of a part light.
    faint, water = "position = [0.5, 0.2, 0]\nbrightness = 0.015", "[steps.lamp_backscatter]\n"
    part = '[parts.ball]\nmatte = "pass.ball"\nsteps = { lamps = { daylight = 0.0 } }\n'
    assert "lights nothing in view" in told(picture, faint, water)
    assert told(picture, faint, water + part) == ""


def test_a_lamp_that_the_middle_of_a_shot_puts_into_a_thing_is_told_of_by_its_frame(picture: Frame) -> None:
    # Two metres before the lens: free on the first frame, half a metre within a ball that has come by on 12.
    lamp = look('space = "world"\nposition = [0, 0, -2]\ntarget = [0, 0, -5]\ncone_angle = 160')
    rays = Rays(np.zeros(3), CAMERA.directions(WINDOW).astype(float))
    rays.sphere(np.array([0.0, 0.0, -2.1]), 0.5, (0.2, 0.2, 0.2))
    rays.floor(-1.5, (0.2, 0.2, 0.2), far=20.0)
    made = rays.shaded()
    planes = {"rgb": np.stack([made.alpha] * 3), "alpha": made.alpha, "range": made.range_m}
    later = Frame(planes, WINDOW, WINDOW)
    frames = [1, 12, 24]
    assert lamps_in_vain(lamp, picture, CAMERA, LINEAR_REC709, frames) == ()
    (found,) = lamps_in_vain(lamp, picture, CAMERA, LINEAR_REC709, frames, {12: (later, CAMERA)})
    assert re.search(r"light\.lamps\.0 stands 0\.4 m behind .* frame 12, .* light\.lamps\.0\.position", found)
    # A post before it, as thin as a hand, is nothing to tell of.
    narrow = np.abs(CAMERA.directions(WINDOW)[0] / CAMERA.directions(WINDOW)[2]) < 0.03
    post = np.where(narrow, np.float32(1.7), picture.plane("range"))
    shown = {12: (Frame({**picture.planes, "range": post}, WINDOW, WINDOW), CAMERA)}
    assert lamps_in_vain(lamp, picture, CAMERA, LINEAR_REC709, frames, shown) == ()


def test_a_lamp_that_lights_something_later_in_the_shot_is_not_in_vain(picture: Frame) -> None:
    ahead = look('space = "world"\nposition = [0, 0, -3]\ntarget = [0, 0.7, -6]\ncone_angle = 10', DRY)
    assert "nothing in view" in "".join(lamps_in_vain(ahead, picture, CAMERA, LINEAR_REC709, [1, 12]))
    # Later in the shot all is two metres farther away: the lamp shines on it.
    open_water = Frame({**picture.planes, "range": picture.plane("range") + np.float32(2.0)}, WINDOW, WINDOW)
    shown = {12: (open_water, CAMERA)}
    assert "nothing in view" not in "".join(
        lamps_in_vain(ahead, picture, CAMERA, LINEAR_REC709, [1, 12], shown)
    )


# Free on no frame of a shot but those on which all is two metres farther away.
WITHIN = 'space = "world"\nposition = [0, 0, -3]\ntarget = [0, 0.7, -6]\ncone_angle = 10'


def on_disk(picture: Frame, folder: Path, farther_m: dict[int, float]) -> list[FrameTask]:
    """Write a frame for each number, with all so much farther away, and return the shot's tasks."""
    to_camera = np.diag([1.0, 1.0, -1.0, 1.0])
    part = Part(
        index=0,
        name="",
        view="",
        channels={**dict.fromkeys("RGBA", "half"), "Z": "float"},
        data_window=WINDOW,
        display_window=WINDOW,
        compression="zip",
        attributes={
            "worldToCamera": Attribute("matrix", tuple(to_camera.ravel())),
            "nominalFocalLength": Attribute("float", 30.0),
            "sensorOverallDimensions": Attribute("float2", (36.0, 20.25)),
            "chromaticities": Attribute("float[8]", (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329)),
        },
    )
    for frame, more in farther_m.items():
        alpha, rgb = picture.plane("alpha"), picture.plane("rgb")
        depth = (picture.plane("range") + np.float32(more)) * -CAMERA.directions(WINDOW)[2]
        depth = np.where(alpha > 0.0, depth, np.inf).astype(np.float32)
        planes = dict(zip("RGBAZ", (*rgb, alpha, depth), strict=True))
        write_exr(folder / f"clean.{frame:04d}.exr", [PartPixels(part, planes)])
    return plan_tasks(str(folder / "clean.####.exr"), out=f"{folder / 'wet'}/")


@pytest.mark.parametrize(
    ("farther_m", "told_of"),
    [
        ({1: 0.0, 2: 0.0, 3: 0.0}, True),
        ({1: 0.0, 2: 0.0, 3: 2.0}, False),
        ({1: 0.0, 2: 2.0, 3: 0.0}, False),
        # The frames in between are not looked at.
        ({1: 0.0, 2: 2.0, 3: 0.0, 4: 0.0, 5: 0.0}, True),
        ({1: 0.0}, True),
    ],
    ids=["never", "on the last", "in the middle", "in between", "a single frame"],
)
def test_the_middle_and_the_end_of_a_sequence_on_disk_count(
    picture: Frame, tmp_path: Path, farther_m: dict[int, float], told_of: bool
) -> None:
    tasks = on_disk(picture, tmp_path, farther_m)
    for lines in (look_first(tasks, look(WITHIN, DRY)).output, look_at_lamps(tasks, look(WITHIN, DRY))):
        assert ("light.lamps.0 lights nothing in view" in "; ".join(lines)) is told_of


def test_a_thing_that_comes_by_on_disk_is_told_of_by_its_frame(picture: Frame, tmp_path: Path) -> None:
    # .4 m before the ball's near side, then .4 m behind it, where the ball has come nearer by .8 m.
    lamp = look('space = "world"\nposition = [0, 0, -2.1]\ntarget = [0, 0, -5]\ncone_angle = 160')
    (told_last,) = look_at_lamps(on_disk(picture, tmp_path, {7: 0.0, 8: 0.0, 9: -0.8}), lamp)
    assert re.search(r"light\.lamps\.0 stands 0\.4 m behind .* frame 9, ", told_last)


def test_a_frame_later_in_the_shot_that_cannot_be_read_is_left_to_the_run(
    picture: Frame, tmp_path: Path
) -> None:
    tasks = on_disk(picture, tmp_path, {1: 0.0, 2: 2.0, 3: 0.0})
    (tmp_path / "clean.0003.exr").write_bytes((tmp_path / "clean.0003.exr").read_bytes()[:2000])
    (told_of,) = look_at_lamps(tasks, look(WITHIN, DRY))
    assert "on frame 1, " in told_of
    assert "nothing in view" not in told_of
