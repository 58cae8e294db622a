"""Clouds that lamps light are where the water has carried them."""

from __future__ import annotations

import numpy as np
import pytest

from halocline.physics.floating.field import patchiness
from halocline.physics.floating.flow import WorldDrift
from halocline.physics.floating.lamp_haze import clouds_at


def test_clouds_go_with_the_current_and_with_the_environment() -> None:
    patches = patchiness(3, "clouds", scale_m=0.7, variation=0.5)
    home = np.random.default_rng(5).uniform(-4.0, 4.0, (50, 3))
    shift = np.array([0.6, -0.2, 0.35])
    drift = WorldDrift(np.zeros(1), np.array([[1.0, 2.0, -0.5]]), np.array([[0.3, -0.8, 0.4]]))
    turn, moved = drift.at(0.0)
    place = np.stack([(home + shift) @ row + offset for row, offset in zip(turn, moved, strict=True)], axis=1)
    clouds = clouds_at(patches, shift, drift, 0.0)
    turns = 2.0 * np.pi * (place @ clouds.waves.T + clouds.phases)
    density = np.exp(clouds.amplitude * np.cos(turns).sum(axis=1)) / clouds.mean
    assert np.minimum(density, clouds.highest) == pytest.approx(patches.ratio(home), rel=1e-5)
