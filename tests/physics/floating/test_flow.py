"""Currents, turbulence, wakes and the drift of the world."""

from __future__ import annotations

import numpy as np
import pytest

from halocline.errors import PhysicsError
from halocline.physics.floating.flow import Current, TurbulentFlow, Wake, WorldDrift, turbulence

STEP = 1e-3
FIELD = turbulence(3, "test", rms_speed_m_s=0.08, largest_m=1.5)


def _points(count: int = 400, reach: float = 3.0) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    return np.random.default_rng(4).uniform(-reach, reach, (count, 3))


def _divergence(
    field: object, points: np.ndarray[tuple[int, int], np.dtype[np.float64]], step: float
) -> object:
    total = np.zeros(len(points))
    for axis in range(3):
        shift = np.zeros(3)
        shift[axis] = step
        total += (field(points + shift) - field(points - shift))[:, axis] / (2 * step)  # type: ignore[operator]
    return total


def test_a_wave_is_exact_to_a_millionth_near_and_far() -> None:
    angle = np.concatenate([np.linspace(-50, 50, 1001), np.linspace(1e6, 1e6 + 20, 1001)])
    wave = TurbulentFlow(np.array([[1.0, 0, 0]]), np.array([[0, 1.0, 0]]), np.ones(1), np.full(1, 0.3))
    moved = wave.displacement(np.stack([angle, 0 * angle, 0 * angle], axis=1), 0.2)
    # The integral of cos(x + 0.3 - t) over time.
    assert np.abs(moved[:, 1] + np.sin(angle + 0.3 - 0.2)).max() < 1e-6
    assert not moved[:, ::2].any()


def test_turbulence_has_the_stated_speed() -> None:
    points = _points(20_000, 50.0)
    speed = (FIELD.displacement(points, 1.3 + STEP) - FIELD.displacement(points, 1.3 - STEP)) / (2 * STEP)
    assert np.sqrt((speed**2).sum(axis=1).mean()) == pytest.approx(0.08, rel=0.03)


def test_turbulence_is_free_of_divergence() -> None:
    points = _points()
    gradient = np.sqrt((FIELD.displacement(points, 0.4) ** 2).sum(axis=1).mean()) * 2 * np.pi / 1.5
    divergence = _divergence(lambda x: FIELD.displacement(x, 0.4), points, 3e-4)
    assert np.abs(np.asarray(divergence)).max() < 2e-3 * gradient


def test_displacement_is_bounded_and_keeps_the_density_even() -> None:
    points = _points(4000, 20.0)
    moved = FIELD.displacement(points, 77.0)
    assert np.sqrt((moved**2).sum(axis=1)).max() <= FIELD.farthest_m
    # Determinant of the deformation: how much a small volume of particles swells.
    jacobian = np.empty((len(points), 3, 3))
    for axis in range(3):
        shift = np.zeros(3)
        shift[axis] = 0.01
        jacobian[:, :, axis] = (
            FIELD.displacement(points + shift, 77.0) - FIELD.displacement(points - shift, 77.0)
        ) / 0.02
    volume = np.linalg.det(np.eye(3) + jacobian)
    assert volume.min() > 0.0
    assert volume.std() < 0.15


def test_neighbours_move_together_and_strangers_do_not() -> None:
    points = _points(4000, 20.0)
    here = FIELD.displacement(points, 5.0)[:, 0]
    near = FIELD.displacement(points + np.array([0.01, 0, 0]), 5.0)[:, 0]
    assert np.corrcoef(here, near)[0, 1] > 0.97
    shifts = np.array([[9.0, 0, 0], [0, 14.0, 0], [0, 0, 11.0], [-17.0, 0, 5.0]])
    far = [np.corrcoef(here, FIELD.displacement(points + shift, 5.0)[:, 0])[0, 1] for shift in shifts]
    assert np.abs(np.mean(far)) < 0.4


def test_energy_falls_with_scale_as_in_the_inertial_range() -> None:
    field = turbulence(1, "slope", rms_speed_m_s=1.0, largest_m=1.0, smallest_m=1e-3, modes=400)
    number = np.linalg.norm(field.waves, axis=1)
    energy = (field.amplitudes**2).sum(axis=1)
    slope = np.polyfit(np.log(number), np.log(energy), 1)[0]
    # Modes are spread evenly in log k: energy each ~ k E(k) ~ k^(-2/3) for E ~ k^(-5/3).
    assert slope == pytest.approx(-2.0 / 3.0, abs=0.01)


def test_no_speed_is_no_motion() -> None:
    field = turbulence(1, "still", rms_speed_m_s=0.0, largest_m=1.0)
    assert (field.displacement(_points(), 3.0) == 0.0).all()


def test_impossible_turbulence_is_refused() -> None:
    with pytest.raises(PhysicsError, match="smallest scale"):
        turbulence(1, "x", rms_speed_m_s=0.1, largest_m=0.1, smallest_m=0.2)


def test_current_drifts_and_swell_returns() -> None:
    current = Current((0.1, 0.0, -0.2), (0.0, 0.3, 0.0), 8.0)
    assert current.displacement(16.0) == pytest.approx([1.6, 0.0, -3.2])
    assert current.displacement(2.0) == pytest.approx([0.2, 0.3, -0.4])
    with pytest.raises(PhysicsError, match="period"):
        Current(surge_period_s=0.0)


