"""Light shafts: beams of gathered sunlight, seen in the light that the water throws towards the lens.

They brighten and darken the veiling light around its mean, converge towards the sun, and end where the
subject begins. Things that stand in the sun's way throw their shadow into the water. Where the camera moves
while the shutter is open, they are drawn out.
"""

from __future__ import annotations

from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.row_ratios import NO_RATIOS, RowRatios, ratios_along, some_taken
from halocline.graph.operator import Operator, Planes, PlaneUse, Source, Stage, Tile
from halocline.graph.sea import Sea
from halocline.graph.shot import Shot
from halocline.late_dataclass import dataclass
from halocline.operators.shared.pixel_stretch import CameraMotion
from halocline.operators.shared.surface_light import channel_weights, light_field
from halocline.operators.shared.water_shade import RayGrid, WaterShade, shaft_water, veil_reach_m, water_shade
from halocline.physics.sea.ray_volume import ShaftRays, ShaftSteps
from halocline.physics.sea.shafts import ShaftVolume
from halocline.quantities import Distance, Length, Ratio, Strict

_ONE, _LEAST = np.float32(1.0), np.float32(1e-3)
# Pixels worked on together: what is known of them stays in the nearest cache.
_TOGETHER = 1024


class LightShaftsParameters(Strict):
    """Parameters of light shafts.

    Attributes
    ----------
    surface
        Another sea than the preset's ``[sea]``, for this step alone: a whole one, with the same keys.
    contrast
        Art: strength of the shafts, a ratio; 1 is physical, 0 none. The mean veil stays while no shaft is
        driven below darkness.
    even_to
        Metres from the lens up to which the light is taken as even; shafts come in fully at twice as far. A
        filament that crosses the lens itself would make the whole picture pulse, as it does at sea: 0.
    shadows
        Whether things shade the shafts, where ``light.shadows`` lets them shade the water.
    shadow_softness
        Art: how soft their shadows in the shafts are, over that of ``light.shadow_softness``.
    rays
        View rays followed across the width of the picture.
    steps
        Steps along each.
    first_step
        Length of the first, metres; they grow with distance.
    """

    surface: Sea | None = None
    contrast: Ratio = 1.0
    even_to: Length = 1.0
    shadows: bool = True
    shadow_softness: Ratio = 1.0
    rays: Annotated[int, Field(ge=32, le=2048)] = 288
    steps: Annotated[int, Field(ge=8, le=256)] = 96
    first_step: Distance = 0.12


@dataclass(frozen=True)
class _Prepared:
    """The shafts of a frame.

    ``grid`` are the rays of the volume, ``weights`` ``(K, 3)`` how bands share in its channels.
    """

    volume: ShaftVolume
    grid: RayGrid
    weights: F32
    shade: WaterShade | None


