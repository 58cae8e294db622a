"""Things drawn into pictures of all directions are as large and as round as they are, wherever they stand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from halocline._typing import F32, F64
from halocline.filters.globe import Globe
from halocline.filters.splat import Area, Discs, Drawing, Surface

ROWS, COLUMNS = 128, 256
PER_RADIAN = ROWS / math.pi
GLOBE = Globe(PER_RADIAN, PER_RADIAN, ROWS / 2)
PLACES = [(128.0, 64.0), (40.3, 22.7), (0.4, 64.2), (255.8, 30.0), (77.0, 3.0), (250.0, 126.5), (10.0, 0.2)]


def drawn(x: float, y: float, *, way: tuple[float, float] = (0.0, 0.0), radius: float = 5.0) -> F32:
    """Return what a disc covers; its radius is in pixels at the equator."""
    start, end = np.array([[x, y]]), np.array([[x + way[0], y + way[1]]])
    one = np.ones(1)
    area = math.pi * radius**2
    discs = Discs(start, end, radius * one, 0.7 * one, area * one, np.ones((1, 1)), one, one)
    picture = np.zeros((2, ROWS, COLUMNS), np.float32)
    drawing = Drawing(Area(0, ROWS, 0, COLUMNS), discs, globe=GLOBE)
    drawing.lay_over(0, Surface(np.full((ROWS, COLUMNS), np.inf, np.float32)), picture)
    covered: F32 = picture[1]
    return covered


def rays() -> F64:
    latitude = (ROWS / 2 - np.arange(ROWS) - 0.5) / PER_RADIAN
    longitude = (np.arange(COLUMNS) + 0.5) / PER_RADIAN
    level = np.cos(latitude)[:, None]
    up = np.broadcast_to(np.sin(latitude)[:, None], (ROWS, COLUMNS))
    return np.stack([level * np.cos(longitude), level * np.sin(longitude), up])


@pytest.mark.parametrize(("x", "y"), PLACES)
def test_a_disc_is_round_on_the_sphere_and_covers_its_solid_angle(x: float, y: float) -> None:
    alpha = drawn(x, y)
    latitude, longitude = (ROWS / 2 - y) / PER_RADIAN, x / PER_RADIAN
    middle = np.array(
        [
            math.cos(latitude) * math.cos(longitude),
            math.cos(latitude) * math.sin(longitude),
            math.sin(latitude),
        ]
    )
    # The angle between directions, by the dot product: nothing of the haversine formula.
    angle = np.arccos(np.clip(np.einsum("i,irc->rc", middle, rays()), -1.0, 1.0)) * PER_RADIAN
    np.testing.assert_array_equal(alpha[angle > 5.9], 0.0)
    assert alpha[angle < 4.1].min() > 0.97
    shares = alpha * np.cos((ROWS / 2 - np.arange(ROWS) - 0.5) / PER_RADIAN)[:, None]
    assert shares.sum() == pytest.approx(math.pi * 25.0, rel=0.02)


def test_a_thing_over_the_seam_is_the_thing_elsewhere() -> None:
    aside = drawn(100.4, 40.0, way=(9.0, 2.0))
    over = drawn(252.4, 40.0, way=(9.0, 2.0))
    np.testing.assert_allclose(over, np.roll(aside, 152, axis=1), atol=2e-5)


def test_a_way_round_the_seam_is_the_short_one() -> None:
    assert GLOBE.near(np.array([2.0, 250.0]), np.array([254.0, 251.0])).tolist() == [258.0, 250.0]
