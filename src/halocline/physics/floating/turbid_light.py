"""Light inside bodies of turbid water: what bodies keep from the sun and from lamps on its way to a place.

A light looks at the bodies as a lens does: rays go out from it, and their optical depth is tabled by range.
What is turned by little only goes on lighting what is behind, as if it had not been met: of a body's
extinction c counts c (1 - w g), with w and g of its own matter (the similarity relation, see
`halocline.physics.floating.turbid.similar_albedo`).

That light comes from about the light's own direction, the more spread the more matter it has met, so that a
cloud before a lamp glows around it: `ForwardLobe`.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np

from halocline._typing import F32, F64
from halocline.late_dataclass import dataclass
from halocline.physics.floating.turbid import ASYMMETRY, TurbidBody
from halocline.physics.floating.turbid_shade_loops import depths_along
from halocline.physics.path.scatterers import WATER_PHASE

# Rays across such a table.
RAYS = 56
# A lamp's light is followed out to this half angle; what goes farther aside is not shaded.
_WIDEST_RAD = math.radians(65.0)
# Of a lobe's table: orders of its series, angles, closer towards 0, and depths up to the most that counts.
_ORDERS, _ANGLES, _DEPTHS, _MOST_COUNTED = 200, 129, 49, 6.0
# Of a spread beam's table: orders of the series, and scales from 0 to 1.
_SPREAD_ORDERS, _SCALES = 400, 6


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
    share = (1.0 - ASYMMETRY) / (1.0 - ASYMMETRY + similar_of(body) * ASYMMETRY)
    return replace(body, extinction_per_m=body.extinction_per_m * share)


def similar_of(body: TurbidBody) -> float:
    """Return a body's albedo, as `similar_albedo` has it, of all bands together, 0 to 1."""
    return min(max(float(np.mean(body.albedo)), 0.0), 1.0)


class ForwardLobe:
    """How a body turns light on that comes to a place in it through bodies, for one albedo.

    What still counts there has been turned a number of times by little. After an optical depth tau the
    moments of its directions are exp(-tau w (1 - g^l)) (goudsmit1940), and it is turned once more, by a lobe
    of moments w g^l. Per unit of w', the albedo of matter that turns light to all sides, as bodies have it:

        p(psi) = w / w' sum_l (2 l + 1) / (4 pi) g^l exp(-tau w (1 - g^l)) P_l(cos psi)

    Deep in a body it is even, as the rest of its light is. With w' .83 it is 17.85 per steradian straight on
    where no matter lies before, and .167 where exp(-2) is left, at an optical depth of 17.

    Parameters
    ----------
    similar
        w', 0 to 1.
    """

    def __init__(self, similar: float) -> None:
        self._table = _forward_table(similar)

    def turned(self, cosine: F32, left: F32) -> F32:
        """Return how much is turned by an angle, 1/sr.

        Parameters
        ----------
        cosine
            Of the angle, ``(n,)``.
        left
            What bodies leave of the light there, as it counts, ``(n,)``, 0 to 1.

        Returns
        -------
        F32
            ``(n,)``, 0 or more.
        """
        angle = np.sqrt(np.arccos(cosine) / np.float32(math.pi)) * np.float32(_ANGLES - 1)
        counted = -np.log(np.maximum(left, np.float32(math.exp(-_MOST_COUNTED))))
        row = counted * np.float32((_DEPTHS - 1) / _MOST_COUNTED)
        i = np.minimum(row.astype(np.int64), _DEPTHS - 2)
        j = np.minimum(angle.astype(np.int64), _ANGLES - 2)
        below, right = row - i.astype(np.float32), angle - j.astype(np.float32)
        table, whole = self._table, np.float32(1.0)
        near = table[i, j] * (whole - right) + table[i, j + 1] * right
        far = table[i + 1, j] * (whole - right) + table[i + 1, j + 1] * right
        return np.asarray(np.maximum(near * (whole - below) + far * below, np.float32(0.0)), np.float32)


@lru_cache(maxsize=16)
def _forward_table(similar: float) -> F32:
    """Return p by what counts of the depth, and by angle, ``(_DEPTHS, _ANGLES)``, 1/sr."""
    g = ASYMMETRY
    per = 1.0 / (1.0 - g + similar * g)
    own = similar * per
    orders, counted = np.arange(_ORDERS), np.linspace(0.0, _MOST_COUNTED, _DEPTHS)
    # Of the extinction 1 - w g counts.
    depth = counted[:, None] / (1.0 - own * g)
    moments = (2 * orders + 1) / (4.0 * math.pi) * g**orders * np.exp(-depth * own * (1.0 - g**orders))
    cosines = np.cos(math.pi * np.linspace(0.0, 1.0, _ANGLES) ** 2)
    values = np.polynomial.legendre.legval(cosines, moments.T)
    return np.asarray(per * values, np.float32)


