"""A few spectral bands that stand for 301 wavelengths.

Along any path through homogeneous water, of range s through the water and y metres of it above, the exact
linear RGB transfer is a sum over wavelengths, each a product of one number and one exponential:

    M(s, y) = sum over wavelengths of  W B exp(-c s - Kd y)        (rank one for each wavelength)

`Bands` is the same sum with K terms, 6 by default:

    e = up @ rgb                        (3 -> K)
    e_k *= exp(-c_k s - kd_k y)
    rgb = down @ e                      (K -> 3)

with ``down @ up`` the unit matrix, so that no water changes nothing. White has e = 1 in every band. The K
terms are not slices of the spectrum but free: they are fitted (`halocline.physics.water.band_fit`) so that
colours after any path agree with the sum over 1 nm steps as CIEDE2000 sees it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from halocline._typing import F64
from halocline.errors import BandError
from halocline.late_dataclass import dataclass
from halocline.physics.path.phase import WATER_ASYMMETRY, molecular_share
from halocline.physics.water.spectra import FIRST_NM, LAST_NM, WAVELENGTH_NM, resampled, transfer_matrix
from halocline.physics.water.water import Water
from halocline.rgb import RGBSpace, conversion_matrix, space_named

# Digits kept of every number: enough for down @ up = 1 to 1e-10, few enough to print.
SIGNIFICANT_DIGITS = 12

# Nodes, nm, (31,), between which a spectrum is taken as straight when it is shared out to the bands.
SHARE_NODES_NM: F64 = np.arange(FIRST_NM, LAST_NM + 1.0, 10.0, dtype=np.float64)
SHARE_NODES_NM.setflags(write=False)

_ARRAYS = (
    "up",
    "down",
    "wavelength_nm",
    "absorption",
    "scattering",
    "attenuation",
    "diffuse_attenuation",
    "shares",
)


@dataclass(frozen=True, eq=False)
class Bands:
    """K spectral bands of one water, for one RGB space.

    Parameters
    ----------
    space
        Name of the RGB space that `up` takes and `down` gives.
    water
        Name of the water.
    range_m, depth_m, rise_m
        The fit holds for ranges of 0 to `range_m` and surfaces from `rise_m` above to `depth_m` below the
        depth at which the light is white, wherever a white keeps 1/1000 of its luminance. Farther and deeper,
        colours drift but stay bounded; higher, they soon go wrong, for there the reds grow without bound.
    up, down
        (K, 3) and (3, K). ``down @ up`` is the unit matrix; every row of `up` sums to 1.
    wavelength_nm
        Effective wavelength of each band, (K,): the band value of the wavelength itself.
    absorption, scattering, attenuation, diffuse_attenuation
        a, b, c = a + b and Kd of each band, (K,), 1/m, positive.
    shares
        (K, 31): the share that each stretch of a spectrum (`SHARE_NODES_NM`) has in each band; rows sum to 1.
        Single shares can be negative. See `band_value`.
    asymmetry
        Mean cosine of scattering by the water's particles; see `Water`.
    spectrum
        (3, 31): a, b and the Kd of the fit, 1/m, about each of `SHARE_NODES_NM`; daylight is solved for them.
        None where each band is a water by itself.
    worst_delta_e, mean_delta_e
        CIEDE2000 between bands and 1 nm sum over the whole interval: white, two greys and the 24 patches of
        the colour checker, both exposed so that the exact white at the same place has Y = 1.
    worst_veil_delta_e
        The same for the veiling light, looking up, level and down, exposed so that the exact one has Y = 1.
    """

    space: str
    water: str
    range_m: float
    depth_m: float
    rise_m: float
    up: F64
    down: F64
    wavelength_nm: F64
    absorption: F64
    scattering: F64
    attenuation: F64
    diffuse_attenuation: F64
    shares: F64
    worst_delta_e: float
    mean_delta_e: float
    worst_veil_delta_e: float
    asymmetry: float = WATER_ASYMMETRY
    spectrum: F64 | None = None

    def __post_init__(self) -> None:
        for name in _ARRAYS:
            values = np.array(getattr(self, name), dtype=np.float64, order="C")
            values.setflags(write=False)
            object.__setattr__(self, name, values)
        if self.spectrum is not None:
            spectrum = np.array(self.spectrum, dtype=np.float64, order="C")
            spectrum.setflags(write=False)
            object.__setattr__(self, "spectrum", spectrum)
        count = self.up.shape[0] if self.up.ndim == 2 else 0
        shapes = {"up": (count, 3), "down": (3, count), "shares": (count, SHARE_NODES_NM.size)}
        shapes["spectrum"] = (3, SHARE_NODES_NM.size)
        for name in (*_ARRAYS, "spectrum"):
            values = getattr(self, name)
            if name == "spectrum" and values is None:
                continue
            if values.shape != shapes.get(name, (count,)) or not np.all(np.isfinite(values)):
                raise BandError(
                    f'"{name}" of a set of bands has the wrong size or is not finite',
                    code="E-BANDS-DATA",
                    where=self.water,
                    fix="Leave the bands out to have them fitted again.",
                )

    @property
    def count(self) -> int:
        """Number of bands K."""
        return int(self.up.shape[0])

    @property
    def albedo(self) -> F64:
        """Single-scattering albedo b/c of each band, (K,)."""
        return np.asarray(self.scattering / self.attenuation, dtype=np.float64)

    @property
    def molecular_share(self) -> F64:
        """Share of each band's scattering that is the water's own and not its particles', (K,), 0 to 1."""
        if self.spectrum is None:
            return molecular_share(self.scattering, self.wavelength_nm)
        return shared_molecular(self.spectrum[1], self.shares)

    def transfer_matrix(self, range_m: ArrayLike, depth_m: ArrayLike = 0.0) -> F64:
        """Return down diag(exp(-c s - kd y)) up, (..., 3, 3), for ranges and depths that broadcast, m."""
        s, y = np.asarray(range_m, dtype=np.float64), np.asarray(depth_m, dtype=np.float64)
        left = np.exp(-self.attenuation * s[..., None] - self.diffuse_attenuation * y[..., None])
        return np.asarray((self.down * left[..., None, :]) @ self.up, dtype=np.float64)

    def in_space(self, space: RGBSpace | str, *, current: RGBSpace | str | None = None) -> Bands:
        """Return the same bands for another RGB space.

        The same scene colour becomes the same wet colour, exactly, for the fit is about colours and not about
        their coordinates.

        Parameters
        ----------
        space
            The space wanted.
        current
            The space of these bands, needed only where `Bands.space` is not a known name.
        """
        source = as_space(self.space if current is None else current)
        target = as_space(space)
        there, back = conversion_matrix(source, target), conversion_matrix(target, source)
        return replace(self, space=target.name, up=rounded(self.up @ back), down=rounded(there @ self.down))

    def to_dict(self) -> dict[str, Any]:
        """Return plain numbers, lists and text from which `from_dict` makes the same bands, bit for bit."""
        arrays = {name: getattr(self, name).tolist() for name in _ARRAYS}
        rest = (
            "space",
            "water",
            "range_m",
            "depth_m",
            "rise_m",
            "worst_delta_e",
            "mean_delta_e",
            "worst_veil_delta_e",
            "asymmetry",
        )
        spectrum = None if self.spectrum is None else self.spectrum.tolist()
        return {name: getattr(self, name) for name in rest} | arrays | {"spectrum": spectrum}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Bands:
        """Return the bands that `to_dict` wrote; earlier ones have no asymmetry and spectrum.

        Raises
        ------
        BandError
            ``E-BANDS-DATA`` where something is missing, unknown or of the wrong size.
        """
        expected = set(cls.__dataclass_fields__)
        odd = sorted(expected.symmetric_difference(data) - ({"asymmetry", "spectrum"} - set(data)))
        if odd:
            raise BandError(
                f"these are no bands: missing or unknown: {', '.join(odd)}",
                code="E-BANDS-DATA",
                fix="Leave the bands out to have them fitted again.",
            )
        values: dict[str, Any] = {
            name: np.array(data[name])
            if name in _ARRAYS or (name == "spectrum" and data[name] is not None)
            else data[name]
            for name in data
        }
        return cls(**values)


