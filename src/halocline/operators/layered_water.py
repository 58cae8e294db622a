"""Layered water: the water on one side of a layer is murkier, clearer or browner than on the other.

Stands in the place of veiling light and does its work for two waters at once: density and hue change where a
view ray crosses from one into the other. `water_layers` after it bends what lies beyond.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.filters.displacement import Grid
from halocline.graph.operator import Operator, Planes, PlaneUse, Stage, Tile
from halocline.graph.shot import Shot
from halocline.imaging.frame import Window
from halocline.late_dataclass import dataclass
from halocline.operators.shared.layer_parameters import WaterLayer
from halocline.operators.shared.two_surfaces import FARTHER_PLANES
from halocline.operators.shared.view_rays import grid_rays
from halocline.physics.bending.layers import Layer, blend_along
from halocline.physics.path.transport import LONGEST_RANGE_M
from halocline.physics.path.water_masses import MixedWaters, TwoWaters, crossed, other_bands
from halocline.quantities import Factor, PerMetre, Strict

# Rays that are followed across the picture's width, at least.
RAYS_ACROSS = 400


class OtherWater(Strict):
    """The water on the other side, in terms of the preset's own.

    Attributes
    ----------
    side
        Which side of the layer it is on; the preset's water is on the other.
    turbidity
        Its scattering relative to that of the preset's water.
    absorption
        Its absorption relative to that of the preset's water.
    stain
        Absorption at 440 nm by dissolved organic matter, added: 1/m. Rivers and bogs have 1 to 10, coasts
        0.1 to 0.5 (kirk2011; from memory).
    """

    side: Literal["above", "below"]
    turbidity: Factor = 1.0
    absorption: Factor = 1.0
    stain: PerMetre = 0.0


class LayeredWaterParameters(Strict):
    """Parameters of the two waters.

    Attributes
    ----------
    layer
        Where they meet: as a layer of `water_layers`. Give both the same, and they move together.
    other_water
        The water on the other side.
    layer_number
        Which of the layers of ``water_layers`` this is, from 0: it has that layer's waves.
    open_water
        ``fill`` puts water where the render hit nothing, and the frame becomes opaque; ``leave`` keeps those
        places empty, with the render's alpha.
    """

    layer: WaterLayer
    other_water: OtherWater
    layer_number: int = 0
    open_water: Literal["fill", "leave"] = "fill"


@dataclass(frozen=True)
class Prepared:
    """A frame's two waters and what its rays meet, on a grid.

    Attributes
    ----------
    waters
        The waters.
    grid
        Where the following are.
    blend
        Share of the water below at the lens and its change with range, 1/m, ``(2, rows, columns)``: straight
        lines, which change as evenly across the picture as the rays do.
    mu
        The rays' downward component.
    sources
        Of the two waters, see `TwoWaters.sources`. They change so slowly with direction that the grid's rays
        say it all.
    """

    waters: TwoWaters
    grid: Grid
    blend: F32
    mu: F32
    sources: F32

    @classmethod
    def of(cls, layer: Layer, waters: TwoWaters, shot: Shot) -> Prepared:
        """Follow the rays of a frame."""
        window = shot.data_window
        grid = Grid(window.x, window.y, window.width, window.height, _grid_step(shot.display_window.width))
        rays = grid_rays(shot.camera, grid)
        step = grid.step * shot.camera.tangent_per_px[0]
        blend = blend_along(layer, rays.camera.position_m, rays.directions, step_rad=step, time_s=shot.time_s)
        mu, cos_sun = rays.component(-shot.path.up), rays.component(shot.path.sun_travel)
        return cls(waters, grid, np.stack([blend.here, blend.along]), mu, waters.sources(mu, cos_sun))

    def over(self, region: Window) -> Prepared:
        """Return the part for a region."""
        inner = self.grid.inner(region.x, region.y, region.width, region.height)
        planes = (self.grid.part(inner, plane) for plane in (self.blend, self.mu, self.sources))
        return Prepared(self.waters, inner, *planes)

    def rays(self) -> _Rays:
        """Return what each pixel's ray meets."""
        here, along = (self.grid.blown_up(plane) for plane in self.blend)
        sources = np.stack([self.grid.blown_up(plane) for plane in self.sources])
        return _Rays(here, along, self.grid.blown_up(self.mu), sources)


