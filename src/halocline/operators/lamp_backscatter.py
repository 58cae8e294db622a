"""Lamp backscatter: what lamps light of the water between lens and subject, and the lamps that are seen.

A lamp near the lens puts a bright fog over the picture; one held off to the side shows its beam instead, with
its core, its edge, and the clouds that break it. A lamp that shines into the lens shows its face and a glow.

Place it after ``attenuation`` and before ``forward_scatter`` and ``veiling_light``, which closes the
picture's open places.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from halocline._typing import F32, F64
from halocline.filters.lens_blur import footprint
from halocline.filters.splat import Area, Discs, Drawing, DrawnRows, Surface
from halocline.graph.operator import Operator, Planes, PlaneUse, Source, Stage, Tile
from halocline.graph.shot import Shot
from halocline.late_dataclass import dataclass
from halocline.operators.shared.lamp_light import Passing, in_front, lamp_haze, lamps_far_aside
from halocline.physics.floating.field import patchiness
from halocline.physics.floating.flow import Current
from halocline.physics.floating.lamp_haze import clouds_at
from halocline.physics.path.lamp_glow import Glow, LampSeen, lamp_glow
from halocline.physics.path.lamps import Lamp
from halocline.physics.path.scatterers import Scatterers
from halocline.quantities import Distance, Factor, Period, Position, Ratio, Strict

# A beam is seen summed along the ray, which leaves only the waves that lie across it. Of ten that is often a
# single one, and a beam with even bars.
_CLOUD_WAVES = 28
# Of what of the haze is seen of lamps themselves: its light, their range, and what bodies have left of it.
_SEEN = ("lamp_seen", "lamp_range", "lamp_left")
# And the rest of it: what lamps light of the water.
_WATER = "lamp_water"
# While the shutter is open a glow is looked at about every so many pixels that it moves by, so often at most.
_FINEST_GLOW_PX, _GLOW_MOMENTS = 2.0, 9


class LampBackscatterParameters(Strict):
    """Parameters of lamp backscatter. The lamps themselves stand in ``[[light.lamps]]``.

    Attributes
    ----------
    strength
        Art: multiplies the haze; 1 is physical.
    clouds
        How patchy the water is that beams show: standard deviation of its scattering over the mean, 0 (even)
        to 2. The mean stays.
    cloud_scale
        From cloud to cloud, metres.
    current
        Steady drift of the clouds, m/s, world axes: that of what floats. One value for a shot.
    surge, surge_period
        Swell: amplitude of its to and fro, metres, world axes, and period, seconds.
    glow
        Art: multiplies the glow round lamps that shine into the lens; 1 is physical.
    brightest
        Most that the face of a lamp shows, times white in daylight at the reference depth.
    """

    strength: Ratio = 1.0
    clouds: Annotated[float, Field(ge=0.0, le=2.0)] = 0.0
    cloud_scale: Distance = 0.8
    current: tuple[Position, Position, Position] = (0.0, 0.0, 0.0)
    surge: tuple[Position, Position, Position] = (0.0, 0.0, 0.0)
    surge_period: Period = 8.0
    glow: Ratio = 1.0
    brightest: Factor = 200.0


@dataclass(frozen=True)
class PreparedHaze:
    """What scatters, and the lamps that shine into the lens: their glows and their faces."""

    matter: Scatterers
    glows: tuple[tuple[Lamp, Glow], ...]
    faces: Drawing | None


class LampBackscatter(Operator[LampBackscatterParameters, PreparedHaze]):
    """Adds int b p(psi) I exp(-k r - c t) / (r^2 + rho^2) dt to each band, and lamps with their glow."""

    Parameters = LampBackscatterParameters
    nothing_at: ClassVar = {"strength": 0.0}
    stage = Stage.LAMP_HAZE
    layer = "lamp_haze"
    otherwise_since: ClassVar = {
        2: "lamps throw shadows, fading at the picture's edge (shadows = false of a lamp is as before); "
        "clouds in beams have other shapes; haze is brighter, and falls off otherwise about lamps in view"
    }
    uses = frozenset({"light.lamps"})

    def planes(self) -> PlaneUse:
        """Read light, coverage and range; write light, and what is added by itself."""
        return PlaneUse(
            reads=frozenset({"bands", "alpha", "range", "downward"}),
            optional=frozenset({"far_range", "far_share"}),
            writes=frozenset({"bands", "lamp_haze", _WATER, *_SEEN}),
            adds=frozenset({"lamp_haze"}),
        )

    def needs(self) -> frozenset[Source]:
        """It is all lamp light."""
        return frozenset({Source.LAMPS})

    def idle(self, shot: Shot) -> bool:
        """Without lamps there is no haze."""
        return not shot.lamps or self.parameters.strength == 0.0

    def warnings(self, shot: Shot) -> tuple[str, ...]:
        """Tell of lamps whose shadows the lens knows little of."""
        return lamps_far_aside(shot)

    def prepare(self, shot: Shot) -> PreparedHaze:
        """Carry the clouds to where they are, and find shadows and the lamps that shine into the lens."""
        p = self.parameters
        for lamp in shot.lamps:
            if lamp.shadow is not None:
                lamp.shadow.ready(water=True)
        clouds = None
        if p.clouds > 0.0:
            seed = shot.step_seed("lamp_backscatter")
            patches = patchiness(
                seed, "clouds", scale_m=p.cloud_scale, variation=p.clouds, modes=_CLOUD_WAVES
            )
            flow = Current(p.current, p.surge, p.surge_period)
            clouds = clouds_at(patches, flow.displacement(shot.time_s))
        seen = [
            (lamp, found)
            for lamp in shot.lamps
            if in_front(lamp, shot) and (found := LampSeen.of(lamp, shot.camera.position_m)) is not None
        ]
        return PreparedHaze(
            Scatterers.of_water(shot.path.bands, clouds),
            tuple((lamp, lamp_glow(lamp, shot.path, found)) for lamp, found in seen if p.glow > 0.0),
            self._faces(seen, shot) if seen else None,
        )

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: PreparedHaze) -> Planes:
        """Add the haze of all lamps, and the lamps."""
        p = self.parameters
        alpha = np.clip(planes["alpha"], np.float32(0.0), np.float32(1.0))
        direction = shot.camera.directions(tile.region)
        open_length = shot.path.open_length(planes["downward"])
        covered = alpha > 0
        ends = np.where(covered, np.minimum(planes["range"], open_length), open_length)
        told = prepared.faces is not None and any(map(tile.wants, (_WATER, *_SEEN)))
        made = self._before(shot, direction.reshape(3, -1), ends.ravel(), prepared, told=told)
        haze = made.reshape(-1, *ends.shape)
        for share, behind in _behind(planes, alpha, open_length):
            rows, columns = np.nonzero(share != 0.0)
            if rows.size:
                rays = np.ascontiguousarray(direction[:, rows, columns])
                here = haze[:, rows, columns]
                there = self._before(shot, rays, behind[rows, columns], prepared, told=told)
                haze[:, rows, columns] = here + share[rows, columns] * (there - here)
        haze *= np.float32(p.strength)
        bands = len(planes["bands"])
        haze, glow = haze[:bands], haze[bands:]
        seen: dict[str, F32] = {}
        if prepared.faces is not None:
            surface = Surface(planes["range"], alpha, planes.get("far_range"), planes.get("far_share"))
            faces = prepared.faces.draw((tile.region.y, tile.region.y_end), surface)
            haze += faces.light
            if told:
                seen = _lamps_seen(glow, faces)
        if tile.wants(_WATER):
            seen[_WATER] = haze - seen["lamp_seen"] if told else haze.copy()
        return {"bands": planes["bands"] + haze, "lamp_haze": haze, **seen}

    def _before(self, shot: Shot, direction: F32, ends_m: F32, prepared: PreparedHaze, *, told: bool) -> F32:
        """Return haze and glow of rays ``(3, n)`` up to their ends, ``(K, n)``.

        Where the glow is to be told by itself it follows, and two sums over its bands: times the lamps'
        ranges, and without what bodies keep, ``(2 K + 2, n)``.
        """
        total = lamp_haze(shot, direction, ends_m, prepared.matter)
        apart = np.zeros((len(total) + 2 if told else 0, ends_m.size), np.float32)
        pixel = 1.0 / shot.camera.focal_px
        glow = np.float32(self.parameters.glow)
        for lamp, each in prepared.glows:
            turned = np.zeros_like(total)
            passing = Passing.of(shot, lamp)
            moments = passing.moments(_FINEST_GLOW_PX, _GLOW_MOMENTS)
            for moment in moments if len(moments) > 1 else ():
                place, rays = passing.looked(moment, shot.camera.position_m, direction)
                towards = lamp.position_m - place
                then = replace(each, direction=towards / np.linalg.norm(towards))
                then.add(rays, ends_m, pixel, glow / np.float32(len(moments)), turned)
            if len(moments) == 1:
                each.add(direction, ends_m, pixel, glow, turned)
            # What is turned a little has come the same way.
            if lamp.shadow is not None:
                lamp.shadow.dim(direction, ends_m, turned)
            whole = _over_bands(turned) if told else None
            if lamp.dim_haze is not None:
                lamp.dim_haze(direction, ends_m, turned)
            total += turned
            if whole is not None:
                apart[:-2] += turned
                apart[-2] += _over_bands(turned) * np.float32(each.range_m)
                apart[-1] += whole
        return np.concatenate([total, apart]) if told else total

    def _faces(self, faces: list[tuple[Lamp, LampSeen]], shot: Shot) -> Drawing:
        """Return the faces of lamps as sharp discs, drawn out where the lens passes by."""
        seen = [found for _, found in faces]
        path, camera, window = shot.path, shot.camera, shot.data_window
        place = np.stack([camera.position_m + lamp.range_m * lamp.direction for lamp in seen])
        pixels, depth = camera.project(place)
        across, down = camera.tangent_per_px
        radius_m = np.array([lamp.radius_m for lamp in seen])
        thing = radius_m / (depth * np.sqrt(across * down))
        radius, softness = footprint(thing, np.zeros_like(thing))
        most = self.parameters.brightest * path.white
        light = np.stack([np.minimum(lamp.face_radiance(path), most) for lamp in seen])
        start, end = (_seen_from(faces, pixels, shot, moment) for moment in shot.shutter())
        discs = Discs(
            start,
            end,
            radius,
            softness,
            np.pi * thing * thing,
            light,
            np.array([lamp.range_m for lamp in seen]),
            2.0 * radius_m,
        )
        area = Area(window.y, window.y_end, window.x, window.x_end)
        return Drawing(area, discs, globe=camera.globe)


def _over_bands(light: F32) -> F32:
    """Return the sum over bands, in their order whatever the shape."""
    total: F32 = sum(light[1:], start=light[0])
    return total


def _lamps_seen(glow: F32, faces: DrawnRows) -> dict[str, F32]:
    """Return the planes that tell what is seen of lamps, of their glow (see `_before`) and their faces."""
    light = glow[:-2] + faces.light
    by_face, by_glow = _over_bands(faces.light), _over_bands(glow[:-2])
    away, whole = np.full_like(by_face, np.inf), np.ones_like(by_face)
    face_m = np.zeros_like(by_face)
    np.divide(faces.range_m, faces.alpha, out=face_m, where=faces.alpha > 0)
    np.divide(glow[-2] + by_face * face_m, by_glow + by_face, out=away, where=by_glow + by_face > 0)
    np.divide(by_glow + by_face, glow[-1] + by_face, out=whole, where=glow[-1] + by_face > 0)
    return dict(zip(_SEEN, (light, away, whole), strict=True))


def _seen_from(faces: list[tuple[Lamp, LampSeen]], pixels: F64, shot: Shot, moment: float) -> F64:
    """Return where lamps are in the picture at a moment, ``(n, 2)``; those that ride stay where they are."""
    camera = shot.track.at(moment)
    if shot.camera.globe is not None:
        return pixels
    found, depth = camera.project(np.stack([lamp.position_m for lamp, _ in faces]))
    stays = np.array([lamp.rides for lamp, _ in faces]) | ~(depth > 0.0)
    return np.where(stays[:, None], pixels, found)


def _behind(planes: Planes, alpha: F32, open_length: F32) -> list[tuple[F32, F32]]:
    """Return what else edge pixels show: the farther surface, then open water; share and length of each."""
    found = []
    if "far_share" in planes:
        found.append((planes["far_share"], np.minimum(planes["far_range"], open_length)))
    uncovered = np.where(alpha > 0, np.float32(1.0) - alpha, np.float32(0.0))
    return [*found, (uncovered, open_length)]
