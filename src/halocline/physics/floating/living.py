"""Living light: the colour and the flashes of what glows by itself, and what sets it off.

Cells and small animals glow blue, most of them where sea water is clearest. Some glow on and on, some flash
now and then, and most flash when the water about them is sheared: in the wake of whatever moves. When a
particle flashes follows from its own random numbers, from the clock, and from when the wake came to it; so a
frame needs none before it.

    colour    a bell about 474 nm, 36 nm wide at half of its height          (widder1983, from memory)
    flash     (1 - exp(-t / rise)) exp(-t / decay), over its peak            (widder1981, from memory)
"""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F64
from halocline.compute.on_demand import OnDemand
from halocline.compute.random import stream_key, uniforms
from halocline.late_dataclass import dataclass
from halocline.physics.floating.field import Region
from halocline.physics.floating.flow import Current
from halocline.physics.path.transport import LightPath
from halocline.physics.water.bands import band_value
from halocline.physics.water.spectra import WAVELENGTH_NM, daylight

spatial = OnDemand("scipy.spatial")

# A wake is forgotten after this many of the times in which it fades to 1/e.
FORGET = 4.0
# A flash is over after this many of its decay times: exp(-7) is below a thousandth.
_OVER = 7.0
# Moments between which a wake is followed: this share of its reach, at most so many.
_STEP_OF_REACH, _MOST_MOMENTS = 0.5, 200
# Some answer within this share of a wake's reach only. Of all in its reach, that share answers which is the
# mean square of theirs.
_LEAST_REACH = 0.25
ANSWERING = (1.0 - _LEAST_REACH**3) / (3.0 * (1.0 - _LEAST_REACH))
# Particles that are compared with a wake's moments at once.
_AT_ONCE = 4096
# Those that stand for all where the mean of many is asked for.
_SAMPLED = 512


def emission(wavelength_nm: F64, peak_nm: float = 474.0, width_nm: float = 36.0) -> F64:
    """Return the spectrum of living light, 1 at its peak: a bell, as wide at half its height as is said.

    Parameters
    ----------
    wavelength_nm
        Where, any shape.
    peak_nm, width_nm
        Its peak and full width at half of that, nm.

    Returns
    -------
    F64
        0 to 1, in the shape of ``wavelength_nm``.

    Notes
    -----
    Source: widder1983 (from memory): of some seventy species most peak between 450 and 490 nm;
    dinoflagellates at 472 to 478 nm, 33 to 38 nm wide.

    Examples
    --------
    >>> emission(np.array([456.0, 474.0, 492.0])).tolist()
    [0.5, 1.0, 0.5]
    """
    step = (np.asarray(wavelength_nm, np.float64) - peak_nm) / width_nm
    return np.asarray(0.5 ** (4.0 * step * step))


def glow_in_bands(path: LightPath, peak_nm: float, width_nm: float) -> F64:
    """Return living light in each band, as luminous as a white card at the reference depth, ``(K,)``.

    Parameters
    ----------
    path
        The water and its bands.
    peak_nm, width_nm
        See `emission`.

    Returns
    -------
    F64
        0 or more.
    """
    power = band_value(path.bands, WAVELENGTH_NM, emission(WAVELENGTH_NM, peak_nm, width_nm) / daylight())
    light = path.white * power
    luminance = float(path.luminance @ path.bands.down @ light)
    return np.asarray(light / max(luminance, 1e-6 * float(light.sum())))


@dataclass(frozen=True)
class Flash:
    """One flash: how it comes and goes.

    Attributes
    ----------
    rise_s, decay_s
        Times of its rise and of its decay, seconds, above 0.
    """

    rise_s: float
    decay_s: float

    @cached_property
    def peak(self) -> float:
        """Highest value of (1 - exp(-t / rise)) exp(-t / decay)."""
        ratio = self.decay_s / self.rise_s
        return ratio / (1.0 + ratio) * math.pow(1.0 + ratio, -1.0 / ratio)

    def mean(self, begin_s: F64, end_s: F64) -> F64:
        """Return its mean brightness between two ages, over its peak; the value itself where they are one.

        Parameters
        ----------
        begin_s, end_s
            Ages, seconds, any shape; it is dark before 0.

        Returns
        -------
        F64
            0 to 1.
        """
        begin, end = np.maximum(begin_s, 0.0), np.maximum(end_s, 0.0)
        fast = 1.0 / (1.0 / self.rise_s + 1.0 / self.decay_s)
        slow_part = self.decay_s * (np.exp(-begin / self.decay_s) - np.exp(-end / self.decay_s))
        fast_part = fast * (np.exp(-begin / fast) - np.exp(-end / fast))
        open_s = np.asarray(end_s) - np.asarray(begin_s)
        at_once = np.exp(-end / self.decay_s) - np.exp(-end / fast)
        found = np.where(open_s > 1e-6, (slow_part - fast_part) / np.maximum(open_s, 1e-6), at_once)
        return np.asarray(np.maximum(found, 0.0) / self.peak)

    @property
    def lasts_s(self) -> float:
        """Age at which nothing of it is left."""
        return _OVER * self.decay_s


