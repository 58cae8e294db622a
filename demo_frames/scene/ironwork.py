"""The anchor, its chain, and the parted rope that is still made fast to it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from scene.noise import F32, cell_noise, fractal_noise, mix, smoothstep
from scene.seabed import ground_height
from scene.surfaces import Surface, bare, cube, curve, joined, rotation, tube

F64 = NDArray[np.float64]

# The anchor, metres. Its own y runs from the crown up the shank, its arms spread along x, its stock along z.
SHANK = 1.72
ARM = 0.66
STOCK_HEIGHT = 1.50
STOCK_HALF = 0.80
RING_RADIUS = 0.115

CHAIN_BAR = 0.036
LINK_INSIDE = 4.0 * CHAIN_BAR

RUST = (0.34, 0.125, 0.042)
OLD_RUST = (0.17, 0.072, 0.038)
IRON = (0.070, 0.060, 0.055)
LIME_CRUST = (0.50, 0.45, 0.37)
ROPE = (0.50, 0.40, 0.25)


def anchor_turn() -> F64:
    """Return the anchor's orientation: it leans to the left and a little towards the camera."""
    return rotation((0, 1, 0), -34) @ rotation((0, 0, 1), 27) @ rotation((1, 0, 0), 13)


def anchor_foot() -> F64:
    """Return where the anchor's crown lies in the world."""
    x, z = -1.05, -5.75
    return np.array([x, ground_height(x, z) + 0.02, z])


def _in_world(point: tuple[float, float, float]) -> F64:
    """Carry a point from the anchor's own axes into the world."""
    return np.asarray(anchor_turn() @ np.array(point) + anchor_foot())


def _arm_line(side: int, count: int) -> F64:
    """Return the centre line of one arm, from the crown outwards: part of a circle."""
    # It starts a little beyond the crown, so that the two arms run into each other.
    turn = np.linspace(-0.14, 1.12, count)
    return np.stack([side * ARM * np.sin(turn), ARM * (1 - np.cos(turn)), np.zeros(count)], axis=1)


def _fluke(side: int) -> Surface:
    """Return one palm: a shield-shaped plate on the inner face of the arm's end."""
    lattice, faces = cube(44)
    along = (lattice[:, 2] + 1) / 2
    # The outline of a shield: broad shoulders, pointed tip.
    width = 0.19 * np.sqrt(np.clip(1 - along, 0, 1)) * (0.72 + 0.75 * along) + 0.004
    line = _arm_line(side, 200)
    tip, root = line[-1] * 1.06, line[int(200 * 0.56)]
    forward = (tip - root) / np.linalg.norm(tip - root)
    inward = -side * np.cross(forward, (0, 0, 1))
    thickness = 0.016 * (1 - 0.6 * np.abs(lattice[:, 0]))
    length = np.linalg.norm(tip - root)
    points = root + along[:, None] * length * forward + 0.035 * inward
    points = points + (lattice[:, 0] * width)[:, None] * (0, 0, 1)
    points = points + (lattice[:, 1] * thickness + 0.02 * lattice[:, 0] ** 2)[:, None] * inward
    # Mirrored on one side, its triangles would face inwards there.
    return bare(points, faces if side < 0 else faces[:, ::-1].copy())


