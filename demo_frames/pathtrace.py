"""Path tracing of one frame with Mitsuba 3, and the passes that go with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import drjit as dr
import mitsuba as mi
import numpy as np
from numpy.typing import NDArray

mi.set_variant("llvm_ad_rgb")

from scene import growth, ironwork, seabed, stone  # noqa: E402 - Mitsuba's types exist only after set_variant
from scene.camera import FILM_HEIGHT_MM, FILM_WIDTH_MM, FOCAL_LENGTH_MM, HEIGHT, WIDTH, Camera  # noqa: E402
from scene.surfaces import Surface  # noqa: E402

F32 = NDArray[np.float32]

# The key light, from high on the left and a little behind the camera; irradiance on a surface that faces it.
SUN_DIRECTION = np.array([-0.74, 0.78, 0.20])
SUN_IRRADIANCE = 0.84 * np.pi
# Half the angle that the key light subtends, degrees: it sets how soft the shadows are.
SUN_RADIUS_DEGREES = 0.8
# How far off its disc hangs; what a view ray meets at more than half of that is no part of the picture.
KEY_LIGHT_M = 400.0
SKY_ZENITH, SKY_HORIZON, SKY_BELOW = 0.26, 0.13, 0.06

# Light that bounces more than four times adds nothing visible on stone of this albedo.
MAX_PATH_VERTICES = 5
# Rare glints of the sun in wet-looking iron would take thousands of samples to settle.
BRIGHTEST_SAMPLE = 6.0
# A pass takes this many samples across and down each pixel.
STRATA = 8


@dataclass(frozen=True)
class Passes:
    """One rendered frame; every array has HEIGHT rows and WIDTH columns.

    `beauty` is premultiplied RGB and `alpha` its coverage; `arch` is the archway's coverage. `depth` (metres
    along the optical axis, infinite where there is nothing) and `position` (world space, 0 where there is
    nothing) are those of a single surface point. `albedo` and `normal` (world space, facing the camera) are
    averages over the pixel, empty parts counting as 0.
    """

    beauty: F32
    alpha: F32
    arch: F32
    depth: F32
    position: F32
    albedo: F32
    normal: F32


@dataclass(frozen=True)
class Stage:
    """The scene, ready to trace, and the shape that the matte is of."""

    scene: mi.Scene
    arch: mi.Mesh


def _mesh(name: str, surface: Surface, material: Mapping[str, object]) -> mi.Mesh:
    """Hand a surface to Mitsuba, its albedo as a vertex attribute."""
    properties = mi.Properties()
    properties["bsdf"] = mi.load_dict(dict(material))
    mesh = mi.Mesh(name, len(surface.vertices), len(surface.faces), properties, has_vertex_normals=True)
    parameters = mi.traverse(mesh)
    parameters["vertex_positions"] = surface.vertices.ravel()
    parameters["vertex_normals"] = surface.normals().ravel()
    parameters["faces"] = surface.faces.astype(np.uint32).ravel()
    parameters.update()
    mesh.add_attribute("vertex_color", 3, surface.albedo.ravel())
    return mesh


def _sky() -> mi.Bitmap:
    """Return a neutral dome: bright overhead, dimmer at the horizon, a faint bounce from below."""
    height = np.cos(np.linspace(0, np.pi, 64)).astype(np.float32)
    above = SKY_HORIZON + (SKY_ZENITH - SKY_HORIZON) * np.clip(height, 0, 1) ** 0.7
    below = SKY_BELOW + (SKY_HORIZON - SKY_BELOW) * np.exp(8 * np.clip(height, -1, 0))
    rows = np.where(height >= 0, above, below)
    return mi.Bitmap(np.broadcast_to(rows[:, None, None], (64, 128, 3)).astype(np.float32).copy())


def build_stage(detail: float = 1.0) -> Stage:
    """Build the scene; `detail` below 1 coarsens the sea bed and the blocks for a quick look."""
    albedo = {"type": "mesh_attribute", "name": "vertex_color"}
    matt = {"type": "twosided", "material": {"type": "diffuse", "reflectance": albedo}}
    metal = {"type": "principled", "base_color": albedo, "roughness": 0.58, "specular": 0.4, "metallic": 0.15}
    wet = {"type": "principled", "base_color": albedo, "roughness": 0.45, "specular": 0.35}
    leaf = {
        "type": "principledthin",
        "base_color": albedo,
        "roughness": 0.5,
        "diff_trans": 0.9,
        "spec_trans": 0.0,
        "eta": 1.35,
    }
    arch = _mesh("arch", stone.archway(int(48 * detail)), matt)
    to_sun = SUN_DIRECTION / np.linalg.norm(SUN_DIRECTION)
    radius = float(KEY_LIGHT_M * np.tan(np.radians(SUN_RADIUS_DEGREES)))
    sun_radiance = SUN_IRRADIANCE / (np.pi * np.sin(np.radians(SUN_RADIUS_DEGREES)) ** 2)
    frame = mi.ScalarTransform4f().look_at(
        origin=mi.ScalarPoint3f(*(to_sun * KEY_LIGHT_M)),
        target=mi.ScalarPoint3f(0, 0, -8),
        up=mi.ScalarPoint3f(0, 0, 1),
    )
    scene = mi.load_dict(
        {
            "type": "scene",
            "sea_bed": _mesh("sea_bed", seabed.sea_bed(int(1500 * detail), int(1250 * detail)), matt),
            "arch": arch,
            "boulders": _mesh("boulders", stone.boulders(), matt),
            "iron": _mesh("iron", ironwork.anchor_and_chain(), {"type": "twosided", "material": metal}),
            "rope": _mesh("rope", ironwork.frayed_rope(), matt),
            "weed": _mesh("weed", growth.weed(), leaf),
            "starfish": _mesh("starfish", growth.starfish(), {"type": "twosided", "material": wet}),
            "sky": {"type": "envmap", "bitmap": _sky()},
            "sun": {
                "type": "disk",
                "to_world": frame @ mi.ScalarTransform4f().scale(mi.ScalarVector3f(radius)),
                "emitter": {"type": "area", "radiance": {"type": "rgb", "value": float(sun_radiance)}},
            },
        }
    )
    return Stage(scene, arch)


def _rays(camera: Camera, x_px: mi.Float, y_px: mi.Float) -> mi.RayDifferential3f:
    """Return view rays through picture positions; (0.5, 0.5) is the centre of the first pixel."""
    x = (x_px / WIDTH - 0.5) * (FILM_WIDTH_MM / FOCAL_LENGTH_MM)
    y = (0.5 - y_px / HEIGHT) * (FILM_HEIGHT_MM / FOCAL_LENGTH_MM)
    right, up, forward = (_opaque(axis) for axis in (camera.right, camera.up, camera.forward))
    direction = dr.normalize(right * x + up * y + forward)
    return mi.RayDifferential3f(mi.Point3f(_opaque(camera.position)), direction)


def _opaque(vector: NDArray[np.float64]) -> mi.Vector3f:
    """Hand over numbers as data: as constants they would have the kernel compiled anew for every frame."""
    return mi.Vector3f(*(dr.opaque(mi.Float, float(value)) for value in vector))


def _averages(stage: Stage, camera: Camera, seed: int) -> tuple[F32, F32, F32]:
    """Trace STRATA x STRATA paths a pixel.

    Returns
    -------
    averages
        ``(11, pixels)``: RGB, alpha, arch, albedo, normal; a box filter one pixel wide.
    nearest
        ``(pixels,)`` distance along the ray of the nearest hit, infinite if none.
    offset
        ``(2, pixels)`` where in the pixel that hit lies, 0 to 1.
    """
    samples = STRATA * STRATA
    pixel = dr.arange(mi.UInt32, WIDTH * HEIGHT * samples) // samples
    # Stratified in every dimension, the choice of light included: half the grain of independent samples.
    sampler = mi.load_dict({"type": "multijitter", "sample_count": samples})
    sampler.set_samples_per_wavefront(samples)
    sampler.seed(dr.opaque(mi.UInt32, seed), WIDTH * HEIGHT * samples)
    within = sampler.next_2d()
    off_x, off_y = within.x, within.y
    ray = _rays(camera, mi.Float(pixel % WIDTH) + off_x, mi.Float(pixel // WIDTH) + off_y)
    hit = stage.scene.ray_intersect(ray)
    covered = hit.is_valid() & (hit.t < KEY_LIGHT_M / 2)
    integrator = mi.load_dict(
        {"type": "path", "max_depth": MAX_PATH_VERTICES, "rr_depth": 99, "hide_emitters": True}
    )
    radiance, _, _ = integrator.sample(stage.scene, sampler, ray, active=covered)
    peak = dr.max(radiance)
    radiance *= dr.select(peak > BRIGHTEST_SAMPLE, BRIGHTEST_SAMPLE / peak, 1)
    albedo = hit.bsdf().eval_diffuse_reflectance(hit, active=covered)
    normal = dr.select(dr.dot(hit.sh_frame.n, ray.d) > 0, -hit.sh_frame.n, hit.sh_frame.n)
    one = dr.select(covered, mi.Float(1), 0)
    on_arch = dr.select(covered & (hit.shape == mi.ShapePtr(stage.arch)), mi.Float(1), 0)
    planes = [radiance.x, radiance.y, radiance.z, one, on_arch]
    planes += [albedo.x, albedo.y, albedo.z, normal.x, normal.y, normal.z]
    planes = [dr.select(covered, plane, 0) for plane in planes]
    distance = dr.select(covered, hit.t, dr.inf)
    # All in one kernel: summing a plane that is not there yet would trace its paths once for each plane.
    dr.eval(planes, distance, off_x, off_y)
    sums = [dr.block_sum(plane, samples) for plane in planes]
    averages = np.stack([plane.numpy() for plane in sums]).astype(np.float32) / np.float32(samples)
    by_pixel = distance.numpy().reshape(-1, samples)
    choice = by_pixel.argmin(axis=1)
    rows = np.arange(len(choice))
    offset = np.stack([off.numpy().reshape(-1, samples)[rows, choice] for off in (off_x, off_y)])
    return averages, by_pixel[rows, choice], offset


def _surface_passes(stage: Stage, camera: Camera, centre: F32, fallback: F32) -> tuple[F32, F32]:
    """Return depth and position at each pixel's centre; where that misses, at the fallback offset.

    So a pixel with any coverage has the depth of one of its surfaces, never a blend with what lies behind.
    """
    column = np.tile(np.arange(WIDTH, dtype=np.float32), HEIGHT)
    row = np.repeat(np.arange(HEIGHT, dtype=np.float32), WIDTH)
    position = np.zeros((3, WIDTH * HEIGHT), np.float32)
    missed = np.ones(WIDTH * HEIGHT, bool)
    for offset in (centre, fallback):
        ray = _rays(camera, mi.Float(column + offset[0]), mi.Float(row + offset[1]))
        hit = stage.scene.ray_intersect(ray)
        covered = (hit.is_valid() & (hit.t < KEY_LIGHT_M / 2)).numpy()
        position = np.where(missed & covered, hit.p.numpy(), position)
        missed = missed & ~covered
    away = (position.T.astype(np.float64) - camera.position) @ camera.forward
    depth = np.where(missed, np.inf, away).astype(np.float32)
    return depth, position


def trace(stage: Stage, camera: Camera, frame: int, passes: int) -> Passes:
    """Render one frame with ``passes * STRATA ** 2`` paths a pixel."""
    pixels = WIDTH * HEIGHT
    total = np.zeros((11, pixels), np.float64)
    nearest = np.full(pixels, np.inf, np.float32)
    offset = np.full((2, pixels), 0.5, np.float32)
    for k in range(passes):
        averages, distance, where = _averages(stage, camera, seed=frame * 4096 + k)
        total += averages
        closer = distance < nearest
        nearest[closer] = distance[closer]
        offset[:, closer] = where[:, closer]
    mean = (total / passes).astype(np.float32)
    depth, position = _surface_passes(stage, camera, np.full((2, 1), 0.5, np.float32), offset)

    def picture(planes: F32) -> F32:
        return np.ascontiguousarray(planes.reshape(-1, HEIGHT, WIDTH).transpose(1, 2, 0))

    # A centre may be hit where no random sample was: nothing is seen there, so there is no surface either.
    empty = mean[3] == 0
    depth = np.where(empty, np.float32(np.inf), depth)
    position = position * ~empty
    return Passes(
        beauty=picture(mean[:3]),
        alpha=picture(mean[3])[..., 0],
        arch=picture(mean[4])[..., 0],
        depth=depth.reshape(HEIGHT, WIDTH),
        position=picture(position),
        albedo=picture(mean[5:8]),
        normal=picture(mean[8:11]),
    )
