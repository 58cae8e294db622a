"""Caustics: sunlight that the waves have gathered into a net of light on the subject.

The net lies on whatever the sun reaches, sharp where the water is shallow and soft where it is deep, and
fades where a surface turns away from the sun or the light of the day is diffuse.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled
from halocline.filters.facing import (
    EDGE_REACH,
    NORMAL_REACH,
    normals_from_range,
    sun_over_diffuse,
    sun_over_diffuse_of,
)
from halocline.graph.operator import Operator, Planes, PlaneUse, Source, Stage, Tile
from halocline.graph.sea import Sea
from halocline.graph.shot import Shot
from halocline.imaging.frame import Window
from halocline.imaging.motion import MOTION_PASS
from halocline.late_dataclass import dataclass
from halocline.operators.shared.pixel_stretch import STEEPEST, CameraMotion, Stretches, stretches
from halocline.operators.shared.surface_light import (
    FARTHEST_M,
    LevelAxes,
    channel_weights,
    light_field,
)
from halocline.operators.shared.two_surfaces import FARTHER_PLANES, Farther
from halocline.operators.shared.water_shade import WaterShade, water_shade
from halocline.physics.path.transport import ByDepth, LightPath, sunlit_by_depth
from halocline.physics.path.visibility import RangeRemap
from halocline.physics.sea.light_field import CausticField
from halocline.quantities import Ratio, Strict

# Diffuse light that reaches a surface facing straight down, as a share of that on one facing up: what the
# bottom throws back. Common practice, no source.
_FROM_BELOW = 0.1
# Of surfaces farther away the water lets less than this share of any band's light through: nothing is seen of
# a pattern on them. Over the last part of the way there it fades.
_UNSEEN = 1.0 / 500.0
_FADING = 0.25
# Rows are looked at up to so many times as far away as that.
_BEYOND = 1.001
# Outer parts of a pixel's stretch that lie closer to its middle than this many widths are left out.
_SHORT = np.float32(0.1)
# Where along the halves of a stretch its pattern is looked up beside its middle; of a long one more often.
_OUTER = (-1.0, 1.0)
_EIGHT = (-1.0, -0.75, -0.5, -0.25, 0.25, 0.5, 0.75, 1.0)
_MOTION = f"pass.{MOTION_PASS}"
# By how much one over the range departs from a straight line at a step, over its own: less is a surface's
# shape. Where it changes by more than the second from pixel to pixel, two surfaces are told apart. Where
# pictures are not asked for both, only beyond the third are these no longer taken for one.
_BENT, _TOLD_APART, _HIGH = np.float32(0.03), np.float32(0.05), np.float32(0.18)
# In float32, as all numbers in the loops.
_NOTHING, _ALL, _LEAST, _FARTHEST = (np.float32(number) for number in (0.0, 1.0, 1e-6, FARTHEST_M))


class CausticsParameters(Strict):
    """Parameters of caustics.

    Attributes
    ----------
    surface
        Another sea than the preset's ``[sea]``, for this step alone: a whole one, with the same keys.
    contrast
        Art: strength of the pattern, a ratio; 1 is physical, 0 even light. The mean light stays.
    normals
        How a surface's direction is known. ``auto``: from the render's normals, else from its depth, over
        whose steps surfaces are fitted where it is coarse (half floats, 8 or 16 bits).
        ``render``: from the render's normals, else the pattern is the same in all directions (and a render
        without them costs less). ``none``: the same in all directions.
    matte
        Name of a matte that the pattern is held to, such as ``arch`` for the channel ``matte.arch``.
    invert_matte
        Keep the pattern outside the matte instead.
    shadow_matte
        Name of a matte that is 1 in the sun's shadow: no pattern there.
    key_light
        Name of the light layer that holds what the sun alone gives, where the render delivers light layers:
        ``key`` for the channels key.R, key.G, key.B, or a name of ``lights`` in ``[input]``. The pattern is
        then put on that part of the beauty and on nothing else, and the share of diffuse light is left to the
        render. The step must come first: say ``after = "render"``.
    """

    surface: Sea | None = None
    contrast: Ratio = 1.0
    normals: Literal["auto", "render", "none"] = "auto"
    matte: str | None = None
    invert_matte: bool = False
    shadow_matte: str | None = None
    key_light: str | None = None


@dataclass(frozen=True)
class _Prepared:
    """The light of a frame, and how each band takes part in it.

    ``weights`` is ``(K, 3)``. ``share`` is the sun's share of daylight by depth, None where all is the sun's.
    ``farthest_m`` is how many metres of water hide the pattern, ``shade`` what keeps the sun away.
    ``outer`` are where along long stretches of pixels the pattern is looked up beside their middles.
    """

    field: CausticField
    axes: LevelAxes
    weights: F32
    share: ByDepth | None
    farthest_m: float
    shade: WaterShade | None
    outer: tuple[float, ...]


class Caustics(Operator[CausticsParameters, _Prepared]):
    """Multiplies the sun's share of each surface's light by the gathered light there."""

    Parameters = CausticsParameters
    nothing_at: ClassVar = {"contrast": 0.0}
    stage = Stage.SUBJECT_LIGHT
    layer = "direct"

    def planes(self) -> PlaneUse:
        """Read and write light; normals, mattes and a light layer as asked for."""
        p = self.parameters
        light = "rgb" if p.key_light else "bands"
        mattes = {f"matte.{name}" for name in (p.matte, p.shadow_matte) if name}
        key = {f"light.{p.key_light}"} if p.key_light else set()
        normals = {"auto": {"normal", "fitted_normal"}, "render": {"normal"}, "none": set()}[p.normals]
        return PlaneUse(
            reads=frozenset({light, "range", "downward"} | mattes | key),
            optional=FARTHER_PLANES | normals | {_MOTION, "sample_width"},
            # Of a key light alone, it is not known how much comes from the farther surface.
            writes=frozenset({light, "caustic_gain"} | (set() if p.key_light else {"far_light"})),
        )

    def needs(self) -> frozenset[Source]:
        """The pattern is the sun's."""
        return frozenset({Source.SUN})

    def idle(self, shot: Shot) -> bool:
        """Without contrast, or without sun, light stays even."""
        return self.parameters.contrast == 0.0 or shot.path.surface_sun_share <= 0.0

    def reach(self, shot: Shot) -> int:
        """At edges, directions are averaged over the pixels around; those from depth take more.

        At low steps the light itself is, over one more. Samples of a deep picture that know which way they
        face need none of it.
        """
        if shot.samples_face:
            return 0
        around = {"auto": EDGE_REACH + NORMAL_REACH, "render": EDGE_REACH, "none": 0}
        return around[self.parameters.normals] + 1

    def prepare(self, shot: Shot) -> _Prepared:
        """Raise the sea and refract the sun through it."""
        path = shot.path
        if self.parameters.key_light:
            weights, share = np.eye(3), None
        else:
            weights, share = channel_weights(path.bands.wavelength_nm), sunlit_by_depth(path)
        field = light_field(shot, self.parameters.surface, contrast=self.parameters.contrast)
        return _Prepared(
            field,
            LevelAxes.of(shot),
            weights.astype(np.float32),
            share,
            _farthest(path),
            water_shade(shot),
            _OUTER if shot.draft else _EIGHT,
        )

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: _Prepared) -> Planes:
        """Put the pattern on the light."""
        trimmed = {name: tile.trim(plane) for name, plane in planes.items()}
        key = self.parameters.key_light
        form = "rgb" if key else "bands"
        light = trimmed[f"light.{key}" if key else form]
        farther = Farther.of(trimmed)
        rows = _rows_shown(prepared, shot.path.remap, planes["range"], farther, tile)
        shape = (len(prepared.weights), *tile.region.shape)
        if rows.stop <= rows.start:
            # Nothing is seen of the pattern: light is even.
            kept = {} if key or farther is None else farther.kept(light)
            told = {"caustic_gain": np.ones(shape, np.float32)} if tile.wants("caustic_gain") else {}
            return {form: trimmed[form], **told, **kept}
        part = replace(tile, region=tile.region.rows(rows.start, rows.stop))
        gain, far_gain = self._gains(planes, part, shot, prepared)
        if part.region != tile.region:
            gain = _among_even(gain, rows, shape)
        written: dict[str, F32] = {}
        if farther is not None:
            left = farther.mix(gain, _of_all(far_gain, farther, rows), light)
            written = {} if key else left
        lit = trimmed[form] + light * (gain - np.float32(1.0)) if key else light * gain
        return {form: lit, "caustic_gain": gain, **written}

    def _gains(self, planes: Planes, tile: Tile, shot: Shot, prepared: _Prepared) -> tuple[F32, F32]:
        """Return what the light on surfaces is multiplied by, ``(K, rows, columns)``, and on farther ones.

        Of these ``(K, n)``: pixels that show one, row by row.
        """
        trimmed = {name: tile.trim(plane) for name, plane in planes.items()}
        around = _one_more(tile)
        seen = {name: around.trim(plane) for name, plane in planes.items()}
        normal = self._normals(planes, tile, shot)
        facing: F32 | None = None
        direction: F32 | None = None
        if normal is not None:
            path = shot.path
            direction = around.trim(normal).reshape(3, -1)
            if shot.samples_face:
                facing = _takes_of(direction, shot)
            else:
                takes = sun_over_diffuse(
                    normal, planes["range"], travel=path.sun_travel, up=path.up, from_below=_FROM_BELOW
                )
                facing = around.trim(takes).ravel()
        view = _View.of(shot, prepared.axes, around)
        held = self._held(trimmed)
        vectors = None
        # Vectors in a panorama's pixels are no ways in the plane of a picture.
        if shot.camera.globe is None and shot.motion is not None and _MOTION in seen:
            vectors = shot.motion.pixels(seen[_MOTION], shot.display_window).reshape(2, -1)
        # What a sample of a deep picture shows of its pixel.
        shown = seen["sample_width"].ravel() if "sample_width" in seen else None
        apart = _departure(prepared, view, seen["range"].ravel(), facing, direction, vectors, shown)
        rows, columns = around.region.slices_of(tile.region)
        apart = apart.reshape(-1, *around.region.shape)
        if shot.samples_face:
            gain = (apart * held if held.size else apart) + np.float32(1.0)
        else:
            key = self.parameters.key_light
            gain = np.empty((apart.shape[0], *tile.region.shape), np.float32)
            _even_at_steps(
                apart,
                seen[f"light.{key}" if key else "bands"],
                seen["range"],
                trimmed.get("far_share", np.zeros((0, 0), np.float32)),
                rows.start,
                columns.start,
                held,
                gain,
            )
        farther = Farther.of(trimmed)
        if farther is None:
            return gain, np.ones((len(gain), 0), np.float32)
        at = (farther.where[0] + rows.start) * around.region.width + farther.where[1] + columns.start
        there = view.at(at)
        towards = None if normal is None else farther.facing(normal, planes, tile)
        far_takes = None if towards is None else _takes_of(towards, shot)
        far_gain = _departure(prepared, there, farther.range_m, far_takes, towards)
        if held.size:
            far_gain *= farther.at(held)
        far_gain += np.float32(1.0)
        return gain, far_gain

    def _normals(self, planes: Planes, tile: Tile, shot: Shot) -> F32 | None:
        if self.parameters.normals == "none":
            return None
        if "normal" in planes:
            return planes["normal"]
        if self.parameters.normals == "render":
            return None
        if "fitted_normal" in planes:
            return planes["fitted_normal"]
        return normals_from_range(shot.camera.directions(tile.window), planes["range"])

    def _held(self, planes: Planes) -> F32:
        """Return the share of the pattern that each pixel takes by its mattes, 0 to 1; empty without any."""
        p = self.parameters
        if not (p.matte or p.shadow_matte):
            return np.zeros((0, 0), np.float32)
        share = np.ones_like(planes["range"])
        if p.matte:
            matte = planes[f"matte.{p.matte}"]
            share *= np.float32(1.0) - matte if p.invert_matte else matte
        if p.shadow_matte:
            share *= np.float32(1.0) - planes[f"matte.{p.shadow_matte}"]
        return share


