"""Forward scatter: light turned on its way softens what is far, keeps large things and blooms lamps.

A surface stands in the water's own light. What is turned into a ray that would have shown open water comes
from all around it, so a small dark thing fills with light while a large one hides where that light would have
come from. So the halo is not given by a surface's light but by its *difference* to the water behind it. A
wall exactly as bright as the water vanishes; detail fades as exp(-c s), large things hardly faster than the
water absorbs.

Each surface gives a halo that grows with its own range: a near subject stays sharp and keeps its edge, and
the far field's blur does not creep over it. What lies outside the frame is taken to mirror what is inside.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from halocline._typing import F32, F64
from halocline.compute.planes_on_disk import empty_plane, filled_plane
from halocline.compute.threads import in_parallel, rows_shared
from halocline.filters.halo import CELL, HaloField, HaloKernels
from halocline.filters.pyramid_blur import NOTHING, bands_of_rows
from halocline.graph.operator import WHOLE, Operator, Planes, PlaneUse, RowsOf, Tile, Undoing
from halocline.graph.shot import Shot
from halocline.imaging.camera import Camera
from halocline.imaging.frame import Window
from halocline.late_dataclass import dataclass
from halocline.operators.shared.two_surfaces import FARTHER_PLANES, Farther
from halocline.operators.shared.water_shade import WaterShade, water_shade
from halocline.physics.path.halo_rows import add_halo_to_light
from halocline.physics.path.loops import less_one, less_two
from halocline.physics.path.transport import OpenRays, VeilRays, abeam
from halocline.physics.path.water_halo import (
    Surfaces,
    WaterHalo,
    band_bends,
    band_kernels,
    empirical_water_halo,
    water_halo,
)
from halocline.quantities import PerMetre, Ratio, Share, Strict

_NO_PLANES: F32 = np.zeros((0, 0, 0), np.float32)
# The water's own light along rays is reckoned for every so many pixels; rows are worked on a multiple of it
# at a time.
STEP = 8
ROWS_TOGETHER = 64
# Nothing is seen that is so far behind something else, in any water.
_FARTHEST_BEHIND_M = 1e4


class ForwardScatterParameters(Strict):
    """Parameters of forward scatter.

    Attributes
    ----------
    law
        ``turbid``: the sharp forward peak of natural particles. ``smooth``: the rounder lobe of asymmetry.
        ``empirical``: a halo of stated width, for matching by eye.
    acts_on
        ``difference``: on what sets the subject apart from the water's own light, which needs veiling light
        among the steps. ``subject``: on the subject's light alone, for a preset without veiling light.
    detail
        ``colours`` spreads the three colours, with one shape of halo: that of the water as the eye weighs its
        bands. ``bands`` spreads each spectral band by the halo of its own water, at more
        cost: the rims of halos then have their colours.
    asymmetry
        Mean cosine of the smooth lobe, 0.5 to 0.99.
    width
        Width of the empirical halo at one metre, radians per metre of range. A look, not physics.
    gain
        What the empirical halo gets back of the scattered light, 0 to 1.
    strength
        Art: multiplies the halo's light; 1 is physical.
    """

    law: Literal["turbid", "smooth", "empirical"] = "turbid"
    acts_on: Literal["difference", "subject"] = "difference"
    detail: Literal["colours", "bands"] = "colours"
    asymmetry: Annotated[float, Field(ge=0.5, le=0.99)] = 0.924
    width: PerMetre = 0.004
    gain: Share = 0.6
    strength: Ratio = 1.0


@dataclass(frozen=True)
class PreparedScatter:
    """The water's halo; what planes are spread, by band, and how those come back to bands.

    ``kernels`` is one shape for all planes, or one for each; ``shade`` is what things leave of the water's
    light. ``spread`` is there once the whole picture was looked over.
    """

    halo: WaterHalo
    kernels: tuple[HaloKernels, ...]
    mix: F64
    back: F64
    shade: WaterShade | None = None
    spread: SpreadHalo | None = None

    def fields(self, length_m: F32, camera: Camera) -> tuple[HaloField, ...]:
        """Return the halos of a picture with surfaces at these ranges, one for each of the kernels."""
        square, _ = camera.in_square_pixels((length_m.shape[0], length_m.shape[1]))
        return tuple(HaloField.of(length_m, one, camera.globe, square=square) for one in self.kernels)


@dataclass(frozen=True)
class Given:
    """What a picture gives to its halo.

    Attributes
    ----------
    energy
        By pixel, ``(C, rows, columns)``.
    wide
        Sums over cells of what is hidden beyond that, ``(C, cells down, cells across)``.
    """

    energy: F32
    wide: F32

    @classmethod
    def empty(cls, planes: int, shape: tuple[int, int]) -> Given:
        """Return planes that are to be written to; nothing is hidden yet."""
        cells = (-(-shape[0] // CELL), -(-shape[1] // CELL))
        return cls(empty_plane((planes, *shape)), filled_plane((planes, *cells), 0.0))


@dataclass(frozen=True)
class SpreadHalo:
    """A picture's halo: what its pixels give, ``(C, rows, columns)``, and what of that arrives elsewhere."""

    fields: tuple[HaloField, ...]
    energy: F32
    arrived: F32

    @classmethod
    def of(cls, fields: tuple[HaloField, ...], given: Given) -> SpreadHalo:
        """Spread what pixels give by one field, or each plane by its own."""
        energy = given.energy
        if len(fields) == 1:
            return cls(fields, energy, fields[0].arrived(energy, given.wide))
        arrived: F32 = empty_plane((len(energy), *fields[0].stays.shape))
        for number, field in enumerate(fields):
            own = slice(number, number + 1)
            arrived[number] = field.arrived(energy[own], given.wide[own])[0]
        return cls(fields, energy, arrived)

    def rows(self, rows: slice) -> F32:
        """Return some rows of the halo, ``(C, rows, columns)``."""
        given, came = _shared(self.energy, self.fields), _shared(self.arrived, self.fields)
        parts = [
            f.settled(own, more, rows=rows) for f, own, more in zip(self.fields, given, came, strict=True)
        ]
        return parts[0] if len(parts) == 1 else np.concatenate(parts)

    def add_to(
        self, light: F32, first: int, back: F32, held: tuple[F32, F32, F32], halo: F32, out: F32
    ) -> None:
        """Write some rows of light with their halo; see `add_halo_to_light`."""
        stays = tuple(field.stays for field in self.fields)
        add_halo_to_light(self.energy, self.arrived, stays, back, first, held, light, halo, out)


