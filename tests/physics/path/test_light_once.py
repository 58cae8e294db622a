"""The sun's light scattered once by particles and by the water itself, as the loop over pixels adds it.

Published: Henyey & Greenstein (1941); Morel (1974), 1 + .835 cos^2 for sea water. Both sum to 1 over the
sphere.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from halocline._typing import F64
from halocline.physics.path.radiance.lens_light import AZIMUTHS, HEIGHTS
from halocline.physics.path.radiance.loops import sun_numbers, veil

G = 0.9


def light_once(cos_sun: F64, *, by_particles: float, by_water: float) -> F64:
    """Return light scattered once along a metre of water that takes nothing away, per strength of the sun."""
    light = cast(Any, SimpleNamespace(asymmetry=G, sun_cosine=0.8))
    none = np.zeros((2, 1, HEIGHTS * AZIMUTHS), np.float32)
    bands = np.array([[0.0, by_particles, by_water, 0.0, 0.0]], np.float32)
    rays = np.asarray(cos_sun, np.float32)
    out = np.empty((1, rays.size), np.float32)
    veil(np.ones_like(rays), np.zeros_like(rays), rays, none, sun_numbers(light), bands, out)
    return np.asarray(out[0], np.float64)


@pytest.mark.parametrize(("by_particles", "by_water"), [(1.0, 0.0), (0.0, 1.0)])
def test_what_is_scattered_once_sums_to_all_of_it(by_particles: float, by_water: float) -> None:
    nodes, weights = np.polynomial.legendre.leggauss(200)
    once = light_once(nodes, by_particles=by_particles, by_water=by_water)
    assert 2.0 * np.pi * (once * weights).sum() == pytest.approx(1.0, rel=2e-5)


def test_particles_throw_light_forwards_and_the_water_evenly() -> None:
    # Looking towards the sun, one sees what is scattered ahead.
    ahead, aside, back = np.array([-1.0]), np.array([0.0]), np.array([1.0])
    by_particles = [light_once(at, by_particles=1.0, by_water=0.0)[0] for at in (ahead, aside, back)]
    by_water = [light_once(at, by_particles=0.0, by_water=1.0)[0] for at in (ahead, aside, back)]
    assert by_particles[0] / by_particles[2] == pytest.approx(((1.0 + G) / (1.0 - G)) ** 3, rel=1e-3)
    assert by_water[0] / by_water[1] == pytest.approx(1.835, rel=1e-5)
    assert by_water[2] == pytest.approx(by_water[0], rel=1e-6)
