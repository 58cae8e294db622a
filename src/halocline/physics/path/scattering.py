"""How particles turn light, and a halo of stated width for matching by eye.

What is implemented:

- the Fournier-Forand phase function (fournier1999) and its backscattered share (mobley2002)
- an empirical transfer function with two free numbers (mcglamery1980, jaffe1990), as a sum of Gaussians of
  given widths, which is what a picture is filtered with

What water does to a picture follows from a phase function in `halocline.physics.path.point_spread`.
Frequencies are in cycles per radian, angles in radians, b in 1/m, ranges s in metres.
"""

from __future__ import annotations

import math

import numpy as np

from halocline._typing import F64
from halocline.compute.disk_cache import kept
from halocline.compute.on_demand import OnDemand
from halocline.errors import PhysicsError
from halocline.filters.halo import HaloKernels

optimize = OnDemand("scipy.optimize")


def fournier_forand(psi: F64 | float, index: float = 1.10, slope: float = 3.5835) -> F64:
    """Return the Fournier-Forand phase function, 1/sr, integral 1 over the sphere.

    Light scattered by particles whose sizes follow a power law, in the anomalous diffraction approximation.

    Parameters
    ----------
    psi
        Scattering angle, radians, above 0 up to pi.
    index
        n, index of the particles relative to water, 1.01 to 1.3.
    slope
        mu, exponent of the size distribution, 3 to 5.

    Raises
    ------
    PhysicsError
        ``E-PHYSICS-PARTICLES`` where index or slope is out of range.

    Notes
    -----
    Source: fournier1999. The defaults are those by which mobley2002 matches the mean of petzold1972's turbid
    waters (backscattered share 0.0183).
    """
    _check_particles(index, slope)
    nu = 0.5 * (3.0 - slope)
    s2 = np.square(np.sin(0.5 * np.asarray(psi, np.float64)))
    scale = 4.0 / (3.0 * (index - 1.0) ** 2)
    delta, back = scale * s2, scale
    # delta = 1 is a removable singularity; step off it by less than any use can notice.
    delta = np.where(np.abs(delta - 1.0) < 1e-6, 1.0 + 1e-6, delta)
    power, power_back = delta**nu, back**nu
    forward = nu * (1.0 - delta) - (1.0 - power) + (delta * (1.0 - power) - nu * (1.0 - delta)) / s2
    forward /= 4.0 * math.pi * np.square(1.0 - delta) * power
    tail = (1.0 - power_back) / (16.0 * math.pi * (back - 1.0) * power_back)
    phase: F64 = forward + tail * (3.0 * np.square(1.0 - 2.0 * s2) - 1.0)
    return phase


def _check_particles(index: float, slope: float) -> None:
    if not (1.01 <= index <= 1.3 and 3.0 < slope < 5.0):
        raise PhysicsError(
            f"particles of relative index {index:g} and size exponent {slope:g} are outside the theory",
            code="E-PHYSICS-PARTICLES",
            fix="Give an index from 1.01 to 1.3 and an exponent between 3 and 5.",
        )


def empirical_halo_transfer(frequency: F64, *, blur: float, range_m: float) -> F64:
    """Return the empirical halo's transfer function exp(-B s f).

    Parameters
    ----------
    frequency
        f, cycles per radian.
    blur
        B, radians per cycle and metre; the width of the halo at 1 m. A look, not a property of the water.
    range_m
        s, metres.

    Notes
    -----
    Source: mcglamery1980 and jaffe1990; its point spread is w/(2 pi (w^2 + angle^2)^1.5) with
    w = B s/(2 pi).
    """
    decay: F64 = np.exp(-blur * range_m * np.asarray(frequency))
    return decay


def fit_frequencies(widths_px: F64) -> F64:
    """Return the frequencies, cycles per pixel, at which Gaussians of these widths are fitted.

    From far below the widest Gaussian's to the pixel's limit, evenly in log f, so that wide and narrow parts
    of a halo count alike.
    """
    frequencies: F64 = np.geomspace(0.02 / max(float(np.max(widths_px)), 1.0), 0.5, 160)
    return frequencies


def fit_gaussians(halo: F64, widths_px: F64) -> F64:
    """Return the weights, 0 or above and sum 1, of Gaussians that together spread like a halo.

    Parameters
    ----------
    halo
        Transfer function at `fit_frequencies` of the widths, 1 at frequency 0.
    widths_px
        Standard deviations of the Gaussians, pixels, ascending; 0 stands for light that stays in its pixel.

    Notes
    -----
    Non-negative least squares. Within 0.02 of the transfer function for natural waters. Kept on disk.
    """
    key = f"gaussians 1 {len(widths_px)}".encode() + np.concatenate([widths_px, halo]).tobytes()
    found = kept("tables", key, lambda: _solved_gaussians(halo, widths_px).tobytes())
    weights = np.frombuffer(found, np.float64)
    return weights if weights.shape == widths_px.shape else _solved_gaussians(halo, widths_px)


def _solved_gaussians(halo: F64, widths_px: F64) -> F64:
    frequency = fit_frequencies(widths_px)
    rows = np.exp(-2.0 * np.square(math.pi * np.multiply.outer(frequency, widths_px)))
    # A heavy last row holds the sum at 1.
    matrix = np.vstack([rows, np.full(len(widths_px), 1e3)])
    weights, _ = optimize.nnls(matrix, np.append(halo, 1e3))
    normalised: F64 = weights / weights.sum()
    return normalised


def empirical_halos(ranges_m: F64, widths_px: F64, *, blur: float, focal_px: float) -> HaloKernels:
    """Return empirical halos by range; see `empirical_halo_transfer`."""
    frequency = fit_frequencies(widths_px) * focal_px
    halos = [empirical_halo_transfer(frequency, blur=blur, range_m=float(s)) for s in ranges_m]
    return HaloKernels(ranges_m, np.stack([fit_gaussians(halo, widths_px) for halo in halos]))