class SpreadBeam:
    """How much less of a lamp's light the water turns by an angle where it has come through bodies.

    What `unturned` matter leaves has been turned by little, and comes from about the lamp's direction. The
    water turns most of it by very little too, so where a beam is no longer one there is less of that:

        p_spread / p = sum_l (2 l + 1) / (4 pi) b_l exp(-tau (1 - w g^(l s))) P_l(cos psi) / (V p(psi)),

    b_l the moments of the water's p, V = exp(-tau (1 - w g)) what counts of the light, and s the way from
    the lamp to the bodies over that to the place: seen from farther off the same spread is narrower. By wide
    angles it would turn more of it, and is taken not to: what is spread leaves a body at its sides.

    Parameters
    ----------
    similar
        w' of the bodies, 0 to 1.
    away_m
        From the lamp to them, metres; inf where they have no end.
    """

    def __init__(self, similar: float, away_m: float) -> None:
        self._table, self._away = _spread_table(similar), np.float32(away_m)

    def ratio(self, range_m: F32, cosine: F32, left: F32) -> F32:
        """Return p_spread / p, 1 at most.

        Parameters
        ----------
        range_m, cosine
            From the lamp to a place, and cosine of the angle by which the water turns its light there.
        left
            What bodies leave of it there, V, 0 to 1.

        Returns
        -------
        F32
            As ``cosine``, 0 to 1; 1 where all is left.
        """
        scale = np.minimum(self._away / np.maximum(range_m, np.float32(1e-6)), np.float32(1.0))
        counted = -np.log(np.maximum(left, np.float32(math.exp(-_MOST_COUNTED))))
        angle = np.sqrt(np.arccos(np.clip(cosine, np.float32(-1.0), np.float32(1.0))) / np.float32(math.pi))
        steps = np.float32(_SCALES - 1), np.float32((_DEPTHS - 1) / _MOST_COUNTED), np.float32(_ANGLES - 1)
        places = [each * step for each, step in zip((scale, counted, angle), steps, strict=True)]
        first = [
            np.minimum(at.astype(np.int64), size - 2)
            for at, size in zip(places, self._table.shape, strict=True)
        ]
        shares = [at - low.astype(np.float32) for at, low in zip(places, first, strict=True)]
        found = np.zeros_like(cosine)
        for corner in range(8):
            step = [corner >> axis & 1 for axis in range(3)]
            weight = np.ones_like(cosine)
            for share, there in zip(shares, step, strict=True):
                weight *= share if there else np.float32(1.0) - share
            at = tuple(low + there for low, there in zip(first, step, strict=True))
            found += weight * self._table[at]
        return found


@lru_cache(maxsize=16)
def _spread_table(similar: float) -> F32:
    """Return p_spread / p, 1 at most, by the scale, by what counts of the depth, and by angle."""
    g, (share, forward, backward) = ASYMMETRY, WATER_PHASE
    own = similar / (1.0 - g + similar * g)
    orders, counted = np.arange(_SPREAD_ORDERS), np.linspace(0.0, _MOST_COUNTED, _DEPTHS)
    depth = counted[:, None] / (1.0 - own * g)
    moments = share * forward**orders + (1.0 - share) * backward**orders
    cosines = np.cos(math.pi * np.linspace(0.0, 1.0, _ANGLES) ** 2)
    tables = []
    for scale in np.linspace(0.0, 1.0, _SCALES):
        lost = np.exp(counted[:, None] - depth * (1.0 - own * g ** (scale * orders)))
        terms = (2 * orders + 1) / (4.0 * math.pi) * moments * lost
        tables.append(np.polynomial.legendre.legval(cosines, terms.T))
    # By the same series, so that what is cut off of it is cut off of both.
    whole = np.polynomial.legendre.legval(cosines, (2 * orders + 1) / (4.0 * math.pi) * moments)
    return np.asarray(np.clip(np.array(tables) / whole, 0.0, 1.0), np.float32)


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
        x, y, z = np.ascontiguousarray(offset_m, np.float32)
        depths_along(*self.of_loops(depth, nodes), x, y, z, total)
        np.negative(total, out=total)
        return np.exp(total, out=total)

    def of_loops(self, depth: F32, nodes: F64) -> tuple[F32, F32, F32, np.float32]:
        """Return what the loops know them by, with the optical depth along them at ranges; see `left`."""
        return depth, nodes.astype(np.float32), self.axes.astype(np.float32), np.float32(self.tangent)
