"""Laws of light between surface, subject and lens."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from tests.conftest import Builders

from halocline.physics.path.phase import WATER_ASYMMETRY
from halocline.physics.path.transport import (
    DIFFUSE_ASYMMETRY,
    LONGEST_RANGE_M,
    OpenRays,
    VeilGeometry,
    attenuate,
    attenuated,
    daylight_gain,
    refracted_sun,
    sunlit_by_depth,
    veiling_light,
)
from halocline.physics.path.visibility import RangeRemap
from halocline.physics.water.bands import SHARE_NODES_NM
from halocline.physics.water.fitted_bands import fit_bands
from halocline.physics.water.path_integral import path_integral
from halocline.physics.water.spectra import WAVELENGTH_NM, transfer_matrix
from halocline.physics.water.water import jerlov_water
from halocline.rgb import LINEAR_REC709

UP, AHEAD = np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, -1.0])


def f32(*values: float) -> np.ndarray[Any, np.dtype[np.float32]]:
    return np.array([values], np.float32)


def test_path_integral_has_its_limits() -> None:
    assert path_integral(0.57, 5.0) == pytest.approx(1.65290470, rel=1e-8)
    assert path_integral(0.0, 7.0) == 7.0
    assert path_integral(0.5, np.inf) == 2.0
    assert path_integral(-0.5, np.inf) == np.inf
    assert path_integral(0.0, np.inf) == np.inf
    assert path_integral(-0.1, 10.0) == pytest.approx(math.expm1(1.0) / 0.1)
    assert path_integral(3.0, 0.0) == 0.0


def test_path_integral_is_smooth_through_the_limit_of_no_loss() -> None:
    k = np.array([-1e-3, -1.0001e-7, -0.9999e-7, -1e-12, 0.0, 1e-12, 0.9999e-7, 1.0001e-7, 1e-3])
    values = path_integral(k, 10.0)
    assert (np.diff(values) < 1e-12).all()
    np.testing.assert_allclose(values[1:-1], 10.0, rtol=1e-5)


def test_sun_under_water_obeys_snell_and_stands_where_it_is_said_to() -> None:
    for elevation, azimuth in ((90.0, 0.0), (45.0, 0.0), (10.0, 90.0), (0.0, 200.0)):
        travel = refracted_sun(elevation, azimuth, UP, AHEAD, 1.34)
        assert np.linalg.norm(travel) == pytest.approx(1.0)
        sine = np.linalg.norm(travel - (travel @ UP) * UP)
        assert sine == pytest.approx(np.cos(np.radians(elevation)) / 1.34, abs=1e-12)
        assert travel @ UP < 0
    # Azimuth turns clockwise seen from above: from -z (ahead) to +x.
    assert refracted_sun(30.0, 90.0, UP, AHEAD, 1.34)[0] < 0
    assert refracted_sun(30.0, 0.0, UP, AHEAD, 1.34)[2] > 0


def test_no_daylight_leaves_no_light(build: Builders) -> None:
    night = build.path(daylight_level=0.0)
    assert (night.veil_along(np.inf, AHEAD) == 0).all()
    assert (night.daylight(4.0) == 0).all()
    assert (night.scalar_daylight(4.0) == 0).all()
    np.testing.assert_allclose(build.path(daylight_level=0.5).daylight(7.0), 0.5 * build.path().daylight(7.0))


@pytest.mark.parametrize("water_type", ["I", "1C", "9C"])
def test_light_is_continuous_and_finite_in_everything(build: Builders, water_type: str) -> None:
    """A small step in depth, sun or direction is a small step in light; nothing is ever undefined."""
    path = build.path(build.bands(water_type))
    rays = np.array([[0.0, y, -np.sqrt(1 - y * y)] for y in np.linspace(-1.0, 1.0, 2001)])
    veil = path.veil_along(np.inf, rays)
    assert np.isfinite(veil).all()
    assert np.abs(np.diff(np.log(veil), axis=0)).max() < 0.2
    for depth in (0.001, 0.02, 1.0, 40.0, 300.0):
        near, there = (
            replace(path, camera_depth_m=y, reference_depth_m=y).veil_along(2.0, rays[::50])
            for y in (depth, depth + 1e-3)
        )
        assert np.isfinite(near).all()
        np.testing.assert_allclose(near, there, rtol=0.05, atol=2e-2)
    for elevation in (0.0, 1e-6, 41.81, 90.0):
        lit = replace(path, sun_travel=refracted_sun(elevation, 30.0, UP, AHEAD, 1.341))
        assert np.isfinite(lit.veil_along(5.0, rays[::50])).all()


def test_veil_grows_with_range_and_saturates(build: Builders) -> None:
    path = build.path()
    ranges = np.array([0.0, 0.1, 1.0, 5.0, 20.0, 100.0, 1e5, np.inf])
    for ray in (UP, -UP, AHEAD):
        veil = path.veil_along(ranges, ray)
        assert (veil[0] == 0).all()
        assert (np.diff(veil, axis=0) >= -1e-6 * veil[-1]).all()
        assert np.isfinite(veil).all()
    np.testing.assert_allclose(path.veil_along(1e5, AHEAD), path.veil_along(np.inf, AHEAD), rtol=1e-6)


def test_veil_is_brighter_towards_the_sun_and_above(build: Builders) -> None:
    path = build.path()
    towards = path.sun_travel * [-1, 0, -1]
    towards /= np.linalg.norm(towards)
    y = path.luminance @ path.bands.down
    level_to, level_from, up, down = (
        float(y @ path.veil_along(np.inf, ray)) for ray in (towards, -towards, UP, -UP)
    )
    assert up > level_to > level_from > down > 0


def test_glow_of_the_sun_broadens_with_depth_but_not_beyond_the_diffuse_lobe(build: Builders) -> None:
    widths = [build.path(depth_m=depth).sun_asymmetry for depth in (0.0, 1.0, 5.0, 20.0, 200.0)]
    assert widths[0] == pytest.approx(WATER_ASYMMETRY)
    assert widths == sorted(widths, reverse=True)
    assert widths[-1] == DIFFUSE_ASYMMETRY


def test_less_and_less_of_the_light_on_a_level_plane_is_the_suns(build: Builders) -> None:
    path, depths = build.path(), np.array([0.0, 5.0, 20.0, 60.0], np.float32)
    shares = sunlit_by_depth(path)(depths)
    assert ((shares >= 0.0) & (shares <= 1.0)).all()
    assert (np.diff(shares.mean(axis=0)) < 0.0).all()
    # Just under the surface what comes of 60 % of it is the sun's, less what the surface throws back.
    assert shares[:, 0] == pytest.approx(0.6, abs=0.06)
    np.testing.assert_allclose(shares, path.sunlit_daylight(depths.astype(np.float64)).T, rtol=2e-3)
    assert not build.path(surface_sun_share=0.0).sunlit_daylight(5.0).any()


def test_clear_ocean_scatters_by_its_molecules_and_coastal_water_does_not(build: Builders) -> None:
    # What the inverted table has of type I is less than pure sea water scatters.
    inverted = fit_bands(jerlov_water("I", source="solonenko2015"))
    assert build.path(inverted).molecular_share.max() > 0.8
    clear = build.path(build.bands("I")).molecular_share
    assert 0.1 < clear.max() < 0.3
    assert np.all(np.diff(clear) < 0.0)
    assert build.path(build.bands("1C")).molecular_share.max() < 0.02


def test_art_factors_multiply_the_veil_and_nothing_else(build: Builders) -> None:
    path = build.path()
    tint = np.linspace(0.5, 1.5, path.bands.count)
    bright = replace(path, veil_brightness=2.5, veil_tint=tint)
    np.testing.assert_allclose(
        bright.veil_along(7.0, AHEAD), 2.5 * tint * path.veil_along(7.0, AHEAD), rtol=1e-6
    )
    assert np.array_equal(bright.direct_along(7.0), path.direct_along(7.0))


def test_scale_on_range_acts_on_its_own_term_alone(build: Builders) -> None:
    path = build.path()
    nearer = replace(path, veil_scale=0.25)
    # A quarter of the range in the exponent; endless water as bright as ever.
    np.testing.assert_allclose(nearer.veil_along(8.0, AHEAD), path.veil_along(2.0, AHEAD), rtol=1e-12)
    np.testing.assert_allclose(nearer.veil_along(np.inf, UP * 0 + AHEAD), path.veil_along(np.inf, AHEAD))
    clearer = replace(path, attenuation_scale=0.5)
    np.testing.assert_allclose(clearer.direct_along(8.0), path.direct_along(4.0), rtol=1e-12)
    assert np.array_equal(clearer.veil_along(8.0, AHEAD), path.veil_along(8.0, AHEAD))


def test_rays_end_at_the_surface_or_nowhere(build: Builders) -> None:
    path = build.path(depth_m=10.0)
    mu = f32(-1.0, -0.5, -0.001, -1e-7, -0.0, 0.0, 0.3, 1.0)
    expected = [
        10.0,
        20.0,
        1e4,
        LONGEST_RANGE_M,
        LONGEST_RANGE_M,
        LONGEST_RANGE_M,
        LONGEST_RANGE_M,
        LONGEST_RANGE_M,
    ]
    np.testing.assert_allclose(path.open_length(mu)[0], expected, rtol=1e-6)
    lengths = path.path_length(np.full_like(mu, 15.0), mu)[0]
    np.testing.assert_allclose(lengths, [10.0, *[15.0] * 7], rtol=1e-6)


def test_remap_draws_surfaces_near_and_leaves_open_water(build: Builders) -> None:
    path = build.path(remap=RangeRemap(1.0, 2.0))
    mu = f32(-0.5, 0.0, 0.5)
    assert np.array_equal(path.open_length(mu), build.path().open_length(mu))
    drawn = path.path_length(np.full_like(mu, 90.0), mu)
    np.testing.assert_allclose(drawn[0, 1:], path.remap.exact(90.0), rtol=1e-6)
    endless = path.path_length(np.full_like(mu, np.inf), mu)
    assert np.array_equal(endless, path.open_length(mu))


def test_arguments_are_left_alone(build: Builders) -> None:
    path = build.path(remap=RangeRemap(1.0, 2.0))
    planes = [f32(2.0, np.inf, 5.0), f32(-0.5, 0.0, 0.5), f32(0.1, -0.9, 0.3), f32(0.5, 0.0, 1.0)]
    length, mu, cos_sun, share = planes
    before = [plane.copy() for plane in planes]
    for plane in planes:
        plane.setflags(write=False)
    attenuate(path, length)
    daylight_gain(path, length, mu)
    path.path_length(length, mu)
    veiling_light(path, VeilGeometry(length, mu, cos_sun, length, share, path.open_length(mu), share))
    for plane, was in zip(planes, before, strict=True):
        assert np.array_equal(plane, was)


def test_light_dimmed_at_once_is_light_times_what_is_left_of_it(build: Builders) -> None:
    path, random = build.path(depth_m=10.0), np.random.default_rng(3)
    # More pixels than are worked on together, of which the last few are left over.
    ranges, mu = f32(*random.uniform(0.0, 90.0, 2500)), f32(*random.uniform(-0.1, 1.0, 2500))
    light = random.uniform(0.0, 2.0, (path.bands.count, 1, 2500)).astype(np.float32)
    ranges[0, 7], light[0, 0, 7] = np.inf, 0.0
    dimmed = attenuated(path, ranges, light)
    assert np.array_equal(dimmed, light * attenuate(path, ranges))
    exact = light * np.exp(-np.multiply.outer(path.beam_rate, ranges.astype(np.float64)))
    np.testing.assert_allclose(dimmed, exact, rtol=2e-5, atol=1e-12)
    lit = daylight_gain(path, ranges, mu, most=1.5, light=light)
    assert np.array_equal(lit, light * daylight_gain(path, ranges, mu, most=1.5))


def test_daylight_gain_is_the_daylight_of_each_surface(build: Builders) -> None:
    path = build.path(depth_m=10.0)
    ranges, mu = f32(0.0, 5.0, 30.0, 4.0), f32(0.3, 1.0, 0.5, -0.25)
    gain = daylight_gain(path, ranges, mu)
    for column, depth in enumerate((10.0, 15.0, 25.0, 9.0)):
        np.testing.assert_allclose(gain[:, 0, column], path.daylight(depth), rtol=1e-5)


def test_light_from_the_suns_side_follows_the_solved_field(build: Any) -> None:
    shares = build.path(depth_m=0.5).sun_side(np.array([0.5, 5.0, 20.0]))
    # At the surface about the sun's share of the irradiance; scattering evens it out.
    np.testing.assert_allclose(shares[0], 0.6, atol=0.06)
    assert np.all(np.diff(shares, axis=0) < 0.0)
    assert np.all(build.path(surface_sun_share=0.0).sun_side(3.0) == 0.0)
    # Towards the zenith the sun's side becomes the vertical, and its share stays.
    high = [
        build.path(sun_travel=refracted_sun(degrees, 40.0, UP, AHEAD, 1.341)).sun_side(np.array([2.0]))
        for degrees in (85.0, 89.0, 90.0)
    ]
    np.testing.assert_allclose(high[2], high[0], rtol=0.02)
    np.testing.assert_allclose(high[1], high[0], rtol=0.02)


def test_daylight_is_that_of_the_reference_depth_there_and_not_at_the_lens(build: Builders) -> None:
    """The render's own light holds at the reference depth, wherever the lens is; art scales all ways down."""
    path = build.path(depth_m=14.0, reference_depth_m=6.0)
    up_to_it = daylight_gain(path, f32(8.0, 0.0), f32(-1.0, 0.0))
    np.testing.assert_allclose(up_to_it[:, 0, 0], 1.0, rtol=1e-5)
    np.testing.assert_allclose(up_to_it[:, 0, 1], path.daylight(14.0), rtol=1e-5)
    assert (path.daylight(14.0) < 0.8).all()
    np.testing.assert_allclose(path.veil_strength, math.pi * path.white * path.daylight(14.0), rtol=1e-12)
    # Also below the deepest depth that is tabled.
    less, deep = replace(path, downwelling_scale=0.02), 1000.0
    above, below = (daylight_gain(less, f32(s - 14.0), f32(1.0))[:, 0, 0] for s in (deep - 400.0, deep))
    np.testing.assert_allclose(
        below / above, np.exp(-0.02 * 400.0 * less.water.daylight().deep_rate), rtol=1e-3
    )