class LightShafts(Operator[LightShaftsParameters, _Prepared]):
    """Multiplies the sun's share of the veiling light by that of an uneven field over an even one."""

    Parameters = LightShaftsParameters
    nothing_at: ClassVar = {"contrast": 0.0}
    stage = Stage.SHAFTS
    layer = "shafts"
    uses = frozenset({"light.veil_brightness", "light.veil_tint"})

    def planes(self) -> PlaneUse:
        """Read the veil, its geometry and light; write light and what the shafts add to it."""
        return PlaneUse(
            reads=frozenset({"bands", "veil", "range", "downward"}),
            optional=frozenset({"path_length"}),
            writes=frozenset({"bands", "shafts"}),
            adds=frozenset({"shafts"}),
        )

    def needs(self) -> frozenset[Source]:
        """Shafts are the sun's."""
        return frozenset({Source.SUN})

    def idle(self, shot: Shot) -> bool:
        """Without contrast, sun or veil, nothing changes."""
        path = shot.path
        return (
            self.parameters.contrast == 0.0
            or 0.0 in (path.veil_brightness, path.veil_scale)
            or path.surface_sun_share <= 0.0
        )

    def prepare(self, shot: Shot) -> _Prepared:
        """Raise the sea and set out the rays; they are followed when first looked at."""
        p, path = self.parameters, shot.path
        grid = RayGrid.of(shot, p.rays)
        count = shot.samples(p.steps)
        steps = ShaftSteps.reaching(
            max(veil_reach_m(path), 2.0 * p.first_step * count), first_m=p.first_step, count=count
        )
        motion = CameraMotion.of(shot, np.stack([grid.axes.x, grid.axes.y, -path.up]))
        rays = ShaftRays(
            grid.directions, grid.axes.origin, path.camera_depth_m, p.even_to, motion.moved, motion.turned
        )
        shade = water_shade(shot, softness=p.shadow_softness) if p.shadows else None
        volume = ShaftVolume(
            light_field(shot, p.surface),
            rays,
            steps,
            shaft_water(path),
            grid.sun_shares(path),
            None if shade is None else shade.shade,
            None if shade is None else grid.surfaces_ahead(shot),
        )
        weights = channel_weights(path.bands.wavelength_nm).astype(np.float32)
        return _Prepared(volume, grid, weights, water_shade(shot))

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: _Prepared) -> Planes:
        """Add what the shafts add to the veil."""
        length = planes.get("path_length")
        if length is None:
            length = shot.path.path_length(planes["range"], planes["downward"])
        gain = prepared.volume.gain(*prepared.grid.places(tile.region), length)
        # Shafts are a share of the veil that no thing shades.
        left = None
        if prepared.shade is not None:
            left = prepared.shade.over(tile.region).along_rows(length)
        told, count = tile.wants("shafts"), len(prepared.weights)
        lit = np.empty((count, *tile.region.shape), np.float32)
        shafts = np.empty_like(lit) if told else np.empty((count, 0, 0), np.float32)
        _add_shafts(
            gain,
            prepared.weights,
            np.float32(self.parameters.contrast),
            np.ascontiguousarray(planes["veil"]),
            NO_RATIOS if left is None else left,
            np.ascontiguousarray(planes["bands"]),
            shafts,
            lit,
        )
        return {"bands": lit, "shafts": shafts} if told else {"bands": lit}


@compiled
def _add_shafts(
    gain: F32,
    weights: F32,
    strength: np.float32,
    veil: F32,
    left: RowRatios,
    light: F32,
    shafts: F32,
    lit: F32,
) -> None:
    """Write what shafts add to the bands' veil as it would be with all of it left, and the light with them.

    The former may be empty.
    """
    changes, shaft = np.empty((3, _TOGETHER), np.float32), np.empty(_TOGETHER, np.float32)
    line, told = np.empty(_TOGETHER, np.float32), shafts.size > 0
    for row in range(lit.shape[1]):
        shaded = some_taken(left, row)
        for start in range(0, lit.shape[2], _TOGETHER):
            end = min(start + _TOGETHER, lit.shape[2])
            for channel in range(3):
                change, ratio = changes[channel], gain[channel, row, start:end]
                for i in range(ratio.size):
                    change[i] = max(strength * (ratio[i] - _ONE), -_ONE)
            for band in range(len(lit)):
                added = shafts[band, row, start:end] if told else shaft[: end - start]
                _of_band(changes, weights[band], veil[band, row, start:end], added)
                if shaded and ratios_along(left, band, row, start, line[: end - start]):
                    for i in range(added.size):
                        added[i] /= max(line[i], _LEAST)
                before, there = light[band, row, start:end], lit[band, row, start:end]
                for i in range(added.size):
                    there[i] = before[i] + added[i]


@compiled
def _of_band(changes: F32, weights: F32, veil: F32, added: F32) -> None:
    red, green, blue = changes[0], changes[1], changes[2]
    of_red, of_green, of_blue = weights[0], weights[1], weights[2]
    for i in range(added.size):
        added[i] = (of_red * red[i] + of_green * green[i] + of_blue * blue[i]) * veil[i]
