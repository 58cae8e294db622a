"""Bubbles as one exposure sees them: mirrors and lenses of the water around, flattened and swaying."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.filters.splat import Textures
from halocline.late_dataclass import dataclass
from halocline.physics.floating.bubble_optics import HEADINGS, RINGS, BubbleForm, appearance, around
from halocline.physics.floating.bubbles import (
    CAP,
    Column,
    RisingBubbles,
    flattening,
    top_share,
    unsteadiness,
    wobble_hz,
)
from halocline.physics.floating.exposure import Exposure
from halocline.physics.floating.flow import STILL, TurbulentFlow
from halocline.physics.floating.light import SightLine, lamp_light
from halocline.physics.floating.particles_as_seen import Pictured, Scene, Seen, Shown, as_cards, at_the_lens
from halocline.physics.floating.scene_shade import SceneShade
from halocline.physics.path.transport import LightPath, abeam
from halocline.physics.path.visibility import RangeRemap
from halocline.physics.sea.sky import Sky, drawn_in, look_up_over, widening

# Texels across a bubble's picture, and up to which diameter in pixels each will do: a cap is 1.6 times as
# wide. Most bubbles of a column are a few pixels across, and a picture costs as the square of its size.
_SIZES = (16, 32, 64, 128, 256)
_SIZES_UP_TO_PX = np.array([5.0, 10.0, 28.0, 70.0])
# Pictures are made for so many views, from straight up to straight down, headings of the sun, and forms from
# a ball to a cap. What lies between has the nearest one's, with its own brightness: for bubbles of these
# sizes, the nearest of those that are so many steps apart. Of a few pixels nobody sees where exactly the sun
# stands; of a large bubble everybody would see one picture give way to the next.
_VIEWS, _HEADINGS, _FLATS = 1537, 4 * HEADINGS, 40
_VIEW_STEPS, _HEADING_STEPS, _FLAT_STEPS = (
    np.array(steps) for steps in ((128, 64, 64, 4, 1), (16, 4, 4, 1, 1), (8, 8, 8, 1, 1))
)
_DEPTH_RATIO = 1.4
# Squared sine of Snell's window: it turns irradiance into the radiance of an even sky seen through it,
# E = pi L sin^2(48.3 deg).
_WINDOW_SINE_SQUARED = 0.557
# The sun's image is at least as wide as the directions lie apart: standard deviation.
_SUN_SPREAD_RAD = math.radians(4.5)
# Bubbles move less than this share of the picture's width while the shutter is open.
_ROOM = 0.1
# So many kinds of ripples do bubbles have that wobble.
_RIPPLED = 3
# A bubble turns about half of a lamp's light away, evenly in all directions.
_LAMP_SHARE = 0.5
# How far bubbles lean and wobble: radians, share of their height.
_LEAN_RAD = 0.35
_LEANS_HZ = 3.5
_WOBBLE = 0.16


@dataclass(frozen=True)
class Floor:
    """Level ground as bubbles mirror it.

    Attributes
    ----------
    depth_m
        Below the sea surface.
    light
        Its radiance there, ``(K,)``.
    share
        How much of it there is, 0 to 1; the rest is endless water.
    """

    depth_m: float
    light: F64
    share: float = 1.0


@dataclass(frozen=True)
class BubbleLook:
    """What bubbles mirror beside the water, and art.

    Attributes
    ----------
    opacity
        0 to 1.
    brightness
        Of what is mirrored; 1 is physical.
    sky
        Over the sea; its heading 0 is that of the sun.
    slope_variance
        Of the waves, both axes together: they soften the edge of Snell's window.
    brightest
        Soft limit of what is mirrored, the sun above all, in times a white card in the same daylight at the
        reference depth.
    floor
        The ground below; endless water where not given.
    """

    opacity: float
    brightness: float
    sky: Sky
    slope_variance: float = 0.0
    brightest: float = 40.0
    floor: Floor | None = None


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
    diameter_px = middle.diameter_m * exposure.px_per_radian / np.maximum(sight.range_m, 1e-6)
    # Of those that are not in the picture nobody sees anything.
    seen_px = np.where(_in_picture(places[1], diameter_px, exposure), diameter_px, 0.0)
    pictures = _pictures(middle, sight, seen_px, scene.path, look)
    lamps = np.zeros((len(middle), scene.path.bands.count))
    for lamp in scene.lamps:
        lamps += lamp_light(lamp, scene.path, places[1] - lamp.position_m)
    day = 1.0 if scene.shade is None else _day_left(scene.shade, scene.path, places[1], sight.depth_m)
    # Lamps' glints as a light of the whole disc, relative to what its picture has.
    glints = day + _LAMP_SHARE * lamps / (4.0 * math.pi) / np.maximum(pictures.mean_light, 1e-12)
    light, veil = at_the_lens(pictures.gain * glints, sight, places[1], exposure, scene)
    shown = Shown(
        places[0],
        places[1],
        places[2],
        middle.diameter_m,
        sight.range_m,
        scene.shown(np.full(len(middle), look.opacity), places[1]),
        light,
        veil,
    )
    pictured = Pictured.of(shown, exposure)
    axes = _axes(middle, sight, pictured.size_px, exposure, column)
    return as_cards(pictured, axes, pictures.which, pictures.textures, exposure)


def _in_picture(place_m: F64, diameter_px: F64, exposure: Exposure) -> NDArray[np.bool_]:
    """Tell which bubbles may be seen in the picture, be it for a part of the exposure."""
    pixels, _ = exposure.middle.project(place_m)
    area = exposure.area
    room = 2.0 * diameter_px + _ROOM * area.columns
    x, y = pixels.T
    return np.asarray(
        (x > area.column - room)
        & (x < area.column_end + room)
        & (y > area.row - room)
        & (y < area.row_end + room)
    )


def _day_left(shade: SceneShade, path: LightPath, place_m: F64, depth_m: F64) -> F64:
    """Return what things leave of daylight at bubbles, ``(n, K)``."""
    sun, rest = shade.light(place_m).T
    part = path.sun_side(depth_m)
    return np.asarray(part * sun[:, None] + (1.0 - part) * rest[:, None], np.float64)


def surroundings(path: LightPath, depth_m: float, look: BubbleLook) -> F64:
    """Return the light at a depth from each direction of `around`, ``(RINGS, HEADINGS, K)``.

    The water's veil as far as one sees; above, through it, the sky in Snell's window and the water and floor
    that the surface mirrors; below, through it, the floor. Heading 0 is that of the sun.

    Parameters
    ----------
    path, depth_m
        The water, and where in it.
    look
        Sky, waves and floor.
    """
    directions = around()
    up, down = np.flatnonzero(directions[:, 2] > 1e-3), np.flatnonzero(directions[:, 2] < -1e-3)
    world = _in_world(path, directions)
    there = replace(path, camera_depth_m=depth_m, remap=RangeRemap())
    light = np.empty((len(directions), path.bands.count))
    # Level rays and those down to endless water see water only.
    light[:] = there.veil_along(np.inf, world)
    through = np.exp(-path.beam_rate * (depth_m / directions[up, 2])[:, None])
    light[up] += through * _surface(path, directions[up], look)
    if look.floor is not None:
        light[down] = _to_floor(there, world[down], look.floor)
    most = path.white * (look.brightest * path.daylight_level)
    limited = drawn_in(light.T.astype(np.float32), most).T
    return np.asarray(limited.reshape(RINGS, HEADINGS, -1), np.float64)


def _in_world(path: LightPath, directions: F64) -> F64:
    """Return directions (aside, towards the sun, up) in world axes."""
    side = abeam(path)
    towards = np.cross(path.up, side)
    towards = towards if towards @ path.sun_travel <= 0.0 else -towards
    return directions @ np.stack([np.cross(towards, path.up), towards, path.up])


def _to_floor(path: LightPath, world: F64, floor: Floor) -> F64:
    """Return the light from below, ``(n, K)``: the floor through water."""
    length = np.maximum(floor.depth_m - path.camera_depth_m, 0.0) / np.maximum(-(world @ path.up), 1e-3)
    lit = path.veil_along(length, world) + floor.light * np.exp(-path.beam_rate * length[:, None])
    return np.asarray(floor.share * lit + (1.0 - floor.share) * path.veil_along(np.inf, world))


def _surface(path: LightPath, directions: F64, look: BubbleLook) -> F64:
    """Return the light that leaves the sea surface downwards, ``(n, K)``, towards rays that come up."""
    rays = np.stack([directions[:, 1], directions[:, 0], -directions[:, 2]])[:, None].astype(np.float32)
    slopes = np.zeros_like(rays)
    slopes[2] = look.slope_variance
    # The sun is drawn no smaller than the directions lie apart.
    spread = look.slope_variance * widening(look.sky.sun.index) + _SUN_SPREAD_RAD**2
    above, window = look_up_over(rays, slopes, look.sky, sun_variance=spread)
    light = above[0].astype(np.float64)[:, None] * path.light_from_above()
    under = replace(path, camera_depth_m=0.0, remap=RangeRemap())
    mirrored = window.mirrored[:, 0].astype(np.float64)
    mirrored = np.stack([mirrored[1], mirrored[0], -np.maximum(mirrored[2], 1e-3)], axis=1)
    world = _in_world(path, mirrored)
    water = under.veil_along(np.inf, world) if look.floor is None else _to_floor(under, world, look.floor)
    water = water * path.above_highest()
    return np.asarray(light + window.reflectance[0].astype(np.float64)[:, None] * water)


@dataclass(frozen=True)
class _Pictures:
    """Pictures of bubbles; which one each bubble has, and what its light is multiplied with."""

    textures: Textures
    which: NDArray[np.int64]
    gain: F64
    mean_light: F64


def _pictures(
    bubbles: RisingBubbles, sight: SightLine, diameter_px: F64, path: LightPath, look: BubbleLook
) -> _Pictures:
    depth = np.maximum(sight.depth_m, 0.2)
    rung = np.rint(np.log(depth) / math.log(_DEPTH_RATIO)).astype(np.int64)
    size = np.searchsorted(_SIZES_UP_TO_PX, diameter_px)
    view = _nearest(0.5 * (sight.downward + 1.0) * (_VIEWS - 1), _VIEW_STEPS[size])
    heading = _nearest(_headings(sight, path), _HEADING_STEPS[size]) % _HEADINGS
    flat, ripple = _forms(bubbles, _FLAT_STEPS[size])
    ripple[size == 0] = 0
    columns = (size, view, rung, heading, flat, ripple)
    kinds, which = np.unique(np.stack(columns, axis=1), axis=0, return_inverse=True)
    lights = {step: surroundings(path, _DEPTH_RATIO ** float(step), look) for step in np.unique(rung)}
    stacks: dict[int, list[F32]] = {}
    for across, index, step, turned, high, rippled in kinds:
        picture = appearance(
            _turned(lights[step], turned / _HEADING_STEPS[1]),
            2.0 * index / (_VIEWS - 1) - 1.0,
            size=_SIZES[across],
            form=_form(high, rippled),
        )
        stacks.setdefault(across, []).append(picture.astype(np.float32))
    # By size, as the kinds are.
    textures = Textures.joined([Textures.of(np.stack(pictures)) for pictures in stacks.values()])
    mean = textures.means
    light = (mean[:, :-1] / mean[:, -1:])[which.reshape(-1)]
    # The level light around, at the bubble's own depth and at that of its picture; by day, for none is none.
    day = replace(path, daylight_level=1.0)
    own = _level_light(day, depth)
    pictured = np.maximum(_level_light(day, _DEPTH_RATIO ** rung.astype(np.float64)), 1e-300)
    return _Pictures(textures, which.reshape(-1), look.brightness * own / pictured, light)


def _nearest(place: F64, step: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the whole numbers next to places that are so many steps apart."""
    return np.rint(place / step).astype(np.int64) * step


