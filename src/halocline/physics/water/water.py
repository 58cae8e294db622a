"""What a body of water does to light, as spectra.

Inherent properties belong to the water alone: absorption a, scattering b, beam attenuation c = a + b, all in
1/m. The diffuse attenuation Kd (1/m) of the light coming down also depends on that light; it is what
daylight loses with depth. Energy asks that Kd >= a, which every water made here obeys.

Sources: Jerlov's types come through the ``jerlov`` package (Williamson and Hollins 2022; Solonenko and Mobley
2015). Kirk 1984, Tyler 1968 and Koschmieder 1924 are quoted from memory, as their functions say.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
import warnings
from collections.abc import Callable
from dataclasses import fields, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from halocline._typing import F64
from halocline.compute.disk_cache import kept, package_mark
from halocline.compute.root import crossing
from halocline.compute.sources import source_digest
from halocline.errors import WaterError, did_you_mean
from halocline.late_dataclass import dataclass
from halocline.physics.path.phase import WATER_ASYMMETRY, asymmetry_of
from halocline.physics.water.clear_ocean import clear_ocean, pure_water_absorption
from halocline.physics.water.spectra import FIRST_NM, LAST_NM, WAVELENGTH_NM, resampled

JERLOV_TYPES = ("I", "IA", "IB", "II", "III", "1C", "3C", "5C", "7C", "9C")
# Sources with absorption and scattering, and the types each has. The first is measured and preferred; what
# it lacks of the clear ocean is modelled, for inversion of Kd fails there (`clear_ocean`).
JERLOV_SOURCES: dict[str, tuple[str, ...]] = {
    "williamson2022": ("IB", "II", "III", "1C", "3C", "5C"),
    "morel2001": ("I", "IA", "IB", "II"),
    "solonenko2015": JERLOV_TYPES,
}

# Where a single number stands for a water: the eye's and Secchi disc's region, as hydrographers quote it.
REFERENCE_NM = 550.0
# 2 % contrast, Koschmieder 1924: -ln 0.02.
KOSCHMIEDER = 3.912
# c + Kd = 8.69 / Secchi depth, Tyler 1968 (Limnol. Oceanogr. 13, 1), from memory.
TYLER = 8.69
# Sun zenith angle for which Kirk's Kd is taken: Jerlov's classification is for a high sun, and at 30 degrees
# Kirk's Kd of Williamson's types comes near to Jerlov's own (1976) Kd from 500 to 650 nm: mostly within 10 %,
# 31 % at worst (type IB at 500 nm).
SUN_ZENITH_DEG = 30.0
SEA_WATER_INDEX = 1.34
SALINITY_PSU = 35.0


@dataclass(frozen=True, eq=False)
class Water:
    """The optical properties of homogeneous water from 400 to 700 nm.

    Parameters
    ----------
    name
        Name for people.
    absorption_per_m, scattering_per_m, diffuse_attenuation_per_m
        a, b and Kd, (301,), 1/m, at `WAVELENGTH_NM`. Non-negative, Kd >= a.
    source
        Where the numbers come from.
    caveats
        What is doubtful about these spectra; each a sentence a user should see.
    source_notes
        What the source says of its data as a whole, other waters included.
    asymmetry
        Mean cosine of the angle by which the particles scatter, above 0 and below 1.

    Raises
    ------
    WaterError
        ``E-WATER-SPECTRUM`` where a spectrum has another length, is not finite or negative, or Kd < a.
    """

    name: str
    absorption_per_m: F64
    scattering_per_m: F64
    diffuse_attenuation_per_m: F64
    source: str
    caveats: tuple[str, ...] = ()
    source_notes: tuple[str, ...] = ()
    asymmetry: float = WATER_ASYMMETRY

    def __post_init__(self) -> None:
        for field in ("absorption_per_m", "scattering_per_m", "diffuse_attenuation_per_m"):
            values = np.array(getattr(self, field), dtype=np.float64)
            if values.shape != WAVELENGTH_NM.shape or not np.all(np.isfinite(values)) or np.any(values < 0.0):
                raise WaterError(
                    f"{field} must be {WAVELENGTH_NM.size} finite numbers, none below 0",
                    code="E-WATER-SPECTRUM",
                    where=self.name,
                    fix="Use tabulated_water to make a water from any other table.",
                )
            values.setflags(write=False)
            object.__setattr__(self, field, values)
        if np.any(self.diffuse_attenuation_per_m < self.absorption_per_m):
            raise WaterError(
                "the diffuse attenuation lies below the absorption, so daylight would gain energy with depth",
                code="E-WATER-SPECTRUM",
                where=self.name,
                fix="Leave the diffuse attenuation out to have it derived from absorption and scattering.",
            )

    @property
    def wavelength_nm(self) -> F64:
        """The grid of the spectra, (301,), 400 to 700 nm."""
        return WAVELENGTH_NM

    @property
    def attenuation_per_m(self) -> F64:
        """Beam attenuation c = a + b, (301,), 1/m."""
        return np.asarray(self.absorption_per_m + self.scattering_per_m, dtype=np.float64)

    @property
    def albedo(self) -> F64:
        """Single-scattering albedo b/c, (301,), 0 to 1; 0 where the water does nothing at all."""
        c = self.attenuation_per_m
        return np.divide(self.scattering_per_m, c, out=np.zeros_like(c), where=c > 0.0)

    @property
    def visibility_m(self) -> float:
        """Range at which a small black target, seen level, keeps 2 % contrast at 550 nm: 3.912/c.

        Koschmieder 1924. Large ones are seen to 4.6 to 4.8/c: `halocline.physics.path.seen_contrast` has
        them.
        """
        c = _at_reference(self.attenuation_per_m)
        return KOSCHMIEDER / c if c > 0.0 else math.inf

    @property
    def secchi_depth_m(self) -> float:
        """Depth at which a white disc vanishes, at 550 nm: 8.69/(c + Kd) (Tyler 1968, from memory)."""
        both = _at_reference(self.attenuation_per_m) + _at_reference(self.diffuse_attenuation_per_m)
        return TYLER / both if both > 0.0 else math.inf

    @property
    def digest(self) -> str:
        """Hexadecimal digest of spectra and asymmetry, to nine significant digits; the name plays no part."""
        hasher = hashlib.sha256()
        for values in (self.absorption_per_m, self.scattering_per_m, self.diffuse_attenuation_per_m):
            hasher.update(" ".join(f"{value:.8e}" for value in values.tolist()).encode())
            hasher.update(b"\n")
        hasher.update(f"{self.asymmetry:.8e}".encode())
        return hasher.hexdigest()


def jerlov_water(water_type: str, *, source: str = "best") -> Water:
    """Return one of Jerlov's water types.

    Parameters
    ----------
    water_type
        I, IA, IB, II, III (ocean) or 1C, 3C, 5C, 7C, 9C (coast); case does not matter.
    source
        ``williamson2022`` (a and b measured; IB, II, III, 1C, 3C, 5C), ``morel2001`` (I, IA, IB, II: sea
        water and particles by chlorophyll, `halocline.physics.water.clear_ocean`), ``solonenko2015`` (all
        types; a and b by inversion of Jerlov's Kd) or ``best``, the first of them that has the type.

    Returns
    -------
    Water
        The water, with its source and caveats.

    Notes
    -----
    Kd is the source's own where it has one. Williamson and Hollins give none; theirs is derived from their a
    and b by `kirk_diffuse_attenuation`, because another source's Kd can fall below their a. Gaps in a source
    are closed by pure water plus what the water holds beside it, interpolated (or held at the last sound
    wavelength), and every gap, warning and caveat of the package is kept in `Water.caveats`.

    Raises
    ------
    WaterError
        ``E-WATER-TYPE`` or ``E-WATER-SOURCE`` where there is no such type or source.
    """
    known_type = _jerlov_type(water_type)
    return _jerlov_water(known_type, _jerlov_source(known_type, source))


def pure_water() -> Water:
    """Return pure sea water: nothing natural is clearer.

    a: Pope and Fry 1997, from memory; b: Morel 1974 by Boss and Pegau 2001, eq. 4 and 5, salinity 35,
    through the ``jerlov`` package. The absorption that Williamson and Hollins 2022 print, from Buiteveld
    1994, agrees within 5 % from 510 to 640 nm and is 1.7 times as much at 420 nm, where Pope and Fry
    measured with greater care; it stays what their own types are counted from.

    Returns
    -------
    Water
        The water, with its sources.
    """
    a, b = pure_water_absorption(), _pure_water_spectra()[1]
    return Water(
        name="pure sea water",
        absorption_per_m=a,
        scattering_per_m=b,
        diffuse_attenuation_per_m=kirk_diffuse_attenuation(a, b),
        source="absorption: Pope & Fry 1997; scattering: Morel 1974",
        caveats=(_kirk_caveat(),),
    )


def tabulated_water(
    wavelength_nm: ArrayLike,
    absorption_per_m: ArrayLike,
    scattering_per_m: ArrayLike,
    *,
    diffuse_attenuation_per_m: ArrayLike | None = None,
    name: str = "tabulated water",
    source: str = "table",
) -> Water:
    """Return a water from measured spectra.

    Parameters
    ----------
    wavelength_nm
        Wavelengths, (n,), nm, ascending; they must reach from 450 to 650 nm at least. Beyond the table its
        end values hold, which is written into the caveats.
    absorption_per_m, scattering_per_m
        a and b there, (n,), 1/m.
    diffuse_attenuation_per_m
        Kd there; by default from a and b (`kirk_diffuse_attenuation`). Where it lies below a it is raised to
        a, since daylight cannot gain energy with depth, and the caveats say so.

    name, source
        What to call it, and where the numbers come from.

    Returns
    -------
    Water
        The water, with its source and caveats.

    Raises
    ------
    WaterError
        ``E-WATER-TABLE`` where the table is malformed, negative, not finite or too short.
    """
    wavelengths = np.asarray(wavelength_nm, dtype=np.float64)
    _check_wavelengths(wavelengths, name)
    a = _column("absorption", absorption_per_m, wavelengths, name)
    b = _column("scattering", scattering_per_m, wavelengths, name)
    caveats: list[str] = []
    if wavelengths[0] > FIRST_NM or wavelengths[-1] < LAST_NM:
        caveats.append(
            f"The table covers {wavelengths[0]:g} to {wavelengths[-1]:g} nm; its end values are held from"
            f" {FIRST_NM:g} to {LAST_NM:g} nm."
        )
    if diffuse_attenuation_per_m is None:
        kd = kirk_diffuse_attenuation(a, b)
        caveats.append(_kirk_caveat())
    else:
        kd = _column("diffuse attenuation", diffuse_attenuation_per_m, wavelengths, name)
        short = kd < a
        if np.any(short):
            caveats.append(
                f"The diffuse attenuation was raised to the absorption at {np.count_nonzero(short)}"
                f" wavelengths, where it lay up to {np.max((a - kd)[short]):.3g} 1/m below it."
            )
            kd = np.maximum(kd, a)
    return Water(name, a, b, kd, source, tuple(caveats))


def scaled_to_attenuation(water: Water, attenuation_550_per_m: float) -> Water:
    """Return the water holding more or less of what it holds, so that c at 550 nm is this many 1/m.

    Pure sea water's own a and b stay; everything beyond them is multiplied by one factor. Kd keeps its ratio
    to the one Kirk's relation gives.

    Parameters
    ----------
    water
        The water.
    attenuation_550_per_m
        c at 550 nm, 1/m; above that of pure sea water.

    Returns
    -------
    Water
        The scaled water; its name says to what.

    Raises
    ------
    WaterError
        ``E-WATER-SCALE`` where the value is no positive number, or clearer than pure sea water.
    """
    _check_positive(attenuation_550_per_m, "beam attenuation at 550 nm, 1/m")
    label = f"{water.name}, c(550) {attenuation_550_per_m:.4g} per m"
    return _scaled_to(
        water, attenuation_550_per_m, lambda scaled: _at_reference(scaled.attenuation_per_m), label
    )


def scaled_to_visibility(water: Water, visibility_m: float) -> Water:
    """Return the water scaled to a visibility: where 2 % contrast is left of a small black target seen level.

    c(550) = 3.912 / visibility (Koschmieder 1924, from memory; the same law under water in Duntley 1963).
    Type II (Williamson): 15.7 m. Raises as `scaled_to_attenuation` does.

    Parameters
    ----------
    water
        The water.
    visibility_m
        Range at which 2 % contrast is left, metres, above 0.

    Returns
    -------
    Water
        The scaled water; its name says to what.
    """
    _check_positive(visibility_m, "visibility, m")
    scaled = scaled_to_attenuation(water, KOSCHMIEDER / visibility_m)
    return replace(scaled, name=f"{water.name}, visibility {visibility_m:.4g} m")


def scaled_to_secchi(water: Water, secchi_m: float) -> Water:
    """Return the water scaled to a Secchi depth: c + Kd = 8.69 / depth at 550 nm (Tyler 1968, from memory).

    Raises as `scaled_to_attenuation` does.

    Parameters
    ----------
    water
        The water.
    secchi_m
        Depth at which the disc vanishes, metres, above 0.

    Returns
    -------
    Water
        The scaled water; its name says to what.
    """
    _check_positive(secchi_m, "Secchi depth, m")
    label = f"{water.name}, Secchi depth {secchi_m:.4g} m"
    return _scaled_to(water, TYLER / secchi_m, lambda scaled: TYLER / scaled.secchi_depth_m, label)


def kirk_diffuse_attenuation(a: F64, b: F64, *, sun_zenith_deg: float = SUN_ZENITH_DEG) -> F64:
    """Return Kd, 1/m, averaged over the lit layer, from a and b, 1/m.

    Kd = sqrt(a^2 + (0.425 m - 0.190) a b) / m, with m the cosine of the refracted sun's zenith angle (Kirk
    1984, Limnol. Oceanogr. 29, 350, from memory). Never below a: under water m stays above 0.66.
    a 0.1, b 0.4, sun 30 degrees from the zenith: 0.14530.
    """
    m = _refracted_cosine(sun_zenith_deg)
    return np.asarray(np.sqrt(a * a + (0.425 * m - 0.190) * a * b) / m, dtype=np.float64)


def _refracted_cosine(sun_zenith_deg: float) -> float:
    return math.cos(math.asin(math.sin(math.radians(sun_zenith_deg)) / SEA_WATER_INDEX))


def _at_reference(spectrum: F64) -> float:
    return float(spectrum[round(REFERENCE_NM - FIRST_NM)])


def _kirk_caveat() -> str:
    return (
        "Kd is derived from a and b by Kirk 1984 for a sun"
        f" {SUN_ZENITH_DEG:g} degrees from the zenith; it is not measured."
    )


def _jerlov_type(water_type: str) -> str:
    wanted = water_type.strip().upper().removeprefix("JERLOV").strip()
    if wanted not in JERLOV_TYPES:
        raise WaterError(
            f'there is no Jerlov water type "{water_type}"',
            code="E-WATER-TYPE",
            fix=f"Known types: {', '.join(JERLOV_TYPES)}.",
        )
    return wanted


def _jerlov_source(water_type: str, source: str) -> str:
    if source == "best":
        return next(known for known, types in JERLOV_SOURCES.items() if water_type in types)
    if source not in JERLOV_SOURCES:
        choices = ["best", *JERLOV_SOURCES]
        raise WaterError(
            f'there is no source "{source}" of absorption and scattering for Jerlov types',
            code="E-WATER-SOURCE",
            fix=f"Known sources: {', '.join(choices)}.{did_you_mean(source, choices)}",
        )
    if water_type not in JERLOV_SOURCES[source]:
        raise WaterError(
            f"{source} does not have Jerlov type {water_type}",
            code="E-WATER-SOURCE",
            fix=f"{source} has {', '.join(JERLOV_SOURCES[source])}; solonenko2015 has every type.",
        )
    return source


@lru_cache(maxsize=32)
def _jerlov_water(water_type: str, source: str) -> Water:
    """Return a type's water; kept on disk, for reading the tables takes as long as many a command."""

    def made() -> Water:
        return _modelled(water_type) if source == "morel2001" else _tabulated(water_type, source)

    mark = f"{source_digest(__name__) or package_mark()} {package_mark('jerlov')}"
    text = kept("tables", f"jerlov {water_type} {source} {mark}", lambda: _as_text(made()))
    try:
        found = json.loads(text)
        for name in ("caveats", "source_notes"):
            found[name] = tuple(found[name])
        return Water(**found)
    except (ValueError, TypeError, KeyError, WaterError):
        # Whole, and no water: somebody else's doing.
        return made()


