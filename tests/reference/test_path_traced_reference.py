"""The solved light and the water's blur against a volumetric path tracer.

Source: Mitsuba 3.9.1, computed by tools/path_trace_water.py: a homogeneous medium (Henyey-Greenstein 0.924)
under a flat dielectric surface of index 1.34, an even sky. Radiance per downwelling irradiance at the lens,
with the standard error of each row. Squares are seen by the whole picture's way: attenuation, halo, veil.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from halocline.graph.engine import evaluate
from halocline.imaging.camera import pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.physics.path.radiance.solution import modes_of, under_sky
from halocline.physics.path.radiance.water_light import WaterLight
from halocline.presets.build import make_shot
from halocline.presets.preset import load_preset
from halocline.rgb import LINEAR_REC709

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


# Squares: water 0.2 1/m of albedo 0.6, twenty metres down, level, an even sky.
SQUARES = [row for row in rows() if float(row["range_m"]) > 0.0]
WINDOW = Window(0, 0, 480, 480)
# A square of 0.8 in slope leaves the frame room.
FOCAL_MM, FOCAL_PX = 12.0, 160.0
WATER = """
format = 1
[water]
table = "water.csv"
[place]
camera_depth = 20
[light]
overcast = 1.0
[steps.attenuation]
[steps.forward_scatter]
law = "smooth"
detail = "bands"
[steps.veiling_light]
"""


@pytest.fixture(scope="module")
def seen_square(tmp_path_factory: pytest.TempPathFactory) -> Callable[[float, float, float], float]:
    """Return what gives the middle of a square over open water, by range, half width and its own light."""
    folder = tmp_path_factory.mktemp("water")
    spectrum = "".join(f"{nm},0.08,0.12\n" for nm in range(400, 701, 10))
    (folder / "water.csv").write_text(f"wavelength,a,b\n{spectrum}", encoding="utf-8")
    (folder / "water.toml").write_text(WATER, encoding="utf-8")
    preset = load_preset(folder / "water.toml")
    track = CameraTrack({1: pinhole(WINDOW, focal_length_mm=FOCAL_MM, film_width_mm=36.0)})
    shot = make_shot(preset, 1, track, space=LINEAR_REC709, display_window=WINDOW, data_window=WINDOW)
    slopes = (np.arange(480) + 0.5 - 240) / FOCAL_PX
    slant = np.sqrt(1.0 + np.add.outer(slopes**2, slopes**2))

    def middle(range_m: float, half_m: float, light: float) -> float:
        side = np.clip((half_m / range_m - np.abs(slopes)) * FOCAL_PX + 0.5, 0.0, 1.0)
        cover = np.multiply.outer(side, side).astype(np.float32)
        planes = {
            "bands": np.full((shot.path.bands.count, *WINDOW.shape), light, np.float32) * cover,
            "alpha": cover,
            "range": np.where(cover > 0, range_m * slant, np.inf).astype(np.float32),
        }
        frame = Frame(planes, WINDOW, WINDOW)
        made = evaluate(preset.at(1).graph, frame, shot, wanted=("bands",))["bands"]
        return float(made[3, 239:241, 239:241].mean())

    open_water = middle(1.0, 0.0, 0.0)
    return lambda range_m, half_m, light: middle(range_m, half_m, light * open_water) / open_water


def traced_square(row: dict[str, str], reflectance: str) -> float:
    open_water = next(other for other in LEVEL_OR_DOWN if other["c"] == "0.2" and other["depth_m"] == "20")
    same = ("range_m", "half_width_m")
    found = next(
        other
        for other in SQUARES
        if other["reflectance"] == reflectance and all(other[name] == row[name] for name in same)
    )
    return float(found["radiance"]) / float(open_water["radiance"])


@pytest.mark.parametrize(
    "row",
    [row for row in SQUARES if row["reflectance"] == "0" and float(row["half_width_m"]) < 6.0],
    ids=lambda row: f"{row['half_width_m']} m at {row['range_m']} m",
)
def test_squares_stand_out_as_paths_find_them(
    row: dict[str, str], seen_square: Callable[[float, float, float], float]
) -> None:
    range_m, half_m = float(row["range_m"]), float(row["half_width_m"])
    black = seen_square(range_m, half_m, 0.0)
    # Traced to 1 to 3 %.
    assert 1.0 - black == pytest.approx(1.0 - traced_square(row, "0"), rel=0.07)
    # What is lost of a grey square's own light beyond a near, large one's, whose light is not known here.
    near = next(row for row in SQUARES if row["range_m"] == "2.5" and row["half_width_m"] == "2")
    traced = [traced_square(each, "0.5") - traced_square(each, "0") for each in (row, near)]
    ours = [seen_square(*each, 1.0) - seen_square(*each, 0.0) for each in ((range_m, half_m), (2.5, 2.0))]
    assert ours[0] / ours[1] == pytest.approx(traced[0] / traced[1], rel=0.08)
