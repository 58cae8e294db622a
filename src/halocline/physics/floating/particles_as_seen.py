"""Suspended matter as one exposure sees it: discs, clumps of lumps, and pictures, lit and veiled."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F64
from halocline.compute.on_demand import OnDemand
from halocline.compute.places import indices_of
from halocline.filters.splat import Discs, Sprites, Textures, covered_px
from halocline.late_dataclass import dataclass
from halocline.physics.floating.exposure import Exposure, Ways
from halocline.physics.floating.field import Particles, aggregate_parts, tumble
from halocline.physics.floating.haze import Haze
from halocline.physics.floating.haze_clouds import HazeClouds
from halocline.physics.floating.light import SightLine, lamp_haze_before, lit, transmitted, veil_before
from halocline.physics.floating.particles import DrawLimits, smooth_step
from halocline.physics.floating.scene_shade import SceneShade
from halocline.physics.floating.shapes import ShapeKind, side_of
from halocline.physics.floating.suspended import Cloud, ParticleClass
from halocline.physics.path.lamps import Lamp
from halocline.physics.path.scatterers import Scatterers
from halocline.physics.path.transport import LightPath

special = OnDemand("scipy.special")

# An aggregate is one disc up to this diameter on its picture, pixels, and all lumps from twice that.
_LUMPS_FROM_PX = 2.0
# So far out of focus (radius of the blur over its diameter) its lumps begin to run into one; at twice of it
# they have.
_LUMPS_TO_BLURS = 2.0
_LUMPS = 9
# Marine snow has no sharp outline.
_FLUFF = 0.5
# A picture card is turned out of the picture's plane by no more than this.
_MOST_TILT_RAD = 1.2
# A card is drawn as a card where it is this many pixels, or blur radii, across; below, as a disc.
_CARD_FROM_PX = 4.0
_CARD_FROM_BLURS = 1.0
# Smeared over more of its own widths than this it can no longer be read; at twice as many a disc is drawn.
_CARD_TO_WAYS = 2.0
# No particle reaches farther than this from its middle, in diameters of a disc that covers as much: the
# corner of a fibre's picture, which is the widest, lies 4.1 of them off.
_REACH_DIAMETERS = 4.5
# A glint is this sharp: half as bright 15 degrees off, a twelfth of all turns wide.
_GLINT_SHARPNESS = 20.0


@dataclass(frozen=True)
class Scene:
    """What light there is.

    Attributes
    ----------
    path, lamps
        Daylight and water; lamps.
    lamp_haze
        How much of the lamps' haze the picture has, 1 is physical.
    haze, clouds
        What is not drawn one by one: it lies before what is drawn, too.
    sun_gain
        Caustics: what the sun's beam is multiplied with at world points ``(n, 3)``, ``(n, K)``.
    lit_by_lamps
        The same that is not drawn, as lamps light it.
    shade
        What things leave of daylight.
    unhidden
        Share that turbid bodies leave of things at world points ``(n, 3)``, ``(n,)``.
    """

    path: LightPath
    lamps: tuple[Lamp, ...] = ()
    lamp_haze: float = 1.0
    haze: Haze | None = None
    clouds: HazeClouds | None = None
    sun_gain: Callable[[F64], F64] | None = None
    lit_by_lamps: Scatterers | None = None
    shade: SceneShade | None = None
    unhidden: Callable[[F64], F64] | None = None

    def shown(self, opacity: F64, places_m: F64) -> F64:
        """Return what things at world points ``(n, 3)`` cover, ``(n,)``, of what they would alone."""
        return opacity if self.unhidden is None else opacity * self.unhidden(places_m)


@dataclass(frozen=True)
class Seen:
    """Particles ready to be drawn.

    Attributes
    ----------
    discs
        Round things.
    sprites
        Things that are pictures.
    """

    discs: tuple[Discs, ...] = ()
    sprites: tuple[Sprites, ...] = ()


def seen(cloud: Cloud, kind: ParticleClass, limits: DrawLimits, exposure: Exposure, scene: Scene) -> Seen:
    """Return a cloud as discs and cards with the light that they send to the lens.

    Parameters
    ----------
    cloud
        The particles.
    kind
        Their class.
    limits
        Which of them are drawn one by one.
    exposure
        The lens while the shutter is open.
    scene
        What light there is.

    Returns
    -------
    Seen
        Those that are drawn at all, and may be seen in the picture, in the cloud's order.
    """
    lens_m = exposure.middle.position_m
    sight = SightLine.to(cloud.middle_m, lens_m, scene.path)
    share = limits.share(cloud.particles.diameter_m, sight.range_m)
    shown_at_all = exposure.may_show(cloud, _REACH_DIAMETERS * cloud.particles.diameter_m)
    kept = np.flatnonzero((share > 0.0) & shown_at_all)
    cloud, share, sight = cloud.select(kept), share[kept], sight.select(kept)
    shares = cloud.particles.shares()
    tone = 1.0 + kind.variation * (2.0 * shares[2] - 1.0)
    tone *= glints(shares, kind, exposure.times_s[1])
    left = None if scene.shade is None else scene.shade.light(cloud.middle_m)
    light = lit(
        scene.path,
        scene.lamps,
        sight,
        lens_m,
        albedo=kind.albedo,
        asymmetry=kind.asymmetry,
        sun_gain=None if scene.sun_gain is None else scene.sun_gain(cloud.middle_m),
        left=left,
    )
    light, veil = at_the_lens(light * tone[:, None], sight, cloud.middle_m, exposure, scene)
    shown = Shown(
        cloud.opened_m,
        cloud.middle_m,
        cloud.closed_m,
        cloud.particles.diameter_m,
        sight.range_m,
        scene.shown(share * kind.opacity * cloud.particles.presence, cloud.middle_m),
        light,
        veil,
    )
    if kind.cards is not None:
        which = (cloud.particles.words[0] % np.uint32(kind.cards.count)).astype(np.int64)
        pictured = Pictured.of(shown, exposure)
        axes = _card_axes(shares, kind.card_side * pictured.size_px, kind, exposure.times_s[1])

        def lumps(small: Pictured, chosen: NDArray[np.int64]) -> Seen:
            return _as_lumps(small, cloud.particles.select(chosen), kind, exposure)

        return as_cards(pictured, axes, which, kind.cards, exposure, lumps if kind.irregular else None)
    if kind.irregular:
        return _as_lumps(Pictured.of(shown, exposure), cloud.particles, kind, exposure)
    return Seen(discs=(as_discs(shown, exposure),))


def glints(shares: F64, kind: ParticleClass, time_s: float) -> F64:
    """Return what tumbling makes of each particle's light, ``(n,)``; its mean over all turns is 1.

    A flat thing sends a glint once a turn: exp(k (cos turn - 1)) over its mean exp(-k) I0(k).

    Parameters
    ----------
    shares
        Three numbers a particle, 0 to 1, ``(3, n)``.
    kind, time_s
        The class, and when.
    """
    if kind.glints == 0.0:
        return np.ones(shares.shape[1])
    turn = 2.0 * math.pi * (shares[0] + 2.0 * shares[1] * kind.turns_per_s * time_s)
    sharp = np.exp(_GLINT_SHARPNESS * (np.cos(turn) - 1.0)) / special.i0e(_GLINT_SHARPNESS)
    return np.asarray(1.0 - kind.glints + kind.glints * sharp)


def at_the_lens(
    light: F64, sight: SightLine, place_m: F64, exposure: Exposure, scene: Scene
) -> tuple[F64, F64]:
    """Return what of things' light reaches the lens, and what water and haze before them add, ``(n, K)``."""
    lens_m = exposure.middle.position_m
    light = light * transmitted(scene.path, sight)
    pixels = np.nan_to_num(exposure.middle.project(place_m)[0])
    left = None if scene.shade is None else scene.shade.veil(pixels, sight.range_m)
    veil = veil_before(scene.path, scene.lamps, sight, lens_m, lamp_haze=scene.lamp_haze, left=left)
    if scene.haze is None:
        return light, veil
    density = None
    if scene.clouds is not None:
        density = scene.clouds.ratio_at(pixels, sight.range_m).astype(np.float32)
    added, surface_share, veil_share = scene.haze.over(
        scene.path,
        sight.range_m.astype(np.float32),
        sight.downward.astype(np.float32),
        sight.sun_cosine.astype(np.float32),
        density,
    )
    by_day = added.T if left is None else added.T * left
    veil = veil * veil_share[:, None] + by_day
    if scene.lit_by_lamps is not None:
        veil += lamp_haze_before(scene.path, scene.lamps, sight, lens_m, scene.lit_by_lamps)
    return light * surface_share[:, None], veil


