"""Forward scatter: light turned by small angles, which softens what is far and makes bright things bloom.

Each surface gives a halo that grows with its own range: a near subject stays sharp and keeps its edge, and
the far field's blur does not creep over it.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from halocline._typing import F32, F64
from halocline.compute.threads import in_parallel
from halocline.filters.pyramid_blur import (
    HaloField,
    HaloKernels,
    bands_of_rows,
    halo_widths,
    level_count,
)
from halocline.graph.operator import WHOLE, Operator, Planes, PlaneUse, Tile
from halocline.graph.shot import Shot
from halocline.physics.path.scattering import (
    SmallAngleScatter,
    empirical_halos,
    fournier_forand,
    halo_energy,
    henyey_greenstein_scatter,
    scattered_halos,
    small_angle_scatter,
)
from halocline.quantities import PerMetre, Ratio, Share, Strict

# Ranges for which there is a kernel, in lengths of 1/b: from hardly scattered to scattered many times over.
KERNEL_DEPTHS = (0.05, 0.1, 0.2, 0.42, 0.9, 1.9, 4.0)
# Taking it off again leaves rounding of some 2^-22 of the sum, which a long way would make into a sun.
FAINTEST = np.float32(2.0**-18)


class ForwardScatterParameters(Strict):
    """Parameters of forward scatter.

    Attributes
    ----------
    law
        ``turbid``: small-angle theory with the sharp forward peak of natural particles. ``smooth``: the same
        with the rounder lobe of asymmetry. ``empirical``: a halo of stated width, for matching by eye.
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
    asymmetry: Annotated[float, Field(ge=0.5, le=0.99)] = 0.924
    width: PerMetre = 0.004
    gain: Share = 0.6
    strength: Ratio = 1.0


class ForwardScatter(Operator[ForwardScatterParameters, tuple[F64, HaloKernels]]):
    """Adds the halo of the direct light."""

    Parameters = ForwardScatterParameters
    layer = "scatter"

    def planes(self) -> PlaneUse:
        """Read attenuated light and how far it came; write light and the halo by itself.

        Stands best between attenuation and veiling light; light that was added before it is left out of it.
        """
        return PlaneUse(
            reads=frozenset({"bands", "range"}),
            optional=frozenset({"path_length"}),
            writes=frozenset({"bands", "halo"}),
            added=True,
        )

    def idle(self, shot: Shot) -> bool:
        """Without strength, or where nothing scatters, nothing changes."""
        return self.parameters.strength == 0.0 or shot.path.attenuation_scale == 0.0

    def reach(self, shot: Shot) -> int:  # noqa: ARG002 - part of the protocol
        """A halo has no end."""
        return WHOLE

    def prepare(self, shot: Shot) -> tuple[F64, HaloKernels]:
        """Return what each band regains of its scattering, 1/m, and the kernels by range."""
        p = self.parameters
        path = shot.path
        scattering = path.bands.scattering * path.attenuation_scale
        middle = float(np.mean(scattering))
        ranges = tuple(depth / middle for depth in KERNEL_DEPTHS)
        levels = level_count(shot.data_window.shape) - 1
        focal = shot.camera.focal_px
        if p.law == "empirical":
            return p.gain * scattering, _empirical_kernels(ranges, levels, p.width, focal)
        scatter = _scatter(p.law, p.asymmetry)
        kernels = _kernels(p.law, p.asymmetry, ranges, levels, middle, focal)
        return scatter.forward_share * scattering, kernels

    def apply(
        self,
        planes: Planes,
        tile: Tile,
        shot: Shot,
        prepared: tuple[F64, HaloKernels],
    ) -> Planes:
        """Scatter."""
        regained, kernels = prepared
        bands = planes["bands"]
        added = [planes[name] for name in tile.added if name in planes]
        length = planes.get("path_length")
        if length is None:
            length = shot.path.remap.apply(planes["range"])
        field = HaloField.of(length, kernels)
        lit = np.empty_like(bands)
        halo = np.empty_like(bands) if tile.wants("halo") else None
        # While they are in the processor's cache.
        pieces = bands_of_rows(len(length))

        def scatter(band: int) -> None:
            # The halo is made where it is then added to the direct light.
            light = lit[band]
            for rows in pieces:
                halo_energy(
                    _direct(bands[band, rows], [plane[band, rows] for plane in added]),
                    length[rows],
                    float(regained[band]),
                    strength=self.parameters.strength,
                    out=light[rows],
                )
            arrived = field.arrived(light)
            for rows in pieces:
                field.settle(light, arrived, rows=rows)
                if halo is not None:
                    halo[band, rows] = light[rows]
                light[rows] += bands[band, rows]

        in_parallel(scatter, range(len(bands)))
        return {"bands": lit} if halo is None else {"bands": lit, "halo": halo}


def _direct(light: F32, added: list[F32]) -> F32:
    """Return light less what the water added to it."""
    direct = light
    for part in added:
        direct = direct - part
    if added:
        direct[np.abs(direct) < FAINTEST * np.abs(light)] = np.float32(0.0)
    return direct


@lru_cache(maxsize=8)
def _scatter(law: str, asymmetry: float) -> SmallAngleScatter:
    if law == "smooth":
        return henyey_greenstein_scatter(asymmetry)
    return small_angle_scatter(fournier_forand)


@lru_cache(maxsize=8)
def _kernels(
    law: str, asymmetry: float, ranges: tuple[float, ...], levels: int, b: float, focal_px: float
) -> HaloKernels:
    return scattered_halos(
        _scatter(law, asymmetry), np.array(ranges), halo_widths(levels), b=b, focal_px=focal_px
    )


@lru_cache(maxsize=8)
def _empirical_kernels(ranges: tuple[float, ...], levels: int, width: float, focal_px: float) -> HaloKernels:
    return empirical_halos(
        np.array(ranges), halo_widths(levels), blur=2.0 * math.pi * width, focal_px=focal_px
    )
