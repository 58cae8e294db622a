"""The glow round a lamp that is seen in the picture: its own light, turned a little on the way to the lens.

`halocline.physics.path.lamps.backscatter` sums what is turned once on its way, with a phase function that
holds from 3 degrees on. Closer to the lamp the sharp forward peak of natural particles rules, and light that
is turned many times, each time a little. Both are in the water's point spread
(`halocline.physics.path.point_spread`). So the glow is drawn as what the point spread holds *beyond* light
turned once: together they have the point spread's energy within every angle where it has more.

With E = I / s^2 exp(-c s) the lamp's direct light on the lens, and its halo's energy in Gaussians of slope m,

    T(theta) = E sum_k w_k / (2 pi m_k^2) exp(-tan(theta)^2 / (2 m_k^2)) / cos(theta)^3
    Q(theta) = b I / D int p(psi) exp(-k (r + t)) dphi           D = s sin(theta), turned once
    glow     = max(0, T - Q)

A surface before the lamp keeps what would be turned behind it: of light turned once by psi > theta, that is
all beyond the angle at which the lamp stands off the ray there. The glow is cut in that proportion.

The lamp's face is a round one that looks at the lens: a disc of its radius with radiance I / (pi rho^2), I
its intensity towards the lens.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.disk_cache import kept
from halocline.late_dataclass import dataclass
from halocline.physics.path.lamp_loops import add_glow
from halocline.physics.path.lamps import Lamp, beam_share, water_phase
from halocline.physics.path.point_spread import SLOPES, Turns
from halocline.physics.path.scatterers import ABOUT_A_LAMP
from halocline.physics.path.scattering import fournier_forand
from halocline.physics.path.transport import LightPath
from halocline.physics.path.water_halo import mean_water, turns_of

# Angles of the table: theta = NARROW u / (1 - u), u in even steps; the last is `WIDEST_RAD`.
NARROW_RAD = 0.02
WIDEST_RAD = math.radians(60.0)
STEPS = 240
# Optical lengths b s for which the shape of the halo is reckoned; beyond them it is held.
DEPTHS: F64 = np.geomspace(0.05, 16.0, 14)
# Nodes of the integral of light that is turned once.
NODES = 96
# Exponent of what a halo may regain: exp(40) is 2e17.
DEEPEST = 40.0


@dataclass(frozen=True)
class LampSeen:
    """A lamp as the lens sees it.

    Attributes
    ----------
    direction
        Unit, from the lens, ``(3,)``.
    range_m
        s, metres.
    intensity
        Towards the lens, by band, ``(K,)``, without water.
    radius_m
        Of its face.
    """

    direction: F64
    range_m: float
    intensity: F64
    radius_m: float

    @classmethod
    def of(cls, lamp: Lamp, lens_m: F64) -> LampSeen | None:
        """Return a lamp as seen from a lens; None where it sends no light there."""
        offset = lamp.position_m - lens_m
        distance = float(np.sqrt(offset @ offset))
        if distance <= lamp.radius_m:
            return None
        towards = offset / distance
        share = float(beam_share(lamp, np.array([-(towards @ lamp.axis)]))[0])
        if share <= 0.0:
            return None
        return cls(towards, distance, lamp.intensity * share, lamp.radius_m)

    def face_radiance(self, path: LightPath) -> F64:
        """Return the radiance of its face at the lens, ``(K,)``: I / (pi rho^2) exp(-c s)."""
        radiance: F64 = self.intensity / (math.pi * self.radius_m**2) * np.exp(-path.beam_rate * self.range_m)
        return radiance


@dataclass(frozen=True)
class Glow:
    """The glow of one lamp.

    Attributes
    ----------
    direction, range_m
        Where the lamp is seen.
    table
        Radiance times theta^2, ``(K, STEPS + 1)`` at `table_angles`.
    turned
        Share of light turned once by more than each angle up to pi, see `_turned_beyond`.
    """

    direction: F64
    range_m: float
    table: F32
    turned: F32

    def add(self, direction: F32, ends_m: F32, pixel_rad: float, strength: np.float32, out: F32) -> None:
        """Add the glow to rays.

        Parameters
        ----------
        direction, ends_m
            Unit view directions ``(3, n)``, and where each ends, metres, ``(n,)``; may be inf.
        pixel_rad
            Width of a pixel; within half of it of the lamp's middle the glow is even.
        strength
            Multiplies it; 1 is physical.
        out
            ``(K, n)``.
        """
        place = np.array([*self.direction, self.range_m, NARROW_RAD, WIDEST_RAD, 0.5 * pixel_rad], np.float32)
        add_glow(direction, ends_m, place, strength * self.table, self.turned, out)


def lamp_glow(lamp: Lamp, path: LightPath, seen: LampSeen) -> Glow:
    """Return the glow of a lamp that sends light to the lens.

    Parameters
    ----------
    lamp
        The lamp.
    path
        The water and its light.
    seen
        Where the lens sees it.

    Returns
    -------
    Glow
        Radiance about the lamp, by angle.
    """
    angle = table_angles()
    spread = spread_radiance(path, seen, angle)
    once = radiance_turned_once(lamp, path, seen, angle)
    table = np.maximum(spread - once, 0.0) * angle**2
    return Glow(seen.direction, seen.range_m, table.astype(np.float32), _turned_beyond())


def table_angles() -> F64:
    """Return the angles of a glow's table, radians, ``(STEPS + 1,)``; the first stands for 0."""
    u = np.linspace(0.0, WIDEST_RAD / (WIDEST_RAD + NARROW_RAD), STEPS + 1)
    u[0] = 0.1 * u[1]
    angles: F64 = NARROW_RAD * u / (1.0 - u)
    return angles


