"""Parameters of a layer between two waters, as presets state them, and the layer they stand for."""

from __future__ import annotations

import math
from typing import Annotated

import numpy as np
from pydantic import Field, model_validator

from halocline._typing import F64
from halocline.compute.random import stream_key
from halocline.graph.origins import WorldHeading, WorldLength, WorldPoint, level_ahead
from halocline.graph.shot import Shot
from halocline.physics.bending.layers import InternalWaves, Layer
from halocline.physics.bending.refraction import WaterMass
from halocline.physics.bending.turbulence import IndexEddies
from halocline.quantities import Angle, Distance, Length, Position, Ratio, Share, Strict


class WaterSide(Strict):
    """The water on one side of a layer.

    Attributes
    ----------
    temperature
        Degrees Celsius, 0 to 30: the range over which the index of sea water was measured.
    salinity
        Practical salinity (parts per thousand), 0 to 35.
    """

    temperature: Annotated[float, Field(ge=0.0, le=30.0)] = 12.0
    salinity: Annotated[float, Field(ge=0.0, le=35.0)] = 35.0

    def mass(self) -> WaterMass:
        """Return the water as physics has it."""
        return WaterMass(self.temperature, self.salinity)


class LayerWaves(Strict):
    """Internal waves that lift and tilt the layer.

    Attributes
    ----------
    height
        Crest above the still layer, metres, of the one wave that is equivalent to the train.
    length
        Wavelength, metres; the train is spread by a factor of 2 each way.
    speed
        Metres a second of a wave of that length; from the two waters' densities where not given.
    heading
        Where they run, degrees clockwise seen from above, 0 straight ahead (see ``place.ahead``).
    spread
        R.m.s. angle of the train's waves about the heading, degrees.
    """

    height: Length = 0.0
    length: Distance = 6.0
    speed: Ratio | None = None
    heading: Angle = 0.0
    spread: Annotated[Angle, Field(ge=0.0, le=180.0)] = 25.0


class LayerTurbulence(Strict):
    """Turbulence that mottles the layer: shimmer where it can be seen, smear where it is too fine.

    Attributes
    ----------
    strength
        R.m.s. variation of the refractive index as a share of the step between the waters. 0 is still water,
        0.1 a calm layer, 0.3 one that is being stirred (art; no source).
    eddy
        Radius of the largest eddies, metres.
    finest_eddy
        Radius of the smallest, metres.
    speed
        Metres a second at which the largest churn.
    drift_speed, drift_heading
        Current that carries them all, metres a second, and where to (degrees, as the waves' heading).
    drift_rise
        Metres a second at which they rise, along a tilted or upright layer.
    """

    strength: Share = 0.0
    eddy: Distance = 0.25
    finest_eddy: Distance = 0.004
    speed: Ratio = 0.03
    drift_speed: Ratio = 0.0
    drift_heading: Angle = 0.0
    drift_rise: float = 0.0

    @model_validator(mode="after")
    def _possible(self) -> LayerTurbulence:
        if self.finest_eddy > self.eddy:
            raise ValueError(f"finest_eddy {self.finest_eddy:g} m is larger than eddy {self.eddy:g} m")
        return self


class WaterLayer(Strict):
    """One layer.

    Attributes
    ----------
    depth
        Of its middle below the surface, metres; of a tilted layer, at the place ``at``. Where it has an
        origin and no depth, its middle goes through ``at``.
    origin
        Name of the origin that ``at`` and its headings are given from: right, above, ahead.
    thickness
        Over which one water turns into the other, metres.
    tilt, tilt_heading
        Degrees from level, and the direction in which it falls (degrees clockwise seen from above, 0 ahead).
    at
        World place, metres, where a tilted layer has its depth, and from where its extent is measured.
    extent
        Metres from that place within which it acts, fading out; everywhere where not given.
    above, below
        The two waters.
    core
        A third water between them that is stirred into both, such as a warm plume.
    waves
        Waves that run along it: height, length, speed, heading and spread.
    turbulence
        Eddies that mottle it: strength, sizes from finest_eddy to eddy, speed and drift.
    """

    depth: Position | None = None
    origin: str | None = None
    thickness: WorldLength = 0.5
    tilt: Annotated[Angle, Field(ge=0.0, le=90.0)] = 0.0
    tilt_heading: WorldHeading = 0.0
    at: WorldPoint = (0.0, 0.0, 0.0)
    extent: WorldLength | None = None
    above: WaterSide = WaterSide(temperature=18.0)
    below: WaterSide = WaterSide(temperature=10.0)
    core: WaterSide | None = None
    waves: LayerWaves = LayerWaves()
    turbulence: LayerTurbulence = LayerTurbulence()

    @model_validator(mode="after")
    def _somewhere(self) -> WaterLayer:
        if self.depth is None and self.origin is None:
            raise ValueError("a layer needs its depth, or an origin that it goes by")
        return self

    def layer(self, shot: Shot, name: str) -> Layer:
        """Return the layer in the shot's world.

        Parameters
        ----------
        shot
            Gives up, ahead, the sea level and the seed.
        name
            Keys its waves and eddies: the same name gives the same layer to every operator.

        Raises
        ------
        PhysicsError
            ``E-PHYSICS-LAYER`` where the eddies' sizes are the wrong way round.
        """
        up = shot.path.up
        falls = level_direction(up, self.tilt_heading)
        tilt = math.radians(self.tilt)
        normal = math.cos(tilt) * up + math.sin(tilt) * falls
        at = np.array(self.at)
        point = at if self.depth is None else at + (shot.sea_level_m - self.depth - float(at @ up)) * up
        still = Layer(point, normal, self.thickness, self.above.mass(), self.below.mass())
        waves, churn = self.waves, self.turbulence
        drift = churn.drift_speed * level_direction(up, churn.drift_heading) + churn.drift_rise * up
        first, second = still.axes
        return Layer(
            point,
            normal,
            self.thickness,
            still.above,
            still.below,
            InternalWaves(
                waves.height,
                waves.length,
                waves.speed,
                _angle_in(still, level_direction(up, waves.heading)),
                waves.spread,
                stream_key(shot.seed, name, "waves"),
            ),
            IndexEddies(
                churn.strength,
                churn.eddy,
                churn.finest_eddy,
                churn.speed,
                (float(drift @ first), float(drift @ second)),
                stream_key(shot.seed, name, "eddies"),
            ),
            None if self.core is None else self.core.mass(),
            math.inf if self.extent is None else self.extent,
        )


def level_direction(up: F64, heading_deg: float) -> F64:
    """Return a level unit direction: 0 is ahead, 90 to the right of it, seen from above."""
    ahead = level_ahead(up)
    heading = math.radians(heading_deg)
    direction: F64 = math.cos(heading) * ahead + math.sin(heading) * np.cross(ahead, up)
    return direction


def _angle_in(layer: Layer, direction: F64) -> float:
    first, second = layer.axes
    return math.degrees(math.atan2(float(direction @ second), float(direction @ first)))
