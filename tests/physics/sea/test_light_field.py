"""Looking caustics up under water."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.ndimage import map_coordinates, uniform_filter

from halocline._typing import F32, F64
from halocline.compute import disk_cache
from halocline.physics.sea.caustics import CausticOptics
from halocline.physics.sea.light_field import CausticSetup, _patches, ladder_depth, window_start
from halocline.physics.sea.light_lookup import (
    SQUARE_SHARE,
    SQUARES,
    Between,
    Layout,
    Slice,
    look_up,
    middle_over,
)
from halocline.physics.sea.waves import SeaState, Swell

INDEX = (1.338, 1.3405, 1.345)


@pytest.fixture(scope="module")
def setup() -> CausticSetup:
    sea = SeaState(3.0, fetch_m=1500.0, smooth_below_m=0.35, swells=(Swell(0.2, 3.0, 1.0),))
    optics = CausticOptics(math.radians(35.0), 0.5, INDEX, scattering_per_m=0.05)
    return CausticSetup(sea, optics, seed=4, patch_m=8.0, grid=512)


def level(count: int, step_m: float) -> tuple[F32, F32]:
    at = np.arange(count, dtype=np.float32) * np.float32(step_m)
    x, y = np.meshgrid(at, at)
    return x, y


def test_the_mean_over_a_level_plane_is_one(setup: CausticSetup) -> None:
    x, y = level(700, 0.23)
    # 160 m of sea: the standard error of its mean is about 0.5 %.
    gain = setup.at(1.0).gain(x, y, np.full_like(x, 5.0))
    assert_allclose(gain.mean(axis=(1, 2), dtype=np.float64), 1.0, atol=0.012)
    assert gain.min() >= 0.0
    assert gain.std() > 0.3


def test_nothing_repeats_at_the_size_of_the_patch(setup: CausticSetup) -> None:
    x, y = level(300, 0.08)
    axes = np.linalg.inv(setup.layout((0.0, 0.0)).fine[:, :2])  # columns: the patch's sides, metres
    field = setup.at(1.0)
    here = field.gain(x, y, np.full_like(x, 4.0))[1]
    for side in axes.T:
        there = field.gain(x, y, np.full_like(x, 4.0), origin=(float(side[0]), float(side[1])))[1]
        assert abs(np.corrcoef(here.ravel(), there.ravel())[0, 1]) < 0.1


def test_a_pixel_depends_only_on_its_own_place(setup: CausticSetup) -> None:
    x, y = level(97, 0.11)
    depth = (2.0 + 0.05 * y + 0.02 * x).astype(np.float32)
    field = setup.at(2.0)
    whole = field.gain(x, y, depth)
    for rows in (1, 7, 40):
        parts = [
            field.gain(x[r : r + rows], y[r : r + rows], depth[r : r + rows]) for r in range(0, 97, rows)
        ]
        assert_array_equal(np.concatenate(parts, axis=1), whole)
    footprint = (0.01 * (y + 0.3 * x)).astype(np.float32)
    whole_soft = field.gain(x, y, depth, footprint_m=footprint)
    parts = [
        field.gain(x[r : r + 7], y[r : r + 7], depth[r : r + 7], footprint_m=footprint[r : r + 7])
        for r in range(0, 97, 7)
    ]
    assert_array_equal(np.concatenate(parts, axis=1), whole_soft)
    # nor on who asked before
    fresh = setup.at(2.0)
    assert_array_equal(fresh.gain(x[50:], y[50:], depth[50:]), whole[:, 50:])


def test_a_wide_footprint_averages_the_pattern_and_keeps_its_place(setup: CausticSetup) -> None:
    x, y = level(256, 0.02)
    depth = np.full_like(x, 3.0)
    field = setup.at(1.0)
    sharp = field.gain(x, y, depth)[1]
    for width in (0.06, 0.24):
        soft = field.gain(x, y, depth, footprint_m=np.full_like(x, width))[1]
        assert soft.mean() == pytest.approx(sharp.mean(), abs=0.03)
        assert soft.std() < sharp.std()
        size = round(width / 0.02)
        blurred = uniform_filter(sharp, size)
        inner = (slice(20, -20), slice(20, -20))
        assert np.corrcoef(soft[inner].ravel(), blurred[inner].ravel())[0, 1] > 0.93


def test_soft_patterns_keep_the_strength_of_an_average(setup: CausticSetup) -> None:
    x, y = level(256, 0.02)
    depth = np.full_like(x, 3.0)
    field = setup.at(1.0)
    sharp = field.gain(x, y, depth)[1]
    inner = (slice(25, -25), slice(25, -25))
    for width in (0.06, 0.12, 0.24, 0.48):
        soft = field.gain(x, y, depth, footprint_m=np.full_like(x, width))[1][inner]
        assert soft.std() == pytest.approx(uniform_filter(sharp, round(width / 0.02))[inner].std(), rel=0.15)


def test_light_is_looked_up_as_scipy_looks_up_the_slices(setup: CausticSetup) -> None:
    def found(image: F32, sides: F64) -> list[F64]:
        at = sides[::-1] * len(image)
        return [map_coordinates(plane, at, order=1, mode="grid-wrap") for plane in image.transpose(2, 0, 1)]

    field, depth = setup.at(1.0), np.float32(ladder_depth(9))
    x, y = (plane.ravel() for plane in level(90, 0.31))
    drift = setup.optics.beam.drift
    surface = np.stack([x - depth * drift[0], y - depth * drift[1], np.ones_like(x)]).astype(np.float64)
    layout = setup.layout((0.0, 0.0))
    swell, *aside = found(field.long(9), layout.long @ surface)
    fine = layout.fine @ surface
    squares = np.floor(fine / SQUARE_SHARE).astype(int)
    parts = layout.parts[:, squares[1] % SQUARES, squares[0] % SQUARES]
    expected = swell * np.stack(found(field.fine(9, 0), fine - np.stack(aside) + parts))
    gain = field.gain(x, y, np.full_like(x, depth))
    inside = (fine / SQUARE_SHARE - squares < 0.879).all(axis=0)
    assert 0.7 < inside.mean() < 0.85
    assert_allclose(gain[:, inside], expected[:, inside], atol=2e-3)


def test_only_what_is_asked_for_is_traced(setup: CausticSetup, monkeypatch: pytest.MonkeyPatch) -> None:
    x, y = level(16, 0.1)
    depth = np.full_like(x, 0.5 * (ladder_depth(10) + ladder_depth(11)))
    field = setup.at(5.0)
    field.gain(x, y, depth, footprint_m=np.full_like(x, 0.001))
    assert {divmod(key, 8) for key in field._fine._values} == {(10, 0), (11, 0)}
    # From afar coarser rays do.
    monkeypatch.setenv("HALOCLINE_CACHE", "off")
    far = setup.at(5.0)
    far.gain(x, y, depth, footprint_m=np.full_like(x, 0.3))
    assert min(key for key in far._traced._values if key >= 0) >= 4


def test_deep_down_where_light_is_soft_fewer_rays_give_the_same_light(setup: CausticSetup) -> None:
    rung = int(np.flatnonzero(setup.finest_levels)[0])
    assert ladder_depth(rung) > 5.0
    field = setup.at(2.0)
    x, y = level(200, 0.02)
    depth = np.full_like(x, ladder_depth(rung))
    kept = setup.finest_levels
    coarse = field.gain(x, y, depth)[1]
    try:
        setup.finest_levels = np.zeros_like(kept)
        fine = setup.at(2.0).gain(x, y, depth)[1]
    finally:
        setup.finest_levels = kept
    assert np.corrcoef(coarse.ravel(), fine.ravel())[0, 1] > 0.985
    assert coarse.std() == pytest.approx(fine.std(), rel=0.06)


def test_points_along_the_beam_see_the_same_filament(setup: CausticSetup) -> None:
    x, y = level(200, 0.05)
    drift = setup.optics.beam.drift
    field = setup.at(1.0)
    high = field.gain(x, y, np.full_like(x, 4.0))[1]
    lower = (x + np.float32(0.4 * drift[0])), (y + np.float32(0.4 * drift[1]))
    low = field.gain(*lower, np.full_like(x, 4.4))[1]
    straight_down = field.gain(x, y, np.full_like(x, 4.4))[1]
    along = np.corrcoef(high.ravel(), low.ravel())[0, 1]
    assert along > 0.8
    assert along > np.corrcoef(high.ravel(), straight_down.ravel())[0, 1] + 0.3


def test_light_is_even_at_the_surface_and_above(setup: CausticSetup) -> None:
    x, y = level(20, 0.3)
    depth = np.zeros_like(x)
    depth[10:] = -2.0
    assert_array_equal(setup.at(0.0).gain(x, y, depth), np.ones((3, 20, 20), np.float32))


def test_light_changes_continuously_across_slices(setup: CausticSetup) -> None:
    x, y = level(40, 0.2)
    field = setup.at(0.0)
    rung = ladder_depth(12)
    above, below = (field.gain(x, y, np.full_like(x, rung * (1.0 + e))) for e in (-1e-4, 1e-4))
    # The beam moves aside by half a millimetre between the two, across which light changes a little.
    assert np.abs(above - below).mean() < 0.01


def test_far_from_the_worlds_origin_the_pattern_is_as_sharp(setup: CausticSetup) -> None:
    x, y = level(60, 0.05)
    near = setup.at(0.0).gain(x, y, np.full_like(x, 3.0), origin=(4096.3, -977.7))
    again = setup.at(0.0).gain(x + np.float32(8.0), y, np.full_like(x, 3.0), origin=(4088.3, -977.7))
    assert np.abs(near - again).max() < 0.05


def test_scale_stretches_the_pattern_in_place() -> None:
    sea = SeaState(2.0, fetch_m=500.0, smooth_below_m=0.3)
    fields = []
    for scale in (1.0, 2.0):
        optics = CausticOptics(0.0, 0.0, INDEX, scale=scale)
        fields.append(CausticSetup(sea, optics, seed=1, patch_m=8.0, grid=256).at(0.0))
    x, y = level(50, 0.1)
    depth = np.full_like(x, 2.0)
    assert_allclose(fields[1].gain(x * 2, y * 2, depth), fields[0].gain(x, y, depth), atol=0.02)


def test_a_window_is_the_softened_field_and_keeps_its_grid(setup: CausticSetup) -> None:
    field = setup.at(3.0)
    window = field.window(4.0, (2.0, 1.0), 0.1, 128)
    moved = field.window(4.0, (2.31, 1.0), 0.1, 128)
    first, second = window_start((2.0, 1.0), 0.1, 128), window_start((2.31, 1.0), 0.1, 128)
    columns = round((second[0] - first[0]) / 0.1)
    assert columns == 3
    assert_allclose(moved[:, :-3], window[:, 3:], atol=2e-2)
    x, y = level(128, 0.1)
    drift = setup.optics.beam.drift
    places = (x + np.float32(4.0 * drift[0]), y + np.float32(4.0 * drift[1]))
    fine = field.gain(*places, np.full_like(x, 4.0), origin=first)[1]
    assert np.corrcoef(fine.ravel(), window.ravel())[0, 1] > 0.7


def test_slopes_of_the_surface_are_those_of_its_waves(setup: CausticSetup) -> None:
    x, y = level(500, 0.31)
    slopes = setup.at(0.0).slopes(x, y)[:2].reshape(2, -1).astype(np.float64)
    held = setup.fine.patch.slope_variance + setup.long.patch.slope_variance
    # Where squares cross-fade a little of the variance is lost.
    assert_allclose(slopes @ slopes.T / slopes.shape[1], held, atol=0.12 * np.trace(held))


def test_light_from_disk_is_what_would_be_made(
    setup: CausticSetup, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rungs = [(8, 0), (10, 1), (20, setup.finest_levels[20] + 1)]
    monkeypatch.setenv("HALOCLINE_CACHE", "off")
    made = [setup.at(5.0).fine(*at) for at in rungs]
    monkeypatch.setenv("HALOCLINE_CACHE", str(tmp_path))
    monkeypatch.setattr(disk_cache._Written, "in_passing", 0)
    for _ in range(2):
        field = setup.at(5.0)
        for light, at in zip(made, rungs, strict=True):
            assert_array_equal(field.fine(*at), light)
    assert not field._whole._values, "the second time nothing is traced"
    # Nor are the waves drawn, of a sea that nobody has met in this process.
    _patches.cache_clear()
    same = CausticSetup(setup.sea, setup.optics, seed=4, patch_m=8.0, grid=512)
    assert_array_equal(same.at(5.0).fine(*rungs[0]), made[0])
    assert "_waves" not in vars(same.fine.patch)
    assert_array_equal(same.fine.patch.slope_variance, setup.fine.patch.slope_variance)
    assert len(list(tmp_path.glob("light-fields/*"))) == 3


def test_no_two_lights_are_taken_for_each_other(
    setup: CausticSetup, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HALOCLINE_CACHE", str(tmp_path))
    seas = [setup.sea, *others(setup.sea)]
    optics = [setup.optics, *others(setup.optics)]
    about: dict[str, Any] = {"seed": 4, "patch_m": 8.0, "grid": 64}
    keys = [CausticSetup(sea, setup.optics, **about).at(1.0).key for sea in seas]
    keys += [CausticSetup(setup.sea, each, **about).at(1.0).key for each in optics[1:]]
    change: dict[str, Any]
    for change in ({"seed": 5}, {"patch_m": 8.5}, {"grid": 128}, {"loop_s": 3.0}):
        keys.append(CausticSetup(setup.sea, setup.optics, **(about | change)).at(1.0).key)
    keys += [setup.at(*at).key for at in ((1.0, 0.0), (1.0 + 1e-12, 0.0), (1.0, 0.01))]
    assert len(set(keys)) == len(keys) == 1 + 7 + 9 + 4 + 3
    field = CausticSetup(seas[0], optics[0], **about).at(1.0)
    lights = [field.fine(rung, level) for rung in (4, 5) for level in (0, 1)]
    assert len({light.tobytes() for light in lights}) == 4


def others(value: Any) -> list[Any]:
    """Return a value with one of its fields a little changed, for each."""
    found = []
    for part in fields(value):
        now = getattr(value, part.name)
        if part.name == "swells":
            changed: object = (replace(now[0], width=now[0].width + 1e-9),)
        elif isinstance(now, tuple):
            changed = (now[0] + 1e-9, *now[1:])
        else:
            changed = 1e6 if math.isinf(now) else now + 1e-9
        found.append(replace(value, **{part.name: changed}))
    return found


def test_the_middle_channel_over_a_square_is_that_of_single_places() -> None:
    """The loop for a whole square, against the one for places in any order, to the bit."""
    random = np.random.default_rng(8)
    image = random.uniform(0.0, 3.0, (64, 64, 3)).astype(np.float32)
    led = random.uniform(-0.1, 0.1, (32, 32, 3)).astype(np.float32)
    led[..., 0] += np.float32(1.0)
    parts = random.uniform(0.0, 1.0, (2, SQUARES, SQUARES)).astype(np.float32)
    fine = np.array([[0.11, -0.05, 0.3], [0.05, 0.11, 0.7]], np.float32)
    long = np.array([[0.02, 0.01, 0.1], [-0.01, 0.02, 0.4]], np.float32)
    layout, light = Layout(fine, long, parts), Slice(image, np.float32(0.25), led)
    at = np.linspace(-20.0, 20.0, 61, dtype=np.float32)
    x, y = (plane.ravel() for plane in np.meshgrid(at, at))
    none, singly = np.zeros_like(x), np.empty((3, x.size), np.float32)
    between = Between((light,), (), 0.0, 0.0)
    look_up(np.arange(x.size), (x, y, none), none, np.zeros(2), layout, between, singly)
    np.testing.assert_array_equal(middle_over(at, layout, light), singly[1].reshape(61, 61))
