"""Without daylight, lamps and living light nothing is seen, in every look that ships."""

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
