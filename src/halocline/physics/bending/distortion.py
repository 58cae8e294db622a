"""A port measured from a photographed grid.

The model: ideal picture coordinates (those of a pinhole) to photographed ones, in units of half the picture's
diagonal from its middle. With (u, v) relative to the centre of distortion and r^2 = u^2 + v^2,

    u' = u (1 + k1 r^2 + k2 r^4 + k3 r^6) + 2 p1 u v + p2 (r^2 + 2 u^2)
    v' = v (1 + k1 r^2 + k2 r^4 + k3 r^6) + p1 (r^2 + 2 v^2) + 2 p2 u v

(brown1966; k radial, p from lenses or windows that are off centre or tilted.) The pose of the grid is fitted
along with it as a plane projective map, so the grid need not be square to the lens, only flat.
"""

from __future__ import annotations

import math

import numpy as np

from halocline._typing import F64
from halocline.compute.on_demand import OnDemand
from halocline.errors import PhysicsError
from halocline.late_dataclass import dataclass

optimize = OnDemand("scipy.optimize")

# Fewer corners than this leave the 14 unknowns (two coordinates each) hardly determined.
FEWEST_CORNERS = 20


@dataclass(frozen=True)
class Distortion:
    """A distortion of a picture of a given size.

    Attributes
    ----------
    columns, rows
        Size of the photograph, pixels.
    centre
        Centre of distortion, units of half the diagonal from the middle, right and down.
    radial
        k1, k2, k3.
    tangential
        p1, p2.
    """

    columns: int
    rows: int
    centre: tuple[float, float] = (0.0, 0.0)
    radial: tuple[float, float, float] = (0.0, 0.0, 0.0)
    tangential: tuple[float, float] = (0.0, 0.0)

    @property
    def half_diagonal(self) -> float:
        """Pixels to a unit."""
        return 0.5 * math.hypot(self.columns, self.rows)

    def photographed(self, x: F64, y: F64) -> tuple[F64, F64]:
        """Return where a pinhole's pixel (0.5 is the centre of pixel 0) is found in the photograph."""
        u, v = self._units(x, y)
        u, v = self._bent(u, v)
        return self._pixels(u, v)

    def ideal(self, x: F64, y: F64) -> tuple[F64, F64]:
        """Return where a pixel of the photograph is found in a pinhole's picture: the inverse.

        Newton's method.

        Raises
        ------
        PhysicsError
            ``E-PHYSICS-FOLD`` where the model folds over within the picture and has no inverse.
        """
        target_u, target_v = self._units(x, y)
        u, v = target_u.copy(), target_v.copy()
        for _ in range(30):
            bent_u, bent_v = self._bent(u, v)
            miss_u, miss_v = bent_u - target_u, bent_v - target_v
            if max(np.abs(miss_u).max(initial=0.0), np.abs(miss_v).max(initial=0.0)) < 1e-10:
                return self._pixels(u, v)
            (a, b), (c, d) = self._derivative(u, v)
            determinant = a * d - b * c
            if (determinant <= 0.0).any():
                break
            u = u - (d * miss_u - b * miss_v) / determinant
            v = v - (a * miss_v - c * miss_u) / determinant
        raise PhysicsError(
            "the fitted distortion folds over within the picture, so it cannot be undone there",
            code="E-PHYSICS-FOLD",
            fix="Photograph the grid out to the corners, so that the fit need not guess there.",
        )

    def _units(self, x: F64, y: F64) -> tuple[F64, F64]:
        size = self.half_diagonal
        u = (np.asarray(x, np.float64) - 0.5 * self.columns) / size - self.centre[0]
        v = (np.asarray(y, np.float64) - 0.5 * self.rows) / size - self.centre[1]
        return u, v

    def _pixels(self, u: F64, v: F64) -> tuple[F64, F64]:
        size = self.half_diagonal
        return (
            (u + self.centre[0]) * size + 0.5 * self.columns,
            (v + self.centre[1]) * size + 0.5 * self.rows,
        )

    def _bent(self, u: F64, v: F64) -> tuple[F64, F64]:
        k1, k2, k3 = self.radial
        p1, p2 = self.tangential
        r2 = u * u + v * v
        gain = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
        return (
            u * gain + 2.0 * p1 * u * v + p2 * (r2 + 2.0 * u * u),
            v * gain + p1 * (r2 + 2.0 * v * v) + 2.0 * p2 * u * v,
        )

    def _derivative(self, u: F64, v: F64) -> tuple[tuple[F64, F64], tuple[F64, F64]]:
        k1, k2, k3 = self.radial
        p1, p2 = self.tangential
        r2 = u * u + v * v
        gain = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
        slope = 2.0 * (k1 + r2 * (2.0 * k2 + r2 * 3.0 * k3))
        mixed = u * v * slope + 2.0 * p1 * u + 2.0 * p2 * v
        return (
            (gain + u * u * slope + 2.0 * p1 * v + 6.0 * p2 * u, mixed),
            (mixed, gain + v * v * slope + 6.0 * p1 * v + 2.0 * p2 * u),
        )


