"""Shade under water: geometry, penumbras, and what softening keeps."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from halocline._typing import F32
from halocline.physics.sea.shade import Casters, Shade, ShadeWater, Square, fades_out
from halocline.physics.sea.surface import SUN_RADIUS_RAD, SunBeam

SUN = SunBeam(math.radians(40.0), 0.4, 1.34)
SQUARE = Square((-12.8, -12.8), 0.05, 512)


def slab(
    depth_m: float, *, half_m: float = 1.0, centre: tuple[float, float] = (0.0, 0.0), weight: float = 1.0
) -> Casters:
    """A level square of points 2 cm apart."""
    at = np.arange(-half_m, half_m, 0.02) + 0.01
    x, y = (axis.ravel().astype(np.float32) for axis in np.meshgrid(at + centre[0], at + centre[1]))
    return Casters(
        np.stack([x, y]), np.full(x.size, depth_m, np.float32), np.full(x.size, weight, np.float32)
    )


def dark_m2(light: F32) -> float:
    return float((1.0 - light.astype(np.float64)).sum()) * SQUARE.step_m**2


def test_above_a_thing_and_beside_its_shadow_all_is_lit_to_the_bit() -> None:
    shade = Shade(slab(3.0), ShadeWater(SUN, 0.1), SQUARE)
    assert_array_equal(shade.light(2.9), 1.0)
    assert_array_equal(shade.light(3.5)[:, :64], 1.0)


@pytest.mark.parametrize("way_m", [0.2, 1.0, 4.0])
def test_a_shadow_softens_and_keeps_its_area(way_m: float) -> None:
    # The light that a level square of 4 m^2 takes is the same at every depth below it.
    shade = Shade(slab(2.0), ShadeWater(SUN, 0.15), SQUARE)
    light = shade.light(2.0 + way_m)
    assert dark_m2(light) == pytest.approx(4.0, rel=0.06)
    assert light.min() >= 0.0


def test_a_shadow_lies_where_the_refracted_beam_takes_it() -> None:
    # Surface coordinates run along the beam: a thing at depth y and level place x stands at x - y drift, with
    # the drift tan(asin(sin(40 deg)/1.34)) = 0.5467 away from the sun (Snell).
    shade = Shade(slab(5.0, half_m=0.3), ShadeWater(SUN, 0.0), SQUARE)
    dark = 1.0 - shade.light(6.0).astype(np.float64)
    rows, columns = np.mgrid[0:512, 0:512]
    x, y = ((dark * at).sum() / dark.sum() * SQUARE.step_m - 12.8 for at in (columns, rows))
    tangent = math.tan(math.asin(math.sin(math.radians(40.0)) / 1.34))
    assert_allclose([x, y], [5.0 * tangent * math.cos(0.4), 5.0 * tangent * math.sin(0.4)], atol=0.04)


def test_in_clear_water_the_penumbra_is_the_suns_disc() -> None:
    overhead = ShadeWater(SunBeam(0.0, 0.0, 1.34), 0.0)
    # An even disc of angular radius r has a standard deviation of r/2 along each axis; n narrows it.
    assert overhead.spread_m(10.0) == pytest.approx(10.0 * SUN_RADIUS_RAD / 2.0 / 1.34, rel=1e-6)


def test_scattering_softens_with_the_power_three_halves_of_the_way() -> None:
    murky = ShadeWater(SunBeam(0.0, 0.0, 1.34), 5.0)
    assert murky.spread_m(8.0) / murky.spread_m(2.0) == pytest.approx(4.0**1.5, rel=0.01)
    assert ShadeWater(SUN, 5.0, 2.0).spread_m(3.0) == pytest.approx(2.0 * ShadeWater(SUN, 5.0).spread_m(3.0))


def test_things_one_below_the_other_shade_together_and_each_softens_from_its_own_depth() -> None:
    water = ShadeWater(SunBeam(0.0, 0.0, 1.34), 0.2)
    high, low = slab(1.0), slab(6.0, centre=(3.0, 0.0))
    both = Casters(*(np.concatenate([a, b], axis=-1) for a, b in zip(_of(high), _of(low), strict=True)))
    together = Shade(both, water, SQUARE).light(7.0)
    apart = Shade(high, water, SQUARE).light(7.0) * Shade(low, water, SQUARE).light(7.0)
    assert_allclose(together, apart, atol=1e-6)
    gradient = np.abs(np.diff(together[256]))
    assert gradient[300:].max() > 2.0 * gradient[:290].max(), "the lower one's edge is sharper"


def _of(casters: Casters) -> tuple[F32, F32, F32]:
    return casters.places_m, casters.depth_m, casters.weight


def test_a_thing_of_half_coverage_takes_half_the_light() -> None:
    light = Shade(slab(2.0, weight=0.5), ShadeWater(SUN, 0.0), SQUARE).light(2.3)
    assert light.min() == pytest.approx(0.5, abs=1e-3)
    assert dark_m2(light) == pytest.approx(2.0, rel=0.06)


def test_weights_fall_to_nothing_at_the_border_of_a_picture_alone() -> None:
    weights = fades_out((40, 80), 0.1)
    assert weights.shape == (40, 80)
    assert weights[0].max() < 0.06
    assert weights[:, 0].max() < 0.06
    assert_array_equal(weights[4:-4, 8:-8], 1.0)
    assert_array_equal(weights, weights[::-1, ::-1])
