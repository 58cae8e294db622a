"""Mix: two pictures of the graph blended, all over or by a matte.

With it a look can be held off a subject, or one water given to one object and another to the rest.
"""

from __future__ import annotations

from typing import ClassVar

import numpy as np

from halocline.graph.operator import Operator, Planes, PlaneUse, Tile
from halocline.graph.shot import Shot
from halocline.quantities import Share, Strict


class MixParameters(Strict):
    """Parameters of the mix.

    Attributes
    ----------
    amount
        Share of the other picture, 0 to 1; multiplies the matte where there is one.
    matte
        Name of a matte plane of the render, such as ``arch`` for the channel ``matte.arch``.
    invert_matte
        Take the other picture outside the matte instead of inside.
    """

    amount: Share = 1.0
    matte: str | None = None
    invert_matte: bool = False


class Mix(Operator[MixParameters, None]):
    """Takes a share of another picture in place of its own."""

    Parameters = MixParameters
    nothing_at: ClassVar = {"amount": 0.0}
    # All of another picture would leave nothing of what is there.
    begun: ClassVar = {"amount": 0.5}
    inputs = ("picture", "other")

    def planes(self) -> PlaneUse:
        """Read colour and coverage of both, and the matte."""
        matte = {f"matte.{self.parameters.matte}"} if self.parameters.matte else set()
        return PlaneUse(
            reads=frozenset({"rgb", "alpha", "other/rgb", "other/alpha"} | matte),
            writes=frozenset({"rgb", "alpha"}),
        )

    def idle(self, shot: Shot) -> bool:  # noqa: ARG002 - part of the protocol
        """At no amount, the picture stays."""
        return self.parameters.amount == 0.0

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: None) -> Planes:  # noqa: ARG002
        """Blend; both are premultiplied, so colour and coverage blend alike."""
        share = np.full_like(planes["alpha"], self.parameters.amount)
        if self.parameters.matte:
            matte = planes[f"matte.{self.parameters.matte}"]
            share *= np.float32(1.0) - matte if self.parameters.invert_matte else matte
        rest = np.float32(1.0) - share
        return {name: planes[name] * rest + planes[f"other/{name}"] * share for name in ("rgb", "alpha")}