def _as_text(water: Water) -> bytes:
    """Return a water as text, every number to the last bit."""
    parts = {field.name: getattr(water, field.name) for field in fields(water)}
    plain = {name: part.tolist() if isinstance(part, np.ndarray) else part for name, part in parts.items()}
    return json.dumps(plain).encode()


def _modelled(water_type: str) -> Water:
    """Return a type of the clear ocean, by its tabulated Kd and a model of scattering."""
    import jerlov  # noqa: PLC0415 - read only when a Jerlov type is asked for

    with warnings.catch_warnings():
        # That b is suspect is the reason for being here.
        warnings.simplefilter("ignore")
        theirs = jerlov.water(water_type, source="solonenko2015")
        table_nm = theirs.wavelengths[(theirs.wavelengths >= FIRST_NM) & (theirs.wavelengths <= LAST_NM)]
        kd = np.asarray(theirs.kd(table_nm), dtype=np.float64)  # type: ignore[no-untyped-call]
    found = clear_ocean(table_nm, kd, _pure_water_spectra()[1], _refracted_cosine(SUN_ZENITH_DEG))
    return Water(
        f"Jerlov {water_type}",
        found.absorption_per_m,
        found.scattering_per_m,
        found.diffuse_attenuation_per_m,
        f"Kd: {jerlov.SOURCES['solonenko2015'].citation}; scattering: Morel 1974, Loisel & Morel 1998 and"
        f" Morel & Maritorena 2001 for chlorophyll {found.chlorophyll_mg_m3:.3g} mg/m3",
        ("Scattering is modelled and not measured; absorption is what is left of the tabulated Kd.",),
        asymmetry=asymmetry_of(found.particle_backscatter),
    )


