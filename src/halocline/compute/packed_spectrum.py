"""Fourier transforms of real square fields, kept packed: a spectrum takes no more room than its field.

OpenCV's packed form is used as it comes. Of a field of ``grid`` by ``grid`` points, a power of two, row j
holds the wavenumber j down the columns; columns 2i-1 and 2i hold real and imaginary part of wavenumber i
across. The first and the last column are those of 0 and grid/2 across, where a spectrum mirrors itself: real
and imaginary parts alternate down the column, and the first and the last number are real.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32

_INVERSE = cv2.DFT_INVERSE | cv2.DFT_SCALE | cv2.DFT_REAL_OUTPUT


def spectrum_of(field: F32) -> F32:
    """Return the packed spectrum of a field; both lie in the same memory afterwards.

    Parameters
    ----------
    field
        Real, ``(grid, grid)``, grid a power of two; its memory is used.

    Returns
    -------
    F32
        The spectrum, packed, ``(grid, grid)``.
    """
    return np.asarray(cv2.dft(field, dst=field), np.float32)


def field_of(spectrum: F32) -> F32:
    """Return the field of a packed spectrum; both lie in the same memory afterwards.

    Parameters
    ----------
    spectrum
        Packed, ``(grid, grid)``, grid a power of two; its memory is used.

    Returns
    -------
    F32
        The field, ``(grid, grid)``.
    """
    return np.asarray(cv2.dft(spectrum, dst=spectrum, flags=_INVERSE), np.float32)


def packed(factor: F32) -> F32:
    """Return a real factor for each wavenumber, even in them, as one for each number of a packed spectrum.

    Parameters
    ----------
    factor
        ``(grid, grid/2 + 1)``: rows as `numpy.fft.fftfreq`, columns as `numpy.fft.rfftfreq` has them.

    Returns
    -------
    F32
        ``(grid, grid)``, float32: multiply a packed spectrum by it.
    """
    grid = factor.shape[0]
    out = np.empty((grid, grid), np.float32)
    out[:, 1:-1] = np.repeat(factor[:, 1:-1], 2, axis=1)
    for column, source in ((0, factor[:, 0]), (-1, factor[:, -1])):
        out[0, column], out[-1, column] = source[0], source[grid // 2]
        out[1:-1, column] = np.repeat(source[1 : grid // 2], 2)
    return out


def move(spectrum: F32, across: NDArray[np.complex64], down: NDArray[np.complex64]) -> None:
    """Move the field of a packed spectrum, in place.

    Parameters
    ----------
    spectrum
        ``(grid, grid)``.
    across
        ``(grid/2 + 1,)``: exp(-i kx x) for a move by x.
    down
        ``(grid,)``: exp(-i ky y) for a move by y.

    Notes
    -----
    A wave of two points a turn cannot be moved: of it, what a field of real numbers can hold is kept.
    """
    grid = spectrum.shape[0]
    # Complex numbers are pairs of real ones.
    inner = spectrum[:, 1:-1].view(np.complex64)
    inner *= across[1:-1]
    inner *= down[:, np.newaxis]
    for column, phase in ((0, across[0]), (-1, across[-1])):
        pairs = spectrum[1:-1, column].reshape(-1, 2)
        turned = (pairs[:, 0] + np.complex64(1j) * pairs[:, 1]) * (phase * down[1 : grid // 2])
        spectrum[1:-1:2, column] = turned.real
        spectrum[2:-1:2, column] = turned.imag
        spectrum[0, column] *= (phase * down[0]).real
        spectrum[-1, column] *= (phase * down[grid // 2]).real
