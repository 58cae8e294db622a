"""Clouds in the haze: matter that is too fine to be drawn is as patchy as the particles it comes with.

The density is followed along rays some pixels apart. For each, the mean density up to some ranges is kept, as
a lens sees it through the water; between rays and ranges it is interpolated.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.filters.splat import Area
from halocline.late_dataclass import dataclass
from halocline.physics.floating.exposure import Exposure
from halocline.physics.floating.haze_loops import cloud_ratios
from halocline.physics.floating.suspended import Motion, ParticleClass
from halocline.physics.path.transport import LightPath

_RAY_SPACING_PX = 24
_FIRST_M = 0.2
_RATIO = 1.35
_LAST = 15
# Samples of the density in each step of range.
_SAMPLES = 2
# Classes with a smaller share of all haze are taken as even.
_LEAST_SHARE = 0.02
# Haze that adds less than this to the view has no clouds that an eye would find.
_LEAST_HAZE = 0.04


@dataclass(frozen=True)
class HazeClouds:
    """Mean relative density of the haze in front of each place of a picture.

    Attributes
    ----------
    table
        ``(ranges, rows, columns)`` on the grid of rays; its first ray is at the area's corner.
    area
        The whole picture.
    spacing_px
        From ray to ray.
    """

    table: F32
    area: Area
    spacing_px: float

    def ratio(self, part: Area, range_m: F32) -> F32:
        """Return the density over its mean for each pixel of a part ``(rows, columns)`` of given range."""
        left, by_x = _split((np.arange(part.column, part.column_end) - self.area.column) / self.spacing_px)
        top, by_y = _split((np.arange(part.row, part.row_end) - self.area.row) / self.spacing_px)
        out = np.empty(range_m.shape, np.float32)
        cloud_ratios(self.table, top, by_y, left, by_x, _places(range_m), out)
        return out

    def ratio_at(self, pixels: F64, range_m: F64) -> F64:
        """Return the density over its mean in front of things at pixels ``(n, 2)`` and ranges ``(n,)``."""
        rows, columns = self.table.shape[1:]
        x = np.clip((pixels[:, 0] - 0.5 - self.area.column) / self.spacing_px, 0.0, columns - 1.001)
        y = np.clip((pixels[:, 1] - 0.5 - self.area.row) / self.spacing_px, 0.0, rows - 1.001)
        (left, by_x), (top, by_y) = _split(x), _split(y)
        place = np.clip(_places(range_m.astype(np.float32)), np.float32(0.0), np.float32(_LAST - 0.001))
        step, share = _split(place)
        near, far = (
            _mixed(
                _mixed(self.table[at, top, left], self.table[at, top, left + 1], by_x),
                _mixed(self.table[at, top + 1, left], self.table[at, top + 1, left + 1], by_x),
                by_y,
            )
            for at in (step, step + 1)
        )
        return _mixed(near, far, share).astype(np.float64)


def _split(place: F32 | F64) -> tuple[NDArray[np.int64], F32]:
    whole = place.astype(np.int64)
    return whole, (place - whole).astype(np.float32)


def _places(range_m: F32) -> F32:
    """Return how many steps of range there are before each; below 0 where it is nearer than the first."""
    with np.errstate(divide="ignore"):
        place: F32 = np.log(range_m * np.float32(1.0 / _FIRST_M))
    place *= np.float32(1.0 / math.log(_RATIO))
    return place


def _mixed(first: F32, second: F32, share: F32) -> F32:
    mixed: F32 = second - first
    mixed *= share
    mixed += first
    return mixed


def haze_clouds(
    classes: Sequence[ParticleClass], motion: Motion, exposure: Exposure, path: LightPath
) -> HazeClouds | None:
    """Return the clouds of some classes' haze; nothing where it is even, or too thin for them to be seen.

    Parameters
    ----------
    classes
        Kinds of particles.
    motion
        What carries them.
    exposure
        The lens while the shutter is open.
    path
        The water and its light.

    Returns
    -------
    HazeClouds | None
        The clouds, or None where none would be seen.
    """
    rate = float(path.beam_rate.mean())
    parts = [kind.opacity * kind.sizes.cross_section() * float(kind.albedo.mean()) for kind in classes]
    whole = sum(parts)
    patchy = [
        (kind, part / whole)
        for kind, part in zip(classes, parts, strict=True)
        if kind.patches.amplitude > 0.0 and part > _LEAST_SHARE * whole
    ]
    # The haze's light against that of the water itself, over a whole view.
    blocking = sum(kind.opacity * kind.thinned_to * kind.sizes.cross_section() for kind in classes)
    if not patchy or blocking < _LEAST_HAZE * max(rate, 1e-6):
        return None
    rays = _rays(exposure)
    shape = rays.shape[:-1]
    ranges = _FIRST_M * _RATIO ** np.arange(_LAST + 1)
    edges = np.concatenate([[0.0], ranges])
    weight, total = 0.0, np.zeros(shape)
    table = np.empty((len(ranges), *shape), np.float32)
    for index in range(len(ranges)):
        for sample in range(_SAMPLES):
            place = edges[index] + (edges[index + 1] - edges[index]) * (sample + 0.5) / _SAMPLES
            seen = (edges[index + 1] - edges[index]) * math.exp(-rate * place)
            weight += seen
            total += seen * _density(patchy, motion, exposure, path.up, rays * place)
        table[index] = total / weight
    return HazeClouds(table, exposure.area, _spacing_px(exposure))


def _spacing_px(exposure: Exposure) -> float:
    """Return how far rays lie apart; around a panorama there are whole spacings, so that it has no seam."""
    globe = exposure.middle.globe
    if globe is None:
        return float(_RAY_SPACING_PX)
    return globe.around_px / max(1, round(globe.around_px / _RAY_SPACING_PX))


def _rays(exposure: Exposure) -> F64:
    """Return unit view directions in camera space on the grid, ``(rows, columns, 3)``, past the far edges."""
    area, apart = exposure.area, _spacing_px(exposure)
    x: F64 = area.column + 0.5 + np.arange(int(area.columns / apart) + 2, dtype=np.float64) * apart
    y: F64 = area.row + 0.5 + np.arange(int((area.row_end - area.row) / apart) + 2, dtype=np.float64) * apart
    return np.ascontiguousarray(np.moveaxis(exposure.middle.rays(x, y), 0, 2))


def _density(
    patchy: Sequence[tuple[ParticleClass, float]], motion: Motion, exposure: Exposure, up: F64, offset: F64
) -> F64:
    """Return the relative density at points seen from the lens, camera space ``(rows, columns, 3)``."""
    time = exposure.times_s[1]
    rotation, position = motion.drift.into_field(exposure.middle.rotation, exposure.middle.position_m, time)
    flat = offset.reshape(-1, 3)
    columns = [flat[:, 0] * row[0] + flat[:, 1] * row[1] + flat[:, 2] * row[2] for row in rotation]
    places = np.stack(columns, axis=1) + position
    density = np.full(len(places), 1.0 - sum(share for _, share in patchy))
    for kind, share in patchy:
        home = places - motion.lattice_shift(kind.sinking_m_s[0], up, time)
        density += share * kind.patches.ratio(home)
    return density.reshape(offset.shape[:-1])
