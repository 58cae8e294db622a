"""What shadows of lamps leave of haze is made of what was found along a ray, and of nothing else."""

from __future__ import annotations

import numpy as np
import pytest
from tests.operators.test_laws import poisoned

from halocline.compute.compiled import Compiled
from halocline.physics.path import lamp_shadow_loops
from halocline.physics.path.phase import lobe_numbers


def test_no_ray_reads_past_its_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rays that are followed to where their neighbours end: what nobody wrote is not a number here."""
    rays, bins = 60, (np.arange(48, dtype=np.float32) + np.float32(0.5)) * np.float32(np.pi / 48)
    cast = np.full((1, 48), 1.2, np.float32)
    by_angle = np.stack([np.cos(bins), np.sin(bins)], axis=1)
    shares = np.empty((1, rays, 9, 2), np.float32)
    seen = np.linspace(1.5, 6.0, rays, dtype=np.float32)
    seen[::2] = 1.3
    monkeypatch.setattr(Compiled, "__call__", lambda self, *args: self.loop(*args))
    monkeypatch.setattr(np, "empty", poisoned)
    lamp_shadow_loops.fill_shares(
        (cast, np.ones_like(cast)),
        (cast, cast),
        (1, 1, False),
        (np.full(rays, 1.2, np.float32), np.linspace(0, 8, 9, dtype=np.float32), np.zeros(1, np.float32)),
        seen[None],
        np.array([0.8, 0.05, -0.9, 4.0], np.float32),
        (by_angle, np.ones(6, np.float32), np.array([lobe_numbers(0.9)], np.float32)),
        np.full((2, 2), 0.2, np.float32),
        np.array([0, 1]),
        shares,
    )
    assert ((shares >= 0.0) & (shares <= 1.0)).all()
    assert shares.min() < 0.95


def test_what_lies_between_two_directions_is_no_nearer_than_its_ends() -> None:
    # Along a ray from the lamp, 1 m from the lens: all of it is in one direction, between those of the row.
    bins = (np.arange(64) + 0.5) * (np.pi / 64)
    by_angle = np.stack([np.cos(bins), np.sin(bins)], axis=1)
    for turn in np.linspace(bins[20] + 1e-4, bins[21] - 1e-4, 40):
        line = (
            np.full(64, np.inf, np.float32),
            np.zeros((64, 2), np.float32),
            np.ones(64, np.float32),
            np.zeros(64, np.int64),
        )
        ends = []
        for r, bent in ((1.0, 0.0), (1.4, 1e-3)):
            toward, aside = 1.0 - r * np.cos(turn + bent), r * np.sin(turn + bent)
            ends += [float(np.arctan2(aside, toward)), float(np.hypot(toward, aside))]
        lamp_shadow_loops._stretch(line, by_angle, 1.0, 0.1, (np.float32(1.0), 1), *ends)
        assert np.isfinite(line[0]).any()
        assert line[0].min() > 0.999


@pytest.mark.parametrize("tilt", [0.0, 0.6, -0.6])
def test_a_row_that_begins_on_the_lamp_shows_what_is_behind_it(tilt: float) -> None:
    # A lens at the origin looks down -z at a lamp 2 m ahead before the plane z = -3 + tilt x. By its formula
    # the plane is 1 / (cos a + tilt sin a cos b) m from the lamp at an angle a to the axis and a turn b.
    tangent, columns = 0.01, 100
    at = (np.arange(columns) + 0.5 - 0.5 * columns) * tangent
    x, y = np.meshgrid(at, -at)
    depth = 3.0 / (1.0 + tilt * x)
    range_m = (depth * np.sqrt(1.0 + x * x + y * y)).astype(np.float32)
    none = np.zeros((0, 0), np.float32)
    turns = np.linspace(-np.pi, np.pi, 12, endpoint=False)
    aside = np.stack([np.cos(turns), np.sin(turns), np.zeros(12)], axis=1)
    bins = (np.arange(512) + 0.5) * (np.pi / 512)
    metres = np.empty((12, 512), np.float32)
    lamp_shadow_loops.cast_rows(
        (range_m, np.ones_like(range_m), none, none),
        np.array([tangent, tangent, 0.5 * columns, 0.5 * columns]),
        np.array([0.0, 0.0, -1.0]),
        aside,
        np.array([0.005, 0.01, 40, 2.0, 0.2, 1.0, 3.0]),
        np.stack([np.cos(bins), np.sin(bins)], axis=1),
        metres,
        np.empty_like(metres),
        np.empty_like(metres),
        np.empty((12, 512, 2), np.float32),
    )
    behind = np.pi - bins[-100:]
    wanted = 1.0 / (np.cos(behind) + tilt * np.sin(behind) * np.cos(turns)[:, None])
    np.testing.assert_allclose(metres[:, -100:], wanted, rtol=0.004)
    assert not np.isfinite(metres[:, :200]).any()


@pytest.mark.parametrize("apart", [0.0, 0.04])
def test_where_two_round_things_meet_each_ends(apart: float) -> None:
    # Two upright pillars of radius .1 m, 3 m ahead, side by side with the right one farther off, and a lamp
    # 2 m to the left of the lens. By the formula of circles the left one hides the right one from where they
    # touch, and its own edge, at .1 / 3.0 on both sides of its middle.
    tangent, columns, rows = 0.004, 200, 9
    at = (np.arange(columns) + 0.5 - 0.5 * columns) * tangent
    angle = np.arctan(at)
    pillars = ((-0.1, -3.0), (0.09, -3.1 - apart))
    range_m = np.full(columns, np.inf)
    for x, z in pillars:
        half = np.sin(angle) * x - np.cos(angle) * z
        root = half**2 - (x * x + z * z - 0.01)
        met = np.where(root > 0.0, half - np.sqrt(np.maximum(root, 0.0)), np.inf)
        range_m = np.minimum(range_m, met)
    down = (np.arange(rows) + 0.5 - 0.5 * rows) * tangent
    picture = range_m * np.sqrt(1.0 + at**2 + down[:, None] ** 2) / np.sqrt(1.0 + at**2)
    none, bins = np.zeros((0, 0), np.float32), (np.arange(2048) + 0.5) * (np.pi / 2048)
    metres, edges, solid = (np.empty((1, 2048), np.float32) for _ in range(3))
    spans = np.empty((1, 2048, 2), np.float32)
    lamp_shadow_loops.cast_rows(
        (picture.astype(np.float32), np.isfinite(picture).astype(np.float32), none, none),
        np.array([tangent, tangent, 0.5 * columns, 0.5 * rows]),
        np.array([-1.0, 0.0, 0.0]),
        np.array([[0.0, 0.0, -1.0]]),
        np.array([1.2, tangent, 186, 2.0, 0.2, 1.0, 3.0]),
        np.stack([np.cos(bins), np.sin(bins)], axis=1),
        metres,
        edges,
        solid,
        spans,
    )
    nearest = np.argmin(range_m)
    own = spans[0, np.isfinite(metres[0])]
    middle = 0.5 * np.pi + angle[nearest]
    first = own[(own[:, 0] < middle) & (middle < own[:, 1])][0]
    limbs = 0.5 * np.pi + np.arctan2(-0.1, 3.0) + np.array([-1.0, 1.0]) * np.arcsin(0.1 / np.hypot(0.1, 3.0))
    np.testing.assert_allclose(first, limbs, atol=3.0 * tangent)
    # What begins there is another thing, and as wide as is seen of the right pillar.
    x, z = pillars[1]
    right = 0.5 * np.pi + np.arctan2(x, -z) + np.arcsin(0.1 / np.hypot(x, z))
    middle = 0.5 * np.pi + angle[columns // 2 + 10]
    within = own[(own[:, 0] < middle) & (middle < own[:, 1])]
    assert len(within)
    assert within[0, 0] >= first[1] - 1e-6
    assert within[0, 1] == pytest.approx(right, abs=2.0 * tangent)


@pytest.mark.parametrize("tilts", [(0.0, 0.0), (0.5, -0.3), (-0.4, 0.8)])
def test_where_nothing_bends_the_short_way_says_what_the_long_one_does(tilts: tuple[float, float]) -> None:
    # A wall of one plane all over the map, and points of another at growing distance behind it: only the
    # first is told by its own direction alone.
    bins, turns = (np.arange(256) + 0.5) * (np.pi / 256), np.linspace(-0.5, 0.5, 81)
    way = np.stack(
        [
            np.broadcast_to(-np.cos(bins), (81, 256)),
            np.cos(turns)[:, None] * np.sin(bins),
            np.sin(turns)[:, None] * np.sin(bins),
        ]
    )
    wall, own = (np.array([0.3, 1.0, tilt]) for tilt in tilts)
    across = np.tensordot(wall, way, 1)
    cast = np.where(across > 0.1, 2.0 / np.maximum(across, 0.1), np.inf).astype(np.float32)
    aim = np.array([0.2, 1.0, 0.1])
    offset = (2.0 / (aim @ wall)) * aim[:, None] * np.linspace(0.98, 1.4, 400)
    normal = np.repeat(-own[:, None] / np.linalg.norm(own), 400, axis=1)
    found = []
    for bent in (0, 1):
        left = np.empty(400, np.float32)
        lamp_shadow_loops.light_left(
            offset.astype(np.float32),
            normal.astype(np.float32),
            np.eye(3, dtype=np.float32),
            np.array([-0.5, 80.0, 0.0, 1.0, 0.005], np.float32),
            np.float32(0.0),
            cast,
            np.zeros_like(cast),
            np.ones_like(cast),
            np.stack([np.full_like(cast, -np.inf), np.full_like(cast, np.inf)], axis=-1),
            np.full(cast.shape, bent, np.uint8),
            np.stack([np.cos(bins), np.sin(bins)], axis=1).astype(np.float32),
            np.stack([np.cos(turns), np.sin(turns)], axis=1).astype(np.float32),
            left,
        )
        found.append(left)
    assert found[1][0] == 1.0
    assert found[1][-1] == 0.0
    assert ((found[1] > 0.05) & (found[1] < 0.95)).any()
    # Half shaded, directions beside it count too.
    np.testing.assert_allclose(found[0], found[1], atol=0.03)
