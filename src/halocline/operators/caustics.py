"""Caustics: sunlight that the waves have gathered into a net of light on the subject.

The net lies on whatever the sun reaches, sharp where the water is shallow and soft where it is deep, and
fades where a surface turns away from the sun or the light of the day is diffuse.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.graph.operator import Operator, Planes, PlaneUse, Tile
from halocline.graph.sea import Sea
from halocline.graph.shot import Shot
from halocline.operators.surface_light import (
    FARTHEST_M,
    LevelAxes,
    channel_weights,
    light_field,
)
from halocline.physics.facing import EDGE_REACH, averaged_at_edges, normals_from_range
from halocline.physics.light_field import CausticField
from halocline.physics.transport import LightPath
from halocline.physics.visibility import RangeRemap
from halocline.quantities import Ratio, Strict

# A surface seen this steeply at least, when the width of a pixel on it is reckoned.
_STEEPEST = 0.1
# Diffuse light that reaches a surface facing straight down, as a share of that on one facing up: what the
# bottom throws back. Common practice, no source.
_FROM_BELOW = 0.1
# Of surfaces farther away the water lets less than this share of any band's light through: nothing is seen of
# a pattern on them. Over the last part of the way there it fades.
_UNSEEN = 1.0 / 500.0
_FADING = 0.25


class CausticsParameters(Strict):
    """Parameters of caustics.

    Attributes
    ----------
    surface
        Another sea than the preset's ``[sea]``, for this step alone: a whole one, with the same keys.
    contrast
        Art: strength of the pattern, a ratio; 1 is physical, 0 even light. The mean light stays.
    normals
        How a surface's direction is known. ``auto``: from the render's normals, else from its depth.
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

    ``weights`` is ``(K, 3)``; ``share`` is the sun's share at the surface and ``fading`` (1/m) how it falls
    with depth, ``(K,)`` each. ``farthest_m`` is
    how many metres of water hide the pattern.
    """

    field: CausticField
    axes: LevelAxes
    weights: F32
    share: F32
    fading: F32
    farthest_m: float


class Caustics(Operator[CausticsParameters]):
    """Multiplies the sun's share of each surface's light by the gathered light there."""

    Parameters = CausticsParameters

    def planes(self) -> PlaneUse:
        """Read and write light; normals, mattes and a light layer as asked for."""
        p = self.parameters
        light = "rgb" if p.key_light else "bands"
        mattes = {f"matte.{name}" for name in (p.matte, p.shadow_matte) if name}
        key = {f"light.{p.key_light}"} if p.key_light else set()
        normals = {"normal"} if p.normals != "none" else set()
        return PlaneUse(
            reads=frozenset({light, "range", "downward"} | mattes | key),
            optional=frozenset({"far_range", "far_share", "far_light"} | normals),
            writes=frozenset({light, "caustic_gain"}),
        )

    def idle(self, shot: Shot) -> bool:
        """Without contrast, or without sun, light stays even."""
        return self.parameters.contrast == 0.0 or not shot.path.sun_share(0.0).any()

    def reach(self, shot: Shot) -> int:  # noqa: ARG002 - part of the protocol
        """At edges, directions are averaged over the pixels around; those from depth take one more."""
        return {"auto": EDGE_REACH + 1, "render": EDGE_REACH, "none": 0}[self.parameters.normals]

    def prepare(self, shot: Shot) -> _Prepared:
        """Raise the sea and refract the sun through it."""
        path = shot.path
        if self.parameters.key_light:
            weights, share, fading = np.eye(3), np.ones(3), np.zeros(3)
        else:
            weights = channel_weights(path.bands.wavelength_nm)
            share = path.sun_share(0.0)
            fading = -np.log(np.maximum(path.sun_share(1.0), 1e-30) / np.maximum(share, 1e-30))
        field = light_field(shot, self.parameters.surface, contrast=self.parameters.contrast)
        return _Prepared(
            field,
            LevelAxes.of(shot),
            weights.astype(np.float32),
            share.astype(np.float32),
            fading.astype(np.float32),
            _farthest(path),
        )

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: Any) -> Planes:
        """Put the pattern on the light."""
        ready: _Prepared = prepared
        trimmed = {name: tile.trim(plane) for name, plane in planes.items()}
        facing = _facing(self._normals(planes, tile, shot), planes["range"], shot)
        if facing is not None:
            facing = tile.trim(facing)
        view = _View.of(shot, ready.axes, tile)
        gain = _departure(ready, view, trimmed["range"], facing)
        far_share = trimmed.get("far_light", trimmed.get("far_share"))
        if far_share is not None and far_share.any():
            # The farther surface's direction is not known: as if level.
            gain += far_share * (_departure(ready, view, trimmed["far_range"], None) - gain)
        self._hold_out(gain, trimmed)
        key = self.parameters.key_light
        form = "rgb" if key else "bands"
        lit = trimmed[form] + trimmed[f"light.{key}" if key else form] * gain
        gain += np.float32(1.0)
        return {form: lit, "caustic_gain": gain}

    def _normals(self, planes: Planes, tile: Tile, shot: Shot) -> F32 | None:
        if self.parameters.normals == "none":
            return None
        if "normal" in planes:
            return planes["normal"]
        if self.parameters.normals == "render":
            return None
        return normals_from_range(shot.camera.directions(tile.window), planes["range"])

    def _hold_out(self, gain: F32, planes: Planes) -> None:
        p = self.parameters
        if p.matte:
            matte = planes[f"matte.{p.matte}"]
            gain *= np.float32(1.0) - matte if p.invert_matte else matte
        if p.shadow_matte:
            gain *= np.float32(1.0) - planes[f"matte.{p.shadow_matte}"]


@dataclass(frozen=True)
class _View:
    """Unit view directions of a tile along the level axes and downwards, and a pixel's width per metre."""

    x: F32
    y: F32
    down: F32
    depth_m: float
    width: float
    remap: RangeRemap

    @classmethod
    def of(cls, shot: Shot, axes: LevelAxes, tile: Tile) -> _View:
        x, y = axes.across(shot, tile.region)
        down = shot.view_plane("downward", tile.region)
        return cls(x, y, down, shot.path.camera_depth_m, max(shot.camera.tangent_per_px), shot.path.remap)

    def at(self, where: NDArray[np.bool_]) -> _View:
        """Return the directions of some pixels, ``(n,)`` each."""
        return replace(self, x=self.x[where], y=self.y[where], down=self.down[where])


