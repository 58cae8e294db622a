"""`Preset.with_settings`: keys set from Python, as the command line sets them."""

from __future__ import annotations

import numpy as np
import pytest

import halocline
from halocline.errors import PresetError
from halocline.presets.preset import load_preset


@pytest.mark.parametrize(
    "settings",
    [
        {"light.sun_elevation": 20, "place.camera_depth": "8 m"},
        {"light": {"sun_elevation": np.float32(20)}, "place": {"camera_depth": "8 m"}},
    ],
)
def test_settings_from_python_are_those_of_the_command_line(settings: dict[str, object]) -> None:
    there = load_preset("fjord-afternoon", ["light.sun_elevation=20", "place.camera_depth=8 m"])
    made = load_preset("fjord-afternoon").with_settings(settings)
    assert made.resolved_text == there.resolved_text


def test_preset_itself_stays_as_it_is() -> None:
    look = load_preset("jerlov-1c")
    text = look.resolved_text
    look.with_settings({"light.sun_elevation": 20})
    assert look.resolved_text == text


def test_curve_from_python_moves() -> None:
    curve = {"curve": "linear", "keys": [(1001, 0.0), (1011, 1.0)]}
    look = load_preset("jerlov-1c").with_settings({"light.daylight": curve})
    assert look.at(1006).light.daylight == pytest.approx(0.5)
    assert "moves over frames 1001 to 1011" in repr(look)


def test_none_takes_a_key_back_to_its_default() -> None:
    look = load_preset("jerlov-1c", ["light.overcast=0.9"])
    default = load_preset("jerlov-1c").with_settings({"light.overcast": None}).at(0).light.overcast
    assert look.with_settings({"light.overcast": None}).at(0).light.overcast == default != 0.9


@pytest.mark.parametrize("key", ["light.sun_elevaton", "steps.nothing.key", "nothing.at.all"])
def test_mistake_is_told_by_the_key_given(key: str) -> None:
    with pytest.raises(PresetError, match="with_settings"):
        load_preset("jerlov-1c").with_settings({key: 1})


@pytest.mark.parametrize("key", ["extends", "format", "", "light.", 3])
def test_key_that_cannot_be_set_is_refused(key: str) -> None:
    with pytest.raises(PresetError, match="E-PRESET-SET"):
        load_preset("jerlov-1c").with_settings({key: 1})


def test_preset_tells_what_it_is() -> None:
    told = repr(halocline.load_preset("fjord-afternoon", ["steps.caustics.enabled=false"]))
    assert told.startswith("<Preset 'fjord-afternoon'")
    assert "attenuation" in told
    assert "(caustics)" in told
