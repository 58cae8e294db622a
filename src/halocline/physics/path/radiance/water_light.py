"""Daylight in one water: irradiances by depth, and radiance in every direction.

All amounts are relative to an irradiance of 1 on the level sea surface, in air, and multiplied by
exp(slowest y): deep down they leave the range of numbers while their ratios do not.
"""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np

from halocline._typing import F64
from halocline.late_dataclass import dataclass
from halocline.physics.path.phase import henyey_greenstein
from halocline.physics.path.radiance.solution import Lit, Modes, surface_reflectance
from halocline.physics.path.radiance.streams import MOLECULAR_ANISOTROPY, harmonics
from halocline.physics.water.path_integral import mean_share_left, path_integral

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
    bottom_m, bottom_reflectance
        Depth and reflectance of a bottom for which the lights were solved; None where the water is endless.
        Below it light goes on to fall.
    """

    modes: Modes
    lights: tuple[tuple[Lit, float], ...]
    attenuation: F64
    scattering: F64
    molecular_share: F64
    asymmetry: float
    bottom_m: float | None = None
    bottom_reflectance: float = 0.0

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
        return self.integrated(depth_m, 1)[0]

    def scalar(self, depth_m: F64) -> F64:
        """Return the scalar irradiance at depths ``(n,)``, all directions alike, ``(n, K)``."""
        down, up = self.integrated(depth_m, 0)
        return down + up

    def level_flux(self, depth_m: F64) -> F64:
        """Return the net flux of light away from the sun's side, level, at depths ``(n,)``, ``(n, K)``.

        Only the sun makes one, for the sky is even.
        """
        y = self._within(depth_m)
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
                if lit.risen is not None:
                    rise = np.exp(self._rise(y, self.modes.rates[:, 1]))
                    total = total + np.einsum("ykj,kj->yk", rise, both * lit.risen[:, 1] * share)
        return np.asarray(total, np.float64)

    def beam(self, depth_m: F64) -> F64:
        """Return the sun's irradiance across its beam at depths ``(n,)``, ``(n, K)``."""
        y = self._within(depth_m)[:, None]
        fall = np.exp(-(self.scaled_rate / self.sun_cosine - self.slowest) * y)
        return np.asarray(fall * sum(share * lit.beam for lit, share in self.lights), np.float64)

    def integrated(self, depth_m: F64, power: int) -> tuple[F64, F64]:
        """Return radiance times a power of |mu|, integrated over the directions that go down and up.

        Power 1 gives the irradiances Ed and Eu, 0 the scalar irradiances Eod and Eou, at depths ``(n,)``:
        ``(n, K)`` each.
        """
        y = self._within(depth_m)
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
            if lit.risen is not None:
                rise, risen = np.exp(self._rise(y, self.modes.rates[:, 0])), lit.risen[:, 0] * share
                for total, modes in zip((up, down), of_modes, strict=True):
                    np.add(total, np.einsum("ykj,kj->yk", rise, modes * risen), out=total)
        return down, up

    def _within(self, depth_m: F64) -> F64:
        """Return depths, those below the bottom as at it."""
        y = np.asarray(depth_m, np.float64)
        return y if self.bottom_m is None else np.minimum(y, self.bottom_m)

    def _rise(self, depth_m: F64, rates: F64) -> F64:
        """Return ln of what modes that fade upwards have at depths, by rate ``(K, ...)``, ``(n, K, ...)``."""
        assert self.bottom_m is not None
        extra = (1,) * (rates.ndim - 1)
        scaled, slow = (rate.reshape(-1, *extra) for rate in (self.scaled_rate, self.slowest))
        least = self.modes.rates.min(axis=(1, 2)).reshape(scaled.shape)
        y = np.asarray(depth_m, np.float64).reshape(-1, *(1,) * rates.ndim)
        risen = (slow - least * scaled) * y - (rates + least) * scaled * (self.bottom_m - y)
        return np.asarray(risen, np.float64)

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
        down to the bottom or without end, up to the sea surface, what comes from there left out.
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
        from_below = rising + self.sun_once(0.0, down, azimuth, scaled_c)[1]
        from_bottom = self._from_bottom()
        if from_bottom is not None:
            way = ray_ends(0.0, down, self.bottom_m)[:, None, None]
            from_below += np.where(travel[:, None, None] < 0.0, from_bottom * np.exp(-scaled_c * way), 0.0)
        from_below = from_below[::-1]
        from_end = reflectance[:, None, None] * from_below + (sky * (1.0 - reflectance))[:, None, None]
        from_end[travel <= 0.0] = 0.0
        if from_bottom is not None:
            from_end[travel < 0.0] = from_bottom
        end = ray_ends(depth_m, down, self.bottom_m)[:, None, None]
        left, really_left = (np.exp(self.slowest * depth_m - rate * end) for rate in (scaled_c, c))
        once = self.sun_once(depth_m, down, azimuth, scaled_c)[1]
        # What is thrown almost straight on counts as scattered again: the ray is dimmed by all of c.
        source = scaled_c * source + (c - scaled_c) * (path + once + from_end * left)
        path += once - self.sun_once(depth_m, down, azimuth, c)[1] + from_end * (left - really_left)
        level = self.downward(np.array([depth_m]))[0]
        least = _NOTHING * self.scattering * level
        return np.maximum(source, 0.0) + least, np.maximum(path, 0.0) + least / c

    def _from_bottom(self) -> F64 | None:
        """Return the bottom's radiance as it is there, not multiplied, ``(K,)``; None without one."""
        if self.bottom_m is None:
            return None
        down = self.downward(np.array([self.bottom_m]))[0] * np.exp(-self.slowest * self.bottom_m)
        return np.asarray(self.bottom_reflectance / math.pi * down, np.float64)

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
        return source, source * path_integral(net, ray_ends(depth_m, down, self.bottom_m)[:, None, None])

    def phase(self, cos_psi: F64) -> F64:
        """Return the phase function, 1/sr, ``(*shape, K)``."""
        particles = henyey_greenstein(np.clip(cos_psi, -1.0, 1.0), self.asymmetry)[..., None]
        return (
            particles * (1.0 - self.molecular_share)
            + molecular_phase(cos_psi)[..., None] * self.molecular_share
        )


