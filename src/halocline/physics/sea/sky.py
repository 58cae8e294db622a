"""Looking up: the sky, and Snell's window through which it is seen from below.

Directions are unit vectors x, y and down, as in `halocline.physics.sea.surface`.

What is implemented:

- the brightness of the sky by direction, from overcast to clear, and the sun in it (cie2003)
- view rays at the surface from below: refracted into the sky within Snell's window, totally reflected
  outside it
"""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np

from halocline._typing import F32, F64
from halocline.late_dataclass import dataclass
from halocline.physics.sea.surface import SunBeam, clear_sky_diffuse_share

# Slopes of less variance, both axes together, move no edge that one could see: a tenth of a degree.
_HIDES_WAVES = np.float32(3e-6)
# Outer nodes of Gauss and Hermite's rule of three, in standard deviations; their weights are 1/6, 2/3, 1/6.
_SIDE = math.sqrt(3.0)


@dataclass(frozen=True)
class Sky:
    """Radiance of the sky over the sea, relative to the irradiance on a level surface above the water.

    Attributes
    ----------
    sun
        Where the sun stands, and the water's index.
    sun_share
        Share of the irradiance that comes straight from the sun, 0 to 1; the rest is the sky's.
    gradation
        a and b of the brightness by height, 1 + a exp(b / cos zenith).
    indicatrix
        c, d and e of the brightness by angle from the sun, 1 + c (exp(d x) - exp(d pi/2)) + e cos^2 x.

    Notes
    -----
    The form and its coefficients are those of the CIE standard general sky (cie2003, from memory): type 1,
    `OVERCAST`, and type 12, `CLEAR`, mixed by how much of the light comes straight from the sun.
    """

    sun: SunBeam
    sun_share: float
    gradation: tuple[float, float]
    indicatrix: tuple[float, float, float]

    @cached_property
    def _zenith_radiance(self) -> float:
        """Radiance of the zenith for which the sky's irradiance is its share."""
        # Midpoint rule over the hemisphere; cos zenith is even in solid angle.
        cos_zenith = ((np.arange(400) + 0.5) / 400.0)[:, np.newaxis]
        azimuth = ((np.arange(180) + 0.5) / 180.0 * math.pi)[np.newaxis, :]
        sin_zenith = np.sqrt(1.0 - cos_zenith**2)
        sin_sun, cos_sun = math.sin(self.sun.zenith_rad), math.cos(self.sun.zenith_rad)
        from_sun = cos_zenith * cos_sun + sin_zenith * sin_sun * np.cos(azimuth)
        relative = self._relative(np.broadcast_to(cos_zenith, from_sun.shape), from_sun)
        irradiance = 2.0 * math.pi * float((relative * cos_zenith).mean())
        return (1.0 - self.sun_share) / irradiance

    def _relative(self, cos_zenith: F32, cos_sun: F32) -> F32:
        """Return brightness up to a factor that does not depend on direction."""
        real = cos_zenith.dtype.type
        a, b = (real(value) for value in self.gradation)
        c, d, e = (real(value) for value in self.indicatrix)
        by_height = np.exp(b / np.maximum(cos_zenith, real(1e-3)))
        by_height *= a
        by_height += real(1.0)
        angle = np.arccos(np.clip(cos_sun, real(-1.0), real(1.0)))
        by_sun = np.exp(d * angle)
        by_sun -= real(math.exp(float(d) * math.pi / 2.0))
        by_sun *= c
        by_sun += real(1.0)
        by_sun += e * cos_sun * cos_sun
        by_sun *= by_height
        return by_sun

    def radiance(self, cos_zenith: F32, cos_sun: F32, *, sun_spread: F32 | float) -> F32:
        """Return radiance per unit of irradiance, 1/sr, sky and sun.

        Parameters
        ----------
        cos_zenith, cos_sun
            Cosines of a direction's angle to the vertical and to the sun.
        sun_spread
            Standard deviation of the sun's image, radians: half its radius for the bare disc, more where
            waves too small to see spread it; one number, or one for each direction. It is drawn as a Gaussian
            of the same light however wide.
        """
        real = cos_zenith.dtype.type
        sky = self._relative(cos_zenith, cos_sun)
        sky *= real(self._zenith_radiance)
        if self.sun_share > 0.0:
            normal = self.sun_share / math.cos(self.sun.zenith_rad)
            per_variance = real(1.0) / np.square(np.asarray(sun_spread, cos_zenith.dtype))
            lobe = cos_sun - real(1.0)
            lobe *= per_variance
            np.exp(lobe, out=lobe)
            lobe *= real(normal / (2.0 * math.pi)) * per_variance
            sky += lobe
        return sky


