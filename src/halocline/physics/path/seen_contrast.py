"""How dark a black thing looks against the water beside it, by its size.

A small thing hides of the water's light what comes from beyond it: of that exp(-c s) is left on a level view,
less on one down and more on one up, for what is turned into its place comes from beside it. A large one hides
where that light would have come from, so its contrast falls hardly faster than the water absorbs. The thing
is a square; its contrast is that of its mean light against the mean of the water around it, out to half its
side, which it dims as well.
"""

from __future__ import annotations

import math
from functools import cached_property, lru_cache

import numpy as np

from halocline._typing import F64
from halocline.compute.disk_cache import kept, package_mark
from halocline.compute.error_function import erf
from halocline.compute.root import crossing
from halocline.compute.sources import source_digest
from halocline.errors import PhysicsError
from halocline.late_dataclass import dataclass
from halocline.physics.path.point_spread import SLOPES
from halocline.physics.path.transport import LightPath, OpenRays
from halocline.physics.path.water_halo import USUAL_BEND, band_bends, mean_water, taken_and_turned, turns_of
from halocline.physics.water.path_integral import path_integral

FARTHEST_M = 1e5
# Ranges at which halos are reckoned for contrast, in lengths of 1/b; between them they are mixed.
DEPTHS: F64 = np.geomspace(0.02, 60.0, 32)


@dataclass(frozen=True)
class ContrastSeen:
    """What black squares before open water show, at any range and of any size.

    Attributes
    ----------
    path
        The water.
    direction
        Unit view direction, ``(3,)``.
    """

    path: LightPath
    direction: F64

    def at(self, length_m: float, slope: float) -> float:
        """Return the contrast of a square against the water beside it, 0 to 1, of luminance.

        Parameters
        ----------
        length_m
            Metres of water to it, as the optics see them.
        slope
            Its side over its range: how large it looks, above 0. 0 is a small thing, without a halo.
        """
        path, weights = self.path, self._weights
        direct = self._beyond(length_m) / self._beyond(0.0)
        if slope <= 0.0 or length_m <= 0.0:
            return float(weights @ direct)
        # As a picture has it: a thing's own halo, and what is hidden beyond that, each of one shape.
        own, whole = self._gains(np.zeros(len(direct)), length_m), self._gains(self._bends, length_m)
        mean = mean_water(path)
        inside, around = np.zeros((2, len(direct)))
        for gain, beyond in ((own, False), (whole - own, True)):
            shares = _shares(_shape(*mean, length_m, beyond=beyond), slope)
            inside, around = inside + shares[0] * direct * gain, around + shares[1] * direct * gain
        left = weights @ (direct + inside - around)
        return float(left / (weights @ (1.0 - around)))

    def _beyond(self, length_m: float) -> F64:
        """Return what open water beyond a place along the view brings to the lens, ``(K,)``."""
        numbers, end = self._ray
        s = min(length_m, end)
        left = (source * np.exp(-k * s) * path_integral(k, np.float64(end - s)) for source, k in numbers)
        light: F64 = np.sum(list(left), axis=0)
        return light

    @cached_property
    def _ray(self) -> tuple[list[tuple[F64, F64]], float]:
        """Return J and k of both kinds of light along the view, ``(K,)`` each, and where it ends, metres."""
        path = self.path
        mu, cos_sun = (np.array([way @ self.direction], np.float32) for way in (-path.up, path.sun_travel))
        found = OpenRays.of(path, path.veil_rays(), mu, cos_sun).numbers[..., 0].astype(np.float64)
        return [(found[0], found[1]), (found[2], found[3])], float(path.open_length(mu)[0])

    def _gains(self, bends: F64, length_m: float) -> F64:
        """Return the halo of each band relative to its direct light, under light of some bends, ``(K,)``."""
        waters, turns = zip(*taken_and_turned(self.path), strict=True), turns_of(None)
        depths = [
            b * length_m * turns.regained(float(a), float(b), length_m, float(bend))
            for (a, b), bend in zip(waters, bends, strict=True)
        ]
        gains: F64 = np.expm1(np.minimum(depths, 40.0))
        return gains

    def range_of(self, contrast: float, slope: float) -> float:
        """Return the range at which contrast has fallen to a value, metres, at most the farthest looked at.

        Parameters
        ----------
        contrast
            The value, above 0 and below 1.
        slope
            As in `at`.
        """

        def found() -> bytes:
            # At most so far a small thing is seen level; others are looked for farther on from there.
            near, far = 0.0, min(-math.log(contrast) / float(self.path.beam_rate.min()), FARTHEST_M)
            while self.at(far, slope) >= contrast:
                if far == FARTHEST_M:
                    return np.float64(FARTHEST_M).tobytes()
                near, far = far, min(3.0 * far, FARTHEST_M)
            length = crossing(lambda s: self.at(s, slope) - contrast, near, far, within=1e-9)
            return np.float64(length).tobytes()

        # Kept on disk: the halos at all those ranges take longer than a small frame.
        length = np.frombuffer(kept("tables", self._key(contrast, slope), found), np.float64)
        return float(length[0] if length.size == 1 else np.frombuffer(found(), np.float64)[0])

    def _key(self, contrast: float, slope: float) -> bytes:
        """Return all that a contrast's range depends on."""
        path = self.path
        numbers = np.concatenate(
            [
                [contrast, slope, path.attenuation_scale, *mean_water(path)],
                *(self._bends, path.beam_rate, path.bands.scattering, path.molecular_share, self._weights),
                *(number for kind in self._ray[0] for number in kind),
                [self._ray[1]],
            ]
        )
        mark = source_digest(__name__) or package_mark()
        return f"range of contrast {mark} ".encode() + numbers.astype(np.float64).tobytes()

    @cached_property
    def _weights(self) -> F64:
        """Share of each band in the luminance of open water, ``(K,)``."""
        weights: F64 = np.maximum(self.path.luminance @ self.path.bands.down * self._beyond(0.0), 0.0)
        whole = float(weights.sum())
        if not whole > 0.0:
            raise PhysicsError(
                f"no daylight is left {self.path.camera_depth_m:g} m down: nothing stands out before it",
                code="E-PHYSICS-DARK",
                fix="Is place.camera_depth right, and in metres? If it is as dark as that, take [story] out.",
            )
        return weights / whole

    @cached_property
    def _bends(self) -> F64:
        return np.round(band_bends(self.path, self.direction), 3)


