"""Looking up through the sea's surface, with and without a hull over the lens, against photons.

Source: tools/follow_photons.py, photons followed backwards from the lens in even water (Henyey-Greenstein
0.924) under a flat sea (Snell, Fresnel) with a sun 60 degrees high and a sky of even radiance, computed; the
hull is a black disc of 2 m radius that lies 0.3 m deep before the sun.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from halocline._typing import F32, F64
from halocline.graph.engine import evaluate
from halocline.imaging.camera import pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.physics.water.spectra import WAVELENGTH_NM, transfer_matrix
from halocline.presets.build import make_shot
from halocline.presets.preset import load_preset
from halocline.rgb import LINEAR_REC709

TABLE = Path(__file__).parent / "data" / "photons_looking_up.csv"
WINDOW = Window(0, 0, 240, 136)
SUN_DEG = 60.0
IN_WATER = math.asin(math.cos(math.radians(SUN_DEG)) / 1.341)
DISC_M, DISC_DEPTH_M = 2.0, 0.3
ANGLES = (0.0, 3.0, 6.0, 9.0, 18.0, 26.0)
DEEP = [("0.04", "0.15", "20.0"), ("0.02", "0.04", "40.0"), ("0.02", "0.04", "80.0")]
WATERS = [("0.0988", "0.427", "5.0"), ("0.0988", "0.427", "9.0"), ("0.04", "0.15", "9.0")]
SKY, BLUR = "[steps.sky_window]\n", '[steps.forward_scatter]\nlaw = "smooth"\ndetail = "bands"\n'
TEXT = """
format = 1
[water]
table = "water.csv"
[place]
camera_depth = {depth}
[light]
sun_elevation = {sun}
sun_azimuth = 0.0
overcast = {overcast}
[sea]
wind = 0.0
{before}
[steps.attenuation]
{blur}
[steps.veiling_light]
"""


@cache
def photons(water: tuple[str, str, str], share: str) -> dict[tuple[float, float], float]:
    """Radiance by angle from the sun, degrees, and radius of the disc, metres."""
    with TABLE.open(encoding="utf-8") as lines:
        return {
            (float(row["from_sun_deg"]), float(row["disc"])): float(row["radiance"])
            for row in csv.DictReader(lines)
            if (row["absorption"], row["scattering"], row["depth_m"], row["sun_share"]) == (*water, share)
        }


def looked_up(
    water: tuple[str, str, str],
    folder: Path,
    *,
    overcast: float,
    hull: bool,
    before: str = SKY,
    blur: str = BLUR,
    height_m: float | None = None,
    aside_m: float = 0.0,
    angles: tuple[float, ...] = ANGLES,
) -> dict[float, float]:
    """Radiance per irradiance of 1 on the sea, by angle from the sun to the right of it.

    The hull lies so far above the lens, or just below the surface, and its middle so far to the right.
    """
    height_m = float(water[2]) - DISC_DEPTH_M if height_m is None else height_m
    told = picture(
        water,
        folder,
        overcast=overcast,
        before=before,
        blur=blur,
        casts=hull,
        seen=lambda rays: overhead(rays, height_m, hull=hull, aside_m=aside_m),
    )
    return {angle: beside_the_sun(told, "aside", angle) for angle in angles}


def beside_the_sun(told: F64, view: str, angle: float) -> float:
    """Return a picture's light so many degrees beside the sun, which stands in its middle, or below it."""
    place, row = 120.0 * math.tan(math.radians(angle)) - 0.5, WINDOW.height // 2
    if view == "aside":
        return float(np.interp(120.0 + place, np.arange(240), told[row - 1 : row + 1].mean(axis=0)))
    return float(np.interp(row + place, np.arange(WINDOW.height), told[:, 119:121].mean(axis=1)))


