"""Parameters of bodies of turbid water, as presets place them, and the bodies that they stand for."""

from __future__ import annotations

import math
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, model_validator

from halocline._typing import F64
from halocline.graph.origins import Bound, WorldHeading, WorldHeight, WorldLength, WorldPoint
from halocline.graph.shot import Shot
from halocline.operators.shared.drawn_things import refuse_disorder
from halocline.operators.shared.layer_parameters import level_direction
from halocline.physics.floating.flow import Current
from halocline.physics.floating.ground import Ground
from halocline.physics.floating.particles import grain_settling_speed, smooth_step
from halocline.physics.floating.turbid import (
    TurbidBody,
    TurbidShape,
    albedo_of,
    density_waves,
    extinction_inside,
    grown,
)
from halocline.physics.floating.turbid_shape_loops import BOX, ELLIPSOID
from halocline.physics.path.transport import LightPath
from halocline.quantities import (
    Colour,
    Distance,
    Duration,
    Factor,
    Length,
    Period,
    Position,
    Ratio,
    Strict,
)

Vector = tuple[Position, Position, Position]
# A plume is drawn as puffs: at most so many, each so many of its radii from the last.
_MOST_PUFFS, _PUFF_STEP = 40, 0.4
# Matter that lasts has faded after so many of its times.
_FADED = 5.0


class PlumeKey(Strict):
    """Where a plume's source is at a frame, metres in the world, and the radius of what it gives off."""

    frame: float
    position: WorldPoint
    radius: WorldLength = 0.3


