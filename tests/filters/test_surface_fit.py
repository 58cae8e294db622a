"""Surfaces fitted over the steps of a depth pass, against scenes whose normals are known by formula."""

from __future__ import annotations

import numpy as np
import pytest

from halocline._typing import F32, F64
from halocline.compute.threads import at_most
from halocline.filters.facing import normals_from_range
from halocline.filters.surface_fit import facing_of, slopes_over_steps

ROWS, COLUMNS = 270, 480
# A lens of 54 degrees across.
TANGENT = 2.0 * np.tan(np.radians(27.0)) / COLUMNS
ACROSS = (np.arange(COLUMNS) + 0.5 - COLUMNS / 2) * TANGENT
UP = (ROWS / 2 - np.arange(ROWS) - 0.5) * TANGENT
RAYS: F64 = np.stack([*np.meshgrid(ACROSS, UP), -np.ones((ROWS, COLUMNS))])
HALF, SIXTEEN = "half", "16 bits"
FAR_M = 100.0

Scene = tuple[F64, F64]


def plane(normal: tuple[float, float, float], point: tuple[float, float, float]) -> Scene:
    """Planar depth and normals of a plane."""
    unit = np.array(normal) / np.linalg.norm(normal)
    depth = (unit @ np.array(point)) / np.einsum("i,irc->rc", unit, RAYS)
    depth = np.where((depth > 0.05) & (depth < 60.0), depth, np.inf)
    return depth, np.broadcast_to(unit[:, None, None], RAYS.shape)


def sphere() -> Scene:
    """A sphere before a slanted wall: an edge all around it."""
    centre, radius = np.array([0.3, 0.2, -9.0]), 2.5
    a, b = (RAYS**2).sum(axis=0), np.einsum("i,irc->rc", centre, RAYS)
    root = b * b - a * (centre @ centre - radius**2)
    depth = np.where(root > 0, (b - np.sqrt(np.maximum(root, 0.0))) / a, np.inf)
    with np.errstate(invalid="ignore"):
        own = (depth * RAYS - centre[:, None, None]) / radius
    wall, normals = plane((0.35, 0.1, 1.0), (0.0, 0.0, -14.0))
    return np.minimum(depth, wall), np.where(depth < wall, own, normals)


def ripple() -> Scene:
    """Sand with ripples of 6 cm, y = -1.6 + h, each ray's hit found by repetition."""
    down = np.minimum(RAYS[1], -1e-6)
    depth = -1.6 / down
    for _ in range(80):
        x, z = depth * RAYS[0], depth * RAYS[2]
        depth = 0.5 * depth + 0.5 * (-1.6 + 0.06 * np.sin(2.5 * x) * np.cos(2.5 * z)) / down
    x, z = depth * RAYS[0], depth * RAYS[2]
    normal = np.stack(
        [
            -0.15 * np.cos(2.5 * x) * np.cos(2.5 * z),
            np.ones_like(x),
            0.15 * np.sin(2.5 * x) * np.sin(2.5 * z),
        ]
    )
    return np.where(RAYS[1] < -0.12, depth, np.inf), normal / np.linalg.norm(normal, axis=0)


SCENES = {
    "slanted wall": plane((0.35, 0.1, 1.0), (0.0, 0.0, -7.0)),
    "level ground": plane((0.0, 1.0, 0.0), (0.0, -1.6, 0.0)),
    "wall that faces the lens": plane((0.02, 0.01, 1.0), (0.0, 0.0, -9.0)),
    "sphere": sphere(),
    "ripple": ripple(),
}


def stored(depth: F64, how: str) -> tuple[F32, F32]:
    """Depth as a pass keeps it, and the width of a step."""
    if how == HALF:
        kept = depth.astype(np.float16).astype(np.float32)
        return kept, kept * np.float32(2.0**-10)
    codes = 65535.0 / FAR_M
    kept = (np.round(np.where(np.isfinite(depth), depth, 0.0) * codes) / codes).astype(np.float32)
    return np.where(np.isfinite(depth), kept, np.inf).astype(np.float32), np.full_like(kept, 1.0 / codes)


