"""Draw near: a subject looks as if it stood nearer in the water than it does.

The open way to keep a hero out of the murk: by matte or by a slab of range, and with a number that says what
was given up. Place it before ``attenuation``; everything after takes the drawn range for the true one.
"""

from __future__ import annotations

import numpy as np
from pydantic import model_validator

from halocline.graph.operator import Operator, Planes, PlaneUse, Stage, Tile
from halocline.graph.shot import Shot
from halocline.physics.path.transport import LightPath
from halocline.quantities import Distance, Length, Share, Strict

# Range beyond which a pixel is open water, metres.
OPEN_M = np.float32(1e9)


class DrawNearParameters(Strict):
    """Parameters of drawing near.

    Attributes
    ----------
    share
        Share of its range that the subject keeps: 0.5 looks half as far away, 1 changes nothing.
    matte
        Name of the subject's matte plane, such as ``arch``.
    nearest, farthest
        Slab of range in which things are drawn near, metres.
    softness
        Metres over which the slab's ends fade.
    """

    share: Share = 0.6
    matte: str | None = None
    nearest: Length = 0.0
    farthest: Distance | None = None
    softness: Length = 0.5

    @model_validator(mode="after")
    def _has_a_subject(self) -> DrawNearParameters:
        if self.matte is None and self.farthest is None and self.nearest == 0.0:
            raise ValueError("no subject is named: give a matte, or a slab by nearest and farthest")
        if self.farthest is not None and self.farthest <= self.nearest:
            raise ValueError("farthest is not beyond nearest")
        return self


class DrawNear(Operator[DrawNearParameters, None]):
    """Multiplies the range of a subject by a share."""

    Parameters = DrawNearParameters
    stage = Stage.SUBJECT_LIGHT

    def planes(self) -> PlaneUse:
        """Read and write range; read the matte."""
        matte = {f"matte.{self.parameters.matte}"} if self.parameters.matte else set()
        return PlaneUse(reads=frozenset({"range"} | matte), writes=frozenset({"range"}))

    def idle(self, shot: Shot) -> bool:  # noqa: ARG002 - part of the protocol
        """At a share of 1 all stays where it is."""
        return self.parameters.share == 1.0

    def price(self, path: LightPath) -> str:  # noqa: ARG002 - part of the protocol
        """Return in how much clearer a water things look as near."""
        share = self.parameters.share
        return (
            f"the subject looks {share:.2g} of its range away, as in water "
            f"{1.0 / max(share, 1e-6):.2g} times as clear."
        )

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: None) -> Planes:  # noqa: ARG002
        """Draw the subject near."""
        p = self.parameters
        range_m = planes["range"]
        inside = np.ones_like(range_m)
        soft = np.float32(max(p.softness, 1e-6))
        if p.nearest > 0.0:
            inside *= np.clip((range_m - np.float32(p.nearest)) / soft + np.float32(0.5), 0.0, 1.0)
        if p.farthest is not None:
            inside *= np.clip((np.float32(p.farthest) - range_m) / soft + np.float32(0.5), 0.0, 1.0)
        if p.matte:
            # Any coverage is the subject's: its range is what an edge pixel holds.
            inside *= (planes[f"matte.{p.matte}"] > 0).astype(np.float32)
        kept = np.float32(1.0) - np.float32(1.0 - p.share) * inside
        return {"range": np.where(range_m < OPEN_M, range_m * kept, range_m)}
