"""Draw near: a subject looks as if it stood nearer in the water than it does.

The open way to keep a hero out of the murk: by matte or by a slab of range, and with a number that says what
was given up. Where a contrast is stated, a leviathan comes out of the dark while the diver before it stays as
the water has him. Place it before ``attenuation``; everything after takes the drawn range for the true one.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field, model_validator

from halocline._typing import F64
from halocline.filters.soft_window import within
from halocline.graph.operator import Operator, Planes, PlaneUse, Stage, Tile
from halocline.graph.shot import Shot
from halocline.physics.path.silhouette import range_for_contrast, view_of_subject
from halocline.physics.path.transport import LightPath
from halocline.physics.path.visibility import RangeRemap
from halocline.quantities import Distance, Length, Share, Strict

# Range beyond which a pixel is open water, metres.
OPEN_M = np.float32(1e9)


class DrawNearParameters(Strict):
    """Parameters of drawing near.

    Attributes
    ----------
    share
        Share of its range that the subject keeps: 0.5 looks half as far away, 1 changes nothing.
    contrast, subject_range, subject_size
        Instead of a share: at this range, metres, the subject is to stand out as a silhouette by this share
        of the brightness of the water beside it, as ``[story]`` has it. Its size, metres, counts: large
        things keep more; 0 for a preset without ``forward_scatter``.
    matte
        Name of the subject's matte plane, such as ``arch``.
    nearest, farthest
        Slab of range in which things are drawn near, metres.
    softness
        Metres over which the slab's ends fade.
    """

    share: Share = 0.6
    contrast: Annotated[Share, Field(gt=0.0, lt=1.0)] | None = None
    subject_range: Distance | None = None
    subject_size: Length = 2.0
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
        if (self.contrast is None) != (self.subject_range is None):
            raise ValueError("contrast and subject_range go together")
        return self


class DrawNear(Operator[DrawNearParameters, float]):
    """Multiplies the range of a subject by a share."""

    Parameters = DrawNearParameters
    nothing_at: ClassVar = {"share": 1.0, "contrast": None, "subject_range": None}
    stage = Stage.SUBJECT_LIGHT
    begun: ClassVar = {"farthest": 5.0}

    def planes(self) -> PlaneUse:
        """Read and write range; read the matte."""
        matte = {f"matte.{self.parameters.matte}"} if self.parameters.matte else set()
        return PlaneUse(reads=frozenset({"range"} | matte), writes=frozenset({"range"}))

    def idle(self, shot: Shot) -> bool:  # noqa: ARG002 - part of the protocol
        """At a share of 1 all stays where it is."""
        return self.parameters.share == 1.0 and self.parameters.contrast is None

    def price(self, path: LightPath, axis: F64 | None = None) -> str:
        """Return in how much clearer a water things look as near, in a lens's view."""
        p, share = self.parameters, share_of(self.parameters, path, axis)
        asked = ""
        if p.contrast is not None:
            asked = f" is to keep a contrast of {p.contrast:.3g} at {p.subject_range:.3g} m and"
        return (
            f"the subject{asked} looks {share:.2g} of its range away, as in water "
            f"{1.0 / max(share, 1e-6):.2g} times as clear."
        )

    def prepare(self, shot: Shot) -> float:
        """Return the share of its range that the subject keeps."""
        return share_of(self.parameters, shot.path, (shot.camera if shot.rig is None else shot.rig).axis)

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: float) -> Planes:  # noqa: ARG002
        """Draw the subject near."""
        p = self.parameters
        range_m = planes["range"]
        inside = within(range_m, p.nearest or None, p.farthest, p.softness)
        if p.matte:
            # Any coverage is the subject's: its range is what an edge pixel holds.
            inside *= (planes[f"matte.{p.matte}"] > 0).astype(np.float32)
        kept = np.float32(1.0) - np.float32(1.0 - prepared) * inside
        return {"range": np.where(range_m < OPEN_M, range_m * kept, range_m)}


def share_of(parameters: DrawNearParameters, path: LightPath, axis: F64 | None = None) -> float:
    """Return the share of range stated, or that at which the subject keeps the contrast wanted, 0 to 1.

    In a lens's view by its axis; a level one where that is not known. A water that shows it as well by itself
    leaves it where it is: 1.
    """
    p = parameters
    if p.contrast is None or p.subject_range is None:
        return p.share
    true = replace(path, remap=RangeRemap())
    view = None if axis is None else view_of_subject(true, axis, p.subject_range)
    seen = range_for_contrast(true, p.contrast, p.subject_size / p.subject_range, view=view)
    # The story's own remap acts on the drawn range.
    return min(1.0, path.remap.undone(seen) / p.subject_range)
