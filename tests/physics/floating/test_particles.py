"""Sizes, sinking, drawing limits and light of particles."""

from __future__ import annotations

import math

import numpy as np
import pytest

from halocline.errors import PhysicsError
from halocline.physics.floating.particles import (
    DrawLimits,
    PowerLaw,
    aggregate_sinking_speed,
    grain_settling_speed,
    haze_cross_section,
    particle_radiance,
)

SNOW = PowerLaw(per_m3=5000.0, exponent=4.0, smallest_m=0.5e-3, largest_m=8e-3)


def test_worked_value_of_the_docstring() -> None:
    assert SNOW.number_above(1e-3) == pytest.approx(623.9, abs=0.05)


@pytest.mark.parametrize("exponent", [2.5, 3.0, 4.0, 5.0])
def test_moments_equal_the_integral_of_the_density(exponent: float) -> None:
    law = PowerLaw(1000.0, exponent, 1e-4, 1e-2)
    diameter = np.geomspace(law.smallest_m, law.largest_m, 20_001)
    for power in (0.0, 1.0, 2.0, 3.0):
        integral = np.trapezoid(law.density(diameter) * diameter ** (power + 1), np.log(diameter))
        assert law.moment(power) == pytest.approx(integral, rel=1e-5)


def test_slices_together_are_the_whole() -> None:
    slices = SNOW.slices(ratio=2.0)
    assert len(slices) == 4
    assert sum(piece.per_m3 for piece in slices) == pytest.approx(SNOW.per_m3)
    assert sum(piece.moment(2.0) for piece in slices) == pytest.approx(SNOW.moment(2.0))
    assert slices[0].largest_m == slices[1].smallest_m


def test_impossible_size_range_says_how_to_fix_it() -> None:
    with pytest.raises(PhysicsError, match="below the largest") as caught:
        PowerLaw(1.0, 4.0, 2e-3, 1e-3)
    assert caught.value.code == "E-PHYSICS-SIZES"
    with pytest.raises(PhysicsError, match="exponent above 1"):
        PowerLaw(1.0, 1.0, 1e-3, 2e-3)


def test_larger_things_sink_faster() -> None:
    diameter = np.geomspace(1e-5, 1e-2, 50)
    assert (np.diff(aggregate_sinking_speed(diameter)) > 0).all()
    assert (np.diff(grain_settling_speed(diameter)) > 0).all()


def test_light_grains_rise() -> None:
    assert grain_settling_speed(1e-3, grain_density=900.0) < 0.0


LIMITS = DrawLimits(farthest_m=12.0, smallest_angle_rad=2e-4, aperture_m=0.0125, focus_m=3.0)


def test_drawn_share_is_smooth_in_range_so_nothing_pops() -> None:
    # A particle that comes nearer by 1 cm a frame changes by less than 3 % a frame.
    s = np.arange(0.05, 15.0, 0.01)
    for diameter in (0.3e-3, 1e-3, 5e-3):
        share = LIMITS.share(np.full(len(s), diameter), s)
        assert np.abs(np.diff(share))[s[1:] > 0.4].max() < 0.03
        assert share.min() == 0.0


def test_no_particle_is_drawn_beyond_its_farthest_range() -> None:
    for diameter in (0.3e-3, 1e-3, 5e-3):
        beyond = LIMITS.farthest_for(diameter)
        assert LIMITS.share(np.array([diameter]), np.array([beyond]))[0] == 0.0


def test_drawn_and_haze_together_are_the_whole_class() -> None:
    s = np.array([0.25, 0.5, 2.0, 6.0, 11.0, 30.0])
    diameter = np.geomspace(SNOW.smallest_m, SNOW.largest_m, 4001)
    area = math.pi / 4 * diameter**2 * SNOW.density(diameter)
    drawn = [np.trapezoid(area * LIMITS.share(diameter, np.full(4001, one)), diameter) for one in s]
    haze = haze_cross_section(SNOW, LIMITS, s)
    assert drawn + haze == pytest.approx(np.full(len(s), SNOW.cross_section()), rel=2e-3)


def test_particle_in_even_light_scatters_as_much_as_comes_in() -> None:
    even = np.full((3, 2), 4.0 * math.pi)
    assert particle_radiance(albedo=1.0, scalar_irradiance=even) == pytest.approx(np.ones((3, 2)))


def test_beams_add_by_their_phase_function() -> None:
    dark = np.zeros((2, 1))
    light = particle_radiance(
        albedo=0.5,
        scalar_irradiance=dark,
        beam_irradiance=(np.full((2, 1), 3.0),),
        beam_phase=(np.array([0.1, 0.2]),),
    )
    assert light[:, 0] == pytest.approx([0.15, 0.30])
