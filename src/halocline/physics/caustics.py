"""Caustics: how the moving surface gathers and spreads the sun's light below it.

One ray starts at each point of a wave patch and carries the power that enters there. At a chosen depth every
ray gives its power to the four cells around the place it has reached, in proportion: what is bright is where
rays crowd. Since the patch is cyclic no power leaves it, so the mean over a slice is exactly 1. The slice is
then softened, by one product in the Fourier domain, by everything that spreads the light and is not in the
rays: the width of the sun's disc, waves too short for the grid, the range of colours in a channel, and
scattering by the water.

Slices are kept in *surface coordinates*: each ray is drawn from where the beam would have entered a flat
surface, ``x - depth * drift``. What is left, the focusing, is the same for a high and a low sun, and a point
under water is looked up by tracing back along the beam.

`halocline.physics.light_field` joins slices to a field that can be looked up anywhere under water.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from halocline._typing import F32, F64
from halocline.errors import PhysicsError
from halocline.physics.packed_spectrum import field_of, move, packed, spectrum_of
from halocline.physics.surface import SunBeam, entering_power, refracted_drift
from halocline.physics.waves import WavePatch

# Standard deviation, in cells, of the least blur: without it the rays' own grid would show where they part.
LEAST_BLUR_CELLS = 0.9
# Of detail that scattering has taken down to this share, nothing is seen.
_TOO_FAINT = 0.02
# Rows of rays handled at once: their planes fit a processor's second-level cache.
_STRIP_ROWS = 32
# Standard deviation, in cells, of the blur on what tells the channels apart.
_FRINGE_BLUR_CELLS = 1.6
# The narrow forward peak of natural water: share of all scattering, and angle; see `scattering_transfer`.
_PEAK_SHARE = 0.35
_PEAK_ANGLE_RAD = 0.006


def deposit(x: F32, y: F32, energy: F32) -> F32:
    """Give each ray's energy to the four nearest points of a cyclic grid, in proportion.

    Parameters
    ----------
    x, y
        ``(grid, grid)`` places in cells, any number (the grid repeats); ``grid`` is a power of two.
    energy
        ``(grid, grid)`` energies.

    Returns
    -------
    ``(grid, grid)`` float32 whose sum is that of ``energy``. Rays are added in a fixed order.
    """
    x, y, energy = (np.asarray(plane, np.float32) for plane in (x, y, energy))
    scatter = _Scatter(len(x))
    for rows in _strips(len(x)):
        scatter.add(rows, x[rows], y[rows], energy[rows])
    return scatter.gathered()


def _strips(grid: int) -> Iterator[slice]:
    """Yield strips of rows in order."""
    for start in range(0, grid, _STRIP_ROWS):
        yield slice(start, min(start + _STRIP_ROWS, grid))


class _Scatter:
    """Rays on their way to a cyclic grid, taken in strips of rows so that the work stays in cache."""

    def __init__(self, grid: int) -> None:
        self.grid = grid
        self.places = np.empty((grid, grid), np.int32)
        # What goes to the point above left of a ray and to its three neighbours, side by side: one walk over
        # the rays then serves all four.
        self.shares = np.empty((grid, grid, 4), np.float32)

    def add(self, rows: slice, x: F32, y: F32, energy: F32) -> None:
        """Take a strip of rays: their places in cells and their energy."""
        last = np.int32(self.grid - 1)
        column, right_share = _cell_and_share(x)
        row, lower_share = _cell_and_share(y)
        lower_share *= energy
        upper_share = energy - lower_share
        # What goes right, and the rest: the four shares sum to the ray's energy.
        upper_right, lower_right = upper_share * right_share, lower_share * right_share
        upper_share -= upper_right
        lower_share -= lower_right
        cv2.merge([upper_share, upper_right, lower_share, lower_right], dst=self.shares[rows])
        column &= last
        row &= last
        row *= np.int32(self.grid)
        np.add(row, column, out=self.places[rows])

    def gathered(self) -> F32:
        """Return the energy that has arrived at each point, ``(grid, grid)``."""
        rays = self.grid * self.grid
        # A sparse matrix with one column for each ray: a scatter in compiled code.
        starts, ones = _column_starts(rays)
        matrix = sparse.csc_array((ones, self.places.ravel(), starts), shape=(rays, rays))
        arrived = (matrix @ self.shares.reshape(rays, 4)).reshape(self.shares.shape)
        upper, lower = (_with_right(arrived[..., left], arrived[..., left + 1]) for left in (0, 2))
        upper[1:] += lower[:-1]
        upper[0] += lower[-1]
        return upper


def _with_right(left: F32, right: F32) -> F32:
    """Return what each point was given, and what the one left of it was given for its right neighbour."""
    out = np.empty(left.shape, np.float32)
    np.add(left[:, 1:], right[:, :-1], out=out[:, 1:])
    np.add(left[:, 0], right[:, -1], out=out[:, 0])
    return out


@lru_cache(maxsize=4)
def _column_starts(rays: int) -> tuple[NDArray[np.int32], F32]:
    """Return where each ray's column starts in a matrix of one entry a column, and a one for each."""
    starts, ones = np.arange(rays + 1, dtype=np.int32), np.ones(rays, np.float32)
    starts.setflags(write=False)
    ones.setflags(write=False)
    return starts, ones


