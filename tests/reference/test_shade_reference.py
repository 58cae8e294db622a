"""Shade in the water against a volumetric path tracer: a black slab that floats over the lens.

Source: Mitsuba 3.9.1, computed by tools/path_trace_water.py slab: a homogeneous medium (Henyey-Greenstein
0.924) under a flat dielectric surface of index 1.34, a slab of 4 by 4 m half a metre deep, a lens 5.5 m
deep in its shadow, under an even sky alone or a sun alone (30 degrees from the zenith, 20 across). Radiance
per downwelling irradiance of open water at the lens, with the standard error of each row.
"""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from tests.conftest import Builders

from halocline.imaging.frame import Frame, Window
from halocline.operators.shared.water_shade import shade_below
from halocline.physics.path.transport import refracted_sun
from halocline.physics.sea.shade import Casters

TABLE = Path(__file__).parent / "data" / "path_traced_slab.csv"
LENS_M, SLAB_M, HALF_M = 5.5, 0.5, 2.0
WINDOW = Window(0, 0, 120, 80)
# A quarter turn up for straight up; level, with the sun over +x, to the side (-z) and away from it (-x).
UP, SIDE, FROM_SUN = "straight up", "level to the side", "level from the sun"


def rows() -> list[tuple[dict[str, str], dict[str, str]]]:
    """Return rows without a slab, each with the one under it."""
    lines = [line for line in TABLE.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    found = list(csv.DictReader(lines))
    return list(zip(found[::2], found[1::2], strict=True))


def left(row: dict[str, str], build: Builders) -> tuple[float, float]:
    """Return the veil along a row's view over its irradiance, and what shade leaves of that."""
    c, albedo, share = (float(row[name]) for name in ("c", "albedo", "sun_share"))
    path = build.path(
        build.grey_bands(c * (1.0 - albedo), c * albedo, 0.1),
        depth_m=LENS_M,
        sun_travel=refracted_sun(60.0, 90.0, build.up, build.ahead, 1.34),
        surface_sun_share=share,
    )
    view = {UP: build.up, SIDE: np.array([0.0, 0.0, -1.0]), FROM_SUN: np.array([-1.0, 0.0, 0.0])}[row["view"]]
    # The sun's slab lies towards it, so that its shadow falls on the lens.
    aside = math.tan(math.asin(0.5 / 1.34)) * (LENS_M - SLAB_M) if share else 0.0
    camera = build.camera(WINDOW, tilt_deg=90.0 if row["view"] == UP else 0.0)
    if row["view"] == FROM_SUN:
        turned = np.array([[0, 0, 1], [0, 1, 0], [-1, 0, 0]], float)
        camera = replace(camera, rotation=turned)
    along = camera.component(WINDOW, build.up)
    range_m = np.where(along > 1e-3, (LENS_M - SLAB_M) / np.maximum(along, 1e-3), np.inf)
    at = [camera.component(WINDOW, axis) * range_m for axis in (np.array([1.0, 0, 0]), np.array([0, 0, 1.0]))]
    hit = np.isfinite(range_m) & (np.abs(at[0] - aside) < HALF_M) & (np.abs(at[1]) < HALF_M)
    planes = {"alpha": hit.astype(np.float32), "range": np.where(hit, range_m, np.inf).astype(np.float32)}
    shot = build.shot(WINDOW, path=path, camera=camera)
    shot = replace(
        shot, surfaces=Frame(planes, WINDOW, WINDOW), sea=shot.sea.model_copy(update={"wind": 0.0})
    )
    points = np.arange(-HALF_M, HALF_M, 0.05) + 0.025
    # Along the level axes: -z, and -x.
    across, forth = (plane.ravel().astype(np.float32) for plane in np.meshgrid(points, points - aside))
    slab = Casters(
        np.stack([across, forth]), np.full(across.size, SLAB_M, np.float32), np.ones(across.size, np.float32)
    )
    shade = shade_below(shot, slab, 1.0)
    assert shade is not None
    ends = LENS_M - SLAB_M if row["view"] == UP else 1e4
    kept = shade.over(WINDOW)(np.full(WINDOW.shape, ends, np.float32))[0, 40, 60]
    level = math.pi * path.white[0]
    return float(path.veil_along(ends, view)[0]) / level, float(kept)


@pytest.mark.parametrize(
    ("open_water", "under"),
    [pair for pair in rows() if pair[0]["view"] != UP],
    ids=lambda row: f"{row['c']},{row['sun_share']},{row['view']}",
)
def test_a_slab_overhead_takes_of_a_level_veil_what_paths_find(
    open_water: dict[str, str], under: dict[str, str], build: Builders
) -> None:
    traced = float(under["radiance"]) / float(open_water["radiance"])
    error = traced * math.hypot(
        *(float(row["error"]) / float(row["radiance"]) for row in (open_water, under))
    )
    # Two standard errors of the paths, and 3 % of the open veil.
    assert left(open_water, build)[1] == pytest.approx(traced, abs=2.0 * error + 0.03)


@pytest.mark.parametrize("c", ["0.2", "0.4"])
def test_looking_up_at_a_slab_under_a_sky_the_water_before_it_is_dark(c: str, build: Builders) -> None:
    # Under the sun alone the traced slab's edge runs through this view: no number to compare with.
    open_water, under = next(
        pair for pair in rows() if (pair[0]["c"], pair[0]["sun_share"], pair[0]["view"]) == (c, "0", UP)
    )
    veil, kept = left(open_water, build)
    traced = float(under["radiance"])
    # The light of some 15 times as much veil is gone; what is left is right within half of itself.
    assert kept < 0.08
    assert traced / 1.5 < veil * kept < traced * 1.5
    assert abs(veil * kept - traced) < 0.015 * float(open_water["radiance"])
