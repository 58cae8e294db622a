"""What a bubble shows of the water around: rays traced through a flattened mirror and lens of gas.

Rays that meet the gas at more than the critical angle are reflected whole: above, a bubble wears a silver cap
of sky, below, it shows the floor upside down, and dark water between. What enters leaves on the far side and
shows what lies behind, shrunk.

Directions are to the right of the view, level ahead, and up: unit vectors.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np

from halocline._typing import F64
from halocline.compute.on_demand import OnDemand
from halocline.compute.random import normals, stream_key
from halocline.late_dataclass import dataclass

sparse = OnDemand("scipy.sparse")

# Light from all round is looked up at these: rings of so many degrees from straight up, and headings on each.
RINGS, HEADINGS = 37, 48
# Rays a pixel of the picture along a side.
_FINE = 2
# What pictures of no more texels across show of all round is kept.
_KEPT_TEXELS = 64
# Ripples of a bubble that wobbles: waves about its outline of these numbers, and their shares of its radius.
# The more of them there are about it the flatter they are: four as high as two would make it a lozenge.
_RIPPLES = (2, 3, 4)
_RIPPLE = (0.055, 0.025, 0.012)


@dataclass(frozen=True)
class BubbleForm:
    """The form of a bubble: two halves of spheroids, the volume of a ball of radius 1.

    Attributes
    ----------
    height
        Its height over its width, above 0 to 1.
    top
        Share of its height above its widest place: 1/2 for a ball, 1 for a cap with a flat base.
    rippled
        Which of the ripples of bubbles that wobble it has; 0 is smooth.
    """

    height: float = 1.0
    top: float = 0.5
    rippled: int = 0

    @property
    def axes(self) -> tuple[float, float, float]:
        """Half its width, and its height above and below the widest place."""
        # Both halves together hold 2/3 pi w^2 (top + below), that is 4/3 pi w^3 height.
        wide = self.height ** (-1.0 / 3.0)
        whole = 2.0 * self.height * wide
        return wide, self.top * whole, (1.0 - self.top) * whole


def fresnel(cosine: F64, index_from: float, index_to: float) -> F64:
    """Return the share of unpolarised light reflected at a smooth surface; 1 where reflection is total.

    Notes
    -----
    Worked value: straight on, 1 to 1.34, gives 0.0211.
    """
    sine_squared = (index_from / index_to) ** 2 * (1.0 - cosine * cosine)
    inner = np.sqrt(np.maximum(1.0 - sine_squared, 0.0))
    across = (index_from * cosine - index_to * inner) / (index_from * cosine + index_to * inner)
    within = (index_to * cosine - index_from * inner) / (index_to * cosine + index_from * inner)
    return np.where(sine_squared >= 1.0, 1.0, 0.5 * (across**2 + within**2))


def around() -> F64:
    """Return the directions at which light from all round is looked up, ``(RINGS * HEADINGS, 3)``."""
    ring = np.linspace(0.0, math.pi, RINGS)[:, None]
    heading = (2.0 * math.pi / HEADINGS) * np.arange(HEADINGS)[None, :]
    level = np.sin(ring) * np.ones_like(heading)
    parts = level * np.sin(heading), level * np.cos(heading), np.cos(ring) * np.ones_like(heading)
    return np.stack(parts, axis=2).reshape(-1, 3)


def appearance(
    light: F64, view_downward: float, *, size: int, form: BubbleForm | None = None, index: float = 1.34
) -> F64:
    """Return the picture of a bubble: what its surface reflects and refracts to the lens.

    Parameters
    ----------
    light
        What comes from each direction of `around`, ``(n, K)``, its heading from that of the view.
    view_downward
        Downward component of the view of the bubble's middle.
    size
        Pixels across; rows from top to bottom.
    form
        Of the bubble; a ball where not given.
    index
        Refractive index n of the water against the gas.

    Returns
    -------
    F64
        ``(size, size, K + 1)`` premultiplied light and coverage; the outline touches the picture's sides.

    Notes
    -----
    The few rays that are reflected inside more than once are counted with those reflected once, so that a
    bubble in even light is invisible. Worked values of a ball seen level, by Snell and Fresnel: reflection is
    total from 1/n of the radius, 0.746; light from straight up comes from 0.734 (what passes) and from
    0.707 (what is mirrored).
    """
    # Of a large bubble each frame has another view: none is asked for again.
    traced = _mirrored if size <= _KEPT_TEXELS else _mirrored.__wrapped__
    mirrored, coverage = traced(view_downward, size, form or BubbleForm(), index)
    picture = mirrored @ light
    return np.concatenate([picture, coverage[:, None]], axis=1).reshape(size, size, -1)


@lru_cache(maxsize=128)
def _mirrored(view_downward: float, size: int, form: BubbleForm, index: float) -> tuple[Any, F64]:
    """Return how much of the light from each of `around` a bubble's pixels show, and their coverage."""
    starts, pixel, ray = _rays(view_downward, size, form)
    shares, pixels, nodes = [], [], []
    for which, share, direction in _paths(starts, ray, form, index):
        for weight, node in _nodes_about(direction):
            shares.append(share * weight)
            pixels.append(pixel[which])
            nodes.append(node)
    table = sparse.coo_array(
        (np.concatenate(shares) / _FINE**2, (np.concatenate(pixels), np.concatenate(nodes))),
        shape=(size * size, RINGS * HEADINGS),
    ).tocsr()
    return table, np.bincount(pixel, minlength=size * size) / _FINE**2


