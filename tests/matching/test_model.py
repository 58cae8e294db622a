"""The fit's exact model is the same light as everywhere else."""

from __future__ import annotations

import math

import numpy as np
import pytest

from halocline.matching.model import Setting, Strengths, light_path, predicted
from halocline.matching.samples import Sample
from halocline.physics.water.bands import spectral_matrix
from halocline.physics.water.water import Water, jerlov_water, scaled_to_attenuation
from halocline.rgb import ACESCG, LINEAR_REC709


def test_many_rays_have_the_veil_of_each_alone() -> None:
    path = light_path(jerlov_water("1C"), Setting(LINEAR_REC709, depth_m=6.0))
    random = np.random.default_rng(2)
    directions = random.normal(size=(12, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    ranges = np.append(random.uniform(0.5, 30.0, 10), [np.inf, np.inf])
    together = path.veil_along(ranges, directions)
    alone = [path.veil_along(float(s), direction) for s, direction in zip(ranges, directions, strict=True)]
    assert together == pytest.approx(np.array(alone), rel=1e-12)


@pytest.mark.parametrize("space", [LINEAR_REC709, ACESCG])
def test_level_sample_is_the_exact_spectral_sum(space: object) -> None:
    water = jerlov_water("II")
    samples = [Sample((0.1, 0.1, 0.1), 4.0, (0.18, 0.18, 0.18))]
    (made,) = predicted([water], samples, Setting(space, depth_m=5.0))  # type: ignore[arg-type]
    assert made.transfer[0] == pytest.approx(spectral_matrix(water, space, 4.0), abs=1e-12)  # type: ignore[arg-type]


SAMPLES = [
    Sample((0.1, 0.1, 0.1), 3.0, (0.18, 0.18, 0.18), direction=(0.0, -0.6, -0.8)),
    Sample((0.1, 0.1, 0.1), math.inf, None, direction=(0.6, 0.0, -0.8)),
    Sample((0.1, 0.1, 0.1), math.inf, None, direction=(0.0, 0.8, -0.6)),
]


def test_waters_solved_together_are_those_solved_alone() -> None:
    waters, setting = [jerlov_water(kind) for kind in ("IB", "5C")], Setting(LINEAR_REC709, depth_m=6.0)
    for together, water in zip(predicted(waters, SAMPLES, setting), waters, strict=True):
        (alone,) = predicted([water], SAMPLES, setting)
        assert together.veil == pytest.approx(alone.veil, rel=1e-9)
        assert together.transfer == pytest.approx(alone.transfer, rel=1e-9)


@pytest.mark.parametrize(("kind", "clearest"), [("I", 0.05955), ("1C", 0.5363)])
def test_strength_between_those_solved_is_as_if_solved(kind: str, clearest: float) -> None:
    base, setting = jerlov_water(kind), Setting(LINEAR_REC709, depth_m=8.0)

    def at(log_c: float) -> Water:
        return scaled_to_attenuation(base, math.exp(log_c))

    low = math.log(clearest)
    strengths = Strengths(at, low, low, math.log(12.0), SAMPLES, setting)
    for log_c in (low, low + 0.013, low + 0.31, low + 0.9, 1.1):
        between, (solved,) = strengths.predicted(log_c), predicted([at(log_c)], SAMPLES, setting)
        assert between.veil == pytest.approx(solved.veil, rel=3e-3)
        assert between.transfer == pytest.approx(solved.transfer, rel=3e-3, abs=1e-6)
