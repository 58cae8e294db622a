"""Lamps that light nothing of what is in view are told of, by what their light is there; others are not."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest
from benchmarks.edge_scenes import Rays

import halocline
from halocline.batch.lamps_in_vain import lamps_in_vain
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