def spectral_matrix(water: Water, space: RGBSpace | str, range_m: ArrayLike, depth_m: ArrayLike = 0.0) -> F64:
    """Return the exact transfer of linear RGB, (..., 3, 3): 1 nm steps from 400 to 700 nm.

    This is what bands are measured against. Ranges and depths, m, broadcast against each other.
    """
    s, y = np.asarray(range_m, dtype=np.float64), np.asarray(depth_m, dtype=np.float64)
    loss = water.attenuation_per_m * s[..., None] + water.diffuse_attenuation_per_m * y[..., None]
    return transfer_matrix(as_space(space), np.exp(-loss))


def band_value(bands: Bands, wavelength_nm: ArrayLike, values: ArrayLike) -> F64:
    """Return what any other spectrum is in each band, (K,): a lamp's power, a refractive index, an albedo.

    A white target lit by a lamp of spectral power q (daylight as it is = 1 everywhere) has some colour after
    each path. The band values q_k are those for which ``down @ (q_k exp(-c_k s - kd_k y))`` comes nearest to
    these colours, by least squares over the whole interval of the fit. They are linear in q, so they are kept
    as a matrix (`Bands.shares`), and a constant spectrum gives that constant. They are held within the
    smallest and largest value of the spectrum: shares can be negative, but no band of a lamp is.

    Smooth spectra (tungsten, a particle's albedo, a refractive index) come out within about CIEDE2000 1;
    narrow lines cannot, with few bands (a laser may be off by 10 and more).

    Parameters
    ----------
    bands
        The bands.
    wavelength_nm, values
        The spectrum, (n,): ascending nm, and values. Held constant beyond its ends.

    Returns
    -------
    F64
        ``(K,)``, within the smallest and largest of ``values``.
    """
    spectrum = resampled(wavelength_nm, values)
    shared = bands.shares @ node_means(spectrum)
    return np.asarray(np.clip(shared, np.min(spectrum), np.max(spectrum)), dtype=np.float64)


