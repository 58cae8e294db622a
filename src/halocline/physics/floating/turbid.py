"""Bodies of turbid water: clouds of sand, silt, flour of rock or algae, each somewhere and of some size.

A body has shapes (soft ellipsoids, boxes, slabs between two heights, or puffs), and matter in them: an
extinction, grey, that follows from how far one sees inside, and the share of light that the matter turns.
Where its shapes overlap, the densest counts; puffs add up. What makes it a cloud is a patchy density with a
mean of 1, a sum of plane waves in its logarithm: it is known at any place and time, stands in the world's
metres, and never repeats.

Nothing is integrated from frame to frame: where a cloud is, how wide it has grown and how far it has sunk
follow from its age.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from halocline._typing import F64
from halocline.compute.on_demand import OnDemand
from halocline.compute.random import normals, stream_key, uniforms
from halocline.late_dataclass import dataclass
from halocline.physics.floating.ground import Ground
from halocline.physics.floating.turbid_shape_loops import ELLIPSOID, LEVEL, ON_GROUND, PUFF
from halocline.physics.water.bands import Bands, band_value
from halocline.physics.water.bio_optics import (
    MINERAL_ABSORPTION_M2_PER_G,
    MINERAL_SCATTERING_M2_PER_G,
    MINERAL_SLOPE_PER_NM,
    phytoplankton_absorption,
)
from halocline.physics.water.spectra import WAVELENGTH_NM
from halocline.physics.water.water import KOSCHMIEDER

special = OnDemand("scipy.special")

_TURN = 2.0 * math.pi
# Clouds: waves, the longest and shortest by their scale, and the power of length with which their part grows.
_WAVES, _LONGEST, _SHORTEST, _POWER = 14, 2.0, 0.25, 0.7
# Clouds turn over as eddies of their size do, at this share of the eddies' speed.
_CHURN = 0.5
# A puff of (1 - q^2)^3 ends so many standard deviations from its centre, sqrt(11); its integral is this times
# the product of its half sizes, 64 pi / 315.
PUFF_EDGE, _PUFF_VOLUME = math.sqrt(11.0), 64.0 * math.pi / 315.0
# Mean cosine of scattering by minerals and algae (petzold1972 has 0.87 to 0.95 for turbid waters).
ASYMMETRY = 0.9
# Chlorophyll of a bloom's clouds, mg/m3, and the scattering that goes with it (gordon1983, as `bio_optics`).
_BLOOM = 30.0


@dataclass(frozen=True)
class TurbidShape:
    """A soft volume in world space.

    Attributes
    ----------
    kind
        `ELLIPSOID`, `BOX`, `LEVEL`, `PUFF` or `ON_GROUND` of `halocline.physics.floating.turbid_shape_loops`.
    centre_m
        ``(3,)``; not used of what has no sides.
    axes
        Its own axes, unit, as rows, ``(3, 3)``; not used of what has no sides.
    half_m
        Half sizes along them; of what has no sides its lowest and highest height along up, which may be
        infinite.
    softness_m
        Depth below the edge, metres, at which its density is whole. At the edge itself there is nothing.
    strength
        Its density relative to that of the body.
    above_floor_m
        Of a puff, height of its centre above the floor that turns its matter back; inf where there is none.
    ground, thickness_m
        Of what lies on the ground: that, and how far above it. Bodies seen together have one ground.
    """

    kind: int
    centre_m: F64
    axes: F64
    half_m: F64
    softness_m: float
    strength: float = 1.0
    above_floor_m: float = math.inf
    ground: Ground | None = None
    thickness_m: float = 0.0

    @classmethod
    def puff(
        cls, centre_m: F64, axes: F64, half_m: F64, amount: float, above_floor_m: float = math.inf
    ) -> TurbidShape:
        """Return a cloud that is densest in its middle; puffs of a body add up where they overlap.

        Parameters
        ----------
        centre_m
            ``(3,)``.
        axes, half_m
            Its axes, of which the second is upright, and where along them it ends, metres: `PUFF_EDGE`
            standard deviations from the centre.
        amount
            Its density, summed over all space above the floor.
        above_floor_m
            See `TurbidShape`.

        Returns
        -------
        TurbidShape
            The puff.
        """
        strength = amount / (_PUFF_VOLUME * float(np.prod(half_m)))
        return cls(PUFF, centre_m, axes, half_m, 0.0, strength, above_floor_m)

    @classmethod
    def level(
        cls, lowest_m: float, highest_m: float, softness_m: float, strength: float = 1.0
    ) -> TurbidShape:
        """Return what lies between two heights."""
        heights = np.array([lowest_m, highest_m, 0.0])
        return cls(LEVEL, np.zeros(3), np.eye(3), heights, softness_m, strength)

    @classmethod
    def on_ground(
        cls, ground: Ground, thickness_m: float, softness_m: float, strength: float = 1.0
    ) -> TurbidShape:
        """Return what lies on the floor as high as a thickness above it everywhere, and below it."""
        heights = np.array([-math.inf, ground.highest_m + thickness_m, 0.0])
        head = (ON_GROUND, np.zeros(3), np.eye(3), heights, softness_m, strength)
        return cls(*head, ground=ground, thickness_m=thickness_m)

    @property
    def endless(self) -> bool:
        """Whether it has no sides: a level, or what lies on the ground."""
        return self.kind in (LEVEL, ON_GROUND)

    @property
    def bounding_m(self) -> float:
        """Radius of a sphere about the centre that holds it; 0 for what has no sides."""
        if self.endless:
            return 0.0
        if self.kind == PUFF:
            # Its image in a near floor goes on below that, where the true floor may lie lower.
            image = 2.0 * self.above_floor_m if self.above_floor_m < self.half_m[1] else 0.0
            return float(self.half_m.max()) + image
        return float(self.half_m.max() if self.kind == ELLIPSOID else np.sqrt((self.half_m**2).sum()))


@dataclass(frozen=True)
class DensityWaves:
    """A patchy density at one time: exp(sum of a cos(2 pi (k x + phase))) over its mean.

    Attributes
    ----------
    waves
        k, turns a metre, ``(M, 3)``.
    phases
        Turns at the world's origin, ``(M,)``.
    amplitudes
        a, ``(M,)``.
    """

    waves: F64
    phases: F64
    amplitudes: F64

    @property
    def mean(self) -> float:
        """Mean of the exponential over all space: each cosine's own is the Bessel function I0(a)."""
        return float(np.prod(special.i0(self.amplitudes)))


