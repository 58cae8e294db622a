"""The sea surface: laws that hold for every sea, and repeatability."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from halocline.errors import PhysicsError
from halocline.physics.sea.waves import (
    SeaState,
    Swell,
    WavePatch,
    angular_frequency,
    depth_limit,
    group_speed,
    make_patch,
    spread_exponent,
    spreading,
    unresolved_slopes,
    wavenumber,
)

SEA = SeaState(4.0, wind_direction_rad=0.6, fetch_m=3000.0)


def patch_of(sea: SeaState = SEA, **changes: object) -> WavePatch:
    settings: dict[str, object] = {
        "size_m": 8.0,
        "grid": 128,
        "wavelengths_m": (0.4, 4.0),
        "seed": 5,
        "name": "fine",
    }
    return make_patch(sea, **(settings | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize("depth_m", [0.5, 10.0, math.inf])
def test_wavenumber_inverts_frequency(depth_m: float) -> None:
    k = np.geomspace(0.01, 300.0, 60)
    omega = angular_frequency(k, water_depth_m=depth_m)
    assert_allclose(wavenumber(omega, water_depth_m=depth_m), k, rtol=1e-9)


@pytest.mark.parametrize("depth_m", [1.0, math.inf])
def test_group_speed_is_the_slope_of_the_dispersion_relation(depth_m: float) -> None:
    k = np.geomspace(0.05, 200.0, 40)
    step = 1e-5 * k
    ends = [angular_frequency(k + sign * step, water_depth_m=depth_m) for sign in (1, -1)]
    assert_allclose(group_speed(k, water_depth_m=depth_m), (ends[0] - ends[1]) / (2 * step), rtol=1e-7)


def test_spreading_integrates_to_one_for_every_exponent() -> None:
    angle = (np.arange(20000) + 0.5) / 20000 * 2 * math.pi - math.pi
    for s in (0.5, 2.0, 10.0, 75.0):
        assert spreading(angle, s).mean() * 2 * math.pi == pytest.approx(1.0, abs=1e-6)


def test_spread_exponent_is_largest_at_the_peak_and_never_below_two() -> None:
    omega = np.geomspace(0.02, 200.0, 401)  # the middle one is 2
    s = spread_exponent(omega, peak=2.0, most=10.0)
    assert s.max() == pytest.approx(10.0)
    assert s.min() == 2.0
    assert omega[s.argmax()] == pytest.approx(2.0)


def test_shallow_water_only_takes_from_a_spectrum() -> None:
    omega = np.linspace(0.05, 5.0, 300)
    factor = depth_limit(omega, water_depth_m=5.0)
    assert (np.diff(factor) >= 0).all()
    assert factor[0] < 0.01
    assert factor[-1] == 1.0


def test_heights_have_the_variance_of_the_spectrum_in_their_band() -> None:
    patch = patch_of()
    k = np.linspace(2 * math.pi / 4.0, 2 * math.pi / 0.4, 20001)
    density = SEA.wind_sea(angular_frequency(k)) * group_speed(k)
    expected = np.trapezoid(density, k)
    # Cells at the ends of the band are in or out as a whole: 3 %.
    found = np.mean([patch.surface(t)[0].astype(float).var() for t in np.arange(0.0, 20.0, 1.3)])
    assert found == pytest.approx(expected, rel=0.03)


def test_slopes_are_the_derivatives_of_the_height() -> None:
    patch = patch_of(wavelengths_m=(1.0, 4.0))
    height, slope_x, slope_y = patch.surface(2.5)
    spectrum = np.fft.rfft2(height.astype(float))
    kx = np.fft.rfftfreq(patch.grid) * 2 * math.pi / patch.cell_m
    ky = np.fft.fftfreq(patch.grid) * 2 * math.pi / patch.cell_m
    assert_allclose(np.fft.irfft2(1j * kx * spectrum), slope_x, atol=1e-6)
    assert_allclose(np.fft.irfft2(1j * ky[:, None] * spectrum), slope_y, atol=1e-6)


def test_slope_variance_is_what_the_surface_shows() -> None:
    patch = patch_of(angle_rad=0.4)
    total = np.zeros((2, 2))
    times = np.arange(0.0, 30.0, 1.1)
    for time_s in times:
        _, along, across = (plane.astype(float) for plane in patch.surface(time_s))
        cos, sin = math.cos(0.4), math.sin(0.4)
        world = np.stack([cos * along - sin * across, sin * along + cos * across]).reshape(2, -1)
        total += world @ world.T / along.size
    assert_allclose(patch.slope_variance, total / len(times), atol=0.02 * np.trace(patch.slope_variance))


def test_waves_travel_where_the_wind_blows() -> None:
    sea = SeaState(0.0, swells=(Swell(0.1, 1.13, direction_rad=0.0, spread=500.0, width=0.005),))
    patch = patch_of(sea, wavelengths_m=(1.5, 2.7))
    first, later = patch.surface(0.0)[0], patch.surface(0.1)[0]
    shifts = range(-8, 9)
    match = [float((np.roll(first, shift, axis=1) * later).sum()) for shift in shifts]
    # Phase speed of a 2 m wave is 1.77 m/s: 0.18 m in 0.1 s, about three cells of 6 cm.
    assert shifts[int(np.argmax(match))] in (2, 3)


def test_a_turned_patch_has_the_same_waves_in_the_world() -> None:
    straight, turned = patch_of(), patch_of(angle_rad=1.1)
    assert_allclose(straight.slope_variance, turned.slope_variance, atol=0.03 * straight.slope_variance.max())


def test_bands_of_wavelengths_add_up_to_the_whole() -> None:
    whole = patch_of(wavelengths_m=(0.4, 4.0)).slope_variance
    parts = [patch_of(wavelengths_m=band).slope_variance for band in ((0.4, 1.0), (1.0, 4.0))]
    assert_allclose(parts[0] + parts[1], whole, rtol=1e-12, atol=1e-15)


def test_a_loop_repeats_exactly_and_no_wave_stands_still() -> None:
    patch = patch_of(loop_s=4.0)
    for first, second in zip(patch.surface(0.7), patch.surface(4.7), strict=True):
        assert_allclose(first, second, atol=2e-6)
    turning = patch.omega[np.abs(patch.forth) > 0]
    assert_allclose(turning * 4.0 / (2 * math.pi) % 1.0, 0.0, atol=1e-9)
    assert turning.min() > 0


def test_same_seed_and_name_give_the_same_bits_and_others_do_not() -> None:
    first = patch_of().surface(100.0)[0]
    assert_array_equal(first, patch_of().surface(100.0)[0])
    assert np.abs(first - patch_of(seed=6).surface(100.0)[0]).max() > 0.01
    assert np.abs(first - patch_of(name="other").surface(100.0)[0]).max() > 0.01


def test_more_points_hold_the_same_waves() -> None:
    """A draft with fewer points along a side is of the same sea."""
    few, many = patch_of(grid=128), patch_of(grid=256)
    heights = few.surface(2.0)[0], many.surface(2.0)[0][::2, ::2]
    assert_allclose(heights[0], heights[1], atol=1e-6)
    assert heights[0].std() > 1e-3


def test_a_coarsened_patch_shows_the_same_long_waves() -> None:
    patch = patch_of(wavelengths_m=(0.8, 4.0))
    coarse = patch.coarsened(64, shortest_m=0.6)
    assert_allclose(coarse.surface(3.0)[0], patch.surface(3.0)[0][::2, ::2], atol=1e-5)
    assert_allclose(coarse.slope_variance, patch.slope_variance, rtol=1e-6, atol=1e-9)


def test_the_surface_between_the_points_is_that_of_a_grid_twice_as_fine() -> None:
    patch = patch_of(wavelengths_m=(0.8, 4.0))
    coarse = patch.coarsened(64, shortest_m=0.6)
    for between, fine in zip(coarse.surface(3.0, offset_cells=0.5), patch.surface(3.0), strict=True):
        assert_allclose(between, fine[1::2, 1::2], atol=1e-5)


def test_unresolved_slopes_complete_the_measured_ones_and_are_never_negative() -> None:
    sea = SeaState(5.0, wind_direction_rad=0.3)
    patch = patch_of(sea)
    rest = unresolved_slopes(sea, (patch,), shorter_than_m=0.4)
    along = np.array([math.cos(0.3), math.sin(0.3)])
    assert along @ (rest + patch.slope_variance) @ along == pytest.approx(0.00316 * 5.0)
    assert (np.linalg.eigvalsh(rest) >= 0).all()
    assert not unresolved_slopes(SeaState(0.0), (), shorter_than_m=0.4).any()


def test_a_smoothed_sea_has_lost_its_short_waves_only() -> None:
    smooth = SeaState(4.0, fetch_m=3000.0, smooth_below_m=0.5)
    rough = SeaState(4.0, fetch_m=3000.0)
    kx = np.array([2 * math.pi / 5.0, 2 * math.pi / 0.1])
    ratio = smooth.variance(kx, np.zeros(2)) / rough.variance(kx, np.zeros(2))
    assert ratio[0] > 0.98
    assert ratio[1] < 1e-9


@pytest.mark.parametrize(
    ("settings", "code"),
    [
        ({"grid": 100}, "E-WAVES-PATCH"),
        ({"wavelengths_m": (0.05, 4.0)}, "E-WAVES-PATCH"),
        ({"loop_s": 0.0}, "E-WAVES-LOOP"),
    ],
)
def test_a_patch_that_cannot_be_is_refused(settings: dict[str, object], code: str) -> None:
    with pytest.raises(PhysicsError) as caught:
        patch_of(SEA, **settings)
    assert caught.value.code == code
    assert caught.value.fix


def test_an_impossible_sea_is_refused_by_name() -> None:
    with pytest.raises(PhysicsError, match="fetch_m"):
        SeaState(5.0, fetch_m=-1.0)
