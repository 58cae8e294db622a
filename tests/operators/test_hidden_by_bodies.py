"""What floats, laid over a picture with bodies: hidden beyond them (Beer and Lambert); free before."""

from __future__ import annotations

import numpy as np
import pytest
from tests.conftest import Builders

from halocline import apply
from halocline.imaging.frame import Window
from halocline.presets.preset import preset_from_text

WINDOW = Window(0, 0, 48, 30)
WATER = """
format = 2
[light]
shadows = false
[steps.downwelling]
[steps.attenuation]
[steps.veiling_light]
[steps.bodies]
operator = "turbid_bodies"
after = "veiling_light"
[[steps.bodies.bodies]]
name = "silt"
kind = "box"
position = [%s, 0.0, -3.0]
size = [0.8, 40.0, 40.0]       # along the view, up, and across
softness = 0.05
visibility = 0.4               # eight lengths
"""
BUBBLES = """
[steps.bubbles]
after = "bodies"
brightness = %s
[[steps.bubbles.sources]]
name = "vent"
widening = 30.0
source_radius = 0.4
median_diameter = 0.02
track = [{ frame = 900, position = [0.0, -1.0, %s], per_second = 300.0 }]
"""
MATTER = """
[steps.suspended_matter]
after = "bodies"
haze = 0.0
brightness = %s
nearest = %s
farthest = %s
lens = { f_number = 1000.0 }
classes = [{ name = "snow", per_litre = 0.5, smallest = 0.02, largest = 0.05, albedo = [0.9, 0.9, 0.9] }]
"""


def changed(build: Builders, cloud_x: float, drawn: str) -> float:
    """Return what the brightness of things changes of the picture, all pixels together."""
    grey, far = np.full((*WINDOW.shape, 3), 0.2, np.float32), np.full(WINDOW.shape, 9.0, np.float32)
    shown = [
        apply(
            preset_from_text(WATER % cloud_x + drawn % brightness),
            grey,
            far,
            camera=build.camera(WINDOW),
            frame=960,
        ).rgb
        for brightness in (1.0, 30.0)
    ]
    return float(np.abs(shown[1] - shown[0]).sum())


@pytest.mark.parametrize(
    ("before", "beyond"),
    [
        (BUBBLES % ("%s", -1.5), BUBBLES % ("%s", -5.5)),
        (MATTER % ("%s", 1.0, 2.0), MATTER % ("%s", 4.5, 7.0)),
    ],
    ids=["bubbles", "matter"],
)
def test_what_floats_is_hidden_beyond_a_cloud_alone(build: Builders, before: str, beyond: str) -> None:
    there, aside = 0.0, 80.0
    assert changed(build, aside, beyond) > 0.01
    assert changed(build, there, beyond) < 0.02 * changed(build, aside, beyond)
    assert changed(build, there, before) == pytest.approx(changed(build, aside, before), rel=0.02)
