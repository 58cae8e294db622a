"""What lives there: weed close to the camera, starfish on rock and sand."""

from __future__ import annotations

import numpy as np

from scene.noise import fractal_noise, mix, smoothstep
from scene.seabed import ground_height
from scene.stone import ARCH_TURN_DEGREES, HALF_OPENING, THICKNESS, arch_foot
from scene.surfaces import Surface, bare, curve, grid_faces, joined, rotation

WEED = (0.20, 0.155, 0.032)
YOUNG_WEED = (0.33, 0.27, 0.055)
STARFISH = (0.56, 0.085, 0.03)
STARFISH_PALE = (0.66, 0.24, 0.07)


def _strand(seed: int) -> Surface:
    """Return one strap of weed: a thin ribbon that rises, bends with the current and ripples at its edges."""
    random = np.random.default_rng(seed)
    x, z = 1.02 + random.normal(0, 0.16), -1.55 + random.normal(0, 0.22)
    tall = random.uniform(1.05, 1.95)
    lean = random.uniform(-0.42, -0.05), random.uniform(-0.25, 0.25)
    root = np.array([x, ground_height(x, z) - 0.05, z])
    knots = []
    for share in np.linspace(0, 1, 7):
        sway = share**1.7 * np.array([lean[0], 0, lean[1]])
        sway = sway + 0.05 * share * random.normal(0, 1, 3) * (1, 0.1, 1)
        knots.append(tuple(root + sway + (0, tall * share, 0)))
    line = curve(knots, 260)
    share = np.linspace(0, 1, 260)
    taper = np.minimum(1, 0.35 + 3 * share) * np.sqrt(np.clip((1 - share) * 6, 0.004, 1))
    half = random.uniform(0.004, 0.0125) * taper
    facing = random.uniform(0, np.pi) + 2.2 * share * random.normal(0, 1)
    side = np.stack([np.cos(facing), 0.15 * np.sin(9 * share), np.sin(facing)], axis=1)
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    across = np.linspace(-1, 1, 9)
    ruffle = 0.35 * np.sin(70 * share + seed)[:, None] * across[None] ** 2
    normal = np.cross(np.gradient(line, axis=0), side)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    points = line[:, None] + (half[:, None] * across)[..., None] * side[:, None]
    points = points + (half[:, None] * ruffle)[..., None] * normal[:, None]
    ribbon = bare(points.reshape(-1, 3), grid_faces(260, 9))
    age = np.repeat(share, 9).astype(np.float32)
    blotch = fractal_noise(ribbon.vertices * np.float32(22), 3, 401)
    colour = mix(WEED, YOUNG_WEED, np.clip(age + 0.35 * blotch, 0, 1))
    return Surface(ribbon.vertices, ribbon.faces, np.clip(colour * (1 + 0.3 * blotch[:, None]), 0.01, 0.8))


def weed() -> Surface:
    """Return the tuft of weed in the right foreground."""
    return joined(_strand(500 + k) for k in range(11))


def _starfish(radius: float, seed: int) -> Surface:
    """Return a starfish lying in its own x-z plane: five tapering arms, knobbly back, flat underneath."""
    random = np.random.default_rng(seed)
    turn = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    reach = np.linspace(0, 1, 90)
    fold = np.abs((turn * 5 / (2 * np.pi)) % 1 - 0.5) * 2
    outline = 0.27 + 0.73 * fold**2.6
    bend = turn[None] + 0.10 * np.sin(turn * 2 + random.uniform(0, 6))[None] * reach[:, None] ** 2
    away = radius * outline[None] * reach[:, None]
    ridge = 0.35 + 0.65 * fold[None] ** 2
    dome = np.sqrt(np.clip(1 - reach[:, None] ** 2, 0, 1))
    height = 0.20 * radius * dome * ridge * (1 - 0.55 * away / radius)
    points = np.stack([away * np.cos(bend), height, away * np.sin(bend)], axis=-1).reshape(-1, 3)
    surface = bare(points, grid_faces(90, 360, closed_columns=True)[:, ::-1].copy())
    knobs = fractal_noise(surface.vertices * np.float32(9 / radius), 2, seed)
    raised = surface.displaced((0.022 * radius * knobs).astype(np.float32))
    colour = mix(STARFISH, STARFISH_PALE, smoothstep(0.15, 0.5, knobs))
    return Surface(raised.vertices, raised.faces, colour)


def starfish() -> Surface:
    """Return the starfish in place: two on the sand, one on the archway's left pier."""
    parts = []
    for seed, (x, z, radius) in enumerate([(0.35, -5.45, 0.135), (1.55, -7.0, 0.15), (-0.45, -6.1, 0.11)]):
        step = 0.06
        rise_x = ground_height(x + step, z) - ground_height(x - step, z)
        rise_z = ground_height(x, z + step) - ground_height(x, z - step)
        tilt_x = rotation((0, 0, 1), float(np.degrees(np.arctan(rise_x / (2 * step)))))
        tilt_z = rotation((1, 0, 0), float(-np.degrees(np.arctan(rise_z / (2 * step)))))
        lie = tilt_z @ tilt_x @ rotation((0, 1, 0), 40 * seed)
        parts.append(_starfish(radius, 61 + seed).moved(lie, (x, ground_height(x, z) + 0.004, z)))
    arch = rotation((0, 1, 0), ARCH_TURN_DEGREES)
    face = arch @ rotation((1, 0, 0), 90) @ rotation((0, 1, 0), 25)
    spot = arch @ np.array([-HALF_OPENING - 0.42, 1.22, THICKNESS / 2 + 0.012]) + arch_foot()
    parts.append(_starfish(0.20, 71).moved(face, spot))
    return joined(parts)