@dataclass(frozen=True)
class TurbidBody:
    """One body at one time.

    Attributes
    ----------
    shapes
        Where it is.
    extinction_per_m
        Beam attenuation that it adds where it is whole, 1/m, alike in all bands.
    albedo
        Share of the light it meets that it turns, ``(K,)``: see `similar_albedo`.
    asymmetry
        Mean cosine of that turning.
    clouds
        How patchy it is.
    """

    shapes: tuple[TurbidShape, ...]
    extinction_per_m: float
    albedo: F64
    asymmetry: float
    clouds: DensityWaves


def density_waves(
    seed: int,
    name: str,
    *,
    scale_m: float,
    variation: float,
    shift_m: F64,
    stir_m_s: float = 0.0,
    time_s: float = 0.0,
) -> DensityWaves:
    """Return the clouds of a body.

    Parameters
    ----------
    seed, name
        Their identity.
    scale_m
        Typical distance from cloud to cloud, metres.
    variation
        Standard deviation of the density over its mean.
    shift_m
        How far the water has carried them, world metres, ``(3,)``.
    stir_m_s
        Speed of the eddies that turn them over, m/s: a wave's phase wanders by its length in the time in
        which an eddy of that length turns.
    time_s
        When.

    Returns
    -------
    DensityWaves
        The density over its mean, at any place.
    """
    key = stream_key(seed, name, "clouds of a body")
    number = np.arange(_WAVES)
    direction = normals(key, number, 0)[:3].T
    direction /= np.sqrt((direction * direction).sum(axis=1, keepdims=True))
    step, phase, pace, sign = uniforms(key, number, 1)
    # Even steps in the logarithm of length, each jittered within its own.
    length = scale_m * _LONGEST * (_SHORTEST / _LONGEST) ** ((number + step) / _WAVES)
    part = length**_POWER
    # For a log-normal density the squared variation is exp(variance) - 1; a wave adds half its square.
    amplitudes = part * math.sqrt(2.0 * math.log1p(variation**2) / float((part * part).sum()))
    # Eddies of a length turn at a speed that goes with its cube root (kolmogorov's law).
    turning = _CHURN * stir_m_s * (length / length.max()) ** (1.0 / 3.0) / length * (0.5 + pace)
    turns = phase + np.where(sign < 0.5, -1.0, 1.0) * turning * time_s
    waves = direction / length[:, None]
    return DensityWaves(waves, turns - waves @ shift_m, amplitudes)


