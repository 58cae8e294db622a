"""The sea over a shot: what caustics, light shafts and the view through the surface have in common.

The three are one light: give their steps the same ``surface`` table and they move together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from threading import Lock
from typing import Annotated
from weakref import WeakValueDictionary

import numpy as np
from pydantic import Field

from halocline._typing import F32, F64
from halocline.graph.shot import Shot
from halocline.imaging.frame import Window
from halocline.physics.caustics import CausticOptics
from halocline.physics.light_field import CausticField, CausticSetup
from halocline.physics.refraction import CHANNEL_WAVELENGTHS_NM, sea_water_index
from halocline.physics.transport import WATER_ASYMMETRY
from halocline.physics.waves import SeaState, Swell
from halocline.quantities import Angle, Distance, Factor, Length, Period, Ratio, Strict

# The water whose refraction the light meets; temperature and salinity move it by less than a fringe's width.
_TEMPERATURE_C = 20.0
_SALINITY = 35.0
# A sun closer to the horizon sends hardly anything into the water.
_LOWEST_SUN_RAD = math.radians(89.0)
# What lies farther away shows no pattern; keeps endless range out of the products.
FARTHEST_M = 1000.0


class SwellParameters(Strict):
    """A swell.

    Attributes
    ----------
    height
        Significant height, metres.
    period
        Period, seconds.
    direction
        Where it travels to, degrees clockwise from the scene's ``-z`` (``+y`` where z is up).
    spread
        How narrow its directions are: 10 for waves close to their wind, 25 for a young swell, 75 for one
        from far away (goda2010).
    width
        Relative width of its range of frequencies.
    """

    height: Length = 0.3
    period: Period = 5.0
    direction: Angle = 0.0
    spread: Factor = 50.0
    width: Factor = 0.06


class SurfaceParameters(Strict):
    """The sea surface.

    Attributes
    ----------
    wind
        Wind speed at 10 m, metres per second.
    wind_direction
        Where the wind blows to, degrees clockwise from the scene's ``-z`` (``+y`` where z is up).
    fetch
        Metres of open water that the wind has blown over; where not given, as many as make a fully grown sea.
    sea_depth
        Depth of the sea, metres, where it is shallow enough to shorten long waves.
    spread
        How narrow the directions of the wind's waves are at their peak; 10 is usual (goda2010).
    smooth_below
        Waves shorter than this, metres, are damped out, as under a natural film or in the lee of a reef. Calm
        water with clear, large caustics; 0 keeps all.
    swells
        Swells, one table ``[[steps.NAME.surface.swells]]`` each.
    loop
        Seconds after which the surface repeats exactly; never where not given.
    speed
        Art: how fast it moves, a ratio; 1 is physical.
    scale
        Art: size of the pattern of light, a ratio; 1 is physical.
    softness
        Art: width of all that softens the pattern, a ratio; 1 is physical, 0 as sharp as can be held.
    colour
        Art: strength of the colour fringes, a ratio; 1 is physical, 0 none.
    patch
        Metres of sea that are computed with all detail, and laid out to cover the rest.
    detail
        Rays along the side of that patch: 256, 512, 1024 or 2048. Twice as many cost four times as much.
    """

    wind: Annotated[Ratio, Field(le=40.0)] = 3.0
    wind_direction: Angle = 60.0
    fetch: Distance | None = 1500.0
    sea_depth: Distance | None = None
    spread: Factor = 10.0
    smooth_below: Length = 0.35
    swells: tuple[SwellParameters, ...] = ()
    loop: Period | None = None
    speed: Ratio = 1.0
    scale: Factor = 1.0
    softness: Ratio = 1.0
    colour: Ratio = 1.0
    patch: Annotated[Distance, Field(ge=2.0, le=100.0)] = 12.0
    detail: Annotated[int, Field(ge=256, le=2048, multiple_of=256)] = 1024


@dataclass(frozen=True)
class LevelAxes:
    """Horizontal axes of the scene and the lens's place along them.

    ``x`` and ``y`` are unit vectors ``(3,)``; seen from above, y lies a quarter turn counter-clockwise of x.
    ``origin`` is the lens's horizontal place, metres.
    """

    x: F64
    y: F64
    origin: tuple[float, float]

    @classmethod
    def of(cls, shot: Shot) -> LevelAxes:
        """Return the axes of a shot: x is the scene's -z, or +y where z is up."""
        up = shot.path.up
        x = np.array([0.0, 1.0, 0.0]) if abs(up[2]) > 0.5 else np.array([0.0, 0.0, -1.0])
        y = np.cross(up, x)
        place = shot.camera.position_m
        return cls(x, y, (float(place @ x), float(place @ y)))

    def across(self, shot: Shot, region: Window) -> tuple[F32, F32]:
        """Return the unit view directions' components along the two axes, ``(rows, columns)`` each."""
        return shot.camera.component(region, self.x), shot.camera.component(region, self.y)

    def azimuth_of(self, direction: F64) -> float:
        """Return the angle of a world direction from x towards y, radians."""
        return math.atan2(float(direction @ self.y), float(direction @ self.x))


