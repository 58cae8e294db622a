from __future__ import annotations

import inspect
import pickle

import pytest

from halocline import errors
from halocline.errors import HaloclineError, PresetError, UnitError, did_you_mean

KINDS = [kind for _, kind in inspect.getmembers(errors, inspect.isclass) if issubclass(kind, HaloclineError)]


def test_message_says_what_where_and_how_to_fix() -> None:
    error = UnitError("9 is no length", code="E-UNIT-READ", where="shot.toml, line 3", fix="Write 9 m.")
    assert str(error) == "E-UNIT-READ  shot.toml, line 3: 9 is no length\n  Write 9 m."
    assert (error.message, error.code, error.where, error.fix) == (
        "9 is no length",
        "E-UNIT-READ",
        "shot.toml, line 3",
        "Write 9 m.",
    )


def test_parts_that_are_not_known_are_left_out() -> None:
    assert str(HaloclineError("lost", code="E-X")) == "E-X  lost"


@pytest.mark.parametrize("kind", KINDS)
def test_every_error_crosses_process_boundaries_whole(kind: type[HaloclineError]) -> None:
    error = kind("what", code="E-A-B", where="here", fix="so")
    again = pickle.loads(pickle.dumps(error))
    assert type(again) is kind
    assert str(again) == str(error)
    assert vars(again) == vars(error)


@pytest.mark.parametrize("kind", KINDS)
def test_every_error_is_of_the_one_family_and_in_the_tree_of_the_module(kind: type[HaloclineError]) -> None:
    assert kind.__name__ in (errors.__doc__ or "")


def test_place_is_put_before_the_one_it_has() -> None:
    inner = UnitError("bad", code="E-U", where="light.sun")
    outer = inner.located("a.toml, line 2").located("frame 7")
    assert type(outer) is UnitError
    assert outer.where == "frame 7, a.toml, line 2, light.sun"
    assert inner.where == "light.sun"
    assert HaloclineError("bad", code="E-U").located("frame 7").where == "frame 7"


def test_preset_error_tells_every_problem_and_keeps_them_through_pickling() -> None:
    problems = [PresetError("one", code="E-1"), PresetError("two", code="E-2", fix="so")]
    error = PresetError("the preset has 2 mistakes", code="E-PRESET-INVALID", problems=problems)
    assert str(error) == "E-1  one\nE-2  two\n  so"
    again = pickle.loads(pickle.dumps(error))
    assert str(again) == str(error)
    assert [problem.code for problem in again.problems] == ["E-1", "E-2"]


def test_near_word_is_offered_and_a_far_one_is_not() -> None:
    assert did_you_mean("attenuaton", ["attenuation", "albedo"]) == ' Did you mean "attenuation"?'
    assert did_you_mean("xyzzy", ["attenuation", "albedo"]) == ""