def _cell_and_share(position: F32) -> tuple[NDArray[np.int32], F32]:
    """Split positions into the whole cell below and the fraction beyond it."""
    whole = np.floor(position)
    return whole.astype(np.int32), position - whole


@dataclass(frozen=True)
class CausticOptics:
    """Everything about caustics that does not change from frame to frame.

    Attributes
    ----------
    zenith_rad, azimuth_rad
        Where the sun stands in air; azimuth from +x towards +y.
    index
        Refractive indices of the water, one for each colour channel (longest wavelength first); the middle
        one leads the beam.
    scattering_per_m, asymmetry
        Scattering coefficient b and mean cosine g of the water's phase function.
    scale
        Art: size of the pattern, a ratio.
    contrast
        Art: departure from the mean, a ratio; 0 is even light, 1 physical. The mean stays 1.
    softness
        Art: width of everything that softens, a ratio; 1 physical, 0 as sharp as the grid.
    colour
        Art: strength of the colour fringes, a ratio; 1 physical.
    """

    zenith_rad: float
    azimuth_rad: float
    index: tuple[float, float, float]
    scattering_per_m: float = 0.0
    asymmetry: float = 0.924
    scale: float = 1.0
    contrast: float = 1.0
    softness: float = 1.0
    colour: float = 1.0

    def __post_init__(self) -> None:
        problems = {
            "scattering_per_m": self.scattering_per_m >= 0.0,
            "asymmetry": 0.0 < self.asymmetry < 1.0,
            "scale": self.scale > 0.0,
            "contrast": self.contrast >= 0.0,
            "softness": self.softness >= 0.0,
            "colour": self.colour >= 0.0,
        }
        for name, fine in problems.items():
            if not fine:
                raise PhysicsError(
                    f"{name} = {getattr(self, name)} makes no caustics",
                    code="E-CAUSTICS-OPTICS",
                    mend="Ratios and coefficients are 0 or more, the scale is positive, g is from 0 to 1.",
                )

    @cached_property
    def beams(self) -> tuple[SunBeam, ...]:
        """The beam of each channel, the middle one unchanged by ``colour``."""
        middle = self.index[1]
        indices = (middle + self.colour * (n - middle) for n in self.index)
        return tuple(SunBeam(self.zenith_rad, self.azimuth_rad, n) for n in indices)

    @property
    def beam(self) -> SunBeam:
        """The beam of the middle channel."""
        return self.beams[1]


