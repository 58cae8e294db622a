"""Five small scenes, ray-cast at many samples a pixel, each sample with its own depth, normal and position.

Shapes are analytic and shading is plain, so that a whole frame of samples takes seconds: weed and wires
before bright water, sand crests one behind the other, pebbles close to the lens, a view up at the surface
past a hull and its chain, and walls and balls on a floor. Frames move: weed sways, the camera drifts.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from halocline._typing import F32, F64
from halocline.imaging.camera import Camera, pinhole
from halocline.imaging.frame import Window

FILM_MM = 36.0
# Direction towards the light that the render was lit by.
_LIGHT = np.array([0.3, 0.9, 0.3]) / np.linalg.norm([0.3, 0.9, 0.3])


@dataclass(frozen=True)
class Samples:
    """A frame of samples: colour ``(rows, columns, 3)``, range, planar normal and position."""

    rgb: F32
    range_m: F32
    normal: F32
    position: F32

    @property
    def alpha(self) -> F32:
        """1 where something is hit."""
        return np.isfinite(self.range_m).astype(np.float32)


@dataclass
class Rays:
    """View rays of one frame's samples, and the nearest thing that each has met so far."""

    origin: F64
    direction: F64
    range_m: F64 = field(init=False)
    colour: F64 = field(init=False)
    normal: F64 = field(init=False)

    def __post_init__(self) -> None:
        self.range_m = np.full(self.direction.shape[1:], np.inf)
        self.colour, self.normal = np.zeros_like(self.direction), np.zeros_like(self.direction)

    def meet(self, range_m: F64, where: np.ndarray, normal: F64, colour: tuple[float, float, float]) -> None:
        """Note a surface wherever it is the nearest yet."""
        first = where & (range_m > 1e-4) & (range_m < self.range_m)
        self.range_m = np.where(first, range_m, self.range_m)
        self.normal = np.where(first, normal, self.normal)
        self.colour = np.where(first, np.array(colour)[:, None, None], self.colour)

    def sphere(self, centre: F64, radius: float, colour: tuple[float, float, float]) -> None:
        """Meet a sphere."""
        away = (self.origin - centre)[:, None, None]
        half = (self.direction * away).sum(axis=0)
        root = half**2 - (away**2).sum() + radius**2
        range_m = -half - np.sqrt(np.maximum(root, 0.0))
        self.meet(range_m, root > 0.0, (away + range_m * self.direction) / radius, colour)

    def tube(self, begin: F64, end: F64, radius: float, colour: tuple[float, float, float]) -> None:
        """Meet the side of a straight round tube between two places; spheres close it."""
        along, away = end - begin, (self.origin - begin)[:, None, None]
        along = along / (length := float(np.linalg.norm(along)))
        by_ray = (along[:, None, None] * self.direction).sum(axis=0)
        by_origin = float(along @ away[:, 0, 0])
        across, from_axis = (
            self.direction - along[:, None, None] * by_ray,
            away - along[:, None, None] * by_origin,
        )
        square, half = (across**2).sum(axis=0), (across * from_axis).sum(axis=0)
        root = half**2 - square * ((from_axis**2).sum(axis=0) - radius**2)
        range_m = (-half - np.sqrt(np.maximum(root, 0.0))) / np.maximum(square, 1e-12)
        place = by_origin + range_m * by_ray
        normal = (from_axis + range_m * across) / radius
        self.meet(range_m, (root > 0.0) & (place > 0.0) & (place < length), normal, colour)

    def box(self, low: F64, high: F64, colour: tuple[float, float, float]) -> None:
        """Meet a box along the axes."""
        with np.errstate(divide="ignore"):
            one = (low - self.origin)[:, None, None] / self.direction
            other = (high - self.origin)[:, None, None] / self.direction
        into, out = np.minimum(one, other), np.maximum(one, other)
        side = into.argmax(axis=0)
        normal = -np.sign(self.direction) * (np.arange(3)[:, None, None] == side)
        self.meet(into.max(axis=0), into.max(axis=0) < out.min(axis=0), normal, colour)

    def ribbon(
        self,
        z: float,
        middle: Callable[[F64], F64],
        width: Callable[[F64], F64],
        colour: tuple[float, float, float],
    ) -> None:
        """Meet an upright ribbon in the plane of a depth: its middle and half width by height."""
        with np.errstate(divide="ignore", invalid="ignore"):
            range_m = (z - self.origin[2]) / self.direction[2]
            x, y = (self.origin[axis] + range_m * self.direction[axis] for axis in (0, 1))
            across = (x - middle(y)) / np.maximum(width(y), 1e-9)
        # Round, as a stalk is.
        away = np.clip(across, -1.0, 1.0)
        normal = np.stack([away, np.zeros_like(away), np.sqrt(1.0 - away**2)])
        self.meet(range_m, (np.abs(across) < 1.0) & (width(y) > 0.0), normal, colour)

    def ground(
        self,
        height: Callable[[F64, F64], F64],
        colour: tuple[float, float, float],
        *,
        highest: float,
        far: float,
    ) -> None:
        """Meet ground of a height over x and z, by steps that halve where they pass it.

        No ray meets it above the highest height: they begin there.
        """
        downward = self.direction[1].ravel()
        near = np.where(downward < 0.0, (highest - self.origin[1]) / np.minimum(downward, -1e-9), np.inf)
        near = np.maximum(near, 0.02)
        step = np.full(near.size, 0.02)
        rays = np.flatnonzero(near < far)
        # Of rays that are still under way, what is true of them, closed up as they arrive.
        along, at, length = self.direction.reshape(3, -1)[:, rays], near[rays], step[rays]
        for _ in range(600):
            x, y, z = (self.origin[axis] + (at + length) * along[axis] for axis in range(3))
            over = y > height(x, z)
            at = np.where(over & (at < far), at + length, at)
            length = np.where(over, np.minimum(length * 1.03, 0.01 + 0.01 * at), length * 0.5)
            near[rays], step[rays] = at, length
            going = (length >= 1e-5) & (at < far)
            if not going.any():
                break
            if going.mean() < 0.9:
                rays, along, at, length = rays[going], along[:, going], at[going], length[going]
        met = ((step < 1e-5) & (near < far)).reshape(self.range_m.shape)
        near = near.reshape(met.shape)
        reached = np.where(met, near, 0.0)
        x, z = (self.origin[axis] + reached * self.direction[axis] for axis in (0, 2))
        slope_x = (height(x + 1e-4, z) - height(x - 1e-4, z)) / 2e-4
        slope_z = (height(x, z + 1e-4) - height(x, z - 1e-4)) / 2e-4
        normal = np.stack([-slope_x, np.ones_like(x), -slope_z])
        self.meet(near, met, normal / np.sqrt((normal**2).sum(axis=0)), colour)

    def floor(self, height: float, colour: tuple[float, float, float], *, far: float) -> None:
        """Meet level ground."""
        with np.errstate(divide="ignore"):
            range_m = (height - self.origin[1]) / self.direction[1]
        up = np.zeros_like(self.direction)
        up[1] = 1.0
        self.meet(range_m, (range_m > 0.0) & (range_m < far), up, colour)

    def shaded(self) -> Samples:
        """Return the samples, lit evenly and from one side."""
        toward = np.clip((self.normal * _LIGHT[:, None, None]).sum(axis=0), 0.0, 1.0)
        hit = np.isfinite(self.range_m)
        light = self.colour * np.where(hit, 0.25 + 0.75 * toward, 0.0)
        place = self.origin[:, None, None] + np.where(hit, self.range_m, 0.0) * self.direction
        return Samples(
            np.moveaxis(light, 0, -1).astype(np.float32),
            self.range_m.astype(np.float32),
            self.normal.astype(np.float32),
            place.astype(np.float32),
        )