@dataclass(frozen=True)
class Shutter:
    """When a shutter is open.

    Attributes
    ----------
    opened_s, closed_s
        When it opens and closes, seconds.
    """

    opened_s: float
    closed_s: float

    @property
    def middle_s(self) -> float:
        """Half way between."""
        return 0.5 * (self.opened_s + self.closed_s)


def flashing(flash: Flash, every_s: float, key: int, words: NDArray[np.uint32], shutter: Shutter) -> F64:
    """Return the brightness of particles that flash by themselves, over a flash's peak, ``(n,)``.

    Each flashes once in every piece of its own time, at any moment of it.

    Parameters
    ----------
    flash
        How they flash.
    every_s
        Mean seconds from flash to flash.
    key
        Of a stream of random numbers.
    words
        Two words that belong to each, ``(2, n)``.
    shutter
        When they are seen.

    Returns
    -------
    F64
        0 or more, ``(n,)``.
    """
    own = (words[0].astype(np.float64) + 0.5) * 2.0**-32
    now = shutter.closed_s / every_s + own
    total = np.zeros(len(own))
    for back in range(math.ceil(flash.lasts_s / every_s) + 2):
        slot = np.floor(now) - back
        moment = uniforms(key, words[0], words[1], slot.astype(np.int64))[0]
        begins = (slot + moment - own) * every_s
        total += flash.mean(shutter.opened_s - begins, shutter.closed_s - begins)
    return total


@dataclass(frozen=True)
class Stirred:
    """How particles answer a wake.

    Attributes
    ----------
    flash
        One flash.
    response_s
        Mean time from the wake's coming to the first flash.
    again_s
        Mean time from flash to flash while the water is stirred.
    settle_s
        Time in which stirring fades to 1/e: fewer flash again.
    """

    flash: Flash
    response_s: float
    again_s: float
    settle_s: float

    def brightness(self, key: int, words: NDArray[np.uint32], begin_s: F64, end_s: F64) -> F64:
        """Return particles' mean brightness between two times since the wake came to them, ``(n,)``.

        Parameters
        ----------
        key
            Of a stream of random numbers.
        words
            Two words that belong to each, ``(2, n)``.
        begin_s, end_s
            Seconds since it came, ``(n,)``; not above 0 where it has not.
        """
        total = np.zeros(len(begin_s))
        if not (np.asarray(end_s) > 0.0).any():
            return total
        longest = min(float(np.max(end_s)), FORGET * self.settle_s + self.flash.lasts_s)
        for number in range(1 + math.ceil(min(longest, FORGET * self.settle_s) / self.again_s)):
            moment, chance, _, _ = uniforms(key, words[0], words[1], number)
            if number == 0:
                after, fires = -self.response_s * np.log(moment), np.ones(len(total), np.bool_)
            else:
                after = (number + moment) * self.again_s
                fires = (chance < np.exp(-after / self.settle_s)) & (after < FORGET * self.settle_s)
            seen = np.flatnonzero(fires & (end_s > after) & (begin_s < after + self.flash.lasts_s))
            begun = after[seen]
            total[seen] += self.flash.mean(begin_s[seen] - begun, end_s[seen] - begun)
        return total

    def mean_brightness(self, begin_s: F64, end_s: F64) -> F64:
        """Return the mean of many particles at such times, in the shape of the times."""
        number = np.arange(_SAMPLED, dtype=np.uint32)
        words = np.stack([number, number])
        key = stream_key(0, "mean of living light")
        pairs = zip(np.ravel(begin_s), np.ravel(end_s), strict=True)
        means = [
            self.brightness(key, words, np.full(_SAMPLED, first), np.full(_SAMPLED, last)).mean()
            if last > 0.0
            else 0.0
            for first, last in pairs
        ]
        return np.array(means).reshape(np.shape(begin_s))