def scattering_transfer(
    k: F32, *, path_m: float, slant: float, scattering_per_m: float, asymmetry: float
) -> F32:
    """Return what scattering leaves of the pattern's contrast at wavenumber ``k`` (rad/m), 0 to 1.

    A beam that crosses ``path_m`` of water is blurred by each metre in proportion to what is still to come:

        exp(-b int_0^s (1 - P(k u)) du),   P(q) = 0.35 exp(-0.006 slant q) + 0.65 exp(-theta slant q)

    which is Wells' form (wells1973). P is the small-angle Hankel transform of two Henyey-Greenstein lobes: a
    broad one, theta = (1 - g) / sqrt(g), and the narrow peak of natural water, whose share and width follow
    petzold1972 (NUC 2200, share of scattering within 0.2 to 40 degrees, to 0.05). An even field passes whole
    (1 at k = 0); the finest detail keeps only what was never scattered, exp(-b s).
    """
    kept = np.zeros_like(k)
    broad = (1.0 - asymmetry) / math.sqrt(asymmetry)
    for share, angle in ((_PEAK_SHARE, _PEAK_ANGLE_RAD), (1.0 - _PEAK_SHARE, broad)):
        # The integral of exp(-k angle u): (1 - exp(-q)) / (k angle) with q = k angle s.
        q = np.maximum(k * np.float32(slant * angle * path_m), np.float32(1e-4))
        kept += np.float32(share) * (np.float32(1.0) + np.expm1(-q) / q)
    kept *= np.float32(-scattering_per_m * path_m)
    return np.exp(kept, out=kept)


