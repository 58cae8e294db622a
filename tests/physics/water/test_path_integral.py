"""Light added along a ray: the closed form holds for every rate, nothing at 0/0, in float64 and in loops."""

from __future__ import annotations

from decimal import Decimal, localcontext

import numpy as np
import pytest

from halocline.physics.water.path_integral import (
    LARGEST_EXPONENT,
    SMALLEST_RATE,
    gathered,
    mean_share_left,
    path_integral,
    rate_along,
    share_left,
)

# Both sides of zero, of where the series takes over, and of where float32 ends.
EXPONENTS = np.array([0.0, 1e-300, 1e-13, 1e-9, 1e-6, 9.9e-4, 1.01e-3, 1e-2, 0.5, 1.0, 9.0, 60.0, 79.0])


def exact(x: float) -> float:
    """Return (1 - exp(-x)) / x, by the standard library's decimal numbers of 350 digits."""
    with localcontext() as context:
        context.prec = 350
        return float((1 - (-Decimal(x)).exp()) / Decimal(x)) if x else 1.0


@pytest.mark.parametrize("x", [*EXPONENTS, *-EXPONENTS])
def test_the_mean_share_left_is_right_on_both_sides_of_zero(x: float) -> None:
    assert float(mean_share_left(np.array(x))) == pytest.approx(exact(x), rel=2e-15)
    assert float(share_left(np.float32(x))) == pytest.approx(exact(float(np.float32(x))), rel=1e-6)


@pytest.mark.parametrize("rate", [-0.3, -1e-9, 0.0, 1e-9, 0.57])
@pytest.mark.parametrize("length_m", [0.0, 1e-3, 5.0, 200.0])
def test_loops_gather_what_arrays_do(rate: float, length_m: float) -> None:
    expected = length_m * exact(rate * length_m)
    assert float(path_integral(rate, length_m)) == pytest.approx(expected, rel=1e-14)
    assert float(gathered(np.float32(rate), np.float32(length_m))) == pytest.approx(expected, rel=4e-6)


def test_rays_without_end_gather_one_over_the_rate_or_without_end() -> None:
    assert path_integral(np.array([0.5, 0.0, -0.5]), np.inf).tolist() == [2.0, np.inf, np.inf]


def test_light_that_grows_beyond_float32_stays_a_number() -> None:
    most = float(share_left(np.float32(-1e6)))
    assert most == pytest.approx(exact(-LARGEST_EXPONENT), rel=1e-5)


@pytest.mark.parametrize(("mu", "expected"), [(-1.0, SMALLEST_RATE), (0.0, 0.1), (1.0, 0.2)])
def test_the_rate_of_haze_is_kept_from_zero_on_rays_without_loss(mu: float, expected: float) -> None:
    numbers = (np.float32(number) for number in (0.1, 0.1, mu, SMALLEST_RATE))
    assert float(rate_along(*numbers)) == pytest.approx(expected, rel=1e-6)
