"""Layered water: the water on one side of a layer is murkier, clearer or browner than on the other.

Stands in the place of veiling light and does its work for two waters at once: density and hue change where a
view ray crosses from one into the other. `water_layers` after it bends what lies beyond.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.graph.operator import Operator, Planes, PlaneUse, Tile
from halocline.graph.shot import Shot
from halocline.imaging.frame import Window
from halocline.operators.layer_parameters import WaterLayer
from halocline.operators.view_rays import grid_rays
from halocline.physics.bend import Grid
from halocline.physics.layers import Layer, crossing
from halocline.physics.refraction import lever_arm
from halocline.physics.transport import LONGEST_RANGE_M
from halocline.physics.water_masses import TwoWaters, View, other_bands
from halocline.quantities import Factor, PerMetre, Strict

# Pixels between the rays that are followed. A power of 2, so that pixels between them come out the same to
# the bit in every tile.
GRID_STEP = 8
# A lens within the layer enters it at once; keeps 1/range finite.
NEAREST_M = np.float32(1e-3)


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


class LayeredWater(Operator[LayeredWaterParameters]):
    """Takes and adds light in two waters, one behind the other."""

    Parameters = LayeredWaterParameters

    def planes(self) -> PlaneUse:
        """Read attenuated light, coverage and geometry; write light, coverage and the veil by itself.

        The render's coverage is kept as a plane of its own, for those after it that must know edges.
        """
        return PlaneUse(
            reads=frozenset({"bands", "alpha", "range", "downward", "sun_cosine"}),
            optional=frozenset({"far_range", "far_share"}),
            writes=frozenset({"bands", "alpha", "veil", "coverage"}),
        )

    def prepare(self, shot: Shot) -> tuple[Layer, TwoWaters]:
        """Return the layer and the waters in the order in which rays meet them."""
        p = self.parameters
        layer = p.layer.layer(shot, f"water layer {p.layer_number}")
        above = float((shot.camera.position_m - layer.point_m) @ layer.normal) > 0
        bands = other_bands(
            shot.path.bands,
            absorption=p.other_water.absorption,
            scattering=p.other_water.turbidity,
            stain_per_m=p.other_water.stain,
        )
        other_is_first = above == (p.other_water.side == "above")
        return layer, TwoWaters.of(shot.path, bands, other_is_first=other_is_first)

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: tuple[Layer, TwoWaters]) -> Planes:
        """Colour."""
        layer, waters = prepared
        crossed = _crossed(layer, tile.region, shot)
        coverage = np.clip(planes["alpha"], np.float32(0.0), np.float32(1.0))
        fill = self.parameters.open_water == "fill"
        nearest, behind = _shown(planes, crossed, coverage if fill else None, shot)
        view = View.of(shot.path, planes["downward"], planes["sun_cosine"])
        lit, veils = np.empty_like(planes["bands"]), np.empty_like(planes["bands"])
        for band, light in enumerate(planes["bands"]):
            gain = waters.direct_gain(band, *nearest)
            veil = waters.veil(band, view, *nearest)
            for part in behind:
                seen = view.at(part.where)
                veil[part.where] += part.share * (
                    waters.veil(band, seen, part.first_m, part.second_m) - veil[part.where]
                )
                if part.is_surface:
                    there = waters.direct_gain(band, part.first_m, part.second_m)
                    gain[part.where] += part.share * (there - gain[part.where])
            if not fill:
                veil *= coverage
            veils[band] = veil
            gain *= light
            np.add(gain, veil, out=lit[band])
        alpha = np.ones_like(coverage) if fill else planes["alpha"]
        return {"bands": lit, "alpha": alpha, "veil": veils, "coverage": coverage}


@dataclass(frozen=True)
class _Part:
    """Pixels that show something farther as well: where, its share of them, metres of each water to it."""

    where: tuple[NDArray[np.intp], ...]
    share: F32
    first_m: F32
    second_m: F32
    is_surface: bool


def _shown(
    planes: Planes, crossed: tuple[F32, F32], coverage: F32 | None, shot: Shot
) -> tuple[tuple[F32, F32], Sequence[_Part]]:
    """Return metres of both waters to what each pixel shows first, and what else the mixed pixels show."""
    mu, range_m = planes["downward"], planes["range"]
    parts: list[tuple[NDArray[np.bool_], F32, F32, bool]] = []
    far_share = planes.get("far_share")
    if far_share is not None:
        parts.append((far_share > 0, far_share, planes["far_range"], True))
    if coverage is not None:
        endless = np.full_like(range_m, LONGEST_RANGE_M)
        range_m = np.where(coverage > 0, range_m, endless)
        parts.append(((coverage > 0) & (coverage < 1), np.float32(1.0) - coverage, endless, False))
    nearest = _lengths(range_m, crossed, mu, shot)
    behind = []
    for mask, share, farther, is_surface in parts:
        where = np.nonzero(mask)
        lengths = _lengths(farther[where], (crossed[0][where], crossed[1][where]), mu[where], shot)
        behind.append(_Part(where, share[where], *lengths, is_surface))
    return nearest, behind


def _crossed(layer: Layer, region: Window, shot: Shot) -> tuple[F32, F32]:
    """Return the range at which each pixel's ray enters and leaves the layer."""
    grid = Grid(region.x, region.y, region.width, region.height, GRID_STEP)
    rays = grid_rays(shot.camera, grid)
    step = GRID_STEP * shot.camera.tangent_per_px[0]
    enter, leave = crossing(layer, rays.camera.position_m, rays.directions, step_rad=step, time_s=shot.time_s)
    return _between(grid, enter), _between(grid, leave)


def _between(grid: Grid, range_m: F32) -> F32:
    """Return ranges on the grid for all pixels. One over the range is straight across a plane's picture."""
    nearness = grid.blown_up(np.reciprocal(np.maximum(range_m, NEAREST_M)))
    return np.reciprocal(np.maximum(nearness, np.float32(1.0 / LONGEST_RANGE_M), out=nearness))


def _lengths(range_m: F32, crossed: tuple[F32, F32], mu: F32, shot: Shot) -> tuple[F32, F32]:
    """Return metres of the first and of the second water as the optics see them."""
    enter, leave = crossed
    reached = np.minimum(range_m, np.float32(LONGEST_RANGE_M))
    second = lever_arm(reached, enter, np.maximum(leave, enter + NEAREST_M))
    second *= reached
    whole = shot.path.path_length(reached, mu)
    first = shot.path.path_length(reached - second, mu)
    np.minimum(first, whole, out=first)
    return first, whole - first
