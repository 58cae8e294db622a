"""The halo at one place of a picture, found from what the picture itself shows about that place.

A large wall is seen as its direct light and its halo together, (1 + G) times what sets it apart from the
water. So of what a picture shows about a place, less open water, the share G / (1 + G) = 1 - exp(-b S(0) s)
is halo, by `regained_depth`. How far aside the light that makes it stands: `halo_rings`. Both are tables
between which is interpolated, for a fit asks for thousands.

Under light of a bend things hide more than that: exp(-c s) (X - 1) of the water's light, where X is what bent
light regains over what a thing's own does, of which the share G / (1 + G) shows in what is about them anyway.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from halocline._typing import F64
from halocline.compute.on_demand import OnDemand
from halocline.physics.path.point_spread import SLOPES, ring_shares
from halocline.physics.path.water_halo import USUAL_BEND, turns_of

if TYPE_CHECKING:
    from scipy.interpolate import RegularGridInterpolator

interpolate = OnDemand("scipy.interpolate")

# Edges of the rings about a place, as slopes.
ASIDE: F64 = np.concatenate([[0.0], np.geomspace(0.006, 2.5, 12), [np.inf]])
# Lengths in 1/b at which rings are tabulated. A halo's shape hardly depends on how much is absorbed: that of
# coastal water stands for all.
_DEPTHS: F64 = np.geomspace(0.05, 5.0, 8)
_ABSORBED_TO_SCATTERED = 0.4
# Absorption a s, scattering b s and bends at which S(0) is tabulated.
_TAKEN: F64 = np.geomspace(1e-3, 12.0, 10)
_TURNED: F64 = np.geomspace(1e-2, 12.0, 7)
_BENDS: F64 = np.array([0.0, 1.5, 4.0, 8.0])


def halo_rings(depth: F64, *, beyond: bool = False) -> F64:
    """Return how much of a halo arrives from each ring about a place.

    Parameters
    ----------
    depth
        b s of what stands there, ``(n,)``.
    beyond
        Of what is hidden beyond a halo of own light, instead.

    Returns
    -------
    F64
        Shares of the rings between `ASIDE`, ``(n, rings)``; rows sum to 1.
    """
    at = np.interp(np.log(np.maximum(depth, 1e-9)), np.log(_DEPTHS), np.arange(float(_DEPTHS.size)))
    low = np.minimum(at.astype(np.int64), _DEPTHS.size - 2)
    rings = _rings()[int(beyond)]
    shares: F64 = rings[low] + (at - low)[:, None] * (rings[low + 1] - rings[low])
    return shares


def regained_depth(a: F64, b: F64, range_m: F64, bend: float) -> F64:
    """Return b S(0) s, the logarithm of what a large surface shows of itself over what arrives straight.

    Parameters
    ----------
    a, b
        Absorption and scattering, 1/m, ``(bands,)``.
    range_m
        ``(n,)``, finite.
    bend
        q of the water's light, see `halocline.physics.path.water_halo.bend_of`; 0 for surfaces brighter
        than the water.

    Returns
    -------
    F64
        0 or more, ``(n, bands)``.
    """
    taken, turned = (np.multiply.outer(range_m, each) for each in (a, b))
    at = (
        np.log(np.clip(taken, _TAKEN[0], _TAKEN[-1])),
        np.log(np.clip(turned, _TURNED[0], _TURNED[-1])),
        np.full_like(taken, np.clip(bend, _BENDS[0], _BENDS[-1])),
    )
    depth: F64 = turned * _regained()(at)
    return depth


@lru_cache(maxsize=1)
def _regained() -> RegularGridInterpolator:
    """Return S(0) over ln(a s), ln(b s) and the bend."""
    turns = turns_of(None)
    values = [
        [[turns.regained(taken, turned, 1.0, bend) for bend in _BENDS] for turned in _TURNED]
        for taken in _TAKEN
    ]
    return interpolate.RegularGridInterpolator(
        (np.log(_TAKEN), np.log(_TURNED), _BENDS), np.array(values), method="linear"
    )


@lru_cache(maxsize=1)
def _rings() -> F64:
    """Return the rings' shares at `_DEPTHS`, of own light and beyond it, ``(2, depths, rings)``."""
    turns, shares = turns_of(None), ring_shares(np.append(0.0, SLOPES), ASIDE)
    own = [shares @ turns.halo_within(_ABSORBED_TO_SCATTERED, 1.0, float(depth)) for depth in _DEPTHS]
    walls = np.stack(
        [
            [shares @ turns.plane_halo(_ABSORBED_TO_SCATTERED, 1.0, float(depth), bend) for depth in _DEPTHS]
            for bend in (0.0, USUAL_BEND)
        ]
    )
    beyond = np.maximum(walls[1] - walls[0], 0.0)
    return np.stack([own, beyond / beyond.sum(axis=1, keepdims=True)])
