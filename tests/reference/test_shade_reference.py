"""Shade in the water against a volumetric path tracer and photons: something black floats over the lens.

Sources: Mitsuba 3.9.1, computed by tools/path_trace_water.py slab: a homogeneous medium (Henyey-Greenstein
0.924) under a flat dielectric surface of index 1.34, a slab of 4 by 4 m half a metre deep, a lens 5.5 m
deep in its shadow, under an even sky alone or a sun alone (30 degrees from the zenith, 20 across). Radiance
per downwelling irradiance of open water at the lens, with the standard error of each row. And
tools/follow_photons.py level: discs of other sizes over other depths, to a few thousandths of the veil.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from tests.conftest import Builders

from halocline.graph.engine import evaluate
from halocline.imaging.camera import pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.operators.shared.water_shade import shade_below
from halocline.physics.path import phase
from halocline.physics.path.transport import refracted_sun
from halocline.physics.sea.shade import Casters
from halocline.presets.build import make_shot
from halocline.presets.preset import load_preset
from halocline.rgb import LINEAR_REC709

TABLE = Path(__file__).parent / "data" / "path_traced_slab.csv"
SLAB_M, HALF_M = 0.5, 2.0
WINDOW, UPWARDS = Window(0, 0, 120, 80), Window(0, 0, 240, 136)
# Level, with the sun over +x, to the side (-z), away from it (-x) and towards it.
UP, SIDE, FROM_SUN, TO_SUN = "straight up", "level to the side", "level from the sun", "level to the sun"
LOOKING_UP = np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 1.0, 0]])


def rows() -> list[tuple[dict[str, str], dict[str, str]]]:
    """Return rows without a slab, each with the one under it."""
    lines = [line for line in TABLE.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    found = list(csv.DictReader(lines))
    return list(zip(found[::2], found[1::2], strict=True))


@dataclass(frozen=True)
class Scene:
    """Black over the lens, half its width, metres, round or square; the water; and the view from below."""

    c: float
    albedo: float
    lens_m: float
    sun_share: float
    view: str
    half_m: float
    round: bool = False


VIEWS = {SIDE: (0.0, -1.0), FROM_SUN: (-1.0, 0.0), TO_SUN: (1.0, 0.0)}


def left(scene: Scene, build: Builders) -> float:
    """Return what shade leaves of the veil along a level view."""
    path = build.path(
        build.grey_bands(scene.c * (1.0 - scene.albedo), scene.c * scene.albedo, 0.1),
        depth_m=scene.lens_m,
        sun_travel=refracted_sun(60.0, 90.0, build.up, build.ahead, 1.34),
        surface_sun_share=scene.sun_share,
    )
    # It lies towards the sun, so that its shadow falls on the lens.
    aside = math.tan(math.asin(0.5 / 1.34)) * (scene.lens_m - SLAB_M) if scene.sun_share else 0.0
    x, z = VIEWS[scene.view]
    turned = np.array([[-z, 0, -x], [0, 1, 0], [x, 0, -z]], float)
    camera = replace(build.camera(WINDOW), rotation=turned)
    nothing = np.zeros(WINDOW.shape, np.float32)
    shot = build.shot(WINDOW, path=path, camera=camera)
    shot = replace(
        shot,
        surfaces=Frame({"alpha": nothing, "range": nothing + np.float32(np.inf)}, WINDOW, WINDOW),
        sea=shot.sea.model_copy(update={"wind": 0.0}),
    )
    points = np.arange(-scene.half_m, scene.half_m, 0.05) + 0.025
    across, forth = (plane.ravel() for plane in np.meshgrid(points, points))
    black = np.hypot(across, forth) < (scene.half_m if scene.round else np.inf)
    # Along the level axes: -z, and -x.
    places = np.stack([across[black], forth[black] - aside]).astype(np.float32)
    over = Casters(places, *np.full((2, black.sum()), [[SLAB_M], [1.0]], np.float32))
    shade = shade_below(shot, over, 1.0)
    assert shade is not None
    return float(build.left_before(shade, WINDOW, np.full(WINDOW.shape, 1e4, np.float32))[0, 40, 60])


@pytest.fixture
def only_particles(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the water itself scatter nothing, as those of the sources do not."""
    monkeypatch.setattr(phase, "SEA_WATER_SCATTERING", 0.0)