def _facing(normal: F32 | None, range_m: F32, shot: Shot) -> F32 | None:
    """Return what a surface takes of the sun's light over what it takes of diffuse light; 1 if level."""
    if normal is None:
        return None
    travel, up = shot.path.sun_travel.astype(np.float32), shot.path.up.astype(np.float32)
    sun: F32 = -(normal[0] * travel[0] + normal[1] * travel[1] + normal[2] * travel[2])
    np.maximum(sun, np.float32(0.0), out=sun)
    sun *= np.float32(1.0 / max(1e-3, -float(shot.path.sun_travel @ shot.path.up)))
    diffuse: F32 = normal[0] * up[0] + normal[1] * up[1] + normal[2] * up[2]
    diffuse *= np.float32(0.5 * (1.0 - _FROM_BELOW))
    diffuse += np.float32(0.5 * (1.0 + _FROM_BELOW))
    sun, diffuse = averaged_at_edges([sun, diffuse], range_m)
    over: F32 = np.maximum(diffuse, np.float32(0.5 * _FROM_BELOW))
    return np.divide(sun, over, out=over)


def _farthest(path: LightPath) -> float:
    """Return how many metres of water hide all that lies behind them."""
    return min(FARTHEST_M, -math.log(_UNSEEN) / max(1e-6, float(path.beam_rate.min())))


def _departure(ready: _Prepared, view: _View, range_m: F32, facing: F32 | None) -> F32:
    """Return by how much each band's light on the surfaces departs from even light, ``(K, ...)``.

    Where there is no surface, or none to be seen for water, light is taken as even: 0.
    """
    out = np.zeros((len(ready.weights), *range_m.shape), np.float32)
    # Metres of water as the eye counts them: a story may draw surfaces near.
    near = view.remap.apply(range_m) < np.float32(ready.farthest_m)
    near &= range_m < np.float32(FARTHEST_M)
    if near.all():
        return _departures(ready, view, range_m, facing)
    if near.any():
        found = _departures(ready, view.at(near), range_m[near], None if facing is None else facing[near])
        for plane, values in zip(out, found, strict=True):
            plane[near] = values
    return out


def _departures(ready: _Prepared, view: _View, range_m: F32, facing: F32 | None) -> F32:
    """Return the same for surfaces that are there and near, in any one shape."""
    depth = view.down * range_m
    depth += np.float32(view.depth_m)
    np.maximum(depth, np.float32(0.0), out=depth)
    # How wide a pixel is on level ground, between its width across and along the view.
    width = range_m * np.float32(view.width)
    width /= np.sqrt(np.maximum(np.abs(view.down), np.float32(_STEEPEST)))
    light = ready.field.gain(
        view.x * range_m, view.y * range_m, depth, origin=ready.axes.origin, footprint_m=width
    )
    light -= np.float32(1.0)
    light *= _fade(view.remap.apply(range_m), ready.farthest_m)
    out = np.empty((len(ready.weights), *range_m.shape), np.float32)
    for plane, weights, share, fading in zip(out, ready.weights, ready.share, ready.fading, strict=True):
        # Channels that take part: two at most, since bands lie between them.
        first, *others = np.flatnonzero(weights)
        np.multiply(light[first], weights[first], out=plane)
        for channel in others:
            np.add(plane, light[channel] * weights[channel], out=plane)
        np.multiply(plane, _sun_share(depth, share, fading, facing), out=plane)
    return out


def _fade(length_m: F32, farthest_m: float) -> F32:
    """Return 1, and over the last part of the way to the farthest down to 0."""
    left = length_m * np.float32(-1.0 / (_FADING * farthest_m))
    left += np.float32(1.0 / _FADING)
    return np.clip(left, np.float32(0.0), np.float32(1.0), out=left)


def _sun_share(depth_m: F32, share: np.float32, fading: np.float32, facing: F32 | None) -> F32:
    """Return the sun's share of one band's light on the surfaces."""
    sun = depth_m * -fading
    np.exp(sun, out=sun)
    sun *= share
    if facing is None:
        return sun
    rest = np.float32(1.0) - sun
    sun *= facing
    rest += sun
    np.maximum(rest, np.float32(1e-6), out=rest)
    sun /= rest
    return sun
