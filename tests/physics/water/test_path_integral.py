"""The rate of light along a ray stays away from zero where, and only where, it comes near."""

from __future__ import annotations

import numpy as np
import pytest

from halocline.physics.water.path_integral import SMALLEST_RATE, least_rate, rate_along


def rates(c: float, kd: float, mu: list[float]) -> list[float]:
    numbers = np.float32(c), np.float32(kd)
    least = np.float32(least_rate(c, kd))
    return [float(rate_along(*numbers, down, least)) for down in np.array(mu, np.float32)]


def test_rate_is_kept_from_zero_on_rays_without_loss() -> None:
    assert rates(0.1, 0.1, [-1.0, 0.0, 1.0]) == pytest.approx([SMALLEST_RATE, 0.1, 0.2], rel=1e-6)


def test_rate_is_left_alone_where_no_ray_comes_near() -> None:
    assert least_rate(0.2, 0.1) < 0.0
    assert rates(0.2, 0.1, [-1.0, 0.5]) == pytest.approx([0.1, 0.25], rel=1e-6)
