"""Parameters of what throws sediment up from the floor, and the bodies that its clouds are."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, model_validator

from halocline.graph.origins import WorldHeight, WorldLength, WorldLineMass, WorldMass, WorldPoint, WorldWay
from halocline.graph.shot import Shot
from halocline.imaging.matte_track import Contact
from halocline.operators.shared.body_parameters import albedo_in_bands
from halocline.operators.shared.drawn_things import refuse_disorder
from halocline.operators.shared.wake_parameters import FollowsFile
from halocline.physics.floating.flow import Current
from halocline.physics.floating.ground import Ground
from halocline.physics.floating.sediment import Grains, Throwing, ThrowingTrack, puffs
from halocline.physics.floating.turbid import TurbidBody, density_waves
from halocline.quantities import Colour, Distance, Factor, Period, Ratio, Strict

# What comes down throws for so long, seconds.
_LANDING_S = 0.2


class ThrowKey(Strict):
    """Where a source is at a frame, metres in the world, and the grams that it throws up a second."""

    frame: float
    position: WorldPoint
    grams_per_second: WorldMass = 0.0


class SedimentSource(FollowsFile):
    """What throws sediment up: a fin, a foot, an anchor that drags, or a wake.

    Attributes
    ----------
    name
        Its name; keys its random numbers.
    origin
        Name of the origin that its places and the floor's height are given from: right, above, ahead. In an
        origin's own range lengths grow with the scene, and what is thrown up by their square: a cloud of
        twice the size hides as much.
    track
        Keys in the order of frames, two at least; between them straight. It throws from the first to the
        last.
    track_file
        Instead of keys, a matte's contacts with the floor: a file from ``halocline follow``. It throws while
        and where the thing touches, ``grams_per_touch`` as it comes down and ``grams_per_metre`` as it
        drags. Floor and places are the file's.
    grams_per_metre
        On top of the keys' grams a second: for each metre that it moves, as something that drags or swims
        along the floor does.
    grams_per_touch
        With a ``track_file``: each time that the thing comes down on the floor.
    floor
        Height of the floor in the world: sediment rises from there, below the source, and settles there; or
        ``"found"``: the floor that the picture shows, up and down, as a layer takes it. Without one it leaves
        the source itself and sinks on.
    reach
        So high above the floor the source stirs nothing any more, metres; less and less up to there.
    contents
        What it is, for its colour, as of a body.
    albedo
        Share of the light it turns, per channel of linear Rec.709, in place of that of ``contents``.
    asymmetry
        As of a body.
    grain_size
        Median diameter by mass, metres. It sets how fast it settles (Ferguson and Church; Stokes' law for
        silt), and how much a gram hides: fine grains hide more, and hang.
    sorting
        Two thirds of the mass lie within this factor of the median, 1 (all alike) to 4: the coarse comes down
        first.
    grain_density
        kg/m3; quartz unless given.
    radius
        Within which most of it lies as it leaves, metres.
    rise, sideways
        How far it is thrown up and aside, metres.
    rise_time
        Seconds in which it loses all but 1/e of that speed.
    spread
        Eddies' diffusivity, m2/s: a cloud's variance grows by twice that a second. 0.001 to 0.01 near a
        floor.
    clumping
        Standard deviation of the density over its mean, 0 (even) to 2.
    clump_scale
        From cloud to cloud, metres.
    """

    name: str
    origin: str | None = None
    track: Annotated[tuple[ThrowKey, ...], Field(min_length=2)] | None = None
    grams_per_metre: WorldLineMass = 0.0
    grams_per_touch: Ratio = 0.0
    floor: WorldHeight | Literal["found"] | None = None
    reach: WorldLength = 1.0
    contents: Literal["sand", "silt", "milky", "green"] = "silt"
    albedo: Colour | None = None
    asymmetry: Annotated[float, Field(gt=-1.0, lt=1.0)] = 0.0
    grain_size: Distance = 30e-6
    sorting: Annotated[float, Field(ge=1.0, le=4.0)] = 2.0
    grain_density: Factor = 2650.0
    radius: WorldLength = 0.2
    rise: WorldWay = 0.4
    sideways: WorldWay = 0.2
    rise_time: Period = 0.8
    spread: Ratio = 0.003
    clumping: Annotated[float, Field(ge=0.0, le=2.0)] = 0.7
    clump_scale: WorldLength = 0.5

    @model_validator(mode="after")
    def _in_order(self) -> SedimentSource:
        if (self.track is None) == (self.track_file is None):
            raise ValueError("it needs a track of two keys or more, or a track_file; one of them")
        if self.track_file is not None and not (self.floor is None and self.origin is None):
            raise ValueError(
                "floor and origin go with a track; a track_file tells its own places in the world"
            )
        if self.track_file is None and self.grams_per_touch > 0.0:
            raise ValueError("grams_per_touch goes with a track_file, which tells when it comes down")
        refuse_disorder("its track", [key.frame for key in self.track or ()])
        return self

    @property
    def finds_floor(self) -> bool:
        """Whether it throws from the floor that the picture shows."""
        return self.floor == "found"

    @property
    def finest_m(self) -> float:
        """How thin a layer it throws up at first, metres: the floor is found as finely as for such a one."""
        return 2.0 * self.radius

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
        """Return what floats of its sediment on a frame; None where nothing does.

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
            The floor that the picture shows; without one, what throws from it is not there.
        """
        if self.finds_floor and ground is None:
            return None
        seed, time = shot.step_seed("turbid_bodies"), shot.time_s
        grains = Grains(self.grain_size, self.sorting, self.grain_density)
        found = tuple(
            puff
            for source, radius in self._sources(shot, ground)
            for puff in puffs(
                source,
                Throwing(max(radius, self.radius), self.rise, self.sideways, self.rise_time, self.spread),
                grains,
                seed=seed,
                up=shot.path.up,
                current=current,
                time_s=time,
            )
        )
        if not found or density == 0.0:
            return None
        clouds = density_waves(
            seed,
            self.name,
            scale_m=self.clump_scale,
            variation=self.clumping,
            shift_m=current.displacement(time),
            stir_m_s=stir_m_s,
            time_s=time,
        )
        albedo = albedo_in_bands(self.contents, self.albedo, shot.path)
        return TurbidBody(found, density, brightness * albedo, self.asymmetry, clouds)

    def absent(self, frame: float, fps: float) -> bool:  # noqa: ARG002 - as of a body
        """Tell whether it has thrown up nothing before a frame.

        Parameters
        ----------
        frame
            Frame number.
        fps
            Frames a second.
        """
        followed = self.followed()
        if followed is None:
            return all(frame <= key.frame for key in self.track or ())
        return all(frame <= touch[0][0] for touch in followed.touches())

    def _sources(self, shot: Shot, ground: Ground | None) -> Iterator[tuple[ThrowingTrack, float]]:
        """Yield what throws: along the keys, or one for each contact of a thing; and its radius, metres."""
        followed = self.followed()
        if followed is None:
            yield self._along_keys(shot.fps, ground), 0.0
            return
        first = next(iter(followed.things))
        for touch in followed.touches():
            radius = float(np.median([contact.radius_m for _, contact in touch]))
            # Whether what touches on the first frame has just come down nobody knows.
            if self.grams_per_touch > 0.0 and touch[0][0] > first:
                yield self._landing(touch[0], shot), radius
            if self.grams_per_metre > 0.0 and len(touch) > 1:
                yield self._dragging(touch, shot), radius

    def _landing(self, came_down: tuple[int, Contact], shot: Shot) -> ThrowingTrack:
        """Return what a thing throws up as it comes down."""
        frame, contact = came_down
        begin, place = frame / shot.fps, contact.place_m
        times, places = np.array([begin, begin + _LANDING_S]), np.stack([place, place])
        rate = np.full(2, self.grams_per_touch / _LANDING_S)
        return ThrowingTrack(
            f"{self.name} {contact.number} down", times, places, rate, 0.0, places @ shot.path.up, self.reach
        )

    def _dragging(self, touch: list[tuple[int, Contact]], shot: Shot) -> ThrowingTrack:
        """Return what a thing throws up on its way along the floor."""
        times = np.array([frame for frame, _ in touch], np.float64) / shot.fps
        places = np.array([contact.place_m for _, contact in touch])
        return ThrowingTrack(
            f"{self.name} {touch[0][1].number}",
            times,
            places,
            np.zeros(len(times)),
            self.grams_per_metre,
            places @ shot.path.up,
            self.reach,
        )

    def _along_keys(self, fps: float, ground: Ground | None) -> ThrowingTrack:
        keys = self.track or ()
        return ThrowingTrack(
            self.name,
            np.array([key.frame for key in keys], np.float64) / fps,
            np.array([key.position for key in keys], np.float64),
            np.array([key.grams_per_second for key in keys], np.float64),
            self.grams_per_metre,
            ground if isinstance(self.floor, str) else self.floor,
            self.reach,
        )