def picture(
    water: tuple[str, str, str],
    folder: Path,
    *,
    overcast: float,
    before: str = SKY,
    blur: str = BLUR,
    casts: bool,
    seen: Callable[[F32], Frame],
    sun_deg: float = SUN_DEG,
) -> F64:
    """Radiance per irradiance of 1 on the sea of a lens that looks at the sun, by what its rays see."""
    absorption, scattering, depth = water
    rows = "".join(f"{nm},{absorption},{scattering}\n" for nm in range(400, 701, 10))
    (folder / "water.csv").write_text("wavelength,a,b\n" + rows, encoding="utf-8")
    text = TEXT.format(depth=depth, overcast=overcast, before=before, blur=blur, sun=sun_deg)
    (folder / "water.toml").write_text(text, encoding="utf-8")
    preset, matrix = load_preset(folder / "water.toml"), np.eye(4)
    turn = math.asin(math.cos(math.radians(sun_deg)) / 1.341)
    matrix[1:3, 1:3] = [[math.sin(turn), -math.cos(turn)], [math.cos(turn), math.sin(turn)]]
    lens = pinhole(WINDOW, focal_length_mm=18.0, film_width_mm=36.0, camera_to_world=matrix)
    shot = make_shot(
        preset, 1, CameraTrack({1: lens}), space=LINEAR_REC709, display_window=WINDOW, data_window=WINDOW
    )
    frame = seen(lens.directions(WINDOW))
    shot = replace(shot, surfaces=frame if casts else None)
    made = evaluate(preset.at(1).graph, frame, shot, wanted=("bands",))["bands"]
    path = shot.path
    band = int(np.argmin(np.abs(path.bands.wavelength_nm - 550.0)))
    solved = path.water.daylight().log_downward(path.reference_depth_m)[band]
    whole = math.pi * path.white[band] / math.exp(solved)
    return np.asarray(made[band] / whole, np.float64)


def views_of_scenes(name: str) -> dict[tuple[str, ...], dict[tuple[str, float], float]]:
    """Return a table's radiance by view and angle, by scene."""
    found: dict[tuple[str, ...], dict[tuple[str, float], float]] = {}
    with (TABLE.parent / name).open(encoding="utf-8") as lines:
        for *scene, view, angle, radiance, _ in list(csv.reader(lines))[1:]:
            found.setdefault(tuple(scene), {})[view, float(angle)] = float(radiance)
    return found


def openings() -> dict[tuple[str, ...], dict[tuple[str, float], float]]:
    """Radiance by view of each water, roof, opening and disc."""
    return views_of_scenes("photons_through_an_opening.csv")


def black(range_m: F64) -> Frame:
    """Return a picture of black things at ranges, and of nothing where these are infinite."""
    planes = {
        "rgb": np.zeros((3, *WINDOW.shape), np.float32),
        "alpha": np.isfinite(range_m).astype(np.float32),
        "range": range_m.astype(np.float32),
    }
    return Frame(planes, WINDOW, WINDOW)


def through_an_opening(scene: tuple[str, ...], rays: F32) -> Frame:
    """Return a roof with an opening before the sun, and a disc over that, as a lens below it sees them."""
    depth_m, roof_m, opening_m, disc_depth_m, disc_m = map(float, scene[2:])
    heights = depth_m - roof_m, depth_m - disc_depth_m
    with np.errstate(invalid="ignore"):
        ways = [np.where(rays[1] > 0.02, up / np.maximum(rays[1], 0.02), np.inf) for up in heights]
        aside = [
            np.hypot(rays[0] * way, rays[2] * way + math.tan(IN_WATER) * up)
            for way, up in zip(ways, heights, strict=True)
        ]
    range_m = np.where(aside[1] < disc_m, ways[1], np.inf)
    return black(np.where(aside[0] > opening_m, ways[0], range_m))


@pytest.mark.parametrize("scene", openings(), ids=",".join)
def test_light_through_an_opening_and_past_a_fish_over_it_is_what_photons_bring(
    scene: tuple[str, ...], tmp_path: Path
) -> None:
    # Open, half closed, and closed by a fish that is no wider than what the lens sees of it.
    water = scene[0], scene[1], scene[2]
    told = picture(
        water, tmp_path, overcast=0.0, casts=True, seen=lambda rays: through_an_opening(scene, rays)
    )
    closed = float(scene[-1]) > 1.0
    for (view, angle), wanted in openings()[scene].items():
        ours = beside_the_sun(told, view, angle)
        # Within a quarter, the sun's own place apart, where the picture's pixels are as wide as its halo's
        # core; and of what is left where it is closed, some thousandths of the open view, six.
        if closed:
            assert ours == pytest.approx(wanted, abs=0.006), (view, angle)
        elif angle > 0.0 or scene[1] != "0.05":
            assert ours == pytest.approx(wanted, rel=0.25), (view, angle)


