"""Classes of suspended matter, where the water has carried them, and how one exposure sees them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F64
from halocline.physics.exposure import Exposure
from halocline.physics.flow import STILL, Current, Turbulence, Wake, WorldDrift
from halocline.physics.lamps import Lamp
from halocline.physics.particle_field import (
    Particles,
    Patchiness,
    ViewVolume,
    aggregate_parts,
    particles_in_view,
    tumble,
)
from halocline.physics.particle_light import Haze, SightLine, lit, transmitted, veil_before
from halocline.physics.particles import DrawLimits, PowerLaw, haze_cross_section, smooth_step
from halocline.physics.splat import Discs, Sprites, Textures
from halocline.physics.transport import LightPath

# A class is cut into slices of this ratio of diameters; all of a slice sinks alike and shares a lattice.
_SLICE_RATIO = 1.4143
# An aggregate is drawn lump by lump from this diameter on its picture, pixels; below, as one disc.
_LUMPS_FROM_PX = 2.5
_LUMPS = 9
# Marine snow has no sharp outline.
_FLUFF = 0.5
# A picture card is turned out of the picture's plane by no more than this.
_MOST_TILT_RAD = 1.2
# A card is drawn as a card where it is this many pixels, or blur radii, across; below, as a disc.
_CARD_FROM_PX = 4.0
_CARD_FROM_BLURS = 1.0
_RESTING = WorldDrift(np.zeros(1), np.zeros((1, 3)), np.zeros((1, 3)))


@dataclass(frozen=True)
class ParticleClass:
    """One kind of suspended matter.

    Attributes
    ----------
    name
        Its identity: keys its random numbers.
    sizes
        Diameters and number per m3.
    patches
        Clumping.
    sinking_m_s
        Sinking speed at each of ``sizes.slices``; negative rises.
    opacity
        Of its middle, 0 to 1.
    albedo
        Scattered share of the light that meets it, ``(K,)``.
    asymmetry
        g of that scattering.
    irregular
        Whether it is drawn as an irregular clump of lumps.
    turns_per_s
        Mean rate of tumbling.
    variation
        Spread of brightness from particle to particle, 0 to 1.
    cards
        Pictures to draw it with, instead of discs.
    """

    name: str
    sizes: PowerLaw
    patches: Patchiness
    sinking_m_s: tuple[float, ...]
    opacity: float
    albedo: F64
    asymmetry: float
    irregular: bool = False
    turns_per_s: float = 0.02
    variation: float = 0.4
    cards: Textures | None = None

    @cached_property
    def slices(self) -> tuple[PowerLaw, ...]:
        """The sizes, cut up; one sinking speed each."""
        return self.sizes.slices(ratio=_SLICE_RATIO)


def slice_diameters(sizes: PowerLaw) -> tuple[float, ...]:
    """Return the middle diameter of each slice into which a class of these sizes is cut, metres."""
    pieces = sizes.slices(ratio=_SLICE_RATIO)
    return tuple(math.sqrt(piece.smallest_m * piece.largest_m) for piece in pieces)


@dataclass(frozen=True)
class Motion:
    """All that carries suspended matter. Current, turbulence and wakes are in the environment's frame."""

    current: Current = field(default_factory=Current)
    turbulence: Turbulence = STILL
    wakes: tuple[Wake, ...] = ()
    drift: WorldDrift = _RESTING

    @cached_property
    def farthest_m(self) -> float:
        """How far a particle may be from where the lattice has it."""
        return self.turbulence.farthest_m + sum(wake.farthest_m for wake in self.wakes)

    def lattice_shift(self, sinking_m_s: float, up: F64, time_s: float) -> F64:
        """Return where a lattice has gone since time 0, ``(3,)``, in the environment's frame."""
        return self.current.displacement(time_s) - up * (sinking_m_s * time_s)

    def world_positions(self, home_m: F64, sinking_m_s: float, up: F64, time_s: float) -> F64:
        """Return where particles are in the world at a time, ``(n, 3)``."""
        # Eddies drift with the current; particles sink through them.
        falling = home_m - up * (sinking_m_s * time_s)
        place = home_m + self.lattice_shift(sinking_m_s, up, time_s)
        place = place + self.turbulence.displacement(falling, time_s)
        stirred = [wake.displacement(place, time_s) for wake in self.wakes]
        for displacement in stirred:
            place = place + displacement
        turn, shift = self.drift.at(time_s)
        columns = [place @ row + offset for row, offset in zip(turn, shift, strict=True)]
        return np.stack(columns, axis=1)


