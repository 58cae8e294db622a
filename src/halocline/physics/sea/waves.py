"""The moving sea surface: dispersion, spectra, and a tileable patch of waves exact in time.

Horizontal coordinates are x and y in metres, angles are counted from +x towards +y, and a wave's or a wind's
direction is the one it travels **towards**. Heights are positive up.

A patch is a sum of plane waves, one for each cell of its wavenumber grid, with the amplitude that the
spectrum gives to the cell and a random phase. Random phases with fixed amplitudes make the patch's variance
the spectrum's own, not one draw from it. Any time is reached directly: only the phases turn.

Sources: pierson1964, hasselmann1973, bouws1985, coxmunk1954, goda2010 (BIBLIOGRAPHY.bib).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64, AnyArray
from halocline.compute.compiled import compiled
from halocline.compute.disk_cache import kept, package_mark
from halocline.compute.on_demand import OnDemand
from halocline.compute.packed_spectrum import field_of
from halocline.compute.random import stream_key, uniforms
from halocline.compute.sources import source_digest
from halocline.errors import PhysicsError
from halocline.late_dataclass import dataclass

special = OnDemand("scipy.special")

GRAVITY = 9.81  # m/s2
SURFACE_TENSION = 0.0742  # N/m, sea water near 15 C
WATER_DENSITY = 1025.0  # kg/m3
WIND_19_PER_10 = 1.026  # wind at 19.5 m over wind at 10 m, neutral air over the sea

_SUB = 5  # sub-samples along each side of a wavenumber cell, where the spectrum is narrower than a cell
_SUB_RADIUS = 12  # ... which is within this many cells of zero wavenumber
_LEAST_SPREAD = 2.0  # see `spread_exponent`


def angular_frequency(k: F64 | float, *, water_depth_m: float = math.inf) -> F64:
    """Return the angular frequency (rad/s) of waves of wavenumber ``k`` (rad/m) in still water.

    w^2 = (g k + sigma k^3 / rho) tanh(k h): gravity and, below some 5 cm of wavelength, surface tension.
    A wave of 8 s in deep water is 99.92 m long.
    """
    k = np.asarray(k, np.float64)
    limit = 1.0 if math.isinf(water_depth_m) else np.tanh(k * water_depth_m)
    return np.sqrt((GRAVITY + SURFACE_TENSION / WATER_DENSITY * k * k) * k * limit)


def wavenumber(omega: F64 | float, *, water_depth_m: float = math.inf) -> F64:
    """Return the wavenumber (rad/m) of waves of angular frequency ``omega`` (rad/s, > 0).

    The inverse of `angular_frequency`, by Newton's method from the longer of the deep and shallow limits.
    """
    omega = np.asarray(omega, np.float64)
    k = omega * omega / GRAVITY
    if not math.isinf(water_depth_m):
        k = np.maximum(k, omega / math.sqrt(GRAVITY * water_depth_m))
    for _ in range(30):
        step = (angular_frequency(k, water_depth_m=water_depth_m) - omega) / group_speed(
            k, water_depth_m=water_depth_m
        )
        k = np.maximum(k - step, 0.2 * k)
    return k


def group_speed(k: F64 | float, *, water_depth_m: float = math.inf) -> F64:
    """Return dw/dk (m/s), the speed at which waves of wavenumber ``k`` (rad/m, > 0) carry energy."""
    k = np.asarray(k, np.float64)
    tension = SURFACE_TENSION / WATER_DENSITY
    omega = angular_frequency(k, water_depth_m=water_depth_m)
    if math.isinf(water_depth_m):
        return (GRAVITY + 3.0 * tension * k * k) / (2.0 * omega)
    kh = np.minimum(k * water_depth_m, 300.0)
    slope = (GRAVITY + 3.0 * tension * k * k) * np.tanh(kh)
    slope += (GRAVITY + tension * k * k) * kh / np.cosh(kh) ** 2
    return slope / (2.0 * omega)


def pierson_moskowitz(omega: F64, *, wind_19_m_s: float) -> F64:
    """Return the variance density (m2 s/rad) of a fully developed sea.

    S = 8.1e-3 g^2 w^-5 exp(-0.74 (g / (U w))^4) with U the wind at 19.5 m. Its integral is
    8.1e-3 U^4 / (4 x 0.74 g^2): a significant height of 2.133 m at 10 m/s.
    """
    omega = np.asarray(omega, np.float64)
    return 8.1e-3 * GRAVITY**2 * omega**-5 * np.exp(-0.74 * (GRAVITY / (wind_19_m_s * omega)) ** 4)


def pierson_moskowitz_peak(*, wind_19_m_s: float) -> float:
    """Return the angular frequency (rad/s) where `pierson_moskowitz` is largest: (0.8 x 0.74)^(1/4) g/U."""
    return float((0.8 * 0.74) ** 0.25 * GRAVITY / wind_19_m_s)


def jonswap_peak(*, wind_m_s: float, fetch_m: float) -> float:
    """Return the peak angular frequency (rad/s) of a sea grown over a fetch: 22 (g^2 / (U F))^(1/3)."""
    return float(22.0 * (GRAVITY**2 / (wind_m_s * fetch_m)) ** (1.0 / 3.0))


def jonswap(omega: F64, *, wind_m_s: float, fetch_m: float, gamma: float = 3.3) -> F64:
    """Return the variance density (m2 s/rad) of a sea that the wind (at 10 m) has grown over a fetch.

    alpha g^2 w^-5 exp(-1.25 (wp/w)^4) gamma^r, alpha = 0.076 (U^2 / (F g))^0.22,
    r = exp(-(w - wp)^2 / (2 s^2 wp^2)), s = 0.07 below the peak and 0.09 above.
    """
    omega = np.asarray(omega, np.float64)
    peak = jonswap_peak(wind_m_s=wind_m_s, fetch_m=fetch_m)
    alpha = 0.076 * (wind_m_s**2 / (fetch_m * GRAVITY)) ** 0.22
    width = np.where(omega <= peak, 0.07, 0.09)
    sharpening = gamma ** np.exp(-((omega - peak) ** 2) / (2.0 * width**2 * peak**2))
    density: F64 = alpha * GRAVITY**2 * omega**-5 * np.exp(-1.25 * (peak / omega) ** 4) * sharpening
    return density


def depth_limit(omega: F64, *, water_depth_m: float) -> F64:
    """Return the factor (0 to 1) by which shallow water limits a deep-water spectrum (TMA).

    Kitaigorodskii's function in the usual approximation: with q = w sqrt(h/g), q^2/2 up to 1,
    1 - (2 - q)^2/2 up to 2, then 1.
    """
    omega = np.asarray(omega, np.float64)
    if math.isinf(water_depth_m):
        return np.ones_like(omega)
    q = omega * math.sqrt(water_depth_m / GRAVITY)
    return np.where(q <= 1.0, 0.5 * q * q, 1.0 - 0.5 * np.clip(2.0 - q, 0.0, None) ** 2)


def spread_exponent(omega: F64, *, peak: float, most: float) -> F64:
    """Return s of the directional spreading cos^2s(angle/2) for wind waves.

    ``most`` at the peak (10 for wind waves), falling as (w/wp)^5 below and (w/wp)^-2.5 above it
    (Mitsuyasu's form, goda2010). Departure from the source: s is kept at 2 or more. Below that the formula
    would give short waves more slope across the wind than along it; s = 2 makes the ratio 1.4, between the
    1.25 and 1.4 that Cox & Munk's two regressions give at 5 and 10 m/s.
    """
    ratio = np.asarray(omega, np.float64) / peak
    s = most * np.where(ratio < 1.0, ratio**5, np.maximum(ratio, 1e-6) ** -2.5)
    return np.maximum(s, _LEAST_SPREAD)


def spreading(angle: F64, s: F64 | float) -> F64:
    """Return the share of variance per radian at ``angle`` (rad) from the mean direction; integral 1."""
    s = np.asarray(s, np.float64)
    gammas = 2.0 * special.gammaln(s + 1.0) - special.gammaln(2.0 * s + 1.0)
    norm = np.exp(gammas + (2.0 * s - 1.0) * math.log(2.0)) / math.pi
    share: F64 = norm * np.maximum(np.cos(0.5 * np.asarray(angle, np.float64)) ** 2, 1e-300) ** s
    return share


def cox_munk_slopes(wind_m_s: float) -> tuple[float, float]:
    """Return the mean square slopes along and across the wind, all wavelengths, clean surface.

    0.00316 U and 0.003 + 0.00192 U with U the wind at 12.5 m. They sum to 0.0284 at 5 m/s; the authors'
    own fit of the total is 0.003 + 0.00512 U = 0.0286.

    Parameters
    ----------
    wind_m_s
        U, metres per second.

    Returns
    -------
    tuple[float, float]
        Along and across, each the mean of a squared slope.
    """
    return 0.00316 * wind_m_s, 0.003 + 0.00192 * wind_m_s


@dataclass(frozen=True)
class Swell:
    """Waves that left their wind behind.

    Attributes
    ----------
    height_m
        Significant height, 4 sqrt(variance).
    period_s
        Period of the peak.
    direction_rad
        Where it travels to.
    spread
        Exponent s of cos^2s(angle/2): 25 for a young swell, 75 for one from far away (goda2010).
    width
        Relative standard deviation of the frequency, a Gaussian about the peak. Common practice, no source.
    """

    height_m: float
    period_s: float
    direction_rad: float = 0.0
    spread: float = 50.0
    width: float = 0.06

    def variance_density(self, omega: F64) -> F64:
        """Return m2 s/rad at angular frequencies ``omega``."""
        peak = 2.0 * math.pi / self.period_s
        deviation = self.width * peak
        shape = np.exp(-0.5 * ((omega - peak) / deviation) ** 2) / (deviation * math.sqrt(2.0 * math.pi))
        return (0.25 * self.height_m) ** 2 * shape


@dataclass(frozen=True)
class SeaState:
    """Wind sea and swells over water of one depth.

    Attributes
    ----------
    wind_m_s
        Wind speed at 10 m, 0 to 40. Zero makes no wind sea.
    wind_direction_rad
        Where the wind blows to.
    fetch_m
        Distance over which the wind has blown. Infinite, or long enough for full growth, gives
        Pierson-Moskowitz; shorter gives JONSWAP.
    water_depth_m
        Depth of the sea; limits long waves (TMA) and slows them.
    spread
        Exponent of the directional spreading at the peak of the wind sea.
    smooth_below_m
        Waves shorter than this are damped out, as under a natural film or in the lee of a reef; 0 for none.
        What is left focuses deeper and more sharply.
    swells
        Any number of swells.
    """

    wind_m_s: float
    wind_direction_rad: float = 0.0
    fetch_m: float = math.inf
    water_depth_m: float = math.inf
    spread: float = 10.0
    smooth_below_m: float = 0.0
    swells: tuple[Swell, ...] = ()

    def __post_init__(self) -> None:
        problems = {
            "wind_m_s": 0.0 <= self.wind_m_s <= 40.0,
            "fetch_m": self.fetch_m > 0.0,
            "water_depth_m": self.water_depth_m > 0.0,
            "spread": self.spread > 0.0,
            "smooth_below_m": self.smooth_below_m >= 0.0,
            "swells": all(s.height_m >= 0.0 and s.period_s > 0.0 and s.spread > 0.0 for s in self.swells),
        }
        for name, fine in problems.items():
            if not fine:
                raise PhysicsError(
                    f"{name} = {getattr(self, name)} makes no sea",
                    code="E-WAVES-SEA",
                    fix="Wind is 0 to 40 m/s; fetch, depth, spread and periods above 0, heights not below.",
                )

    @cached_property
    def is_fully_developed(self) -> bool:
        """Whether the fetch is so long that JONSWAP's peak would lie below Pierson-Moskowitz's."""
        if math.isinf(self.fetch_m):
            return True
        return jonswap_peak(wind_m_s=self.wind_m_s, fetch_m=self.fetch_m) < self._developed_peak

    @cached_property
    def _developed_peak(self) -> float:
        return pierson_moskowitz_peak(wind_19_m_s=WIND_19_PER_10 * self.wind_m_s)

    @cached_property
    def peak(self) -> float:
        """Peak angular frequency of the wind sea, rad/s; infinite without wind."""
        if self.wind_m_s == 0.0:
            return math.inf
        if self.is_fully_developed:
            return self._developed_peak
        return jonswap_peak(wind_m_s=self.wind_m_s, fetch_m=self.fetch_m)

    def wind_sea(self, omega: F64) -> F64:
        """Return the wind sea's variance density (m2 s/rad) at angular frequencies ``omega`` (> 0)."""
        if self.wind_m_s == 0.0:
            return np.zeros_like(omega)
        if self.is_fully_developed:
            deep = pierson_moskowitz(omega, wind_19_m_s=WIND_19_PER_10 * self.wind_m_s)
        else:
            deep = jonswap(omega, wind_m_s=self.wind_m_s, fetch_m=self.fetch_m)
        return deep * depth_limit(omega, water_depth_m=self.water_depth_m)

    def smoothing(self, k: F64 | float) -> F64:
        """Return the share of variance that damping leaves at wavenumber ``k`` (rad/m): 1/e at its limit."""
        return np.exp(-((np.asarray(k, np.float64) * self.smooth_below_m / (2.0 * math.pi)) ** 2))

    def variance(self, kx: F64, ky: F64) -> F64:
        """Return the variance per wavenumber area (m4/rad2) at wavenumbers (rad/m); 0 at zero wavenumber."""
        k = np.hypot(kx, ky)
        safe = np.where(k > 0.0, k, 1.0)
        direction = np.arctan2(ky, kx)
        omega = angular_frequency(safe, water_depth_m=self.water_depth_m)
        density = np.zeros_like(k)
        if self.wind_m_s > 0.0:
            s = spread_exponent(omega, peak=self.peak, most=self.spread)
            density += self.wind_sea(omega) * spreading(_turn(direction - self.wind_direction_rad), s)
        for swell in self.swells:
            share = spreading(_turn(direction - swell.direction_rad), swell.spread)
            density += swell.variance_density(omega) * share
        density *= self.smoothing(k)
        # From per (rad/s, rad) to per wavenumber area: dw = (dw/dk) dk and the area is k dk dangle.
        density *= group_speed(safe, water_depth_m=self.water_depth_m) / safe
        return np.where(k > 0.0, density, 0.0)


def _turn(angle: F64) -> F64:
    """Bring an angle to -pi .. pi."""
    return (angle + math.pi) % (2.0 * math.pi) - math.pi


# Of a patch: see `WavePatch`.
Waves = tuple[NDArray[np.complex64], NDArray[np.complex64], F64]


@dataclass(frozen=True)
class WavePatch:
    """A square of sea that repeats without a seam, ready to be evaluated at any time.

    Attributes
    ----------
    size_m
        Side of the square.
    angle_rad
        Turn of the square's own axes from the world's.
    grid
        Points along a side.
    slope_variance
        ``(2, 2)`` mean of slope times slope, world axes: all the slope this patch holds.
    draw
        Draws its waves, when somebody first looks at them: ``forth``, ``back`` and ``omega``.
    """

    size_m: float
    angle_rad: float
    grid: int
    slope_variance: F64
    draw: Callable[[], Waves]

    @cached_property
    def _waves(self) -> Waves:
        return self.draw()

    @property
    def forth(self) -> NDArray[np.complex64]:
        """Half amplitudes (m) of the wave that travels along each wavenumber, ``(grid, grid/2 + 1)``."""
        return self._waves[0]

    @property
    def back(self) -> NDArray[np.complex64]:
        """The conjugate of those of the wave that travels against it, ``(grid, grid/2 + 1)``."""
        return self._waves[1]

    @property
    def omega(self) -> F64:
        """Angular frequencies, rad/s, ``(grid, grid/2 + 1)``."""
        return self._waves[2]

    @property
    def cell_m(self) -> float:
        """Distance of neighbouring points."""
        return self.size_m / self.grid

    @cached_property
    def _wavenumbers(self) -> tuple[F32, F32]:
        k = 2.0 * math.pi / self.cell_m
        kx = (np.fft.rfftfreq(self.grid) * k).astype(np.float32)
        ky = (np.fft.fftfreq(self.grid) * k).astype(np.float32)
        return kx[np.newaxis, :], ky[:, np.newaxis]

    def coarsened(self, grid: int, *, shortest_m: float) -> WavePatch:
        """Return the same waves on fewer points, without those shorter than ``shortest_m``."""
        half = grid // 2
        rows = np.r_[0:half, self.grid - half : self.grid]
        kx, ky = self._wavenumbers
        kept = np.hypot(kx, ky)[rows, : half + 1] <= 2.0 * math.pi / shortest_m
        kept[half] = kept[:, half] = False
        forth = np.where(kept, self.forth[rows, : half + 1], np.complex64(0.0))
        back = np.where(kept, self.back[rows, : half + 1], np.complex64(0.0))
        # Column 0 holds both a wave and its opposite among its rows.
        variance = 2.0 * np.abs(forth.astype(np.complex128)) ** 2
        variance[:, 1:] += 2.0 * np.abs(back[:, 1:].astype(np.complex128)) ** 2
        slopes = _slope_variance(variance, kx[0, : half + 1], ky[rows, 0], self.angle_rad)
        omega = np.ascontiguousarray(self.omega[rows, : half + 1])
        return WavePatch(self.size_m, self.angle_rad, grid, slopes, lambda: (forth, back, omega))

    def surface(self, time_s: float, *, offset_cells: float = 0.0) -> tuple[F32, F32, F32]:
        """Return heights (m) and slopes along the patch's own x and y axes at a time in seconds.

        Each ``(grid, grid)`` float32; row ``j``, column ``i`` is the point ``(i, j) * cell_m`` of the patch,
        moved on by ``offset_cells`` along both axes.
        """
        # Turns in float64: hours into a shot, float32 would have lost them.
        turns = self.omega * (time_s / (2.0 * math.pi))
        turns -= np.floor(turns)
        phase = turns.astype(np.float32)
        phase *= np.float32(2.0 * math.pi)
        kx, ky = (k.ravel() for k in self._wavenumbers)
        offset = np.complex64(1j * offset_cells * self.cell_m)
        # What the transform back divides by.
        across, down = np.exp(offset * kx) * np.float32(self.grid**2), np.exp(offset * ky)
        spectra = np.empty((3, self.grid, self.grid), np.float32)
        _pack_surface(self.forth, self.back, np.cos(phase), np.sin(phase), (across, down), (kx, ky), spectra)
        height, slope_x, slope_y = (field_of(spectrum) for spectrum in spectra)
        return height, slope_x, slope_y


@compiled
def _pack_surface(
    forth: NDArray[np.complex64],
    back: NDArray[np.complex64],
    cos: F32,
    sin: F32,
    offset: tuple[NDArray[np.complex64], NDArray[np.complex64]],
    wavenumber: tuple[F32, F32],
    out: F32,
) -> None:
    """Write the packed spectra of height and slopes; waves of two points a turn there are none."""
    across, down = offset
    kx, ky = wavenumber
    half = forth.shape[1] - 1
    out[:, :, 0] = 0.0
    out[:, :, -1] = 0.0
    for row in range(2 * half):
        for column in range(1, half):
            wave = back[row, column] * complex(cos[row, column], sin[row, column])
            wave += forth[row, column] * complex(cos[row, column], -sin[row, column])
            wave *= across[column] * down[row]
            at = 2 * column
            out[0, row, at - 1], out[0, row, at] = wave.real, wave.imag
            out[1, row, at - 1], out[1, row, at] = -kx[column] * wave.imag, kx[column] * wave.real
            out[2, row, at - 1], out[2, row, at] = -ky[row] * wave.imag, ky[row] * wave.real
    for row in range(1, half):
        wave = back[row, 0] * complex(cos[row, 0], sin[row, 0])
        wave += forth[row, 0] * complex(cos[row, 0], -sin[row, 0])
        wave *= across[0] * down[row]
        at = 2 * row
        out[0, at - 1, 0], out[0, at, 0] = wave.real, wave.imag
        out[2, at - 1, 0], out[2, at, 0] = -ky[row] * wave.imag, ky[row] * wave.real


def make_patch(
    sea: SeaState,
    *,
    size_m: float,
    grid: int,
    wavelengths_m: tuple[float, float],
    seed: int,
    name: str,
    angle_rad: float = 0.0,
    loop_s: float | None = None,
) -> WavePatch:
    """Draw a patch of a sea that holds only the waves of one range of lengths.

    Patches of one sea whose ranges of wavelengths join up add to the whole spectrum.

    Parameters
    ----------
    sea
        What the patch is a piece of.
    size_m
        Side of the patch.
    grid
        Points along a side: a power of two, 16 or more.
    wavelengths_m
        Shortest (included) and longest (excluded). Nothing shorter than two cells can be held.
    seed, name
        Fix the phases: same seed and name, same patch.
    angle_rad
        Turn of the patch's axes.
    loop_s
        If given, every frequency is moved to the nearest multiple of one turn in this time (at least one),
        so that the surface repeats exactly after it.

    Raises
    ------
    PhysicsError
        ``E-WAVES-PATCH`` where the grid is not a power of two or cannot hold the waves.
    """
    shortest, longest = wavelengths_m
    if grid < 16 or grid & (grid - 1) or not size_m > 0.0 or not 2.0 * size_m / grid <= shortest < longest:
        raise PhysicsError(
            f"a patch of {size_m:g} m and {grid} points cannot hold waves of {shortest:g} to {longest:g} m",
            code="E-WAVES-PATCH",
            fix="The grid is a power of two of at least 16, and the shortest wave spans two cells or more.",
        )
    if loop_s is not None and not loop_s > 0.0:
        raise PhysicsError(
            f"a loop of {loop_s:g} s does not repeat", code="E-WAVES-LOOP", fix="Make it positive."
        )
    dk = 2.0 * math.pi / size_m
    index: F64 = np.fft.fftfreq(grid, 1.0 / grid).astype(np.float64)
    band = 2.0 * math.pi / longest, 2.0 * math.pi / shortest

    def draw() -> Waves:
        variance = _cell_variance(sea, index, dk, angle_rad, band)
        return _drawn(variance, index, dk, stream_key(seed, "waves", name), sea.water_depth_m, loop_s)

    slopes = _cell_slopes(sea, index, dk, angle_rad, band)
    return WavePatch(size_m, angle_rad, grid, slopes, draw)


def _drawn(
    variance: F64, index: F64, dk: float, stream: int, water_depth_m: float, loop_s: float | None
) -> Waves:
    """Return the waves of a variance of cells, with phases from a stream; see `WavePatch`."""
    grid = index.size
    # A wave's phase goes by its wavenumber, not by its place among the points: more points, the same waves.
    rows, at = np.nonzero(variance)
    wave = index[rows].astype(np.int64), index[at].astype(np.int64)
    phase = 2.0 * math.pi * uniforms(stream, *wave)[0]
    half = np.zeros((grid, grid), np.complex64)
    half[rows, at] = np.sqrt(0.5 * variance[rows, at]) * np.exp(1j * phase)
    opposite = np.roll(half[::-1, ::-1], (1, 1), (0, 1))
    columns = slice(0, grid // 2 + 1)

    k = np.hypot(index[:, np.newaxis], index[np.newaxis, columns]) * dk
    omega = angular_frequency(k, water_depth_m=water_depth_m)
    if loop_s is not None:
        turn = 2.0 * math.pi / loop_s
        omega = np.where(k > 0.0, np.maximum(np.round(omega / turn), 1.0) * turn, 0.0)
    return half[:, columns].copy(), np.conj(opposite[:, columns]), omega


def _cell_variance(sea: SeaState, index: F64, dk: float, angle: float, band: tuple[float, float]) -> F64:
    """Return the variance (m2) of each wavenumber cell, ``(grid, grid)``, within a range of wavenumbers.

    Kept on disk: it takes longer than a small frame, and a sea is the same on all frames.
    """
    at = (sea, index, dk, angle, band)
    variance = _kept_table("waves", at, (index.size, index.size), lambda: _made_cell_variance(*at))
    # The Nyquist row and column stand for two opposite waves at once.
    variance[index.size // 2, :] = variance[:, index.size // 2] = 0.0
    return variance


def _cell_slopes(sea: SeaState, index: F64, dk: float, angle: float, band: tuple[float, float]) -> F64:
    """Return the slope covariance of all cells' waves, world axes, ``(2, 2)``; kept as their variance is."""
    at = (sea, index, dk, angle, band)

    def made() -> F64:
        return _slope_variance(_cell_variance(*at), index * dk, index * dk, angle)

    return _kept_table("slopes", at, (2, 2), made)


def _kept_table(
    what: str,
    at: tuple[SeaState, F64, float, float, tuple[float, float]],
    shape: tuple[int, int],
    make: Callable[[], F64],
) -> F64:
    sea, index, dk, angle, band = at
    key = f"{what} {source_digest(__name__) or package_mark()} {sea!r} {index.size} {dk!r} {angle!r} {band!r}"
    found = np.frombuffer(kept("tables", key, lambda: make().tobytes()), np.float64)
    # Whole, and another table: somebody else's doing.
    return found.reshape(shape).copy() if found.size == math.prod(shape) else make()


def _made_cell_variance(sea: SeaState, index: F64, dk: float, angle: float, band: tuple[float, float]) -> F64:
    at = np.arange(index.size)
    variance = _band_variance(sea, index[np.newaxis, :] * dk, index[:, np.newaxis] * dk, angle, band) * dk**2
    # Close to zero the spectrum changes within a cell: integrate there.
    near = at[np.abs(index) <= _SUB_RADIUS]
    offset = (np.arange(_SUB) + 0.5) / _SUB - 0.5
    fine = (index[near][:, np.newaxis] + offset).ravel() * dk
    values = _band_variance(sea, fine[np.newaxis, :], fine[:, np.newaxis], angle, band)
    means = values.reshape(near.size, _SUB, near.size, _SUB).mean(axis=(1, 3))
    variance[np.ix_(near, near)] = means * dk**2
    # A patch has no waves longer than itself.
    variance[0, 0] = 0.0
    return variance


def _band_variance(sea: SeaState, kx: F64, ky: F64, angle: float, band: tuple[float, float]) -> F64:
    """Return the spectrum at patch wavenumbers, zero outside a range of wavenumbers (lowest excluded)."""
    kx, ky = np.broadcast_arrays(kx, ky)
    k = np.hypot(kx, ky)
    inside = (k > band[0]) & (k <= band[1])
    values = np.zeros(k.shape)
    cos, sin = math.cos(angle), math.sin(angle)
    x, y = kx[inside], ky[inside]
    values[inside] = sea.variance(cos * x - sin * y, sin * x + cos * y)
    return values


def _slope_variance(variance: F64, kx: AnyArray, ky: AnyArray, angle: float) -> F64:
    """Return the slope covariance, world axes, ``(2, 2)``, of waves at ``kx`` (columns), ``ky`` (rows)."""
    kx, ky = kx.astype(np.float64)[np.newaxis, :], ky.astype(np.float64)[:, np.newaxis]
    xx, xy, yy = (float((variance * term).sum()) for term in (kx * kx, kx * ky, ky * ky))
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    covariance: F64 = turn @ np.array([[xx, xy], [xy, yy]]) @ turn.T
    return covariance


def unresolved_slopes(sea: SeaState, patches: tuple[WavePatch, ...], *, shorter_than_m: float) -> F64:
    """Return the slope covariance ``(2, 2)``, world axes, of the waves too short for the patches.

    What Cox & Munk measured for the wind, minus what the patches hold along and across the wind; never
    negative. Their wind at 12.5 m is taken as the wind at 10 m (2 % apart). A smoothed sea has less of it, by
    its damping at ``shorter_than_m``, the shortest wave in the patches.
    """
    if sea.wind_m_s == 0.0:
        return np.zeros((2, 2))
    along = np.array([math.cos(sea.wind_direction_rad), math.sin(sea.wind_direction_rad)])
    across = np.array([-along[1], along[0]])
    held = sum((patch.slope_variance for patch in patches), np.zeros((2, 2)))
    left = float(sea.smoothing(2.0 * math.pi / shorter_than_m))
    rest = np.zeros((2, 2))
    for axis, measured in zip((along, across), cox_munk_slopes(sea.wind_m_s), strict=True):
        rest += left * max(measured - float(axis @ held @ axis), 0.0) * np.outer(axis, axis)
    return rest
