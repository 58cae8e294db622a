from __future__ import annotations

import math
import time

import pytest

from halocline.errors import UnitError
from halocline.units import degrees, metres, metres_per_scene_unit, seconds


@pytest.mark.parametrize(
    ("text", "length"),
    [
        ("300 ft", 91.44),
        ("300ft", 91.44),
        ("  3.5 m ", 3.5),
        ("12 in", 0.3048),
        ("1 fathom", 1.8288),
        ("-2 m", -2.0),
        ("1e3 mm", 1.0),
        (".5 km", 500.0),
        ("2. m", 2.0),
        ("7", 7.0),
        ("40 µm", 4e-5),
        (2, 2.0),
        (0.25, 0.25),
        ("inf", math.inf),
    ],
)
def test_lengths_are_read_in_metres(text: str | float, length: float) -> None:
    # Foot, inch and yard are exact by the international agreement of 1959; the fathom is two yards.
    assert metres(text) == pytest.approx(length, rel=1e-15)


def test_angles_and_times_are_read_in_degrees_and_seconds() -> None:
    assert degrees("0.5 rad") == pytest.approx(math.degrees(0.5))
    assert degrees("45°") == degrees(45) == degrees("45 deg") == 45.0
    assert seconds("40 ms") == pytest.approx(0.04)
    assert seconds("2 min") == 120.0
    assert seconds("1 h") == 3600.0


@pytest.mark.parametrize("bad", ["", "m", "three m", "5 m2", "1..2 m", "0x10", "5 5 m", "nan m", "--3"])
def test_text_that_is_no_quantity_is_refused(bad: str) -> None:
    with pytest.raises(UnitError) as caught:
        metres(bad)
    assert str(caught.value) == (
        f'E-UNIT-READ  {bad!r} is no length\n  Write a number and a unit, such as "300 ft".'
    )


@pytest.mark.parametrize("bad", [None, True, [1.0], {"m": 1}])
def test_what_is_neither_number_nor_text_is_refused(bad: object) -> None:
    with pytest.raises(UnitError) as caught:
        metres(bad)  # type: ignore[arg-type]
    assert caught.value.code == "E-UNIT-READ"
    assert 'Write a number or text such as "300 ft".' in str(caught.value)


def test_unknown_unit_is_refused_with_the_nearest() -> None:
    with pytest.raises(UnitError) as caught:
        metres("3 feets")
    assert str(caught.value).startswith("E-UNIT-NAME  \"feets\" in '3 feets' is no unit of length\n")
    assert str(caught.value).endswith('Did you mean "feet"?')
    with pytest.raises(UnitError, match="is no unit of time"):
        seconds("3 m")


def test_scene_units_are_read_by_name_or_number() -> None:
    assert metres_per_scene_unit("cm") == 0.01
    assert metres_per_scene_unit("ft") == 0.3048
    assert metres_per_scene_unit("2.5 cm") == pytest.approx(0.025)
    assert metres_per_scene_unit(0.01) == 0.01


@pytest.mark.parametrize("bad", [0, -1.0, "0 m", "inf", math.inf])
def test_scene_unit_must_be_a_positive_length(bad: str | float) -> None:
    with pytest.raises(UnitError) as caught:
        metres_per_scene_unit(bad)
    assert caught.value.code == "E-UNIT-SCALE"
    assert f"a scene unit must be a positive length, not {bad!r}" in str(caught.value)


def test_long_nonsense_is_refused_at_once() -> None:
    start = time.process_time()
    with pytest.raises(UnitError):
        metres("1" * 200_000 + "!1")
    assert time.process_time() - start < 1.0
