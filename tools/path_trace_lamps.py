"""Path-trace a lamp in endless water, for tests to compare its haze, its glow and what it lights with.

    pip install 'halocline[demo-render]'
    python tools/path_trace_lamps.py

writes tests/reference/data/path_traced_lamps.csv with Mitsuba's volumetric path tracer: a homogeneous medium
without a surface and without daylight, a lamp that shines evenly over a cone, and a lens at the origin that
looks along -z, turned to the right by so many degrees. What is told is radiance per intensity of the lamp,
with its standard error from independent runs. About forty minutes of one core.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from dataclasses import astuple, dataclass
from typing import Any

import mitsuba as mi
from path_trace_water import RUNS, TARGET, film, mean_seen

from halocline.physics.path.scatterers import WATER_PHASE

SAMPLES = 1 << 15
# Paths that are turned near the lamp are rare and bright: in murkier water their haze needs so many runs.
MORE_RUNS = 24
# Half angle of a narrow beam.
NARROW_DEG = 6.0
# The cone's edge, degrees, over which a lamp's light falls to nothing.
EDGE_DEG = 2.0
# The water reaches this many attenuation lengths to all sides, and ends in black.
REACH = 20.0
# Attenuation and albedo about those of clear ocean and of coastal water in green light.
WATERS = ((0.2, 0.6), (0.4, 0.8))


@dataclass(frozen=True)
class Case:
    """One row: water, lamp, view, and a square across the view (none where its range is 0)."""

    shows: str
    c: float
    albedo: float
    lamp_x: float
    lamp_y: float
    lamp_z: float
    aim_x: float
    aim_z: float
    cone_deg: float
    view_deg: float
    range_m: float = 0.0
    half_width_m: float = 0.0
    reflectance: float = 0.0


def cases() -> Iterator[Case]:
    """Yield all rows."""
    for c, albedo in WATERS:
        for away, half, cone in (
            (2.0, 0.25, 25.0),
            (2.0, 2.0, 25.0),
            (5.0, 2.0, 25.0),
            (5.0, 2.0, NARROW_DEG),
        ):
            for reflectance in (0.0, 0.5):
                lamp = 0.6, 0.3, 0.0, 0.0, -away, cone
                yield Case("target", c, albedo, *lamp, 0.0, away, half, reflectance)
        for view in (0.0, -12.0, 12.0):
            yield Case("haze", c, albedo, 0.6, 0.3, 0.0, 0.0, -5.0, 25.0, view)
        # Beside the lens at arm's length, and turned away from it: the water of the first metres stays dark.
        yield Case("haze", c, albedo, 1.5, 0.0, 0.0, 0.0, -6.0, 10.0, 0.0)
        # Across the picture: through the beam near the lamp and far from it, and beside it.
        for view in (-20.0, 0.0, 20.0):
            yield Case("beam", c, albedo, -3.0, 0.0, -4.0, 3.0, -4.0, 8.0, view)
        for above in (1.2, 2.0):
            yield Case("beside", c, albedo, -3.0, above, -4.0, 3.0, -4.0, 8.0, 0.0)
        for view in (2.0, 5.0, 12.0, 30.0):
            yield Case("glow", c, albedo, 0.0, 0.0, -5.0, 0.0, 0.0, 40.0, view)


def main() -> None:
    """Trace and write."""
    mi.set_variant("scalar_rgb")
    target = TARGET.with_name("path_traced_lamps.csv")
    with target.open("w", newline="", encoding="utf-8") as file:
        share, forward, backward = WATER_PHASE
        lobes = f"Henyey-Greenstein {forward} ({share}) and {backward}"
        file.write(f"# Mitsuba {mi.__version__}, volpath; {lobes}.\n")
        file.write("# Radiance per intensity of the lamp, 1/m2, and its standard error.\n")
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow([*Case.__dataclass_fields__, "radiance", "error"])
        for case in cases():
            murky_haze = case.c == WATERS[1][0] and (
                case.shows in ("haze", "beam") or case.cone_deg == NARROW_DEG
            )
            seen = mean_seen(_world(case), SAMPLES, MORE_RUNS if murky_haze else RUNS)
            row = [*astuple(case), *seen]
            writer.writerow([f"{value:.5g}" if isinstance(value, float) else value for value in row])
            file.flush()


def _world(case: Case) -> dict[str, Any]:
    """Return water, lamp, target and lens."""
    place, water = mi.ScalarTransform4f, {"type": "ref", "id": "water"}
    share, forward, backward = WATER_PHASE
    turn = math.radians(case.view_deg)
    along = [math.sin(turn), 0.0, -math.cos(turn)]
    lamp, aim = [case.lamp_x, case.lamp_y, case.lamp_z], [case.aim_x, case.lamp_y, case.aim_z]
    if case.shows in ("target", "haze"):
        # A lamp held over the lens looks at what lies before that.
        aim[1] = 0.0
    black = {"type": "diffuse", "reflectance": 0.0}
    lens = {"type": "perspective", "fov": 0.5, "to_world": place().look_at([0.0] * 3, along, [0.0, 1.0, 0.0])}
    world: dict[str, Any] = {
        "type": "scene",
        "integrator": {"type": "volpath", "max_depth": 400, "rr_depth": 12},
        "water": {
            "type": "homogeneous",
            "albedo": case.albedo,
            "sigma_t": case.c,
            "phase": {
                "type": "blendphase",
                "weight": 1.0 - share,
                "first": {"type": "hg", "g": forward},
                "second": {"type": "hg", "g": backward},
            },
        },
        "shell": {"type": "sphere", "radius": REACH / case.c, "bsdf": black, "interior": water},
        "lamp": {
            "type": "spot",
            "to_world": place().look_at(lamp, aim, [0.0, 1.0, 0.0]),
            "cutoff_angle": case.cone_deg + EDGE_DEG,
            "beam_width": case.cone_deg,
            "intensity": 1.0,
        },
        "lens": {**lens, "medium": water, "film": film(), "sampler": {"type": "independent"}},
    }
    if case.range_m > 0.0:
        middle = [case.range_m * part for part in along]
        world["target"] = {
            "type": "cube",
            "to_world": place()
            .look_at(middle, [0.0] * 3, [0.0, 1.0, 0.0])
            .scale([case.half_width_m, case.half_width_m, 1e-3]),
            "bsdf": {"type": "diffuse", "reflectance": case.reflectance},
            "exterior": water,
        }
    return world


if __name__ == "__main__":
    main()