def _one_more(tile: Tile) -> Tile:
    """Return the part of the picture asked for with a pixel more around it, as far as the picture goes."""
    region, window = tile.region, tile.window
    x, y = max(window.x, region.x - 1), max(window.y, region.y - 1)
    right, below = min(window.x_end, region.x_end + 1), min(window.y_end, region.y_end + 1)
    return replace(tile, region=Window(x, y, right - x, below - y))


def _rows_shown(
    ready: _Prepared, remap: RangeRemap, range_m: F32, farther: Farther | None, tile: Tile
) -> slice:
    """Return the rows of a tile in or beside which the pattern is seen through the water: none, or a run."""
    around = _one_more(tile)
    nearest = around.trim(range_m).min(axis=1)
    if farther is not None:
        top = tile.region.y - around.region.y
        np.minimum.at(nearest, farther.where[0] + top, farther.range_m)
    # A little farther than that, for what rounding may do; what is no number is left to the loops.
    unseen = remap.apply(nearest) > np.float32(_BEYOND * ready.farthest_m)
    unseen |= nearest >= _FARTHEST
    rows = np.flatnonzero(~unseen) + around.region.y - tile.region.y
    if not rows.size:
        return slice(0, 0)
    # The light at low steps is that of the rows beside them too.
    return slice(max(int(rows[0]) - 1, 0), min(int(rows[-1]) + 2, tile.region.height))


