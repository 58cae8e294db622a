"""Deep files for tests, written and read by libraries that Halocline does not read pixels with, or not so."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import OpenImageIO as oiio

from halocline._typing import F32

REC709 = (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329)
NAMES = ("R", "G", "B", "A", "Z", "ZBack")
# A water alone, on ranges in metres.
BARE_WATER = """
format = 2
[water]
jerlov_type = "1C"
[input]
depth_kind = "range"
[output]
data_type = "float"
# Shadows in the water are cast by the flat picture, which is not the same for the same thing given otherwise.
[light]
shadows = false
[steps.attenuation]
[steps.veiling_light]
"""
# Samples of each pixel, row by row; a value for each channel in each.
Deep = Sequence[Sequence[Sequence[Sequence[float]]]]


def write_deep_pixels(path: Path, pixels: Deep, names: Sequence[str] = NAMES, *, tile: int = 0) -> Path:
    """Write a deep file through OpenImageIO's DeepData; scan lines, or tiles of a size."""
    rows, columns = len(pixels), len(pixels[0])
    spec = oiio.ImageSpec(columns, rows, len(names), "float")
    spec.channelnames, spec.deep = tuple(names), True
    spec.tile_width = spec.tile_height = tile
    spec.attribute("chromaticities", oiio.TypeDesc("float[8]"), REC709)
    data = oiio.DeepData()
    data.init(spec)
    for index, samples in enumerate(sample for row in pixels for sample in row):
        data.set_samples(index, len(samples))
        for number, values in enumerate(samples):
            for channel, value in enumerate(values):
                data.set_deep_value(index, channel, number, float(value))
    out: Any = oiio.ImageOutput.create("openexr")
    assert out.open(str(path), spec)
    assert out.write_deep_image(data)
    assert out.close()
    return path


def read_by_openexr(path: Path) -> dict[str, Any]:
    """Return each channel's samples by pixel, ``(rows, columns)`` of arrays, by the OpenEXR package."""
    return {n: each.pixels for n, each in OpenEXR.File(str(path), separate_channels=True).channels().items()}


def flat_by_openimageio(*paths: Path) -> F32:
    """Merge deep files and flatten them, ``(4, rows, columns)``, by OpenImageIO."""
    merged = oiio.ImageBuf(str(paths[0]))
    for path in paths[1:]:
        merged = oiio.ImageBufAlgo.deep_merge(merged, oiio.ImageBuf(str(path)), False)
    flat = oiio.ImageBufAlgo.flatten(merged)
    assert flat.spec().channelnames[:4] == NAMES[:4]
    return np.moveaxis(np.asarray(flat.get_pixels("float"), np.float32)[..., :4], -1, 0)
