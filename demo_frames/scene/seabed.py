"""The sea bed: a ledge of sand and rock that climbs to the right and falls away behind and to the left."""

from __future__ import annotations

import numpy as np

from scene.noise import F32, cell_noise, fractal_noise, mix, ridged_noise, smoothstep
from scene.surfaces import Surface, bare, grid_faces

PALE_SAND = (0.47, 0.40, 0.30)
DARK_SAND = (0.33, 0.27, 0.195)
BARE_ROCK = (0.235, 0.225, 0.215)
WARM_ROCK = (0.37, 0.295, 0.215)
ALGAE = (0.105, 0.10, 0.045)
CORALLINE = (0.43, 0.175, 0.17)

NEAREST_M, FARTHEST_M = 0.5, 50.0


def _as_points(x: F32, z: F32, scale: float) -> F32:
    """Stretch a ground plan into noise space at `scale` features a metre."""
    return np.stack([x, np.zeros_like(x), z], axis=1).astype(np.float32) * np.float32(scale)


def _lie_of_the_land(x: F32, distance: F32) -> F32:
    """Return the broad form, metres, without rocks or ripples."""
    height = 0.012 * (distance - 4) + 0.03 * x
    # To the right the ledge climbs into the fjord's side.
    climb = np.maximum(x - 3.2, 0)
    height += 1.6 * smoothstep(0.0, 12.0, climb) + 0.06 * climb * smoothstep(6.0, 0.0, climb)
    # To the left, and behind the arch, it drops into open water; on the right the brink lies farther off.
    height -= 0.085 * np.maximum(-x - 3.0, 0) ** 2
    brink = 14.0 + 27.0 * smoothstep(3.5, 11.0, x)
    beyond = np.maximum(distance - brink, 0)
    return (height - 0.075 * beyond**2).astype(np.float32)


def _rockiness(x: F32, z: F32) -> F32:
    """Return 0 on sand to 1 on bare rock."""
    patches = fractal_noise(_as_points(x, z, 0.33), 4, seed=11)
    return smoothstep(0.10, 0.45, patches + 0.10 * np.maximum(x - 2.4, 0) + 0.02)


def _relief(x: F32, z: F32) -> tuple[F32, F32]:
    """Return height, metres, and how much of what shows is rock, 0 to 1."""
    rock = _rockiness(x, z)
    height = _lie_of_the_land(x, -z) + 0.09 * fractal_noise(_as_points(x, z, 0.45), 2, seed=3)
    # Ripples run across the slope and wander; they die out where rock comes through.
    wander = 0.5 * fractal_noise(_as_points(x, z, 0.5), 2, seed=5)
    phase = (0.80 * x - 0.60 * z) / 0.24 + 3.0 * wander
    crest = np.sin(2 * np.pi * phase)
    # Farther off they are finer than a pixel and would only glitter.
    ripple = 0.013 * smoothstep(-0.7, 0.1, wander) * smoothstep(13.0, 6.0, -z)
    height += (1 - rock) * ripple * (crest + 0.25 * np.cos(4 * np.pi * phase))
    crags = ridged_noise(_as_points(x, z, 0.75), 3, seed=21) - 0.45
    height += rock * (0.34 * crags + 0.05 * fractal_noise(_as_points(x, z, 3.1), 2, seed=31) + 0.05)
    # Cobbles and pebbles gather along the edge between rock and sand.
    edge = 4 * rock * (1 - rock)
    for scale, share, seed in ((2.6, 0.35, 41), (6.0, 0.5, 43)):
        distance, identity = cell_noise(_as_points(x, z, scale), seed)
        radius = 0.22 + 0.2 * identity
        dome = np.sqrt(np.maximum(1 - (distance / radius) ** 2, 0))
        present = (identity * 7.31 % 1) < share * np.clip(edge, 0, 1)
        lump = np.where(present, dome * radius * 0.75 / scale, 0)
        height += lump
        rock = np.maximum(rock, smoothstep(0.0, 0.012, lump))
    return height.astype(np.float32), rock


def ground_height(x: float, z: float) -> float:
    """Return the height of the finished sea bed at one place, metres."""
    height, _ = _relief(np.array([x], np.float32), np.array([z], np.float32))
    return float(height[0])


def rock_colours(points: F32, normals: F32, seed: int) -> F32:
    """Return the albedo of natural rock: mottled grey-brown, algae on top, coralline crust in patches."""
    mottle = fractal_noise(points * np.float32(1.5), 3, seed)
    grain = fractal_noise(points * np.float32(6), 2, seed + 9)
    colour = mix(BARE_ROCK, WARM_ROCK, smoothstep(-0.4, 0.5, mottle))
    colour *= (1 + 0.20 * grain + 0.24 * mottle)[:, None]
    turf = fractal_noise(points * np.float32(2.0), 3, seed + 17) + 0.30 * normals[:, 1]
    colour = mix(colour, ALGAE, 0.75 * smoothstep(0.30, 0.75, turf))
    crust = fractal_noise(points * np.float32(1.8), 4, seed + 29)
    pink = (np.asarray(CORALLINE) * (1 + 0.3 * grain)[:, None]).astype(np.float32)
    return np.clip(mix(colour, pink, 0.6 * smoothstep(0.44, 0.66, crust)), 0.02, 0.8)


def sea_bed(columns: int = 1500, rows: int = 1250) -> Surface:
    """Return the sea bed as a fan around the camera: rows by ratio, so that detail follows distance."""
    angle = np.radians(np.linspace(-46, 46, columns))
    away = np.geomspace(NEAREST_M, FARTHEST_M, rows)
    x = np.outer(away, np.sin(angle)).astype(np.float32).ravel()
    z = (2.2 - np.outer(away, np.cos(angle))).astype(np.float32).ravel()
    height, rock = _relief(x, z)
    surface = bare(np.stack([x, height, z], axis=1), grid_faces(rows, columns)[:, ::-1].copy())

    def paint(points: F32, normals: F32) -> F32:
        flat = _as_points(points[:, 0], points[:, 2], 1.0)
        drift = fractal_noise(flat * np.float32(0.8), 3, seed=61)
        grain = fractal_noise(flat * np.float32(5), 2, seed=67)
        sand = mix(PALE_SAND, DARK_SAND, smoothstep(-0.45, 0.55, drift))
        # Heavier, darker grains settle in the troughs of the ripples.
        sand *= (0.93 + 0.10 * grain + 0.35 * (normals[:, 1] - 1))[:, None]
        return mix(sand, rock_colours(points, normals, seed=81), smoothstep(0.25, 0.75, rock))

    return surface.painted(paint)
