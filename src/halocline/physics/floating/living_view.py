"""Living light as a lens sees it: points that glow, and what they light: the water about them, and surfaces.

Each particle is drawn as a point of light, attenuated and veiled as the water before it says. What is too
far to be drawn is a glow along the way. What a wake sets off lights its surroundings as a row of balls of
light along its track, each the mean of the cells in it: the water turns their light to the lens,

    L(s) = int_0^s b p(psi) I exp(-k r - c t) / (r^2 + rho^2) dt,

as it does a lamp's (`halocline.physics.path.lamps`), summed along coarse rays and looked up by pixel.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from halocline._typing import F32, F64
from halocline.late_dataclass import dataclass
from halocline.physics.floating.exposure import Exposure
from halocline.physics.floating.flow import Current
from halocline.physics.floating.light import SightLine
from halocline.physics.floating.living import ANSWERING, FORGET, Shutter, Stirred, StirringTrack
from halocline.physics.floating.particles import DrawLimits, PowerLaw, haze_cross_section
from halocline.physics.floating.particles_as_seen import Scene, Seen, Shown, as_discs, at_the_lens
from halocline.physics.floating.suspended import Cloud
from halocline.physics.path.lamps import Lamp, irradiance
from halocline.physics.path.scatterers import WATER_PHASE
from halocline.physics.path.transport import LightPath

# A cell that glows hides nothing: it is drawn this thin, and as much brighter.
_THIN = 0.01
# Fainter than this share of a flash's peak nothing is drawn.
_FAINTEST = 1e-4
# A wake is so many balls of light to each of the times in which it fades, and as many moments within each.
_BALLS, _MOMENTS = 4, 2
# Ranges at which glow is summed up, and attenuation lengths beyond which there is none.
_RANGES, _SIGHT_LENGTHS = 48, 6.0
_FARTHEST_M = 60.0
_ALL_ROUND_DEG, _EDGE_DEG = 180.0, 1.0


@dataclass(frozen=True)
class GlowBalls:
    """Balls of light.

    Attributes
    ----------
    places_m
        World metres, ``(n, 3)``.
    intensity
        Radiant intensity, alike all round, ``(n, K)``: irradiance at a metre, without water.
    radius_m
        ``(n,)``.
    """

    places_m: F64
    intensity: F64
    radius_m: F64

    def __len__(self) -> int:
        return len(self.radius_m)

    @classmethod
    def joined(cls, parts: Sequence[GlowBalls]) -> GlowBalls:
        """Return all of them; one part at least."""
        return cls(
            np.concatenate([part.places_m for part in parts]),
            np.concatenate([part.intensity for part in parts]),
            np.concatenate([part.radius_m for part in parts]),
        )

    def lamps(self) -> tuple[Lamp, ...]:
        """Return them as lamps that shine all round."""
        axis = np.array([0.0, 0.0, 1.0])
        return tuple(
            Lamp(place, axis, intensity, _ALL_ROUND_DEG, _EDGE_DEG, float(radius))
            for place, intensity, radius in zip(self.places_m, self.intensity, self.radius_m, strict=True)
        )

    def packed(self, lens_m: F64) -> F32:
        """Return them as the loops take them, counted from a lens, ``(n, 4 + K)``."""
        numbers = [self.places_m - lens_m, self.radius_m[:, None], self.intensity]
        return np.ascontiguousarray(np.concatenate(numbers, axis=1), np.float32)


def wake_balls(
    track: StirringTrack,
    stirred: Stirred,
    sizes: PowerLaw,
    radiance: F64,
    shutter: Shutter,
    current: Current,
) -> GlowBalls:
    """Return what a wake sets off, as balls of light along it.

    Parameters
    ----------
    track
        What stirs.
    stirred
        How particles answer it.
    sizes
        Their diameters, and number a cubic metre.
    radiance
        Of a particle at the peak of its flash, ``(K,)``.
    shutter
        When.
    current
        What carries the water.

    Returns
    -------
    GlowBalls
        Fixed to the clock: the newest grows from nothing, the oldest has faded.
    """
    now = shutter.middle_s
    piece = stirred.settle_s / _BALLS
    memory = FORGET * stirred.settle_s + stirred.flash.lasts_s
    first, last = max(float(track.times_s[0]), now - memory), min(float(track.times_s[-1]), now)
    none = GlowBalls(np.zeros((0, 3)), np.zeros((0, len(radiance))), np.zeros(0))
    if last <= first:
        return none
    inner = np.arange(math.floor(first / piece) + 1, math.ceil(last / piece)) * piece
    edges = np.concatenate([[first], inner, [last]])
    # An ordinary particle's area, times the radiance of its face, is what it sends to each side.
    per_m3 = ANSWERING * sizes.cross_section() * radiance
    share = np.arange(_MOMENTS + 1) / _MOMENTS
    times = edges[:-1, None] + np.diff(edges)[:, None] * share
    water = np.stack([track.swept_m3(each) for each in times])
    middle = 0.5 * (times[:, 1:] + times[:, :-1])
    bright = stirred.mean_brightness(shutter.opened_s - middle, shutter.closed_s - middle)
    power = water * bright
    total = power.sum(axis=1)
    lit = total > 0.0
    if not lit.any():
        return none
    nose, tail = track.at(middle[lit].reshape(-1))
    axis_m = (0.5 * (nose + tail)).reshape(-1, _MOMENTS, 3)
    weight = power[lit] / total[lit, None]
    place = (axis_m * weight[..., None]).sum(axis=1)
    carried = np.asarray(current.displacement(now)) - np.stack(
        [current.displacement(float(when)) for when in middle[lit].mean(axis=1)]
    )
    span = np.sqrt(((axis_m[:, -1] - axis_m[:, 0]) ** 2).sum(axis=1))
    length = np.sqrt(((nose - tail) ** 2).sum(axis=1)).reshape(-1, _MOMENTS).mean(axis=1)
    radius = np.hypot(track.reach_m, 0.3 * (span + length))
    return GlowBalls(place + carried, total[lit, None] * per_m3, radius)


@dataclass(frozen=True)
class GlowTable:
    """What glows along coarse view rays.

    Attributes
    ----------
    table
        Up to even steps of range, ``(K, rows, N, columns)``.
    per_metre
        Steps a metre.
    """

    table: F32
    per_metre: float


def glow_along(
    directions: F32,
    lens_m: F64,
    path: LightPath,
    balls: GlowBalls,
    unseen: Sequence[tuple[PowerLaw, DrawLimits, F64]] = (),
    unhidden: Callable[[F64], F64] | None = None,
) -> GlowTable | None:
    """Return the glow along view rays: light of balls that the water turns, and particles not drawn.

    Parameters
    ----------
    directions
        Unit, world, ``(3, rows, columns)``.
    lens_m
        Where they begin, ``(3,)``.
    path
        The water.
    balls
        What lights it.
    unseen
        Particles that glow everywhere: sizes, what of them is drawn, and their mean radiance ``(K,)``.
    unhidden
        Share that turbid bodies leave of what is at world points ``(n, 3)``, ``(n,)``.

    Returns
    -------
    GlowTable | None
        None where nothing glows.
    """
    if not len(balls) and not unseen:
        return None
    clearest = max(float(path.beam_rate.min()), 1e-3)
    reach = min(_FARTHEST_M, _SIGHT_LENGTHS / clearest)
    if len(balls) and not unseen:
        away = np.sqrt(((balls.places_m - lens_m) ** 2).sum(axis=1))
        reach = min(reach, float((away + 8.0 * balls.radius_m).max()))
    metres = np.linspace(0.0, reach, _RANGES + 1)
    kept = np.exp(-np.outer(path.beam_rate, path.remap.exact(metres))).astype(np.float32)
    rows, columns = directions.shape[1:]
    table = np.empty((path.bands.count, rows, len(metres), columns), np.float32)
    lamps = balls.lamps()
    own = np.zeros((path.bands.count, len(metres)))
    for sizes, limits, radiance in unseen:
        own += radiance[:, None] * haze_cross_section(sizes, limits, np.maximum(metres, 1e-6))
    scattering = path.bands.scattering.astype(np.float32)[:, None, None]
    for row in range(rows):
        points = directions[:, row, None, :] * metres.astype(np.float32)[None, :, None]
        source = np.repeat(own.astype(np.float32)[:, :, None], columns, axis=2)
        for lamp in lamps:
            offset = points + (lens_m - lamp.position_m).astype(np.float32)[:, None, None]
            distance = np.sqrt((offset * offset).sum(axis=0))
            back = -(offset * directions[:, row, None, :]).sum(axis=0)
            back /= np.maximum(distance, np.float32(1e-6))
            turned = irradiance(lamp, path.bands, offset)
            turned *= _phase(np.clip(back, np.float32(-1.0), np.float32(1.0)), distance, lamp.radius_m)
            turned *= scattering
            source += turned
        source *= kept[:, :, None]
        if unhidden is not None:
            places = lens_m + points.reshape(3, -1).T
            source *= unhidden(places).astype(np.float32).reshape(points.shape[1:])
        each = (source[:, 1:] + source[:, :-1]) * np.float32(0.5 * metres[1])
        table[:, row, 0] = 0.0
        np.cumsum(each, axis=1, out=table[:, row, 1:])
    return GlowTable(table, 1.0 / float(metres[1]))


def _phase(cos_psi: F32, distance_m: F32, radius_m: float) -> F32:
    """Return the water's phase function in the light of a ball, as wide as that looks from each place, 1/sr.

    From far away it is a point; from within, light comes from all sides. Its mean cosine at a distance r is
    about r / sqrt(r^2 + rho^2), by which those of the water's lobes are multiplied.
    """
    narrow = distance_m / np.sqrt(distance_m * distance_m + np.float32(radius_m * radius_m))
    share, forward, backward = WATER_PHASE
    total = np.zeros_like(cos_psi)
    for part, own in ((share, forward), (1.0 - share, backward)):
        g = narrow * np.float32(own)
        square = g * g
        base = np.float32(1.0) + square - np.float32(2.0) * g * cos_psi
        total += np.float32(part / (4.0 * math.pi)) * (np.float32(1.0) - square) / (base * np.sqrt(base))
    return total


def seen_glowing(
    cloud: Cloud,
    brightness: F64,
    radiance: F64,
    limits: DrawLimits,
    exposure: Exposure,
    scene: Scene,
) -> Seen:
    """Return particles as points of light.

    Parameters
    ----------
    cloud
        The particles.
    brightness
        Of each, over the peak of a flash, ``(n,)``.
    radiance
        At that peak, ``(K,)``.
    limits
        Which of them are drawn one by one.
    exposure
        The lens while the shutter is open.
    scene
        The water between.

    Returns
    -------
    Seen
        Those that glow, in the cloud's order.
    """
    lens_m = exposure.middle.position_m
    sight = SightLine.to(cloud.middle_m, lens_m, scene.path)
    share = limits.share(cloud.particles.diameter_m, sight.range_m)
    # None glows above the sea.
    kept = np.flatnonzero((share > 0.0) & (brightness > _FAINTEST) & (sight.depth_m > 0.0))
    cloud, share, bright = cloud.select(kept), share[kept], brightness[kept]
    sight = SightLine.to(cloud.middle_m, lens_m, scene.path)
    light, veil = at_the_lens((bright / _THIN)[:, None] * radiance, sight, cloud.middle_m, exposure, scene)
    shown = Shown(
        cloud.opened_m,
        cloud.middle_m,
        cloud.closed_m,
        cloud.particles.diameter_m,
        sight.range_m,
        scene.shown(_THIN * share * cloud.particles.presence, cloud.middle_m),
        light,
        veil,
    )
    return Seen(discs=(as_discs(shown, exposure, edge_softness=0.5),))
