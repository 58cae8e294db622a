"""Depth of every kind gives one range; edges keep the range of what covers them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from halocline._typing import F32, F64
from halocline.errors import DepthError
from halocline.imaging import depth, depth_edges, edge_mixture, glows
from halocline.imaging.camera import pinhole
from halocline.imaging.depth import DepthKind, DepthPlanes, DepthSpec, range_planes
from halocline.imaging.depth_inference import infer_depth, unit_warnings
from halocline.imaging.edge_mixture import mixture_planes
from halocline.imaging.frame import Window
from halocline.imaging.glows import find_glows

if TYPE_CHECKING:
    from tests.imaging.conftest import Scene


def ranged(scene: Scene, values: F32, spec: DepthSpec, alpha: F32 | None = None) -> DepthPlanes:
    return range_planes(values, alpha, spec=spec, camera=scene.camera, window=scene.window)


def sharp(**changes: object) -> DepthSpec:
    return replace(DepthSpec(kind="planar", edges="sharp"), **changes)  # type: ignore[arg-type]


def passes_of(scene: Scene) -> dict[str, F32]:
    """One scene as every kind of pass, in centimetres, NaN where nothing is hit."""
    planar = scene.planar * np.float32(100)
    return {
        "planar": planar,
        "range": scene.range * np.float32(100),
        "negative_planar": -planar,
        "inverse": 1 / planar,
        "normalised": (planar - 100) / np.float32(5000),
        "position": scene.position * np.float32(100),
    }


@pytest.mark.parametrize("kind", ["planar", "range", "negative_planar", "inverse", "normalised", "position"])
def test_every_kind_of_pass_gives_the_same_range(scene: Scene, kind: str) -> None:
    spec = sharp(kind=kind, unit_m=0.01, near=100.0, far=5100.0)
    found = ranged(scene, passes_of(scene)[kind], spec)
    expected = np.where(np.isnan(scene.planar), np.inf, scene.range)
    np.testing.assert_allclose(found.range, expected, rtol=2e-5)
    assert found.range.dtype == np.float32
    assert found.far_range is None


@pytest.mark.parametrize("nothing", [np.inf, -np.inf, np.nan, 0.0, 1e10, 3.4e38])
def test_every_usual_background_value_is_open_water(scene: Scene, nothing: float) -> None:
    values = np.where(np.isnan(scene.planar), np.float32(nothing), scene.planar)
    found = ranged(scene, values, sharp()).range
    np.testing.assert_array_equal(np.isinf(found), np.isnan(scene.planar))


def test_a_stated_background_value_and_alpha_zero_are_open_water(scene: Scene) -> None:
    values = np.where(np.isnan(scene.planar), np.float32(77), scene.planar)
    assert not np.isinf(ranged(scene, values, sharp()).range).any()
    by_value = ranged(scene, values, sharp(background=77.0)).range
    by_alpha = ranged(scene, values, sharp(), np.isfinite(scene.planar).astype(np.float32)).range
    for found in (by_value, by_alpha):
        np.testing.assert_array_equal(np.isinf(found), np.isnan(scene.planar))


@pytest.mark.parametrize(
    ("kind", "nothing"),
    [("negative_planar", -0.5), ("inverse", 0.01), ("normalised", 0.75), ("normalised_white_near", 0.75)],
)
def test_a_stated_background_is_in_the_pass_own_values(scene: Scene, kind: str, nothing: float) -> None:
    """Whichever way the pass runs: what holds exactly that value is open water, all else is not."""
    spec = sharp(kind=kind, background=nothing, near=0.1, far=60.0)
    share = (scene.planar - np.float32(0.1)) / np.float32(59.9)
    passes = {**passes_of(scene), "normalised": share, "normalised_white_near": np.float32(1.0) - share}
    values = np.where(np.isnan(scene.planar), np.float32(nothing), passes[kind])
    found = ranged(scene, values, spec).range
    np.testing.assert_array_equal(np.isinf(found), np.isnan(scene.planar))


@pytest.mark.parametrize("unit_m", [1.0, 0.01])
def test_a_depth_buffer_is_undone_as_a_projection_makes_it(scene: Scene, unit_m: float) -> None:
    """Clip space of glTF 2.0's perspective projection (from memory), its -1 to 1 brought to 0 to 1."""
    near, far = 0.5 / unit_m, 80.0 / unit_m
    planar = scene.planar.astype(np.float64) / unit_m
    height = -(far + near) / (far - near) * -planar - 2.0 * far * near / (far - near)
    stored = (0.5 * height / planar + 0.5).astype(np.float32)
    sound = np.isfinite(scene.planar)
    for kind, values in (("depth_buffer", stored), ("depth_buffer_reversed", np.float32(1.0) - stored)):
        spec = sharp(kind=kind, near=near, far=far, unit_m=unit_m)
        found = ranged(scene, np.where(sound, values, np.float32(np.nan)), spec).range
        np.testing.assert_allclose(found[sound], scene.range[sound], rtol=2e-4)
    with pytest.raises(DepthError, match="near and far planes"):
        ranged(scene, stored, sharp(kind="depth_buffer", near=0.0, far=far, unit_m=unit_m))


