"""Dressed and wild stone: the archway's blocks and the boulders."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from scene.noise import F32, cell_noise, fractal_noise, mix, ridged_noise, smoothstep
from scene.seabed import ALGAE, CORALLINE, ground_height, rock_colours
from scene.surfaces import Surface, bare, cube, joined, rotation, sphere

F64 = NDArray[np.float64]

# The archway, metres. Its own x runs across the opening, y up, z through its thickness.
HALF_OPENING = 1.42
PIER_WIDTH = 0.92
THICKNESS = 1.05
SPRING_HEIGHT = 2.35
RING_DEPTH = 0.72
VOUSSOIRS = 13
JOINT = 0.014

ARCH_PLACE = (1.55, 0.0, -11.6)
ARCH_TURN_DEGREES = 24.0
# Things laid in the arch's own axes stand on the sea bed under its middle.
FOUNDATION = -0.75

LIMESTONE = (0.47, 0.435, 0.375)
SANDSTONE = (0.44, 0.36, 0.27)
SPONGE = (0.62, 0.20, 0.045)


@dataclass(frozen=True)
class Block:
    """One dressed stone by its eight corners ``(2, 2, 2, 3)``, indexed by low/high along x, y and z."""

    corners: F64
    seed: int


def box(low: tuple[float, float, float], high: tuple[float, float, float], seed: int) -> Block:
    """Return an upright block."""
    ends = np.array([low, high], np.float64)
    corners = np.empty((2, 2, 2, 3))
    for i, j, k in np.ndindex(2, 2, 2):
        corners[i, j, k] = ends[i, 0], ends[j, 1], ends[k, 2]
    return Block(corners, seed)


def _voussoir(first: float, last: float, outer: float, seed: int) -> Block:
    """Return a wedge of the ring between two angles (radians from +x) and two radii."""
    corners = np.empty((2, 2, 2, 3))
    for i, angle in enumerate((last, first)):
        for j, radius in enumerate((HALF_OPENING, outer)):
            joint = JOINT / 2 / radius * (1 if angle == first else -1)
            place = np.cos(angle + joint) * radius, SPRING_HEIGHT + np.sin(angle + joint) * radius
            for k, z in enumerate((-THICKNESS / 2, THICKNESS / 2)):
                corners[i, j, k] = *place, z
    return Block(corners, seed)


def _course(
    x: tuple[float, float], y: tuple[float, float], seed: int, cuts: tuple[float, ...]
) -> list[Block]:
    """Return one course of a wall, cut at the given shares of its length."""
    edges = [x[0] + (x[1] - x[0]) * share for share in (0.0, *cuts, 1.0)]
    half = THICKNESS / 2
    return [
        box((a + JOINT / 2, y[0] + JOINT / 2, -half), (b - JOINT / 2, y[1] - JOINT / 2, half), seed + k)
        for k, (a, b) in enumerate(pairwise(edges))
    ]


def _blocks() -> list[Block]:
    """Return every block of the archway, in its own axes."""
    blocks: list[Block] = []
    inner, outer = HALF_OPENING, HALF_OPENING + PIER_WIDTH
    heights = [FOUNDATION, 0.02, 0.50, 0.96, 1.50, 1.94, SPRING_HEIGHT - 0.21]
    for level, (low, high) in enumerate(pairwise(heights)):
        spread = 0.13 if level == 0 else 0.0
        for side in (-1, 1):
            ends = sorted((side * (inner - spread), side * (outer + spread)))
            # Bond: whole stones and pairs take turns, out of step between the piers.
            cuts = (0.46 + 0.1 * (level % 3 == 0),) if (level + (side > 0)) % 2 else ()
            blocks += _course((ends[0], ends[1]), (low, high), 100 + 10 * level + 3 * side, cuts)
    for side in (-1, 1):
        ends = sorted((side * (inner - 0.10), side * (outer + 0.10)))
        low, high = SPRING_HEIGHT - 0.21, SPRING_HEIGHT
        blocks.append(
            box(
                (ends[0], low + JOINT / 2, -THICKNESS / 2 - 0.08),
                (ends[1], high - JOINT / 2, THICKNESS / 2 + 0.08),
                200 + side,
            )
        )
    step = np.pi / VOUSSOIRS
    for k in range(VOUSSOIRS):
        keystone = k == VOUSSOIRS // 2
        rim = HALF_OPENING + RING_DEPTH + (0.17 if keystone else 0.05 * np.sin(7.3 * k))
        blocks.append(_voussoir(k * step, (k + 1) * step, rim, 300 + k))
    return blocks + _remains_of_the_wall()


def _remains_of_the_wall() -> list[Block]:
    """Return what still stands of the wall on both sides: courses that step down away from the arch."""
    blocks: list[Block] = []
    outer = HALF_OPENING + PIER_WIDTH
    heights = [FOUNDATION, 0.10, 0.62, 1.06, 1.55, 2.00, 2.44, 2.93]
    lengths = [3.9, 3.7, 3.2, 2.5, 2.35, 1.55, 0.8]
    for level, length in enumerate(lengths):
        cuts = ((0.30, 0.62), (0.42, 0.74), (0.25, 0.60), (0.5,), (0.38,), (0.56,), ())[level]
        span = (outer + JOINT, outer + length)
        blocks += _course(span, (heights[level], heights[level + 1]), 400 + 10 * level, cuts)
    for level, length in enumerate((1.5, 1.25, 0.62)):
        cuts = ((0.45,), (0.6,), ())[level]
        span = (-outer - length, -outer - JOINT)
        blocks += _course(span, (heights[level], heights[level + 1]), 500 + 10 * level, cuts)
    return blocks


def _stone_surface(block: Block, steps: int) -> Surface:
    """Return a weathered block: rounded arrises, chipped corners, pitted faces, a little out of true."""
    random = np.random.default_rng(block.seed)
    lattice, faces = cube(steps)
    # More vertices near the edges, where the rounding is.
    spread = np.sign(lattice) * (1 - (1 - np.abs(lattice)) ** 1.35)
    across = ((1, 2), (0, 2), (0, 1))
    sides = [np.linalg.norm(np.diff(block.corners.mean(axis=others), axis=0)) for others in across]
    half = np.array(sides) / 2
    scaled: F64 = spread.astype(np.float64) * half
    wear = fractal_noise((scaled * 2.2 + block.seed * 3.7).astype(np.float32), 3, block.seed)
    radius = np.clip(0.05 + 0.05 * wear, 0.018, 0.13)[:, None]
    core = np.clip(scaled, radius - half, half - radius)
    away = scaled - core
    outward = away / np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-9)
    scaled = core + radius * outward
    share = (scaled / half + 1) / 2
    weights = np.stack([1 - share, share], axis=2)
    placed = np.einsum("ni,nj,nk,ijkc->nc", weights[:, 0], weights[:, 1], weights[:, 2], block.corners)
    centre = block.corners.mean(axis=(0, 1, 2))
    tilt = rotation(tuple(random.normal(size=3)), random.normal(0, 0.55))
    placed = (placed - centre) @ tilt.T + centre + random.normal(0, 0.007, 3)
    surface = bare(placed, faces)
    points = surface.vertices + np.float32(block.seed % 97)
    edge = 1 - np.abs(outward).max(axis=1)
    chips = smoothstep(0.10, 0.45, fractal_noise(points * np.float32(3.1), 3, block.seed + 5))
    chips *= np.minimum(edge * 4, 1)
    height = 0.026 * fractal_noise(points * np.float32(1.9), 2, 71) - 0.075 * chips
    height += 0.013 * fractal_noise(points * np.float32(6), 2, 73)
    pits, _ = cell_noise(points * np.float32(10), 79)
    height -= 0.012 * smoothstep(0.34, 0.10, pits) * smoothstep(-0.1, 0.3, fractal_noise(points, 2, 83))
    return surface.displaced(height.astype(np.float32))


def _encrusted(surface: Surface, seed: int) -> tuple[Surface, F32]:
    """Raise soft cushions of sponge on the stone; return the surface and where they are, 0 to 1."""
    points = surface.vertices
    field = fractal_noise(points * np.float32(0.9), 3, seed)
    field += 0.35 * fractal_noise(points * np.float32(4), 3, seed + 1)
    cover = smoothstep(0.46, 0.60, field)
    bumps, _ = cell_noise(points * np.float32(11), seed + 2)
    cushion = cover * (0.02 + 0.022 * np.sqrt(np.maximum(1 - (bumps / 0.75) ** 2, 0)))
    return surface.displaced(cushion.astype(np.float32)), cover


def _masonry_colours(surface: Surface, tint: F32, sponge: F32) -> Surface:
    """Paint dressed stone: each block its own grey, stains, algae on ledges, coralline and sponge."""

    def paint(points: F32, normals: F32) -> F32:
        mottle = fractal_noise(points * np.float32(2.3), 3, 601)
        grain = fractal_noise(points * np.float32(10), 2, 607)
        colour = mix(LIMESTONE, SANDSTONE, np.clip(tint + 0.5 * mottle, 0, 1))
        colour *= ((0.80 + 0.42 * tint) * (1 + 0.22 * grain + 0.30 * mottle))[:, None]
        # Stains run down, so their noise is stretched upright.
        stain = fractal_noise(points * np.array([3.2, 0.7, 3.2], np.float32), 4, 613)
        colour *= (1 - 0.45 * smoothstep(0.05, 0.6, stain))[:, None]
        low = smoothstep(1.3, -0.3, points[:, 1])
        turf = fractal_noise(points * np.float32(2.8), 4, 617) + 0.55 * normals[:, 1] + 0.30 * low
        colour = mix(colour, ALGAE, 0.82 * smoothstep(0.42, 0.85, turf))
        crust = fractal_noise(points * np.float32(1.6), 5, 619)
        colour = mix(colour, CORALLINE, 0.65 * smoothstep(0.44, 0.62, crust))
        spots, identity = cell_noise(points * np.float32(16), 631)
        barnacles = ((spots < 0.3) & (identity > 0.70)).astype(np.float32) * smoothstep(0.0, 0.4, mottle)
        colour = mix(colour, (0.66, 0.62, 0.54), 0.75 * barnacles)
        living = np.asarray(SPONGE) * (1 + 0.35 * grain + 0.25 * mottle)[:, None]
        return np.clip(mix(colour, living, sponge), 0.02, 0.8)

    return surface.painted(paint)


def archway(steps: int = 48) -> Surface:
    """Return the archway in place."""
    blocks = _blocks()
    stones = [_stone_surface(block, steps) for block in blocks]
    tints = [
        np.full(len(stone.vertices), np.random.default_rng(block.seed + 9).uniform(), np.float32)
        for stone, block in zip(stones, blocks, strict=True)
    ]
    raised, sponge = _encrusted(joined([*stones, _mortar()]), seed=641)
    bed = np.full(len(raised.vertices) - sum(map(len, tints)), 0.35, np.float32)
    painted = _masonry_colours(raised, np.concatenate([*tints, bed]), sponge)
    return painted.moved(rotation((0, 1, 0), ARCH_TURN_DEGREES), arch_foot())


def _mortar() -> Surface:
    """Return a set-back core, so that no joint lets light through."""
    inset = 0.07
    inner, outer, half = HALF_OPENING + inset, HALF_OPENING + PIER_WIDTH - inset, THICKNESS / 2 - inset
    parts = []
    for side in (-1, 1):
        ends = sorted((side * inner, side * outer))
        parts.append(_plain(box((ends[0], FOUNDATION, -half), (ends[1], SPRING_HEIGHT - 0.05, half), 0)))
    turn = np.linspace(0, np.pi, 61)
    for first, last in pairwise(turn):
        wedge = _voussoir(first, last, HALF_OPENING + RING_DEPTH - inset, 0).corners.copy()
        wedge[..., 2] *= half / (THICKNESS / 2)
        bottom = wedge[:, 0, :, :2] - (0, SPRING_HEIGHT)
        wedge[:, 0, :, :2] = bottom * (inner / HALF_OPENING) + (0, SPRING_HEIGHT)
        parts.append(_plain(Block(wedge, 0)))
    return joined(parts)


def _plain(block: Block) -> Surface:
    """Return a block as sharp-edged triangles."""
    lattice, faces = cube(1)
    corner = ((lattice + 1) / 2).astype(int)
    return bare(block.corners[corner[:, 0], corner[:, 1], corner[:, 2]], faces)


def arch_foot() -> F64:
    """Return where the arch's own origin stands in the world."""
    return np.array([ARCH_PLACE[0], ground_height(ARCH_PLACE[0], ARCH_PLACE[2]) + 0.05, ARCH_PLACE[2]])


