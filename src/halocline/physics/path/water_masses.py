"""Two waters one behind the other, on the two sides of a layer: each takes and adds light in its own way.

The picture has been made as if the first water were everywhere. With t metres of path in the first water and
p in the second, out of s = t + p,

    direct   D exp(-(c2 - c1) p)
    veil     J1 (1 - exp(-k1 t))/k1 + exp(-k1 t) J2 (1 - exp(-k2 p))/k2

which is the veil of `halocline.physics.path.transport` composed over two stretches: what the second water
adds is taken by the first, and lit by the daylight that reaches it through the first.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.series import exponential
from halocline.physics.path.radiance.loops import gathered
from halocline.physics.path.transport import LightPath, VeilRays
from halocline.physics.water.bands import SHARE_NODES_NM, Bands, band_value
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
    spectrum = bands.spectrum
    if spectrum is not None:
        more = np.array([[absorption], [scattering]]) * spectrum[:2]
        more[0] += stain_per_m * np.exp(-STAIN_SLOPE * (SHARE_NODES_NM - STAIN_NM))
        weights = np.array([1.0, BACKSCATTERED])
        spectrum = np.vstack([more, spectrum[2] * (weights @ more) / (weights @ spectrum[:2])])
    return replace(
        bands,
        absorption=a,
        scattering=b,
        attenuation=a + b,
        diffuse_attenuation=bands.diffuse_attenuation * diffuse,
        spectrum=spectrum,
    )


@dataclass(frozen=True)
class Lengths:
    """Metres of both waters on each ray, and the rays' downward component, of one shape, C-contiguous."""

    first: F32
    second: F32
    mu: F32


@dataclass(frozen=True)
class Stretch:
    """One of the waters: its light around the lens as if it were everywhere, in the picture's daylight."""

    path: LightPath
    rays: VeilRays

    @classmethod
    def of(cls, made: LightPath, bands: Bands) -> Stretch:
        """Return a water of given bands in the daylight that the picture has at its lens."""
        path = replace(made, bands=bands)
        own = VeilRays.of(path)
        # What comes down to the lens is the picture's; only how it is spread there is this water's own.
        factor = np.ones_like(own.bands)
        factor[:, :3] = (
            made.daylight(made.camera_depth_m) / np.maximum(path.daylight(path.camera_depth_m), 1e-30)
        )[:, None]
        return cls(path, replace(own, bands=(own.bands * factor).astype(np.float32)))

    def sources(self, mu: F32, cos_sun: F32) -> tuple[F32, F32]:
        """Return J, radiance per metre, and k, 1/m, of rays, ``(K, *shape)`` each."""
        found = self.rays.sources(mu, cos_sun)
        source, rate = found.together(self.path.bands.attenuation, mu)
        return source * self.rays.scale, rate * self.rays.scale


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

    def sources(self, mu: F32, cos_sun: F32) -> F32:
        """Return how the waters add light in each direction, ``(4 K, *shape)``.

        For each band J and k of the first water, then of the second.
        """
        planes = np.stack([*self.first.sources(mu, cos_sun), *self.second.sources(mu, cos_sun)])
        return np.moveaxis(planes, 0, 1).reshape(-1, *mu.shape)

    def change(self, band: int, lengths: Lengths, sources: F32) -> tuple[F32, F32]:
        """Return what to multiply the direct light of a band by, and the veil through both waters.

        Parameters
        ----------
        band
            Number of the band.
        lengths
            Of both waters.
        sources
            As `sources` gives them, with the shape of the lengths, C-contiguous.
        """
        # One of the two is the water that the picture was made in.
        gains = [
            self.made.beam_rate[band] - water.path.beam_rate[band] for water in (self.first, self.second)
        ]
        gain, veil = np.empty_like(lengths.first), np.empty_like(lengths.first)
        _change(
            lengths.first.reshape(-1),
            lengths.second.reshape(-1),
            np.ascontiguousarray(sources[4 * band : 4 * band + 4]).reshape(4, -1),
            np.array(gains, np.float32),
            gain.reshape(-1),
            veil.reshape(-1),
        )
        return gain, veil


@compiled
def _change(first: F32, second: F32, sources: F32, gains: F32, gain: F32, veil: F32) -> None:
    """Write gain and veil of one band, see `TwoWaters.change`."""
    largest = np.float32(LARGEST_EXPONENT)
    for pixel in range(first.shape[0]):
        t, p = first[pixel], second[pixel]
        gain[pixel] = exponential(min(gains[0] * t + gains[1] * p, largest))
        left = exponential(min(-sources[1, pixel] * t, largest))
        behind = sources[2, pixel] * gathered(sources[3, pixel], p)
        veil[pixel] = left * behind + sources[0, pixel] * gathered(sources[1, pixel], t)


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