def overhead(rays: F32, height_m: float, *, hull: bool, aside_m: float = 0.0) -> Frame:
    """Return a black disc before the sun, its middle so far to the right of that, or nothing."""
    way = np.where(rays[1] > 0.05, height_m / np.maximum(rays[1], 0.05), np.inf)
    with np.errstate(invalid="ignore"):
        ahead = rays[2] * way + math.tan(IN_WATER) * height_m
        hit = hull & ((rays[0] * way - aside_m) ** 2 + ahead**2 < DISC_M**2)
    return black(np.where(hit, way, np.inf))


@pytest.mark.parametrize("water", [*WATERS, *DEEP])
@pytest.mark.parametrize(("overcast", "share"), [(1.0, "0.0"), (0.0, "0.75")])
def test_the_sky_and_the_water_before_it_are_as_bright_together_as_photons_find_them(
    water: tuple[str, str, str], overcast: float, share: str, tmp_path: Path
) -> None:
    ours = looked_up(water, tmp_path, overcast=overcast, hull=False)
    for (angle, disc), wanted in photons(water, share).items():
        # Photons do not show the sun itself. Skies are not even: an overcast one is brightest overhead, a
        # clear one darkest away from the sun. Of ours the water itself scatters too, to all sides, .0019 1/m
        # at 550 nm (morel1974), which from 80 m down is a seventh of the light.
        if disc == 0.0 and (share == "0.0" or angle >= 6.0):
            assert ours[angle] == pytest.approx(wanted, rel=0.15 if water[2] == "80.0" else 0.1), (
                angle,
                ours,
            )


@pytest.mark.parametrize("water", ["IA", "IB"])
def test_from_forty_metres_the_sky_has_the_colour_that_photons_bring_down(water: str, tmp_path: Path) -> None:
    # tools/follow_photons.py deep, by wavelength, with the type's own lobe and the water's own scattering.
    text = TEXT.format(depth=40.0, overcast=1.0, before=SKY, blur=BLUR, sun=SUN_DEG)
    text = text.replace('table = "water.csv"', f'jerlov_type = "{water}"')
    text = text.replace("[light]", "[light]\nreference_depth = 0.0")
    (tmp_path / "water.toml").write_text(text, encoding="utf-8")
    preset, matrix = load_preset(tmp_path / "water.toml"), np.eye(4)
    matrix[1:3, 1:3] = [[0.0, -1.0], [1.0, 0.0]]
    lens = pinhole(WINDOW, focal_length_mm=18.0, film_width_mm=36.0, camera_to_world=matrix)
    shot = make_shot(
        preset, 1, CameraTrack({1: lens}), space=LINEAR_REC709, display_window=WINDOW, data_window=WINDOW
    )
    frame = overhead(lens.directions(WINDOW), 39.7, hull=False)
    made = evaluate(preset.at(1).graph, frame, shot, wanted=("bands",))["bands"][:, 67:69].mean(axis=1)
    with (TABLE.parent / "photons_from_40_m.csv").open(encoding="utf-8") as lines:
        rows = [row for row in csv.DictReader(lines) if row["type"] == water]
    for angle in (0.0, 26.0):
        column = 119.5 + 120.0 * math.tan(math.radians(angle))
        bands = [np.interp(column, np.arange(240), band) for band in made]
        ours = shot.path.bands.down @ np.array(bands) / math.pi
        found = [row for row in rows if float(row["from_up_deg"]) == angle]
        nodes = np.array([float(row["wavelength_nm"]) for row in found])
        spectrum = np.interp(WAVELENGTH_NM, nodes, [float(row["radiance"]) for row in found])
        photons_rgb = transfer_matrix(LINEAR_REC709, spectrum) @ np.ones(3)
        # An overcast sky is 9/7 as bright overhead as an even one of as much light (type 1 of cie2003), and
        # what comes straight down is half of this: up to 16 % more. Of the hue, channels over the brightest.
        assert 1.0 < ours[2] / photons_rgb[2] < 1.16
        assert ours / ours[2] == pytest.approx(photons_rgb / photons_rgb[2], abs=0.03)


