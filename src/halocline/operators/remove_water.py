"""Remove water: the core operators backwards, as far as the picture still holds anything.

Colours and contrast come back where the water left some; where nothing but veil is left, the picture goes to
a plain grey instead of to amplified noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from halocline._typing import F64
from halocline.graph.light_form import combine
from halocline.graph.operator import Operator, Planes, PlaneUse, Tile
from halocline.graph.shot import Shot
from halocline.operators.white_reference import WhiteReference, WhiteReferenceParameters
from halocline.physics.path.restoration import USUAL_SPREAD, damped_inverse
from halocline.physics.path.transport import VeilGeometry, attenuate, daylight_gain, veiling_light
from halocline.quantities import Factor, Strict

Undone = Literal["downwelling", "attenuation", "veiling_light"]


class RemoveWaterParameters(Strict):
    """Parameters of the removal.

    Attributes
    ----------
    undo
        Which losses and gains to undo; those the frame was never given are left out.
    noise
        Standard deviation of the frame's noise, grain or rounding, in its own scene-linear values.
    grey
        What a pixel becomes of which the water left nothing.
    white_reference
        The exposure and balance that the frame was given, to be taken back first.
    """

    undo: tuple[Undone, ...] = ("downwelling", "attenuation", "veiling_light")
    noise: Factor = 0.002
    grey: Factor = 0.18
    white_reference: WhiteReferenceParameters | None = None


@dataclass(frozen=True)
class _Prepared:
    gain: F64
    damping: float


class RemoveWater(Operator[RemoveWaterParameters, _Prepared]):
    """Solves  wet / gain - veil = M colour  for the colour, pixel by pixel, by damped least squares."""

    Parameters = RemoveWaterParameters
    layer = "direct"

    def planes(self) -> PlaneUse:
        """Read wet colour and geometry; write colour, and the share of it that was there to be found."""
        return PlaneUse(
            reads=frozenset({"rgb", "range", "downward", "sun_cosine"}),
            writes=frozenset({"rgb", "recovered"}),
        )

    def prepare(self, shot: Shot) -> _Prepared:
        """Return the frame's gain and how far noise damps the solution."""
        card = self.parameters.white_reference
        gain = np.ones(3) if card is None else np.asarray(WhiteReference(card).prepare(shot), np.float64)
        noise = self.parameters.noise / float(shot.space.luminance_row @ gain)
        return _Prepared(gain, (noise / USUAL_SPREAD) ** 2)

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: _Prepared) -> Planes:  # noqa: ARG002
        """Take the water out."""
        undo, path = self.parameters.undo, shot.path
        range_m, mu = planes["range"], planes["downward"]
        length = path.path_length(range_m, mu)
        kept = np.ones((path.bands.count, *range_m.shape), np.float32)
        if "attenuation" in undo:
            kept *= attenuate(path, length)
        if "downwelling" in undo:
            kept *= daylight_gain(path, range_m, mu)
        wet = planes["rgb"] / prepared.gain.astype(np.float32)[:, None, None]
        if "veiling_light" in undo:
            geometry = VeilGeometry(length, mu, planes["sun_cosine"])
            wet -= combine(path.bands.down, veiling_light(path, geometry))
        colour, recovered = damped_inverse(
            kept, path.bands.up, path.bands.down, wet, self.parameters.grey, prepared.damping
        )
        return {"rgb": colour, "recovered": recovered}
