"""Daylight in one water: irradiances by depth, and radiance in every direction.

All amounts are relative to an irradiance of 1 on the level sea surface, in air, and multiplied by
exp(slowest y): deep down they leave the range of numbers while their ratios do not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from halocline._typing import F64
from halocline.physics.path.phase import henyey_greenstein
from halocline.physics.path.radiance.solution import Lit, Modes, surface_reflectance
from halocline.physics.path.radiance.streams import MOLECULAR_ANISOTROPY, harmonics

# Light of less than this share of the water's is none; it keeps 0/0 away where nothing is scattered.
_NOTHING = 1e-12
# A ray that goes up less steeply than this ends nowhere, downward component.
_LEVEL = 1e-9


@dataclass(frozen=True, eq=False)
class WaterLight:
    """Daylight in one water under one sun and sky. K bands.

    Attributes
    ----------
    modes
        The water's modes.
    lights
        Sun and sky, each with its share of the irradiance.
    attenuation, scattering
        c and b, ``(K,)``, 1/m.
    molecular_share, asymmetry
        Of scattering; see `solution.modes_of`.
    """

    modes: Modes
    lights: tuple[tuple[Lit, float], ...]
    attenuation: F64
    scattering: F64
    molecular_share: F64
    asymmetry: float

    @cached_property
    def scaled_rate(self) -> F64:
        """What c is where light that is thrown almost straight on counts as not scattered, ``(K,)``, 1/m."""
        rate: F64 = self.attenuation * (1.0 - self.modes.straight)
        return rate

    @cached_property
    def slowest(self) -> F64:
        """The least rate at which light falls with depth, ``(K,)``, 1/m: deep down, that of all of it."""
        least = self.modes.rates.min(axis=(1, 2))
        for lit, _ in self.lights:
            if lit.beam > 0.0:
                least = np.minimum(least, 1.0 / lit.beam_cosine)
        slow: F64 = least * self.scaled_rate
        return slow

    @property
    def sun_cosine(self) -> float:
        """Cosine of the sun's zenith angle in water, 1 where there is no sun."""
        return next((lit.beam_cosine for lit, _ in self.lights if lit.beam > 0.0), 1.0)

    def downward(self, depth_m: F64) -> F64:
        """Return the downwelling irradiance at depths ``(n,)``, ``(n, K)``."""
        return self._integrated(depth_m, 1)[0]

    def upward(self, depth_m: F64) -> F64:
        """Return the upwelling irradiance at depths ``(n,)``, ``(n, K)``."""
        return self._integrated(depth_m, 1)[1]

    def upward_scalar(self, depth_m: F64) -> F64:
        """Return the scalar irradiance of the light that goes up, at depths ``(n,)``, ``(n, K)``."""
        return self._integrated(depth_m, 0)[1]

    def scalar(self, depth_m: F64) -> F64:
        """Return the scalar irradiance at depths ``(n,)``, all directions alike, ``(n, K)``."""
        down, up = self._integrated(depth_m, 0)
        return down + up

    def level_flux(self, depth_m: F64) -> F64:
        """Return the net flux of light away from the sun's side, level, at depths ``(n,)``, ``(n, K)``.

        Only the sun makes one, for the sky is even.
        """
        y = np.asarray(depth_m, np.float64)
        grid, cosine = self.modes.streams, self.sun_cosine
        total = self.beam(y) * math.sqrt(max(0.0, 1.0 - cosine * cosine))
        if self.modes.rates.shape[1] < 2:
            return total
        # Light goes as cos(azimuth) in the second mode, and its integral over azimuth times cos is pi.
        weight = math.pi * grid.weight * np.sqrt(1.0 - grid.cosine**2)
        decay = self.modes.rates[:, 1] * self.scaled_rate[:, None] - self.slowest[:, None]
        fall = np.exp(-decay * y[:, None, None])
        sun_fall = np.exp(-(self.scaled_rate / cosine - self.slowest) * y[:, None])
        both = np.einsum("kij,i->kj", self.modes.down[:, 1] + self.modes.up[:, 1], weight)
        for lit, share in self.lights:
            if lit.beam > 0.0:
                strength = lit.strengths[:, 1] * share
                total = total + np.einsum("ykj,kj->yk", fall, both * strength)
                beams = (lit.beam_down[:, 1] + lit.beam_up[:, 1]) @ weight
                total = total + sun_fall * (share * beams)
        return np.asarray(total, np.float64)

    def beam(self, depth_m: F64) -> F64:
        """Return the sun's irradiance across its beam at depths ``(n,)``, ``(n, K)``."""
        y = np.asarray(depth_m, np.float64)[:, None]
        fall = np.exp(-(self.scaled_rate / self.sun_cosine - self.slowest) * y)
        return np.asarray(fall * sum(share * lit.beam for lit, share in self.lights), np.float64)

    def _integrated(self, depth_m: F64, power: int) -> tuple[F64, F64]:
        """Return radiance times a power of |mu|, integrated over the directions that go down and up."""
        y = np.asarray(depth_m, np.float64)
        grid = self.modes.streams
        weight = 2.0 * math.pi * grid.weight * grid.cosine**power
        down, up = self.beam(y) * self.sun_cosine**power, np.zeros((y.size, self.slowest.size))
        decay = self.modes.rates[:, 0] * self.scaled_rate[:, None] - self.slowest[:, None]
        fall = np.exp(-decay * y[:, None, None])
        sun_fall = np.exp(-(self.scaled_rate / self.sun_cosine - self.slowest) * y[:, None])
        of_modes = [np.einsum("kij,i->kj", part[:, 0], weight) for part in (self.modes.down, self.modes.up)]
        for lit, share in self.lights:
            strength = lit.strengths[:, 0] * share
            for total, modes, beam in zip((down, up), of_modes, (lit.beam_down, lit.beam_up), strict=True):
                np.add(total, np.einsum("ykj,kj->yk", fall, modes * strength), out=total)
                np.add(total, sun_fall * (share * (beam[:, 0] @ weight)), out=total)
        return down, up

    def radiance(self, depth_m: float, down: F64, azimuth: F64) -> tuple[F64, F64]:
        """Return source and whole path of view rays, ``(heights, azimuths, K)``, without `sun_once`.

        Parameters
        ----------
        depth_m
            Of the lens, above 0.
        down, azimuth
            Downward components of the view, ``(heights,)``, with each its opposite in reversed order; and
            azimuths from where the sun stands, ``(azimuths,)``, radians.

        Returns
        -------
        What is scattered into the ray at the lens, per metre, and all that is on the ray's way to the lens:
        down without end, up to the sea surface, what comes through or is mirrored there left out.
        """
        travel, c, scaled_c = -down, self.attenuation, self.scaled_rate
        source, path, rising = (np.zeros((down.size, azimuth.size, c.size)) for _ in range(3))
        sky = np.zeros(down.size)
        for lit, share in self.lights:
            turns = np.cos(np.arange(lit.strengths.shape[1])[:, None] * azimuth)
            parts = _scattered(self, lit, travel, depth_m)
            for total, part in zip((source, path, rising), parts, strict=True):
                np.add(total, share * np.einsum("kmi,ma->iak", part, turns), out=total)
            sky += share * lit.window
        reflectance = surface_reflectance(np.abs(travel), self.modes.index)
        from_below = (rising + self.sun_once(0.0, down, azimuth, scaled_c)[1])[::-1]
        from_surface = reflectance[:, None, None] * from_below + (sky * (1.0 - reflectance))[:, None, None]
        from_surface[travel <= 0.0] = 0.0
        end = ray_ends(depth_m, down)[:, None, None]
        left, really_left = (np.exp(self.slowest * depth_m - rate * end) for rate in (scaled_c, c))
        once = self.sun_once(depth_m, down, azimuth, scaled_c)[1]
        # What is thrown almost straight on counts as scattered again: the ray is dimmed by all of c.
        source = scaled_c * source + (c - scaled_c) * (path + once + from_surface * left)
        path += once - self.sun_once(depth_m, down, azimuth, c)[1] + from_surface * (left - really_left)
        level = self.downward(np.array([depth_m]))[0]
        least = _NOTHING * self.scattering * level
        return np.maximum(source, 0.0) + least, np.maximum(path, 0.0) + least / c

    def sun_once(self, depth_m: float, down: F64, azimuth: F64, rate: F64) -> tuple[F64, F64]:
        """Return source and whole path of the sun's light scattered once, as `radiance`.

        ``rate`` is what dims the view ray, ``(K,)``, 1/m.
        """
        cosine = self.sun_cosine
        level = math.sqrt(max(0.0, 1.0 - cosine * cosine))
        across = np.sqrt(np.maximum(0.0, 1.0 - down * down))
        psi = -down[:, None] * cosine + across[:, None] * level * np.cos(azimuth)
        source = self.phase(psi) * self.scattering * self.beam(np.array([depth_m]))[0]
        net = rate + (self.scaled_rate / cosine) * down[:, None, None]
        return source, source * _along(net, ray_ends(depth_m, down)[:, None, None])

    def phase(self, cos_psi: F64) -> F64:
        """Return the phase function, 1/sr, ``(*shape, K)``."""
        particles = henyey_greenstein(np.clip(cos_psi, -1.0, 1.0), self.asymmetry)[..., None]
        return (
            particles * (1.0 - self.molecular_share)
            + molecular_phase(cos_psi)[..., None] * self.molecular_share
        )


