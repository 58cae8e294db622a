"""An endless field of particles as a pure function of seed, world cell and index.

Space is cut into cubes. A cube's key and integer coordinates give the number of particles in it and where
they are at home; nothing else is stored, so the field has no edge and costs only what the camera sees. The
lattice as a whole drifts with sinking and current, so a particle keeps its cell, and with it its size and
shape, for ever.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F64
from halocline.compute.places import indices_of
from halocline.compute.random import normals, poisson_counts, stream_key, uniforms
from halocline.errors import PhysicsError
from halocline.late_dataclass import dataclass
from halocline.physics.floating.loops import add_waves, find, stick_lumps, turn_lumps
from halocline.physics.floating.particles import DrawLimits, PowerLaw

# A cell is this many of its largest diameters wide: about a twentieth of the range at which such a particle
# comes to 0.3 mrad. It depends on nothing that a shot may animate, or particles would change places.
CELL_DIAMETERS = 160.0
# Clumps are no denser than this many standard deviations of their logarithm make them. A higher bound would
# cost particles that are drawn up and thrown away; this one takes 0.3 % off the mean.
_DENSEST_DEVIATIONS = 2.2
# While a field is thinned, this share of its whole density is on its way in or out.
_FADING_IN = 0.12
# As the loop takes a view without edges.
_EVERYWHERE = (1.0, -1.0, 1.0, -1.0)
# More cells than this in one view would be slow; the caller's draw limits are wrong.
_MOST_CELLS = 4_000_000


@dataclass(frozen=True)
class ViewVolume:
    """The part of space that a picture shows: a pyramid cut off by a sphere, or a whole sphere.

    Attributes
    ----------
    position_m, rotation
        Lens ``(3,)`` and camera axes as columns ``(3, 3)``; the camera looks down its -z.
    tangents
        Left, right, bottom and top edge as tangents of the view angle (right and up positive); None where
        the picture shows all directions.
    farthest_m
        Radius of the sphere.
    margin_m
        How far outside the pyramid things may still reach into it (blur, flow, motion in the shutter).
    """

    position_m: F64
    rotation: F64
    tangents: tuple[float, float, float, float] | None
    farthest_m: float
    margin_m: float = 0.0

    def touches(self, centre_m: F64, radius_m: float | F64) -> NDArray[np.bool_]:
        """Return which spheres of these centres ``(n, 3)`` and radii may reach into the volume."""
        offset = centre_m - self.position_m
        x, y, z = (_dot(offset, self.rotation[:, axis]) for axis in range(3))
        reach = radius_m + self.margin_m
        inside = offset[:, 0] ** 2 + offset[:, 1] ** 2 + offset[:, 2] ** 2 <= (self.farthest_m + reach) ** 2
        if self.tangents is None:
            return np.asarray(inside)
        left, right, bottom, top = self.tangents
        for along, tangent in ((x, right), (-x, -left), (y, top), (-y, -bottom)):
            # Signed distance to the side of the pyramid, positive outside.
            outside = (along + tangent * z) / math.hypot(1.0, tangent)
            inside &= outside <= reach
        inside &= z <= reach
        return np.asarray(inside)

    def box(self) -> tuple[F64, F64]:
        """Return the lowest and highest corner of a box about the volume, each ``(3,)``."""
        reach = np.full(3, self.farthest_m + self.margin_m)
        if self.tangents is None:
            return self.position_m - reach, self.position_m + reach
        left, right, bottom, top = self.tangents
        corners = np.array([[x, y, -1.0] for x in (left, right) for y in (bottom, top)])
        lengths = np.sqrt((corners * corners).sum(axis=1, keepdims=True))
        # The sphere bulges beyond its corners on the edges of the pyramid by at most the widest angle.
        axis = np.array([[0.5 * (left + right), 0.5 * (bottom + top), -1.0]])
        axis /= math.sqrt(float((axis * axis).sum()))
        narrowest = float((corners / lengths @ axis.T).min())
        if narrowest < 0.5:
            return self.position_m - reach, self.position_m + reach
        tips = np.concatenate([np.zeros((1, 3)), corners / lengths, axis]) * (self.farthest_m / narrowest)
        points = tips @ self.rotation.T + self.position_m
        return points.min(axis=0) - self.margin_m, points.max(axis=0) + self.margin_m


@dataclass(frozen=True)
class Region:
    """A part of space that alone is looked into.

    Attributes
    ----------
    low_m, high_m
        Corners of a box about it, ``(3,)``.
    touches
        Tells which spheres of centres ``(n, 3)`` and a radius may reach into it.
    """

    low_m: F64
    high_m: F64
    touches: Callable[[F64, float], NDArray[np.bool_]]

    @classmethod
    def joined(cls, regions: Sequence[Region]) -> Region:
        """Return all of some regions; one at least."""

        def touches(centres_m: F64, radius_m: float) -> NDArray[np.bool_]:
            met: NDArray[np.bool_] = np.logical_or.reduce(
                [region.touches(centres_m, radius_m) for region in regions]
            )
            return met

        low = np.min([region.low_m for region in regions], axis=0)
        high = np.max([region.high_m for region in regions], axis=0)
        return cls(low, high, touches)

    def as_seen_from(self, shift_m: F64, margin_m: float) -> Region:
        """Return it in a frame that has been shifted, with room around it."""

        def touches(centres_m: F64, radius_m: float) -> NDArray[np.bool_]:
            return self.touches(centres_m + shift_m, radius_m + margin_m)

        return Region(self.low_m - shift_m - margin_m, self.high_m - shift_m + margin_m, touches)


def cells_in_view(view: ViewVolume, cell_m: float, region: Region | None = None) -> NDArray[np.int64]:
    """Return the cells ``(n, 3)`` of a lattice that reach into a view, in the order of their coordinates.

    Those of a region alone, where one is given.

    Raises
    ------
    PhysicsError
        ``E-PHYSICS-CELLS`` where there are millions of them.
    """
    low, high = view.box()
    if region is not None:
        low, high = np.maximum(low, region.low_m), np.minimum(high, region.high_m)
        if (low >= high).any():
            return np.zeros((0, 3), np.int64)
    first = np.floor(low / cell_m).astype(np.int64)
    count = np.floor(high / cell_m).astype(np.int64) - first + 1
    if float(np.prod(count.astype(np.float64))) > _MOST_CELLS:
        raise PhysicsError(
            f"a view {view.farthest_m:g} m deep holds {np.prod(count.astype(np.float64)):.3g} cells "
            f"of {cell_m:g} m",
            code="E-PHYSICS-CELLS",
            fix="Draw this class to a shorter range, or make its smallest particles larger.",
        )
    grids = np.meshgrid(*(first[axis] + np.arange(count[axis]) for axis in range(3)), indexing="ij")
    cells = np.stack([grid.reshape(-1) for grid in grids], axis=1)
    radius_m = cell_m * math.sqrt(3.0) / 2.0
    cells = cells[view.touches((cells + 0.5) * cell_m, radius_m)]
    return cells if region is None else cells[region.touches((cells + 0.5) * cell_m, radius_m)]


@dataclass(frozen=True)
class Patchiness:
    """A smooth field of relative density with mean 1: clumps and gaps.

    The logarithm is a sum of plane waves, so the field is endless, positive and never repeats.

    Attributes
    ----------
    waves
        ``(modes, 3)`` wave vectors, rad/m.
    phases
        ``(modes,)`` rad.
    amplitude
        Of each wave in the logarithm; 0 is an even field.
    """

    waves: F64
    phases: F64
    amplitude: float

    def ratio(self, position_m: F64) -> F64:
        """Return the density at each point ``(n, 3)`` over the mean density, ``(n,)``."""
        if self.amplitude == 0.0:
            return np.ones(len(position_m))
        sums = np.zeros((1, len(position_m)))
        x, y, z = np.ascontiguousarray(position_m.T)
        turn = 2.0 * math.pi
        add_waves(x, y, z, self.waves / turn, self.phases / turn, np.ones((len(self.phases), 1)), sums)
        ratio: F64 = np.minimum(np.exp(self.amplitude * sums[0]) / self._mean, self.highest)
        return ratio

    def bound_within(self, centre_m: F64, radius_m: float) -> F64:
        """Return a number that the ratio does not exceed anywhere within a radius of each centre."""
        steepest = self.amplitude * float(np.sqrt((self.waves**2).sum(axis=1)).sum())
        rise = math.exp(min(steepest * radius_m, 50.0))
        return np.minimum(self.ratio(centre_m) * rise, self.highest)

    @cached_property
    def highest(self) -> float:
        """The ratio is nowhere above this."""
        deviation = self.amplitude * math.sqrt(0.5 * len(self.phases))
        return float(math.exp(_DENSEST_DEVIATIONS * deviation) / self._mean)

    @cached_property
    def _mean(self) -> float:
        """The mean of exp(a cos) is the Bessel function I0(a): dividing by it keeps the mean at 1."""
        return float(np.i0(self.amplitude)) ** len(self.phases)


def patchiness(seed: int, name: str, *, scale_m: float, variation: float, modes: int = 10) -> Patchiness:
    """Return a patchy field.

    Parameters
    ----------
    seed, name
        What the field belongs to.
    scale_m
        Typical distance from clump to clump, metres.
    variation
        Standard deviation of the density over its mean, 0 to 2.
    modes
        Number of plane waves.

    Returns
    -------
    Patchiness
        The field: density over its mean, at any place.

    Raises
    ------
    PhysicsError
        ``E-PHYSICS-PATCHES`` where scale or variation are out of range.
    """
    if not (scale_m > 0.0 and 0.0 <= variation <= 2.0):
        raise PhysicsError(
            f"patches of {scale_m:g} m with a variation of {variation:g} cannot be made",
            code="E-PHYSICS-PATCHES",
            fix="Give a scale above 0 m and a variation of 0 (even) to 2 (strongly clumped).",
        )
    key = stream_key(seed, name, "patches")
    direction = normals(key, np.arange(modes), 0)[:3].T
    direction /= np.sqrt((direction * direction).sum(axis=1, keepdims=True))
    length = scale_m * 2.0 ** (0.5 * normals(key, np.arange(modes), 1)[0].clip(-2.0, 2.0))
    # For a log-normal field the squared variation is exp(variance) - 1; a wave adds half its square.
    amplitude = math.sqrt(2.0 * math.log1p(variation**2) / modes)
    phases = 2.0 * math.pi * uniforms(key, np.arange(modes), 2)[0]
    return Patchiness(direction * (2.0 * math.pi / length)[:, None], phases, amplitude)


@dataclass(frozen=True)
class Particles:
    """Particles at home in a lattice.

    Attributes
    ----------
    home_m
        ``(n, 3)`` positions in the lattice's own frame, metres.
    diameter_m
        ``(n,)``.
    words
        ``(3, n)`` random 32-bit words that belong to each particle: shape, tint, phase.
    presence
        ``(n,)`` 0 to 1: below 1 for those that are just coming or going as the density changes.
    """

    home_m: F64
    diameter_m: F64
    words: NDArray[np.uint32]
    presence: F64

    def __len__(self) -> int:
        return len(self.diameter_m)

    def select(self, which: NDArray[np.bool_] | NDArray[np.int64]) -> Particles:
        """Return the particles of a mask or an index array."""
        these = indices_of(which)
        return Particles(
            self.home_m.take(these, axis=0),
            self.diameter_m.take(these),
            self.words.take(these, axis=1),
            self.presence.take(these),
        )

    def shares(self) -> F64:
        """Return the words as three numbers in the open interval 0 to 1 a particle, ``(3, n)``."""
        return (self.words.astype(np.float64) + 0.5) * 2.0**-32


def particles_in_view(
    seed: int,
    name: str,
    sizes: PowerLaw,
    patches: Patchiness,
    view: ViewVolume,
    limits: DrawLimits,
    *,
    thinned_to: float = 1.0,
    region: Region | None = None,
) -> Particles:
    """Return the particles of an endless field that a view may show, in the order of their cells.

    Parameters
    ----------
    seed, name
        The field's identity. Two lattices need two names.
    sizes
        Sizes and mean number per m3. A narrow range (`PowerLaw.slices`) costs least, because the cells
        and the range of the view follow the largest size.
    patches
        Relative density in the lattice's frame.
    view
        In the lattice's frame. What a particle is does not depend on it, only whether it is returned.
    limits
        Particles that it leaves wholly to the haze are not returned.
    thinned_to
        Share of the density that is there, 0 to 1. As it changes, particles fade in and out one by one
        where they are; none moves.
    region
        In the lattice's frame: only cells that reach into it are looked at.
    """
    cell_m = CELL_DIAMETERS * sizes.largest_m
    view = replace(view, farthest_m=min(view.farthest_m, limits.farthest_for(sizes.largest_m)))
    field = _Field(seed, name, sizes, patches, cell_m, thinned_to)
    return _particles_in_cells(field, cells_in_view(view, cell_m, region), view, limits)


@dataclass(frozen=True)
class _Field:
    """What fixes a field: see `particles_in_view`."""

    seed: int
    name: str
    sizes: PowerLaw
    patches: Patchiness
    cell_m: float
    thinned_to: float

    def key(self, purpose: str) -> int:
        return stream_key(self.seed, self.name, purpose)


def _particles_in_cells(
    field: _Field, cells: NDArray[np.int64], view: ViewVolume, limits: DrawLimits
) -> Particles:
    cell_m, sizes = field.cell_m, field.sizes
    middle = (cells.astype(np.float64) + 0.5) * cell_m
    bound = field.patches.bound_within(middle, cell_m * math.sqrt(3.0) / 2.0)
    expected = sizes.per_m3 * cell_m**3 * bound
    count = poisson_counts(uniforms(field.key("count"), *cells.T)[0], expected)
    room = int(count.sum())
    home, diameter = np.empty((room, 3)), np.empty(room)
    words, owner = np.empty((4, room), np.uint32), np.empty(room, np.int64)
    found = find(
        cells,
        count,
        cell_m,
        (np.uint64(field.key("place")), np.uint64(field.key("nature"))),
        sizes.inverse,
        view.position_m,
        np.ascontiguousarray(view.rotation),
        _EVERYWHERE if view.tangents is None else view.tangents,
        (view.margin_m, view.farthest_m + view.margin_m, limits.farthest_m, limits.smallest_angle_rad),
        home,
        diameter,
        words,
        owner,
    )
    # The fourth word is used up here, as what is kept of it is no longer even.
    rank = (words[3, :found] + 0.5) * 2.0**-32 * bound[owner[:found]]
    presence = _presence(field, home[:found], rank)
    return Particles(home[:found], diameter[:found], words[:3, :found], presence).select(presence > 0.0)


def _presence(field: _Field, home: F64, rank: F64) -> F64:
    """Thin the even field of each cell down to the patchy density: no cell shows as a step.

    A particle is there where the density is above its rank. While the field is thinned as a whole, those
    with a rank just below are faint, over a ramp that closes as the field becomes whole; the mean is kept.
    """
    share = field.thinned_to
    if field.patches.amplitude == 0.0 and share == 1.0:
        return np.ones(len(home))
    rank = rank / field.patches.ratio(home)
    ramp = min(_FADING_IN, 2.0 * (1.0 - share))
    if ramp <= 0.0:
        return (rank < 1.0).astype(np.float64)
    # The mean of the ramp that ends at e is e - ramp / 2, or e^2 / (2 ramp) where it is cut off at zero.
    end = share + 0.5 * ramp if share > 0.5 * ramp else math.sqrt(2.0 * ramp * share)
    return np.clip((end - rank) / ramp, 0.0, 1.0)


def aggregate_parts(particles: Particles, *, parts: int = 9) -> tuple[F64, F64]:
    """Return the lumps that a marine snow aggregate is made of.

    Lump by lump, each sticks to an earlier one in a random direction, as aggregates grow by collision.

    Parameters
    ----------
    particles
        The aggregates.
    parts
        Lumps in each.

    Returns
    -------
    offset_m
        ``(n, parts, 3)`` from the centre, within the aggregate's diameter.
    diameter_m
        ``(n, parts)``; the projected areas add up to that of the aggregate.
    """
    offset, lump = np.empty((len(particles), parts, 3)), np.empty((len(particles), parts))
    words = np.ascontiguousarray(particles.words)
    stick_lumps(words, particles.diameter_m, np.uint64(stream_key(0, "aggregate lumps")), offset, lump)
    return offset, lump


def tumble(offset_m: F64, words: NDArray[np.uint32], time_s: float, *, turns_per_s: float) -> F64:
    """Return offsets ``(n, parts, 3)`` turned about an axis of each particle's own, by its own rate.

    Rates lie evenly between 0 and twice ``turns_per_s``.
    """
    out = np.empty_like(offset_m)
    key = np.uint64(stream_key(0, "tumble"))
    turn_lumps(offset_m, np.ascontiguousarray(words), key, turns_per_s * time_s, out)
    return out


def _dot(points: F64, axis: F64) -> F64:
    # Three products and two sums in a fixed order: a matrix product may sum differently by length.
    return np.asarray(points[:, 0] * axis[0] + points[:, 1] * axis[1] + points[:, 2] * axis[2])
