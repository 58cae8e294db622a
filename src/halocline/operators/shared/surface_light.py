"""The sea over a shot: what caustics, light shafts and the view through the surface have in common.

They are one light from one sea, the preset's ``[sea]``; a step may state another of its own.
"""

from __future__ import annotations

import math
from functools import lru_cache
from threading import Lock
from weakref import WeakValueDictionary

import cv2
import numpy as np

from halocline._typing import F32, F64
from halocline.graph.sea import Sea
from halocline.graph.shot import Shot
from halocline.imaging.frame import Frame, Window
from halocline.imaging.sun_depth import SunView
from halocline.late_dataclass import dataclass
from halocline.physics.bending.refraction import CHANNEL_WAVELENGTHS_NM, sea_water_index
from halocline.physics.sea.caster_gaps import gaps_between
from halocline.physics.sea.caustics import CausticOptics
from halocline.physics.sea.light_field import CausticField, CausticSetup
from halocline.physics.sea.shade import Casters, fades_out
from halocline.physics.sea.waves import SeaState, Swell

# The water whose refraction the light meets; temperature and salinity move it by less than a fringe's width.
_TEMPERATURE_C = 20.0
_SALINITY = 35.0
# A sun closer to the horizon sends hardly anything into the water.
_LOWEST_SUN_RAD = math.radians(89.0)
# Points of a picture that throw shadows, at most, and the border over which they come and go, of each side.
_MOST_CASTERS = 500_000
_BORDER = 0.06
# A thing before another is small up to this share of the picture's shorter side, and the other lies behind it
# from so many times its range on.
_SMALL, _BEHIND = 0.25, 1.1
# Neighbours are on one surface up to so many times the nearer one's range, and their gap is at most so wide.
_SAME, _WIDEST_GAP_M = 1.1, 0.5
# What lies farther away shows no pattern; keeps endless range out of the products.
FARTHEST_M = 1000.0


