"""White reference: exposes and balances the frame so that a grey card in the water looks as wanted.

Water takes most of the light, and a physically dark frame is rarely what a shot needs. The card is taken
through the same water as the picture; the gain that brings it to its value is given to the whole frame.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from halocline._typing import F32, F64
from halocline.errors import GraphError
from halocline.graph.light_form import combine
from halocline.graph.operator import Operator, Planes, PlaneUse, Stage, Tile, Undoing
from halocline.graph.shot import Shot
from halocline.quantities import Factor, Length, Position, Share, Strict
from halocline.rgb import LINEAR_REC709


class WhiteReferenceParameters(Strict):
    """Parameters of the white reference.

    Attributes
    ----------
    card_range
        Range of the grey card from the lens, metres, straight ahead.
    card_depth
        Its depth below the surface, metres; the reference depth where not given.
    card_reflectance
        Its reflectance, a ratio: what the card's value is in the render.
    value
        Luminance that it is to have in the frame, scene-linear; its reflectance where not given.
    balance
        0 changes exposure only; 1 also makes the card neutral; between, the cast is kept in part.
    largest_gain
        Most that any channel of linear Rec.709 is raised, a ratio: far cards hold no red to restore.
    """

    card_range: Length = 1.0
    card_depth: Position | None = None
    card_reflectance: Factor = 0.18
    value: Factor | None = None
    balance: Share = 0.0
    largest_gain: Factor = 16.0


class WhiteReference(Operator[WhiteReferenceParameters, F64]):
    """Multiplies each channel of linear Rec.709 by one number a frame, whatever space the picture is in."""

    Parameters = WhiteReferenceParameters
    nothing_at = None
    stage = Stage.EXPOSURE
    undone = Undoing.KEYS
    whole = True
    once = True
    uses = frozenset({"light.reference_depth", "story.downwelling_scale"})

    def planes(self) -> PlaneUse:
        """Read and write colour."""
        return PlaneUse(reads=frozenset({"rgb"}), writes=frozenset({"rgb"}))

    def prepare(self, shot: Shot) -> F64:
        """Return the gain, ``(3, 3)``: what the channels of the working space are mixed by."""
        p = self.parameters
        card = self.card_rgb(shot)
        luminance = float(LINEAR_REC709.luminance_row @ card)
        if not luminance > 1e-9:
            raise GraphError(
                f"nothing of the grey card is left after {p.card_range:g} m of this water",
                code="E-OPERATOR-CARD",
                where="white_reference.card_range",
                fix="Bring the card nearer, or higher.",
            )
        exposure = (p.value or p.card_reflectance) / luminance
        neutral = luminance / np.maximum(card, 1e-6 * luminance)
        gains = np.minimum(exposure * neutral**p.balance, p.largest_gain)
        if np.all(gains == gains[0]):
            return np.asarray(gains[0] * np.eye(3), dtype=np.float64)
        there = shot.path.to_rec709
        return np.asarray(np.linalg.inv(there) @ np.diag(gains) @ there, dtype=np.float64)

    def card_rgb(self, shot: Shot) -> F64:
        """Return the card's colour in the water, before any gain, ``(3,)``, linear Rec.709."""
        p = self.parameters
        # The camera is set for the day, whatever is left of it: else no night would be dark.
        path = replace(shot.path, daylight_level=1.0)
        depth = path.reference_depth_m if p.card_depth is None else p.card_depth
        level = shot.level_view()
        lit = p.card_reflectance * path.white * path.daylight(depth)
        bands = lit * path.direct_along(p.card_range) + path.veil_along(p.card_range, level)
        rgb: F64 = path.to_rec709 @ (path.bands.down @ bands)
        return rgb

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: F64) -> Planes:  # noqa: ARG002
        """Give the gain."""
        each = channel_gains(prepared)
        return {"rgb": combine(prepared, planes["rgb"]) if each is None else planes["rgb"] * each}


def channel_gains(gain: F64) -> F32 | None:
    """Return the gain of each channel, ``(3, 1, 1)``, where it mixes none with another.

    Parameters
    ----------
    gain
        ``(3, 3)``.

    Returns
    -------
    F32 or None
        None where channels are mixed.
    """
    each = np.diag(gain)
    return each.astype(np.float32)[:, None, None] if np.array_equal(gain, np.diag(each)) else None
