"""Veiling light: daylight that the water between subject and lens scatters towards the lens.

It grows with range until the subject drowns in it, is bright looking up and towards the sun and dark looking
down, and is the whole picture where nothing is hit.
"""

from __future__ import annotations

from typing import ClassVar, Literal

import numpy as np

from halocline._typing import F32
from halocline.graph.operator import Operator, Planes, PlaneUse, Stage, Tile, Undoing
from halocline.graph.shot import Shot
from halocline.operators.shared.water_shade import RegionShade, WaterShade, water_shade
from halocline.physics.path.transport import VeilGeometry, hold_halo, veiling_light
from halocline.quantities import Strict


class VeilingLightParameters(Strict):
    """Parameters of veiling light.

    Attributes
    ----------
    open_water
        ``fill`` puts water where the render hit nothing, and the frame becomes opaque; ``leave`` keeps those
        places empty, with the render's alpha, for a background that is added later.
    """

    open_water: Literal["fill", "leave"] = "fill"


class VeilingLight(Operator[VeilingLightParameters, WaterShade | None]):
    """Adds j (1 - exp(-k s)) / k to each band, less where things keep the light from the water."""

    Parameters = VeilingLightParameters
    nothing_at: ClassVar = {"story.veil_scale": 0.0}
    stage = Stage.VEIL
    undone = Undoing.TERM
    layer = "veil"
    otherwise_since: ClassVar = {2: "things before the sun are dark all over: their middles do not glow"}
    once = True
    uses = frozenset(
        {
            "light.reference_depth",
            "light.shadows",
            "light.shadow_softness",
            "light.veil_brightness",
            "light.veil_tint",
            "story.downwelling_scale",
            "story.softness",
            "story.subject_range",
            "story.veil_scale",
        }
    )

    def planes(self) -> PlaneUse:
        """Read light, coverage and geometry; write light, coverage and the veil by itself.

        What floats in front must still know how much of a pixel the render covers once water has filled the
        rest: that stays as ``coverage``. A halo that was added before takes no more of the veil than there
        is.
        """
        return PlaneUse(
            reads=frozenset({"bands", "alpha", "range", "downward", "sun_cosine"}),
            optional=frozenset({"far_range", "far_share", "path_length", "far_path_length", "halo"}),
            writes=frozenset({"bands", "alpha", "coverage", "veil"}),
            adds=frozenset({"veil"}),
        )

    def idle(self, shot: Shot) -> bool:
        """Without brightness, or with the veil scaled away, nothing changes."""
        return 0.0 in (shot.path.veil_brightness, shot.path.veil_scale)

    def prepare(self, shot: Shot) -> WaterShade | None:
        """Find what lies in the shade."""
        return water_shade(shot)

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: WaterShade | None) -> Planes:
        """Add the veil."""
        alpha = planes["alpha"]
        shade = None if prepared is None else prepared.over(tile.region)
        veil = veiling_light(shot.path, self._geometry(planes, shot, shade))
        leave = self.parameters.open_water == "leave"
        # Of what a halo takes from it, the water that is added later has its part.
        missing = veil * (1 - alpha) if leave else None
        if "halo" in planes:
            hold_halo(shot.path, veil, planes["halo"])
        if missing is not None:
            veil -= missing
            return {"bands": planes["bands"] + veil, "alpha": alpha, "coverage": alpha, "veil": veil}
        opaque = np.ones_like(alpha)
        return {"bands": planes["bands"] + veil, "alpha": opaque, "coverage": alpha, "veil": veil}

    def _geometry(self, planes: Planes, shot: Shot, shade: RegionShade | None) -> VeilGeometry:
        mu, far_share = planes["downward"], planes.get("far_share")
        fill = self.parameters.open_water == "fill"
        return VeilGeometry(
            length_m=_length(planes, shot, "path_length", "range"),
            mu=mu,
            cos_sun=planes["sun_cosine"],
            far_length_m=None if far_share is None else _length(planes, shot, "far_path_length", "far_range"),
            far_share=far_share,
            open_length_m=shot.path.open_length(mu) if fill else None,
            # Filtered coverage may overshoot a little.
            coverage=np.clip(planes["alpha"], np.float32(0.0), np.float32(1.0)) if fill else None,
            shade=shade,
            neighbours=True,
        )


def _length(planes: Planes, shot: Shot, made: str, otherwise: str) -> F32:
    """Return the path length that attenuation has made already, or make it."""
    if made in planes:
        return planes[made]
    return shot.path.path_length(planes[otherwise], planes["downward"])
