"""Render demo_frames/leviathan/: something of 30 m, 90 m off, and a chain close by, in clean air.

    python demo_frames/leviathan.py                      every frame, skipping those that are there

It needs nothing but what Halocline itself needs. Shapes are solids of which it is known how far away they are
at least, walked along each ray (hart1996); sixteen rays a pixel. Only the beast moves: its frames are small.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

import numpy as np
from frame_files import BEAUTY_BITS, BEAUTY_FINEST, DEPTH_BITS, F32, Part, rounded, write
from numpy.typing import NDArray
from scene.camera import FILM_WIDTH_MM, FOCAL_LENGTH_MM, Camera

F64 = NDArray[np.float64]
Solid = Callable[[F64], F64]

HERE = Path(__file__).resolve().parent
WIDTH, HEIGHT = 480, 270
FIRST_FRAME, LAST_FRAME = 1001, 1048
# Rays to each side of a pixel.
RAYS = 4
STEPS = 90
FARTHEST_M = 140.0
# From link to link, metres.
LINK_PITCH = 0.17
KEY = np.array([-0.45, 0.8, 0.4]) / np.linalg.norm([-0.45, 0.8, 0.4])
BEAST_ALBEDO, CHAIN_ALBEDO = np.array([0.03, 0.03, 0.033]), np.array([0.34, 0.19, 0.12])
AXES = np.eye(3)
CAMERA = Camera(np.zeros(3), AXES[0], AXES[1], -AXES[2])


def ellipsoid(points: F64, centre: F64, half: F64) -> F64:
    """Return about how far points ``(n, 3)`` are from an ellipsoid, never more than they are."""
    offset = points - centre
    inner = np.linalg.norm(offset / half, axis=1)
    return (inner - 1.0) * float(half.min())


def smooth_union(first: F64, second: F64, width: float) -> F64:
    """Return the distance to two solids that flow into each other over a width."""
    share = np.clip(0.5 + 0.5 * (second - first) / width, 0.0, 1.0)
    return second + (first - second) * share - width * share * (1.0 - share)


def beast(frame: int) -> Solid:
    """Return the beast on a frame: it drifts to the right, and its tail beats once."""
    share = (frame - FIRST_FRAME) / (LAST_FRAME - FIRST_FRAME)
    at = np.array([-9.0 + 5.0 * share, 7.0 + 1.0 * share, -90.0])
    beat = 1.6 * np.sin(2.0 * np.pi * share)

    def distance(points: F64) -> F64:
        body = ellipsoid(points, at, np.array([11.0, 2.9, 3.4]))
        head = ellipsoid(points, at + np.array([8.0, 0.3, 0.0]), np.array([5.5, 2.3, 2.8]))
        stem = ellipsoid(points, at + np.array([-11.5, 0.5 + 0.4 * beat, 0.0]), np.array([6.0, 1.1, 1.2]))
        tail = ellipsoid(points, at + np.array([-17.3, 0.8 + beat, 0.0]), np.array([2.0, 0.4, 4.6]))
        fin = ellipsoid(points, at + np.array([3.0, -2.9, 3.4]), np.array([1.2, 2.6, 0.5]))
        whole = smooth_union(smooth_union(body, head, 2.0), stem, 2.0)
        return smooth_union(smooth_union(whole, tail, 1.2), fin, 0.6)

    return distance


def chain(points: F64) -> F64:
    """Return the distance to a chain that hangs through the picture, 3.6 m off: links turned by turns."""
    offset = points - np.array([-1.35, 0.0, -3.6])
    nearest = np.round(offset[:, 1] / LINK_PITCH)
    return np.minimum.reduce([link(offset, nearest + step) for step in (-1, 0, 1)])


def link(offset: F64, number: F64) -> F64:
    """Return the distance to the link of a number: a ring drawn long, turned where the number is even."""
    y = offset[:, 1] - number * LINK_PITCH
    turned = number % 2 == 0
    across, along = (np.where(turned, offset[:, i], offset[:, j]) for i, j in ((0, 2), (2, 0)))
    straight = np.maximum(np.abs(y) - 0.05, 0.0)
    distance: F64 = np.hypot(np.hypot(across, straight) - 0.055, along) - 0.017
    return distance


def met(distance: Solid, rays: F64, first_m: float) -> F64:
    """Return the range at which rays ``(n, 3)`` meet a solid; infinity where they do not."""
    range_m = np.full(len(rays), first_m)
    walking = np.arange(len(rays))
    for _ in range(STEPS):
        gap = distance(rays[walking] * range_m[walking, None])
        range_m[walking] += np.maximum(gap, 1e-4)
        walking = walking[(gap > 2e-3) & (range_m[walking] < FARTHEST_M)]
        if not len(walking):
            break
    near = np.abs(distance(rays * np.minimum(range_m, FARTHEST_M)[:, None])) < 0.05
    return np.where(near & (range_m < FARTHEST_M), range_m, np.inf)


def lit(distance: Solid, points: F64, albedo: F64) -> F64:
    """Return the light of matt points under one soft key and an even sky, ``(n, 3)``."""
    step = 1e-3 * np.maximum(1.0, np.abs(points[:, 2:]) / 10.0)
    slopes = [distance(points + step * axis) - distance(points - step * axis) for axis in AXES]
    normal = np.stack(slopes, axis=1)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    sky = 0.5 + 0.5 * normal[:, 1]
    light = 0.75 * np.maximum(normal @ KEY, 0.0) + 0.45 * sky
    return light[:, None] * albedo


def rays_of(rows: slice) -> F64:
    """Return unit rays through some rows, ``(rows, columns, RAYS * RAYS, 3)``; the middle ones come first."""
    half = 0.5 * FILM_WIDTH_MM / FOCAL_LENGTH_MM
    inner = (np.arange(RAYS) + 0.5) / RAYS
    down, right = (grid.ravel() for grid in np.meshgrid(inner, inner, indexing="ij"))
    order = np.argsort((down - 0.5) ** 2 + (right - 0.5) ** 2, kind="stable")
    x = (np.arange(WIDTH)[:, None] + right[order]) / WIDTH * 2.0 - 1.0
    y = 1.0 - (np.arange(HEIGHT)[rows, None] + down[order]) / HEIGHT * 2.0
    shape = (y.shape[0], WIDTH, RAYS * RAYS)
    rays = np.stack(
        [
            np.broadcast_to(half * x, shape),
            np.broadcast_to(half * HEIGHT / WIDTH * y[:, None], shape),
            np.full(shape, -1.0),
        ],
        axis=-1,
    )
    return rays / np.linalg.norm(rays, axis=-1, keepdims=True)


def seen(distance: Solid, albedo: F64, first_m: float, box: tuple[F64, F64]) -> tuple[F64, F64, F64]:
    """Return a solid's premultiplied light, coverage and planar depth, whole picture; looked for in a box."""
    light, alpha = np.zeros((HEIGHT, WIDTH, 3)), np.zeros((HEIGHT, WIDTH))
    depth = np.full((HEIGHT, WIDTH), np.inf)
    for row in range(HEIGHT):
        rays = rays_of(slice(row, row + 1))[0]
        at = rays / -rays[..., 2:] * first_m
        inside = ((at >= box[0]) & (at <= box[1])).all(axis=-1)
        columns = np.nonzero(inside.any(axis=1))[0]
        if not len(columns):
            continue
        flat = rays[columns].reshape(-1, 3)
        range_m = met(distance, flat, 0.9 * first_m)
        hit = np.isfinite(range_m)
        colour = np.zeros_like(flat)
        colour[hit] = lit(distance, flat[hit] * range_m[hit, None], albedo)
        by_pixel = hit.reshape(len(columns), -1)
        alpha[row, columns] = by_pixel.mean(axis=1)
        light[row, columns] = colour.reshape(len(columns), -1, 3).mean(axis=1)
        along = np.where(hit, range_m * -flat[:, 2], np.inf).reshape(by_pixel.shape)
        # The middle ray's surface; where it meets nothing, the nearest that another meets.
        first = np.where(np.isfinite(along[:, 0]), along[:, 0], along.min(axis=1))
        depth[row, columns] = first
    return light, alpha, depth


