"""Display pixels against OpenColorIO's own package.

Source: OpenColorIO (PyOpenColorIO, computed with the installed version), built-in configuration
``ocio://default``. Halocline goes through OpenImageIO, which carries a copy of OpenColorIO of its own; two
versions may differ in the last step of an 8-bit code, no more.
"""

from __future__ import annotations

import numpy as np
import PyOpenColorIO as ocio
import pytest

from halocline._typing import F32
from halocline.imaging.colour import display_pixels
from halocline.rgb import ACESCG, LINEAR_REC709, RGBSpace

NAMES = {LINEAR_REC709: "Linear Rec.709 (sRGB)", ACESCG: "ACEScg"}


def wet_looking_picture() -> F32:
    """Blue-green ramps from black to six times white, in all proportions that wet frames hold."""
    level = np.geomspace(1e-3, 6.0, 64)
    tint = np.linspace(0.0, 1.0, 48)[:, None]
    picture: F32 = np.stack([level * (1.0 - tint), level * np.ones_like(tint), level * tint]).astype(
        np.float32
    )
    return picture


@pytest.mark.parametrize("space", [LINEAR_REC709, ACESCG], ids=lambda space: str(space.name))
@pytest.mark.parametrize("view", [None, "Un-tone-mapped"])
def test_display_pixels_are_those_of_opencolorio(space: RGBSpace, view: str | None) -> None:
    rgb = wet_looking_picture()
    config = ocio.Config.CreateFromFile("ocio://default")
    display = config.getDefaultDisplay()
    transform = ocio.DisplayViewTransform(
        src=NAMES[space], display=display, view=view or config.getDefaultView(display)
    )
    expected = np.ascontiguousarray(np.moveaxis(rgb, 0, -1))
    config.getProcessor(transform).getDefaultCPUProcessor().applyRGB(expected)
    codes = np.round(np.clip(expected, 0.0, 1.0) * 255.0)
    shown = display_pixels(rgb, space, view=view).astype(np.float64)
    difference = np.abs(shown - codes)
    assert difference.max() <= 1.0
    assert np.mean(difference > 0) < 0.05