def _rays(view_downward: float, size: int, form: BubbleForm) -> tuple[F64, Any, F64]:
    """Return where parallel rays meet a plane across the bubble ``(n, 3)``, their pixels and direction."""
    level = math.sqrt(max(0.0, 1.0 - view_downward**2))
    ray, picture_up = np.array([0.0, level, -view_downward]), np.array([0.0, view_downward, level])
    grid = (np.arange(size * _FINE) + 0.5) / (0.5 * size * _FINE) - 1.0
    x, y = (axis.reshape(-1) for axis in np.meshgrid(grid, -grid))
    if form.rippled:
        scale = 1.0 / _ripple(np.arctan2(y, x), form.rippled)
        x, y = x * scale, y * scale
    wide, above, below = form.axes
    up, down = (math.hypot(wide * view_downward, tall * level) for tall in (above, below))
    x, y = x * wide, 0.5 * (up - down) + y * 0.5 * (up + down)
    starts = x[:, None] * np.array([1.0, 0.0, 0.0]) + y[:, None] * picture_up
    first, last = _crossings(starts, ray[None, :], form)
    hit = np.flatnonzero(last > first)
    row, column = np.divmod(hit, size * _FINE)
    return starts[hit], row // _FINE * size + column // _FINE, ray


def _ripple(angle: F64, which: int) -> F64:
    """Return the radius of a rippled outline over its own largest, by angle."""
    key = stream_key(0, "bubble ripples")
    phase, strength, _, _ = normals(key, np.full(len(_RIPPLES), which), np.array(_RIPPLES))
    heights = np.array(_RIPPLE) * strength.clip(-1.5, 1.5)
    waves = zip(_RIPPLES, phase, heights, strict=True)
    rise = [high * np.cos(number * angle + 6.0 * p) for number, p, high in waves]
    most = np.abs(heights).sum()
    return np.asarray((1.0 + sum(rise)) / (1.0 + most))


def _crossings(origin: F64, direction: F64, form: BubbleForm) -> tuple[F64, F64]:
    """Return where rays enter and leave a bubble, along each ray; nothing between for those that miss."""
    wide, above, below = form.axes
    first, last = np.full(len(origin), np.inf), np.full(len(origin), -np.inf)
    for tall, side in ((above, 1.0), (below, -1.0)):
        scale = 1.0 / np.array([wide, wide, max(tall, 1e-3)])
        o, d = origin * scale, direction * scale
        a, b, c = (d * d).sum(axis=1), (o * d).sum(axis=1), (o * o).sum(axis=1) - 1.0
        root = np.sqrt(np.maximum(b * b - a * c, 0.0))
        for sign in (-1.0, 1.0):
            at = (-b + sign * root) / a
            there = (b * b >= a * c) & (side * (origin[:, 2] + at * direction[:, 2]) >= 0.0)
            first = np.where(there, np.minimum(first, at), first)
            last = np.where(there, np.maximum(last, at), last)
    return first, last


