"""In what steps a depth pass was stored, judged by its values, and which way its surfaces face all the same.

The type of a channel does not tell: half floats may come in float channels, codecs and programs cut digits
off, 16-bit integers come as 0..1.
"""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.filters.surface_fit import FINE, facing_of, slopes_over_steps
from halocline.imaging.camera import Camera
from halocline.imaging.depth import POSITIONS, DepthSpec, ordered_values, planar_metres
from halocline.imaging.frame import Window
from halocline.late_dataclass import dataclass

# Codes of 0..1 that are told from one another; common practice, no source.
_BITS = (8, 10, 12, 16)
# So many different values must agree: fewer may by chance, and one wall that faces the lens has no more.
_LEAST_VALUES = 16
_SAMPLES = 100_000
# How far from a whole number a code may be: float32 holds 65535 codes of 0..1 to a 200th of one.
_OFF_CODE = 0.02
# Binary digits after the first: IEEE 754 binary32, binary16.
_FLOAT_DIGITS, _HALF_DIGITS = 23, 10


# Units of the pass shorter than this are counted in whole ones by what measures depth, metres.
_COUNTED_M = 0.02
_WHOLE_NUMBERS = "whole numbers"
# Steps of 0 to 1 wider than this show in water: those of 8 binary digits do.
_COARSE = 1e-3


@dataclass(frozen=True)
class DepthSteps:
    """Width of a step: a share of the value, or the same everywhere, in units of the pass; and what it is."""

    share: float
    width: float
    name: str


def find_steps(values: F32, finest_share: float = 0.0) -> DepthSteps | None:
    """Return the steps in which a pass was stored, None where there are none coarse enough to be seen.

    Parameters
    ----------
    values
        The pass as it is in the file, ``(rows, columns)`` or ``(3, rows, columns)``.
    finest_share
        Steps that are a smaller share of a value do not count.

    Examples
    --------
    >>> find_steps(np.linspace(2, 9, 500).astype(np.float16).astype(np.float32)).name
    'half floats'
    """
    flat = values.ravel()
    some = flat[:: max(1, flat.size // _SAMPLES)]
    found = np.unique(np.abs(some[np.isfinite(some)]))
    found = found[found > 0]
    if found.size < _LEAST_VALUES:
        return None
    exact = found.astype(np.float64)
    if exact[-1] <= 1.0:
        for bits in _BITS:
            codes = exact * (2**bits - 1)
            if np.abs(codes - np.round(codes)).max() < _OFF_CODE:
                return DepthSteps(0.0, 1.0 / (2**bits - 1), f"{bits}-bit codes of 0 to 1")
    if (exact == np.round(exact)).all():
        return DepthSteps(0.0, 1.0, _WHOLE_NUMBERS)
    digits = _FLOAT_DIGITS - _zeros_at_the_end(int(np.bitwise_or.reduce(found.view(np.uint32))))
    if digits >= _FLOAT_DIGITS - 2 or 2.0**-digits < finest_share:
        return None
    name = "half floats" if digits <= _HALF_DIGITS else f"floats cut to {digits} binary digits"
    return DepthSteps(2.0**-digits, 0.0, name)


def _zeros_at_the_end(bits: int) -> int:
    return min(_FLOAT_DIGITS, (bits & -bits).bit_length() - 1 if bits else _FLOAT_DIGITS)


def step_doubts(values: F32, alpha: F32 | None, spec: DepthSpec) -> list[str]:
    """Return what the steps in which a pass was stored say against what it was taken for.

    Parameters
    ----------
    values
        The pass as it is in the file, ``(rows, columns)``; positions tell nothing.
    alpha
        Coverage, or None.
    spec
        What it was taken for.

    Returns
    -------
    list[str]
        A sentence: where distances of a metre or so are whole numbers, or there are too few of them.
    """
    if values.ndim != 2:
        return []
    every = max(1, values.size // _SAMPLES)
    some = values.ravel()[::every]
    steps = find_steps(some if alpha is None else some[alpha.ravel()[::every] > 0.0])
    if steps is None:
        return []
    if steps.name == _WHOLE_NUMBERS and spec.depth_unit_m > _COUNTED_M:
        return [
            f"all depths are whole numbers, taken for so many times {spec.depth_unit_m:g} m: are they codes "
            "of a picture of integers, or millimetres? Render depth as floats, or set input.depth_unit"
        ]
    if _COARSE < steps.width < 1.0:
        return [
            f"the depth pass is stored as {steps.name}: so few distances show as bands in the water. Render "
            "depth as floats"
        ]
    return []


# A pass may hold anything where nothing is hit.
@np.errstate(over="ignore", invalid="ignore", divide="ignore")
def fitted_normals(
    values: F32, range_m: F32, *, spec: DepthSpec, camera: Camera, window: Window
) -> tuple[F32, DepthSteps] | None:
    """Return unit world normals towards the lens, ``(3, rows, columns)``, from a pass stored in coarse steps.

    None where its steps are finer than a pixel's slope: neighbours tell it then.

    Parameters
    ----------
    values
        The pass, as `halocline.imaging.depth.range_planes` takes it.
    range_m
        What became of it, metres; inf where nothing is.
    spec, camera, window
        What the pass holds; the camera, and the pixels.
    """
    steps = find_steps(values, FINE * min(camera.tangent_per_px))
    if steps is None:
        return None
    factor = camera.range_per_depth(window)
    nearness = factor / range_m
    step = _planar_step(values, steps, spec, camera)
    if spec.kind in {"range", *POSITIONS}:
        step /= factor
    # What was mended beside an edge has the step of its new depth, near enough.
    step = np.where(np.isfinite(step), step * nearness * nearness, np.float32(0.0))
    slopes = slopes_over_steps(nearness, step, camera.tangent_per_px)
    return facing_of(slopes, camera.tangents(window), camera.rotation), steps


def _planar_step(values: F32, steps: DepthSteps, spec: DepthSpec, camera: Camera) -> F32:
    """Return how far apart two neighbouring values of the pass lie, metres."""
    largest = np.abs(values).max(axis=0) if values.ndim == 3 else np.abs(values)
    width = largest * np.float32(steps.share) + np.float32(steps.width)
    if spec.kind in POSITIONS:
        return np.asarray(width * np.float32(spec.unit_m))
    ordered = ordered_values(values, None, spec, camera)
    half = width * np.float32(0.5)
    ends = planar_metres(ordered + half, spec, camera), planar_metres(ordered - half, spec, camera)
    return np.asarray(np.abs(ends[0] - ends[1]))
