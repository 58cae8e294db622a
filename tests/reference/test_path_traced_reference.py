"""The solved light and the water's blur against a volumetric path tracer.

Source: Mitsuba 3.9.1, computed by tools/path_trace_water.py: a homogeneous medium (Henyey-Greenstein 0.924)
under a flat dielectric surface of index 1.34, an even sky. Radiance per downwelling irradiance at the lens,
with the standard error of each row. The squares in it are kept for the blur.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from halocline.physics.path.radiance.solution import modes_of, under_sky
from halocline.physics.path.radiance.water_light import WaterLight

TABLE = Path(__file__).parent / "data" / "path_traced_water.csv"
# Views by name: downward component of the view.
DOWN = {
    "level to the side": 0.0,
    "level towards the sun": 0.0,
    "level from the sun": 0.0,
    "up 45": -math.sqrt(0.5),
    "down 45": math.sqrt(0.5),
    "straight down": 1.0,
}


def rows() -> list[dict[str, str]]:
    lines = [line for line in TABLE.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


OPEN = [row for row in rows() if float(row["range_m"]) == 0.0]
LEVEL_OR_DOWN = [row for row in OPEN if DOWN[row["view"]] >= 0.0]


def seen(row: dict[str, str]) -> float:
    """Return radiance per irradiance of what lies on the view's way; of the surface's own light too."""
    c, albedo, depth_m = (float(row[name]) for name in ("c", "albedo", "depth_m"))
    modes = modes_of(np.array([albedo]), np.zeros(1), asymmetry=0.924, index=1.34)
    water = WaterLight(
        modes, ((under_sky(modes), 1.0),), np.array([c]), np.array([c * albedo]), np.zeros(1), 0.924
    )
    slant = max(abs(DOWN[row["view"]]), 1e-6)
    down = np.array([-slant, slant])
    _, path = water.radiance(depth_m, down, np.array([math.pi / 2.0]))
    level = float(water.downward(np.array([depth_m]))[0, 0])
    return float(path[int(DOWN[row["view"]] >= 0.0), 0, 0]) / level


@pytest.mark.parametrize("row", LEVEL_OR_DOWN, ids=lambda row: ",".join(row.values()))
def test_open_water_is_as_bright_as_paths_find_it(row: dict[str, str]) -> None:
    # Three standard errors of the row and of its irradiance (about 0.6 %), and 3 % downwards: a water of 40
    # attenuation lengths ends in black there.
    traced, error = float(row["radiance"]), float(row["error"])
    assert seen(row) == pytest.approx(traced, abs=3.0 * error + 0.03 * traced)


def test_the_table_tells_what_it_was_made_for() -> None:
    assert len(OPEN) == 24
    assert len(rows()) == 42
    assert all(float(row["error"]) < 0.04 * float(row["radiance"]) for row in OPEN)
