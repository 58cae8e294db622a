"""Bodies of turbid water as a lens sees them: what they hide, and the daylight that they turn to it.

With T(t) = exp(-tau), tau what bodies hide up to a range t of a view ray, e the daylight on their matter,

    surface  T(s)
    bodies   int_0^s w e p exp(-c t) d(1 - T)
    water    int_0^s exp(-k t) T dt / int_0^s exp(-k t) dt

are what is left of the surface's light, the bodies' own, and what is left of the light that the water throws
in, which lies before, in and behind them. All three are summed along a coarse grid of rays at fixed ranges,
and looked up by pixel and range in between. So they do not depend on what the render shows; a surface within
a cloud ends it, however thin the surface, and its neighbours lend it nothing.

The daylight e is the solved field's at each depth, less what things in its way keep from it: matter in a
cloud is lit as the water round it is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.made_once import MadeOnce
from halocline.late_dataclass import dataclass
from halocline.physics.floating.flow import STILL, TurbulentFlow
from halocline.physics.floating.light import LIGHT_ASYMMETRY, sun_spread
from halocline.physics.floating.turbid import TurbidBody, TurbidShape
from halocline.physics.floating.turbid_lay_loops import lay_bodies
from halocline.physics.floating.turbid_light import ForwardLobe, LightRays, SpreadBeam, similar_of, unturned
from halocline.physics.floating.turbid_loops import DEPTH, TABLE_HEAD, follow
from halocline.physics.floating.turbid_shade_loops import dim_along_rays
from halocline.physics.floating.turbid_shape_loops import BODY_HEAD, EVERY, PUFF, mark_ranges_met
from halocline.physics.path.dimmed_haze import HazePieces
from halocline.physics.path.lamp_shadow import ends_of_rates, weights_of_rates
from halocline.physics.path.lamps import Lamp, irradiance
from halocline.physics.path.phase import henyey_greenstein, lobe_numbers
from halocline.physics.path.scatterers import Scatterers
from halocline.physics.path.transport import LightPath

# Rows of rays that are followed at once.
_BLOCK_ROWS = 16
# Ranges of the table, at most, and how they grow where no body is near.
_MOST_RANGES, _GROWTH = 64, 1.25
# A step is this share of its range at least: finer is not seen.
_LEAST_SHARE = 0.025
# Nothing is followed closely farther off, metres; nor beyond so many attenuation lengths.
_FARTHEST_M, _SIGHT_LENGTHS = 100.0, 6.0
# Up to so many times that, ranges are tabled in coarse steps.
_BEYOND = 3.0
# So much coarser than wanted the steps may be, where bodies are many.
_COARSEST = 1e3
# Depths at which daylight is tabled, a metre.
_DEPTHS_PER_M = 2.0
_FAR_FLOOR_M = 1e4
# Steps that follow a puff, as a share of its least half size: its standard deviation is .3 of that.
_PUFF_STEP = 0.15
# From so far along its beam the sun looks at bodies, so far about the lens, metres; ranges of its table.
_SUN_AWAY_M, _SUN_RADIUS_M, _LIGHT_RANGES = 60.0, 14.0, 60
# How steps grow with the way behind the first body that a light meets, at least and at most; and by how much
# longer they are made where they are too many: those that are far off first.
_LEAST_GROWTH, _MOST_GROWTH, _COARSER = 0.03, 0.25, 1.2
# Steps of the table's own to a piece of lamps' haze; an optical depth that is there and hides nothing.
_EVERY_HAZE, _HARDLY = 2, np.float32(1e-20)
_NO_LENGTHS, _WHOLE = np.float32(0.0), np.float32(1.0)
_NONE: F32 = np.zeros((0, 0), np.float32)


@dataclass(frozen=True)
class TurbidRays:
    """The coarse grid of view rays.

    Attributes
    ----------
    directions
        Unit, world, ``(3, rows, columns)``; the first goes through the picture's upper left corner.
    spacing_px
        From one to the next, pixels.
    lens_m
        Where they begin, world metres, ``(3,)``.
    """

    directions: F32
    spacing_px: float
    lens_m: F64


@dataclass(frozen=True)
class SurfacesSeen:
    """What the pixels of a region show, ``(rows, columns)`` each.

    Attributes
    ----------
    range_m, coverage
        Range of the nearer surface, inf where there is none, and how much of the pixel is covered, 0 to 1 or
        a little off that.
    far_range_m, far_share, far_light
        Range of a farther surface, its share of the area and of the light; None where there are none.
    """

    range_m: F32
    coverage: F32
    far_range_m: F32 | None = None
    far_share: F32 | None = None
    far_light: F32 | None = None


@dataclass(frozen=True)
class LaidBodies:
    """A picture with bodies in it.

    Attributes
    ----------
    light
        ``(K, rows, columns)``.
    alpha
        Its coverage.
    far_light
        The farther surfaces' share of light after it; None where there are none.
    thrown, covered
        What they add to the light that the water threw in, ``(K, rows, columns)``, and what they cover;
        None where not asked for.
    """

    light: F32
    alpha: F32
    far_light: F32 | None
    thrown: F32 | None
    covered: F32 | None


class TurbidVolume:
    """What bodies do along coarse rays; rows of rays are followed when first looked at.

    Parameters
    ----------
    bodies
        The bodies on one frame.
    rays
        The grid of rays.
    path
        The water and its light.
    eddies, time_s
        What carries the water to and fro within bodies, and when.
    shade
        What is left of the sun's and of other daylight at world points ``(n, 3)``, ``(n, 2)``; all of it
        where not given.
    lamps
        Lamps that light them.
    self_shadow
        How much of the sun's and of lamps' light bodies keep from what lies behind in them, 0 to 1.
    """

    def __init__(
        self,
        bodies: Sequence[TurbidBody],
        rays: TurbidRays,
        path: LightPath,
        *,
        eddies: TurbulentFlow = STILL,
        time_s: float = 0.0,
        shade: Callable[[F64], F64] | None = None,
        lamps: Sequence[Lamp] = (),
        self_shadow: float = 0.0,
    ) -> None:
        self.rays = rays
        self._left = shade
        self.path = path
        # Bodies tell by rays of their own what they keep from themselves.
        self._bodies, self._lamps = tuple(bodies), tuple(replace(lamp, dimmed=None) for lamp in lamps)
        self._dimmed = tuple(lamps)
        hiding = BodiesInLight([unturned(body) for body in bodies], path, eddies, time_s)
        self._sun_light = hiding.from_sun(rays.lens_m) if self_shadow > 0.0 else None
        self._self_shadow = self_shadow
        self._lamp_light = [hiding.from_lamp(lamp) if self_shadow > 0.0 else None for lamp in lamps]
        self._lobes = {similar: ForwardLobe(similar) for _, similar in kinds_of(bodies) if self._lamps}
        self._packed = PackedBodies.of(bodies, rays.lens_m, path.up, eddies, time_s)
        self.nodes = ranges_for(bodies, rays.lens_m, path)
        metres = _between(self.nodes)
        self._metres = np.stack([metres, path.remap.exact(metres)]).astype(np.float32)
        self._light, self._lens = _daylight(path, float(metres[-1]))
        self._rates = (path.bands.attenuation * path.veil_scale).astype(np.float32)
        self._count = max(1, -(-(rays.directions.shape[1] - 1) // _BLOCK_ROWS))
        self._blocks = MadeOnce(self._block)
        self._haze_blocks = MadeOnce(self._haze_block)

    def laid(
        self,
        picture: F32,
        alpha: F32,
        surfaces: SurfacesSeen,
        *,
        corner: tuple[int, int],
        water: F32 | None = None,
        halo: tuple[F32, float] | None = None,
        told: tuple[bool, bool] = (False, False),
    ) -> LaidBodies:
        """Return a region's light with the bodies in it.

        Parameters
        ----------
        picture, alpha
            Light ``(K, rows, columns)`` and coverage.
        surfaces
            What its pixels show.
        corner
            Its first row and column in the picture, pixels.
        water
            What of the light the water threw in on the way, ``(K, rows, columns)``.
        halo
            The light that went about what surfaces send, ``(K, rows, columns)``, and lengths a metre of which
            few hide a surface: where that is hardly seen any more, it lies along the way too.
        told
            Whether to return what is added to that, and the bodies' coverage.
        """
        return self._laid(self._blocks, picture, alpha, surfaces, corner, water, halo, told)

    def of_lamps_haze(self, haze: F32, surfaces: SurfacesSeen, *, corner: tuple[int, int]) -> F32:
        """Return what bodies leave of what lamps light of the water, ``(K, rows, columns)``.

        Of each place's light they hide what lies between it and the lens: a lamp behind a cloud lights the
        water most about itself, where the cloud hides all of it, and one before a cloud where it hides none.

        Parameters
        ----------
        haze
            Before that, ``(K, rows, columns)``.
        surfaces, corner
            As `laid` takes them.
        """
        if not self._dimmed:
            return haze
        alpha, none = np.ones_like(surfaces.range_m), (False, False)
        return self._laid(self._haze_blocks, haze, alpha, surfaces, corner, haze, None, none).light

    def _laid(
        self,
        blocks: MadeOnce[F32],
        picture: F32,
        alpha: F32,
        surfaces: SurfacesSeen,
        corner: tuple[int, int],
        water: F32 | None,
        halo: tuple[F32, float] | None,
        told: tuple[bool, bool],
    ) -> LaidBodies:
        shape = surfaces.range_m.shape
        light, covers = np.empty(picture.shape, np.float32), alpha.copy()
        thrown = np.empty(picture.shape if told[0] else (0, 0, 0), np.float32)
        covered = np.empty(shape if told[1] else (0, 0), np.float32)
        far = surfaces.far_range_m is not None and surfaces.far_share is not None
        left = np.empty(shape if far else (0, 0), np.float32)
        columns, rows = (
            ((np.arange(count) + first + 0.5) / self.rays.spacing_px).astype(np.float32)
            for count, first in zip(shape[::-1], corner[::-1], strict=True)
        )
        numbers = np.minimum(rows.astype(np.int64) // _BLOCK_ROWS, self._count - 1)
        planes = _whole(surfaces, picture, water, halo)
        for number in np.unique(numbers):
            at = np.flatnonzero(numbers == number)
            block = blocks.get(int(number), ahead=range(int(number) + 1, self._count))
            lay_bodies(
                block,
                (columns, rows[at[0] : at[-1] + 1] - np.float32(number * _BLOCK_ROWS)),
                self._nodes32,
                self._rates,
                *planes,
                light,
                covers,
                left,
                (thrown, covered),
                int(at[0]),
            )
        return LaidBodies(
            light, covers, left if far else None, thrown if told[0] else None, covered if told[1] else None
        )

    def left_to(self, range_m: F32, *, corner: tuple[int, int]) -> F32:
        """Return exp(-tau) up to a range at each pixel of a region, ``(rows, columns)``.

        Parameters
        ----------
        range_m
            Metres, ``(rows, columns)``; may be inf.
        corner
            Its first row and column in the picture, pixels.
        """
        dark = np.zeros((self.path.bands.count, *range_m.shape), np.float32)
        whole = np.ones_like(range_m)
        seen = SurfacesSeen(range_m, whole)
        covered = self.laid(dark, whole, seen, corner=corner, told=(False, True)).covered
        assert covered is not None  # it was asked for
        return np.float32(1.0) - covered

    @property
    def _nodes32(self) -> F32:
        return self._metres[0, ::EVERY].copy()

    def _shade(self, rays: F32) -> F32:
        """Return what things leave of daylight along rays, at the table's ranges."""
        if self._left is None and self._sun_light is None:
            return np.zeros((0, 0, 0, 0), np.float32)
        out = np.ones((2, *rays.shape[1:], len(self.nodes)), np.float32)
        if self._left is not None:
            met = self._may_meet(rays)
            row, column, node = np.nonzero(met)
            offsets = rays[:, row, column] * self._nodes32[node]
            out[:, met] = self._left(self.rays.lens_m + offsets.T).T
        if self._sun_light is not None:
            light = self._sun_light
            dim_along_rays(
                self._with_slope(rays),
                self._metres[0],
                self._lens,
                self._packed.shapes,
                light.rays.of_loops(light.depth, light.nodes),
                (self.rays.lens_m - light.rays.from_m).astype(np.float32),
                np.float32(self._self_shadow),
                out[0],
            )
        return out

    def _with_slope(self, rays: F32) -> F32:
        """Return rays with their downward component, ``(4, rows, columns)``."""
        return np.stack([*rays, _dot(rays, -self.path.up)])

    def _may_meet(self, rays: F32) -> NDArray[np.bool_]:
        """Return at which of the table's ranges rays may meet a body: light elsewhere is not looked at."""
        met = np.zeros((*rays.shape[1:], len(self.nodes)), np.bool_)
        mark_ranges_met(self._with_slope(rays), self._metres[0], self._lens, self._packed.shapes, met)
        return met

    def _by_lamps(self, rays: F32) -> F32:
        """Return what matter in lamps' light sends to the lens, for each kind of bodies."""
        if not self._lamps:
            return np.zeros((0, 0, 0, 0, 0), np.float32)
        kinds, bands = kinds_of(self._bodies), self.path.bands
        met = self._may_meet(rays)
        out = np.zeros((len(kinds), bands.count, *met.shape), np.float32)
        row, column, node = np.nonzero(met)
        towards = rays[:, row, column]
        places = towards * self._nodes32[node]
        found = np.zeros((len(kinds), bands.count, places.shape[1]), np.float32)
        for lamp, light in zip(self._lamps, self._lamp_light, strict=True):
            offset = places + (self.rays.lens_m - lamp.position_m).astype(np.float32)[:, None]
            lit = irradiance(lamp, bands, offset)
            left = None if light is None else light.left_at(offset)
            if left is not None:
                lit *= left
            distance = np.sqrt((offset * offset).sum(axis=0))
            back = -(offset * towards).sum(axis=0) / np.maximum(distance, np.float32(1e-6))
            np.clip(back, np.float32(-1.0), np.float32(1.0), out=back)
            for kind, (asymmetry, similar) in enumerate(kinds):
                turned = henyey_greenstein(back, asymmetry)
                if left is not None:
                    np.maximum(turned, self._lobes[similar].turned(back, left), out=turned)
                found[kind] += lit * turned
        out[:, :, met] = found
        return out

    def _block(self, number: int) -> F32:
        """Follow the rays of a block of rows."""
        first = number * _BLOCK_ROWS
        # One row more than the block's own, to interpolate towards.
        rays = np.ascontiguousarray(self.rays.directions[:, first : first + _BLOCK_ROWS + 1])
        path, packed = self.path, self._packed
        mu, cos_sun = (_dot(rays, axis) for axis in (-path.up, path.sun_travel))
        _, rates = path.veil_rays().sources(mu, cos_sun).together(path.bands.attenuation, mu)
        scale = np.float32(path.veil_scale)
        bands = path.bands.count
        block = np.empty((rays.shape[1], TABLE_HEAD + 2 * bands, len(self.nodes), rays.shape[2]), np.float32)
        follow(
            np.stack([*rays, mu, cos_sun]),
            np.ascontiguousarray(rates * scale),
            self._metres,
            self._lens,
            packed.shapes,
            packed.bodies(path),
            packed.spans,
            packed.waves,
            packed.eddies,
            packed.ground,
            self._light,
            self._shade(rays),
            self._by_lamps(rays),
            self._rates,
            block,
        )
        return block

    def _haze_block(self, number: int) -> F32:
        """Return a block that takes from lamps' haze what bodies hide of it, and nothing else."""
        block = self._blocks.get(number)
        rays = np.ascontiguousarray(self.rays.directions[:, number * _BLOCK_ROWS :][:, : len(block)])
        bands, depth = self.path.bands, block[:, DEPTH]
        row, column = np.nonzero(depth[:, -1] > 0.0)
        out = np.zeros_like(block)
        # Enough for bodies to be met, and too little to hide anything.
        np.copyto(out[:, DEPTH], _HARDLY, where=depth > 0.0)
        if not row.size:
            return out
        towards = np.ascontiguousarray(rays[:, row, column])
        edges, lobes = self._metres[0, ::_EVERY_HAZE], Scatterers.of_water(bands).lobe_table
        # Of a piece's middle, between the table's ranges.
        thick = depth[row, :, column]
        whole, left = (np.zeros((row.size, len(edges), 2), np.float32) for _ in range(2))
        for lamp in self._dimmed:
            rates = np.stack([lamp.loss_rate(bands)] * 2)
            ends = ends_of_rates(rates)
            found = HazePieces.of(lamp, ends, lobes, self.rays.lens_m, towards, edges)
            light = found.light * _of_ends(lamp.intensity, rates)[:, None] * found.kept_by(lamp)
            node = np.minimum(found.piece * _EVERY_HAZE // EVERY, len(self.nodes) - 2)
            begin, end = self._nodes32[node], self._nodes32[node + 1]
            share = np.clip((found.range_m - begin) / (end - begin), np.float32(0.0), _WHOLE)
            before = thick[found.ray, node]
            seen = np.exp(-(before + share * (thick[found.ray, node + 1] - before)))
            shape = row.size, len(edges)
            whole += found.up_to_edges(light, shape)
            left += found.up_to_edges(light * seen, shape)
        taken = _WHOLE - np.divide(left, whole, out=np.ones_like(left), where=whole > 0.0)
        taken = taken[:, :: EVERY // _EVERY_HAZE]
        weights = weights_of_rates(np.stack([self._dimmed[0].loss_rate(bands)] * 2)).astype(np.float32)
        for band, weight in enumerate(weights):
            plane = TABLE_HEAD + bands.count + band
            out[row, plane, :, column] = taken[..., 0] + weight * (taken[..., 1] - taken[..., 0])
        return out


def _of_ends(by_band: F64, rates: F64) -> F32:
    """Return numbers of the bands that lose least and most, ``(2,)``."""
    lost = rates.sum(axis=0)
    return by_band[[lost.argmin(), lost.argmax()]].astype(np.float32)


@dataclass(frozen=True)
class LightInBodies:
    """What bodies leave of one light at any place.

    Attributes
    ----------
    rays, nodes, depth
        The light's rays, ranges along them, metres, and the bodies' optical depth there,
        ``(across, N, across)``.
    """

    rays: LightRays
    nodes: F64
    depth: F32

    def left(self, points_m: F64) -> F32:
        """Return what is left of it at world points ``(n, 3)``, ``(n,)``."""
        return self.rays.left(self.depth, self.nodes, points_m)

    def left_at(self, offset_m: F32 | F64) -> F32:
        """Return what is left of it at places from where it begins, ``(3, n)``, ``(n,)``."""
        return self.rays.left_at(self.depth, self.nodes, offset_m)


@dataclass(frozen=True)
class BodiesInLight:
    """Bodies as they stand in the way of light.

    Attributes
    ----------
    bodies
        With the extinction that counts there, see `halocline.physics.floating.turbid_light.unturned`.
    path, eddies, time_s
        The water, and what carries it when.
    seen, placed_by
        The same bodies as they look, and the operator and its step that placed them and so need not do it
        again; none where not told.
    """

    bodies: Sequence[TurbidBody]
    path: LightPath
    eddies: TurbulentFlow
    time_s: float
    seen: Sequence[TurbidBody] = ()
    placed_by: tuple[object, str] | None = None

    def from_lamp(self, lamp: Lamp) -> LightInBodies | None:
        """Return what they leave of a lamp's light."""
        half = math.acos(min(1.0, max(-1.0, lamp.outer_cosine)))
        return self._followed(LightRays.towards(lamp.position_m, lamp.axis, half + 1e-3), self.bodies)

    def dimming(self, lamp: Lamp) -> Lamp:
        """Return a lamp with what they leave of its light to surfaces and to what floats.

        Its rays are followed when somebody first asks.
        """
        before, made = lamp.dimmed, MadeOnce(lambda _: self.from_lamp(lamp))

        def left(offset_m: F32 | F64) -> F32:
            light = made.get(0)
            found = np.ones(offset_m.shape[1], np.float32) if light is None else light.left_at(offset_m)
            return found if before is None else found * before(offset_m)

        beam, other = self._spread(lamp), lamp.spread

        def spread(range_m: F32, cosine: F32, kept: F32) -> F32:
            found = beam.ratio(range_m, cosine, kept)
            # Of two steps the one that spreads it more tells.
            return found if other is None else np.minimum(found, other(range_m, cosine, kept))

        return replace(lamp, dimmed=left, spread=spread)

    def _spread(self, lamp: Lamp) -> SpreadBeam:
        """Return how they spread a lamp's light, by the mean of their matter and of where they are."""
        weights = np.array([body.extinction_per_m for body in self.bodies])
        similar = float(np.average([similar_of(body) for body in self.bodies], weights=weights))
        places = [shape.centre_m for body in self.bodies for shape in body.shapes if not shape.endless]
        away = np.inf if not places else float(np.linalg.norm(np.mean(places, axis=0) - lamp.position_m))
        return SpreadBeam(similar, away)

    def from_sun(self, lens_m: F64) -> LightInBodies | None:
        """Return what they leave of the sun's beam, about a lens: seen from far along it."""
        travel, (middle, radius) = self.path.sun_travel, self._about(lens_m)
        wide = math.atan(radius / _SUN_AWAY_M)
        rays = LightRays.towards(middle - _SUN_AWAY_M * travel, travel, wide)
        return self._followed(rays, self.bodies)

    def before(self, rays: LightRays) -> LightInBodies | None:
        """Return what they leave of what is seen along a lens's rays: of things, not of light to things."""
        return self._followed(rays, self.seen)

    def _about(self, lens_m: F64) -> tuple[F64, float]:
        """Return middle and radius of what the sun is to look at: all bodies, as far as they have an end."""
        shapes = [shape for body in self.bodies for shape in body.shapes]
        if not shapes or any(shape.endless for shape in shapes):
            return lens_m, _SUN_RADIUS_M
        centres = np.array([shape.centre_m for shape in shapes])
        middle = 0.5 * (centres.min(axis=0) + centres.max(axis=0))
        away = np.sqrt(((centres - middle) ** 2).sum(axis=1))
        bounding = np.array([shape.bounding_m for shape in shapes]) + self.eddies.farthest_m
        return middle, min(float((away + bounding).max()), _SUN_RADIUS_M)

    def _followed(self, rays: LightRays, bodies: Sequence[TurbidBody]) -> LightInBodies | None:
        """Return what bodies leave along rays; None where no ray meets any."""
        if not bodies:
            return None
        packed = PackedBodies.of(bodies, rays.from_m, self.path.up, self.eddies, self.time_s)
        # Above the surface it goes on as below: the beam's own way is under water.
        lens = np.array([*self.path.up, 1e5, 1.0], np.float32)
        directions = rays.directions
        directed = np.stack([*directions, _dot(directions, -self.path.up)])
        spans = [_span(body, rays.from_m, self.path.up, _SUN_AWAY_M + _SUN_RADIUS_M) for body in bodies]
        nodes = _close_ranges(spans, directed, lens, packed.shapes)
        if nodes is None:
            return None
        metres, bands = _between(nodes).astype(np.float32), 1
        none = np.zeros(directions.shape[1:], np.float32)
        table = np.empty((rays.across, TABLE_HEAD + 2 * bands, len(nodes), rays.across), np.float32)
        follow(
            np.stack([*directed, none]),
            np.zeros((bands, *none.shape), np.float32),
            np.stack([metres, metres]),
            lens,
            packed.shapes,
            packed.bodies(self.path)[:, : BODY_HEAD + bands].copy(),
            packed.spans,
            packed.waves,
            packed.eddies,
            packed.ground,
            np.zeros((2, bands, 2), np.float32),
            np.zeros((0, 0, 0, 0), np.float32),
            np.zeros((0, 0, 0, 0, 0), np.float32),
            np.zeros(bands, np.float32),
            table,
        )
        return LightInBodies(rays, nodes, np.ascontiguousarray(table[:, DEPTH]))


def _close_ranges(
    spans: Sequence[tuple[float, float, float]], rays: F32, lens: F32, shapes: F32
) -> F64 | None:
    """Return ranges close together where rays may meet bodies, metres; None where none of them does."""
    begin, end = min(span[0] for span in spans), max(span[1] for span in spans)
    finest, growth = min(span[2] for span in spans), _LEAST_GROWTH
    while True:
        nodes = [begin]
        while nodes[-1] < end:
            nodes.append(nodes[-1] + max(finest, growth * (nodes[-1] - begin)))
        found = np.array(nodes)
        met = np.zeros((*rays.shape[1:], len(found)), np.bool_)
        mark_ranges_met(rays, _between(found).astype(np.float32), lens, shapes, met)
        at = np.flatnonzero(met.any(axis=(0, 1)))
        if not at.size:
            return None
        kept = found[np.unique(np.clip(at[:, None] + [-1, 0, 1], 0, len(found) - 1))]
        if len(kept) < _LIGHT_RANGES:
            return np.concatenate([[0.0], kept]) if kept[0] > 0.0 else kept
        finest *= _COARSER if growth >= _MOST_GROWTH else 1.0
        growth *= _COARSER if growth < _MOST_GROWTH else 1.0


def _between(nodes: F64) -> F64:
    """Return ranges with those that are followed between them, in even steps."""
    steps = np.diff(nodes)[:, None] * (np.arange(EVERY) / EVERY)
    return np.append((nodes[:-1, None] + steps).reshape(-1), nodes[-1])


@dataclass(frozen=True)
class PackedBodies:
    """Bodies as the loops take them, see `halocline.physics.floating.turbid_loops.follow`."""

    of_bodies: tuple[TurbidBody, ...]
    shapes: F32
    spans: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    waves: F32
    eddies: F32
    ground: tuple[F32, F32]

    @classmethod
    def of(
        cls, bodies: Sequence[TurbidBody], lens_m: F64, up: F64, eddies: TurbulentFlow, time_s: float
    ) -> PackedBodies:
        shapes: list[tuple[float, ...]] = []
        waves: list[tuple[float, ...]] = []
        spans: list[tuple[int, int, int, int, int]] = []
        margin = eddies.farthest_m
        alike = kinds_of(bodies)
        for body in bodies:
            group = alike.index((body.asymmetry, similar_of(body)))
            spans.append((len(shapes), len(shapes) + len(body.shapes), len(waves), 0, group))
            for shape in body.shapes:
                shapes.append(_row(shape, len(spans) - 1, lens_m, up, margin))
            clouds = body.clouds
            here = clouds.waves @ lens_m + clouds.phases
            for wave, turns, amplitude in zip(clouds.waves, here, clouds.amplitudes, strict=True):
                if amplitude > 0.0:
                    waves.append((*wave, turns - math.floor(turns), amplitude))
            spans[-1] = (*spans[-1][:3], len(waves), group)
        return cls(
            tuple(bodies),
            np.array(shapes, np.float32),
            np.array(spans, np.int64),
            np.array(waves, np.float32).reshape(-1, 5),
            _eddies(eddies, lens_m, time_s),
            _ground(bodies, lens_m, up),
        )

    def bodies(self, path: LightPath) -> F32:
        """Return the numbers of each body in a water."""
        rows = []
        for body in self.of_bodies:
            row = [body.extinction_per_m, 1.0 / body.clouds.mean]
            for g in (body.asymmetry * sun_spread(path), body.asymmetry * LIGHT_ASYMMETRY):
                row += lobe_numbers(g)
            rows.append([*row, *body.albedo])
        return np.array(rows, np.float32)


def kinds_of(bodies: Sequence[TurbidBody]) -> list[tuple[float, float]]:
    """Return the asymmetries that bodies have, each with their albedo of all bands, each once, ascending."""
    return sorted({(body.asymmetry, similar_of(body)) for body in bodies})


def _row(shape: TurbidShape, body: int, lens_m: F64, up: F64, margin_m: float) -> tuple[float, ...]:
    """Return a shape's numbers, counted from the lens."""
    if shape.endless:
        bounding, half = margin_m, shape.half_m - float(lens_m @ up)
        centre = np.array([shape.thickness_m, 0.0, 0.0])
    else:
        bounding = margin_m + 1.001 * shape.bounding_m
        centre, half = shape.centre_m - lens_m, shape.half_m
    # A floor this far below is none; the loops' numbers are finite.
    edge = min(shape.above_floor_m, _FAR_FLOOR_M) if shape.kind == PUFF else shape.softness_m
    head = (body, shape.kind, *centre, bounding, edge, shape.strength)
    return (*head, *shape.axes.reshape(-1), *half)


def _ground(bodies: Sequence[TurbidBody], lens_m: F64, up: F64) -> tuple[F32, F32]:
    """Return the floor that bodies lie on, counted from the lens; a single cell where none does."""
    for body in bodies:
        for shape in body.shapes:
            if shape.ground is not None:
                return shape.ground.from_lens(lens_m, up)
    return np.zeros((1, 1), np.float32), np.zeros(9, np.float32)


def _eddies(flow: TurbulentFlow, lens_m: F64, time_s: float) -> F32:
    """Return eddies as displacements: the integral of cos(x - w t) is -sin(x - w t) / w."""
    turn = 2.0 * math.pi
    here = (flow.waves @ lens_m - flow.frequencies * time_s + flow.phases) / turn + 0.25
    reach = flow.amplitudes / np.maximum(np.abs(flow.frequencies), 1e-30)[:, None]
    reach = reach * np.sign(flow.frequencies)[:, None]
    return np.column_stack([flow.waves / turn, here - np.floor(here), reach]).astype(np.float32)


def _daylight(path: LightPath, farthest_m: float) -> tuple[F32, F32]:
    """Return the daylight on matter by depth, the sun's and all other, and what loops need of the lens."""
    deepest = max(1.0, path.camera_depth_m) + farthest_m
    depths = np.linspace(0.0, deepest, max(2, math.ceil(deepest * _DEPTHS_PER_M) + 1))
    around, by_sun = path.scalar_daylight(depths), path.sun_side(depths)
    light = np.stack([around * by_sun, around * (1.0 - by_sun)]).transpose(0, 2, 1)
    lens = np.array([*path.up, max(1e-6, path.camera_depth_m), (len(depths) - 1) / deepest])
    return np.ascontiguousarray(light, np.float32), lens.astype(np.float32)


def sight_m(path: LightPath) -> float:
    """Return the range beyond which bodies are not followed closely in a water.

    Parameters
    ----------
    path
        The water.

    Returns
    -------
    float
        Metres, 100 at most.
    """
    clearest = float(path.bands.attenuation.min())
    return min(_FARTHEST_M, path.remap.undone(_SIGHT_LENGTHS / max(clearest, 1e-6)))


def ranges_for(bodies: Sequence[TurbidBody], lens_m: F64, path: LightPath) -> F64:
    """Return the ranges at which rays through bodies are tabled, metres, 0 first.

    They are close where a body may be, as close as its edges and clouds want, and far apart elsewhere.

    Parameters
    ----------
    bodies
        The bodies.
    lens_m
        The lens, world metres, ``(3,)``.
    path
        The water.

    Returns
    -------
    F64
        Ascending, ``(N,)``, N at least 3.
    """
    reach = sight_m(path)
    spans = [_span(body, lens_m, path.up, reach) for body in bodies]
    reach = max([reach, *(end for _, end, _ in spans)])
    coarseness = 1.0
    while len(placed := _placed(spans, reach, coarseness)) > _MOST_RANGES and coarseness < _COARSEST:
        coarseness *= 1.15
    return placed


def _placed(spans: Sequence[tuple[float, float, float]], reach_m: float, coarseness: float) -> F64:
    nodes, at = [0.0], 0.0
    while at < _BEYOND * reach_m:
        step = max(0.25, (_GROWTH - 1.0) * at)
        for begin, end, finest in spans:
            if begin <= at < end:
                # Where there are too many, what is far away is followed less closely first.
                share = coarseness * _LEAST_SHARE
                step = min(step, max(finest * max(1.0, share), share * at))
            elif begin > at:
                step = min(step, begin - at + 1e-3)
        at += step
        nodes.append(at)
    return np.array(nodes)


def _span(body: TurbidBody, lens_m: F64, up: F64, reach_m: float) -> tuple[float, float, float]:
    """Return between which ranges a body may be met, and steps that follow it, metres."""
    extents = [_extent(shape, lens_m, up, reach_m) for shape in body.shapes]
    finest = min(finest_step(shape, body) for shape in body.shapes)
    return min(begin for begin, _ in extents), max(end for _, end in extents), finest


def _extent(shape: TurbidShape, lens_m: F64, up: F64, reach_m: float) -> tuple[float, float]:
    """Return between which ranges a shape may be met."""
    if shape.endless:
        height = float(lens_m @ up)
        outside = max(shape.half_m[0] - height, height - shape.half_m[1], 0.0)
        return float(outside), reach_m
    away, radius = float(np.linalg.norm(shape.centre_m - lens_m)), shape.bounding_m
    return max(away - radius, 0.0), away + radius


def finest_step(shape: TurbidShape, body: TurbidBody) -> float:
    """Return steps that follow a shape's edge and the body's clouds, metres."""
    if shape.kind == PUFF:
        return max(0.02, min(_PUFF_STEP * float(shape.half_m.min()), 0.2 * _cloud_length(body)))
    thick = shape.half_m[1] - shape.half_m[0] if shape.endless else 2.0 * float(shape.half_m.min())
    edge = min(shape.softness_m, 0.5 * thick)
    return max(0.02, min(0.5 * edge, 0.2 * _cloud_length(body)))


def _cloud_length(body: TurbidBody) -> float:
    """Return how long a body's clouds are, metres; inf where it has none."""
    lengths = 1.0 / np.sqrt((body.clouds.waves**2).sum(axis=1))
    weights = body.clouds.amplitudes**2
    return float((lengths * weights).sum() / weights.sum()) if weights.sum() > 0.0 else math.inf


def _whole(
    surfaces: SurfacesSeen, picture: F32, water: F32 | None, halo: tuple[F32, float] | None
) -> tuple[F32, tuple[F32, F32, F32], F32, F32, tuple[F32, np.float32], F32]:
    """Return planes as `lay_bodies` takes them, from ranges to light: each in one piece; empty for none."""
    none = np.zeros((0, 0, 0), np.float32)
    far, share, far_light = surfaces.far_range_m, surfaces.far_share, surfaces.far_light
    farther: tuple[F32, F32, F32] = (_NONE, _NONE, _NONE)
    if far is not None and share is not None:
        light = share if far_light is None else far_light
        farther = np.ascontiguousarray(far), np.ascontiguousarray(share), np.ascontiguousarray(light)
    return (
        np.ascontiguousarray(surfaces.range_m),
        farther,
        np.ascontiguousarray(surfaces.coverage),
        none if water is None else np.ascontiguousarray(water),
        (none, _NO_LENGTHS) if halo is None else (np.ascontiguousarray(halo[0]), np.float32(halo[1])),
        np.ascontiguousarray(picture),
    )


def _dot(rays: F32, axis: F64) -> F32:
    x, y, z = (np.float32(number) for number in axis)
    component: F32 = rays[0] * x + rays[1] * y + rays[2] * z
    return np.clip(component, np.float32(-1.0), np.float32(1.0))