@dataclass(frozen=True)
class Shown:
    """Things to be drawn, ``(n, ...)`` each.

    Attributes
    ----------
    opened_m, middle_m, closed_m
        ``(n, 3)`` world positions as the shutter opens, half way, and as it closes.
    diameter_m, range_m, opacity
        ``(n,)``.
    light, veil
        ``(n, K)`` own light at the lens, and that of the water in front.
    """

    opened_m: F64
    middle_m: F64
    closed_m: F64
    diameter_m: F64
    range_m: F64
    opacity: F64
    light: F64
    veil: F64

    def select(self, which: NDArray[np.bool_] | NDArray[np.int64]) -> Shown:
        """Return the things of a mask or an index array."""
        these = indices_of(which)
        return Shown(
            self.opened_m.take(these, axis=0),
            self.middle_m.take(these, axis=0),
            self.closed_m.take(these, axis=0),
            self.diameter_m.take(these),
            self.range_m.take(these),
            self.opacity.take(these),
            self.light.take(these, axis=0),
            self.veil.take(these, axis=0),
        )

    def size_px(self, exposure: Exposure) -> F64:
        """Return their sharp diameters in pixels: of a disc as large as a ball's stretched picture."""
        _, depth = exposure.middle.project(0.5 * (self.opened_m + self.closed_m))
        stretched = self.range_m / np.where(depth > 1e-6, depth, np.inf)
        # Behind the lens there is no picture, but a size.
        stretched = np.maximum(stretched, 1.0) ** 1.5
        return np.asarray(
            self.diameter_m * exposure.px_per_radian / np.maximum(self.range_m, 1e-6) * stretched
        )


