"""What the light that water throws into view rays is made of: shares of it that things can keep away.

Of the source of the veil, at the lens: what comes from the sun's side, and what comes from above, out of the
directions of Snell's window, be it the sky's light turned by little or light that was scattered about. The
rest comes from the side and from below.
"""

from __future__ import annotations

import math

import numpy as np

from halocline._typing import F32, F64
from halocline.late_dataclass import dataclass
from halocline.physics.path.lamps import scattered_beyond
from halocline.physics.path.phase import henyey_greenstein
from halocline.physics.path.radiance.water_light import molecular_phase
from halocline.physics.path.transport import DIFFUSE_ASYMMETRY, SURFACE_INDEX, LightPath

# Light turned by less than this in all still counts as coming through the window, and light from within this
# of a view ray as coming from what lies ahead on it, degrees. Half of a lobe of asymmetry .924 lies within 6.
_TURNED_DEG, AHEAD_DEG = 20.0, 25.0
# A view that leads past the sun by less than this has it ahead.
_SUN_AHEAD_DEG = 10.0
_BESIDE_DEG = 50.0
# Heights of the view for which the window is summed up, and directions in it: from its middle, and around.
_HEIGHTS, _FROM_MIDDLE, _AROUND = 97, 24, 64
# Cosine at the window's edge.
_WINDOW_EDGE = math.sqrt(1.0 - 1.0 / SURFACE_INDEX**2)


@dataclass(frozen=True)
class LightShares:
    """Shares of what is scattered into view rays at the lens.

    Attributes
    ----------
    sun
        From the sun's side, ``(K, *shape)``, 0 to 1.
    sky
        From the directions of Snell's window, ``(K, *shape)``; with the sun's at most 1.
    ahead
        Of the sky's, what comes from within `AHEAD_DEG` of the ray's own direction, ``shape``.
    sun_ahead
        Of the sun's, likewise: 1 where the ray leads to the sun, 0 where it stands aside.
    beside_sun
        1 where the ray leads to the sun or beside it, 0 where the sun stands aside, ``shape``.
    times
        How often the sun's was turned before, on average: never, exp(-times) of it; ``shape``.
    apart
        The angle between ray and sun, in half widths of the water's lobe, ``shape``.
    """

    sun: F32
    sky: F32
    ahead: F32
    sun_ahead: F32
    beside_sun: F32
    times: F32
    apart: F32


def light_shares(path: LightPath, mu: F32, cos_sun: F32) -> LightShares:
    """Return what the source of the veil is made of along rays.

    Parameters
    ----------
    path
        The water and its light.
    mu, cos_sun
        Downward component of the rays, and their cosine against the sun's travel, any one shape.

    Returns
    -------
    LightShares
        Shares by band.
    """
    bands, y = path.bands, path.camera_depth_m
    found = path.veil_rays().sources(mu, cos_sun)
    whole = np.maximum(found.once + found.source, np.float32(1e-30)).astype(np.float64)
    solved = path.water.daylight()
    column = (-1, *(1,) * mu.ndim)
    lit = (path.veil_strength * bands.scattering).reshape(column)
    own = path.molecular_share.reshape(column)
    # Light seen from a direction travels against it. What the water has turned before widens the lobe about
    # the sun, and adds nothing to its tail: shares at right angles are those of paths traced below a slab.
    particles = henyey_greenstein(-cos_sun, bands.asymmetry)
    wider = henyey_greenstein(-cos_sun, path.sun_asymmetry) - particles
    near_sun = np.maximum(-cos_sun, np.float32(0.0)) ** 4
    particles = particles + wider * near_sun
    turned = (1.0 - own) * particles + own * molecular_phase(cos_sun.astype(np.float64))
    about = path.sun_side(y) * np.exp(solved.log_scalar(y) - solved.log_downward(y))
    # At least that of the beam alone; and about the sun, of all that a view as high away from it has not.
    # Farther off that has been turned far, and comes from all around what stands in the beam: there the lobe
    # alone takes what photons find to be taken.
    more = near_sun * np.maximum(found.source - _away_from_sun(path, mu), np.float32(0.0))
    sun = np.maximum(lit * about.reshape(column) * turned, found.once + more) / whole
    heights, window, near = _through_the_window(path)
    place = np.asarray(mu, np.float64)
    level = np.stack([np.interp(place, heights, row) for row in window])
    fallen = np.exp(-solved.log_downward(y)).reshape(column)
    sky = lit * level * fallen / whole
    over = np.maximum(sun + sky, 1.0)
    sun, sky = sun / over, sky / over
    # What was scattered about comes from above as well: a thing overhead keeps that from its shade, too.
    above = np.stack([np.interp(place, heights, row) for row in _scattered_from_above(path, heights)])
    sky += (1.0 - sun - sky) * above
    ahead = np.interp(place, heights, near)
    beside = _sun_ahead(cos_sun, _BESIDE_DEG)
    times = -np.log(np.clip(found.once / np.maximum(sun * whole, 1e-30), 1e-6, 1.0)).mean(axis=0)
    apart = np.arccos(np.clip(-cos_sun, -1.0, 1.0)) / lobe_rad(bands.asymmetry)
    shares = (sun, sky, ahead, _sun_ahead(cos_sun), beside, times, apart)
    return LightShares(*(np.asarray(share, np.float32) for share in shares))


