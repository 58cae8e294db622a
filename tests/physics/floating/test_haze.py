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


def _rows(kind: str, columns: int) -> tuple[F32, F32, F32]:
    """Return range, downward component and cosine to the sun of a level camera's rays, ``(3, columns)``."""
    x, y = np.meshgrid(np.linspace(-0.6, 0.6, columns), [-0.3, 0.05, 0.4])
    length = np.sqrt(x * x + y * y + 1.0)
    mu, cos_sun = y / length, (0.3 * x + 0.8 * y + 0.52) / length
    range_m = {
        "slanted wall": 6.0 / (1.0 - 0.5 * x) * length,
        "far wall": 30.0 * length,
        "open water": np.full_like(x, np.inf),
        "posts": np.where(np.arange(columns) % 90 < 7, 2.0 * length, np.inf),
        "noise": np.random.default_rng(3).uniform(0.5, 9.0, x.shape),
    }[kind]
    return range_m.astype(np.float32), mu.astype(np.float32), cos_sun.astype(np.float32)


def _each(haze: Haze, path: Any, rays: tuple[F32, F32, F32]) -> list[F32]:
    """Return what each ray has by itself."""
    light, *shares = haze.over(path, *(ray.ravel() for ray in rays))
    return [part.reshape(*part.shape[:-1], *rays[0].shape) for part in (light, *shares)]


@pytest.mark.parametrize("onset_m", [0.0, 6.0])
@pytest.mark.parametrize("kind", ["slanted wall", "far wall", "open water", "posts"])
@pytest.mark.parametrize("columns", [6000, 6144])
def test_haze_of_a_pictures_rows_is_that_of_its_rays(
    build: Builders, kind: str, onset_m: float, columns: int
) -> None:
    path, rays = build.path(), _rows(kind, columns)
    haze = _haze(path.bands.count, onset_m, blocking=0.02)
    made, exact = haze.over(path, *rays), _each(haze, path, rays)
    # A share grows by .05 of 1/k from node to node: .05^2 / 8 off at most, and .0003 where it is uneven.
    for found, expected in zip(made, exact, strict=True):
        np.testing.assert_allclose(found, expected, rtol=1e-3)
    if kind != "posts":
        # It goes straight in between, which it does not by itself.
        assert np.abs(made[0] / exact[0] - 1.0).max() > 1e-7


@pytest.mark.parametrize("kind", ["thin posts", "steep wall", "looking round", "sun aside", "down and up"])
def test_what_leaves_the_straight_way_between_two_nodes_is_looked_at_ray_by_ray(
    build: Builders, kind: str
) -> None:
    # All else is the same from pixel to pixel; each of these goes straight but for one thing.
    path, count = build.path(), 640
    ends, mu, cos_sun = (np.full((1, count), value, np.float32) for value in (6.0, 0.05, 0.2))
    if kind == "thin posts":
        ends[0, np.arange(count) % 80 == 3] = 2.0
    elif kind == "steep wall":
        ends[0] = np.linspace(1.0, 60.0, count)
    elif kind == "looking round":
        mu[0] = np.sin(np.linspace(-8.0, 8.0, count))
    elif kind == "sun aside":
        cos_sun[0] = np.cos(np.linspace(0.0, 30.0, count))
    else:
        mu[0], ends[0] = 0.4 + 0.3 * np.sin(np.linspace(-30.0, 30.0, count)), 60.0
    # Light from all about goes by the slant alone where it is turned evenly.
    g = 0.0 if kind == "down and up" else 0.9
    haze = Haze(np.full(path.bands.count, 0.18), 0.2, 1.5, ((g, 1.0),))
    rays = ends, mu, cos_sun
    for found, expected in zip(haze.over(path, *rays), _each(haze, path, rays), strict=True):
        np.testing.assert_allclose(found, expected, rtol=1e-3)


def test_haze_of_what_does_not_go_straight_keeps_every_bit(build: Builders) -> None:
    path, rays = build.path(), _rows("noise", 700)
    haze = _haze(path.bands.count, 6.0)
    for found, expected in zip(haze.over(path, *rays), _each(haze, path, rays), strict=True):
        np.testing.assert_array_equal(found, expected)


def test_where_open_water_begins_between_two_nodes_each_ray_is_looked_at(build: Builders) -> None:
    path = build.path()
    haze = _haze(path.bands.count, 6.0)
    range_m, mu, cos_sun = _rows("open water", 6144)
    straight = haze.over(path, range_m, mu, cos_sun)[0]
    # So far away that water before and beyond the end is as long.
    range_m[:, 3011] = 1e6
    exact = _each(haze, path, (range_m, mu, cos_sun))
    assert (straight[..., 3008:3072] != exact[0][..., 3008:3072]).any()
    for found, expected in zip(haze.over(path, range_m, mu, cos_sun), exact, strict=True):
        np.testing.assert_array_equal(found[..., 3008:3072], expected[..., 3008:3072])


@pytest.mark.parametrize("parts", [0, 1, 2])
@pytest.mark.parametrize("kind", ["slanted wall", "posts", "noise"])
def test_haze_is_laid_as_what_it_adds_and_takes_says(build: Builders, kind: str, parts: int) -> None:
    path, rays = build.path(), _rows(kind, 331)
    haze = _haze(path.bands.count, 6.0)
    draw = np.random.default_rng(5)
    shape = (path.bands.count, *rays[0].shape)
    picture = draw.uniform(0.5, 1.0, shape).astype(np.float32)
    thrown = tuple(draw.uniform(0.0, 0.2, shape).astype(np.float32) for _ in range(parts))
    light, surface_share, veil_share = haze.over(path, *rays)
    of_water = sum(thrown, np.zeros(shape, np.float32))
    expected = (picture - of_water) * surface_share + of_water * veil_share + light
    out = np.empty_like(picture)
    haze.lay(path, rays, picture, thrown, out)
    np.testing.assert_allclose(out, expected, rtol=3e-7)
    # One row by itself, over itself.
    alone = picture[:, 1:2].copy()
    range_m, mu, cos_sun = (ray[1:2] for ray in rays)
    haze.lay(path, (range_m, mu, cos_sun), alone, tuple(part[:, 1:2] for part in thrown), alone)
    np.testing.assert_array_equal(alone, out[:, 1:2])


@pytest.mark.parametrize("dense", [False, True])
@pytest.mark.parametrize("kind", ["slanted wall", "posts", "noise"])
def test_of_shaded_haze_there_is_the_light_that_is_left_and_it_takes_as_much(
    build: Builders, kind: str, *, dense: bool
) -> None:
    path, rays = build.path(), _rows(kind, 331)
    haze, shape = _haze(path.bands.count, 6.0), rays[0].shape
    density = np.full(shape, 0.7, np.float32) if dense else None
    left, told = build.left_along_rows(path.bands.count, *shape)
    light, *shares = haze.over(path, *rays, density)
    shaded, *as_much = haze.over(path, *rays, density, left=left)
    np.testing.assert_allclose(shaded, told * light, rtol=1e-3)
    assert (shaded < 0.99 * light).any()
    for found, expected in zip(as_much, shares, strict=True):
        np.testing.assert_allclose(found, expected, rtol=1e-3)
    if dense:
        return
    picture, out = np.ones_like(light), np.empty_like(light)
    haze.lay(path, rays, picture, (), out, left)
    np.testing.assert_allclose(out, picture * as_much[0] + shaded, rtol=3e-7)
