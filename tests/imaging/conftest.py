"""One synthetic scene, rendered by formula: a tilted floor, a wall, a sphere and a thin chain before water.

The scene is ray-traced analytically at any number of samples a pixel, so that sharp and averaged passes of
all kinds come from the same geometry, and the truth is known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.imaging.camera import Camera, pinhole
from halocline.imaging.frame import Window


@dataclass(frozen=True)
class Scene:
    """Passes of the scene; planar depth is NaN where nothing is hit."""

    camera: Camera
    window: Window
    planar: F32
    position: F32
    alpha: F32
    coverage_of_chain: F32
    averaged_planar: F64

    @property
    def range(self) -> F32:
        return self.planar * self.camera.range_per_depth(self.window)


def camera_of(window: Window, position: tuple[float, float, float] = (0.5, 1.5, 2.0)) -> Camera:
    turn, tilt = np.radians(20.0), np.radians(-10.0)
    yaw = np.array([[np.cos(turn), 0, np.sin(turn)], [0, 1, 0], [-np.sin(turn), 0, np.cos(turn)]])
    pitch = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    matrix = np.eye(4)
    matrix[:3, :3] = yaw @ pitch
    matrix[:3, 3] = position
    return pinhole(window, focal_length_mm=28.0, film_width_mm=36.0, camera_to_world=matrix)


def hit(camera: Camera, x: F64, y: F64, chain_m: float) -> tuple[F64, NDArray[np.bool_]]:
    """Return planar depth (inf for a miss) and whether the chain is hit, for points of the picture."""
    local = np.stack(
        [
            (x - camera.centre_px[0]) * camera.tangent_per_px[0],
            (camera.centre_px[1] - y) * camera.tangent_per_px[1],
            -np.ones_like(x),
        ],
        axis=-1,
    )
    rays = local @ camera.rotation.T
    start = camera.position_m
    with np.errstate(divide="ignore", invalid="ignore"):
        floor = np.where(rays[..., 1] < 0, -start[1] / rays[..., 1], np.inf)
        floor = np.where(floor < 30.0, floor, np.inf)
        middle = start + 6.0 * (camera.rotation @ np.array([0.1, 0.05, -1.0]))
        offset = start - middle
        a, b = np.sum(rays * rays, -1), 2 * np.sum(rays * offset, -1)
        root = b * b - 4 * a * (np.sum(offset * offset) - 1.0)
        sphere = np.where(root >= 0, (-b - np.sqrt(root)) / (2 * a), np.inf)
        chain = np.where(np.abs(3.0 * local[..., 0] + 0.9) < chain_m / 2, 3.0, np.inf)
    depth = np.minimum(np.minimum(floor, sphere), chain)
    return depth, (chain <= depth) & np.isfinite(chain)


def render(width: int = 96, height: int = 64, *, samples: int = 8, chain_m: float = 0.1) -> Scene:
    """Render the scene; at its distance of 3 m the chain is 2.5 pixels wide by default."""
    window = Window(0, 0, width, height)
    camera = camera_of(window)
    steps = (np.arange(samples) + 0.5) / samples
    y = (np.arange(height)[:, None] + steps).ravel()
    x = (np.arange(width)[:, None] + steps).ravel()
    fine_x, fine_y = np.meshgrid(x, y)
    fine, fine_chain = hit(camera, fine_x, fine_y, chain_m)
    blocks = (height, samples, width, samples)
    fine = fine.reshape(blocks)
    seen = np.isfinite(fine)
    alpha = seen.mean(axis=(1, 3))
    columns, rows = np.meshgrid(np.arange(width) + 0.5, np.arange(height) + 0.5)
    centre, _ = hit(camera, columns, rows, chain_m)
    planar = np.where(np.isfinite(centre), centre, np.nan).astype(np.float32)
    x_tangent, y_tangent = camera.tangents(window)
    local = np.stack(
        [np.broadcast_to(x_tangent, planar.shape), np.broadcast_to(y_tangent[:, None], planar.shape)]
    )
    points = np.concatenate([local * planar, -planar[None]])
    position = np.einsum("ij,jrc->irc", camera.rotation, points) + camera.position_m[:, None, None]
    return Scene(
        camera=camera,
        window=window,
        planar=planar,
        position=np.nan_to_num(position).astype(np.float32),
        alpha=alpha.astype(np.float32),
        coverage_of_chain=fine_chain.reshape(blocks).mean(axis=(1, 3)).astype(np.float32),
        averaged_planar=np.where(seen, fine, 0.0).mean(axis=(1, 3)),
    )


@pytest.fixture(scope="session")
def scene() -> Scene:
    return render()


@pytest.fixture(scope="session")
def thin_scene() -> Scene:
    """The scene with a chain one pixel wide, which covers no pixel in full."""
    return render(chain_m=0.04)
