"""Particles and the empirical halo: limits, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from halocline.errors import PhysicsError
from halocline.filters.halo import halo_widths
from halocline.physics.path.scattering import (
    empirical_halo_transfer,
    empirical_halos,
    fournier_forand,
)

FREQUENCY = np.concatenate([[0.0], np.geomspace(0.1, 1e5, 200)])
SHAPE = (540, 960)


def test_empirical_halo_widens_with_range() -> None:
    near = empirical_halo_transfer(FREQUENCY, blur=0.01, range_m=2.0)
    far = empirical_halo_transfer(FREQUENCY, blur=0.01, range_m=8.0)
    np.testing.assert_allclose(near**4, far)
    assert near[0] == 1.0
    halos = empirical_halos(np.array([2.0, 8.0]), halo_widths(SHAPE), blur=0.01, focal_px=1000.0)
    assert halos.weights[1] @ halo_widths(SHAPE) > 2.0 * (halos.weights[0] @ halo_widths(SHAPE))


@pytest.mark.parametrize(("index", "slope"), [(1.0, 3.6), (1.1, 5.2)])
def test_particles_outside_the_theory_are_refused(index: float, slope: float) -> None:
    with pytest.raises(PhysicsError, match=r"E-PHYSICS-PARTICLES.*outside the theory") as caught:
        fournier_forand(0.1, index, slope)
    assert "Give an index from 1.01 to 1.3" in str(caught.value)
