"""Direct attenuation: what the water takes from the light between the subject and the lens.

Colour and contrast are lost with range, red first in clear water, blue first in green water.
"""

from __future__ import annotations

from typing import ClassVar

import numpy as np

from halocline.graph.operator import Operator, Planes, PlaneUse, Stage, Tile, Undoing
from halocline.graph.shot import Shot
from halocline.operators.shared.two_surfaces import FARTHER_PLANES, Farther
from halocline.physics.path.transport import attenuate, attenuated
from halocline.quantities import Strict


class AttenuationParameters(Strict):
    """Direct attenuation has nothing to set of its own: see ``[water]`` and ``[story]`` in the preset."""


class Attenuation(Operator[AttenuationParameters, None]):
    """Multiplies each band by exp(-c s)."""

    Parameters = AttenuationParameters
    nothing_at: ClassVar = {"story.attenuation_scale": 0.0}
    stage = Stage.ATTENUATION
    undone = Undoing.TERM
    layer = "direct"
    once = True
    uses = frozenset({"story.attenuation_scale", "story.subject_range", "story.softness"})

    def planes(self) -> PlaneUse:
        """Read and write light; leave transmittance and path length for those that come after."""
        return PlaneUse(
            reads=frozenset({"bands", "range", "downward"}),
            optional=FARTHER_PLANES,
            writes=frozenset({"bands", "transmittance", "path_length", "far_path_length", "far_light"}),
        )

    def idle(self, shot: Shot) -> bool:
        """With attenuation scaled away, nothing changes."""
        return shot.path.attenuation_scale == 0.0

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: None) -> Planes:  # noqa: ARG002
        """Attenuate."""
        path = shot.path
        length = path.path_length(planes["range"], planes["downward"])
        written = {"path_length": length}
        if "far_range" in planes:
            written["far_path_length"] = path.path_length(planes["far_range"], planes["downward"])
        farther = Farther.of(planes)
        if farther is None and not tile.wants("transmittance"):
            return {"bands": attenuated(path, length, planes["bands"]), **written}
        transmittance = attenuate(path, length)
        if farther is not None:
            far_length = path.path_length(farther.range_m, farther.at(planes["downward"]))
            mixed = farther.mix(transmittance, attenuate(path, far_length), planes["bands"])
            written = {**mixed, **written}
        if tile.wants("transmittance"):
            written["transmittance"] = transmittance
            return {"bands": planes["bands"] * transmittance, **written}
        return {"bands": np.multiply(planes["bands"], transmittance, out=transmittance), **written}