@dataclass(frozen=True)
class Scene:
    """A scene: its lens, its things, its camera by frame number counted from 0."""

    focal_mm: float
    pitch_deg: float
    drift_m: tuple[float, float, float]
    build: Callable[[Rays, int], None]

    def camera(self, window: Window, number: int) -> Camera:
        """Return the camera of a frame for pictures of a window's size."""
        pitch = np.radians(self.pitch_deg)
        matrix = np.eye(4)
        matrix[1:3, 1:3] = [[np.cos(pitch), -np.sin(pitch)], [np.sin(pitch), np.cos(pitch)]]
        matrix[:3, 3] = np.array(self.drift_m) * number
        return pinhole(window, focal_length_mm=self.focal_mm, film_width_mm=FILM_MM, camera_to_world=matrix)

    def samples(self, window: Window, number: int) -> Samples:
        """Return one sample at the middle of each pixel of a window."""
        camera = self.camera(window, number)
        along = np.stack([camera.component(window, axis) for axis in np.eye(3)]).astype(np.float64)
        rays = Rays(np.asarray(camera.position_m, np.float64), along)
        self.build(rays, number)
        return rays.shaded()


def _leaning(at: float, slope: float) -> Callable[[F64], F64]:
    return lambda y: np.asarray(at + slope * y)