def _among_even(gain: F32, rows: slice, shape: tuple[int, ...]) -> F32:
    """Return the gains of all rows from those of some; 1 elsewhere."""
    whole = np.ones(shape, np.float32)
    whole[:, rows] = gain
    return whole


def _of_all(far_gain: F32, farther: Farther, rows: slice) -> F32:
    """Return the gains of all farther surfaces from those in some rows; 1 elsewhere."""
    whole = np.ones((len(far_gain), farther.range_m.size), np.float32)
    first, last = np.searchsorted(farther.where[0], (rows.start, rows.stop))
    whole[:, first:last] = far_gain
    return whole


def _takes_of(normal: F32, shot: Shot) -> F32:
    path = shot.path
    return sun_over_diffuse_of(normal, travel=path.sun_travel, up=path.up, from_below=_FROM_BELOW)


@dataclass(frozen=True)
class _View:
    """Unit view directions of pixels along the level axes and downwards, and a pixel's width per metre.

    ``level`` is ``(3, 3)``: the two level axes and the one down, as rows, world.
    """

    x: F32
    y: F32
    down: F32
    depth_m: float
    width: float
    level: F64
    remap: RangeRemap
    motion: CameraMotion

    @classmethod
    def of(cls, shot: Shot, axes: LevelAxes, tile: Tile) -> _View:
        x, y = (plane.ravel() for plane in axes.across(shot, tile.region))
        down = shot.view_plane("downward", tile.region).ravel()
        width, level = max(shot.camera.tangent_per_px), np.stack([axes.x, axes.y, -shot.path.up])
        motion = CameraMotion.of(shot, level)
        return cls(x, y, down, shot.path.camera_depth_m, width, level, shot.path.remap, motion)

    def at(self, where: NDArray[np.intp]) -> _View:
        """Return the directions of some pixels."""
        return replace(self, x=self.x[where], y=self.y[where], down=self.down[where])


