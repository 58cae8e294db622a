"""Light on small things and what of it reaches the lens."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from tests.conftest import Builders

from halocline.physics.floating.light import SightLine, lit, transmitted, veil_before
from halocline.physics.path.lamps import Lamp

LENS = np.zeros(3)


def _sight(build: Builders, path: Any) -> SightLine:
    points = np.array([[0.0, 0.0, -2.0], [1.0, 0.5, -3.0], [0.0, -4.0, -1.0]])
    return SightLine.to(points, LENS, path)


def test_sight_line_knows_depth_and_direction(build: Builders) -> None:
    path = build.path(depth_m=10.0)
    sight = _sight(build, path)
    assert sight.range_m == pytest.approx([2.0, np.sqrt(10.25), np.sqrt(17.0)])
    assert sight.depth_m == pytest.approx([10.0, 9.5, 14.0])
    assert sight.downward == pytest.approx([0.0, -0.5 / np.sqrt(10.25), 4.0 / np.sqrt(17.0)])


def test_what_reaches_the_lens_is_that_of_the_picture(build: Builders) -> None:
    path = build.path()
    sight = _sight(build, path)
    assert transmitted(path, sight) == pytest.approx(path.direct_along(sight.range_m), rel=1e-5)
    veil = veil_before(path, (), sight, LENS)
    for row, distance, direction in zip(veil, sight.range_m, sight.direction, strict=True):
        assert row == pytest.approx(path.veil_along(distance, direction), rel=1e-4)


def test_light_falls_with_depth_as_daylight_does(build: Builders) -> None:
    path = build.path(surface_sun_share=0.0)
    points = np.array([[0.0, 0.0, -2.0], [0.0, -5.0, -2.0]])
    shallow, deep = (
        SightLine(np.array([[0, 0, -1.0]]), np.ones(1), np.zeros(1), np.zeros(1), np.array([depth]))
        for depth in (10.0, 15.0)
    )
    albedo = np.ones(path.bands.count)
    light = [lit(path, (), sight, LENS, albedo=albedo, asymmetry=0.3)[0] for sight in (shallow, deep)]
    # What floats is lit from all sides: by scalar irradiance, which falls almost as what comes down does.
    assert light[1] / light[0] == pytest.approx(path.daylight(15.0) / path.daylight(10.0), rel=0.03)
    assert len(points) == 2


def test_particles_are_brighter_towards_the_sun(build: Builders) -> None:
    path = build.path()
    light = []
    for cosine in (-0.9, 0.0, 0.9):
        sight = SightLine(
            np.array([[0, 0, -1.0]]), np.ones(1), np.zeros(1), np.array([cosine]), np.array([10.0])
        )
        light.append(lit(path, (), sight, LENS, albedo=np.ones(path.bands.count), asymmetry=0.6)[0, 0])
    assert light[0] > light[1] > light[2] > 0.0


def test_caustics_change_the_suns_share_only(build: Builders) -> None:
    path = build.path()
    sight = _sight(build, path)
    given: dict[str, Any] = {"albedo": np.ones(path.bands.count), "asymmetry": 0.4}
    even = lit(path, (), sight, LENS, **given)
    gains = [
        lit(path, (), sight, LENS, **given, sun_gain=np.full((3, path.bands.count), g))
        for g in (0.0, 1.0, 2.0)
    ]
    assert gains[1] == pytest.approx(even)
    assert gains[2] - gains[1] == pytest.approx(gains[1] - gains[0])
    assert (gains[0] > 0).all()


def test_lamp_light_falls_with_the_square_and_the_water(build: Builders) -> None:
    path = build.path(depth_m=80.0, reference_depth_m=0.0)
    lamp = Lamp(np.zeros(3), np.array([0, 0, -1.0]), np.full(path.bands.count, 5.0), 40.0, 20.0, 1e-3)
    points = np.array([[0.0, 0.0, -1.0], [0.0, 0.0, -3.0]])
    sight = SightLine.to(points, LENS, path)
    light = lit(path, (lamp,), sight, LENS, albedo=np.ones(path.bands.count), asymmetry=0.0)
    rate = lamp.loss_rate(path.bands)
    # An even phase function sends E / (4 pi) back.
    assert light[0] == pytest.approx(5.0 * np.exp(-rate) / (4 * np.pi), rel=1e-2)
    assert light[1] / light[0] == pytest.approx(np.exp(-2.0 * rate) / 9.0, rel=2e-2)