@pytest.mark.parametrize(
    ("even", "buffer"), [("normalised", "depth_buffer"), ("normalised_white_near", "depth_buffer_reversed")]
)
def test_a_depth_buffer_stated_as_even_shares_is_told(scene: Scene, even: str, buffer: str) -> None:
    near, far = 0.05, 100.0
    shares = (scene.planar - near) / (far - near), far * (1.0 - near / scene.planar) / (far - near)
    passes = [share if even == "normalised" else 1.0 - share for share in shares]
    told = [
        infer_depth(
            values.astype(np.float32),
            None,
            name="Z",
            spec=sharp(kind=even, near=near, far=far),
            camera=scene.camera,
            window=scene.window,
        ).warnings
        for values in passes
    ]
    assert told[0] == ()
    assert f'set input.depth_kind = "{buffer}"' in told[1][0]


def test_planes_of_the_camera_are_in_metres_and_stated_ones_in_scene_units(scene: Scene) -> None:
    values = ((scene.planar - 1.0) / 51.0).astype(np.float32)
    sound = np.isfinite(scene.planar)
    camera = replace(scene.camera, near_m=1.0, far_m=52.0)
    for spec in (
        sharp(kind="normalised", unit_m=0.01),
        sharp(kind="normalised", unit_m=0.01, near=100.0),
        sharp(kind="normalised", unit_m=0.01, far=5200.0),
    ):
        found = range_planes(values, None, spec=spec, camera=camera, window=scene.window).range
        np.testing.assert_allclose(found[sound], scene.range[sound], rtol=2e-5)


def test_depth_without_cover_and_cover_without_depth_are_counted(scene: Scene) -> None:
    alpha = np.isfinite(scene.planar).astype(np.float32)
    values = scene.planar.copy()
    alpha[-1, :3] = 0
    values[-2, :5] = np.nan
    found = ranged(scene, values, sharp(), alpha)
    assert (found.lost, found.uncovered) == (5, 3)
    assert np.isinf(found.range[-1, :3]).all()
    assert np.isinf(found.range[-2, :5]).all()


@pytest.mark.parametrize("nothing", [np.nan, 1e10])
def test_edge_pixels_whose_sample_missed_take_the_range_of_the_nearest_cover(
    scene: Scene, nothing: float
) -> None:
    values = np.where(np.isnan(scene.planar), np.float32(nothing), scene.planar)
    missed = (scene.alpha > 0) & np.isnan(scene.planar)
    assert missed.any()
    found = ranged(scene, values, sharp(), scene.alpha)
    np.testing.assert_array_equal(np.isinf(found.range), scene.alpha == 0)
    assert found.lost == 0
    assert found.filled >= missed.sum()


