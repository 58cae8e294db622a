"""Rim light: a lit edge on the side where the water is bright, so that a far subject reads.

By normals where the render has them, else by depth: where the picture drops away towards the bright side.
Place it before ``attenuation``, which takes from it what the water takes.
"""

from __future__ import annotations

from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field, model_validator

from halocline._typing import F32, F64
from halocline.errors import GraphError, PhysicsError
from halocline.filters.soft_window import within
from halocline.graph.operator import Operator, Planes, PlaneUse, Stage, Tile
from halocline.graph.shot import Shot
from halocline.late_dataclass import dataclass
from halocline.operators.shared.two_surfaces import FARTHER_PLANES, Farther
from halocline.physics.path.lit_edge import bright_side, depth_edges, rim_contrast, rim_share, side_radiance
from halocline.physics.path.transport import LightPath
from halocline.quantities import Angle, Distance, Factor, Length, Ratio, Share, Strict

# So many times the bright side's light is no rim any more: what is nearer than asked burns out.
MOST_STRENGTH = 1e3
# Luminance of the water that counts as none, of a white card in its reference light.
FAINTEST = 1e-9


class RimLightParameters(Strict):
    """Parameters of rim light.

    Attributes
    ----------
    strength
        Multiplies what the bright side's light would give; 1 is that light itself.
    contrast, subject_range
        Instead of a strength: at this range, metres, the rim is to outshine the water by this share. Where
        that takes more than a thousand times the bright side's light it is refused: no story draws what is so
        far near enough.
    rise
        Angle above the horizon at which the bright side is looked for, degrees.
    sharpness
        The higher, the thinner the rim by normals.
    reflectance
        Reflectance of the subject's edge.
    edge_width
        Width of the rim by depth, pixels; 0 for none. Used where the render has no normals.
    edge_step
        Share of its range by which what lies behind an edge must be farther.
    nearest, farthest
        Slab of range, metres, in which things have a rim.
    softness
        Metres over which the slab's ends fade.
    matte
        Name of a matte plane that limits the rim, such as ``arch``.
    """

    strength: Ratio = 1.0
    contrast: Annotated[Share, Field(gt=0.0)] | None = None
    subject_range: Distance | None = None
    rise: Annotated[Angle, Field(ge=0.0, le=80.0)] = 25.0
    sharpness: Factor = 2.5
    reflectance: Share = 0.4
    edge_width: Annotated[int, Field(ge=0, le=64)] = 3
    edge_step: Factor = 0.15
    nearest: Length = 0.0
    farthest: Distance | None = None
    softness: Length = 0.5
    matte: str | None = None

    @model_validator(mode="after")
    def _solvable(self) -> RimLightParameters:
        if (self.contrast is None) != (self.subject_range is None):
            raise ValueError("contrast and subject_range go together")
        return self


@dataclass(frozen=True)
class _Prepared:
    side: F64
    light: F32
    towards: tuple[float, float]


