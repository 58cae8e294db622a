"""Snell's window: the sky above the waves, seen from below where nothing else is in the way.

Straight up lies the whole sky, gathered into a bright disc that the waves break up; around it the surface is
a mirror of the water below.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from halocline._typing import F32, F64
from halocline.graph.operator import Operator, Planes, PlaneUse, Stage, Tile
from halocline.graph.sea import Sea
from halocline.graph.shot import Shot
from halocline.late_dataclass import dataclass
from halocline.operators.shared.pixel_stretch import CameraMotion
from halocline.operators.shared.surface_light import (
    FARTHEST_M,
    LevelAxes,
    light_field,
)
from halocline.operators.shared.two_surfaces import FARTHER_PLANES
from halocline.physics.path.transport import LightPath, VeilRays, attenuate
from halocline.physics.sea.light_field import CausticField
from halocline.physics.sea.sky import SeenSurface, Sky, drawn_in, look_up_over, sky_over, widening
from halocline.physics.sea.slope_lookup import Footprint
from halocline.physics.sea.surface import SUN_RADIUS_RAD
from halocline.quantities import Angle, Colour, Distance, Factor, Ratio, Strict

# Rays along the shorter side by which a view is judged, and by how much the sine of their height may differ
# between them.
_RAYS_LOOKED_AT = 48
_BETWEEN_RAYS = 0.03
# Degrees over which the surface comes in above `SkyWindowParameters.from_angle`.
_FADES_IN_DEG = 10.0


class SkyWindowParameters(Strict):
    """Parameters of the view through the surface.

    Attributes
    ----------
    surface
        Another sea than the preset's ``[sea]``, for this step alone: a whole one, with the same keys.
    brightness
        Art: multiplies what comes from above and the mirrored water, a ratio; 1 is physical.
    waves
        Art: multiplies the slopes of the waves as they are seen, a ratio; 1 is physical, 0 a calm mirror.
    sun_blur
        Standard deviation by which the sun's image is widened, degrees. Its bare disc is thousands of times
        as bright as the sky; widened, it keeps its light and is easier on the composite.
    brightest
        Soft limit of what is seen through the surface, in times a white card in the same daylight at the
        reference depth, or some metres below the surface where that lies deeper: what is brighter than half
        of it is drawn in and never passes it, hue kept. Glints keep that much to bloom with and no more.
    ground_depth
        Depth of level ground, metres, that the surface mirrors outside the window; endless water where not
        given.
    ground
        Reflectance of that ground per channel of linear Rec.709.
    farthest
        Metres to the surface along the view beyond which it is left to the veiling light; from half of it on
        it fades. Where not given 60, or three times the lens's depth if that is more: the whole of the
        window is seen.
    from_angle
        Degrees above the level from which on the surface is seen, whole ten degrees higher; lower down it is
        left to the veiling light. Where the whole view is lower the step takes no time.
    """

    surface: Sea | None = None
    brightness: Ratio = 1.0
    waves: Ratio = 1.0
    sun_blur: Annotated[Angle, Field(ge=0.0, le=20.0)] = 0.5
    brightest: Factor = 40.0
    ground_depth: Distance | None = None
    ground: Colour = (0.3, 0.3, 0.3)
    farthest: Distance | None = None
    from_angle: Annotated[Angle, Field(ge=0.0, le=80.0)] = 0.0


# How far the surface is shown where nothing is stated, metres, and in depths of the lens: at the window's
# edge it is 1.5 of those away.
_FARTHEST_M, _WINDOW_DEPTHS = 60.0, 3.0


@dataclass(frozen=True)
class _Prepared:
    """The sky and the sea of a frame.

    ``from_above`` is the radiance of each band for a sky radiance of 1/sr, ``brightest`` its soft limit and
    ``above_highest`` daylight there over that where bands' fit begins, ``(K,)`` each; ``below`` the water
    just under the surface.
    """

    field: CausticField
    axes: LevelAxes
    sky: Sky
    sun_variance: float
    from_above: F32
    brightest: F64
    above_highest: F32
    below: LightPath
    water: VeilRays
    ground: F32 | None
    motion: CameraMotion


class SkyWindow(Operator[SkyWindowParameters, _Prepared]):
    """Fills what nothing covers, where the view goes up to the surface, with what is seen there."""

    Parameters = SkyWindowParameters
    nothing_at: ClassVar = {"brightness": 0.0}
    stage = Stage.SUBJECT_LIGHT
    layer = "sky"
    otherwise_since: ClassVar = {
        2: "what is seen of the sky through the surface gives no halo of its own, for the water's light "
        "holds it already: views up are darker, by up to half; from deep down the sky "
        "is as bright and as warm as the water lets it through"
    }

    def planes(self) -> PlaneUse:
        """Read and write light; coverage and direction decide where.

        Where a thing covers part of a pixel, the sea surface behind it is noted as the farther surface there.
        What of a pixel's light is the surface's is noted for the water's blur: the water's own light has what
        is turned of it already.
        """
        return PlaneUse(
            reads=frozenset({"bands", "alpha", "downward"}),
            optional=FARTHER_PLANES,
            writes=frozenset({"bands", "surface_light", "surface_share", "far_range", "far_light"}),
        )

    def idle(self, shot: Shot) -> bool:
        """Without brightness, from above the water, or of a view that is too level nothing is seen."""
        nothing = self.parameters.brightness == 0.0 or shot.path.camera_depth_m <= 0.0
        return nothing or (self.parameters.from_angle > 0.0 and self._looks_level(shot))

    def _looks_level(self, shot: Shot) -> bool:
        """Return whether all rays of the picture are lower than the surface is shown."""
        window = shot.data_window
        step = max(1, min(window.width, window.height) // _RAYS_LOOKED_AT)
        highest = -float(shot.view_plane("downward", window, every=step).min())
        return highest + _BETWEEN_RAYS < math.sin(math.radians(self.parameters.from_angle))

    def _shown(self, mu: F32) -> F32:
        """Return how much of the surface is shown by the rays' downward component, 0 to 1."""
        angle = self.parameters.from_angle
        first, last = (math.sin(math.radians(a)) for a in (angle, angle + _FADES_IN_DEG))
        t = np.clip(
            (-mu - np.float32(first)) * np.float32(1.0 / (last - first)), np.float32(0), np.float32(1)
        )
        return np.asarray(t * t * (np.float32(3.0) - np.float32(2.0) * t), np.float32)

    def prepare(self, shot: Shot) -> _Prepared:
        """Raise the sea and the sky over it."""
        p, path = self.parameters, shot.path
        field = light_field(shot, p.surface)
        sun = field.setup.optics.beam
        below, above = replace(path, camera_depth_m=0.0), path.above_highest()
        axes = LevelAxes.of(shot)
        return _Prepared(
            field,
            axes,
            sky_over(sun, sun_share=path.surface_sun_share),
            self._sun_variance(field),
            (path.light_from_above() * p.brightness).astype(np.float32),
            path.white * above * (p.brightest * path.daylight_level),
            above.astype(np.float32),
            below,
            below.veil_rays(),
            self._ground(path),
            CameraMotion.of(shot, np.stack([axes.x, axes.y, -path.up])),
        )

    def _ground(self, path: LightPath) -> F32 | None:
        """Return the radiance of the mirrored ground, ``(K,)``, where there is one."""
        p = self.parameters
        if p.ground_depth is None:
            return None
        lit = path.lifted(p.ground) * path.daylight(p.ground_depth)
        ground: F32 = lit.astype(np.float32)
        return ground

    def _sun_variance(self, field: CausticField) -> float:
        """Return the variance of the sun's image where a pixel hides no waves, radians squared.

        Its disc, waves too small for the sea's grid, and art.
        """
        setup = field.setup
        small = float(np.trace(setup.fine.unresolved)) * self.parameters.waves**2
        own = (0.5 * SUN_RADIUS_RAD) ** 2 + math.radians(self.parameters.sun_blur) ** 2
        return own + small * widening(setup.optics.beam.index)

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: _Prepared) -> Planes:
        """Fill in."""
        mu, alpha = planes["downward"], planes["alpha"]
        rows, columns = np.nonzero((mu < 0.0) & (alpha < 1.0))
        # Most of a level view is too low or too far to show the surface: of that nothing is reckoned.
        shown = self._shares(mu[rows, columns], shot)
        some = np.logical_and.reduce([share > 0.0 for share in shown])
        rows, columns, shown = rows[some], columns[some], [share[some] for share in shown]
        light, share = np.zeros_like(planes["bands"]), np.zeros_like(alpha)
        bands = planes["bands"].copy()
        if rows.size:
            seen = self._seen(mu[rows, columns], tile, shot, prepared, rows, columns)
            for part in shown:
                seen *= part
            seen *= np.float32(1.0) - alpha[rows, columns]
            light[:, rows, columns] = seen
            bands += light
            share[rows, columns] = _share(seen, bands[:, rows, columns])
        made = {"bands": bands, "surface_light": light, "surface_share": share}
        return {**made, **_farther(planes, bands, light)}

    def _seen(
        self, mu: F32, tile: Tile, shot: Shot, ready: _Prepared, rows: np.ndarray, columns: np.ndarray
    ) -> F32:
        """Return the light that leaves the surface towards the lens, ``(K, n)``."""
        across = [plane[rows, columns] for plane in ready.axes.across(shot, tile.region)]
        directions = np.stack([*across, mu])[:, np.newaxis]
        distance = _distance(mu, shot)
        footprint = Footprint.of_view(directions[:, 0], distance, shot.camera.tangent_per_px[0])
        if not ready.motion.still:
            footprint = footprint.swept(*ready.motion.over_level(directions[:, 0], distance))
        slopes = ready.field.slopes(
            directions[0] * distance,
            directions[1] * distance,
            origin=ready.axes.origin,
            footprint=footprint,
        )
        slopes[:2] *= np.float32(self.parameters.waves)
        slopes[2] *= np.float32(self.parameters.waves**2)
        above, window = look_up_over(directions, slopes, ready.sky, sun_variance=ready.sun_variance)
        light = self._mirrored(window, ready, shot)
        light += drawn_in(ready.from_above[:, np.newaxis] * above, ready.brightest)
        return light

    def _shares(self, mu: F32, shot: Shot) -> list[F32]:
        """Return how much of the surface is shown, 0 to 1: by how far it is, and by how high the view is."""
        # Towards its farthest the surface fades into open water.
        stated, deep = self.parameters.farthest, _WINDOW_DEPTHS * shot.path.camera_depth_m
        farthest = max(_FARTHEST_M, deep) if stated is None else stated
        near = np.float32(2.0) - _distance(mu, shot) * np.float32(2.0 / farthest)
        np.clip(near, np.float32(0.0), np.float32(1.0), out=near)
        return [near, self._shown(mu)] if self.parameters.from_angle > 0.0 else [near]

    def _mirrored(self, window: SeenSurface, ready: _Prepared, shot: Shot) -> F32:
        """Return what the surface mirrors, ``(K, n)``: water, and ground where there is one."""
        path = ready.below
        mirrored = window.mirrored[:, 0]
        # Waves may throw a ray up again; it is then taken to run level.
        mu = np.maximum(mirrored[2], np.float32(1e-3))
        axes = [ready.axes.x, ready.axes.y, -shot.path.up]
        along = [np.float32(shot.path.sun_travel @ axis) for axis in axes]
        cos_sun = mirrored[0] * along[0] + mirrored[1] * along[1] + mirrored[2] * along[2]
        cos_sun = np.clip(cos_sun, np.float32(-1.0), np.float32(1.0))
        if ready.ground is None:
            out = ready.water(path.open_length(mu), mu, cos_sun)
            out *= ready.above_highest[:, None]
        else:
            length = np.float32(self.parameters.ground_depth) / mu
            out = ready.water(length, mu, cos_sun)
            out *= ready.above_highest[:, None]
            out += ready.ground[:, None] * attenuate(path, length)
        out *= np.float32(self.parameters.brightness) * window.reflectance[0]
        return out


