"""Large and small dark things in water against photons followed backwards from the lens.

Type 1C, ten metres down, a level view, the sun at 45 degrees abeam: the radiance in the middle of a black
square, relative to the veil of a pencil of rays, open water times (1 - exp(-c s)). Computed with a backward
Monte Carlo program of our own (a 0.0988, b 0.427 1/m at 550 nm, Henyey-Greenstein 0.924, flat sea by
Fresnel's formulas, sunlight by next-event estimation, an even sky; noise 0.01 to 0.02). A volumetric path
tracer agreed within 2 to 10 %.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from halocline._typing import F32
from halocline.graph.engine import evaluate
from halocline.imaging.camera import pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.presets.build import make_shot
from halocline.presets.preset import load_preset
from halocline.rgb import LINEAR_REC709

TEXT = """
format = 1
[water]
table = "water.csv"
[place]
camera_depth = 10
[light]
sun_elevation = 45.0
sun_azimuth = 90.0
[steps.attenuation]
[steps.forward_scatter]
law = "smooth"
detail = "bands"
[steps.veiling_light]
"""
HALF_WIDTHS = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0)
# The mean of two runs by two programs.
SQUARES = {
    1.0: (0.47, 0.29, 0.205, 0.15, 0.115, 0.085),
    3.0: (0.82, 0.64, 0.49, 0.365, 0.26, 0.185),
    5.0: (0.945, 0.845, 0.715, 0.565, 0.43, 0.305),
    10.0: (0.995, 0.985, 0.955, 0.90, 0.80, 0.635),
}
# So wide that a square of ten metres a metre away ends within the frame.
WINDOW = Window(0, 0, 640, 360)
FOCAL_MM = 6.0


# As in the program: the water at 550 nm throughout, since bands of a fit are those of no one wavelength.
SPECTRUM = "wavelength,a,b\n" + "".join(f"{nm},0.0988,0.427\n" for nm in range(400, 701, 10))


def radiances(range_m: float, folder: Path) -> list[float]:
    (folder / "water.csv").write_text(SPECTRUM, encoding="utf-8")
    (folder / "water.toml").write_text(TEXT, encoding="utf-8")
    lens = pinhole(WINDOW, focal_length_mm=FOCAL_MM, film_width_mm=36.0)
    focal = WINDOW.width * FOCAL_MM / 36.0
    down, right = (np.arange(side) + 0.5 - side / 2 for side in WINDOW.shape)
    x, y = np.meshgrid(right / focal, down / focal)
    preset = load_preset(folder / "water.toml")
    shot = make_shot(
        preset,
        1,
        CameraTrack({1: lens}),
        space=LINEAR_REC709,
        display_window=WINDOW,
        data_window=WINDOW,
    )

    band = int(np.argmin(np.abs(shot.path.bands.wavelength_nm - 550.0)))
    veil = 1.0 - math.exp(-float(shot.path.bands.attenuation[band]) * range_m)

    def middle(cover: F32) -> float:
        slant = np.where(cover > 0, range_m * np.sqrt(1.0 + x * x + y * y), np.inf)
        planes = {
            "rgb": np.zeros((3, *WINDOW.shape), np.float32),
            "alpha": cover,
            "range": slant.astype(np.float32),
        }
        made = evaluate(preset.at(1).graph, Frame(planes, WINDOW, WINDOW), shot, wanted=("bands",))["bands"]
        return float(made[band, 178:182, 318:322].mean())

    def covered(half_width: float) -> F32:
        # Each pixel by the share of it that the square covers.
        sides = [
            np.clip(half_width / range_m * focal + 0.5 - np.abs(along), 0.0, 1.0) for along in (down, right)
        ]
        return np.asarray(np.multiply.outer(*sides), np.float32)

    open_water = middle(np.zeros(WINDOW.shape, np.float32))
    return [middle(covered(width)) / open_water / veil for width in HALF_WIDTHS]


@pytest.mark.parametrize("range_m", list(SQUARES))
def test_black_squares_are_as_dark_as_photons_find_them(range_m: float, tmp_path: Path) -> None:
    # Ten per cent, and 0.006 for the digits of the tables.
    ours = radiances(range_m, tmp_path)
    wanted = SQUARES[range_m]
    for width, one, other in zip(HALF_WIDTHS, ours, wanted, strict=True):
        # At the edge of the frame its mirror image takes over from open water.
        if width / range_m <= 0.7:
            assert abs(one - other) <= 0.10 * other + 0.006, (width, ours, wanted)
