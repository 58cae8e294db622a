"""What stands between the water and its light: shade, for all steps that show water or what floats in it.

Steps of one frame that ask for it share it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import cached_property
from threading import Lock
from typing import TYPE_CHECKING, Any
from weakref import WeakValueDictionary, ref

import cv2
import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.on_demand import OnDemand
from halocline.compute.row_ratios import RowRatios
from halocline.graph.graph import Graph
from halocline.graph.shot import Shot
from halocline.imaging.frame import Window
from halocline.imaging.panorama import continued
from halocline.imaging.sun_depth import SunView
from halocline.late_dataclass import dataclass
from halocline.operators.shared.surface_light import (
    LevelAxes,
    by_channel,
    casters_of_sun,
    casters_seen,
    channel_weights,
    sun_zenith,
    water_index,
)
from halocline.operators.shared.view_rays import ray_spacing, spaced_rays
from halocline.physics.floating.scene_shade import SceneShade
from halocline.physics.floating.turbid_shade_loops import BodyMap
from halocline.physics.path.light_shares import (
    light_shares,
    lobe_rad,
    scattered_about,
    sky_share_of_scalar,
    sun_share,
)
from halocline.physics.path.transport import LightPath
from halocline.physics.sea.light_field import window_start
from halocline.physics.sea.ray_volume import ShaftRays, ShaftSteps, ShaftWater
from halocline.physics.sea.shade import Casters, Shade, ShadeWater, Square
from halocline.physics.sea.shade_loops import lay_shade, light_at_places, loop_maps
from halocline.physics.sea.shade_volume import RayShares, ShadeVolume, ThingsAhead
from halocline.physics.sea.surface import SunBeam
from halocline.physics.sea.waves import cox_munk_slopes

if TYPE_CHECKING:
    from halocline.physics.floating.turbid_shade import BodyShade

turbid_shade = OnDemand("halocline.physics.floating.turbid_shade")
# Rays are followed until this share of the veil lies behind them, and at most so far.
_VEIL_LEFT = 0.03
_FARTHEST_M = 80.0
# View rays across the picture, and steps along each; the first of them, metres.
_RAYS, _STEPS, _FIRST_STEP_M = 160, 40, 0.25
# Points along a side of the maps of sun and sky, and half of that side, metres, at least: light comes past
# what lies in them from farther off than turbid water lets see, the sky's from farther than the sun's. And
# at most.
_SUN_POINTS, _SKY_POINTS = 512, 192
_NARROWEST_SUN_M, _NARROWEST_SKY_M, _WIDEST_M = 16.0, 24.0, 48.0


@dataclass(frozen=True)
class RayGrid:
    """A coarse grid of view rays over a frame.

    Attributes
    ----------
    axes
        The level axes of the scene.
    spacing_px
        Pixels from ray to ray.
    directions
        Along the axes and down, ``(3, rows, columns)``; the first goes through the corner of the window.
    window
        The frame's data window.
    """

    axes: LevelAxes
    spacing_px: float
    directions: F32
    window: Window

    @classmethod
    def of(cls, shot: Shot, rays: int) -> RayGrid:
        """Lay so many rays across a shot's picture."""
        spacing = ray_spacing(shot.camera, shot.display_window, shot.samples(rays))
        axes, window = LevelAxes.of(shot), shot.data_window
        level = np.stack([axes.x, axes.y, -shot.path.up])
        return cls(axes, spacing, spaced_rays(shot.camera, level, window, spacing), window)

    def columns(self, pixels: Any) -> F32:
        """Return pixel coordinates' places in rays, from left to right."""
        return np.asarray((pixels - self.window.x) / self.spacing_px, np.float32)

    def rows(self, pixels: Any) -> F32:
        """Return pixel coordinates' places in rays, downwards."""
        return np.asarray((pixels - self.window.y) / self.spacing_px, np.float32)

    def places(self, region: Window) -> tuple[F32, F32]:
        """Return the places of a region's columns and rows."""
        columns, rows = np.arange(region.x, region.x_end), np.arange(region.y, region.y_end)
        return self.columns(columns + 0.5), self.rows(rows + 0.5)

    def shares(self, path: LightPath) -> RayShares:
        """Return what the veil of each channel is made of along the rays."""
        travel, cosines = self._towards(path)
        found = light_shares(path, *cosines)
        sun, sky = (_of_channels(path, part) for part in (found.sun, found.sky))
        sun_turns = (
            found.beside_sun,
            found.times,
            found.apart,
            self._toward(-np.array(travel), found.beside_sun),
        )
        return RayShares(sun, sky, found.ahead, found.sun_ahead, *sun_turns)

    def sun_shares(self, path: LightPath) -> F32:
        """Return the sun's share of the veil of each channel along the rays, ``(3, rows, columns)``."""
        return _of_channels(path, sun_share(path, *self._towards(path)[1]))

    def _towards(self, path: LightPath) -> tuple[list[float], tuple[F32, F32]]:
        """Return where the sun's light goes along the axes, and the rays' cosines with down and with that."""
        travel = [float(path.sun_travel @ axis) for axis in (self.axes.x, self.axes.y, -path.up)]
        cos_sun = np.einsum("i,irc->rc", travel, self.directions).astype(np.float32)
        down = np.ascontiguousarray(self.directions[2])
        return travel, (down, np.clip(cos_sun, np.float32(-1.0), np.float32(1.0)))

    def _toward(self, light: F64, beside: F32) -> F32:
        """Return rows and columns from each ray to a direction, ``(2, rows, columns)``; 0 far from it."""
        rays = self.directions.astype(np.float64)
        if not beside.any() or min(rays.shape[1:]) < 2:
            return np.zeros((2, *beside.shape), np.float32)
        cosine = np.clip(np.einsum("i,irc->rc", light, rays), -1.0, 1.0)
        across = light[:, np.newaxis, np.newaxis] - cosine * rays
        sine = np.sqrt(np.maximum(1.0 - cosine**2, 1e-12))
        turn = across * np.where(sine > 1e-4, np.arccos(cosine) / sine, 1.0)
        down, right = np.gradient(rays, axis=(1, 2))
        # Rays are turned by rows and columns of these: least squares of two unknowns.
        square = np.einsum("irc,irc->rc", down, down), np.einsum("irc,irc->rc", right, right)
        both = np.einsum("irc,irc->rc", down, right)
        wanted = np.einsum("irc,irc->rc", down, turn), np.einsum("irc,irc->rc", right, turn)
        whole = np.maximum(square[0] * square[1] - both**2, 1e-18)
        rows = (square[1] * wanted[0] - both * wanted[1]) / whole
        columns = (square[0] * wanted[1] - both * wanted[0]) / whole
        return np.where(beside > 0.0, np.stack([rows, columns]), 0.0).astype(np.float32)

    def things_ahead(self, shot: Shot) -> ThingsAhead:
        """Return what a frame's picture shows along the rays; beyond its edges as at them."""
        cover, metres, farthest = self._shown(shot)
        spacing = self.spacing_px * max(shot.camera.tangent_per_px)
        lobe = lobe_rad(shot.path.bands.asymmetry)
        around = 0
        if shot.camera.globe is not None:
            around = round(2.0 * math.pi / (shot.camera.tangent_per_px[0] * self.spacing_px))
        return ThingsAhead.of(cover, metres, spacing, lobe_rad=lobe, farthest_m=farthest, around=around)

    def surfaces_ahead(self, shot: Shot) -> tuple[F32, F32]:
        """Return how much of each ray things cover, and where they do as `ThingsAhead.range_m`."""
        cover, metres, farthest = self._shown(shot)
        return cover, np.where(farthest > 0.0, farthest, metres)

    def _shown(self, shot: Shot) -> tuple[F32, F32, F32]:
        """Return how much of the rays a picture covers, how far away, and the farthest of what it shows."""
        rows, columns = self.directions.shape[1:]
        surfaces, step = shot.surfaces, self.spacing_px
        if surfaces is None:
            nothing = np.zeros((rows, columns), np.float32)
            return nothing, nothing, nothing
        two = {name: surfaces.plane(name) for name in ("alpha", "range")}
        beyond = max(0, surfaces.data_window.x - self.window.x) + 2 * math.ceil(step)
        surfaces = continued(replace(surfaces, planes=two), shot.camera, beyond)
        window = surfaces.data_window
        # A quarter of the way from ray to ray is fine enough for means about each.
        thin = max(1, int(step) // 4)
        # A picture may be smaller than the way between two rays.
        down, across = (slice(min(thin // 2, size - 1), None, thin) for size in (window.height, window.width))
        alpha, range_m = (surfaces.plane(name)[down, across] for name in ("alpha", "range"))
        hit = np.where(
            np.isfinite(range_m), np.clip(alpha, np.float32(0.0), np.float32(1.0)), np.float32(0.0)
        )
        far = np.where(hit > 0.0, range_m, np.float32(0.0))

        def at_rays(plane: F32) -> F32:
            columns_at, rows_at = (
                np.clip((np.arange(count) * step + first) / thin, 0, size - 1).astype(np.int64)
                for count, first, size in (
                    (columns, self.window.x - window.x, plane.shape[1]),
                    (rows, self.window.y - window.y, plane.shape[0]),
                )
            )
            return np.asarray(plane[np.ix_(rows_at, columns_at)], np.float32)

        def means(plane: F32) -> F32:
            # Of the pixels about each ray.
            side = max(1, round(step / thin))
            return at_rays(
                np.asarray(cv2.blur(plane, (side, side), borderType=cv2.BORDER_REPLICATE), np.float32)
            )

        cover, metres = means(hit.astype(np.float32)), means((far * hit).astype(np.float32))
        metres /= np.maximum(cover, np.float32(1e-6))
        # Of all pixels that are looked up between a ray and the next: none lies behind what its rays end at.
        side = 2 * (math.ceil(step / thin) + 1) + 1
        shown = np.where(hit >= _MOSTLY, far, np.float32(0.0)).astype(np.float32)
        farthest = at_rays(np.asarray(cv2.dilate(shown, np.ones((side, side), np.uint8)), np.float32))
        return cover, metres, farthest


def _of_channels(path: LightPath, shares: F32) -> F32:
    """Return shares of bands, ``(K, rows, columns)``, as those of three channels."""
    rows = [by_channel(path.bands.wavelength_nm, row) for row in np.eye(path.bands.count)]
    return np.asarray(np.einsum("ck,krm->crm", np.stack(rows, axis=1), shares), np.float32)


def veil_reach_m(path: LightPath) -> float:
    """Return how far to follow view rays: until little of the veil lies behind.

    Parameters
    ----------
    path
        The water.

    Returns
    -------
    float
        Metres.
    """
    least = float(channel_rates(path)[0].min())
    return min(_FARTHEST_M, -math.log(_VEIL_LEFT) / max(least, 1e-3))


def channel_rates(path: LightPath) -> tuple[F64, F64]:
    """Return c and Kd as the veil has them, of three channels, ``(3,)`` each, 1/m."""
    c, kd = (
        by_channel(path.bands.wavelength_nm, rates) * path.veil_scale
        for rates in (path.bands.attenuation, path.bands.diffuse_attenuation)
    )
    return c, kd


def shaft_water(path: LightPath) -> ShaftWater:
    """Return how the veil fades along rays.

    Parameters
    ----------
    path
        The water.

    Returns
    -------
    ShaftWater
        c and Kd of three channels.
    """
    c, kd = channel_rates(path)
    return ShaftWater((float(c[0]), float(c[1]), float(c[2])), (float(kd[0]), float(kd[1]), float(kd[2])))


# The range of a pixel that is covered by less is that of something else in part.
_MOSTLY = 0.5
# A ray shows a thing that covers so much of the pixels about it.
_SHOWN = 0.02
# What shade leaves before a thing, without the water before so much of the way, is about what comes to it.
_LAST = 0.2
# Of unseen things it is told where shade takes this share of the veil from that share of the picture's rays.
_TAKEN, _OF_RAYS = 0.1, 0.01
# A view from the sun may be so far off it.
_SAME_SUN_DEG = 5.0
_UNSEEN = (
    "things shade the water as far as the camera sees them: what is outside the picture and the unseen back "
    "of what is in it throw no shadow; a depth picture rendered from the sun (input.sun_depth, or --pass "
    "sun_depth=FRAMES) has them all, and light.shadows = false turns shade off"
)


_NO_THINGS = Casters(np.zeros((2, 0), np.float32), *np.zeros((2, 0), np.float32))


@dataclass(frozen=True, eq=False)
class WaterShade:
    """The shade of one frame.

    Attributes
    ----------
    shot
        The frame.
    shade
        What things leave of sun and sky.
    grid, volume
        What that leaves of the veil, along coarse view rays.
    weights
        How bands share in the volume's channels, ``(K, 3)``.
    """

    shot: Shot
    shade: Shade
    grid: RayGrid
    volume: ShadeVolume
    weights: F32

    def over(self, region: Window) -> RegionShade:
        """Return the shade of the water before a region's pixels."""
        return RegionShade(self, region, *self.grid.places(region))

    def before_things(self, window: Window, every: int) -> F32:
        """Return what shade leaves to halos before what rays show, of every so many pixels, ``(K, ...)``.

        See `ShadeVolume.left_for_halos`. The window may reach past the frame's: there it is as at its last
        pixels.
        """
        own = self.grid.window
        columns, rows = (
            place(np.minimum(np.arange(first, end, every), last - 1) + 0.5)
            for place, first, end, last in (
                (self.grid.columns, window.x, window.x_end, own.x_end),
                (self.grid.rows, window.y, window.y_end, own.y_end),
            )
        )
        rays = np.ix_(*(np.rint(places).astype(np.int64) for places in (rows, columns)))
        ends = self._shown_m[rays]
        gain = self._at_things(lambda range_m: self.volume.gain(columns, rows, range_m), ends, rays)
        return self.by_band(self.volume.left_for_halos(gain, *rays))

    @cached_property
    def _shown_m(self) -> F32:
        """How far away what rays show is, metres; inf where they show nothing."""
        ahead = self.volume.ahead
        return np.where(ahead.masks[-1] > _SHOWN, ahead.range_m, np.float32(np.inf))

    def _at_things(
        self, before: Callable[[F32], F32], range_m: F32, rays: tuple[NDArray[np.intp], ...]
    ) -> F32:
        """Return what shade leaves of the water's light that comes to things, ``(3, *shape)``.

        By what it leaves before them, ``before``, whole and without the water near the lens; no more than
        before them in all.
        """
        part, thing = np.float32(_LAST), np.isfinite(range_m)
        whole, near = before(range_m), before(part * range_m)
        water, down = self.volume.water, self.grid.directions[2][rays]
        c, kd = (np.array(rates, np.float32) for rates in (water.attenuation, water.diffuse_attenuation))
        per_m = np.maximum(np.add.outer(c, 0.0 * down) + np.multiply.outer(kd, down), np.float32(1e-3))
        far = np.maximum(np.where(thing, range_m, np.float32(1.0)), np.float32(1e-3))
        # Of the veil before a thing, what is not of the water near the lens; little enough is none.
        rest = np.exp(-per_m * part * far) * np.expm1(-per_m * (np.float32(1.0) - part) * far)
        rest /= np.expm1(-per_m * far)
        last = near + (whole - near) / np.maximum(rest, np.float32(1e-3))
        return np.where(thing, np.clip(last, np.float32(0.0), whole), whole).astype(np.float32)

    def before_farther(self, pixels: F64, range_m: F32) -> F32:
        """Return what shade leaves to halos before things at pixels ``(n, 2)`` and ranges, ``(K, n)``."""
        columns, rows = self.grid.columns(pixels[:, 0]), self.grid.rows(pixels[:, 1])
        rays = np.rint(rows).astype(np.int64), np.rint(columns).astype(np.int64)
        metres = np.ascontiguousarray(range_m)
        gain = self._at_things(lambda range_m: self.volume.gain_at(columns, rows, range_m), metres, rays)
        return self.by_band(self.volume.left_for_halos(gain, *rays))

    def before(self, pixels: F64, range_m: F32) -> F32:
        """Return what shade leaves of the veil before things at pixels ``(n, 2)`` and ranges, ``(K, n)``."""
        gain = self.volume.gain_at(
            self.grid.columns(pixels[:, 0]), self.grid.rows(pixels[:, 1]), np.ascontiguousarray(range_m)
        )
        return self.by_band(gain)

    def takes_much(self) -> bool:
        """Tell whether the shade of things is plain to see in the picture."""
        if self.shade.is_none:
            return False
        rows, columns = self.grid.directions.shape[1:]
        at = np.arange(columns, dtype=np.float32), np.arange(rows, dtype=np.float32)
        ahead = self.volume.ahead
        ends = np.where(ahead.masks[-1] > 0.5, ahead.range_m, np.float32(np.inf))
        taken = self.volume.of_things().gain(*at, ends)[1] < 1.0 - _TAKEN
        return bool(taken.mean() > _OF_RAYS)

    def by_band(self, gain: F32) -> F32:
        """Return the bands' share of channels ``(3, ...)``, ``(K, ...)``."""
        out = np.ones((len(self.weights), *gain.shape[1:]), np.float32)
        lay_shade(gain.reshape(3, -1), self.weights, out.reshape(len(out), -1))
        return out

    def light_at(self, points_m: F64, *, bodies: bool = True) -> F32:
        """Return what is left of sun and sky at world points ``(n, 3)``, ``(2, n)``; see `light_along`."""
        axes = self.grid.axes
        places = (points_m @ axes.x, points_m @ axes.y, self.shot.depth_below_surface_m(points_m))
        return self.light_along(*(np.asarray(place, np.float32) for place in places), bodies=bodies)

    def light_along(self, x: F32, y: F32, depth_m: F32, *, things: bool = True, bodies: bool = True) -> F32:
        """Return what is left of sun and sky at places along the level axes and depths, ``(2, n)``.

        By things, by turbid bodies, or by both.
        """
        return self._left(2, (x, y, depth_m), things=things, bodies=bodies)

    def sun_along(self, x: F32, y: F32, depth_m: F32) -> F32:
        """Return what things and bodies leave of the sun alone at such places, ``(n,)``."""
        (left,) = self._left(1, (x, y, depth_m), things=True, bodies=True)
        return np.asarray(left, np.float32)

    def _left(self, lights: int, places: tuple[F32, F32, F32], *, things: bool, bodies: bool) -> F32:
        out = np.empty((lights, places[0].size), np.float32)
        maps = loop_maps(self.shade, in_water=False, things=things, bodies=bodies)
        light_at_places(*maps, *places, out)
        return out


def scene_shade(shade: WaterShade | None, *, bodies: bool = True) -> SceneShade | None:
    """Return a shade as what floats in the water takes it.

    Parameters
    ----------
    shade
        The shade of a frame, if it has one.
    bodies
        Whether turbid bodies are in it at places.

    Returns
    -------
    SceneShade | None
        What it leaves at places and before them.
    """
    if shade is None:
        return None
    through_the_window = sky_share_of_scalar(shade.shot.path)

    def light(points_m: F64) -> F64:
        sun, sky = shade.light_at(points_m, bodies=bodies).astype(np.float64)
        # Of the light that is not the sun's, things overhead hide what comes from the sky.
        return np.stack([sun, 1.0 - through_the_window * (1.0 - sky)], axis=1)

    def veil(pixels: F64, range_m: F64) -> F64:
        return np.asarray(shade.before(pixels, range_m.astype(np.float32)).T, np.float64)

    return SceneShade(light, veil)


@dataclass(frozen=True)
class RegionShade:
    """What shade leaves of the veil before the pixels of a region; see `VeilGeometry.shade`.

    Attributes
    ----------
    whole
        The shade of the frame.
    region
        Its pixels.
    columns, rows
        Their places in coarse rays, ``(columns,)`` and ``(rows,)``.
    """

    whole: WaterShade
    region: Window
    columns: F32
    rows: F32

    def along_rows(self, length_m: F32) -> RowRatios | None:
        """Return the share of each band that is left before all pixels, by how far they see; None: all."""
        return self.whole.volume.along_rows(self.columns, self.rows, length_m, self.whole.weights)

    def dim_places(self, light: F32, length_m: F32, where: tuple[NDArray[np.intp], ...]) -> None:
        """Multiply light ``(K, n)`` before some pixels, ``(n,)`` each, by that."""
        rows, columns = where
        gain = self.whole.volume.gain_at(self.columns[columns], self.rows[rows], length_m)
        lay_shade(gain, self.whole.weights, light)


def water_shade(shot: Shot, *, softness: float = 1.0) -> WaterShade | None:
    """Return the shade of a frame; None where nothing casts, or nothing is to.

    Parameters
    ----------
    shot
        The frame, with what it shows.
    softness
        Art, on top of the shot's own: multiplies how soft shadows are.

    Returns
    -------
    WaterShade | None
        The same object as long as anybody holds it.
    """
    casts = shot.surfaces is not None or shot.sun_view is not None or bool(shot.bodies)
    if not shot.shadows or not casts:
        return None
    return _SHADES.at(shot, softness)


def shade_of_steps(graph: Graph, shot: Shot) -> WaterShade | None:
    """Return the shade that steps of a frame read; while it is held, it is made once for all of them.

    Parameters
    ----------
    graph
        The steps.
    shot
        The frame.

    Returns
    -------
    WaterShade | None
        None where nothing casts, or no step asks.
    """
    asked = any("light.shadows" in step.operator.uses for step in graph.steps)
    return water_shade(shot) if asked else None


def unseen_casters(shade: WaterShade | None) -> tuple[str, ...]:
    """Return what a person should know of a frame's shade.

    Parameters
    ----------
    shade
        The frame's, if it has one.

    Returns
    -------
    tuple[str, ...]
        That only what the camera sees casts, where that is so and shade is plain to see; or that the depth
        picture from the sun looks another way than the light falls.
    """
    if shade is None:
        return ()
    if shade.shot.sun_view is not None:
        return _looks_elsewhere(shade.shot, shade.shot.sun_view)
    return (_UNSEEN,) if shade.takes_much() else ()


def _looks_elsewhere(shot: Shot, view: SunView) -> tuple[str, ...]:
    """Return what is to be told of a view from the sun, which may look as light falls in air or in water."""
    up = shot.path.up
    zenith, sun = math.acos(float(np.clip(-view.ahead @ up, -1.0, 1.0))), -shot.path.sun_travel
    in_water, in_air = math.acos(float(np.clip(sun @ up, -1.0, 1.0))), sun_zenith(shot)
    axes = LevelAxes.of(shot)
    aside = axes.azimuth_of(sun) - axes.azimuth_of(-view.ahead)
    aside = math.remainder(aside, 2.0 * math.pi)
    nearest = min(max(zenith, in_water), in_air)
    apart = math.cos(zenith) * math.cos(nearest) + math.sin(zenith) * math.sin(nearest) * math.cos(aside)
    if math.degrees(math.acos(min(1.0, apart))) <= _SAME_SUN_DEG:
        return ()
    high, turn = 90.0 - math.degrees(zenith), math.degrees(aside)
    # Looking straight down it has no azimuth.
    level = math.sin(zenith) > 0.05
    which = "counter-clockwise" if turn > 0.0 else "clockwise"
    beside = f" and {abs(turn):.0f} degrees {which} of it, seen from above" if level else ""
    turned = f" and turn light.sun_azimuth by {turn:+.0f}" if level else ""
    return (
        f"the depth picture from the sun (input.sun_depth) looks down from {high:.0f} degrees high, but the "
        f"sun stands {90.0 - math.degrees(in_air):.0f} degrees high{beside}: things cast as they look from "
        f"there; render it anew, or set light.sun_elevation = {high:.0f}{turned}",
    )


class _SharedShades:
    """Shades that some step of some frame still holds, by what they are made of."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._shades: WeakValueDictionary[tuple[object, ...], WaterShade] = WeakValueDictionary()
        # Of what nothing casts in, as long as that is alive: every step asks. Not of bodies,
        # which cannot be asked whether they are.
        self._none: dict[tuple[object, ...], tuple[ref[Any], ...]] = {}

    def at(self, shot: Shot, softness: float) -> WaterShade | None:
        # A shade keeps the shot's picture, water and cameras alive: the identities cannot be others'.
        alive = (shot.surfaces, shot.sun_view, shot.path, shot.track, shot.bodies)
        softness *= shot.shadow_softness
        windows = (shot.display_window, shot.data_window)
        key = (*map(id, alive), shot.frame, *windows, shot.sea.wind, softness, shot.draft)
        with self._lock:
            made = self._shades.get(key)
            if made is not None or _all_alive(self._none.get(key)):
                return made
            made = _made(shot, softness)
            if made is not None:
                self._shades[key] = made
            elif not shot.bodies:
                self._none = {other: parts for other, parts in self._none.items() if _all_alive(parts)}
                self._none[key] = tuple(ref(part) for part in alive[:-1] if part is not None)
            return made


def _all_alive(parts: tuple[ref[Any], ...] | None) -> bool:
    return parts is not None and all(part() is not None for part in parts)


_SHADES = _SharedShades()


def _made(shot: Shot, softness: float) -> WaterShade | None:
    axes = LevelAxes.of(shot)
    if shot.sun_view is not None:
        # What the sun does not see of things, the camera may.
        seen = None if shot.surfaces is None else casters_seen(shot, shot.surfaces, axes)
        return shade_below(shot, casters_of_sun(shot, shot.sun_view, axes), softness, seen)
    if shot.surfaces is None:
        return shade_below(shot, _NO_THINGS, softness)
    return shade_below(shot, casters_seen(shot, shot.surfaces, axes), softness)


def shade_below(
    shot: Shot, casters: Casters, softness: float, beside: Casters | None = None
) -> WaterShade | None:
    """Return the shade that things throw in a frame's water; None where they throw none there.

    Parameters
    ----------
    shot
        The frame, with what it shows.
    casters
        The things.
    softness
        Art: multiplies how soft shadows are; 1 is physical.
    beside
        See `Shade`.

    Returns
    -------
    WaterShade | None
        Made where first looked at.
    """
    path, grid = shot.path, RayGrid.of(shot, _RAYS)
    far = veil_reach_m(path)
    shade = replace(_shade(shot, casters, grid.axes, far, softness), beside=beside)
    if shade.is_none and shade.bodies is None:
        return None
    rays = ShaftRays(grid.directions, grid.axes.origin, path.camera_depth_m)
    count = shot.samples(_STEPS)
    steps = ShaftSteps.reaching(max(far, 2.0 * _FIRST_STEP_M * count), first_m=_FIRST_STEP_M, count=count)
    ahead = grid.things_ahead(shot)
    volume = ShadeVolume(shade, rays, steps, shaft_water(path), grid.shares(path), ahead)
    weights = channel_weights(path.bands.wavelength_nm).astype(np.float32)
    return WaterShade(replace(shot, step=""), shade, grid, volume, weights)


def _shade(shot: Shot, casters: Casters, axes: LevelAxes, far_m: float, softness: float) -> Shade:
    path, bands = shot.path, shot.path.bands
    beam = SunBeam(sun_zenith(shot), axes.azimuth_of(-path.sun_travel), water_index()[1])
    water = ShadeWater(
        beam,
        float(by_channel(bands.wavelength_nm, bands.scattering)[1]),
        bands.asymmetry,
        sum(cox_munk_slopes(shot.sea.wind)) / 2.0,
        softness,
        *scattered_about(path),
    )

    def square(drift: F64, count: int, narrowest_m: float) -> Square:
        step = 2.0 * min(max(far_m, narrowest_m), _WIDEST_M) / count
        x, y = (
            place - path.camera_depth_m * float(along)
            for place, along in zip(axes.origin, drift, strict=True)
        )
        return Square(window_start((x, y), step, count), step, count)

    deepest = path.camera_depth_m + far_m
    sun_points, sky_points = shot.samples(_SUN_POINTS), shot.samples(_SKY_POINTS)
    squares = (
        square(beam.drift, sun_points, _NARROWEST_SUN_M),
        square(np.zeros(2), sky_points, _NARROWEST_SKY_M),
    )
    return Shade(casters, water, *squares, deepest, _shade_of_bodies(shot, water, axes, deepest))


def _shade_of_bodies(
    shot: Shot, water: ShadeWater, axes: LevelAxes, deepest_m: float
) -> tuple[BodyMap, BodyMap] | None:
    """Return what turbid bodies leave of sun and sky."""
    if not shot.bodies:
        return None
    world = np.stack([axes.x, axes.y, shot.path.up])
    made: BodyShade = turbid_shade.BodyShade(shot.bodies, water, world, shot.camera.position_m, deepest_m)
    return made.maps
