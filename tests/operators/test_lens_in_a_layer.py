"""A lens that sinks through a layer between two waters: the picture goes over evenly, and never back."""

from __future__ import annotations

import numpy as np
import pytest
from tests.operators.scene import camera

from halocline._typing import F32
from halocline.graph.engine import evaluate
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.presets.build import make_shot
from halocline.presets.preset import preset_from_text
from halocline.rgb import LINEAR_REC709

WINDOW = Window(0, 0, 160, 96)
# From above a layer at 10.6 m, 0.4 m thick, through it and out below.
DEPTHS_M = [10.29, 10.36, 10.43, 10.5, 10.57, 10.64, 10.71, 10.78, 10.85, 10.88]
TEXT = """
format = 1
title = "test"
[water]
jerlov_type = "IB"
[place]
camera_depth = "{depth} m"
[light]
sun_elevation = 80.0
sun_azimuth = 180.0
[steps.attenuation]
[steps.veiling_light]
operator = "layered_water"
other_water = {{side = "{side}", turbidity = 5.0}}
[steps.veiling_light.layer]
depth = "{layer} m"
thickness = "0.4 m"
waves = {{height = "{waves} m", length = "4 m"}}
"""
PITCHES = [0.0, 45.0, -45.0]


def seen(depth: float, pitch: float, *, layer: float = 10.6, side: str = "below", waves: float = 0.0) -> F32:
    """Return the light of open water with a thing at 5 m in the middle, left half black, right half white."""
    cover, white = np.zeros((2, *WINDOW.shape), np.float32)
    cover[:, 60:100] = white[:, 80:100] = 1.0
    planes = {
        "rgb": np.repeat(white[None], 3, axis=0),
        "alpha": cover,
        "range": np.where(cover > 0, 5.0, np.inf).astype(np.float32),
    }
    preset = preset_from_text(TEXT.format(depth=depth, layer=layer, side=side, waves=waves))
    shot = make_shot(
        preset,
        1001,
        CameraTrack({1001: camera(WINDOW, pitch_deg=pitch)}),
        space=LINEAR_REC709,
        display_window=WINDOW,
        data_window=WINDOW,
    )
    return evaluate(preset.at(1001).graph, Frame(planes, WINDOW, WINDOW), shot, wanted=("bands",))["bands"]


def regions(picture: F32) -> F32:
    """Return means of 8 by 10 pixels, ``(K, 12, 16)``."""
    means: F32 = picture.reshape(-1, 12, 8, 16, 10).mean(axis=(2, 4))
    return means


def backwards(pictures: list[F32]) -> float:
    """Return the largest step against a region's whole change, of its brightness."""
    frames = np.stack(pictures)
    steps, whole = np.diff(frames, axis=0), frames[-1] - frames[0]
    against: F32 = np.maximum(-steps * np.sign(whole), 0.0) / frames.max(axis=0)
    return float(against.max())


@pytest.mark.parametrize(
    ("pitch", "side", "waves"),
    [(pitch, side, 0.0) for pitch in PITCHES for side in ("above", "below")] + [(0.0, "below", 0.05)],
)
def test_water_and_what_it_leaves_of_a_thing_go_over_and_never_back(
    pitch: float, side: str, waves: float
) -> None:
    frames = [regions(seen(depth, pitch, side=side, waves=waves)) for depth in DEPTHS_M]
    dark, light = ([frame[..., part] for frame in frames] for part in (slice(0, 8), slice(8, 16)))
    # Open water and a black thing show what the water adds. What a white one has more, is what it leaves; the
    # sun stands in the middle, so both sides have the same water.
    assert backwards(dark) < 0.004
    left = [white[..., :2] - black[..., :-3:-1] for white, black in zip(light, dark, strict=True)]
    assert backwards(left) < (1e-4 if waves == 0.0 else 0.004)
    # No step is more than a quarter of what is there.
    steps = np.abs(np.diff(np.stack(dark), axis=0)) / np.maximum.reduce(dark)
    assert float(steps.max()) < 0.25


@pytest.mark.parametrize("side", ["above", "below"])
def test_looking_away_from_the_layer_shows_the_water_of_that_side_alone(side: str) -> None:
    # The same lens with a layer far above it, or far below.
    np.testing.assert_allclose(
        seen(10.29, 45.0, side=side), seen(10.29, 45.0, side=side, layer=30.0), rtol=1e-6
    )
    np.testing.assert_allclose(
        seen(10.88, -45.0, side=side), seen(10.88, -45.0, side=side, layer=2.0), rtol=1e-6
    )


def test_the_light_of_a_lens_within_the_layer_is_that_of_the_mixture() -> None:
    # Level, the mixture half-way has a source and a rate half-way between those of the two waters.
    half = seen(10.6, 0.0)[:, 47:49, :40].mean(axis=(1, 2))
    clear = seen(10.6, 0.0, layer=30.0)[:, 47:49, :40].mean(axis=(1, 2))
    murky = seen(10.6, 0.0, layer=2.0)[:, 47:49, :40].mean(axis=(1, 2))
    assert (half > np.minimum(clear, murky) * 1.01).all()
    assert (half < np.maximum(clear, murky) / 1.01).all()
