"""Lamps: dive and vehicle lights on the subject.

Near things come up in their true colours, which the light loses again within a few metres. What the lamps
light of the water itself is another step, `lamp_backscatter`.
"""

from __future__ import annotations

import math
from typing import ClassVar, Literal

import numpy as np

from halocline._typing import F32, F64
from halocline.filters.facing import EDGE_REACH, NORMAL_REACH, normals_from_range
from halocline.graph.operator import Operator, Planes, PlaneUse, Source, Stage, Tile
from halocline.graph.shot import Shot
from halocline.operators.shared.lamp_light import Passing, lamps_far_aside, surface_planes
from halocline.operators.shared.two_surfaces import FARTHER_PLANES, Farther
from halocline.physics.path.lamps import lit_surfaces
from halocline.quantities import Factor, Share, Strict

# What is farther away is not lit; keeps endless range out of the products.
FARTHEST_M = 1e4
# While the shutter is open light is looked at about every pixel that it moves by, so often at most.
_FINEST_PX, _MOMENTS = 1.0, 9


class LampsParameters(Strict):
    """Parameters of lamp light on the subject. The lamps themselves stand in ``[[light.lamps]]``.

    Attributes
    ----------
    daylight
        Share of the render's own light that stays, 0 to 1; 0 is a cave or the middle of the night.
    grey
        Share of the surface's colour that is taken as plain grey instead of the render's, 0 to 1. The
        render's colour holds its own shading: what lay in shadow there stays dark in the lamp's light too,
        unless some grey is mixed in.
    grey_reflectance
        Reflectance of that grey.
    normals
        How a surface's direction is known. ``auto``: from the render's normals, else from its depth, over
        whose steps surfaces are fitted where it is coarse (half floats, 8 or 16 bits).
        ``render``: from the render's normals, else all that does not face away from a lamp takes the same
        share of its light. ``none``: all does.
    """

    daylight: Share = 1.0
    grey: Share = 0.0
    grey_reflectance: Factor = 0.18
    normals: Literal["auto", "render", "none"] = "auto"


