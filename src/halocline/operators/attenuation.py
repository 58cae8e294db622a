"""Direct attenuation: what the water takes from the light between the subject and the lens.

Colour and contrast are lost with range, red first in clear water, blue first in green water.
"""

from __future__ import annotations

from typing import Any

from halocline.graph.operator import Operator, Planes, PlaneUse, Tile
from halocline.graph.shot import Shot
from halocline.physics.transport import attenuate
from halocline.quantities import Strict


class AttenuationParameters(Strict):
    """Direct attenuation has nothing to set of its own: see ``[water]`` and ``[story]`` in the preset."""


class Attenuation(Operator[AttenuationParameters]):
    """Multiplies each band by exp(-c s)."""

    Parameters = AttenuationParameters

    def planes(self) -> PlaneUse:
        """Read and write light; leave transmittance and path length for those that come after."""
        return PlaneUse(
            reads=frozenset({"bands", "range", "downward"}),
            optional=frozenset({"far_range", "far_share", "far_light"}),
            writes=frozenset({"bands", "transmittance", "path_length", "far_path_length"}),
        )

    def idle(self, shot: Shot) -> bool:
        """With attenuation scaled away, nothing changes."""
        return shot.path.attenuation_scale == 0.0

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: Any) -> Planes:  # noqa: ARG002
        """Attenuate."""
        path = shot.path
        length = path.path_length(planes["range"], planes["downward"])
        # What is attenuated is light: a bright thing behind a dark one has more of it than of the pixel.
        share = planes.get("far_light", planes.get("far_share"))
        far = None if share is None else path.path_length(planes["far_range"], planes["downward"])
        transmittance = attenuate(path, length, far_length_m=far, far_share=share)
        written = {
            "bands": planes["bands"] * transmittance,
            "transmittance": transmittance,
            "path_length": length,
        }
        return written if far is None else {**written, "far_path_length": far}