def _farthest(path: LightPath) -> float:
    """Return how many metres of water hide all that lies behind them."""
    return min(FARTHEST_M, -math.log(_UNSEEN) / max(1e-6, float(path.beam_rate.min())))


def _departure(
    ready: _Prepared,
    view: _View,
    range_m: F32,
    facing: F32 | None,
    normal: F32 | None,
    vectors: F32 | None = None,
    shown: F32 | None = None,
) -> F32:
    """Return by how much each band's light on the surfaces of pixels departs from even light, ``(K, n)``.

    Where there is no surface, or none to be seen for water, light is taken as even: 0. ``normal``,
    ``(3, n)``, tells over how long a stretch of its surface a pixel looks, and ``vectors``, ``(2, n)`` px
    from frame to frame, how that surface moves; ``shown``, ``(n,)``, how wide a part of a pixel it is.
    """
    # Metres of water as the eye counts them: a story may draw surfaces near.
    metres = view.remap.apply(range_m)
    x, y, depth, width, seen = np.empty((5, range_m.size), np.float32)
    numbers = (view.depth_m, view.width, 1.0 / (_FADING * ready.farthest_m), 1.0 / _FADING)
    _find_surfaces(
        view.x,
        view.y,
        view.down,
        range_m,
        metres,
        tuple(np.float32(number) for number in numbers),
        (x, y, depth, width, seen),
    )
    if shown is not None:
        width *= shown
    light = _over_pixels(ready, view, (x, y, depth, width), range_m, normal, vectors, shown)
    if ready.shade is not None:
        across, along = (np.float32(place) for place in ready.axes.origin)
        seen *= ready.shade.sun_along(x + across, y + along, depth)
    out = np.empty((len(ready.weights), range_m.size), np.float32)
    shares = np.ones_like(out) if ready.share is None else ready.share(np.maximum(depth, np.float32(0.0)))
    for plane, weights, share in zip(out, ready.weights, shares, strict=True):
        _depart(
            light, tuple(weights), seen, share, facing is None, depth if facing is None else facing, plane
        )
    return out


