"""Light inside bodies of turbid water: what bodies keep from the sun and from lamps on its way to a place.

A light looks at the bodies as a lens does: rays go out from it, and their optical depth is tabled by range.
What is turned by little only goes on lighting what is behind, as if it had not been met: of a body's
extinction c counts c (1 - w g), with w and g of its own matter (the similarity relation, see
`halocline.physics.floating.turbid.similar_albedo`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from halocline._typing import F32, F64
from halocline.physics.floating.turbid import ASYMMETRY, TurbidBody

# Rays across such a table.
RAYS = 56
# A lamp's light is followed out to this half angle; what goes farther aside is not shaded.
_WIDEST_RAD = math.radians(65.0)


def unturned(body: TurbidBody) -> TurbidBody:
    """Return a body that keeps from light what it turns by much or absorbs: c (1 - w g).

    Parameters
    ----------
    body
        A body, with the albedo of `similar_albedo`.

    Returns
    -------
    TurbidBody
        The same with that extinction. From w' = w (1 - g) / (1 - w g) follows
        1 - w g = (1 - g) / (1 - g + w' g).
    """
    similar = float(np.mean(body.albedo))
    share = (1.0 - ASYMMETRY) / (1.0 - ASYMMETRY + min(max(similar, 0.0), 1.0) * ASYMMETRY)
    return replace(body, extinction_per_m=body.extinction_per_m * share)


@dataclass(frozen=True)
class LightRays:
    """A square of rays from a light.

    Attributes
    ----------
    from_m
        Where they begin, world metres, ``(3,)``.
    axes
        Right, up and the way it looks, unit, as rows, ``(3, 3)``.
    tangent
        Of the half angle that they cover.
    """

    from_m: F64
    axes: F64
    tangent: float

    @classmethod
    def towards(cls, from_m: F64, axis: F64, half_angle_rad: float) -> LightRays:
        """Return rays about an axis, out to an angle."""
        other = np.eye(3)[int(np.argmin(np.abs(axis)))]
        right = np.cross(axis, other)
        right = right / math.sqrt(float(right @ right))
        axes = np.stack([right, np.cross(right, axis), axis])
        return cls(np.asarray(from_m), axes, math.tan(min(half_angle_rad, _WIDEST_RAD)))

    @property
    def directions(self) -> F32:
        """Unit directions, ``(3, RAYS, RAYS)``."""
        side = np.linspace(-self.tangent, self.tangent, RAYS)
        x, y = np.meshgrid(side, side)
        local = np.stack([x, y, np.ones_like(x)])
        local /= np.sqrt((local * local).sum(axis=0))
        return np.ascontiguousarray(np.einsum("ji,jrc->irc", self.axes, local), np.float32)

    def left(self, depth: F32, nodes: F64, points_m: F64) -> F32:
        """Return what bodies leave of the light at points.

        Parameters
        ----------
        depth
            Optical depth along the rays at ranges, ``(RAYS, N, RAYS)``.
        nodes
            The ranges, ``(N,)``.
        points_m
            World metres, ``(n, 3)``.

        Returns
        -------
        F32
            ``(n,)``, 0 to 1; all of it aside of the rays.
        """
        offset = points_m - self.from_m
        x, y, ahead = (offset @ axis for axis in self.axes)
        range_m = np.sqrt(x * x + y * y + ahead * ahead)
        seen = ahead > 1e-6
        scale = (RAYS - 1) / (2.0 * self.tangent)
        forward = np.where(seen, ahead, 1.0)
        column, row = ((part / forward + self.tangent) * scale for part in (x, y))
        seen &= (column >= 0.0) & (column <= RAYS - 1) & (row >= 0.0) & (row <= RAYS - 1)
        step = np.interp(range_m, nodes, np.arange(len(nodes)))
        places = [np.where(seen, place, 0.0) for place in (row, step, column)]
        first = [
            np.minimum(place.astype(np.int64), size - 2)
            for place, size in zip(places, depth.shape, strict=True)
        ]
        along = [place - begin for place, begin in zip(places, first, strict=True)]
        total = np.zeros(len(points_m))
        for corner in range(8):
            by = [(corner >> bit) & 1 for bit in range(3)]
            weight = np.ones(len(points_m))
            for share, further in zip(along, by, strict=True):
                weight *= share if further else 1.0 - share
            total += weight * depth[tuple(begin + further for begin, further in zip(first, by, strict=True))]
        return np.where(seen, np.exp(-total), 1.0).astype(np.float32)