def light_field(shot: Shot, surface: SurfaceParameters, *, contrast: float = 1.0) -> CausticField:
    """Return the sun's light under the surface on a frame; steps that ask for the same share it."""
    setup = _setup(_sea(surface), _optics(shot, surface, contrast), shot.seed, _Grid.of(surface))
    return _FIELDS.at(setup, shot.time_s * surface.speed)


def channel_weights(wavelength_nm: F64) -> F64:
    """Return how bands share in the three colour channels of the light, ``(K, 3)``, rows sum to 1.

    Linear in wavelength between the channels' own, the ends beyond.
    """
    nodes = np.array(CHANNEL_WAVELENGTHS_NM)[::-1]
    at = np.clip(wavelength_nm, nodes[0], nodes[-1])
    weights = np.stack([np.interp(at, nodes, row) for row in np.eye(3)], axis=1)[:, ::-1]
    return np.ascontiguousarray(weights, dtype=np.float64)


def by_channel(wavelength_nm: F64, values: F64) -> F64:
    """Return a coefficient of the bands at the three channels' wavelengths, ``(3,)``."""
    order = np.argsort(wavelength_nm)
    found: F64 = np.interp(np.array(CHANNEL_WAVELENGTHS_NM), wavelength_nm[order], values[order])
    return found


@dataclass(frozen=True)
class _Grid:
    patch_m: float
    rays: int
    loop_s: float | None

    @classmethod
    def of(cls, surface: SurfaceParameters) -> _Grid:
        rays = 2 ** round(math.log2(surface.detail))
        # The loop is of the shot's own time: a slower surface loops in as many seconds.
        loop = surface.loop * surface.speed if surface.loop and surface.speed else None
        return cls(surface.patch, rays, loop)


def _sea(surface: SurfaceParameters) -> SeaState:
    swells = tuple(
        Swell(s.height, s.period, -math.radians(s.direction), s.spread, s.width) for s in surface.swells
    )
    return SeaState(
        surface.wind,
        -math.radians(surface.wind_direction),
        math.inf if surface.fetch is None else surface.fetch,
        math.inf if surface.sea_depth is None else surface.sea_depth,
        surface.spread,
        surface.smooth_below,
        swells,
    )


def sun_zenith(shot: Shot) -> float:
    """Return the sun's angle from the zenith in air, radians, from its direction under water."""
    travel = shot.path.sun_travel
    level = math.sqrt(max(0.0, 1.0 - float(travel @ shot.path.up) ** 2))
    return min(math.asin(min(1.0, water_index()[1] * level)), _LOWEST_SUN_RAD)


@lru_cache(maxsize=1)
def water_index() -> tuple[float, float, float]:
    """Return the refractive index of the water for the three channels."""
    red, green, blue = (
        float(sea_water_index(_TEMPERATURE_C, _SALINITY, nm)) for nm in CHANNEL_WAVELENGTHS_NM
    )
    return red, green, blue


def _optics(shot: Shot, surface: SurfaceParameters, contrast: float) -> CausticOptics:
    bands = shot.path.bands
    return CausticOptics(
        zenith_rad=sun_zenith(shot),
        azimuth_rad=LevelAxes.of(shot).azimuth_of(-shot.path.sun_travel),
        index=water_index(),
        scattering_per_m=float(by_channel(bands.wavelength_nm, bands.scattering)[1]),
        asymmetry=WATER_ASYMMETRY,
        scale=surface.scale,
        contrast=contrast,
        softness=surface.softness,
        colour=surface.colour,
    )


@lru_cache(maxsize=2)
def _setup(sea: SeaState, optics: CausticOptics, seed: int, grid: _Grid) -> CausticSetup:
    return CausticSetup(sea, optics, seed=seed, patch_m=grid.patch_m, grid=grid.rays, loop_s=grid.loop_s)


class _SharedFields:
    """Fields that some step of some frame still holds, by setup and time."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._fields: WeakValueDictionary[tuple[int, float], CausticField] = WeakValueDictionary()

    def at(self, setup: CausticSetup, time_s: float) -> CausticField:
        """Return the field of a time, the same object as long as anybody holds it."""
        with self._lock:
            # A field keeps its setup alive, so the identity cannot be another's.
            field = self._fields.get((id(setup), time_s))
            if field is None:
                field = setup.at(time_s)
                self._fields[id(setup), time_s] = field
            return field


_FIELDS = _SharedFields()