def chain_alone(scene: Scene) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Pixels that only the chain covers, in part, before open water: 3 m ahead."""
    alone = (scene.coverage_of_chain > 0) & (scene.coverage_of_chain == scene.alpha) & (scene.alpha < 1)
    assert alone.sum() > 10
    return np.asarray(alone)


def planar_of(scene: Scene, found: DepthPlanes) -> F32:
    return found.range / scene.camera.range_per_depth(scene.window)


def test_a_thin_chain_in_a_sharp_pass_keeps_its_own_range_to_its_last_pixel(thin_scene: Scene) -> None:
    found = ranged(thin_scene, thin_scene.planar, sharp(), thin_scene.alpha)
    np.testing.assert_allclose(planar_of(thin_scene, found)[chain_alone(thin_scene)], 3.0, rtol=0.01)


def test_a_thin_chain_in_a_premultiplied_pass_keeps_its_own_range(thin_scene: Scene) -> None:
    values = thin_scene.averaged_planar.astype(np.float32)
    found = ranged(thin_scene, values, sharp(edges="premultiplied"), thin_scene.alpha)
    np.testing.assert_allclose(planar_of(thin_scene, found)[chain_alone(thin_scene)], 3.0, rtol=1e-5)


@pytest.mark.parametrize("nothing", [np.nan, 1e10])
def test_edges_averaged_with_an_endless_background_take_the_range_of_the_cover(
    scene: Scene, nothing: float
) -> None:
    spoilt = scene.averaged_planar + (1 - scene.alpha) * np.float64(nothing)
    values = np.where(scene.alpha < 1, spoilt, scene.averaged_planar).astype(np.float32)
    found = ranged(scene, values, sharp(edges="averaged"), scene.alpha)
    np.testing.assert_allclose(planar_of(scene, found)[chain_alone(scene)], 3.0, rtol=0.01)
    assert np.isfinite(found.range[scene.alpha > 0]).all()


def two_walls(scene: Scene, kind: str) -> tuple[F32, F32]:
    """A pass of two walls, at 4 and 10 m, averaged over a slanted edge, and the farther one's share."""
    rows, columns = np.mgrid[0 : scene.window.height, 0 : scene.window.width]
    share = np.clip(columns - 40.3 - 0.31 * rows, 0, 1)
    near, far = (0.25, 0.1) if kind == "inverse" else (4.0, 10.0)
    return (near + (far - near) * share).astype(np.float32), share.astype(np.float32)


@pytest.mark.parametrize("kind", ["planar", "range", "inverse"])
def test_an_averaged_edge_between_two_walls_is_taken_apart(scene: Scene, kind: str) -> None:
    values, share = two_walls(scene, kind)
    found = ranged(scene, values, sharp(kind=kind, edges="averaged"))
    factor = 1 if kind == "range" else scene.camera.range_per_depth(scene.window)
    assert found.far_range is not None
    assert found.far_share is not None
    mixed = (share > 0.05) & (share < 0.95)
    inside = np.s_[3:-3, 3:-3]
    np.testing.assert_allclose((found.range / factor)[inside][mixed[inside]], 4.0, rtol=1e-5)
    np.testing.assert_allclose((found.far_range / factor)[inside][mixed[inside]], 10.0, rtol=1e-5)
    np.testing.assert_allclose(
        found.far_share[inside][mixed[inside]], share[inside][mixed[inside]], atol=1e-4
    )
    whole = (share == 0) | (share == 1)
    assert (found.far_share[whole] == 0).all()
    np.testing.assert_array_equal(found.far_range[whole], found.range[whole])