def _fallen_blocks(steps: int) -> list[Surface]:
    """Return dressed stones that have come down from the wall and lie about its foot."""
    places = [  # x, z, size, turn, tilt: metres and degrees
        (-1.75, -10.0, (0.86, 0.46, 0.62), 35, 14),
        (-0.95, -9.2, (0.62, 0.42, 0.52), 80, -20),
        (4.0, -8.9, (0.90, 0.44, 0.60), -28, 24),
        (0.95, -13.2, (0.7, 0.45, 0.6), 10, 9),
        (2.75, -8.0, (0.55, 0.40, 0.46), 52, 31),
    ]
    stones = []
    for k, (x, z, size, turn, tilt) in enumerate(places):
        half = np.array(size) / 2
        stone = _stone_surface(box(tuple(-half), tuple(half), 700 + k), steps)
        lie = rotation((0, 1, 0), turn) @ rotation((0.4, 0, 1), tilt)
        stone = stone.moved(lie, (x, ground_height(x, z) + 0.30 * size[1], z))
        raised, sponge = _encrusted(stone, seed=761)
        stones.append(_masonry_colours(raised, np.full(len(stone.vertices), 0.15 * k, np.float32), sponge))
    return stones


def _boulder(seed: int, steps: int) -> Surface:
    """Return a boulder about one metre in radius: a ball split along a few planes, then weathered."""
    random = np.random.default_rng(seed)
    ball = sphere(steps)
    points = ball.vertices.astype(np.float64)
    for _ in range(9):
        plane = random.normal(size=3)
        plane /= np.linalg.norm(plane)
        beyond = np.maximum(points @ plane - random.uniform(0.55, 0.88), 0)
        points -= 0.92 * beyond[:, None] * plane
    lump = bare(points, ball.faces)
    place = lump.vertices + np.float32(11.3 * (seed % 89))
    height = 0.16 * fractal_noise(place * np.float32(1.1), 3, 811)
    height += 0.10 * ridged_noise(place * np.float32(1.5), 3, 813)
    height += 0.016 * fractal_noise(place * np.float32(5), 2, 817)
    return lump.displaced(height.astype(np.float32))


