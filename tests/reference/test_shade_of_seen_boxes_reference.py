"""Everyday things in the water, told by what the lens sees of them alone, against photons.

Source: tools/follow_photons.py seen, photons followed backwards from the lens past the black boxes of
`data/scenes_seen.json` and, the same ones, without them, in even water (Henyey-Greenstein 0.924; absorption
and scattering about those of types IB, 3C and 5C at 550 nm) under a flat sea, computed: four posts that look
alike wide, 1 to 8 m away; a body 3 m away; a statue on a floor; an arch; a box 25 cm wide half a metre away;
a chain's width of links; a mast before the sun. They were in view when narrow things came to keep no more
than they are wide, and nothing was fitted to them.
"""

from __future__ import annotations

import csv
import json
import math
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tests.reference.test_shade_of_boxes_reference import picture

from halocline._typing import F64

DATA = Path(__file__).parent / "data"
SCENES: dict[str, dict[str, Any]] = json.loads((DATA / "scenes_seen.json").read_text(encoding="utf-8"))
# What is left of open water, over what photons leave, at least and at most, as they are. Halos before and
# above posts take more than they should in turbid water, shade is too dark above floors, and before what is
# nearer than a metre comes a little too much.
BOUNDS = {
    "posts 5C": (0.8, 1.0),
    "posts 3C": (0.83, 1.0),
    "posts 1B": (0.86, 1.0),
    "diver": (0.96, 1.04),
    "diver sun behind": (0.96, 1.04),
    "statue": (0.8, 1.05),
    "archway": (0.8, 1.03),
    "macro": (0.93, 1.45),
    "chain": (0.97, 1.08),
    "mast sun": (0.97, 1.1),
}
# Of all of them, the mean and the root of the mean square of the logarithm: without shade's width of narrow
# things they were -.085 and .136.
MEAN, SPREAD = 0.05, 0.095


@cache
def photons() -> dict[str, dict[tuple[float, float], float]]:
    """What is left of the open view, by scene and by degrees to the right and up."""
    found: dict[str, dict[tuple[float, float], float]] = {}
    with (DATA / "photons_past_seen_boxes.csv").open(encoding="utf-8") as lines:
        for row in csv.DictReader(lines):
            place = float(row["aside_deg"]), float(row["up_deg"])
            found.setdefault(row["scene"], {})[place] = float(row["left"])
    return found


def at(told: F64, scene: dict[str, Any], place: tuple[float, float]) -> float:
    """Return what a picture shows to the right and up of its middle."""
    rows, columns = told.shape
    focal = columns * scene.get("focal", 18.0) / 36.0
    aside, up = (focal * math.tan(math.radians(angle)) for angle in place)
    by_row = [np.interp((columns - 1) / 2 + aside, np.arange(columns), row) for row in told]
    return float(np.interp((rows - 1) / 2 - up, np.arange(rows), by_row))


@cache
def ours_over_photons(name: str, folder: Path) -> dict[tuple[float, float], float]:
    scene = SCENES[name]
    told = picture(scene, folder, told_by_sun=False)
    without = picture({**scene, "boxes": []}, folder, told_by_sun=False)
    return {
        place: at(told, scene, place) / at(without, scene, place) / wanted
        for place, wanted in photons()[name].items()
    }


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("water")


@pytest.mark.parametrize("name", SCENES)
def test_things_leave_about_as_much_of_open_water_as_photons_find(name: str, folder: Path) -> None:
    low, high = BOUNDS[name if name.startswith("posts") else name.rsplit(" ", 1)[0]]
    for place, ratio in ours_over_photons(name, folder).items():
        assert low < ratio < high, place


def test_shade_of_what_is_seen_is_neither_too_dark_nor_too_bright_on_the_whole(folder: Path) -> None:
    found = np.log([ratio for name in SCENES for ratio in ours_over_photons(name, folder).values()])
    assert abs(float(found.mean())) < MEAN
    assert math.sqrt(float((found**2).mean())) < SPREAD


def test_every_scene_and_view_is_looked_at() -> None:
    assert {*SCENES} == {*photons()}
    assert all(len(SCENES[name]["views"]) == len(photons()[name]) for name in SCENES)