class RimLight(Operator[RimLightParameters, _Prepared]):
    """Adds reflectance L(bright side) (n . side)+ (1 - |n . view|)^sharpness to each band."""

    Parameters = RimLightParameters
    nothing_at: ClassVar = {"strength": 0.0}
    stage = Stage.SUBJECT_LIGHT

    def planes(self) -> PlaneUse:
        """Read light, coverage and range, normals where there are any; write light, and the rim by itself."""
        matte = {f"matte.{self.parameters.matte}"} if self.parameters.matte else set()
        return PlaneUse(
            reads=frozenset({"bands", "alpha", "range"} | matte),
            optional=FARTHER_PLANES | {"normal"},
            writes=frozenset({"bands", "rim", "far_light"}),
        )

    def idle(self, shot: Shot) -> bool:
        """Without strength, or without light in the water, there is no rim."""
        p = self.parameters
        return (p.strength == 0.0 and p.contrast is None) or shot.path.veil_brightness == 0.0

    def reach(self, shot: Shot) -> int:
        """By depth, as far as the rim is wide."""
        return 0 if shot.samples_face else self.parameters.edge_width

    def price(self, path: LightPath, axis: F64 | None = None) -> str:  # noqa: ARG002 - by its own side
        """Return how many times the bright side's light the edge is lit with."""
        strength, wanted = strength_of(self.parameters, path), self.parameters.contrast
        asked = ""
        if wanted is not None:
            asked = f" is to outshine the water by {wanted:.0%} at {self.parameters.subject_range:.3g} m and"
        verdict = "about what it gives" if 0.5 <= strength <= 2.0 else "which is art"
        if wanted is not None and strength > MOST_STRENGTH:
            verdict = "which a run refuses"
        return f"the edge{asked} is lit {strength:.2g} times as much as by the bright side, {verdict}."

    def prepare(self, shot: Shot) -> _Prepared:
        """Return the bright side, the rim's light and its direction in the picture; ``E-PHYSICS-RIM``."""
        p, path = self.parameters, shot.path
        side = bright_side(path, p.rise)
        shown = side_radiance(path, side)
        # Where the water gives next to no light there is none of it to outshine, and nothing burns out.
        is_lit = float(path.luminance @ path.bands.down @ shown) > FAINTEST
        light = (_kept_sane(p, path) if is_lit else strength_of(p, path)) * p.reflectance * shown
        local = shot.camera.rotation.T @ side
        return _Prepared(side, light.astype(np.float32), (float(local[0]), -float(local[1])))

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: _Prepared) -> Planes:
        """Add the rim."""
        p = self.parameters
        range_m = tile.trim(planes["range"])
        if "normal" in planes:
            view = shot.camera.directions(tile.region)
            share = rim_share(tile.trim(planes["normal"]), view, prepared.side, p.sharpness)
        elif p.edge_width:
            if shot.camera.globe is not None:
                raise GraphError(
                    "without normals its rim lies to one side of the picture, and a panorama has none",
                    code="E-GRAPH-PANORAMA",
                    fix="Render normals, set its edge_width = 0, or disable it.",
                )
            share = tile.trim(depth_edges(planes["range"], prepared.towards, p.edge_width, p.edge_step))
            share = share.copy()
        else:
            share = np.zeros_like(range_m)
        share *= np.clip(tile.trim(planes["alpha"]), np.float32(0.0), np.float32(1.0))
        share *= within(range_m, p.nearest or None, p.farthest, p.softness)
        if p.matte:
            share *= tile.trim(planes[f"matte.{p.matte}"])
        if "far_share" in planes:
            # The rim is the nearer surface's, and as much of it as that has of the pixel's area.
            share *= np.float32(1.0) - tile.trim(planes["far_share"])
        rim = prepared.light[:, None, None] * share
        before = tile.trim(planes["bands"])
        lit = before + rim
        farther = Farther.of({name: tile.trim(planes[name]) for name in FARTHER_PLANES & planes.keys()})
        if farther is None:
            return {"bands": lit, "rim": rim}
        left = farther.left(farther.at(before) * farther.at(farther.share), farther.at(lit))
        return {"bands": lit, "rim": rim, **left}


def strength_of(parameters: RimLightParameters, path: LightPath) -> float:
    """Return the strength stated, or the one at which the rim outshines the water as wanted."""
    if parameters.contrast is None or parameters.subject_range is None:
        return parameters.strength
    side = bright_side(path, parameters.rise)
    alone = rim_contrast(path, side, parameters.reflectance, parameters.subject_range)
    return parameters.contrast / max(alone, 1e-12)


def _kept_sane(parameters: RimLightParameters, path: LightPath) -> float:
    """Return the rim's strength, unless what is asked at a range would burn out all that is nearer."""
    strength, wanted = strength_of(parameters, path), parameters.subject_range
    if wanted is None or strength <= MOST_STRENGTH:
        return strength
    raise PhysicsError(
        f"a rim that is to outshine the water by {parameters.contrast:.0%} at {wanted:.4g} m would be lit "
        f"{strength:.2g} times as much as by the bright side",
        code="E-PHYSICS-RIM",
        fix="Set its subject_range to where the story's subject is ([story] subject_range), or its strength "
        "instead of its contrast.",
    )
