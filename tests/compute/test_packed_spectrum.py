"""Packed spectra against numpy's Fourier transforms."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from halocline._typing import F32
from halocline.compute.packed_spectrum import field_of, move, packed, spectrum_of

GRID = 32


@pytest.fixture
def field() -> F32:
    return np.random.default_rng(3).random((GRID, GRID), np.float32)


def test_a_field_comes_back(field: F32) -> None:
    assert_allclose(field_of(spectrum_of(field.copy())), field, atol=1e-6)


def test_a_factor_acts_as_on_numpys_spectrum(field: F32) -> None:
    kx, ky = np.fft.rfftfreq(GRID), np.fft.fftfreq(GRID)
    factor = np.exp(-20.0 * np.add.outer(ky * ky, kx * kx) - 9.0 * np.outer(ky, kx)).astype(np.float32)
    # numpy makes the mirrored columns even; a packed factor must be.
    for column in (0, -1):
        factor[GRID // 2 + 1 :, column] = factor[1 : GRID // 2, column][::-1]
    expected = np.fft.irfft2(np.fft.rfft2(field) * factor, s=field.shape)
    assert_allclose(field_of(spectrum_of(field.copy()) * packed(factor)), expected, atol=1e-6)


def test_a_whole_move_is_a_roll(field: F32) -> None:
    kx, ky = 2.0 * np.pi * np.fft.rfftfreq(GRID), 2.0 * np.pi * np.fft.fftfreq(GRID)
    spectrum = spectrum_of(field.copy())
    move(spectrum, np.exp(-5j * kx).astype(np.complex64), np.exp(3j * ky).astype(np.complex64))
    assert_allclose(field_of(spectrum), np.roll(field, (-3, 5), (0, 1)), atol=1e-5)


def test_a_part_move_of_a_smooth_wave_is_exact() -> None:
    at = 2.0 * np.pi * np.arange(GRID) / GRID
    wave = np.cos(3.0 * at[np.newaxis, :] + 2.0 * at[:, np.newaxis]).astype(np.float32)
    kx, ky = 2.0 * np.pi * np.fft.rfftfreq(GRID), 2.0 * np.pi * np.fft.fftfreq(GRID)
    spectrum = spectrum_of(wave)
    move(spectrum, np.exp(-0.4j * kx).astype(np.complex64), np.exp(-1.3j * ky).astype(np.complex64))
    turn = 2.0 * np.pi / GRID
    expected = np.cos(3.0 * (at - 0.4 * turn)[np.newaxis, :] + 2.0 * (at - 1.3 * turn)[:, np.newaxis])
    assert_allclose(field_of(spectrum), expected, atol=1e-5)


def test_where_memory_lies_changes_no_bit(field: F32) -> None:
    spectrum = spectrum_of(field.copy())
    for offset in (1, 3, 8):
        room = np.empty(GRID * GRID + 16, np.float32)[offset : offset + GRID * GRID].reshape(GRID, GRID)
        room[...] = field
        assert_array_equal(spectrum_of(room), spectrum)
