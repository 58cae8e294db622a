"""What floats, laid over a picture with bodies: hidden beyond them (Beer and Lambert); free before."""

from __future__ import annotations

import numpy as np
import pytest
from tests.conftest import Builders

from halocline import apply
from halocline._typing import F32
from halocline.imaging.frame import Window
from halocline.presets.preset import preset_from_text

WINDOW = Window(0, 0, 48, 30)
HALF = 24
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


def changed(
    build: Builders, cloud_x: float, drawn: str, limits: str = "", planes: dict[str, F32] | None = None
) -> float:
    """Return what the brightness of things changes of the picture, all pixels together."""
    return float(changes(build, cloud_x, drawn, limits, planes).sum())


def changes(
    build: Builders, cloud_x: float, drawn: str, limits: str = "", planes: dict[str, F32] | None = None
) -> F32:
    """Return the same of each pixel; the left half of the picture is near, the right half far."""
    grey, far = np.full((*WINDOW.shape, 3), 0.2, np.float32), np.full(WINDOW.shape, 9.0, np.float32)
    far[:, HALF:] = 12.0
    water = WATER % cloud_x
    shown = [
        apply(
            preset_from_text(water.replace("[[", limits + "\n[[", 1) + drawn % brightness),
            grey,
            far,
            camera=build.camera(WINDOW),
            frame=960,
            planes=planes,
        ).rgb
        for brightness in (1.0, 30.0)
    ]
    return np.asarray(np.abs(shown[1] - shown[0]).sum(axis=2))


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


BEYOND = MATTER % ("%s", 4.5, 7.0)
RIGHT = np.zeros(WINDOW.shape, np.float32)
RIGHT[:, HALF:] = 1.0


@pytest.mark.parametrize(
    ("limits", "matte"),
    [
        ('matte = "right"', RIGHT),
        ('matte = "right"\ninvert_matte = true', 1.0 - RIGHT),
        ("within_range = { nearest = 10.5 }", None),
        ("within_range = { nearest = 10.5 }\namount = 0.4", None),
        ('matte = "right"', 0.7 * RIGHT),
        # All that is seen lies lower than a metre above the middle row; what stands there is far below.
        ("within_height = { lowest = -40.0, highest = 40.0 }\nwithin_range = { nearest = 10.5 }", None),
    ],
    ids=["matte", "inverted", "range", "amount", "pale", "height"],
)
def test_bodies_of_a_part_of_the_picture_hide_what_floats_beyond_them_there_alone(
    build: Builders, limits: str, matte: F32 | None
) -> None:
    planes = None if matte is None else {"matte.right": np.ascontiguousarray(matte, np.float32)}
    free, there = changes(build, 80.0, BEYOND), changes(build, 0.0, BEYOND, limits, planes)
    # Beside the seam: a thing is hidden by the pixel of its middle.
    left, right = np.s_[:, : HALF - 3], np.s_[:, HALF + 3 :]
    assert min(free[left].sum(), free[right].sum()) > 0.005
    np.testing.assert_allclose(there[left], free[left], rtol=0.02, atol=1e-5)
    share = 0.4 if "amount" in limits else float(planes["matte.right"].max()) if planes else 1.0
    whole = float(free[right].sum())
    assert float(there[right].sum()) == pytest.approx((1.0 - share) * whole, abs=0.02 * whole)


def test_what_floats_beyond_the_ends_of_a_window_of_height_is_free(build: Builders) -> None:
    # A metre below the lens, which looks at row 15, is row 18 or 19 on these walls.
    limits = "within_height = { highest = -1.0, softness = 0.01 }"
    free, there = changes(build, 80.0, BEYOND), changes(build, 0.0, BEYOND, limits)
    up, down = np.s_[:15], np.s_[22:]
    assert min(free[up].sum(), free[down].sum()) > 0.005
    np.testing.assert_allclose(there[up], free[up], rtol=0.02, atol=1e-5)
    assert there[down].sum() < 0.02 * free[down].sum()