def molecular_phase(cos_psi: F64) -> F64:
    """Return how sea water itself scatters, (1 + 0.835 cos^2 psi) by its integral (morel1974).

    Parameters
    ----------
    cos_psi
        Cosine of the scattering angle, -1 to 1, any shape.

    Returns
    -------
    F64
        1/sr, in the shape of ``cos_psi``; 1 over the sphere.
    """
    whole = 4.0 * math.pi * (1.0 + MOLECULAR_ANISOTROPY / 3.0)
    return np.asarray((1.0 + MOLECULAR_ANISOTROPY * cos_psi * cos_psi) / whole, np.float64)


def ray_ends(depth_m: float, down: F64, bottom_m: float | None = None) -> F64:
    """Return metres to the sea surface or the bottom along view rays, inf where they go to neither.

    Parameters
    ----------
    depth_m
        Depth of the lens, metres.
    down
        Downward component of each view ray, -1 to 1, any shape.
    bottom_m
        Depth of the bottom, below the lens; None where the water has no end.

    Returns
    -------
    F64
        Metres, above 0, in the shape of ``down``.
    """
    ends = np.where(down < -_LEVEL, depth_m / np.maximum(-down, _LEVEL), np.inf)
    if bottom_m is None:
        return ends
    return np.where(down > _LEVEL, (bottom_m - depth_m) / np.maximum(down, _LEVEL), ends)


def _scattered(water: WaterLight, lit: Lit, travel: F64, depth_m: float) -> tuple[F64, F64, F64]:
    """Return azimuth modes of source and path at a depth, and of what rises to the surface.

    Each is ``(K, M, heights)``. The source is per scaled optical depth, and leaves out what of the sun's
    light is scattered once.
    """
    modes, count = water.modes, lit.strengths.shape[1]
    grid = modes.streams
    ours = harmonics(travel, grid.moments, count)
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
    falls = travel > 0.0
    here = np.exp(lift - rates * optical)
    risen = rising = amounts / (1.0 + rates * slope)
    if water.bottom_m is not None:
        # Rays that go down end there, and so does what rises to the surface.
        faster = rates + 1.0 / np.maximum(slope, _LEVEL)
        deep = (water.scaled_rate * water.bottom_m)[:, None, None, None]
        rising, risen = risen * -np.expm1(-faster * deep), risen * -np.expm1(-faster * (deep - optical))
    gathered = here * risen
    # From above: (exp(-k t) - exp(-t/mu)) / (1 - k mu), which is finite where both are one.
    along, through = optical / np.maximum(slope[falls], _LEVEL), rates * optical
    from_above = np.exp(lift - np.minimum(along, through)) * along * mean_share_left(np.abs(along - through))
    gathered[:, :, falls] = amounts[:, :, falls] * from_above
    to_surface = rising.sum(axis=-1)
    to_surface[:, :, falls] = 0.0
    found = (amounts * here).sum(axis=-1), gathered.sum(axis=-1), to_surface
    if lit.risen is None:
        return found
    mirrored = at_directions(modes.up[:, :count], modes.down[:, :count]) * lit.risen[:, :, None, :]
    more = _scattered_of_risen(water, mirrored, travel, depth_m)
    return found[0] + more[0], found[1] + more[1], found[2] + more[2]


def _scattered_of_risen(water: WaterLight, amounts: F64, travel: F64, depth_m: float) -> tuple[F64, F64, F64]:
    """Return what `_scattered` does, of the modes that fade upwards, ``(K, M, heights, N)``."""
    assert water.bottom_m is not None
    rates = water.modes.rates[:, : amounts.shape[1], None, :]
    least = water.modes.rates.min(axis=(1, 2))[:, None, None, None]
    scaled = water.scaled_rate[:, None, None, None]
    above, below = scaled * depth_m, scaled * (water.bottom_m - depth_m)
    slope = np.maximum(np.abs(travel), _LEVEL)[:, None]
    lift = (water.slowest * depth_m)[:, None, None, None] - least * (above + below)

    def from_bottom(optical: F64) -> F64:
        # exp(-k t) (1 - exp(-(1/mu - k) t)) / (1 - k mu), which is finite where both are one.
        along = optical / slope
        apart = np.abs(along - rates * optical)
        return np.asarray(
            np.exp(-np.minimum(along, rates * optical)) * along * mean_share_left(apart), np.float64
        )

    here = np.exp(lift - rates * below)
    from_above = here * -np.expm1(-(rates + 1.0 / slope) * above) / (1.0 + rates * slope)
    gathered = np.where(travel[:, None] > 0.0, from_above, np.exp(lift) * from_bottom(below))
    rising = np.exp(-least * (above + below)) * from_bottom(above + below)
    return (
        (amounts * here).sum(axis=-1),
        (amounts * gathered).sum(axis=-1),
        np.where(travel <= 0.0, (amounts * rising).sum(axis=-1), 0.0),
    )
