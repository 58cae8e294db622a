"""Gaussians on the sphere, for pictures of all directions: alike everywhere, with neither seam nor poles.

A Gaussian is what heat from a point becomes: on the sphere, spherical harmonics of degree l fade by
exp(-l (l + 1) sigma^2 / 2) (perrin1928, Brownian motion on a sphere). Wide ones are made so, exactly. Narrow
ones, for which that would take too many harmonics, are made of a Gaussian along each circle of latitude, as
much wider in longitude as the circle is shorter, and one along the meridians; each place counts by its area.
About the poles, where that is not the same, they are those of a plane in polar coordinates: waves of order m
around the pole spread from r' to r by exp(-(r^2 + r'^2) / 2 sigma^2) I_m(r r' / sigma^2) (carslaw1959, 14.8).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cached_property, lru_cache

import cv2
import numpy as np

from halocline._typing import F32, F64, AnyArray
from halocline.compute.on_demand import OnDemand
from halocline.late_dataclass import dataclass

special = OnDemand("scipy.special")

# Degrees of harmonics, at most; and of how many degrees over 1 / sigma a Gaussian has anything: exp(-6).
_MOST_DEGREES = 96
_DEGREES_PER_WIDTH = 3.5
# Along a meridian, a Gaussian ends after so many widths.
_ENDS_AFTER = 4.0
# A pole is felt up to so many widths from it.
_CAP_WIDTHS = 6.0


@dataclass(frozen=True)
class GlobeBlur:
    """Sums of Gaussians over pictures of all directions.

    Attributes
    ----------
    shape
        Rows and columns of the pictures.
    widths_rad
        Standard deviations, radians, ascending, ``(n,)``. The first is what the pictures have already, at the
        equator.
    """

    shape: tuple[int, int]
    widths_rad: tuple[float, ...]

    def summed(self, pictures: Sequence[F32], weights: Sequence[F64]) -> F32:
        """Return the weighted sum of Gaussians of all of some pictures.

        Parameters
        ----------
        pictures
            ``(rows, columns)`` each.
        weights
            Of each width, ``(n,)``, for each of the pictures.

        Returns
        -------
        F32
            ``(rows, columns)``.
        """
        waves = [np.fft.rfft(picture.astype(np.float64), axis=1) for picture in pictures]
        total = np.zeros_like(waves[0])
        for number, width in enumerate(self.widths_rad[: self._narrow]):
            shares = [float(each[number]) for each in weights]
            if any(shares):
                every = zip(shares, waves, strict=True)
                mixed = sum((share * wave for share, wave in every), start=np.zeros_like(total))
                total += self._blurred(mixed, width)
        for each, own in zip(weights, waves, strict=True):
            wide = np.asarray(each[self._narrow :], np.float64)
            if wide.any():
                self._add_wide(own, wide, total)
        return np.fft.irfft(total, n=self.shape[1], axis=1).astype(np.float32)

    @cached_property
    def _degrees(self) -> int:
        """How many degrees of harmonics the rows and columns can hold apart."""
        return max(2, min(_MOST_DEGREES, self.shape[0] // 2, self.shape[1] // 2))

    @cached_property
    def _narrow(self) -> int:
        """How many of the widths are too narrow for harmonics."""
        return sum(width * self._degrees < _DEGREES_PER_WIDTH for width in self.widths_rad)

    @cached_property
    def _cosines(self) -> F64:
        """Cosines of the rows' latitudes, ``(rows,)``."""
        rows = self.shape[0]
        sines: F64 = np.sin((np.arange(rows) + 0.5) * (math.pi / rows))
        return sines

    def _more(self, width: float | F64) -> F64:
        """Return the widths that make a picture's own width up to others, radians."""
        return np.sqrt(np.maximum(np.square(width) - self.widths_rad[0] ** 2, 0.0))

    def _blurred(self, waves: AnyArray, width: float) -> AnyArray:
        """Return a picture, as waves along its rows, after a narrow Gaussian."""
        more = self._more(width / self._cosines)
        number = np.arange(waves.shape[1])
        level = waves * np.exp(-0.5 * np.square(np.multiply.outer(more, number)))
        upright = float(self._more(width)) * self.shape[0] / math.pi
        if upright < 0.1:
            return level
        out = self._along_meridians(level, upright)
        spread = _about_pole(self.shape[0], float(self._more(width)), waves.shape[1])
        orders, near, from_rows = spread.shape
        for rows, sources in ((out, waves), (out[::-1], waves[::-1])):
            rows[:near] = 0.0
            rows[:near, :orders] = np.einsum("mij,jm->im", spread, sources[:from_rows, :orders])
        return out

    def _along_meridians(self, waves: AnyArray, width_px: float) -> AnyArray:
        reach = min(math.ceil(_ENDS_AFTER * width_px), self.shape[0])
        # Past a pole a meridian comes back half a turn aside: every other wave with its sign changed.
        sign = 1.0 - 2.0 * (np.arange(waves.shape[1]) % 2)
        own, area = waves * self._cosines[:, None], self._cosines
        padded = np.concatenate([own[:reach][::-1] * sign, own, own[::-1][:reach] * sign])
        areas = np.concatenate([area[:reach][::-1], area, area[::-1][:reach]])
        kernel = np.exp(-0.5 * np.square(np.arange(-reach, reach + 1) / width_px))
        pairs = padded.view(np.float64)
        blurred, whole = (
            cv2.sepFilter2D(plane, -1, np.ones(1), kernel)[reach : reach + self.shape[0]]
            for plane in (pairs, areas[:, None])
        )
        return np.ascontiguousarray(blurred / whole).view(np.complex128)

    def _add_wide(self, waves: AnyArray, weights: F64, total: AnyArray) -> None:
        """Add the Gaussians that harmonics make."""
        degrees = np.arange(self._degrees)
        more = self._more(np.asarray(self.widths_rad[self._narrow :]))
        kept = np.exp(-0.5 * np.multiply.outer(degrees * (degrees + 1.0), more * more)) @ weights
        areas = _areas(self.shape[0])
        for order, harmonics in enumerate(_harmonics(self.shape[0], self._degrees)):
            # Sums in a fixed order, whatever the threads of linear algebra.
            found = np.einsum("lj,j->l", harmonics, areas * waves[:, order])
            total[:, order] += np.einsum("lj,l->j", harmonics, kept[order:] * found)


