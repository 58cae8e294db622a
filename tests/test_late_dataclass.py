"""Dataclasses that are written late are the standard decorator's, to whoever looks."""

from __future__ import annotations

import copy
import dataclasses
import inspect
import pickle
import pkgutil
import time
from concurrent.futures import ThreadPoolExecutor
from importlib import import_module
from threading import Barrier
from typing import Any, ClassVar, cast

import pytest

import halocline
from halocline.late_dataclass import dataclass


@dataclass(frozen=True)
class Place:
    """A place.

    Of two numbers.
    """

    UNIT: ClassVar = "m"
    x: float
    y: float = 0.0


@dataclass(frozen=True)
class Named(Place):
    name: str = ""
    marks: list[int] = dataclasses.field(default_factory=list)

    def __post_init__(self) -> None:
        if not self.name:
            raise ValueError("no name")


@dataclass
class Count:
    number: int = 0


@dataclasses.dataclass(frozen=True)
class Standard:
    x: float
    y: float = 0.0


@pytest.fixture
def fresh() -> Any:
    """Return a class of which nothing is written yet, and one that derives from it."""

    @dataclass(frozen=True)
    class Fresh:
        x: float
        y: float = 0.0

    @dataclass(frozen=True)
    class Derived(Fresh):
        z: float = 1.0

    return Fresh, Derived


def test_all_that_can_be_asked_of_an_object_is_as_of_the_standard_one(fresh: Any) -> None:
    kind, _ = fresh
    one, standard = kind(1.0), Standard(1.0)
    assert repr(one).rpartition("<locals>.")[2] == repr(standard).replace("Standard", "Fresh")
    assert one == kind(1.0, 0.0)
    assert one != kind(1.0, 2.0)
    assert hash(one) == hash(standard)
    assert dataclasses.asdict(dataclasses.replace(one, y=3.0)) == {"x": 1.0, "y": 3.0}
    assert kind.__match_args__ == ("x", "y")
    with pytest.raises(dataclasses.FrozenInstanceError, match="cannot assign to field 'x'"):
        one.x = 2.0
    with pytest.raises(TypeError, match="missing 1 required positional argument: 'x'"):
        kind()
    assert kind.__dataclass_params__.frozen


def test_what_is_asked_of_a_class_before_the_first_object_has_it_written(fresh: Any) -> None:
    kind, derived = fresh
    assert [field.name for field in dataclasses.fields(derived)] == ["x", "y", "z"]
    assert inspect.signature(kind) == inspect.signature(Standard).replace(
        return_annotation=inspect.Signature.empty
    )
    assert dataclasses.is_dataclass(kind)


def test_signature_is_there_before_anything_else_is(fresh: Any) -> None:
    assert list(inspect.signature(fresh[1]).parameters) == ["x", "y", "z"]
    assert not hasattr(fresh[1](1.0), "__signature__")


def test_derived_class_has_the_fields_of_one_that_is_not_written(fresh: Any) -> None:
    _, derived = fresh
    one = derived(1.0, 2.0, 3.0)
    assert (one.x, one.y, one.z) == (1.0, 2.0, 3.0)
    assert one != derived(0.0, 2.0, 3.0)


def test_class_of_the_standard_decorator_derives_from_one_that_is_not_written(fresh: Any) -> None:
    @dataclasses.dataclass(frozen=True)
    class Own(fresh[0]):  # type: ignore[misc]
        z: float = 1.0

    assert [field.name for field in dataclasses.fields(Own)] == ["x", "y", "z"]
    assert Own(1.0, 2.0, 3.0) != Own(0.0, 2.0, 3.0)


def test_class_that_is_no_dataclass_derives_from_one_that_is_not_written(fresh: Any) -> None:
    class Plain(fresh[1]):  # type: ignore[misc]
        pass

    assert Plain(1.0, 2.0, 3.0).z == 3.0


@pytest.mark.parametrize(
    "taken_over", [copy.copy, copy.deepcopy, lambda one: pickle.loads(pickle.dumps(one))]
)
def test_what_is_copied_or_sent_is_equal(taken_over: Any) -> None:
    one = Named(1.0, 2.0, "bow", [3])
    assert taken_over(one) == one


def test_object_that_was_sent_before_any_was_made_compares_and_hashes(fresh: Any) -> None:
    # As an object comes out of a pickle, in a process that has made none.
    kind, _ = fresh
    one, other = (kind.__new__(kind) for _ in range(2))
    for each in (one, other):
        each.__dict__.update(x=1.0, y=2.0)
    assert one == other
    assert hash(one) == hash(other)
    with pytest.raises(dataclasses.FrozenInstanceError):
        one.x = 2.0


def test_docstrings_stay_what_they_were() -> None:
    assert Place(1.0) != Named(1.0, name="bow")
    assert (Place.__doc__ or "").startswith("A place.")
    assert Named.__doc__ is None


def test_what_is_checked_after_and_made_for_each_is() -> None:
    with pytest.raises(ValueError, match="no name"):
        Named(1.0)
    assert Named(1.0, name="bow").marks is not Named(1.0, name="bow").marks


def test_one_that_is_not_frozen_changes_and_has_no_hash() -> None:
    count = Count()
    count.number += 2
    assert count == Count(2)
    with pytest.raises(TypeError, match="unhashable"):
        hash(count)


def test_class_with_slots_or_a_way_of_its_own_to_be_made_is_written_at_once() -> None:
    @dataclass(slots=True)
    class Slotted:
        x: int = 1

    @dataclass(frozen=True)
    class Own:
        x: int = 1

        def __new__(cls, *_: object) -> Own:
            made = super().__new__(cls)
            object.__setattr__(made, "seen", True)
            return made

    assert not hasattr(Slotted(), "__dict__")
    assert Own(2).seen  # type: ignore[attr-defined]
    assert Own(2).x == 2


def test_threads_that_make_the_first_objects_together_make_them_whole(
    fresh: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    together, standard = Barrier(4), dataclasses.dataclass
    written = []

    def slowly(**options: bool) -> Any:
        # Long enough for the others to come.
        time.sleep(0.05)
        written.append(options)
        return standard(**options)

    def make(number: int) -> Any:
        together.wait()
        return fresh[0](number)

    monkeypatch.setattr(dataclasses, "dataclass", slowly)
    with ThreadPoolExecutor(4) as pool:
        assert [one.x for one in pool.map(make, range(4))] == [0, 1, 2, 3]
    assert written == [{"frozen": True}]


def test_every_dataclass_of_the_house_can_be_written() -> None:
    seen = 0
    for module in pkgutil.walk_packages(halocline.__path__, "halocline."):
        if module.name.endswith("__main__"):
            continue
        for kind in vars(import_module(module.name)).values():
            if isinstance(kind, type) and kind.__module__ == module.name and dataclasses.is_dataclass(kind):
                assert isinstance(inspect.signature(cast(type, kind)), inspect.Signature)
                assert dataclasses.fields(kind) is not None
                seen += 1
    assert seen > 300
