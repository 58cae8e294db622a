"""Turbid bodies: clouds of sand, silt, flour of rock or algae that stand somewhere in the water.

They hide what lies behind them, are lit by the daylight at their depth, drift, swing with the swell, grow and
settle, and are passed by the camera as things are. Sources throw sediment up, which rises, spreads and
settles.

Place it after ``veiling_light``, and before particles and bubbles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field, model_validator

from halocline._typing import F32
from halocline.graph.operator import Drawn, Operator, Planes, PlaneUse, Stage, Tile
from halocline.graph.shot import Shot
from halocline.operators.shared.body_parameters import PlacedBody, Vector
from halocline.operators.shared.sediment_parameters import SedimentSource
from halocline.operators.shared.seen_ground import MOST_PIXELS, seen_ground
from halocline.operators.shared.view_rays import ray_spacing, spaced_rays
from halocline.operators.shared.wake_parameters import off_their_frames
from halocline.operators.shared.water_shade import scene_shade, water_shade
from halocline.physics.floating.flow import Current, TurbulentFlow, turbulence
from halocline.physics.floating.ground import Ground
from halocline.physics.floating.turbid import TurbidBody
from halocline.physics.floating.turbid_light import unturned
from halocline.physics.floating.turbid_view import (
    BodiesInLight,
    LaidBodies,
    SurfacesSeen,
    TurbidRays,
    TurbidVolume,
    sight_m,
)
from halocline.quantities import Angle, Distance, Period, Ratio, Share, Strict

# A surface this many attenuation lengths away is hardly seen.
_SEEN_LENGTHS = 3.0
_TINY = np.float32(1e-9)
# What is seen of lamps themselves.
_LAMPS_LEFT = frozenset({"lamp_seen", "lamp_left", "lamp_water"})
_LAMPS = _LAMPS_LEFT | {"lamp_range"}
# Pixels that tell whether there is a floor at all.
_FEW_PIXELS = 20_000
# Of the eddies' sizes, the largest to the smallest; finer ones are clouds.
_EDDY_SPREAD = 5.0


class TurbidBodiesParameters(Strict):
    """Parameters of turbid bodies.

    Attributes
    ----------
    bodies
        The bodies: one table ``[[steps.NAME.bodies]]`` each.
    sediment
        What throws sediment up from the floor: one table ``[[steps.NAME.sediment]]`` each.
    density
        Multiplies what all of them add to the water's attenuation; 0 is clear.
    brightness
        Art: multiplies their light; 1 is physical.
    self_shadow
        Art: how much of the sun's and of lamps' light bodies keep from what lies behind in them; 1 is
        physical.
    shade_things
        Art: how dense bodies are where they keep daylight and lamps' light from the subject, from the water
        and from what else floats in it; 1 is physical, 0 throws no shade. ``light.shadows`` turns it off too.
    current
        Steady drift of the water, m/s, world axes. Clouds drift through a body that has always been there;
        one that ``begins`` goes along. Give it one value for a shot: it is multiplied by time.
    surge, surge_period
        Swell: amplitude of its to and fro, metres, world axes, and period, seconds.
    turbulence, turbulence_scale
        Root mean square speed of eddies, m/s, and size of the largest, metres.
    floor_steepest
        How steep the floor may be that layers and sources with ``floor = "found"`` follow, degrees. What
        rises more steeply stands on it, and the layer passes below or around: a column, a boulder, the arch.
    rays
        View rays followed across the width of the picture.
    """

    bodies: tuple[PlacedBody, ...] = ()
    sediment: tuple[SedimentSource, ...] = ()
    density: Ratio = 1.0
    brightness: Ratio = 1.0
    self_shadow: Share = 1.0
    shade_things: Ratio = 1.0
    current: Vector = (0.0, 0.0, 0.0)
    surge: Vector = (0.0, 0.0, 0.0)
    surge_period: Period = 8.0
    turbulence: Ratio = 0.04
    turbulence_scale: Distance = 1.5
    floor_steepest: Annotated[Angle, Field(ge=5.0, le=80.0)] = 45.0
    rays: Annotated[int, Field(ge=32, le=2048)] = 200

    @property
    def all_bodies(self) -> tuple[PlacedBody | SedimentSource, ...]:
        """What is placed and what is thrown up."""
        return (*self.bodies, *self.sediment)

    @model_validator(mode="after")
    def _named_apart(self) -> TurbidBodiesParameters:
        names = [body.name for body in self.all_bodies]
        if len(set(names)) < len(names):
            raise ValueError("two bodies have the same name; each needs one of its own")
        return self


class TurbidBodies(Operator[TurbidBodiesParameters, TurbidVolume | None]):
    """Takes light by exp(-tau) along each ray, and adds what bodies turn to the lens."""

    Parameters = TurbidBodiesParameters
    nothing_at: ClassVar = {"density": 0.0}
    stage = Stage.FLOATING
    draws = Drawn("body_alpha")
    layer = "bodies"
    uses = frozenset({"light.lamps", "light.reference_depth", "light.shadows"})
    otherwise_since: ClassVar = {
        2: "clouds of sand and silt shade the subject and the water (shade_things = 0 is as before)"
    }

    def planes(self) -> PlaneUse:
        """Read light, what the water threw in of it, and geometry; write light, and what it adds to that."""
        return PlaneUse(
            reads=frozenset({"bands", "alpha", "range"}),
            optional=frozenset({"coverage", "far_range", "far_share", "far_light", "halo", *_LAMPS}),
            writes=frozenset({"bands", "alpha", "far_light", "body_light", "body_alpha", *_LAMPS_LEFT}),
            adds=frozenset({"body_light"}),
            added=True,
        )

    def idle(self, shot: Shot) -> bool:
        """Without bodies the picture stays, to the bit."""
        if any(each.placed_by is not None and each.placed_by[0] is self for each in shot.bodies):
            return False
        return not self._bodies(shot, None) and not self._on_floor()

    def warnings(self, shot: Shot) -> tuple[str, ...]:
        """Tell where a layer or a source has no floor to follow."""
        # Whether there is one is told by few pixels.
        if not self._on_floor() or self._ground(shot, coarse=True) is not None:
            return ()
        return (
            (
                'no floor is seen that what has floor = "found" could follow, so it is not there: '
                "state its height, or let it be steeper: floor_steepest"
            ),
        )

    def of_scene(self) -> str | None:
        """Tell that a layer or a source follows the scene's floor."""
        return f'the floor of its body "{self._on_floor()[0].name}"' if self._on_floor() else None

    def of_other_frames(self, shot: Shot) -> tuple[str, ...]:
        """Tell of track files of another shot."""
        return off_their_frames(self.parameters.sediment, shot)

    def absent(self, frame: float, fps: float) -> bool:
        """Nothing is there before the first of them begins, or when all have faded."""
        p = self.parameters
        return p.density == 0.0 or all(body.absent(frame, fps) for body in p.all_bodies)

    def prepare(self, shot: Shot) -> TurbidVolume | None:
        """Place the bodies and set out the rays; they are followed when first looked at."""
        p, window = self.parameters, shot.data_window
        bodies = self._in_place(shot)
        if not bodies:
            return None
        # What bodies keep from themselves they tell by rays of their own.
        made = water_shade(shot)
        shade = None if made is None or made.shade.is_none else scene_shade(made, bodies=False)
        spacing = ray_spacing(shot.camera, shot.display_window, p.rays)
        directions = spaced_rays(shot.camera, np.eye(3), window, spacing)
        return TurbidVolume(
            bodies,
            TurbidRays(directions, spacing, shot.camera.position_m),
            shot.path,
            eddies=self._eddies(shot),
            time_s=shot.time_s,
            shade=None if shade is None else shade.light,
            lamps=shot.lamps,
            self_shadow=p.self_shadow,
        )

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: TurbidVolume | None) -> Planes:
        """Lay the bodies over the picture."""
        if prepared is None:
            return _nothing_laid(planes, tile)
        region, window = tile.region, shot.data_window
        covered = planes.get("coverage", planes["alpha"])
        far = tuple(planes.get(name) for name in ("far_range", "far_share", "far_light"))
        told = tile.wants("body_light"), tile.wants("body_alpha")
        corner = (region.y - window.y, region.x - window.x)
        bands, water = planes["bands"], _thrown_in(planes, tile)
        # Lamps that are seen stand where they are, and what they light lies about them; all else that the
        # water threw in lies evenly along the way.
        lamps = planes.get("lamp_seen") if "lamp_range" in planes else None
        lit = planes.get("lamp_water")
        for apart in (lamps, lit):
            if apart is not None and water is not None:
                bands, water = bands - apart, water - apart
        surfaces = SurfacesSeen(planes["range"], covered, *far)
        laid = prepared.laid(
            bands,
            planes["alpha"],
            surfaces,
            corner=corner,
            water=water,
            halo=_halo(planes, shot),
            told=told,
        )
        written = {"bands": laid.light, "alpha": laid.alpha}
        if lit is not None and water is not None:
            kept = prepared.of_lamps_haze(lit, surfaces, corner=corner)
            laid.light[...] += kept
            if laid.thrown is not None:
                laid.thrown[...] += kept - lit
            written["lamp_water"] = kept
        if lamps is not None and water is not None:
            written |= _lay_lamps(prepared, planes, lamps, corner, laid)
        more = {"far_light": laid.far_light, "body_light": laid.thrown, "body_alpha": laid.covered}
        return written | {name: plane for name, plane in more.items() if plane is not None}

    def stands_in_light(self, shot: Shot) -> BodiesInLight | None:
        """Return the bodies as light meets them."""
        dense = self.parameters.shade_things
        seen = self._bodies(shot, self._ground(shot))
        if not seen:
            return None
        bodies = [
            replace(body, extinction_per_m=dense * body.extinction_per_m)
            for body in map(unturned, seen if dense > 0.0 else ())
        ]
        return BodiesInLight(bodies, shot.path, self._eddies(shot), shot.time_s, seen, (self, shot.step))

    def _in_place(self, shot: Shot) -> Sequence[TurbidBody]:
        """Return the bodies of a frame: those that were placed to stand in its light, where they were."""
        for each in shot.bodies:
            if each.placed_by == (self, shot.step) and each.path is shot.path:
                return each.seen
        return self._bodies(shot, self._ground(shot))

    def _eddies(self, shot: Shot) -> TurbulentFlow:
        p = self.parameters
        return turbulence(
            shot.seed,
            "turbid bodies",
            rms_speed_m_s=p.turbulence,
            largest_m=p.turbulence_scale,
            smallest_m=p.turbulence_scale / _EDDY_SPREAD,
            modes=8,
        )

    def _bodies(self, shot: Shot, ground: Ground | None) -> list[TurbidBody]:
        p = self.parameters
        if p.density == 0.0:
            return []
        current = Current(p.current, p.surge, p.surge_period)
        how = {"density": p.density, "brightness": p.brightness, "stir_m_s": p.turbulence}
        placed = [body.body(shot, current, ground=ground, **how) for body in p.bodies]
        thrown = [source.body(shot, current, ground=ground, **how) for source in p.sediment]
        return [body for body in (*placed, *thrown) if body is not None]

    def _on_floor(self) -> list[PlacedBody | SedimentSource]:
        """Return the bodies that follow the floor of the picture."""
        p = self.parameters
        return [body for body in p.all_bodies if body.finds_floor and p.density > 0.0]

    def _ground(self, shot: Shot, *, coarse: bool = False) -> Ground | None:
        """Return the floor that a frame shows, where a body there follows it."""
        p = self.parameters
        there = [body for body in self._on_floor() if not body.absent(shot.frame, shot.fps)]
        if not there:
            return None
        thinnest, reach = min(body.finest_m for body in there), sight_m(shot.path)
        steepest = p.floor_steepest
        if coarse:
            thinnest = 0.1 * reach
        pixels = _FEW_PIXELS if coarse else MOST_PIXELS
        return seen_ground(shot, thinnest_m=thinnest, reach_m=reach, steepest_deg=steepest, pixels=pixels)