@dataclass(frozen=True)
class Scene:
    """What light there is: the water's path, lamps, and how much lamp haze the picture has."""

    path: LightPath
    lamps: tuple[Lamp, ...] = ()
    lamp_haze: float = 1.0


@dataclass(frozen=True)
class Cloud:
    """Visible particles of one slice: positions as the shutter opens, half way and closes, world metres."""

    particles: Particles
    opened_m: F64
    middle_m: F64
    closed_m: F64

    def __len__(self) -> int:
        return len(self.particles)

    def select(self, which: NDArray[np.bool_] | NDArray[np.int64]) -> Cloud:
        """Return the particles of a mask or an index array."""
        return Cloud(
            self.particles.select(which), self.opened_m[which], self.middle_m[which], self.closed_m[which]
        )


@dataclass(frozen=True)
class Seen:
    """Particles ready to be drawn."""

    discs: tuple[Discs, ...] = ()
    sprites: tuple[Sprites, ...] = ()


def affordable(
    classes: Sequence[ParticleClass], limits: DrawLimits, solid_angle: float, most: int
) -> DrawLimits:
    """Return drawing limits under which no more than about ``most`` particles are in view.

    The smallest angle drawn is raised as needed. It follows from densities, sizes and the lens only, not from
    what a frame happens to hold, so it does not jump from frame to frame.
    """
    for _ in range(6):
        expected = sum(_expected(piece, limits, solid_angle) for kind in classes for piece in kind.slices)
        if expected <= most:
            break
        # Slices that the angle limits hold a number ~ angle^-3.
        raised = limits.smallest_angle_rad * max(1.02, (expected / most) ** (1.0 / 3.0))
        limits = replace(limits, smallest_angle_rad=raised)
    return limits


def _expected(sizes: PowerLaw, limits: DrawLimits, solid_angle: float) -> float:
    """Return the expected number in view: the integral of density times volume over diameters."""
    diameter = np.geomspace(sizes.smallest_m, sizes.largest_m, 9)
    reach = np.minimum(limits.farthest_m, diameter / limits.smallest_angle_rad)
    count = sizes.density(diameter) * solid_angle / 3.0 * reach**3
    return float(np.trapezoid(count, diameter))


def visible(
    kind: ParticleClass,
    index: int,
    seed: int,
    motion: Motion,
    limits: DrawLimits,
    exposure: Exposure,
    up: F64,
) -> Cloud:
    """Return the particles of one slice of a class that an exposure may see.

    Parameters
    ----------
    kind, index
        The class and which of its slices.
    seed
        The sequence's seed.
    motion, limits, exposure, up
        What carries them, which are drawn, who looks, and the vertical of the environment.
    """
    opened, middle, closed = exposure.times_s
    sinking = kind.sinking_m_s[index]
    name = f"{kind.name} {index}"
    rotation, position = motion.drift.into_field(exposure.middle.rotation, exposure.middle.position_m, middle)
    position = position - motion.lattice_shift(sinking, up, middle)
    view: ViewVolume = exposure.view(
        rotation, position, farthest_m=limits.farthest_m, margin_m=motion.farthest_m
    )
    particles = particles_in_view(seed, name, kind.slices[index], kind.patches, view, limits)
    return Cloud(
        particles,
        *(motion.world_positions(particles.home_m, sinking, up, time) for time in (opened, middle, closed)),
    )


