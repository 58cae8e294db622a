"""Layers between waters: where they act, how they move, and that nothing finer than the grid is sampled."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from halocline._typing import F32
from halocline.errors import PhysicsError
from halocline.physics.bending.layers import (
    InternalWaves,
    Layer,
    LayerView,
    interfacial_speed,
    view_layer,
)
from halocline.physics.bending.refraction import WaterMass
from halocline.physics.bending.turbulence import IndexEddies, deflection_rms, octaves

LENS = np.array([0.0, -12.0, 0.0])
WARM, COLD = WaterMass(18.0, 34.0), WaterMass(10.0, 34.5)


def rays(columns: int = 33, rows: int = 41, half_deg: float = 20.0, centre_deg: float = 0.0) -> F32:
    """Return directions over a fan of azimuths (columns) and elevations (rows, top up)."""
    azimuth = np.radians(np.linspace(-half_deg, half_deg, columns))[None, :]
    climb = np.radians(np.linspace(centre_deg + half_deg, centre_deg - half_deg, rows))[:, None]
    parts = np.broadcast_arrays(
        np.cos(climb) * np.sin(azimuth), np.sin(climb), -np.cos(climb) * np.cos(azimuth)
    )
    return np.stack(parts).astype(np.float32)


def layer(depth_m: float = 10.0, **kind: Any) -> Layer:
    values: dict[str, Any] = {"thickness_m": 0.4, "above": WARM, "below": COLD, **kind}
    return Layer(np.array([0.0, -depth_m, 0.0]), np.array([0.0, 1.0, 0.0]), **values)


def seen(
    what: Layer, directions: F32 | None = None, *, lens: np.ndarray = LENS, time_s: float = 0.0
) -> LayerView:
    return view_layer(what, lens, rays() if directions is None else directions, step_rad=1e-3, time_s=time_s)


def test_rays_away_from_the_layer_never_meet_it_and_stay_as_they_are() -> None:
    view = seen(layer(waves=InternalWaves(0.02), turbulence=IndexEddies(0.3)))
    down = rays()[1] < 0
    assert np.isinf(view.enter_m[down]).all()
    assert np.isinf(view.leave_m[down]).all()
    for plane in (view.spread, view.mirror_share, *view.bend, *view.mirror_bend):
        assert (plane[down] == 0).all()
        assert np.isfinite(plane).all()


def test_flat_layer_is_met_at_height_over_sine() -> None:
    view = seen(layer())
    up = rays()[1] > 0.01
    np.testing.assert_allclose(view.enter_m[up], 1.8 / rays()[1][up], rtol=1e-4)
    np.testing.assert_allclose(view.leave_m[up], 2.2 / rays()[1][up], rtol=1e-4)


def test_bend_of_a_flat_layer_keeps_index_times_cosine_of_grazing() -> None:
    view = seen(layer())
    up = rays()[1] > 0.05
    before, after = rays()[:, up], (rays() + view.bend)[:, up]
    cosine = np.hypot(before[0], before[2]), np.hypot(after[0], after[2])
    np.testing.assert_allclose(COLD.index() * cosine[0], WARM.index() * cosine[1], rtol=2e-6)
    np.testing.assert_allclose(np.linalg.norm(after, axis=0), 1.0, rtol=1e-6)


def test_bend_and_smear_are_strongest_along_the_layer() -> None:
    view = seen(layer(turbulence=IndexEddies(0.3)))
    column = slice(0, 18), 16  # elevations from 20 to about 3 degrees
    bend = np.linalg.norm(seen(layer()).bend, axis=0)[column]
    assert (np.diff(bend) > 0).all()
    assert (np.diff(view.spread[column]) > 0).all()


def test_equal_waters_do_nothing() -> None:
    view = seen(layer(above=COLD, turbulence=IndexEddies(1.0), waves=InternalWaves(0.02, speed_m_s=0.1)))
    assert np.abs(view.bend).max() == 0
    assert view.spread.max() == 0
    assert view.mirror_share.max() == 0


def test_the_mirror_shows_only_from_the_denser_side_below_the_critical_angle() -> None:
    from_below = seen(layer())
    grazing = np.degrees(np.arcsin(np.clip(rays()[1], 0, 1)))
    assert (from_below.mirror_share[(grazing > 0) & (grazing < 1.5)] > 0.99).all()
    assert (from_below.mirror_share[grazing > 2.5] < 0.01).all()
    from_above = seen(layer(depth_m=14.0))
    assert from_above.mirror_share.max() == 0


def test_mirrored_direction_leaves_the_layer_as_steeply_as_it_came() -> None:
    view = seen(layer())
    mirrored = rays() + view.mirror_bend
    met = np.isfinite(view.enter_m) & (rays()[1] > 0)
    np.testing.assert_allclose(mirrored[1][met], -rays()[1][met], atol=1e-6)
    np.testing.assert_allclose(np.linalg.norm(mirrored, axis=0), 1.0, rtol=1e-5)


def test_a_lens_inside_the_layer_starts_in_it() -> None:
    view = seen(layer(depth_m=12.05, thickness_m=1.0))
    assert (view.enter_m == 0).all()
    assert np.isfinite(view.leave_m).all()
    assert np.isfinite(view.bend).all()
    # The level ray turns down, towards the denser water.
    assert view.bend[1][20, 16] < 0


def test_tilted_layer_is_met_nearer_on_the_side_that_comes_down() -> None:
    tilt = math.radians(10.0)
    tilted = replace(layer(), normal=np.array([math.sin(tilt), math.cos(tilt), 0.0]))
    view = seen(tilted)
    # The normal leans to +x, so the layer falls towards +x: the right side is met sooner.
    assert view.enter_m[0, -1] < view.enter_m[0, 16] < view.enter_m[0, 0]


def test_waves_are_fixed_to_the_world() -> None:
    what = layer(waves=InternalWaves(0.02, 3.0))
    # The same ray, seen from further back along itself, meets the same spot.
    direction = rays(3, 3, 4.0, 15.0)
    back = LENS - 0.25 * direction[:, 1, 1].astype(np.float64)
    ahead, behind = seen(what, direction), seen(what, direction, lens=back)
    np.testing.assert_allclose(behind.enter_m[1, 1] - ahead.enter_m[1, 1], 0.25, atol=2e-4)
    np.testing.assert_allclose(ahead.bend[:, 1, 1], behind.bend[:, 1, 1], atol=3e-5)
    assert np.abs(ahead.bend[:, 1, 1]).max() > 1e-4


def test_far_from_the_worlds_origin_the_field_is_as_smooth() -> None:
    what = layer(waves=InternalWaves(0.02, 3.0), turbulence=IndexEddies(0.3, 0.5))
    direction = rays(65, 5, 2.0, 15.0)
    far = np.array([40_000.0, 0.0, -70_000.0])
    near_view = seen(what, direction)
    far_view = seen(what, direction, lens=LENS + far)
    roughness = [np.abs(np.diff(v.bend, 2, axis=2)).max() for v in (near_view, far_view)]
    assert roughness[1] < 3.0 * roughness[0]


def test_motion_is_smooth_in_time() -> None:
    what = layer(waves=InternalWaves(0.02, 3.0), turbulence=IndexEddies(0.3, 0.3, speed_m_s=0.05))
    direction = rays(25, 25, 8.0, 15.0)
    frames = np.stack([seen(what, direction, time_s=frame / 24.0).bend for frame in range(12)])
    step = np.diff(frames, axis=0)
    change_of_step = np.diff(step, axis=0)
    assert np.abs(step).max() > 1e-6
    # A field that boils would change its step by as much as the step itself.
    assert np.sqrt(np.mean(change_of_step**2)) < 0.3 * np.sqrt(np.mean(step**2))


def test_what_the_grid_cannot_show_is_smeared_not_dropped() -> None:
    direction = rays(9, 9, 2.0, 10.0)
    churned = layer(turbulence=IndexEddies(0.3, 0.2))
    angles = []
    for step_rad in (1e-4, 1e-3, 1e-2, 1e-1):
        view = view_layer(churned, LENS, direction, step_rad=step_rad, time_s=0.0)
        angles.append(float(view.spread[4, 4]))
    assert angles == sorted(angles)
    # On the coarsest grid everything is smeared: the sum over all sizes of eddies, but for what neighbouring
    # pieces of the path have in common.
    path = view.leave_m[4, 4] - view.enter_m[4, 4]
    whole = sum(
        float(deflection_rms(rms, radius, np.asarray(path))) ** 2
        for radius, rms in octaves(churned.turbulence, churned.index_step())
    )
    assert angles[-1] == pytest.approx(math.sqrt(whole), rel=0.02)
    still = view_layer(layer(), LENS, direction, step_rad=1e-1, time_s=0.0)
    np.testing.assert_array_equal(view.bend, still.bend)


def test_any_part_of_the_grid_gives_the_same_bits() -> None:
    what = layer(waves=InternalWaves(0.05, 3.0), turbulence=IndexEddies(0.3, 0.3))
    whole = seen(what)
    part = seen(what, np.ascontiguousarray(rays()[:, 5:17]))
    for name in ("enter_m", "leave_m", "bend", "spread", "mirror_share", "mirror_bend"):
        np.testing.assert_array_equal(getattr(part, name), getattr(whole, name)[..., 5:17, :])


def test_waves_between_turned_over_waters_are_refused() -> None:
    upside_down = layer(above=COLD, below=WARM, waves=InternalWaves(0.02))
    with pytest.raises(PhysicsError, match=r"E-PHYSICS-UNSTABLE.*\n.*state the speed"):
        interfacial_speed(6.0, upside_down)
    assert np.isfinite(seen(replace(upside_down, waves=InternalWaves(0.02, speed_m_s=0.1))).bend).all()


def test_impossible_layers_are_refused() -> None:
    with pytest.raises(PhysicsError, match="0 m thick is impossible"):
        layer(thickness_m=0.0)
    with pytest.raises(PhysicsError, match="normal of a layer is not of unit length"):
        Layer(np.zeros(3), np.array([0.0, 2.0, 0.0]), 0.1, WARM, COLD)


def test_still_layer_mirrors_from_where_its_angle_is_critical() -> None:
    assert layer().mirror_range(LENS) == pytest.approx(2.0 / math.sin(math.radians(1.96)), rel=0.02)
    assert layer(depth_m=14.0).mirror_range(LENS) == math.inf
