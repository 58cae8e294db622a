"""Bubbles as mirrors and lenses."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from halocline.physics.floating.bubble_optics import BubbleForm, appearance, around, fresnel

AROUND = around()
UPWARD = AROUND[:, 2]
CAP_OF_GAS = BubbleForm(0.3, 0.85, 1)


def test_total_reflection_begins_at_the_critical_angle() -> None:
    sine = np.array([1 / 1.34 - 1e-6, 1 / 1.34 + 1e-6])
    assert fresnel(np.sqrt(1 - sine**2), 1.34, 1.0) == pytest.approx([1.0, 1.0], abs=0.02)
    assert fresnel(np.sqrt(1 - sine**2), 1.34, 1.0)[1] == 1.0


@pytest.mark.parametrize("form", [BubbleForm(), BubbleForm(0.6, 0.6), CAP_OF_GAS])
def test_bubble_in_even_light_cannot_be_seen(form: BubbleForm) -> None:
    picture = appearance(np.ones((len(AROUND), 1)), 0.3, size=32, form=form)
    assert picture[..., 0] == pytest.approx(picture[..., -1], abs=1e-9)


def test_bubble_is_symmetric_left_and_right() -> None:
    picture = appearance(np.exp(UPWARD)[:, None], 0.4, size=32, form=BubbleForm(0.7, 0.6))
    assert picture == pytest.approx(picture[:, ::-1], abs=1e-9)


def test_floor_shows_upside_down_below_and_on_its_side() -> None:
    """A bright floor lights the lower half of a bubble; a light to the right shows on the right."""
    floor = appearance((UPWARD < -0.3).astype(float)[:, None], 0.0, size=32)[..., 0]
    assert floor[18:].sum() > 4.0 * floor[:14].sum()
    right = appearance((AROUND[:, 0] > 0.8).astype(float)[:, None], 0.0, size=32)[..., 0]
    assert right[:, 18:].sum() > 2.0 * right[:, :14].sum()


@pytest.mark.parametrize("view", [0.0, 0.6, -1.0])
@pytest.mark.parametrize("form", [BubbleForm(), BubbleForm(0.5, 0.7), BubbleForm(0.3, 0.85)])
def test_forms_have_the_volume_of_a_ball_and_fill_their_picture(form: BubbleForm, view: float) -> None:
    wide, above, below = form.axes
    assert 2.0 / 3.0 * wide**2 * (above + below) == pytest.approx(4.0 / 3.0)
    assert (above + below) / (2.0 * wide) == pytest.approx(form.height)
    covered = appearance(np.ones((len(AROUND), 1)), view, size=64, form=form)[..., -1]
    across, down = (np.flatnonzero(covered.any(axis=axis)) for axis in (0, 1))
    assert (across[0], across[-1], down[0], down[-1]) == (0, 63, 0, 63)
    # Two half ellipses.
    assert covered.mean() == pytest.approx(np.pi / 4, rel=0.02)


def test_ripples_are_each_their_own() -> None:
    light = np.ones((len(AROUND), 1))
    outlines = [
        appearance(light, 0.0, size=32, form=BubbleForm(0.6, 0.6, ripple))[..., -1] for ripple in range(3)
    ]
    assert (outlines[0] != outlines[1]).any()
    assert (outlines[1] != outlines[2]).any()


def test_what_wobbles_stays_round_and_is_no_lozenge() -> None:
    """An outline of convex curves alone: its area is that of its convex hull (from OpenCV)."""
    light = np.ones((len(AROUND), 1))
    for ripple in (1, 2, 3):
        form = BubbleForm(0.6, 0.6, ripple)
        seen = appearance(light, 0.0, size=128, form=form)[..., -1]
        outlines, _ = cv2.findContours(
            (seen > 0.5).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
        )
        (outline,) = outlines
        corners = cv2.minAreaRect(outline)[1]
        assert cv2.contourArea(outline) > 0.99 * cv2.contourArea(cv2.convexHull(outline))
        # A lozenge has half of the box around it, an ellipse pi / 4.
        assert cv2.contourArea(outline) > 0.74 * corners[0] * corners[1]
