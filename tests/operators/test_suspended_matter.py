"""Suspended matter on pictures: laws that hold whatever floats."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from pydantic import ValidationError
from tests.conftest import Builders

from halocline.errors import ReadError
from halocline.files.named_by_presets import PictureFile
from halocline.graph.operator import AnyOperator
from halocline.graph.shot import Shot
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.operators.shared.water_shade import water_shade
from halocline.operators.suspended_matter import MatterClass, SuspendedMatter, SuspendedMatterParameters
from halocline.physics.path.lamps import Lamp

WINDOW = Window(-3, -2, 64, 40)
THICK = MatterClass(name="thick", per_litre=40.0, smallest=1e-3, largest=6e-3, clumping=0.3)
SNOW = MatterClass(
    name="snow", kind="aggregate", per_litre=8.0, smallest=1e-3, largest=9e-3, sinking="aggregate"
)


def matter(*classes: MatterClass, **changes: Any) -> SuspendedMatter:
    return SuspendedMatter(SuspendedMatterParameters(classes=classes or (THICK,), **changes))


def wet(build: Builders, *operators: tuple[str, AnyOperator]) -> list[tuple[str, AnyOperator]]:
    core = [(name, build.operator(name)) for name in ("attenuation", "veiling_light")]
    return [*core, *operators]


def wall(range_m: float, window: Window = WINDOW, alpha: float = 1.0) -> Frame:
    shape = window.shape
    planes = {
        "rgb": np.full((3, *shape), 0.2 * alpha, np.float32),
        "alpha": np.full(shape, alpha, np.float32),
        "range": np.full(shape, range_m, np.float32),
    }
    return Frame(planes, window, window)


def test_no_density_leaves_every_bit(build: Builders) -> None:
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    clean = build.run(wet(build), frame, shot)
    none = MatterClass(name="none", per_litre=0.0)
    for empty in (matter(density=0.0), matter(none)):
        same = build.run(wet(build, ("matter", empty)), frame, shot)
        assert (same["rgb"] == clean["rgb"]).all()
        assert (same["alpha"] == clean["alpha"]).all()


@pytest.mark.parametrize("kind", [THICK, SNOW])
@pytest.mark.parametrize("averaged", [False, True])
def test_any_tiles_and_threads_give_the_same_bits(build: Builders, kind: MatterClass, averaged: bool) -> None:
    frame, shot = build.frame(WINDOW, averaged_depth=averaged), build.shot(WINDOW)
    wanted = ("rgb", "alpha", "particles", "particle_alpha", "particle_range")
    runs = [
        build.run(
            wet(build, ("matter", matter(kind))), frame, shot, wanted=wanted, threads=threads, tile_rows=rows
        )
        for threads, rows in ((1, 40), (2, 1), (3, 7))
    ]
    for name in wanted:
        for other in runs[1:]:
            assert np.array_equal(runs[0][name], other[name], equal_nan=True)


def test_a_frame_is_the_same_alone_and_after_others(build: Builders) -> None:
    operator = matter(SNOW, turbulence=0.1, current=(0.1, 0.0, 0.0))
    frame = wall(5.0)
    alone = build.run(wet(build, ("matter", operator)), frame, build.shot(WINDOW, frame=1050))
    for number in (1049, 1003, 1051):
        build.run(wet(build, ("matter", operator)), frame, build.shot(WINDOW, frame=number))
    again = build.run(wet(build, ("matter", matter(SNOW, turbulence=0.1, current=(0.1, 0.0, 0.0)))), frame,
                      build.shot(WINDOW, frame=1050))  # fmt: skip
    assert (alone["rgb"] == again["rgb"]).all()


def test_nothing_is_drawn_behind_a_wall_in_front_of_all(build: Builders) -> None:
    made = build.run(
        wet(build, ("matter", matter())),
        wall(0.1),
        build.shot(WINDOW),
        wanted=("particle_alpha", "particle_range"),
    )
    assert not made["particle_alpha"].any()
    assert np.isinf(made["particle_range"]).all()


def test_farther_wall_shows_more_particles_each_in_front_of_it(build: Builders) -> None:
    total = []
    for distance in (0.5, 1.0, 3.0):
        made = build.run(
            wet(build, ("matter", matter())),
            wall(distance),
            build.shot(WINDOW),
            wanted=("particle_alpha", "particle_range"),
        )
        drawn = made["particle_alpha"] > 0
        total.append(made["particle_alpha"].sum())
        assert made["particle_range"][drawn].max() <= distance + THICK.largest
    assert total[0] < total[1] < total[2]


def test_open_share_of_a_pixel_shows_what_is_behind_its_edge(build: Builders) -> None:
    frame = wall(0.1, alpha=0.25)
    covered = Frame({**frame.planes, "coverage": frame.planes["alpha"]}, WINDOW, WINDOW)
    operators = wet(build, ("matter", matter()))
    part = build.run(operators, covered, build.shot(WINDOW), wanted=("particle_alpha",))["particle_alpha"]
    whole = build.run(operators, wall(np.inf, alpha=0.0), build.shot(WINDOW), wanted=("particle_alpha",))
    thin = whole["particle_alpha"] < 0.2
    assert part[thin].sum() == pytest.approx(0.75 * whole["particle_alpha"][thin].sum(), rel=0.02)


def test_layer_recombines_with_the_picture_before_it(build: Builders) -> None:
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    before = build.run(wet(build), frame, shot, wanted=("bands",))["bands"]
    operator = matter(haze=0.0)
    made = build.run(
        wet(build, ("matter", operator)), frame, shot, wanted=("bands", "particles", "particle_alpha")
    )
    joined = before * (1.0 - made["particle_alpha"]) + made["particles"]
    assert joined == pytest.approx(made["bands"], rel=1e-5, abs=1e-6)


def test_haze_takes_over_what_is_not_drawn(build: Builders) -> None:
    # A class seen whole, and the same class with nearly all of it left to the haze: the mean over the
    # picture is the same light, within the noise of some thousand particles.
    window = Window(0, 0, 90, 60)
    dense = MatterClass(
        name="dense", per_litre=120.0, smallest=2e-3, largest=4e-3, clumping=0.0, brightness_spread=0.0
    )
    means = []
    for angle in (0.003, 3.0 / 57.3):
        operator = matter(dense, smallest_angle=angle, most_particles=400_000, lens={"f_number": 1000.0})
        made = build.run(wet(build, ("matter", operator)), wall(3.0, window), build.shot(window))
        means.append(made["rgb"].mean(axis=(1, 2)))
    clean = build.run(wet(build), wall(3.0, window), build.shot(window))["rgb"].mean(axis=(1, 2))
    added = [mean - clean for mean in means]
    assert np.abs(added[0]).max() > 0.005
    assert added[1] == pytest.approx(added[0], rel=0.15, abs=0.002)


SILT: dict[str, Any] = {"name": "silt", "kind": "haze", "per_litre": 2e5, "smallest": 2e-5, "largest": 1e-4}


def black(range_m: float, window: Window, **planes: Any) -> Frame:
    """A black wall all over, and what else is told of it."""
    rows = {name: np.broadcast_to(np.float32(plane), window.shape).copy() for name, plane in planes.items()}
    return wall(range_m, window).with_planes(rgb=np.zeros((3, *window.shape), np.float32), **rows)


@pytest.mark.parametrize("edges", [{}, {"far_range": 3.0, "far_share": 0.4, "far_light": 0.4}])
def test_haze_is_shaded_by_things_as_the_water_is(build: Builders, edges: dict[str, float]) -> None:
    window = Window(0, 0, 64, 36)
    camera = build.camera(window, tilt_deg=35.0)
    frame = black(3.0, window, **edges)
    frame.planes["alpha"][:, 24:], frame.planes["range"][:, 24:] = 0.0, np.inf
    for name in edges:
        frame.planes[name][:, 24:] = 0.0
    shot = replace(build.shot(window, camera=camera), surfaces=frame)
    silt = [("silt", matter(MatterClass(clumping=0.0, **SILT)))]
    lit = build.run(silt, frame, replace(shot, shadows=False), wanted=("bands",))["bands"]
    made = build.run(silt, frame, shot, wanted=("bands",))["bands"]
    shade = water_shade(shot)
    assert shade is not None
    left = build.left_before(shade, window, frame.planes["range"])
    assert left.min() < 0.8
    np.testing.assert_allclose(made / lit, left, rtol=2e-3)


def test_haze_is_as_uneven_as_its_matter_and_an_edge_is_hazed_by_both_its_things(build: Builders) -> None:
    window = Window(0, 0, 64, 36)
    shot = build.shot(window)

    def light(frame: Frame, clumping: float = 0.0) -> Any:
        silt = matter(MatterClass(clumping=clumping, clump_scale=0.5, **SILT))
        return build.run([("silt", silt)], frame, shot, wanted=("bands",))["bands"]

    near, far = light(black(2.0, window)), light(black(9.0, window))
    rough = light(black(2.0, window), clumping=1.5) / near
    assert rough.std() > 0.05
    edge = light(black(2.0, window, far_range=9.0, far_share=0.3, far_light=0.3))
    assert (far > 1.1 * near).all()
    np.testing.assert_allclose(edge, 0.7 * near + 0.3 * far, rtol=2e-3)


def test_haze_takes_of_an_edge_what_it_takes_of_both_its_things_by_their_shares(build: Builders) -> None:
    window = Window(0, 0, 160, 36)
    silt = ("silt", matter(MatterClass(clumping=0.0, **SILT)))
    veil = ("veil", build.operator("veiling_light"))
    share = np.zeros(window.shape, np.float32)
    share[:, 70] = 0.3
    edges = {"far_range": np.full(window.shape, 9.0, np.float32), "far_share": share, "far_light": share}

    def light(frame: Frame, *steps: tuple[str, AnyOperator]) -> Any:
        return build.run([*steps], frame, build.shot(window), wanted=("bands",))["bands"]

    def left(range_m: float, **planes: Any) -> tuple[Any, Any]:
        dark = black(range_m, window, **planes)
        bright = replace(dark, planes={**dark.planes, "rgb": np.ones_like(dark.planes["rgb"])})
        own, thrown = light(dark, silt), light(dark, veil)
        return light(bright, silt) - own, (light(dark, veil, silt) - own) / thrown

    near, far, both = left(2.0), left(9.0), left(2.0, **edges)
    for by_near, by_far, by_both in zip(near, far, both, strict=True):
        assert (by_far < 0.97 * by_near).all()
        mixed = by_near + share * (by_far - by_near)
        np.testing.assert_allclose(by_both, mixed, rtol=2e-3)


def test_a_lamp_that_is_seen_is_hidden_by_haze_as_a_wall_at_its_range(build: Builders) -> None:
    # At night; matter that lies before both turns light of the lamp as well, which is left out by its albedo.
    window = Window(0, 0, 61, 5)
    path = build.path(daylight_level=0.0)
    camera = build.camera(window, horizontal_view_deg=2.0)
    dark = MatterClass(clumping=0.0, albedo=(0.02, 0.02, 0.02), **SILT)
    lamp = Lamp(np.array([0.0, 0.0, -6.0]), np.array([0.0, 0.0, 1.0]), np.ones(6), 30.0, 1.0, 0.012)
    unlit = build.shot(window, path=path, camera=camera)
    lit = replace(unlit, lamps=(lamp,))
    water, haze = ("lamps", build.operator("lamp_backscatter", brightest=1e9)), ("silt", matter(dark))
    night = black(12.0, window)
    plain, seen = build.run([water], night, lit, wanted=("bands", "lamp_seen")).values()
    made = build.run([water, haze], night, lit, wanted=("bands", "lamp_haze", "matter_light", "lamp_seen"))
    walls = [
        build.run(
            [("water", build.operator("attenuation")), *more], wall(6.0, window), unlit, wanted=("bands",)
        )
        for more in ([], [haze])
    ]
    expected = (walls[1]["bands"] / walls[0]["bands"])[:, 2, 30]
    assert (expected < 0.7).all()
    assert (made["lamp_seen"] / seen)[:, 2, 30] == pytest.approx(expected, rel=1e-3)
    # What the water before the lamp turns to the lens lies nearer, and loses less.
    glow = ((made["bands"] - made["lamp_seen"]) / (plain - seen))[:, 2, 30]
    assert (glow > 1.1 * expected).all()
    assert (glow < 0.95).all()
    assert (plain - seen)[:, 2, 30].max() < 0.15 * plain[:, 2, 30].max()
    told = made["lamp_haze"] + made["matter_light"]
    np.testing.assert_allclose(told, made["bands"], atol=1e-5 * plain.max())


@pytest.mark.parametrize("asymmetry", [0.0, 0.7])
def test_the_seam_between_particles_and_haze_is_not_seen_in_lamp_light(
    build: Builders, asymmetry: float
) -> None:
    # At night before a black wall all light is that of particles. All drawn, half and half, all haze: within
    # 3 %, of which the noise of 70 000 particles is one. A lamp on an arm lights the first metre most.
    window = Window(0, 0, 90, 60)
    path = replace(build.path(), daylight_level=0.0)
    count = path.bands.count
    lamp = Lamp(np.array([0.5, 0.2, 0.0]), np.array([-0.1, 0.0, -1.0]), np.full(count, 9.0), 60.0, 20.0, 0.05)
    shot = replace(build.shot(window, path=path), lamps=(lamp,))
    dense = MatterClass(
        name="dense",
        per_litre=40.0,
        smallest=1e-3,
        largest=2e-3,
        clumping=0.0,
        brightness_spread=0.0,
        asymmetry=asymmetry,
    )
    black = wall(2.0, window)
    black.planes["rgb"][:] = 0.0
    means = []
    for angle in (0.003, 0.06, 1.0):
        operator = matter(
            dense,
            smallest_angle=angle,
            most_particles=400_000,
            nearest=0.3,
            lamp_haze=0.0,
            lens={"f_number": 1000.0},
        )
        made = build.run([("matter", operator)], black, shot)
        means.append(made["rgb"].mean(axis=(1, 2)))
    assert means[0].min() > 0.0
    assert means[1] == pytest.approx(means[0], rel=0.03)
    assert means[2] == pytest.approx(means[0], rel=0.03)


def _moving(build: Builders, frame: int, speed_m: float, shutter_deg: float) -> Shot:
    still = build.camera(WINDOW)
    cameras = {}
    for number in (frame - 1, frame, frame + 1):
        cameras[number] = type(still)(
            **{**vars(still), "position_m": np.array([speed_m * (number - frame), 0.0, 0.0])}
        )
    shot = build.shot(WINDOW, frame=frame)
    return Shot(
        **{
            **vars(shot),
            "track": CameraTrack({float(number): lens for number, lens in cameras.items()}),
            "shutter_deg": shutter_deg,
        }
    )


def test_shutter_smears_but_keeps_the_light(build: Builders) -> None:
    operator = matter(haze=0.0, lens={"f_number": 1000.0}, nearest=0.6)
    sharp, smeared = (
        build.run(
            wet(build, ("matter", operator)),
            wall(2.0),
            _moving(build, 1001, 0.06, shutter),
            wanted=("particle_alpha",),
        )["particle_alpha"]
        for shutter in (0.0, 360.0)
    )
    assert smeared.max() < sharp.max()
    assert smeared.sum() == pytest.approx(sharp.sum(), rel=0.15)


def test_world_drift_is_the_same_as_moving_the_camera_the_other_way(build: Builders) -> None:
    quiet: dict[str, Any] = {"turbulence": 0.0, "haze": 0.0}
    drifted = matter(**quiet, drift=({"frame": 1000, "translation": (0.3, 0.0, 0.1)},))
    moved = build.shot(WINDOW)
    camera = moved.camera
    other = type(camera)(**{**vars(camera), "position_m": camera.position_m - [0.3, 0.0, 0.1]})
    layers = [
        build.run(wet(build, ("m", operator)), wall(2.5), shot, wanted=("particle_alpha",))["particle_alpha"]
        for operator, shot in (
            (drifted, build.shot(WINDOW)),
            (matter(**quiet), build.shot(WINDOW, camera=other)),
        )
    ]
    assert layers[0] == pytest.approx(layers[1], abs=1e-4)
    assert layers[0].any()


def test_lamps_light_particles_near_them(build: Builders) -> None:
    path = build.path(veil_brightness=0.0, depth_m=60.0, reference_depth_m=0.0)
    dark = build.shot(WINDOW, path=path)
    lamp = Lamp(
        np.array([0.4, 0.3, 0.0]),
        np.array([0.0, 0.0, -1.0]),
        np.full(path.bands.count, 20.0),
        30.0,
        20.0,
        0.05,
    )
    lit = Shot(**{**vars(dark), "lamps": (lamp,)})
    quiet = matter(haze=0.0, lamp_haze=0.0)
    light = [
        build.run(wet(build, ("m", quiet)), wall(3.0), shot, wanted=("particles",))["particles"]
        for shot in (dark, lit)
    ]
    assert light[1].sum() > 100.0 * light[0].sum()


def test_pictures_of_ones_own_drift_in_the_water(build: Builders, tmp_path: Path) -> None:
    leaf = np.zeros((20, 30, 4), np.uint8)
    leaf[4:16, 5:25] = (30, 200, 40, 255)
    cv2.imwrite(str(tmp_path / "leaf.png"), leaf)
    weed = MatterClass(
        name="weed",
        kind="picture",
        images=(PictureFile(path=str(tmp_path / "leaf.png")),),
        per_litre=0.05,
        smallest=0.03,
        largest=0.09,
    )
    made = build.run(
        wet(build, ("m", matter(weed, haze=0.0))),
        wall(6.0),
        build.shot(WINDOW),
        wanted=("particles", "particle_alpha"),
    )
    assert made["particle_alpha"].max() > 0.3
    red, green, _ = np.tensordot(build.bands().down, made["particles"].sum(axis=(1, 2)), 1)
    assert green > red


def test_file_that_is_no_picture_says_which_and_how_to_fix_it(build: Builders, tmp_path: Path) -> None:
    (tmp_path / "leaf.png").write_text("no picture")
    leaf = PictureFile(path=str(tmp_path / "leaf.png"))
    weed = MatterClass(name="weed", kind="picture", images=(leaf,), smallest=0.03, largest=0.09)
    with pytest.raises(ReadError, match="sprite") as caught:
        build.run(wet(build, ("m", matter(weed))), wall(6.0), build.shot(WINDOW))
    assert "leaf.png" in str(caught.value)
    assert "EXR or PNG" in str(caught.value)


def test_impossible_parameters_are_refused_in_words() -> None:
    with pytest.raises(ValidationError, match="not below largest"):
        MatterClass(name="x", smallest=0.01, largest=0.001)
    with pytest.raises(ValidationError, match="same name"):
        matter(THICK, THICK)
    with pytest.raises(ValidationError, match="needs at least one"):
        MatterClass(name="x", kind="picture")


def test_caustics_play_on_the_particles(build: Builders) -> None:
    shot = build.shot(WINDOW, path=build.path(depth_m=4.0, surface_sun_share=0.9))
    light = [
        build.run(wet(build, ("m", matter(**more))), wall(3.0), shot, wanted=("particles",))["particles"]
        for more in ({}, {"caustics": True, "surface": {"detail": 256}})
    ]
    assert light[1].sum() == pytest.approx(light[0].sum(), rel=0.35)
    assert np.abs(light[1] - light[0]).max() > 0.05 * light[0].max()


def test_wakes_and_drift_keep_the_same_bits_alone(build: Builders) -> None:
    busy: dict[str, Any] = {
        "wakes": ({"track": ({"frame": 990, "nose": (-2.0, 0, -2)}, {"frame": 1010, "nose": (2.0, 0, -2)})},),
        "drift": ({"frame": 990}, {"frame": 1010, "translation": (0.4, 0, 0), "rotation": (0, 8.0, 0)}),
    }
    calm, stirred, again = (
        build.run(
            # Some ten thousand particles.
            wet(build, ("m", matter(density=0.1, **changes))),
            wall(2.5),
            build.shot(WINDOW),
            wanted=("particle_alpha",),
            tile_rows=rows,
        )["particle_alpha"]
        for changes, rows in (({}, WINDOW.height), (busy, WINDOW.height), (busy, 3))
    )
    assert (stirred != calm).mean() > 0.05
    assert (stirred == again).all()


def drawn(build: Builders, name: str) -> Any:
    """The particles of one step of a name, by themselves."""
    made = build.run(wet(build, (name, matter())), wall(6.0), build.shot(WINDOW), wanted=("particles",))
    return made["particles"]


def test_a_steps_name_keys_what_it_draws(build: Builders) -> None:
    """Two steps of the same matter are twice the matter, not the same grains twice."""
    usual, again, other = (drawn(build, name) for name in ("suspended_matter", "suspended_matter", "near"))
    assert (usual == again).all()
    # Grains in the same places would correlate by 1; less the light they hang in, these share nothing.
    fine = [plane[0] - cv2.blur(plane[0], (5, 5)) for plane in (usual, other)]
    assert abs(np.corrcoef(fine[0].ravel(), fine[1].ravel())[0, 1]) < 0.2


def test_a_step_called_like_its_operator_draws_by_the_seed_itself(build: Builders) -> None:
    shot = build.shot(WINDOW)
    assert shot.step_seed("suspended_matter") == shot.seed
    named = [replace(shot, step=name) for name in ("suspended_matter", "near", "far")]
    assert named[0].step_seed("suspended_matter") == shot.seed
    assert len({each.step_seed("suspended_matter") for each in named}) == 3


def test_the_waters_eddies_are_the_same_for_all_steps(build: Builders) -> None:
    """What floats is carried by one water, whatever its step is called."""
    stirred = matter(turbulence=0.2)
    motions = [stirred._motion(replace(build.shot(WINDOW), step=name)) for name in ("near", "far")]
    places = np.array([[0.1, 0.2, -3.0], [1.0, -0.4, -2.0]])
    moved = [motion.turbulence.displacement(places, 1.5) for motion in motions]
    assert moved[0].any()
    assert (moved[0] == moved[1]).all()


@pytest.mark.parametrize(("nearest", "farthest", "before"), [(0.5, 2.5, True), (3.5, 6.0, False)])
def test_flakes_hide_a_lamp_that_is_seen_only_from_before_it(
    build: Builders, nearest: float, farthest: float, before: bool
) -> None:
    window = Window(0, 0, 61, 41)
    camera = build.camera(window, horizontal_view_deg=8.0)
    lamp = Lamp(np.array([0.0, 0.0, -3.0]), np.array([0.0, 0.0, 1.0]), np.ones(6), 30.0, 1.0, 0.012)
    lit = replace(build.shot(window, path=build.path(daylight_level=0.0), camera=camera), lamps=(lamp,))
    flakes = MatterClass(
        name="flakes", per_litre=3.0, smallest=2e-2, largest=2.5e-2, clumping=0.0, opacity=0.8
    )
    how: dict[str, Any] = {"smallest_angle": 1e-4, "haze": 0.0, "lens": {"f_number": 1000.0}}
    water = ("lamps", build.operator("lamp_backscatter", brightest=1e9))
    drawn = ("flakes", matter(flakes, nearest=nearest, farthest=farthest, **how))
    black = wall(7.0, window).with_planes(rgb=np.zeros((3, *window.shape), np.float32))
    planes = ("lamp_haze", "matter_light", "lamp_seen", "particles", "particle_alpha")
    plain, seen = build.run([water], black, lit, wanted=("bands", "lamp_seen")).values()
    made = build.run([water, drawn], black, lit, wanted=("bands", *planes))
    alpha = made["particle_alpha"]
    assert 0.05 < alpha.mean() < 0.95
    left = seen * (1.0 - alpha) if before else seen
    np.testing.assert_allclose(made["lamp_seen"], left, rtol=1e-4, atol=1e-6 * seen.max())
    rest = (plain - seen) * (1.0 - alpha) + made["particles"]
    np.testing.assert_allclose(made["bands"], rest + left, rtol=1e-3, atol=1e-5 * plain.max())
    told = made["lamp_haze"] + made["matter_light"]
    np.testing.assert_allclose(told, made["bands"], rtol=1e-3, atol=1e-5 * plain.max())
