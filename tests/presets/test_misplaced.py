"""A lens and things that do not lie in the water: known heights against what is told."""

from __future__ import annotations

import numpy as np
import pytest
from tests.conftest import Builders

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
