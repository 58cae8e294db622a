"""Gaussians on the sphere against sums over all of it, by SciPy's Legendre polynomials."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import eval_legendre

from halocline._typing import F32, F64
from halocline.filters.globe_blur import GlobeBlur

ROWS, COLUMNS = 48, 96
_LATITUDE = np.pi / 2 - (np.arange(ROWS) + 0.5) * np.pi / ROWS
_LONGITUDE = (np.arange(COLUMNS) + 0.5) * 2 * np.pi / COLUMNS
_AREA = np.cos(_LATITUDE)[:, None] * np.full(COLUMNS, (np.pi / ROWS) * (2 * np.pi / COLUMNS))


def directions() -> F64:
    level = np.cos(_LATITUDE)[:, None]
    return np.stack(
        [
            level * np.cos(_LONGITUDE),
            level * np.sin(_LONGITUDE),
            np.broadcast_to(np.sin(_LATITUDE)[:, None], (ROWS, COLUMNS)),
        ]
    )


def picture() -> F32:
    """A smooth picture with something at the seam and at a pole."""
    x, y, z = directions()
    lump = np.exp(8.0 * (np.clip(0.6 * x + 0.1 * y + 0.79 * z, -1, 1) - 1.0))
    lit: F32 = (0.2 + lump + 0.7 * np.exp(12.0 * (0.99 * x - 0.1 * y - 1.0)) + 0.1 * x * z).astype(np.float32)
    return lit


def heat(width: float, at: tuple[int, int]) -> float:
    """Return what arrives at one place: the sum over the sphere of exp(-l (l + 1) sigma^2 / 2) P_l."""
    everywhere = directions().reshape(3, -1)
    cosine = np.clip(directions()[:, at[0], at[1]] @ everywhere, -1.0, 1.0)
    degrees = np.arange(120)
    fades = np.exp(-0.5 * degrees * (degrees + 1) * width**2) * (2 * degrees + 1) / (4 * np.pi)
    kernel = sum(fade * eval_legendre(degree, cosine) for degree, fade in enumerate(fades))
    weights = kernel * _AREA.ravel()
    return float(weights @ picture().ravel() / weights.sum())


@pytest.mark.parametrize(("width", "tolerance"), [(0.1, 0.02), (0.3, 0.005), (1.0, 0.005)])
@pytest.mark.parametrize("at", [(24, 0), (24, 95), (8, 10), (1, 5), (0, 60), (47, 3)])
def test_a_gaussian_is_the_same_everywhere_on_the_sphere(
    width: float, tolerance: float, at: tuple[int, int]
) -> None:
    # Tolerances: the heat kernel along circles and meridians for narrow ones; the grid's own for wide ones.
    blur = GlobeBlur((ROWS, COLUMNS), (0.01, width))
    made = blur.summed([picture()], [np.array([0.0, 1.0])])
    assert made[at] == pytest.approx(heat(width, at), rel=tolerance)


def test_an_even_picture_stays_even_and_turning_it_turns_the_result() -> None:
    blur = GlobeBlur((ROWS, COLUMNS), (0.03, 0.1, 0.4, 2.0))
    weights = np.array([0.1, 0.3, 0.4, 0.2])
    even = np.full((ROWS, COLUMNS), 0.7, np.float32)
    np.testing.assert_allclose(blur.summed([even], [weights]), 0.7, rtol=1e-6)
    turned = blur.summed([np.roll(picture(), 17, axis=1)], [weights])
    np.testing.assert_allclose(turned, np.roll(blur.summed([picture()], [weights]), 17, axis=1), atol=1e-6)


def test_two_pictures_with_widths_of_their_own_are_summed_as_each_by_itself() -> None:
    blur = GlobeBlur((ROWS, COLUMNS), (0.03, 0.1, 0.4, 2.0))
    pictures = [picture(), np.roll(picture(), 9, axis=1)[::-1].copy()]
    weights = [np.array([0.4, 0.3, 0.2, 0.1]), np.array([0.0, 0.2, 0.3, 0.5])]
    each = [blur.summed([one], [own]) for one, own in zip(pictures, weights, strict=True)]
    np.testing.assert_allclose(blur.summed(pictures, weights), each[0] + each[1], atol=1e-6)
