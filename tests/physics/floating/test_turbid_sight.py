"""What bodies leave of things beyond them, held to marches of Beer and Lambert's law in float64."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from tests.conftest import AHEAD, UP, Builders
from tests.physics.floating.test_turbid import EDDIES, LENS, SPOTS, body_of, extinction, placed

from halocline._typing import F64
from halocline.physics.floating.turbid import TurbidBody
from halocline.physics.floating.turbid_sight import BodiesBefore, SeenThrough
from halocline.physics.floating.turbid_view import BodiesInLight
from halocline.physics.path.lamps import Lamp

TIME_S = 1001 / 24
HALF_RAD = math.radians(35.0)


def before(build: Builders, body: TurbidBody, amount: float = 1.0) -> BodiesBefore:
    def share(points_m: F64) -> F64:
        return np.full(len(points_m), amount)

    return BodiesBefore(BodiesInLight((), build.path(), EDDIES, TIME_S, [body]), share)


def marched(body: TurbidBody, point: F64, steps: int = 4000) -> float:
    way = np.linspace(LENS, point, steps + 1)
    length = float(np.linalg.norm(point - LENS))
    return math.exp(-float(np.trapezoid(extinction(body, way, EDDIES, TIME_S), dx=length / steps)))


@pytest.mark.parametrize("kind", sorted(SPOTS))
def test_what_floats_is_hidden_by_what_of_a_body_lies_before_it(build: Builders, kind: str) -> None:
    body = replace(
        body_of(build, placed(kind, clumping=0.3, clump_scale=2.0)),
        extinction_per_m=4.0 if kind == "plume" else 1.5,
    )
    aside = np.cross(AHEAD, UP)
    random = np.random.default_rng(4)
    far = random.uniform(1.0, 9.0, 60)[:, None]
    slopes = random.uniform((-0.4, -0.35), (0.4, 0.15), (60, 2))
    points = LENS + far * (AHEAD + slopes[:, :1] * aside + slopes[:, 1:] * UP)
    left = SeenThrough([before(build, body)], LENS, AHEAD, HALF_RAD).left(points)
    expected = np.array([marched(body, point) for point in points])
    # Rays stand a degree and more apart, and bodies have edges.
    assert np.abs(left - expected).max() < 0.15
    assert np.abs(left - expected).mean() < 0.015
    assert (expected < 0.7).sum() >= 5


# Of a picture whose corners are all round, or nearly so: from where one square would have too few rays.
@pytest.mark.parametrize("half_angle", [math.pi, 1.45])
def test_a_view_all_round_sees_bodies_on_every_side(build: Builders, half_angle: float) -> None:
    # Along the axes, and between two of them and three.
    ways = np.concatenate([np.eye(3), -np.eye(3), [[1.0, 1.0, 0.0], [-1.0, 1.0, 1.0], [0.0, -1.0, -1.0]]])
    points = LENS + 6.0 * ways / np.linalg.norm(ways, axis=1, keepdims=True)
    for number, point in enumerate(points):
        body = body_of(build, placed("ellipsoid", clumping=0.0))
        there = replace(body.shapes[0], centre_m=LENS + 0.5 * (point - LENS))
        thick = replace(body, shapes=(there,), extinction_per_m=4.0)
        left = SeenThrough([before(build, thick)], LENS, AHEAD, half_angle).left(points)
        assert left[number] == pytest.approx(marched(thick, point), abs=0.02)
        assert left[number] < 0.1
        assert np.delete(left, number) == pytest.approx(1.0, abs=1e-6)


def test_what_each_of_two_bodies_hides_goes_by_where_it_is(build: Builders) -> None:
    """One to the right and one behind: what was found of one side is not taken for another body's."""
    body = body_of(build, placed("ellipsoid", clumping=0.0))
    ways = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    hiding = [
        before(
            build,
            replace(body, shapes=(replace(body.shapes[0], centre_m=LENS + 3.0 * way),), extinction_per_m=4.0),
        )
        for way in ways[[0, 2]]
    ]
    for order in (hiding, hiding[::-1]):
        left = SeenThrough(order, LENS, AHEAD, math.pi).left(LENS + 6.0 * ways)
        assert left[[0, 2]].max() < 0.1
        assert left[1] == pytest.approx(1.0, abs=1e-6)


def test_what_is_seen_at_the_very_corner_of_the_picture_is_hidden_as_well(build: Builders) -> None:
    body = body_of(build, placed("ellipsoid", clumping=0.0))
    aside = np.cross(AHEAD, UP)
    way = math.cos(HALF_RAD) * AHEAD + math.sin(HALF_RAD) * aside
    small = replace(body.shapes[0], centre_m=LENS + 8.0 * way)
    thick = replace(body, shapes=(small,), extinction_per_m=4.0)
    point = LENS + 14.0 * way
    left = SeenThrough([before(build, thick)], LENS, AHEAD, HALF_RAD).left(point[None])
    assert left[0] == pytest.approx(marched(thick, point), abs=0.03)
    assert left[0] < 0.3


def test_of_a_body_that_is_there_in_part_the_rest_hides_nothing(build: Builders) -> None:
    body = replace(body_of(build, placed("ellipsoid", clumping=0.0)), extinction_per_m=2.0)
    points = LENS + np.array([[6.0], [9.0]]) * (body.shapes[0].centre_m - LENS) / 6.0
    whole, third = (
        SeenThrough([before(build, body, amount)], LENS, AHEAD, HALF_RAD).left(points)
        for amount in (1.0, 0.3)
    )
    assert whole.max() < 0.7
    assert third == pytest.approx(1.0 - 0.3 * (1.0 - whole), abs=1e-6)
    both = SeenThrough([before(build, body), before(build, body)], LENS, AHEAD, HALF_RAD).left(points)
    assert both == pytest.approx(whole**2, rel=1e-6)


@pytest.mark.parametrize("kind", ["slab", "floor"])
def test_a_lamp_above_a_layer_is_dimmed_by_it(build: Builders, kind: str) -> None:
    body = replace(body_of(build, placed(kind, clumping=0.0)), extinction_per_m=1.5)
    lamp = Lamp(LENS, np.array([0.0, -0.8, -0.6]), np.ones(3), 70.0, 50.0, 0.01)
    light = BodiesInLight([body], build.path(), EDDIES, TIME_S).from_lamp(lamp)
    assert light is not None
    aside = np.array([0.1, 0.1, 0.0])
    points = LENS + np.linspace(0.4, 3.5, 12)[:, None] * (lamp.axis + aside)
    expected = np.array([marched(body, point) for point in points])
    assert light.left(points) == pytest.approx(expected, abs=0.03)
    assert expected.max() > 0.9
    assert expected.min() < 0.2
