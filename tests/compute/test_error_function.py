"""The error function of arrays against SciPy, which has its own code for it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from halocline.compute.error_function import erf, erfc


def test_all_digits_are_those_of_another_library() -> None:
    x = np.concatenate([np.linspace(-6.0, 26.0, 6401), [0.0, -0.0, 1e-300, np.inf, -np.inf, np.nan]])
    # Far out both lose digits: of x^2 in double precision, the exponential of which they take.
    np.testing.assert_allclose(erf(x), special.erf(x), rtol=4e-16, atol=0.0)
    np.testing.assert_allclose(erfc(x), special.erfc(x), rtol=1e-12, atol=1e-300)


@pytest.mark.parametrize("shape", [(), (0,), (3, 1), (2, 3, 4)])
def test_shape_and_type_are_those_of_what_is_given(shape: tuple[int, ...]) -> None:
    x = np.random.default_rng(3).normal(0.0, 2.0, shape).astype(np.float32)
    for mine, theirs in ((erf, special.erf), (erfc, special.erfc)):
        made = mine(np.asarray(x))
        assert made.shape == shape
        assert made.dtype == np.float32
        # Reckoned in double precision by both, and rounded once.
        np.testing.assert_array_equal(made, theirs(x))
    turned = np.asfortranarray(x)
    np.testing.assert_array_equal(erf(turned), special.erf(turned))


def test_values_of_tables() -> None:
    # abramowitz and stegun, table 7.1, ten digits: from memory, and as SciPy gives them.
    x, told = np.array([0.5, 1.0, 2.0]), [0.5204998778, 0.8427007929, 0.9953222650]
    np.testing.assert_allclose(erf(x), told, atol=5e-11)
    np.testing.assert_allclose(erfc(x), 1.0 - np.array(told), atol=5e-11)
