"""Two waters one behind the other, on the two sides of a layer: each takes and adds light in its own way.

The picture has been made as if the first water were everywhere. With t metres of path in the first water and
p in the second, out of s = t + p,

    direct   D exp(-(c2 - c1) p)
    veil     j1 (1 - exp(-k1 t))/k1 + exp(-k1 t) j2 (1 - exp(-k2 p))/k2,     k = c + Kd mu

which is the veil of `halocline.physics.path.transport` composed over two stretches: what the second water
adds is taken by the first, and lit by the daylight that reaches it through the first.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled
from halocline.compute.series import exponential
from halocline.physics.path.transport import LightPath
from halocline.physics.water.bands import Bands, band_value
from halocline.physics.water.path_integral import LARGEST_EXPONENT

# Absorption by dissolved organic matter falls off as exp(-slope (nm - 440)); 0.014 to 0.018 per nm
# (bricaud1981; from memory).
STAIN_SLOPE = 0.015
STAIN_NM = 440.0
# Backscattered share of scattering, petzold1972's mean; it and absorption make Kd (gordon1989).
BACKSCATTERED = 0.0183


def other_bands(bands: Bands, *, absorption: float, scattering: float, stain_per_m: float) -> Bands:
    """Return the bands of another water than that for which they were fitted.

    Parameters
    ----------
    bands
        Of the water that the picture was made in.
    absorption, scattering
        Factors on its a and b.
    stain_per_m
        Absorption by dissolved organic matter at 440 nm to be added, 1/m.

    Notes
    -----
    The bands stay where they are in the spectrum, so that both waters act on the same light. Kd changes as
    a + bb does (gordon1989).
    """
    nm = np.arange(400.0, 701.0, 10.0)
    stain = stain_per_m * band_value(bands, nm, np.exp(-STAIN_SLOPE * (nm - STAIN_NM)))
    a = absorption * bands.absorption + stain
    b = scattering * bands.scattering
    diffuse = (a + BACKSCATTERED * b) / (bands.absorption + BACKSCATTERED * bands.scattering)
    return replace(
        bands,
        absorption=a,
        scattering=b,
        attenuation=a + b,
        diffuse_attenuation=bands.diffuse_attenuation * diffuse,
    )


@dataclass(frozen=True)
class Lengths:
    """Metres of both waters on each ray, and the rays' downward component, of one shape, C-contiguous."""

    first: F32
    second: F32
    mu: F32


@dataclass(frozen=True)
class Stretch:
    """One of the waters, ready for any region.

    Attributes
    ----------
    path
        Its rates.
    sun, diffuse, even
        Its sources by band, radiance per metre, ``(K,)``: see `LightPath.source_strengths`.
    """

    path: LightPath
    sun: F64
    diffuse: F64
    even: F64

    @classmethod
    def of(cls, made: LightPath, bands: Bands) -> Stretch:
        """Return a water of given bands in the light of the picture as it was made.

        The daylight at the lens is that of the picture; only further along the ray does the water's own Kd
        count.
        """
        lit = replace(made, bands=replace(bands, diffuse_attenuation=made.bands.diffuse_attenuation))
        sun, diffuse = lit.source_strengths()
        scale = made.veil_scale
        return cls(replace(made, bands=bands), sun * scale, diffuse * scale, lit.even_source() * scale)

    def rates(self, band: int) -> tuple[float, float]:
        """Return what a metre of this water takes off the veil behind it, 1/m: c, and Kd to be times mu."""
        bands, scale = self.path.bands, self.path.veil_scale
        return float(bands.attenuation[band] * scale), float(bands.diffuse_attenuation[band] * scale)