def _shape(a: float, b: float, length_m: float, *, beyond: bool) -> F64:
    """Return the halo of a length of water as shares of Gaussians, or that of what is hidden beyond it."""
    table = _shapes(a, b)[int(beyond)]
    at = float(np.interp(math.log(b * length_m), np.log(DEPTHS), np.arange(len(DEPTHS))))
    low = min(int(at), len(DEPTHS) - 2)
    shape: F64 = table[low] + (at - low) * (table[low + 1] - table[low])
    return shape


@lru_cache(maxsize=8)
def _shapes(a: float, b: float) -> F64:
    """Return both halos at `DEPTHS`, ``(2, depths, 1 + slopes)``; kept on disk, for they take a while."""
    size = (2, len(DEPTHS), 1 + len(SLOPES))

    def made() -> bytes:
        own, bent = (
            np.stack([turns_of(None).plane_halo(a, b, float(depth) / b, bend) for depth in DEPTHS])
            for bend in (0.0, USUAL_BEND)
        )
        # Fitted each by itself, one Gaussian may have less of the greater halo: its neighbours have more.
        rows = np.stack([own, bent - own])
        shapes: F64 = rows / rows.sum(axis=2, keepdims=True)
        return shapes.tobytes()

    mark = source_digest(__name__) or package_mark()
    found = np.frombuffer(kept("tables", f"shapes of halos {a!r} {b!r} {mark}".encode(), made), np.float64)
    # Of another size it is whole, and no such table: somebody else's doing.
    return (found if found.size == math.prod(size) else np.frombuffer(made(), np.float64)).reshape(size)


def _shares(shape: F64, side: float) -> tuple[float, float]:
    """Return the mean of a square's halo over the square, and over the water around it, as shares.

    The square's own light 1 throughout, spread by Gaussians; around it reaches a square of twice the side.
    """
    inner = _mean_overlap(side)
    outer = 1.5 * _mean_overlap(1.5 * side) - 0.5 * _mean_overlap(0.5 * side)
    inside = float(shape[0] + shape[1:] @ inner**2)
    around = float(shape[1:] @ (outer**2 - inner**2)) / 3.0
    return inside, around


def _mean_overlap(width: float) -> F64:
    """Return the mean of max(0, 1 - |x| / width) for x of each of `SLOPES`' normal distributions."""
    ratio = width / (SLOPES * math.sqrt(2.0))
    overlap: F64 = erf(ratio) + np.expm1(-(ratio**2)) / (ratio * math.sqrt(math.pi))
    return overlap
