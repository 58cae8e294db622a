"""Grades of parts of the light: matrices of a standard, hue by another library, parts kept apart, rows."""

from __future__ import annotations

import math
from dataclasses import replace

import colour
import numpy as np
import pytest
from tests.conftest import Builders, chain
from tests.presets.moved_keys import CORE, FRAME, Row, Seen, brightness, near

from halocline._typing import F32, F64
from halocline.graph.operator import AnyOperator
from halocline.imaging.frame import Frame, Window
from halocline.operators.grade import Grade, GradeParameters, turned
from halocline.presets.build import story_path
from halocline.presets.preset import preset_from_text
from halocline.presets.story_costs import prices
from halocline.rgb import LINEAR_REC709

WINDOW = Window(0, 0, 40, 24)
KEYS = [
    {"hue": 40.0, "saturation": 1.5, "contrast": 1.3},
    {"acts_on": "subject", "hue": -70.0, "contrast": 0.6},
    {"acts_on": "far_water", "saturation": 0.2},
]


def turn(seen: Seen) -> float:
    """Hue of open water about grey, degrees."""
    red, green, blue = seen.planes(FRAME, far_m=np.inf)["rgb"].mean(axis=(1, 2))
    return math.degrees(math.atan2(math.sqrt(3.0) * (green - blue), 2.0 * red - green - blue)) % 360.0


def colourful(seen: Seen) -> float:
    """How far open water's channels are from its luminance."""
    rgb = seen.planes(FRAME, far_m=np.inf)["rgb"].mean(axis=(1, 2))
    return float(np.abs(rgb - LINEAR_REC709.luminance_row @ rgb).sum())


_GRADE = CORE + "[steps.grade]\n"
ROWS = {
    # Near the lens most light is the subject's.
    "acts_on": Row(_GRADE + "contrast = 2.0\npivot = 0.01\n", ("'veil'", "'subject'"), near, "up"),
    "hue": Row(_GRADE, ("0.0", "30.0"), turn, "up"),
    "saturation": Row(_GRADE, ("1.0", "0.5"), colourful, "down"),
    "contrast": Row(_GRADE + "pivot = 0.01\n", ("1.0", "1.5"), brightness, "up"),
    # At a contrast of 2 light goes with one over the pivot.
    "pivot": Row(_GRADE + "contrast = 2.0\nacts_on = 'far_water'\n", ("0.18", "0.1"), brightness, "up"),
}


def graded(build: Builders, frame: Frame, **keys: object) -> dict[str, F32]:
    steps: list[tuple[str, AnyOperator]] = [
        (name, build.operator(name)) for name in ("attenuation", "veiling_light")
    ]
    if keys:
        steps.append(("grade", Grade(GradeParameters.model_validate(keys))))
    shot = build.shot(WINDOW, path=build.path(depth_m=6.0))
    return dict(build.run(chain(steps), frame, shot, wanted=("rgb", "alpha", "veil", "transmittance")))


def frame_of(build: Builders, range_m: float, light: float, alpha: float = 1.0) -> Frame:
    frame = build.frame(WINDOW)
    planes = {
        "rgb": np.full((3, *WINDOW.shape), light * alpha, np.float32),
        "alpha": np.full(WINDOW.shape, alpha, np.float32),
        "range": np.full(WINDOW.shape, range_m, np.float32),
    }
    return replace(frame, planes=planes)


@pytest.mark.parametrize("saturation", [0.0, 0.4, 1.0, 2.5])
def test_saturation_is_that_of_the_filter_effects_module(saturation: float) -> None:
    """PUBLISHED: W3C Filter Effects Module Level 1, feColorMatrix, type saturate; numbers from memory."""
    s = saturation
    standard = [
        [0.213 + 0.787 * s, 0.715 - 0.715 * s, 0.072 - 0.072 * s],
        [0.213 - 0.213 * s, 0.715 + 0.285 * s, 0.072 - 0.072 * s],
        [0.213 - 0.213 * s, 0.715 - 0.715 * s, 0.072 + 0.928 * s],
    ]
    assert turned(np.array([0.213, 0.715, 0.072]), 0.0, s) == pytest.approx(np.array(standard), abs=1e-12)


