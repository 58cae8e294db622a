"""What is known of the output before the first frame is made: its compression, and colours it cannot hold."""

from __future__ import annotations

import numpy as np

from halocline._typing import F32, F64
from halocline.batch.frame_task import delivery_of
from halocline.batch.layers import plan_layers
from halocline.imaging.compression import FALLBACK, name_of
from halocline.imaging.exr_write import can_write, refuse_compression
from halocline.imaging.load import Loaded
from halocline.physics.path.transport import abeam
from halocline.presets.build import story_path
from halocline.presets.preset import Look, Preset
from halocline.rgb import RGBSpace

# Open water is looked at from so far that the lens sees no more of it from farther away, metres.
_FAR_M = 1e4
# A channel lower than this share of the largest, below 0, is told of: less is rounding.
_TELLING = 0.005


def look_at_output(preset: Preset, loaded: Loaded) -> tuple[str, ...]:
    """Return what a person should know of what will be written.

    Parameters
    ----------
    preset
        The look.
    loaded
        A frame that stands for all.

    Raises
    ------
    WriteError
        ``E-WRITE-COMPRESSION`` where the compression asked for cannot be written here.
    GraphError
        ``E-GRAPH-LAYERS`` where a layer is asked for that the look does not make.
    """
    look, space = preset.at(0), loaded.views[0].space
    if look.output.compression is not None:
        refuse_compression(look.output.compression, "output.compression")
    plan_layers(look.graph, look.output.layers, compressed=delivery_of(look, space).compresses)
    return (*_of_compression(look, loaded), *_of_carried(look, space), *_of_gamut(preset, space))


def _of_compression(look: Look, loaded: Loaded) -> list[str]:
    found = dict.fromkeys(name_of(part.compression) for part in loaded.template.parts if not part.deep)
    if look.output.compression is not None:
        return []
    return [
        f"the render's compression {name} can be read here and not written: {FALLBACK} is written; "
        f'output.compression = "piz" (or another) chooses'
        for name in found
        if not can_write(name)
    ]


def _of_carried(look: Look, space: RGBSpace) -> list[str]:
    written = delivery_of(look, space).written
    if not look.output.carry or written == space:
        return []
    return [
        f"channels carried over (output.carry) stay as they are: colours among them are in {space.name}, the "
        f"picture in {written.name} (output.colour_space)"
    ]


def _of_gamut(preset: Preset, space: RGBSpace) -> list[str]:
    """Tell where open water alone is beyond the written space, unless the preset says what is to be done."""
    look = preset.at(0)
    if look.output.gamut_compression is not None:
        return []
    delivery = delivery_of(look, space)
    path = story_path(preset, 0, space)
    light: F64 = path.bands.down @ path.veil_along(_FAR_M, abeam(path))
    colour: F32 = delivery.linear(light.astype(np.float32).reshape(3, 1, 1)).ravel()
    least = int(colour.argmin())
    if colour[least] >= -_TELLING * colour.max():
        return []
    name = ("red", "green", "blue")[least]
    return [
        f"{delivery.written.name} cannot hold the colour of this water: {name} is "
        f"{colour[least] / colour.max():.2f} of the largest channel in open water, and a power or logarithm "
        'makes no number of what is below 0. Set output.colour_space = "ACEScg", which holds it, or '
        'output.gamut_compression = "full"; "none" leaves it so'
    ]
