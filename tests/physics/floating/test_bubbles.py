"""Birth, rise, growth and look of bubbles."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from halocline.errors import PhysicsError
from halocline.physics.floating.bubbles import (
    Burst,
    Column,
    Emitter,
    births,
    clean_rise_speed,
    contaminated_rise_speed,
    flattening,
    grown_diameter,
    rise_speed,
    sway,
    unsteadiness,
)

UP = np.array([0.0, 1.0, 0.0])
EMITTER = Emitter("vent", np.array([0.0]), np.array([[0.0, -15.0, -5.0]]), np.array([40.0]))
COLUMN = Column(EMITTER, 7, UP, 0.0)


def test_rise_speeds_are_continuous_over_all_sizes() -> None:
    diameter = np.geomspace(2e-5, 0.05, 4000)
    for speed in (clean_rise_speed(diameter), contaminated_rise_speed(diameter)):
        assert np.abs(np.diff(np.log(speed))).max() < 0.02


def test_films_never_speed_a_bubble_up() -> None:
    diameter = np.geomspace(2e-5, 8e-3, 500)
    assert (contaminated_rise_speed(diameter) <= clean_rise_speed(diameter) * 1.03).all()
    assert rise_speed(diameter, film=0.0) == pytest.approx(clean_rise_speed(diameter))
    assert rise_speed(diameter, film=1.0) == pytest.approx(contaminated_rise_speed(diameter))


def test_gas_is_neither_lost_nor_won_on_the_way_up() -> None:
    depth = np.array([30.0, 12.0, 3.0, 0.0])
    volume = grown_diameter(np.full(4, 5e-3), depth) ** 3
    pressure = 1.0 + depth / 10.077
    assert volume * pressure == pytest.approx(np.full(4, 5e-3**3))


def test_larger_bubbles_are_flatter() -> None:
    ratio = flattening(np.geomspace(1e-4, 0.03, 50))
    assert ratio[0] == pytest.approx(1.0, abs=0.01)
    assert (np.diff(ratio) <= 0).all()
    assert ratio.min() >= 0.24


def test_the_same_bubbles_whichever_times_were_asked_before() -> None:
    alone = births(7, EMITTER, 100.0, 110.0)
    company = births(7, EMITTER, 63.3, 141.7)
    found = (company.born_s >= 100.0) & (company.born_s < 110.0)
    assert (company.born_s[found] == alone.born_s).all()
    assert (company.words[:, found] == alone.words).all()


def test_births_follow_the_rate_and_the_bursts() -> None:
    puff = Emitter(
        "mouth",
        np.array([0.0, 100.0]),
        np.zeros((2, 3)),
        np.array([0.0, 80.0]),
        bursts=(Burst(30.0, 1.0, 4000.0),),
    )
    assert len(births(1, puff, 0.0, 100.0)) == pytest.approx(8000.0, abs=5 * 8000**0.5)
    assert len(births(1, puff, 29.5, 31.5)) == pytest.approx(4000.0 + 49.0, abs=5 * 4050**0.5)


def test_bubbles_rise_grow_and_leave_at_the_surface() -> None:
    now = COLUMN.at(60.0)
    later = COLUMN.at(60.0 + 1 / 24, alive_at=60.0)
    assert len(later) == len(now)
    assert (later.position_m[:, 1] >= now.position_m[:, 1] - 1e-9).all()
    assert (later.diameter_m >= now.diameter_m * (1 - 1e-12)).all()
    assert (now.position_m[:, 1] < 0.0).all()
    assert now.position_m[:, 1].max() > -1.0


def test_path_agrees_with_the_rise_speed_in_small_steps() -> None:
    born = births(7, EMITTER, 90.0, 91.0)
    depth, surface_diameter, _ = COLUMN._risen(born, 105.0)
    other = np.full(len(born), 15.0)
    steps = 4000
    step = (105.0 - born.born_s) / steps
    for _ in range(steps):
        other -= step * rise_speed(grown_diameter(surface_diameter, other))
    assert depth == pytest.approx(other, abs=0.01)


def test_column_widens_upwards() -> None:
    bubbles = COLUMN.at(200.0)
    aside = np.hypot(bubbles.position_m[:, 0], bubbles.position_m[:, 2] + 5.0)
    low, high = bubbles.position_m[:, 1] < -12.0, bubbles.position_m[:, 1] > -4.0
    assert aside[high].mean() > 2.0 * aside[low].mean()


def test_small_bubbles_rise_straight_and_large_ones_swing() -> None:
    words = births(1, EMITTER, 0.0, 20.0).words
    ages = np.full(words.shape[1], 4.0)
    assert (sway(np.full(len(ages), 0.8e-3), ages, words) == 0.0).all()
    swing = sway(np.full(len(ages), 4e-3), ages, words)
    assert 2e-3 < np.abs(swing).max() < 8e-3


def test_large_bubbles_wobble_and_small_ones_are_steady() -> None:
    wobble = unsteadiness(np.array([1e-3, 2e-3, 10e-3]))
    assert wobble[0] == 0.0
    assert 0.0 < wobble[1] < wobble[2] == 1.0


def test_bubbles_of_a_puff_keep_together() -> None:
    """Those born side by side lie closer; where bubbles are on the whole stays."""

    def apart(clusters: float) -> tuple[float, float]:
        born = births(1, replace(EMITTER, clusters=clusters, rates_per_s=np.array([400.0])), 0.0, 40.0)
        order = np.argsort(born.born_s)
        step = np.abs(np.diff(born.aside[order], axis=0)).mean()
        return float(step), float(born.aside.std())

    (loose, spread), (close, same) = apart(0.0), apart(0.9)
    assert close < 0.8 * loose
    assert same == pytest.approx(spread, rel=0.05)


def test_impossible_emitter_says_how_to_fix_it() -> None:
    with pytest.raises(PhysicsError, match="vent") as caught:
        Emitter("vent", np.array([0.0]), np.zeros((1, 3)), np.array([-1.0]))
    assert caught.value.code == "E-PHYSICS-EMITTER"
    with pytest.raises(PhysicsError, match="below 50 mm"):
        Emitter("vent", np.array([0.0]), np.zeros((1, 3)), np.array([1.0]), median_m=0.06)