def test_daylight_above_the_highest_depth_of_the_bands_is_that_there(build: Builders) -> None:
    path = build.path(depth_m=12.0)
    assert path.bands.rise_m > 0.0
    assert path.highest_depth_m == pytest.approx(12.0 - path.bands.rise_m)
    np.testing.assert_array_equal(
        path.daylight(0.5 * path.highest_depth_m), path.daylight(path.highest_depth_m)
    )
    assert build.path(depth_m=0.5 * path.bands.rise_m).highest_depth_m == 0.0


def test_the_suns_side_gives_the_level_flux_of_the_solution(build: Builders) -> None:
    """Its lobe is as broad as its asymmetry says: share times lobe times the sun's level part is the flux."""
    path, depths = build.path(depth_m=4.0), np.array([1.0, 6.0, 15.0])
    level = math.sqrt(1.0 - path.water.solved().sun_cosine ** 2)
    spread = path.sun_asymmetry / path.bands.asymmetry
    share = path.sun_side(depths)
    assert (share < 1.0).all()
    np.testing.assert_allclose(share * level * spread, path.water.daylight().level_share(depths), rtol=1e-9)
    assert spread < 0.95


def test_open_rays_are_open_water_beyond_a_place_seen_from_the_lens(build: Builders) -> None:
    """Both parts, J exp(-k s) (1 - exp(-k rest)) / k, and what art takes from direct light alone."""
    for scales in ({}, {"veil_scale": 0.5}, {"attenuation_scale": 0.4, "veil_scale": 1.5}):
        path = build.path(depth_m=8.0, **scales)  # type: ignore[arg-type]
        mu, cos_sun, s = f32(0.3, -0.2, 0.8), f32(0.1, -0.6, 0.7), f32(2.0, 5.0, 9.0)
        rays = OpenRays.of(path, path.veil_rays(), mu, cos_sun)
        once, once_rate, source, rate = rays.numbers.astype(np.float64)
        rest = path.open_length(mu).astype(np.float64) - s
        parts = [j * np.exp(-k * s) * path_integral(k, rest) for j, k in ((once, once_rate), (source, rate))]
        brought = sum(parts) * np.exp(-rays.rates[:, None, None] * s)
        # Open water less the veil before the place; the direct light is dimmed by its own scale.
        veil = path.veil_rays()
        beyond = veil(path.open_length(mu), mu, cos_sun) - veil(s, mu, cos_sun)
        dimmed = np.exp(-path.veil_scale * path.bands.attenuation[:, None, None] * s)
        expected = beyond * attenuate(path, s) / dimmed
        # The difference is as good as float32 holds the whole.
        rounding = 3e-7 * veil(path.open_length(mu), mu, cos_sun) * attenuate(path, s) / dimmed
        assert np.all(np.abs(brought - expected) < 2e-4 * expected + rounding)


@pytest.mark.parametrize(("water_type", "depth_m"), [("IB", 10.0), ("IB", 20.0), ("1C", 10.0), ("1C", 20.0)])
def test_the_sky_seen_from_deep_down_has_the_colour_of_its_spectrum(
    build: Builders, water_type: str, depth_m: float
) -> None:
    # Against sums over 1 nm: a white card is white where the lens is, so the sky at the surface is exp(Kd y)
    # of that in each wavelength, and is seen through exp(-c y).
    path = build.path(build.bands(water_type), depth_m=depth_m)
    assert depth_m > path.highest_depth_m > 0.0
    assert path.bands.spectrum is not None
    a, b, fall = (np.interp(WAVELENGTH_NM, SHARE_NODES_NM, row) for row in path.bands.spectrum)
    expected = transfer_matrix(LINEAR_REC709, np.exp((fall - a - b) * depth_m)).sum(axis=1)
    sky = path.light_from_above() / math.pi * np.exp(path.water.daylight().log_downward(0.0))
    ours = path.bands.down @ (sky * np.exp(-path.bands.attenuation * depth_m))
    np.testing.assert_allclose(ours, expected, rtol=0.07)
