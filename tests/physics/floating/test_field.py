"""The endless field: the same particles whoever looks, evenly spread or patchy as asked."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from halocline.compute.random import random_words, stream_key, uniforms
from halocline.errors import PhysicsError
from halocline.physics.floating.field import (
    CELL_DIAMETERS,
    Particles,
    Patchiness,
    ViewVolume,
    aggregate_parts,
    cells_in_view,
    particles_in_view,
    patchiness,
    tumble,
)
from halocline.physics.floating.particles import DrawLimits, PowerLaw

EVEN = patchiness(1, "even", scale_m=1.0, variation=0.0)
PATCHY = patchiness(1, "patchy", scale_m=0.7, variation=0.8)
SIZES = PowerLaw(3000.0, 4.0, 1e-3, 2e-3)
LIMITS = DrawLimits(farthest_m=4.0, smallest_angle_rad=1e-4)


def _view(position: tuple[float, float, float] = (0.0, 0.0, 0.0), turn_deg: float = 0.0) -> ViewVolume:
    rotation = Rotation.from_euler("yx", [turn_deg, 0.5 * turn_deg], degrees=True).as_matrix()
    return ViewVolume(np.array(position), rotation, (-0.4, 0.4, -0.3, 0.3), 4.0)


def _by_home(particles: Particles) -> dict[tuple[float, ...], tuple[float, ...]]:
    return {
        tuple(home): (float(diameter), *words)
        for home, diameter, words in zip(
            particles.home_m, particles.diameter_m, particles.words.T.tolist(), strict=True
        )
    }


def test_particles_are_where_the_numbers_of_their_cell_and_index_say() -> None:
    found = particles_in_view(5, "snow", SIZES, PATCHY, _view(), LIMITS)
    found = found.select(np.arange(0, len(found), 20))
    cell_m = CELL_DIAMETERS * SIZES.largest_m
    cells = np.floor(found.home_m / cell_m).astype(np.int64)
    matched = np.zeros(len(found), bool)
    for index in range(1000):
        share = uniforms(stream_key(5, "snow", "place"), *cells.T, index)
        words = random_words(stream_key(5, "snow", "nature"), *cells.T, index)
        same = (np.abs((cells + share[:3].T) * cell_m - found.home_m) < 1e-12).all(axis=1)
        same &= (words[:3] == found.words).all(axis=0)
        assert found.diameter_m[same] == pytest.approx(SIZES.quantile(share[3][same]), rel=1e-12)
        matched |= same
    assert len(found) > 1000
    assert matched.all()


@pytest.mark.parametrize("patches", [EVEN, PATCHY])
def test_two_cameras_see_the_same_particles_where_their_views_overlap(patches: Patchiness) -> None:
    here, there = _view(), _view((0.3, -0.1, 0.2), turn_deg=11.0)
    first = particles_in_view(5, "snow", SIZES, patches, here, LIMITS)
    second = particles_in_view(5, "snow", SIZES, patches, there, LIMITS)
    seen_by_both = first.select(there.touches(first.home_m, 0.0))
    others = _by_home(second)
    assert len(seen_by_both) > 1000
    for home, nature in _by_home(seen_by_both).items():
        assert others[home] == nature


def test_seed_and_name_change_the_field() -> None:
    fields = [
        particles_in_view(seed, name, SIZES, EVEN, _view(), LIMITS).home_m[0].tolist()
        for seed, name in ((5, "snow"), (6, "snow"), (5, "silt"))
    ]
    assert fields[0] != fields[1] != fields[2] != fields[0]


def test_every_cell_that_holds_a_visible_point_is_found() -> None:
    view = _view((0.2, 0.1, -0.4), turn_deg=35.0)
    rng = np.random.default_rng(3)
    points = rng.uniform(-5.0, 5.0, (60_000, 3))
    visible = points[view.touches(points, 0.0)]
    cells = {tuple(cell) for cell in cells_in_view(view, 0.25).tolist()}
    assert len(visible) > 300
    assert {tuple(cell) for cell in np.floor(visible / 0.25).astype(int).tolist()} <= cells


def test_view_agrees_with_angles_and_range() -> None:
    points = np.array(
        [[0, 0, -1], [0.39, 0.29, -1], [0.41, 0, -1], [0, 0.31, -1], [0, 0, 1], [0, 0, -4.1]], float
    )
    assert _view().touches(points, 0.0).tolist() == [True, True, False, False, False, False]


def test_too_fine_a_lattice_is_refused_with_its_cells() -> None:
    with pytest.raises(PhysicsError, match="cells") as caught:
        cells_in_view(_view(), 0.005)
    assert caught.value.code == "E-PHYSICS-CELLS"


def test_even_field_has_the_stated_number_and_no_cell_grid() -> None:
    view = ViewVolume(np.zeros(3), np.eye(3), (-0.6, 0.6, -0.6, 0.6), 4.0)
    found = particles_in_view(1, "count", SIZES, EVEN, view, LIMITS)
    # Volume of the pyramid within the sphere, by an independent count of random points.
    points = np.random.default_rng(0).uniform(-4.0, 4.0, (400_000, 3))
    volume = view.touches(points, 0.0).mean() * 512.0
    assert len(found) == pytest.approx(3000.0 * volume, rel=0.03)
    cell = CELL_DIAMETERS * SIZES.largest_m
    place = np.mod(found.home_m / cell, 1.0)
    for axis in range(3):
        counts = np.bincount((place[:, axis] * 20).astype(int), minlength=20)
        # Only the view's own edges may tell: within 8 % of even.
        assert np.abs(counts / counts.mean() - 1.0).max() < 0.08


def test_patchiness_has_mean_one_and_the_stated_variation() -> None:
    points = np.random.default_rng(1).uniform(-200.0, 200.0, (200_000, 3))
    ratio = PATCHY.ratio(points)
    # Clipping the densest clumps takes a little off both.
    assert ratio.mean() == pytest.approx(1.0, abs=0.03)
    assert 0.6 < ratio.std() < 0.85


def test_patchiness_has_the_stated_scale() -> None:
    points = np.random.default_rng(1).uniform(-200.0, 200.0, (50_000, 3))
    near, far = points + np.array([0.05, 0, 0]), points + np.array([0.35, 0, 0])
    ratio = PATCHY.ratio(points)
    assert np.corrcoef(ratio, PATCHY.ratio(near))[0, 1] > 0.9
    assert np.corrcoef(ratio, PATCHY.ratio(far))[0, 1] < 0.5


def test_patchiness_stays_below_its_bound_within_a_cell() -> None:
    rng = np.random.default_rng(2)
    centre = rng.uniform(-50.0, 50.0, (2000, 3))
    direction = rng.normal(size=(2000, 3))
    inside = centre + 0.2 * direction / np.linalg.norm(direction, axis=1, keepdims=True)
    assert (PATCHY.ratio(inside) <= PATCHY.bound_within(centre, 0.2) * (1 + 1e-5)).all()


def test_patchy_field_follows_its_density() -> None:
    found = particles_in_view(1, "snow", SIZES, PATCHY, _view(), LIMITS)
    # Particles weighted towards dense places: the mean ratio at particles is E[r^2]/E[r] over the view.
    points = np.random.default_rng(0).uniform(-4.0, 4.0, (400_000, 3))
    ratio = PATCHY.ratio(points[_view().touches(points, 0.0)])
    assert PATCHY.ratio(found.home_m).mean() == pytest.approx((ratio**2).mean() / ratio.mean(), rel=0.04)


@pytest.mark.parametrize("patches", [EVEN, PATCHY])
def test_a_field_thins_out_without_moving_or_popping(patches: Patchiness) -> None:
    shares = np.linspace(0.0, 1.0, 41)
    found = [
        particles_in_view(1, "snow", SIZES, patches, _view(), LIMITS, thinned_to=float(share))
        for share in shares
    ]
    total = np.array([particles.presence.sum() for particles in found])
    assert total / total[-1] == pytest.approx(shares, abs=0.02)
    before: dict[tuple[float, ...], float] = {}
    steps = []
    for particles in found:
        now = dict(zip(map(tuple, particles.home_m.tolist()), particles.presence.tolist(), strict=True))
        assert before.keys() <= now.keys()
        steps.append(max(now[home] - before.get(home, 0.0) for home in now) if now else 0.0)
        before = now
    # At this pace of 1/40 a frame a particle takes some frames to come in, until the field is all but whole.
    assert max(steps[3:38]) < 0.3
    assert (found[-1].presence == 1.0).all()


def test_impossible_patches_are_refused() -> None:
    with pytest.raises(PhysicsError, match="variation of 0"):
        patchiness(1, "x", scale_m=0.0, variation=0.5)


def test_aggregate_keeps_its_area_and_its_size() -> None:
    snow = particles_in_view(5, "snow", SIZES, EVEN, _view(), LIMITS)
    offset, diameter = aggregate_parts(snow, parts=8)
    assert (diameter**2).sum(axis=1) == pytest.approx(snow.diameter_m**2)
    reach = np.sqrt((offset**2).sum(axis=2)).max(axis=1)
    assert (reach <= 0.5 * snow.diameter_m).all()


def test_aggregates_differ_in_shape() -> None:
    snow = particles_in_view(5, "snow", SIZES, EVEN, _view(), LIMITS)
    offset, _ = aggregate_parts(snow)
    spread = np.linalg.svd(offset / snow.diameter_m[:, None, None], compute_uv=False)
    elongation = spread[:, 0] / spread[:, 1]
    assert elongation.std() > 0.3


def test_tumbling_turns_without_deforming() -> None:
    snow = particles_in_view(5, "snow", SIZES, EVEN, _view(), LIMITS)
    offset, _ = aggregate_parts(snow)
    turned = tumble(offset, snow.words, 3.7, turns_per_s=0.1)
    before = np.linalg.norm(offset[:, :1] - offset, axis=2)
    after = np.linalg.norm(turned[:, :1] - turned, axis=2)
    assert after == pytest.approx(before, abs=1e-12)
    assert np.abs(turned - tumble(offset, snow.words, 0.0, turns_per_s=0.1)).max() > 1e-4