def _away_from_sun(path: LightPath, mu: F32) -> F32:
    """Return the source of all light but the sun's scattered once, of views as high away from the sun."""
    sun_cosine = np.float32(-path.sun_travel @ path.up)
    sun_sine = np.float32(math.sqrt(max(0.0, 1.0 - float(sun_cosine) ** 2)))
    across = np.sqrt(np.maximum(np.float32(1.0) - mu * mu, np.float32(0.0)))
    return path.veil_rays().sources(mu, mu * sun_cosine + across * sun_sine).source


def _sun_ahead(cos_sun: F32, last_deg: float = AHEAD_DEG) -> F32:
    last, first = (math.cos(math.radians(angle)) for angle in (last_deg, _SUN_AHEAD_DEG))
    t = np.clip((-cos_sun - last) / (first - last), 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t), np.float32)


def lobe_rad(asymmetry: float) -> float:
    """Return the half width of a lobe: Henyey and Greenstein's falls as (1 + (angle / this)^2)^-1.5 about 0.

    Parameters
    ----------
    asymmetry
        Its mean cosine g.

    Returns
    -------
    float
        (1 - g) / sqrt(g), radians.
    """
    return (1.0 - asymmetry) / math.sqrt(asymmetry)


def sky_share_of_scalar(path: LightPath) -> float:
    """Return the share of scalar daylight at the lens, without the sun's, that comes through Snell's window.

    Parameters
    ----------
    path
        The water and its light.

    Returns
    -------
    float
        0 to 1, the mean of the bands.
    """
    y, solved = path.camera_depth_m, path.water.daylight()
    _, cosine, solid = _window()
    radiance = _sky_radiance(path, cosine)
    rest = np.exp(solved.log_scalar(y)) * (1.0 - path.sun_side(y))
    return float(np.clip((radiance @ solid) / np.maximum(rest, 1e-30), 0.0, 1.0).mean())


def _through_the_window(path: LightPath) -> tuple[F64, F64, F64]:
    """Return heights of view, the window's light turned into them ``(K, heights)``, and how much is ahead."""
    towards, cosine, solid = _window()
    radiance = _sky_radiance(path, cosine) * solid
    heights = np.linspace(-1.0, 1.0, _HEIGHTS)
    particles, molecules = _turned_into(heights, towards, path.bands.asymmetry)
    own = path.molecular_share[:, None]
    turned = (1.0 - own) * (radiance @ particles.T) + own * (radiance @ molecules.T)
    near = np.where(_turn(heights, towards) > math.cos(math.radians(AHEAD_DEG)), particles, 0.0)
    mean = radiance.mean(axis=0)
    return heights, turned, (near @ mean) / np.maximum(particles @ mean, 1e-30)


def _scattered_from_above(path: LightPath, heights: F64) -> F64:
    """Return how much of the light that was scattered about comes from above, ``(K, heights)``.

    It lies about the vertical in a lobe of `DIFFUSE_ASYMMETRY`.
    """
    own, found = path.molecular_share[:, None], []
    for zone in ((_WINDOW_EDGE, 1.0), (0.0, _WINDOW_EDGE), (-1.0, 0.0)):
        towards, cosine, solid = _zone(*zone)
        light = henyey_greenstein(cosine, DIFFUSE_ASYMMETRY) * solid
        particles, molecules = _turned_into(heights, towards, path.bands.asymmetry)
        found.append((1.0 - own) * (particles @ light) + own * (molecules @ light))
    return np.asarray(found[0] / sum(found), np.float64)


def _turn(heights: F64, towards: F64) -> F64:
    """Return the cosines of the angles between views and where light comes from, ``(heights, n)``."""
    view = np.stack([np.sqrt(1.0 - heights**2), np.zeros(heights.size), -heights])
    return np.clip(view.T @ towards, -1.0, 1.0)


def _turned_into(heights: F64, towards: F64, asymmetry: float) -> tuple[F64, F64]:
    """Return the phase functions of particles and of molecules from directions into views, 1/sr."""
    psi = _turn(heights, towards)
    return henyey_greenstein(psi, asymmetry), molecular_phase(psi)


def _window() -> tuple[F64, F64, F64]:
    """Return directions to the sky through Snell's window ``(3, n)``, their cosines and solid angles."""
    return _zone(_WINDOW_EDGE, 1.0)


def _zone(least: float, most: float) -> tuple[F64, F64, F64]:
    """Return directions whose cosines from the vertical lie between two, as `_window`."""
    node, weight = np.polynomial.legendre.leggauss(_FROM_MIDDLE)
    cosine = np.repeat(least + 0.5 * (most - least) * (node + 1.0), _AROUND)
    solid = np.repeat(0.5 * (most - least) * weight, _AROUND) * (2.0 * math.pi / _AROUND)
    around = np.tile(2.0 * math.pi * (np.arange(_AROUND) + 0.5) / _AROUND, _FROM_MIDDLE)
    sine = np.sqrt(1.0 - cosine**2)
    return np.stack([sine * np.cos(around), sine * np.sin(around), cosine]), cosine, solid


def _sky_radiance(path: LightPath, cosine: F64) -> F64:
    """Return what is left at the lens of an even sky's light from directions of a cosine, ``(K, n)``.

    Per irradiance of 1 on the sea; what was turned by little is still in it.
    """
    bands = path.bands
    lost = bands.absorption + bands.scattering * scattered_beyond(_TURNED_DEG)
    sky = (1.0 - path.surface_sun_share) * SURFACE_INDEX**2 / math.pi
    return np.asarray(sky * np.exp(-lost[:, None] * path.camera_depth_m / cosine), np.float64)