# CIE standard general sky: gradation (a, b), indicatrix (c, d, e). From memory.
OVERCAST = ((4.0, -0.70), (0.0, -1.0, 0.0))
CLEAR = ((-1.0, -0.32), (10.0, -3.0, 0.45))


def sky_over(sun: SunBeam, *, sun_share: float) -> Sky:
    """Return the sky that goes with the sun's share of the light.

    A share as under a clear sky gives CIE type 12, none gives type 1, and between them their coefficients
    are mixed in proportion (common practice, no source).

    Parameters
    ----------
    sun
        Where the sun is.
    sun_share
        Share of the light on the sea that comes straight from it, 0 to 1.

    Returns
    -------
    Sky
        The sky.
    """
    clear = 1.0 - clear_sky_diffuse_share(sun.zenith_rad)
    part = min(1.0, sun_share / clear) if clear > 0.0 else 0.0
    gradation = tuple(part * c + (1.0 - part) * o for c, o in zip(CLEAR[0], OVERCAST[0], strict=True))
    indicatrix = tuple(part * c + (1.0 - part) * o for c, o in zip(CLEAR[1], OVERCAST[1], strict=True))
    return Sky(sun, sun_share, (gradation[0], gradation[1]), (indicatrix[0], indicatrix[1], indicatrix[2]))


@dataclass(frozen=True)
class SeenSurface:
    """What view rays that go up find at the surface; arrays ``(rows, columns)``.

    Attributes
    ----------
    cos_zenith, cos_sun
        In air: cosines of the refracted direction's angle to the vertical and to the sun.
    reflectance
        Share reflected back down, 1 outside Snell's window.
    mirrored
        ``(3, rows, columns)``: direction of the reflected ray, x, y and down.
    """

    cos_zenith: F32
    cos_sun: F32
    reflectance: F32
    mirrored: F32


def look_up_through(directions: F32, slopes: F32, sun: SunBeam) -> SeenSurface:
    """Refract and reflect view rays at the surface from below.

    Parameters
    ----------
    directions
        ``(3, rows, columns)`` unit view directions, x, y and down; only those that go up mean anything.
    slopes
        ``(2, rows, columns)`` of the surface where they meet it.
    sun
        For the angle to the sun, and the water's index.

    Notes
    -----
    Through a flat surface the sky is seen within 48.3 deg of the vertical (n 1.34). Radiance that comes in
    grows by n^2: it is gathered into a smaller cone. Waves may turn a ray below the horizon: it then sees the
    sky there, since the sea's own reflection is left out.
    """
    n = np.float32(sun.index)
    # Normal into the water, (sx, sy, 1)/stretch in x, y, down.
    stretch = np.sqrt(slopes[0] * slopes[0] + slopes[1] * slopes[1] + np.float32(1.0))
    normal = np.stack([slopes[0] / stretch, slopes[1] / stretch, np.float32(1.0) / stretch])
    facing = directions[0] * normal[0]
    facing += directions[1] * normal[1]
    facing += directions[2] * normal[2]
    cos_in = np.clip(-facing, np.float32(1e-4), np.float32(1.0))
    mirrored = directions + np.float32(2.0) * cos_in * normal
    square = np.float32(1.0) - n * n * (np.float32(1.0) - cos_in * cos_in)
    total = square <= 0.0
    cos_out = np.sqrt(np.maximum(square, np.float32(0.0)))
    across = (n * cos_in - cos_out) / (n * cos_in + cos_out)
    along = (cos_in - n * cos_out) / (cos_in + n * cos_out)
    reflectance = np.float32(0.5) * (across * across + along * along)
    reflectance[total] = 1.0
    refracted = n * directions
    refracted += (n * cos_in - cos_out) * normal
    ix, iy, iz = (np.float32(value) for value in sun.travel)
    cos_sun = -(ix * refracted[0] + iy * refracted[1] + iz * refracted[2])
    # A totally reflected ray has no direction in air; rounding may take the cosine of the others past 1.
    np.clip(cos_sun, np.float32(-1.0), np.float32(1.0), out=cos_sun)
    cos_zenith = np.clip(-refracted[2], np.float32(0.0), np.float32(1.0))
    return SeenSurface(cos_zenith, cos_sun, reflectance, mirrored)