@dataclass(frozen=True)
class GridFit:
    """A fitted distortion and how well it fits.

    Attributes
    ----------
    distortion
        The model.
    residuals_px
        Photographed minus predicted position of each corner, ``(n, 2)``, pixels.
    """

    distortion: Distortion
    residuals_px: F64

    @property
    def rms_px(self) -> float:
        """Root mean square distance, pixels."""
        return float(np.sqrt(np.mean(np.sum(np.square(self.residuals_px), axis=1))))

    @property
    def worst_px(self) -> float:
        """Greatest distance, pixels."""
        return float(np.sqrt(np.max(np.sum(np.square(self.residuals_px), axis=1))))


def fit_grid(grid: F64, corners_px: F64, *, columns: int, rows: int) -> GridFit:
    """Fit the distortion of a photographed flat grid.

    Parameters
    ----------
    grid
        Column and row number of each corner on the grid, ``(n, 2)``; any even spacing will do.
    corners_px
        Where each was found in the photograph, x and y, pixels (0.5 is the centre of pixel 0), ``(n, 2)``.
    columns, rows
        Size of the photograph.

    Returns
    -------
    GridFit
        The distortion, and how well it fits.

    Raises
    ------
    PhysicsError
        ``E-PHYSICS-GRID`` where there are too few corners or they lie on a line.

    Notes
    -----
    Scale and perspective belong to the pose of the grid, so the distortion's own scale is 1 at its centre: a
    port's magnification is not in it. A soft hold (1e-3 of a pixel's weight) keeps the centre of distortion
    near the middle where a grid says nothing about it.
    """
    grid, corners = np.asarray(grid, np.float64), np.asarray(corners_px, np.float64)
    if len(grid) != len(corners) or len(grid) < FEWEST_CORNERS:
        raise PhysicsError(
            f"{len(corners)} corners for {len(grid)} grid positions cannot be fitted",
            code="E-PHYSICS-GRID",
            fix=f"Give at least {FEWEST_CORNERS} corners, each with its column and row on the grid.",
        )
    spread = np.linalg.svd(grid - grid.mean(axis=0), compute_uv=False)
    if spread[1] < 1e-6 * spread[0]:
        raise PhysicsError(
            "the grid's corners lie on one line",
            code="E-PHYSICS-GRID",
            fix="Give corners of several rows and columns.",
        )
    start = Distortion(columns, rows)
    flat = (grid - grid.mean(axis=0)) / np.abs(grid - grid.mean(axis=0)).max()
    u, v = start._units(corners[:, 0], corners[:, 1])
    pose = _plane_projection(flat, np.stack([u, v], axis=1))

    def misses(unknowns: F64) -> F64:
        model = _unpacked(unknowns[8:], columns, rows)
        x, y = _seen(unknowns[:8], flat, model)
        hold = 1e-3 * unknowns[8:10] * start.half_diagonal
        return np.concatenate([corners[:, 0] - x, corners[:, 1] - y, hold])

    found = optimize.least_squares(
        misses, np.concatenate([pose, np.zeros(7)]), method="lm", xtol=1e-12, ftol=1e-12
    )
    residuals = found.fun[:-2].reshape(2, -1).T
    return GridFit(_unpacked(found.x[8:], columns, rows), residuals)


def _unpacked(numbers: F64, columns: int, rows: int) -> Distortion:
    cx, cy, k1, k2, k3, p1, p2 = (float(number) for number in numbers)
    return Distortion(columns, rows, (cx, cy), (k1, k2, k3), (p1, p2))


def _seen(pose: F64, flat: F64, model: Distortion) -> tuple[F64, F64]:
    """Return pixels of grid points, projected by a pose and distorted."""
    matrix = np.append(pose, 1.0).reshape(3, 3)
    projected = matrix @ np.vstack([flat.T, np.ones(len(flat))])
    u = projected[0] / projected[2] - model.centre[0]
    v = projected[1] / projected[2] - model.centre[1]
    return model._pixels(*model._bent(u, v))


def _plane_projection(source: F64, target: F64) -> F64:
    """Return the 8 numbers of the plane projective map nearest to taking source to target (linear)."""
    x, y = source.T
    u, v = target.T
    one, zero = np.ones_like(x), np.zeros_like(x)
    across = np.stack([x, y, one, zero, zero, zero, -u * x, -u * y], axis=1)
    down = np.stack([zero, zero, zero, x, y, one, -v * x, -v * y], axis=1)
    solution, *_ = np.linalg.lstsq(np.vstack([across, down]), np.concatenate([u, v]), rcond=None)
    pose: F64 = solution
    return pose


@dataclass(frozen=True)
class WaterPart:
    """What the port adds to the lens: the water photograph's distortion minus the air photograph's.

    The air photograph is taken with the same lens at the same zoom, through the same port where it is flat
    (glass alone shifts little), or without.

    Attributes
    ----------
    in_air
        Of the photograph in air.
    in_water
        Of the photograph in water.
    """

    in_air: Distortion
    in_water: Distortion

    def photographed(self, x: F64, y: F64) -> tuple[F64, F64]:
        """Return where a pixel of the picture in air is found under water."""
        return self.in_water.photographed(*self.in_air.ideal(x, y))

    def ideal(self, x: F64, y: F64) -> tuple[F64, F64]:
        """Return where a pixel of the picture under water is found in air."""
        return self.in_air.photographed(*self.in_water.ideal(x, y))
