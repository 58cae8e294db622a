"""Triangle surfaces and the shapes they start from."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from scene.noise import F32

I32 = NDArray[np.int32]
Numbers = NDArray[np.floating]
Painter = Callable[[F32, F32], F32]


@dataclass(frozen=True)
class Surface:
    """Triangles: `vertices` ``(n, 3)`` metres, `faces` ``(m, 3)``, linear Rec.709 `albedo` ``(n, 3)``."""

    vertices: F32
    faces: I32
    albedo: F32

    def normals(self) -> F32:
        """Return smooth unit normals ``(n, 3)``, weighted by triangle area."""
        a, b, c = (self.vertices[self.faces[:, k]] for k in range(3))
        across = np.cross(b - a, c - a)
        total = np.empty_like(self.vertices)
        for axis in range(3):
            repeated = np.repeat(across[:, axis], 3)
            total[:, axis] = np.bincount(self.faces.ravel(), repeated, len(self.vertices))
        unit: F32 = total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-20)
        return unit

    def displaced(self, height: F32) -> Surface:
        """Return the surface moved along its normals by `height` ``(n,)`` metres."""
        return replace(self, vertices=self.vertices + self.normals() * height[:, None])

    def painted(self, painter: Painter) -> Surface:
        """Return the surface with the albedo that `painter` gives from positions and normals."""
        return replace(self, albedo=painter(self.vertices, self.normals()).astype(np.float32))

    def moved(self, matrix: Numbers, offset: Numbers | tuple[float, ...]) -> Surface:
        """Return the surface turned by a ``(3, 3)`` matrix, then shifted."""
        turned = self.vertices @ np.asarray(matrix, np.float32).T + np.asarray(offset, np.float32)
        return replace(self, vertices=turned.astype(np.float32))


def bare(vertices: Numbers, faces: I32) -> Surface:
    """Return an unpainted (mid grey) surface."""
    points = np.ascontiguousarray(vertices, np.float32)
    return Surface(points, faces, np.full_like(points, 0.3))


def joined(surfaces: Iterable[Surface]) -> Surface:
    """Return several surfaces as one."""
    parts = list(surfaces)
    starts = np.cumsum([0] + [len(part.vertices) for part in parts[:-1]])
    return Surface(
        np.concatenate([part.vertices for part in parts]),
        np.concatenate([part.faces + np.int32(start) for part, start in zip(parts, starts, strict=True)]),
        np.concatenate([part.albedo for part in parts]),
    )


def rotation(axis: tuple[float, float, float], degrees: float) -> NDArray[np.float64]:
    """Return the ``(3, 3)`` right-handed rotation about `axis`."""
    x, y, z = np.asarray(axis, np.float64) / np.linalg.norm(axis)
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    angle = np.radians(degrees)
    return np.asarray(np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross)


def grid_faces(rows: int, columns: int, *, closed_rows: bool = False, closed_columns: bool = False) -> I32:
    """Return the triangles of a grid of vertices stored row by row; a closed direction joins end to start."""
    r = np.arange(rows if closed_rows else rows - 1)[:, None]
    c = np.arange(columns if closed_columns else columns - 1)[None, :]
    r1, c1 = (r + 1) % rows, (c + 1) % columns
    a, b, d, e = r * columns + c, r * columns + c1, r1 * columns + c, r1 * columns + c1
    quads = np.stack([a, d, b, b, d, e], axis=-1)
    return quads.reshape(-1, 3).astype(np.int32)


def cube(steps: int) -> tuple[F32, I32]:
    """Return a closed cube from -1 to 1 with `steps` squares along each edge, corners and edges welded."""
    ticks = np.arange(steps + 1)
    u, v = (grid.ravel() for grid in np.meshgrid(ticks, ticks, indexing="ij"))
    points: list[NDArray[np.int64]] = []
    faces: list[I32] = []
    for axis in range(3):
        for side in (0, steps):
            lattice = np.empty((len(u), 3), np.int64)
            lattice[:, axis] = side
            # Swapping the two free axes on the far side keeps every triangle facing outwards.
            first, second = ((axis + 1) % 3, (axis + 2) % 3)[:: 1 if side else -1]
            lattice[:, first], lattice[:, second] = u, v
            faces.append(grid_faces(steps + 1, steps + 1) + len(points) * len(u))
            points.append(lattice)
    unique, index = np.unique(np.concatenate(points), axis=0, return_inverse=True)
    corners = index.ravel()[np.concatenate(faces)]
    return (unique * (2 / steps) - 1).astype(np.float32), corners.astype(np.int32)


def sphere(steps: int) -> Surface:
    """Return a unit sphere made from a cube, so that no triangle is much larger than another."""
    points, faces = cube(steps)
    spread = np.tan(points * np.float32(np.pi / 4))
    return bare(spread / np.linalg.norm(spread, axis=1, keepdims=True), faces)


def tube(path: Numbers, radii: Numbers, sides: int, *, closed: bool = False) -> Surface:
    """Sweep a circle or ellipse along a path.

    Parameters
    ----------
    path
        ``(n, 3)`` centre line, metres.
    radii
        ``(n,)`` or ``(n, 2)``: half the thickness along the two cross directions.
    sides
        Vertices around the section.
    closed
        Join the end to the start; otherwise both ends are drawn to a point.
    """
    centre = np.asarray(path, np.float64)
    tangent = np.roll(centre, -1, 0) - np.roll(centre, 1, 0) if closed else np.gradient(centre, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    across = _carried_frame(tangent)
    up = np.cross(tangent, across)
    half = np.broadcast_to(np.asarray(radii, np.float64).reshape(len(centre), -1), (len(centre), 2)).copy()
    if not closed:
        half[[0, -1]] *= 1e-3
    turn = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    ring = across[:, None] * (np.cos(turn)[None, :, None] * half[:, None, :1])
    ring = ring + up[:, None] * (np.sin(turn)[None, :, None] * half[:, None, 1:])
    points = (centre[:, None] + ring).reshape(-1, 3)
    faces = grid_faces(len(centre), sides, closed_rows=closed, closed_columns=True)
    return bare(points, faces[:, ::-1].copy())


def _carried_frame(tangent: NDArray[np.float64]) -> NDArray[np.float64]:
    """Carry one cross direction along the path with as little twist as possible."""
    start = np.eye(3)[np.argmin(np.abs(tangent[0]))]
    across = np.empty_like(tangent)
    previous = start
    for k, along in enumerate(tangent):
        previous = previous - along * (previous @ along)
        previous = previous / np.linalg.norm(previous)
        across[k] = previous
    return across


def curve(points: Iterable[Numbers | tuple[float, float, float]], count: int) -> NDArray[np.float64]:
    """Return `count` points evenly spaced along a smooth line through the given points (Catmull-Rom)."""
    knots = np.asarray(list(points), np.float64)
    padded = np.vstack([2 * knots[0] - knots[1], knots, 2 * knots[-1] - knots[-2]])
    fine = []
    for k in range(len(knots) - 1):
        p0, p1, p2, p3 = padded[k : k + 4]
        t = np.linspace(0, 1, 200, endpoint=False)[:, None]
        bend = (2 * p0 - 5 * p1 + 4 * p2 - p3) * t**2 + (3 * p1 - p0 - 3 * p2 + p3) * t**3
        fine.append(0.5 * (2 * p1 + (p2 - p0) * t + bend))
    dense = np.vstack([*fine, knots[-1:]])
    length = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(dense, axis=0), axis=1))])
    even = np.linspace(0, length[-1], count)
    return np.stack([np.interp(even, length, dense[:, axis]) for axis in range(3)], axis=1)
