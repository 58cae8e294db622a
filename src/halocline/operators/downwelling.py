"""Downwelling: daylight lost on its way down to the subject.

A render is lit for one depth. What lies deeper gets less light, and bluer or greener; what lies higher, more.
The light before is handed on for lamps, which do not come from the surface.
"""

from __future__ import annotations

from typing import ClassVar

import numpy as np

from halocline._typing import F32
from halocline.graph.operator import Operator, Planes, PlaneUse, Stage, Tile, Undoing
from halocline.graph.shot import Shot
from halocline.operators.shared.two_surfaces import FARTHER_PLANES, Farther
from halocline.physics.path.transport import daylight_gain
from halocline.quantities import Ratio, Strict


class DownwellingParameters(Strict):
    """Parameters of downwelling loss.

    Attributes
    ----------
    brightest
        Most that things above the reference depth may gain over the render's own light, a ratio.
    """

    brightest: Ratio = 4.0


class Downwelling(Operator[DownwellingParameters, None]):
    """Multiplies each band by exp(-Kd (y - y_ref))."""

    Parameters = DownwellingParameters
    nothing_at: ClassVar = {"story.downwelling_scale": 0.0}
    stage = Stage.SUBJECT_LIGHT
    undone = Undoing.TERM
    layer = "direct"
    once = True
    uses = frozenset({"light.reference_depth", "story.downwelling_scale"})

    def planes(self) -> PlaneUse:
        """Read and write light by range and direction."""
        return PlaneUse(
            reads=frozenset({"bands", "range", "downward"}),
            optional=FARTHER_PLANES,
            writes=frozenset({"bands", "far_light", "render_light", "render_far_light"}),
        )

    def idle(self, shot: Shot) -> bool:
        """With downwelling scaled away, nothing changes."""
        return shot.path.downwelling_scale == 0.0 and shot.path.daylight_level == 1.0

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: None) -> Planes:  # noqa: ARG002
        """Light the subject by its depth."""
        gain = self._gain(shot, planes["range"], planes["downward"])
        written: dict[str, F32] = {}
        farther = Farther.of(planes)
        if farther is not None:
            far_gain = self._gain(shot, farther.range_m, farther.at(planes["downward"]))
            written = farther.mix(gain, far_gain, planes["bands"])
            # The light before: what is there for lamps to light.
            written["render_far_light"] = farther.share
        written["render_light"] = planes["bands"]
        return {"bands": np.multiply(planes["bands"], gain, out=gain), **written}

    def _gain(self, shot: Shot, range_m: F32, mu: F32) -> F32:
        gain = daylight_gain(shot.path, range_m, mu)
        return np.minimum(gain, np.float32(self.parameters.brightest), out=gain)
