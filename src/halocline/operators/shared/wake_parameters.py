"""Parameters of bodies that move through the water, carry it along, and stir it."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from pydantic import Field, model_validator

from halocline._typing import F64
from halocline.graph.origins import WorldPoint
from halocline.graph.shot import Shot
from halocline.operators.shared.drawn_things import refuse_disorder
from halocline.physics.floating.flow import STILL, TurbulentFlow, Wake, turbulence
from halocline.quantities import Distance, Length, Period, Share, Strict


class WakeKey(Strict):
    """One key of a moving body: its nose and tail at a frame, metres in the environment's own frame."""

    frame: float
    nose: WorldPoint
    tail: WorldPoint | None = None


class MovingBody(Strict):
    """A body that moves through the water.

    Attributes
    ----------
    origin
        Name of the origin that its places are given from: right, above, ahead.
    track
        Keys in the order of frames; a nose without a tail is a sphere.
    radius
        Of the body, metres.
    settle
        Seconds in which the water comes to rest again.
    """

    origin: str | None = None
    track: Annotated[tuple[WakeKey, ...], Field(min_length=2)]
    radius: Distance = 0.3
    settle: Period = 4.0

    @model_validator(mode="after")
    def _in_order(self) -> MovingBody:
        refuse_disorder("its track", [key.frame for key in self.track])
        return self

    def keys(self, fps: float) -> tuple[F64, F64, F64]:
        """Return the track: seconds ``(n,)``, noses and tails ``(n, 3)``.

        Parameters
        ----------
        fps
            Frames a second.
        """
        return (
            np.array([key.frame for key in self.track], np.float64) / fps,
            np.array([key.nose for key in self.track], np.float64),
            np.array([key.nose if key.tail is None else key.tail for key in self.track], np.float64),
        )


class BodyWake(MovingBody):
    """A body that moves through the water, carries it along and stirs it.

    Attributes
    ----------
    track, radius, settle
        Keys in the order of frames, a nose without a tail is a sphere; its radius, metres; and the seconds in
        which the water comes to rest again.
    carry
        Share of the body's motion that water beside it takes on, 0 to 1.
    stir
        Typical displacement by the eddies behind it, metres.
    """

    carry: Share = 0.8
    stir: Length = 0.1

    def wake(self, index: int, shot: Shot) -> Wake:
        """Return what it does to the water.

        Parameters
        ----------
        index
            Which of a step's wakes it is; keys its eddies.
        shot
            The frame.
        """
        stirring: TurbulentFlow = STILL
        if self.stir > 0.0:
            # Its speed is scaled away; eddies are about as large as the body.
            stirring = turbulence(shot.seed, f"wake {index}", rms_speed_m_s=0.15, largest_m=2.0 * self.radius)
        times, noses, tails = self.keys(shot.fps)
        return Wake(
            times_s=times,
            noses_m=noses,
            tails_m=tails,
            radius_m=self.radius,
            carry=self.carry,
            stir_m=self.stir,
            settle_s=self.settle,
            stirring=stirring,
        )
