"""Light on small things in the water, and what of it reaches the lens.

Daylight, lamps and the water's loss and veil are those of the rest of the picture, so a particle that comes
into a shadow of range or a lamp's cone behaves as the water around it does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F64
from halocline.late_dataclass import dataclass
from halocline.physics.floating.particles import particle_radiance
from halocline.physics.path.lamps import Lamp, backscatter, irradiance
from halocline.physics.path.phase import WATER_ASYMMETRY, henyey_greenstein
from halocline.physics.path.scatterers import Scatterers
from halocline.physics.path.transport import (
    DIFFUSE_ASYMMETRY,
    LightPath,
    VeilGeometry,
    veiling_light,
)

# Water with asymmetry g turns light spread with g' into light spread with g g': what `transport` uses for
# water in diffuse light, divided by the water's own, is the spread of the light itself.
LIGHT_ASYMMETRY = DIFFUSE_ASYMMETRY / WATER_ASYMMETRY


@dataclass(frozen=True)
class SightLine:
    """Rays from the lens to things, ``(n,)`` each and ``(n, 3)`` for ``direction``.

    Attributes
    ----------
    direction
        Unit, away from the lens.
    range_m
        Metres.
    downward, sun_cosine
        mu, and view direction dot sun's travel.
    depth_m
        Of the thing below the surface.
    """

    direction: F64
    range_m: F64
    downward: F64
    sun_cosine: F64
    depth_m: F64

    @classmethod
    def to(cls, points_m: F64, lens_m: F64, path: LightPath) -> SightLine:
        """Return the rays to world points ``(n, 3)``."""
        offset = points_m - lens_m
        length = np.sqrt((offset * offset).sum(axis=1))
        direction = offset / np.maximum(length, 1e-9)[:, None]
        downward = -_dot(direction, path.up)
        return cls(
            direction,
            length,
            downward,
            _dot(direction, path.sun_travel),
            path.camera_depth_m + downward * length,
        )

    def select(self, which: NDArray[np.int64]) -> SightLine:
        """Return the rays of an index array."""
        return SightLine(
            self.direction.take(which, axis=0),
            self.range_m.take(which),
            self.downward.take(which),
            self.sun_cosine.take(which),
            self.depth_m.take(which),
        )


def lit(
    path: LightPath,
    lamps: Sequence[Lamp],
    sight: SightLine,
    lens_m: F64,
    *,
    albedo: F64,
    asymmetry: float,
    sun_gain: F64 | None = None,
    left: F64 | None = None,
) -> F64:
    """Return the radiance of particles towards the lens, before the water in front, ``(n, K)``.

    Parameters
    ----------
    path, lamps
        Daylight and lamps.
    sight, lens_m
        Where the particles are seen, and from where.
    albedo
        Share of light that is scattered, ``(K,)`` or ``(n, K)``.
    asymmetry
        g of the particles' own scattering (Henyey-Greenstein), without diffraction.
    sun_gain
        Caustics: what the sun's beam is multiplied with, ``(n, K)``; even light where not given.
    left
        Shade: what is left of the sun's beam and of all other daylight, ``(n, 2)``; all where not given.
    """
    around = path.scalar_daylight(sight.depth_m)
    sun = around * _sun_shares(path, sight.depth_m)
    diffuse = around - sun
    if sun_gain is not None:
        sun = sun * sun_gain
    if left is not None:
        sun, diffuse = sun * left[:, :1], diffuse * left[:, 1:]
    # Light seen from a direction travels against it: towards the lens, -direction.
    beams = [sun]
    phases = [_phase(-sight.sun_cosine, asymmetry * sun_spread(path))]
    for lamp in lamps:
        offset = sight.direction * sight.range_m[:, None] + (lens_m - lamp.position_m)
        travel = offset / np.maximum(np.sqrt((offset * offset).sum(axis=1)), 1e-9)[:, None]
        beams.append(lamp_light(lamp, path, offset))
        phases.append(_phase(-(travel * sight.direction).sum(axis=1), asymmetry))
    # The scalar light is spread about the vertical; particle_radiance takes it as even.
    spread = 4.0 * math.pi * _phase(-sight.downward, LIGHT_ASYMMETRY * asymmetry)
    return particle_radiance(
        albedo=albedo,
        scalar_irradiance=diffuse * spread[:, None],
        beam_irradiance=tuple(beams),
        beam_phase=tuple(phases),
    )


def lamp_light(lamp: Lamp, path: LightPath, offset_m: F64) -> F64:
    """Return a lamp's irradiance across its beam at offsets ``(n, 3)`` from it, ``(n, K)``."""
    return irradiance(lamp, path.bands, np.ascontiguousarray(offset_m.T)).T


def transmitted(path: LightPath, sight: SightLine) -> F64:
    """Return the share of things' light that reaches the lens, ``(n, K)``."""
    length = path.path_length(sight.range_m.astype(np.float32), sight.downward.astype(np.float32))
    return np.exp(-path.beam_rate * length.astype(np.float64)[:, None])


def veil_before(
    path: LightPath,
    lamps: Sequence[Lamp],
    sight: SightLine,
    lens_m: F64,
    *,
    lamp_haze: float = 1.0,
    left: F64 | None = None,
) -> F64:
    """Return the light that the water in front of things adds, ``(n, K)``.

    Parameters
    ----------
    path, lamps, sight, lens_m
        See `lit`.
    lamp_haze
        Multiplies what lamps light in the water, as the picture has it; 0 leaves it out.
    left
        Shade: what is left of the veil, ``(n, K)``; all where not given.
    """
    mu = sight.downward.astype(np.float32)
    length = path.path_length(sight.range_m.astype(np.float32), mu)
    veil = veiling_light(path, VeilGeometry(length, mu, sight.sun_cosine.astype(np.float32)))
    found = veil.T.astype(np.float64)
    if left is not None:
        found *= left
    if lamp_haze > 0.0 and lamps:
        found += lamp_haze * lamp_haze_before(path, lamps, sight, lens_m)
    return found


def lamp_haze_before(
    path: LightPath,
    lamps: Sequence[Lamp],
    sight: SightLine,
    lens_m: F64,
    matter: Scatterers | None = None,
) -> F64:
    """Return what lamps light in front of things, of the water or of other matter, ``(n, K)``."""
    direction = np.ascontiguousarray(sight.direction.T.astype(np.float32))
    ends = sight.range_m.astype(np.float32)
    total = np.zeros((path.bands.count, ends.size), np.float32)
    for lamp in lamps:
        backscatter(lamp, path.bands, lens_m, direction, ends, matter=matter, out=total)
    return total.T.astype(np.float64)


def _phase(cos_psi: F64, asymmetry: float) -> F64:
    return henyey_greenstein(cos_psi.astype(np.float32), asymmetry).astype(np.float64)


def sun_spread(path: LightPath) -> float:
    """Return the asymmetry of the sun's own light at the lens, after what the water did to it."""
    return path.sun_asymmetry / path.bands.asymmetry


def _sun_shares(path: LightPath, depth_m: F64) -> F64:
    """Return the sun's share of daylight at depths ``(n,)``, ``(n, K)``, from a table."""
    nodes = np.linspace(0.0, 200.0, 101)
    table = path.sun_side(nodes)
    return np.stack([np.interp(depth_m, nodes, column) for column in table.T], axis=1)


def _dot(vectors: F64, axis: F64) -> F64:
    return np.asarray(vectors[:, 0] * axis[0] + vectors[:, 1] * axis[1] + vectors[:, 2] * axis[2])
