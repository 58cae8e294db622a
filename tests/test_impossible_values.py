"""What Python callers are told of values that make no sense: code, what is wrong, and what would."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from halocline.errors import HaloclineError, ReadError
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.matching.port_grid import read_corners
from halocline.physics.bending.distortion import fit_grid
from halocline.physics.bending.layers import Layer
from halocline.physics.bending.refraction import WaterMass
from halocline.physics.bending.turbulence import IndexEddies
from halocline.physics.floating.field import patchiness
from halocline.physics.floating.flow import Current, Wake, WorldDrift, turbulence
from halocline.physics.path.beam import Core
from halocline.physics.sea.waves import SeaState, Swell
from halocline.physics.water.bands import Bands
from halocline.physics.water.spectra import WAVELENGTH_NM, resampled
from halocline.physics.water.water import Water
from halocline.review.animation import animated

ONE, TWO = np.zeros((1, 3)), np.zeros((2, 3))
UP = np.array([0.0, 1.0, 0.0])
MASS = WaterMass(12.0, 35.0)
BLACK = np.zeros((4, 4, 3), np.uint8)


def window(width: int, height: int) -> Callable[[], object]:
    return lambda: Window(0, 0, width, height)


def grid(count: int, *, line: bool) -> Callable[[], object]:
    corners = np.stack([np.arange(count) % 5, np.arange(count) // 5], axis=1).astype(np.float64)
    corners[:, 1] *= not line
    return lambda: fit_grid(corners, 20.0 + 30.0 * corners, columns=200, rows=150)


def wake(times: tuple[float, ...], **changes: Any) -> Callable[[], object]:
    return lambda: Wake(np.array(times), TWO, TWO, **{"radius_m": 0.3, **changes})


def water(**changes: Any) -> Callable[[], object]:
    even = {name: np.ones(WAVELENGTH_NM.size) for name in ("absorption_per_m", "scattering_per_m")}
    made = {**even, "diffuse_attenuation_per_m": np.full(WAVELENGTH_NM.size, 1.5), **changes}
    return lambda: Water(name="test water", source="made here", **made)


CASES: dict[str, tuple[Callable[[], object], str, str, str]] = {
    "no camera": (
        lambda: CameraTrack({}),
        "E-CAMERA-TRACK",
        "without a camera",
        "at least one frame's camera",
    ),
    "no columns": (window(0, 3), "E-FRAME-WINDOW", "a window of 0 x 3 pixels", "at least 1"),
    "no rows": (window(3, -1), "E-FRAME-WINDOW", "a window of 3 x -1 pixels", "at least 1"),
    "no plane": (
        lambda: Frame({"alpha": np.zeros((2, 2), np.float32)}, Window(0, 0, 2, 2), Window(0, 0, 2, 2)).plane(
            "rgb"
        ),
        "E-FRAME-MISSING",
        'no plane "rgb"',
        "The frame has: alpha.",
    ),
    "no bands": (
        lambda: Bands.from_dict({"up": []}),
        "E-BANDS-DATA",
        "missing or unknown: absorption",
        "Leave the bands out",
    ),
    "few corners": (
        grid(10, line=False),
        "E-PHYSICS-GRID",
        "10 corners for 10 grid positions",
        "at least 20 corners",
    ),
    "corners on a line": (
        grid(30, line=True),
        "E-PHYSICS-GRID",
        "lie on one line",
        "several rows and columns",
    ),
    "drift without keys": (
        lambda: WorldDrift(np.zeros(0), np.zeros((0, 3)), np.zeros((0, 3))),
        "E-PHYSICS-DRIFT",
        "needs keys",
        "later time",
    ),
    "drift that stands": (
        lambda: WorldDrift(np.array([1.0, 1.0]), TWO, TWO),
        "E-PHYSICS-DRIFT",
        "order of time",
        "later time",
    ),
    "wake of one key": (
        lambda: Wake(np.zeros(1), ONE, ONE, 0.3),
        "E-PHYSICS-WAKE",
        "two keys or more",
        "later time",
    ),
    "wake against time": (wake((2.0, 1.0)), "E-PHYSICS-WAKE", "in the order of time", "later time"),
    "wake of no body": (wake((0.0, 1.0), radius_m=0.0), "E-PHYSICS-WAKE", "a wake of radius 0 m", "above 0"),
    "wake that outruns": (wake((0.0, 1.0), carry=1.2), "E-PHYSICS-WAKE", "carry 1.2", "between 0 and 1"),
    "wake for ever": (wake((0.0, 1.0), settle_s=0.0), "E-PHYSICS-WAKE", "settling time 0 s", "above 0"),
    "wake that calms": (wake((0.0, 1.0), stir_m=-0.1), "E-PHYSICS-WAKE", "stir -0.1 m", "stir 0 or more"),
    "swell without a period": (
        lambda: Current(surge_period_s=0.0),
        "E-PHYSICS-FLOW",
        "a period of 0 s",
        "above 0 s",
    ),
    "eddies that slow": (
        lambda: turbulence(1, "a", rms_speed_m_s=-1.0, largest_m=1.0),
        "E-PHYSICS-FLOW",
        "turbulence of -1 m/s",
        "0 or more",
    ),
    "eddies the wrong way round": (
        lambda: turbulence(1, "a", rms_speed_m_s=1.0, largest_m=1.0, smallest_m=2.0),
        "E-PHYSICS-FLOW",
        "between 2 and 1 m",
        "not above the largest",
    ),
    "layer of no thickness": (
        lambda: Layer(np.zeros(3), UP, 0.0, MASS, MASS),
        "E-PHYSICS-LAYER",
        "a layer 0 m thick",
        "a thickness above 0",
    ),
    "layer of no normal": (
        lambda: Layer(np.zeros(3), 2.0 * UP, 1.0, MASS, MASS),
        "E-PHYSICS-LAYER",
        "not of unit length",
        "Normalise",
    ),
    "finest eddy the largest": (
        lambda: IndexEddies(eddy_m=0.1, finest_m=0.2),
        "E-PHYSICS-LAYER",
        "eddies from 0.2 m to 0.1 m",
        "no larger than the largest",
    ),
    "patches of no size": (
        lambda: patchiness(1, "a", scale_m=0.0, variation=0.5),
        "E-PHYSICS-PATCHES",
        "patches of 0 m",
        "a scale above 0 m",
    ),
    "patches too strong": (
        lambda: patchiness(1, "a", scale_m=1.0, variation=2.5),
        "E-PHYSICS-PATCHES",
        "a variation of 2.5",
        "0 (even) to 2",
    ),
    "spectrum of unequal columns": (
        lambda: resampled([400.0, 500.0], [1.0]),
        "E-SPECTRUM-TABLE",
        "1 values stand against 2 wavelengths",
        "one finite value",
    ),
    "spectrum of nothing": (
        lambda: resampled([400.0, 500.0], [1.0, math.nan]),
        "E-SPECTRUM-TABLE",
        "not finite",
        "one finite value",
    ),
    "spectrum backwards": (
        lambda: resampled([500.0, 400.0], [1.0, 2.0]),
        "E-SPECTRUM-TABLE",
        "do not ascend",
        "ascending order",
    ),
    "water of few numbers": (
        water(absorption_per_m=np.ones(3)),
        "E-WATER-SPECTRUM",
        "must be 301 finite numbers",
        "tabulated_water",
    ),
    "water that gives light": (
        water(scattering_per_m=np.full(WAVELENGTH_NM.size, -1.0)),
        "E-WATER-SPECTRUM",
        "none below 0",
        "tabulated_water",
    ),
    "daylight that outlasts absorption": (
        water(diffuse_attenuation_per_m=np.full(WAVELENGTH_NM.size, 0.5)),
        "E-WATER-SPECTRUM",
        "would gain energy with depth",
        "Leave the diffuse attenuation out",
    ),
    "beam wider than its field": (
        lambda: Core(40.0, 30.0),
        "E-LAMP-BEAM",
        "a beam of 40 degrees in a field of 30 is impossible",
        "wider than the beam angle",
    ),
    "spill that hides the field": (
        lambda: Core(20.0, 30.0, 0.2),
        "E-LAMP-BEAM",
        "a spill of 0.2",
        "0 to below 0.1",
    ),
    "gale": (lambda: SeaState(wind_m_s=50.0), "E-WAVES-SEA", "wind_m_s = 50.0 makes no sea", "0 to 40 m/s"),
    "no fetch": (lambda: SeaState(5.0, fetch_m=0.0), "E-WAVES-SEA", "fetch_m = 0.0", "above 0"),
    "swell of no period": (
        lambda: SeaState(5.0, swells=(Swell(1.0, 0.0),)),
        "E-WAVES-SEA",
        "swells = ",
        "periods above 0",
    ),
    "animation of nothing": (
        lambda: animated([], frames_per_second=24.0),
        "E-WRITE-PICTURE",
        "there are no frames to animate",
        "a sequence with frames",
    ),
    "animation of another kind": (
        lambda: animated([BLACK], frames_per_second=24.0, kind="gif"),
        "E-WRITE-PICTURE",
        'of the kind "gif"',
        "webp or png",
    ),
}


@pytest.mark.parametrize(("make", "code", "wrong", "fix"), CASES.values(), ids=CASES)
def test_an_impossible_value_is_refused_with_what_would_do(
    make: Callable[[], object], code: str, wrong: str, fix: str
) -> None:
    with pytest.raises(HaloclineError) as caught:
        make()
    assert caught.value.code == code
    assert wrong in caught.value.message
    assert fix in str(caught.value.fix)


@pytest.mark.parametrize(
    ("text", "place", "wrong"),
    [
        ("", "", "does not name the columns column, row, x, y"),
        ("column,row,x\n1,2,3\n", "", "does not name the columns column, row, x, y"),
        ("column,row,x,y\n0,0,1,2\n1,0,left,3\n", ", line 3", "a value is missing or no number"),
        ("column,row,x,y\n0,0,1,inf\n", "", "a value is not finite"),
        (None, "", "it cannot be read"),
    ],
)
def test_corners_that_cannot_be_read_are_told_with_file_and_line(
    tmp_path: Path, text: str | None, place: str, wrong: str
) -> None:
    path = tmp_path / "corners.csv"
    if text is not None:
        path.write_text(text, encoding="utf-8")
    with pytest.raises(ReadError) as caught:
        read_corners(path)
    assert (caught.value.code, caught.value.where) == ("E-FILE-CORNERS", f"{path}{place}")
    assert wrong in caught.value.message
    assert "column,row,x,y" in str(caught.value.fix)
