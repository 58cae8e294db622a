"""Light shafts: beams of gathered sunlight, seen in the light that the water throws towards the lens.

They brighten and darken the veiling light around its mean, converge towards the sun, and end where the
subject begins. Things that stand in the sun's way throw their shadow into the water.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.graph.operator import Operator, Planes, PlaneUse, Source, Stage, Tile
from halocline.graph.sea import Sea
from halocline.graph.shot import Shot
from halocline.imaging.frame import Window
from halocline.operators.shared.surface_light import (
    LevelAxes,
    by_channel,
    casters_seen,
    channel_weights,
    light_field,
)
from halocline.physics.path.transport import LightPath
from halocline.physics.sea.shafts import ShaftRays, ShaftShade, ShaftSteps, ShaftVolume, ShaftWater
from halocline.quantities import Distance, Length, Ratio, Strict

# Rays are followed until this share of the veil lies behind them, and at most so far.
_VEIL_LEFT = 0.03
_FARTHEST_M = 80.0
_ONE, _LEAST = np.float32(1.0), np.float32(1e-12)


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
        Whether what the picture shows shades the water. Only what the camera sees can: its unseen back is
        open, and what lies outside the picture throws nothing.
    shadow_softness
        Art: how soft their edges are, a ratio; 1 is physical.
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
class _Sources:
    """What the veil of each band is made of, as shares of their sum, ``(K,)``.

    ``sun`` and ``diffuse`` go by their phase functions; ``even``, what molecules scatter, is alike in all
    directions, and of it ``sun_even`` comes from the sun.
    """

    sun: F32
    diffuse: F32
    even: F32
    sun_even: F32

    @classmethod
    def of(cls, path: LightPath) -> _Sources:
        """Take a path's sources apart; in float64, since deep down reds underflow."""
        own, part = path.molecular_share, path.sun_share(path.camera_depth_m)
        sun, diffuse, even = (1.0 - own) * part, (1.0 - own) * (1.0 - part), own / (4.0 * math.pi)
        whole = np.maximum(sun + diffuse + even, 1e-300)
        shares = (sun, diffuse, even, even * part)
        return cls(*((source / whole).astype(np.float32) for source in shares))

    def of_band(self, band: int) -> tuple[np.float32, ...]:
        """Return the four shares of one band."""
        return self.sun[band], self.diffuse[band], self.even[band], self.sun_even[band]


