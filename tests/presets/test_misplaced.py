"""A lens and things that do not lie in the water: known heights against what is told."""

from __future__ import annotations

import numpy as np
import pytest
from tests.conftest import Builders

from halocline.imaging.camera import pinhole
from halocline.imaging.frame import Frame, Window
from halocline.presets.misplaced import misplaced
from halocline.presets.sections import PlaceSection

WINDOW = Window(0, 0, 64, 36)


def told(
    build: Builders, place: dict[str, object], tilt_deg: float, range_m: float, share: float = 1.0
) -> str:
    """What is told of a shell of things all about the lens."""
    camera = build.camera(WINDOW, tilt_deg=tilt_deg)
    ranges = np.full(WINDOW.shape, range_m, np.float32)
    alpha = np.isfinite(ranges).astype(np.float32)
    frame = Frame({"rgb": np.stack([alpha] * 3), "alpha": alpha, "range": ranges}, WINDOW, WINDOW)
    return "; ".join(misplaced(PlaceSection.model_validate(place), camera, frame))


@pytest.mark.parametrize("tilt_deg", [20.0, 40.0, 90.0])
def test_things_are_in_the_air_where_trigonometry_has_them_there(build: Builders, tilt_deg: float) -> None:
    # The middle of the picture's upper edge looks up by the tilt and half the upright view: of all it shows
    # that is the highest, up to straight up.
    half = np.degrees(np.arctan(np.tan(np.radians(35.0)) * 36 / 64))
    rise = np.sin(np.radians(min(90.0, tilt_deg + half)))
    height_m = 40.0 * rise
    deep, shallow = height_m, 0.85 * height_m - 1.0
    assert "above the surface" not in told(build, {"camera_depth": float(deep)}, tilt_deg, 40.0)
    assert "above the surface" in told(build, {"camera_depth": float(shallow)}, tilt_deg, 40.0)


def test_nothing_is_told_where_nothing_shows_or_all_lies_below(build: Builders) -> None:
    place: dict[str, object] = {"camera_depth": 5.0}
    assert told(build, place, 40.0, np.inf) == ""
    assert told(build, place, -40.0, 40.0) == ""


def test_what_does_not_hold_is_named(build: Builders) -> None:
    above = "the lens lies above the surface: place.sea_level"
    assert told(build, {"sea_level": -3.0}, 0.0, 5.0).startswith(above)
    assert "above" not in told(build, {"sea_level": 3.0}, 0.0, 5.0)
    assert "taken to be 10 m deep" in told(build, {}, 90.0, 30.0)
    assert "place.camera_depth has it so" in told(build, {"camera_depth": 9.0}, 90.0, 30.0)


def test_ground_below_the_bottom_is_told(build: Builders) -> None:
    place: dict[str, object] = {"camera_depth": 10.0, "bottom_depth": 30.0}
    assert "place.bottom_depth" in told(build, place, -90.0, 30.0)
    assert told(build, place, -90.0, 20.0) == ""
    # With another axis up the same picture looks along the level, 35 degrees up and down: 17 m.
    level = told(build, {**place, "up": "+x"}, -90.0, 30.0)
    assert "above the surface" in level
    assert "place.bottom_depth" not in level


# Columns: a camera's right, its up, and backwards.
LEVEL = np.eye(3)
Z_UP = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])


def turned(about: str, degrees: float) -> np.ndarray:
    """A turn about an axis of the camera's own."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    made = np.eye(3)
    a, b = {"yaw": (2, 0), "pitch": (1, 2), "roll": (0, 1)}[about]
    made[a, a], made[a, b], made[b, a], made[b, b] = c, -s, s, c
    return made


def lies(
    world: np.ndarray,
    turns: dict[str, float],
    *,
    alpha: float = 0.0,
    place: dict[str, str] | None = None,
) -> bool:
    """Whether it is told that another axis seems to point up, of a camera that was level and is turned."""
    matrix = np.eye(4)
    matrix[:3, :3] = world
    for about in ("yaw", "pitch", "roll"):
        matrix[:3, :3] = matrix[:3, :3] @ turned(about, turns.get(about, 0.0))
    camera = pinhole(WINDOW, focal_length_mm=35.0, film_width_mm=36.0, camera_to_world=matrix)
    plane = np.full(WINDOW.shape, alpha, np.float32)
    frame = Frame(
        {"alpha": plane, "range": np.where(plane > 0.0, 2.0, np.inf).astype(np.float32)}, WINDOW, WINDOW
    )
    found = misplaced(PlaceSection.model_validate({"camera_depth": 9.0, **(place or {})}), camera, frame)
    return any("has z up" in told for told in found)


@pytest.mark.parametrize("yaw", [0.0, 40.0, 90.0, 160.0, 180.0, -60.0, -120.0])
@pytest.mark.parametrize("pitch", [-35.0, 0.0, 35.0])
@pytest.mark.parametrize("roll", [0.0, 3.0])
def test_a_world_with_z_up_is_told_by_a_camera_that_stands_in_it(
    yaw: float, pitch: float, roll: float
) -> None:
    turns = {"yaw": yaw, "pitch": pitch, "roll": roll}
    assert lies(Z_UP, turns, alpha=0.6)
    assert not lies(Z_UP, turns, alpha=0.6, place={"up": "+z", "ahead": "+y"})
    assert not lies(LEVEL, turns, alpha=0.6)


@pytest.mark.parametrize("pitch", [90.0, 80.0, -80.0, -90.0])
def test_a_camera_that_looks_straight_up_or_down_stands_in_its_own_world(pitch: float) -> None:
    assert not any(lies(LEVEL, {"yaw": yaw, "pitch": pitch}, alpha=0.3) for yaw in (0.0, 35.0, 90.0))
    # Past the upright towards a roof that fills the picture either may be meant; what is stated holds.
    assert not lies(LEVEL, {"pitch": pitch}, alpha=1.0, place={"up": "+y"})


def test_a_camera_on_its_side_that_stands_by_no_axis_is_taken_as_it_is() -> None:
    assert lies(Z_UP, {"yaw": 90.0})
    assert not lies(Z_UP, {"yaw": 90.0, "roll": 20.0})
