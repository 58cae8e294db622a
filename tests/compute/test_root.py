"""Crossings of zero are SciPy's, bit for bit."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from scipy.optimize import brentq

from halocline.compute.root import crossing

CASES: list[tuple[Callable[[float], float], float, float]] = [
    (lambda x: x - 0.3, 0.0, 1e4),
    (lambda x: math.exp(-x) - 1e-3, 0.0, 500.0),
    (lambda x: math.exp(-x) - 1e-3, 500.0, 0.0),
    (lambda x: x**3 - 2.0 * x - 5.0, 2.0, 3.0),
    (lambda x: math.atan(x - 7.0), -1e3, 1e3),
    (lambda x: math.copysign(abs(x - 1.0) ** 0.2, x - 1.0), 0.0, 10.0),
    (lambda x: 1.0 if x > 0.123 else -1.0, 0.0, 1.0),
    (lambda x: x, 0.0, 1.0),
]


@pytest.mark.parametrize(("of", "low", "high"), CASES)
@pytest.mark.parametrize("within", [1e-14, 1e-9, 1e-3])
def test_crossing_is_that_of_scipy(
    of: Callable[[float], float], low: float, high: float, within: float
) -> None:
    assert crossing(of, low, high, within=within) == brentq(of, low, high, xtol=within)


def test_function_of_one_sign_is_refused() -> None:
    with pytest.raises(ValueError, match="one sign"):
        crossing(lambda x: x * x + 1.0, -1.0, 1.0, within=1e-9)