def frame_parts(far: tuple[F64, F64, F64], near: tuple[F64, F64, F64]) -> tuple[Part, ...]:
    """Return a frame's channels, the chain over the beast."""
    left = 1.0 - near[1]
    beauty = near[0] + left[..., None] * far[0]
    alpha = near[1] + left * far[1]
    depth = np.where(np.isfinite(near[2]), near[2], far[2])
    colour = rounded(beauty.astype(np.float32), BEAUTY_BITS, BEAUTY_FINEST).transpose(2, 0, 1)
    rest: F32 = np.stack([alpha, left * far[1], near[1]]).astype(np.float32)
    z = rounded(depth.astype(np.float32), DEPTH_BITS)
    names = ("R", "G", "B", "A", "matte.leviathan", "matte.chain", "Z")
    return (Part("", names, np.concatenate([colour, rest, z[None]]), ("half",) * 6 + ("float",)),)


def main() -> None:
    """Render the frames that are not there."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--out", type=Path, default=HERE / "leviathan")
    folder = parser.parse_args().out
    everywhere = (np.array([-1.6, -9.0, -9.0]), np.array([-1.1, 9.0, 9.0]))
    near = seen(chain, CHAIN_ALBEDO, 3.6, everywhere)
    for frame in range(FIRST_FRAME, LAST_FRAME + 1):
        path = folder / f"leviathan.{frame}.exr"
        if path.exists():
            continue
        around = (np.array([-32.0, -4.0, -99.0]), np.array([16.0, 18.0, 99.0]))
        far = seen(beast(frame), BEAST_ALBEDO, 90.0, around)
        write(path, frame_parts(far, near), CAMERA, frame)
        print(path.name, flush=True)


if __name__ == "__main__":
    main()