def _tabulated(water_type: str, source: str) -> Water:
    import jerlov  # noqa: PLC0415 - read only when a Jerlov type is asked for

    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        theirs = jerlov.water(water_type, source=source)
        table_nm = theirs.wavelengths[(theirs.wavelengths >= FIRST_NM) & (theirs.wavelengths <= LAST_NM)]
        a, a_gaps = _repaired(theirs.a, table_nm, _pure_water_spectra()[0])
        b, b_gaps = _repaired(theirs.b, table_nm, _pure_water_spectra()[1])
        kirk = kirk_diffuse_attenuation(a, b)
        kd, kd_gaps = _repaired(theirs.kd, table_nm, kirk) if theirs.has("Kd") else (kirk, ())
    caveats = list(dict.fromkeys(_for_our_readers(str(warning.message)) for warning in caught))
    for label, gaps in (("a", a_gaps), ("b", b_gaps), ("Kd", kd_gaps)):
        if gaps:
            caveats.append(
                f"{label} is missing at {', '.join(f'{nm:g}' for nm in gaps)} nm and was filled in from what"
                " the water holds beside pure water at the nearest sound wavelengths."
            )
    if not theirs.has("Kd"):
        caveats.append(_kirk_caveat())
    elif np.any(a + b < kd):
        caveats.append(
            f"c = a + b lies below Kd at {np.count_nonzero(a + b < kd)} of {a.size} wavelengths: the source's"
            " own spectra do not agree that closely."
        )
    return Water(
        f"Jerlov {water_type}",
        a,
        b,
        np.maximum(kd, a),
        jerlov.SOURCES[source].citation,
        tuple(caveats),
        tuple(theirs.caveats()),
    )