def seen(cloud: Cloud, kind: ParticleClass, limits: DrawLimits, exposure: Exposure, scene: Scene) -> Seen:
    """Return a cloud as discs and cards with the light that they send to the lens."""
    lens_m = exposure.middle.position_m
    sight = SightLine.to(cloud.middle_m, lens_m, scene.path)
    share = limits.share(cloud.particles.diameter_m, sight.range_m)
    kept = np.flatnonzero(share > 0.0)
    cloud, share = cloud.select(kept), share[kept]
    sight = SightLine.to(cloud.middle_m, lens_m, scene.path)
    tone = 1.0 + kind.variation * (2.0 * cloud.particles.shares()[2] - 1.0)
    light = lit(scene.path, scene.lamps, sight, lens_m, albedo=kind.albedo, asymmetry=kind.asymmetry)
    shown = Shown(
        cloud.opened_m,
        cloud.closed_m,
        cloud.particles.diameter_m,
        sight.range_m,
        share * kind.opacity,
        light * transmitted(scene.path, sight) * tone[:, None],
        veil_before(scene.path, scene.lamps, sight, lens_m, lamp_haze=scene.lamp_haze),
    )
    if kind.cards is not None:
        which = (cloud.particles.words[0] % np.uint32(kind.cards.count)).astype(np.int64)
        axes = _card_axes(cloud.particles.shares(), shown.size_px(exposure), kind, exposure.times_s[1])
        return as_cards(shown, axes, which, kind.cards, exposure)
    if kind.irregular:
        return _as_lumps(shown, cloud.particles, kind, exposure)
    return Seen(discs=(as_discs(shown, exposure),))


@dataclass(frozen=True)
class Shown:
    """Things to be drawn, ``(n, ...)`` each.

    Attributes
    ----------
    opened_m, closed_m
        ``(n, 3)`` world positions as the shutter opens and closes.
    diameter_m, range_m, opacity
        ``(n,)``.
    light, veil
        ``(n, K)`` own light at the lens, and that of the water in front.
    """

    opened_m: F64
    closed_m: F64
    diameter_m: F64
    range_m: F64
    opacity: F64
    light: F64
    veil: F64

    def select(self, which: NDArray[np.bool_]) -> Shown:
        """Return the things of a mask."""
        return Shown(
            self.opened_m[which],
            self.closed_m[which],
            self.diameter_m[which],
            self.range_m[which],
            self.opacity[which],
            self.light[which],
            self.veil[which],
        )

    def size_px(self, exposure: Exposure) -> F64:
        """Return their sharp diameters in pixels."""
        return self.diameter_m * exposure.px_per_radian / np.maximum(self.range_m, 1e-6)


def as_discs(shown: Shown, exposure: Exposure, *, edge_softness: float = 0.0) -> Discs:
    """Return things as discs through the lens."""
    return exposure.discs(
        shown.opened_m,
        shown.closed_m,
        range_m=shown.range_m,
        diameter_m=shown.diameter_m,
        opacity=shown.opacity,
        light=shown.light + shown.veil,
        edge_softness=edge_softness,
    )