def test_before_a_hull_that_hides_the_sun_by_its_edge_the_water_has_the_hue_that_photons_give_it(
    tmp_path: Path,
) -> None:
    # tools/follow_photons.py hull: a disc eight metres over a lens forty metres down, its edge 2.7 degrees
    # from the sun. The halo of so much bright water behind it takes nothing that shade has taken already.
    text = TEXT.format(depth=40.0, overcast=0.0, before=SKY, blur="[steps.forward_scatter]\n", sun=SUN_DEG)
    text = text.replace('table = "water.csv"', 'jerlov_type = "IA"')
    text = text.replace("[light]", "[light]\nreference_depth = 0.0")
    (tmp_path / "water.toml").write_text(text, encoding="utf-8")
    preset, matrix = load_preset(tmp_path / "water.toml"), np.eye(4)
    matrix[1:3, 1:3] = [[math.sin(IN_WATER), -math.cos(IN_WATER)], [math.cos(IN_WATER), math.sin(IN_WATER)]]
    lens = pinhole(WINDOW, focal_length_mm=18.0, film_width_mm=36.0, camera_to_world=matrix)
    shot = make_shot(
        preset, 1, CameraTrack({1: lens}), space=LINEAR_REC709, display_window=WINDOW, data_window=WINDOW
    )
    frame = overhead(lens.directions(WINDOW), 8.0, hull=True, aside_m=1.6)
    shot = replace(shot, surfaces=frame)
    made = evaluate(preset.at(1).graph, frame, shot, wanted=("bands",))["bands"][:, 67:69].mean(axis=1)
    with (TABLE.parent / "photons_under_a_hull.csv").open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    for angle in (-1.0, 0.0, 3.0, 9.0):
        column = 119.5 + 120.0 * math.tan(math.radians(angle))
        ours = shot.path.bands.down @ np.array([np.interp(column, np.arange(240), band) for band in made])
        found = [row for row in rows if float(row["from_sun_deg"]) == angle]
        nodes = np.array([float(row["wavelength_nm"]) for row in found])
        spectrum = np.interp(WAVELENGTH_NM, nodes, [float(row["radiance"]) for row in found])
        photons_rgb = math.pi * transfer_matrix(LINEAR_REC709, spectrum) @ np.ones(3)
        assert ours[2] == pytest.approx(photons_rgb[2], rel=0.25)
        assert ours / ours[2] == pytest.approx(photons_rgb / photons_rgb[2], abs=0.08)


def beside_an_edge() -> dict[tuple[str, ...], dict[float, float]]:
    """Radiance by angle from the sun, degrees, of each water and disc."""
    found: dict[tuple[str, ...], dict[float, float]] = {}
    with (TABLE.parent / "photons_beside_an_edge.csv").open(encoding="utf-8") as lines:
        for *scene, angle, radiance, _ in list(csv.reader(lines))[1:]:
            found.setdefault(tuple(scene), {})[float(angle)] = float(radiance)
    return found


@pytest.mark.parametrize("scene", beside_an_edge(), ids=",".join)
def test_before_a_hull_and_beside_its_edge_the_suns_light_is_what_photons_bring(
    scene: tuple[str, ...], tmp_path: Path
) -> None:
    # Its edge lies 2.7 degrees from the sun, which it hides: just under the surface, or with most of the
    # water above it, so that the sun's light has become a glow there.
    water, above_m, aside_m, radius_m = scene[:3], *map(float, scene[3:])
    assert radius_m == DISC_M
    traced = beside_an_edge()[scene]
    ours = looked_up(
        (water[0], water[1], water[2]),
        tmp_path,
        overcast=0.0,
        hull=True,
        height_m=above_m,
        aside_m=aside_m,
        angles=tuple(traced),
    )
    for angle, wanted in traced.items():
        # What is left before the hull, some hundredths to a tenth of the open water: within 30 % of itself.
        # Beside it: a sixth.
        before = angle > -2.7
        assert ours[angle] == pytest.approx(wanted, rel=0.3 if before else 0.17), (angle, ours)