@lru_cache(maxsize=8)
def _about_pole(rows: int, width: float, most: int) -> F64:
    """Return how waves about a pole spread, ``(orders, near rows, rows from where)``; order 0 sums to 1."""
    apart = math.pi / rows
    near = min(rows, math.ceil(_CAP_WIDTHS * width / apart))
    from_rows = min(rows, near + math.ceil(_ENDS_AFTER * width / apart))
    here, there = ((np.arange(count) + 0.5) * (apart / width) for count in (near, from_rows))
    # Of waves shorter than the width on the widest of these circles nothing is left.
    orders = min(most, math.ceil(_ENDS_AFTER * here[-1]) + 16)
    product = np.multiply.outer(here, there)
    # The scaled Bessel function lacks exp(product), with which the exponents make a square.
    far = np.exp(-0.5 * np.square(np.subtract.outer(here, there))) * np.sin(there * width)
    spread: F64 = special.ive(np.arange(orders)[:, None, None], product) * far
    whole: F64 = spread[0].sum(axis=1)[:, None]
    return np.divide(spread, whole)


@lru_cache(maxsize=4)
def _areas(rows: int) -> F64:
    """Return Fejer's weights of rows between the poles, which integrate cosines exactly (fejer1933)."""
    angle = (np.arange(rows) + 0.5) * (math.pi / rows)
    terms = np.arange(1, rows // 2 + 1)
    parts = np.cos(2.0 * np.multiply.outer(angle, terms)) / (4.0 * terms * terms - 1.0)
    weights: F64 = (2.0 / rows) * (1.0 - 2.0 * parts.sum(axis=1))
    return weights


@lru_cache(maxsize=1)
def _harmonics(rows: int, degrees: int) -> tuple[F64, ...]:
    """Return the associated Legendre functions at rows between the poles, of norm 1, by order.

    Each is ``(degrees - order, rows)``. By the usual recurrence over degrees, from the sectoral ones.
    """
    angle = (np.arange(rows) + 0.5) * (math.pi / rows)
    x, sine = np.cos(angle), np.sin(angle)
    sectoral = np.full(rows, math.sqrt(0.5))
    found = []
    for m in range(degrees):
        if m:
            sectoral = math.sqrt((2 * m + 1) / (2 * m)) * sine * sectoral
        of_order = [sectoral]
        for l in range(m + 1, degrees):  # noqa: E741 - the letter of degrees
            before = of_order[-2] if len(of_order) > 1 else np.zeros(rows)
            scale = math.sqrt((4 * l * l - 1) / (l * l - m * m))
            back = math.sqrt(((l - 1) ** 2 - m * m) / (4 * (l - 1) ** 2 - 1))
            of_order.append(scale * (x * of_order[-1] - back * before))
        found.append(np.stack(of_order))
    return tuple(found)