class LayeredWater(Operator[LayeredWaterParameters, Prepared]):
    """Takes and adds light in two waters, one behind the other."""

    Parameters = LayeredWaterParameters
    nothing_at = None
    stage = Stage.VEIL
    begun: ClassVar = {"layer": {"depth": 12.0}, "other_water": {"side": "below", "turbidity": 2.0}}
    uses = frozenset(
        {
            "light.veil_brightness",
            "light.veil_tint",
            "story.softness",
            "story.subject_range",
            "story.veil_scale",
        }
    )

    def planes(self) -> PlaneUse:
        """Read attenuated light, coverage and geometry; write light, coverage and the veil by itself.

        The render's coverage is kept as a plane of its own, for those after it that must know edges.
        """
        return PlaneUse(
            reads=frozenset({"bands", "alpha", "range"}),
            optional=FARTHER_PLANES,
            writes=frozenset({"bands", "alpha", "veil", "coverage"}),
            adds=frozenset({"veil"}),
        )

    def prepare(self, shot: Shot) -> Prepared:
        """Return the waters and where rays go from one into the other."""
        p = self.parameters
        layer = p.layer.layer(shot, f"water layer {p.layer_number}")
        bands = other_bands(
            shot.path.bands,
            absorption=p.other_water.absorption,
            scattering=p.other_water.turbidity,
            stain_per_m=p.other_water.stain,
        )
        other_is_above = p.other_water.side == "above"
        return Prepared.of(layer, TwoWaters.of(shot.path, bands, other_is_above=other_is_above), shot)

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: Prepared) -> Planes:
        """Colour."""
        waters, here = prepared.waters, prepared.over(tile.region)
        coverage = np.clip(planes["alpha"], np.float32(0.0), np.float32(1.0))
        fill = self.parameters.open_water == "fill"
        rays = here.rays()
        nearest, behind = _shown(planes, rays, coverage if fill else None, shot)
        lit, veils = np.empty_like(planes["bands"]), np.empty_like(planes["bands"])
        for band, light in enumerate(planes["bands"]):
            gain, veil = waters.change(band, nearest, rays.sources)
            for part in behind:
                kept, there = waters.change(band, part.mixture, part.sources)
                veil[part.where] += part.share * (there - veil[part.where])
                if part.is_surface:
                    gain[part.where] += part.light * (kept - gain[part.where])
            if not fill:
                veil *= coverage
            veils[band] = veil
            np.multiply(gain, light, out=lit[band])
            lit[band] += veil
        alpha = np.ones_like(coverage) if fill else planes["alpha"]
        return {"bands": lit, "alpha": alpha, "veil": veils, "coverage": coverage}


@dataclass(frozen=True)
class _Rays:
    """What the rays of pixels meet: see `Prepared`."""

    here: F32
    along: F32
    mu: F32
    sources: F32

    def at(self, where: tuple[NDArray[np.intp], ...]) -> _Rays:
        """Return those of some pixels."""
        sources = np.stack([plane[where] for plane in self.sources])
        return _Rays(self.here[where], self.along[where], self.mu[where], sources)


@dataclass(frozen=True)
class _Part:
    """Pixels that show something farther as well.

    Where, its share of their area and of their light, and sources and what water lies before it.
    """

    where: tuple[NDArray[np.intp], ...]
    share: F32
    light: F32
    sources: F32
    mixture: MixedWaters
    is_surface: bool


def _shown(
    planes: Planes, rays: _Rays, coverage: F32 | None, shot: Shot
) -> tuple[MixedWaters, Sequence[_Part]]:
    """Return the waters before what each pixel shows first, and what else the mixed pixels show."""
    range_m = planes["range"]
    parts: list[tuple[NDArray[np.bool_], F32, F32, F32, bool]] = []
    light = planes.get("far_light", planes.get("far_share"))
    if light is not None:
        share = planes.get("far_share", np.zeros_like(light))
        parts.append(((light > 0) | (share > 0), share, light, planes["far_range"], True))
    if coverage is not None and (coverage < 1).any():
        endless = np.full_like(range_m, LONGEST_RANGE_M)
        range_m = np.where(coverage > 0, range_m, endless)
        empty = np.float32(1.0) - coverage
        parts.append(((coverage > 0) & (coverage < 1), empty, empty, endless, False))
    nearest = _mixture(range_m, rays, shot)
    behind = []
    for mask, share, light, farther, is_surface in parts:
        where = np.nonzero(mask)
        there = rays.at(where)
        mixture = _mixture(farther[where], there, shot)
        behind.append(_Part(where, share[where], light[where], there.sources, mixture, is_surface))
    return nearest, behind


def _grid_step(width_px: int) -> int:
    """Return the pixels between rays.

    A power of 2, so that pixels between them come out the same to the bit in every tile.
    """
    return int(2 ** max(0, math.floor(math.log2(width_px / RAYS_ACROSS))))


def _mixture(range_m: F32, rays: _Rays, shot: Shot) -> MixedWaters:
    """Return how much of both waters lies before each pixel's surface, as the optics see them."""
    length = shot.path.path_length(range_m, rays.mu)
    farthest = np.float32(LONGEST_RANGE_M)
    enter, leave, shares = crossed(rays.here, rays.along, farthest_m=LONGEST_RANGE_M)
    enter, leave = (np.minimum(shot.path.remap.apply(at), farthest) for at in (enter, leave))
    return MixedWaters(np.ascontiguousarray(length), enter, leave, shares)