@dataclass(frozen=True)
class PatchOptics:
    """How one patch turns into slices: its rays' optics and its softening, in the patch's own axes.

    Attributes
    ----------
    patch
        The waves.
    optics
        Sun, water and art controls, world axes.
    beams
        Channels to trace, world axes.
    unresolved
        Slope covariance of the waves that no patch holds, ``(2, 2)``, world axes.
    contrast
        See `CausticOptics`.
    least_blur_m
        Blur, a standard deviation, that is always added; a cell's own where not given. More is added where
        that and the optics leave less than what hides the rays' own grid.
    """

    patch: WavePatch
    optics: CausticOptics
    beams: tuple[SunBeam, ...]
    unresolved: F64
    contrast: float
    least_blur_m: float | None = None

    @cached_property
    def turned_beams(self) -> tuple[SunBeam, ...]:
        """The channels' beams in the patch's axes."""
        return tuple(beam.turned(self.patch.angle_rad) for beam in self.beams)

    @property
    def reference_drift(self) -> F64:
        """Drift of the leading beam in the patch's axes, ``(2,)``."""
        return self.optics.beam.turned(self.patch.angle_rad).drift

    @cached_property
    def _spread_per_m(self) -> F64:
        """Covariance (m2) per square metre of depth of all that widens a ray in proportion to depth."""
        beam = self.optics.beam
        response = beam.drift_per_slope()
        spread = beam.disc_covariance() + response @ self.unresolved @ response.T
        angle = self.patch.angle_rad
        turn = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
        turned: F64 = turn @ spread @ turn.T * self.optics.softness**2
        return turned

    @cached_property
    def _channel_width(self) -> F64:
        """Drift between neighbouring channels, ``(2,)``, patch axes: how wide a range of colours each is."""
        if len(self.turned_beams) == 1:
            return np.zeros(2)
        first, *_, last = (beam.drift for beam in self.turned_beams)
        return (last - first) / (len(self.turned_beams) - 1)

    @cached_property
    def _wavenumbers(self) -> tuple[F32, F32]:
        k = 2.0 * math.pi / self.patch.cell_m
        kx = (np.fft.rfftfreq(self.patch.grid) * k).astype(np.float32)
        ky = (np.fft.fftfreq(self.patch.grid) * k).astype(np.float32)
        return kx[np.newaxis, :], ky[:, np.newaxis]

    @cached_property
    def narrowest_per_m(self) -> float:
        """Standard deviation (m) per metre of depth of what widens a ray, in the direction of the least."""
        return math.sqrt(max(0.0, float(np.linalg.eigvalsh(self._spread_per_m)[0])))

    def _added_blur(self, depth_m: float) -> float:
        """Return the variance (m2) to be added at a depth, so that the rays' grid does not show."""
        hides = (LEAST_BLUR_CELLS * self.patch.cell_m) ** 2
        if self.least_blur_m is None:
            return hides
        return max(self.least_blur_m**2, hides - (self.narrowest_per_m * depth_m) ** 2)

    def shows_at(self, depth_m: float, cell_m: float) -> bool:
        """Tell whether light at a depth holds anything too fine for cells of a size."""
        own = LEAST_BLUR_CELLS * self.patch.cell_m
        if (self.narrowest_per_m * depth_m) ** 2 + own**2 >= (LEAST_BLUR_CELLS * cell_m) ** 2:
            return False
        slant = self.optics.beam.slant
        left = scattering_transfer(
            np.array([0.5 * math.pi / cell_m], np.float32),
            path_m=depth_m * slant,
            slant=slant,
            scattering_per_m=self.optics.scattering_per_m * self.optics.softness,
            asymmetry=self.optics.asymmetry,
        )
        return float(left[0]) > _TOO_FAINT

    def transfer(self, depth_m: float) -> F32:
        """Return the softening at a depth as a factor for a packed spectrum, ``(grid, grid)``, 1 at 0."""
        kx, ky = self._wavenumbers
        spread = self._spread_per_m * depth_m**2 + np.eye(2) * self._added_blur(depth_m)
        xx, xy, yy = (np.float32(value) for value in (spread[0, 0], spread[0, 1], spread[1, 1]))
        factor = np.exp(np.float32(-0.5) * (xx * kx * kx + np.float32(2.0) * xy * kx * ky + yy * ky * ky))
        width = self._channel_width * depth_m / (2.0 * math.pi)
        factor *= np.sinc(kx * np.float32(width[0]) + ky * np.float32(width[1]))
        slant = self.optics.beam.slant
        factor *= scattering_transfer(
            np.sqrt(kx * kx + ky * ky),
            path_m=depth_m * slant,
            slant=slant,
            scattering_per_m=self.optics.scattering_per_m * self.optics.softness,
            asymmetry=self.optics.asymmetry,
        )
        # Even light passes whole; the small-angle integral above is only nearly 1 there.
        factor[0, 0] = 1.0
        return packed(factor)

    def apart(self, depth_m: float) -> Iterator[tuple[NDArray[np.complex64], NDArray[np.complex64]] | None]:
        """Yield how far each channel's own beam has parted from the leading one at a depth, as phases.

        Factors across and down the Fourier domain, see `halocline.physics.packed_spectrum.move`; `None` for
        the leading channel.
        """
        kx, ky = self._wavenumbers
        for beam in self.turned_beams:
            x, y = ((beam.drift - self.reference_drift) * -depth_m).astype(np.float32)
            turn = np.complex64(1j)
            yield (np.exp(turn * (kx[0] * x)), np.exp(turn * (ky[:, 0] * y))) if x or y else None

    def rays(self, time_s: float) -> PatchRays:
        """Refract the sun through the patch at a time."""
        # Only the outer channels are traced; see `PatchRays.slices`.
        traced = self.turned_beams[:: max(1, len(self.turned_beams) - 1)]
        if len(traced) == 1:
            return PatchRays(self, (self._traced(traced[0], self.patch.surface(time_s), 0.0),))
        here, between = self.patch.surfaces(time_s)
        return PatchRays(self, (self._traced(traced[0], here, 0.0), self._traced(traced[1], between, 0.5)))

    def _traced(self, beam: SunBeam, surface: tuple[F32, F32, F32], offset_cells: float) -> TracedRays:
        height, slope_x, slope_y = surface
        drift = np.empty((2, *height.shape), np.float32)
        energy = np.empty_like(height)
        straight = beam.drift.astype(np.float32)[:, np.newaxis, np.newaxis]
        for rows in _strips(len(height)):
            slopes = slope_x[rows], slope_y[rows]
            np.subtract(refracted_drift(*slopes, beam), straight, out=drift[:, rows])
            energy[rows] = entering_power(*slopes, beam)
        return TracedRays(drift, energy, height, offset_cells)

    @cached_property
    def fringe_filter(self) -> F32:
        """Return what is left of the difference between the traced channels, for a packed spectrum."""
        k = 2.0 * math.pi * _FRINGE_BLUR_CELLS
        kx, ky = np.fft.rfftfreq(self.patch.grid) * k, np.fft.fftfreq(self.patch.grid) * k
        return packed(np.exp(-0.5 * np.add.outer(ky * ky, kx * kx)).astype(np.float32))

    @cached_property
    def last_shares(self) -> tuple[float, ...]:
        """Share of the last traced channel in each; drift is linear in so small a range of the index."""
        first, last = self.beams[0].index, self.beams[-1].index
        if first == last:
            return (0.5,) * len(self.beams)
        return tuple((beam.index - first) / (last - first) for beam in self.beams)