def _anchor_parts() -> Surface:
    """Return the clean forging in its own axes."""
    rise = np.linspace(0, 1, 160)
    shank = np.stack([0 * rise, -0.04 + rise * (SHANK + 0.04), 0 * rise], axis=1)
    parts = [tube(shank, np.stack([0.078 - 0.026 * rise, 0.064 - 0.018 * rise], axis=1), 48)]
    for side in (-1, 1):
        line = _arm_line(side, 120)
        share = np.linspace(0, 1, 120)
        thick = np.stack([0.084 - 0.044 * share, 0.070 - 0.036 * share], axis=1)
        # The bill runs to a point beyond the palm.
        thick[-14:] *= np.linspace(1, 0.12, 14)[:, None]
        parts += [tube(line, thick, 44), _fluke(side)]
    reach = np.linspace(-STOCK_HALF, STOCK_HALF, 140)
    stock = np.stack([0 * reach, np.full(140, STOCK_HEIGHT), reach], axis=1)
    parts.append(tube(stock, 0.042 - 0.012 * np.abs(reach) / STOCK_HALF, 36))
    for side in (-1, 1):
        ball = np.linspace(-1, 1, 40)
        line = np.stack([0 * ball, np.full(40, STOCK_HEIGHT), side * STOCK_HALF + 0.055 * ball], axis=1)
        parts.append(tube(line, 0.055 * np.sqrt(np.maximum(1 - ball**2, 0)), 32))
    collar = np.linspace(-0.055, 0.055, 24)
    line = np.stack([0 * collar, STOCK_HEIGHT + collar, 0 * collar], axis=1)
    parts.append(tube(line, 0.088 * (1 - (collar / 0.075) ** 4), 40))
    turn = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    ring = np.stack([0 * turn, SHANK + 0.05 + RING_RADIUS * np.cos(turn), RING_RADIUS * np.sin(turn)], axis=1)
    parts.append(tube(ring, np.full(120, 0.021), 28, closed=True))
    return joined(parts)


def _chain_line() -> F64:
    """Return the chain's path: from the anchor's ring, sagging, towards the camera and up out of frame."""
    start = _in_world((0, SHANK + 0.05 + RING_RADIUS, 0))
    hanging = [(-1.66, 1.98, -3.15), (-1.30, 2.85, -1.75), (-1.06, 4.3, -0.9), (-0.9, 7.0, -0.4)]
    lifting = start + np.array([-0.02, 0.10, 0.32])
    return curve([start, lifting, *hanging], 4000)


def _link(bar: float) -> Surface:
    """Return one link along x, lying in the x-y plane: two straight sides, two half rings."""
    bend = 0.5 * 1.5 * bar + 0.5 * bar
    straight = (LINK_INSIDE - 1.5 * bar) / 2
    half_turn = np.linspace(-np.pi / 2, np.pi / 2, 26)
    right = np.stack([straight + bend * np.cos(half_turn), bend * np.sin(half_turn)], axis=1)
    side = np.linspace(straight, -straight, 12)[1:-1]
    top = np.stack([side, np.full(len(side), bend)], axis=1)
    outline = np.concatenate([right, top, -right, -top])
    path = np.column_stack([outline, np.zeros(len(outline))])
    return tube(path, np.full(len(path), bar / 2), 24, closed=True)


def _at(line: F64, length: F64, along: float) -> F64:
    """Return the point at a length along a line."""
    return np.array([np.interp(along, length, line[:, axis]) for axis in range(3)])


def _chain_parts() -> Surface:
    """Return the chain: each link threaded through the last and turned a quarter against it."""
    line = _chain_line()
    length = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    pitch = 0.985 * LINK_INSIDE
    link = _link(CHAIN_BAR)
    random = np.random.default_rng(31)
    links = []
    for k in range(int(length[-1] / pitch)):
        first, last = (_at(line, length, (k + step) * pitch) for step in (0.08, 0.92))
        along = (last - first) / np.linalg.norm(last - first)
        level = np.cross((0, 1, 0), along)
        level = level / np.linalg.norm(level)
        turn = np.radians(38 + 90 * (k % 2) + 1.1 * k + random.normal(0, 4))
        across = np.cos(turn) * level + np.sin(turn) * np.cross(along, level)
        frame = np.column_stack([along, across, np.cross(along, across)])
        links.append(link.moved(frame, (first + last) / 2))
    return joined(links)


