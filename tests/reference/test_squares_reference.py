"""Black squares before open water against photons followed one by one.

Source: computed by tools/follow_squares.py: photons followed backwards from the lens through even water that
scatters as the default law of `forward_scatter` has it (Fournier and Forand's phase function, and sea water's
own), under a flat sea and an even sky. It shares the phase function with the library and nothing else.
Squares are seen by the whole picture's way: attenuation, halo, veil.
"""

from __future__ import annotations

import csv
from functools import lru_cache
from itertools import groupby
from pathlib import Path

import numpy as np
import pytest

from halocline._typing import F64
from halocline.graph.engine import evaluate
from halocline.graph.shot import Shot
from halocline.imaging.camera import pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.physics.path.phase import SEA_WATER_SCATTERING
from halocline.presets.build import make_shot
from halocline.presets.preset import Preset, load_preset
from halocline.rgb import LINEAR_REC709

TABLE = Path(__file__).parent / "data" / "photons_before_squares.csv"
WATER = """
format = 2
[water]
table = "water.csv"
[place]
camera_depth = {depth_m}
[light]
overcast = 1.0
shadows = false
[steps.attenuation]
[steps.forward_scatter]
detail = "bands"
[steps.veiling_light]
"""
SIDE = 320
WINDOW = Window(0, 0, SIDE, SIDE)
FILM_MM = 36.0
# A lens for squares that look large, and one for those that look small, so that both are many pixels.
WIDE_MM, LONG_MM, SMALL = 10.0, 36.0, 0.15

View = tuple[float, float, float, float]


def rows() -> list[tuple[float, ...]]:
    with TABLE.open(encoding="utf-8", newline="") as file:
        return [tuple(float(number) for number in row.values()) for row in csv.DictReader(file)]


VIEWS = {view: list(of) for view, of in groupby(rows(), key=lambda row: row[:4])}


