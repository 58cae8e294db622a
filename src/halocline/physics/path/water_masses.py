"""Two waters that turn into each other over a layer: each takes and adds light in its own way.

At a range t the share f(t) of the water is the lower one: 0 or 1 outside the layer, and going evenly from the
one to the other within it, wherever along that the lens stands. With F(t) the integral of f, metres of the
lower water,

    direct   exp(-c1 (s - F(s)) - c2 F(s))
    veil     int_0^s ((1 - f) J1 + f J2) exp(-k1 (t - F) - k2 F) dt

J is the source at the lens's own depth and k = c + K mu (`halocline.physics.path.transport`): what one water
adds is taken by whatever lies before it, and lit by the daylight that reaches it through that. Outside the
layer the integral is in closed form. Within it, it is a sum over a few stretches of even mixture, each in
closed form, short ones first: those behind are hardly seen where the layer is long or dense.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.series import exponential
from halocline.late_dataclass import dataclass
from halocline.physics.path.transport import LightPath, VeilRays
from halocline.physics.water.bands import SHARE_NODES_NM, Bands, band_value
from halocline.physics.water.path_integral import LARGEST_EXPONENT, gathered

# Absorption by dissolved organic matter falls off as exp(-slope (nm - 440)); 0.014 to 0.018 per nm
# (bricaud1981; from memory).
STAIN_SLOPE = 0.015
STAIN_NM = 440.0
# Backscattered share of scattering, petzold1972's mean; it and absorption make Kd (gordon1989).
BACKSCATTERED = 0.0183
# Stretches of even mixture across the layer, and the places between them as shares of the way.
STRETCHES = 6
_EDGES = ((np.arange(STRETCHES + 1) / STRETCHES) ** 2).astype(np.float32)
_AT_ONCE = 256


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

    Returns
    -------
    Bands
        Bands of the same wavelengths and the same light, with other coefficients.

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
class MixedWaters:
    """How much of both waters is on each ray up to what it shows, of one shape, C-contiguous, float32.

    Attributes
    ----------
    length_m
        Metres of water.
    enter_m, leave_m
        Metres to where the ray comes into the layer, 0 where it starts within it, and out of it; beyond the
        length where it never does.
    shares
        ``(2, *shape)``: share of the water that is the lower one where the ray comes in and where it leaves.
    """

    length_m: F32
    enter_m: F32
    leave_m: F32
    shares: F32


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
    above, below
        The waters on the two sides of the layer; one of them is ``made``.
    """

    made: LightPath
    above: Stretch
    below: Stretch

    @classmethod
    def of(cls, made: LightPath, other: Bands, *, other_is_above: bool) -> TwoWaters:
        """Return the picture's own water and another, above or below the layer."""
        own, foreign = Stretch.of(made, made.bands), Stretch.of(made, other)
        return cls(made, foreign, own) if other_is_above else cls(made, own, foreign)

    def sources(self, mu: F32, cos_sun: F32) -> F32:
        """Return how the waters add light in each direction, ``(4 K, *shape)``.

        For each band J and k of the water above, then of that below.
        """
        planes = np.stack([*self.above.sources(mu, cos_sun), *self.below.sources(mu, cos_sun)])
        return np.moveaxis(planes, 0, 1).reshape(-1, *mu.shape)

    def change(self, band: int, mixture: MixedWaters, sources: F32) -> tuple[F32, F32]:
        """Return what to multiply the direct light of a band by, and the veil through both waters.

        Parameters
        ----------
        band
            Number of the band.
        mixture
            Of both waters.
        sources
            As `sources` gives them, with the shape of the mixture, C-contiguous.
        """
        # One of the two is the water that the picture was made in.
        gains = [self.made.beam_rate[band] - water.path.beam_rate[band] for water in (self.above, self.below)]
        gain, veil = np.empty_like(mixture.length_m), np.empty_like(mixture.length_m)
        _change(
            mixture.length_m.reshape(-1),
            mixture.enter_m.reshape(-1),
            mixture.leave_m.reshape(-1),
            mixture.shares.reshape(2, -1),
            np.ascontiguousarray(sources[4 * band : 4 * band + 4]).reshape(4, -1),
            np.array(gains, np.float32),
            gain.reshape(-1),
            veil.reshape(-1),
        )
        return gain, veil