def _wake(carry: float = 0.8, stir_m: float = 0.0) -> Wake:
    nose = np.array([[0.0, 0.0, 0.0], [4.0, 0.0, 0.0]])
    stirring = turbulence(2, "wake", rms_speed_m_s=0.1, largest_m=0.3)
    return Wake(np.array([0.0, 4.0]), nose, nose - [0.6, 0, 0], 0.25, carry, stir_m, 3.0, stirring)


def test_water_far_from_a_wake_is_untouched() -> None:
    away = _points() + np.array([0.0, 10.0, 0.0])
    assert (_wake(stir_m=0.1).displacement(away, 3.0) == 0.0).all()


def test_nothing_moves_before_the_body_comes() -> None:
    assert (_wake(stir_m=0.1).displacement(_points(), -1.0) == 0.0).all()


def test_a_body_carries_water_along_its_way() -> None:
    carried = _wake().displacement(np.array([[2.0, 0.05, 0.0]]), 2.2)[0]
    assert carried[0] > 0.1
    assert abs(carried[1]) < 0.5 * carried[0]


def test_a_wake_is_bounded_and_settles() -> None:
    wake = _wake(stir_m=0.05)
    points = _points(3000, 1.0) + np.array([2.0, 0.0, 0.0])
    assert np.sqrt((wake.displacement(points, 3.0) ** 2).sum(axis=1)).max() <= wake.farthest_m
    assert (wake.displacement(points, 4.0 + 4.1 * 3.0) == 0.0).all()


def test_a_wake_moves_smoothly_in_time() -> None:
    wake = _wake(stir_m=0.05)
    points = _points(300, 0.6) + np.array([2.0, 0.0, 0.0])
    times = np.arange(1.0, 8.0, 1.0 / 24.0)
    path = np.stack([wake.displacement(points, float(time)) for time in times])
    # The body moves at 1 m/s, so no particle may move faster than that, times what swirls past it.
    assert np.abs(np.diff(path, axis=0)).max() < 2.0 / 24.0


def test_carried_water_is_free_of_divergence() -> None:
    points = np.random.default_rng(1).uniform([1.0, -0.4, -0.4], [3.0, 0.4, 0.4], (500, 3))
    divergence = np.asarray(_divergence(lambda x: _wake().displacement(x, 3.0), points, 1e-4))
    carried = np.abs(_wake().displacement(points, 3.0)).max()
    assert np.abs(divergence).max() < 1e-4 * carried / 0.25


def test_wake_without_a_way_is_refused() -> None:
    still = np.zeros((1, 3))
    with pytest.raises(PhysicsError, match="two keys"):
        Wake(np.zeros(1), still, still, 0.2)


def test_world_drift_holds_its_keys_and_rests_outside() -> None:
    drift = WorldDrift(
        np.array([0.0, 1.0, 2.0]), np.array([[0, 0, 0], [1, 0, 0], [4, 0, 0.0]]), np.zeros((3, 3))
    )
    assert drift.at(1.0)[1] == pytest.approx([1, 0, 0])
    assert drift.at(-5.0)[1] == pytest.approx([0, 0, 0])
    assert drift.at(9.0)[1] == pytest.approx([4, 0, 0])


def test_world_drift_turns_the_camera_the_other_way() -> None:
    drift = WorldDrift(np.array([0.0]), np.array([[0.0, 0.0, 2.0]]), np.array([[0.0, 90.0, 0.0]]))
    rotation, position = drift.into_field(np.eye(3), np.array([0.0, 0.0, 5.0]), 0.0)
    point_in_field = np.array([0.3, 0.2, 0.1])
    turn, shift = drift.at(0.0)
    world = turn @ point_in_field + shift
    seen_from_world = world - [0.0, 0.0, 5.0]
    assert rotation.T @ (point_in_field - position) == pytest.approx(seen_from_world)


def test_world_drift_has_no_kink_between_keys() -> None:
    drift = WorldDrift(
        np.array([0.0, 1.0, 2.0]),
        np.array([[0, 0, 0], [1, 0, 0], [3, 0, 0.0]]),
        np.array([[0, 0, 0], [0, 10, 0], [0, 40, 0.0]]),
    )
    speeds = [(drift.at(t + 1e-4)[1] - drift.at(t)[1]) / 1e-4 for t in (1.0 - 2e-4, 1.0 + 1e-4)]
    assert speeds[0] == pytest.approx(speeds[1], abs=0.01)


def test_drift_with_keys_out_of_order_is_refused() -> None:
    with pytest.raises(PhysicsError, match="later time"):
        WorldDrift(np.array([1.0, 0.0]), np.zeros((2, 3)), np.zeros((2, 3)))


def test_turbulence_value_does_not_depend_on_company() -> None:
    points = _points(1000)
    alone = FIELD.displacement(points[123:124], 3.0)
    assert (FIELD.displacement(points, 3.0)[123] == alone[0]).all()
    assert isinstance(FIELD, TurbulentFlow)
