from __future__ import annotations

import math

import numpy as np
import pytest

from halocline.errors import PhysicsError
from halocline.physics.path.visibility import ENDLESS_M, RangeRemap, remap_through

REMAPS = [RangeRemap(n, L) for n in (0.0, 1.5, 20.0) for L in (0.05, 2.0, 40.0, 1e4, 1e7)]


@pytest.mark.parametrize("remap", REMAPS)
def test_near_field_is_left_as_it_is(remap: RangeRemap) -> None:
    near = np.linspace(0, remap.near_m, 50)
    assert np.array_equal(remap.exact(near), near)
    assert np.array_equal(remap.apply(near.astype(np.float32)), near.astype(np.float32))


@pytest.mark.parametrize("remap", REMAPS)
def test_remap_is_monotone_never_lengthens_and_joins_smoothly(remap: RangeRemap) -> None:
    s = np.linspace(0, 200, 20001)
    bent = remap.exact(s)
    assert (np.diff(bent) > 0).all()
    assert (bent <= s + 1e-12).all()
    # Slope 1 and no curvature where the remap begins: asinh(x) = x - x^3 / 6 + ...
    h = 1e-4 * remap.softness_m
    slope = (remap.exact(remap.near_m + h) - remap.near_m) / h
    assert slope == pytest.approx(1.0, abs=1e-5)


@pytest.mark.parametrize("remap", REMAPS)
def test_float32_agrees_with_the_exact_remap_at_every_distance(remap: RangeRemap) -> None:
    s = np.geomspace(1e-3, 9e4, 20001).astype(np.float32)
    out = remap.apply(s)
    assert out.dtype == np.float32
    np.testing.assert_allclose(out, remap.exact(s.astype(np.float64)), rtol=1e-6)


@pytest.mark.parametrize("remap", REMAPS)
def test_undoing_finds_the_range_again(remap: RangeRemap) -> None:
    for range_m in (0.5, 4.9, 9.0, 80.0, 600.0):
        assert remap.undone(float(remap.exact(range_m))) == pytest.approx(range_m, rel=1e-6)


def test_undoing_has_the_worked_value() -> None:
    """5 + 3 sinh 1, by hand."""
    assert RangeRemap(5.0, 3.0).undone(8.0) == pytest.approx(8.5256, abs=5e-5)


@pytest.mark.parametrize("remap", REMAPS)
def test_endless_water_stays_endless(remap: RangeRemap) -> None:
    far = np.array([ENDLESS_M, 1e10, 3e38, np.inf])
    assert np.isinf(remap.exact(far)).all()
    assert np.isinf(remap.apply(far.astype(np.float32))).all()


def test_remap_leaves_its_argument_alone() -> None:
    s = np.linspace(0, 50, 100, dtype=np.float32)
    before = s.copy()
    RangeRemap(1.0, 3.0).apply(s)
    assert np.array_equal(s, before)
    assert RangeRemap().apply(s) is s


@pytest.mark.parametrize("seen", [2.0, 8.0, 30.0, 79.9, 89.99, 90.0 - 1e-6])
@pytest.mark.parametrize("near", [0.0, 1.0, 1.9])
def test_solver_brings_the_subject_to_where_it_is_to_be_seen(near: float, seen: float) -> None:
    remap = remap_through(near, 90.0, seen)
    assert remap.exact(90.0) == pytest.approx(seen, rel=1e-9)
    assert remap.near_m == near
    assert remap.apply(np.array([90.0], np.float32))[0] == pytest.approx(seen, rel=1e-6)


def test_clear_water_needs_no_remap() -> None:
    assert remap_through(1.0, 50.0, 50.0).physical
    assert remap_through(1.0, 50.0, 70.0).physical


def test_near_limit_beyond_what_is_to_be_seen_is_refused() -> None:
    with pytest.raises(PhysicsError) as caught:
        remap_through(5.0, 90.0, 4.0)
    assert str(caught.value) == (
        "E-PHYSICS-REMAP  90 m would have to look like 4 m of water, but range is "
        "to stay physical up to 5 m\n"
        "  Lower the near limit below 4 m, or take less contrast or clearer water."
    )


@pytest.mark.parametrize(("near", "softness"), [(-1.0, 2.0), (0.0, 0.0), (0.0, -1.0), (math.nan, 1.0)])
def test_impossible_remap_is_refused(near: float, softness: float) -> None:
    with pytest.raises(PhysicsError, match="E-PHYSICS-REMAP"):
        RangeRemap(near, softness)
