"""Steps in pictures of all directions: as an ordinary camera sees them, with neither seam nor poles."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose
from tests.conftest import Builders

from halocline._typing import F32
from halocline.errors import GraphError
from halocline.graph.operator import AnyOperator
from halocline.imaging.camera import Camera, pinhole, turned_axes
from halocline.imaging.frame import Frame, Window
from halocline.imaging.panorama import panorama
from halocline.physics.path.lamps import Lamp

ROWS = 96
ALL = Window(0, 0, 2 * ROWS, ROWS)
FLAT = Window(0, 0, 120, 68)
Steps = Sequence[tuple[str, AnyOperator]]


def placed(pan_deg: float, tilt_deg: float = 0.0) -> np.ndarray:
    matrix = np.eye(4)
    matrix[:3, :3] = turned_axes(np.eye(3), pan_deg=pan_deg, tilt_deg=tilt_deg, roll_deg=0.0)
    return matrix


def around(pan_deg: float, rows: int = ROWS) -> Camera:
    return panorama(
        Window(0, 0, 2 * rows, rows), pixels="edges", camera_to_world=placed(pan_deg), focal_length_mm=8.0
    )


def scene(build: Builders, camera: Camera, window: Window) -> Frame:
    """Return a floor with soft waves of colour 6 m below the lens and a ball, open water beyond 40 m."""
    rays = camera.directions(window).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        floor = np.where(rays[1] < 0, 6.0 / -rays[1], np.inf)
        middle = np.array([3.0, -1.0, -5.0])
        along = np.einsum("i,irc->rc", middle, rays)
        inside = along**2 - middle @ middle + 4.0
        ball = np.where((inside > 0) & (along > 0), along - np.sqrt(np.maximum(inside, 0.0)), np.inf)
    metres = np.minimum(floor, ball)
    metres[metres > 40.0] = np.inf
    alpha = np.isfinite(metres).astype(np.float32)
    place = rays * np.where(alpha > 0, metres, 0.0)
    tone = (0.4 + 0.15 * np.sin(0.5 * place[0]) * np.sin(0.5 * place[2])) * alpha
    planes = {"rgb": np.stack([tone, 0.8 * tone, 0.6 * tone]), "alpha": alpha, "range": metres}
    return Frame({name: plane.astype(np.float32) for name, plane in planes.items()}, window, window)


def wet(
    build: Builders, camera: Camera, window: Window, steps: Steps, *, lamps: tuple[Lamp, ...] = ()
) -> F32:
    frame = scene(build, camera, window)
    # What stands beside an ordinary camera's picture would shade only the water of those that see it.
    shot = replace(build.shot(window, camera=camera, path=build.path(depth_m=8.0)), shadows=False)
    return build.run(steps, frame, replace(shot, surfaces=frame, lamps=lamps))["rgb"]


def cropped(whole: F32, camera: Camera, flat: Camera, window: Window) -> F32:
    """Return what an ordinary camera sees of a panorama, by OpenCV's lookup."""
    rays = flat.directions(window).reshape(3, -1).T.astype(np.float64)
    pixels = camera.project(rays + camera.position_m)[0].reshape(*window.shape, 2).astype(np.float32)
    wide = np.ascontiguousarray(np.moveaxis(np.pad(whole, ((0, 0), (0, 0), (2, 2)), mode="wrap"), 0, 2))
    seen = cv2.remap(wide, pixels[..., 0] + 1.5, pixels[..., 1] - 0.5, cv2.INTER_LINEAR)
    return np.moveaxis(np.asarray(seen, np.float32), 2, 0)


def core(build: Builders) -> list[tuple[str, AnyOperator]]:
    return [(name, build.operator(name)) for name in ("downwelling", "attenuation", "veiling_light")]


def particles(build: Builders, **more: Any) -> AnyOperator:
    """Return few large particles, sharp, the same for any width of view."""
    kind = {"name": "big", "per_litre": 0.6, "smallest": 0.02, "largest": 0.06, "clumping": 0.0} | more
    return build.operator(
        "suspended_matter",
        classes=(kind,),
        farthest=3.0,
        smallest_angle=0.2,
        most_particles=2_000_000,
        lens={"f_number": 64.0, "focus": 2.0},
    )


def look(build: Builders, kind: str) -> Steps:
    steps = core(build)
    if kind == "surface":
        return [*steps, ("sky_window", build.operator("sky_window"))]
    if kind == "particles":
        return [*steps, ("suspended_matter", particles(build))]
    if kind == "pattern":
        # Caustics, held to few rays of light for the test's sake.
        sea = {"detail": 256, "softness": 2.0}
        return [("caustics", build.operator("caustics", surface=sea)), *steps]
    return steps


