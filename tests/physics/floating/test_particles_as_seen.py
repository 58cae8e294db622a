"""Clumps and cards: the same light however large they are drawn; and how many are drawn."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from tests.conftest import Builders

from halocline.filters.lens_blur import ThinLens
from halocline.filters.splat import Area, Drawing, Sprites, Surface, Textures
from halocline.imaging.frame import Window
from halocline.physics.floating.exposure import Exposure
from halocline.physics.floating.field import Particles, patchiness
from halocline.physics.floating.particles import DrawLimits, PowerLaw
from halocline.physics.floating.particles_as_seen import Pictured, Scene, Shown, as_cards, glints, seen
from halocline.physics.floating.shapes import shapes, side_of
from halocline.physics.floating.suspended import Cloud, Motion, ParticleClass, affordable, visible

WINDOW = Window(0, 0, 96, 64)
AREA = Area(0, 64, 0, 96)
LIMITS = DrawLimits(farthest_m=6.0, smallest_angle_rad=1e-4)
SHARP = ThinLens(0.025, 1000.0, 2.0, 96 / 0.036)


def _exposure(build: Builders, lens: ThinLens = SHARP) -> Exposure:
    camera = build.camera(WINDOW)
    return Exposure(camera, camera, camera, (1.0, 1.0, 1.0), lens, AREA)


def _kind(build: Builders, **changes: Any) -> ParticleClass:
    count = build.path().bands.count
    given: dict[str, Any] = {
        "name": "snow",
        "sizes": PowerLaw(5e3, 4.0, 1e-3, 8e-3),
        "patches": patchiness(1, "even", scale_m=1.0, variation=0.0),
        "sinking_m_s": (1e-3,) * 6,
        "opacity": 0.3,
        "albedo": np.full(count, 0.9),
        "asymmetry": 0.5,
    }
    return ParticleClass(**{**given, **changes})


def _one(diameter_m: float, range_m: float = 1.5) -> Cloud:
    place = np.array([[0.02, -0.03, -range_m]])
    words = np.array([[123], [456], [789]], np.uint32)
    return Cloud(Particles(place, np.array([diameter_m]), words, np.ones(1)), place, place, place)


def _covered(found: Any) -> float:
    open_water = Surface(np.full((64, 96), np.inf, np.float32))
    total = 0.0
    for discs in found.discs:
        total += float(Drawing(AREA, discs).draw((0, 64), open_water).alpha.sum())
    for sprites in found.sprites:
        total += float(Drawing(AREA, None, sprites).draw((0, 64), open_water).alpha.sum())
    return total


def test_a_clump_covers_what_a_disc_of_its_size_does(build: Builders) -> None:
    scene = Scene(build.path())
    for diameter in (0.02, 0.08, 0.3):
        found = [
            _covered(seen(_one(diameter), _kind(build, irregular=irregular), LIMITS, _exposure(build), scene))
            for irregular in (False, True)
        ]
        # Lumps overlap: what one hides of another is lost.
        assert 0.7 * found[0] < found[1] <= 1.01 * found[0]


def test_a_clump_melts_into_one_disc_as_it_goes_out_of_focus(build: Builders) -> None:
    # A clump that is 4 pixels wide; blurs up to a radius of 18.
    numbers, covered = [], []
    for f_number in (1000.0, *np.geomspace(8.0, 0.35, 30)):
        exposure = _exposure(build, ThinLens(0.025, f_number, 1.0, 6e4))
        clump = _one(4.01 * 1.5 / exposure.px_per_radian)
        found = seen(clump, _kind(build, irregular=True), LIMITS, exposure, Scene(build.path()))
        numbers.append(sum(len(discs) for discs in found.discs))
        covered.append(_covered(found))
    # Nine lumps, then these and a disc, then a disc.
    assert numbers[0] == 9
    assert 10 in numbers
    assert numbers[-1] == 1
    assert max(abs(after / before - 1.0) for before, after in pairwise(covered[1:])) < 0.05


def _disc_card(bands: int) -> Textures:
    grid = (np.arange(64) + 0.5) / 32 - 1
    inside = (np.hypot(*np.meshgrid(grid, grid)) < 0.99).astype(np.float32)
    return Textures.of(np.repeat(inside[None, :, :, None], bands + 1, axis=3))


@pytest.mark.parametrize("lens", [SHARP, ThinLens(0.025, 1.4, 2.0, 96 / 0.036)])
def test_a_card_fades_into_a_disc_without_a_jump_of_light(build: Builders, lens: ThinLens) -> None:
    exposure = _exposure(build, lens)
    covered = []
    for diameter in np.geomspace(0.03, 0.5, 24):
        size = diameter * exposure.px_per_radian / 1.2
        place = np.array([[0.0, 0.0, -1.2]])
        shown = Shown(
            place,
            place,
            place,
            np.array([diameter]),
            np.array([1.2]),
            np.array([0.5]),
            np.ones((1, 1)),
            np.zeros((1, 1)),
        )
        axes = 0.5 * size * np.eye(2)[None]
        found = as_cards(Pictured.of(shown, exposure), axes, np.zeros(1, np.int64), _disc_card(1), exposure)
        covered.append(_covered(found) / (np.pi / 4 * size**2 * 0.5))
    assert np.array(covered) == pytest.approx(np.ones(24), abs=0.08)


def test_no_more_than_can_be_afforded_are_in_view(build: Builders) -> None:
    exposure = _exposure(build)
    dense = _kind(build, sizes=PowerLaw(2e6, 4.0, 1e-3, 8e-3))
    limits = affordable([dense], LIMITS, exposure.solid_angle, 4000)
    found = sum(
        len(visible(dense, index, 1, Motion(), limits, exposure, build.up))
        for index in range(len(dense.slices))
    )
    assert 1000 < found < 12_000
    assert affordable([_kind(build)], LIMITS, exposure.solid_angle, 10**9) == LIMITS


def test_particles_keep_their_nature_as_they_drift(build: Builders) -> None:
    kind = _kind(build)
    exposure = _exposure(build)
    later = replace(exposure, times_s=(1.5, 1.5, 1.5))
    first, second = (visible(kind, 1, 1, Motion(), LIMITS, moment, build.up) for moment in (exposure, later))
    at_home = {tuple(home): place for home, place in zip(first.particles.home_m, first.middle_m, strict=True)}
    both = [
        (at_home[tuple(home)], place)
        for home, place in zip(second.particles.home_m, second.middle_m, strict=True)
        if tuple(home) in at_home
    ]
    moved = np.array([after - before for before, after in both])
    assert len(both) > 0.9 * len(first)
    # All sink by half a second's way.
    assert moved == pytest.approx(np.broadcast_to([0.0, -0.5e-3, 0.0], moved.shape), abs=1e-9)


def test_nothing_pops_as_the_camera_creeps_forward(build: Builders) -> None:
    # From frame to frame by 2 mm: how much of a particle is drawn may not jump.
    kind = _kind(build, sizes=PowerLaw(2e4, 4.0, 1e-3, 8e-3))
    limits = DrawLimits(farthest_m=2.0, smallest_angle_rad=9e-4, aperture_m=0.01, focus_m=1.5)
    exposures = []
    for step in range(8):
        camera = replace(build.camera(WINDOW), position_m=np.array([0.0, 0.0, -0.002 * step]))
        exposures.append(Exposure(camera, camera, camera, (1.0, 1.0, 1.0), SHARP, AREA))
    compared = 0
    for before, after in pairwise(_shares(build, kind, limits, exposure) for exposure in exposures):
        for home in before.keys() | after.keys():
            # Well inside both pictures: what leaves at the edge may go.
            if abs(home[0] / home[2]) > 0.6 or abs(home[1] / home[2]) > 0.4:
                continue
            assert abs(before.get(home, 0.0) - after.get(home, 0.0)) < 0.05
            compared += 1
    assert compared > 500


def _shares(
    build: Builders, kind: ParticleClass, limits: DrawLimits, exposure: Exposure
) -> dict[tuple[float, ...], float]:
    """Return how much of each particle is drawn, by its home."""
    shares: dict[tuple[float, ...], float] = {}
    for index in range(len(kind.slices)):
        cloud = visible(kind, index, 1, Motion(), limits, exposure, build.up)
        distance = np.linalg.norm(cloud.middle_m - exposure.middle.position_m, axis=1)
        drawn = limits.share(cloud.particles.diameter_m, distance)
        shares.update(zip(map(tuple, cloud.particles.home_m.tolist()), drawn.tolist(), strict=True))
    return shares


def test_sprites_join_into_one_list() -> None:
    bands = 1
    one = Sprites(
        np.zeros((2, 2)), np.zeros((2, 2)), np.stack([np.eye(2)] * 2), np.zeros(2), np.array([0, 0]),
        np.ones(2), np.ones((2, bands)), np.zeros((2, bands)), np.ones(2), np.ones(2), _disc_card(bands),
    )  # fmt: skip
    both = Sprites.joined([one, replace(one, textures=_disc_card(bands)), one])
    # What two parts share is kept once.
    assert both.texture.tolist() == [0, 0, 1, 1, 0, 0]
    assert both.textures.count == 2


def test_glints_keep_the_mean_light_and_come_once_a_turn(build: Builders) -> None:
    kind = _kind(build, glints=0.7, turns_per_s=0.5)
    shares = np.random.default_rng(4).uniform(size=(3, 40_000))
    now, later = (glints(shares, kind, at) for at in (10.0, 10.3))
    assert now.mean() == pytest.approx(1.0, rel=0.02)
    assert later.mean() == pytest.approx(1.0, rel=0.02)
    assert now.min() >= 0.3
    assert now.max() > 5.0
    # They twinkle: other ones shine a moment later.
    assert abs(np.corrcoef(now, later)[0, 1]) < 0.2
    assert (glints(shares, replace(kind, glints=0.0), 3.0) == 1.0).all()


def test_shapes_melt_into_discs_and_streaks_without_a_jump_of_light(build: Builders) -> None:
    """A flake that comes nearer, and one that is ever more smeared, keeps its light to a percent or two.

    It is still and square to the lens here, so that nothing but the way it is drawn changes.
    """
    exposure = _exposure(build)
    cards = shapes("flake", 1)
    covered = []
    for diameter, way_px in [(d, 0.0) for d in np.geomspace(0.02, 0.3, 12)] + [
        (0.15, w) for w in np.linspace(0.0, 60.0, 9)
    ]:
        size = diameter * exposure.px_per_radian / 1.2
        place, half = np.array([[0.0, 0.0, -1.2]]), np.array([[0.5 * way_px, 0.0, 0.0]])
        half *= 1.2 / exposure.px_per_radian
        one = np.ones(1)
        shown = Shown(
            place - half, place, place + half, diameter * one, 1.2 * one, 0.05 * one, one[None], one[None]
        )
        axes = 0.5 * side_of("flake") * size * np.eye(2)[None]
        found = as_cards(Pictured.of(shown, exposure), axes, np.zeros(1, np.int64), cards, exposure)
        covered.append(_covered(found) / (np.pi / 4 * size**2 * 0.05))
    # What this one of the pictures covers, of their mean.
    own = float(cards.stacks[0][-1][0, 0, 0, -1] / cards.stacks[0][-1][..., -1].mean())
    assert np.array(covered) == pytest.approx(np.full(len(covered), own), rel=0.02)
