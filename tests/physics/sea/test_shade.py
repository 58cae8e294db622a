"""Shade under water: geometry, penumbras, and what softening keeps."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.interpolate import RegularGridInterpolator
from tests.conftest import Builders

from halocline._typing import F32
from halocline.physics.path.transport import sunlit_by_depth
from halocline.physics.sea import shade_loops
from halocline.physics.sea.shade import Casters, Shade, ShadeWater, Square, fades_out, shade_depths
from halocline.physics.sea.shade_loops import (
    about_maps,
    come_along,
    held_back,
    kept_over_halves,
    left_along_ray,
    left_by_things,
    light_at_places,
    loop_maps,
    shade_surfaces,
)
from halocline.physics.sea.surface import SUN_RADIUS_RAD, SunBeam

SUN, OVERHEAD = SunBeam(math.radians(40.0), 0.4, 1.34), SunBeam(0.0, 0.0, 1.34)
SQUARE = Square((-12.8, -12.8), 0.1, 256)


def slab(
    depth_m: float, *, half_m: float = 1.0, centre: tuple[float, float] = (0.0, 0.0), weight: float = 1.0
) -> Casters:
    """A level square of points 5 cm apart."""
    at = np.arange(-half_m, half_m, 0.05) + 0.025
    x, y = (axis.ravel().astype(np.float32) for axis in np.meshgrid(at + centre[0], at + centre[1]))
    return Casters(
        np.stack([x, y]), np.full(x.size, depth_m, np.float32), np.full(x.size, weight, np.float32)
    )


def shaded(casters: Casters, water: ShadeWater, depth_m: float) -> F32:
    """Return what is left of sun and sky at the level places of the square, ``(2, 256, 256)``."""
    shade = Shade(casters, water, SQUARE, SQUARE, 12.0)
    at = SQUARE.start_m[0] + SQUARE.step_m * np.arange(SQUARE.count)
    x, y = (axis.ravel().astype(np.float32) for axis in np.meshgrid(at, at))
    out = np.empty((2, x.size), np.float32)
    light_at_places(*loop_maps(shade, in_water=False), x, y, np.full(x.size, depth_m, np.float32), out)
    return out.reshape(2, SQUARE.count, SQUARE.count)


def dark_m2(light: F32) -> float:
    return float((1.0 - light.astype(np.float64)).sum()) * SQUARE.step_m**2


def test_what_lies_beyond_a_map_of_light_is_shaded_as_at_its_edges() -> None:
    # A roof that reaches beyond the sun's map, under a map of the sky that is four times as wide.
    roof, wide = slab(3.0, half_m=20.0), Square((-51.2, -51.2), 0.4, 256)
    shade = Shade(roof, ShadeWater(OVERHEAD, 0.1, about_m=1.0, about_sun=0.9), SQUARE, wide, 12.0)
    made = shade.about[0]
    light, middle = made.light[-1], made.square.count // 2
    assert light[middle, middle] < 0.01
    # The sun's map ends at 12.8 m; its edges get light from beyond, where it knows no thing.
    edge = shade.sun.light[-1][128, -1]
    assert edge < 0.3
    x = made.square.start_m[0] + made.square.step_m * np.arange(made.square.count)
    beyond = (x > 13.6) & (x < 18.0)
    assert beyond.sum() >= 2
    # Cells are 1.6 m wide, 16 points of the sun's map.
    last = shade.sun.light[-1][120:136, -16:].mean()
    assert_allclose(light[middle, beyond], last, rtol=0, atol=0.02)


def test_above_a_thing_and_beside_its_shadow_all_is_lit_to_the_bit() -> None:
    water = ShadeWater(SUN, 0.1)
    assert_array_equal(shaded(slab(3.0), water, 2.9), 1.0)
    assert_array_equal(shaded(slab(3.0), water, 3.5)[0, :, :32], 1.0)


@pytest.mark.parametrize("way_m", [0.35, 1.0, 4.0])
def test_a_shadow_softens_and_keeps_its_area(way_m: float) -> None:
    # The light that a level square of 4 m^2 takes is the same at every depth below it.
    light = shaded(slab(2.0), ShadeWater(SUN, 0.15), 2.0 + way_m)[0]
    assert dark_m2(light) == pytest.approx(4.0, rel=0.08)
    assert light.min() >= 0.0


def test_a_shadow_lies_where_the_refracted_beam_takes_it() -> None:
    # Light goes away from the sun by tan(asin(sin(40 deg)/1.34)) = 0.5467 a metre (Snell).
    for way_m in (1.0, 5.0):
        dark = 1.0 - shaded(slab(5.0, half_m=0.5), ShadeWater(SUN, 0.1), 5.0 + way_m).astype(np.float64)
        rows, columns = np.mgrid[0:256, 0:256]
        tangent = way_m * math.tan(math.asin(math.sin(math.radians(40.0)) / 1.34))
        for kept, (across, along) in zip(
            dark, ((-tangent * math.cos(0.4), -tangent * math.sin(0.4)), (0.0, 0.0)), strict=True
        ):
            x, y = ((kept * at).sum() / kept.sum() * SQUARE.step_m - 12.8 for at in (columns, rows))
            assert_allclose([x, y], [across, along], atol=0.06)


def test_in_clear_water_under_a_flat_sea_the_penumbra_is_the_suns_disc() -> None:
    # An even disc of angular radius r has a standard deviation of r/2 along each axis; n narrows it.
    clear = ShadeWater(OVERHEAD, 0.0)
    assert clear.penumbra_m(10.0) == pytest.approx(10.0 * SUN_RADIUS_RAD / 2.0 / 1.34, rel=1e-6)
    assert clear.aside_share(10.0) == 0.0
    # Waves turn the beam by (1 - 1/n) of their slope.
    waves = ShadeWater(OVERHEAD, 0.0, slope_variance=0.01)
    assert waves.penumbra_m(10.0) == pytest.approx(10.0 * 0.1 * (1.0 - 1.0 / 1.34), rel=0.01)


@pytest.mark.parametrize("top_m", [0.5, 3.0, 6.0, 8.0])
def test_a_wide_thing_in_clear_water_lets_nothing_through_however_deep_it_lies(top_m: float) -> None:
    # Cells are sorted by how high the thing above them lies: between two groups they have shares of both.
    for way_m in (0.5, 1.0, 2.0, 3.0, 4.5):
        left = shaded(slab(top_m, half_m=6.0), ShadeWater(OVERHEAD, 0.0), top_m + way_m)
        assert left[0].min() == pytest.approx(0.0, abs=1e-3)


def test_what_is_thrown_aside_follows_the_water() -> None:
    # 65 % of the scattering is outside the narrow peak: 1 - exp(-.65 * .2 * 5 m) of the light.
    assert ShadeWater(OVERHEAD, 0.2).aside_share(5.0) == pytest.approx(0.4780, abs=1e-4)
    murky = ShadeWater(OVERHEAD, 2.0)
    # Scattered once, an edge widens as its way; many times, faster.
    assert murky.aside_m(8.0, 8.0) / murky.aside_m(2.0, 2.0) > 6.0
    assert ShadeWater(SUN, 0.5, softness=2.0).aside_m(3.0, 4.0) == pytest.approx(
        2.0 * ShadeWater(SUN, 0.5).aside_m(3.0, 4.0)
    )
    # Scattered once, light comes from u metres up, u even over the depth: past a thing w up from min(u, w).
    # Their mean is w (1 - w / 2 d).
    thin = ShadeWater(OVERHEAD, 1e-4)
    deep, shallow = (math.sqrt(thin.aside_m(2.0, d) ** 2 - thin.penumbra_m(2.0) ** 2) for d in (20.0, 2.0))
    assert deep / shallow == pytest.approx(0.95 / 0.5, rel=2e-3)


@pytest.mark.parametrize("light", [0, 1], ids=["sun", "sky"])
def test_shadows_soften_with_depth_and_that_of_the_sky_most(light: int) -> None:
    water = ShadeWater(SUN, 0.15, slope_variance=0.01)
    steepest = [
        float(np.abs(np.diff(shaded(slab(1.0, half_m=2.0), water, depth)[light])).max())
        for depth in (1.4, 2.0, 4.0, 10.0)
    ]
    assert steepest == sorted(steepest, reverse=True)
    deep = shaded(slab(1.0, half_m=2.0), water, 10.0)
    assert deep[1].min() > 0.6
    assert deep[0].min() < 0.11


def test_things_one_below_the_other_shade_together_and_each_softens_from_its_own_depth() -> None:
    water = ShadeWater(OVERHEAD, 0.2)
    high, low = slab(1.0, centre=(-3.0, 0.0)), slab(6.0, centre=(3.0, 0.0))
    both = Casters(
        np.concatenate([high.places_m, low.places_m], axis=1),
        np.concatenate([high.depth_m, low.depth_m]),
        np.concatenate([high.weight, low.weight]),
    )
    together = shaded(both, water, 7.5)[0]
    # Cells that a thing reaches into count as its own: up to a tenth more.
    assert dark_m2(together) == pytest.approx(8.0, rel=0.12)
    slope = np.abs(np.diff(together[128]))
    assert slope[128:].max() > 1.5 * slope[:128].max(), "the lower one's edge is sharper"


def test_a_thing_of_half_coverage_takes_half_the_light() -> None:
    light = shaded(slab(2.0, weight=0.5), ShadeWater(SUN, 0.0), 2.6)[0]
    assert light.min() == pytest.approx(0.5, abs=5e-3)
    assert dark_m2(light) == pytest.approx(2.0, rel=0.12)


def test_surfaces_along_a_row_lie_in_the_shade_as_each_by_itself() -> None:
    # A level floor and a post under a slab: few pixels of a row are looked up where it goes straight.
    maps = loop_maps(Shade(slab(2.0), ShadeWater(SUN, 0.1), SQUARE, SQUARE, 12.0), in_water=False)
    across, along = np.meshgrid(np.linspace(-0.5, 0.6, 1003), np.linspace(-0.4, 0.5, 9))
    down = np.ones_like(across)
    towards = np.stack([across, along, down]) / np.sqrt(across**2 + along**2 + 1.0)
    range_m = 5.0 / towards[2] + 0.02 * np.sin(90.0 * across) * (along > 0.2)
    range_m[:, 300:303], range_m[:2, 600:] = 3.5, np.inf
    # Above the slab all is lit: where dimming begins along a row is found.
    range_m[4:6, :203] = 1.0
    view, away = towards.astype(np.float32), range_m.astype(np.float32)
    lens = tuple(np.float32(number) for number in (0.1, 0.0, 0.5, 1000.0))
    made = []
    for in_rows in (True, False):
        gain = np.full((6, *away.shape), 2.0, np.float32)
        shares = sunlit_by_depth(Builders.path()).for_loops()
        shade_surfaces(*maps, lens, (view[0], view[1], view[2]), away, shares, in_rows, gain)
        made.append(gain)
    assert made[1].min() < 1.5
    assert (made[1][:, 4:6, :203] == 2.0).all()
    assert_allclose(made[0], made[1], atol=0.02)
    assert np.abs(made[0] - made[1]).mean() < 1e-3


def test_a_slope_throws_no_shade_on_itself_and_all_of_it_right_below() -> None:
    # A slope that falls a metre a metre across and half of that along, under a sun overhead.
    # By four points a side of a cell, which is 10 cm wide.
    at = np.arange(-3.0, 3.0, 0.025) + 0.0125
    x, y = (axis.ravel().astype(np.float32) for axis in np.meshgrid(at, at))
    depth = (5.0 + x + 0.5 * y).astype(np.float32)
    slope = Casters(np.stack([x, y]), depth, np.ones_like(x))
    maps = loop_maps(Shade(slope, ShadeWater(OVERHEAD, 0.0), SQUARE, SQUARE, 12.0), in_water=False)
    inside = (np.abs(x) < 2.5) & (np.abs(y) < 2.5)
    on, below = (np.empty((1, int(inside.sum())), np.float32) for _ in range(2))
    light_at_places(*maps, x[inside], y[inside], depth[inside], on)
    # Where the next laid-out depth knows of the slope's own upper part, a little.
    assert on.min() > 0.8
    assert on.mean() > 0.99
    light_at_places(*maps, x[inside], y[inside], depth[inside] + np.float32(0.05), below)
    # Whole a quarter of a cell below its plane, which is known to half the way from point to point.
    assert below.max() < 0.1


def test_light_changes_evenly_on_the_way_down() -> None:
    # No step where one laid-out depth, or the hard shadow, gives way to the next.
    water = ShadeWater(OVERHEAD, 0.1, slope_variance=0.01)
    shade = Shade(slab(1.0), water, SQUARE, SQUARE, 12.0)
    depth = np.arange(1.6, 11.0, 0.02, dtype=np.float32)
    out = np.empty((2, depth.size), np.float32)
    light_at_places(
        *loop_maps(shade, in_water=False), np.full_like(depth, 0.8), np.zeros_like(depth), depth, out
    )
    assert np.abs(np.diff(out)).max() < 0.03
    assert shade_depths(12.0)[-1] >= 12.0


@pytest.mark.parametrize(
    ("lens_m", "down", "dark", "lit"),
    [
        # By hand: under a sun overhead the shadow of a slab at 2 m, 2 m wide, is the water below it. A ray
        # that falls by a metre a metre from 3 m beside its middle and 1 m deep is in it from 3 to 5 m down;
        # one that rises from 5 m is in it until it reaches the slab, halfway across.
        (1.0, math.sqrt(0.5), (3.1, 5.4), [(0.0, 2.6), (6.0, 8.0)]),
        (5.0, -math.sqrt(0.5), (3.1, 4.0), [(0.0, 2.6), (4.5, 6.5)]),
    ],
)
def test_a_ray_is_in_the_shadow_where_it_passes_below_the_thing(
    lens_m: float, down: float, dark: tuple[float, float], lit: list[tuple[float, float]]
) -> None:
    shade = Shade(slab(2.0), ShadeWater(OVERHEAD, 0.0), SQUARE, SQUARE, 12.0)
    sun, _ = loop_maps(shade, in_water=True)
    points = np.empty((6, 80), np.float32)
    points[0] = np.arange(80) / 10.0
    origin = tuple(np.float32(value) for value in (-3.0, 0.0, lens_m))
    left_along_ray(sun, origin, (np.float32(math.sqrt(0.5)), np.float32(0.0), np.float32(down)), points)

    def between(first: float, last: float) -> F32:
        return np.asarray(points[4][(points[0] >= first) & (points[0] <= last)])

    assert between(*dark).max() < 0.05
    assert all(between(*part).min() > 0.95 for part in lit)
    assert_array_equal(points[5], 1.0)


def test_weights_fall_to_nothing_at_the_border_of_a_picture_alone() -> None:
    weights = fades_out((40, 80), 0.1)
    assert weights.shape == (40, 80)
    assert weights[0].max() < 0.06
    assert weights[:, 0].max() < 0.06
    assert_array_equal(weights[4:-4, 8:-8], 1.0)
    assert_array_equal(weights, weights[::-1, ::-1])


def about_at(shade: Shade, depth_m: float, x: float = 0.0) -> tuple[float, float]:
    """Return what is left of light scattered about at a place of the square, and of what comes to it."""
    at = [np.full(1, value, np.float32) for value in (x, 0.0, depth_m)]
    out = np.empty((2, 1), np.float32)
    for made, left in zip(about_maps(shade), out, strict=True):
        left_by_things(made, at[0], at[1], at[2], left)
    return float(out[0, 0]), float(out[1, 0])


def test_light_scattered_about_is_dark_in_shade_and_less_so_for_what_comes_from_around_it() -> None:
    # A shadow of straight light alone, 6 m square, 2 m below the surface, under a sun overhead.
    thin = ShadeWater(OVERHEAD, 1e-4, about_m=2.0, about_sun=1.0)
    shade = Shade(slab(2.0, half_m=3.0), thin, SQUARE, SQUARE, 12.0)
    sent, coming = about_at(shade, 4.0)
    assert sent == pytest.approx(0.0, abs=0.01)
    # By hand, of the light from level directions exp(-k 3 m), k = ln 2 / 2 m, comes from beyond the shadow,
    # less from below and none from above: under .35, and more than half of that for a half of directions.
    assert 0.1 < coming < 0.35
    # Half of the directions at the shadow's edge lead into it.
    assert about_at(shade, 6.0, 3.0)[1] == pytest.approx(0.5, abs=0.12)
    again = replace(shade, water=replace(thin, about_sun=0.6))
    assert about_at(again, 4.0)[0] == pytest.approx(0.4 * about_at(again, 4.0)[1], abs=0.02)
    wide = replace(again, casters=slab(2.0, half_m=12.0))
    assert max(about_at(wide, 4.0)) < 0.05
    # Above the thing all is lit, and where none is asked for, it is whole.
    assert about_at(shade, 0.5)[0] == pytest.approx(1.0, abs=1e-5)
    assert about_at(replace(shade, water=replace(thin, about_m=math.inf)), 4.0) == (1.0, 1.0)


def test_cells_stay_where_they_are_when_maps_move_by_less() -> None:
    # The maps go along with the lens a tenth of a metre at a time, cells of .4 m do not: what they tell about
    # a place hardly changes.
    water = ShadeWater(OVERHEAD, 0.1, about_m=2.0, about_sun=0.6, about_sky=0.2)
    found = []
    for steps in range(6):
        start = -12.8 + 0.1 * steps
        moved = Square((start, start), 0.1, 256)
        found.append(about_at(Shade(slab(2.0, half_m=2.0), water, moved, moved, 12.0), 5.0, 1.5))
    assert np.ptp(np.array(found), axis=0).max() < 0.005


def test_what_the_sun_does_not_see_hides_light_from_the_sides_alone() -> None:
    # The roof's side that hangs 6 m down: no shadow of the sun, but less of the sky beside it.
    water = ShadeWater(OVERHEAD, 0.1, about_m=2.0, about_sun=0.6, about_sky=0.3)
    down, across = (
        axis.ravel() for axis in np.meshgrid(np.arange(2.0, 8.0, 0.05), np.arange(-6.0, 6.0, 0.05))
    )
    face = Casters(
        np.stack([np.zeros_like(across), across]).astype(np.float32),
        down.astype(np.float32),
        np.ones(down.size, np.float32),
    )
    bare = Shade(slab(2.0, half_m=0.5), water, SQUARE, SQUARE, 12.0)
    faced = replace(bare, beside=face)
    assert_array_equal(bare.sun.light, faced.sun.light)
    assert_array_equal(bare.sky.light, faced.sky.light)
    assert bare.sky_in_water is bare.sky
    place = [np.full(1, value, np.float32) for value in (1.0, 0.0, 6.0)]
    left = np.empty((2, 1), np.float32)
    for shade, out in zip((bare, faced), left, strict=True):
        left_by_things(loop_maps(shade, in_water=True)[1], place[0], place[1], place[2], out)
    assert left[1, 0] < left[0, 0] - 0.1
    # Surfaces have their own faces from it.
    for shade, out in zip((bare, faced), left, strict=True):
        left_by_things(loop_maps(shade, in_water=False)[1], place[0], place[1], place[2], out)
    assert left[0, 0] == left[1, 0]
    for one, other in zip(about_at(bare, 6.0, 1.0), about_at(faced, 6.0, 1.0), strict=True):
        assert other < one


def test_light_scattered_about_lies_under_things_that_hide_the_sky_or_where_the_suns_shadow_falls() -> None:
    # A sun 40 degrees from the zenith drifts .53 m a metre of depth: 4 m below the slab its shadow lies 2.1 m
    # aside, by its azimuth, and the sky's below the slab.
    water = ShadeWater(SUN, 1e-4, about_m=1.0)
    for suns, skies in ((1.0, 0.0), (0.0, 1.0)):
        shade = Shade(slab(2.0), replace(water, about_sun=suns, about_sky=skies), SQUARE, SQUARE, 12.0)
        made = shade.about[0]
        number = int(np.argmin(np.abs(made.depths_m - 6.0)))
        dark = 1.0 - made.light[number].astype(np.float64)
        later = float(made.depths_m[number])
        x = made.square.start_m[0] + made.square.step_m * np.arange(made.square.count)
        middle = np.array([(dark.sum(axis=0) @ x), (dark.sum(axis=1) @ x)]) / dark.sum()
        wanted = suns * np.asarray(SUN.drift) * (later - 2.0)
        assert_allclose(middle, wanted, atol=0.15)


def test_light_scattered_about_goes_straight_between_cells_and_depths() -> None:
    # Against scipy's interpolation, away from the edges over which shade comes and goes.
    water = ShadeWater(SUN, 0.1, about_m=2.0, about_sun=0.5, about_sky=0.3)
    maps = about_maps(Shade(slab(2.0, half_m=2.0), water, SQUARE, SQUARE, 12.0))
    points = np.zeros((6, 200), np.float32)
    points[1:4] = np.random.default_rng(5).uniform([[-6.0], [-6.0], [0.5]], [[6.0], [6.0], [9.0]], (3, 200))
    shade_loops._left_in_cells(maps, points)
    for made, found in zip(maps, points[4:], strict=True):
        _, _, per_m, first, _, _, _ = made[0]
        at = (np.arange(made[2].shape[1]) + first) / per_m
        exact = RegularGridInterpolator((made[1], at, at), made[2])(points[[3, 2, 1]].T)
        assert np.ptp(exact) > 0.1
        assert_allclose(found, exact, atol=1e-5)


def test_light_that_comes_along_a_ray_was_lit_farther_on_and_before_things() -> None:
    # By hand: lit from 4 m on, and nothing turned away but a share of exp(-k m): before that it is
    # exp(-k (4 - t)) of it.
    edges = np.linspace(0.0, 10.0, 401, dtype=np.float32)
    lit = (edges[:-1] >= 4.0).astype(np.float32)
    kept, halves = lit.copy(), np.empty_like(lit)
    kept_over_halves(edges, np.float32(0.3), halves)
    come_along(edges, (np.float32(0.0), np.float32(np.inf)), halves, kept)
    middle = 0.5 * (edges[:-1] + edges[1:])
    assert_allclose(kept, np.minimum(np.exp(-0.3 * (4.0 - middle)), 1.0), atol=0.01)
    # A thing at 3 m: what lies behind it sends nothing past it, and half of it past one that hides half.
    for cover in (1.0, 0.5):
        hidden = lit.copy()
        come_along(edges, (np.float32(cover), np.float32(3.0)), halves, hidden)
        before = middle < 2.9
        assert_allclose(hidden[before], (1.0 - cover) * kept[before], atol=0.01)


@pytest.mark.parametrize("aside_m", [0.0, 0.04, 0.08, 0.12])
def test_light_before_an_upright_post_is_looked_up_where_its_shadow_is_whole(aside_m: float) -> None:
    # Steps along rays that end at the post's dark side, one after the other: those whose middle lay less than
    # a cell of the map before it were lit by up to .13, and their rows showed as bright bars.
    water = ShadeWater(SunBeam(math.radians(70.0), 0.0, 1.34), 0.04)
    across, down = (
        plane.ravel().astype(np.float32)
        for plane in np.meshgrid(np.arange(-0.25, 0.25, 0.04), np.arange(2.0, 12.0, 0.04))
    )
    post = Casters(np.stack([np.full_like(across, aside_m), across]), down, np.ones_like(down))
    square = Square((-20.0, -20.0), 0.16, 256)
    maps = loop_maps(Shade(post, water, square, square, 20.0), in_water=True)
    rise, level = np.float32(0.6), math.copysign(0.8, water.beam.drift[0])
    ends = np.linspace(3.0, 5.0, 60).astype(np.float32)
    before = [
        end - held_back(end - np.float32(0.01), np.float32(1.0), end, -rise, maps[0][0][5]) for end in ends
    ]
    x = np.float32(aside_m) + np.float32(level) * np.array(before, np.float32)
    out = np.empty((1, ends.size), np.float32)
    light_at_places(*maps, x, np.zeros_like(x), np.linspace(6.5, 8.5, ends.size).astype(np.float32), out)
    assert out.max() < 0.05
    assert (np.abs(x - np.float32(aside_m)) < 0.4).all()


@pytest.mark.parametrize("wide_m", [0.1, 0.3])
def test_a_narrow_bar_keeps_as_much_of_the_skys_light_as_it_is_wide(wide_m: float) -> None:
    # Over all of a level below it, as much light is lost as the bar's area keeps: energy. Cells are .4 m wide
    # here; a part of one is .1 m, and points on its edges may be in one more.
    x, y = (
        axis.ravel().astype(np.float32)
        for axis in np.meshgrid(np.arange(0.02, wide_m, 0.02) + 0.42, np.arange(-3.0, 3.0, 0.02))
    )
    bar = Casters(
        np.stack([x, y]),
        np.full(x.size, 1.0, np.float32),
        np.ones(x.size, np.float32),
        gaps_m=np.full((3, x.size), 0.02, np.float32),
    )
    square = Square((-25.6, -25.6), 0.4, 128)
    shade = Shade(bar, ShadeWater(OVERHEAD, 0.0), SQUARE, square, 6.0)
    number = int(np.argmin(np.abs(shade.sky.depths_m - 4.0)))
    lost = float((1.0 - shade.sky.light[number].astype(np.float64)).sum()) * square.step_m**2
    assert wide_m * 6.0 * 0.9 < lost < (wide_m + 0.12) * 6.2
