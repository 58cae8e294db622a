"""What is known of a reference: colours in a picture taken under water, at ranges that somebody knows.

A sample is a colour as the camera saw it, linear, with the range of what it shows. The true colour may be
known (a grey card, a chart patch), unknown but the same in several samples (one rock at three ranges: a
*target* with a name), or there may be nothing but open water.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import field
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.errors import UnitError, did_you_mean
from halocline.late_dataclass import dataclass
from halocline.matching.surroundings import Around, Surroundings
from halocline.units import metres

OPEN_WATER = "water"
# Reflectances of the plain cards that divers carry; 18 % is the photographic grey card.
CARDS = {"white": 0.9, "grey": 0.18, "gray": 0.18, "black": 0.03}
# Display values at and above this are clipped and tell nothing.
CLIPPED = 0.985
DARK_SHARE, BRIGHT_SHARE = 0.02, 0.97
RANGE_STEPS = 14
# So many of a step's places say what is about them.
PLACES_OF_STEP = 8


@dataclass(frozen=True)
class Sample:
    """One measured colour.

    Attributes
    ----------
    rgb
        As the camera saw it, linear, ``(3,)``, in the working space.
    range_m
        Metres from the lens; inf for open water.
    colour
        True reflectance, linear RGB, where known.
    target
        Name of what is shown; samples of one name show one colour. `OPEN_WATER` for nothing but water.
    direction
        Unit view direction, world, ``(3,)``, where known.
    noise
        Standard deviation of ``rgb``, ``(3,)``, where it was measured.
    around
        What the picture shows about it; none where all about it is taken for open water.
    """

    rgb: tuple[float, float, float]
    range_m: float
    colour: tuple[float, float, float] | None = None
    target: str = "target"
    direction: tuple[float, float, float] | None = None
    noise: tuple[float, float, float] | None = None
    around: Around | None = field(default=None, compare=False)

    @property
    def open_water(self) -> bool:
        """Whether nothing but water is seen."""
        return self.target == OPEN_WATER or math.isinf(self.range_m)


@dataclass(frozen=True)
class SamplePlace:
    """Where in a still a sample is, and what is known of it, as stated on the command line.

    Attributes
    ----------
    x, y, half_px
        Centre of a square of pixels, and half its side.
    rgb
        The colour itself instead, display values 0 to 1.
    range_m, colour, target
        See `Sample`.
    still
        Which of several stills, counted from 1.
    """

    x: int
    y: int
    half_px: int
    rgb: tuple[float, float, float] | None
    range_m: float
    colour: tuple[float, float, float] | None
    target: str
    still: int = 1


_PLACE = re.compile(
    r"\s*(?:(?P<still>\d+)\s*:)?\s*(?P<where>#[0-9a-fA-F]{6}|\d+\s*,\s*\d+(?:\s*,\s*\d+)?)\s*"
    r"@\s*(?P<range>[^=]+?)\s*(?:=\s*(?P<what>.+?))?\s*"
)


def parse_place(text: str) -> SamplePlace:
    """Read a stated sample: ``[STILL:]X,Y[,HALF]@RANGE[=WHAT]`` or ``#RRGGBB@RANGE[=WHAT]``.

    WHAT is a card (white, grey, black), a patch of the 24-patch chart (``patch 19``), a colour of three
    linear numbers (``0.2 0.3 0.1``), or a name: samples of one name show the same, unknown, colour. The
    range ``water`` means open water.

    Parameters
    ----------
    text
        The sample.

    Returns
    -------
    Place
        Where it is, how far away, and what it shows.

    Raises
    ------
    UnitError
        ``E-SAMPLE-READ`` where it is none of this.
    """
    found = _PLACE.fullmatch(text)
    if found is None:
        raise _unreadable(text, "it is not of the form X,Y@RANGE=WHAT")
    open_water = found["range"].strip().lower() in (OPEN_WATER, "inf", "open")
    range_m = math.inf if open_water else metres(found["range"])
    if range_m <= 0:
        raise _unreadable(text, "its range is not above 0")
    colour, target = _what(found["what"], text)
    target = OPEN_WATER if open_water else target
    still = int(found["still"] or 1)
    where = found["where"]
    if where.startswith("#"):
        red, green, blue = (int(where[i : i + 2], 16) / 255.0 for i in (1, 3, 5))
        return SamplePlace(0, 0, 0, (red, green, blue), range_m, colour, target, still)
    parts = [int(part) for part in where.split(",")]
    half = parts[2] if len(parts) == 3 else 4
    return SamplePlace(parts[0], parts[1], half, None, range_m, colour, target, still)


def _what(what: str | None, text: str) -> tuple[tuple[float, float, float] | None, str]:
    if what is None:
        return None, "target"
    word = what.strip().strip('"').lower()
    if word in CARDS:
        return (CARDS[word],) * 3, word
    patch = re.fullmatch(r"patch\s*(\d+)", word)
    if patch:
        colours = chart_colours()
        if not 1 <= int(patch[1]) <= len(colours):
            raise _unreadable(text, f"the chart has patches 1 to {len(colours)}")
        red, green, blue = (float(value) for value in colours[int(patch[1]) - 1])
        return (red, green, blue), word
    numbers = word.replace(",", " ").split()
    if len(numbers) == 3 and all(re.fullmatch(r"\d*\.?\d+(e-?\d+)?", number) for number in numbers):
        red, green, blue = (float(number) for number in numbers)
        return (red, green, blue), word
    if re.fullmatch(r"[a-z][\w -]*", word):
        return None, word
    raise _unreadable(text, f'"{what}" is no card, patch, colour or name')


@lru_cache(maxsize=1)
def chart_colours() -> F64:
    """Return the linear Rec.709 colours of the 24-patch chart under D65, ``(24, 3)``.

    Chart and adaptation by colour-science: the chart of after November 2014, Bradford from its D50.
    """
    import colour  # noqa: PLC0415 - more than a second to import, and seldom needed

    chart = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    xyz = colour.xyY_to_XYZ(list(chart.data.values()))
    space = colour.RGB_COLOURSPACES["sRGB"]
    rgb = colour.XYZ_to_RGB(xyz, space, chart.illuminant, "Bradford")
    return np.maximum(0.0, np.asarray(rgb, np.float64))


def decoded(display: F64, encoding: str) -> F64:
    """Return linear values of display values 0 to 1.

    Parameters
    ----------
    display
        Any shape.
    encoding
        ``srgb`` (IEC 61966-2-1), ``rec709`` (inverse of the camera curve of ITU-R BT.709-6) or ``linear``.

    Returns
    -------
    F64
        Of the same shape.

    Raises
    ------
    UnitError
        ``E-SAMPLE-ENCODING`` where it is none of these.

    Notes
    -----
    Worked values: sRGB 0.5 is 0.21404; Rec.709 0.5 is 0.25959.
    """
    v = np.asarray(display, np.float64)
    if encoding == "linear":
        return v
    if encoding == "srgb":
        return np.where(v <= 0.04045, v / 12.92, ((np.maximum(v, 0.0) + 0.055) / 1.055) ** 2.4)
    if encoding == "rec709":
        return np.where(v < 0.081, v / 4.5, ((np.maximum(v, 0.0) + 0.099) / 1.099) ** (1.0 / 0.45))
    known = ("srgb", "rec709", "linear")
    raise UnitError(
        f'no encoding is called "{encoding}"',
        code="E-SAMPLE-ENCODING",
        fix=f"Known: {', '.join(known)}.{did_you_mean(encoding, known)}",
    )


def sample_at(
    place: SamplePlace,
    display: F64,
    encoding: str,
    directions: F32 | None,
    surroundings: Callable[[SamplePlace], Around] | None = None,
) -> Sample:
    """Return the sample of a place in a still ``(rows, columns, 3)``, display values 0 to 1.

    What is about it the surroundings say, if they are given.

    Raises
    ------
    UnitError
        ``E-SAMPLE-PLACE`` where it lies outside the picture, or is clipped.
    """
    where = f"sample at {place.x},{place.y}"
    if place.rgb is not None:
        return _sample(place, decoded(np.array(place.rgb), encoding), None, None)
    rows, columns = display.shape[:2]
    if not (0 <= place.x < columns and 0 <= place.y < rows):
        raise UnitError(
            f"it lies outside the picture of {columns} x {rows} pixels",
            code="E-SAMPLE-PLACE",
            where=where,
            fix=f"Give --sample X,Y@RANGE=WHAT with X from 0 to {columns - 1} and Y from 0 to {rows - 1}, "
            "counted from the top left.",
        )
    top, left = max(0, place.y - place.half_px), max(0, place.x - place.half_px)
    square = display[top : place.y + place.half_px + 1, left : place.x + place.half_px + 1]
    if np.median(square, axis=(0, 1)).max() >= CLIPPED and encoding != "linear":
        raise UnitError(
            "the picture is clipped there and tells no colour",
            code="E-SAMPLE-PLACE",
            where=where,
            fix="Give --sample a place that is not burnt out.",
        )
    linear = decoded(square, encoding).reshape(-1, 3)
    mean = np.median(linear, axis=0)
    spread = linear.std(axis=0)
    # Standard error of a median. Noise about black is cut off at black, which lifts the median by its size.
    noise = 1.2533 * spread / math.sqrt(len(linear)) + np.where(mean < 2.0 * spread, spread, 0.0)
    direction = None if directions is None else directions[:, place.y, place.x]
    around = None if surroundings is None else surroundings(place)
    return _sample(place, mean, noise, direction, around)


def samples_of_range_map(
    linear: F32, range_m: F32, directions: F32 | None, focal_px: float | None = None
) -> list[Sample]:
    """Return samples of a still whose range is known everywhere but whose colours are not.

    Between one step of range and the next, the darkest of a scene are taken to be one colour, and the
    brightest another: over many surfaces their mixture hardly changes with range. Open water is sampled on a
    grid, for its direction.

    Parameters
    ----------
    linear
        ``(3, rows, columns)``, linear.
    range_m
        ``(rows, columns)``; inf where there is nothing but water.
    directions
        Unit view directions, ``(3, rows, columns)``, where the lens is known.
    focal_px
        Pixels per radian at its centre, where the lens is known.
    """
    about = Surroundings.of(np.moveaxis(linear, 0, -1), range_m, directions, focal_px)
    seen = np.isfinite(range_m) & np.isfinite(linear).all(axis=0)
    samples: list[Sample] = []
    if seen.any():
        edges = np.quantile(range_m[seen], np.linspace(0.0, 1.0, RANGE_STEPS + 1))
        for low, high in pairwise(edges):
            inside = seen & (range_m >= low) & (range_m < high)
            samples += _of_step(linear, inside, range_m, directions, about)
    return samples + _of_open_water(linear, ~np.isfinite(range_m), directions, about)


def _of_step(
    linear: F32, inside: NDArray[np.bool_], range_m: F32, directions: F32 | None, about: Surroundings
) -> list[Sample]:
    count = int(inside.sum())
    if count < 200:
        return []
    colours, ranges = linear[:, inside], range_m[inside]
    rows, columns = np.nonzero(inside)
    order = np.argsort(colours.sum(axis=0), kind="stable")
    few = max(20, int(count * DARK_SHARE))
    made = []
    for name, chosen in (("dark", order[few // 10 : few]), ("bright", order[int(count * BRIGHT_SHARE) :])):
        picked = colours[:, chosen].astype(np.float64)
        red, green, blue = np.median(picked, axis=1).tolist()
        spread = picked.std(axis=1) / math.sqrt(len(chosen)) + 0.02 * picked.mean(axis=1)
        mean = None if directions is None else _unit(directions[:, inside][:, chosen].mean(axis=1))
        some = chosen[np.linspace(0, len(chosen) - 1, PLACES_OF_STEP).astype(int)]
        around = about.about(list(zip(columns[some], rows[some], strict=True)))
        range_of = float(np.median(ranges[chosen]))
        made.append(Sample((red, green, blue), range_of, None, name, mean, _triple(spread), around))
    return made


def _of_open_water(
    linear: F32, empty: NDArray[np.bool_], directions: F32 | None, about: Surroundings
) -> list[Sample]:
    rows, columns = empty.shape
    tall, wide = max(1, rows // 9), max(1, columns // 14)
    made = []
    for top in range(0, rows - tall + 1, tall):
        for left in range(0, columns - wide + 1, wide):
            block = np.s_[top : top + tall, left : left + wide]
            if not empty[block].all():
                continue
            colours = linear[(slice(None), *block)].reshape(3, -1).astype(np.float64)
            red, green, blue = np.median(colours, axis=1).tolist()
            spread = 0.01 * colours.mean(axis=1) + colours.std(axis=1) / 10.0
            y, x = top + tall // 2, left + wide // 2
            middle = None if directions is None else _unit(directions[:, y, x])
            around = about.about([(x, y)])
            made.append(
                Sample((red, green, blue), math.inf, None, OPEN_WATER, middle, _triple(spread), around)
            )
    return made


def _sample(
    place: SamplePlace, rgb: F64, noise: F64 | None, direction: F32 | None, around: Around | None = None
) -> Sample:
    return Sample(
        _triple(rgb),
        place.range_m,
        place.colour,
        place.target,
        None if direction is None else _unit(direction),
        None if noise is None else _triple(noise),
        around,
    )


def _triple(values: F64) -> tuple[float, float, float]:
    first, second, third = (float(value) for value in values)
    return first, second, third


def _unit(vector: F32) -> tuple[float, float, float]:
    exact = np.asarray(vector, np.float64)
    return _triple(exact / np.linalg.norm(exact))


def _unreadable(text: str, reason: str) -> UnitError:
    return UnitError(
        f'the sample "{text}" cannot be read: {reason}',
        code="E-SAMPLE-READ",
        fix='Write X,Y@RANGE=WHAT, for example "412,233@2.5 m=grey", "800,90@water" or "#2f5a60@6 m=rock".',
    )
