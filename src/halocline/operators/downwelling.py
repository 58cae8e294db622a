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
from halocline.late_dataclass import dataclass
from halocline.operators.shared.surface_light import FARTHEST_M
from halocline.operators.shared.two_surfaces import FARTHER_PLANES, Farther
from halocline.operators.shared.water_shade import WaterShade, water_shade
from halocline.physics.path.transport import ByDepth, daylight_gain, sunlit_by_depth
from halocline.physics.sea.shade_loops import loop_maps, shade_surfaces
from halocline.quantities import Ratio, Strict


class DownwellingParameters(Strict):
    """Parameters of downwelling loss.

    Attributes
    ----------
    brightest
        Most that things above the reference depth may gain over the render's own light, a ratio; by less
        daylight as much less.
    """

    brightest: Ratio = 4.0


@dataclass(frozen=True)
class _Shaded:
    """What shades the subject, whether things do as well as bodies, and the sun's share of its light."""

    shade: WaterShade
    share: ByDepth
    by_things: bool

    def dim(self, gain: F32, shot: Shot, view: tuple[F32, F32, F32], range_m: F32) -> None:
        """Take from the light on surfaces, ``(K, *shape)``, what is not left; ``view`` is that of `view`."""
        shade, ranges = self.shade, _rows(range_m)
        lens = (*shade.grid.axes.origin, shot.path.camera_depth_m, FARTHEST_M)
        shade_surfaces(
            *loop_maps(shade.shade, in_water=False, things=self.by_things),
            tuple(np.float32(number) for number in lens),
            (_rows(view[0]), _rows(view[1]), _rows(view[2])),
            ranges,
            self.share.for_loops(),
            range_m.ndim == 2,
            gain.reshape(len(gain), *ranges.shape),
        )

    def view(self, shot: Shot, tile: Tile, down: F32) -> tuple[F32, F32, F32]:
        """Return a tile's view directions along the level axes and down."""
        return (*self.shade.grid.axes.across(shot, tile.region), down)


class Downwelling(Operator[DownwellingParameters, _Shaded | None]):
    """Multiplies each band by exp(-Kd (y - y_ref)), and by what shade leaves where the subject has some."""

    Parameters = DownwellingParameters
    nothing_at: ClassVar = {"story.downwelling_scale": 0.0}
    stage = Stage.SUBJECT_LIGHT
    undone = Undoing.TERM
    layer = "direct"
    once = True
    uses = frozenset(
        {
            "light.reference_depth",
            "light.shadow_softness",
            "light.shadows",
            "light.subject_shaded",
            "story.downwelling_scale",
        }
    )

    def planes(self) -> PlaneUse:
        """Read and write light by range and direction."""
        return PlaneUse(
            reads=frozenset({"bands", "range", "downward"}),
            optional=FARTHER_PLANES,
            writes=frozenset({"bands", "far_light", "render_light", "render_far_light"}),
        )

    def idle(self, shot: Shot) -> bool:
        """With downwelling scaled away, nothing changes."""
        even = shot.path.downwelling_scale == 0.0 and shot.path.daylight_level == 1.0
        return even and not (shot.shadows and (shot.subject_shaded or shot.bodies))

    def prepare(self, shot: Shot) -> _Shaded | None:
        """Find what shades the subject, if anything is to."""
        # A render has the shadows of its own things, and none of bodies.
        shade = water_shade(shot) if shot.subject_shaded or shot.bodies else None
        if shade is None:
            return None
        return _Shaded(shade, sunlit_by_depth(shot.path), by_things=shot.subject_shaded)

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: _Shaded | None) -> Planes:
        """Light the subject by its depth."""
        view = None if prepared is None else prepared.view(shot, tile, planes["downward"])
        farther = Farther.of(planes)
        if farther is None and view is None:
            lit = self._gain(shot, planes["range"], planes["downward"], planes["bands"])
            return {"bands": lit, "render_light": planes["bands"]}
        gain = self._gain(shot, planes["range"], planes["downward"])
        if prepared is not None and view is not None:
            prepared.dim(gain, shot, view, planes["range"])
        written: dict[str, F32] = {}
        if farther is not None:
            far_gain = self._gain(shot, farther.range_m, farther.at(planes["downward"]))
            if prepared is not None and view is not None:
                there = (farther.at(view[0]), farther.at(view[1]), farther.at(view[2]))
                prepared.dim(far_gain, shot, there, farther.range_m)
            written = farther.mix(gain, far_gain, planes["bands"])
            # The light before: what is there for lamps to light.
            written["render_far_light"] = farther.share
        written["render_light"] = planes["bands"]
        return {"bands": np.multiply(planes["bands"], gain, out=gain), **written}

    def _gain(self, shot: Shot, range_m: F32, mu: F32, light: F32 | None = None) -> F32:
        # By half the daylight half of the picture, of what has reached the limit too.
        most = self.parameters.brightest * shot.path.daylight_level
        return daylight_gain(shot.path, range_m, mu, most=most, light=light)


def _rows(plane: F32) -> F32:
    """Return a plane as loops take it; places that are none are a row."""
    return np.ascontiguousarray(np.atleast_2d(plane), np.float32)
