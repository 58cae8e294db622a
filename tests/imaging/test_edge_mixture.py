"""Pixels that mix a near and a far surface are taken apart, measured against a supersampled truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from halocline._typing import F32
from halocline.imaging.depth_edges import Mask
from halocline.imaging.edge_mixture import ToldSurfaces, far_light_of, mixture_planes, separate_surfaces

SAMPLES = 16
SHAPE = (36, 60)
NEAR_M, FAR_M = 2.0, 9.0


@dataclass(frozen=True)
class Rendered:
    """Colour filtered to pixels, depth of each pixel's centre, and the true shares of the far surface."""

    rgb: F32
    range: F32
    far_share: F32
    far_light: F32

    @property
    def alpha(self) -> F32:
        return np.ones(SHAPE, np.float32)

    @property
    def edge(self) -> Mask:
        mixed: Mask = (self.far_share > 0.05) & (self.far_share < 0.95)
        return mixed


def rendered(
    *,
    width: float,
    front: tuple[float, ...] = (0.05, 0.04, 0.03),
    behind: tuple[float, ...] = (0.5, 0.6, 0.4),
) -> Rendered:
    """A slanted band of a stated width in pixels before a wall, a box filter over each pixel."""
    rows, columns = SHAPE
    y, x = (np.indices((rows * SAMPLES, columns * SAMPLES)) + 0.5) / SAMPLES
    hit = np.abs(x - 20.0 - 0.37 * y) * np.cos(np.arctan(0.37)) < width / 2
    near = hit.reshape(rows, SAMPLES, columns, SAMPLES).mean(axis=(1, 3))
    centre = hit[SAMPLES // 2 :: SAMPLES, SAMPLES // 2 :: SAMPLES]
    colours = [np.array(each)[:, None, None] for each in (front, behind)]
    rgb = near * colours[0] + (1 - near) * colours[1]
    light = ((1 - near) * colours[1]).sum(axis=0) / rgb.sum(axis=0)
    distance = np.where(centre, NEAR_M, FAR_M)
    return Rendered(*(np.asarray(each, np.float32) for each in (rgb, distance, 1 - near, light)))


def planes_of(scene: Rendered) -> dict[str, F32]:
    return mixture_planes(scene.rgb, scene.alpha, scene.range)


@pytest.mark.parametrize("width", [1.2, 2.0, 12.0])
def test_shares_of_both_surfaces_are_found_by_colour(width: float) -> None:
    scene = rendered(width=width)
    planes = planes_of(scene)
    # Pixels outside that no sample's depth tells of are beyond reach.
    found = scene.edge & (planes["far_share"] > 0)
    assert found.sum() > 0.7 * scene.edge.sum()
    taken_whole = (scene.range == FAR_M).astype(np.float32)
    for name, true in (("far_share", scene.far_share), ("far_light", scene.far_light)):
        error = np.abs(planes[name] - true)[found].mean()
        assert error < 0.5 * np.abs(taken_whole - true)[found].mean()


@pytest.mark.parametrize("width", [0.3, 0.6])
def test_a_wire_thinner_than_a_pixel_has_the_share_that_its_width_gives_it(width: float) -> None:
    """No pixel shows its own colour: how often pixels' middles meet it tells how wide it is."""
    scene = rendered(width=width)
    planes = planes_of(scene)
    found = planes["far_share"] > 0
    error = (planes["far_share"] - scene.far_share)[found]
    # Measured: .03 and .02 on average; by the colour of the boldest pixels .20 and .17.
    assert np.abs(error).mean() < 0.05
    assert abs(error.mean()) < 0.04


def test_both_ranges_are_those_of_the_surfaces() -> None:
    planes = planes_of(rendered(width=6.0))
    mixed = planes["far_share"] > 0
    np.testing.assert_allclose(planes["range"][mixed], NEAR_M, rtol=1e-5)
    np.testing.assert_allclose(planes["far_range"][mixed], FAR_M, rtol=1e-5)


def test_of_one_colour_the_share_is_that_of_the_pixels_around() -> None:
    grey = (0.3, 0.3, 0.3)
    scene = rendered(width=12.0, front=grey, behind=grey)
    planes = planes_of(scene)
    found = planes["far_share"] > 0
    assert np.abs(planes["far_share"] - scene.far_share)[found].mean() < 0.15


def test_pixels_off_the_step_are_untouched_and_nothing_is_written_over() -> None:
    scene = rendered(width=12.0)
    before = scene.range.copy()
    planes = planes_of(scene)
    np.testing.assert_array_equal(scene.range, before)
    whole = planes["far_share"] == 0
    np.testing.assert_array_equal(planes["range"][whole], before[whole])


def test_a_slope_is_one_surface() -> None:
    slope = np.repeat(np.geomspace(2.0, 20.0, SHAPE[1], dtype=np.float32)[None], SHAPE[0], axis=0)
    rgb = np.random.default_rng(3).random((3, *SHAPE), np.float32)
    assert mixture_planes(rgb, np.ones(SHAPE, np.float32), slope) == {}


def test_open_water_is_no_second_surface() -> None:
    scene = rendered(width=4.0)
    distance = np.where(scene.range == FAR_M, np.float32(np.inf), scene.range)
    alpha = np.float32(1.0) - scene.far_share
    assert mixture_planes(scene.rgb * alpha, alpha, distance) == {}


def test_a_pixel_depends_on_its_own_neighbourhood_alone() -> None:
    scene = rendered(width=2.0)
    whole = planes_of(scene)
    rows = slice(8, 24)
    part = mixture_planes(scene.rgb[:, rows].copy(), scene.alpha[rows], scene.range[rows].copy())
    for name, plane in part.items():
        np.testing.assert_array_equal(plane[4:-4], whole[name][rows][4:-4])


def test_black_surfaces_give_no_nan() -> None:
    scene = rendered(width=2.0)
    found = separate_surfaces(scene.rgb * 0, scene.alpha, scene.range)
    for values in (found.near, found.far, found.far_share, found.far_light):
        assert np.isfinite(values).all()


def test_share_of_light_where_depth_has_told_the_share_of_area() -> None:
    scene = rendered(width=3.0)
    edge = scene.edge
    near = np.where(edge | (scene.range == NEAR_M), np.float32(NEAR_M), np.float32(FAR_M))
    far_m, far_share = np.full(SHAPE, FAR_M, np.float32), np.where(edge, scene.far_share, np.float32(0))
    light = far_light_of(scene.rgb, near, far_m, far_share)
    assert np.abs(light - scene.far_light)[edge].max() < 0.01


@pytest.mark.parametrize("width", [0.3, 1.2, 12.0])
@pytest.mark.parametrize("colour", [(0.05, 0.04, 0.03), (0.5, 0.6, 0.4)], ids=["dark", "as behind"])
def test_shares_and_depths_that_a_render_tells_are_taken_as_they_are(
    width: float, colour: tuple[float, ...]
) -> None:
    scene = rendered(width=width, front=colour)
    near = scene.far_share < 1.0
    # The nearest surface's share and depth of each pixel, and the farthest's: all the render knows.
    told = ToldSurfaces(
        np.where(scene.far_share > 0.0, np.float32(FAR_M), np.float32(NEAR_M)),
        np.where(near, np.float32(1.0) - scene.far_share, np.float32(1.0)),
    )
    planes = mixture_planes(
        scene.rgb, scene.alpha, np.where(near, np.float32(NEAR_M), np.float32(FAR_M)), told
    )
    seen = scene.edge
    np.testing.assert_allclose(planes["far_share"][seen], scene.far_share[seen], atol=1e-6)
    np.testing.assert_allclose(planes["far_light"][seen], scene.far_light[seen], atol=1e-4)
    np.testing.assert_allclose(planes["range"][seen], NEAR_M, rtol=1e-6)
    np.testing.assert_allclose(planes["far_range"][seen], FAR_M, rtol=1e-6)
    whole = (scene.far_share == 0.0) | (scene.far_share == 1.0)
    assert not planes["far_share"][whole].any()


def test_a_pixel_of_which_the_nearer_surface_takes_next_to_nothing_shows_the_farther() -> None:
    """Its range is that of all but a sample or two: at the nearer one's it would shine through the water."""
    scene = rendered(width=0.5)
    near = scene.far_share < 1.0
    told = ToldSurfaces(np.full(SHAPE, FAR_M, np.float32), np.float32(1.0) - scene.far_share)
    nearest = np.where(near, np.float32(NEAR_M), np.float32(FAR_M))
    planes = mixture_planes(scene.rgb, scene.alpha, nearest, told)
    faint = near & (scene.far_share > 0.98)
    assert faint.any()
    np.testing.assert_allclose(planes["range"][faint], FAR_M, rtol=1e-6)
    assert not planes["far_share"][faint].any()
    assert not planes["far_light"][faint].any()


def test_shares_alone_are_exact_where_depth_shows_the_step() -> None:
    """The depth pass is one sample in the middle, on the near surface or on the far one."""
    scene = rendered(width=6.0)
    share = np.where(scene.far_share < 1.0, np.float32(1.0) - scene.far_share, np.float32(1.0))
    planes = mixture_planes(scene.rgb, scene.alpha, scene.range, ToldSurfaces(None, share))
    found = planes["far_share"] > 0.0
    assert found.sum() > 0.7 * scene.edge.sum()
    np.testing.assert_allclose(planes["far_share"][found], scene.far_share[found], atol=1e-6)
    np.testing.assert_allclose(planes["far_light"][found], scene.far_light[found], atol=1e-4)
    np.testing.assert_allclose(planes["range"][found], NEAR_M, rtol=1e-5)


def test_the_farther_depth_alone_finds_wires_that_no_sample_beside_tells_of() -> None:
    """Where a wire is met by every pixel's nearest sample, none around shows the wall by itself in depth."""
    scene = rendered(width=1.2)
    near = np.where(scene.far_share < 1.0, np.float32(NEAR_M), np.float32(FAR_M))
    far = np.where(scene.far_share > 0.0, np.float32(2.0 * FAR_M), near)
    planes = mixture_planes(scene.rgb, scene.alpha, near, ToldSurfaces(far))
    np.testing.assert_allclose(planes["far_range"][scene.edge], 2.0 * FAR_M, rtol=1e-6)


def test_passes_that_cannot_be_what_they_are_given_for_are_doubted() -> None:
    scene = rendered(width=6.0)
    near, far = (np.full(SHAPE, metres, np.float32) for metres in (NEAR_M, FAR_M))
    assert ToldSurfaces(far, None).doubts(scene.alpha, near) == []
    (told,) = ToldSurfaces(near, None).doubts(scene.alpha, far)
    assert "input.far_depth_channel" in told
    (told,) = ToldSurfaces(None, np.full(SHAPE, np.float32(0.5))).doubts(scene.alpha, near)
    assert "input.near_coverage_channel" in told


def test_where_no_farther_surface_is_told_a_pixel_shows_one_whatever_its_share() -> None:
    """A pixel of ground beside a stalk: its share of two depths of the ground is not one of the stalk."""
    scene = rendered(width=6.0)
    told = ToldSurfaces(scene.range.copy(), np.full(SHAPE, 0.5, np.float32))
    assert mixture_planes(scene.rgb, scene.alpha, scene.range, told) == {}
    assert any("input.near_coverage_channel" in doubt for doubt in told.doubts(scene.alpha, scene.range))


def test_a_plane_goes_on_to_the_share_of_the_pixel_that_it_takes() -> None:
    """One over the range of ground runs straight, to the middle of what a crest leaves of it."""
    rows = np.arange(24)
    far, near = 0.08 + 0.003 * rows, 0.2 + 0.006 * (rows - 12)
    inverse = np.where(rows >= 12, near, far)[:, None] + np.zeros(SHAPE[1])
    light = np.where(rows == 12, 0.3 * 0.6 + 0.7 * 0.1, np.where(rows > 12, 0.1, 0.6))
    rgb = np.stack([light[:, None] + np.zeros(SHAPE[1])] * 3).astype(np.float32)
    range_m = (1.0 / inverse).astype(np.float32)
    planes = mixture_planes(rgb, np.ones_like(range_m), range_m)
    share = planes["far_share"][12]
    np.testing.assert_allclose(share, 0.3, atol=0.02)
    np.testing.assert_allclose(1.0 / planes["far_range"][12], 0.08 + 0.003 * (11.5 + 0.5 * share), rtol=1e-4)


def test_a_pixel_whose_middle_meets_a_wire_that_its_colour_hardly_shows_is_mostly_what_is_behind() -> None:
    scene = rendered(width=0.6)
    row, column = (int(place[8]) for place in np.nonzero(scene.range == NEAR_M))
    scene.rgb[:, row, column] = scene.rgb[:, 0, -1]
    planes = planes_of(scene)
    assert planes["far_share"][row, column] > 0.9
    assert planes["far_range"][row, column] == pytest.approx(FAR_M, rel=1e-5)


def test_a_told_farther_surface_that_no_pixel_shows_in_depth_gives_light_by_its_area() -> None:
    """Each pixel's nearest sample is a grating's: depth shows the wall behind in none, and it is in all."""
    flat = np.full(SHAPE, 0.4, np.float32)
    told = ToldSurfaces(np.full(SHAPE, FAR_M, np.float32), np.full(SHAPE, 0.25, np.float32))
    planes = mixture_planes(
        np.stack([flat] * 3), np.ones_like(flat), np.full(SHAPE, NEAR_M, np.float32), told
    )
    np.testing.assert_allclose(planes["far_share"], 0.75)
    np.testing.assert_allclose(planes["far_light"], 0.75, rtol=1e-6)
    # Shares by place, where the render does not tell them, give light by area as well.
    planes = mixture_planes(
        np.stack([flat] * 3),
        np.ones_like(flat),
        np.full(SHAPE, NEAR_M, np.float32),
        ToldSurfaces(told.far_range, None),
    )
    for name in ("far_share", "far_light"):
        assert not planes.get(name, np.zeros(1)).any()
