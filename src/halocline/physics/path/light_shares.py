"""What the light that water throws into view rays is made of: shares of it that things can keep away.

Of the source of the veil, at the lens: what comes from the sun's side, and what comes from above, out of the
directions of Snell's window, be it the sky's light turned by little or light that was scattered about. The
rest comes from the side and from below.
"""

from __future__ import annotations

import math
from dataclasses import replace

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
# How near to none a part ends, without a kink.
_NONE = 0.02
# No less of the daylight, as a logarithm, is told from none.
_DARKEST = -600.0
# Heights of the view for which the window is summed up, and directions in it: from its middle, and around on
# one side of the view's own plane. Those on the other side are their mirror images.
_HEIGHTS, _FROM_MIDDLE, _AROUND = 97, 24, 32
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
    once, whole, of_sky, from_sun = _sides(path, mu, cos_sun)
    heights, window, near = _through_the_window(path)
    place = np.asarray(mu, np.float64)
    column = (-1, *(1,) * mu.ndim)
    # Where all is dark it has no shares; none must be no number.
    left = np.exp(np.maximum(path.water.daylight().log_downward(path.camera_depth_m), _DARKEST))
    lit = path.veil_strength * path.bands.scattering / left
    straight = lit.reshape(column) * np.stack([np.interp(place, heights, row) for row in window])
    from_window = of_sky - of_sky * _not_below_none(1.0 - straight / np.maximum(of_sky, 1e-30))
    # What was scattered about comes from above as well: a thing overhead keeps that from its shade, too.
    above = np.stack([np.interp(place, heights, row) for row in _scattered_from_above(path, heights)])
    from_above = from_window + (whole - from_sun - from_window) * above
    times = -np.log(np.clip(once / np.maximum(from_sun, 1e-30), 1e-6, 1.0)).mean(axis=0)
    shares = (
        from_sun / whole,
        from_above / whole,
        np.interp(place, heights, near),
        _sun_ahead(cos_sun),
        _sun_ahead(cos_sun, _BESIDE_DEG),
        times,
        np.arccos(np.clip(-cos_sun, -1.0, 1.0)) / lobe_rad(path.bands.asymmetry),
    )
    return LightShares(*(np.asarray(share, np.float32) for share in shares))


def sun_share(path: LightPath, mu: F32, cos_sun: F32) -> F32:
    """Return what of the source of the veil comes from the sun's side along rays; see `LightShares.sun`.

    Parameters
    ----------
    path, mu, cos_sun
        As `light_shares` takes them.

    Returns
    -------
    F32
        ``(K, *shape)``, 0 to 1.
    """
    _, whole, _, from_sun = _sides(path, mu, cos_sun)
    return np.asarray(from_sun / whole, np.float32)


def _sides(path: LightPath, mu: F32, cos_sun: F32) -> tuple[F32, F64, F64, F64]:
    """Return of the source the sun's light scattered once, all, the sky's and that of the sun's side."""
    found = path.veil_rays().sources(mu, cos_sun)
    whole = np.maximum(found.once + found.source, np.float32(1e-30)).astype(np.float64)
    of_sky = np.minimum(_sky_alone(path, mu), whole)
    of_sun = np.maximum(whole - of_sky, 1e-30)
    from_sun = np.maximum(of_sun - _suns_from_aside(path, mu, cos_sun, of_sun, of_sky), 0.0)
    return found.once, whole, of_sky, from_sun


def _suns_from_aside(path: LightPath, mu: F32, cos_sun: F32, of_sun: F64, of_sky: F64) -> F64:
    """Return the source of the sun's light that comes from elsewhere than its side, ``(K, *shape)``.

    It is what one lobe about the sun does not hold. About the sun, whose glow has a core that no one lobe
    has, it is what a view as high away from the sun has beside that lobe: such light lies about the vertical.
    """
    beside = _beside_the_lobe(path, cos_sun, of_sun)
    sun_cosine = np.float32(-path.sun_travel @ path.up)
    sun_sine = np.float32(math.sqrt(max(0.0, 1.0 - float(sun_cosine) ** 2)))
    across = np.sqrt(np.maximum(np.float32(1.0) - mu * mu, np.float32(0.0)))
    cos_away = mu * sun_cosine + across * sun_sine
    away = path.veil_rays().sources(mu, cos_away)
    about = _beside_the_lobe(path, cos_away, np.maximum(away.once + away.source - of_sky, 1e-30))
    # Farther off than about the sun that has been turned far, and comes from all around what stands in the
    # beam: there the lobe alone takes what photons find to be taken.
    near_sun = np.maximum(-cos_sun, np.float32(0.0)) ** 4
    return np.asarray(beside + near_sun * (about - beside), np.float64)


