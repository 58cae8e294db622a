"""The halo at one place, by tables, against the point spread itself."""

from __future__ import annotations

import math

import numpy as np
import pytest

from halocline.physics.path.halo_about import ASIDE, halo_rings, regained_depth
from halocline.physics.path.point_spread import FREQUENCIES, SLOPES, ring_shares
from halocline.physics.path.water_halo import turns_of


@pytest.mark.parametrize("bend", [0.0, 0.8, 2.5])
def test_depth_between_the_table_is_that_of_the_point_spread(bend: float) -> None:
    a, b, ranges = np.array([0.09, 0.31]), np.array([0.43, 0.2]), np.array([0.37, 2.9, 9.1])
    depths = regained_depth(a, b, ranges, bend)
    for row, s in zip(depths, ranges, strict=True):
        for value, taken, turned in zip(row, a, b, strict=True):
            regained = turns_of(None).regained(taken, turned, float(s), bend)
            assert value == pytest.approx(turned * s * regained, rel=0.012)


def test_rings_sum_to_one_and_hold_more_nearby_where_what_is_seen_is_spread_already() -> None:
    rings = halo_rings(np.array([0.01, 0.3, 1.0, 3.0, 30.0]))
    assert rings.sum(axis=1) == pytest.approx(1.0, abs=1e-9)
    assert (rings >= 0.0).all()
    within = rings[:, :6].sum(axis=1)
    assert (np.diff(within[:4]) > 0.0).all()
    assert within[4] >= within[3]


def test_halo_within_spread_over_what_is_seen_leaves_the_direct_light() -> None:
    """At any frequency: what is seen is H, and without its halo it is exp(-c s)."""
    turns, a, b, s = turns_of(None), 0.1, 0.4, 4.0
    seen = turns.transfer(a, b, s)
    weights = turns.halo_within(a, b, s)
    spread = weights[0] + np.exp(-2.0 * np.square(math.pi * np.outer(FREQUENCIES, SLOPES))) @ weights[1:]
    part = -math.expm1(-b * s * turns.regained(a, b, s))
    assert seen * (1.0 - part * spread) == pytest.approx(math.exp(-(a + b) * s), rel=0.03)


def test_rings_hold_all_that_gaussians_hold() -> None:
    assert ring_shares(np.array([0.0, 0.01, 1.0]), ASIDE).sum(axis=0) == pytest.approx(1.0)
