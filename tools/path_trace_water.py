"""Path-trace level water and black and grey targets in it, for tests to compare the light with.

    pip install 'halocline[demo-render]'
    python tools/path_trace_water.py

writes tests/reference/data/path_traced_water.csv with Mitsuba's volumetric path tracer: a homogeneous medium
under a flat dielectric surface, lit by an even sky (a sun of finite size can be asked for), seen by a lens
inside it. What is told is radiance per downwelling irradiance at the lens's depth, both from the same scene,
with its standard error from independent runs. About ten minutes on two cores. With the argument ``slab`` it
writes path_traced_slab.csv instead: water under a black slab that floats below the surface, and without it.
"""

from __future__ import annotations

import csv
import itertools
import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import mitsuba as mi
import numpy as np

TARGET = Path(__file__).parents[1] / "tests/reference/data/path_traced_water.csv"
INDEX = 1.34
ASYMMETRY = 0.924
# Half the angle that the sun takes up, degrees: paths find it by chance, so it is larger than the real one.
SUN_RADIUS_DEG = 10.0
# The water reaches this many attenuation lengths to all sides and down, and ends in black.
REACH = 40.0
RUNS = 8
# How deep a slab floats, metres; and the zenith angle of the sun that throws its shadow on the lens below.
SLAB_DEPTH_M, SLAB_SUN_DEG = 0.5, 30.0


@dataclass(frozen=True)
class Case:
    """One row: water, light, view, and a target square across the view (none where its range is 0)."""

    c: float
    albedo: float
    depth_m: float
    sun_zenith_deg: float
    sun_share: float
    view: str
    range_m: float = 0.0
    half_width_m: float = 0.0
    reflectance: float = 0.0
    slab_half_m: float = 0.0


# Views by name: downward component, and azimuth from the sun's, degrees.
VIEWS = {
    "level to the side": (0.0, 90.0),
    "level towards the sun": (0.0, 0.0),
    "level from the sun": (0.0, 180.0),
    "up 45": (-math.sqrt(0.5), 90.0),
    "down 45": (math.sqrt(0.5), 90.0),
    "straight down": (1.0, 0.0),
    "straight up": (-1.0, 0.0),
}
SLAB_VIEWS = ("level to the side", "level from the sun", "straight up")
# Attenuation and albedo about those of clear ocean and of coastal water in green light.
WATERS = ((0.2, 0.6), (0.4, 0.8))


def cases() -> Iterator[Case]:
    """Yield all rows: open water, and in the first water squares beside which it is seen."""
    for c, albedo in WATERS:
        for lengths in (1.0, 4.0):
            for view in list(VIEWS)[:-1]:
                yield Case(c, albedo, lengths / c, 45.0, 0.0, view)
        if (c, albedo) != WATERS[0]:
            continue
        squares = itertools.product((0.5, 1.0, 2.0), (0.1, 0.4, 1.2), (0.0, 0.5))
        for distance, half, reflectance in squares:
            place = distance / c, half / c, reflectance
            yield Case(c, albedo, 4.0 / c, 45.0, 0.0, "level to the side", *place)


def slab_cases() -> Iterator[Case]:
    """Yield rows with a slab and without, under a sky alone and under a sun alone."""
    for c, albedo in WATERS:
        for sun_share, view, half in itertools.product((0.0, 1.0), SLAB_VIEWS, (0.0, 2.0)):
            yield Case(c, albedo, 5.5, SLAB_SUN_DEG, sun_share, view, slab_half_m=half)


def main() -> None:
    """Trace and write."""
    mi.set_variant("scalar_rgb")
    slab = sys.argv[1:] == ["slab"]
    _write(TARGET.with_name("path_traced_slab.csv") if slab else TARGET, slab_cases() if slab else cases())


def _write(target: Path, cases: Iterator[Case]) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    irradiances: dict[tuple[float, ...], float] = {}
    with target.open("w", newline="", encoding="utf-8") as file:
        file.write(f"# Mitsuba {mi.__version__}, volpath; Henyey-Greenstein {ASYMMETRY}, index {INDEX}.\n")
        file.write("# Radiance per downwelling irradiance at the lens, 1/sr, and its standard error.\n")
        writer = csv.writer(file)
        writer.writerow([*Case.__dataclass_fields__, "radiance", "error"])
        for case in cases:
            key = (case.c, case.albedo, case.depth_m, case.sun_zenith_deg, case.sun_share)
            if key not in irradiances:
                # That of open water, whatever stands in it.
                bare = _world(replace(case, slab_half_m=0.0))
                irradiances[key] = mean_seen({**bare, **_meter(case)}, 1 << 16)[0]
            radiance, error = mean_seen({**_world(case), **_lens(case)}, 1 << 14)
            scale = 1.0 / irradiances[key]
            asked = (getattr(case, name) for name in Case.__dataclass_fields__)
            row = [*asked, radiance * scale, error * scale]
            writer.writerow([f"{value:.6g}" if isinstance(value, float) else value for value in row])
            file.flush()