@dataclass(frozen=True)
class TracedRays:
    """Rays of one channel through one patch at one time.

    Attributes
    ----------
    drift
        ``(2, grid, grid)``: drift beyond that of the channel's own beam under a flat surface.
    energy
        ``(grid, grid)``: power per ray.
    height
        ``(grid, grid)``: where each ray starts, metres above the mean surface.
    offset_cells
        Where the rays start, along both axes, from the grid's points.
    """

    drift: F32
    energy: F32
    height: F32
    offset_cells: float

    def gathered(
        self, depth_m: float, cell_m: float, beam_drift: F64, *, scatter: _Scatter | None = None
    ) -> F32:
        """Return the light at a depth before softening, ``(grid, grid)``, patch axes, by place of arrival.

        ``scatter`` lends its memory, which takes as long to get as some of the work.
        """
        grid = self.energy.shape[0]
        per_cell = np.float32(1.0 / cell_m)
        start = np.arange(grid, dtype=np.float32) + np.float32(self.offset_cells)
        lean_x, lean_y = (np.float32(value) for value in beam_drift)
        scatter = scatter or _Scatter(grid)
        for rows in _strips(grid):
            lift = self.height[rows] * per_cell
            fall = lift + np.float32(depth_m * per_cell)
            x = self.drift[0, rows] * fall
            y = self.drift[1, rows] * fall
            # A ray that starts on a crest meets the beam earlier: it arrives further along.
            x += lift * lean_x
            y += lift * lean_y
            x += start
            y += start[rows, np.newaxis]
            scatter.add(rows, x, y, self.energy[rows])
        return scatter.gathered()


