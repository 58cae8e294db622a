"""What shade leaves of the veil, along coarse view rays."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from halocline._typing import F32
from halocline.compute.row_ratios import some_taken, times_ratios
from halocline.physics.path.phase import henyey_greenstein
from halocline.physics.sea.ray_volume import ShaftRays, ShaftSteps, ShaftWater
from halocline.physics.sea.shade import Casters, Shade, ShadeWater, Square
from halocline.physics.sea.shade_loops import hidden_of_sun, plain_to_see
from halocline.physics.sea.shade_volume import WIDEST_BLUR, RayShares, ShadeVolume, ThingsAhead
from halocline.physics.sea.surface import SunBeam

# A wide roof half a metre under the surface, from x = 4 to x = 8 m; the lens is 5.5 m deep.
AT = np.arange(-4.0, 4.0, 0.1, dtype=np.float32)
PLACES = np.stack([plane.ravel() for plane in np.meshgrid(AT[:40] + 8.0, AT)])
ROOF = Casters(PLACES, np.full(PLACES.shape[1], 0.5, np.float32), np.full(PLACES.shape[1], 1.0, np.float32))
LENS_M, ROWS, COLUMNS = 5.5, 60, 24
WATER = ShaftWater((0.4, 0.2, 0.1), (0.2, 0.1, 0.05))


def volume(casters: Casters, *, sun: float, sky: float, ahead: F32 | None = None) -> ShadeVolume:
    """Level rays about +x, from below the roof's front edge on."""
    square = Square((-4.0, -8.0), 0.125, 128)
    shade = Shade(casters, ShadeWater(SunBeam(0.0, 0.0, 1.34), 0.1), square, square, 20.0)
    aside = np.linspace(-0.3, 0.3, COLUMNS) + np.zeros((ROWS, 1))
    down = np.linspace(-0.1, 0.1, ROWS)[:, None] + np.zeros((1, COLUMNS))
    rays = np.stack([np.ones_like(aside), aside, down])
    rays = (rays / np.linalg.norm(rays, axis=0)).astype(np.float32)
    shares = [np.full((3, ROWS, COLUMNS), share, np.float32) for share in (sun, sky)]
    straight = np.full((ROWS, COLUMNS), ahead is not None, np.float32)
    hidden = np.zeros((ROWS, COLUMNS), np.float32) if ahead is None else ahead
    nothing = np.zeros((2, ROWS, COLUMNS), np.float32)
    return ShadeVolume(
        shade,
        ShaftRays(rays, (0.0, 0.0), LENS_M),
        ShaftSteps.reaching(20.0, first_m=0.1, count=60),
        WATER,
        RayShares(shares[0], shares[1], straight, straight, nothing[0], nothing[0], nothing[0], nothing),
        ThingsAhead.of(hidden, hidden * np.float32(6.0), 0.025, lobe_rad=0.079),
    )


def seen(made: ShadeVolume, range_m: float) -> F32:
    """Return what is left in the middle of the picture, ``(3,)``."""
    column, row = np.full(1, COLUMNS / 2, np.float32), np.full(1, ROWS / 2, np.float32)
    return made.gain(column, row, np.full((1, 1), range_m, np.float32))[:, 0, 0]


def test_before_the_shadow_all_the_veil_is_there_and_behind_it_what_the_shadow_takes() -> None:
    made = volume(ROOF, sun=0.8, sky=0.0)
    assert_allclose(seen(made, 3.0), 1.0, atol=2e-3)
    # A sharp shadow from 4 to 8 m on a level ray takes int_4^8 exp(-c t) dt of int_0^s exp(-c t) dt.
    for far in (8.0, 15.0):
        c = np.array(WATER.attenuation)
        taken = (np.exp(-4.0 * c) - np.exp(-8.0 * c)) / (1.0 - np.exp(-far * c))
        assert_allclose(seen(made, far), 1.0 - 0.8 * taken, atol=0.02)