@dataclass(frozen=True)
class LevelAxes:
    """Horizontal axes of the scene and the lens's place along them.

    Attributes
    ----------
    x, y
        Level unit vectors, world, ``(3,)``; seen from above, y lies a quarter turn counter-clockwise of x.
    origin
        The lens's place along them, metres.
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


def light_field(shot: Shot, other_sea: Sea | None = None, *, contrast: float = 1.0) -> CausticField:
    """Return the sun's light under the surface while the shutter is open; steps that ask alike share it.

    Parameters
    ----------
    shot
        The frame, and its sea.
    other_sea
        A sea of a step's own, instead of the shot's.
    contrast
        Art: strength of the pattern.

    Returns
    -------
    CausticField
        The pattern at any depth below the surface.
    """
    sea = other_sea or shot.sea
    setup = _setup(_state(sea), _optics(shot, sea, contrast), shot.seed, _Grid.of(sea, shot))
    opened, closed = shot.shutter()
    return _FIELDS.at(setup, shot.time_s * sea.speed, (closed - opened) / shot.fps * sea.speed)


def casters_seen(shot: Shot, surfaces: Frame, axes: LevelAxes) -> Casters:
    """Return what a picture shows as things that keep the sun away, thinned to about half a million points.

    Towards the picture's border they keep less: what leaves the picture takes its shadow along slowly.

    Parameters
    ----------
    shot
        The frame.
    surfaces
        The render, with ``range`` and ``alpha``.
    axes
        Level axes of the world.

    Returns
    -------
    Casters
        Places, depths and weights; empty where the picture shows nothing.
    """
    window = surfaces.data_window
    stride = max(1, math.ceil(math.sqrt(window.width * window.height / _MOST_CASTERS)))
    thin = slice(stride // 2, None, stride)
    range_m, alpha = (surfaces.plane(name)[thin, thin] for name in ("range", "alpha"))
    first = stride // 2
    seen_from = Window(window.x + first, window.y + first, window.width - first, window.height - first)
    x, y, down = (
        shot.camera.component(seen_from, axis, every=stride) for axis in (axes.x, axes.y, -shot.path.up)
    )
    weight = np.where(np.isfinite(range_m), alpha, np.float32(0.0))
    if shot.camera.globe is None:
        # Of all directions there is no border.
        weight *= fades_out(range_m.shape, _BORDER)
    gaps = _gaps((x, y, down), range_m, stride * max(shot.camera.tangent_per_px))
    behind = _behind_small_things(np.where(weight > 0.0, range_m, np.float32(0.0)).astype(np.float32))
    seen, unseen = np.flatnonzero(weight > 0.0), np.flatnonzero(behind)
    metres = np.concatenate([range_m.reshape(-1)[seen], behind.reshape(-1)[unseen]])
    both = np.concatenate([seen, unseen])
    x, y, down, weight = (part.reshape(-1).take(both) for part in (x, y, down, weight))
    gaps = gaps.reshape(3, -1).take(both, axis=1)
    places = np.stack([x * metres, y * metres]) + np.array(axes.origin, np.float32)[:, np.newaxis]
    depth = down * metres + np.float32(shot.path.camera_depth_m)
    lens = (*axes.origin, float(shot.path.camera_depth_m))
    return Casters(places, depth.astype(np.float32), weight.astype(np.float32), gaps_m=gaps, lens_m=lens)


def _gaps(directions: tuple[F32, F32, F32], range_m: F32, tangent: float) -> F32:
    """Return how far pixels' surfaces lie from their neighbours', metres; see `gaps_between`."""
    metres = np.where(np.isfinite(range_m), range_m, np.float32(0.0))
    gaps = np.empty((3, *metres.shape), np.float32)
    x, y, down = (np.ascontiguousarray(along) for along in directions)
    numbers = np.float32(_SAME), np.float32(tangent), np.float32(_WIDEST_GAP_M)
    gaps_between((x, y, down), metres, *numbers, gaps)
    return gaps


def _behind_small_things(range_m: F32) -> F32:
    """Return how far away a surface goes on behind something small before it, metres; 0 where none does.

    Else the sun would shine through the hole that a ball before a hull leaves in what is seen of the hull.
    ``range_m`` is 0 where nothing is.
    """
    side = max(3, math.ceil(_SMALL * min(range_m.shape)) | 1)
    around = cv2.morphologyEx(range_m, cv2.MORPH_CLOSE, np.ones((side, side), np.uint8))
    hidden = (range_m > 0.0) & (around > np.float32(_BEHIND) * range_m)
    return np.where(hidden, around, np.float32(0.0)).astype(np.float32)


def casters_of_sun(shot: Shot, view: SunView, axes: LevelAxes) -> Casters:
    """Return what the sun sees as things that keep it away.

    Parameters
    ----------
    shot
        The frame.
    view
        All that the sun sees.
    axes
        Level axes of the world.

    Returns
    -------
    Casters
        Places, depths and weights.
    """
    points = view.points_m
    places = np.stack([axes.x, axes.y]).astype(np.float32) @ points
    depth = shot.depth_below_surface_m(points.T.astype(np.float64)).astype(np.float32)
    return Casters(
        places, np.maximum(depth, np.float32(0.0)), np.ones(depth.size, np.float32), view.spacing_m
    )


def channel_weights(wavelength_nm: F64) -> F64:
    """Return how bands share in the three colour channels of the light, ``(K, 3)``, rows sum to 1.

    Linear in wavelength between the channels' own, the ends beyond.

    Parameters
    ----------
    wavelength_nm
        Of the bands, ``(K,)``.

    Returns
    -------
    F64
        ``(K, 3)``, 0 to 1.
    """
    nodes = np.array(CHANNEL_WAVELENGTHS_NM)[::-1]
    at = np.clip(wavelength_nm, nodes[0], nodes[-1])
    weights = np.stack([np.interp(at, nodes, row) for row in np.eye(3)], axis=1)[:, ::-1]
    return np.ascontiguousarray(weights, dtype=np.float64)


def by_channel(wavelength_nm: F64, values: F64) -> F64:
    """Return a coefficient of the bands at the three channels' wavelengths, ``(3,)``.

    Parameters
    ----------
    wavelength_nm
        Of the bands, ``(K,)``.
    values
        Of the bands, ``(K,)``.

    Returns
    -------
    F64
        By straight interpolation, ``(3,)``; the end values beyond.
    """
    order = np.argsort(wavelength_nm)
    found: F64 = np.interp(np.array(CHANNEL_WAVELENGTHS_NM), wavelength_nm[order], values[order])
    return found


@dataclass(frozen=True)
class _Grid:
    patch_m: float
    rays: int
    loop_s: float | None

    @classmethod
    def of(cls, sea: Sea, shot: Shot) -> _Grid:
        rays = 2 ** round(math.log2(shot.samples(sea.detail)))
        # The loop is of the shot's own time: a slower surface loops in as many seconds.
        loop = sea.loop * sea.speed if sea.loop and sea.speed else None
        return cls(sea.patch, rays, loop)


def _state(sea: Sea) -> SeaState:
    swells = tuple(
        Swell(s.height, s.period, -math.radians(s.direction), s.spread, s.width) for s in sea.swells
    )
    return SeaState(
        sea.wind,
        -math.radians(sea.wind_direction),
        sea.fetch,
        math.inf if sea.sea_depth is None else sea.sea_depth,
        sea.spread,
        sea.smooth_below,
        swells,
    )


def sun_zenith(shot: Shot) -> float:
    """Return the sun's angle from the zenith in air, radians, from its direction under water.

    Parameters
    ----------
    shot
        The frame.

    Returns
    -------
    float
        Radians, 0 to below pi/2.
    """
    travel = shot.path.sun_travel
    level = math.sqrt(max(0.0, 1.0 - float(travel @ shot.path.up) ** 2))
    return min(math.asin(min(1.0, water_index()[1] * level)), _LOWEST_SUN_RAD)


@lru_cache(maxsize=1)
def water_index() -> tuple[float, float, float]:
    """Return the refractive index of the water for the three channels.

    Returns
    -------
    tuple[float, float, float]
        Of red, green and blue, relative to air.
    """
    red, green, blue = (
        float(sea_water_index(_TEMPERATURE_C, _SALINITY, nm)) for nm in CHANNEL_WAVELENGTHS_NM
    )
    return red, green, blue


def _optics(shot: Shot, sea: Sea, contrast: float) -> CausticOptics:
    bands = shot.path.bands
    return CausticOptics(
        zenith_rad=sun_zenith(shot),
        azimuth_rad=LevelAxes.of(shot).azimuth_of(-shot.path.sun_travel),
        index=water_index(),
        scattering_per_m=float(by_channel(bands.wavelength_nm, bands.scattering)[1]),
        asymmetry=bands.asymmetry,
        scale=sea.scale,
        contrast=contrast,
        softness=sea.softness,
        colour=sea.colour,
    )


@lru_cache(maxsize=2)
def _setup(sea: SeaState, optics: CausticOptics, seed: int, grid: _Grid) -> CausticSetup:
    return CausticSetup(sea, optics, seed=seed, patch_m=grid.patch_m, grid=grid.rays, loop_s=grid.loop_s)


class _SharedFields:
    """Fields that some step of some frame still holds, by setup, time and exposure."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._fields: WeakValueDictionary[tuple[int, float, float], CausticField] = WeakValueDictionary()

    def at(self, setup: CausticSetup, time_s: float, exposure_s: float) -> CausticField:
        """Return the field of an exposure, the same object as long as anybody holds it."""
        with self._lock:
            # A field keeps its setup alive, so the identity cannot be another's.
            field = self._fields.get((id(setup), time_s, exposure_s))
            if field is None:
                field = setup.at(time_s, exposure_s)
                self._fields[id(setup), time_s, exposure_s] = field
            return field


_FIELDS = _SharedFields()