class Lamps(Operator[LampsParameters, F64]):
    """Multiplies the light of each surface by what the lamps add to daylight there."""

    Parameters = LampsParameters
    nothing_at = None
    stage = Stage.SUBJECT_LIGHT
    layer = "direct"
    otherwise_since: ClassVar = {
        2: "lamps throw shadows, fading at the picture's edge (shadows = false of a lamp is as before), "
        "their light reaches farther, one within or behind a wide thing hardly lights its flanks, and "
        'renders without normals are lit by their depth (normals = "render" is as before)'
    }
    uses = frozenset({"light.lamps"})

    def planes(self) -> PlaneUse:
        """Read and write light; normals where the render has them, its own light where daylight was lost."""
        normals = {"normal"} if self.parameters.normals != "none" else set()
        return PlaneUse(
            reads=frozenset({"bands", "alpha", "range"}),
            optional=FARTHER_PLANES | normals | {"fitted_normal", "render_light", "render_far_light"},
            writes=frozenset({"bands", "far_light"}),
        )

    def needs(self) -> frozenset[Source]:
        """Without lamps it can still take the render's own light away, if asked to."""
        return frozenset() if "daylight" in self.parameters.model_fields_set else frozenset({Source.LAMPS})

    def reach(self, shot: Shot) -> int:
        """At edges, which way surfaces face is taken from the pixels around; from depth, from more."""
        if not shot.lamps or shot.samples_face:
            return 0
        return EDGE_REACH + (NORMAL_REACH if self.parameters.normals == "auto" else 0)

    def idle(self, shot: Shot) -> bool:
        """Without lamps, and with all of its own light, the render stays."""
        return not shot.lamps and self.parameters.daylight == 1.0

    def warnings(self, shot: Shot) -> tuple[str, ...]:
        """Tell of lamps whose shadows the lens knows little of."""
        return lamps_far_aside(shot)

    def prepare(self, shot: Shot) -> F64:
        """Return what takes irradiance to a ratio of daylight, ``(K,)``, with the lamps' shadows at hand."""
        for lamp in shot.lamps:
            if lamp.shadow is not None:
                lamp.shadow.ready(water=False)
        ratio: F64 = 1.0 / (math.pi * shot.path.white)
        return ratio

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: F64) -> Planes:
        """Light the surfaces."""
        p = self.parameters
        # Which way surfaces face, with the pixels around.
        plane = surface_planes(shot, planes, tile.window)
        faces = self._normals(planes, tile, shot), plane
        around, planes = planes, {name: tile.trim(plane) for name, plane in planes.items()}
        direction = shot.camera.directions(tile.region)
        here = [None if face is None else tile.trim(face) for face in faces]
        gain = _gain(shot, prepared, direction, planes["range"], *here)
        # A lamp lights what is there, whatever daylight lost on its way down to it.
        own = planes.get("render_light", planes["bands"])
        light = planes["bands"] * np.float32(p.daylight)
        written: dict[str, F32] = {}
        farther = Farther.of(planes)
        coloured = np.float32(1.0 - p.grey)
        if farther is None:
            light += own * gain * coloured
        else:
            there = [None if face is None else farther.facing(face, around, tile) for face in faces]
            far_gain = _gain(shot, prepared, farther.at(direction), farther.range_m, *there)
            own_share = farther.at(planes.get("render_far_light", farther.share))
            far = farther.at(light) * farther.at(farther.share)
            far += farther.at(own) * own_share * far_gain * coloured
            near = farther.at(gain)
            by_light = gain.copy()
            by_light[:, farther.where[0], farther.where[1]] = near + own_share * (far_gain - near)
            light += own * by_light * coloured
            written = farther.left(far, farther.at(light))
            # Plain grey, of which the render holds none, is shared by area.
            area = farther.at(planes.get("far_share", farther.share))
            gain[:, farther.where[0], farther.where[1]] = near + area * (far_gain - near)
        if p.grey > 0.0:
            gain *= planes["alpha"]
            gain *= (p.grey * p.grey_reflectance * shot.path.white).astype(np.float32)[:, None, None]
            light += gain
        return {"bands": light, **written}

    def _normals(self, planes: Planes, tile: Tile, shot: Shot) -> F32 | None:
        """Return which way surfaces face, where that is to be known."""
        if "normal" in planes or self.parameters.normals != "auto" or not shot.lamps:
            return planes.get("normal")
        if "fitted_normal" in planes:
            return planes["fitted_normal"]
        # Of the samples of a deep picture not those that the flat one shows.
        return normals_from_range(shot.camera.directions(tile.window), planes["range"])


def _gain(shot: Shot, ratio: F64, direction: F32, range_m: F32, normal: F32 | None, plane: F32 | None) -> F32:
    """Return all lamps' light on the surfaces, in units of daylight at the reference depth."""
    reached = np.minimum(range_m, np.float32(FARTHEST_M))
    total = np.zeros((shot.path.bands.count, *range_m.shape), np.float32)
    for lamp in shot.lamps:
        lens = (shot.camera.position_m - lamp.position_m).astype(np.float32)
        offset = direction * reached
        offset += lens.reshape(3, *(1,) * range_m.ndim)
        passing = Passing.of(shot, lamp)
        moments = passing.moments(_FINEST_PX, _MOMENTS)
        if len(moments) == 1:
            total += lit_surfaces(lamp, shot.path.bands, offset, normal, plane)
            continue
        # A lens that passes by sweeps over what the lamp lights, and over the rims of shadows on it.
        swept = passing.swept(direction, reached, plane if normal is None else normal)
        mean = np.zeros_like(total)
        for moment in moments.astype(np.float32):
            mean += lit_surfaces(lamp, shot.path.bands, offset + moment * swept, normal, plane)
        mean *= np.float32(1.0 / len(moments))
        total += mean
    total *= ratio.astype(np.float32).reshape(-1, *(1,) * range_m.ndim)
    return total