def others() -> dict[tuple[str, ...], dict[tuple[str, float], float]]:
    """Radiance by view of each water, sun, and hull or opening, of which nothing was made to follow."""
    return views_of_scenes("photons_past_other_things.csv")


def before_another_sun(scene: tuple[str, ...], rays: F32) -> Frame:
    """Return a hull before the sun, or a roof with an opening there, as a lens below it sees it."""
    sun_deg, above_m, opening_m, disc_m = map(float, scene[3:])
    slope = math.tan(math.asin(math.cos(math.radians(sun_deg)) / 1.341))
    with np.errstate(invalid="ignore"):
        way = np.where(rays[1] > 0.02, above_m / np.maximum(rays[1], 0.02), np.inf)
        aside = np.hypot(rays[0] * way, rays[2] * way + slope * above_m)
    hit = aside < disc_m if disc_m else aside > opening_m
    return black(np.where(hit, way, np.inf))


@pytest.mark.parametrize("scene", others(), ids=",".join)
def test_past_other_things_under_other_suns_the_light_is_near_what_photons_bring(
    scene: tuple[str, ...], tmp_path: Path
) -> None:
    # tools/follow_photons.py other: no shape of what is turned past things was made to follow them, but the
    # share that comes past what is unseen was chosen with them in view. The hull is 15 m wide: a thousandth
    # of the open water is left in its middle, four hundredths at 20 degrees.
    told = picture(
        (scene[0], scene[1], scene[2]),
        tmp_path,
        overcast=0.0,
        casts=True,
        seen=lambda rays: before_another_sun(scene, rays),
        sun_deg=float(scene[3]),
    )
    low, high = (0.5, 1.15) if float(scene[-1]) else (0.85, 1.45)
    for (view, angle), wanted in others()[scene].items():
        assert low < beside_the_sun(told, view, angle) / wanted < high, (view, angle)


def test_a_calm_seas_surface_gives_no_halo_to_water_that_holds_it(tmp_path: Path) -> None:
    water = WATERS[0]
    blurred = looked_up(water, tmp_path, overcast=0.5, hull=False)
    assert blurred == looked_up(water, tmp_path, overcast=0.5, hull=False, blur="")
    dark = looked_up(water, tmp_path, overcast=0.5, hull=False, before="")
    assert all(blurred[angle] > 1.01 * dark[angle] for angle in dark)


@pytest.mark.parametrize("water", WATERS)
def test_a_hull_before_the_sun_is_dark_all_over(water: tuple[str, str, str], tmp_path: Path) -> None:
    ours = looked_up(water, tmp_path, overcast=0.0, hull=True)
    traced = photons(water, "0.75")
    for angle in (0.0, 3.0, 6.0, 9.0):
        # Of the open water there 5 %, of either sign; less than no light by a thousandth at most.
        assert ours[angle] > -1e-3 * traced[angle, 0.0], ours
        assert abs(ours[angle] - traced[angle, DISC_M]) < 0.05 * traced[angle, 0.0], (angle, ours)


@pytest.mark.parametrize("water", WATERS)
def test_a_hull_under_an_even_sky_is_dark_too(water: tuple[str, str, str], tmp_path: Path) -> None:
    ours = looked_up(water, tmp_path, overcast=1.0, hull=True)
    traced = photons(water, "0.0")
    for angle in (0.0, 3.0, 6.0, 9.0):
        # What the water throws in before it is right within a fifth of itself, and 7 % of the open water.
        assert ours[angle] == pytest.approx(traced[angle, DISC_M], rel=0.2), (angle, ours)
        assert abs(ours[angle] - traced[angle, DISC_M]) < 0.07 * traced[angle, 0.0], (angle, ours)