def test_all_of_the_light_may_be_the_suns_and_then_the_shade_is_black() -> None:
    places = np.stack([ROOF.places_m[0] - np.float32(6.0), ROOF.places_m[1]])
    under = Casters(places, ROOF.depth_m, ROOF.weight)
    assert_allclose(seen(volume(under, sun=1.0, sky=0.0), 0.5), 0.0, atol=0.02)
    # The sky comes in from the sides.
    left = seen(volume(under, sun=0.0, sky=1.0), 0.5)
    assert ((left > 0.3) & (left < 0.8)).all()


def test_what_lies_ahead_hides_the_light_from_there_and_less_the_farther_it_is_from_the_ray() -> None:
    disc = np.hypot(*np.meshgrid(np.arange(COLUMNS) - 12.0, np.arange(ROWS) - 30.0)) < 6.0
    nothing = Casters(np.zeros((2, 0), np.float32), np.zeros(0, np.float32), np.zeros(0, np.float32))
    made = volume(nothing, sun=0.0, sky=1.0, ahead=disc.astype(np.float32))
    assert seen(made, 3.0)[1] < 0.5
    at = np.array([12.0, 18.0, 23.0], np.float32), np.full(3, 30.0, np.float32)
    left = made.gain_at(*at, np.full(3, 3.0, np.float32))[1]
    assert left[0] < left[1] < left[2]
    # From nearer by, the thing is larger: more is hidden.
    assert seen(made, 5.9)[1] < seen(made, 1.0)[1]


@pytest.mark.parametrize("sun", [0.0, 0.5])
def test_each_pixel_stops_at_its_own_range_whatever_lies_around_it(sun: float) -> None:
    made = volume(ROOF, sun=sun, sky=0.3)
    columns, rows = np.arange(23, dtype=np.float32), np.linspace(0, 58, 59, dtype=np.float32)
    random = np.random.default_rng(2)
    range_m = random.uniform(0.5, 25.0, (59, 23)).astype(np.float32)
    whole = made.gain(columns, rows, range_m)
    assert ((whole > 0.0) & (whole <= 1.0)).all()
    # The same by places one by one, and in parts.
    y, x = (plane.ravel() for plane in np.mgrid[0:59, 0:23])
    places = made.gain_at(columns[x], rows[y], range_m.ravel()).reshape(whole.shape)
    assert_allclose(places, whole, rtol=1e-5)
    parts = [made.gain(columns, rows[part], range_m[part]) for part in (slice(0, 7), slice(7, 59))]
    assert_array_equal(np.concatenate(parts, axis=1), whole)
    assert math.isfinite(float(whole.sum()))


def test_what_nobody_sees_is_not_taken_and_comes_in_without_a_step() -> None:
    taken = np.linspace(0.0, 3e-3, 3001, dtype=np.float32)
    told = np.array([plain_to_see(each) for each in taken])
    assert (told[taken <= 5e-4] == 0.0).all()
    assert_array_equal(told[taken >= 1e-3], taken[taken >= 1e-3])
    # Never more than is taken, never off by more than half of what a half float tells apart, 2^-11.
    assert ((told <= taken) & (taken - told <= 5.001e-4)).all()
    steps = np.diff(told)
    assert ((steps >= 0.0) & (steps <= 2.01e-6)).all()


@pytest.mark.parametrize("weight", [3e-4, 4.9e-4, 5.5e-4, 7e-4, 1.2e-3, 4e-3])
def test_things_that_keep_little_shade_as_much_of_what_black_ones_do_as_is_seen(weight: float) -> None:
    # What is taken goes with how much light things keep; rays end at ends of steps, most under the roof.
    faint = Casters(ROOF.places_m, ROOF.depth_m, weight * ROOF.weight)
    places = np.stack([ROOF.places_m[0] - np.float32(6.0), ROOF.places_m[1]])
    black, faint = (replace(things, places_m=places) for things in (ROOF, faint))
    column, row = np.arange(COLUMNS, dtype=np.float32), np.arange(ROWS, dtype=np.float32)
    lit = [volume(things, sun=0.8, sky=0.2) for things in (black, faint)]
    far = np.broadcast_to(lit[0].steps.edges[5 : 5 + 2 * COLUMNS : 2].astype(np.float32), (ROWS, COLUMNS))
    whole, found = (each.gain(column, row, far) for each in lit)
    taken = (weight * (1.0 - whole)).ravel()
    assert taken.max() > 0.8 * weight
    assert_allclose(1.0 - found.ravel(), [plain_to_see(each) for each in taken], atol=1e-5)
    if weight < 5e-4:
        assert lit[1].along_rows(column, row, far, np.eye(3, dtype=np.float32)) is None
        assert (found == 1.0).all()