def _for_our_readers(text: str) -> str:
    """Return a warning of the `jerlov` package as a user of Halocline should read it."""
    return _with_ranges(text).replace("See DATA.md", "See DATA.md of the jerlov package")


def _with_ranges(text: str) -> str:
    """Return a caveat with "x at 400 nm; x at 401 nm; ..." drawn together to "x at 400-411 nm"."""
    found = re.findall(r"(\w+) at (\d+) nm(?:; )?", text)
    if len(found) < 2:
        return text
    wavelengths: dict[str, list[int]] = {}
    for what, nm in found:
        wavelengths.setdefault(what, []).append(int(nm))
    short = "; ".join(
        f"{what} at {min(nms)}-{max(nms)} nm ({len(nms)} values)" for what, nms in wavelengths.items()
    )
    places = list(re.finditer(r"\w+ at \d+ nm", text))
    return text[: places[0].start()] + short + text[places[-1].end() :]


def _repaired(read: Callable[[F64], F64], table_nm: F64, background: F64) -> tuple[F64, tuple[float, ...]]:
    """Return a spectrum on the grid with its gaps closed, and the table's wavelengths that were missing.

    Gaps follow `background`, to which the known part's excess over it is added, interpolated or held.
    """
    values = np.asarray(read(WAVELENGTH_NM), dtype=np.float64)
    printed = np.asarray(read(table_nm), dtype=np.float64)
    sound = ~np.isnan(printed)
    excess = printed[sound] - np.interp(table_nm[sound], WAVELENGTH_NM, background)
    filled = background + np.interp(WAVELENGTH_NM, table_nm[sound], excess)
    repaired = np.where(np.isnan(values), np.maximum(filled, 0.0), values)
    return np.asarray(repaired, dtype=np.float64), tuple(table_nm[~sound].tolist())