def boulders() -> Surface:
    """Return the boulders, the fallen blocks and the far stacks that rise from the slope below the brink."""
    places = [  # x, z, radii across, up and along (metres), turn (degrees), steps
        (3.15, -6.3, (0.62, 0.50, 0.55), 20, 150),
        (2.35, -5.6, (0.27, 0.22, 0.30), 75, 90),
        (-3.3, -7.4, (0.64, 0.46, 0.56), 130, 140),
        (-2.55, -6.7, (0.30, 0.24, 0.28), 10, 80),
        (-4.4, -11.5, (0.85, 0.66, 0.80), 65, 120),
        (-0.15, -7.1, (0.26, 0.17, 0.22), 200, 80),
        (5.6, -10.2, (0.88, 0.64, 0.80), 160, 130),
        (7.9, -15.0, (1.3, 1.0, 1.2), 95, 110),
        (6.3, -19.5, (1.3, 1.2, 1.2), 33, 100),
        (10.8, -22.0, (1.6, 1.4, 1.5), 250, 110),
        (9.2, -28.0, (2.1, 2.0, 2.0), 300, 100),
        (14.5, -31.0, (2.8, 2.6, 2.6), 15, 110),
        (12.0, -38.5, (2.6, 3.1, 2.6), 145, 100),
    ]
    stacks = [  # x, y of the middle, z, radii
        (-9.6, -3.2, -20.0, (1.7, 4.2, 1.6), 40, 120),
        (-11.6, -3.0, -28.0, (2.4, 6.2, 2.3), 110, 120),
        (-7.2, -4.0, -38.0, (2.9, 7.4, 2.6), 200, 110),
    ]
    rocks = []
    for k, (x, z, radii, turn, steps) in enumerate(places):
        lie = rotation((0, 1, 0), turn) @ rotation((1, 0, 0.3), 12 * np.sin(5.1 * k)) @ np.diag(radii)
        rocks.append(_boulder(900 + k, steps).moved(lie, (x, ground_height(x, z) + 0.35 * radii[1], z)))
    for k, (x, y, z, radii, turn, steps) in enumerate(stacks):
        lie = rotation((0, 1, 0), turn) @ rotation((1, 0, 0.6), 8) @ np.diag(radii)
        rocks.append(_boulder(950 + k, steps).moved(lie, (x, y, z)))
    wild = joined(rocks).painted(lambda points, normals: rock_colours(points, normals, seed=821))
    return joined([wild, *_fallen_blocks(40)])