class Seen:
    """One water, depth and pitch, as pictures show squares in the band whose own share is the table's."""

    def __init__(self, view: View, folder: Path) -> None:
        absorption, scattering, depth_m, pitch_deg = view
        spectrum = "".join(f"{nm},{absorption},{scattering}\n" for nm in range(400, 701, 10))
        (folder / "water.csv").write_text(f"wavelength,a,b\n{spectrum}", encoding="utf-8")
        (folder / "water.toml").write_text(WATER.format(depth_m=depth_m), encoding="utf-8")
        self.preset: Preset = load_preset(folder / "water.toml")
        self.pitch = np.radians(pitch_deg)
        own = SEA_WATER_SCATTERING / scattering
        self.band = int(np.argmin(np.abs(self.shot(WIDE_MM).path.molecular_share - own)))
        self.open = float(self.middle(WIDE_MM, np.zeros((SIDE, SIDE)), 1.0, 0.0))

    @lru_cache(maxsize=2)  # noqa: B019 - it lives as long as one test
    def shot(self, focal_mm: float) -> Shot:
        cosine, sine = np.cos(self.pitch), np.sin(self.pitch)
        turn = np.eye(4)
        turn[1:3, 1:3] = [[cosine, -sine], [sine, cosine]]
        lens = pinhole(WINDOW, focal_length_mm=focal_mm, film_width_mm=FILM_MM, camera_to_world=turn)
        track = CameraTrack({1: lens})
        return make_shot(
            self.preset, 1, track, space=LINEAR_REC709, display_window=WINDOW, data_window=WINDOW
        )

    def middle(self, focal_mm: float, cover: F64, range_m: float, light: float) -> float:
        """Return what the picture shows in its middle of a wall that covers some of it."""
        shot = self.shot(focal_mm)
        slopes = (np.arange(SIDE) + 0.5 - 0.5 * SIDE) * FILM_MM / focal_mm / SIDE
        slant = np.sqrt(1.0 + np.add.outer(slopes**2, slopes**2))
        planes = {
            "bands": np.full((shot.path.bands.count, SIDE, SIDE), light, np.float32)
            * cover.astype(np.float32),
            "alpha": cover.astype(np.float32),
            "range": np.where(cover > 0.0, range_m * slant, np.inf).astype(np.float32),
        }
        made = evaluate(self.preset.at(1).graph, Frame(planes, WINDOW, WINDOW), shot, wanted=("bands",))
        middle = slice(SIDE // 2 - 1, SIDE // 2 + 1)
        return float(made["bands"][self.band, middle, middle].mean())

    def contrast(self, range_m: float, half_m: float, light: float = 0.0) -> float:
        """Return the contrast of a square whose light is a share of open water's."""
        focal_mm = LONG_MM if half_m <= SMALL * range_m else WIDE_MM
        slopes = (np.arange(SIDE) + 0.5 - 0.5 * SIDE) * FILM_MM / focal_mm / SIDE
        pixel = FILM_MM / focal_mm / SIDE
        side = np.clip((half_m / range_m - np.abs(slopes)) / pixel + 0.5, 0.0, 1.0)
        seen = self.middle(focal_mm, np.multiply.outer(side, side), range_m, light * self.open)
        return 1.0 - seen / self.open


def test_the_table_holds_every_water_and_view() -> None:
    # Not asked for: light that comes from the surface 20 degrees up in clear water; what photons do not tell.
    assert len(VIEWS) == 26
    assert len({view[:2] for view in VIEWS}) == 7
    assert all(row[7] < 0.03 * row[6] for row in rows())


# How far a contrast is off at most, as a part of it: to so many scattering lengths, of light that the eye
# sees most of; and of light that is absorbed more, which comes from above alone and grows faster about the
# view than a parabola says. Beyond, 4 to 20 % of contrast are left.
MOST_ABSORBED, NEAR, DEEP = 0.3, 3.0, 4.5
OFF_NEAR, OFF, OFF_ABSORBED, OFF_DEEP = 0.05, 0.06, 0.12, 0.24
# How far off what farther grey and bright ones show is at most, as a share of the open water's light, and the
# half width of those that are looked at.
OFF_OF_WATER, MIDDLE_M = 0.05, 1.5
# Light of a grey square and of a bright one, as shares of the water's.
GREY, BRIGHT = 0.5, 3.0


def allowed(row: tuple[float, ...]) -> float:
    """Return by which part of it a row's contrast may be off."""
    if row[1] * row[4] > DEEP:
        return OFF_DEEP
    if row[0] > MOST_ABSORBED:
        return OFF_ABSORBED
    return OFF_NEAR if row[1] * row[4] <= NEAR else OFF


@pytest.mark.parametrize("view", VIEWS, ids=lambda view: "a {:g} b {:g}, {:g} m, {:g}".format(*view))
def test_squares_stand_out_as_photons_find_them(view: View, tmp_path: Path) -> None:
    """Black ones; and half as bright as the water and three times as bright to all sides."""
    seen, off = Seen(view, tmp_path), []
    for row in VIEWS[view]:
        of_black, arrives = row[6], row[8]
        black = seen.contrast(row[4], row[5])
        assert black == pytest.approx(of_black, rel=allowed(row)), row
        if row[1] * row[4] > NEAR and row[5] != MIDDLE_M:
            continue
        grey, bright = (seen.contrast(row[4], row[5], light) for light in (GREY, BRIGHT))
        if row[1] * row[4] > NEAR:
            # Its own light makes up for most of what it hides: less is left than either is off by.
            assert grey == pytest.approx(of_black - GREY * arrives, abs=OFF_OF_WATER), row
            assert bright == pytest.approx(of_black - BRIGHT * arrives, abs=OFF_OF_WATER), row
            continue
        off.append(abs(black / of_black - 1.0))
        assert grey == pytest.approx(of_black - GREY * arrives, abs=allowed(row) * of_black), row
        # Its own light arrives as photons bring it.
        assert (grey - bright) / (BRIGHT - GREY) == pytest.approx(arrives, rel=0.05), row
    assert np.median(off) < (0.025 if view[0] <= MOST_ABSORBED else 0.06)
