"""Gamut compression: what it leaves alone, what it never does, and that its bits are always the same."""

from __future__ import annotations

import numpy as np
import pytest

from halocline._typing import F32
from halocline.compute.threads import at_most
from halocline.imaging.gamut import Curve, Delivery, compressed, full_curve, reference_curve
from halocline.rgb import ACESCG, LINEAR_REC709

CURVES = [full_curve(), reference_curve()]


def picture(count: int = 3 * 2048 + 77, seed: int = 5) -> F32:
    """Colours far out and near, bright and dark, in one row."""
    random = np.random.default_rng(seed)
    colours: F32 = (random.normal(0.3, 0.6, (3, 1, count)) * random.lognormal(0, 3, count)).astype(np.float32)
    return colours


@pytest.mark.parametrize("curve", CURVES, ids=["full", "reference"])
def test_muted_colours_keep_every_bit(curve: Curve) -> None:
    muted = np.random.default_rng(1).uniform(0.21, 1.0, (3, 40, 50)).astype(np.float32)
    assert np.array_equal(compressed(muted, curve), muted)


@pytest.mark.parametrize("curve", CURVES, ids=["full", "reference"])
def test_largest_channel_keeps_every_bit(curve: Curve) -> None:
    colours = picture()
    lit = colours.max(axis=0) > 0
    out = compressed(colours, curve)
    assert np.array_equal(out.max(axis=0)[lit], colours.max(axis=0)[lit])


def test_full_leaves_nothing_below_zero_and_flattens_nothing() -> None:
    # Red falls from 1 to -3 beside a green of 1: what comes out falls all the way, and stays above 0.
    red = np.linspace(1.0, -3.0, 2001, dtype=np.float32)
    ramp = np.stack([red, np.ones_like(red), np.full_like(red, 0.5)])[:, None]
    out = compressed(ramp, full_curve())[0, 0]
    assert (np.diff(out) < 0).all()
    assert out.min() > 0.0
    # Smooth: the slope never jumps. Over two steps at most by what the curve bends there.
    assert np.abs(np.diff(out, 2)).max() < 3e-5
    assert compressed(picture(), full_curve()).min() == 0.0


def test_pixels_without_any_light_become_black_in_full() -> None:
    dark = np.array([[-1e-3, 0.0], [-2e-3, -1.0], [-3e-3, 0.0]], np.float32)[:, None]
    assert np.array_equal(compressed(dark, full_curve()), np.zeros((3, 1, 2), np.float32))


@pytest.mark.parametrize("curve", CURVES, ids=["full", "reference"])
@pytest.mark.parametrize("factor", [2.0**-20, 0.25, 2.0**12])
def test_light_is_scaled_as_it_came(curve: Curve, factor: float) -> None:
    # So premultiplied colours need not be divided by alpha. Powers of two are exact.
    colours = picture()
    scaled = compressed(colours * np.float32(factor), curve)
    assert np.array_equal(scaled, compressed(colours, curve) * np.float32(factor))


@pytest.mark.parametrize("curve", CURVES, ids=["full", "reference"])
def test_what_is_no_number_or_endless_stays_so(curve: Curve) -> None:
    odd = np.array([[np.nan, np.inf, 0.2], [1.0, 1.0, np.nan], [1.0, 1.0, np.inf]], np.float32)[:, None]
    out = compressed(odd, curve)
    assert np.isnan(out[0, 0, 0])
    assert np.isnan(out[1, 0, 2])
    assert np.isinf(out[0, 0, 1])
    assert np.isinf(out[2, 0, 2])


@pytest.mark.parametrize("curve", CURVES, ids=["full", "reference"])
def test_same_bits_for_any_threads_and_any_cut(curve: Curve) -> None:
    colours = picture(300_000)
    with at_most(1):
        alone = compressed(colours, curve)
    with at_most(3):
        assert np.array_equal(compressed(colours, curve), alone)
    assert np.array_equal(compressed(colours[..., 1234:98_765], curve), alone[..., 1234:98_765])
    assert np.array_equal(compressed(colours.reshape(3, 300, 1000), curve).ravel(), alone.ravel())


@pytest.mark.parametrize("choice", ["none", "reference", "full"])
def test_shown_in_the_working_space_is_what_is_written(choice: str) -> None:
    delivery = Delivery(LINEAR_REC709, ACESCG, choice)  # type: ignore[arg-type]
    colours = np.random.default_rng(3).normal(0.4, 0.3, (3, 20, 30)).astype(np.float32)
    shown = Delivery(LINEAR_REC709, ACESCG, "none").linear(delivery.shown(colours))
    np.testing.assert_allclose(shown, delivery.picture(colours), atol=2e-6)


def test_nothing_to_do_is_no_copy() -> None:
    colours = picture(8)
    assert Delivery(ACESCG, ACESCG, "none").picture(colours) is colours
