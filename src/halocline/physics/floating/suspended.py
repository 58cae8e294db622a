"""Classes of suspended matter, and where the water has carried it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F64
from halocline.compute.places import indices_of
from halocline.filters.splat import Textures
from halocline.late_dataclass import dataclass
from halocline.physics.floating.exposure import Exposure
from halocline.physics.floating.field import Particles, Patchiness, Region, particles_in_view
from halocline.physics.floating.flow import STILL, Current, TurbulentFlow, Wake, WorldDrift
from halocline.physics.floating.particles import DrawLimits, PowerLaw

# A class is cut into slices of this ratio of diameters; all of a slice sinks alike and shares a lattice.
_SLICE_RATIO = 1.4143
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
        Whether it is drawn as an irregular clump of lumps where it is not drawn with a picture.
    turns_per_s
        Mean rate of tumbling.
    variation
        Spread of brightness from particle to particle, 0 to 1.
    glints
        Share of its light that it sends in glints, 0 to 1.
    cards, card_side
        Pictures to draw it with, instead of discs, and their side over the diameter.
    thinned_to
        Share of the stated numbers that is there, 0 to 1.
    drawn
        Whether particles are drawn one by one; if not, all of it is haze.
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
    glints: float = 0.0
    cards: Textures | None = None
    card_side: float = 1.0
    thinned_to: float = 1.0
    drawn: bool = True

    @cached_property
    def slices(self) -> tuple[PowerLaw, ...]:
        """The sizes, cut up; one sinking speed each."""
        return self.sizes.slices(ratio=_SLICE_RATIO)


def slice_diameters(sizes: PowerLaw) -> tuple[float, ...]:
    """Return the middle diameter of each slice into which a class of these sizes is cut, metres.

    Parameters
    ----------
    sizes
        Law of sizes.

    Returns
    -------
    tuple[float, ...]
        Metres, from the smallest slice to the largest.
    """
    pieces = sizes.slices(ratio=_SLICE_RATIO)
    return tuple(math.sqrt(piece.smallest_m * piece.largest_m) for piece in pieces)


@dataclass(frozen=True)
class Motion:
    """All that carries suspended matter. Current, turbulence and wakes are in the environment's frame.

    Attributes
    ----------
    current
        The water's even flow.
    turbulence
        Eddies.
    wakes
        Water that bodies drag along.
    drift
        How the environment's frame moves in the world.
    """

    current: Current = field(default_factory=Current)
    turbulence: TurbulentFlow = STILL
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
class Cloud:
    """Visible particles of one slice.

    Attributes
    ----------
    particles
        What they are.
    opened_m, middle_m, closed_m
        Where each is as the shutter opens, half way, and as it closes, world metres, ``(n, 3)``.
    """

    particles: Particles
    opened_m: F64
    middle_m: F64
    closed_m: F64

    def __len__(self) -> int:
        return len(self.particles)

    def select(self, which: NDArray[np.bool_] | NDArray[np.int64]) -> Cloud:
        """Return the particles of a mask or an index array."""
        these = indices_of(which)
        places = (place.take(these, axis=0) for place in (self.opened_m, self.middle_m, self.closed_m))
        return Cloud(self.particles.select(these), *places)


def affordable(
    classes: Sequence[ParticleClass], limits: DrawLimits, solid_angle: float, most: int
) -> DrawLimits:
    """Return drawing limits under which no more than about ``most`` particles are in view.

    The smallest angle drawn is raised as needed. It follows from densities, sizes and the lens only, not from
    what a frame happens to hold, so it does not jump from frame to frame; nor does it change as a class is
    thinned.

    Parameters
    ----------
    classes
        Kinds of particles.
    limits
        Which of them are to be drawn.
    solid_angle
        What the lens sees of all directions, steradians.
    most
        Number of particles.

    Returns
    -------
    DrawLimits
        The limits as given, or with a greater smallest angle.
    """
    pieces = [piece for kind in classes if kind.drawn for piece in kind.slices]
    for _ in range(6):
        expected = sum(_expected(piece, limits, solid_angle) for piece in pieces)
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
    *,
    region: Region | None = None,
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
    region
        Of the world: only what may be there is looked for.

    Returns
    -------
    Cloud
        Particles with their places while the shutter is open.
    """
    opened, middle, closed = exposure.times_s
    sinking = kind.sinking_m_s[index]
    name = f"{kind.name} {index}"
    rotation, position = motion.drift.into_field(exposure.middle.rotation, exposure.middle.position_m, middle)
    shift, margin = motion.lattice_shift(sinking, up, middle), motion.farthest_m
    view = exposure.view(rotation, position - shift, farthest_m=limits.farthest_m, margin_m=margin)
    particles = particles_in_view(
        seed,
        name,
        kind.slices[index],
        kind.patches,
        view,
        limits,
        thinned_to=kind.thinned_to,
        region=None if region is None else region.as_seen_from(shift, margin),
    )
    return Cloud(
        particles,
        *(motion.world_positions(particles.home_m, sinking, up, time) for time in (opened, middle, closed)),
    )