def _over_pixels(
    ready: _Prepared,
    view: _View,
    places: tuple[F32, F32, F32, F32],
    range_m: F32,
    normal: F32 | None,
    vectors: F32 | None,
    shown: F32 | None,
) -> F32:
    """Return the gathered light on what each pixel covers of its surface, ``(3, n)``.

    A pixel that looks along a surface, or sweeps over it as the camera moves, covers a long, narrow stretch
    of it. Three places along the stretch, or nine, each averaged over its width or its share of the length,
    stand for it as one mean over both would not: that is either blurred across or full of holes along.
    """
    x, y, depth, width = places
    directions = (view.x, view.y, view.down)
    if normal is None:
        far = np.where(width > _NOTHING, range_m, _NOTHING)
        wide = np.hypot(width, view.motion.sweep(directions, far))
        return ready.field.gain(x, y, depth, origin=ready.axes.origin, footprint_m=wide)
    finest_m = ready.field.finest_m
    found = stretches(
        directions, normal, view.level, range_m, view.width, width, view.motion, finest_m, vectors, shown
    )
    light = ready.field.gain(x, y, depth, origin=ready.axes.origin, footprint_m=found.width)
    for where, shares in zip(found.long_ones(_SHORT), (_OUTER, ready.outer), strict=True):
        if where.size:
            light[:, where] = _along(ready, (x, y, depth), found, where, shares, light[:, where])
    return light


def _along(
    ready: _Prepared,
    places: tuple[F32, F32, F32],
    found: Stretches,
    where: NDArray[np.intp],
    shares: tuple[float, ...],
    middle: F32,
) -> F32:
    """Return the mean light of the middle of some pixels' stretches and at shares of their halves."""
    middles = [plane[where] for plane in places]
    steps, width = [step[where] for step in found.along], found.width[where]
    total = middle
    for share in shares:
        x, y, depth = (at + np.float32(share) * step for at, step in zip(middles, steps, strict=True))
        total = total + ready.field.gain(x, y, depth, origin=ready.axes.origin, footprint_m=width)
    return total * np.float32(1.0 / (1 + len(shares)))


@compiled
def _find_surfaces(
    view_x: F32,
    view_y: F32,
    down: F32,
    range_m: F32,
    metres: F32,
    numbers: tuple[np.float32, ...],
    out: tuple[F32, ...],
) -> None:
    """Write places, depth, a pixel's width there, and how far surfaces are seen through the water, 0 to 1."""
    x, y, depth, width, seen = out
    lens_m, per_m, fade, start = numbers
    for i in range(range_m.size):
        seen[i] = max(_NOTHING, min(start - metres[i] * fade, _ALL))
        # What is not seen may as well lie at the surface, where light is even.
        far = range_m[i] if seen[i] > _NOTHING and range_m[i] < _FARTHEST else _NOTHING
        x[i], y[i] = view_x[i] * far, view_y[i] * far
        depth[i] = max(down[i] * far + lens_m, _NOTHING) if far > _NOTHING else _NOTHING
        # On level ground, between its width across and along the view.
        width[i] = far * per_m / np.sqrt(max(abs(down[i]), STEEPEST))