@lru_cache(maxsize=1)
def _pure_water_spectra() -> tuple[F64, F64]:
    import jerlov  # noqa: PLC0415 - read only when a water is made

    a = np.array(jerlov.pure_water_absorption(WAVELENGTH_NM), dtype=np.float64)
    b = np.array(jerlov.pure_water_scattering(WAVELENGTH_NM, SALINITY_PSU), dtype=np.float64)
    a.setflags(write=False)
    b.setflags(write=False)
    return a, b


def _scaled_to(water: Water, target: float, measure: Callable[[Water], float], name: str) -> Water:
    clearest, murkiest = (
        measure(_with_constituents(water, 0.0, name)),
        measure(_with_constituents(water, 1e4, name)),
    )
    if not clearest <= target <= murkiest:
        bound = (
            "clearer than pure sea water" if target < clearest else "beyond what this water can be scaled to"
        )
        raise WaterError(
            f"that is {bound}: at 550 nm {target:.4g} 1/m is asked for, and {water.name} can be scaled"
            f" from {clearest:.4g} to {murkiest:.4g} 1/m",
            code="E-WATER-SCALE",
            where=name,
            fix="Ask for a value in between, or start from another water.",
        )
    factor = crossing(lambda f: measure(_with_constituents(water, f, name)) - target, 0.0, 1e4, within=1e-14)
    scaled = _with_constituents(water, factor, name)
    caveat = f"What {water.name} holds beside pure water was multiplied by {factor:.3g} at every wavelength."
    if not 0.25 <= factor <= 4.0:
        caveat += " That is far from the water it was measured in; a nearer type will have truer colours."
    return replace(scaled, caveats=(*water.caveats, caveat))