def test_ground_that_falls_away_behind_a_post_is_no_part_of_the_post(scene: Scene) -> None:
    # A floor that is rolled a little, a few hundredths farther each row, and a post at 3 m before it whose
    # sides cross the columns: both at 8 x 8 points a pixel, and their mean.
    height, width = scene.window.shape
    rows, columns = ((np.arange(8 * count) + 0.5) / 8.0 for count in (height, width))
    floor = 400.0 / (rows[:, None] + 12.0 + 0.05 * columns)
    left = 30.3 + 0.07 * rows[:, None]
    post = (columns >= left) & (columns < left + 9.0)

    def mean(points: F64) -> F64:
        return np.asarray(points.reshape(height, 8, width, 8).mean(axis=(1, 3)))

    share = mean((~post).astype(np.float64))
    averaged = mean(np.where(post, 3.0, floor)).astype(np.float32)
    found = ranged(scene, averaged, sharp(edges="averaged"))
    assert found.far_share is not None
    assert found.far_range is not None
    inside = np.s_[4:-4, 4:-4]
    whole = ((share == 0.0) | (share == 1.0))[inside]
    assert (found.far_share[inside][whole] == 0.0).all()
    mixed = ((share > 0.06) & (share < 0.94))[inside]
    assert mixed.sum() > 50
    np.testing.assert_allclose(found.far_share[inside][mixed], share[inside][mixed], atol=0.03)
    far = found.far_range / scene.camera.range_per_depth(scene.window)
    np.testing.assert_allclose(far[inside][mixed], mean(floor)[inside][mixed], rtol=0.03)


def test_a_slanted_floor_is_not_mistaken_for_mixed_surfaces(scene: Scene) -> None:
    rows = np.arange(scene.window.height, dtype=np.float32)[:, None]
    floor = np.broadcast_to(200.0 / (rows + 2.0), scene.planar.shape).astype(np.float32)
    found = ranged(scene, floor, sharp(edges="averaged"))
    assert found.far_range is None
    np.testing.assert_allclose(planar_of(scene, found), floor, rtol=1e-6)


def test_the_result_of_a_pixel_does_not_depend_on_pixels_far_away(scene: Scene) -> None:
    values = np.where(scene.alpha < 1, np.float32(1e10), scene.averaged_planar).astype(np.float32)
    whole = ranged(scene, values, sharp(edges="averaged"), scene.alpha).range
    changed = values.copy()
    changed[:10] = 50.0
    again = ranged(scene, changed, sharp(edges="averaged"), scene.alpha).range
    np.testing.assert_array_equal(whole[20:], again[20:])


def test_a_normalised_pass_without_planes_says_what_to_state(scene: Scene) -> None:
    with pytest.raises(DepthError, match=r"E-DEPTH-PLANES.*\n.*Set input.near and input.far"):
        ranged(scene, passes_of(scene)["normalised"], sharp(kind="normalised"))


def test_a_scene_unit_must_be_a_length() -> None:
    with pytest.raises(DepthError, match="E-DEPTH-UNIT"):
        DepthSpec(unit_m=0.0)


@pytest.mark.parametrize("kind", ["planar", "range", "negative_planar", "inverse"])
def test_positions_decide_the_kind_of_a_pass(scene: Scene, kind: str) -> None:
    verdict = infer_depth(
        passes_of(scene)[kind],
        scene.alpha,
        name="Z",
        spec=DepthSpec(unit_m=0.01),
        camera=scene.camera,
        window=scene.window,
        position=passes_of(scene)["position"],
    )
    assert verdict.spec.kind == kind
    assert "world positions" in verdict.reasons[0]
    assert verdict.warnings == ()


@pytest.mark.parametrize(
    ("kind", "name"),
    [
        ("planar", "Z"),
        ("negative_planar", "Z"),
        ("range", "distance.Y"),
        ("inverse", "disparity"),
        ("normalised", "Z"),
        ("position", "P.X"),
    ],
)
def test_sign_name_and_span_decide_without_positions(scene: Scene, kind: str, name: str) -> None:
    spec = DepthSpec(unit_m=0.01, near=100.0, far=5100.0) if kind == "normalised" else DepthSpec(unit_m=0.01)
    verdict = infer_depth(
        passes_of(scene)[kind], None, name=name, spec=spec, camera=scene.camera, window=scene.window
    )
    assert verdict.spec.kind == kind


def test_depths_all_below_one_are_doubted(scene: Scene) -> None:
    values = passes_of(scene)["normalised"]
    verdict = infer_depth(values, None, name="Z", spec=DepthSpec(), camera=scene.camera, window=scene.window)
    assert verdict.spec.kind == "planar"
    assert "normalised or 1/Z" in verdict.warnings[0]


