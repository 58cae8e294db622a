"""What near particles look like."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from halocline.physics.floating.particles_as_seen import card_side
from halocline.physics.floating.shapes import ShapeKind, shapes, side_of

KINDS: tuple[ShapeKind, ...] = ("flake", "thread", "grain", "plankton")


@pytest.mark.parametrize("kind", KINDS)
def test_shapes_scatter_as_much_as_they_cover_and_stay_within_their_picture(kind: ShapeKind) -> None:
    base = shapes(kind, 2).stacks[0][0]
    light, cover = base[..., 0], base[..., -1]
    assert light.sum(axis=(1, 2)) == pytest.approx(cover.sum(axis=(1, 2)), rel=1e-4)
    assert cover.min() >= 0.0
    assert cover.max() < 1.0
    edges = np.concatenate([cover[:, 0], cover[:, -1], cover[:, :, 0], cover[:, :, -1]])
    assert edges.max() < 0.03
    # Every one is another.
    assert len(np.unique(cover.reshape(len(cover), -1), axis=0)) == len(cover)


@pytest.mark.parametrize("kind", KINDS)
def test_a_kind_covers_what_discs_of_its_diameters_cover(kind: ShapeKind) -> None:
    """On average over pictures and turns: the haze of those too far to be drawn is made of discs."""
    cover = float(shapes(kind, 1).stacks[0][0][..., -1].mean())
    turns = np.linspace(0.0, 2.0 * np.pi, 1000, endpoint=False)
    tilted = float(np.cos(1.2 * np.sin(turns)).mean())
    assert card_side(kind) ** 2 * cover * tilted == pytest.approx(np.pi / 4.0, rel=1e-3)
    assert side_of(kind) < card_side(kind)


def _elongation(cover: NDArray[np.float32]) -> float:
    """Return the larger over the smaller spread of a picture."""
    y, x = np.mgrid[: cover.shape[0], : cover.shape[1]]
    spread = np.linalg.eigvalsh(np.cov(np.stack([x.ravel(), y.ravel()]), aweights=cover.ravel()))
    return float(np.sqrt(spread[1] / spread[0]))


def test_threads_are_long_and_flakes_are_not() -> None:
    long, round_ = (
        np.median([_elongation(each[..., -1]) for each in shapes(kind, 1).stacks[0][0]])
        for kind in ("thread", "flake")
    )
    assert long > 2.0
    assert round_ < 2.0


def test_flakes_are_translucent_and_grains_have_facets() -> None:
    flake, grain = (shapes(kind, 1).stacks[0][0] for kind in ("flake", "grain"))
    inside = flake[..., -1] > 0.05
    thin = inside & (flake[..., -1] < 0.5)
    assert thin.sum() > 0.4 * inside.sum()
    for each in grain:
        solid = each[..., -1] > 0.75
        tone = each[..., 0] / np.maximum(each[..., -1], 1e-6)
        darkest, brightest = np.percentile(tone[solid], [5.0, 95.0])
        assert brightest > 1.2 * darkest
        # Facets run into one another over a few texels.
        beside = solid[:, 1:] & solid[:, :-1]
        assert np.abs(np.diff(tone, axis=1))[beside].max() < 0.5 * np.ptp(tone[solid])