@dataclass(frozen=True)
class _Prepared:
    """The shafts of a frame.

    ``spacing_px`` is the distance of rays in pixels, ``weights`` ``(K, 3)`` how bands share in the volume's
    channels.
    """

    volume: ShaftVolume
    spacing_px: float
    weights: F32
    sources: _Sources


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
            reads=frozenset({"bands", "veil", "range", "downward", "sun_cosine"}),
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
            or not path.sun_share(path.camera_depth_m).any()
        )

    def prepare(self, shot: Shot) -> _Prepared:
        """Raise the sea and set out the rays; they are followed when first looked at."""
        p, window = self.parameters, shot.data_window
        spacing = max(1.0, shot.display_window.width / p.rays)
        path = shot.path
        weights = channel_weights(path.bands.wavelength_nm)
        c, kd = (
            by_channel(path.bands.wavelength_nm, rates) * path.veil_scale
            for rates in (path.bands.attenuation, path.bands.diffuse_attenuation)
        )
        axes = LevelAxes.of(shot)
        far = _reach(float(c.min()))
        steps = ShaftSteps.reaching(
            max(far, 2.0 * p.first_step * p.steps), first_m=p.first_step, count=p.steps
        )
        directions = _directions(shot, axes, window, spacing)
        rays = ShaftRays(directions, axes.origin, path.camera_depth_m, p.even_to)
        water = ShaftWater(
            (float(c[0]), float(c[1]), float(c[2])), (float(kd[0]), float(kd[1]), float(kd[2]))
        )
        return _Prepared(
            ShaftVolume(light_field(shot, p.surface), rays, steps, water, self._shade(shot, axes)),
            spacing,
            weights.astype(np.float32),
            _Sources.of(path),
        )

    def _shade(self, shot: Shot, axes: LevelAxes) -> ShaftShade | None:
        """Return what of the picture stands in the sun's way."""
        if not self.parameters.shadows or shot.surfaces is None:
            return None
        bands, softness = shot.path.bands, self.parameters.shadow_softness
        scattering = float(by_channel(bands.wavelength_nm, bands.scattering)[1])
        return ShaftShade(casters_seen(shot, shot.surfaces, axes), scattering, softness)

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: _Prepared) -> Planes:
        """Add what the shafts add to the veil."""
        region, window = tile.region, shot.data_window
        columns = (np.arange(region.x, region.x_end) - window.x + 0.5) / prepared.spacing_px
        rows = (np.arange(region.y, region.y_end) - window.y + 0.5) / prepared.spacing_px
        length = planes.get("path_length")
        if length is None:
            length = shot.path.path_length(planes["range"], planes["downward"])
        gain = prepared.volume.gain(columns.astype(np.float32), rows.astype(np.float32), length)
        p_sun, p_diffuse = (
            plane.ravel() for plane in shot.path.phases(planes["downward"], planes["sun_cosine"])
        )
        told = tile.wants("shafts")
        lit = np.empty((len(prepared.weights), *region.shape), np.float32)
        shafts = np.empty_like(lit) if told else np.empty_like(lit[:1])
        for band, weights in enumerate(prepared.weights):
            _add_shafts(
                gain.reshape(3, -1),
                tuple(weights),
                np.float32(self.parameters.contrast),
                prepared.sources.of_band(band),
                p_sun,
                p_diffuse,
                planes["veil"][band].ravel(),
                planes["bands"][band].ravel(),
                shafts[band if told else 0].reshape(-1),
                lit[band].reshape(-1),
            )
        return {"bands": lit, "shafts": shafts} if told else {"bands": lit}


@compiled
def _add_shafts(
    gain: F32,
    weights: tuple[np.float32, ...],
    strength: np.float32,
    sources: tuple[np.float32, ...],
    p_sun: F32,
    p_diffuse: F32,
    veil: F32,
    light: F32,
    shafts: F32,
    lit: F32,
) -> None:
    """Write what shafts add to one band's veil, and its light with them."""
    sun, diffuse, even, sun_even = sources
    red, green, blue = weights
    for i in range(veil.size):
        change = red * max(strength * (gain[0, i] - _ONE), -_ONE)
        change += green * max(strength * (gain[1, i] - _ONE), -_ONE)
        change += blue * max(strength * (gain[2, i] - _ONE), -_ONE)
        # The sun's share of the veil; the path is the same for all sources.
        from_sun = p_sun[i] * sun
        whole = from_sun + p_diffuse[i] * diffuse + even
        shaft = change * ((from_sun + sun_even) / max(whole, _LEAST)) * veil[i]
        shafts[i] = shaft
        lit[i] = light[i] + shaft


def _reach(rate: float) -> float:
    """Return how far to follow rays, metres: until little of the veil lies behind."""
    return min(_FARTHEST_M, -math.log(_VEIL_LEFT) / max(rate, 1e-3))


def _directions(shot: Shot, axes: LevelAxes, window: Window, spacing: float) -> F32:
    """Return the coarse rays' unit directions along the level axes and down, ``(3, rows, columns)``.

    The first ray goes through the window's upper left corner, the last lie beyond the other corners.
    """
    columns = np.arange(int(window.width / spacing) + 2) * spacing + window.x
    rows = np.arange(int(window.height / spacing) + 2) * spacing + window.y
    camera = shot.camera
    x = (columns - camera.centre_px[0]) * camera.tangent_per_px[0]
    y = (camera.centre_px[1] - rows) * camera.tangent_per_px[1]
    grid_x, grid_y = np.meshgrid(x, y)
    local = np.stack([grid_x, grid_y, np.full_like(grid_x, -1.0)])
    local /= np.sqrt((local * local).sum(axis=0))
    along = np.stack([axes.x, axes.y, -shot.path.up]) @ camera.rotation
    directions = np.einsum("ij,jrc->irc", along, local)
    return np.ascontiguousarray(directions, dtype=np.float32)
