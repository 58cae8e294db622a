"""Lengths, angles and times as people write them, turned into metres, degrees and seconds."""

from __future__ import annotations

import math
import re

from halocline.errors import UnitError, did_you_mean

METRES_PER_UNIT = {
    "m": 1.0,
    "metre": 1.0,
    "metres": 1.0,
    "meter": 1.0,
    "meters": 1.0,
    "um": 1e-6,
    "µm": 1e-6,
    "mm": 1e-3,
    "cm": 1e-2,
    "dm": 1e-1,
    "km": 1e3,
    # International foot, inch and fathom, exact by definition (international yard of 1959).
    "in": 0.0254,
    "inch": 0.0254,
    "inches": 0.0254,
    "ft": 0.3048,
    "foot": 0.3048,
    "feet": 0.3048,
    "yd": 0.9144,
    "fathom": 1.8288,
    "fathoms": 1.8288,
}
SECONDS_PER_UNIT = {"s": 1.0, "sec": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0}
DEGREES_PER_UNIT = {"deg": 1.0, "°": 1.0, "rad": 180.0 / math.pi}

_QUANTITY = re.compile(r"\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?|[+-]?inf)\s*([^\s\d.]*)\s*")


def metres(value: str | float) -> float:
    """Read a length. A bare number is in metres; text may carry a unit.

    Parameters
    ----------
    value
        A number, or text with or without a unit.

    Returns
    -------
    float
        Metres, of either sign.

    Raises
    ------
    UnitError
        ``E-UNIT-READ`` where the text is no quantity, ``E-UNIT-NAME`` where its unit is no length.

    Examples
    --------
    >>> metres("300 ft")
    91.44
    >>> metres(2)
    2.0
    """
    return _quantity(value, METRES_PER_UNIT, "length", "300 ft")


def seconds(value: str | float) -> float:
    """Read a time span. A bare number is in seconds. Raises as `metres` does.

    Parameters
    ----------
    value
        A number, or text with or without a unit.

    Returns
    -------
    float
        Seconds.
    """
    return _quantity(value, SECONDS_PER_UNIT, "time", "2.5 s")


def degrees(value: str | float) -> float:
    """Read an angle. A bare number is in degrees. Raises as `metres` does.

    Parameters
    ----------
    value
        A number, or text with or without a unit.

    Returns
    -------
    float
        Degrees.
    """
    return _quantity(value, DEGREES_PER_UNIT, "angle", "45 deg")


def metres_per_scene_unit(value: str | float) -> float:
    """Read the length of one unit of the rendered scene: ``"cm"``, ``"ft"``, ``"2.5 cm"`` or metres.

    Parameters
    ----------
    value
        Metres, or text.

    Returns
    -------
    float
        Metres, above 0 and finite.

    Raises
    ------
    UnitError
        As `metres`; also ``E-UNIT-SCALE`` where the length is not a positive finite number.
    """
    if isinstance(value, str) and value.strip() in METRES_PER_UNIT:
        return METRES_PER_UNIT[value.strip()]
    length = metres(value)
    if not (math.isfinite(length) and length > 0):
        raise UnitError(
            f"a scene unit must be a positive length, not {value!r}",
            code="E-UNIT-SCALE",
            fix='Give the length of one scene unit, for example "cm", "ft" or 0.01.',
        )
    return length


def _quantity(value: str | float, units: dict[str, float], kind: str, example: str) -> float:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise UnitError(
            f"{value!r} is no {kind}", code="E-UNIT-READ", fix=f'Write a number or text such as "{example}".'
        )
    if not isinstance(value, str):
        return float(value)
    found = _QUANTITY.fullmatch(value)
    if found is None:
        raise UnitError(
            f"{value!r} is no {kind}",
            code="E-UNIT-READ",
            fix=f'Write a number and a unit, such as "{example}".',
        )
    number, unit = float(found[1]), found[2]
    if unit and unit not in units:
        raise UnitError(
            f'"{unit}" in {value!r} is no unit of {kind}',
            code="E-UNIT-NAME",
            fix=f"Known units: {', '.join(units)}.{did_you_mean(unit, list(units))}",
        )
    return number * units.get(unit, 1.0)