def _normals(points: F64, form: BubbleForm) -> F64:
    """Return the outward normals of a bubble's surface at points on it."""
    wide, above, below = form.axes
    tall = np.where(points[:, 2] >= 0.0, above, max(below, 1e-3))
    normal = points / np.stack([np.full_like(tall, wide**2), np.full_like(tall, wide**2), tall**2], axis=1)
    return np.asarray(normal / np.sqrt((normal * normal).sum(axis=1, keepdims=True)))


def _paths(starts: F64, ray: F64, form: BubbleForm, index: float) -> list[tuple[Any, F64, F64]]:
    """Return which rays go on from a bubble, their shares of light, and where that comes from ``(n, 3)``."""
    ray = np.broadcast_to(ray, starts.shape)
    enters, _ = _crossings(starts, ray, form)
    surface = starts + enters[:, None] * ray
    normal = _normals(surface, form)
    facing = np.clip(-(ray * normal).sum(axis=1), 0.0, 1.0)
    reflected = fresnel(facing, index, 1.0)
    inside = np.flatnonzero(reflected < 1.0)
    inner = _bent(ray[inside], normal[inside], index)
    wall, out, back, far = _onwards(surface[inside], inner, form, index)
    _, out_again, _, _ = _onwards(wall, back, form, index)
    passed = 1.0 - reflected[inside]
    return [
        # Reflected at the front.
        (np.arange(len(ray)), reflected, ray + 2.0 * facing[:, None] * normal),
        # Through the bubble.
        (inside, passed * (1.0 - far), out),
        # Reflected once inside: past the axis, hence inverted. All later orders go with it: no light is lost.
        (inside, passed * far, out_again),
    ]


def _onwards(point: F64, direction: F64, form: BubbleForm, index: float) -> tuple[F64, F64, F64, F64]:
    """Return where rays inside meet the wall, how they go on outside and inside, and the inner share."""
    _, leaves = _crossings(point, direction, form)
    # A ray along the wall leaves where it is.
    wall = point + np.maximum(leaves, 0.0)[:, None] * direction
    normal = _normals(wall, form)
    facing = np.clip((direction * normal).sum(axis=1), 0.0, 1.0)
    out = _bent(direction, -normal, 1.0 / index)
    return wall, out, direction - 2.0 * facing[:, None] * normal, fresnel(facing, 1.0, index)


def _bent(direction: F64, normal: F64, ratio: float) -> F64:
    """Return directions after refraction from index ``ratio`` into 1; along the surface where it is total."""
    cosine = -(direction * normal).sum(axis=1, keepdims=True)
    square = np.maximum(1.0 - ratio**2 * (1.0 - cosine**2), 0.0)
    bent = ratio * direction + (ratio * cosine - np.sqrt(square)) * normal
    return np.asarray(bent / np.sqrt((bent * bent).sum(axis=1, keepdims=True)))


def _nodes_about(direction: F64) -> list[tuple[F64, Any]]:
    """Return the four of `around` about each direction, with their weights: linear between them."""
    ring = np.arccos(np.clip(direction[:, 2], -1.0, 1.0)) * ((RINGS - 1) / math.pi)
    heading = np.arctan2(direction[:, 0], direction[:, 1]) * (HEADINGS / (2.0 * math.pi))
    upper = np.minimum(ring.astype(np.int64), RINGS - 2)
    left = np.floor(heading)
    below, right = ring - upper, heading - left
    left = left.astype(np.int64)
    return [
        (
            (below if down else 1.0 - below) * (right if aside else 1.0 - right),
            (upper + down) * HEADINGS + (left + aside) % HEADINGS,
        )
        for down in (0, 1)
        for aside in (0, 1)
    ]
