"""Bubbles as one exposure sees them: mirrors and lenses of the water around, flattened and swaying."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F64
from halocline.filters.splat import Textures
from halocline.physics.floating.bubbles import DIRECTIONS, Column, RisingBubbles, appearance, flattening
from halocline.physics.floating.exposure import Exposure
from halocline.physics.floating.flow import STILL, TurbulentFlow
from halocline.physics.floating.light import SightLine, lamp_light
from halocline.physics.floating.particles_as_seen import Scene, Seen, Shown, as_cards, at_the_lens
from halocline.physics.path.transport import LightPath, abeam
from halocline.physics.path.visibility import RangeRemap

# Texels across a bubble's picture.
_SIZE = 64
# Pictures are made for these views and depths; what lies between has the nearest one's, with its own
# brightness.
_VIEWS = np.linspace(-1.0, 1.0, 25)
_DEPTH_RATIO = 1.4
# Squared sine of Snell's window: it turns irradiance into the radiance of an even sky seen through it,
# E = pi L sin^2(48.3 deg).
_WINDOW_SINE_SQUARED = 0.557
# The window's edge in the downward component, blurred by waves and scattering.
_WINDOW_EDGE = (-0.58, -0.74)
# A bubble turns about half of a lamp's light away, evenly in all directions.
_LAMP_SHARE = 0.5
# How far bubbles lean and wobble: degrees, share of their height.
_LEAN_RAD = 0.35
_WOBBLE = 0.12
_WOBBLE_HZ = 7.0


@dataclass(frozen=True)
class BubbleLook:
    """Art of the look.

    Attributes
    ----------
    opacity
        0 to 1.
    brightness
        Of what is mirrored; 1 is physical.
    """

    opacity: float = 0.9
    brightness: float = 1.0


def seen_bubbles(
    column: Column, exposure: Exposure, scene: Scene, look: BubbleLook, stirring: TurbulentFlow = STILL
) -> Seen:
    """Return the bubbles of an emitter, ready to be drawn.

    Parameters
    ----------
    column
        The emitter and its water.
    exposure, scene
        Who looks, and what light there is.
    look
        Art.
    stirring
        Eddies that carry bubbles aside.

    Returns
    -------
    Seen
        Discs with the light that they send to the lens; none where none is in view.
    """
    alive = column.alive(exposure.times_s[1])
    opened, middle, closed = (column.placed(alive, time) for time in exposure.times_s)
    places = [
        _stirred(bubbles, stirring, time)
        for bubbles, time in zip((opened, middle, closed), exposure.times_s, strict=True)
    ]
    if not len(middle):
        return Seen()
    lens_m = exposure.middle.position_m
    sight = SightLine.to(places[1], lens_m, scene.path)
    pictures = _pictures(sight, scene.path, look.brightness)
    lamps = np.zeros((len(middle), scene.path.bands.count))
    for lamp in scene.lamps:
        lamps += lamp_light(lamp, scene.path, places[1] - lamp.position_m)
    # Lamps' glints as a light of the whole disc, relative to what its picture has.
    glints = 1.0 + _LAMP_SHARE * lamps / (4.0 * math.pi) / np.maximum(pictures.mean_light, 1e-12)
    light, veil = at_the_lens(pictures.gain * glints, sight, places[1], exposure, scene)
    shown = Shown(
        places[0],
        places[2],
        middle.diameter_m,
        sight.range_m,
        np.full(len(middle), look.opacity),
        light,
        veil,
    )
    axes = _axes(middle, sight, shown.size_px(exposure), exposure, column)
    return as_cards(shown, axes, pictures.which, pictures.textures, exposure)


def surroundings(path: LightPath, depth_m: float) -> Callable[[F64], F64]:
    """Return the light around a point at a depth, by downward component of the view.

    The water's veil as far as one sees, and in Snell's window the sky, as bright as the daylight below the
    surface demands, through the water above.
    """
    across = np.sqrt(np.maximum(0.0, 1.0 - DIRECTIONS**2))[:, None] * abeam(path)
    there = replace(path, camera_depth_m=depth_m, remap=RangeRemap())
    veil = there.veil_along(np.inf, across - DIRECTIONS[:, None] * path.up)
    sky = path.white * path.daylight(0.0) / _WINDOW_SINE_SQUARED
    length = np.where(DIRECTIONS < 0.0, depth_m / np.maximum(-DIRECTIONS, 1e-6), 1e4)[:, None]
    first, last = _WINDOW_EDGE
    step = np.clip((DIRECTIONS - first) / (last - first), 0.0, 1.0)
    window = (step * step * (3.0 - 2.0 * step))[:, None]
    table = veil + window * sky * np.exp(-path.bands.attenuation * np.minimum(length, 1e4))

    def seen(downward: F64) -> F64:
        # Linear between evenly spaced nodes.
        place = (downward + 1.0) * (0.5 * (len(DIRECTIONS) - 1))
        lower = np.clip(place.astype(np.int64), 0, len(DIRECTIONS) - 2)
        share = (place - lower)[:, None]
        return np.asarray(table[lower] * (1.0 - share) + table[lower + 1] * share)

    return seen


@dataclass(frozen=True)
class _Pictures:
    """Pictures of bubbles; which one each bubble has, and what its light is multiplied with."""

    textures: Textures
    which: NDArray[np.int64]
    gain: F64
    mean_light: F64


def _pictures(sight: SightLine, path: LightPath, brightness: float) -> _Pictures:
    view = np.rint((sight.downward + 1.0) * 0.5 * (len(_VIEWS) - 1)).astype(np.int64)
    depth = np.maximum(sight.depth_m, 0.2)
    rung = np.rint(np.log(depth) / math.log(_DEPTH_RATIO)).astype(np.int64)
    kinds, which = np.unique(np.stack([view, rung], axis=1), axis=0, return_inverse=True)
    made = []
    for index, step in kinds:
        around = surroundings(path, _DEPTH_RATIO ** float(step))
        made.append(appearance(around, float(_VIEWS[index]), size=_SIZE))
    textures = Textures.of(np.stack(made).astype(np.float32))
    mean = textures.levels[-1][:, 0, 0].astype(np.float64)
    light = (mean[:, :-1] / mean[:, -1:])[which.reshape(-1)]
    # The level light around, at the bubble's own depth and at that of its picture; by day, for none is none.
    day = replace(path, daylight_level=1.0)
    own = _level_light(day, depth)
    pictured = np.maximum(_level_light(day, _DEPTH_RATIO ** rung.astype(np.float64)), 1e-300)
    return _Pictures(textures, which.reshape(-1), brightness * own / pictured, light)


def _level_light(path: LightPath, depth_m: F64) -> F64:
    """Return a brightness that follows the light around with depth, ``(n, K)``."""
    sky = np.exp(-path.bands.attenuation * depth_m[:, None] / 0.85) / _WINDOW_SINE_SQUARED
    return np.asarray(path.daylight(depth_m) + path.daylight(0.0) * sky)


def _stirred(bubbles: RisingBubbles, stirring: TurbulentFlow, time_s: float) -> F64:
    if stirring is STILL or not len(bubbles):
        return bubbles.position_m
    # Eddies take hold within a second of the source.
    hold = 1.0 - np.exp(-2.0 * bubbles.age_s)
    moved = stirring.displacement(bubbles.position_m, time_s) * hold[:, None]
    return bubbles.position_m + moved


def _axes(bubbles: RisingBubbles, sight: SightLine, size_px: F64, exposure: Exposure, column: Column) -> F64:
    """Return half axes in pixels, ``(n, 2, 2)``: flattened along the vertical, leaning as they sway."""
    phase, slant, pace = (bubbles.words.astype(np.float64) + 0.5) * 2.0**-32
    height = flattening(bubbles.diameter_m, column.water)
    swing = 2.0 * math.pi * (phase + _WOBBLE_HZ * (0.7 + 0.6 * pace) * bubbles.age_s)
    large = 1.0 - height
    height = height * (1.0 + _WOBBLE * np.sin(swing) * np.minimum(3.0 * large, 1.0))
    # Of the same volume: width^2 height = 1.
    wide = height ** (-1.0 / 3.0)
    tall = height ** (2.0 / 3.0)
    # Seen from above or below, a flattened bubble shows its full round.
    steep = sight.downward**2
    tall = np.sqrt(tall**2 * (1.0 - steep) + wide**2 * steep)
    up = exposure.middle.rotation.T @ column.up
    tilt = math.atan2(float(up[0]), float(up[1])) if math.hypot(float(up[0]), float(up[1])) > 1e-6 else 0.0
    lean = tilt + _LEAN_RAD * np.minimum(3.0 * large, 1.0) * np.sin(0.5 * swing + 2.0 * math.pi * slant)
    half = 0.5 * size_px
    cosine, sine = np.cos(lean), np.sin(lean)
    right = np.stack([cosine, sine], axis=1) * (half * wide)[:, None]
    down = np.stack([-sine, cosine], axis=1) * (half * tall)[:, None]
    return np.stack([right, down], axis=2)
