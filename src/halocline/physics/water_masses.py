"""Two waters one behind the other, on the two sides of a layer: each takes and adds light in its own way.

The picture has been made as if the first water were everywhere. With t metres of path in the first water and
p in the second, out of s = t + p,

    direct   D exp(-(c2 - c1) p)
    veil     j1 (1 - exp(-k1 t))/k1 + exp(-k1 t) j2 (1 - exp(-k2 p))/k2,     k = c + Kd mu

which is the veil of `halocline.physics.transport` composed over two stretches: what the second water adds is
taken by the first, and lit by the daylight that reaches it through the first.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from halocline._typing import F32, F64
from halocline.physics.bands import Bands, band_value
from halocline.physics.transport import LARGEST_EXPONENT, LightPath

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
    """Metres of both waters on each ray, any one shape.

    ``sunk_first`` and ``sunk_second`` are how much deeper each stretch leads: the length times mu.
    """

    first: F32
    second: F32
    sunk_first: F32
    sunk_second: F32

    @classmethod
    def of(cls, first: F32, second: F32, mu: F32) -> Lengths:
        """Return lengths on rays of which mu is the downward component."""
        return cls(first, second, first * mu, second * mu)


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

    def sources(self, mu: F32, cos_sun: F32) -> F32:
        """Return what each metre of water adds in each direction, ``(K, ...)``: see `LightPath.phases`."""
        p_sun, p_diffuse = self.path.phases(mu, cos_sun)
        strengths = (self.sun, self.diffuse, self.even)
        sun, diffuse, even = (part.astype(np.float32)[:, None, None] for part in strengths)
        return sun * p_sun + diffuse * p_diffuse + even

    def veil(self, band: int, source: F32, length_m: F32, sunk_m: F32) -> tuple[F32, F32]:
        """Return the veil of a length of this water, and what is left of light from behind it."""
        bands, scale = self.path.bands, self.path.veil_scale
        # k s, with k = c + Kd mu; kept from 0 by what cannot be seen, for the quotient below.
        depth = length_m * np.float32(bands.attenuation[band] * scale)
        depth += sunk_m * np.float32(bands.diffuse_attenuation[band] * scale)
        depth += np.float32(1e-6)
        left = np.negative(depth)
        np.minimum(left, np.float32(LARGEST_EXPONENT), out=left)
        np.exp(left, out=left)
        # j s (1 - exp(-k s))/(k s)
        veil = np.float32(1.0) - left
        veil /= depth
        veil *= length_m
        veil *= source
        return veil, left


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

    def direct_gain(self, band: int, lengths: Lengths) -> F32:
        """Return what to multiply the direct light of a band by."""
        gains = [
            float(self.made.beam_rate[band] - water.path.beam_rate[band])
            for water in (self.first, self.second)
        ]
        # One of the two is the water that the picture was made in.
        exponent = lengths.first * np.float32(gains[0]) if gains[0] else lengths.second * np.float32(gains[1])
        np.minimum(exponent, np.float32(LARGEST_EXPONENT), out=exponent)
        gain: F32 = np.exp(exponent, out=exponent)
        return gain

    def veil(self, band: int, sources: tuple[F32, F32], lengths: Lengths) -> F32:
        """Return the veil of a band through both waters, from what a metre of each adds in each direction."""
        front, reaches = self.first.veil(band, sources[0], lengths.first, lengths.sunk_first)
        behind, _ = self.second.veil(band, sources[1], lengths.second, lengths.sunk_second)
        behind *= reaches
        behind += front
        return behind
