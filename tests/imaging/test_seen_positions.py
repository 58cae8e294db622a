"""In what space positions lie on the rays of their pixels: by cameras anywhere, turned by SciPy."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from halocline._typing import F32, F64
from halocline.imaging.camera import Camera, pinhole
from halocline.imaging.depth import DepthKind, DepthSpec, range_planes
from halocline.imaging.depth_inference import DepthVerdict, infer_depth
from halocline.imaging.frame import Window
from halocline.imaging.seen_positions import Space, space_of

if TYPE_CHECKING:
    from tests.imaging.conftest import Scene

WINDOW = Window(0, 0, 64, 36)


def anywhere(rng: np.random.Generator) -> tuple[Camera, F64, F64]:
    """Return a camera, and a point for each pixel: in its own axes (it looks along -z) and in the world."""
    matrix = np.eye(4)
    turned = Rotation.from_euler("yxz", [rng.uniform(-180, 180), *rng.normal(0, 15, 2)], degrees=True)
    matrix[:3, :3], matrix[:3, 3] = turned.as_matrix(), rng.normal(0.0, 20.0, 3)
    focal = float(rng.uniform(18.0, 80.0))
    camera = pinhole(WINDOW, focal_length_mm=focal, film_width_mm=36.0, camera_to_world=matrix)
    x, y = np.meshgrid(np.arange(64) + 0.5 - 32, np.arange(36) + 0.5 - 18)
    depth = rng.uniform(2.0, 9.0) * (1.0 + 0.4 * np.sin(0.1 * x + rng.uniform(0.0, 6.0)) + 0.01 * y)
    slope = 36.0 / 64.0 / focal
    own = np.stack([x * slope * depth, -y * slope * depth, -depth])
    world = turned.apply(own.reshape(3, -1).T).T.reshape(own.shape) + matrix[:3, 3][:, None, None]
    return camera, own, world


def told(position: F64, camera: Camera, alpha: F32 | None = None) -> Space:
    return space_of(position.astype(np.float32), alpha, camera=camera, window=WINDOW, unit_m=1.0)


@pytest.mark.parametrize("seed", range(40))
def test_positions_tell_the_space_that_they_are_in(seed: int) -> None:
    camera, own, world = anywhere(np.random.default_rng(seed))
    assert told(world, camera) == "world"
    # What renderers do besides: samples beside the middle of a pixel, half floats, nothing hit.
    assert told(np.roll(world, (1, -1), (1, 2)), camera) == "world"
    assert told(world.astype(np.float16).astype(np.float64), camera) == "world"
    holed = world.copy()
    holed[:, :20] = 0.0
    holed[:, 20:22] = np.inf
    assert told(holed, camera) == "world"
    assert told(own, camera) == "camera"
    assert told(np.roll(own, (1, 0), (1, 2)), camera) == "camera"
    assert told(own * np.array([1.0, 1.0, -1.0])[:, None, None], camera) == "camera"
    # Other axes, an object's own space, another camera's place.
    assert told(np.stack([world[0], -world[2], world[1]]), camera) == "neither"
    assert told(world - world.mean(axis=(1, 2), keepdims=True), camera) == "neither"
    assert told(world + np.array([0.0, 30.0, 0.0])[:, None, None], camera) == "neither"


def test_a_lens_that_distorts_is_no_other_space() -> None:
    """Twelve hundredths at the sides, which no camera here tells of: distances are right all the same."""
    camera, own, _ = anywhere(np.random.default_rng(7))
    x, y = np.meshgrid((np.arange(64) + 0.5 - 32) / 32, (np.arange(36) + 0.5 - 18) / 32)
    for bend in (-0.12, 0.12):
        bent = own * np.stack([1.0 + bend * (x**2 + y**2)] * 2 + [np.ones_like(x)])
        world = np.einsum("ij,jkl->ikl", camera.rotation, bent) + camera.position_m[:, None, None]
        assert told(world, camera) == "world"


def test_what_is_not_covered_says_nothing() -> None:
    camera, _, world = anywhere(np.random.default_rng(3))
    assert told(np.zeros_like(world), camera) == "unknown"
    assert told(world, camera, np.zeros(WINDOW.shape, np.float32)) == "unknown"
    half = np.zeros(WINDOW.shape, np.float32)
    half[18:] = 1.0
    astray = world.copy()
    astray[:, :18] += 100.0
    assert told(astray, camera, half) == "world"


def judged(scene: Scene, position: F32, kind: DepthKind = "auto", depth: F32 | None = None) -> DepthVerdict:
    return infer_depth(
        position if depth is None else depth,
        scene.alpha,
        name="Z",
        spec=DepthSpec(kind=kind),
        camera=scene.camera,
        window=scene.window,
        position=None if depth is None else position,
    )


def in_camera(scene: Scene) -> F32:
    away = scene.position - np.asarray(scene.camera.position_m, np.float32)[:, None, None]
    return np.asarray(np.einsum("ji,jkl->ikl", scene.camera.rotation, away), np.float32)


def test_positions_from_the_lens_give_the_range_that_those_in_the_world_do(scene: Scene) -> None:
    own = in_camera(scene)
    verdict = judged(scene, own)
    assert verdict.spec.kind == "camera_position"
    assert verdict.warnings == ()
    planes = range_planes(own, None, spec=verdict.spec, camera=scene.camera, window=scene.window)
    hit = np.isfinite(scene.planar)
    np.testing.assert_allclose(planes.range[hit], scene.range[hit], rtol=2e-5)
    in_world = judged(scene, scene.position)
    assert (in_world.spec.kind, in_world.warnings) == ("position", ())


def test_positions_that_are_not_where_they_are_seen_are_doubted(scene: Scene) -> None:
    turned = scene.position[[0, 2, 1]]
    (said,) = judged(scene, turned).warnings
    assert "do not lie where the camera sees their pixels" in said
    for stated, position in (("position", in_camera(scene)), ("camera_position", scene.position)):
        (said,) = judged(scene, position, stated).warnings  # type: ignore[arg-type]
        other = {"position": "camera_position", "camera_position": "position"}[stated]
        assert f'set input.depth_kind = "{other}"' in said


def test_positions_beside_depth_judge_it_only_where_they_are_seen(scene: Scene) -> None:
    depth = scene.planar.astype(np.float32)
    verdict = judged(scene, in_camera(scene), depth=depth)
    assert (verdict.spec.kind, verdict.warnings) == ("planar", ())
    assert "agrees with the world positions" in verdict.reasons[0]
    (said,) = judged(scene, scene.position[[0, 2, 1]], depth=depth).warnings
    assert "depth is taken by itself" in said
    assert judged(scene, scene.position[[0, 2, 1]], "planar", depth).warnings == ()
