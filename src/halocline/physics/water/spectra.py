"""Spectra on one grid, and the linear road from RGB to a spectrum and back.

A linear RGB value becomes the reflectance `basis` @ rgb under daylight (D65), is weakened wavelength by
wavelength, and becomes RGB again through `sensor_weights`. Both ends are linear, so any path through water is
a 3 x 3 matrix, high dynamic range survives, and no look-up table is needed.

The basis is that of Mallett and Yuksel 2019 for Rec.709. Other RGB spaces are taken to Rec.709 by their
matrix first, rather than given a basis of their own, so that a scene colour becomes the same wet colour
whichever space the render was written in. The price: a colour outside Rec.709 has a spectrum that is
negative somewhere, which is as far from the truth as the camera-less colour itself.

Sources: the table's own header; CIE 015:2018 for the tristimulus sum; Mallett and Yuksel 2019
(bibliography key mallett2019), whose basis spectra are non-negative and sum to 1 at every wavelength.
"""

from __future__ import annotations

from functools import lru_cache
from importlib import resources

import numpy as np
from numpy.typing import ArrayLike

from halocline._typing import F64
from halocline.errors import PhysicsError
from halocline.rgb import LINEAR_REC709, RGBSpace, conversion_matrix

FIRST_NM = 400.0
LAST_NM = 700.0
# The one grid of this package, nm, (301,). Jerlov's types are known from 400 (or less) to 700 nm; the ends
# beyond carry 0.2 % of a white's luminance-weighted tristimulus values.
WAVELENGTH_NM: F64 = np.arange(FIRST_NM, LAST_NM + 1.0, dtype=np.float64)
WAVELENGTH_NM.setflags(write=False)


def observer() -> F64:
    """Return the CIE 1931 2 degree colour matching functions, (301, 3)."""
    return _table()[:, 1:4]


def daylight() -> F64:
    """Return the relative spectral power of D65, (301,), 100 at 560 nm.

    Returns
    -------
    F64
        (301,), on the grid of 400 to 700 nm in steps of 1 nm.
    """
    return _table()[:, 4]


def rec709_basis() -> F64:
    """Return the reflectances of the linear Rec.709 primaries, (301, 3): non-negative, rows summing to 1."""
    return _table()[:, 5:8]


def basis(space: RGBSpace) -> F64:
    """Return the basis reflectances B of a space, (301, 3): a linear rgb has the reflectance B @ rgb.

    White is 1 at every wavelength. Only those of Rec.709 are non-negative throughout.

    Parameters
    ----------
    space
        A linear RGB space.

    Returns
    -------
    F64
        B, (301, 3), on the grid of 400 to 700 nm in steps of 1 nm.
    """
    return np.asarray(rec709_basis() @ conversion_matrix(space, LINEAR_REC709), dtype=np.float64)


def sensor_weights(space: RGBSpace) -> F64:
    """Return the weights W, (301, 3), of a reflectance under D65 in each channel: rgb = W.T @ reflectance.

    They are the observer times daylight, taken to linear Rec.709 and corrected by a 3 x 3 (2e-3 from the unit
    matrix: the basis was published for 380 to 780 nm at 5 nm) so that W.T @ B is exactly the unit matrix:
    without water, nothing changes. White therefore stays white, and luminance is the sum over all channels
    weighted by the space's luminance row.

    Parameters
    ----------
    space
        A linear RGB space.

    Returns
    -------
    F64
        W, (301, 3), on the grid of 400 to 700 nm in steps of 1 nm.
    """
    return np.asarray(_rec709_weights() @ conversion_matrix(LINEAR_REC709, space).T, dtype=np.float64)


def resampled(wavelength_nm: ArrayLike, values: ArrayLike) -> F64:
    """Return values on the grid, (301,), by straight lines; outside their range the end value holds.

    Parameters
    ----------
    wavelength_nm
        Wavelengths, (n,), nm, ascending.
    values
        Values there, (n,).

    Raises
    ------
    PhysicsError
        ``E-SPECTRUM-TABLE`` where the table is not made of finite numbers at ascending wavelengths.
    """
    wavelengths = np.asarray(wavelength_nm, dtype=np.float64)
    samples = np.asarray(values, dtype=np.float64)
    if wavelengths.ndim != 1 or wavelengths.size == 0 or samples.shape != wavelengths.shape:
        reason = f"{samples.size} values stand against {wavelengths.size} wavelengths"
    elif not (np.all(np.isfinite(wavelengths)) and np.all(np.isfinite(samples))):
        reason = "it holds numbers that are not finite"
    elif np.any(np.diff(wavelengths) <= 0.0):
        reason = "its wavelengths do not ascend"
    else:
        return np.asarray(np.interp(WAVELENGTH_NM, wavelengths, samples), dtype=np.float64)
    raise PhysicsError(
        f"a spectrum cannot be read from this table: {reason}",
        code="E-SPECTRUM-TABLE",
        fix="Give one finite value for each wavelength, in ascending order of nanometres.",
    )


def transfer_matrix(space: RGBSpace, transmittance: F64) -> F64:
    """Return the 3 x 3, (..., 3, 3), that a spectral transmittance, (..., 301), is in linear RGB.

    M = W.T diag(transmittance) B, summed at 1 nm.
    """
    products = sensor_weights(space)[:, :, None] * basis(space)[:, None, :]
    flat = np.asarray(transmittance, dtype=np.float64) @ products.reshape(WAVELENGTH_NM.size, 9)
    return np.asarray(flat.reshape(*flat.shape[:-1], 3, 3), dtype=np.float64)


@lru_cache(maxsize=1)
def _table() -> F64:
    text = (
        resources.files("halocline.physics.water").joinpath("data", "spectra.csv").read_text(encoding="utf-8")
    )
    table: F64 = np.loadtxt(text.splitlines(), delimiter=",", comments="#", dtype=np.float64)
    table.setflags(write=False)
    return table


@lru_cache(maxsize=1)
def _rec709_weights() -> F64:
    stimulus = observer() * daylight()[:, None]
    stimulus = stimulus / np.sum(stimulus[:, 1])
    weights = stimulus @ LINEAR_REC709.from_xyz.T
    return np.asarray(weights @ np.linalg.inv(rec709_basis().T @ weights), dtype=np.float64)