@pytest.mark.parametrize(
    ("open_water", "under"),
    [pair for pair in rows() if pair[0]["view"] != UP],
    ids=lambda row: f"{row['c']},{row['sun_share']},{row['view']}",
)
@pytest.mark.usefixtures("only_particles")
def test_a_slab_overhead_takes_of_a_level_veil_what_paths_find(
    open_water: dict[str, str], under: dict[str, str], build: Builders
) -> None:
    c, albedo, share = (float(under[name]) for name in ("c", "albedo", "sun_share"))
    traced = float(under["radiance"]) / float(open_water["radiance"])
    error = traced * math.hypot(
        *(float(row["error"]) / float(row["radiance"]) for row in (open_water, under))
    )
    # Two standard errors of the paths, which are 1 to 4 %, and 3 % as below.
    ours = left(Scene(c, albedo, 5.5, share, under["view"], 2.0), build)
    assert ours == pytest.approx(traced, abs=2.0 * error + 0.03)


def photons() -> list[dict[str, str]]:
    with (TABLE.parent / "photons_under_a_disc.csv").open(encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


@pytest.mark.parametrize("row", photons(), ids=lambda row: ",".join(list(row.values())[:6]))
@pytest.mark.usefixtures("only_particles")
def test_a_disc_overhead_takes_of_a_level_veil_what_photons_find(
    row: dict[str, str], build: Builders
) -> None:
    a, b, depth_m, share, radius_m = (
        float(row[name]) for name in ("absorption", "scattering", "depth_m", "sun_share", "radius_m")
    )
    ours = left(
        Scene(a + b, b / (a + b), depth_m, share, f"level {row['view']}", radius_m, round=True), build
    )
    found = float(row["under"]) / float(row["open"])
    # Photons know it to 1.2 % at most. Some 3 % too much is taken, up to 6 towards the sun: the disc hides
    # what comes from straight above, while most that is turned level has come from low in the window.
    assert ours == pytest.approx(found, abs=0.06)


# Straight up at the slab, by the whole picture's way: light that comes straight through the surface, halo,
# veil and shade.
TEXT = """
format = 1
[water]
table = "water.csv"
[place]
camera_depth = 5.5
[light]
overcast = 1.0
[sea]
wind = 0.0
[steps.sky_window]
[steps.attenuation]
[steps.forward_scatter]
law = "smooth"
detail = "bands"
[steps.veiling_light]
"""


@pytest.mark.parametrize(("c", "albedo"), [(0.2, 0.6), (0.4, 0.8)])
@pytest.mark.usefixtures("only_particles")
def test_looking_up_at_a_slab_under_a_sky_it_is_as_dark_as_paths_find_it(
    c: float, albedo: float, tmp_path: Path
) -> None:
    # Under the sun alone the traced slab's edge runs through this view: no number to compare with.
    open_water, under = next(
        pair
        for pair in rows()
        if (float(pair[0]["c"]), pair[0]["sun_share"], pair[0]["view"]) == (c, "0", UP)
    )
    spectrum = "".join(f"{nm},{c * (1.0 - albedo)},{c * albedo}\n" for nm in range(400, 701, 10))
    (tmp_path / "water.csv").write_text(f"wavelength,a,b\n{spectrum}", encoding="utf-8")
    (tmp_path / "water.toml").write_text(TEXT, encoding="utf-8")
    preset = load_preset(tmp_path / "water.toml")
    lens = replace(pinhole(UPWARDS, focal_length_mm=18.0, film_width_mm=36.0), rotation=LOOKING_UP)
    shot = make_shot(
        preset, 1, CameraTrack({1: lens}), space=LINEAR_REC709, display_window=UPWARDS, data_window=UPWARDS
    )
    rays = lens.directions(UPWARDS)
    way = (5.5 - SLAB_M) / np.maximum(rays[1], 0.05)
    hit = np.maximum(np.abs(rays[0]), np.abs(rays[2])) * way < HALF_M
    planes = {
        "rgb": np.zeros((3, *UPWARDS.shape), np.float32),
        "alpha": hit.astype(np.float32),
        "range": np.where(hit, way, np.inf).astype(np.float32),
    }
    frame = Frame(planes, UPWARDS, UPWARDS)
    made = evaluate(preset.at(1).graph, frame, replace(shot, surfaces=frame), wanted=("bands",))["bands"]
    band = int(np.argmin(np.abs(shot.path.bands.wavelength_nm - 550.0)))
    ours = float(made[band, 67:69, 119:121].mean() / (math.pi * shot.path.white[band]))
    # Of the open view some hundredths are left. A quarter of that, and 5 thousandths of the open view.
    assert ours == pytest.approx(float(under["radiance"]), rel=0.25)
    assert abs(ours - float(under["radiance"])) < 0.005 * float(open_water["radiance"])