# Share of the mean by which a blurred crop may be off at most places, by the coarseness of the panorama.
@pytest.mark.parametrize(
    ("kind", "tilt_deg", "tolerance"),
    [("water", -15.0, 0.01), ("water", -85.0, 0.01), ("surface", 80.0, 0.01), ("particles", -15.0, 0.03)],
)
def test_a_crop_of_a_panorama_is_what_an_ordinary_camera_renders(
    build: Builders, kind: str, tilt_deg: float, tolerance: float
) -> None:
    rows = 256
    steps, camera = look(build, kind), around(170.0, rows)
    flat = pinhole(
        FLAT,
        focal_length_mm=8.0,
        film_width_mm=16.0 * math.tan(math.radians(25.0)),
        camera_to_world=placed(20.0, tilt_deg),
    )
    whole = wet(build, camera, Window(0, 0, 2 * rows, rows), steps)
    expected = wet(build, flat, FLAT, steps)
    found = cropped(whole, camera, flat, FLAT)
    assert found.mean() == pytest.approx(expected.mean(), rel=0.5 * tolerance)
    smooth = [cv2.blur(np.moveaxis(each, 0, 2), (9, 9)) for each in (found, expected)]
    off = np.abs(smooth[0] / smooth[1] - 1.0)
    assert np.percentile(off, 75) < tolerance


def test_the_halo_of_a_panorama_is_that_of_a_view_as_wide_as_can_be(build: Builders) -> None:
    # What a narrow view takes for mirrored at its edges is there in the panorama; a wide one shows most.
    steps = core(build)
    steps.insert(2, ("forward_scatter", build.operator("forward_scatter")))
    rows, window = 160, Window(0, 0, 256, 144)
    camera = around(170.0, rows)
    flat = pinhole(
        window,
        focal_length_mm=8.0,
        film_width_mm=16.0 * math.tan(math.radians(62.0)),
        camera_to_world=placed(20.0, -10.0),
    )
    found = cropped(wet(build, camera, Window(0, 0, 2 * rows, rows), steps), camera, flat, window)
    middle = (slice(None), slice(52, 92), slice(92, 164))
    off = np.abs(found[middle] / wet(build, flat, window, steps)[middle] - 1.0)
    assert np.median(off) < 0.01
    assert np.percentile(off, 95) < 0.05


def everything(build: Builders) -> Steps:
    bubbles = {
        "name": "leak",
        "median_diameter": 0.02,
        "source_radius": 0.5,
        "track": ({"frame": 0, "position": (0.4, -3.0, -1.0), "per_second": 30.0},),
    }
    sea = {"detail": 256}
    return [
        ("caustics", build.operator("caustics", surface=sea)),
        ("downwelling", build.operator("downwelling")),
        ("lamps", build.operator("lamps")),
        ("attenuation", build.operator("attenuation")),
        ("forward_scatter", build.operator("forward_scatter")),
        ("veiling_light", build.operator("veiling_light")),
        ("light_shafts", build.operator("light_shafts", surface=sea, rays=32, steps=24)),
        ("lamp_backscatter", build.operator("lamp_backscatter")),
        ("sky_window", build.operator("sky_window", surface=sea)),
        ("suspended_matter", particles(build, kind="aggregate")),
        ("bubbles", build.operator("bubbles", sources=(bubbles,))),
        ("white_reference", build.operator("white_reference")),
    ]


def test_turning_the_lens_turns_the_picture(build: Builders) -> None:
    # What was at the seam is elsewhere then, and what was elsewhere is at the seam.
    lamp = Lamp(np.array([0.5, -0.5, 1.0]), np.array([0.0, 0.0, 1.0]), np.full(6, 40.0), 40.0, 20.0, 0.05)
    steps = everything(build)
    straight = wet(build, around(0.0), ALL, steps, lamps=(lamp,))
    columns = 48
    turned = wet(build, around(360.0 * columns / ALL.width), ALL, steps, lamps=(lamp,))
    off = np.abs(np.roll(turned, columns, axis=2) - straight)
    assert np.isfinite(straight).all()
    np.testing.assert_allclose(off.max() / straight.mean(), 0.0, atol=0.02)
    assert off.mean() < 1e-4 * straight.mean()


@pytest.mark.parametrize(
    ("kind", "keys"),
    [("flat_port", {}), ("dome_port", {}), ("water_layers", {"layers": ({"depth": 9.0},)})],
)
def test_what_bends_one_lens_view_is_refused_by_name(
    build: Builders, kind: str, keys: dict[str, Any]
) -> None:
    steps = [*core(build), (kind, build.operator(kind, **keys))]
    with pytest.raises(GraphError, match=f'step "{kind}".*panorama') as caught:
        wet(build, around(0.0), ALL, steps)
    assert caught.value.code == "E-GRAPH-PANORAMA"


def test_shade_knows_no_seam(build: Builders) -> None:
    # A picture of all directions whose seam is elsewhere shows the same, moved along: a ball on the seam is
    # as dark, and the water beside it, as in the middle.
    pictures = []
    for pan in (-31.0, 149.0):
        camera = around(pan)
        frame = scene(build, camera, ALL)
        shot = build.shot(ALL, camera=camera, path=build.path(depth_m=8.0))
        made = build.run(core(build), frame, replace(shot, surfaces=frame, shadows=True))["rgb"]
        bare = build.run(core(build), frame, replace(shot, surfaces=frame, shadows=False))["rgb"]
        pictures.append(made / bare)
    turned = np.roll(pictures[1], ROWS, axis=2)
    assert (pictures[0] < 0.9).any()
    assert_allclose(turned, pictures[0], atol=1e-5)