@dataclass(frozen=True)
class Pictured:
    """Things, their ways over the picture, and how large they are there.

    Attributes
    ----------
    shown, ways
        The things, and where they are seen.
    size_px
        ``(n,)``, see `Shown.size_px`.
    """

    shown: Shown
    ways: Ways
    size_px: F64

    @classmethod
    def of(cls, shown: Shown, exposure: Exposure) -> Pictured:
        """Return things as an exposure sees them."""
        return cls(shown, exposure.ways(shown), shown.size_px(exposure))


def as_discs(
    shown: Shown, exposure: Exposure, *, edge_softness: float = 0.0, ways: Ways | None = None
) -> Discs:
    """Return things as discs through the lens; their ways over the picture are found where not given."""
    return exposure.discs(
        shown,
        range_m=shown.range_m,
        diameter_m=shown.diameter_m,
        opacity=shown.opacity,
        light=shown.light + shown.veil,
        edge_softness=edge_softness,
        ways=ways,
    )


def as_cards(
    pictured: Pictured,
    axes_px: F64,
    which: NDArray[np.int64],
    cards: Textures,
    exposure: Exposure,
    rest: Callable[[Pictured, NDArray[np.int64]], Seen] | None = None,
) -> Seen:
    """Return things as pictures, fading into discs of the same area where they cannot be read.

    That is where they are small, out of focus, or smeared.

    Parameters
    ----------
    pictured
        The things; their light multiplies the pictures'.
    axes_px
        Half axes of the pictures, ``(n, 2, 2)``, see `Sprites`.
    which, cards
        Pictures, and which of them each has.
    exposure
        Shutter and lens.
    rest
        Draws those that are not or not wholly drawn as pictures, given them and which they are; discs where
        not given.
    """
    shown, ways, size = pictured.shown, pictured.ways, pictured.size_px
    blur = exposure.lens.blur_radius_px(np.maximum(ways.depth_m, 1e-6))
    # As wide as the picture, however it is tilted.
    wide = 2.0 * np.hypot(axes_px[:, 0, 0], axes_px[:, 1, 0])
    drawn = smooth_step((wide - _CARD_FROM_PX) / _CARD_FROM_PX)
    drawn *= smooth_step(2.0 - blur / np.maximum(_CARD_FROM_BLURS * wide, 1e-9))
    whole = ways.whole & (ways.depth_m > 0.0)
    along = ways.end_px - ways.start_px
    way = np.where(whole, np.hypot(along[:, 0], along[:, 1]), 0.0)
    drawn *= smooth_step(2.0 - way / np.maximum(_CARD_TO_WAYS * wide, 1e-9))
    # The coarsest texel is the mean of the picture: its cover, and its light times that.
    mean = cards.means[which]
    area = covered_px(axes_px) / np.maximum((0.5 * size) ** 2, 1e-12)
    # A square of side d covers 4/pi of a disc of that diameter.
    as_disc = replace(
        shown,
        opacity=shown.opacity * (1.0 - drawn) * mean[:, -1] * area * 4.0 / math.pi,
        light=shown.light * mean[:, :-1] / np.maximum(mean[:, -1:], 1e-6),
    )
    others = np.flatnonzero((drawn < 1.0) & whole)
    small = Pictured(as_disc.select(others), ways.select(others), size.take(others))
    left = rest or (lambda things, _: Seen(discs=(as_discs(things.shown, exposure, ways=things.ways),)))
    chosen = np.flatnonzero((drawn > 0.0) & whole)
    as_card, on_way = replace(shown, opacity=shown.opacity * drawn).select(chosen), ways.select(chosen)
    sprites = Sprites(
        on_way.start_px,
        on_way.end_px,
        axes_px.take(chosen, axis=0),
        blur[chosen],
        which[chosen],
        as_card.opacity,
        as_card.light,
        as_card.veil,
        as_card.range_m,
        as_card.diameter_m,
        cards,
        on_way.bend_px,
    )
    return replace(left(small, others), sprites=(sprites,))