def seen_from_below(window: SeenSurface, sky: Sky, *, sun_spread: F32 | float) -> F32:
    """Return the radiance that comes down each ray from above: sky times transmission times n^2.

    ``sun_spread`` as `Sky.radiance` takes it.
    """
    light = sky.radiance(window.cos_zenith, window.cos_sun, sun_spread=sun_spread)
    light *= np.float32(sky.sun.index**2)
    light *= np.float32(1.0) - window.reflectance
    return light


def widening(index: float) -> float:
    """Return the variance of the sun's image from below, per axis, that slopes of variance 1 give it.

    Radians squared, for a variance of both axes together. Refraction turns a ray by about n - 1 times the
    slope.

    Parameters
    ----------
    index
        Refractive index of the water, relative to air.

    Returns
    -------
    float
        Radians squared; 0.0578 for 1.34.
    """
    return 0.5 * (index - 1.0) ** 2


def look_up_over(directions: F32, slopes: F32, sky: Sky, *, sun_variance: float) -> tuple[F32, SeenSurface]:
    """Return the radiance from above and what the surface mirrors, averaged over the waves that pixels hide.

    Parameters
    ----------
    directions
        ``(3, rows, columns)`` unit view directions, x, y and down.
    slopes
        ``(3, rows, columns)``: mean slopes, and the variance about them, of both axes together.
    sky
        What is above.
    sun_variance
        Variance of the sun's image where no waves are hidden, radians squared.

    Returns
    -------
    tuple[F32, Window]
        Radiance as `Sky.radiance` has it, and what the rays find at the surface, each on the
        directions' grid.

    Notes
    -----
    Hidden slopes are taken as Gaussian. What matters of them is whether they tip the view into Snell's window
    or out of it, so three slopes along the view stand for all (Gauss and Hermite's rule); half of their
    variance is left to widen the sun at each, for three suns would show. Only pixels that hide waves pay.
    """
    above, window = _seen_at(directions, slopes, sky, sun_variance, 0.0)
    hiding = np.nonzero(slopes[2] > _HIDES_WAVES)
    if hiding[0].size:
        views, waves = (plane[:, hiding[0], hiding[1]][:, np.newaxis] for plane in (directions, slopes))
        sides = [_seen_at(views, waves, sky, sun_variance, side) for side in (-_SIDE, _SIDE)]
        for middle, side in (
            (above, sides[0][0] + sides[1][0]),
            (window.reflectance, sides[0][1].reflectance + sides[1][1].reflectance),
        ):
            middle[hiding] = np.float32(2.0 / 3.0) * middle[hiding] + np.float32(1.0 / 6.0) * side[0]
    return above, window


def _seen_at(
    directions: F32, slopes: F32, sky: Sky, sun_variance: float, side: float
) -> tuple[F32, SeenSurface]:
    """Return what is seen by one of the slopes that stand for all, so many deviations to a side."""
    level = np.maximum(np.sqrt(directions[0] ** 2 + directions[1] ** 2), np.float32(1e-6))
    aside = np.float32(side) * np.sqrt(slopes[2] * np.float32(0.5)) / level
    window = look_up_through(directions, slopes[:2] + directions[:2] * aside, sky.sun)
    left = slopes[2] * np.float32(0.5 * widening(sky.sun.index))
    spread: F32 = np.sqrt(np.float32(sun_variance) + left)
    return seen_from_below(window, sky, sun_spread=spread), window


def drawn_in(light: F32, most: F64) -> F32:
    """Return light whose brightest band never passes a limit, with its hue.

    Parameters
    ----------
    light
        ``(K, n)``.
    most
        ``(K,)`` the limit of each band, 0 or more.

    Returns
    -------
    F32
        ``(K, n)``. With x the greatest of the bands' shares of their limits: unchanged up to x = 1/2, from
        there on scaled to a share of 1 - 1/(4 x), which goes on from 1/2 with the same slope and never
        reaches 1. A share of 1 becomes 0.75.
    """
    # Of no light at a limit of none nothing is to be drawn in.
    limit = np.maximum(most, 1e-30).astype(np.float32)
    share = (light / limit[:, np.newaxis]).max(axis=0)
    over = np.maximum(share, np.float32(0.5))
    # (1 - 1/(4 x)) / x where x is over a half, exactly 1 where it is not.
    drawn = np.where(share > 0.5, (np.float32(1.0) - np.float32(0.25) / over) / over, np.float32(1.0))
    return np.asarray(light * drawn, np.float32)
