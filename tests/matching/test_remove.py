"""Water put on and taken out again, with known water and with noise."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

import halocline
from halocline._typing import F32
from halocline.errors import PresetError
from halocline.imaging.frame import Window
from halocline.matching.remove import removal_of
from halocline.presets.preset import preset_from_text

WINDOW = Window(0, 0, 40, 30)
CHANGING = "steps.downwelling.brightest={ curve = 'held', keys = [[1, 1.5], [1001, 3.0]] }"


def scene(far_m: float = 6.0) -> dict[str, Any]:
    random = np.random.default_rng(4)
    return {
        "rgb": random.uniform(0.03, 0.8, (*WINDOW.shape, 3)).astype(np.float32),
        "range_m": np.broadcast_to(np.geomspace(1.0, far_m, 40), WINDOW.shape).astype(np.float32),
        "camera": halocline.pinhole(WINDOW, focal_length_mm=24, film_width_mm=36),
    }


def restored(preset: halocline.Preset, wet: F32, given: dict[str, Any], noise: float) -> halocline.WetFrame:
    back = removal_of(preset, noise=noise)
    return halocline.apply(back, wet, given["range_m"], camera=given["camera"], layers=["recovered"])


@pytest.mark.parametrize("name", ["jerlov-1b", "jerlov-1c", "jerlov-5c"])
def test_known_water_is_removed_to_the_render(name: str) -> None:
    # Known water and next to no noise, in a picture of noise: what the halo still hides of the finest detail.
    preset = halocline.load_preset(name, ["steps.white_reference.balance=0.5"])
    given = scene(far_m=0.5 * preset.water.visibility_m)
    wet = halocline.apply(preset, **given).rgb
    back = restored(preset, wet, given, noise=1e-5)
    assert np.abs(back.rgb - given["rgb"]).max() < 0.02
    assert back.layers["recovered"].min() > 0.99


@pytest.mark.parametrize("daylight", [1.0, 0.25])
@pytest.mark.parametrize("stated", [[], [CHANGING]])
def test_things_above_the_reference_depth_come_back_as_bright_as_they_were(
    stated: list[str], daylight: float
) -> None:
    # The shipped waters let no channel of them gain more than a fifth, which water by itself would.
    keys = ["place.camera_depth=12", "light.reference_depth=12", f"light.daylight={daylight}"]
    preset = halocline.load_preset("jerlov-1b", [*keys, *stated])
    tilt = np.radians(60.0)
    to_world = np.eye(4)
    to_world[1:3, 1:3] = [[np.cos(tilt), -np.sin(tilt)], [np.sin(tilt), np.cos(tilt)]]
    lens = halocline.pinhole(WINDOW, focal_length_mm=24, film_width_mm=36, camera_to_world=to_world)
    given = {**scene(), "rgb": np.full((*WINDOW.shape, 3), 0.3, np.float32), "camera": lens}
    back = restored(preset, halocline.apply(preset, **given).rgb, given, noise=1e-5)
    np.testing.assert_allclose(back.rgb, 0.3, atol=2e-3)


def test_noise_is_not_amplified_without_bound() -> None:
    preset = halocline.load_preset("jerlov-1c")
    given = scene(far_m=40.0)
    wet = halocline.apply(preset, **given).rgb
    random = np.random.default_rng(5)
    noisy = wet + random.normal(0.0, 0.004, wet.shape).astype(np.float32)
    back = restored(preset, noisy, given, noise=0.004)
    assert np.abs(back.rgb).max() < 2.0
    far = given["range_m"] > 30.0
    assert back.rgb[far] == pytest.approx(0.18, abs=0.05)
    assert back.layers["recovered"][far].max() < 0.05


def test_more_noise_recovers_less() -> None:
    preset = halocline.load_preset("jerlov-1c")
    given = scene(far_m=15.0)
    wet = halocline.apply(preset, **given).rgb
    little, much = (restored(preset, wet, given, noise=n).layers["recovered"] for n in (1e-4, 1e-2))
    assert np.all(little >= much)
    assert little.mean() > much.mean() + 0.1


def test_endless_water_becomes_grey_and_never_nan() -> None:
    preset = halocline.load_preset("jerlov-1c")
    given = scene()
    given["range_m"] = np.full(WINDOW.shape, np.inf, np.float32)
    wet = halocline.apply(preset, **given).rgb
    back = restored(preset, wet, given, noise=0.002)
    assert np.isfinite(back.rgb).all()
    assert back.rgb == pytest.approx(0.18, abs=3e-3)


def test_plate_keeps_its_own_exposure() -> None:
    preset = halocline.load_preset("jerlov-1c")
    plate = removal_of(preset, noise=0.002, rebalance=False)
    assert plate.at(0).graph.steps[0].operator.parameters.white_reference is None


def test_preset_without_water_cannot_be_removed() -> None:
    with pytest.raises(PresetError, match="none of its steps can be undone"):
        removal_of(preset_from_text("format = 1\n[steps.white_reference]\n"), noise=0.002)