def _turned(light: F64, headings: float) -> F64:
    """Return light from all round as seen turned by so many of its headings, ``(n, K)``; linear between."""
    whole = math.floor(headings)
    turned, part = np.roll(light, whole, axis=1), headings - whole
    if part:
        turned = (1.0 - part) * turned + part * np.roll(turned, 1, axis=1)
    return turned.reshape(-1, light.shape[2])


def _forms(bubbles: RisingBubbles, steps: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return how flat bubbles are, in so many steps to a cap, and which ripples they have; 0 for none."""
    flat = _nearest((1.0 - flattening(bubbles.diameter_m)) / (1.0 - CAP) * _FLATS, steps)
    ripples = 1 + (bubbles.words[2] % np.uint32(_RIPPLED)).astype(np.int64)
    ripples[unsteadiness(bubbles.diameter_m) < 0.5] = 0
    return flat, ripples


def _form(flat: int, ripple: int) -> BubbleForm:
    height = 1.0 - (1.0 - CAP) * flat / _FLATS
    return BubbleForm(height, float(top_share(np.array(height))), int(ripple))


def _headings(sight: SightLine, path: LightPath) -> F64:
    """Return by how many steps of heading the sun stands to the right of each view."""
    world = _in_world(path, np.eye(3))
    aside, towards = (np.asarray(sight.direction @ axis) for axis in world[:2])
    return np.asarray(np.arctan2(-aside, towards) * (_HEADINGS / (2.0 * math.pi)))


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
    unsteady = unsteadiness(bubbles.diameter_m, film=column.emitter.film, water=column.water)
    # What is faster than the shutter is averaged by it.
    turns = wobble_hz(bubbles.diameter_m, column.water) * (0.85 + 0.3 * pace)
    unsteady = unsteady * np.abs(np.sinc(turns * (exposure.times_s[2] - exposure.times_s[0])))
    swing = 2.0 * math.pi * (phase + turns * bubbles.age_s)
    height = height * (1.0 + _WOBBLE * np.sin(swing) * unsteady)
    # Of the same volume: width^2 height = 1.
    wide, tall = height ** (-1.0 / 3.0), height ** (2.0 / 3.0)
    top, level = 2.0 * top_share(height), 1.0 - sight.downward**2
    halves = [np.hypot(wide * sight.downward, part * tall * np.sqrt(level)) for part in (top, 2.0 - top)]
    tall = 0.5 * (halves[0] + halves[1])
    tilt = exposure.middle.lean(column.up, bubbles.position_m)
    sway = 2.0 * math.pi * (slant + (0.7 + 0.6 * pace) * _LEANS_HZ * bubbles.age_s)
    lean = tilt + _LEAN_RAD * np.minimum(3.0 * (1.0 - height), 1.0) * np.sin(sway)
    half = 0.5 * size_px
    cosine, sine = np.cos(lean), np.sin(lean)
    right = np.stack([cosine, sine], axis=1) * (half * wide)[:, None]
    down = np.stack([-sine, cosine], axis=1) * (half * tall)[:, None]
    return np.stack([right, down], axis=2)
