"""Without any light nothing is seen in any look that ships; with less daylight, less in proportion."""

from __future__ import annotations

import numpy as np
import pytest

import halocline
from halocline.imaging.frame import Window
from halocline.presets.document import shipped_names

SIZE = Window(0, 0, 32, 20)
# What glows by itself is put out.
LIVING = {"night-wake": ["steps.living.density=0"]}


@pytest.mark.parametrize("name", shipped_names())
def test_no_light_of_any_kind_leaves_every_pixel_black(name: str) -> None:
    """By day none of them is black: tests/presets/test_preset.py renders them all."""
    shape = SIZE.shape
    range_m = np.full(shape, 4.0, np.float32)
    range_m[:6] = np.inf
    rgb = np.where(np.isfinite(range_m), 0.3, 0.0).astype(np.float32)
    normal = np.zeros((3, *shape), np.float32)
    normal[2] = 1.0
    camera = halocline.pinhole(SIZE, focal_length_mm=20.0, film_width_mm=36.0)
    preset = halocline.load_preset(name, ["light.daylight=0", "light.lamps=[]", *LIVING.get(name, [])])
    wet = halocline.apply(
        preset, np.stack([rgb] * 3, axis=-1), range_m, camera=camera, planes={"normal": normal}
    )
    np.testing.assert_array_equal(wet.rgb, 0.0)


# Between them they have every step that limits daylight: on things above the reference depth, of the sun seen
# through the surface, and of what bubbles mirror.
@pytest.mark.parametrize("name", ["cave-torch", "bubble-column", "reef-flat-sunny"])
@pytest.mark.parametrize("level", [0.5, 1e-3])
def test_less_daylight_is_the_same_picture_less_bright(name: str, level: float) -> None:
    shape = SIZE.shape
    range_m = np.full(shape, np.inf, np.float32)
    range_m[6:14, 8:24] = 4.0
    rgb = np.where(np.isfinite(range_m), 0.3, 0.0).astype(np.float32)
    tilt = np.radians(50.0)
    to_world = np.eye(4)
    to_world[1:3, 1:3] = [[np.cos(tilt), -np.sin(tilt)], [np.sin(tilt), np.cos(tilt)]]
    camera = halocline.pinhole(SIZE, focal_length_mm=14.0, film_width_mm=36.0, camera_to_world=to_world)
    limited = {
        "steps.sky_window.brightest": 0.5,
        "light.lamps": [],
        "light.sun_azimuth": 0,
        "place.camera_depth": 5,
    }
    if name == "bubble-column":
        limited["steps.bubbles.brightest"] = 0.5
    day, dim = (
        halocline.apply(
            halocline.load_preset(name).with_settings({**limited, "light.daylight": daylight}),
            np.stack([rgb] * 3, axis=-1),
            range_m,
            camera=camera,
        ).rgb
        for daylight in (1.0, level)
    )
    assert np.abs(day).min() > 0.0
    np.testing.assert_allclose(dim, level * day, rtol=2e-5, atol=2e-6 * level * float(np.abs(day).max()))