@dataclass(frozen=True)
class TwoWaters:
    """Two waters along every ray.

    Attributes
    ----------
    made
        The water that the picture was made in.
    first, second
        The waters in front of the layer and beyond it; one of them is ``made``.
    """

    made: LightPath
    first: Stretch
    second: Stretch

    @classmethod
    def of(cls, made: LightPath, other: Bands, *, other_is_first: bool) -> TwoWaters:
        """Return the picture's own water and another, in the order in which rays meet them."""
        own, foreign = Stretch.of(made, made.bands), Stretch.of(made, other)
        return cls(made, foreign, own) if other_is_first else cls(made, own, foreign)

    def phases(self, mu: F32, cos_sun: F32) -> F32:
        """Return the phase functions by which the waters add light in each direction, ``(3, ...)``.

        The sun's lobe in the first and in the second water, and the diffuse lobe: see `LightPath.phases`.
        """
        sun, diffuse = self.first.path.phases(mu, cos_sun)
        return np.stack([sun, self.second.path.phases(mu, cos_sun)[0], diffuse])

    def change(self, band: int, lengths: Lengths, phases: F32) -> tuple[F32, F32]:
        """Return what to multiply the direct light of a band by, and the veil through both waters.

        Parameters
        ----------
        band
            Number of the band.
        lengths
            Of both waters.
        phases
            As `phases` gives them, ``(3, ...)`` with the shape of the lengths, C-contiguous.
        """
        first, second = self.first, self.second
        # One of the two is the water that the picture was made in.
        gains = [self.made.beam_rate[band] - water.path.beam_rate[band] for water in (first, second)]
        sources = [
            [part[band] for part in (water.sun, water.diffuse, water.even)] for water in (first, second)
        ]
        gain, veil = np.empty_like(lengths.first), np.empty_like(lengths.first)
        _change(
            lengths.first.reshape(-1),
            lengths.second.reshape(-1),
            lengths.mu.reshape(-1),
            phases.reshape(3, -1),
            np.array([*first.rates(band), *second.rates(band), *gains], np.float32),
            np.array(sources, np.float32),
            gain.reshape(-1),
            veil.reshape(-1),
        )
        return gain, veil


@compiled
def _change(
    first: F32, second: F32, mu: F32, phases: F32, rates: F32, sources: F32, gain: F32, veil: F32
) -> None:
    """Write gain and veil of one band, see `TwoWaters.change`."""
    one, largest = np.float32(1.0), np.float32(LARGEST_EXPONENT)
    c_1, kd_1, c_2, kd_2, gain_1, gain_2 = rates[0], rates[1], rates[2], rates[3], rates[4], rates[5]
    sun_1, diffuse_1, even_1 = sources[0, 0], sources[0, 1], sources[0, 2]
    sun_2, diffuse_2, even_2 = sources[1, 0], sources[1, 1], sources[1, 2]
    lobe_1, lobe_2, diffuse = phases[0], phases[1], phases[2]
    for pixel in range(first.shape[0]):
        t, p = first[pixel], second[pixel]
        gain[pixel] = exponential(min(gain_1 * t + gain_2 * p, largest))
        # k s, with k = c + Kd mu; kept from 0 by what cannot be seen, for the quotients below.
        depth_1 = t * c_1 + (t * mu[pixel]) * kd_1 + np.float32(1e-6)
        depth_2 = p * c_2 + (p * mu[pixel]) * kd_2 + np.float32(1e-6)
        left_1, left_2 = exponential(min(-depth_1, largest)), exponential(min(-depth_2, largest))
        source_1 = sun_1 * lobe_1[pixel] + diffuse_1 * diffuse[pixel] + even_1
        source_2 = sun_2 * lobe_2[pixel] + diffuse_2 * diffuse[pixel] + even_2
        # j s (1 - exp(-k s))/(k s)
        front = (one - left_1) / depth_1 * t * source_1
        behind = (one - left_2) / depth_2 * p * source_2
        veil[pixel] = left_1 * behind + front


def lengths_to(
    range_m: F32, entered: F32, left: F32, *, farthest_m: float, layer_m: float
) -> tuple[F32, F32]:
    """Return the range to what each pixel shows and how much of it lies beyond the layer, metres.

    Within the layer the one water turns into the other: half of its metres, and fewer just behind its face,
    count as beyond it (see `halocline.physics.bending.refraction.lever_arm`).

    Parameters
    ----------
    range_m
        Range, any shape, C-contiguous.
    entered, left
        One over the range at which the ray enters and leaves the layer, 1/m, 0 where it never does.
    farthest_m
        Nothing is farther away.
    layer_m
        Least way through the layer.
    """
    reached, beyond = np.empty_like(range_m), np.empty_like(range_m)
    _lengths(
        range_m.reshape(-1),
        entered.reshape(-1),
        left.reshape(-1),
        reached.reshape(-1),
        beyond.reshape(-1),
        np.float32(farthest_m),
        np.float32(layer_m),
    )
    return reached, beyond


@compiled
def _lengths(
    range_m: F32,
    entered: F32,
    left: F32,
    reached: F32,
    beyond: F32,
    farthest_m: np.float32,
    layer_m: np.float32,
) -> None:
    zero, half, one = np.float32(0.0), np.float32(0.5), np.float32(1.0)
    nearness = one / farthest_m
    for pixel in range(range_m.shape[0]):
        enter, leave = one / max(entered[pixel], nearness), one / max(left[pixel], nearness)
        leave = max(leave, enter + layer_m)
        s = min(range_m[pixel], farthest_m)
        inside = max(min(s, leave) - enter, zero)
        reached[pixel] = s
        beyond[pixel] = half * inside * inside / max(leave - enter, layer_m) + max(s - leave, zero)