def _with_constituents(water: Water, factor: float, name: str) -> Water:
    pure_a, pure_b = _pure_water_spectra()
    a = _scaled_beyond(water.absorption_per_m, pure_a, factor)
    b = _scaled_beyond(water.scattering_per_m, pure_b, factor)
    kirk = kirk_diffuse_attenuation(water.absorption_per_m, water.scattering_per_m)
    ratio = np.divide(water.diffuse_attenuation_per_m, kirk, out=np.ones_like(kirk), where=kirk > 0.0)
    kd = np.maximum(ratio * kirk_diffuse_attenuation(a, b), a)
    return replace(water, name=name, absorption_per_m=a, scattering_per_m=b, diffuse_attenuation_per_m=kd)


def _scaled_beyond(values: F64, pure: F64, factor: float) -> F64:
    # Where a table lies below pure water (within its error) there is nothing to scale.
    return np.asarray(np.where(values > pure, pure + factor * (values - pure), values), dtype=np.float64)


def _check_positive(value: float, what: str) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise WaterError(
            f"{what}: {value!r} is not a positive number", code="E-WATER-SCALE", fix="Give a number above 0."
        )


def _check_wavelengths(wavelengths: F64, name: str) -> None:
    if wavelengths.ndim != 1 or wavelengths.size < 2 or not np.all(np.isfinite(wavelengths)):
        problem = "two or more finite wavelengths are needed"
    elif np.any(np.diff(wavelengths) <= 0.0):
        problem = "its wavelengths do not ascend"
    elif wavelengths[0] > 450.0 or wavelengths[-1] < 650.0:
        problem = f"it covers {wavelengths[0]:g} to {wavelengths[-1]:g} nm only"
    else:
        return
    raise WaterError(
        f"the table of a water cannot be used: {problem}",
        code="E-WATER-TABLE",
        where=name,
        fix="List ascending wavelengths in nm that reach at least from 450 to 650 nm, best 400 to 700 nm.",
    )


def _column(what: str, values: ArrayLike, wavelengths: F64, name: str) -> F64:
    column = np.asarray(values, dtype=np.float64)
    if column.shape != wavelengths.shape:
        problem = f"has {column.size} values against {wavelengths.size} wavelengths"
    elif not np.all(np.isfinite(column)):
        problem = f"is not a finite number at {wavelengths[~np.isfinite(column)][0]:g} nm"
    elif np.any(column < 0.0):
        problem = f"is below 0 at {wavelengths[column < 0.0][0]:g} nm"
    else:
        return resampled(wavelengths, column)
    raise WaterError(
        f"the {what} of a water {problem}",
        code="E-WATER-TABLE",
        where=name,
        fix="Give one non-negative number in 1/m for each wavelength.",
    )
