"""The core operators as laws of what they do to a picture."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from tests.conftest import Builders

from halocline.errors import GraphError
from halocline.graph.graph import SOURCE, Graph, Step
from halocline.imaging.frame import Frame, Window
from halocline.physics.path.visibility import RangeRemap

WINDOW = Window(0, 0, 33, 21)


def flat(value: float, range_m: float, alpha: float = 1.0, window: Window = WINDOW, **more: Any) -> Frame:
    """Return a frame of one premultiplied grey at one range."""
    planes = {
        "rgb": np.full((3, *window.shape), value * alpha),
        "alpha": np.full(window.shape, alpha),
        "range": np.full(window.shape, range_m),
        **{name: np.full(window.shape, number) for name, number in more.items()},
    }
    return Frame({name: plane.astype(np.float32) for name, plane in planes.items()}, window, window)


def steps(build: Builders, *names: str, **parameters: Any) -> list[Any]:
    return [(name, build.operator(name, **parameters)) for name in names]


WATER = ("attenuation", "veiling_light")


@pytest.mark.parametrize("water_type", ["I", "1C", "9C"])
def test_frame_of_endless_water_is_opaque_and_the_colour_of_the_water(
    build: Builders, water_type: str
) -> None:
    path = build.path(build.bands(water_type))
    shot = build.shot(WINDOW, path=path)
    out = build.run(steps(build, *WATER), flat(0.0, np.inf, alpha=0.0), shot)
    assert np.array_equal(out["alpha"], np.ones(WINDOW.shape, np.float32))
    # The pixel nearest the axis looks level, ahead.
    expected = path.bands.down @ path.veil_along(np.inf, build.ahead)
    np.testing.assert_allclose(out["rgb"][:, 10, 16], expected, rtol=2e-5, atol=1e-6)


def test_surface_at_the_lens_is_left_as_it_is(build: Builders) -> None:
    out = build.run(steps(build, *WATER), flat(0.4, 0.0), build.shot(WINDOW))
    np.testing.assert_allclose(out["rgb"], 0.4, rtol=2e-5)


def test_light_is_never_created_by_attenuation(build: Builders) -> None:
    for range_m in (0.0, 0.1, 3.0, 50.0, 1e5, np.inf):
        out = build.run(
            steps(build, "attenuation"),
            flat(1.0, range_m),
            build.shot(WINDOW),
            wanted=("rgb", "transmittance"),
        )
        assert ((out["transmittance"] >= 0) & (out["transmittance"] <= 1)).all()
        assert np.isfinite(out["rgb"]).all()


def test_endless_range_of_an_opaque_pixel_is_endless_water(build: Builders) -> None:
    shot = build.shot(WINDOW)
    wet = build.run(steps(build, *WATER), flat(0.5, np.inf), shot)
    water = build.run(steps(build, *WATER), flat(0.0, np.inf, alpha=0.0), shot)
    np.testing.assert_allclose(wet["rgb"], water["rgb"], rtol=1e-5, atol=1e-7)


def test_veil_and_colour_grow_towards_open_water_with_range(build: Builders) -> None:
    shot = build.shot(WINDOW)
    water = build.run(steps(build, *WATER), flat(0.0, np.inf, alpha=0.0), shot)["rgb"]
    far_from_water = []
    for range_m in (0.5, 2.0, 5.0, 10.0, 20.0):
        wet = build.run(steps(build, *WATER), flat(0.8, range_m), shot)["rgb"]
        far_from_water.append(float(np.abs(wet - water).max()))
    assert far_from_water == sorted(far_from_water, reverse=True)
    assert far_from_water[-1] < 0.01


def test_open_water_is_bright_above_and_dark_below(build: Builders) -> None:
    window = Window(0, 0, 5, 101)
    shot = build.shot(window, camera=build.camera(window, horizontal_view_deg=8.0))
    out = build.run(steps(build, *WATER), flat(0.0, np.inf, alpha=0.0, window=window), shot)["rgb"]
    luminance = np.einsum("c,chw->hw", shot.space.luminance_row, out)[:, 2]
    assert (np.diff(luminance) < 0).all()


def test_row_exactly_level_is_between_its_neighbours(build: Builders) -> None:
    """With an odd number of rows the middle one has mu = 0, where a sign of zero must not matter."""
    window = Window(0, 0, 5, 9)
    shot = build.shot(window)
    assert shot.view_plane("downward", window)[4, 2] == 0.0
    out = build.run(steps(build, *WATER), flat(0.3, np.inf), shot)["rgb"][:, :, 2]
    assert ((out[:, 4] <= out[:, 3]) & (out[:, 4] >= out[:, 5])).all()


@pytest.mark.parametrize("coverage", [0.0, 0.013, 0.5, 0.97, 1.0])
def test_pixel_is_mixed_of_its_covered_and_its_open_part(build: Builders, coverage: float) -> None:
    shot = build.shot(WINDOW)
    covered = build.run(steps(build, *WATER), flat(0.6, 4.0), shot)["rgb"]
    open_water = build.run(steps(build, *WATER), flat(0.0, np.inf, alpha=0.0), shot)["rgb"]
    mixed = build.run(steps(build, *WATER), flat(0.6, 4.0, alpha=coverage), shot)
    expected = coverage * covered + (1 - coverage) * open_water
    np.testing.assert_allclose(mixed["rgb"], expected, rtol=2e-5, atol=1e-6)
    assert (mixed["alpha"] == 1.0).all()


def test_open_water_left_empty_keeps_coverage_and_premultiplies_the_veil(build: Builders) -> None:
    shot = build.shot(WINDOW)
    left = [*steps(build, "attenuation"), ("veil", build.operator("veiling_light", open_water="leave"))]
    covered = build.run(steps(build, *WATER), flat(0.6, 4.0), shot)["rgb"]
    out = build.run(left, flat(0.6, 4.0, alpha=0.3), shot)
    np.testing.assert_allclose(out["rgb"], 0.3 * covered, rtol=2e-5, atol=1e-6)
    assert (out["alpha"] == np.float32(0.3)).all()
    empty = build.run(left, flat(0.0, np.inf, alpha=0.0), shot)
    assert (empty["rgb"] == 0).all()
    # Water put behind later completes the picture.
    water = build.run(steps(build, *WATER), flat(0.0, np.inf, alpha=0.0), shot)["rgb"]
    filled = build.run(steps(build, *WATER), flat(0.6, 4.0, alpha=0.3), shot)["rgb"]
    np.testing.assert_allclose(out["rgb"] + (1 - out["alpha"]) * water, filled, rtol=2e-5, atol=1e-6)


def test_averaged_depth_mixes_the_water_of_both_surfaces(build: Builders) -> None:
    level = Window(0, 0, 3, 1)
    level_shot = build.shot(level)
    frames = [flat(0.6, r, window=level) for r in (2.0, 9.0)]
    near, far = (build.run(steps(build, *WATER), f, level_shot)["rgb"] for f in frames)
    mixed = flat(0.6, 2.0, window=level, far_range=9.0, far_share=0.25)
    both = build.run(steps(build, *WATER), mixed, level_shot)["rgb"]
    np.testing.assert_allclose(both, 0.75 * near + 0.25 * far, rtol=2e-5)


def test_no_share_of_a_farther_surface_changes_no_bit(build: Builders) -> None:
    frame = build.frame(WINDOW)
    same = frame.with_planes(far_range=frame.planes["range"], far_share=np.zeros(WINDOW.shape, np.float32))
    shot = build.shot(WINDOW)
    assert np.array_equal(
        build.run(build.core(), frame, shot)["rgb"], build.run(build.core(), same, shot)["rgb"]
    )


def test_coverage_that_overshoots_counts_as_full(build: Builders) -> None:
    frame = flat(0.6, 4.0)
    over = frame.with_planes(alpha=np.full(WINDOW.shape, 1.002, np.float32))
    shot = build.shot(WINDOW)
    wet = [build.run(steps(build, *WATER), f, shot)["rgb"] for f in (frame, over)]
    assert np.array_equal(wet[0], wet[1])


def test_lens_at_the_surface_looking_up_sees_no_water(build: Builders) -> None:
    path = build.path(depth_m=0.0)
    shot = build.shot(WINDOW, path=path, camera=build.camera(WINDOW, tilt_deg=60.0))
    out = build.run(steps(build, *WATER), flat(0.5, 20.0), shot)
    np.testing.assert_allclose(out["rgb"], 0.5, rtol=1e-4)


@pytest.mark.parametrize("kd", [0.05, 0.3, 0.3 - 1e-9, 0.300001, 2.0])
def test_any_relation_of_kd_to_c_gives_finite_light_in_every_direction(build: Builders, kd: float) -> None:
    bands = build.grey_bands(absorption=0.05, scattering=0.25, diffuse_attenuation=kd)
    window = Window(0, 0, 9, 181)
    for depth in (0.0, 3.0, 400.0):
        path = build.path(bands, depth_m=depth)
        for tilt in (-89.0, 0.0, 89.0, 90.0):
            camera = build.camera(window, tilt_deg=tilt, horizontal_view_deg=9.0)
            shot = build.shot(window, path=path, camera=camera)
            for range_m in (0.0, 5.0, 3e4, np.inf):
                out = build.run(steps(build, *WATER), flat(0.1, range_m, window=window), shot)
                assert np.isfinite(out["rgb"]).all(), (depth, tilt, range_m)
                assert (out["rgb"] > -1e-5).all()


def test_float32_veil_agrees_with_the_exact_one_in_every_direction(build: Builders) -> None:
    window = Window(0, 0, 41, 41)
    for water_type, remap in (("I", RangeRemap()), ("1C", RangeRemap(1.0, 2.0)), ("9C", RangeRemap())):
        path = build.path(build.bands(water_type), remap=remap)
        shot = build.shot(window, path=path, camera=build.camera(window, tilt_deg=15.0))
        for range_m in (0.3, 4.0, 60.0, np.inf):
            veil = build.run(steps(build, *WATER), flat(0.1, range_m, window=window), shot, wanted=("veil",))
            ray = shot.camera.directions(window).astype(np.float64)
            for y, x in ((0, 0), (3, 40), (20, 20), (40, 11)):
                exact = path.veil_along(range_m, ray[:, y, x])
                # 1 - exp(-ks) in float32 loses digits where ks is small.
                np.testing.assert_allclose(veil["veil"][:, y, x], exact, rtol=3e-4, atol=1e-7)


def test_downwelling_is_nothing_at_the_reference_depth_and_takes_light_below(build: Builders) -> None:
    window = Window(0, 0, 3, 1)
    shot = build.shot(window)
    out = build.run(steps(build, "downwelling"), flat(0.5, 7.0, window=window), shot)["rgb"]
    np.testing.assert_allclose(out, 0.5, rtol=2e-5)
    down = build.shot(window, camera=build.camera(window, tilt_deg=-90.0))
    out = build.run(steps(build, "downwelling"), flat(0.5, 7.0, window=window), down)["rgb"]
    path = down.path
    expected = 0.5 * path.bands.down @ (path.white * path.daylight(path.camera_depth_m + 7.0))
    np.testing.assert_allclose(out[:, 0, 1], expected, rtol=1e-4)
    # Near what the type's Kd says (a sun at 30 degrees from the zenith, over the lit layer).
    by_kd = 0.5 * build.bands().transfer_matrix(0.0, 7.0).sum(axis=1)
    np.testing.assert_allclose(out[1, 0, 1], by_kd[1], rtol=0.15)


def test_downwelling_stops_at_the_brightest(build: Builders) -> None:
    window = Window(0, 0, 3, 1)
    up = build.shot(window, camera=build.camera(window, tilt_deg=90.0))
    step = [("downwelling", build.operator("downwelling", brightest=1.1))]
    out = build.run(step, flat(0.5, 4.0, window=window), up)["rgb"]
    np.testing.assert_allclose(out, 0.55, rtol=1e-4)


def test_what_stands_above_the_fit_or_the_sea_gets_no_more_light(build: Builders) -> None:
    path = build.path(depth_m=10.0)
    top = path.highest_depth_m
    assert 0.0 < top < 10.0
    assert np.array_equal(path.daylight(top), path.daylight(top - 3.0))
    shallow = build.path(depth_m=0.5)
    assert shallow.highest_depth_m == 0.0
    assert np.array_equal(shallow.daylight(0.0), shallow.daylight(-20.0))


@pytest.mark.parametrize("water_type", ["IB", "1C", "9C"])
@pytest.mark.parametrize("value", [None, 0.4])
def test_grey_card_has_its_wanted_value_in_the_frame(
    build: Builders, water_type: str, value: float | None
) -> None:
    window = Window(0, 0, 5, 3)
    shot = build.shot(window, path=build.path(build.bands(water_type)))
    graph = build.core(card_range=1.2, value=value)
    out = build.run(graph, flat(0.18, 1.2, window=window), shot)["rgb"]
    luminance = np.einsum("c,chw->hw", shot.space.luminance_row, out)[1, 2]
    assert luminance == pytest.approx(0.18 if value is None else value, rel=2e-4)


def test_full_balance_makes_the_card_neutral_and_none_keeps_the_cast(build: Builders) -> None:
    window = Window(0, 0, 5, 3)
    shot = build.shot(window)
    card = flat(0.18, 1.5, window=window)
    neutral = build.run(build.core(card_range=1.5, balance=1.0), card, shot)["rgb"][:, 1, 2]
    np.testing.assert_allclose(neutral, 0.18, rtol=3e-4)
    cast = build.run(build.core(card_range=1.5), card, shot)["rgb"][:, 1, 2]
    bare = build.run(steps(build, "downwelling", *WATER), card, shot)["rgb"][:, 1, 2]
    np.testing.assert_allclose(cast / cast.sum(), bare / bare.sum(), rtol=1e-5)


def test_gain_of_a_dark_card_is_limited(build: Builders) -> None:
    operator = build.operator("white_reference", card_range=3.0, card_depth=40.0, largest_gain=2.0)
    gains = operator.prepare(build.shot(WINDOW, path=build.path(veil_brightness=0.0)))
    assert np.array_equal(gains, np.diag([2.0, 2.0, 2.0]))


def test_card_of_which_nothing_is_left_is_an_error(build: Builders) -> None:
    operator = build.operator("white_reference", card_range=500.0)
    with pytest.raises(GraphError) as caught:
        operator.prepare(build.shot(WINDOW, path=build.path(veil_brightness=0.0)))
    assert str(caught.value) == (
        "E-OPERATOR-CARD  white_reference.card_range: nothing of the grey card is left after "
        "500 m of this water\n"
        "  Bring the card nearer, or higher."
    )


def mixed(build: Builders, frame: Frame, **parameters: Any) -> np.ndarray[Any, Any]:
    graph = Graph(
        [
            Step("veil", build.operator("veiling_light"), {"picture": SOURCE}),
            Step("mix", build.operator("mix", **parameters), {"picture": SOURCE, "other": "veil"}),
        ],
        "mix",
    )
    out: np.ndarray[Any, Any] = build.run(graph, frame, build.shot(WINDOW))["rgb"]
    return out


def test_mix_takes_its_share_of_each_picture(build: Builders) -> None:
    frame = build.frame(WINDOW)
    dry = frame.planes["rgb"]
    wet = mixed(build, frame)
    assert np.array_equal(mixed(build, frame, amount=0.0), dry)
    np.testing.assert_allclose(
        mixed(build, frame, amount=0.25), 0.75 * dry + 0.25 * wet, rtol=1e-5, atol=1e-5
    )
    matte = frame.planes["matte.arch"]
    inside = mixed(build, frame, matte="arch")
    outside = mixed(build, frame, matte="arch", invert_matte=True)
    np.testing.assert_allclose(inside, dry * (1 - matte) + wet * matte, rtol=1e-4, atol=1e-4)
    np.testing.assert_allclose(inside + outside, dry + wet, rtol=1e-4, atol=1e-3)
