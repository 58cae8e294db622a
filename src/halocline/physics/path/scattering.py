"""Forward scatter: light turned by small angles on its way, which softens the picture and makes lamps bloom.

What is implemented:

- the Fournier-Forand phase function (fournier1999) and its backscattered share (mobley2002)
- the transfer function of small-angle scattering over a range (wells1973)
- an empirical transfer function with two free numbers (mcglamery1980, jaffe1990)
- any of these as a sum of Gaussians of given widths, which is what a picture is filtered with

A picture's direct light is already down to exp(-c s). Forward scatter adds the *halo*: per source pixel
(exp(b_f s) - 1) times its direct light, spread over the point spread function. Frequencies are in cycles per
radian, angles in radians, b in 1/m, ranges s in metres.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled
from halocline.compute.disk_cache import kept
from halocline.compute.on_demand import OnDemand
from halocline.compute.series import exponential_less_one
from halocline.errors import PhysicsError
from halocline.filters.pyramid_blur import HaloKernels
from halocline.physics.path.phase import henyey_greenstein

optimize = OnDemand("scipy.optimize")
special = OnDemand("scipy.special")

# Beyond this angle light no longer belongs to the picture of its source; it feeds the veil. The small-angle
# theory takes sin(angle) for the angle, which is 1 % off here.
CONE_RAD = math.radians(15.0)
# Below this angle scattered light stays in its pixel in any picture (0.003 px of 4000 over 60 degrees).
SMALLEST_ANGLE_RAD = 1e-6
# Optical depth b_f s beyond which nothing of the direct light is left to scatter: exp(40) is 2e17.
DEEPEST = 40.0


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


def fournier_forand_backscatter(index: float = 1.10, slope: float = 3.5835) -> float:
    """Return the share of Fournier-Forand scattering beyond 90 degrees (mobley2002, eq. 7).

    Worked value: the defaults give 0.0183.
    """
    _check_particles(index, slope)
    nu = 0.5 * (3.0 - slope)
    delta = 2.0 / (3.0 * (index - 1.0) ** 2)
    power = delta**nu
    return float(1.0 - (1.0 - delta * power - 0.5 * (1.0 - power)) / ((1.0 - delta) * power))


def _check_particles(index: float, slope: float) -> None:
    if not (1.01 <= index <= 1.3 and 3.0 < slope < 5.0):
        raise PhysicsError(
            f"particles of relative index {index:g} and size exponent {slope:g} are outside the theory",
            code="E-PHYSICS-PARTICLES",
            mend="Give an index from 1.01 to 1.3 and an exponent between 3 and 5.",
        )


@dataclass(frozen=True)
class SmallAngleScatter:
    """Scattering within a cone, ready for transfer functions.

    Attributes
    ----------
    angles
        Scattering angles, radians, ``(n,)``.
    shares
        Share of all scattering that each angle stands for, ``(n,)``; they sum to b_f/b.
    """

    angles: F64
    shares: F64

    @property
    def forward_share(self) -> float:
        """b_f/b: the part of scattering that stays within the cone."""
        return float(self.shares.sum())

    def angle_spectrum(self, frequency: F64) -> F64:
        """Return Sigma(f)/b, the Hankel transform of the phase function within the cone."""
        spectrum: F64 = special.j0(2.0 * math.pi * np.multiply.outer(frequency, self.angles)) @ self.shares
        return spectrum

    def path_spectrum(self, frequency: F64) -> F64:
        """Return S(f)/b = int_0^1 Sigma(f v)/b dv: scattering anywhere along the path.

        Light scattered at a share v of the way from its source to the lens is seen v times as far off.
        The integral over v is exact.
        """
        x = 2.0 * math.pi * np.multiply.outer(np.asarray(frequency, np.float64), self.angles)
        mean = np.where(x > 1e-6, special.itj0y0(x)[0] / np.maximum(x, 1e-6), 1.0)
        spectrum: F64 = mean @ self.shares
        return spectrum


def small_angle_scatter(phase: Callable[[F64], F64], *, cone_rad: float = CONE_RAD) -> SmallAngleScatter:
    """Tabulate a phase function for `SmallAngleScatter`.

    Parameters
    ----------
    phase
        Phase function of the angle in radians, 1/sr, integral 1 over the sphere.
    cone_rad
        Where forward scatter ends and the veil begins, radians.
    """
    edges = np.concatenate([[0.0], np.geomspace(SMALLEST_ANGLE_RAD, cone_rad, 400)])
    # Gauss-Legendre with 3 points within each step of the angle.
    nodes, weights = np.polynomial.legendre.leggauss(3)
    half = 0.5 * np.diff(edges)[:, None]
    angles = (edges[:-1, None] + half * (1.0 + nodes)).ravel()
    shares = (half * weights).ravel() * 2.0 * math.pi * phase(angles) * np.sin(angles)
    return SmallAngleScatter(angles, shares)


def henyey_greenstein_scatter(g: float, *, cone_rad: float = CONE_RAD) -> SmallAngleScatter:
    """Tabulate Henyey-Greenstein scattering of asymmetry g."""

    def phase(angle: F64) -> F64:
        return np.asarray(henyey_greenstein(np.cos(angle), g), np.float64)

    return small_angle_scatter(phase, cone_rad=cone_rad)


def transfer(scatter: SmallAngleScatter, frequency: F64, *, c: float, b: float, range_m: float) -> F64:
    """Return the modulation transfer of a length of water, 1 for no water.

    H(f, s) = exp(-D(f) s), D(f) = c - S(f)

    Notes
    -----
    Source: wells1973. D(0) = c - b_f, D(inf) = c, D rises all the way.
    """
    decay: F64 = np.exp(-(c - b * scatter.path_spectrum(frequency)) * range_m)
    return decay


def halo_gain(forward_b: F64 | float, range_m: F64 | float) -> F64:
    """Return the halo's energy relative to the direct light: exp(b_f s) - 1."""
    gain: F64 = np.expm1(np.asarray(forward_b) * np.asarray(range_m))
    return gain


