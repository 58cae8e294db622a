from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from halocline.errors import PhysicsError
from halocline.physics.path.phase import backscatter_share, henyey_greenstein

ASYMMETRIES = [-0.5, 0.0, 0.3, 0.7, 0.85, 0.924, 0.99]


def p(cosine: float, g: float) -> float:
    return float(henyey_greenstein(np.array([cosine]), g)[0])


@pytest.mark.parametrize("g", ASYMMETRIES)
def test_phase_function_integrates_to_one_over_the_sphere(g: float) -> None:
    total = 2 * np.pi * quad(p, -1, 1, args=(g,), epsabs=1e-12, limit=500)[0]
    assert total == pytest.approx(1.0, rel=1e-8)


@pytest.mark.parametrize("g", ASYMMETRIES)
def test_mean_cosine_is_the_asymmetry(g: float) -> None:
    mean = 2 * np.pi * quad(lambda x: x * p(x, g), -1, 1, epsabs=1e-12, limit=500)[0]
    assert mean == pytest.approx(g, abs=1e-8)


@pytest.mark.parametrize("g", ASYMMETRIES)
def test_backscatter_share_is_the_integral_beyond_90_degrees(g: float) -> None:
    back = 2 * np.pi * quad(p, -1, 0, args=(g,), epsabs=1e-12)[0]
    assert backscatter_share(g) == pytest.approx(back, rel=1e-8)


def test_forward_is_forward() -> None:
    assert p(1.0, 0.9) > p(0.0, 0.9) > p(-1.0, 0.9)
    assert p(1.0, 0.0) == p(-1.0, 0.0) == pytest.approx(1 / (4 * np.pi))


def test_float32_comes_back_as_float32_and_the_argument_is_left_alone() -> None:
    cosine = np.linspace(-1, 1, 2001, dtype=np.float32)
    before = cosine.copy()
    out = henyey_greenstein(cosine, 0.924)
    assert out.dtype == np.float32
    assert np.array_equal(cosine, before)
    exact = henyey_greenstein(cosine.astype(np.float64), 0.924)
    # Near straight on, 1 + g^2 - 2 g cos is a small difference of numbers near 2.
    np.testing.assert_allclose(out, exact, rtol=1e-4)


@pytest.mark.parametrize("g", [1.0, -1.0, 1.5, float("nan")])
def test_impossible_asymmetry_is_refused(g: float) -> None:
    with pytest.raises(PhysicsError) as caught:
        henyey_greenstein(np.zeros(1, np.float32), g)
    assert str(caught.value) == (
        f"E-PHYSICS-ASYMMETRY  asymmetry g = {g:g} is impossible\n"
        "  Give g above -1 and below 1; natural waters have 0.85 to 0.95."
    )
