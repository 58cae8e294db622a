"""What `import halocline` promises. A name that goes or comes here is a change that users notice."""

from __future__ import annotations

import dataclasses
import inspect
import pydoc
import re
import subprocess
import sys

import pytest

import halocline

PROMISED = [
    "Camera",
    "CameraTrack",
    "HaloclineError",
    "Preset",
    "WetFrame",
    "__version__",
    "apply",
    "load_preset",
    "pinhole",
    "preset_from_text",
]


def test_the_package_promises_these_names_and_no_others() -> None:
    assert halocline.__all__ == PROMISED
    assert sorted(PROMISED) == PROMISED


@pytest.mark.parametrize("name", PROMISED)
def test_every_name_is_there_and_documented(name: str) -> None:
    thing = getattr(halocline, name)
    if name == "__version__":
        assert thing.count(".") == 2
    else:
        assert thing.__name__ == name
        assert inspect.getdoc(thing)


def test_all_names_can_be_imported_at_once() -> None:
    script = f"from halocline import *\nassert not set({PROMISED!r}) - set(globals())"
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", script], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


def test_what_is_promised_is_what_dir_and_help_show() -> None:
    assert dir(halocline) == PROMISED
    told = pydoc.plain(pydoc.render_doc(halocline))
    for name in set(PROMISED) - {"__version__"}:
        assert re.search(rf"\b{name}\b", told), name
    assert "Put one frame under water." in told


def test_an_unknown_name_is_an_attribute_error_as_of_any_module() -> None:
    with pytest.raises(AttributeError, match="module 'halocline' has no attribute 'aply'"):
        _ = halocline.aply


@pytest.mark.parametrize(
    ("function", "by_place"),
    [
        ("apply", ["preset", "rgb", "range_m", "alpha"]),
        ("load_preset", ["preset", "overrides"]),
        ("preset_from_text", ["text", "overrides"]),
        ("pinhole", ["display_window"]),
    ],
)
def test_only_the_main_operands_are_given_by_place(function: str, by_place: list[str]) -> None:
    parameters = inspect.signature(getattr(halocline, function)).parameters.values()
    placed = [each.name for each in parameters if each.kind is each.POSITIONAL_OR_KEYWORD]
    assert placed == by_place


def test_errors_of_the_package_are_one_family() -> None:
    with pytest.raises(halocline.HaloclineError) as caught:
        halocline.load_preset("no-such-water")
    assert caught.value.code == "E-PRESET-FIND"


# Of numpydoc's checks: a docstring, parameters all there, none that is not, in their order, with a
# description, and what comes back.
WANTED = {"GL08", "PR01", "PR02", "PR03", "PR07", "RT01"}


def functions() -> list[str]:
    """Return all public functions and methods. Fields and properties say what they are where they stand."""
    found = []
    for name in PROMISED:
        thing = getattr(halocline, name)
        if inspect.isfunction(thing):
            found.append(name)
        elif inspect.isclass(thing):
            own = [key for key, value in vars(thing).items() if inspect.isfunction(value)]
            found += [f"{name}.{key}" for key in own if not key.startswith("_")]
    return found


@pytest.mark.parametrize("name", functions())
def test_docstrings_of_public_functions_are_whole(name: str) -> None:
    """By numpydoc's own validation, a general-purpose library's."""
    validate = pytest.importorskip("numpydoc.validate").validate
    wrong = [error for error in validate(f"halocline.{name}")["errors"] if error[0] in WANTED]
    assert not wrong


@pytest.mark.parametrize("name", [name for name in PROMISED if name[0].isupper()])
def test_every_field_of_a_public_value_is_documented(name: str) -> None:
    kind = getattr(halocline, name)
    if dataclasses.is_dataclass(kind):
        text = inspect.getdoc(kind) or ""
        listed = {field for line in text.splitlines() for field in line.split(", ") if line == line.lstrip()}
        assert {field.name for field in dataclasses.fields(kind)} <= listed
