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

`halocline.physics.sea.light_field` joins slices to a field that can be looked up anywhere under water.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled
from halocline.compute.packed_spectrum import field_of, move, packed, spectrum_of
from halocline.errors import PhysicsError
from halocline.late_dataclass import dataclass
from halocline.physics.sea.surface import SunBeam, enter_water
from halocline.physics.sea.waves import WavePatch

# Standard deviation, in cells, of the least blur: without it the rays' own grid would show where they part.
LEAST_BLUR_CELLS = 0.9
# Of detail that scattering has taken down to this share, nothing is seen.
_TOO_FAINT = 0.02
# Standard deviation, in cells, of the blur on what tells the channels apart.
_FRINGE_BLUR_CELLS = 1.6
# The narrow forward peak of natural water: share of all scattering, and angle; see `scattering_transfer`.
_PEAK_SHARE = 0.35
_PEAK_ANGLE_RAD = 0.006


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
                    fix="Ratios and coefficients are 0 or more, the scale is positive, g is from 0 to 1.",
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

        Factors across and down the Fourier domain, see `halocline.compute.packed_spectrum.move`; `None` for
        the leading channel.
        """
        kx, ky = self._wavenumbers
        for beam in self.turned_beams:
            x, y = ((beam.drift - self.reference_drift) * -depth_m).astype(np.float32)
            turn = np.complex64(1j)
            yield (np.exp(turn * (kx[0] * x)), np.exp(turn * (ky[:, 0] * y))) if x or y else None

    @property
    def traced_count(self) -> int:
        """How many channels are traced: the outer ones; see `PatchRays.slices`."""
        return min(2, len(self.beams))

    def traced(self, time_s: float, number: int) -> TracedRays:
        """Refract one of the traced channels through the patch at a time."""
        beam = self.turned_beams[-number]
        offset = 0.5 * number
        height, slope_x, slope_y = self.patch.surface(time_s, offset_cells=offset)
        drift, power = enter_water(slope_x, slope_y, beam)
        drift -= beam.drift.astype(np.float32)[:, np.newaxis, np.newaxis]
        return TracedRays(drift, power, height, offset)

    def rays(self, *times_s: float) -> PatchRays:
        """Refract the sun through the patch at moments of an exposure."""
        channels = range(self.traced_count)
        return PatchRays(self, tuple(tuple(self.traced(at, n) for at in times_s) for n in channels))

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

    def gathered(self, depth_m: float, cell_m: float, beam_drift: F64, onto: F32 | None = None) -> F32:
        """Return the light at a depth before softening, ``(grid, grid)``, patch axes, by place of arrival.

        Added to that of other rays, in place, where that is given.
        """
        out = np.zeros_like(self.energy) if onto is None else onto
        in_cells = (1.0 / cell_m, depth_m / cell_m, *beam_drift, self.offset_cells)
        _gather(self.drift, self.height, self.energy, tuple(np.float32(value) for value in in_cells), out)
        return out


@compiled
def _gather(drift: F32, height: F32, energy: F32, in_cells: tuple[np.float32, ...], out: F32) -> None:
    """Give each ray's energy to the four points around the place it has reached, in proportion."""
    per_cell, depth, lean_x, lean_y, offset = in_cells
    last = out.shape[0] - 1
    for row in range(out.shape[0]):
        start_y = np.float32(row) + offset
        for column in range(out.shape[0]):
            lift = height[row, column] * per_cell
            fall = lift + depth
            # A ray that starts on a crest meets the beam earlier: it arrives further along.
            x = drift[0, row, column] * fall + lift * lean_x + (np.float32(column) + offset)
            y = drift[1, row, column] * fall + lift * lean_y + start_y
            left, upper = np.floor(x), np.floor(y)
            right_share, lower_share = x - left, y - upper
            # What goes down, what goes right, and the rest: the four shares sum to the ray's energy.
            below = energy[row, column] * lower_share
            above = energy[row, column] - below
            above_right, below_right = above * right_share, below * right_share
            # The grid is cyclic, and a power of two.
            i, j = int(left) & last, int(upper) & last
            next_i, next_j = (i + 1) & last, (j + 1) & last
            out[j, i] += above - above_right
            out[j, next_i] += above_right
            out[next_j, i] += below - below_right
            out[next_j, next_i] += below_right


@dataclass(frozen=True)
class PatchRays:
    """Rays of one patch at moments of an exposure: of one channel, or of the outer two of three."""

    source: PatchOptics
    traced: tuple[tuple[TracedRays, ...], ...]

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
        source = self.source
        first, *others = (self._spectrum(moments, depth_m) for moments in self.traced)
        spectra = np.empty((len(source.beams), *first.shape), np.float32)
        shares = np.array(source.last_shares, np.float32)
        _mix(first, others[0] if others else first, transfer, source.fringe_filter, shares, spectra)
        lights = []
        for spectrum, apart in zip(spectra, source.apart(depth_m), strict=True):
            if apart is not None:
                move(spectrum, *apart)
            light = field_of(spectrum)
            np.maximum(light, np.float32(0.0), out=light)
            lights.append(with_contrast(light, source.contrast))
        return lights

    def _spectrum(self, moments: tuple[TracedRays, ...], depth_m: float) -> F32:
        """Return the packed spectrum of the light of one channel's rays, of all moments together."""
        light = None
        for rays in moments:
            light = rays.gathered(depth_m, self.source.patch.cell_m, self.source.reference_drift, light)
        assert light is not None, "an exposure has a moment"
        return spectrum_of(light)

    def led_aside(self, depth_m: float) -> F32:
        """Return how far rays have been led from the leading beam, ``(2, grid, grid)`` metres, by arrival."""
        cell = self.source.patch.cell_m
        return _led_by(self.traced[0][0].drift, depth_m / cell) * np.float32(cell)


@compiled
def _mix(first: F32, last: F32, transfer: F32, fringe: F32, shares: F32, out: F32) -> None:
    """Write each channel's packed spectrum from those of the traced ones, softened."""
    # The mean of a slice is 1 by definition of the pattern.
    rays = np.float32(first.size)
    first_scale, last_scale = rays / first[0, 0], rays / last[0, 0]
    half = np.float32(0.5)
    for channel in range(shares.size):
        share = shares[channel] - half
        for row in range(first.shape[0]):
            for column in range(first.shape[1]):
                a, b = first[row, column] * first_scale, last[row, column] * last_scale
                mixed = (a + b) * half + (b - a) * fringe[row, column] * share
                out[channel, row, column] = mixed * transfer[row, column]


def _led_by(drift: F32, depth_cells: float) -> F32:
    """Return how far rays of a smooth patch have moved by where they arrive, ``(2, grid, grid)`` cells.

    A ray that arrives at x' started at x' - m, so m(x') = depth drift(x' - m). Two rounds settle it to well
    below a cell of the fine patch, since long waves change little over the distance that they lead a ray.
    """
    moved = drift * np.float32(depth_cells)
    image = np.ascontiguousarray(moved.transpose(1, 2, 0))
    row, column = (at.astype(np.float32) for at in np.indices(drift.shape[1:]))
    for _ in range(2):
        found = cv2.remap(
            image, column - moved[0], row - moved[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP
        )
        moved = np.ascontiguousarray(found.transpose(2, 0, 1), np.float32)
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
