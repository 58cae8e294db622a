"""Turbid bodies on pictures: edges, order, daylight, time, and the rows of their keys."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from pydantic import ValidationError
from tests.conftest import Builders, chain
from tests.presets.moved_keys import Row, amount, brightness, change, middle_of_change, motion

from halocline._typing import F32
from halocline.batch.element import for_element
from halocline.errors import GraphError
from halocline.graph.operator import AnyOperator, Planes
from halocline.imaging.camera import Camera
from halocline.imaging.frame import Frame, Window
from halocline.operators.shared.body_parameters import PlacedBody
from halocline.operators.shared.sediment_parameters import SedimentSource
from halocline.operators.turbid_bodies import TurbidBodies, TurbidBodiesParameters
from halocline.physics.floating.turbid import TurbidBody, extinction_inside
from halocline.physics.floating.turbid_view import TurbidVolume
from halocline.physics.path.lamps import Lamp
from halocline.physics.water.water import KOSCHMIEDER
from halocline.presets.lamps import through_bodies
from halocline.presets.preset import preset_from_text

WINDOW = Window(-3, -2, 48, 30)
CLOUD: dict[str, Any] = {
    "name": "cloud",
    "position": (0.2, 0.0, -3.0),
    "size": (2.0, 1.4, 2.4),
    "visibility": 0.8,
}
KICKED: dict[str, Any] = {
    "name": "kicked",
    "floor": -0.6,
    "track": (
        {"frame": 970, "position": (-0.8, -0.5, -3.0), "grams_per_second": 80.0},
        {"frame": 1001, "position": (0.8, -0.5, -2.6), "grams_per_second": 80.0},
    ),
}
THROWN_AT_LAST = {"frame": 996, "position": (0.2, -0.5, -2.7), "grams_per_second": 300.0}
SLAB = {"name": "low", "kind": "slab", "highest": -0.4, "contents": "green"}
KEYS = [
    {"bodies": (CLOUD, {**SLAB, "clumping": 0.0}), "turbulence": 0.1},
    # Few puffs and few steps of a plume: the laws also try them in plain Python.
    {
        "sediment": (
            {**KICKED, "sorting": 1.0, "clumping": 0.0, "track": (THROWN_AT_LAST, KICKED["track"][1])},
        ),
        "rays": 32,
    },
    {
        "bodies": (
            {
                "name": "trail",
                "kind": "plume",
                "contents": "sand",
                "clumping": 0.0,
                "growth": 0.1,
                "track": (
                    {"frame": 995, "position": (-1.0, 0.0, -3.0)},
                    {"frame": 1001, "position": (1.0, 0.3, -2.0)},
                ),
            },
            {**CLOUD, "name": "block", "kind": "box", "albedo": (0.9, 0.5, 0.2)},
        ),
        "rays": 32,
    },
]
# One cloud of silt before the wall; nothing but that and the water changes the picture.
_BODY = (
    "[{ name = 'a', position = [%s, 0.0, -1.0], size = [0.8, 0.8, 0.6], softness = 0.2, visibility = 0.4, "
    "clump_scale = 0.3 }]"
)
_ONE = "[steps.turbid_bodies]\nbodies = " + _BODY % "0.0" + "\n"
_CURVED = (
    "[steps.turbid_bodies]\nbodies = [{ name = 'a', kind = 'floor', floor = 'found', visibility = 0.4 }]\n"
)
_EDDIES = _ONE + "turbulence = 0.2\n"
_THROWN = "{ frame = %d, position = [%s, -0.5, -1.4], grams_per_second = 20 }"
_KICKED = f"[{{ name = 'k', floor = -0.5, track = [{_THROWN % (980, '%s')}, {_THROWN % (1001, '%s')}] }}]"
ROWS = {
    "sediment": Row(
        "[steps.turbid_bodies]\n",
        (_KICKED % ("-0.4", "-0.2"), _KICKED % ("0.4", "0.6")),
        middle_of_change,
        "up",
    ),
    "bodies": Row(_ONE, (_BODY % "-0.2", _BODY % "0.4"), middle_of_change, "up"),
    "density": Row(_ONE, ("1.0", "0.2"), amount, "down"),
    "shade_things": Row(
        "[steps.downwelling]\n" + _ONE,
        ("1.0", "0.0"),
        brightness,
        "up",
    ),
    "self_shadow": Row(_ONE, ("1.0", "0.0"), brightness, "up"),
    "brightness": Row(_ONE, ("1.0", "3.0"), brightness, "up"),
    "current": Row(_ONE, (None, "[0.5, 0.0, 0.0]"), motion, "up"),
    "surge": Row(_ONE, (None, "[0.5, 0.0, 0.0]"), motion, "up"),
    "surge_period": Row(_ONE + "surge = [0.3, 0.0, 0.0]\n", ("8.0", "1.5"), motion, "up"),
    "turbulence": Row(_ONE + "turbulence_scale = 0.4\n", ("0.0", "0.3"), motion, "up"),
    "turbulence_scale": Row(_EDDIES, ("1.5", "0.4"), change, "redrawn"),
    # The wall curves towards the lens below it: steeper than 45 degrees, in part less steep than 80.
    "floor_steepest": Row(_CURVED, ("45.0", "80.0"), amount, "up"),
    "rays": Row(_ONE, ("40", "32"), amount, "little"),
}


def bodies(*placed: dict[str, Any], **keys: Any) -> TurbidBodies:
    return TurbidBodies(TurbidBodiesParameters(bodies=tuple(PlacedBody(**each) for each in placed), **keys))


def steps(build: Builders, *more: tuple[str, AnyOperator]) -> list[tuple[str, AnyOperator]]:
    return [(name, build.operator(name)) for name in ("attenuation", "veiling_light")] + list(more)


def wall(range_m: float | F32, alpha: float = 1.0, light: float = 0.2) -> Frame:
    shape = WINDOW.shape
    planes = {
        "rgb": np.full((3, *shape), light * alpha, np.float32),
        "alpha": np.full(shape, alpha, np.float32),
        "range": np.broadcast_to(np.float32(range_m), shape).copy(),
    }
    return Frame(planes, WINDOW, WINDOW)


@pytest.mark.parametrize("averaged", [False, True])
def test_any_tiles_and_threads_give_the_same_bits(build: Builders, averaged: bool) -> None:
    frame, shot = build.frame(WINDOW, averaged_depth=averaged), build.shot(WINDOW)
    wanted = ("rgb", "alpha", "body_light", "body_alpha")
    cloud = ("bodies", bodies(CLOUD, SLAB))
    runs = [
        build.run(steps(build, cloud), frame, shot, wanted=wanted, threads=threads, tile_rows=rows)
        for threads, rows in ((1, 30), (2, 1), (3, 7))
    ]
    for name in wanted:
        for other in runs[1:]:
            assert np.array_equal(runs[0][name], other[name])


def test_a_frame_is_the_same_alone_and_after_others(build: Builders) -> None:
    operator = bodies(
        {**CLOUD, "begins": 1000.0, "grain_size": 1e-4, "growth": 0.05}, current=(0.1, 0.0, 0.0)
    )
    alone = build.run(steps(build, ("b", operator)), wall(5.0), build.shot(WINDOW, frame=1050))
    for number in (1049, 1003):
        build.run(steps(build, ("b", operator)), wall(5.0), build.shot(WINDOW, frame=number))
    again = build.run(steps(build, ("b", operator)), wall(5.0), build.shot(WINDOW, frame=1050))
    assert np.array_equal(alone["rgb"], again["rgb"])


def test_what_stands_before_a_cloud_stays_and_what_stands_behind_is_hidden(
    build: Builders,
) -> None:
    dense = ("b", bodies({**CLOUD, "visibility": 0.1, "clumping": 0.0}))
    shot = build.shot(WINDOW)
    clear = build.run(steps(build), wall(1.5), shot)
    near = build.run(steps(build, dense), wall(1.5), shot)
    assert np.array_equal(near["rgb"], clear["rgb"])
    dark, bright = (
        build.run(steps(build, dense), wall(6.0, light=light), shot, wanted=("rgb", "body_alpha"))
        for light in (0.0, 5.0)
    )
    middle = dark["body_alpha"] > 0.9999
    assert middle.sum() > 50
    np.testing.assert_allclose(dark["rgb"][:, middle], bright["rgb"][:, middle], rtol=2e-3, atol=2e-4)
    # Within a cloud more is hidden the farther in a thing stands.
    shares = [
        float(build.run(steps(build, dense), wall(at), shot, wanted=("body_alpha",))["body_alpha"][17, 25])
        for at in (1.5, 2.1, 2.25, 2.4, 5.0)
    ]
    assert shares == sorted(shares)
    assert shares[0] == 0.0
    assert shares[2] > 0.2


def test_without_daylight_a_cloud_gives_no_light(build: Builders) -> None:
    shot = build.shot(WINDOW, path=build.path(daylight_level=0.0))
    cloud = ("b", bodies({**CLOUD, "visibility": 0.05}))
    made = build.run(steps(build, cloud), wall(6.0), shot, wanted=("rgb", "body_light", "body_alpha"))
    assert np.abs(made["body_light"]).max() == 0.0
    assert made["body_alpha"].max() > 0.9999
    np.testing.assert_allclose(made["rgb"][:, made["body_alpha"] > 0.9999], 0.0, atol=1e-4)


def test_a_cloud_as_bright_as_its_water_all_round_stays_within_what_lights_it(build: Builders) -> None:
    # Matter that turns all light alike to all sides, in light from all sides alike, shows that light: with
    # E0 the scalar irradiance, E0 / (4 pi). A dense cloud right before the lens.
    path = build.path(surface_sun_share=0.0)
    here = {**CLOUD, "position": (0.0, 0.0, 0.0), "size": (8.0, 8.0, 8.0), "visibility": 0.02}
    white = bodies({**here, "albedo": (1.0, 1.0, 1.0), "asymmetry": 0.0, "clumping": 0.0})
    shot = build.shot(WINDOW, path=path)
    made = build.run(steps(build, ("b", white)), wall(3.0), shot)
    expected = path.bands.down @ path.scalar_daylight(path.camera_depth_m) / (4.0 * np.pi)
    # Less what centimetres of water take, and with hardly any of the water's own light.
    np.testing.assert_allclose(made["rgb"].mean(axis=(1, 2)), expected, rtol=0.03)


def test_what_stands_in_the_suns_way_darkens_a_cloud(build: Builders) -> None:
    # A black ceiling over the view, a metre up, shades what is below it.
    shot = build.shot(WINDOW, camera=build.camera(WINDOW, tilt_deg=25.0))
    up = -shot.view_plane("downward", WINDOW)
    hit = (up > 0.2) & (1.0 / np.maximum(up, 0.2) < 4.0)
    range_m = np.where(hit, 1.0 / np.maximum(up, 0.2), np.inf).astype(np.float32)
    planes = {
        "rgb": np.zeros((3, *WINDOW.shape), np.float32),
        "alpha": hit.astype(np.float32),
        "range": range_m,
    }
    frame = Frame(planes, WINDOW, WINDOW)
    cloud = bodies({**CLOUD, "position": (0.0, -0.2, -2.0), "clumping": 0.0})
    shaded, free = (
        build.run(
            steps(build, ("b", cloud)),
            frame,
            replace(shot, surfaces=frame, shadows=shadows),
            wanted=("rgb", "body_alpha"),
        )
        for shadows in (True, False)
    )
    dense = free["body_alpha"] > 0.9
    assert dense.sum() > 20
    assert shaded["rgb"][:, dense].mean() < 0.95 * free["rgb"][:, dense].mean()


def rising(degrees: float, tilt_deg: float = -10.0) -> tuple[Frame, Camera]:
    """A floor a metre below the lens that rises away from it, with a wall of two metres on it."""
    build = Builders()
    camera = build.camera(WINDOW, tilt_deg=tilt_deg)
    rays, slope = camera.directions(WINDOW), np.tan(np.radians(degrees))
    with np.errstate(divide="ignore", invalid="ignore"):
        down = -1.0 / (rays[1] + slope * rays[2])
        floor = np.where(down > 0.0, down, np.inf)
        away = -3.0 / rays[2]
        wall = np.abs(away * rays[0]) < 0.5
    range_m = np.where(wall & (away < floor) & (away * rays[1] < 1.0), away, floor).astype(np.float32)
    range_m[range_m > 30.0] = np.inf
    planes = {
        "rgb": np.full((3, *WINDOW.shape), 0.2, np.float32) * np.isfinite(range_m),
        "alpha": np.isfinite(range_m).astype(np.float32),
        "range": range_m,
    }
    return Frame(planes, WINDOW, WINDOW), camera


ON_FLOOR: dict[str, Any] = {
    "name": "on it",
    "kind": "floor",
    "floor": "found",
    "thickness": 0.4,
    "softness": 0.1,
    "visibility": 0.5,
    "clumping": 0.0,
}


def test_a_layer_follows_a_floor_that_rises_and_is_no_thicker_before_a_wall(build: Builders) -> None:
    # On a plane, a ray that comes down to it at an angle a has thickness / sin(a) of the layer before it.
    for degrees in (0.0, 15.0):
        frame, camera = rising(degrees)
        shot = replace(build.shot(WINDOW, camera=camera), surfaces=frame)
        made = build.run(
            steps(build, ("b", bodies(ON_FLOOR, turbulence=0.0))), frame, shot, wanted=("body_alpha",)
        )["body_alpha"]
        rate = extinction_inside(0.5, shot.path.bands)
        rays, slope = camera.directions(WINDOW), np.tan(np.radians(degrees))
        # Straight up it is .4 m thick, of which the last .1 m are as half of it.
        way = (0.4 - 0.05) / -(rays[1] + slope * rays[2])
        for row, column in ((29, 4), (27, 8), (26, 40)):
            assert np.isfinite(frame.plane("range")[row, column])
            expected = 1.0 - np.exp(-rate * way[row, column])
            assert made[row, column] == pytest.approx(expected, abs=0.02)
        # The wall is no floor: the layer does not climb it.
        high = (np.abs(frame.plane("range") * -rays[2] - 3.0) < 1e-3) & (
            frame.plane("range") * rays[1] > -1.0 + 3.0 * slope + 0.45
        )
        assert high.sum() > 3
        assert made[high].max() < 1e-3


def test_what_hangs_over_a_floor_that_is_not_seen_below_it_is_no_floor(build: Builders) -> None:
    # A ball of 50 cm hangs 65 cm over the floor, two metres before the first of it that the picture shows.
    # Nothing seen near by is lower, but it is no wide surface.
    frame, camera = rising(0.0, tilt_deg=8.0)
    rays = camera.directions(WINDOW).astype(np.float64)
    centre = np.array([0.2, -0.35, -1.6])
    along = np.einsum("irc,i->rc", rays, centre)
    inside = along**2 - centre @ centre + 0.25**2
    hit = inside > 0.0
    range_m = np.where(hit, along - np.sqrt(np.maximum(inside, 0.0)), frame.plane("range")).astype(np.float32)
    alpha = np.isfinite(range_m).astype(np.float32)
    hung = Frame({**frame.planes, "range": range_m, "alpha": alpha}, WINDOW, WINDOW)
    assert hit.sum() > 20

    def covered(picture: Frame) -> F32:
        shot = replace(build.shot(WINDOW, camera=camera), surfaces=picture)
        step = ("b", bodies(ON_FLOOR, turbulence=0.0))
        return build.run(steps(build, step), picture, shot, wanted=("body_alpha",))["body_alpha"]

    with_ball, without = covered(hung), covered(frame)
    np.testing.assert_allclose(with_ball[~hit], without[~hit], atol=0.02)
    assert with_ball[hit].max() < 1e-3


def test_a_layer_without_a_floor_is_not_there_and_told(build: Builders) -> None:
    layer = bodies(ON_FLOOR)
    frame = wall(4.0)
    shot = replace(build.shot(WINDOW), surfaces=frame)
    made = build.run(steps(build, ("b", layer)), frame, shot, wanted=("rgb", "body_light", "body_alpha"))
    assert np.array_equal(made["rgb"], build.run(steps(build), frame, shot)["rgb"])
    assert not made["body_alpha"].any()
    assert not made["body_light"].any()
    assert [line for line in layer.warnings(shot) if "no floor is seen" in line]
    seen, camera = rising(10.0)
    assert layer.warnings(replace(build.shot(WINDOW, camera=camera), surfaces=seen)) == ()
    assert bodies(CLOUD).warnings(shot) == ()


def test_sediment_is_thrown_from_the_floor_that_the_picture_shows(build: Builders) -> None:
    # Where the floor found is a plane of a known height, it is as over that height; on one that rises, it is
    # seen higher up; and where none is seen, it is not there, and that is told.
    keys = tuple(
        {"frame": at, "position": (x, -0.6, -2.0), "grams_per_second": 15.0}
        for at, x in ((970, -0.5), (1001, 0.5))
    )
    source: dict[str, Any] = {"name": "fin", "floor": "found", "track": keys}
    source |= {"reach": 5.0, "rise": 0.15, "sideways": 0.0}
    found = bodies(sediment=(SedimentSource(**source),), turbulence=0.0)
    stated = bodies(sediment=(SedimentSource(**{**source, "floor": -1.0}),), turbulence=0.0)

    def covered(operator: AnyOperator, degrees: float) -> F32:
        frame, camera = rising(degrees)
        shot = replace(build.shot(WINDOW, camera=camera), surfaces=frame)
        return build.run(steps(build, ("b", operator)), frame, shot, wanted=("body_alpha",))["body_alpha"]

    def middle(made: F32) -> float:
        return float((made.sum(axis=1) * np.arange(made.shape[0])).sum() / made.sum())

    level = covered(found, 0.0)
    assert level.max() > 0.2
    np.testing.assert_allclose(level, covered(stated, 0.0), atol=0.02)
    assert middle(covered(found, 15.0)) < middle(level) - 1.0
    nowhere = replace(build.shot(WINDOW), surfaces=wall(4.0))
    assert found.prepare(nowhere) is None
    assert [line for line in found.warnings(nowhere) if "no floor is seen" in line]
    with pytest.raises(GraphError, match='the floor of its body "fin" in the picture'):
        for_element(chain(steps(build, ("clouds", found))), nowhere)


def test_a_layer_on_a_found_floor_has_the_same_bits_for_any_tiles_and_threads(build: Builders) -> None:
    frame, camera = rising(10.0)
    shot = replace(build.shot(WINDOW, camera=camera), surfaces=frame)
    runs = [
        build.run(steps(build, ("b", bodies(ON_FLOOR))), frame, shot, threads=threads, tile_rows=rows)["rgb"]
        for threads, rows in ((1, 30), (2, 1), (3, 7))
    ]
    assert np.array_equal(runs[0], runs[1])
    assert np.array_equal(runs[0], runs[2])


def test_an_element_does_not_know_the_floor_of_its_scene(build: Builders) -> None:
    frame, camera = rising(10.0)
    shot = replace(build.shot(WINDOW, camera=camera), surfaces=frame)
    with pytest.raises(GraphError, match='the floor of its body "on it" in the picture') as refused:
        for_element(chain(steps(build, ("clouds", bodies(ON_FLOOR)))), shot)
    assert refused.value.code == "E-ELEMENT-STEP"
    for_element(chain(steps(build, ("clouds", bodies({**ON_FLOOR, "floor": -1.0})))), shot)


def test_edge_pixels_are_the_mean_of_what_they_show(build: Builders) -> None:
    # A pixel covered in part before open water, and one of two surfaces, are the means of whole pixels. How
    # much of the water's light lies before each is told by attenuation alone: it is out by less than a
    # hundredth.
    shot, cloud = build.shot(WINDOW), ("b", bodies({**CLOUD, "clumping": 0.0}))

    def run(frame: Frame) -> F32:
        return build.run(steps(build, cloud), frame, shot)["rgb"]

    near, far, empty = run(wall(2.4)), run(wall(6.0)), run(wall(np.inf, alpha=0.0))
    for alpha in (0.5, 0.2):
        # No half alone, by which shares of what covers and of what is behind might be the other way round.
        np.testing.assert_allclose(
            run(wall(2.4, alpha=alpha)), alpha * near + (1.0 - alpha) * empty, atol=1e-3
        )
    mixed = wall(2.4)
    share = np.full(WINDOW.shape, 0.25, np.float32)
    planes = {"far_range": np.full_like(share, 6.0), "far_share": share, "far_light": share}
    both = run(replace(mixed, planes={**mixed.planes, **planes}))
    np.testing.assert_allclose(both, 0.75 * near + 0.25 * far, atol=1e-3)


def test_kicked_up_sediment_is_the_same_alone_and_after_others_and_settles(build: Builders) -> None:
    operator = bodies(sediment=(SedimentSource(**{**KICKED, "grain_size": 500e-6, "sorting": 1.0}),))

    def run(frame: int) -> Planes:
        shot = build.shot(WINDOW, frame=frame)
        return build.run(steps(build, ("b", operator)), wall(5.0), shot, wanted=("rgb", "body_alpha"))

    alone = run(1010)["rgb"]
    covered = [float(run(frame)["body_alpha"].mean()) for frame in (975, 1001, 1300)]
    assert np.array_equal(run(1010)["rgb"], alone)
    # It gathers while it is thrown up; coarse sand is down again twelve seconds later.
    assert 0.0 < covered[0] < covered[1]
    assert covered[2] < 0.1 * covered[1]
    assert operator.idle(build.shot(WINDOW, frame=969))


def test_a_body_that_has_not_begun_or_has_fallen_apart_is_not_there(build: Builders) -> None:
    later = bodies({**CLOUD, "begins": 1002.0})
    assert later.idle(build.shot(WINDOW, frame=1001))
    assert not later.idle(build.shot(WINDOW, frame=1010))
    # What begins comes in without a jump: over the seconds that it says.
    frames = [
        build.run(
            steps(build, ("b", later)), wall(6.0), build.shot(WINDOW, frame=number), wanted=("body_alpha",)
        )["body_alpha"].mean()
        for number in (1003, 1014, 1030)
    ]
    assert 0.0 < frames[0] < 0.1 * frames[1] < frames[2]


def test_water_clearer_than_asked_for_has_no_body(build: Builders) -> None:
    assert bodies({**CLOUD, "visibility": 60.0}).idle(build.shot(WINDOW))


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        ({"name": "a"}, "needs position and size"),
        ({"name": "a", "kind": "slab"}, "needs lowest, highest or both"),
        ({"name": "a", "kind": "slab", "lowest": 1.0, "highest": 0.5}, "is not above lowest"),
        ({"name": "a", "kind": "floor"}, "needs floor"),
        ({"name": "a", "kind": "plume"}, "needs a track"),
    ],
)
def test_a_body_without_a_place_is_refused(keys: dict[str, Any], told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        PlacedBody(**keys)


def test_two_bodies_of_one_name_are_refused() -> None:
    with pytest.raises(ValidationError, match="two bodies have the same name"):
        bodies(CLOUD, CLOUD)


def test_the_presets_of_the_page_on_bodies_are_valid_and_show_them(build: Builders) -> None:
    page = (Path(__file__).parents[2] / "docs/bodies.md").read_text(encoding="utf-8")
    texts = re.findall(r"^```toml\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    assert len(texts) == 3
    for text in texts:
        steps_of_look = {step.name: step.operator for step in preset_from_text(text).at(1040).graph.steps}
        assert not steps_of_look["bodies"].idle(build.shot(WINDOW, frame=1040))


def test_light_is_looked_at_wherever_a_body_is(build: Builders, monkeypatch: pytest.MonkeyPatch) -> None:
    lamp = Lamp(np.array([0.5, 0.5, -1.0]), np.array([0.0, 0.0, -1.0]), np.full(6, 9.0), 60.0, 5.0, 0.02)
    shot = replace(build.shot(WINDOW), lamps=(lamp,))
    aside = bodies({**CLOUD, "position": (1.2, 0.4, -3.0), "size": (0.8, 0.8, 0.8)}, turbulence=0.1)
    near = build.run([("b", aside)], wall(5.0), shot)["rgb"]
    changed = np.abs(near - 0.2).max(axis=0) > 1e-3
    assert 0.01 < changed.mean() < 0.4

    def everywhere(volume: TurbidVolume, rays: F32) -> NDArray[np.bool_]:
        return np.ones((*rays.shape[1:], len(volume.nodes)), np.bool_)

    monkeypatch.setattr(TurbidVolume, "_may_meet", everywhere)
    assert np.array_equal(near, build.run([("b", aside)], wall(5.0), shot)["rgb"])


def test_what_stands_in_a_frames_light_is_placed_once(
    build: Builders, monkeypatch: pytest.MonkeyPatch
) -> None:
    one, other = bodies(CLOUD), bodies({**CLOUD, "visibility": 0.4})
    shot = replace(build.shot(WINDOW), step="one")
    stands = one.stands_in_light(shot)
    assert stands is not None
    lit = replace(shot, bodies=(stands,), shadows=False)
    placed = TurbidBodies._bodies
    count: list[int] = []

    def counted(self: TurbidBodies, *how: Any) -> list[TurbidBody]:
        count.append(1)
        return placed(self, *how)

    monkeypatch.setattr(TurbidBodies, "_bodies", counted)
    made = build.run([("one", one)], wall(5.0), lit)
    assert not count
    # As it looks, not as it counts for light: what is turned by little only is hidden too.
    assert stands.seen[0].extinction_per_m > 1.5 * stands.bodies[0].extinction_per_m
    anew = build.run([("one", one)], wall(5.0), replace(lit, bodies=()))
    assert len(count) >= 1
    assert np.array_equal(made["rgb"], anew["rgb"])
    count.clear()
    for elsewhere, operator in ((replace(lit, step="two"), one), (lit, other)):
        operator.prepare(elsewhere)
    assert len(count) == 2


def test_something_thin_before_open_water_leaves_every_pixel_a_number(build: Builders) -> None:
    # Covered in part, and no surface behind: an endless range among what lies before it.
    planes = wall(np.inf, alpha=0.5).planes
    frame = Frame({**planes, "coverage": np.full(WINDOW.shape, 0.5, np.float32)}, WINDOW, WINDOW)
    wet = build.run(steps(build, ("b", bodies(CLOUD))), frame, build.shot(WINDOW))["rgb"]
    assert np.isfinite(wet).all()


NIGHT = Window(0, 0, 161, 5)


def lamp_ahead(
    build: Builders,
    lamp_m: float,
    cloud: dict[str, Any] | None,
    *more: dict[str, Any],
    view_deg: float = 2.0,
    glow: float = 1.0,
) -> dict[str, F32]:
    """Return a night's picture of a lamp that shines into the lens, with a cloud ahead or without one.

    More clouds are in steps of their own.
    """
    camera = build.camera(NIGHT, horizontal_view_deg=view_deg)
    path = build.path(build.grey_bands(0.12, 0.42, 0.2), daylight_level=0.0)
    lamp = Lamp(np.array([0.0, 0.0, -lamp_m]), np.array([0.0, 0.0, 1.0]), np.ones(4), 30.0, 1.0, 0.02)
    shot = replace(build.shot(NIGHT, path=path, camera=camera), lamps=(lamp,))
    laid: list[tuple[str, AnyOperator]] = [
        ("haze", build.operator("lamp_backscatter", brightest=1e9, glow=glow))
    ]
    wanted = ["bands", "lamp_haze"]
    dimmed = lamp
    for number, each in enumerate([cloud, *more] if cloud is not None else []):
        operator = bodies(each, turbulence=0.0)
        standing = operator.stands_in_light(shot)
        assert standing is not None
        dimmed = standing.dimming(dimmed)
        laid.append((f"bodies {number}", operator))
        wanted = ["bands", "lamp_haze", "body_light"]
    if cloud is not None:
        shot = replace(shot, lamps=through_bodies((dimmed,), path, camera, NIGHT))
    shape = NIGHT.shape
    planes = {"rgb": np.zeros((3, *shape)), "alpha": np.ones(shape), "range": np.full(shape, 12.0)}
    frame = Frame({name: plane.astype(np.float32) for name, plane in planes.items()}, NIGHT, NIGHT)
    made = build.run(laid, frame, shot, wanted=wanted)
    return {name: made[name] for name in wanted}


def cloud_of_depth(depth: float, **more: Any) -> dict[str, Any]:
    """Return a cloud of an optical depth along its middle, a metre, with an edge as sharp as may be."""
    sight = KOSCHMIEDER / (depth + 0.54)
    place = {"position": (0.0, 0.0, -3.0), "size": (1.0, 1.5, 1.5), "softness": 0.02}
    return {"name": "c", **place, "visibility": sight, "clumping": 0.0, **more}


def test_the_face_of_a_lamp_is_seen_through_a_cloud_as_it_stands_behind_it(build: Builders) -> None:
    row, middle = 2, 80
    for depth in (0.7, 2.0, 4.0):
        plain = lamp_ahead(build, 6.0, None)
        made = lamp_ahead(build, 6.0, cloud_of_depth(depth, albedo=(0.0, 0.0, 0.0)))
        kept = made["bands"][:, row, middle] / plain["bands"][:, row, middle]
        # What the water throws in before it is a hundredth of it.
        assert kept == pytest.approx(np.exp(-depth), rel=0.04, abs=0.016)
        told = made["lamp_haze"] + made["body_light"]
        np.testing.assert_allclose(told, made["bands"], rtol=1e-4, atol=1e-5 * plain["bands"].max())
    # One before the cloud stays as it is, but for the water's haze, which counts as even along the way.
    plain, made = (lamp_ahead(build, 1.5, each) for each in (None, cloud_of_depth(4.0)))
    kept = made["bands"][:, row, middle] / plain["bands"][:, row, middle]
    assert kept == pytest.approx(1.0, abs=0.03)


def test_a_lamp_behind_clouds_of_two_steps_is_hidden_by_both(build: Builders) -> None:
    near = cloud_of_depth(1.5, albedo=(0.0, 0.0, 0.0))
    far = {**near, "position": (0.0, 0.0, -4.5)}
    plain, made = lamp_ahead(build, 6.0, None), lamp_ahead(build, 6.0, near, far)
    kept = made["bands"] / plain["bands"]
    assert kept.min() > 0.0
    assert kept[:, 2, 80] == pytest.approx(np.exp(-3.0), rel=0.06, abs=0.012)
    told = made["lamp_haze"] + made["body_light"]
    assert told.min() > 0.0
    # Of the glow no more is taken than by both, and no less.
    less = (
        lamp_ahead(build, 6.0, near, far, glow=0.0)["bands"],
        lamp_ahead(build, 6.0, None, glow=0.0)["bands"],
    )
    glow = (made["bands"] - less[0])[0, 2, 110:160] / (plain["bands"] - less[1])[0, 2, 110:160]
    np.testing.assert_allclose(glow, np.exp(-3.0), rtol=0.08)


def test_the_glow_of_a_lamp_behind_a_cloud_has_come_through_it_once(build: Builders) -> None:
    # On its way to where the water turns it, or on the way on from there: all of it, and none of it twice.
    def glow(cloud: dict[str, Any] | None) -> F32:
        more, less = (lamp_ahead(build, 6.0, cloud, glow=strength)["bands"][0, 2] for strength in (1.0, 0.0))
        found: F32 = (more - less)[110:160]
        return found

    whole, left = glow(None), glow(cloud_of_depth(0.7, albedo=(0.0, 0.0, 0.0)))
    np.testing.assert_allclose(left / whole, np.exp(-0.7), rtol=0.04)


def test_beside_a_lamp_behind_a_cloud_there_is_about_what_followed_light_leaves(build: Builders) -> None:
    # tools/follow_lamp_light.py, the same water, lamp and cloud, of matter that turns light on. Of the haze
    # about the lamp a little too much is taken.
    off = {0.5: 0.04, 1.0: 0.06, 2.0: 0.06, 4.0: 0.08, 8.0: 0.07}
    table = Path(__file__).parents[1] / "reference/data/lamp_behind_a_cloud.csv"
    plain = lamp_ahead(build, 6.0, None, view_deg=20.0)["bands"][0, 2]
    for line in table.read_text(encoding="utf-8").splitlines()[1:]:
        depth, angle, truth, _ = map(float, line.split(","))
        if angle in off:
            made = lamp_ahead(build, 6.0, cloud_of_depth(depth), view_deg=20.0)["bands"][0, 2]
            place = 80.0 + 80.5 * np.tan(np.radians(angle)) / np.tan(np.radians(10.0))
            kept = float(np.interp(place, np.arange(161), made / plain))
            assert kept == pytest.approx(truth, abs=off[angle])
            # Without what matter turns on of a light from behind, a third of that.
            assert angle < 8.0 or kept > 0.5 * truth
