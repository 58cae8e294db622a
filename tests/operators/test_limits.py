"""Where a step acts: any operator within a matte, a window of range or height, by an amount."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from tests.conftest import Builders, chain
from tests.operators.test_laws import EVERY, check_sum, graph_of, render, shot_of
from tests.operators.test_studio_operator import Glow

from halocline._typing import F32, F64
from halocline.batch.frame_task import planes_read
from halocline.errors import PresetError
from halocline.graph.engine import Evaluation, evaluate
from halocline.graph.graph import SOURCE, Graph, Step
from halocline.graph.limits import HeightWindow, RangeWindow, StepLimits, share_before, weights
from halocline.graph.operator import AnyOperator, Stage
from halocline.imaging.camera import Camera
from halocline.imaging.frame import Frame, Window
from halocline.presets.preset import preset_from_text

HALF = StepLimits(matte="arch", amount=0.6, within_range=RangeWindow(nearest=2.0, farthest=9.0))


def limited(graph: Graph, limits: StepLimits) -> Graph:
    """The graph with its last step within limits."""
    steps = [replace(step, limits=limits) if step.name == graph.output else step for step in graph.steps]
    return Graph(steps, graph.output)


def with_matte(frame: Frame, matte: F32 | float) -> Frame:
    plane = np.broadcast_to(np.asarray(matte, np.float32), frame.planes["alpha"].shape)
    return replace(frame, planes={**frame.planes, "matte.arch": np.ascontiguousarray(plane)})


def made_of(graph: Graph, frame: Frame, build: Builders, how: Evaluation | None = None) -> dict[str, F32]:
    return evaluate(graph, frame, shot_of(build), wanted=("rgb", "alpha"), how=how)


# What a limit does to a step does not depend on its settings: each operator once.
@pytest.mark.parametrize("operator", [each for each in EVERY if str(each.id).endswith("-0")])
def test_any_step_can_be_limited_and_obeys_the_laws(operator: AnyOperator, build: Builders) -> None:
    graph, frame = graph_of(operator, build), render(build)
    last = graph.steps[-1]
    before = last.inputs[last.operator.inputs[0]]
    without = made_of(Graph([step for step in graph.steps if step is not last], before), frame, build)
    idle = made_of(limited(graph, StepLimits(amount=0.0)), frame, build)
    for name, plane in without.items():
        assert np.array_equal(plane, idle[name]), name
    if not any(name.startswith("matte.") for name in operator.planes().reads):
        # The others read the same matte for themselves.
        inverted = StepLimits(matte="arch", invert_matte=True)
        nowhere = made_of(limited(graph, inverted), with_matte(frame, 1.0), build)
        for name, plane in without.items():
            # Lifted to bands and summed again, light is itself to rounding.
            assert np.abs(nowhere[name] - plane).max() < 1e-5 * max(1.0, np.abs(plane).max()), name
        plain = made_of(graph, frame, build)
        everywhere = made_of(limited(graph, StepLimits(matte="arch")), with_matte(frame, 1.0), build)
        for name, plane in plain.items():
            assert np.array_equal(plane, everywhere[name]), name
    half = limited(graph, HALF)
    whole = made_of(half, frame, build, Evaluation(1, 43))
    other = made_of(half, frame, build, Evaluation(3, 7))
    for name, plane in whole.items():
        assert np.array_equal(plane, other[name]), name
        assert np.isfinite(plane).all()
        assert plane.dtype == np.float32
    balance = build.operator("white_reference", balance=0.5)
    exposed = Step("exposed", balance, {"picture": graph.output}, HALF)
    check_sum(Graph([*half.steps, exposed], "exposed"), build)


def test_half_an_amount_is_half_of_what_the_step_does(build: Builders) -> None:
    frame, graph = render(build), chain([("attenuation", build.operator("attenuation"))])
    none, half, full = (
        made_of(limited(graph, StepLimits(amount=amount)), frame, build)["rgb"] for amount in (0, 0.5, 1)
    )
    np.testing.assert_allclose(half, 0.5 * (none + full), rtol=0, atol=2e-6 * full.max())


# ---- Edges: what a pixel of two things must come to, made of pictures of each thing alone


SMALL = Window(0, 0, 8, 4)
NEAR_M, FAR_M = 3.0, 11.0
# Of one colour: of how many a pixel's two things are, its shares of light do not tell.
NEAR, FAR = np.array([0.8, 0.5, 0.3]), np.array([0.24, 0.15, 0.09])
COVER = np.linspace(0.06, 0.94, 8, dtype=np.float32)


def even(light: Any, range_m: float, **planes: Any) -> Frame:
    """A picture of one thing alone, all over; of nothing where it is infinitely far."""
    there = np.isfinite(range_m)
    held = {
        "rgb": np.ones((3, 4, 8)) * np.reshape(light, (3, 1, 1)) * there,
        "alpha": np.full((4, 8), float(there)),
        "range": np.full((4, 8), range_m),
        "matte.arch": np.ones((4, 8)),
        **planes,
    }
    return Frame({name: np.asarray(plane, np.float32) for name, plane in held.items()}, SMALL, SMALL)


def pictures(limits: StepLimits, build: Builders, *frames: Frame) -> list[F32]:
    """Frames after a limited attenuation and veil, colour and coverage in one."""
    shot = build.shot(SMALL, path=build.path(depth_m=8.0), camera=build.camera(SMALL, tilt_deg=4.0))
    names = ("attenuation", "veiling_light")
    steps = [Step(names[0], build.operator(names[0]), {"picture": SOURCE}, limits)]
    steps.append(Step(names[1], build.operator(names[1]), {"picture": names[0]}, limits))
    made = [evaluate(Graph(steps, names[1]), frame, shot) for frame in frames]
    return [np.concatenate([each["rgb"], each["alpha"][None]]) for each in made]


@pytest.mark.parametrize("invert", [False, True])
@pytest.mark.parametrize("meant", ["near", "far", "both"])
@pytest.mark.parametrize("behind_m", [FAR_M, np.inf])
def test_an_edge_is_what_its_two_things_come_to_by_area(
    meant: str, invert: bool, behind_m: float, build: Builders
) -> None:
    # Two opaque things beside each other in a pixel add up by area: porter1984, "plus" of disjoint coverage.
    cover = np.tile(COVER, (4, 1))
    limits = StepLimits(matte="arch", invert_matte=invert)
    behind = np.reshape(FAR, (3, 1, 1)) * np.isfinite(behind_m) * (1 - cover)
    light = np.reshape(NEAR, (3, 1, 1)) * cover + behind
    matte = {"near": cover, "far": 1 - cover, "both": np.ones_like(cover)}[meant]
    planes: dict[str, Any] = {"rgb": light, "matte.arch": matte}
    if np.isfinite(behind_m):
        far_light = behind.sum(axis=0) / light.sum(axis=0)
        planes |= {"far_range": np.full((4, 8), behind_m), "far_share": 1 - cover, "far_light": far_light}
    else:
        planes["alpha"] = cover
    mixed = even(NEAR, NEAR_M, **planes)
    near = even(NEAR, NEAR_M, **{"matte.arch": np.full((4, 8), float(meant in ("near", "both")))})
    far = even(FAR, behind_m, **{"matte.arch": np.full((4, 8), float(meant in ("far", "both")))})
    got, of_near, of_far = pictures(limits, build, mixed, near, far)
    wanted = cover * of_near + (1 - cover) * of_far
    np.testing.assert_allclose(got, wanted, rtol=0, atol=1e-5 * wanted.max())
    # Treating a share of the mixture is what is not done.
    if not np.isfinite(behind_m) and meant == "near":
        held = [even(NEAR, NEAR_M, **(planes | {"matte.arch": matte * 0 + share})) for share in (0, 1)]
        untouched, unlimited = pictures(StepLimits(matte="arch"), build, *held)
        share = 1 - matte if invert else matte
        naive = share * unlimited + (1 - share) * untouched
        assert np.abs(naive - wanted).max() > 20 * np.abs(got - wanted).max()


def test_a_matte_means_whole_parts_of_an_edge_the_surer_the_nearer_its_share_is_to_their_area(
    build: Builders,
) -> None:
    # A pixel half of which shows a surface before open water, under every share of a matte.
    matte = np.linspace(0.0, 1.0, 101, dtype=np.float32)[None]
    planes = {"alpha": np.full_like(matte, 0.5), "matte.arch": matte}
    near, _, open_water = weights(StepLimits(matte="arch"), planes, build.shot(SMALL))
    # Of two parts of the same area it is the nearer one that mattes are drawn of; and no share means a step.
    assert (near[0, 50], open_water[0, 50]) == (1.0, 0.0)
    assert (near[0, 0], open_water[0, 0], near[0, 100], open_water[0, 100]) == (0.0, 0.0, 1.0, 1.0)
    assert max(np.abs(np.diff(near[0])).max(), np.abs(np.diff(open_water[0])).max()) < 0.06
    # Half way between none, one and both parts nothing is known but the share.
    np.testing.assert_allclose(near[0, [25, 75]], (0.25, 0.75), atol=1e-6)
    np.testing.assert_allclose(open_water[0, [25, 75]], (0.25, 0.75), atol=1e-6)


def test_a_window_of_range_acts_on_each_surface_by_its_own_range(build: Builders) -> None:
    cover = np.tile(COVER, (4, 1))
    light = np.reshape(NEAR, (3, 1, 1)) * np.ones_like(cover)
    planes = {"rgb": light, "far_range": np.full((4, 8), FAR_M), "far_share": 1 - cover}
    planes["far_light"] = 1 - cover
    limits = StepLimits(within_range=RangeWindow(nearest=7.0, softness=1.0))
    mixed, near, far = even(NEAR, NEAR_M, **planes), even(NEAR, NEAR_M), even(NEAR, FAR_M)
    got, of_near, of_far = pictures(limits, build, mixed, near, far)
    np.testing.assert_allclose(got, cover * of_near + (1 - cover) * of_far, rtol=0, atol=1e-5)
    assert np.allclose(of_near[:3], light, atol=1e-6)


def test_windows_are_half_at_their_ends_and_heights_are_along_up(build: Builders) -> None:
    exposed = build.operator("white_reference", card_range=1.0, value=0.5, balance=0.0)
    shot = build.shot(SMALL, path=build.path(depth_m=8.0), camera=build.camera(SMALL, tilt_deg=-30.0))
    frame = even(NEAR, 10.0)
    downward = shot.view_plane("downward", SMALL)
    height = float(shot.camera.position_m @ shot.path.up) - 10.0 * downward
    full = evaluate(chain([("exposed", exposed)]), frame, shot)["rgb"][0]
    level = float(np.median(height))

    def share(limits: StepLimits) -> F32:
        made = evaluate(
            Graph([Step("exposed", exposed, {"picture": SOURCE}, limits)], "exposed"), frame, shot
        )
        share: F32 = (made["rgb"][0] - frame.planes["rgb"][0]) / (full - frame.planes["rgb"][0])
        return share

    window = HeightWindow(lowest=level, softness=1.0)
    wanted = np.clip(height - level + 0.5, 0, 1)
    np.testing.assert_allclose(share(StepLimits(within_height=window)), wanted, atol=1e-4)
    window = HeightWindow(highest=level, softness=1.0)
    np.testing.assert_allclose(share(StepLimits(within_height=window)), 1 - wanted, atol=1e-4)
    assert 0.1 < wanted.mean() < 0.9
    slab = StepLimits(within_range=RangeWindow(nearest=10.0, farthest=20.0, softness=0.4))
    np.testing.assert_allclose(share(slab), 0.5, atol=1e-4)


def seen_at(camera: Camera, x: float, y: float) -> F64:
    """A place 7 m along the axis of a lens without shift, at picture coordinates."""
    across, down = camera.tangent_per_px
    aside = (x - camera.centre_px[0]) * across, (camera.centre_px[1] - y) * down
    place: F64 = camera.position_m + camera.rotation @ np.array([7.0 * aside[0], 7.0 * aside[1], -7.0])
    return place


def test_things_take_the_share_of_the_pixel_that_shows_them(build: Builders) -> None:
    """By hand: pixel (column, row) of a level lens, each thing a third of a pixel beside its middle."""
    window = Window(10, 20, 8, 6)
    shot = build.shot(window)
    frame = build.frame(window)
    matte = np.arange(48, dtype=np.float32).reshape(window.shape) / np.float32(64.0)
    whole = {"alpha": np.ones(window.shape, np.float32), "matte.arch": matte}
    shot = replace(shot, surfaces=replace(frame, planes={**frame.planes, **whole}))
    share = share_before(StepLimits(matte="arch", amount=0.5), shot)
    assert share is not None
    camera, at = shot.camera, [(12, 21), (16, 24), (10, 25), (17, 20)]
    for across, down in ((0.33, -0.33), (-0.33, 0.33)):
        places = np.array(at, np.float64) + 0.5 + np.array([across, down])
        found = share(np.array([seen_at(camera, x, y) for x, y in places]))
        np.testing.assert_allclose(found, [0.5 * matte[y - 20, x - 10] for x, y in at], rtol=1e-5)
    # Aside of the picture it is the nearest pixel's; without a matte the amount alone.
    aside = np.array([seen_at(camera, x, y) for x, y in ((-300.0, 23.5), (400.0, 22.5))])
    np.testing.assert_allclose(share(aside), [0.5 * matte[3, 0], 0.5 * matte[2, 7]], rtol=1e-5)
    plain = share_before(StepLimits(amount=0.3), shot)
    assert plain is not None
    np.testing.assert_array_equal(plain(np.zeros((4, 3))), 0.3)
    # What the render lacks cannot be told, nor anything without a render.
    assert share_before(StepLimits(matte="torch"), shot) is None
    assert share_before(StepLimits(matte="arch"), replace(shot, surfaces=None)) is None


def test_things_are_within_a_window_of_height_by_where_they_are_seen(build: Builders) -> None:
    """Ground 10 m away: what is seen 30 degrees down is 5 m below the lens."""
    window = Window(0, 0, 8, 8)
    shot, frame = build.shot(window), build.frame(window)
    planes = {"alpha": np.ones(window.shape, np.float32), "range": np.full(window.shape, 10.0, np.float32)}
    shot = replace(shot, surfaces=replace(frame, planes={**frame.planes, **planes}))
    up, lens = shot.path.up, shot.camera.position_m
    level = float(lens @ up)
    low = StepLimits(within_height=HeightWindow(lowest=level - 50.0, highest=level - 1.0))
    share = share_before(low, shot)
    assert share is not None
    ahead = -shot.camera.rotation[:, 2]
    down, above = (lens + 3.0 * (ahead + slope * up) for slope in (-0.577, 0.577))
    np.testing.assert_allclose(share(np.array([down, above])), [1.0, 0.0], atol=1e-4)


def test_an_operator_of_another_package_can_be_limited(build: Builders) -> None:
    assert Glow.stage is Stage.LAMP_HAZE
    step = Step("glow", Glow(Glow.Parameters()), {"picture": SOURCE}, StepLimits(matte="arch", amount=0.5))
    graph = Graph([step], "glow")
    assert {"matte.arch", "pass.motion"} <= planes_read(graph)[0]
    matte = np.zeros((4, 8))
    matte[:, :4] = 1
    frame = even(NEAR, NEAR_M, **{"matte.arch": matte, "pass.motion": np.ones((2, 4, 8))})
    shot = build.shot(SMALL)
    plain = evaluate(Graph([replace(step, limits=StepLimits())], "glow"), frame, shot)["rgb"]
    made = evaluate(graph, frame, shot, wanted=("rgb", "glow_light"))
    before = frame.planes["rgb"]
    np.testing.assert_allclose(made["rgb"][..., 4:], before[..., 4:], atol=1e-6)
    np.testing.assert_allclose(
        made["rgb"][..., :4], 0.5 * (plain + before)[..., :4], atol=2e-6 * float(plain.max())
    )
    assert not made["glow_light"][..., 4:].any()
    assert made["glow_light"][..., :4].all()


# ---- In presets


TEXT = """
format = 1
[water]
jerlov_type = "1C"
[steps.attenuation]
matte = "arch"
amount = { curve = "linear", keys = [[1000, 0.0], [1010, 1.0]] }
within_range = { nearest = "2 m", farthest = 30 }
"""


def test_a_preset_limits_a_step_and_resolves_to_itself() -> None:
    preset = preset_from_text(TEXT)
    (step,) = preset.at(1005).graph.steps
    window = RangeWindow(nearest=2.0, farthest=30.0)
    assert step.limits == StepLimits(matte="arch", amount=0.5, within_range=window)
    again = preset_from_text(preset.resolved_text)
    assert again.at(1005).graph.steps[0].limits == step.limits
    assert again.resolved_text == preset.resolved_text
    assert preset_from_text(TEXT, ["steps.attenuation.amount=0"]).at(1).graph.steps[0].limits.amount == 0.0


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        ("amount = 1.5", "amount"),
        ("invert_matte = true", "invert_matte is given, but no matte"),
        ("within_range = { nearest = 4, farthest = 3 }", "farthest is not beyond nearest"),
        ("within_height = { lowest = 4, highest = 3 }", "highest is not above lowest"),
        ("within_range = { near = 4 }", 'unknown key "near"'),
    ],
)
def test_limits_that_cannot_be_are_refused_with_their_line(keys: str, told: str) -> None:
    with pytest.raises(PresetError) as caught:
        preset_from_text(f'format = 1\n[water]\njerlov_type = "1C"\n[steps.attenuation]\n{keys}\n')
    (problem,) = caught.value.problems
    assert told in str(problem)
    assert "line" in str(problem)


def test_the_removal_of_water_refuses_a_step_of_a_part_of_the_picture() -> None:
    from halocline.matching.remove import removal_of

    with pytest.raises(PresetError, match="acts in a part of the picture"):
        removal_of(preset_from_text(TEXT), noise=1e-3)