def fitted(kept: F32, step: F32) -> F32:
    nearness = np.float32(1.0) / kept
    step = np.where(np.isfinite(kept), step, 0.0) * nearness * nearness
    slopes = slopes_over_steps(nearness, step.astype(np.float32), (TANGENT, TANGENT))
    return facing_of(slopes, (ACROSS, UP), np.eye(3))


def angles(found: F32, right: F64, depth: F64) -> F64:
    """Angles between normals where something is, degrees; normals face the lens."""
    towards = np.where((right * RAYS).sum(axis=0) > 0, -right, right)
    cosine = np.clip((found.astype(np.float64) * towards).sum(axis=0), -1.0, 1.0)
    return np.asarray(np.degrees(np.arccos(cosine))[np.isfinite(depth)])


# Median error, degrees, and share above 10 degrees; measured, and half as much again.
BOUNDS = {
    "slanted wall": (0.1, 0.0),
    "level ground": (0.1, 0.0),
    "wall that faces the lens": (0.5, 0.0),
    "sphere": (0.3, 0.01),
    "ripple": (0.9, 0.02),
}


@pytest.mark.parametrize("how", [HALF, SIXTEEN])
@pytest.mark.parametrize("name", SCENES)
def test_fitted_normals_are_those_of_the_formula(name: str, how: str) -> None:
    depth, right = SCENES[name]
    kept, step = stored(depth, how)
    found = angles(fitted(kept, step), right, depth)
    median, share = BOUNDS[name]
    assert np.median(found) <= median
    assert np.mean(found > 10.0) <= share


def test_neighbours_alone_would_be_speckle() -> None:
    # What the fit is for: the same half depth, from neighbours.
    depth, right = SCENES["slanted wall"]
    kept, _ = stored(depth, HALF)
    length = np.linalg.norm(RAYS, axis=0)
    found = normals_from_range((RAYS / length).astype(np.float32), (kept * length).astype(np.float32))
    # Twenty times the bound above, in steps of the depth.
    assert np.median(angles(found, right, depth)) > 20.0 * BOUNDS["slanted wall"][0]


def test_an_edge_takes_nothing_from_behind_it() -> None:
    # Within four pixels of the outline of the sphere, on either side, as everywhere else.
    depth, right = SCENES["sphere"]
    kept, step = stored(depth, HALF)
    front = right[2] != right[2][0, 0]
    around = np.zeros_like(front)
    for down in range(-4, 5):
        for aside in range(-4, 5):
            around |= np.roll(front, (down, aside), (0, 1)) != front
    found = fitted(kept, step)
    towards = np.where((right * RAYS).sum(axis=0) > 0, -right, right)
    wrong = (found * towards).sum(axis=0) < np.cos(np.radians(10.0))
    assert wrong[around & ~front].mean() < 0.02
    # The sphere itself turns away at its outline faster than steps tell.
    assert wrong[around & front].mean() < 0.35


def test_open_water_faces_the_lens_and_nothing_is_no_number() -> None:
    depth = np.full((40, 50), np.inf, np.float32)
    depth[10:14, 20:23] = 5.0
    nearness = np.float32(1.0) / depth
    slopes = slopes_over_steps(nearness, nearness * np.float32(2.0**-10), (TANGENT, TANGENT))
    found = facing_of(slopes, (ACROSS[:50], UP[:40]), np.eye(3))
    assert np.isfinite(found).all()
    np.testing.assert_allclose(np.linalg.norm(found, axis=0), 1.0, atol=1e-6)
    assert ((found * RAYS[:, :40, :50]).sum(axis=0) < 0.0).all()


def test_same_bits_for_any_threads() -> None:
    depth, _ = SCENES["sphere"]
    kept, step = stored(depth, HALF)
    with at_most(1):
        alone = fitted(kept, step)
    with at_most(3):
        assert np.array_equal(fitted(kept, step), alone)


def test_turned_camera_turns_the_normals() -> None:
    depth, _ = SCENES["slanted wall"]
    kept, step = stored(depth, HALF)
    nearness = np.float32(1.0) / kept
    slopes = slopes_over_steps(nearness, step * nearness * nearness, (TANGENT, TANGENT))
    turn = np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]])
    plain, turned = (facing_of(slopes, (ACROSS, UP), each) for each in (np.eye(3), turn))
    np.testing.assert_allclose(turned, np.einsum("ij,jrc->irc", turn, plain), atol=1e-6)