class ForwardScatter(Operator[ForwardScatterParameters, PreparedScatter]):
    """Adds the halo of what sets surfaces apart from the water behind them."""

    Parameters = ForwardScatterParameters
    nothing_at: ClassVar = {"strength": 0.0}
    layer = "scatter"
    surveys = True
    surveys_rows = True
    parts_light = True
    undone = Undoing.KEYS
    uses = frozenset({"light.shadows", "light.shadow_softness"})

    def planes(self) -> PlaneUse:
        """Read attenuated light and how far it came; write light and the halo by itself.

        Stands best between attenuation and veiling light; light that was added before it is left out of it.
        """
        return PlaneUse(
            reads=frozenset({"bands", "alpha", "range"}),
            optional=frozenset(
                {"coverage", "path_length", "far_path_length", "surface_share", *FARTHER_PLANES}
            ),
            writes=frozenset({"bands", "halo"}),
            added=True,
        )

    def idle(self, shot: Shot) -> bool:
        """Without strength, or where nothing scatters, nothing changes."""
        return self.parameters.strength == 0.0 or shot.path.attenuation_scale == 0.0

    def reach(self, shot: Shot) -> int:  # noqa: ARG002 - part of the protocol
        """A halo has no end."""
        return WHOLE

    def prepare(self, shot: Shot) -> PreparedScatter:
        """Return the water's halo on this frame."""
        p, path = self.parameters, shot.path
        shape, focal = shot.camera.in_square_pixels(shot.data_window.shape)
        shade = water_shade(shot) if p.acts_on == "difference" else None
        kernels: tuple[HaloKernels, ...] = ()
        if p.law == "empirical":
            blur = 2.0 * math.pi * p.width
            halo = empirical_water_halo(path, gain=p.gain, blur=blur, shape=shape, focal_px=focal)
        else:
            asymmetry = p.asymmetry if p.law == "smooth" else None
            bends = np.zeros(path.bands.count)
            if p.acts_on == "difference":
                bends = np.mean([band_bends(path, view) for view in _views(shot)], axis=0)
            halo = water_halo(path, asymmetry, bends=bends, shape=shape, focal_px=focal)
            if p.detail == "bands":
                kernels = band_kernels(path, asymmetry, shape=shape, focal_px=focal)
        if p.detail == "bands":
            each = np.eye(path.bands.count)
            return PreparedScatter(halo, kernels or (halo.kernels,), p.strength * each, each, shade)
        down, up = p.strength * path.bands.down, path.bands.up
        return PreparedScatter(halo, (halo.kernels,), down, up, shade)

    def survey(self, planes: Planes, tile: Tile, shot: Shot, prepared: PreparedScatter) -> PreparedScatter:
        """Spread the halo of the whole picture."""
        length = _length(planes, tile.window, shot)
        fields = prepared.fields(length, shot.camera)
        return replace(prepared, spread=self.spread(planes, length, fields, tile, shot, prepared))

    def survey_by_rows(
        self, rows: RowsOf, tile: Tile, shot: Shot, prepared: PreparedScatter
    ) -> PreparedScatter:
        """Spread the halo of the whole picture, of which only what pixels give to it is held."""
        window = tile.window
        length: F32 = empty_plane(window.shape)
        given = Given.empty(len(prepared.mix), window.shape)

        def look(rows_seen: slice) -> None:
            part = _rows(window, rows_seen)
            planes = rows.planes(rows_seen.start, rows_seen.stop)
            own = replace(tile, region=part, window=part)
            length[rows_seen] = _length(planes, part, shot)
            self._give(planes, length[rows_seen], own, shot, prepared, given, rows_seen.start)

        # Beginning where the water's own light is reckoned.
        at_once = max(STEP, rows.together // STEP * STEP)
        in_parallel(look, rows_shared(window.height, at_once, step=STEP))
        fields = prepared.fields(length, shot.camera)
        return replace(prepared, spread=SpreadHalo.of(fields, given))

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: PreparedScatter) -> Planes:
        """Scatter."""
        assert prepared.spread is not None  # it was surveyed
        top, bands = tile.region.y - shot.data_window.y, np.ascontiguousarray(planes["bands"])
        # A veil that is added later sees to it itself.
        veil = planes.get("veil") if "veil" in tile.added else None
        told = tile.wants("halo")
        lit = np.empty(bands.shape, np.float32)
        halo = np.empty_like(lit) if told else _NO_PLANES
        prepared.spread.add_to(
            bands,
            top,
            np.ascontiguousarray(prepared.back, np.float32),
            (_NO_PLANES if veil is None else np.ascontiguousarray(veil), *shot.path.colours),
            halo,
            lit,
        )
        return {"bands": lit, "halo": halo} if told else {"bands": lit}

    def spread(
        self,
        planes: Planes,
        length: F32,
        fields: tuple[HaloField, ...],
        tile: Tile,
        shot: Shot,
        prepared: PreparedScatter,
    ) -> SpreadHalo:
        """Return the halo of a whole picture.

        Parameters
        ----------
        planes
            At least ``bands``, down to exp(-c s), and ``alpha``.
        length
            Metres of water to each surface.
        fields
            Made of ``length``.
        tile, shot, prepared
            As in `survey`.
        """
        given = Given.empty(len(prepared.mix), (length.shape[0], length.shape[1]))
        self._give(planes, length, tile, shot, prepared, given, 0)
        return SpreadHalo.of(fields, given)

    def _give(
        self,
        planes: Planes,
        length: F32,
        tile: Tile,
        shot: Shot,
        prepared: PreparedScatter,
        given: Given,
        to: int,
    ) -> None:
        """Write what each pixel gives to the halo, from a row on."""
        bands = np.ascontiguousarray(planes["bands"])
        added = _in_two([planes[name] for name in tile.added if name in planes])
        cover = planes.get("coverage", planes["alpha"])
        farther, behind = _behind(planes)
        surfaces = Surfaces(*(np.ascontiguousarray(plane) for plane in (length, cover, *behind)))

        veil = shot.path.veil_rays()

        def give(rows: slice) -> None:
            rays = self._rays(_rows(tile.window, rows), shot, veil, prepared.shade)
            energy, wide = given.energy, given.wide
            fixed = bands, surfaces, rays, prepared.mix, energy, wide, rows
            prepared.halo.give(*fixed, added=added, to=to + rows.start)

        in_parallel(give, bands_of_rows(len(length), at_once=ROWS_TOGETHER))
        if farther is not None and len(farther.where[0]):
            self._give_farther(planes, added, surfaces, farther, tile.window, shot, prepared, given, to)

    def _rays(self, window: Window, shot: Shot, veil: VeilRays, shade: WaterShade | None) -> OpenRays:
        """Return what open water brings to the lens along every so many of a window's rays.

        What shade has taken of it already things cannot hide once more.
        """
        wider = Window(window.x, window.y, window.width + 2 * STEP, window.height + 2 * STEP)
        mu, cos_sun = (shot.view_plane(name, wider, every=STEP) for name in ("downward", "sun_cosine"))
        rays = OpenRays.of(shot.path, veil, mu, cos_sun, step=STEP)
        return self._water(rays if shade is None else rays.shaded(shade.before_things(wider, STEP)))

    def _water(self, rays: OpenRays) -> OpenRays:
        return rays.without_light() if self.parameters.acts_on == "subject" else rays

    def _give_farther(
        self,
        planes: Planes,
        added: list[F32],
        surfaces: Surfaces,
        farther: Farther,
        window: Window,
        shot: Shot,
        prepared: PreparedScatter,
        given: Given,
        to: int,
    ) -> None:
        """Add what the farther surfaces of mixed pixels give, from a row on."""
        mu, cos_sun = (farther.at(shot.view_plane(name, window))[None] for name in ("downward", "sun_cosine"))
        lengths = planes.get("far_path_length")
        length = shot.path.path_length(farther.range_m, mu[0]) if lengths is None else farther.at(lengths)
        rays = OpenRays.of(shot.path, shot.path.veil_rays(), mu, cos_sun)
        if prepared.shade is not None:
            rows, columns = farther.where
            pixels = np.stack([columns + window.x + 0.5, rows + window.y + 0.5], axis=1)
            left = prepared.shade.before_farther(pixels, farther.range_m)
            rays = rays.shaded(left[:, None])
        rays = self._water(rays)
        light = _direct(farther.at(planes["bands"]), [farther.at(part) for part in added])
        behind_m = length - farther.at(surfaces.length_m)
        light = light * _share_by_band(farther.at(farther.share), light, behind_m, shot.path.beam_rate)
        share = np.clip(farther.at(surfaces.cover), np.float32(0.0), np.float32(1.0))
        share = share * farther.at(surfaces.far_share)
        own = Surfaces(length[None], share[None])
        more, hidden = np.zeros((2, len(prepared.mix), 1, len(length)), np.float32)
        prepared.halo.give(light[:, None], own, rays, prepared.mix, more, hidden, cell=1)
        rows, columns = farther.where[0] + to, farther.where[1]
        given.energy[:, rows, columns] += more[:, 0]
        cells = (rows // CELL) * given.wide.shape[2] + columns // CELL
        for plane, more_hidden in zip(given.wide, hidden[:, 0], strict=True):
            np.add.at(plane.reshape(-1), cells, more_hidden)


def _share_by_band(share: F32, light: F32, behind_m: F32, rate: F64) -> F32:
    """Return which part of the light in each band is the farther surface's, ``(K, n)``.

    The whole picture has one share for all bands. A halo gives back nearly all that was turned, ten powers of
    ten and more in a band that the water takes most of: there a share that is right for the brightest band
    would make a sun of it. What both surfaces sent out is taken to be alike in colour.

    Parameters
    ----------
    share
        The farther surface's of all light, ``(n,)``.
    light
        Of both at the lens, ``(K, n)``.
    behind_m
        Metres of water from one to the other, ``(n,)``.
    rate
        What the water takes, 1/m, ``(K,)``.
    """
    lost = rate[:, None] * np.clip(behind_m.astype(np.float64), 0.0, _FARTHEST_BEHIND_M)
    left = np.exp(lost.min(axis=0) - lost)
    shown = np.maximum(light, np.float32(0.0))
    mean = (shown * left).sum(axis=0) / np.maximum(shown.sum(axis=0), np.float32(1e-30))
    far, near = share * left, (np.float32(1.0) - share) * mean
    part: F32 = (far / np.maximum(far + near, 1e-30)).astype(np.float32)
    return part


def _behind(planes: Planes) -> tuple[Farther | None, tuple[F32, F32]]:
    """Return farther surfaces that give a halo, and which shares of light and area nearer ones do not have.

    The sea's surface gives none: what open water brings to the lens holds all that the water turns of the
    light from above and of its mirror image, and what comes straight from there is all that is left to add.
    """
    farther, above = Farther.of(planes), planes.get("surface_share")
    light = NOTHING if farther is None else farther.share
    area = planes.get("far_share", light)
    if above is None:
        return farther, (light, area)
    covered = planes["alpha"] > 0.0
    if farther is None:
        return None, (np.where(covered, np.float32(0.0), above), np.zeros_like(above))
    light = np.where(covered, light, above)
    # It is behind what covers a pixel, and no part of that.
    area = planes.get("far_share", np.zeros_like(light))
    things = np.nonzero(np.isfinite(farther.range_m) | (farther.at(above) == 0.0))
    where = (farther.where[0][things], farther.where[1][things])
    return Farther(farther.share, where, farther.range_m[things]), (light, area)


def _views(shot: Shot) -> list[F64]:
    """Return the directions for which the water's light is judged: the axis; of a panorama, level ones."""
    axis = shot.camera.axis
    if axis is not None:
        return [axis]
    aside = abeam(shot.path)
    ahead = np.cross(shot.path.up, aside)
    return [aside, -aside, ahead, -ahead]


def _length(planes: Planes, window: Window, shot: Shot) -> F32:
    """Return the metres of water to each surface of some rows."""
    length = planes.get("path_length")
    if length is None:
        length = shot.path.path_length(planes["range"], shot.view_plane("downward", window))
    return length


def _shared(planes: F32, fields: tuple[HaloField, ...]) -> list[F32]:
    """Return the planes that each field spreads."""
    return [planes] if len(fields) == 1 else [planes[k : k + 1] for k in range(len(planes))]


def _rows(window: Window, rows: slice) -> Window:
    first, last, _ = rows.indices(window.height)
    return window.rows(first, last)


def _in_two(added: list[F32]) -> list[F32]:
    """Return what the water added in two parts at most."""
    return [added[0], sum(added[2:], start=added[1])] if len(added) > 2 else added


def _direct(light: F32, added: list[F32]) -> F32:
    """Return light minus what the water added to it, ``(K, n)``, in two parts at most."""
    if not added:
        return np.ascontiguousarray(light)
    direct = np.empty(light.shape, np.float32)
    for band, left in enumerate(direct):
        if len(added) == 1:
            less_one(light[band], added[0][band], left)
        else:
            less_two(light[band], added[0][band], added[1][band], left)
    return direct
