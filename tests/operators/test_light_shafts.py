"""Shafts on pictures: what they add to the veil where things shade the water."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from tests.conftest import Builders

from halocline.imaging.frame import Frame, Window
from halocline.operators.shared.water_shade import water_shade


def test_shafts_before_what_shades_the_water_are_a_share_of_the_veil_that_nothing_shades(
    build: Builders,
) -> None:
    window = Window(0, 0, 64, 36)
    camera = build.camera(window, tilt_deg=35.0)
    planes = {
        "rgb": np.zeros((3, *window.shape), np.float32),
        "alpha": np.ones(window.shape, np.float32),
        "range": np.full(window.shape, 3.0, np.float32),
    }
    planes["alpha"][:, 24:], planes["range"][:, 24:] = 0.0, np.inf
    frame = Frame(planes, window, window)
    shot = replace(build.shot(window, camera=camera), surfaces=frame)
    operator = build.operator("light_shafts", rays=64, steps=16, contrast=0.5)
    veiling = ("veiling_light", build.operator("veiling_light"))
    steps = [veiling, ("light_shafts", operator)]
    made = build.run(steps, frame, shot, wanted=("shafts", "veil"))
    unshaded = build.run([veiling], frame, replace(shot, shadows=False), wanted=("veil",))["veil"]
    shade = water_shade(shot)
    assert shade is not None
    # The veil itself is shaded, by a good deal somewhere.
    assert (made["veil"] / unshaded).min() < 0.8
    prepared = operator.prepare(shot)
    length = shot.path.path_length(planes["range"], shot.view_plane("downward", window))
    ratio = prepared.volume.gain(*prepared.grid.places(window), length)
    change = np.maximum(0.5 * (ratio - 1.0), -1.0)
    expected = np.einsum("kc,crx->krx", prepared.weights, change) * unshaded
    np.testing.assert_allclose(made["shafts"], expected, rtol=0, atol=4e-3 * np.abs(expected).max())