def _weed_and_wires(rays: Rays, number: int) -> None:
    for stalk, (x, z, height) in enumerate(
        [(-1.1, -3.0, 0.6), (-0.6, -3.6, 1.1), (0.2, -4.4, 0.9), (0.9, -3.2, 1.2)]
    ):
        sway = 0.06 * np.sin(0.35 * number + 1.7 * stalk)

        def middle(y: F64, x: float = x, sway: float = sway, stalk: int = stalk) -> F64:
            return np.asarray(x + sway * (y + 1.2) ** 2 + 0.05 * np.sin(5.0 * y + stalk))

        def width(y: F64, height: float = height) -> F64:
            return np.asarray(0.016 * np.clip((height - y) / 2.0, 0.0, 1.0) ** 0.5)

        rays.ribbon(z, middle, width, (0.25, 0.3, 0.08))
    for x, half in ((-1.6, 0.00035), (-0.2, 0.001), (0.55, 0.003), (1.4, 0.008)):
        rays.ribbon(-3.8, _leaning(x, 0.12), _leaning(half, 0.0), (0.3, 0.3, 0.3))
    rays.box(np.array([-0.9, -2.0, -14.0]), np.array([1.2, 0.7, -12.0]), (0.5, 0.47, 0.42))
    rays.floor(-1.3, (0.5, 0.45, 0.35), far=40.0)


def _crests(x: F64, z: F64) -> F64:
    ripple = 0.05 * np.sin(9.0 * z + 0.8 * np.sin(2.0 * x)) + 0.25 * np.sin(1.1 * z + 0.5 * x)
    return np.asarray(-0.9 + ripple)


def _sand_crests(rays: Rays, number: int) -> None:  # noqa: ARG001 - only its camera moves
    rays.ground(_crests, (0.55, 0.5, 0.38), highest=-0.6, far=30.0)


def _pebbles(rays: Rays, number: int) -> None:  # noqa: ARG001 - only its camera moves
    rays.floor(-0.09, (0.5, 0.45, 0.38), far=4.0)
    for x, z, radius, tone in np.random.default_rng(3).uniform(
        (-0.3, -0.9, 0.006, 0.2), (0.3, -0.16, 0.03, 0.6), (60, 4)
    ):
        rays.sphere(np.array([x, -0.09 + 0.6 * radius, z]), radius, (tone, 0.9 * tone, 0.8 * tone))


def _hull(rays: Rays, number: int) -> None:  # noqa: ARG001 - only its camera moves
    rays.box(np.array([-1.5, 5.6, -12.0]), np.array([1.5, 6.2, -5.0]), (0.25, 0.12, 0.08))
    for link in range(46):
        rays.sphere(np.array([0.9, 5.6 - 0.12 * link, -6.0]), 0.045, (0.2, 0.2, 0.2))


def _foot_of_a_wall(rays: Rays, number: int) -> None:  # noqa: ARG001 - only its camera moves
    rays.floor(-0.7, (0.5, 0.45, 0.35), far=12.0)
    low = np.array([-1.6, -0.7, -3.9])
    rays.box(low, low + np.array([1.5, 1.3, 0.7]), (0.45, 0.4, 0.35))
    rays.box(np.array([0.4, -0.7, -3.0]), np.array([0.9, -0.2, -2.5]), (0.5, 0.47, 0.42))
    for x, z, radius in ((0.15, -2.1, 0.12), (1.15, -3.4, 0.35), (-0.5, -1.8, 0.06)):
        rays.sphere(np.array([x, radius - 0.7, z]), radius, (0.5, 0.45, 0.4))


SCENES: Mapping[str, Scene] = {
    "weed and wires": Scene(28.0, 2.0, (0.015, 0.0, 0.0), _weed_and_wires),
    "sand crests": Scene(28.0, -8.0, (0.02, 0.0, -0.02), _sand_crests),
    "near pebbles": Scene(35.0, -14.0, (0.002, 0.0, 0.0), _pebbles),
    "the surface": Scene(24.0, 42.0, (0.03, 0.0, 0.0), _hull),
    "the foot of a wall": Scene(28.0, -6.0, (0.015, 0.0, 0.0), _foot_of_a_wall),
}