def card_side(shape: ShapeKind) -> float:
    """Return the side of a shape's pictures over the diameter of a disc that covers as much.

    Parameters
    ----------
    shape
        Which.

    Returns
    -------
    float
        A ratio; the mean over all pictures and the ways in which they are turned out of the picture's plane.
    """
    # By so many even steps a mean around a circle is exact.
    turns = np.linspace(0.0, 2.0 * np.pi, 64, endpoint=False)
    return side_of(shape) / math.sqrt(np.cos(_MOST_TILT_RAD * np.sin(turns)).mean())


def _as_lumps(pictured: Pictured, particles: Particles, kind: ParticleClass, exposure: Exposure) -> Seen:
    """Return small or blurred aggregates as discs, others lump by lump, those between as some of both."""
    shown, size = pictured.shown, pictured.size_px
    blur = exposure.lens.blur_radius_px(np.maximum(shown.range_m, 1e-6))
    share = smooth_step(size / _LUMPS_FROM_PX - 1.0)
    share *= smooth_step(2.0 - blur / (_LUMPS_TO_BLURS * np.maximum(size, 1e-9)))
    whole, some = replace(shown, opacity=shown.opacity * (1.0 - share)), np.flatnonzero(share < 1.0)
    ways = pictured.ways.select(some)
    small = as_discs(whole.select(some), exposure, edge_softness=_FLUFF, ways=ways)
    large = np.flatnonzero(share > 0.0)
    if not large.size:
        return Seen(discs=(small,))
    clumps = replace(shown, opacity=shown.opacity * share).select(large)
    particles = particles.select(large)
    offset, diameter = aggregate_parts(particles, parts=_LUMPS)
    opened, middle, closed = (
        tumble(offset, particles.words, time, turns_per_s=kind.turns_per_s) for time in exposure.times_s
    )
    lumps = Shown(
        (clumps.opened_m[:, None, :] + opened).reshape(-1, 3),
        (clumps.middle_m[:, None, :] + middle).reshape(-1, 3),
        (clumps.closed_m[:, None, :] + closed).reshape(-1, 3),
        diameter.reshape(-1),
        *(
            np.repeat(values, _LUMPS, axis=0)
            for values in (clumps.range_m, clumps.opacity, clumps.light, clumps.veil)
        ),
    )
    return Seen(discs=(small, as_discs(lumps, exposure, edge_softness=_FLUFF)))


def _card_axes(shares: F64, size_px: F64, kind: ParticleClass, time_s: float) -> F64:
    """Return the half axes of cards in pixels, ``(n, 2, 2)``: turned in the picture and tilted out of it."""
    turn, rate, tilt = shares
    angle = 2.0 * math.pi * (turn + 2.0 * (rate - 0.5) * kind.turns_per_s * time_s)
    lean = _MOST_TILT_RAD * np.sin(2.0 * math.pi * (tilt + rate * kind.turns_per_s * time_s))
    cosine, sine, half = np.cos(angle), np.sin(angle), 0.5 * size_px
    right = np.stack([cosine, sine], axis=1) * half[:, None]
    down = np.stack([-sine, cosine], axis=1) * (half * np.cos(lean))[:, None]
    return np.stack([right, down], axis=2)
