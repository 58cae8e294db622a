"""What pixels give to the halo, against the formula written out for each of them in float64."""

from __future__ import annotations

import numpy as np
import pytest

from halocline._typing import F32, F64
from halocline.physics.path.halo_loops import give

ROWS, COLUMNS, DEPTH_M, HALF_M, LONGEST_M, MOST = 16, 203, 4.0, 3.0, 1e4, 40.0
OWN = np.array([[0.10, 0.02, -0.01, 0.005, 0.0], [0.2, -0.05, 0.02, 0.0, 0.01]])
MORE = np.array([[0.12, 0.3, -0.1, 0.04, 0.02], [0.22, -0.14, 0.11, 0.0, 0.03]])
LOST = np.array([0.0, 0.015])
MIX = np.array([[1.0, 0.3], [0.2, 0.8], [0.0, 1.0]])
Y, X = np.mgrid[0:ROWS, 0:COLUMNS].astype(np.float64)


def rays(upward: float) -> tuple[F64, F64]:
    """Return J and k of two kinds of light in two bands, and the way down, at every eighth pixel."""
    y, x = np.mgrid[0 : ROWS // 8 + 2, 0 : COLUMNS // 8 + 3].astype(np.float64)
    down = 0.01 * y + 0.03 * x - upward
    k = np.stack([0.35 + 0.03 * down, 0.8 + 0.05 * down])
    return np.stack([0.02 + 0.002 * k, k, 0.15 + 0.01 * k, 0.6 * k]), down


def between(nodes: F64) -> F64:
    """Return what is known at every eighth pixel at all of them."""
    j, i = (Y // 8).astype(int), (X // 8).astype(int)
    below, right = Y / 8 - j, X / 8 - i
    above = nodes[..., j, i] + right * (nodes[..., j, i + 1] - nodes[..., j, i])
    under = nodes[..., j + 1, i] + right * (nodes[..., j + 1, i + 1] - nodes[..., j + 1, i])
    mixed: F64 = above + below * (under - above)
    return mixed


def written_out(light: F64, s: F64, cover: F64, upward: float) -> tuple[F64, F64, F64]:
    """Return what each pixel gives, what it hides, and what it would give if all light added up."""
    nodes, down = rays(upward)
    numbers, mu = between(nodes), between(down)
    rest = np.maximum(DEPTH_M / np.maximum(-mu, DEPTH_M / LONGEST_M) - s, 0.0)
    t = s / (s + HALF_M)
    given, hidden, scale = np.zeros((3, 3, ROWS, COLUMNS))
    for band in range(2):
        back = np.zeros_like(s)
        for kind in (0, 2):
            source, k = numbers[kind, band], numbers[kind + 1, band]
            back += source * np.exp(-k * s) * -np.expm1(-k * rest) / k
        back *= np.exp(-LOST[band] * s)
        unlike = light[band] - cover * back
        rate, more = (np.polynomial.polynomial.polyval(t, each[band]) for each in (OWN, MORE))
        gain = np.expm1(np.minimum(rate * s, MOST))
        given += MIX[:, band, None, None] * gain * unlike
        # What differs from the water by half of its light or more does not pass for it at all.
        hidden -= MIX[:, band, None, None] * gain * more * np.minimum(2.0 * np.abs(unlike), cover * back)
        scale += MIX[:, band, None, None] * gain * (light[band] + cover * back)
    return given, hidden, scale


def looped(light: F64, s: F64, cover: F64, upward: float, cell: int = 8) -> tuple[F32, F32]:
    nodes, down = rays(upward)
    nothing, out = np.zeros((0, 0), np.float32), np.full((3, ROWS + 9, COLUMNS), np.nan, np.float32)
    wide = np.zeros((3, -(-(ROWS + 9) // cell), -(-COLUMNS // cell)), np.float32)
    unlit = np.zeros((0, 0, 0), np.float32)
    give(
        (light.astype(np.float32), unlit, unlit),
        s.astype(np.float32),
        cover.astype(np.float32),
        nothing,
        nothing,
        nodes.astype(np.float32),
        down.astype(np.float32),
        8,
        0,
        ROWS,
        np.array([HALF_M, LONGEST_M, MOST, DEPTH_M], np.float32),
        LOST.astype(np.float32),
        OWN.astype(np.float32),
        MORE.astype(np.float32),
        MIX.astype(np.float32),
        out,
        wide,
        8,
        cell,
    )
    # Its own rows are written, whatever was there, and no others.
    assert np.isnan(out[:, :8]).all()
    assert np.isnan(out[:, -1]).all()
    assert not wide[:, : 8 // cell].any()
    return out[:, 8:-1], wide[:, 8 // cell : (ROWS + 8) // cell]


GRAIN = np.random.default_rng(4).normal(size=(ROWS, COLUMNS))
GROUNDS = {
    "flat": 6.0 + 0.002 * X + 0.1 * Y,
    "steep": 3.0 + 0.05 * X,
    "close to the lens": 0.2 + 1e-4 * X,
    "waves": 5.0 + 0.4 * np.sin(X / 9.0) + 0.2 * Y,
    "rough": 5.0 + 0.02 * GRAIN,
    "hardly rough": 5.0 + 0.0008 * GRAIN,
    "steps": 4.0 + 3.0 * (X > 70) + 9.0 * (X > 131),
}


@pytest.mark.parametrize("upward", [-0.1, 0.15, 0.9])
@pytest.mark.parametrize("ground", GROUNDS)
@pytest.mark.parametrize("shine", [0.03, 0.6])
def test_what_a_pixel_gives_is_that_of_the_formula_within_a_thousandth(
    ground: str, upward: float, shine: float
) -> None:
    """Rays may go down, level or up to where its end at the sea's surface is seen."""
    s = GROUNDS[ground]
    light = shine * np.stack([np.exp(-0.4 * s), np.exp(-0.9 * s)]) * (1.0 + 0.3 * GRAIN)
    cover = np.where(X > 190, 0.0, 1.0)
    cover[:, 100] = 0.4
    given, hidden, scale = written_out(light, s, cover, upward)
    whole = scale.max(axis=(0, 2), keepdims=True)
    for cell in (1, 8):
        made, wide = looped(light, s, cover, upward, cell)
        assert (np.abs(made - given) / whole).max() < 1e-3
        # By cells: sums of what each pixel hides.
        ends = [np.arange(0, side, cell) for side in (ROWS, COLUMNS)]
        sums = np.add.reduceat(np.add.reduceat(hidden, ends[0], axis=1), ends[1], axis=2)
        assert np.abs(wide - sums).max() < 1e-3 * cell**2 * whole.max()


def test_most_of_an_even_ground_is_not_looked_up_pixel_by_pixel() -> None:
    """What lies between those that are is off by more than rounding, and what is behind the last is not."""
    s, light, cover = 6.0 + 0.006 * X, np.full((2, ROWS, COLUMNS), 0.02), np.ones((ROWS, COLUMNS))
    exact, _, _ = written_out(light, s, cover, 0.0)
    off = np.abs((looped(light, s, cover, 0.0)[0] - exact) / exact)
    assert 1e-5 < np.median(off[..., :192]) < 1e-3
    assert off[..., 192:].max() < 1e-5