@pytest.mark.parametrize("hue", [-150.0, -30.0, 15.0, 90.0, 180.0])
def test_hue_turns_by_as_much_as_another_library_says(hue: float) -> None:
    """COMPUTED with colour-science: hue of the improved HLS (Hanbury 2003), which is the angle about grey."""
    row: F64 = np.asarray(LINEAR_REC709.luminance_row, np.float64)
    rgb = np.random.default_rng(2).uniform(0.3, 0.6, (50, 3))
    made = rgb @ turned(row, hue, 0.3).T
    before, after = (colour.RGB_to_IHLS(values)[:, 0] for values in (rgb, made))
    apart = np.degrees(after - before) - hue
    assert (apart + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-5)
    assert made @ row == pytest.approx(rgb @ row, abs=1e-12)


def test_each_part_is_changed_and_the_rest_is_not(build: Builders) -> None:
    """Grey of one part and the other as it was: sums of what the parts are by themselves."""
    frame, row = frame_of(build, 3.0, 0.4), LINEAR_REC709.luminance_row.astype(np.float32)
    plain = graded(build, frame)
    shot = build.shot(WINDOW, path=build.path(depth_m=6.0))
    veil = np.tensordot(shot.path.bands.down.astype(np.float32), plain["veil"], 1)
    subject = plain["rgb"] - veil

    def grey(light: F32) -> F32:
        return np.broadcast_to(np.tensordot(row, light, 1), light.shape)

    made = graded(build, frame, acts_on="veil", saturation=0.0)["rgb"]
    np.testing.assert_allclose(made, subject + grey(veil), atol=2e-6)
    made = graded(build, frame, acts_on="subject", saturation=0.0)["rgb"]
    np.testing.assert_allclose(made, veil + grey(subject), atol=2e-6)
    weights = row @ shot.path.bands.down * shot.path.white
    left = np.tensordot(weights / weights.sum(), plain["transmittance"], 1)
    made = graded(build, frame, acts_on="far_water", saturation=0.0)["rgb"]
    expected = plain["rgb"] + (grey(plain["rgb"]) - plain["rgb"]) * (1.0 - left)
    np.testing.assert_allclose(made, expected, atol=2e-6)


def test_contrast_keeps_the_pivot_and_is_a_power_of_the_rest(build: Builders) -> None:
    frame, row = frame_of(build, 0.001, 0.36), LINEAR_REC709.luminance_row.astype(np.float32)
    plain, made = (
        np.tensordot(row, graded(build, frame, **keys)["rgb"], 1)
        for keys in ({}, {"acts_on": "subject", "contrast": 1.5})
    )
    np.testing.assert_allclose(made, 0.18 * (plain / 0.18) ** 1.5, rtol=2e-3)


def test_a_subject_that_fills_half_a_pixel_gets_half_of_its_own_grade(build: Builders) -> None:
    keys = {"acts_on": "subject", "contrast": 2.0, "hue": 30.0}
    changes = [
        graded(build, frame_of(build, 2.0, 0.3, alpha), **keys)["rgb"]
        - graded(build, frame_of(build, 2.0, 0.3, alpha))["rgb"]
        for alpha in (1.0, 0.5)
    ]
    np.testing.assert_allclose(changes[1], 0.5 * changes[0], rtol=1e-3, atol=1e-6)


def test_the_price_of_sections_is_told_and_physical_ones_have_none() -> None:
    def told(keys: str) -> list[str]:
        look = preset_from_text(f'format = 1\n[water]\njerlov_type = "1C"\n{keys}')
        return prices(look, FRAME, story_path(look, FRAME, LINEAR_REC709))

    assert told("") == []
    art = told(
        "[light]\nveil_brightness = 1.5\nveil_tint = [1.0, 1.0, 0.5]\n"
        "[story]\nattenuation_scale = 0.5\nveil_scale = 0.8\ndownwelling_scale = 0.25\n"
    )
    # Half the loss is water twice as clear (Beer and Lambert's law).
    for line, says in zip(
        art, ("1.5 times", "of the veil's", "2 times as clear", "0.8 ", "0.25 "), strict=True
    ):
        assert says in line


def test_the_price_says_how_much_is_art() -> None:
    text = f"format = 1\n[water]\njerlov_type = 'II'\n{_GRADE}"
    told = []
    for more in ("", "contrast = 2.0\n", "saturation = 0.0\n", "acts_on = 'subject'\nsaturation = 0.0\n"):
        look = preset_from_text(text + more)
        told.append(prices(look, FRAME, story_path(look, FRAME, LINEAR_REC709))[0])
    assert "open water is 1 times as bright as it is, and 0% of its colour is art" in told[0]
    assert "0% of its colour" in told[1]
    assert "is 1 times as bright" not in told[1]
    assert "is 1 times as bright" in told[2]
    assert "0% of its colour" not in told[2]
    assert "a white card at the lens" in told[3]