def dimmed(made: ShadeVolume, column: F32, row: F32, away: F32, weights: F32) -> F32:
    """Return light of 3 by what a volume leaves of it along rows."""
    light = np.full((len(weights), *away.shape), 3.0, np.float32)
    left = made.along_rows(column, row, away, weights)
    line = np.empty(column.size, np.float32)
    for y in range(0 if left is None else row.size):
        assert left is not None
        if some_taken(left, y):
            times_ratios(left, y, 0, line, light.reshape(len(light), -1), y * column.size)
    return light


def test_a_row_of_light_is_dimmed_by_what_each_of_its_pixels_is_told() -> None:
    # Few of them are looked up where that is enough: not by a post, where a surface is rough, or far off.
    made = volume(ROOF, sun=0.8, sky=0.1)
    column = np.linspace(-1.0, COLUMNS, 203, dtype=np.float32)
    row = np.linspace(0.0, ROWS - 1.0, 40, dtype=np.float32)
    away = 5.0 + 3.0 * np.sin(column / 5.0) + 0.03 * np.sin(9.0 * column) * (row > 5.0)[:, np.newaxis]
    away = away.astype(np.float32)
    away[:, 70:72], away[9:20, 150:], away[30:, :90] = 2.0, np.inf, 1.0
    weights = np.array([[1.0, 0.0, 0.0], [0.0, 0.5, 0.5]], np.float32)
    light = dimmed(made, column, row, away, weights)
    told = made.gain(column, row, away)
    assert told.min() < 0.8
    assert_allclose(light / 3.0, np.einsum("kc,cyx->kyx", weights, told), atol=2e-3)
    # The same rows by themselves, bit for bit.
    assert_array_equal(dimmed(made, column, row[22:29], away[22:29], weights), light[:, 22:29])


def test_between_rays_rows_are_dimmed_by_both_rows_of_rays_about_them() -> None:
    # What hides more from row to row: light half way between two has the middle of theirs.
    hiding = np.repeat(np.linspace(0.0, 0.9, ROWS, dtype=np.float32)[:, np.newaxis], COLUMNS, axis=1)
    made = volume(ROOF, sun=0.1, sky=0.1, ahead=hiding)
    column, row = np.linspace(2.0, 20.0, 65, dtype=np.float32), np.array([10.0, 10.5, 11.0], np.float32)
    light = dimmed(made, column, row, np.full((3, 65), 5.0, np.float32), np.eye(3, dtype=np.float32))
    assert (light[:, 2] < light[:, 0] - 15e-4).all()
    assert_allclose(light[:, 1], 0.5 * (light[:, 0] + light[:, 2]), atol=3e-5)


@pytest.mark.parametrize("ray_rad", [1e-12, 0.025, np.inf])
def test_any_lens_blurs_what_is_ahead_within_the_picture(ray_rad: float) -> None:
    # A lens of almost no width, as a damaged file states it, asked for a window without end.
    cover = np.full((4, 5), 0.5, np.float32)
    found = ThingsAhead.of(cover, cover, ray_rad, lobe_rad=0.079)
    assert_allclose(found.masks, 0.5, atol=1e-6)