@compiled
def _change(
    length_m: F32, enter_m: F32, leave_m: F32, shares: F32, sources: F32, gains: F32, gain: F32, veil: F32
) -> None:
    """Write gain and veil of one band, see `TwoWaters.change`."""
    largest, least = np.float32(LARGEST_EXPONENT), np.float32(1e-6)
    zero, half = np.float32(0.0), np.float32(0.5)
    four, six, twice = np.float32(4.0), np.float32(6.0), np.float32(12.0)
    left, inside = np.empty(_AT_ONCE, np.float32), np.empty(_AT_ONCE, np.float32)
    share, rise = np.empty(_AT_ONCE, np.float32), np.empty(_AT_ONCE, np.float32)
    for start in range(0, length_m.size, _AT_ONCE):
        count, longest = min(_AT_ONCE, length_m.size - start), np.float32(0.0)
        # Before the layer.
        for i in range(count):
            at = start + i
            before = min(enter_m[at], length_m[at])
            inside[i] = min(leave_m[at], length_m[at]) - before
            longest = max(longest, inside[i])
            f = shares[0, at]
            share[i] = f
            rise[i] = (shares[1, at] - f) * (inside[i] / max(leave_m[at] - enter_m[at], least))
            k = sources[1, at] + f * (sources[3, at] - sources[1, at])
            left[i] = exponential(min(-k * before, largest))
            veil[at] = (sources[0, at] + f * (sources[2, at] - sources[0, at])) * gathered(k, before)
            gain[at] = before * (gains[0] + f * (gains[1] - gains[0]))
        # Within it; a ray that is not in it gets nothing here.
        if longest > np.float32(0.0):
            for stretch in range(STRETCHES):
                first, last = _EDGES[stretch], _EDGES[stretch + 1]
                for i in range(count):
                    at = start + i
                    way = (last - first) * inside[i]
                    f = share[i] + half * (first + last) * rise[i]
                    x = way * (sources[1, at] + f * (sources[3, at] - sources[1, at]))
                    # What is seen of the stretch lies this much before its middle on average.
                    seen = max(x, zero)
                    seen = (six + seen) / (twice + seen * (four + seen)) - half
                    f += seen * (last - first) * rise[i]
                    k = sources[1, at] + f * (sources[3, at] - sources[1, at])
                    source = sources[0, at] + f * (sources[2, at] - sources[0, at])
                    veil[at] += left[i] * source * gathered(k, way)
                    left[i] *= exponential(min(-x, largest))
        # Beyond it.
        for i in range(count):
            at = start + i
            beyond = length_m[at] - min(enter_m[at], length_m[at]) - inside[i]
            f = shares[1, at]
            k = sources[1, at] + f * (sources[3, at] - sources[1, at])
            source = sources[0, at] + f * (sources[2, at] - sources[0, at])
            veil[at] += left[i] * source * gathered(k, beyond)
            middle = share[i] + half * rise[i]
            lost = gain[at] + inside[i] * (gains[0] + middle * (gains[1] - gains[0]))
            lost += beyond * (gains[0] + f * (gains[1] - gains[0]))
            gain[at] = exponential(min(lost, largest))


def crossed(here: F32, along: F32, *, farthest_m: float) -> tuple[F32, F32, F32]:
    """Return where rays come into a layer and leave it, metres, and the shares of the lower water there.

    Parameters
    ----------
    here, along
        The share of the water below is ``here + along t`` at range t, held between 0 and 1; any shape,
        C-contiguous (see `halocline.physics.bending.layers.Blend`).
    farthest_m
        Nothing is farther away.

    Returns
    -------
    tuple[F32, F32, F32]
        Ranges of entering and leaving, at most ``farthest_m``, and shares ``(2, *shape)``. A ray that does
        not meet the layer enters it at the farthest.

    Notes
    -----
    Worked value: here -0.5, along 0.25: enters at 2 m, leaves at 6 m, shares 0 and 1.
    """
    enter, leave = np.empty_like(here), np.empty_like(here)
    shares = np.empty((2, *here.shape), np.float32)
    _crossed(
        here.reshape(-1),
        along.reshape(-1),
        enter.reshape(-1),
        leave.reshape(-1),
        shares.reshape(2, -1),
        np.float32(farthest_m),
    )
    return enter, leave, shares


@compiled
def _crossed(here: F32, along: F32, enter: F32, leave: F32, shares: F32, farthest: np.float32) -> None:
    zero, one, least = np.float32(0.0), np.float32(1.0), np.float32(1e-12)
    for ray in range(here.size):
        start, slope = here[ray], along[ray]
        steep = max(abs(slope), least)
        # In the direction in which the share changes: 0 before the layer, 1 behind it.
        done = start if slope >= zero else one - start
        first = min(max(-done / steep, zero), farthest)
        last = min(max((one - done) / steep, first), farthest)
        if last <= zero:
            # The layer lies behind the lens.
            first = last = farthest
        enter[ray], leave[ray] = first, last
        shares[0, ray] = max(zero, min(start + slope * first, one))
        shares[1, ray] = max(zero, min(start + slope * last, one))
