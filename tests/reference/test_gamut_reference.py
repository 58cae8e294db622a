"""Gamut compression against OpenColorIO, and matrices between written spaces against colour-science.

Sources: OpenColorIO's own package (PyOpenColorIO, computed with the installed version):
``FIXED_FUNCTION_ACES_GAMUT_COMP_13`` with the published numbers, and the look "ACES 1.3 Reference Gamut
Compression" of its built-in configuration. Limits, thresholds and power of the ACES transform
``LMT.Academy.ReferenceGamutCompress`` are from memory; the look, whose numbers
are OpenColorIO's own, proves them.
colour-science (computed with the installed version) for the matrices, Bradford between whites.
"""

from __future__ import annotations

from itertools import permutations

import colour
import numpy as np
import PyOpenColorIO as ocio
import pytest

from halocline._typing import F32
from halocline.imaging.gamut import LIMITS, POWER, THRESHOLDS, Delivery, compressed, reference_curve
from halocline.rgb import ACES2065_1, ACESCG, LINEAR_P3_D65, LINEAR_REC709, LINEAR_REC2020, SPACES, RGBSpace

IN_COLOUR_SCIENCE = {
    LINEAR_REC709: "ITU-R BT.709",
    LINEAR_REC2020: "ITU-R BT.2020",
    LINEAR_P3_D65: "P3-D65",
    ACESCG: "ACEScg",
    ACES2065_1: "ACES2065-1",
}


def far_out() -> F32:
    """Colours as waters have them and far beyond, ``(3, 1, n)``."""
    random = np.random.default_rng(11)
    colours: F32 = random.normal(0.3, 0.6, (3, 1, 50_000)).astype(np.float32)
    return colours


def processed(transform: ocio.Transform, config: ocio.Config, colours: F32) -> F32:
    out = np.ascontiguousarray(colours.reshape(3, -1).T)
    config.getProcessor(transform).getDefaultCPUProcessor().applyRGB(out)
    planes: F32 = np.ascontiguousarray(out.T).reshape(colours.shape)
    return planes


def test_curve_is_that_of_opencolorio() -> None:
    transform = ocio.FixedFunctionTransform(
        ocio.FIXED_FUNCTION_ACES_GAMUT_COMP_13, [*LIMITS, *THRESHOLDS, POWER]
    )
    colours = far_out()
    expected = processed(transform, ocio.Config.CreateRaw(), colours)
    # Both in float32: a few roundings of the largest channel.
    scale = np.abs(colours).max(axis=0)
    assert (np.abs(compressed(colours, reference_curve()) - expected) / scale).max() < 1e-6


@pytest.mark.parametrize("space", [ACESCG, ACES2065_1, LINEAR_REC709], ids=lambda space: str(space.name))
def test_reference_compression_is_the_look_that_opencolorio_ships(space: RGBSpace) -> None:
    names = {ACESCG: "ACEScg", ACES2065_1: "ACES2065-1", LINEAR_REC709: "Linear Rec.709 (sRGB)"}
    transform = ocio.LookTransform(
        src=names[space], dst=names[space], looks="ACES 1.3 Reference Gamut Compression"
    )
    colours = far_out()
    expected = processed(transform, ocio.Config.CreateFromFile("ocio://default"), colours)
    found = Delivery(space, space, "reference").picture(colours)
    # Matrices there and back in float32, with negatives that cancel: AP1 to Rec.709 has entries of 1.7.
    assert np.abs(found - expected).max() < 2e-5 * np.abs(colours).max()


@pytest.mark.parametrize(
    ("source", "target"), list(permutations(SPACES, 2)), ids=lambda space: str(space.name)
)
def test_written_space_is_as_colour_science_has_it(source: RGBSpace, target: RGBSpace) -> None:
    colours = far_out()[..., :200]
    first, second = (colour.RGB_COLOURSPACES[IN_COLOUR_SCIENCE[space]] for space in (source, target))
    # From primaries and whites, not from the rounded matrices that some standards print.
    first, second = first.copy(), second.copy()
    first.use_derived_transformation_matrices(True)
    second.use_derived_transformation_matrices(True)
    expected = colour.RGB_to_RGB(
        colours.reshape(3, -1).T.astype(np.float64), first, second, chromatic_adaptation_transform="Bradford"
    )
    found = Delivery(source, target, "none").picture(colours).reshape(3, -1).T
    # Whites are printed to four or five decimals.
    assert np.abs(found - expected).max() < 5e-4