def test_a_halo_takes_nothing_of_what_comes_from_beside_a_thing() -> None:
    """By hand, of one ray: its veil is .3 the sun's, .2 the sky's, and .5 has been scattered about."""

    def left(gain: float, ahead: float, sun_ahead: float) -> list[float]:
        one, thirds = np.ones((1, 1), np.float32), np.ones((3, 1, 1), np.float32)
        shares = RayShares(
            sun=np.float32(0.3) * thirds,
            sky=np.float32(0.2) * thirds,
            ahead=np.float32(ahead) * one,
            sun_ahead=np.float32(sun_ahead) * one,
            beside_sun=one,
            times=one,
            apart=one,
            toward=thirds[:2],
        )
        of_it: Any = SimpleNamespace(shares=shares)
        at = np.zeros(1, np.intp)
        return [float(each) for each in ShadeVolume.left_for_halos(of_it, gain * thirds[:, 0], at, at)[:, 0]]

    # The ray leads to neither sun nor sky: what G leaves comes from behind no thing.
    assert left(0.8, 0.0, 0.0) == pytest.approx([0.8] * 3)
    # It leads to one of them: G has taken that, and the halo has what was scattered about.
    assert left(0.8, 1.0, 0.0) == left(0.8, 0.0, 1.0) == pytest.approx([0.5] * 3)
    # In part: .5 and of the other .3 what comes past both, a half and three quarters of it.
    assert left(0.8, 0.5, 0.25) == pytest.approx([0.5 + 0.3 * 0.5 * 0.75] * 3)
    # There is no more than G.
    assert left(0.4, 1.0, 1.0) == pytest.approx([0.4] * 3)


@pytest.mark.parametrize(
    ("apart_deg", "wide_deg", "times"),
    [(15, 10, 1.3), (8, 6, 0.3), (10, 6.6, 1.75), (20, 10, 1), (10, 19, 1.84), (15, 26, 3), (20, 26, 3.37)],
)
def test_a_hole_before_the_sun_lets_in_of_turned_light_what_both_lobes_have_there(
    apart_deg: float, wide_deg: float, times: float
) -> None:
    # By quadrature: the sun's light, turned k times by lobes of Henyey and Greenstein, has one of asymmetry
    # g^k (a property of theirs), k by Poisson, once at least; and the lobe about the ray has g.
    g, away = 0.924, math.radians(apart_deg)
    angle, around = np.meshgrid(np.radians(np.linspace(0.05, 90.0, 900)), np.linspace(0.0, math.pi, 181))
    cosine = np.cos(angle) * math.cos(away) + np.sin(angle) * math.sin(away) * np.cos(around)
    glow = sum(times**k / math.factorial(k) * henyey_greenstein(np.cos(angle), g**k) for k in range(1, 20))
    light = henyey_greenstein(cosine, g) * glow * np.sin(angle)
    wanted = light[angle < math.radians(wide_deg)].sum() / light.sum()

    # Half a degree from ray to ray, the sun in the middle.
    ray_rad, sun, lobe = math.radians(0.5), 90, (1.0 - g) / math.sqrt(g)
    down, across = np.mgrid[0:181, 0:181] - sun
    cover = (np.hypot(down, across) * 0.5 > wide_deg).astype(np.float32)
    ahead = ThingsAhead.of(cover, np.float32(5.0) * cover, ray_rad, lobe_rad=lobe)
    columns = np.float32(apart_deg / 0.5)
    hidden, shown = hidden_of_sun.loop(
        ahead.blurs,
        np.float32(WIDEST_BLUR),
        (np.float32(times), np.float32(away / lobe)),
        (np.float32(0.0), -columns),
        np.float32(1.0),
        (np.float32(sun), np.float32(sun) + columns),
    )
    # Three normal lobes in place of each, and one width for all of Poisson's. Of what comes past a hull as
    # wide, some hundredths, a quarter.
    assert 1.0 - hidden == pytest.approx(wanted, abs=0.05)
    assert hidden == pytest.approx(1.0 - wanted, rel=0.25)
    assert shown == pytest.approx(1.0, abs=1e-5)


def test_beyond_the_pictures_edges_less_and_less_is_known_of_what_lies_about_the_sun() -> None:
    blurs = np.zeros((7, 20, 20), np.float32)
    numbers = np.float32(WIDEST_BLUR), (np.float32(1.0), np.float32(2.0))
    shown = [
        hidden_of_sun.loop(
            blurs, *numbers, (np.float32(-rows), np.float32(0.0)), np.float32(1.0), (np.float32(4.0),) * 2
        )[1]
        for rows in (2.0, 6.0, 10.0, 40.0)
    ]
    assert shown[0] == pytest.approx(1.0, abs=1e-5)
    assert shown[0] > shown[1] > shown[2] > shown[3] > 0.0