def _distance(mu: F32, shot: Shot) -> F32:
    """Return metres to the level surface along views by their downward component, below 0."""
    return np.asarray(np.minimum(np.float32(shot.path.camera_depth_m) / -mu, np.float32(FARTHEST_M)))


def _share(light: F32, whole: F32) -> F32:
    """Return the share of light ``(K, n)`` in the whole, 0 to 1, ``(n,)``; 1 to the bit where it is all."""
    total = np.maximum(whole.sum(axis=0), np.float32(1e-12))
    return np.asarray(np.clip(light.sum(axis=0) / total, np.float32(0.0), np.float32(1.0)), np.float32)


def _farther(planes: Planes, bands: F32, light: F32) -> Planes:
    """Return range and share of light of what lies behind: of the sea surface, past things at pixels' edges.

    Their water is that of the thing otherwise, and strands have a bright outline.
    """
    alpha = planes["alpha"]
    known = planes.get("far_light", planes.get("far_share"))
    share = np.zeros_like(alpha) if known is None else known.copy()
    range_m = planes["far_range"].copy() if known is not None else np.full_like(alpha, np.inf)
    mixed = np.nonzero((alpha > 0.0) & (alpha < 1.0) & (share == 0.0) & light.any(axis=0))
    share[mixed] = _share(light[:, mixed[0], mixed[1]], bands[:, mixed[0], mixed[1]])
    # As far as the view goes: its water ends at the surface.
    range_m[mixed] = np.inf
    return {"far_range": range_m, "far_light": share}
