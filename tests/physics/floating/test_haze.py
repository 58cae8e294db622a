"""Haze along view rays: against quadrature, and the limits where it must vanish."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from tests.conftest import Builders

from halocline._typing import F32, F64
from halocline.physics.floating.field import patchiness
from halocline.physics.floating.haze import Haze, haze_of
from halocline.physics.floating.particles import DrawLimits, PowerLaw
from halocline.physics.floating.suspended import ParticleClass

LIMITS = DrawLimits(farthest_m=12.0, smallest_angle_rad=3e-4)


def _haze(bands: int, onset_m: float = 1.5, blocking: float = 0.2) -> Haze:
    return Haze(np.full(bands, 0.18), blocking, onset_m, ((0.5, 0.7), (0.0, 0.3)))


def _kind(path: Any, **changes: Any) -> ParticleClass:
    sizes = PowerLaw(5e4, 4.0, 0.5e-3, 8e-3)
    even = patchiness(1, "even", scale_m=1.0, variation=0.0)
    given: dict[str, Any] = {
        "name": "snow",
        "sizes": sizes,
        "patches": even,
        "sinking_m_s": (0.0,) * 8,
        "opacity": 0.8,
        "albedo": np.full(path.bands.count, 0.9),
        "asymmetry": 0.5,
    }
    return ParticleClass(**{**given, **changes})


@pytest.mark.parametrize("onset_m", [0.0, 0.4, 3.0])
@pytest.mark.parametrize("mu", [-0.6, 0.0, 0.7])
def test_light_and_loss_are_the_integrals_along_the_ray(build: Builders, onset_m: float, mu: float) -> None:
    path = build.path(build.grey_bands(0.1, 0.2, 0.15), depth_m=30.0)
    haze = _haze(4, onset_m)
    ends = np.array([0.3, 2.0, 9.0, 25.0], np.float32)
    mus, suns = np.full(4, mu, np.float32), np.full(4, 0.2, np.float32)
    light, surface_share, _ = haze.over(path, ends, mus, suns)
    t = np.linspace(0.0, 25.0, 200_001)
    density = haze.blocking * (1.0 - np.exp(-t / onset_m) if onset_m else np.ones_like(t))
    # The haze's own loss is taken as even along the ray.
    decay = np.exp(-(0.3 + 0.15 * mu + haze.blocking) * t)
    source = _even_source(haze, path, mus[:1], suns[:1])
    for end, found, share in zip(ends, light[0], surface_share, strict=True):
        inside = t <= end + 1e-9
        ratio = haze.scattering[0] / haze.blocking
        expected = source * ratio * np.trapezoid(density[inside] * decay[inside], t[inside])
        assert found == pytest.approx(expected, rel=2e-3)
        assert share == pytest.approx(math.exp(-np.trapezoid(density[inside], t[inside])), rel=1e-3)


def _even_source(haze: Haze, path: Any, mu: F32, sun: F32) -> float:
    """Return the light of unit scattering at the lens: what a very short ray gives, per metre."""
    short = Haze(np.ones(path.bands.count), 1e-9, 0.0, haze.lobes)
    light, _, _ = short.over(path, np.full(1, 1e-3, np.float32), mu, sun)
    return float(light[0, 0] / 1e-3)


def test_loss_of_even_haze_is_the_exponential(build: Builders) -> None:
    even = Haze(np.ones(4), 1.0, 0.0, ((0.0, 1.0),))
    ends = np.linspace(0.0, 80.0, 4001, dtype=np.float32)
    level = np.zeros_like(ends)
    path = build.path(build.grey_bands(0.1, 0.2, 0.15), depth_m=30.0)
    _, surface_share, _ = even.over(path, ends, level, level)
    assert surface_share == pytest.approx(np.exp(-ends.astype(np.float64)), rel=2e-7)


def test_no_haze_adds_and_takes_nothing(build: Builders) -> None:
    path = build.path()
    none = Haze(np.zeros(path.bands.count), 0.0, 1.0, ((0.5, 1.0),))
    ends = np.array([0.5, 40.0, np.inf], np.float32)
    light, surface, veil = none.over(path, ends, np.zeros(3, np.float32), np.zeros(3, np.float32))
    assert not light.any()
    assert (surface == 1.0).all()
    assert (veil == 1.0).all()


def test_endless_rays_stay_finite_in_every_direction(build: Builders) -> None:
    path = build.path()
    mu = np.linspace(-1.0, 1.0, 41, dtype=np.float32)
    light, surface, veil = _haze(path.bands.count).over(
        path, np.full(41, np.inf, np.float32), mu, np.linspace(-1, 1, 41, dtype=np.float32)
    )
    assert np.isfinite(light).all()
    assert (light > 0).all()
    assert ((surface >= 0) & (surface <= 1)).all()
    assert ((veil > 0) & (veil <= 1)).all()


def test_density_one_is_the_mean_and_more_is_brighter(build: Builders) -> None:
    path = build.path()
    ends, level = np.full(3, 5.0, np.float32), np.zeros(3, np.float32)
    haze = _haze(path.bands.count)
    plain = haze.over(path, ends, level, level)
    thick = haze.over(path, ends, level, level, np.array([1.0, 0.5, 2.0], np.float32))
    assert (thick[0][:, 0] == plain[0][:, 0]).all()
    assert (thick[0][:, 1] < plain[0][:, 1]).all()
    assert thick[1][2] < plain[1][2] < thick[1][1]


def test_all_of_a_class_is_haze_where_nothing_is_drawn(build: Builders) -> None:
    path = build.path()
    kind = _kind(path, drawn=False)
    haze = haze_of([kind], LIMITS, path)
    assert haze is not None
    assert haze.onset_m == pytest.approx(0.0, abs=1e-9)
    assert haze.blocking == pytest.approx(0.8 * kind.sizes.cross_section())


def test_onset_keeps_the_light_of_the_true_onset(build: Builders) -> None:
    from halocline.physics.floating.particles import haze_cross_section

    path = build.path()
    kind = _kind(path)
    haze = haze_of([kind], LIMITS, path)
    assert haze is not None
    t: F64 = np.linspace(0.0, 60.0, 4000)
    decay = np.exp(-float(path.beam_rate.mean()) * t)
    true = np.trapezoid(0.8 * haze_cross_section(kind.sizes, LIMITS, t) * decay, t)
    model = np.trapezoid(haze.blocking * (1.0 - np.exp(-t / haze.onset_m)) * decay, t)
    assert model == pytest.approx(true, rel=0.02)


def test_a_trace_of_haze_is_left_out(build: Builders) -> None:
    path = build.path()
    assert haze_of([_kind(path, sizes=PowerLaw(1.0, 4.0, 0.5e-3, 8e-3))], LIMITS, path) is None
    assert haze_of([], LIMITS, path) is None


def test_haze_that_throws_light_on_is_brighter_towards_the_sun_and_towards_the_surface(
    build: Builders,
) -> None:
    # Matter larger than the wavelength scatters mostly ahead: what shines behind it lights it up.
    path = build.path(surface_sun_share=0.8)
    haze = Haze(np.full(path.bands.count, 0.1), 0.1, 0.0, ((0.7, 1.0),))
    far = np.full(2, 5.0, np.float32)
    into_and_from = np.array([-0.9, 0.9], np.float32)
    light, _, _ = haze.over(path, far, np.zeros(2, np.float32), into_and_from)
    assert (light[:, 0] > 1.5 * light[:, 1]).all()
    up_and_down = np.array([-0.5, 0.5], np.float32)
    light, _, _ = haze.over(path, far, up_and_down, np.zeros(2, np.float32))
    assert (light[:, 0] > 1.2 * light[:, 1]).all()


def test_halo_in_open_water_does_not_end_at_the_horizon(build: Builders) -> None:
    # Rays without an end: just above the horizon hundreds of metres to the surface, below it none. What
    # things aside gave to their light was turned near by, wherever the ray goes on to.
    path = build.path(depth_m=10.0)
    haze = Haze(np.full(path.bands.count, 0.004), 0.005, 0.5, ((0.5, 1.0),))
    mu = np.linspace(-0.2, 0.2, 41).astype(np.float32)
    endless = np.full(41, np.inf, np.float32)
    _, share, veil = haze.over(path, endless, mu, np.zeros(41, np.float32))
    assert np.abs(np.diff(share)).max() < 0.01
    assert share == pytest.approx(veil, abs=0.02)
    # Straight up the sky is seen through the whole way.
    up = np.full(1, -1.0, np.float32)
    _, share, veil = haze.over(path, endless[:1], up, np.zeros(1, np.float32))
    assert share < veil