def shared_molecular(scattering_per_m: F64, shares: F64) -> F64:
    """Return the bands' molecular share, (K,), of b, (31,), 1/m, about each of `SHARE_NODES_NM`."""
    own = molecular_share(scattering_per_m, SHARE_NODES_NM)
    return np.clip(shares @ own, own.min(), own.max())


def node_means(spectrum: F64) -> F64:
    """Return the means of a spectrum, (301,), about each of `SHARE_NODES_NM`, (31,)."""
    hats = hat_functions()
    return np.asarray(hats @ spectrum / np.sum(hats, axis=1), dtype=np.float64)


@lru_cache(maxsize=1)
def hat_functions() -> F64:
    """Return the triangles of straight interpolation between the share nodes, (31, 301)."""
    rows = [np.interp(WAVELENGTH_NM, SHARE_NODES_NM, row) for row in np.eye(SHARE_NODES_NM.size)]
    return np.asarray(rows, dtype=np.float64)


def as_space(space: RGBSpace | str) -> RGBSpace:
    """Return the RGB space, given itself or its name."""
    return space_named(space) if isinstance(space, str) else space


def rounded(values: F64, digits: int = SIGNIFICANT_DIGITS) -> F64:
    """Round to significant digits, so that the last bits of a linear algebra library leave no trace."""
    flat = [float(f"{value:.{digits - 1}e}") for value in np.ravel(values).tolist()]
    return np.array(flat, dtype=np.float64).reshape(values.shape)