def test_distances_all_below_one_are_doubted_too(scene: Scene) -> None:
    values = passes_of(scene)["normalised"]
    verdict = infer_depth(
        values, None, name="distance.Y", spec=DepthSpec(), camera=scene.camera, window=scene.window
    )
    assert verdict.spec.kind == "range"
    assert "taken as range; if it is normalised" in verdict.warnings[0]


@pytest.mark.parametrize("truth", ["planar", "range", "inverse"])
@pytest.mark.parametrize("stated", ["planar", "range", "inverse"])
def test_a_kind_that_positions_contradict_is_doubted(
    scene: Scene, truth: DepthKind, stated: DepthKind
) -> None:
    verdict = infer_depth(
        passes_of(scene)[truth],
        scene.alpha,
        name="Z",
        spec=DepthSpec(kind=stated, unit_m=0.01),
        camera=scene.camera,
        window=scene.window,
        position=passes_of(scene)["position"],
    )
    assert verdict.spec.kind == stated
    if truth == stated:
        assert verdict.warnings == ()
    else:
        (told,) = verdict.warnings
        assert f'input.depth_kind = "{truth}"' in told


def test_positions_in_metres_beside_depth_in_centimetres_are_noticed(scene: Scene) -> None:
    verdict = infer_depth(
        passes_of(scene)["planar"],
        scene.alpha,
        name="Z",
        spec=DepthSpec(),
        camera=scene.camera,
        window=scene.window,
        position=scene.position,
    )
    assert "100 times" in verdict.warnings[0]
    assert "centimetres" in verdict.warnings[0]
    tenth = infer_depth(
        passes_of(scene)["planar"] * np.float32(0.1),
        scene.alpha,
        name="Z",
        spec=DepthSpec(kind="planar"),
        camera=scene.camera,
        window=scene.window,
        position=scene.position,
    )
    assert 'it looks like decimetres: set input.depth_unit = "dm"' in tenth.warnings[0]


@pytest.mark.parametrize(
    ("scale", "word"), [(100.0, "smaller unit"), (0.001, "mm from the lens"), (1.0, None)]
)
def test_a_scene_too_far_or_too_near_is_doubted(scene: Scene, scale: float, word: str | None) -> None:
    told = unit_warnings(scene.range * np.float32(scale), scene.alpha, DepthSpec())
    assert [word in text for text in told if word] == ([True] if word else [])
    assert len(told) == (1 if word else 0)


@pytest.mark.parametrize("edges", ["sharp", "averaged", "premultiplied"])
def test_the_filter_of_a_pass_is_recognised(edges: str) -> None:
    # Three posts at 3 m before a wall at 8 m that ends half way up, supersampled and box-averaged.
    fine = (np.arange(64 * 8) + 0.5) / 8
    posts = np.zeros((512, 512), np.bool_)
    for place in (2.3, 20.6, 39.9):
        posts |= np.abs(fine[None, :] - place - 0.31 * fine[:, None]) < 2.6
    wall = np.broadcast_to(fine[:, None] > 31.4 + 0.1 * fine[None, :], posts.shape)
    depth = np.where(posts, 3.0, np.where(wall, 8.0, 0.0))
    alpha = (depth > 0).reshape(64, 8, 64, 8).mean((1, 3)).astype(np.float32)
    mean = depth.reshape(64, 8, 64, 8).mean((1, 3))
    values = {
        "sharp": depth[4::8, 4::8],
        "averaged": np.where(alpha < 1, 1e10, mean),
        "premultiplied": mean,
    }[edges].astype(np.float32)
    window = Window(0, 0, 64, 64)
    verdict = infer_depth(
        values,
        alpha,
        name="Z",
        spec=DepthSpec(),
        camera=pinhole(window, focal_length_mm=35, film_width_mm=36),
        window=window,
    )
    assert verdict.spec.edges == edges, verdict.reasons