def _lay_lamps(
    volume: TurbidVolume, planes: Planes, lamps: F32, corner: tuple[int, int], laid: LaidBodies
) -> dict[str, F32]:
    """Add what bodies leave of lamps that are seen, each taken to stand at the mean range of those there.

    What is left of them, and of what bodies had taken before, is returned for the next step of its kind.

    Bodies have taken some of the glow already, on its way from the lamp to where the water turns it. Of the
    way there and the way on together they take no less than of the whole way to the lamp, and no more than
    either where only that meets them.
    """
    through = volume.left_to(planes["lamp_range"], corner=corner)
    counted: F32 = np.maximum(np.maximum(planes["lamp_left"], through), _TINY)
    kept: F32 = lamps * (through / counted)
    laid.light[...] += kept
    if laid.thrown is not None:
        laid.thrown[...] += kept - lamps
    return {"lamp_seen": kept, "lamp_left": planes["lamp_left"] / counted}


def _nothing_laid(planes: Planes, tile: Tile) -> Planes:
    """Return what a picture has where no body is seen."""
    made = {name: planes[name] for name in ("bands", "alpha", "far_light") if name in planes}
    if tile.wants("body_light"):
        made["body_light"] = np.zeros_like(planes["bands"])
    if tile.wants("body_alpha"):
        made["body_alpha"] = np.zeros_like(planes["alpha"])
    return made


def _thrown_in(planes: Planes, tile: Tile) -> F32 | None:
    """Return what the water threw in on the way, all of it; None where there is none."""
    found = [planes[name] for name in tile.added if name in planes]
    return sum(found[1:], start=found[0]) if found else None


def _halo(planes: Planes, shot: Shot) -> tuple[F32, float] | None:
    """Return the halos of what surfaces send, and lengths a metre of which few hide them.

    A near surface's halo comes from itself and its neighbours, and is hidden as they are. What is turned
    before one that is hardly seen any more comes from nearer things aside: it lies along the way, as the veil
    does.
    """
    if "halo" not in planes:
        return None
    return planes["halo"], float(shot.path.beam_rate.mean()) / _SEEN_LENGTHS
