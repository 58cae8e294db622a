"""Deflection by turbulence, speed of internal waves, and displacement by a layer, against outside sources."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import dblquad
from scipy.optimize import brentq

from halocline.physics.bending.layers import Layer, interfacial_speed, view_layer
from halocline.physics.bending.refraction import WaterMass, lever_arm
from halocline.physics.bending.turbulence import IndexEddies, RayPath, churn, deflection_rms


@pytest.mark.parametrize("path_m", [0.02, 0.1, 1.0, 8.0])
def test_deflection_is_the_double_integral_of_the_gradients_correlation(path_m: float) -> None:
    # Along each path: integral over z and z' of 2 sigma^2/l^2 exp(-(z - z')^2/l^2), by scipy's quadrature.
    sigma, size = 1e-4, 0.1
    value, _ = dblquad(
        lambda z, w: 2 * sigma**2 / size**2 * math.exp(-(((z - w) / size) ** 2)),
        0.0,
        path_m,
        lambda w: max(0.0, w - 6 * size),
        lambda w: min(path_m, w + 6 * size),
        epsabs=1e-16,
    )
    assert float(deflection_rms(sigma, size, np.array(path_m, np.float32))) == pytest.approx(
        math.sqrt(value), rel=2e-4
    )


def test_long_paths_spread_by_chernovs_law() -> None:
    # chernov1960: mean square angle per axis 2 sqrt(pi) sigma^2 L/l for L much longer than l (from memory).
    sigma, size, path = 1e-4, 0.05, 40.0
    expected = math.sqrt(2.0 * math.sqrt(math.pi) * sigma**2 * path / size)
    assert float(deflection_rms(sigma, size, np.array(path, np.float32))) == pytest.approx(expected, rel=1e-3)


def test_rays_traced_through_a_random_medium_are_turned_as_much() -> None:
    # A medium of 6000 random plane waves whose sum has correlation exp(-r^2/l^2) (spectral method); the
    # gradient across each ray is summed along it. 1000 rays; few waves lie
    # square to the ray, which leaves the r.m.s. known to about 3 %.
    rng = np.random.default_rng(3)
    sigma, size, path = 1e-4, 0.1, 0.7
    waves = rng.normal(scale=math.sqrt(2.0) / size, size=(6000, 3))
    phase = rng.uniform(0, 2 * math.pi, 6000)
    start = rng.uniform(-50, 50, size=(1000, 2))
    steps = np.linspace(0.0, path, 60)
    along = np.exp(1j * np.outer(waves[:, 2], steps)).mean(axis=1) * path
    across = np.exp(1j * (start @ waves[:, :2].T + phase))
    angle = np.sum((1j * waves[:, 0] * along * across).real, axis=1) * sigma * math.sqrt(2.0 / 6000)
    expected = float(deflection_rms(sigma, size, np.array(path, np.float32)))
    assert float(np.sqrt(np.mean(angle**2))) == pytest.approx(expected, rel=0.08)


@pytest.mark.parametrize("climb_deg", [6.0, 25.0, 80.0])
def test_field_that_is_shown_turns_rays_as_much_as_the_statistics_say(climb_deg: float) -> None:
    # The r.m.s. of the bend made by the random field against the double integral above, for eddies of one
    # size, all shown and too weak to fold. 250 lenses far apart: the r.m.s. is
    # known to 4.5 %.
    axes = (np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, -1.0]), np.array([0.0, 1.0, 0.0]))
    climb = math.radians(climb_deg)
    direction = np.array([0.0, math.sin(climb), -math.cos(climb)], np.float32)[:, None, None]
    height, thickness, size = 0.6, 0.3, 0.15
    rise = direction[1]
    rays = RayPath(
        direction,
        rise,
        np.float32(height - thickness / 2) / rise,
        np.float32(height + thickness / 2) / rise,
        1e-5,
    )
    bends = [
        churn(
            IndexEddies(1e-2, size, size, seed=3),
            8e-4,
            rays,
            np.array([lens[0], -height, lens[1]]),
            axes,
            thickness,
            time_s=0.0,
        )[0][:, 0, 0]
        for lens in np.random.default_rng(5).uniform(-500.0, 500.0, (250, 2))
    ]
    across = np.stack(bends) @ np.array([1.0, 0.0, 0.0])
    path = np.asarray(rays.leave_m - rays.enter_m)
    expected = float(deflection_rms(8e-6, size, path)[0, 0])
    assert float(np.std(across)) == pytest.approx(expected, rel=0.15)


def test_interfacial_waves_run_as_fast_as_lamb_says() -> None:
    # lamb1932 art. 231, c^2 = g/k (rho' - rho)/(rho' + rho), worked for 10 m with densities of unesco1983:
    # 15 C, 35: 1025.973 and 10 C, 35: 1026.952 kg/m3.
    layer = Layer(np.zeros(3), np.array([0.0, 1.0, 0.0]), 0.5, WaterMass(15.0, 35.0), WaterMass(10.0, 35.0))
    assert interfacial_speed(10.0, layer) == pytest.approx(
        math.sqrt(9.81 * 10.0 / (2 * math.pi) * (1026.952 - 1025.973) / (1026.952 + 1025.973)), rel=2e-3
    )


@pytest.mark.parametrize("range_m", [6.0, 12.0, 60.0])
def test_a_thing_beyond_a_flat_layer_is_seen_where_fermat_puts_it(range_m: float) -> None:
    # The path of least optical length from lens to thing through one plane between two indices (Fermat),
    # found by scipy's root finder, gives the direction in which it is seen; the layer's displacement must
    # lead from that direction back to the thing.
    warm, cold = WaterMass(20.0, 33.0), WaterMass(6.0, 34.5)
    layer = Layer(np.zeros(3), np.array([0.0, 1.0, 0.0]), 1e-3, warm, cold)
    n_below, n_above = cold.index(), warm.index()
    lens_y, seen_climb = -1.0, math.radians(12.0)
    thing = np.array([range_m * math.cos(seen_climb), lens_y + range_m * math.sin(seen_climb)])

    def stationary(x: float) -> float:
        below = n_below * x / math.hypot(x, lens_y)
        return float(below - n_above * (thing[0] - x) / math.hypot(thing[0] - x, thing[1]))

    x = brentq(stationary, 1e-6, thing[0] - 1e-6, xtol=1e-12)
    direction = np.array([x, -lens_y, 0.0]) / math.hypot(x, lens_y)
    view = view_layer(
        layer,
        np.array([0.0, lens_y, 0.0]),
        direction.astype(np.float32)[:, None, None],
        step_rad=1e-4,
        time_s=0.0,
    )
    lever = lever_arm(np.full((1, 1), range_m, np.float32), view.enter_m, view.leave_m)
    led = direction + (view.bend * lever)[:, 0, 0]
    assert math.atan2(led[1], led[0]) == pytest.approx(seen_climb, abs=2e-5)
    assert abs(math.atan2(direction[1], direction[0]) - seen_climb) > 2e-4