def halo_energy(direct: F32, range_m: F32, forward_b: float, *, strength: float = 1.0, out: F32) -> None:
    """Write what each pixel gives to its halo, ``(rows, columns)``, from its attenuated light.

    Parameters
    ----------
    direct
        Direct light, already down to exp(-c s).
    range_m
        Range, metres, may be inf (there is no direct light left then).
    forward_b
        b_f, 1/m.
    strength
        Multiplies it; 1 is physical.
    out
        Where to; not the light itself.
    """
    _halo_energy(direct, range_m, np.float32(forward_b), np.float32(DEEPEST), np.float32(strength), out)


@compiled
def _halo_energy(
    direct: F32, range_m: F32, rate: np.float32, deepest: np.float32, strength: np.float32, out: F32
) -> None:
    for row in range(out.shape[0]):
        light, length, given = direct[row], range_m[row], out[row]
        for x in range(given.size):
            # Where the direct light has vanished its halo has too; the limit keeps 0 times infinity out.
            depth = min(length[x] * rate, deepest)
            given[x] = strength * (exponential_less_one(depth) * light[x])


def halo_transfer(spectrum: F64, forward_share: float, *, b: float, range_m: float) -> F64:
    """Return the halo's own transfer function, 1 at frequency 0 and 0 at infinity.

    It is `transfer` less the direct light exp(-c s), divided by its value at frequency 0. Thin water gives
    the shape of single scattering, thick water widens it.

    Parameters
    ----------
    spectrum
        S(f)/b at the frequencies wanted: `SmallAngleScatter.path_spectrum`, which takes its time.
    forward_share
        b_f/b.
    b, range_m
        Scattering, 1/m, and range, metres.
    """
    depth = b * range_m
    if depth < 1e-6:
        return spectrum / forward_share
    halo: F64 = np.expm1(depth * spectrum) / math.expm1(depth * forward_share)
    return halo


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


def scattered_halos(
    scatter: SmallAngleScatter, ranges_m: F64, widths_px: F64, *, b: float, focal_px: float
) -> HaloKernels:
    """Return the halos of a water by range.

    Parameters
    ----------
    scatter
        The water's scattering by angle.
    ranges_m
        Ranges wanted, metres, ascending.
    widths_px
        Of the Gaussians, see `halocline.filters.pyramid_blur.halo_widths`.
    b
        Scattering coefficient, 1/m.
    focal_px
        Pixels per radian at the picture's centre.
    """
    spectrum = scatter.path_spectrum(fit_frequencies(widths_px) * focal_px)
    share = scatter.forward_share
    halos = [halo_transfer(spectrum, share, b=b, range_m=float(s)) for s in ranges_m]
    return HaloKernels(ranges_m, np.stack([fit_gaussians(halo, widths_px) for halo in halos]))


def empirical_halos(ranges_m: F64, widths_px: F64, *, blur: float, focal_px: float) -> HaloKernels:
    """Return empirical halos by range; see `empirical_halo_transfer` and `scattered_halos`."""
    frequency = fit_frequencies(widths_px) * focal_px
    halos = [empirical_halo_transfer(frequency, blur=blur, range_m=float(s)) for s in ranges_m]
    return HaloKernels(ranges_m, np.stack([fit_gaussians(halo, widths_px) for halo in halos]))
