"""Light inside bodies of turbid water: what bodies keep from the sun and from lamps on its way to a place.

A light looks at the bodies as a lens does: rays go out from it, and their optical depth is tabled by range.
What is turned by little only goes on lighting what is behind, as if it had not been met: of a body's
extinction c counts c (1 - w g), with w and g of its own matter (the similarity relation, see
`halocline.physics.floating.turbid.similar_albedo`).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from halocline._typing import F32, F64
from halocline.late_dataclass import dataclass
from halocline.physics.floating.turbid import ASYMMETRY, TurbidBody
from halocline.physics.floating.turbid_shade_loops import depths_along

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
    across
        How many of them, across and down.
    """

    from_m: F64
    axes: F64
    tangent: float
    across: int

    @classmethod
    def towards(cls, from_m: F64, axis: F64, half_angle_rad: float, across: int | None = None) -> LightRays:
        """Return rays about an axis, out to an angle."""
        other = np.eye(3)[int(np.argmin(np.abs(axis)))]
        right = np.cross(axis, other)
        right = right / math.sqrt(float(right @ right))
        axes = np.stack([right, np.cross(right, axis), axis])
        return cls(np.asarray(from_m), axes, math.tan(min(half_angle_rad, _WIDEST_RAD)), across or RAYS)

    @property
    def directions(self) -> F32:
        """Unit directions, ``(3, across, across)``."""
        side = np.linspace(-self.tangent, self.tangent, self.across)
        x, y = np.meshgrid(side, side)
        local = np.stack([x, y, np.ones_like(x)])
        local /= np.sqrt((local * local).sum(axis=0))
        return np.ascontiguousarray(np.einsum("ji,jrc->irc", self.axes, local), np.float32)

    def left(self, depth: F32, nodes: F64, points_m: F64) -> F32:
        """Return what bodies leave of the light at points.

        Parameters
        ----------
        depth
            Optical depth along the rays at ranges, ``(across, N, across)``.
        nodes
            The ranges, ``(N,)``.
        points_m
            World metres, ``(n, 3)``.

        Returns
        -------
        F32
            ``(n,)``, 0 to 1; all of it aside of the rays.
        """
        return self.left_at(depth, nodes, (points_m - self.from_m).T)

    def left_at(self, depth: F32, nodes: F64, offset_m: F32 | F64) -> F32:
        """Return what bodies leave of the light at places from where it begins, ``(3, n)``; see `left`."""
        total = np.empty(offset_m.shape[1], np.float32)
        depths_along(
            depth,
            nodes.astype(np.float32),
            self.axes.astype(np.float32),
            np.float32(self.tangent),
            np.ascontiguousarray(offset_m, np.float32),
            total,
        )
        np.negative(total, out=total)
        return np.exp(total, out=total)