def spread_radiance(path: LightPath, seen: LampSeen, angle: F64) -> F64:
    """Return T, what the water's point spread makes of a lamp at angles off it, ``(K, n)``."""
    a, b = mean_water(path)
    turns = turns_of(None)
    shape = _shape(a, b, seen.range_m)
    slope = np.tan(angle)
    gauss = np.exp(-0.5 * np.square(np.divide.outer(slope, SLOPES))) / (2.0 * math.pi * SLOPES**2)
    profile = gauss @ shape / np.cos(angle) ** 3
    scattering = path.bands.scattering * path.attenuation_scale
    absorption = np.maximum(path.beam_rate - scattering, 0.0)
    gains = np.array(
        [
            math.expm1(min(bk * seen.range_m * turns.regained(float(ak), float(bk), seen.range_m), DEEPEST))
            for ak, bk in zip(absorption, scattering, strict=True)
        ]
    )
    direct = seen.intensity / seen.range_m**2 * np.exp(-path.beam_rate * seen.range_m)
    radiance: F64 = np.outer(direct * gains, profile)
    return radiance


def radiance_turned_once(lamp: Lamp, path: LightPath, seen: LampSeen, angle: F64) -> F64:
    """Return Q, the light of `backscatter` round a lamp that shines alike about the lens, ``(K, n)``.

    Over the angle phi at the lamp from the point of the ray that is nearest to it, to the far side of it.
    """
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    s = seen.range_m
    apart = np.hypot(s * np.sin(angle), seen.radius_m)
    first = np.arctan2(-s * np.cos(angle), apart)
    half = 0.5 * (0.5 * math.pi - first)
    phi = first[:, None] + half[:, None] * (1.0 + nodes)
    r = apart[:, None] / np.maximum(np.cos(phi), 1e-9)
    t = s * np.cos(angle)[:, None] + r * np.sin(phi)
    phase = water_phase(-np.sin(phi), ABOUT_A_LAMP) * weights * half[:, None] / apart[:, None]
    aside = np.cross(seen.direction, np.eye(3)[int(np.argmin(np.abs(seen.direction)))])
    aside /= np.sqrt(aside @ aside)
    rays = np.outer(seen.direction, np.cos(angle)) + np.outer(aside, np.sin(angle))
    lost = lamp.lost_along(rays.astype(np.float32), lamp.position_m - s * seen.direction)
    share = lost[:, None] + (lamp.lost_wide - lost[:, None]) * np.maximum(np.sin(phi), 0.0)
    rates = path.bands.absorption[:, None, None] + np.multiply.outer(path.bands.scattering, share)
    decay = np.exp(-rates * (r + t))
    strength = path.bands.scattering * seen.intensity
    once: F64 = strength[:, None] * (phase * decay).sum(axis=2)
    return once


@lru_cache(maxsize=1)
def _turned_beyond() -> F32:
    """Return the share of single turns beyond theta, (0 to pi by t / (t + NARROW)), by the angle's measure.

    Light turned once reaches a ray at theta off the lamp from all its length; what comes from a place is
    p(psi) dpsi, psi the angle turned there. So the measure is dpsi, not sin(psi) dpsi.
    """
    u = np.linspace(0.0, math.pi / (math.pi + NARROW_RAD), STEPS + 1)
    angle = NARROW_RAD * u / (1.0 - u)
    middle = np.maximum(0.5 * (angle[1:] + angle[:-1]), 1e-5)
    piece = fournier_forand(middle) * np.diff(angle)
    beyond = np.concatenate([np.cumsum(piece[::-1])[::-1], [0.0]])
    return beyond.astype(np.float32)


def _shape(a: float, b: float, range_m: float) -> F64:
    """Return the halo at a range as shares of Gaussians of slope, sum 1, ``(slopes,)``."""
    shapes = _shapes(a, b)
    place = float(np.interp(math.log(b * range_m), np.log(DEPTHS), range(len(DEPTHS))))
    low = min(int(place), len(DEPTHS) - 2)
    mixed: F64 = shapes[low] + (place - low) * (shapes[low + 1] - shapes[low])
    return mixed


@lru_cache(maxsize=8)
def _shapes(a: float, b: float) -> F64:
    """Return the shapes at `DEPTHS`, ``(depths, slopes)``; kept on disk."""
    key = b"glow 1 " + np.array([a, b]).tobytes() + DEPTHS.tobytes() + SLOPES.tobytes()
    found = np.frombuffer(kept("tables", key, lambda: _solved_shapes(a, b).tobytes()), np.float64)
    whole = found.size == DEPTHS.size * SLOPES.size
    return found.reshape(DEPTHS.size, SLOPES.size) if whole else _solved_shapes(a, b)


def _solved_shapes(a: float, b: float) -> F64:
    turns: Turns = turns_of(None)
    rows = []
    for depth in DEPTHS:
        energy = turns.plane_halo(a, b, float(depth / b))
        # What stays in its place joins the narrowest Gaussian.
        energy[1] += energy[0]
        rows.append(energy[1:] / energy.sum())
    return np.stack(rows)
