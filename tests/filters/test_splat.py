"""Drawing: energy, order, hiding, and the same bits for any tile."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from halocline._typing import F32, F64
from halocline.filters import splat
from halocline.filters.lens_blur import footprint
from halocline.filters.splat import Area, Discs, Drawing, Sprites, Surface, Textures

ROWS, COLUMNS = 60, 80
AREA = Area(0, ROWS, 0, COLUMNS)
OPEN = Surface(np.full((ROWS, COLUMNS), np.inf, np.float32))


def _discs(
    count: int,
    *,
    thing: float = 0.3,
    blur: float = 0.0,
    streak: float = 0.0,
    seed: int = 1,
    opacity: float = 0.01,
) -> Discs:
    rng = np.random.default_rng(seed)
    start = rng.uniform([24, 24], [COLUMNS - 24, ROWS - 24], (count, 2))
    angle = rng.uniform(0, 2 * math.pi, count)
    end = start + streak * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    radius, softness = footprint(np.full(count, thing), np.full(count, blur))
    return Discs(
        start,
        end,
        radius,
        softness,
        np.full(count, opacity * math.pi * thing**2),
        rng.uniform(0.2, 2.0, (count, 3)),
        rng.uniform(0.5, 9.0, count),
        np.full(count, 1e-3),
    )


def _picture(discs: Discs | None, surface: Surface = OPEN, sprites: Sprites | None = None) -> tuple[F32, F32]:
    layer = Drawing(AREA, discs, sprites).draw((0, ROWS), surface)
    return layer.light, layer.alpha


def _laid_over(drawing: Drawing, first_row: int, surface: Surface, picture: F32) -> F32:
    out = picture.copy()
    drawing.lay_over(first_row, surface, out)
    return out


@pytest.mark.parametrize("thing", [0.05, 0.4, 1.5, 6.0])
@pytest.mark.parametrize(("blur", "streak"), [(0.0, 0.0), (3.0, 0.0), (15.0, 0.0), (0.5, 12.0), (4.0, 9.0)])
def test_a_disc_covers_its_area_however_blurred_or_smeared(thing: float, blur: float, streak: float) -> None:
    disc = _discs(1, thing=thing, blur=blur, streak=streak, opacity=0.5)
    _, alpha = _picture(disc)
    # Sums over pixels are exact to float32; larger discs are normalised by their area, to 1e-3.
    assert alpha.sum() == pytest.approx(disc.covered_px[0], rel=1e-3)


@pytest.mark.parametrize("blades", [5, 6])
@pytest.mark.parametrize("streak", [0.0, 8.0])
def test_iris_shape_keeps_the_energy(blades: int, streak: float) -> None:
    disc = replace(_discs(1, thing=0.5, blur=11.0, streak=streak), blades=blades, blade_angle_rad=0.2)
    _, alpha = _picture(disc)
    assert alpha.sum() == pytest.approx(disc.covered_px[0], rel=4e-3)


def test_cats_eye_keeps_the_energy_and_narrows_the_disc() -> None:
    disc = replace(_discs(1, thing=0.5, blur=11.0), squeeze_px=np.array([[9.0, 0.0]]))
    _, alpha = _picture(disc)
    assert alpha.sum() == pytest.approx(disc.covered_px[0], rel=1e-3)
    wide, high = (alpha.sum(axis=axis) > 1e-6 for axis in (0, 1))
    assert wide.sum() < 0.75 * high.sum()


def test_a_cats_eye_wider_than_a_hundred_pixels_keeps_the_energy() -> None:
    area, place = Area(0, 180, 0, 200), np.array([[100.0, 90.0]])
    disc = replace(
        _discs(1, thing=1.0, blur=60.0), start_px=place, end_px=place, squeeze_px=np.array([[30.0, 9.0]])
    )
    open_water = Surface(np.full((180, 200), np.inf, np.float32))
    alpha = Drawing(area, disc).draw((0, 180), open_water).alpha
    assert alpha.sum(dtype=np.float64) == pytest.approx(disc.covered_px[0], rel=1e-5)


def test_moving_subpixel_point_keeps_its_flux_and_does_not_twinkle() -> None:
    sums, peaks = [], []
    for share in np.linspace(0.0, 1.0, 21):
        disc = _discs(1, thing=0.2, opacity=1.0)
        place = np.array([[40.0 + share, 30.0 + 0.4 * share]])
        _, alpha = _picture(replace(disc, start_px=place, end_px=place))
        sums.append(float(alpha.sum()))
        peaks.append(float(alpha.max()))
    assert max(sums) / min(sums) < 1.0 + 1e-5
    assert max(peaks) / min(peaks) < 1.5


def test_a_streak_is_even_along_its_way() -> None:
    disc = replace(_discs(1, thing=0.3), start_px=np.array([[20.0, 30.5]]), end_px=np.array([[60.0, 30.5]]))
    _, alpha = _picture(disc)
    along = alpha.sum(axis=0)[24:56]
    assert along == pytest.approx(np.full(32, along.mean()), rel=1e-3)


@pytest.mark.parametrize(("thing", "blur", "streak"), [(5.0, 0.0, 30.0), (3.0, 0.5, 12.0), (0.4, 4.0, 24.0)])
def test_a_streak_is_the_mean_over_its_way(thing: float, blur: float, streak: float) -> None:
    """Brightest along its axis, with long soft ends, as many still discs along it add up; no even pill."""
    place, way = np.array([[28.3, 31.2]]), np.array([[streak, 0.3 * streak]])
    smeared = replace(_discs(1, thing=thing, blur=blur, opacity=1e-3), start_px=place, end_px=place + way)
    _, drawn = _picture(smeared)
    stills = []
    for share in (np.arange(200) + 0.5) / 200:
        there = place + share * way
        stills.append(_picture(replace(smeared, start_px=there, end_px=there))[1])
    truth = np.mean(stills, axis=0)
    # Two hard edges for a soft one: 0.05 to 0.07 of the brightest; a soft capsule is off by 0.4 to 0.5.
    assert np.abs(drawn - truth).max() < 0.09 * truth.max()
    assert np.abs(drawn - truth).sum() < 0.05 * truth.sum()


def test_sharp_things_have_no_sides_of_the_iris() -> None:
    """Only what the blur makes is an image of the iris."""
    near = replace(_discs(1, thing=9.0), blades=7)
    assert near.sided.tolist() == [True]
    sharp = replace(near, blurred=np.zeros(1, np.bool_))
    assert sharp.sided.tolist() == [False]
    assert (_picture(sharp)[1] == _picture(replace(sharp, blades=0))[1]).all()


def test_a_streak_turned_by_right_angles_is_the_same_picture_turned() -> None:
    across = replace(_discs(1), start_px=np.array([[20.2, 30.7]]), end_px=np.array([[31.4, 33.1]]))
    down = replace(across, start_px=across.start_px[:, ::-1], end_px=across.end_px[:, ::-1])
    first, second = _picture(across)[1], _picture(down)[1]
    assert pytest.approx(first[:ROWS, :ROWS], abs=1e-7) == second[:ROWS, :ROWS].T


def test_nothing_drawn_leaves_the_picture_equal_to_the_bit() -> None:
    picture = np.random.default_rng(0).uniform(0, 4, (4, ROWS, COLUMNS)).astype(np.float32)
    for discs in (None, _discs(0)):
        drawing = Drawing(AREA, discs)
        assert not drawing.draw((0, ROWS), OPEN).alpha.any()
        assert (_laid_over(drawing, 0, OPEN, picture) == picture).all()


def test_untouched_pixels_are_equal_to_the_bit() -> None:
    picture = np.random.default_rng(0).uniform(0, 4, (4, ROWS, COLUMNS)).astype(np.float32)
    drawing = Drawing(AREA, _discs(3))
    out = _laid_over(drawing, 0, OPEN, picture)
    untouched = drawing.draw((0, ROWS), OPEN).alpha == 0
    assert 0.5 < untouched.mean() < 1.0
    assert (out[:, untouched] == picture[:, untouched]).all()


def test_a_picture_with_things_over_it_is_the_layer_composited() -> None:
    picture = np.random.default_rng(0).uniform(0, 1, (4, ROWS, COLUMNS)).astype(np.float32)
    drawing = Drawing(AREA, _crowd(), _sprites(40))
    layer = drawing.draw((0, ROWS), OPEN)
    expected = picture * (1.0 - layer.alpha) + np.concatenate([layer.light, layer.alpha[None]])
    assert _laid_over(drawing, 0, OPEN, picture) == pytest.approx(expected, abs=1e-5)


def test_whole_coverage_stays_whole_to_the_bit() -> None:
    picture = np.ones((4, ROWS, COLUMNS), np.float32)
    assert (_laid_over(Drawing(AREA, _crowd(), _sprites(40)), 0, OPEN, picture)[-1] == 1.0).all()


def _crowd() -> Discs:
    parts = [
        _discs(400, thing=0.3, seed=1, opacity=0.8),
        _discs(60, thing=2.0, blur=6.0, seed=2, opacity=0.8),
        _discs(200, thing=0.6, streak=9.0, seed=3, opacity=0.8),
    ]
    return replace(Discs.joined(parts), blades=6)


def _textures(size: int = 16) -> Textures:
    grid = (np.arange(size) + 0.5) / size * 2 - 1
    x, y = np.meshgrid(grid, grid)
    alpha = ((np.abs(x) < 0.8) & (np.abs(y) < 0.5)).astype(float)
    return Textures.of(
        np.stack([alpha * (1 + x), alpha, alpha * 0.5, alpha], axis=2)[None].astype(np.float32)
    )


def _sprites(count: int, *, size: float = 6.0, streak: float = 0.0, blur: float = 0.0) -> Sprites:
    rng = np.random.default_rng(5)
    start = rng.uniform([24, 24], [COLUMNS - 24, ROWS - 24], (count, 2))
    angle = rng.uniform(0, 2 * math.pi, count)
    right = size * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    down = size * np.stack([-np.sin(angle), np.cos(angle)], axis=1)
    return Sprites(
        start,
        start + np.array([streak, 0.5 * streak]),
        np.stack([right, down], axis=2),
        np.full(count, blur),
        np.zeros(count, np.int64),
        np.full(count, 0.7),
        np.ones((count, 3)),
        np.zeros((count, 3)),
        rng.uniform(0.5, 9.0, count),
        np.full(count, 1e-2),
        _textures(),
    )


@pytest.mark.parametrize("height", [1, 7, 16, 59])
def test_any_height_of_tiles_gives_the_same_bits(height: int) -> None:
    surface = Surface(
        np.random.default_rng(2).uniform(1, 8, (ROWS, COLUMNS)).astype(np.float32),
        np.random.default_rng(3).uniform(0, 1, (ROWS, COLUMNS)).astype(np.float32),
    )
    picture = np.random.default_rng(0).uniform(0, 4, (4, ROWS, COLUMNS)).astype(np.float32)
    drawing = Drawing(AREA, _crowd(), _sprites(40, streak=5.0))
    whole = _laid_over(drawing, 0, surface, picture)
    for top in range(0, ROWS, height):
        end = min(ROWS, top + height)
        tile = _laid_over(drawing, top, surface.rows(top, end), picture[:, top:end])
        assert (tile == whole[:, top:end]).all()


@pytest.mark.parametrize("columns", [7, 16, 33])
def test_any_width_of_cells_gives_the_same_bits(columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    picture = np.random.default_rng(0).uniform(0, 4, (4, ROWS, COLUMNS)).astype(np.float32)
    crowd, pictures = _crowd(), replace(_sprites(40, streak=5.0, blur=2.0), bend_px=np.full((40, 2), 3.0))
    whole = _laid_over(Drawing(AREA, crowd, pictures), 0, OPEN, picture)
    monkeypatch.setattr(splat, "CELL_COLUMNS", columns)
    assert (_laid_over(Drawing(AREA, crowd, pictures), 0, OPEN, picture) == whole).all()
    assert (whole != picture).any()


@pytest.mark.parametrize(("streak", "blur"), [(0.0, 0.0), (7.0, 2.0)])
def test_grey_pictures_are_the_same_beside_coloured_ones(streak: float, blur: float) -> None:
    sprites = _sprites(40, streak=streak, blur=blur)
    lit = np.random.default_rng(4).uniform(0.0, 2.0, (40, 3))
    alpha = sprites.textures.stacks[0][0][..., 3:]
    grey = Textures.of(np.concatenate([alpha * np.float32(0.7)] * 3 + [alpha], axis=3))
    alone = replace(sprites, light=lit, added=0.3 * lit, textures=grey)
    beside = replace(alone, textures=Textures.joined([grey, sprites.textures]))
    for one, other in zip(_picture(None, sprites=alone), _picture(None, sprites=beside), strict=True):
        assert (one == other).all()
        assert one.any()


def test_order_of_the_list_does_not_matter_where_ranges_differ() -> None:
    crowd = _crowd()
    order = np.random.default_rng(8).permutation(len(crowd))
    first, second = _picture(crowd), _picture(crowd.select(order))
    assert (first[0] == second[0]).all()


def test_near_opaque_disc_hides_the_far_one() -> None:
    both = replace(
        _discs(2, thing=5.0, opacity=1.0),
        start_px=np.full((2, 2), 40.5),
        end_px=np.full((2, 2), 40.5),
        light=np.array([[1.0, 0, 0], [0, 1.0, 0]]),
        range_m=np.array([2.0, 5.0]),
    )
    light, alpha = _picture(both)
    assert alpha[40, 40] == pytest.approx(1.0, abs=0.1)
    assert light[0, 40, 40] > 20.0 * light[1, 40, 40]


def test_two_discs_are_laid_over_as_the_compositing_equation_says() -> None:
    one = replace(
        _discs(1, thing=4.0, opacity=0.6), start_px=np.full((1, 2), 40.5), end_px=np.full((1, 2), 40.5)
    )
    two = Discs.joined([one, one])
    two = replace(two, range_m=np.array([2.0, 5.0]), light=np.array([[1.0, 2, 3], [4.0, 5, 6]]))
    a = _picture(one)[1][40, 40]
    light, alpha = _picture(two)
    assert alpha[40, 40] == pytest.approx(a + a * (1 - a), rel=1e-6)
    assert light[:, 40, 40] == pytest.approx(
        a * np.array([1, 2, 3]) + (1 - a) * a * np.array([4, 5, 6]), rel=1e-6
    )


def test_surface_in_front_hides_and_behind_does_not() -> None:
    disc = replace(_discs(1), range_m=np.array([4.0]))
    for depth, share in ((3.9, 0.0), (4.1, 1.0), (4.0, 0.5)):
        _, alpha = _picture(disc, Surface(np.full((ROWS, COLUMNS), depth, np.float32)))
        assert alpha.sum() == pytest.approx(share * disc.covered_px[0], rel=1e-3, abs=1e-9)


@pytest.mark.parametrize("hidden", [slice(None, 40), slice(40, None)])
def test_a_thing_is_seen_as_far_as_a_nearer_surface_leaves_it(hidden: slice) -> None:
    range_m = np.full((ROWS, COLUMNS), 8.0, np.float32)
    range_m[:, hidden] = 1.0
    place = np.array([[40.0, 30.5]])
    disc = replace(_discs(1, thing=6.0, opacity=1.0), start_px=place, end_px=place, range_m=np.array([4.0]))
    whole = _picture(disc)[1]
    assert (whole[:, hidden] > 0.0).any()
    whole[:, hidden] = 0.0
    assert (_picture(disc, Surface(range_m, np.ones_like(range_m)))[1] == whole).all()


def test_thing_behind_a_half_covered_pixel_shows_in_its_open_half() -> None:
    disc = replace(_discs(1), range_m=np.array([4.0]))
    surface = Surface(np.full((ROWS, COLUMNS), 2.0, np.float32), np.full((ROWS, COLUMNS), 0.25, np.float32))
    _, alpha = _picture(disc, surface)
    assert alpha.sum() == pytest.approx(0.75 * disc.covered_px[0], rel=1e-3)


def test_thing_between_two_surfaces_of_one_pixel_shows_before_the_farther() -> None:
    disc = replace(_discs(1), range_m=np.array([4.0]))
    planes = [np.full((ROWS, COLUMNS), value, np.float32) for value in (2.0, 1.0, 6.0, 0.4)]
    _, alpha = _picture(disc, Surface(planes[0], planes[1], planes[2], planes[3]))
    assert alpha.sum() == pytest.approx(0.4 * disc.covered_px[0], rel=1e-3)


def test_things_are_ordered_as_numpy_sorts_their_ranges_and_equal_ones_stay() -> None:
    ranges = np.random.default_rng(4).uniform(0.0, 60.0, 5000).astype(np.float32)
    ranges[100:200], ranges[1000:1010], ranges[7:9] = ranges[100], np.inf, 0.0
    # Neighbours that differ in the last bit alone.
    ranges[300:400] = np.nextafter(ranges[299], np.float32(99.0))
    found = splat._far_to_near(ranges)
    np.testing.assert_array_equal(found, np.argsort(-ranges, kind="stable"))


def test_layer_range_is_the_mean_of_what_was_drawn() -> None:
    disc = replace(_discs(1, thing=3.0), range_m=np.array([4.0]))
    layer = Drawing(AREA, disc).draw((0, ROWS), OPEN)
    some = layer.alpha > 1e-6
    assert layer.range_m[some] / layer.alpha[some] == pytest.approx(np.full(some.sum(), 4.0), rel=1e-5)


def test_things_half_outside_the_picture_are_cut_not_squeezed() -> None:
    place = np.array([[0.0, 30.5]])
    disc = replace(_discs(1, thing=4.0, opacity=1.0), start_px=place, end_px=place)
    _, alpha = _picture(disc)
    assert alpha.sum() == pytest.approx(0.5 * disc.covered_px[0], rel=0.02)


def test_picture_that_begins_below_zero_is_drawn_in_its_own_coordinates() -> None:
    crowd = _crowd()
    shifted = replace(crowd, start_px=crowd.start_px - [20, 10], end_px=crowd.end_px - [20, 10])
    area = Area(-10, ROWS - 10, -20, COLUMNS - 20)
    first = Drawing(AREA, crowd).draw((0, ROWS), OPEN)
    second = Drawing(area, shifted).draw((-10, ROWS - 10), OPEN)
    assert ((first.alpha > 0) == (second.alpha > 0)).all()
    assert second.light == pytest.approx(first.light, abs=1e-5)


@pytest.mark.parametrize(("streak", "blur"), [(0.0, 0.0), (7.0, 0.0), (0.0, 2.0)])
def test_sprite_covers_its_area_however_turned_smeared_or_softened(streak: float, blur: float) -> None:
    sprites = _sprites(1, size=8.0, streak=streak, blur=blur)
    _, alpha = _picture(None, sprites=sprites)
    texture = sprites.textures.stacks[0][0][0, :, :, 3].mean() * 16.0**2
    assert alpha.sum() == pytest.approx(0.7 * texture, rel=0.04)


@pytest.mark.parametrize("size", [4, 8])
@pytest.mark.parametrize("turn", [0.0, 0.6])
def test_a_picture_that_fills_its_card_covers_all_of_it(size: int, turn: float) -> None:
    cosine, sine = 10.0 * math.cos(turn), 10.0 * math.sin(turn)
    sprite = replace(
        _sprites(1),
        axes_px=np.array([[[cosine, -sine], [sine, cosine]]]),
        textures=Textures.of(np.ones((1, size, size, 4), np.float32)),
    )
    # Between texels it is linear: it fades out over one texel, half of it beyond the card's side.
    assert _picture(None, sprites=sprite)[1].sum() == pytest.approx(0.7 * 20.0**2, rel=0.01)


def test_upright_sprite_shows_its_texture_the_right_way_round() -> None:
    sprites = replace(
        _sprites(1),
        start_px=np.full((1, 2), 40.0),
        end_px=np.full((1, 2), 40.0),
        axes_px=8.0 * np.eye(2)[None],
    )
    light, alpha = _picture(None, sprites=sprites)
    assert light[0, 40, 45] > 2.0 * light[0, 40, 35] > 0.0
    assert alpha[45, 40] == 0.0
    assert alpha[40, 45] > 0.5


def test_light_in_front_of_a_sprite_is_added_where_it_covers() -> None:
    plain, veiled = _sprites(1), replace(_sprites(1), added=np.full((1, 3), 2.0))
    light, alpha = _picture(None, sprites=plain)
    more, same = _picture(None, sprites=veiled)
    assert (same == alpha).all()
    assert more - light == pytest.approx(np.broadcast_to(2.0 * alpha, light.shape), abs=1e-5)


def _mean_position(alpha: F64) -> F64:
    row, column = np.arange(ROWS) + 0.5, np.arange(COLUMNS) + 0.5
    return np.asarray([alpha.sum(axis=0) @ column, alpha.sum(axis=1) @ row]) / float(alpha.sum())


def test_centre_of_what_is_drawn_is_where_it_was_asked_for() -> None:
    for streak in (0.0, 6.0):
        disc = _discs(1, thing=0.4, blur=2.0, streak=streak)
        _, alpha = _picture(disc)
        middle = 0.5 * (disc.start_px[0] + disc.end_px[0])
        assert _mean_position(alpha.astype(float)) == pytest.approx(middle, abs=0.02)
