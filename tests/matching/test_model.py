"""The fit's exact model is the same light as everywhere else."""

from __future__ import annotations

import numpy as np
import pytest

from halocline.matching.model import Setting, light_path, predicted
from halocline.matching.samples import Sample
from halocline.physics.water.bands import spectral_matrix
from halocline.physics.water.water import jerlov_water
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
    made = predicted(water, samples, Setting(space, depth_m=5.0))  # type: ignore[arg-type]
    assert made.transfer[0] == pytest.approx(spectral_matrix(water, space, 4.0), abs=1e-12)  # type: ignore[arg-type]