@compiled
def _even_at_steps(
    apart: F32, light: F32, range_m: F32, far_share: F32, top: int, left: int, held: F32, out: F32
) -> None:
    """Write gains of pixels; where one surface steps behind another, the mean of those of the pixels around.

    ``apart`` is by how much they depart from 1, ``held`` the share of that which each pixel takes (empty
    where all take all).

    They count by their light, as what a pixel mixes does: a dark side before bright ground lends it nothing.
    Light is the mean over a pixel, its place that of one sample in it. Along a crest that is seen aslant the
    samples of neighbouring pixels lie on its top and far behind it in turn, and a fine pattern breaks into
    dashes there. Where the step is high enough for two surfaces to be told apart, they have been.
    """
    columns = out.shape[2]
    steps = np.empty(range_m.shape[1], np.bool_)
    high = _TOLD_APART if far_share.size > 0 else _HIGH
    for row in range(out.shape[1]):
        r = row + top
        last = range_m.shape[0] - 1
        lines = range_m[max(r - 1, 0)], range_m[r], range_m[min(r + 1, last)]
        _find_steps(lines, 0 < r < last, high, steps)
        for band in range(out.shape[0]):
            own, target = apart[band, r, left : left + columns], out[band, row]
            for column in range(columns):
                target[column] = own[column]
        for column in range(columns):
            if not steps[column + left]:
                continue
            if far_share.size > 0 and far_share[row, column] > _NOTHING:
                continue
            for band in range(out.shape[0]):
                out[band, row, column] = _mean_around(apart[band], light[band], r, column + left)
        for band in range(out.shape[0]):
            target = out[band, row]
            if held.size:
                share = held[row]
                for column in range(columns):
                    target[column] *= share[column]
            for column in range(columns):
                target[column] += _ALL


@compiled
def _mean_around(apart: F32, light: F32, row: int, column: int) -> np.float32:
    """Return the mean over the pixels around one, by their light."""
    total = weights = _NOTHING
    for y in range(max(0, row - 1), min(apart.shape[0], row + 2)):
        for x in range(max(0, column - 1), min(apart.shape[1], column + 2)):
            weight = np.float32((2 - abs(y - row)) * (2 - abs(x - column)))
            weight *= max(light[y, x], _LEAST)
            total += weight * apart[y, x]
            weights += weight
    mean: np.float32 = total / weights
    return mean


@compiled
def _find_steps(
    lines: tuple[F32, F32, F32], inside: bool, high: np.float32, steps: NDArray[np.bool_]
) -> None:
    """Tell which pixels of a row lie at a low step: one over the range runs straight over every plane.

    Across the picture's edge, where the row is not ``inside``, there is none.
    """
    above, here, below = lines
    for x in range(here.size):
        steps[x] = inside & _bends(above[x], here[x], below[x], high) & (here[x] < _FARTHEST)
    for x in range(1, here.size - 1):
        steps[x] |= _bends(here[x - 1], here[x], here[x + 1], high) & (here[x] < _FARTHEST)


@compiled
def _bends(before: np.float32, here: np.float32, after: np.float32, high: np.float32) -> bool:
    """Tell whether a range departs from a plane between its neighbours', by less than a high step."""
    first, second = here / before - _ALL, here / after - _ALL
    low = max(abs(first), abs(second)) < high
    return bool(low & (abs(first + second) > _BENT))


@compiled
def _depart(
    light: F32,
    weights: tuple[np.float32, ...],
    seen: F32,
    share: F32,
    level: bool,
    facing: F32,
    out: F32,
) -> None:
    """Write by how much one band's light departs from even light."""
    red, green, blue = weights
    for i in range(out.size):
        sun = share[i]
        if not level:
            rest = _ALL - sun
            sun *= facing[i]
            sun /= max(rest + sun, _LEAST)
        change = red * (light[0, i] - _ALL) + green * (light[1, i] - _ALL) + blue * (light[2, i] - _ALL)
        out[i] = change * seen[i] * sun
