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
from dataclasses import dataclass
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from halocline._typing import F32, F64
from halocline.compute.threads import in_parallel
from halocline.filters.halo import HaloField
from halocline.filters.pyramid_blur import bands_of_rows
from halocline.graph.light_form import combine
from halocline.graph.operator import WHOLE, Operator, Planes, PlaneUse, Tile
from halocline.graph.shot import Shot
from halocline.imaging.frame import Window
from halocline.operators.shared.two_surfaces import FARTHER_PLANES, Farther
from halocline.physics.path.transport import open_water_beyond
from halocline.physics.path.water_halo import WaterHalo, empirical_water_halo, light_bend, water_halo
from halocline.quantities import PerMetre, Ratio, Share, Strict

# Taking it off again leaves rounding of some 2^-22 of the sum, which a long way would make into a sun.
FAINTEST = np.float32(2.0**-18)


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
        ``colours`` spreads the three colours, with one shape of halo; ``bands`` each spectral band, at twice
        the cost, which differs where a halo's colours are strong and later steps filter them.
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
    """The water's halo; what planes are spread, by band, and how those come back to bands."""

    halo: WaterHalo
    mix: F64
    back: F64 | None


class ForwardScatter(Operator[ForwardScatterParameters, PreparedScatter]):
    """Adds the halo of what sets surfaces apart from the water behind them."""

    Parameters = ForwardScatterParameters
    layer = "scatter"

    def planes(self) -> PlaneUse:
        """Read attenuated light and how far it came; write light and the halo by itself.

        Stands best between attenuation and veiling light; light that was added before it is left out of it.
        """
        return PlaneUse(
            reads=frozenset({"bands", "alpha", "range"}),
            optional=frozenset({"coverage", "path_length", "far_path_length", *FARTHER_PLANES}),
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
        p, path, shape = self.parameters, shot.path, shot.data_window.shape
        focal = shot.camera.focal_px
        if p.law == "empirical":
            blur = 2.0 * math.pi * p.width
            halo = empirical_water_halo(path, gain=p.gain, blur=blur, shape=shape, focal_px=focal)
        else:
            asymmetry = p.asymmetry if p.law == "smooth" else None
            unlike = p.acts_on == "difference"
            bend = light_bend(path, -shot.camera.rotation[:, 2]) if unlike else 0.0
            halo = water_halo(path, asymmetry, bend=bend, shape=shape, focal_px=focal)
        if p.detail == "bands":
            return PreparedScatter(halo, p.strength * np.eye(path.bands.count), None)
        return PreparedScatter(halo, p.strength * path.bands.down, path.bands.up)

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: PreparedScatter) -> Planes:
        """Scatter."""
        bands = planes["bands"]
        length = planes.get("path_length")
        if length is None:
            length = shot.path.path_length(planes["range"], shot.view_plane("downward", tile.window))
        energy = self.spread(planes, length, tile, shot, prepared)
        pieces = bands_of_rows(len(length))
        lit = np.empty_like(bands)
        halo = np.empty_like(bands) if tile.wants("halo") else None

        def add(rows: slice) -> None:
            change = energy[:, rows]
            if prepared.back is not None:
                change = combine(prepared.back, np.ascontiguousarray(change))
            np.add(bands[:, rows], change, out=lit[:, rows])
            if halo is not None:
                halo[:, rows] = change

        in_parallel(add, pieces)
        return {"bands": lit} if halo is None else {"bands": lit, "halo": halo}

    def spread(self, planes: Planes, length: F32, tile: Tile, shot: Shot, prepared: PreparedScatter) -> F32:
        """Return the halo of a picture, ``(C, rows, columns)``: as colours, or as bands (`detail`).

        Parameters
        ----------
        planes
            At least ``bands``, down to exp(-c s), and ``alpha``, over the whole picture.
        length
            Metres of water to each surface.
        tile, shot, prepared
            As in `apply`.
        """
        energy = self._given(planes, length, tile, shot, prepared)
        field = HaloField.of(length, prepared.halo.kernels)

        def spread(plane: int) -> None:
            arrived = field.arrived(energy[plane])
            for rows in bands_of_rows(len(length)):
                field.settle(energy[plane], arrived, rows=rows)

        in_parallel(spread, range(len(energy)))
        return energy

    def _given(self, planes: Planes, length: F32, tile: Tile, shot: Shot, prepared: PreparedScatter) -> F32:
        """Return what each pixel gives to the halo, ``(C, rows, columns)``."""
        window = tile.window
        added = [planes[name] for name in tile.added if name in planes]
        energy = np.zeros((len(prepared.mix), *length.shape), np.float32)
        cover = np.clip(planes.get("coverage", planes["alpha"]), np.float32(0.0), np.float32(1.0))
        farther = Farther.of(planes)
        near = cover if farther is None else _less_farther(cover, planes, farther)
        light_share = None if farther is None else np.float32(1.0) - farther.share

        def give(rows: slice) -> None:
            direct = _direct(planes["bands"], added, rows)
            if light_share is not None:
                direct = direct * light_share[rows]
            # Where there is no surface, any place will do: the lens itself.
            surface = np.where(near[rows] > 0, length[rows], np.float32(np.inf))
            beyond = self._beyond(surface, _rows(window, rows), shot)
            prepared.halo.give(
                direct, length[rows], near[rows], beyond, shot.path.beam_rate, prepared.mix, energy[:, rows]
            )

        in_parallel(give, bands_of_rows(len(length)))
        if farther is not None and len(farther.where[0]):
            self._give_farther(planes, added, cover, farther, window, shot, prepared, energy)
        return energy

    def _beyond(self, length: F32, window: Window, shot: Shot) -> F32:
        """Return the water's own light at surfaces, along the ray, at half resolution."""
        half = _nearest_of_four(length)
        half[np.isinf(half)] = np.float32(0.0)
        if self.parameters.acts_on == "subject":
            return np.zeros((shot.path.bands.count, *half.shape), np.float32)
        mu, cos_sun = (
            np.ascontiguousarray(shot.view_plane(name, window)[::2, ::2])
            for name in ("downward", "sun_cosine")
        )
        return open_water_beyond(shot.path, half, mu, cos_sun)

    def _give_farther(
        self,
        planes: Planes,
        added: list[F32],
        cover: F32,
        farther: Farther,
        window: Window,
        shot: Shot,
        prepared: PreparedScatter,
        energy: F32,
    ) -> None:
        """Add what the farther surfaces of mixed pixels give."""
        mu, cos_sun = (farther.at(shot.view_plane(name, window)) for name in ("downward", "sun_cosine"))
        lengths = planes.get("far_path_length")
        length = shot.path.path_length(farther.range_m, mu) if lengths is None else farther.at(lengths)
        if self.parameters.acts_on == "subject":
            beyond = np.zeros((shot.path.bands.count, len(length)), np.float32)
        else:
            beyond = open_water_beyond(shot.path, length, mu, cos_sun)
        direct = farther.at(_direct(planes["bands"], added, slice(None))) * farther.at(farther.share)
        share = farther.at(cover) * farther.at(planes.get("far_share", farther.share))
        # Two alike for each, since the water's light is given for every other.
        light, metres, cover = (plane.repeat(2, axis=-1)[..., None, :] for plane in (direct, length, share))
        given = np.zeros((len(prepared.mix), 1, 2 * len(length)), np.float32)
        prepared.halo.give(light, metres, cover, beyond[:, None], shot.path.beam_rate, prepared.mix, given)
        energy[:, farther.where[0], farther.where[1]] += given[:, 0, ::2]


def _less_farther(cover: F32, planes: Planes, farther: Farther) -> F32:
    """Return the share of each pixel that shows its nearer surface."""
    return cover * (np.float32(1.0) - planes.get("far_share", farther.share))


def _rows(window: Window, rows: slice) -> Window:
    first, last, _ = rows.indices(window.height)
    return window.rows(first, last)


def _nearest_of_four(plane: F32) -> F32:
    """Return the least of each 2 x 2 pixels; an odd last row or column stands alone."""
    half = plane[::2, ::2].copy()
    rows, columns = plane.shape[0] // 2, plane.shape[1] // 2
    for part, view in (
        (half[:rows], plane[1::2, ::2]),
        (half[:, :columns], plane[::2, 1::2]),
        (half[:rows, :columns], plane[1::2, 1::2]),
    ):
        np.minimum(part, view, out=part)
    return half


def _direct(bands: F32, added: list[F32], rows: slice) -> F32:
    """Return some rows of light minus what the water added to it, ``(K, ...)``."""
    light = bands[:, rows]
    direct = light
    for part in added:
        direct = direct - part[:, rows]
    if added:
        direct[np.abs(direct) < FAINTEST * np.abs(light)] = np.float32(0.0)
    return direct
