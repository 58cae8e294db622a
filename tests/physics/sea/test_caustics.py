"""Projecting light to depth: laws of energy, softening and art controls."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from halocline._typing import F32
from halocline.errors import PhysicsError
from halocline.physics.sea.caustics import (
    CausticOptics,
    PatchOptics,
    TracedRays,
    scattering_transfer,
    with_contrast,
)
from halocline.physics.sea.waves import SeaState, make_patch

INDEX = (1.338, 1.3405, 1.345)
SEA = SeaState(3.0, fetch_m=1500.0, smooth_below_m=0.35)


def patch_optics(**changes: object) -> PatchOptics:
    settings: dict[str, object] = {"zenith_rad": math.radians(40.0), "azimuth_rad": 0.3, "index": INDEX}
    optics = CausticOptics(**(settings | changes))  # type: ignore[arg-type]
    patch = make_patch(
        SEA, size_m=8.0, grid=256, wavelengths_m=(0.2, 3.2), seed=2, name="fine", angle_rad=0.2
    )
    return PatchOptics(patch, optics, optics.beams, np.zeros((2, 2)), optics.contrast)


def landed(x: F32, y: F32, energy: F32) -> F32:
    """Where rays that are to land at places in cells leave their energy."""
    row, column = np.indices(energy.shape).astype(np.float32)
    drift = np.stack([x - column, y - row]).astype(np.float32)
    return TracedRays(drift, energy, np.zeros_like(energy), 0.0).gathered(1.0, 1.0, np.zeros(2))


def test_deposited_energy_is_all_there_wherever_rays_go() -> None:
    rng = np.random.default_rng(0)
    x, y = rng.uniform(-500.0, 500.0, (2, 64, 64)).astype(np.float32)
    energy = rng.uniform(0.0, 2.0, (64, 64)).astype(np.float32)
    assert landed(x, y, energy).sum(dtype=np.float64) == pytest.approx(energy.sum(dtype=np.float64), rel=1e-6)


def test_a_ray_gives_to_its_four_neighbours_in_proportion() -> None:
    x = np.full((16, 16), 15.25, np.float32)
    y = np.full((16, 16), 3.5, np.float32)
    energy = np.zeros((16, 16), np.float32)
    energy[4, 4] = 1.0
    light = landed(x, y, energy)
    # Column 15.25 lies between the last column and, around the edge, the first.
    assert_allclose(light[3:5, [15, 0]], [[0.375, 0.125], [0.375, 0.125]])
    assert light.sum() == 1.0


def test_rays_that_stay_make_even_light() -> None:
    rows, columns = np.indices((32, 32)).astype(np.float32)
    assert_array_equal(landed(columns, rows, np.ones((32, 32), np.float32)), np.ones((32, 32), np.float32))


@pytest.mark.parametrize("depth_m", [0.3, 2.0, 7.0, 30.0])
def test_the_mean_of_a_slice_is_one_at_every_depth(depth_m: float) -> None:
    optics = patch_optics(scattering_per_m=0.2)
    for light in optics.rays(1.0).slices(depth_m, optics.transfer(depth_m)):
        assert light.mean(dtype=np.float64) == pytest.approx(1.0, abs=2e-4)
        assert light.min() >= 0.0


def test_energy_is_conserved_before_any_normalising() -> None:
    optics = patch_optics()
    rays = optics.rays(1.0).traced[1][0]
    gathered = rays.gathered(6.0, optics.patch.cell_m, optics.reference_drift)
    entered = rays.energy.sum(dtype=np.float64)
    assert gathered.sum(dtype=np.float64) == pytest.approx(entered, rel=1e-5)
    # Tilting facets changes what a level surface lets in by second order only.
    assert entered / rays.energy.size == pytest.approx(1.0, abs=0.02)


def test_the_same_frame_gives_the_same_bits() -> None:
    first, second = patch_optics(), patch_optics()
    for one, other in zip(
        first.rays(9.0).slices(3.0, first.transfer(3.0)),
        second.rays(9.0).slices(3.0, second.transfer(3.0)),
        strict=True,
    ):
        assert_array_equal(one, other)


def test_softening_lowers_contrast_and_keeps_the_mean() -> None:
    def contrast(softness: float) -> float:
        optics = patch_optics(softness=softness, scattering_per_m=0.1)
        light = optics.rays(0.0).slices(4.0, optics.transfer(4.0))[1]
        return float(light.std())

    found = [contrast(softness) for softness in (0.0, 1.0, 4.0)]
    assert found[0] > found[1] > found[2]


def test_a_low_sun_parts_the_colours_along_its_azimuth_only() -> None:
    # The sun stands along the patch's own x axis.
    optics = patch_optics(zenith_rad=math.radians(75.0), azimuth_rad=0.2)
    red, _, blue = optics.rays(0.0).slices(8.0, optics.transfer(8.0))
    first, _, last = (beam.drift[0] for beam in optics.turned_beams)
    shift = (last - first) * 8.0 / optics.patch.cell_m
    spectrum = np.fft.rfft2(red) * np.conj(np.fft.rfft2(blue))
    row, column = np.unravel_index(np.argmax(np.fft.irfft2(spectrum)), red.shape)
    assert abs(shift) > 2.0
    assert row == 0
    # Red is bent less: it lands farther along the beam, away from the sun.
    assert (column + 128) % 256 - 128 == pytest.approx(-shift, abs=1.0)
    assert shift > 0


def test_without_colour_all_channels_are_one() -> None:
    optics = patch_optics(colour=0.0, zenith_rad=math.radians(70.0))
    red, green, blue = optics.rays(0.0).slices(3.0, optics.transfer(3.0))
    assert_allclose(red, blue, atol=1e-6)
    assert_allclose(red, green, atol=1e-6)


def test_contrast_keeps_mean_and_sign() -> None:
    light = np.random.default_rng(3).gamma(2.0, 0.5, (64, 64)).astype(np.float32)
    light /= light.mean()
    for contrast in (0.0, 0.5, 1.0, 2.0):
        bent = with_contrast(light, contrast)
        assert bent.mean(dtype=np.float64) == pytest.approx(1.0, abs=1e-6)
        assert bent.min() >= 0.0
    assert_allclose(with_contrast(light, 0.0), 1.0)
    assert with_contrast(light, 0.5).std() == pytest.approx(0.5 * light.std(), rel=1e-3)


def test_scattering_leaves_even_light_and_takes_fine_detail_by_the_unscattered_share() -> None:
    k = np.array([0.0, 0.1, 1.0, 10.0, 1e5], np.float32)
    left = scattering_transfer(k, path_m=5.0, slant=1.0, scattering_per_m=0.3, asymmetry=0.924)
    assert left[0] == pytest.approx(1.0, abs=1e-4)
    assert (np.diff(left) < 0).all()
    assert left[-1] == pytest.approx(math.exp(-0.3 * 5.0), rel=2e-3)


def test_impossible_optics_are_refused_by_name() -> None:
    with pytest.raises(PhysicsError, match="asymmetry") as caught:
        patch_optics(asymmetry=1.2)
    assert caught.value.code == "E-CAUSTICS-OPTICS"


def test_the_rays_own_grid_does_not_show_where_they_part() -> None:
    # The darkest cell of a sharp pattern: rays lie two to three grid cells apart there.
    optics = patch_optics(softness=0.0)
    green = optics.rays(1.0).slices(3.0, optics.transfer(3.0))[1].astype(np.float64)
    spectrum = np.abs(np.fft.rfft2(np.log(np.maximum(green, 1e-3)) * (green < 0.5))) ** 2
    # Ripple would stand out between a third and half a cycle a cell, where light itself has nothing.
    k = np.hypot(np.fft.fftfreq(256)[:, None], np.fft.rfftfreq(256)[None, :])
    smooth = np.abs(np.fft.rfft2(green < 0.5)) ** 2
    band = (k > 0.33) & (k < 0.5)
    assert spectrum[band].sum() < 4.0 * smooth[band].sum()