@dataclass(frozen=True)
class PatchRays:
    """Rays of one patch at one time: of one channel, or of the outer two of three."""

    source: PatchOptics
    traced: tuple[TracedRays, ...]

    def slices(self, depth_m: float, transfer: F32) -> list[F32]:
        """Return the irradiance of each channel at a depth relative to its mean, ``(grid, grid)`` each.

        The outer two of three channels are traced, from points half a cell apart. Once the difference between
        their beams under a flat surface is taken out they differ by a fiftieth of the focusing, less than the
        sun's width. So their mean serves all, and the rays of the one fill the gaps between those of the
        other; of their difference, which makes the fringes, only what is wider than a cell is kept.

        Parameters
        ----------
        depth_m
            Below the mean surface, positive.
        transfer
            `PatchOptics.transfer` of that depth.
        """
        scatter = _Scatter(self.source.patch.grid)
        spectra = [self._spectrum(rays, depth_m, scatter) for rays in self.traced]
        if len(spectra) == 1:
            spectra[0] *= transfer
            return [self._light(spectra[0], None)]
        first, last = spectra
        difference = np.subtract(last, first)
        difference *= self.source.fringe_filter
        difference *= transfer
        middle = np.add(first, last, out=first)
        middle *= np.float32(0.5)
        middle *= transfer
        lights = []
        for share, apart in zip(self.source.last_shares, self.source.apart(depth_m), strict=True):
            channel = np.multiply(difference, np.float32(share - 0.5))
            channel += middle
            lights.append(self._light(channel, apart))
        return lights

    def _spectrum(self, rays: TracedRays, depth_m: float, scatter: _Scatter) -> F32:
        """Return the packed spectrum of the light of one channel's rays, its mean 1."""
        cell = self.source.patch.cell_m
        light = rays.gathered(depth_m, cell, self.source.reference_drift, scatter=scatter)
        spectrum = spectrum_of(light)
        # The mean of a slice is 1 by definition of the pattern.
        spectrum *= np.float32(spectrum.size / float(spectrum[0, 0]))
        return spectrum

    def _light(self, spectrum: F32, apart: tuple[NDArray[np.complex64], NDArray[np.complex64]] | None) -> F32:
        if apart is not None:
            move(spectrum, *apart)
        light = field_of(spectrum)
        np.maximum(light, np.float32(0.0), out=light)
        return with_contrast(light, self.source.contrast)

    def led_aside(self, depth_m: float) -> F32:
        """Return how far rays have been led from the leading beam, ``(2, grid, grid)`` metres, by arrival."""
        cell = self.source.patch.cell_m
        return _led_by(self.traced[0].drift, depth_m / cell) * np.float32(cell)


def _led_by(drift: F32, depth_cells: float) -> F32:
    """Return how far rays of a smooth patch have moved by where they arrive, ``(2, grid, grid)`` cells.

    A ray that arrives at x' started at x' - m, so m(x') = depth drift(x' - m). Two rounds settle it to well
    below a cell of the fine patch, since long waves change little over the distance that they lead a ray.
    """
    grid = drift.shape[1]
    moved = drift * np.float32(depth_cells)
    image = wrapped(moved.transpose(1, 2, 0))
    at = np.arange(grid, dtype=np.float32)
    for _ in range(2):
        column = np.mod(at[np.newaxis, :] - moved[0], np.float32(grid))
        row = np.mod(at[:, np.newaxis] - moved[1], np.float32(grid))
        moved = bilinear(image, column, row).transpose(2, 0, 1)
    return moved


def with_contrast(light: F32, contrast: float) -> F32:
    """Return a field of mean 1 with its departures from the mean scaled, never negative, mean still 1."""
    if contrast == 1.0:
        return light
    bent = light - np.float32(1.0)
    bent *= np.float32(contrast)
    bent += np.float32(1.0)
    np.maximum(bent, np.float32(0.0), out=bent)
    bent /= np.float32(bent.mean(dtype=np.float64))
    return bent


def bilinear(image: F32, column: F32, row: F32) -> F32:
    """Look up an image at places in cells, ``(rows, columns)`` each; the image's channels come last."""
    found = cv2.remap(image, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(found, np.float32)


def channels_of(image: F32) -> list[F32]:
    """Return an image's channels as images."""
    return [image] if image.ndim == 2 else [np.asarray(plane, np.float32) for plane in cv2.split(image)]


def interleaved(planes: list[F32]) -> F32:
    """Return images as the channels of one; a single one stays as it is."""
    if len(planes) == 1:
        return planes[0]
    return np.asarray(cv2.merge(planes), np.float32)


def wrapped(image: F32) -> F32:
    """Return a cyclic image with its first row and column repeated at the end, so lookups meet no edge."""
    out = np.empty((image.shape[0] + 1, image.shape[1] + 1, *image.shape[2:]), image.dtype)
    out[:-1, :-1] = image
    out[-1, :-1] = image[0]
    out[:, -1] = out[:, 0]
    return out