def _corroded(surface: Surface, depth: float) -> Surface:
    """Swell and pit the metal, then paint it: flaking rust over dark iron, lime crust on old growth."""
    points = surface.vertices
    flakes = fractal_noise(points * np.float32(9), 4, 301)
    pits, _ = cell_noise(points * np.float32(42), 303)
    growth = fractal_noise(points * np.float32(3.3), 4, 307)
    crust = smoothstep(0.36, 0.52, growth)
    height = depth * (flakes - 0.7 * smoothstep(0.35, 0.12, pits) + 1.1 * crust)

    def paint(points: F32, normals: F32) -> F32:
        grain = fractal_noise(points * np.float32(60), 2, 311)
        broad = fractal_noise(points * np.float32(4.6), 5, 313)
        colour = mix(OLD_RUST, RUST, smoothstep(-0.30, 0.35, broad + 0.25 * normals[:, 1]))
        colour = mix(colour, IRON, smoothstep(0.10, 0.45, flakes - 0.2 * broad))
        colour *= (1 + 0.30 * grain)[:, None]
        lime = (np.asarray(LIME_CRUST) * (1 + 0.2 * grain[:, None])).astype(np.float32)
        return np.clip(mix(colour, lime, 0.85 * crust), 0.02, 0.8)

    return surface.displaced(height.astype(np.float32)).painted(paint)


def anchor_and_chain() -> Surface:
    """Return the anchor and its chain in place."""
    anchor = _corroded(_anchor_parts(), 0.0055).moved(anchor_turn(), anchor_foot())
    return joined([anchor, _corroded(_chain_parts(), 0.0022)])


def frayed_rope() -> Surface:
    """Return a three-strand rope from the stock's end; its parted end has come apart into single yarns."""
    start = _in_world((0, STOCK_HEIGHT, STOCK_HALF - 0.12))
    drifting = [(-0.98, 1.40, -4.05), (-0.50, 1.64, -3.65), (-0.06, 1.66, -3.40), (0.38, 1.80, -3.20)]
    line = curve([start, start + 0.10, *drifting], 1400)
    step = np.linalg.norm(np.diff(line, axis=0), axis=1).mean()
    tangent = np.gradient(line, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    across = np.cross(tangent, (0.2, 0.1, 1.0))
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    up = np.cross(tangent, across)
    whole = len(line) - int(0.42 / step)
    opening = np.clip((np.arange(len(line)) - whole) / (len(line) - whole), 0, 1)
    random = np.random.default_rng(77)
    parts = []
    for strand in range(3):
        turn = 2 * np.pi * (np.arange(len(line)) * step / 0.062 + strand / 3)
        swirl = np.cos(turn)[:, None] * across + np.sin(turn)[:, None] * up
        centre = line + (0.0048 + 0.05 * opening**2)[:, None] * swirl
        parts.append(tube(centre[: whole + 40], np.full(whole + 40, 0.0052), 10))
        for _ in range(13):
            first, last = whole - 30, len(line) - int(random.uniform(0, 0.5) * (len(line) - whole))
            share = np.linspace(0, 1, last - first)
            spread = random.normal(0, 1, (3, 3)) * np.array([0.060, 0.030, 0.016])[:, None]
            wander = spread[0] * share[:, None] ** 2
            wander = wander + spread[1] * np.sin(5 * share + random.uniform(0, 6))[:, None] * share[:, None]
            wander = wander + spread[2] * np.sin(13 * share + random.uniform(0, 6))[:, None] * share[:, None]
            yarn = centre[first:last] * 0.5 + line[first:last] * 0.5 + random.normal(0, 0.0018, 3) + wander
            parts.append(tube(yarn[::4], np.full(len(yarn[::4]), 0.00075), 6))

    def paint(points: F32, normals: F32) -> F32:
        del normals
        soiled = fractal_noise(points * np.float32(7), 4, 331)
        return np.clip(mix(ROPE, (0.25, 0.21, 0.11), smoothstep(-0.2, 0.6, soiled)), 0.02, 0.8)

    return joined(parts).painted(paint)