def as_cards(
    shown: Shown, axes_px: F64, which: NDArray[np.int64], cards: Textures, exposure: Exposure
) -> Seen:
    """Return things as pictures, fading into discs of the same area where they are too small to be read.

    Parameters
    ----------
    shown
        The things; their light multiplies the pictures'.
    axes_px
        Half axes of the pictures, ``(n, 2, 2)``, see `Sprites`.
    which, cards
        Pictures, and which of them each has.
    exposure
        Shutter and lens.
    """
    start, end, depth = exposure.streaks(shown.opened_m, shown.closed_m)
    size = shown.size_px(exposure)
    blur = exposure.lens.blur_radius_px(np.maximum(depth, 1e-6))
    drawn = smooth_step((size - _CARD_FROM_PX) / _CARD_FROM_PX)
    drawn *= smooth_step(2.0 - blur / np.maximum(_CARD_FROM_BLURS * size, 1e-9))
    whole = np.isfinite(start).all(axis=1) & np.isfinite(end).all(axis=1) & (depth > 0.0)
    # The coarsest texel is the mean of the picture: its cover, and its light times that.
    mean = cards.levels[-1][:, 0, 0].astype(np.float64)[which]
    area = np.abs(np.linalg.det(axes_px)) / np.maximum((0.5 * size) ** 2, 1e-12)
    # A square of side d covers 4/pi of a disc of that diameter.
    as_disc = replace(
        shown,
        opacity=np.minimum(shown.opacity * (1.0 - drawn) * mean[:, -1] * area * 4.0 / math.pi, 1.0),
        light=shown.light * mean[:, :-1] / np.maximum(mean[:, -1:], 1e-6),
    )
    discs = as_discs(as_disc.select((drawn < 1.0) & whole), exposure)
    chosen = np.flatnonzero((drawn > 0.0) & whole)
    sprites = Sprites(
        start[chosen],
        end[chosen],
        axes_px[chosen],
        blur[chosen],
        which[chosen],
        (shown.opacity * drawn)[chosen],
        shown.light[chosen],
        shown.veil[chosen],
        shown.range_m[chosen],
        shown.diameter_m[chosen],
        cards,
    )
    return Seen(discs=(discs,), sprites=(sprites,))


def _as_lumps(shown: Shown, particles: Particles, kind: ParticleClass, exposure: Exposure) -> Seen:
    """Return small aggregates as discs and large ones lump by lump; both have the same area."""
    large = shown.size_px(exposure) > _LUMPS_FROM_PX
    small = as_discs(shown.select(~large), exposure, edge_softness=_FLUFF)
    if not large.any():
        return Seen(discs=(small,))
    clumps, particles = shown.select(large), particles.select(large)
    offset, diameter = aggregate_parts(particles, parts=_LUMPS)
    opened, _, closed = (
        tumble(offset, particles.words, time, turns_per_s=kind.turns_per_s) for time in exposure.times_s
    )
    lumps = Shown(
        (clumps.opened_m[:, None, :] + opened).reshape(-1, 3),
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


def haze_of(
    classes: Sequence[ParticleClass], limits: DrawLimits, path: LightPath, *, strength: float = 1.0
) -> Haze | None:
    """Return all that is not drawn one by one, or nothing where that is less than a thousandth.

    The onset of the haze is one length R for all: the one that keeps the light of the true onset in water of
    the mean attenuation. ``strength`` multiplies it as a whole.
    """
    rate = float(path.beam_rate.mean())
    farthest = 6.0 / max(rate, 6.0 / 200.0)
    ranges = np.linspace(0.0, farthest, 400)
    decay = np.exp(-rate * ranges)
    total, missing = 0.0, 0.0
    scattering = np.zeros(path.bands.count)
    lobes = []
    for kind in classes:
        hidden = kind.opacity * haze_cross_section(kind.sizes, limits, ranges)
        whole = kind.opacity * kind.sizes.cross_section()
        total += whole
        missing += float(np.trapezoid((whole - hidden) * decay, ranges))
        scattering += whole * kind.albedo
        lobes.append((kind.asymmetry, whole * float(kind.albedo.mean())))
    # The light it adds, against that of the water itself, over a whole view.
    if total * float(np.trapezoid(decay, ranges)) < 1e-3:
        return None
    bright = sum(share for _, share in lobes)
    if bright <= 0.0:
        return None
    # int (1 - e^(-r/R)) e^(-c r) dr = 1/c - 1/(c + 1/R): what is missing is B/(c + 1/R).
    onset = missing / max(total - rate * missing, 1e-9)
    return Haze(
        scattering=strength * scattering,
        blocking=strength * total,
        onset_m=float(onset),
        lobes=tuple((asymmetry, share / bright) for asymmetry, share in lobes),
    )
