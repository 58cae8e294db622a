"""Scene-linear RGB spaces: primaries, white, and the matrices between them.

Only numbers and linear algebra live here, because every start of the program needs them; the library that
knows all of colour takes more than a second to import and serves the tests as the outside check.

Sources of the chromaticities: Rec.709, Rec.2020 and their D65 white (.3127, .3290): ITU-R BT.709-6 and
BT.2020-2; P3 primaries: SMPTE RP 431-2; AP0 with the ACES white: SMPTE ST 2065-1; AP1: Academy S-2014-004.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from halocline._typing import F64
from halocline.errors import ColourError, did_you_mean
from halocline.late_dataclass import dataclass

Chromaticity = tuple[float, float]

D65: Chromaticity = (0.3127, 0.3290)
ACES_WHITE: Chromaticity = (0.32168, 0.33767)

# OpenEXR keeps chromaticities as 32-bit floats, and writers round them to three or four decimals.
CHROMATICITY_TOLERANCE = 1e-3

# Cone response of the Bradford transform: Lam 1985; the numbers as in ICC.1:2022, annex E.
BRADFORD: F64 = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]], dtype=np.float64
)


@dataclass(frozen=True)
class RGBSpace:
    """A scene-linear RGB space.

    Parameters
    ----------
    name
        Name it is known by.
    primaries
        CIE 1931 (x, y) of red, green and blue.
    white
        CIE 1931 (x, y) of RGB (1, 1, 1).
    """

    name: str
    primaries: tuple[Chromaticity, Chromaticity, Chromaticity]
    white: Chromaticity

    @property
    def to_xyz(self) -> F64:
        """RGB to CIE XYZ, (3, 3), scaled so that RGB (1, 1, 1) has Y = 1. Source: SMPTE RP 177-1993."""
        return _to_xyz(self).copy()

    @property
    def from_xyz(self) -> F64:
        """CIE XYZ to RGB, (3, 3); the inverse of `to_xyz`."""
        return np.asarray(np.linalg.inv(_to_xyz(self)), dtype=np.float64)

    @property
    def luminance_row(self) -> F64:
        """Luminance of each primary, (3,), summing to 1. Rec.709: .212639 .715169 .072192."""
        row: F64 = _to_xyz(self)[1]
        return row.copy()


LINEAR_REC709 = RGBSpace("lin_rec709", ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)), D65)
LINEAR_P3_D65 = RGBSpace("lin_p3d65", ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)), D65)
LINEAR_REC2020 = RGBSpace("lin_rec2020", ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)), D65)
ACESCG = RGBSpace("ACEScg", ((0.713, 0.293), (0.165, 0.830), (0.128, 0.044)), ACES_WHITE)
ACES2065_1 = RGBSpace("ACES2065-1", ((0.7347, 0.2653), (0.0, 1.0), (0.0001, -0.0770)), ACES_WHITE)

SPACES = (LINEAR_REC709, ACESCG, ACES2065_1, LINEAR_P3_D65, LINEAR_REC2020)

# Other spellings met in OpenColorIO configurations, the Color Interop Forum's list, and file metadata.
ALIASES = {
    "Linear Rec.709 (sRGB)": LINEAR_REC709,
    "Linear Rec.709": LINEAR_REC709,
    "Linear sRGB": LINEAR_REC709,
    "Rec.709 linear": LINEAR_REC709,
    "lin_rec709_srgb": LINEAR_REC709,
    "lin_rec709_scene": LINEAR_REC709,
    "lin_srgb": LINEAR_REC709,
    "lin_ap1": ACESCG,
    "lin_ap1_scene": ACESCG,
    "ACES - ACEScg": ACESCG,
    "AP1 linear": ACESCG,
    "lin_ap0": ACES2065_1,
    "lin_ap0_scene": ACES2065_1,
    "ACES - ACES2065-1": ACES2065_1,
    "AP0 linear": ACES2065_1,
    "Linear P3-D65": LINEAR_P3_D65,
    "P3-D65 linear": LINEAR_P3_D65,
    "lin_p3d65_scene": LINEAR_P3_D65,
    "lin_displayp3": LINEAR_P3_D65,
    "Linear Rec.2020": LINEAR_REC2020,
    "Rec.2020 linear": LINEAR_REC2020,
    "lin_rec2020_scene": LINEAR_REC2020,
}


def space_named(name: str) -> RGBSpace:
    """Return the space of that name or alias; case, spaces and punctuation do not matter.

    Parameters
    ----------
    name
        A name or alias.

    Returns
    -------
    RGBSpace
        The space.

    Raises
    ------
    ColourError
        ``E-COLOUR-SPACE`` where no linear space of that name is known.

    Examples
    --------
    >>> space_named("Linear Rec.709 (sRGB)").name
    'lin_rec709'
    """
    known = _spaces_by_key()
    found = known.get(_key(name))
    if found is None:
        names = [space.name for space in SPACES]
        raise ColourError(
            f'no scene-linear RGB space is known as "{name}"',
            code="E-COLOUR-SPACE",
            fix=f"Known: {', '.join(names)}.{did_you_mean(name, [*names, *ALIASES])}"
            " Any other space can be given by the eight numbers of its chromaticities.",
        )
    return found


def space_from_chromaticities(chromaticities: Sequence[float], *, name: str | None = None) -> RGBSpace:
    """Return the space with these chromaticities: a known one where all eight agree to 1e-3.

    Parameters
    ----------
    chromaticities
        x, y of red, green, blue and white, in the order of OpenEXR's ``chromaticities`` attribute.
    name
        Name for a space that is none of the known ones; by default one made from the numbers.

    Returns
    -------
    RGBSpace
        The space.

    Raises
    ------
    ColourError
        ``E-COLOUR-CHROMATICITIES`` where the numbers span no colour space.
    """
    numbers = np.asarray(chromaticities, dtype=np.float64).ravel()
    if numbers.size != 8 or not np.all(np.isfinite(numbers)):
        raise _no_space(chromaticities, "eight finite numbers are needed")
    for space in SPACES:
        if np.max(np.abs(numbers - np.ravel([*space.primaries, space.white]))) <= CHROMATICITY_TOLERANCE:
            return space
    pairs = [(float(x), float(y)) for x, y in numbers.reshape(4, 2)]
    label = name or "rgb(" + " ".join(f"{number:.4g}" for number in numbers) + ")"
    space = RGBSpace(label, (pairs[0], pairs[1], pairs[2]), pairs[3])
    edges = numbers[2:6].reshape(2, 2) - numbers[:2]
    if pairs[3][1] <= 0.0 or abs(float(np.linalg.det(edges))) < 1e-6:
        raise _no_space(chromaticities, "the primaries lie on one line, or the white has no luminance")
    if np.any(np.linalg.solve(_primaries_xyz(space), _xyz_of(space.white)) <= 0.0):
        raise _no_space(chromaticities, "the white lies outside the triangle of the primaries")
    return space


def conversion_matrix(source: RGBSpace, target: RGBSpace) -> F64:
    """Return the matrix, (3, 3), that takes linear RGB of one space to another; white goes to white.

    Unequal whites are joined by the Bradford transform: Lam 1985 (as in ICC.1:2022, annex E).
    Rec.709 to ACEScg, first row: .613097 .339523 .047379.

    Parameters
    ----------
    source, target
        The spaces.

    Returns
    -------
    F64
        ``(3, 3)``; the unit matrix for a space and itself.
    """
    if source == target:
        return np.eye(3)
    if source.white == target.white:
        return np.asarray(target.from_xyz @ source.to_xyz, dtype=np.float64)
    cones = (BRADFORD @ _xyz_of(target.white)) / (BRADFORD @ _xyz_of(source.white))
    adaptation = np.linalg.solve(BRADFORD, cones[:, None] * BRADFORD)
    return np.asarray(target.from_xyz @ adaptation @ source.to_xyz, dtype=np.float64)


def _no_space(chromaticities: Sequence[float], reason: str) -> ColourError:
    return ColourError(
        f"the chromaticities {list(chromaticities)!r} span no colour space: {reason}",
        code="E-COLOUR-CHROMATICITIES",
        fix="Give x, y of red, green, blue and white, or name the colour space.",
    )


def _key(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.lower())


@lru_cache(maxsize=1)
def _spaces_by_key() -> dict[str, RGBSpace]:
    by_name = {space.name: space for space in SPACES}
    return {_key(name): space for name, space in (by_name | ALIASES).items()}


def _xyz_of(chromaticity: Chromaticity) -> F64:
    x, y = chromaticity
    return np.array([x, y, 1.0 - x - y], dtype=np.float64) / y


def _primaries_xyz(space: RGBSpace) -> F64:
    # Not divided by y: AP0's blue primary has a negative one, other spaces' may be zero.
    return np.array([[x, y, 1.0 - x - y] for x, y in space.primaries], dtype=np.float64).T


@lru_cache(maxsize=64)
def _to_xyz(space: RGBSpace) -> F64:
    columns = _primaries_xyz(space)
    return np.asarray(columns * np.linalg.solve(columns, _xyz_of(space.white)), dtype=np.float64)