def extinction_inside(visibility_m: float, bands: Bands) -> float:
    """Return what a body adds to the water's attenuation at 550 nm, for a visibility within it, 1/m.

    3.912 / visibility - c(550), as `halocline.physics.water.water.scaled_to_visibility` has it; 0 where the
    water alone hides more.

    Parameters
    ----------
    visibility_m
        Range at which 2 % of a small black target's contrast is left, inside, metres, above 0.
    bands
        Of the water.

    Returns
    -------
    float
        1/m, 0 or more.
    """
    order = np.argsort(bands.wavelength_nm)
    water = float(np.interp(550.0, bands.wavelength_nm[order], bands.attenuation[order]))
    return max(KOSCHMIEDER / visibility_m - water, 0.0)


def similar_albedo(albedo: F64, asymmetry: float = ASYMMETRY) -> F64:
    """Return the albedo of a cloud that scatters alike to all sides and looks the same when it is thick.

    w' = w (1 - g) / (1 - w g): what is turned by little only is as if it had not been met.

    Parameters
    ----------
    albedo
        w, single-scattering albedo, 0 to 1, any shape.
    asymmetry
        g of the matter's own scattering.

    Returns
    -------
    F64
        w', in the shape of ``albedo``.

    Notes
    -----
    Source: vandehulst1980, the similarity relations (from memory). Worked value: w = 0.926, g = 0.9: 0.5558.
    """
    w = np.asarray(albedo, np.float64)
    return np.asarray(w * (1.0 - asymmetry) / (1.0 - w * asymmetry))


def _of(scattering: F64, absorption: F64) -> F64:
    return np.asarray(scattering / (scattering + absorption))


def _mineral(absorption: float) -> F64:
    """Return w of minerals with so many times the absorption of coastal seas' (Babin et al. 2003)."""
    taken = MINERAL_ABSORPTION_M2_PER_G * np.exp(-MINERAL_SLOPE_PER_NM * (WAVELENGTH_NM - 443.0))
    return _of(np.full_like(taken, MINERAL_SCATTERING_M2_PER_G), absorption * taken)


def _algae() -> F64:
    scattering = 0.30 * _BLOOM**0.62 * 550.0 / WAVELENGTH_NM
    return _of(scattering, phytoplankton_absorption(_BLOOM))


def contents() -> Mapping[str, F64]:
    """Return the spectra of what bodies may hold: single-scattering albedo at `WAVELENGTH_NM` by name.

    ``silt``: minerals of coastal seas (Babin et al. 2003, from memory, as `bio_optics` has them). ``sand``:
    the same with half of their absorption, as washed quartz and shell are paler (no source). ``milky``: white
    flour of rock (0.995, no source). ``green``: algae (Morel 1991, Gordon and Morel 1983, from memory).
    """
    return {
        "sand": _mineral(0.5),
        "silt": _mineral(1.0),
        "milky": np.full(len(WAVELENGTH_NM), 0.995),
        "green": _algae(),
    }


def albedo_of(content: str, bands: Bands) -> F64:
    """Return the albedo of what a body holds in each band, ``(K,)``, see `similar_albedo`.

    Parameters
    ----------
    content
        A name of `contents`.
    bands
        The bands.

    Returns
    -------
    F64
        0 to 1.
    """
    return band_value(bands, WAVELENGTH_NM, similar_albedo(contents()[content]))


def grown(half_m: F64, growth_m_s: float, age_s: float) -> tuple[F64, float]:
    """Return half sizes after an age, and the share of the density that is then left: the matter stays.

    Parameters
    ----------
    half_m
        Half sizes at first, metres.
    growth_m_s
        Speed at which edges spread, m/s.
    age_s
        Seconds; nothing has happened below 0.

    Returns
    -------
    tuple[F64, float]
        Half sizes, and share of the density.

    Examples
    --------
    >>> half, left = grown(np.array([1.0, 1.0, 1.0]), 0.1, 10.0)
    >>> half.tolist(), left
    ([2.0, 2.0, 2.0], 0.125)
    """
    wide = np.asarray(half_m + growth_m_s * max(age_s, 0.0))
    return wide, float(np.prod(half_m) / np.prod(wide))
