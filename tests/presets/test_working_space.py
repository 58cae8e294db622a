"""A look is one colour, whichever working space the renders are in.

Pictures in other spaces are converted by colour-science's matrices (Bradford), computed with it, and compared
with the one in linear Rec.709.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import colour
import numpy as np
import pytest

import halocline
from halocline._typing import F64
from halocline.imaging.camera import pinhole
from halocline.imaging.frame import Window
from halocline.presets.document import shipped_names

WINDOW, FOLDS = Window(0, 0, 40, 24), 4
CAMERA = pinhole(WINDOW, focal_length_mm=24.0, film_width_mm=36.0)
SPACES = {"ACEScg": "ACEScg", "lin_rec2020": "ITU-R BT.2020", "ACES2065-1": "ACES2065-1"}
# Of white: looks that displace hold each channel of edges near their neighbours (.0015), all others 1e-5.
NEAR = 2e-3


@cache
def scene() -> dict[str, F64]:
    """A red wall and a blue ball on green ground: colours of filtered edges mix, depth is the nearest's."""
    rows, columns = np.indices((WINDOW.height * FOLDS, WINDOW.width * FOLDS)) / FOLDS
    x, y = (columns - 20.0) / 26.7, (12.0 - rows) / 26.7
    floor = np.where(y < -0.05, 1.2 / np.maximum(-y, 0.05), np.inf)
    wall = np.where((x > -0.1) & (y < 0.25), 7.0, np.inf)
    ball = np.where((x + 0.2) ** 2 + (y + 0.05) ** 2 < 0.15**2, 3.0, np.inf)
    depth = np.stack([floor, wall, ball])
    which, z = depth.argmin(axis=0), depth.min(axis=0)
    hit = np.isfinite(z)
    paints = np.array([[0.12, 0.4, 0.15], [0.6, 0.12, 0.08], [0.05, 0.1, 0.5]])
    light = (paints[which] * hit[..., None] * (1.0 + 0.2 * np.sin(7.0 * x)[..., None])).astype(np.float64)
    normals = np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [0.0, 0.0, 1.0]])[which][::FOLDS, ::FOLDS]
    small = (WINDOW.height, FOLDS, WINDOW.width, FOLDS)
    ahead = z.reshape(small).min(axis=(1, 3))
    return {
        "rgb": light.reshape(*small, 3).mean(axis=(1, 3)),
        "alpha": hit.reshape(small).mean(axis=(1, 3)),
        "range": ahead * CAMERA.range_per_depth(WINDOW),
        "normal": np.moveaxis(normals, -1, 0),
        "near": (ahead < 5.0).astype(np.float64),
    }


@cache
def wet(name: str, settings: tuple[str, ...], space: str) -> F64:
    """A look that ships, with settings, on the scene in a space, as Rec.709."""
    given = scene()
    there: F64 = np.eye(3)
    back: F64 = there
    if space != "lin_rec709":
        there = np.asarray(colour.matrix_RGB_to_RGB("ITU-R BT.709", SPACES[space], "Bradford"), np.float64)
        back = np.asarray(colour.matrix_RGB_to_RGB(SPACES[space], "ITU-R BT.709", "Bradford"), np.float64)
    planes: dict[str, Any] = {"normal": given["normal"], "matte.arch": given["near"]}
    made = halocline.apply(
        halocline.load_preset(name, settings),
        (given["rgb"] @ there.T).astype(np.float32),
        given["range"].astype(np.float32),
        given["alpha"].astype(np.float32),
        camera=CAMERA,
        space=space,
        planes=planes,
        threads=1,
    )
    return np.asarray(np.asarray(made.rgb, np.float64) @ back.T, dtype=np.float64)


def assert_alike(name: str, settings: tuple[str, ...], space: str) -> None:
    plain = wet(name, settings, "lin_rec709")
    white = max(1.0, float(plain.max()))
    np.testing.assert_allclose(wet(name, settings, space), plain, atol=NEAR * white, rtol=0.0)


@pytest.mark.parametrize(("number", "name"), list(enumerate(shipped_names())))
def test_shipped_looks_are_one_colour_in_every_working_space(number: int, name: str) -> None:
    assert_alike(name, (), list(SPACES)[number % len(SPACES)])


# What states colours, turns hues, or gives channels gains of their own.
STATED = {
    "tinted veil": ("open-water", "light.veil_tint=[1.6, 0.7, 0.4]"),
    "tinted lamp": ("cave-torch", "light.lamps.0.tint=[1.0, 0.5, 0.2]"),
    "warm snow": ("clear-blue-snow", "steps.matter.classes.0.albedo=[0.9, 0.4, 0.1]"),
    "dark ground in the mirror": ("reef-flat-sunny", "steps.sky_window.ground=[0.5, 0.2, 0.05]"),
    "hue of the subject": ("open-water", "steps.grade.acts_on='subject'", "steps.grade.hue=40"),
    "contrast of the veil": ("open-water", "steps.grade.acts_on='veil'", "steps.grade.contrast=1.7"),
    "balance": ("open-water", "steps.white_reference.balance=1.0", "steps.white_reference.card_range=6"),
    "limited gain": (
        "open-water",
        "steps.white_reference.balance=1.0",
        "steps.white_reference.largest_gain=1.5",
    ),
}


@pytest.mark.parametrize("space", ["ACEScg", "lin_rec2020"])
@pytest.mark.parametrize("case", STATED)
def test_what_a_look_states_of_channels_is_one_colour_in_every_working_space(case: str, space: str) -> None:
    preset, *settings = STATED[case]
    stated = wet(preset, tuple(settings), "lin_rec709")
    assert np.abs(stated - wet(preset, (), "lin_rec709")).max() > 3e-3
    assert_alike(preset, tuple(settings), space)
