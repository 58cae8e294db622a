"""Short series for compiled loops against numpy in float64."""

from collections.abc import Callable

import numpy as np
import pytest

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled
from halocline.compute.series import (
    cosine,
    cosine_of_turns,
    exponential,
    exponential_less_one,
    logarithm,
    sine,
)

RIGHT_ANGLE = np.pi / 2


@compiled
def exponentials(x: F32, out: F32) -> None:
    for index in range(x.size):
        out[index] = exponential(x[index])


@compiled
def exponentials_less_one(x: F32, out: F32) -> None:
    for index in range(x.size):
        out[index] = exponential_less_one(x[index])


@compiled
def logarithms(x: F32, out: F32) -> None:
    for index in range(x.size):
        out[index] = logarithm(x[index])


@compiled
def sines(x: F32, out: F32) -> None:
    for index in range(x.size):
        out[index] = sine(x[index])


@compiled
def cosines_of_turns(x: F32, out: F32) -> None:
    for index in range(x.size):
        out[index] = cosine_of_turns(x[index])


@compiled
def cosines(x: F32, out: F32) -> None:
    for index in range(x.size):
        out[index] = cosine(x[index])


def of(loop: Callable[[F32, F32], None], x: F64 | F32) -> F32:
    given = np.asarray(x, np.float32)
    out = np.empty_like(given)
    loop(given, out)
    return out


def test_exponential_is_within_its_bound_over_all_of_float32() -> None:
    x = np.linspace(-87.0, 88.0, 1_000_001, dtype=np.float32)
    exact = np.exp(x.astype(np.float64))
    assert np.abs(of(exponentials, x) / exact - 1.0).max() < 1.3e-7


def test_exponential_of_nothing_is_one_and_its_ends_hold() -> None:
    ends = of(exponentials, np.array([0.0, -np.inf, np.inf, -1e30, 1e30]))
    assert ends[0] == 1.0
    assert ends[1] == ends[3] == 0.0
    assert ends[2] == ends[4] == pytest.approx(np.exp(88.0), rel=1e-6)


def test_logarithm_is_within_its_bound_over_all_of_float32() -> None:
    x = np.geomspace(1.2e-38, 3.4e38, 1_000_001).astype(np.float32)
    exact = np.log(x.astype(np.float64))
    assert (np.abs(of(logarithms, x) - exact) / np.maximum(1.0, np.abs(exact))).max() < 2e-7
    near_one = np.linspace(0.9, 1.1, 100_001).astype(np.float32)
    assert np.abs(of(logarithms, near_one) - np.log(near_one.astype(np.float64))).max() < 3e-8
    assert of(logarithms, np.array([1.0]))[0] == 0.0


def test_exponential_less_one_is_within_its_bound_however_small() -> None:
    tiny = np.geomspace(1e-30, 0.3, 100_001)
    x = np.concatenate([-tiny, tiny, np.linspace(-87.0, 88.0, 1_000_001)]).astype(np.float32)
    exact = np.expm1(x[x != 0].astype(np.float64))
    assert np.abs(of(exponentials_less_one, x[x != 0]) / exact - 1.0).max() < 2e-7
    assert of(exponentials_less_one, np.array([0.0, -np.inf])).tolist() == [0.0, -1.0]


@pytest.mark.parametrize(("loop", "exact"), [(sines, np.sin), (cosines, np.cos)])
def test_sine_and_cosine_are_within_their_bounds(
    loop: Callable[[F32, F32], None], exact: Callable[[F64], F64]
) -> None:
    x = np.linspace(-RIGHT_ANGLE, RIGHT_ANGLE, 1_000_001, dtype=np.float32)
    assert np.abs(of(loop, x) - exact(x.astype(np.float64))).max() < 2.5e-7


def test_cosine_of_turns_is_within_its_bound_however_many_they_are() -> None:
    x = np.linspace(-3.0, 3.0, 1_000_001, dtype=np.float32)
    assert np.abs(of(cosines_of_turns, x) - np.cos(2.0 * np.pi * x.astype(np.float64))).max() < 2e-6
    quarters = np.array([-1000.5, -7.25, -1.0, 0.0, 0.25, 0.5, 3.0, 1000.0])
    assert of(cosines_of_turns, quarters) == pytest.approx([-1, 0, 1, 1, 0, -1, 1, 1], abs=2e-6)