class PlacedBody(Strict):
    """One body.

    Attributes
    ----------
    name
        Its name; keys its random numbers.
    origin
        Name of the origin that its places, heights and heading are given from: right, above, ahead.
    kind
        ``ellipsoid`` and ``box``: about ``position``, of ``size``. ``slab``: all water above ``lowest`` and
        below ``highest``. ``floor``: a layer of ``thickness`` on the ``floor``. ``plume``: what a source
        along ``track`` has given off.
    contents
        What is in it, for its colour: ``sand`` (pale), ``silt`` (brown), ``milky`` (flour of rock), ``green``
        (algae).
    visibility
        How far one sees inside, metres: 2 % contrast of a small black target, as `water.visibility`. It
        counts the water's own loss; where that alone is more, there is no body.
    albedo
        Share of the light it turns, per channel of linear Rec.709, in place of that of ``contents``.
    asymmetry
        Mean cosine of that turning, above -1 and below 1: above 0 brighter towards the light. The colours of
        ``contents`` are those of clouds that turn light alike to all sides, 0.
    position
        Its middle, metres in the world.
    size
        Length along ``heading``, height, and width, metres, edge to edge.
    heading
        Where its length points, degrees clockwise seen from above, 0 straight ahead (see ``place.ahead``).
    lowest, highest
        Heights in the world between which a slab lies; open on a side that is not given.
    floor
        Height of the floor in the world; or ``"found"``: the layer follows the floor that the picture shows,
        by its positions or its depth and camera, up and down (see ``floor_steepest``).
    thickness
        Of the layer on it, metres, straight up.
    track
        Keys of a plume's source, in the order of frames; between them straight. It gives off from the first
        to the last.
    softness
        Depth below its edge at which it is as dense as it gets, metres. Clouds tear the edge.
    clumping
        Standard deviation of the density over its mean, 0 (even) to 2.
    clump_scale
        From cloud to cloud, metres.
    begins
        Frame from which it is there, and its age counts; always, and as it is, where not given.
    comes_in
        Seconds in which it comes in from then on.
    lasts
        Seconds in which its density falls to 1/e; for ever where not given.
    rise, rise_time
        How far matter is thrown up that is kicked from the floor, metres, and the seconds in which it loses
        all but 1/e of that speed. It sinks meanwhile.
    growth
        Speed at which its edges spread, m/s. What is in it stays, so it thins.
    grain_size
        Diameter of its grains, metres, by which it settles; it hangs where not given.
    grain_density
        Of its grains, kg/m3; quartz unless given.
    """

    name: str
    origin: str | None = None
    kind: Literal["ellipsoid", "box", "slab", "floor", "plume"] = "ellipsoid"
    contents: Literal["sand", "silt", "milky", "green"] = "silt"
    visibility: Distance = 2.0
    albedo: Colour | None = None
    asymmetry: Annotated[float, Field(gt=-1.0, lt=1.0)] = 0.0
    position: WorldPoint | None = None
    size: Annotated[tuple[Distance, Distance, Distance], Bound.LENGTH] | None = None
    heading: WorldHeading = 0.0
    lowest: WorldHeight | None = None
    highest: WorldHeight | None = None
    floor: WorldHeight | Literal["found"] | None = None
    thickness: WorldLength = 0.5
    track: tuple[PlumeKey, ...] = ()
    softness: WorldLength = 0.3
    clumping: Annotated[float, Field(ge=0.0, le=2.0)] = 0.6
    clump_scale: WorldLength = 0.8
    begins: float | None = None
    comes_in: Duration = 1.0
    lasts: Period | None = None
    rise: Length = 0.0
    rise_time: Period = 1.0
    growth: Ratio = 0.0
    grain_size: Distance | None = None
    grain_density: Factor = 2650.0

    @model_validator(mode="after")
    def _placed(self) -> PlacedBody:
        wanted = {"ellipsoid": ("position", "size"), "box": ("position", "size"), "floor": ("floor",)}
        missing = [key for key in wanted.get(self.kind, ()) if getattr(self, key) is None]
        if missing:
            raise ValueError(f'kind = "{self.kind}" needs {" and ".join(missing)}')
        if self.kind == "slab":
            if self.lowest is None and self.highest is None:
                raise ValueError('kind = "slab" needs lowest, highest or both')
            if None not in (self.lowest, self.highest) and not self._heights()[0] < self._heights()[1]:
                raise ValueError(f"highest {self.highest:g} m is not above lowest {self.lowest:g} m")
        if self.kind == "plume" and not self.track:
            raise ValueError('kind = "plume" needs a track of one key at least')
        refuse_disorder("its track", [key.frame for key in self.track])
        return self

    @property
    def finds_floor(self) -> bool:
        """Whether it follows the floor that the picture shows."""
        return self.kind == "floor" and self.floor == "found"

    @property
    def finest_m(self) -> float:
        """How thin it is, metres: the floor is found as finely as that asks for."""
        return self.thickness

    def body(
        self,
        shot: Shot,
        current: Current,
        *,
        density: float,
        brightness: float,
        stir_m_s: float,
        ground: Ground | None = None,
    ) -> TurbidBody | None:
        """Return the body on a frame; None where it is not there.

        Parameters
        ----------
        shot
            The frame.
        current
            What carries it.
        density
            Multiplies its extinction.
        brightness
            Multiplies its light.
        stir_m_s
            Speed of the eddies that turn its clouds over, m/s.
        ground
            The floor that the picture shows; without one, what follows it is not there.
        """
        bands, time = shot.path.bands, shot.time_s
        extinction = density * extinction_inside(self.visibility, bands)
        shapes = self._shapes(shot, current, ground) if extinction > 0.0 else ()
        if not shapes:
            return None
        shift = current.displacement(time) + self._lifted(self._age(shot) or 0.0) * shot.path.up
        clouds = density_waves(
            shot.step_seed("turbid_bodies"),
            self.name,
            scale_m=self.clump_scale,
            variation=self.clumping,
            shift_m=shift,
            stir_m_s=stir_m_s,
            time_s=time,
        )
        albedo = albedo_in_bands(self.contents, self.albedo, shot.path)
        return TurbidBody(shapes, extinction, brightness * albedo, self.asymmetry, clouds)

    def absent(self, frame: float, fps: float) -> bool:
        """Tell whether it has not begun on a frame, or the last of a plume has faded.

        Parameters
        ----------
        frame
            Frame number.
        fps
            Frames a second.
        """
        if self.kind != "plume":
            return self.begins is not None and frame <= self.begins
        if len(self.track) < 2:
            return False
        faded = self.lasts is not None and frame - _FADED * self.lasts * fps >= self.track[-1].frame
        return faded or frame <= self.track[0].frame

    def _age(self, shot: Shot) -> float | None:
        """Return seconds since it began; None where it has always been there as it is."""
        return None if self.begins is None else (shot.frame - self.begins) / shot.fps

    def _sunk(self, age_s: float) -> float:
        """Return how far grains have sunk at an age, metres."""
        if self.grain_size is None:
            return 0.0
        return max(age_s, 0.0) * float(
            grain_settling_speed(self.grain_size, grain_density=self.grain_density)
        )

    def _lifted(self, age_s: float) -> float:
        """Return how far above its place matter is at an age, metres: thrown up, slowed, and sinking."""
        return self.rise * -math.expm1(-max(age_s, 0.0) / self.rise_time) - self._sunk(age_s)

    def _left(self, age_s: float) -> float:
        """Return the share of the density that is there at an age."""
        if age_s <= 0.0:
            return 0.0
        come = 1.0 if self.comes_in == 0.0 else float(smooth_step(np.array(age_s / self.comes_in)))
        return come if self.lasts is None else come * math.exp(-age_s / self.lasts)

    def _heights(self) -> tuple[float, float]:
        """Return between which heights a slab or a layer on the floor lies at first."""
        if self.kind == "floor" and isinstance(self.floor, float):
            return -math.inf, self.floor + self.thickness
        low = -math.inf if self.lowest is None else self.lowest
        return low, math.inf if self.highest is None else self.highest

    def _shapes(self, shot: Shot, current: Current, ground: Ground | None) -> tuple[TurbidShape, ...]:
        if self.kind == "plume":
            return self._puffs(shot, current)
        age = self._age(shot)
        left = 1.0 if age is None else self._left(age)
        if left <= 0.0:
            return ()
        lifted = self._lifted(age or 0.0)
        if self.finds_floor:
            if ground is None:
                return ()
            return (TurbidShape.on_ground(ground, self.thickness + lifted, self.softness, left),)
        if self.kind in ("slab", "floor"):
            low, high = (height + lifted for height in self._heights())
            return (TurbidShape.level(low, high, self.softness, left),)
        assert self.position is not None
        assert self.size is not None
        half, thinned = grown(0.5 * np.array(self.size), self.growth, age or 0.0)
        moved = _carried(current, shot.time_s, age or 0.0) + lifted * shot.path.up
        axes = self._axes(shot.path.up)
        kind = ELLIPSOID if self.kind == "ellipsoid" else BOX
        soft = min(self.softness, float(half.min()))
        return (TurbidShape(kind, np.array(self.position) + moved, axes, half, soft, left * thinned),)

    def _axes(self, up: F64) -> F64:
        """Return the axes of length, height and width, as rows."""
        along = level_direction(up, self.heading)
        return np.stack([along, up, np.cross(along, up)])

    def _puffs(self, shot: Shot, current: Current) -> tuple[TurbidShape, ...]:
        """Return what the source has given off, each puff by its age: it spreads across the track."""
        frames = np.array([key.frame for key in self.track])
        places, radii = (
            np.array([getattr(key, name) for key in self.track]) for name in ("position", "radius")
        )
        puffs = []
        for born in self._births(frames, places, radii, shot):
            age = (shot.frame - born) / shot.fps
            radius = float(np.interp(born, frames, radii))
            half, _ = grown(np.full(3, radius), self.growth, age)
            left = self._left(age) * (radius / float(half[0])) ** 2
            if left > 1e-3:
                place = np.array([np.interp(born, frames, column) for column in places.T])
                moved = _carried(current, shot.time_s, age) + self._lifted(age) * shot.path.up
                soft = min(max(self.softness, 0.5 * float(half[0])), float(half[0]))
                puffs.append(TurbidShape(ELLIPSOID, place + moved, np.eye(3), half, soft, left))
        return tuple(puffs)

    def _births(self, frames: F64, places: F64, radii: F64, shot: Shot) -> F64:
        """Return the frames at which puffs were given off, fixed to the clock but for first and last."""
        first, last = frames[0], min(float(frames[-1]), float(shot.frame))
        if self.lasts is not None:
            first = max(first, shot.frame - _FADED * self.lasts * shot.fps)
        if last <= first and (len(frames) > 1 or first > frames[0]):
            return np.zeros(0)
        way = float(np.sqrt((np.diff(places, axis=0) ** 2).sum(axis=1)).sum())
        span = max(float(frames[-1] - frames[0]), 1.0)
        # As far apart in time as the source takes for a part of its radius; a resting one every few frames.
        step = max(_PUFF_STEP * float(radii.min()) * span / max(way, 1e-6), span / 400.0)
        step = min(step, span / 4.0)
        step *= max(1.0, (last - first) / step / _MOST_PUFFS)
        inner = np.arange(math.floor(first / step) + 1, math.ceil(last / step)) * step
        return np.unique(np.concatenate([[first], inner, [last]]))


def albedo_in_bands(contents: str, albedo: Colour | None, path: LightPath) -> F64:
    """Return the albedo of what a body holds, ``(K,)``.

    Parameters
    ----------
    contents
        A name of `halocline.physics.floating.turbid.contents`.
    albedo
        Per channel of linear Rec.709, in place of that.
    path
        The water.

    Returns
    -------
    F64
        0 or more.
    """
    if albedo is None:
        return albedo_of(contents, path.bands)
    return np.asarray(path.lifted(albedo) / path.white)


def _carried(current: Current, time_s: float, age_s: float) -> F64:
    """Return how far water has gone that was at its place at an age: the swell's swing is about it."""
    drift = np.asarray(current.velocity_m_s) * max(age_s, 0.0)
    still = Current((0.0, 0.0, 0.0), current.surge_m, current.surge_period_s)
    return np.asarray(drift + still.displacement(time_s))