def mean_seen(world: dict[str, Any], samples: int, times: int = RUNS) -> tuple[float, float]:
    """Return the mean of what a scene's sensor sees and its standard error over independent runs."""
    scene = mi.load_dict(world)
    runs = [float(np.array(mi.render(scene, spp=samples, seed=run)).mean()) for run in range(times)]
    return float(np.mean(runs)), float(np.std(runs, ddof=1) / math.sqrt(times))


def _world(case: Case) -> dict[str, Any]:
    """Return water, light and target: z is up, the surface at 0, the sun over +x."""
    place, reach = mi.ScalarTransform4f, REACH / case.c
    zenith = math.radians(case.sun_zenith_deg)
    sun = np.array([math.sin(zenith), 0.0, math.cos(zenith)])
    far, radius = 1e3 * reach, 1e3 * reach * math.tan(math.radians(SUN_RADIUS_DEG))
    solid = 2.0 * math.pi * (1.0 - math.cos(math.radians(SUN_RADIUS_DEG)))
    black = {"type": "diffuse", "reflectance": 0.0}
    water = {"type": "ref", "id": "water"}
    world: dict[str, Any] = {
        "type": "scene",
        "integrator": {"type": "volpath", "max_depth": 1000, "rr_depth": 100},
        "water": {
            "type": "homogeneous",
            "albedo": case.albedo,
            "sigma_t": case.c,
            "phase": {"type": "hg", "g": ASYMMETRY},
        },
        "surface": {
            "type": "rectangle",
            "to_world": place().scale([reach, reach, 1.0]),
            "bsdf": {"type": "dielectric", "int_ior": INDEX, "ext_ior": 1.0},
            "interior": water,
        },
        "deep": {
            "type": "rectangle",
            "to_world": place().translate([0.0, 0.0, -reach]).scale([reach, reach, 1.0]),
            "bsdf": black,
            "exterior": water,
        },
    }
    if case.sun_share < 1.0:
        world["sky"] = {"type": "constant", "radiance": (1.0 - case.sun_share) / math.pi}
    if case.sun_share > 0.0:
        world["sun"] = {
            "type": "disk",
            "to_world": place().look_at(list(far * sun), [0.0, 0.0, 0.0], [0.0, 1.0, 0.0]).scale(radius),
            "emitter": {"type": "area", "radiance": case.sun_share / (solid * math.cos(zenith))},
        }
    if case.slab_half_m > 0.0:
        aside = math.tan(math.asin(math.sin(zenith) / INDEX)) * (case.depth_m - SLAB_DEPTH_M)
        world["slab"] = {
            "type": "cube",
            "to_world": place()
            .translate([aside if case.sun_share > 0.0 else 0.0, 0.0, -SLAB_DEPTH_M])
            .scale([case.slab_half_m, case.slab_half_m, 1e-3]),
            "bsdf": black,
            "exterior": water,
        }
    if case.range_m > 0.0:
        along = _direction(case)
        middle = np.array([0.0, 0.0, -case.depth_m]) + case.range_m * along
        world["target"] = {
            "type": "cube",
            "to_world": place()
            .look_at(list(middle), list(middle - along), [0.0, 0.0, 1.0])
            .scale([case.half_width_m, case.half_width_m, 1e-3 * case.range_m]),
            "bsdf": {"type": "diffuse", "reflectance": case.reflectance},
            "exterior": water,
        }
    return world


def _direction(case: Case) -> np.ndarray:
    down, azimuth = VIEWS[case.view]
    level, turn = math.sqrt(1.0 - down * down), math.radians(azimuth)
    return np.array([level * math.cos(turn), level * math.sin(turn), -down])


def film() -> dict[str, Any]:
    """Return a film of four pixels."""
    return {"type": "hdrfilm", "width": 2, "height": 2, "rfilter": {"type": "box"}, "pixel_format": "rgb"}


def _lens(case: Case) -> dict[str, Any]:
    at = np.array([0.0, 0.0, -case.depth_m])
    along = _direction(case)
    upright = [0.0, 0.0, 1.0] if abs(along[2]) < 0.9 else [1.0, 0.0, 0.0]
    view = mi.ScalarTransform4f().look_at(list(at), list(at + along), upright)
    lens = {"type": "perspective", "fov": 0.5, "to_world": view, "medium": {"type": "ref", "id": "water"}}
    return {"lens": {**lens, "film": film(), "sampler": {"type": "independent"}}}


def _meter(case: Case) -> dict[str, Any]:
    """Return a small black plate at the lens's depth that faces up and measures what falls on it."""
    size = 1e-4 / case.c
    place = mi.ScalarTransform4f().translate([0.0, 0.0, -case.depth_m]).scale([size, size, 1.0])
    meter = {"type": "irradiancemeter", "film": film(), "sampler": {"type": "independent"}}
    water = {"type": "ref", "id": "water"}
    plate = {"type": "rectangle", "to_world": place, "bsdf": {"type": "diffuse", "reflectance": 0.0}}
    return {"meter": {**plate, "exterior": water, "interior": water, "sensor": {**meter, "medium": water}}}


if __name__ == "__main__":
    main()