def test_white_near_depth_is_what_its_inversion_is(scene: Scene) -> None:
    spec = sharp(kind="normalised", near=1.0, far=40.0)
    values = ((scene.planar - 1.0) / 39.0).astype(np.float32)
    plain = ranged(scene, values, spec)
    white = ranged(scene, np.float32(1.0) - values, replace(spec, kind="normalised_white_near"))
    np.testing.assert_allclose(white.range, plain.range, rtol=1e-4)
    sound = np.isfinite(scene.planar) & (scene.alpha == 1)
    np.testing.assert_allclose(white.range[sound], scene.range[sound], rtol=1e-4)
    # 0 is the far plane, where renderers put nothing.
    assert np.isinf(
        ranged(scene, np.zeros_like(values), replace(spec, kind="normalised_white_near")).range
    ).all()


def test_a_unit_of_the_pass_scales_depth_and_not_positions(scene: Scene) -> None:
    sound = np.isfinite(scene.planar) & (scene.alpha == 1)
    in_cm = (scene.planar * 100).astype(np.float32)
    found = ranged(scene, in_cm, sharp(kind="planar", pass_unit_m=0.01))
    np.testing.assert_allclose(found.range[sound], scene.range[sound], rtol=1e-5)
    positions = ranged(scene, scene.position, sharp(kind="position", pass_unit_m=0.01))
    np.testing.assert_allclose(positions.range[sound], scene.range[sound], rtol=1e-4)
    verdict = infer_depth(
        in_cm,
        scene.alpha,
        name="Z",
        spec=DepthSpec(),
        camera=scene.camera,
        window=scene.window,
        position=scene.position,
    )
    assert any('set input.depth_unit = "cm"' in text for text in verdict.warnings)
    told = infer_depth(
        in_cm,
        scene.alpha,
        name="Z",
        spec=DepthSpec(pass_unit_m=0.01),
        camera=scene.camera,
        window=scene.window,
        position=scene.position,
    )
    assert told.warnings == ()


def test_how_many_rows_are_worked_on_at_a_time_changes_no_bit(monkeypatch: pytest.MonkeyPatch) -> None:
    # A post before a wall that falls away, both with averaged edges, and open water above with glows in it.
    rows, columns = 60, 48
    down, across = np.mgrid[0:rows, 0:columns].astype(np.float32)
    share = np.clip(3.0 - np.abs(across - 20.0 - 0.1 * down), 0.0, 1.0)
    alpha = np.maximum(share, np.clip(down - 20.5, 0.0, 1.0)).astype(np.float32)
    values = (share * 2.0 + (1.0 - share) * (9.0 + 0.05 * down)).astype(np.float32)
    values[alpha == 0] = 1e10
    rgb = np.stack([0.2 + 0.5 * share, 0.4 * share, 0.3 + 0.0 * share]).astype(np.float32)
    rgb[:, alpha == 0] *= (down[alpha == 0] % 7 == 3).astype(np.float32)
    window = Window(0, 0, columns, rows)
    camera = pinhole(window, focal_length_mm=35, film_width_mm=36)

    def made() -> list[Any]:
        found: list[Any] = [find_glows(rgb, alpha)]
        for edges in ("sharp", "averaged"):
            for kind in ("planar", "range"):
                spec = sharp(kind=kind, edges=edges)
                planes = range_planes(values, alpha, spec=spec, camera=camera, window=window)
                found += [planes.range, planes.far_range, planes.far_share]
                found += [planes.filled, planes.lost, planes.uncovered]
                found += mixture_planes(rgb, alpha, planes.range).values()
        return found

    whole = made()
    assert np.count_nonzero(whole[0])
    assert len(whole) > 1 + 4 * 6 + 2 * 4, "pixels mix two surfaces"
    assert sum(plane is None for plane in whole) == 4, "averaged passes have two ranges"
    for module, name in (
        (depth, "_ROWS_TOGETHER"),
        (depth_edges, "_ROWS_TOGETHER"),
        (edge_mixture, "ROWS_TOGETHER"),
        (glows, "_ROWS_TOGETHER"),
    ):
        monkeypatch.setattr(module, name, 7)
    for one, other in zip(made(), whole, strict=True):
        np.testing.assert_array_equal(one, other)