def molecular_phase(cos_psi: F64) -> F64:
    """Return how sea water itself scatters, 1/sr, (1 + 0.835 cos^2 psi) by its integral (morel1974)."""
    whole = 4.0 * math.pi * (1.0 + MOLECULAR_ANISOTROPY / 3.0)
    return np.asarray((1.0 + MOLECULAR_ANISOTROPY * cos_psi * cos_psi) / whole, np.float64)


def ray_ends(depth_m: float, down: F64) -> F64:
    """Return metres to the sea surface along view rays, inf where they do not go up.

    Parameters
    ----------
    depth_m
        Depth of the lens, metres.
    down
        Downward component of each view ray, -1 to 1, any shape.

    Returns
    -------
    F64
        Metres, above 0, in the shape of ``down``.
    """
    return np.where(down < -_LEVEL, depth_m / np.maximum(-down, _LEVEL), np.inf)


def _scattered(water: WaterLight, lit: Lit, travel: F64, depth_m: float) -> tuple[F64, F64, F64]:
    """Return azimuth modes of source and path at a depth, and of what rises to the surface.

    Each is ``(K, M, heights)``. The source is per scaled optical depth, and leaves out what of the sun's
    light is scattered once.
    """
    modes, count = water.modes, lit.strengths.shape[1]
    grid = modes.streams
    ours = harmonics(travel, grid.moments)[:count]
    sign = (-1.0) ** (np.arange(grid.moments)[None, :] + np.arange(count)[:, None])
    theirs = grid.harmonics[:count] * grid.weight
    weights = 0.5 * modes.albedo[:, None, None] * modes.weights[:, None, :]

    def at_directions(down: F64, up: F64) -> F64:
        moments = np.matmul(theirs, down) + sign[:, :, None] * np.matmul(theirs, up)
        return np.asarray(np.matmul(np.swapaxes(ours, 1, 2), weights[..., None] * moments), np.float64)

    amounts = at_directions(modes.down[:, :count], modes.up[:, :count]) * lit.strengths[:, :, None, :]
    rates = modes.rates[:, :count, None, :]
    if lit.beam > 0.0:
        beams = at_directions(lit.beam_down[..., None], lit.beam_up[..., None])
        amounts = np.concatenate([amounts, beams], axis=-1)
        beam_rates = np.full((*rates.shape[:3], 1), 1.0 / lit.beam_cosine)
        rates = np.concatenate([rates, beam_rates], axis=-1)
    optical = (water.scaled_rate * depth_m)[:, None, None, None]
    lift = (water.slowest * depth_m)[:, None, None, None]
    slope = np.abs(travel)[:, None]
    falls = travel[:, None] > 0.0
    here = np.exp(lift - rates * optical)
    # From above: (exp(-k t) - exp(-t/mu)) / (1 - k mu), which is finite where both are one.
    along = optical / np.maximum(slope, _LEVEL)
    apart = np.abs(along - rates * optical)
    risen = 1.0 / (1.0 + rates * slope)
    from_above = np.exp(lift - np.minimum(along, rates * optical)) * along * mean_left(apart)
    gathered = np.where(falls, from_above, here * risen)
    return (
        (amounts * here).sum(axis=-1),
        (amounts * gathered).sum(axis=-1),
        np.where(travel <= 0.0, (amounts * risen).sum(axis=-1), 0.0),
    )


def mean_left(x: F64) -> F64:
    """Return (1 - exp(-x)) / x, 1 where x is 0."""
    safe = np.where(x > 1e-12, x, 1.0)
    return np.where(x > 1e-12, -np.expm1(-safe) / safe, 1.0)


def signed_mean_left(x: F64) -> F64:
    """Return (1 - exp(-x)) / x for x of either sign.

    Parameters
    ----------
    x
        Any shape.

    Returns
    -------
    F64
        Above 0, in the shape of ``x``.
    """
    grown = mean_left(np.abs(x))
    return np.where(x < 0.0, grown * np.exp(np.minimum(-x, 700.0)), grown)


def _along(rate: F64, end_m: F64) -> F64:
    """Return the integral of exp(-rate t) from 0 to an end, metres; where that is inf, rates are positive."""
    endless = np.isinf(end_m)
    ends = np.where(endless, 1.0, end_m)
    return np.where(endless, 1.0 / np.where(endless, rate, 1.0), ends * signed_mean_left(rate * ends))