def _beside_the_lobe(path: LightPath, cos_sun: F32, of_sun: F64) -> F64:
    """Return of a source of the sun's light what one lobe about the sun does not hold, ``(K, *shape)``."""
    bands, y, solved = path.bands, path.camera_depth_m, path.water.daylight()
    column = (-1, *(1,) * cos_sun.ndim)
    own = path.molecular_share.reshape(column)
    # Light seen from a direction travels against it. What the water has turned before widens the lobe about
    # the sun, and adds nothing to its tail: shares at right angles are those of paths traced below a slab.
    particles = henyey_greenstein(-cos_sun, bands.asymmetry)
    wider = henyey_greenstein(-cos_sun, path.sun_asymmetry) - particles
    near_sun = np.maximum(-cos_sun, np.float32(0.0)) ** 4
    turned = (1.0 - own) * (particles + wider * near_sun) + own * molecular_phase(cos_sun.astype(np.float64))
    about = path.sun_side(y) * np.exp(solved.log_scalar(y) - solved.log_downward(y))
    lobe = (path.veil_strength * bands.scattering * about).reshape(column) * turned
    return of_sun * _not_below_none(1.0 - lobe / of_sun)


def _not_below_none(part: F64) -> F64:
    """Return parts that are left, little where there would be less than none: without a kink at none."""
    return np.asarray(0.5 * (part + np.sqrt(part**2 + 4.0 * _NONE**2)), np.float64)


def _sky_alone(path: LightPath, mu: F32) -> F64:
    """Return the source of the sky's light, however often it was scattered, ``(K, *shape)``."""
    share, alone = _under_sky(path)
    y, under, both = path.reference_depth_m, alone.water.daylight(), path.water.daylight()
    # Each is told relative to its own light at the reference depth.
    fall = np.exp(under.log_downward(y) - both.log_downward(y)).reshape(-1, *(1,) * mu.ndim)
    found = alone.veil_rays().sources(mu, np.zeros_like(mu))
    return np.asarray(share * fall * (found.once + found.source), np.float64)


def _under_sky(path: LightPath) -> tuple[float, LightPath]:
    """Return the sky's share of the light on the sea, and the same water under a sky as bright as both.

    A water's light is the sum of the sun's and the sky's, each solved by itself.
    """
    return 1.0 - path.surface_sun_share, replace(path, surface_sun_share=0.0)


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


def scattered_about(path: LightPath) -> tuple[float, float, float]:
    """Return how far off light was lit that has been scattered about at the lens, and by what.

    Parameters
    ----------
    path
        The water and its light.

    Returns
    -------
    tuple[float, float, float]
        Within so many metres half of it: ln 2 over a + (1 - g) b, for after 1 / ((1 - g) b) light has lost
        its direction; and the shares of scalar daylight that are the sun's and the sky's through Snell's
        window, 0 to 1: the rest has been scattered about before. Means of the bands, the first as bright as
        they are.
    """
    bands, y = path.bands, path.camera_depth_m
    lost = bands.absorption + (1.0 - bands.asymmetry) * bands.scattering
    weights = np.maximum(path.scalar_daylight(y), 1e-30)
    metres = math.log(2.0) / max(float(np.average(lost, weights=weights)), 1e-6)
    suns = float(path.sun_side(y).mean())
    return metres, suns, (1.0 - suns) * sky_share_of_scalar(path)


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
    """Return directions whose cosines from the vertical lie between two, as `_window`.

    Those with y above 0, for views with none, and with the solid angles of both sides.
    """
    node, weight = np.polynomial.legendre.leggauss(_FROM_MIDDLE)
    cosine = np.repeat(least + 0.5 * (most - least) * (node + 1.0), _AROUND)
    solid = np.repeat(0.5 * (most - least) * weight, _AROUND) * (2.0 * math.pi / _AROUND)
    around = np.tile(math.pi * (np.arange(_AROUND) + 0.5) / _AROUND, _FROM_MIDDLE)
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
