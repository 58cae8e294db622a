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
from numpy.typing import NDArray

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
class View:
    """Directions of a region, ``(rows, columns)``, and the phases there: see `LightPath.phases`."""

    mu: F32
    p_sun: F32
    p_diffuse: F32

    @classmethod
    def of(cls, path: LightPath, mu: F32, cos_sun: F32) -> View:
        """Return the view of a region."""
        return cls(mu, *path.phases(mu, cos_sun))

    def at(self, where: tuple[NDArray[np.intp], ...]) -> View:
        """Return the view of some pixels."""
        return View(self.mu[where], self.p_sun[where], self.p_diffuse[where])


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

    def veil(self, band: int, view: View, length_m: F32) -> tuple[F32, F32]:
        """Return the veil of a length of this water, and what is left of light from behind it."""
        rate = self.path.veil_rate(view.mu, band)
        left = rate * -length_m
        np.minimum(left, np.float32(LARGEST_EXPONENT), out=left)
        np.exp(left, out=left)
        veil = view.p_sun * np.float32(self.sun[band])
        veil += view.p_diffuse * np.float32(self.diffuse[band])
        veil += np.float32(self.even[band])
        veil /= rate
        veil *= np.float32(1.0) - left
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

    def direct_gain(self, band: int, in_first_m: F32, in_second_m: F32) -> F32:
        """Return what to multiply the direct light of a band by."""
        was = self.made.beam_rate[band]
        exponent = in_first_m * np.float32(was - self.first.path.beam_rate[band])
        exponent += in_second_m * np.float32(was - self.second.path.beam_rate[band])
        np.minimum(exponent, np.float32(LARGEST_EXPONENT), out=exponent)
        gain: F32 = np.exp(exponent, out=exponent)
        return gain

    def veil(self, band: int, view: View, in_first_m: F32, in_second_m: F32) -> F32:
        """Return the veil of a band through both waters."""
        front, reaches = self.first.veil(band, view, in_first_m)
        behind, _ = self.second.veil(band, view, in_second_m)
        behind *= reaches
        behind += front
        return behind