@dataclass(frozen=True)
class StirringTrack:
    """Something that moves through the water and sets off what lives there: a capsule from nose to tail.

    Attributes
    ----------
    times_s
        Keys, rising, ``(n,)``, two at least.
    noses_m, tails_m
        ``(n, 3)`` world metres.
    reach_m
        From its axis, how far out it stirs.
    """

    times_s: F64
    noses_m: F64
    tails_m: F64
    reach_m: float

    def moments(self, first_s: float, last_s: float) -> F64:
        """Return times at which to look at it, fixed to the clock but for the last, ``(m,)``."""
        first, last = max(first_s, float(self.times_s[0])), min(last_s, float(self.times_s[-1]))
        if last <= first:
            return np.zeros(0)
        legs = np.diff(self.times_s)
        fastest = max(
            float((np.sqrt((np.diff(ends, axis=0) ** 2).sum(axis=1)) / legs).max())
            for ends in (self.noses_m, self.tails_m)
        )
        step = _STEP_OF_REACH * self.reach_m / max(fastest, 1e-6)
        step = max(step, (last_s - first_s) / _MOST_MOMENTS)
        return np.append(np.arange(math.ceil(first / step), math.ceil(last / step)) * step, last)

    def at(self, times_s: F64) -> tuple[F64, F64]:
        """Return nose and tail at times, ``(m, 3)`` each."""
        nose, tail = (
            np.stack([np.interp(times_s, self.times_s, column) for column in ends.T], axis=-1)
            for ends in (self.noses_m, self.tails_m)
        )
        return nose, tail

    def came_to(self, points_m: F64, ready: F64, time_s: float, memory_s: float, current: Current) -> F64:
        """Return when it last came to the water that is now at points, ``(n,)`` seconds; inf where never.

        Parameters
        ----------
        points_m
            World metres, ``(n, 3)``.
        ready
            How ready what is there is to answer, ``(n,)``, 0 (only to what passes close by) to 1.
        time_s
            Now.
        memory_s
            How far back to look.
        current
            What has carried the water since.
        """
        times = self.moments(time_s - memory_s, time_s)
        came = np.full(len(points_m), np.inf)
        if not len(times) or not len(points_m):
            return came
        nose, tail = self._carried(times, time_s, current)
        for first in range(0, len(points_m), _AT_ONCE):
            part = slice(first, first + _AT_ONCE)
            reach = self.reach_m * (_LEAST_REACH + (1.0 - _LEAST_REACH) * ready[part])
            within = _distance(points_m[part], nose, tail) < reach[:, None]
            met = within.any(axis=1)
            # The latest stretch of moments within reach: it came at its first.
            number = np.arange(len(times))
            last = len(times) - 1 - np.argmax(within[:, ::-1], axis=1)
            outside = np.where(within | (number > last[:, None]), -1, number).max(axis=1)
            came[part] = np.where(met, times[np.minimum(outside + 1, len(times) - 1)], np.inf)
        return came

    def wake(self, time_s: float, memory_s: float, current: Current) -> Region | None:
        """Return where its wake of the last seconds is now; None where there is none."""
        times = self.moments(time_s - memory_s, time_s)
        if not len(times):
            return None
        nose, tail = self._carried(times, time_s, current)
        length = float(np.sqrt(((nose - tail) ** 2).sum(axis=1)).max())
        count = 2 + math.ceil(length / self.reach_m)
        share = np.linspace(0.0, 1.0, count)[:, None, None]
        points = (tail + share * (nose - tail)).reshape(-1, 3)
        # Half a step along the axis or along its way is as far as water may be from all of these.
        reach = (1.5 + _STEP_OF_REACH) * self.reach_m
        tree = spatial.cKDTree(points)

        def touches(centres_m: F64, radius_m: float) -> NDArray[np.bool_]:
            apart, _ = tree.query(centres_m, distance_upper_bound=reach + radius_m)
            return np.asarray(np.isfinite(apart))

        return Region(points.min(axis=0) - reach, points.max(axis=0) + reach, touches)

    def swept_m3(self, times_s: F64) -> F64:
        """Return the water that it stirs from one time to the next, ``(m - 1,)`` cubic metres."""
        nose, tail = self.at(times_s)
        way = 0.5 * (np.diff(nose, axis=0) + np.diff(tail, axis=0))
        axis = 0.5 * ((nose - tail)[1:] + (nose - tail)[:-1])
        length = np.sqrt((axis * axis).sum(axis=1))
        moved = np.sqrt((way * way).sum(axis=1))
        cross = np.cross(axis, way)
        # Of a capsule that goes askew: its round end, and its side as it is seen along the way.
        side = np.sqrt((cross * cross).sum(axis=1)) / np.maximum(moved, 1e-12)
        side = np.minimum(side, length)
        return np.asarray(moved * (math.pi * self.reach_m**2 + 2.0 * self.reach_m * side))

    def _carried(self, times_s: F64, time_s: float, current: Current) -> tuple[F64, F64]:
        """Return nose and tail at past times, where the water that they were in is now."""
        nose, tail = self.at(times_s)
        since = np.asarray(current.displacement(time_s)) - np.stack(
            [current.displacement(float(when)) for when in times_s]
        )
        return nose + since, tail + since


def _distance(points_m: F64, nose_m: F64, tail_m: F64) -> F64:
    """Return the distance of points ``(n, 3)`` from stretches ``(m, 3)``, ``(n, m)`` metres."""
    axis = (nose_m - tail_m).T
    squared = np.maximum((axis * axis).sum(axis=0), 1e-12)
    offset = [points_m[:, k, None] - tail_m[:, k] for k in range(3)]
    along = offset[0] * axis[0] + offset[1] * axis[1] + offset[2] * axis[2]
    along /= squared
    np.clip(along, 0.0, 1.0, out=along)
    total = np.zeros_like(along)
    for part, direction in zip(offset, axis, strict=True):
        across = part - along * direction
        total += across * across
    return np.asarray(np.sqrt(total))
